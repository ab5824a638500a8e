"""Plate geometry against published figures, hand arithmetic and astropy's TAN projection."""

import math
from typing import Any

import erfa
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from tests.awkward_sky import (
    ARCSEC,
    AWKWARD_PLATES,
    Floats,
    Plate,
    directions_about,
    in_footprint,
    judged_edge_distance_deg,
    mixed_plates,
    records_of,
    sky_of_mm,
    vectors_of,
)

from platecover.coverage.directions import unit_vectors
from platecover.coverage.edge_distance import edge_distance_deg, in_plate_axes
from platecover.coverage.plate_geometry import (
    ARCSEC_PER_RADIAN,
    GEOMETRY,
    corners_deg,
    geometry_records,
    half_diagonal_deg,
    half_tangents,
    solid_angle_deg2,
)

ANY_PLATES = [*AWKWARD_PLATES, *mixed_plates(25, seed=11)]


def name_of(plate: Plate) -> str:
    """Test id."""
    return plate.name


def schmidt_plate(ra: float, dec: float) -> Plate:
    """A plate of 14 inches at 67.14 arcsec/mm."""
    return Plate("", ra, dec, 355.6, 355.6, 67.14)


def small_plate(ra: float, dec: float) -> Plate:
    """A plate of 16 cm at an arcminute per mm."""
    return Plate("", ra, dec, 160.0, 160.0, 60.0)


def separations_deg(ra_deg: Any, dec_deg: Any, other_ra_deg: Any, other_dec_deg: Any) -> Floats:
    """Separations by ERFA."""
    angles = np.radians(np.broadcast_arrays(ra_deg, dec_deg, other_ra_deg, other_dec_deg))
    return np.asarray(np.degrees(erfa.seps(*angles)))


# ---------------------------------------------------------------- sizes and scales


def test_arcsec_in_a_radian() -> None:
    assert_allclose(ARCSEC_PER_RADIAN, 206264.806247, rtol=0, atol=1e-6)  # by definition


# True full widths in degrees, hand-computed: 2 atan(w s / (2 x 206264.806)). Sizes and scales: of
# the 48-inch Schmidt (14 in, 67.14 arcsec/mm) and of wide cameras (600 arcsec/mm).
@pytest.mark.parametrize(
    ("width_mm", "scale_arcsec_per_mm", "true_width_deg", "tolerance"),
    [
        (355.6, 67.14, 6.6246, 5e-5),
        (431.8, 55.1, 6.6016, 5e-5),
        (240.0, 600.0, 38.4847, 5e-5),
        (254.0, 600.0, 40.551, 5e-4),
        (160.0, 60.0, 2.6662, 5e-5),
    ],
)
def test_true_width_is_less_than_scale_times_size(
    width_mm: float, scale_arcsec_per_mm: float, true_width_deg: float, tolerance: float
) -> None:
    tan_x, tan_y = half_tangents(width_mm, 1.0, scale_arcsec_per_mm)
    assert abs(2.0 * math.degrees(math.atan(tan_x)) - true_width_deg) <= tolerance
    assert_allclose(tan_y, 0.5 * scale_arcsec_per_mm / 206264.806247, rtol=1e-12)


def test_half_diagonal_is_the_distance_of_astropys_corner() -> None:
    for plate in AWKWARD_PLATES:
        ra, dec = sky_of_mm(plate, plate.width / 2, -plate.height / 2)
        expected = separations_deg(plate.ra, plate.dec, ra, dec)
        got = half_diagonal_deg(plate.width, plate.height, plate.scale)
        assert_allclose(got, expected, rtol=1e-11)


# ---------------------------------------------------------------- corners

