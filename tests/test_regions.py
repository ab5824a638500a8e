"""Regions against closed forms, healpy's queries, mocpy and astropy separations."""

import json
from pathlib import Path
from typing import Any

import healpy
import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import SkyCoord
from astropy.io import fits
from hypothesis import given, settings
from hypothesis import strategies as st
from mocpy import MOC
from numpy.testing import assert_allclose
from numpy.typing import NDArray

from platecover.coverage.directions import unit_vectors
from platecover.coverage.errors import QueryError
from platecover.coverage.region_arcs import boundary_distances_rad
from platecover.coverage.region_cells import INSIDE, OUTSIDE
from platecover.coverage.region_polygon import smallest_cap
from platecover.coverage.regions import Region

WHOLE_SKY_DEG2 = 41252.96125  # 129600 / pi
STANDARD_EXAMPLE = "1/1 2 4 2/12-14 21 23 25 8/"  # IVOA MOC 2.0 (2022), section 4.3.2

AWKWARD = [
    "circle 83.6 22 5",
    "circle 0 0 3",
    "circle 10 89 4",
    "circle 200 -90 12",
    "circle 120 30 100",
    "circle 120 30 180",
    "circle 120 30 0",
    "range 10 20 -5 5",
    "range 350 10 60 75",
    "range 0 360 -10 20",
    "range 0 360 70 90",
    "range 0 360 -90 90",
    "range 0 360 -90 -60",
    "range 30 290 80 90",
    "range 100 100 -10 10",
    "range 360 0 -10 10",
    "range 0 360 90 90",
    "range 40 50 20 20",
    "polygon 10 10 20 10 15 20",
    "polygon 350 -5 10 -5 10 5 350 5",
    "polygon 0 80 90 80 180 80 270 80",
    "polygon 0 -85 90 -80 180 -70 270 -80",
    "polygon 0 0 40 0 40 30 20 5 0 30",
    "polygon 0.5 0 89.5 0 179.5 0 90 60",
    "polygon 10 0 10.001 0 10.001 0.001 10 0.001",
    "constellation UMi",
    "constellation Oct",
    "constellation Psc",
    "constellation Ser",
    "moc " + STANDARD_EXAMPLE,
    "moc 0/3 9/2000000 12/9000001-9000009",
    "all",
]


def random_vectors(n: int, seed: int) -> NDArray[np.float64]:
    rng = np.random.default_rng(seed)
    vectors = rng.normal(size=(n, 3))
    vectors /= np.linalg.norm(vectors, axis=1)[:, None]
    return np.asarray(vectors)


def true_square(side_deg: float) -> list[tuple[float, float]]:
    """Corners of a square of great circles, `side_deg` across its middle, about RA 0, Dec 0."""
    t = np.tan(np.radians(side_deg / 2))
    place = SkyCoord(
        x=[1.0] * 4, y=[t, -t, -t, t], z=[t, t, -t, -t], representation_type="cartesian"
    )
    place = place.represent_as("unitspherical")
    return list(zip(place.lon.deg, place.lat.deg, strict=True))


# Areas


@pytest.mark.parametrize(
    ("side_deg", "area_deg2"),
    # 4 asin(sin^2 A), A = half the side (rectangular pyramid, any solid-geometry text); the
    # last is a cube's face, a sixth of the sky
    [(20, 396.014923), (40, 1539.586518), (60, 3318.001384), (90, WHOLE_SKY_DEG2 / 6)],
)
def test_area_of_true_squares(side_deg: float, area_deg2: float) -> None:
    assert_allclose(Region.polygon(true_square(side_deg)).area_deg2, area_deg2, atol=1e-5)


def test_area_of_an_octant_is_an_eighth_of_the_sky() -> None:
    octant = Region.parse("polygon 0 0 90 0 0 90")
    assert_allclose(octant.area_deg2, WHOLE_SKY_DEG2 / 8, rtol=1e-9)
    assert_allclose(Region.parse("range 0 90 0 90").area_deg2, octant.area_deg2, rtol=1e-12)


