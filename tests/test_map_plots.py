"""All-sky plots: what the picture says."""

import io
from pathlib import Path

import matplotlib
import numpy as np
import pytest
from PIL import Image

from platecover.coverage.map_plots import plot_map
from platecover.coverage.regions import Region

ORDER = 3


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


@pytest.mark.parametrize("narrow", [False, True])
def test_nothing_touches_the_edge_and_long_titles_are_cut(narrow: bool) -> None:
    title = "Plates of polygon " + " ".join(f"{at}.123 -{at}.5" for at in range(60))
    heights = []
    for text in ("Plates", title, r"observer $\frac{1}$ <b>&amp; 🔭 \x"):
        out = io.BytesIO()
        plot_map(np.arange(768.0), ORDER, "plates", text, "edition 3", out, "png", narrow=narrow)
        picture = np.asarray(Image.open(out).convert("RGB"))
        heights.append(len(picture))
        for side in (picture[0], picture[-1], picture[:, 0], picture[:, -1]):
            assert (side == 255).all()
    assert heights[0] + 50 < heights[1] < heights[0] + 70  # two more lines of 0.2 inch, 150 to it
    out = io.BytesIO()
    plot_map(np.arange(768.0), ORDER, "plates", title, "edition 3", out, "svg", narrow=narrow)
    text = out.getvalue().decode()
    assert " ...</text>" in text and "0.123" in text and "30.123" not in text


def test_png_is_small_and_its_sky_has_the_legend_s_colours() -> None:
    values = np.random.default_rng(3).uniform(1.0, 100.0, 12 << 14)  # as bad as can be
    out = io.BytesIO()
    plot_map(values, 7, "first", "t", "s", out, "png")
    assert len(out.getvalue()) < 500_000
    picture = Image.open(out)
    assert picture.mode == "P"
    shades = matplotlib.colormaps["viridis"](np.linspace(0.0, 1.0, 64), bytes=True)[:, :3]
    sky = np.asarray(picture.convert("RGB"))[200:600, 300:1000].reshape(-1, 3)
    known = {tuple(shade) for shade in shades.tolist()}
    assert np.mean([tuple(colour) in known for colour in sky[::97].tolist()]) > 0.95


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
    assert half_apart == pytest.approx(0.5 / 1.1, abs=0.03)
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
