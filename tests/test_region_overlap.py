"""Regions against footprints: closed forms judged by dense sampling of the region."""

from typing import Any

import healpy
import numpy as np
import pytest
from astropy import units as u
from hypothesis import given, settings
from hypothesis import strategies as st
from mocpy import MOC
from numpy.typing import ArrayLike, NDArray

from platecover.coverage.directions import ra_dec_deg, unit_vectors
from platecover.coverage.edge_distance import edge_distance_deg
from platecover.coverage.plate_geometry import Records, geometry_records
from platecover.coverage.region_arcs import points_on_arcs
from platecover.coverage.region_overlap import overlap
from platecover.coverage.regions import ArcRegion, Region

SPACING_DEG = 0.02  # of boundary points
Vectors = NDArray[np.float64]

REGIONS = [
    "range 10 20 -5 5",
    "range 350 10 60 75",
    "range 0 360 -10 -4",
    "range 0 360 80 90",
    "range 30 290 80 90",
    "range 77 77 -10 10",
    "range 10 10 20 20",
    "range 12 14 -90 -70",
    "range 0 360 -90 -90",
    "polygon 10 10 20 10 15 20",
    "polygon 350 -5 10 -5 10 5 350 5",
    "polygon 0 85 90 80 180 70 270 80",
    "polygon 0 0 40 0 40 30 20 5 0 30",
    "polygon 0.5 0 90 -1 179.5 0 90 60",
    "polygon 100 -80 101 -80 101 -79.9",
    "constellation UMi",
    "constellation Ser",
    "constellation Cru",
    "constellation Psc",
    "circle 120 -33 100",
]


def great_circle(first: Vectors, last: Vectors) -> Vectors:
    """Points of the side between two corners, by slerp."""
    angle = np.arccos(np.clip(first @ last, -1.0, 1.0))
    s = np.linspace(0.0, 1.0, int(np.degrees(angle) / SPACING_DEG) + 2)[:, None]
    points = np.sin((1 - s) * angle) * first + np.sin(s * angle) * last
    return np.asarray(points / np.linalg.norm(points, axis=1)[:, None])


def boundary_points(region: Region) -> Vectors:
    """Points of the boundary, at most SPACING_DEG apart."""
    words = region.text.split()
    if region.kind == "polygon":
        numbers = np.array(words[1:], dtype=float).reshape(-1, 2)
        corners = unit_vectors(numbers[:, 0], numbers[:, 1])
        sides = zip(corners, np.roll(corners, -1, axis=0), strict=True)
        return np.concatenate([great_circle(a, b) for a, b in sides])
    if region.kind == "range":
        west, east, low, high = (float(word) for word in words[1:])
        east += 360.0 if east < west else 0.0
        ra = np.linspace(west, east, int((east - west) / SPACING_DEG) + 2)
        dec = np.linspace(low, high, int((high - low) / SPACING_DEG) + 2)
        edges = [unit_vectors(ra, low), unit_vectors(ra, high)]
        if east - west < 360.0:
            edges += [unit_vectors(west, dec), unit_vectors(east, dec)]
        return np.concatenate(edges)
    # Arcs of constellations are tested against astropy's table in test_constellations.
    assert isinstance(region, ArcRegion)
    longest = np.degrees(np.max(region.arcs["span"] * region.arcs["sin_g"]))
    return points_on_arcs(
        region.arcs, np.linspace(0.0, 1.0, int(longest / SPACING_DEG) + 2)
    ).reshape(-1, 3)


def largest_distances(records: Records, points: Vectors) -> tuple[Vectors, Vectors]:
    """Of each record the largest edge distance over points, of the larger and smaller layout."""
    ra, dec = ra_dec_deg(points)
    pairs = [
        edge_distance_deg(np.repeat(records[[i]], len(ra)), ra, dec) for i in range(len(records))
    ]
    return np.array([a.max() for a, _ in pairs]), np.array([b.max() for _, b in pairs])


def plates_near(points: Vectors, n: int, seed: int) -> Records:
    """Plates of all sorts whose edges lie about points of a boundary."""
    rng = np.random.default_rng(seed)
    size_deg = rng.choice([0.3, 2.0, 7.0, 20.0, 40.0], n)
    away = rng.normal(size=(n, 3))
    away *= (np.radians(size_deg * rng.uniform(0, 1, n)) / np.linalg.norm(away, axis=1))[:, None]
    centres = points[rng.integers(len(points), size=n)] + away
    ra, dec = ra_dec_deg(centres)
    scale = np.tan(np.radians(size_deg / 2)) / 80.0 * 206264.806
    return geometry_records(
        ra,
        np.where(rng.random(n) < 0.1, 90.0 * np.sign(dec), dec),
        rng.uniform(0, 360, n),
        160.0,
        160.0 * rng.choice([0.3, 1.0, 1.4], n),
        scale,
        usable_radius_deg=np.where(
            rng.random(n) < 0.3, size_deg * rng.uniform(0.1, 0.7, n), np.nan
        ),
        margin_deg=size_deg * rng.choice([0.0, 0.003, 0.1, 0.4, 2.0], n),
        orientation_known=rng.random(n) < 0.7,
        never_sure=rng.random(n) < 0.1,
    )