@pytest.mark.parametrize(
    ("text", "area_deg2"),
    [
        ("circle 5 5 0", 0.0),
        ("circle 5 5 90", WHOLE_SKY_DEG2 / 2),
        ("circle 5 5 180", WHOLE_SKY_DEG2),
        ("circle 5 5 60", WHOLE_SKY_DEG2 / 4),  # Archimedes: area goes as 1 - cos r
        ("range 0 360 -90 90", WHOLE_SKY_DEG2),
        ("range 350 20 30 90", WHOLE_SKY_DEG2 / 48),  # 30 / 360 of the quarter north of 30
        ("range 5 5 0 10", 0.0),
        ("range 360 0 0 10", 0.0),
        ("all", WHOLE_SKY_DEG2),
        ("moc " + STANDARD_EXAMPLE, 0.09375 * WHOLE_SKY_DEG2),  # 18 of 192 cells
    ],
)
def test_areas_by_hand(text: str, area_deg2: float) -> None:
    assert_allclose(Region.parse(text).area_deg2, area_deg2, rtol=1e-8, atol=1e-12)


places = st.tuples(st.floats(0.0, 360.0), st.floats(-90.0, 90.0))


@settings(max_examples=100, deadline=None, derandomize=True)
@given(st.lists(places, min_size=3, max_size=3))
def test_area_of_triangles_by_girard(corners: list[tuple[float, float]]) -> None:
    sky = SkyCoord(corners, unit=u.deg)
    sides = sky.separation(np.roll(sky, 1)).deg
    # leave out triangles too thin for angles to tell their area, and near-opposite corners
    if sides.min() < 1.0 or sides.max() > 175.0:
        return
    total = 0.0
    for i in range(3):
        to_next = sky[i].position_angle(sky[(i + 1) % 3])
        to_last = sky[i].position_angle(sky[(i + 2) % 3])
        total += abs((to_next - to_last).wrap_at(180 * u.deg).rad)
    excess_deg2 = (total - np.pi) * np.degrees(1.0) ** 2
    if excess_deg2 < 1e-3:
        return
    try:
        region = Region.polygon(corners)
    except QueryError as error:  # only triangles that lie on a great circle
        assert "hemisphere" in str(error) and excess_deg2 > WHOLE_SKY_DEG2 / 2 - 1e-3
    else:
        assert_allclose(region.area_deg2, excess_deg2, rtol=1e-6, atol=1e-6)
        for turned in (corners[::-1], corners[1:] + corners[:1], [*corners, corners[0]]):
            assert_allclose(Region.polygon(turned).area_deg2, region.area_deg2, rtol=1e-9)


def test_area_of_a_tiny_polygon_keeps_its_digits() -> None:
    side = 1e-5  # degrees; flat to a part in 1e13
    tiny = Region.polygon([(50.0, 0.0), (50.0 + side, 0.0), (50.0 + side, side), (50.0, side)])
    assert_allclose(tiny.area_deg2, side**2, rtol=1e-6)


def test_area_equals_that_of_mocpy_for_a_concave_polygon() -> None:
    corners = [(0.0, 0.0), (40.0, 0.0), (40.0, 30.0), (20.0, 5.0), (0.0, 30.0)]
    lon, lat = np.array(corners).T * u.deg
    moc = MOC.from_polygon(lon, lat, max_depth=11)  # over-covers by its edge cells: about 0.03 deg
    ours = Region.polygon(corners).area_deg2
    assert ours < moc.sky_fraction * WHOLE_SKY_DEG2 < ours + 160.0 * 0.03


# Contents


def test_circle_contains_what_astropy_separates() -> None:
    vectors = random_vectors(20_000, 1)
    sky = SkyCoord(*vectors.T, representation_type="cartesian")
    for ra, dec, radius in [(83.6, 22.0, 30.0), (0.0, 90.0, 10.0), (359.9, -89.0, 120.0)]:
        expected = sky.separation(SkyCoord(ra * u.deg, dec * u.deg)).deg < radius
        assert np.array_equal(Region.circle(ra, dec, radius).contains(vectors), expected)


@pytest.mark.parametrize("text", ["circle 33.3 -44.4 0", "circle 33.3 -44.4 180"])
def test_circles_of_no_and_of_full_size(text: str) -> None:
    vectors = np.concatenate([unit_vectors([33.3], [-44.4]), unit_vectors([213.3], [44.4])])
    assert Region.parse(text).contains(vectors).tolist() == [True, text.endswith("180")]