# Hand-computed in 40 digits from the formulas of Calabretta & Greisen 2002, A&A 395, 1077,
# section 5.1.3; equal in astropy's WCS, ERFA tpsts and PAL dtp2s within 6e-10 arcsec. Order of
# the corners: (+x, +y) north-east, (-x, +y), (-x, -y), (+x, -y).
HAND_CORNERS = {
    "equator": (
        small_plate(30.0, 0.0),
        [(31.33309, 1.33273), (28.66691, 1.33273), (28.66691, -1.33273), (31.33309, -1.33273)],
    ),
    "mid declination": (
        Plate("", 83.6, 22.0, 130.0, 130.0, 60.0),
        [(84.77724, 23.07884), (82.42276, 23.07884), (82.44060, 20.91288), (84.75940, 20.91288)],
    ),
    "Schmidt at +60": (
        schmidt_plate(150.0, 60.0),
        [
            (157.33054, 63.12312),
            (142.66946, 63.12312),
            (143.99438, 56.54284),
            (156.00562, 56.54284),
        ],
    ),
    "across RA 0h at -72": (
        schmidt_plate(5.0, -72.0),
        [
            (14.03275, -68.44452),
            (355.96725, -68.44452),
            (352.16292, -74.95263),
            (17.83708, -74.95263),
        ],
    ),
    "pole just outside": (
        small_plate(45.0, 88.5),
        [(127.86290, 88.65686), (322.13710, 88.65686), (19.79398, 86.86932), (70.20602, 86.86932)],
    ),
    "pole inside": (
        schmidt_plate(120.0, 88.0),
        [(231.62197, 86.44264), (8.37803, 86.44264), (88.03336, 83.74512), (151.96664, 83.74512)],
    ),
    "centre on the pole": (
        schmidt_plate(0.0, 90.0),
        [(135.0, 85.32094), (225.0, 85.32094), (315.0, 85.32094), (45.0, 85.32094)],
    ),
    "across RA 0h": (
        small_plate(0.25, -15.0),
        [
            (1.62155, -13.66314),
            (358.87845, -13.66314),
            (358.86124, -16.32855),
            (1.63876, -16.32855),
        ],
    ),
    "wide, not square": (
        Plate("", 270.0, -30.0, 254.0, 203.2, 600.0),
        [
            (290.02177, -12.74484),
            (249.97823, -12.74484),
            (242.78136, -43.10463),
            (297.21864, -43.10463),
        ],
    ),
}


@pytest.mark.parametrize("case", HAND_CORNERS)
def test_corners_computed_by_hand(case: str) -> None:
    plate, expected = HAND_CORNERS[case]
    ra, dec = corners_deg(records_of([plate]))
    assert_allclose(np.stack([ra[0], dec[0]], axis=1), expected, rtol=0, atol=1e-5)


def test_corner_of_the_sofa_test_program() -> None:
    # SOFA/ERFA test program, Tpsts: xi -0.03, eta 0.07, tangent point (2.3, 1.5), all radians.
    # It is the (-x, +y) corner of a plate of 2 x 0.03 by 2 x 0.07 focal lengths.
    records = geometry_records(
        math.degrees(2.3), math.degrees(1.5), 0.0, 0.06, 0.14, ARCSEC_PER_RADIAN
    )
    ra, dec = corners_deg(records)
    assert_allclose(np.radians(ra[0, 1]), 0.7596127167359630, rtol=0, atol=1e-14)
    assert_allclose(np.radians(dec[0, 1]), 1.540864645109263, rtol=0, atol=1e-13)


def test_standard_coordinates_of_the_sofa_test_program() -> None:
    # SOFA/ERFA test program, Tpxes: direction (1.3, 1.55), tangent point (2.3, 1.5), radians.
    record = geometry_records(math.degrees(2.3), math.degrees(1.5), 0.0, 1.0, 1.0, 1.0)[0]
    u, v, w = in_plate_axes(record, *unit_vectors(math.degrees(1.3), math.degrees(1.55)))
    assert_allclose(u / w, -0.01753200983236981, rtol=0, atol=1e-15)
    assert_allclose(v / w, 0.05962940005778713, rtol=0, atol=1e-15)


def test_corners_agree_with_astropy() -> None:
    ra, dec = corners_deg(records_of(ANY_PLATES))
    assert ((ra >= 0.0) & (ra < 360.0)).all()
    for i, plate in enumerate(ANY_PLATES):
        signs = np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]])
        expected = sky_of_mm(plate, signs[:, 0] * plate.width / 2, signs[:, 1] * plate.height / 2)
        assert (separations_deg(ra[i], dec[i], *expected) < 1e-6 * ARCSEC).all(), plate.name


