"""Unit vectors against the SOFA/ERFA test program and astropy."""

import astropy.units as u
import erfa
import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from platecover.coverage.directions import east_and_north, ra_dec_deg, separation_deg, unit_vectors

RA_DEG, DEC_DEG = (
    grid.ravel()
    for grid in np.meshgrid(
        [0.0, 1e-9, 45.0, 90.0, 179.99, 180.0, 270.0, 359.9999, 360.0, -12.0],
        [-90.0, -89.99999, -30.0, -1e-9, 0.0, 41.3, 89.99999, 90.0],
    )
)


def test_vector_of_the_sofa_test_program() -> None:
    # SOFA/ERFA test program, S2c: theta 3.0123, phi -0.999 rad.
    vector = unit_vectors(np.degrees(3.0123), np.degrees(-0.999))
    expected = [-0.5366267667260523906, 0.0697711109765145365, -0.8409302618566214041]
    assert_allclose(vector, expected, rtol=0, atol=1e-15)


def test_direction_of_the_sofa_test_program() -> None:
    # SOFA/ERFA test program, C2s: vector (100, -50, 25), not of unit length.
    ra_deg, dec_deg = ra_dec_deg(np.array([100.0, -50.0, 25.0]))
    assert_allclose(ra_deg, np.degrees(-0.4636476090008061162) + 360.0, rtol=1e-15)
    assert_allclose(dec_deg, np.degrees(0.2199879773954594463), rtol=1e-15)


def test_separation_of_the_sofa_test_program() -> None:
    # SOFA/ERFA test program, Seps: (1, 0.1) and (0.2, -3) rad. Dec -3 rad is beyond the pole:
    # the same direction as (0.2 + pi, 3 - pi).
    first = unit_vectors(np.degrees(1.0), np.degrees(0.1))
    second = unit_vectors(np.degrees(0.2 + np.pi), np.degrees(3.0 - np.pi))
    assert_allclose(separation_deg(first, second), np.degrees(2.346722016996998842), rtol=1e-14)


def test_separations_agree_with_erfa_from_nothing_to_the_antipode() -> None:
    turn = np.array([0.0, 1e-12, 1e-8, 1e-3, 1.0, 89.0, 90.0, 179.0, 179.9999999, 180.0])
    ra = np.where(turn > 90.0, 210.0, 30.0)  # along a meridian, over the north pole
    dec = np.where(turn > 90.0, 180.0 - turn, turn)
    first = unit_vectors(30.0, np.zeros_like(dec))
    expected = np.degrees(erfa.seps(np.radians(30.0), 0.0, np.radians(ra), np.radians(dec)))
    measured = separation_deg(first, unit_vectors(ra, dec))
    assert_allclose(measured, expected, rtol=1e-13, atol=1e-17)
    assert_allclose(measured, turn, rtol=1e-4, atol=1e-13)


def test_vectors_agree_with_astropy_over_the_awkward_sky() -> None:
    sky = SkyCoord(RA_DEG, DEC_DEG, unit="deg")
    assert_allclose(unit_vectors(RA_DEG, DEC_DEG), sky.cartesian.xyz.value.T, rtol=0, atol=1e-15)


def test_there_and_back_keeps_the_direction_and_ra_stays_below_360() -> None:
    vectors = unit_vectors(RA_DEG, DEC_DEG)
    ra_deg, dec_deg = ra_dec_deg(vectors)
    assert ((ra_deg >= 0.0) & (ra_deg < 360.0)).all()
    assert_allclose(unit_vectors(ra_deg, dec_deg), vectors, rtol=0, atol=1e-15)
    assert_allclose(dec_deg, DEC_DEG, rtol=0, atol=1e-13)


def test_a_hair_west_of_ra_0h_is_0_and_not_360() -> None:
    ra_deg, _ = ra_dec_deg(np.array([1.0, -1e-20, 0.0]))
    assert ra_deg == 0.0


def test_east_and_north_are_where_astropy_goes() -> None:
    away = np.abs(DEC_DEG) < 89.9  # astropy's offsets from a pole follow another rule
    here = SkyCoord(RA_DEG[away], DEC_DEG[away], unit="deg")
    step = np.degrees(1e-6) * u.deg
    for axis, position_angle in zip(
        east_and_north(here.ra.deg, here.dec.deg), (90.0, 0.0), strict=True
    ):
        there = here.directional_offset_by(position_angle * u.deg, step)
        moved = (there.cartesian.xyz.value - here.cartesian.xyz.value).T / 1e-6
        assert_allclose(axis, moved, rtol=0, atol=1e-6)


def test_north_at_a_pole_goes_on_along_the_meridian_of_the_ra_given() -> None:
    # Hand-computed: over the north pole on the meridian of RA 20 one goes down that of RA 200;
    # at the south pole north of RA 20 is up the meridian of RA 20.
    east, north = east_and_north([20.0, 20.0], [90.0, -90.0])
    assert_allclose(north, unit_vectors([200.0, 20.0], 0.0), rtol=0, atol=1e-15)
    assert_allclose(east, unit_vectors([110.0, 110.0], 0.0), rtol=0, atol=1e-15)


@given(ra_deg=st.floats(-720.0, 720.0), dec_deg=st.floats(-90.0, 90.0))
def test_axes_are_of_unit_length_and_square_to_each_other(ra_deg: float, dec_deg: float) -> None:
    east, north = east_and_north(ra_deg, dec_deg)
    frame = np.stack([unit_vectors(ra_deg, dec_deg), east, north])
    assert_allclose(frame @ frame.T, np.eye(3), rtol=0, atol=1e-14)
    assert_allclose(np.linalg.det(frame), 1.0, rtol=1e-14)


@pytest.mark.parametrize("shape", [(), (3,), (2, 3), (0,)])
def test_shapes_are_kept(shape: tuple[int, ...]) -> None:
    vectors = unit_vectors(np.zeros(shape), 10.0)
    assert vectors.shape == (*shape, 3)
    assert ra_dec_deg(vectors)[0].shape == shape
    assert east_and_north(np.zeros(shape), 10.0)[1].shape == (*shape, 3)