@pytest.mark.parametrize(
    ("text", "inside", "outside"),
    [
        ("range 350 10 -5 5", [(0, 0), (351, -4.9), (9, 5)], [(180, 0), (349, 0), (0, 6)]),
        ("range 10 350 -5 5", [(180, 0), (11, 0)], [(0, 0), (355, 1)]),
        ("range 0 360 -5 5", [(0, 0), (360, 0), (180, 5)], [(0, 5.1)]),
        ("range 0 360 80 90", [(77, 90), (180, 80)], [(0, 79.9), (0, -90)]),
        ("range 30 40 80 90", [(35, 85), (0, 90), (200, 90)], [(41, 89.9), (210, 85)]),
        ("range 7 7 -5 5", [(7, 0), (7, 5)], [(7.001, 0), (187, 0), (7, 5.001)]),
        ("range 360 0 -5 5", [(0, 0), (360, 0)], [(180, 0), (0.001, 0)]),
        ("range 350 360 -5 5", [(0, 0), (355, 0)], [(1, 0)]),
        ("polygon 350 -5 10 -5 10 5 350 5", [(0, 0), (355, 4), (350, -5)], [(180, 0), (11, 0)]),
        ("polygon 0 80 90 80 180 80 270 80", [(12, 90), (45, 88)], [(45, 81), (0, -90), (45, 79)]),
        ("polygon 0.5 0 90 -1 179.5 0 90 60", [(1, 0.01), (179, 0.01)], [(90, 61), (270, 0)]),
        ("polygon 0 0 40 0 40 30 20 5 0 30", [(5, 10), (35, 10), (20, 4)], [(20, 10), (200, -10)]),
    ],
)  # fmt: skip
def test_contains_by_hand(
    text: str, inside: list[tuple[float, float]], outside: list[tuple[float, float]]
) -> None:
    region = Region.parse(text)
    assert region.contains(unit_vectors(*np.transpose(inside))).all()
    assert not region.contains(unit_vectors(*np.transpose(outside))).any()


def test_polygon_contents_lie_in_the_moc_of_mocpy() -> None:
    rng = np.random.default_rng(5)
    for _ in range(20):
        # stars with arms of uneven length, anywhere, poles and 0h among them
        middle = SkyCoord(rng.uniform(0, 360) * u.deg, rng.choice([-90, -60, 0, 85, 90]) * u.deg)
        angles = np.sort(rng.uniform(0, 360, 9)) * u.deg
        corners = middle.directional_offset_by(angles, rng.uniform(5, 40, 9) * u.deg).icrs
        if np.max(np.diff(angles, append=angles[0] + 360 * u.deg)) > 150 * u.deg:
            continue  # a star open to one side might cross itself
        region = Region.polygon(list(zip(corners.ra.deg % 360, corners.dec.deg, strict=True)))
        moc = MOC.from_polygon_skycoord(corners, max_depth=9)
        vectors = random_vectors(20_000, 6)
        sky = SkyCoord(*vectors.T, representation_type="cartesian").represent_as("unitspherical")
        in_moc = moc.contains_lonlat(sky.lon, sky.lat)
        inside = region.contains(vectors)
        assert not np.any(inside & ~in_moc)
        # the MOC holds edge cells whole: 0.24 deg across at order 9
        clear = boundary_distances_rad(region.arcs, vectors) > np.radians(0.25)
        assert np.array_equal(inside[clear], in_moc[clear])
        assert np.count_nonzero(inside & clear) > 10


@pytest.mark.parametrize("order", [4, 7])
def test_cells_of_circles_and_convex_polygons_are_those_of_healpy(order: int) -> None:
    nside = 2**order
    for ra, dec, radius in [(83.6, 22.1, 5.3), (0.0, 89.0, 4.2), (1.0, -3.0, 100.3)]:
        expected = healpy.query_disc(nside, unit_vectors(ra, dec), np.radians(radius), nest=True)
        cells = Region.circle(ra, dec, radius).cells_with_centre(order)
        assert np.array_equal(cells, np.sort(expected))
    for corners in [true_square(43.1), [(0.3, 80.1), (121.0, 79.2), (240.0, 83.7)]]:
        expected = healpy.query_polygon(nside, unit_vectors(*np.transpose(corners)), nest=True)
        cells = Region.polygon(corners).cells_with_centre(order)
        assert cells.dtype == np.int64
        assert np.array_equal(cells, np.sort(expected))