# ---------------------------------------------------------------- solid angle


# The rectangular pyramid: area = 4 asin(sin A sin B), A and B the half-angles to the middles of
# the sides; any solid-geometry text. Hand-computed; equal to quadrature and to the area of the
# spherical polygon within 1e-8.
@pytest.mark.parametrize(
    ("width_mm", "height_mm", "scale_arcsec_per_mm", "area_deg2", "tolerance"),
    [
        (60.0, 60.0, 60.0, 0.999924, 1e-6),
        (130.0, 130.0, 60.0, 4.692767, 1e-6),
        (160.0, 160.0, 60.0, 7.107263, 1e-6),
        (355.6, 355.6, 67.14, 43.835883, 1e-5),
        (300.0, 300.0, 130.0, 116.323002, 1e-5),
        (152.4, 152.4, 600.0, 615.171600, 1e-4),
        (203.2, 254.0, 600.0, 1291.788930, 1e-4),
    ],
)
def test_solid_angles_computed_by_hand(
    width_mm: float,
    height_mm: float,
    scale_arcsec_per_mm: float,
    area_deg2: float,
    tolerance: float,
) -> None:
    records = geometry_records(10.0, 20.0, 30.0, width_mm, height_mm, scale_arcsec_per_mm)
    assert_allclose(solid_angle_deg2(records), area_deg2, rtol=0, atol=tolerance)


# Squares of a true width; that of 90 degrees is the face of a cube, a sixth of the sky.
@pytest.mark.parametrize(
    ("true_width_deg", "area_deg2"),
    [(20.0, 396.014923), (40.0, 1539.586518), (60.0, 3318.001384), (90.0, 41252.96125 / 6)],
)
def test_solid_angle_of_squares_of_a_true_width(true_width_deg: float, area_deg2: float) -> None:
    side = 2.0 * math.tan(math.radians(true_width_deg / 2))
    records = geometry_records(0.0, 0.0, 0.0, side, side, ARCSEC_PER_RADIAN)
    assert_allclose(solid_angle_deg2(records), area_deg2, rtol=0, atol=1e-5)


def test_solid_angle_of_a_circle_wholly_inside_is_that_of_the_cap() -> None:
    # A cap of radius r: 2 pi (1 - cos r), any geometry text.
    for radius_deg in (0.01, 1.0, 2.6):
        records = geometry_records(0.0, 0.0, 0.0, 200.0, 160.0, 120.0, usable_radius_deg=radius_deg)
        cap_deg2 = 2 * math.pi * (1 - math.cos(math.radians(radius_deg))) * math.degrees(1.0) ** 2
        assert_allclose(solid_angle_deg2(records), cap_deg2, rtol=1e-7)


@pytest.mark.parametrize("plate", ANY_PLATES, ids=name_of)
def test_solid_angle_agrees_with_quadrature(plate: Plate) -> None:
    # Seen from the centre every footprint is star-shaped: sum 1 - cos(reach) over azimuth, the
    # reach to side or circle, to the farther layout.
    azimuth = (np.arange(400_000) + 0.5) * (2 * np.pi / 400_000)
    reach = np.zeros_like(azimuth)
    for layout in plate.layouts():
        half_x, half_y = (
            math.radians(side * layout.scale * ARCSEC) / 2 for side in (layout.width, layout.height)
        )
        tangent = np.minimum(half_x / np.abs(np.cos(azimuth)), half_y / np.abs(np.sin(azimuth)))
        to_edge = np.arctan(tangent)
        if np.isfinite(layout.usable_radius):
            to_edge = np.minimum(to_edge, math.radians(layout.usable_radius))
        reach = np.maximum(reach, to_edge)
    expected = 2 * np.pi * np.mean(2 * np.sin(reach / 2) ** 2) * math.degrees(1.0) ** 2
    assert_allclose(solid_angle_deg2(records_of([plate])), expected, rtol=1e-7)


