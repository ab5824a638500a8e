"""Regions to ask an archive about: random ones, and those on which searches go wrong first."""

from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray
from tests.awkward_sky import Floats, Plate, sky_of_mm, vectors_of

from platecover.coverage import constellations
from platecover.coverage.regions import Region

RADII_DEG = (0.01, 120.0)  # of random circles, smallest and largest
AWKWARD_PLACES = [
    (0.0, 90.0), (123.0, 90.0), (0.0, -90.0), (0.0, 0.0), (360.0, 0.0), (0.0, 41.8103),
    (359.99999, -33.0), (180.0, 0.0), (45.0, 0.0), (90.0, 41.810314895778596), (12.0, 89.9),
]  # poles, RA 0h, and where HEALPix base cells meet  # fmt: skip


def random_place(rng: np.random.Generator) -> tuple[float, float]:
    """RA and Dec of a place anywhere on the sky."""
    return float(rng.uniform(0.0, 360.0)), float(np.degrees(np.arcsin(rng.uniform(-1.0, 1.0))))


def awkward_place(rng: np.random.Generator, plates: list[Plate]) -> tuple[float, float]:
    """RA and Dec of a place that is likely to be misjudged."""
    kind = rng.integers(5)
    if kind == 0:
        return AWKWARD_PLACES[rng.integers(len(AWKWARD_PLACES))]
    plate = plates[rng.integers(len(plates))]
    if kind == 1:
        return plate.ra, plate.dec
    if kind == 2:
        return (plate.ra + 180.0) % 360.0, -plate.dec
    # on a side of the rectangle or a little off it
    units = rng.uniform(-1.05, 1.05, 2)
    units[rng.integers(2)] = rng.choice([-1.0, 1.0]) * (1.0 + rng.normal(0.0, 0.003))
    ra, dec = sky_of_mm(plate, units[0] * plate.width / 2, units[1] * plate.height / 2)
    return float(ra) % 360.0, float(dec)


def circles(seed: int, plates: list[Plate]) -> Iterator[tuple[float, float, float]]:
    """RA, Dec and radius of points and circles without end, half of them awkward."""
    rng = np.random.default_rng(seed)
    while True:
        awkward = rng.random() < 0.5
        ra, dec = awkward_place(rng, plates) if awkward else random_place(rng)
        radius = 0.0
        if rng.random() < 0.5:
            radius = float(np.exp(rng.uniform(*np.log(RADII_DEG))))
        elif rng.random() < 0.02:
            radius = float(rng.choice([90.0, 179.0, 180.0]))
        yield ra, dec, radius


def regions(seed: int, plates: list[Plate]) -> Iterator[Region]:
    """Regions of every kind without end; two in three are points and circles."""
    rng = np.random.default_rng(seed)
    rounds = circles(seed + 1, plates)
    others: list[Callable[[np.random.Generator], Region]] = [
        _range, _range, _polygon, _polygon, _constellation, _moc
    ]  # fmt: skip
    while True:
        yield Region.circle(*next(rounds))
        yield Region.circle(*next(rounds))
        yield others[rng.integers(len(others))](rng)


def _range(rng: np.random.Generator) -> Region:
    kind = rng.integers(6)
    west, low = float(rng.uniform(0.0, 360.0)), float(rng.uniform(-90.0, 90.0))
    width = float(np.exp(rng.uniform(np.log(0.01), np.log(359.0))))
    high = min(low + float(np.exp(rng.uniform(np.log(0.01), np.log(90.0)))), 90.0)
    if kind == 0:
        return Region.range(0.0, 360.0, low, high)
    if kind == 1:
        return Region.range(west, (west + width) % 360.0, low, 90.0)
    if kind == 2:
        return Region.range(west, (west + width) % 360.0, low, low)
    if kind == 3:
        return Region.range(360.0 - width / 2, width / 2, low, high)
    return Region.range(west, (west + width) % 360.0, low, high)


def _polygon(rng: np.random.Generator) -> Region:
    """Corners round a place at different distances, so that some are dented."""
    ra, dec = (
        random_place(rng)
        if rng.random() < 0.7
        else AWKWARD_PLACES[rng.integers(len(AWKWARD_PLACES))]
    )
    size = float(np.exp(rng.uniform(np.log(0.02), np.log(80.0))))
    count = int(rng.integers(3, 9))
    turn = (np.arange(count) + rng.uniform(0.1, 0.9, count)) * 2.0 * np.pi / count
    tangent = np.tan(np.radians(size * rng.uniform(0.3, 1.0, count)))
    east = np.array([-np.sin(np.radians(ra)), np.cos(np.radians(ra)), 0.0])
    centre = vectors_of(ra, dec)
    north = np.cross(centre, east)
    corners = centre + tangent[:, None] * (
        np.sin(turn)[:, None] * east + np.cos(turn)[:, None] * north
    )
    return Region.polygon(_places(corners))


def _places(vectors: Floats) -> list[tuple[float, float]]:
    ra: NDArray[np.float64] = np.degrees(np.arctan2(vectors[:, 1], vectors[:, 0])) % 360.0
    dec = np.degrees(np.arctan2(vectors[:, 2], np.hypot(vectors[:, 0], vectors[:, 1])))
    return [(float(a), float(d)) for a, d in zip(ra, dec, strict=True)]


def _constellation(rng: np.random.Generator) -> Region:
    return Region.constellation(str(rng.choice(sorted(constellations.names()))))


def _moc(rng: np.random.Generator) -> Region:
    """Some cells of a few orders; the finest smaller than an arcsecond."""
    parts = []
    for order in sorted(rng.choice([2, 4, 6, 9, 13, 18, 25], 3, replace=False)):
        cells = np.unique(rng.integers(0, 12 * 4 ** int(order), rng.integers(1, 4)))
        parts.append(f"{order}/" + " ".join(str(cell) for cell in cells))
    return Region.moc(" ".join(parts))