def test_cells_of_a_belt_are_those_of_healpy() -> None:
    for low, high in [(-10.1, 20.3), (70.2, 90.0), (-90.0, -33.3)]:
        rings = healpy.query_strip(64, np.radians(90 - high), np.radians(90 - low))
        cells = Region.range(0.0, 360.0, low, high).cells_with_centre(6)
        assert np.array_equal(cells, np.sort(healpy.ring2nest(64, rings)))


# What every kind of region must fulfil


@pytest.mark.parametrize("text", AWKWARD)
def test_text_reads_back(text: str) -> None:
    region = Region.parse(text)
    again = Region.parse(region.text)
    assert (again.text, again.kind, again.area_deg2) == (
        region.text,
        text.split()[0],
        region.area_deg2,
    )
    assert Region.parse(text.upper() if "moc" not in text else text).text == region.text
    assert Region.parse(text.replace(" ", ", ")).text == region.text


@pytest.mark.parametrize("text", AWKWARD)
def test_cells_with_centre_are_all_whose_centre_is_contained(text: str) -> None:
    region = Region.parse(text)
    cells = np.arange(12 * 4**6)
    centres = np.stack(healpy.pix2vec(64, cells, nest=True), axis=-1)
    assert np.array_equal(region.cells_with_centre(6), cells[region.contains(centres)])


@pytest.mark.parametrize("text", AWKWARD)
@pytest.mark.parametrize("order", [0, 1, 3])
def test_cells_called_inside_or_outside_are(text: str, order: int) -> None:
    region = Region.parse(text)
    cells = np.arange(12 * 4**order)
    status = region.cell_status(order, cells)
    assert status.dtype == np.int8
    # finely sampled: centres of the cells 256 times smaller
    finer = healpy.pix2vec(2 ** (order + 4), np.arange(12 * 4 ** (order + 4)), nest=True)
    held = region.contains(np.stack(finer, axis=-1)).reshape(len(cells), -1)
    assert held[status == INSIDE].all()
    assert not held[status == OUTSIDE].any()
    if region.area_deg2 == 0.0:
        assert not np.any(status == INSIDE)
        assert np.any(status != OUTSIDE)


@pytest.mark.parametrize("text", AWKWARD)
def test_cover_holds_the_region_without_overlaps(text: str) -> None:
    region = Region.parse(text)
    cover = region.cover(7)
    holds = np.zeros(12 * 4**7, dtype=int)
    for order, cells, inside in cover:
        assert len(cells) and np.all(np.diff(cells) > 0)
        assert inside or order == 7
        for cell in cells:
            holds[cell << 2 * (7 - order) : (cell + 1) << 2 * (7 - order)] += 1
    assert holds.max() == 1
    assert np.all(holds[region.cells_with_centre(7)] == 1)
    tight = WHOLE_SKY_DEG2 * np.count_nonzero(holds) / len(holds)
    edge_deg2 = sum(len(cells) for _, cells, inside in cover if not inside) * 0.21
    assert region.area_deg2 - 1e-4 <= tight <= region.area_deg2 + edge_deg2 + 1e-4


# MOCs


def test_moc_of_the_standard(tmp_path: Path) -> None:
    region = Region.parse(f"moc {STANDARD_EXAMPLE}")
    assert region.text == "moc 1/1-2 4 2/12-14 21 23 25 8/"
    uniq = np.array([17, 18, 20, 76, 77, 78, 85, 87, 89])  # 4 * 4**order + cell
    low = (uniq - 4 * 4 ** np.where(uniq < 64, 1, 2)) << np.where(uniq < 64, 2, 0)
    expected = np.sort(np.concatenate([low, *(low[uniq < 64] + i for i in (1, 2, 3))]))
    assert np.array_equal(region.cells_with_centre(2), expected)
    status = region.cell_status(2, np.arange(192))  # a MOC's own cells are in or out, not partly
    assert np.array_equal(np.flatnonzero(status == INSIDE), expected)
    assert np.array_equal(np.flatnonzero(status != OUTSIDE), expected)

    for packing in ({}, {"v1_compatible": True}):
        path = tmp_path / f"standard{len(packing)}.fits"
        MOC.from_string(STANDARD_EXAMPLE).save(path, format="fits", **packing)
        assert Region.parse(f"moc {path}").text == region.text
    for name, content in [
        ("standard.json", '{"1":[1,2,4],"2":[12,13,14,21,23,25],"8":[]}'),  # its appendix F
        ("wrapped.json", '{"s": {"1":[1,2,4],"2":[12,13,14,21,23,25],"8":[]}}'),
        ("standard one.txt", f"s{STANDARD_EXAMPLE}\n"),
        ("commas.txt", "1/1,2,4 2/12-14,21,23,25 8/"),
    ]:
        (tmp_path / name).write_text(content)
        assert Region.parse(f"moc {tmp_path / name}").text == region.text
        assert Region.moc(tmp_path / name).text == region.text
    assert Region.moc(MOC.from_string(STANDARD_EXAMPLE)).text == region.text


