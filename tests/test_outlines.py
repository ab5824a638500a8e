"""Outlines against astropy's TAN projection, published corners and areas, and DALI's winding."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from tests.awkward_sky import (
    ARCSEC,
    AWKWARD_PLATES,
    Floats,
    Plate,
    directions_about,
    in_footprint,
    in_layout,
    mixed_plates,
    records_of,
    sampled_distance_deg,
    sky_of_mm,
    vectors_of,
)

from platecover.coverage import outlines
from platecover.coverage.outlines import diameters_deg, outline_corners_deg, outline_texts

ROUNDED_DEG = 0.6e-6  # of six decimals
SHORT_OF_CUT = 1e-3  # of the usable radius: what chords leave of it, as said
MIXED = [
    *mixed_plates(24, seed=1887),
    # arms' inner corner just within the cut, and just beyond it
    Plate("arms meet beyond the cut", 0.0, 89.0, 300.0, 100.0, 120.0, 10.0, 2.16,
          orientation_known=False),
    Plate("arms meet within the cut", 0.0, -40.0, 300.0, 100.0, 120.0, 10.0, 2.6,
          orientation_known=False),
]  # fmt: skip


def polygon_of(plate: Plate) -> tuple[Floats, Floats]:
    ra, dec, starts = outline_corners_deg(records_of([plate]))
    assert list(starts) == [0, len(ra)]
    return ra, dec


def is_cut(plate: Plate) -> bool:
    tan_half = np.radians(plate.scale * ARCSEC) * np.hypot(plate.width, plate.height) / 2
    return bool(plate.usable_radius < np.degrees(np.arctan(tan_half)))


def holds(corners: Floats, points: Floats) -> np.ndarray:
    """Whether a polygon goes round points: the azimuths of its corners turn once about them."""
    turned = np.zeros(len(points))
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        normal_a, normal_b = np.cross(points, a), np.cross(points, b)
        sine = np.sum(np.cross(normal_a, normal_b) * points, axis=1)
        turned += np.arctan2(sine, np.sum(normal_a * normal_b, axis=1))
    return np.asarray(np.abs(turned) > np.pi)


def signed_area_sr(corners: Floats) -> float:
    """Girard by triangles from the middle (Van Oosterom & Strackee 1983); clockwise is positive."""
    middle = corners.sum(axis=0) / np.linalg.norm(corners.sum(axis=0))
    following = np.roll(corners, -1, axis=0)
    triple = np.sum(np.cross(corners, following) * middle, axis=1)
    below = 1 + corners @ middle + following @ middle + np.sum(corners * following, axis=1)
    return float(2 * np.arctan2(triple, below).sum())


@pytest.mark.parametrize("plate", AWKWARD_PLATES, ids=lambda plate: plate.name)
def test_corners_of_rectangles_are_those_of_astropy(plate: Plate) -> None:
    if is_cut(plate) or not plate.orientation_known:
        return
    x, y = plate.width / 2, plate.height / 2
    expected = vectors_of(*sky_of_mm(plate, [x, x, -x, -x], [y, -y, -y, y]))
    corners = vectors_of(*polygon_of(plate))
    assert_allclose(corners, expected, atol=1e-12)


# Worked by hand from Calabretta & Greisen 2002, A&A 395, 1077, section 5.1.3, with 40 digits.
@pytest.mark.parametrize(
    ("plate", "expected"),
    [
        (Plate("", 5.0, -72.0, 355.6, 355.6, 67.14),  # across RA 0h: NE, SE, SW, NW
         [(14.03275, -68.44452), (17.83708, -74.95263), (352.16292, -74.95263),
          (355.96725, -68.44452)]),
        (Plate("", 120.0, 88.0, 355.6, 355.6, 67.14),  # holds the pole
         [(231.62197, 86.44264), (151.96664, 83.74512), (88.03336, 83.74512),
          (8.37803, 86.44264)]),
        (Plate("", 270.0, -30.0, 254.0, 203.2, 600.0),
         [(290.02177, -12.74484), (297.21864, -43.10463), (242.78136, -43.10463),
          (249.97823, -12.74484)]),
    ],
)  # fmt: skip
def test_worked_corners_in_dali_order(plate: Plate, expected: list[tuple[float, float]]) -> None:
    # NE, SE, SW, NW with east to the left goes counter-clockwise
    assert_allclose(np.transpose(polygon_of(plate)), expected, atol=1e-5)


# 4 atan(XY / sqrt(1 + X^2 + Y^2)), as any text on solid angles of a rectangular pyramid has it.
@pytest.mark.parametrize(
    ("width", "height", "scale", "deg2"),
    [(160, 160, 60, 7.107263), (355.6, 355.6, 67.14, 43.835883), (203.2, 254, 600, 1291.788930)],
)
def test_area_of_worked_rectangles(width: float, height: float, scale: float, deg2: float) -> None:
    corners = vectors_of(*polygon_of(Plate("", 359.0, 89.0, width, height, scale, 33.0)))
    assert_allclose(-signed_area_sr(corners) * np.degrees(1) ** 2, deg2, rtol=1e-6)


def test_the_reference_triangle_is_counter_clockwise() -> None:
    # STC 1.33, erratum 1: (90, 0), (0, 0), (0, 90) is wound as it should be
    corners = vectors_of([90.0, 0.0, 0.0], [0.0, 0.0, 90.0])
    assert np.cross(corners[0], corners[1]) @ corners[2] == pytest.approx(-1.0)
    assert signed_area_sr(corners) == pytest.approx(-np.pi / 2)


@pytest.mark.parametrize("plate", [*AWKWARD_PLATES, *MIXED], ids=lambda plate: plate.name)
def test_wound_counter_clockwise_without_repeats(plate: Plate) -> None:
    # DALI 1.1, section 3.3.7; the first corner is not repeated at the end
    corners = vectors_of(*polygon_of(plate))
    assert signed_area_sr(corners) < 0.0
    following = np.roll(corners, -1, axis=0)
    assert np.linalg.norm(corners - following, axis=1).min() > np.radians(1.0 * ARCSEC)
    if plate.orientation_known:  # convex: every corner turns the same way
        a, b, c = corners, following, np.roll(corners, -2, axis=0)
        assert np.all(np.sum(np.cross(a, b) * c, axis=1) < 0.0)


@pytest.mark.parametrize("plate", [*AWKWARD_PLATES, *MIXED], ids=lambda plate: plate.name)
def test_holds_what_is_on_the_plate(plate: Plate) -> None:
    # by astropy; both layouts where the orientation is unknown
    ra, dec = directions_about(plate, 60, seed=5)
    front = vectors_of(ra, dec) @ vectors_of(plate.ra, plate.dec) > 0.01
    ra, dec = ra[front], dec[front]
    on_plate = in_footprint(plate, ra, dec)
    near = np.min([sampled_distance_deg(layout, ra, dec) for layout in plate.layouts()], axis=0)
    short = SHORT_OF_CUT * plate.usable_radius if is_cut(plate) else 0.0
    clear = near > short + 1.0 * ARCSEC
    held = holds(vectors_of(*polygon_of(plate)), vectors_of(ra, dec))
    assert np.array_equal(held[clear], on_plate[clear])
    assert on_plate[clear].any() and not on_plate[clear].all()
    assert not np.any(held & ~on_plate & (near > 1.0 * ARCSEC))  # never beyond the plate


@pytest.mark.parametrize("plate", AWKWARD_PLATES, ids=lambda plate: plate.name)
def test_corners_lie_on_the_boundary(plate: Plate) -> None:
    ra, dec = polygon_of(plate)
    distances = [sampled_distance_deg(layout, ra, dec) for layout in plate.layouts()]
    assert np.min(distances, axis=0).max() < 0.2 * ARCSEC
    for layout in plate.layouts():  # and on neither layout's inside, but for rounding
        inside = in_layout(layout, ra, dec)
        assert sampled_distance_deg(layout, ra[inside], dec[inside]).max(initial=0) < 0.2 * ARCSEC


def test_unknown_orientation_makes_a_cross_of_twelve_corners() -> None:
    plate = Plate("", 10.0, 0.0, 200.0, 100.0, 60.0, orientation_known=False)
    assert len(polygon_of(plate)[0]) == 12
    square = Plate("", 10.0, 0.0, 100.0, 100.0, 60.0, orientation_known=False)
    assert len(polygon_of(square)[0]) == 4


def test_many_at_once_are_each_by_itself() -> None:
    ra, dec, starts = outline_corners_deg(records_of([*AWKWARD_PLATES, *MIXED]))
    for at, plate in enumerate([*AWKWARD_PLATES, *MIXED]):
        own_ra, own_dec = polygon_of(plate)
        assert np.array_equal(ra[starts[at] : starts[at + 1]], own_ra)
        assert np.array_equal(dec[starts[at] : starts[at + 1]], own_dec)


def test_no_plate_has_no_outline() -> None:
    nothing = records_of(AWKWARD_PLATES)[:0]
    assert outline_texts(nothing).to_pylist() == []
    assert list(outline_corners_deg(nothing)[2]) == [0]


def test_texts_say_the_corners() -> None:
    # ObsCore 1.1, section 2.12: the shape, the frame, then numbers
    plates = [*AWKWARD_PLATES, *MIXED]
    records = records_of(plates)
    ra, dec, starts = outline_corners_deg(records)
    for at, text in enumerate(outline_texts(records).to_pylist()):
        shape, frame, *words = text.split(" ")
        assert (shape, frame) == ("Polygon", "ICRS")
        numbers = np.array(words, dtype=float).reshape(-1, 2)
        some = slice(starts[at], starts[at + 1])
        away = np.abs(numbers[:, 0] - ra[some])
        assert np.minimum(away, 360.0 - away).max() < ROUNDED_DEG
        assert np.abs(numbers[:, 1] - dec[some]).max() < ROUNDED_DEG
        assert np.all((numbers[:, 0] >= 0.0) & (numbers[:, 0] < 360.0))


@given(st.integers(-90_000_000, 360_000_000))
@example(0)
@example(-1)
@example(359_999_999)
@example(-90_000_000)
def test_numbers_are_written_as_python_writes_them(millionths: int) -> None:
    text = np.zeros(20, np.uint8)
    end = outlines._write_number(millionths, text, 0)
    assert text[:end].tobytes().decode() == f" {millionths / 1e6:.6f}"


def test_diameter_is_that_of_the_diagonal_or_the_cut() -> None:
    # half angle = atan(d p / 206264.8): 30.67 degrees, not 31.43, for 200 mm at 400 arcsec/mm
    whole = Plate("", 10.0, 0.0, 200.0, 200.0, 400.0)
    records = records_of([whole, replace(whole, usable_radius=9.0)])
    assert_allclose(diameters_deg(records), [30.67, 18.0], atol=0.005)
