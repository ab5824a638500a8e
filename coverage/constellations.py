"""The 88 constellations: their names, and which patch of sky belongs to which.

Boundaries run along parallels and meridians of the equinox B1875 (Delporte 1930, Delimitation
scientifique des constellations). Roman 1987, PASP 99, 695 (CDS catalogue VI/42) turned them into
a list of (RA from, RA to, lowest Dec): a place is in the constellation of the first row with RA
in its range and Dec not below its limit. Astropy carries that list as package data. Here it
becomes a chequered sky: one constellation in each cell between neighbouring RAs and Decs.
"""

import difflib
import unicodedata
from collections.abc import Iterator
from functools import cache
from typing import NamedTuple

import numpy as np
from astropy.utils.data import get_pkg_data_contents
from numpy.typing import NDArray

from platecover.coverage.directions import ra_dec_deg, unit_vectors
from platecover.coverage.equinox import b1875_rotation
from platecover.coverage.errors import QueryError
from platecover.coverage.region_arcs import Arcs, meridian_arcs, parallel_arcs, turned

DEGREES_PER_HOUR = 15.0
# Misspelt in astropy's list; as the IAU has them.
CORRECTED_NAMES = {"Cha": "Chamaeleon", "Oph": "Ophiuchus", "PsA": "Piscis Austrinus"}
NEAR_NAMES = 3  # as many suggestions as fit in a line


class Chequers(NamedTuple):
    """The sky of B1875 cut at every RA and Dec of Roman's list.

    `number[i, j]` is the place in the alphabet of abbreviations of the constellation between
    `dec_deg[i]`, `dec_deg[i + 1]` and `ra_deg[j]`, `ra_deg[j + 1]`, lower edges included.
    """

    ra_deg: NDArray[np.float64]  # 0 .. 360
    dec_deg: NDArray[np.float64]  # -90 .. 90
    number: NDArray[np.int64]


@cache
def names() -> dict[str, str]:
    """Latin names of the 88 constellations by IAU abbreviation, in alphabetical order."""
    text = _package_data("constellation_names.dat")
    listed = dict(line.strip().split(maxsplit=1) for line in text)
    return dict(sorted((listed | CORRECTED_NAMES).items()))


def _package_data(file: str) -> list[str]:
    text = get_pkg_data_contents(f"data/{file}", package="astropy.coordinates", encoding="UTF-8")
    return [line for line in text.splitlines() if line.strip() and not line.startswith("#")]


def abbreviation(name: str) -> str:
    """IAU abbreviation of a constellation.

    Parameters
    ----------
    name : str
        Abbreviation or Latin name, in any case, with or without blanks and accents.

    Returns
    -------
    str

    Raises
    ------
    QueryError
        If there is no such constellation; the message lists names near to it.

    Examples
    --------
    >>> abbreviation("canis major"), abbreviation("Bootes"), abbreviation("ORI")
    ('CMa', 'Boo', 'Ori')
    """
    spellings = {_plain(short): short for short in names()}
    spellings |= {_plain(latin): short for short, latin in names().items()}
    found = spellings.get(_plain(name))
    if found is None:
        near = difflib.get_close_matches(_plain(name), spellings, NEAR_NAMES)
        shorts = list(dict.fromkeys(spellings[spelling] for spelling in near))
        hint = " or ".join(f"{short} ({names()[short]})" for short in shorts)
        hint = f"did you mean {hint}?" if hint else "give a name as Ori, Orion or Canis Major"
        raise QueryError("region", name, f"unknown constellation {name!r}: {hint}")
    return found


def _plain(name: str) -> str:
    """Lower-case letters only, accents dropped."""
    return "".join(c for c in unicodedata.normalize("NFKD", name).casefold() if c.isalpha())


@cache
def chequers() -> Chequers:
    """Roman's list as a chequered sky."""
    rows = [line.split() for line in _package_data("constellation_data_roman87.dat")]
    limits = np.array([row[:3] for row in rows], dtype=np.float64)
    limits[:, :2] *= DEGREES_PER_HOUR
    ra_deg = np.unique(limits[:, :2])
    dec_deg = np.append(np.unique(limits[:, 2]), 90.0)
    number = np.full((len(dec_deg) - 1, len(ra_deg) - 1), -1)
    order = {short: i for i, short in enumerate(names())}
    for row, (ra_from, ra_to, lowest) in reversed(list(zip(rows, limits, strict=True))):
        first, last = np.searchsorted(ra_deg, [ra_from, ra_to])
        number[np.searchsorted(dec_deg, lowest) :, first:last] = order[row[3]]
    return Chequers(ra_deg, dec_deg, number)