def test_moc_contains_what_mocpy_says() -> None:
    vectors = random_vectors(20_000, 8)
    sky = SkyCoord(*vectors.T, representation_type="cartesian").represent_as("unitspherical")
    for text in (STANDARD_EXAMPLE, "0/3 9/2000000 12/9000001-9000009", "0/0-11"):
        expected = MOC.from_string(text).contains_lonlat(sky.lon, sky.lat)
        assert np.array_equal(Region.moc(text).contains(vectors), expected)


def test_moc_text_of_strangers_reads_no_files(tmp_path: Path) -> None:
    (tmp_path / "m.txt").write_text(STANDARD_EXAMPLE)
    with pytest.raises(QueryError, match="files are not read here"):
        Region.parse(f"moc {tmp_path / 'm.txt'}", files=False)
    assert Region.parse(f"moc {STANDARD_EXAMPLE}", files=False).kind == "moc"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("30/1", "orders of a MOC must be from 0 to 29, got 30"),
        ("1/48", "cells of order 1 run from 0 to 47, got 48"),
        ("1/2-1", "range 2-1 at order 1 of the MOC runs backwards"),
        ("29/3458764513820540928", "cells of order 29 run from 0 to 3458764513820540927"),
        ("1/99999999999999999999999", "cannot read '9999"),
        ("1/1 1/2", "orders of a MOC must ascend, got 1/ after 1/"),
        ("1/1/2", "orders of a MOC must ascend"),
        ("1/1--2", "cannot read '1--2'"),
        ("8/", "the MOC is empty"),
        ("t31/1", "a MOC of times"),
        ("t31/1 s2/3", "no such file|MOC of times"),
        ("no such.fits", "no such file"),
        ("/", "no such file"),
        ("bad\0name", "no such file|null"),
    ],
)
def test_bad_moc_text(text: str, message: str) -> None:
    with pytest.raises(QueryError, match=message) as caught:
        Region.parse(f"moc {text}")
    assert (caught.value.parameter, caught.value.usage) == ("region", False)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "the MOC is empty"),
        (b"{", "not JSON"),
        (b'{"30": [1]}', "from 0 to 29, got 30"),
        (b'{"1": [48]}', "got 48"),
        (b'{"1": [-1]}', "got -1"),
        (b'{"1": [1.5]}', "a JSON MOC must be"),
        (b'{"1": [true]}', "a JSON MOC must be"),
        (b'{"1": "5"}', "a JSON MOC must be"),
        (b'{"t": {"1": [1]}}', "a JSON MOC must be"),
        (b'{"x": [1]}', "'x' is no order"),
        (b'{"5": []}', "the MOC is empty"),
        (b"\xff\xfe\x00", "neither a FITS, JSON nor ASCII MOC"),
        (b"SIMPLE  =    T", "no table in the first FITS extension"),
        (b"root:x:0:0", "cannot read 'root:x:0:0'"),
    ],
)
def test_bad_moc_files(content: bytes, message: str, tmp_path: Path) -> None:
    (tmp_path / "bad").write_bytes(content)
    with pytest.raises(QueryError, match=message) as caught:
        Region.moc(tmp_path / "bad")
    assert str(tmp_path / "bad") in str(caught.value)


