"""Mollweide's projection against astropy's."""

import numpy as np
import pytest
from astropy.wcs import WCS
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from platecover.coverage.mollweide import mollweide_ra_dec, mollweide_xy


def astropy_mollweide() -> WCS:
    """FITS projection MOL (Calabretta & Greisen 2002, section 5.3.3), RA growing to the left."""
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---MOL", "DEC--MOL"]
    wcs.wcs.crval = [0.0, 0.0]
    wcs.wcs.cdelt = np.degrees([-1.0, 1.0])  # so that a pixel is a radian
    return wcs


def test_agrees_with_astropy_projection() -> None:
    rng = np.random.default_rng(1)
    ra = rng.uniform(0.0, 360.0, 2000)
    dec = np.degrees(np.arcsin(rng.uniform(-1.0, 1.0, 2000)))
    x, y = astropy_mollweide().wcs_world2pix(ra, dec, 1)
    ours = mollweide_xy(ra, dec)
    # our x grows to the right, as astropy's pixels do with a negative CDELT1
    assert_allclose(ours[0], x, atol=1e-11)
    assert_allclose(ours[1], y, atol=1e-11)


@pytest.mark.parametrize(("ra", "dec", "x", "y"), [
    (0.0, 0.0, 0.0, 0.0),
    (0.0, 90.0, 0.0, 2.0**0.5),
    (77.0, -90.0, 0.0, -(2.0**0.5)),
    (90.0, 0.0, -(2.0**0.5), 0.0),  # a quarter turn: half way to the left edge
    (180.0, 0.0, -(8.0**0.5), 0.0),
])  # fmt: skip
def test_corners_of_the_sky(ra: float, dec: float, x: float, y: float) -> None:
    # the ellipse has axes 4 sqrt 2 and 2 sqrt 2, hence the area 4 pi of the sphere
    assert_allclose(mollweide_xy(ra, dec), (x, y), atol=1e-7)


@given(st.floats(0.0, 359.999), st.floats(-89.9, 89.9))
def test_there_and_back(ra: float, dec: float) -> None:
    back_ra, back_dec = mollweide_ra_dec(*mollweide_xy(ra, dec))
    if np.isfinite(back_ra):  # on the very edge rounding may leave the ellipse
        assert abs((float(back_ra) - ra + 180.0) % 360.0 - 180.0) * np.cos(np.radians(dec)) < 1e-6
        assert abs(float(back_dec) - dec) < 1e-6
    else:
        assert abs(ra - 180.0) < 1e-6


def test_outside_the_ellipse_is_no_sky() -> None:
    ra, dec = mollweide_ra_dec([2.8, 0.0, -3.0], [1.0, 1.5, 0.0])
    assert np.isnan(ra).all() and np.isnan(dec).all()