def check(
    region: Region, records: Records, points: Vectors, guard_deg: float
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Compare with the sampled points; decisions within the guard are left out."""
    match, sure = overlap(region, records)
    larger, smaller = largest_distances(records, points)
    # Footprints are largest about their centre: within a region e peaks there or at the boundary.
    centre_larger, centre_smaller = edge_distance_deg(records, *ra_dec_deg(records["centre"]))
    holds = region.contains(records["centre"])
    larger = np.where(holds, np.maximum(larger, centre_larger), larger)
    smaller = np.where(holds, np.maximum(smaller, centre_smaller), smaller)
    margin = np.degrees(records["margin_rad"])
    may_be_sure = records["never_sure"] == 0
    assert np.all(match[larger >= -margin + 1e-9])
    assert not np.any(match[larger < -margin - guard_deg])
    assert np.all(sure[(smaller >= margin + 1e-9) & may_be_sure])
    assert not np.any(sure[(smaller < margin - guard_deg) | ~may_be_sure])
    assert not np.any(sure & ~match)
    return match, sure


@pytest.mark.parametrize("text", REGIONS)
def test_agrees_with_dense_sampling(text: str) -> None:
    region = Region.parse(text)
    points = boundary_points(region)
    records = plates_near(points, 120, seed=len(text))
    if region.kind == "circle":  # the same boundary, decided as a polygon's would be
        region = _without_cone_rule(region)
    match, sure = check(region, records, points, SPACING_DEG)
    assert 20 < np.count_nonzero(match) < 120
    assert np.count_nonzero(sure) < np.count_nonzero(match)


def _without_cone_rule(circle: Region) -> Region:
    class Disc(ArcRegion):
        kind = "disc"

        def _inside(self, vectors: Vectors) -> NDArray[np.bool_]:
            return circle.contains(vectors)

    disc = Disc()
    assert isinstance(circle, ArcRegion)
    disc.arcs = circle.arcs
    return disc


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    ra=st.floats(0.0, 360.0),
    dec=st.sampled_from([-90.0, -89.0, -30.0, 0.0, 45.0, 88.0, 90.0]),
    turn=st.floats(0.0, 360.0),
    side_deg=st.floats(0.5, 40.0),
    ratio=st.floats(0.2, 5.0),
    share=st.floats(0.1, 1.2),
    margin_share=st.floats(0.0, 0.6),
    known=st.booleans(),
    east=st.floats(-1.5, 1.5),
    north=st.floats(-1.5, 1.5),
    size=st.floats(0.05, 1.5),
)
def test_a_turned_plate_against_a_triangle(
    ra: float, dec: float, turn: float, side_deg: float, ratio: float, share: float,
    margin_share: float, known: bool, east: float, north: float, size: float,
) -> None:  # fmt: skip
    tangent = np.tan(np.radians(side_deg / 2))
    records = geometry_records(
        ra, dec, turn, 100.0, 100.0 * ratio, tangent / 50.0 * 206264.806,
        usable_radius_deg=side_deg * share, margin_deg=side_deg * margin_share,
        orientation_known=known,
    )  # fmt: skip
    record = records[0]
    # a triangle laid out in the plate's tangent plane, in units of the half-width
    x = tangent * (east + size * np.array([0.0, 1.0, -0.7]))
    y = tangent * (north + size * np.array([0.9, -0.5, -0.3]))
    corners = record["centre"] + x[:, None] * record["x_axis"] + y[:, None] * record["y_axis"]
    corner_ra, corner_dec = ra_dec_deg(corners)
    region = Region.polygon(list(zip(corner_ra, corner_dec, strict=True)))
    check(region, records, boundary_points(region), SPACING_DEG)


@pytest.mark.parametrize(
    "text", ["polygon 10 10 20 10 15 20", "range 350 10 60 75", "range 30 290 80 90"]
)
def test_the_limit_is_exact(text: str) -> None:
    region = Region.parse(text)
    assert isinstance(region, ArcRegion)
    records = plates_near(boundary_points(region), 150, seed=3)
    records["never_sure"] = 0
    holds = region.contains(records["centre"])
    tried = 0
    for i in np.flatnonzero(~holds):
        record = records[[i]]
        for layout, decide in ((0, 0), (1, 1)):  # larger distance and match, smaller and sure
            best_deg = _largest_along_arcs(region.arcs, record, layout)
            if (best_deg < 0.0) == (decide == 0):
                for excess_deg, expected in ((1e-8, True), (-1e-8, False)):
                    margin = -best_deg + excess_deg if decide == 0 else best_deg - excess_deg
                    record["margin_rad"] = np.radians(max(margin, 0.0))
                    assert overlap(region, record)[decide][0] == expected, (i, layout, best_deg)
                    tried += 1
    assert tried > 50


def _largest_along_arcs(arcs: Any, record: Records, layout: int) -> float:
    """Largest edge distance over arcs, degrees: sampled, then zoomed in upon."""
    best = -np.inf
    for arc in arcs:
        low, high = 0.0, 1.0
        for _ in range(7):
            shares = np.linspace(low, high, 401)
            ra, dec = ra_dec_deg(points_on_arcs(np.array([arc]), shares)[0])
            distances = edge_distance_deg(np.repeat(record, len(ra)), ra, dec)[layout]
            at = int(np.argmax(distances))
            best = max(best, float(distances[at]))
            low, high = shares[max(at - 1, 0)], shares[min(at + 1, 400)]
    return best


# MOCs


@pytest.mark.parametrize("order", [3, 6, 8])
def test_moc_agrees_with_dense_sampling(order: int) -> None:
    lon, lat = np.array([[350.0, 10.0, 10.0, 350.0], [78.0, 78.0, 84.0, 84.0]])
    cells = healpy.query_polygon(2**order, unit_vectors(lon, lat), nest=True, inclusive=True)
    region = Region.moc(MOC.from_healpix_cells(cells.astype(np.uint64), order, order))
    finer = ((cells[:, None] << 2 * (10 - order)) + np.arange(4 ** (10 - order))).ravel()
    points = np.stack(healpy.pix2vec(2**10, finer, nest=True), axis=-1)
    records = plates_near(points, 40, seed=order)
    match, sure = check(region, records, points, np.degrees(healpy.max_pixrad(2**10)))
    assert np.any(match) and np.any(sure) and np.any(match & ~sure)


def test_moc_of_one_finest_cell_is_a_point() -> None:
    cell = int(healpy.vec2pix(2**29, *unit_vectors(200.0, -40.0), nest=True))
    region = Region.moc(f"29/{cell}")
    for offset_deg in (-0.5, -0.0002, 0.0002, 0.5):  # 0.7 arcsec either side of the edge
        dec = -40.0 + 1.0 + offset_deg
        half_side = np.tan(np.radians(1.0)) * 206264.806
        records = geometry_records(200.0, dec, 0.0, 2.0, 2.0, half_side)
        match, sure = overlap(region, records)
        assert match[0] == sure[0] == (offset_deg < 0.0)


def test_moc_of_the_whole_sky_is_sure_where_the_margin_leaves_something() -> None:
    records = plates_near(unit_vectors(np.linspace(0, 360, 50), 3.0), 200, seed=9)
    whole = overlap(Region.parse("moc 0/0-11"), records)
    assert whole[0].all()
    inner = np.arctan(np.minimum(records["tan_half_width"], records["tan_half_height"]))
    inner = np.minimum(inner, records["usable_radius_rad"])
    left = inner >= records["margin_rad"] + 1e-5
    assert np.array_equal(whole[1][left], records["never_sure"][left] == 0)


# By hand


def plate(ra: ArrayLike, dec: ArrayLike, **more: Any) -> Records:
    """Plate 2 degrees wide and 2 degrees high through its centre."""
    return geometry_records(ra, dec, 0.0, 2.0, 2.0, np.tan(np.radians(1.0)) * 206264.806, **more)


@pytest.mark.parametrize(
    ("text", "ra", "dec", "margin_deg", "expected"),
    [
        ("range 0 360 -10 -1.1", 50.0, 0.0, 0.0, (False, False)),
        ("range 0 360 -10 -1.1", 50.0, 0.0, 0.11, (True, False)),
        ("range 0 360 -10 -0.8", 50.0, 0.0, 0.1, (True, True)),
        ("range 0 360 -10 -0.95", 50.0, 0.0, 0.1, (True, False)),
        ("range 50 50 0 0", 50.0, 0.0, 0.5, (True, True)),  # a point in the plate
        ("range 50 50 0 0", 50.0, 0.0, 1.1, (True, False)),  # the margin leaves nothing
        ("polygon 40 -10 60 -10 60 10 40 10", 50.0, 0.0, 0.5, (True, True)),  # plate in region
        ("polygon 40 -10 60 -10 60 10 40 10", 50.0, 0.0, 1.5, (True, False)),
        ("polygon 49.9 -0.1 50.1 -0.1 50.1 0.1 49.9 0.1", 50.0, 0.0, 0.5, (True, True)),
        ("polygon 49.2 -0.1 49.3 -0.1 49.3 0.1 49.2 0.1", 50.0, 0.0, 0.5, (True, False)),
        ("polygon 359 -1 1 -1 1 1 359 1", 0.5, 0.0, 0.0, (True, True)),
        ("range 0 360 89.5 90", 12.0, 88.6, 0.0, (True, True)),  # over the pole
        ("range 180 190 89.5 90", 12.0, 89.2, 0.0, (True, True)),
        ("range 180 190 88 89.5", 12.0, 88.2, 0.0, (False, False)),
    ],
)
def test_by_hand(
    text: str, ra: float, dec: float, margin_deg: float, expected: tuple[bool, bool]
) -> None:
    match, sure = overlap(Region.parse(text), plate(ra, dec, margin_deg=margin_deg))
    assert (bool(match[0]), bool(sure[0])) == expected


@pytest.mark.parametrize(
    "text", [text for text in REGIONS if "90" not in text] + ["moc 6/19456 7/0-3"]
)
def test_the_antipode_never_matches(text: str) -> None:
    region = Region.parse(text)
    if region.area_deg2 > 3000.0:
        return  # reaches round to its own antipode
    cells = region.cells_with_centre(9)
    points = np.stack(healpy.pix2vec(512, cells[:: max(len(cells) // 50, 1)], nest=True), axis=-1)
    if len(points):
        ra, dec = ra_dec_deg(-points)
        match, sure = overlap(region, plate(ra, dec, margin_deg=0.5))
        assert not match.any() and not sure.any()


def test_unknown_orientation_matches_either_and_is_sure_of_both() -> None:
    scale = 3600.0  # 1 mm is a degree at the centre: 8 x 2 degrees
    records = geometry_records(100.0, 0.0, 0.0, 8.0, 2.0, scale, orientation_known=[True, False])
    north = Region.parse("polygon 99.9 2 100.1 2 100.1 3 99.9 3")
    east = Region.parse("polygon 102 -0.1 103 -0.1 103 0.1 102 0.1")
    middle = Region.parse("polygon 100.5 -0.1 103 -0.1 103 0.1 100.5 0.1")
    corner = Region.parse("polygon 102.5 2.5 103 2.5 103 3 102.5 3")
    for region, match, sure in [
        (north, [False, True], [False, False]),
        (east, [True, True], [True, False]),
        (middle, [True, True], [True, True]),
        (corner, [False, False], [False, False]),
    ]:
        lon, lat = ra_dec_deg(boundary_points(region))
        as_moc = Region.moc(MOC.from_polygon(lon * u.deg, lat * u.deg, max_depth=10))
        for kind in (region, as_moc):
            found = overlap(kind, records)
            assert (found[0].tolist(), found[1].tolist()) == (match, sure)


def test_a_side_cut_off_by_the_usable_circle_adds_no_corner() -> None:
    # The circle, 1 deg, lies within the 4 deg square: the margin grows the circle alone.
    scale = np.tan(np.radians(2.0)) / 2.0 * 206264.806
    records = geometry_records(
        100.0, 0.0, 0.0, 4.0, 4.0, scale, usable_radius_deg=1.0, margin_deg=0.2
    )
    assert not overlap(Region.parse("range 101.25 103 -5 5"), records)[0][0]
    assert overlap(Region.parse("range 101.15 103 -5 5"), records)[0][0]


def test_the_whole_sky_is_always_sure() -> None:
    match, sure = overlap(Region.all(), plate([1.0, 2.0], 5.0, margin_deg=50.0, never_sure=True))
    assert match.all() and sure.all()
    match, sure = overlap(Region.parse("range 0 360 -90 90"), plate(1.0, 5.0, never_sure=True))
    assert match.all() and not sure.any()


def test_circles_follow_the_rule_for_cones() -> None:
    # e >= -SR - margin, e >= -SR + margin, e from the middle of a side: 1.3 - 1 deg outside
    circle = Region.circle(50.0, 1.3, 0.25)
    for margin_deg, expected in ((0.04, (False, False)), (0.06, (True, False))):
        match, sure = overlap(circle, plate(50.0, 0.0, margin_deg=margin_deg))
        assert (bool(match[0]), bool(sure[0])) == expected
    match, sure = overlap(Region.circle(50.0, 1.3, 0.45), plate(50.0, 0.0, margin_deg=0.1))
    assert bool(match[0]) and bool(sure[0])


def test_no_records_give_no_answers() -> None:
    for text in ("all", "circle 1 2 3", "range 1 2 3 4", "moc 1/1"):
        match, sure = overlap(Region.parse(text), plate([], 0.0))
        assert match.shape == sure.shape == (0,)


def test_what_is_no_region_is_refused() -> None:
    with pytest.raises(TypeError, match="region must be a Region"):
        overlap("all", plate(1.0, 2.0))  # type: ignore[arg-type]