@pytest.mark.parametrize(
    ("cards", "values", "message"),
    [
        ({"ORDERING": "NUNIQ"}, [3], "3 is no cell in NUNIQ"),
        ({"ORDERING": "NUNIQ"}, [4 << 60], "no cell in NUNIQ"),
        ({"ORDERING": "RANGE"}, [5, 5], "5 to 5 is no range"),
        ({"ORDERING": "RANGE"}, [-1, 5], "-1 to 5 is no range"),
        ({"ORDERING": "RANGE"}, [1, 5, 9], "even number of rows"),
        ({"ORDERING": "RANGE"}, [], "the MOC is empty"),
        ({"ORDERING": "NESTED"}, [5], "NUNIQ or RANGE, got 'NESTED'"),
        ({}, [5], "NUNIQ or RANGE, got ''"),
        ({"ORDERING": "NUNIQ", "COORDSYS": "G"}, [5], "COORDSYS must be C"),
        ({"ORDERING": "RANGE", "MOCDIM": "TIME"}, [5, 6], "MOCDIM must be SPACE"),
        ({"ORDERING": "NUNIQ", "MOCORD_S": 1}, [300], "MOCORD_S must be a whole number from 3"),
        ({"ORDERING": "NUNIQ", "MOCORD_S": 30}, [300], "from 0 to 29, got 30"),
    ],
)
def test_bad_moc_fits(
    cards: dict[str, str | int], values: list[int], message: str, tmp_path: Path
) -> None:
    column = fits.Column(name="UNIQ", format="K", array=np.array(values, dtype=np.int64))
    table = fits.BinTableHDU.from_columns([column])
    table.header.update(cards)
    table.writeto(tmp_path / "bad.fits")
    with pytest.raises(QueryError, match=message):
        Region.moc(tmp_path / "bad.fits")


def test_moc_json_of_a_huge_cell_number(tmp_path: Path) -> None:
    (tmp_path / "huge.json").write_text(json.dumps({"29": [10**30]}))
    with pytest.raises(QueryError, match="cells of order 29 run from 0"):
        Region.moc(tmp_path / "huge.json")


# Bad input


@pytest.mark.parametrize(
    ("text", "message", "usage"),
    [
        ("", "no region given: use circle RA DEC RADIUS", True),
        (" , ", "no region given", True),
        (None, "no region given", True),
        (5, "no region given", True),
        ("disc 1 2 3", "unknown region 'disc': use circle RA DEC RADIUS, range", False),
        ("circle", "circle needs RA DEC RADIUS, got ''", True),
        ("circle 1 2", "circle needs RA DEC RADIUS, got '1 2'", True),
        ("circle 1 2 3 4", "circle needs RA DEC RADIUS", True),
        ("circle x 2 3", "circle RA must be a number from 0 to 360, got 'x'", True),
        ("circle 05:30:00 2 3", "circle RA must be a number", True),
        ("circle 1_0 2 3", "circle RA must be a number", True),
        ("circle 360.1 2 3", "circle RA must be a number from 0 to 360, got '360.1'", False),
        ("circle -1 2 3", "circle RA", False),
        ("circle 1 91 3", "circle DEC must be a number from -90 to 90, got '91'", False),
        ("circle 1 2 -1", "circle RADIUS must be a number from 0 to 180, got '-1'", False),
        ("circle 1 2 200", "circle RADIUS", False),
        ("circle nan 2 3", "circle RA must be .* got 'nan'", False),
        ("circle 1 nan 3", "circle DEC must be .* got 'nan'", False),
        ("circle 1 2 inf", "circle RADIUS must be .* got 'inf'", False),
        ("range 1 2 3", "range needs RA1 RA2 DEC1 DEC2", True),
        ("range 1 2 5 4", "range DEC1 must not be above DEC2, got 5 and 4", False),
        ("range 1 nan 4 5", "range RA2 must be", False),
        ("range 1 2 4 95", "range DEC2 must be", False),
        ("polygon", "at least 3 different corners, got 0", False),
        ("polygon 1 2 3 4", "at least 3 different corners, got 2", False),
        ("polygon 1 2 3 4 1 2", "at least 3 different corners, got 2", False),
        ("polygon 1 2 3 4 5", "polygon needs a DEC for each RA, got 5 numbers", True),
        ("polygon 1 2 3 4 5 x", "polygon DEC3 must be a number", True),
        ("polygon 1 2 3 4 361 5", "polygon RA3 must be a number from 0 to 360", False),
        ("polygon 1 2 nan 4 5 5", "polygon RA2 must be", False),
        ("polygon 0 0 0 0 10 0 5 5", "corners 1 and 2 are the same place", False),
        ("polygon 5 90 80 90 10 0", "corners 1 and 2 are the same place", False),
        ("polygon 0 1 9 1 360 1 5 5", "touches itself", False),
        ("polygon 0 0 10 10 10 0 0 10", "crosses itself: sides 1 and 3", False),
        ("polygon 0 0 10 0 10 10 5 0 0 10", "touches itself: corner 4 lies on side 1", False),
        ("polygon 0 0 10 0 5 0 5 5", "touches itself", False),
        ("polygon 0 0 5 0 10 0", "no area", False),
        ("polygon 20 -10 20 10 20 50", "no area", False),
        ("polygon 0 0 120 0 240 0", "fit in no hemisphere", False),
        ("polygon 0 0 90 0 180 0 270 0", "fit in no hemisphere", False),
        ("polygon 0 -10 120 -10 240 -10 0 80", "fit in no hemisphere", False),
        ("polygon 0 0 180 0 90 45", "fit in no hemisphere", False),
        ("constellation", "constellation needs a name, such as Ori", True),
        ("constellation Orio", r"unknown constellation 'Orio': did you mean Ori \(Orion\)", False),
        ("moc", "moc needs a file or an ASCII MOC", True),
        ("all sky", "all needs nothing after it, got 'sky'", True),
    ],
)
def test_bad_regions_are_refused_by_name(text: str, message: str, usage: bool) -> None:
    with pytest.raises(QueryError, match=message) as caught:
        Region.parse(text)
    assert (caught.value.parameter, caught.value.usage) == ("region", usage)