def contains(short: str, vectors: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether ICRS unit vectors of shape (n, 3) are in a constellation.

    The E-terms that directions of FK4 carry are left out: below 0.35 arcsec.
    """
    return np.asarray(numbers_at(vectors) == list(names()).index(short))


def numbers_at(vectors: NDArray[np.float64]) -> NDArray[np.int64]:
    """Place in `names` of the constellations that ICRS unit vectors of shape (n, 3) are in."""
    sky = chequers()
    ra, dec = ra_dec_deg(vectors @ b1875_rotation().T)
    column = np.searchsorted(sky.ra_deg, ra, side="right") - 1
    row = np.searchsorted(sky.dec_deg, dec, side="right") - 1
    row = np.minimum(row, len(sky.dec_deg) - 2)  # the pole itself
    return np.asarray(sky.number[row, column])


def area_sr(short: str) -> float:
    """Solid angle of a constellation."""
    sky, mine = _mine(short)
    heights = np.diff(np.sin(np.radians(sky.dec_deg)))
    return float(heights @ mine @ np.diff(np.radians(sky.ra_deg)))


def boundary(short: str) -> Arcs:
    """Boundary of a constellation (of both parts of Serpens), ICRS."""
    sky, mine = _mine(short)
    # A stretch of boundary lies wherever one of two neighbours is in and the other is not.
    parallels = [
        (sky.ra_deg[first], sky.dec_deg[i], sky.ra_deg[last] - sky.ra_deg[first])
        for i in range(1, len(sky.dec_deg) - 1)
        for first, last in _runs(mine[i - 1] != mine[i])
    ]
    meridians = [
        (sky.ra_deg[j], sky.dec_deg[first], sky.dec_deg[last])
        for j in range(len(sky.ra_deg) - 1)
        for first, last in _runs(mine[:, j - 1] != mine[:, j])  # column -1 is west of column 0
    ]
    arcs = [parallel_arcs(*np.array(parallels).T)] if parallels else []
    arcs += [meridian_arcs(*np.array(meridians).T)] if meridians else []
    return turned(np.concatenate(arcs), b1875_rotation().T)


def all_boundaries() -> tuple[Arcs, NDArray[np.int64]]:
    """Boundaries between all constellations, each stretch once, ICRS.

    Returns
    -------
    arcs : dtype ARC, shape (n,)
    neighbours : int64, shape (n, 2)
        Places in `names` of the two constellations that each parts.
    """
    sky = chequers()
    parallels = [
        (sky.ra_deg[first], sky.dec_deg[i], sky.ra_deg[last] - sky.ra_deg[first], *pair)
        for i in range(1, len(sky.dec_deg) - 1)
        for first, last, pair in _borders(sky.number[i - 1], sky.number[i])
    ]
    meridians = [
        (sky.ra_deg[j], sky.dec_deg[first], sky.dec_deg[last], *pair)
        for j in range(len(sky.ra_deg) - 1)
        for first, last, pair in _borders(sky.number[:, j - 1], sky.number[:, j])
    ]
    along, up = np.array(parallels).T, np.array(meridians).T
    arcs = np.concatenate([parallel_arcs(*along[:3]), meridian_arcs(*up[:3])])
    neighbours = np.concatenate([along[3:], up[3:]], axis=1).T.astype(np.int64)
    return turned(arcs, b1875_rotation().T), neighbours


def _borders(
    one: NDArray[np.int64], other: NDArray[np.int64]
) -> Iterator[tuple[int, int, tuple[int, int]]]:
    """Where two lines of the chequers differ: from, to (one past), and who meets there."""
    start = 0
    for at in range(1, len(one) + 1):
        if at == len(one) or one[at] != one[start] or other[at] != other[start]:
            if one[start] != other[start]:
                yield start, at, (int(one[start]), int(other[start]))
            start = at


def middle(short: str) -> tuple[float, float]:
    """A place well inside a constellation, where its name may stand: RA and Dec, ICRS degrees."""
    sky, mine = _mine(short)
    rows, columns = np.nonzero(mine)
    ra = 0.5 * (sky.ra_deg[columns] + sky.ra_deg[columns + 1])
    dec = 0.5 * (sky.dec_deg[rows] + sky.dec_deg[rows + 1])
    heights = np.diff(np.sin(np.radians(sky.dec_deg)))[rows]
    directions = unit_vectors(ra, dec) @ b1875_rotation()
    mean = (heights * np.diff(sky.ra_deg)[columns]) @ directions
    mean /= np.linalg.norm(mean)
    if numbers_at(mean[None])[0] != list(names()).index(short):  # of a horseshoe, or in two parts
        mean = directions[np.argmax(directions @ mean)]
    ra_icrs, dec_icrs = ra_dec_deg(mean)
    return float(ra_icrs), float(dec_icrs)


def _mine(short: str) -> tuple[Chequers, NDArray[np.bool_]]:
    sky = chequers()
    return sky, sky.number == list(names()).index(short)


def _runs(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Where runs of true flags begin and end (one past), in order."""
    steps = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]])))
    return [(int(first), int(last)) for first, last in steps.reshape(-1, 2)]