def test_solid_angle_agrees_with_counting_points_on_the_sky() -> None:
    # Points of equal area: a Fibonacci grid; which are on the plate is astropy's answer.
    count = 1_000_000
    z = 1.0 - (2.0 * np.arange(count) + 1.0) / count
    dec = np.asarray(np.degrees(np.arcsin(z)), dtype=np.float64)
    ra = np.asarray((np.arange(count) * 360.0 * (math.sqrt(5.0) - 1.0) / 2.0) % 360.0)
    vectors = vectors_of(ra, dec)
    wide = [plate for plate in AWKWARD_PLATES if plate.scale >= 400.0]
    assert len(wide) >= 4
    for plate in wide:
        near = vectors @ vectors_of(plate.ra, plate.dec) > math.cos(math.radians(32.0))
        found = np.count_nonzero(in_footprint(plate, ra[near], dec[near]))
        area = solid_angle_deg2(records_of([plate]))[0]
        assert_allclose(found * 41252.96125 / count, area, rtol=2e-3)


# ---------------------------------------------------------------- edge distance


@pytest.mark.parametrize("plate", ANY_PLATES, ids=name_of)
def test_edge_distance_agrees_with_astropy(plate: Plate) -> None:
    ra, dec = directions_about(plate, 15, seed=5)
    records = np.repeat(records_of([plate]), len(ra))
    larger, smaller = edge_distance_deg(records, ra, dec)
    judged = judged_edge_distance_deg(plate, ra, dec)
    # A sampled distance is never too short, and too long by less than 0.1 arcsec.
    assert_allclose(larger, np.maximum.reduce(judged), rtol=0, atol=0.1 * ARCSEC)
    assert_allclose(smaller, np.minimum.reduce(judged), rtol=0, atol=0.1 * ARCSEC)
    assert (larger > 0.0).any() and (larger < 0.0).any()


@settings(max_examples=60, deadline=None)
@given(
    ra=st.floats(0.0, 360.0),
    dec=st.floats(-90.0, 90.0),
    angle=st.floats(0.0, 360.0),
    half_x_deg=st.floats(0.2, 25.0),
    half_y_deg=st.floats(0.2, 25.0),
    share=st.none() | st.floats(0.1, 1.3),
    known=st.booleans(),
    seed=st.integers(0, 1000),
)
def test_edge_distance_of_any_plate_agrees_with_astropy(
    ra: float,
    dec: float,
    angle: float,
    half_x_deg: float,
    half_y_deg: float,
    share: float | None,
    known: bool,
    seed: int,
) -> None:
    width, height = (
        2.0 * math.degrees(math.tan(math.radians(half))) for half in (half_x_deg, half_y_deg)
    )
    radius = np.nan if share is None else share * math.hypot(half_x_deg, half_y_deg)
    plate = Plate("", ra, dec, width, height, 3600.0, angle, radius, 0.0, known)
    some_ra, some_dec = directions_about(plate, 3, seed)
    larger, smaller = edge_distance_deg(
        np.repeat(records_of([plate]), len(some_ra)), some_ra, some_dec
    )
    judged = judged_edge_distance_deg(plate, some_ra, some_dec)
    assert_allclose(larger, np.maximum.reduce(judged), rtol=0, atol=0.1 * ARCSEC)
    assert_allclose(smaller, np.minimum.reduce(judged), rtol=0, atol=0.1 * ARCSEC)


def test_edge_distances_computed_by_hand() -> None:
    # 160 mm at 60 arcsec/mm about (30, 0): the side is atan(80 x 60 / 206264.806) = 1.3333 deg
    # from the centre, in 7 digits 1.3330927. On the equator the distance within is the rest.
    side = math.degrees(math.atan(4800.0 / 206264.806247))
    records = np.repeat(records_of([small_plate(30.0, 0.0)]), 4)
    larger, smaller = edge_distance_deg(records, [30.0, 31.0, 30.0, 35.0], [0.0, 0.0, -1.2, 0.0])
    assert_allclose(larger, [side, side - 1.0, side - 1.2, side - 5.0], rtol=0, atol=1e-12)
    assert_array_equal(larger, smaller)