@pytest.mark.parametrize("corners", [[1, 2, 3, 4, 5, 6], [(1, 2), (3,), (4, 5)], 7])
def test_polygon_corners_must_be_pairs(corners: Any) -> None:
    with pytest.raises(QueryError, match=r"polygon needs \(RA, DEC\) pairs"):
        Region.polygon(corners)


@settings(max_examples=200, deadline=None, derandomize=True)
@given(
    st.sampled_from(["circle", "range", "polygon", "constellation", "all", "moc", ""]),
    st.lists(st.one_of(st.floats().map(str), st.text(max_size=5)), max_size=8),
)
def test_any_text_is_a_region_or_refused(keyword: str, words: list[str]) -> None:
    try:
        region = Region.parse(f"{keyword} {' '.join(words)}", files=False)
    except QueryError as error:
        assert error.parameter == "region" and str(error)
    else:
        assert 0.0 <= region.area_deg2 <= WHOLE_SKY_DEG2 + 1e-6


@pytest.mark.parametrize("order", [-1, 30, 2.5])
def test_cover_refuses_impossible_orders(order: int) -> None:
    with pytest.raises(QueryError, match="order must be a whole number from 0 to 29"):
        Region.all().cover(order)


# Hemispheres


def test_smallest_cap_against_trying_every_pair_and_triple() -> None:
    rng = np.random.default_rng(11)
    for case in range(60):
        n = int(rng.integers(3, 12))
        points = random_vectors(n, case)
        if case % 2:
            points[:, 2] = np.abs(points[:, 2]) + rng.choice([0.001, 0.5])
            points /= np.linalg.norm(points, axis=1)[:, None]
        best = -1.0
        for i in range(n):
            for j in range(i):
                for k in range(j + 1):
                    rim = points[[i, j, k]]
                    centre = (
                        rim[0] + rim[1] if k == j else np.cross(rim[1] - rim[0], rim[2] - rim[0])
                    )
                    centre /= np.linalg.norm(centre)
                    best = max(best, (points @ centre).min(), (points @ -centre).min())
        middle, cosine = smallest_cap(points)
        assert_allclose(np.linalg.norm(middle), 1.0)
        if best > 0.0:
            assert_allclose(cosine, best, atol=1e-9)
        else:
            assert cosine <= 1e-12


def test_a_polygon_of_many_corners() -> None:
    angles = np.linspace(0.0, 360.0, 2001)[:-1] * u.deg
    ring = SkyCoord(30 * u.deg, 60 * u.deg).directional_offset_by(angles, 10 * u.deg)
    region = Region.polygon(list(zip(ring.ra.deg % 360, ring.dec.deg, strict=True)))
    assert_allclose(region.area_deg2, Region.circle(30, 60, 10).area_deg2, rtol=1e-5)
