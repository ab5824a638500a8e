"""All-sky plots: the projection against astropy's, and what the picture says."""

import io
from pathlib import Path

import numpy as np
import pytest
from astropy.wcs import WCS
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from PIL import Image

from platecover.coverage.map_plots import mollweide_ra_dec, mollweide_xy, plot_map
from platecover.coverage.regions import Region

ORDER = 3


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


@pytest.mark.parametrize("quantity", ["plates", "first", "scanned_share"])
def test_svg_says_what_it_shows(quantity: str) -> None:
    values = np.linspace(1.0, 1000.0, 768)
    out = io.BytesIO()
    plot_map(values, ORDER, quantity, "Plates of Hill & Co $x$", "edition 3", out, "svg")
    text = out.getvalue().decode()
    for expected in ("Hill &amp; Co $x$", "edition 3", "6h", "+30°", "nothing"):
        assert expected in text


def test_a_bright_cell_is_drawn_where_it_is(tmp_path: Path) -> None:
    # cells about RA 90, Dec 0 only: the picture is coloured left of the middle, nowhere else
    import healpy

    ra, _ = healpy.pix2ang(8, np.arange(768), nest=True, lonlat=True)
    _, dec = healpy.pix2ang(8, np.arange(768), nest=True, lonlat=True)
    values = np.where((np.abs(ra - 90.0) < 15.0) & (np.abs(dec) < 15.0), 5.0, 0.0)
    path = tmp_path / "map.png"
    plot_map(values, ORDER, "plates", "", "", path, "png")
    picture = np.asarray(Image.open(path).convert("HSV"))[..., 1] > 100  # strongly coloured
    sky = picture[: int(0.8 * len(picture))]  # without the legend's colours
    rows, columns = np.nonzero(sky)
    assert len(columns) > 1000
    assert 0.25 < columns.mean() / sky.shape[1] < 0.32


@pytest.mark.parametrize("values", [np.zeros(768), np.full(768, np.nan), np.ones(768)])
def test_plain_maps_can_be_drawn(values: np.ndarray) -> None:
    out = io.BytesIO()
    plot_map(values, ORDER, "first" if np.isnan(values).any() else "plates", "t", "s", out, "png")
    assert out.getvalue().startswith(b"\x89PNG")


def red_places(region: Region, **how: bool) -> tuple[np.ndarray, tuple[int, int]]:
    """Rows and columns of the picture that an outline colours, and the size of the picture."""
    out = io.BytesIO()
    plot_map(np.zeros(768), ORDER, "plates", "", "", out, "png", outline=region, **how)
    picture = np.asarray(Image.open(out).convert("RGB")).astype(int)
    red = (picture[..., 0] > 150) & (picture[..., 1] < 80) & (picture[..., 2] < 100)
    return np.argwhere(red), picture.shape[:2]


@pytest.mark.parametrize("narrow", [False, True])
def test_a_small_place_gets_a_ring(narrow: bool) -> None:
    east, _ = red_places(Region.circle(90.0, 0.0, 0.0), narrow=narrow)
    west, size = red_places(Region.circle(270.0, 0.0, 1.0), narrow=narrow)
    assert len(east) > 50 and len(west) > 50
    # RA 6h and 18h lie a quarter of the map's width to the left and right of its middle
    half_apart = (west[:, 1].mean() - east[:, 1].mean()) / size[1]
    assert half_apart == pytest.approx(0.5 / 1.08, abs=0.03)
    assert east[:, 0].mean() == pytest.approx(west[:, 0].mean(), abs=2.0)


def test_outlines_do_not_cross_the_map_at_its_edge() -> None:
    for region in (Region.circle(180.0, 40.0, 20.0), Region.range(170.0, 190.0, -20.0, 20.0)):
        red, size = red_places(region)
        assert len(red) > 100
        middle = np.abs(red[:, 1] - size[1] / 2) < 0.25 * size[1]
        assert not middle.any()


@pytest.mark.parametrize("region", [Region.all(), Region.moc("3/1"), Region.circle(0, 0, 180)])
def test_regions_without_an_outline(region: Region) -> None:
    red, _ = red_places(region)
    assert len(red) == 0


@pytest.mark.parametrize("name", ["Oct", "UMi", "Ser", "Hya"])
def test_constellations_can_be_outlined(name: str) -> None:
    red, _ = red_places(Region.constellation(name))
    assert len(red) > 200