def test_beyond_a_corner_the_nearest_point_is_the_corner() -> None:
    for plate, corners in HAND_CORNERS.values():
        corner_ra, corner_dec = corners[0]
        # Further along the diagonal of the plate:
        ra, dec = sky_of_mm(plate, 0.6 * plate.width, 0.6 * plate.height)
        larger, _ = edge_distance_deg(records_of([plate]), ra, dec)
        expected = -separations_deg(corner_ra, corner_dec, ra, dec)
        assert_allclose(larger, expected, rtol=0, atol=2e-5)  # the corners have five decimals


def test_the_antipode_is_never_on_a_plate() -> None:
    # The bare gnomonic formula gives (0, 0) there. The nearest of the boundary is what is
    # farthest from the centre: the corners, or the circle where it cuts them off.
    records = records_of(ANY_PLATES)
    ra, dec = np.array([((plate.ra + 180.0) % 360.0, -plate.dec) for plate in ANY_PLATES]).T
    larger, smaller = edge_distance_deg(records, ra, dec)
    farthest = [
        np.fmin(half_diagonal_deg(plate.width, plate.height, plate.scale), plate.usable_radius)
        for plate in ANY_PLATES
    ]
    assert_allclose(larger, np.array(farthest) - 180.0, rtol=0, atol=1e-6)
    assert_allclose(smaller, larger, rtol=0, atol=1e-6)
    for plate, record_ra, record_dec in zip(ANY_PLATES, ra, dec, strict=True):
        around = np.linspace(0.0, 2 * np.pi, 24)
        near_dec = np.clip(record_dec + np.sin(around), -90.0, 90.0)
        near_ra = record_ra + np.cos(around)
        repeated = np.repeat(records_of([plate]), len(around))
        assert (edge_distance_deg(repeated, near_ra, near_dec)[0] < -90.0).all()


@pytest.mark.parametrize("step_deg", [1e-6, 0.01, 3.0, 60.0])
def test_edge_distance_changes_no_faster_than_the_position(step_deg: float) -> None:
    # Whatever the figure, a distance to its boundary has slope 1 at most.
    rng = np.random.default_rng(3)
    for plate in ANY_PLATES:
        ra, dec = directions_about(plate, 40, seed=6)
        other_ra = ra + rng.normal(0.0, step_deg, len(ra))
        other_dec = np.clip(dec + rng.normal(0.0, step_deg, len(ra)), -90.0, 90.0)
        records = np.repeat(records_of([plate]), len(ra))
        moved = separations_deg(ra, dec, other_ra, other_dec)
        for here, there in zip(
            edge_distance_deg(records, ra, dec),
            edge_distance_deg(records, other_ra, other_dec),
            strict=True,
        ):
            # 1e-6 deg: rounding of an arc sine near the antipode.
            assert (np.abs(here - there) <= moved + 1e-6).all(), plate.name


def test_unknown_orientation_is_the_larger_and_smaller_of_the_two_layouts() -> None:
    unknown = [plate for plate in ANY_PLATES if not plate.orientation_known]
    assert len(unknown) >= 6
    for plate in unknown:
        ra, dec = directions_about(plate, 50, seed=8)
        size = len(ra)
        larger, smaller = edge_distance_deg(np.repeat(records_of([plate]), size), ra, dec)
        layouts = [
            edge_distance_deg(np.repeat(records_of([layout]), size), ra, dec)[0]
            for layout in plate.layouts()
        ]
        assert_array_equal(larger, np.maximum(*layouts))
        assert_array_equal(smaller, np.minimum(*layouts))


def test_one_position_for_all_records() -> None:
    records = records_of(AWKWARD_PLATES)
    size = len(records)
    assert_array_equal(
        edge_distance_deg(records, 20.0, 30.0),
        edge_distance_deg(records, np.full(size, 20.0), np.full(size, 30.0)),
    )


# ---------------------------------------------------------------- input


def test_arguments_broadcast_and_none_give_none() -> None:
    records = geometry_records([10.0, 20.0, 30.0], 5.0, 0.0, 100.0, 50.0, 60.0)
    assert records.shape == (3,) and records.dtype == GEOMETRY
    none = geometry_records([], [], 0.0, 100.0, 50.0, 60.0)
    assert none.shape == (0,)
    assert solid_angle_deg2(none).shape == (0,)
    assert corners_deg(none)[0].shape == (0, 4)
    assert edge_distance_deg(none, 1.0, 2.0)[0].shape == (0,)


def test_a_masked_usable_radius_cuts_nothing() -> None:
    radius = np.ma.masked_array([1.0, 1.0], mask=[False, True])
    records = geometry_records([10.0, 20.0], 5.0, 0.0, 160.0, 160.0, 60.0, usable_radius_deg=radius)
    # A cap of 1 deg: 3.141593 x (1 - 1.27e-5 x 2) deg2; the whole plate as above.
    assert_allclose(solid_angle_deg2(records), [3.141513, 7.107263], rtol=0, atol=2e-6)


GOOD: dict[str, Any] = {
    "s_ra": [10.0, 20.0],
    "s_dec": 0.0,
    "position_angle_deg": 0.0,
    "width_mm": 160.0,
    "height_mm": 160.0,
    "scale_arcsec_per_mm": 60.0,
}


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"s_ra": [1.0, np.nan]}, r"^s_ra must be finite, got nan at index 1$"),
        ({"s_ra": np.ma.masked_greater([1.0, 9.0], 5.0)}, r"^s_ra must be finite, got nan"),
        ({"s_ra": np.inf}, r"^s_ra must be finite, got inf at index 0$"),
        ({"s_dec": [0.0, 91.0]}, r"^s_dec must be from -90 to 90, got 91\.0 at index 1$"),
        ({"s_dec": -90.0001}, r"^s_dec must be from -90 to 90, got -90\.0001"),
        ({"s_dec": np.nan}, r"^s_dec must be from -90 to 90, got nan"),
        ({"position_angle_deg": np.nan}, r"^position_angle_deg must be finite, got nan"),
        ({"width_mm": 0.0}, r"^width_mm must be finite and above zero, got 0\.0"),
        ({"width_mm": np.nan}, r"^width_mm must be finite and above zero, got nan"),
        ({"height_mm": [-1.0, 2.0]}, r"^height_mm must be .* got -1\.0 at index 0$"),
        ({"scale_arcsec_per_mm": np.inf}, r"^scale_arcsec_per_mm must be .* got inf"),
        ({"width_mm": 1e200}, r"^half-diagonal by size and scale must be below 90, got 90\.0"),
        ({"usable_radius_deg": 0.0}, r"^usable_radius_deg must be above zero or NaN, got 0\.0"),
        ({"usable_radius_deg": [1.0, -2.0]}, r"^usable_radius_deg .* got -2\.0 at index 1$"),
        ({"margin_deg": -0.1}, r"^margin_deg must be finite, not negative, got -0\.1"),
        ({"margin_deg": np.nan}, r"^margin_deg must be finite, not negative, got nan"),
        ({"margin_deg": np.inf}, r"^margin_deg must be finite, not negative, got inf"),
        ({"width_mm": "wide"}, r"could not convert string to float"),
        ({"width_mm": [1.0, 2.0, 3.0]}, r"broadcast"),
    ],
)
def test_bad_input_is_refused_by_name(changed: dict[str, Any], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        geometry_records(**{**GOOD, **changed})


@pytest.mark.parametrize(
    ("ra_deg", "dec_deg", "message"),
    [
        (np.nan, 0.0, r"^ra_deg must be finite, got nan at index 0$"),
        ([1.0, np.inf], 0.0, r"^ra_deg must be finite, got inf at index 1$"),
        (1.0, np.nan, r"^dec_deg must be from -90 to 90, got nan"),
        (1.0, [90.0, 90.5], r"^dec_deg must be from -90 to 90, got 90\.5 at index 1$"),
        (np.ma.masked_array([1.0, 2.0], mask=[True, False]), 0.0, r"^ra_deg .* got nan"),
        ([1.0, 2.0, 3.0], 0.0, r"broadcast"),
    ],
)
def test_bad_positions_are_refused_by_name(ra_deg: Any, dec_deg: Any, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        edge_distance_deg(geometry_records(**GOOD), ra_deg, dec_deg)
