"""The sky's own arithmetic, in the browser that runs it, against healpy and astropy."""

import json
from collections.abc import Iterator
from typing import Any

import healpy
import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import BarycentricMeanEcliptic, Galactic, SkyCoord
from astropy.wcs import WCS
from matplotlib import colormaps
from numpy.typing import NDArray
from playwright.sync_api import Browser, Page
from tests.browser.chromium import browser, needs_chromium, opened
from tests.running_server import RunningServer, serving
from tests.small_archive import PLATES, Place

pytestmark = needs_chromium

SEED = 20
ARCSEC = 1.0 / 3600.0
WIDE = {"width": 1100, "height": 900}


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningServer]:
    folder = tmp_path_factory.mktemp("sky")
    place = Place(folder).build(PLATES)
    with serving(folder, "serve", "--archive", place.archive, "--port", 0) as running:
        yield running


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    with browser() as running:
        yield running


@pytest.fixture(scope="module")
def page(chromium: Browser, server: RunningServer) -> Iterator[Page]:
    with opened(chromium, server.url, viewport=WIDE) as (page, _):
        yield page


def asked(page: Page, module: str, body: str, *given: Any) -> Any:
    """What a function body makes of a module of ours and of values."""
    script = f"async (given) => {{ const m = await import('/static/{module}'); {body} }}"
    return page.evaluate(script, list(given))


def directions(count: int) -> NDArray[np.float64]:
    """Unit vectors all over the sky, poles, RA 0h and borders of base cells among them."""
    vectors = np.random.default_rng(SEED).normal(size=(count, 3))
    vectors /= np.linalg.norm(vectors, axis=1)[:, None]
    awkward = [(0, 0, 1), (0, 0, -1), (1, 0, 0), (-1, 0, 0), (0, 1, 0), (0, -1, 0)]
    near = [(1e-9, 1e-9, 1), (1, -1e-12, 0.3), (1, 1e-12, -0.3), (1, 1, 2 / 3), (1, -1, -2 / 3)]
    more = np.array([*awkward, *near], dtype=float)
    return np.concatenate([vectors, more / np.linalg.norm(more, axis=1)[:, None]])


@pytest.mark.parametrize("order", [0, 1, 3, 6, 7, 10])
def test_cells_are_healpy_s(page: Page, order: int) -> None:
    vectors = directions(4000)
    found = asked(
        page, "sky/healpix.js",
        "return given[1].map(([x, y, z]) => m.cellOf(given[0], x, y, z));", order, vectors.tolist(),
    )  # fmt: skip
    expected = healpy.vec2pix(1 << order, *vectors.T, nest=True)
    differ = np.flatnonzero(np.array(found) != expected)
    # on the border of two cells either may be named
    for at in differ:
        around = healpy.get_all_neighbours(1 << order, int(expected[at]), nest=True)
        centre = healpy.pix2vec(1 << order, int(found[at]), nest=True)
        own = healpy.pix2vec(1 << order, int(expected[at]), nest=True)
        apart = abs(np.dot(centre, vectors[at]) - np.dot(own, vectors[at]))
        assert found[at] in around and apart < 1e-6
    assert len(differ) < 12


@pytest.mark.parametrize(("kind", "code"), [("whole", "MOL"), ("globe", "SIN")])
def test_projections_are_those_of_the_wcs_papers(page: Page, kind: str, code: str) -> None:
    ra0, dec0 = (130.0, 0.0) if kind == "whole" else (130.0, 35.0)
    size = (1000, 500) if kind == "whole" else (800, 800)
    vectors = directions(500)[:500]
    aim = {"projection": kind, "ra": ra0, "dec": dec0, "zoom": 1}
    body = (
        "const view = m.viewOf(given[0], given[1][0], given[1][1]);"
        "return given[2].map((v) => { const at = view.toScreen(v);"
        " return at && [...at, ...(view.toSky(...at) ?? [NaN, NaN, NaN])]; });"
    )
    found = asked(page, "sky/projection.js", body, aim, size, vectors.tolist())
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = [f"RA---{code}", f"DEC--{code}"]
    wcs.wcs.crval, wcs.wcs.crpix = [ra0, dec0], [0, 0]
    wcs.wcs.cdelt = [-1.0, 1.0]
    ra = np.degrees(np.arctan2(vectors[:, 1], vectors[:, 0]))
    dec = np.degrees(np.arcsin(vectors[:, 2]))
    x, y = wcs.all_world2pix(ra, dec, 0)
    x, y = x + 1, y + 1  # pixel 0 of the reference
    scale = None
    for at, screen in enumerate(found):
        hidden = kind == "globe" and np.cos(np.radians(_apart(ra[at], dec[at], ra0, dec0))) < 0
        assert (screen is None) == hidden
        if hidden:
            continue
        right, up = screen[0] - size[0] / 2, size[1] / 2 - screen[1]
        if scale is None:
            scale = np.hypot(right, up) / np.hypot(x[at], y[at])
        # wcs pixels here are degrees with x to the right as cdelt turns it: east to the left
        assert right == pytest.approx(scale * x[at], abs=1e-3)
        assert up == pytest.approx(scale * y[at], abs=1e-3)
        np.testing.assert_allclose(screen[2:], vectors[at], atol=2e-6)


def _apart(ra: float, dec: float, ra0: float, dec0: float) -> float:
    there = SkyCoord(ra * u.deg, dec * u.deg)
    return float(there.separation(SkyCoord(ra0 * u.deg, dec0 * u.deg)).deg)


@pytest.mark.parametrize("line", ["eclipticLine", "galacticLine"])
def test_great_circles_are_astropy_s(page: Page, line: str) -> None:
    points = np.array(asked(page, "sky/lines.js", f"return m.{line}();"))
    sky = (
        SkyCoord(points, representation_type="cartesian", unit="")
        if points.ndim == 1
        else (SkyCoord(*points.T, representation_type="cartesian", frame="icrs"))
    )
    if line == "galacticLine":
        latitude = sky.transform_to(Galactic()).b.deg
    else:
        latitude = sky.transform_to(BarycentricMeanEcliptic(equinox="J2000")).lat.deg
    assert len(points) > 100
    assert np.abs(latitude).max() < 0.2 * ARCSEC * 10  # two arcsec: the pole is of five decimals


def test_colours_are_viridis(page: Page) -> None:
    found = asked(
        page, "sky/palette.js", "return Array.from({length: m.SHADES}, (_, at) => m.rgbOf(at));"
    )
    expected = colormaps["viridis"].resampled(len(found))(np.arange(len(found)))[:, :3] * 255
    assert np.abs(np.array(found) - expected).max() <= 0.51


def test_marks_of_legends(page: Page) -> None:
    body = (
        "const {quantity, values, steps} = given[0];"
        "const s = m.makeScale(quantity, Float32Array.from(values.map((v) => v ?? NaN)), steps);"
        "return {...s, share: s.marks.map(s.share)};"
    )
    even = asked(page, "sky/scale.js", body, {"quantity": "plates", "values": [1, 2, None, 40]})
    assert (even["low"], even["high"], even["log"]) == (1, 40, False)
    assert even["marks"] == [10, 20, 30, 40] and even["share"][-1] == pytest.approx(1.0)
    wide = asked(page, "sky/scale.js", body, {"quantity": "plates", "values": [1, 2, 3, 1000]})
    assert wide["log"] and wide["marks"][0] == 1 and wide["share"][0] == pytest.approx(0.0)
    years = asked(
        page, "sky/scale.js", body, {"quantity": "first", "values": [1891.5, 1931], "steps": "log"}
    )
    assert not years["log"] and years["marks"] == [1900, 1910, 1920, 1930]
    nothing = asked(page, "sky/scale.js", body, {"quantity": "gap", "values": [None, None]})
    assert nothing["empty"] and nothing["marks"] == []
    one = asked(page, "sky/scale.js", body, {"quantity": "plates", "values": [3, 3]})
    assert one["high"] > one["low"] == 3


def test_places_in_words(page: Page) -> None:
    body = "return given.map((place) => m.placeText(place));"
    places = [
        {"ra": 83.35, "dec": -5.39},
        {"ra": 359.999, "dec": 89.9999},
        {"ra": 0, "dec": -0.001},
    ]
    found = asked(page, "sky/directions.js", body, *places)
    # 83.35 deg is 5 h 33.4 min by definition of the hour; 0.39 deg is 23.4 arcmin
    assert found == ["05h33.4m \u221205\u00b023\u2032", "00h00.0m +90\u00b000\u2032",
                     "00h00.0m +00\u00b000\u2032"]  # fmt: skip


def test_a_globe_turns_by_hand_and_key(chromium: Browser, server: RunningServer) -> None:
    with opened(chromium, f"{server.url}?sky=globe&ra=83.6&dec=22", viewport=WIDE) as (page, heard):
        page.wait_for_selector("#sky:not([aria-busy])")
        box = page.locator("#sky canvas").bounding_box()
        assert box is not None
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        page.mouse.move(x, y)
        page.mouse.down()
        page.mouse.move(x + 150, y, steps=5)
        page.mouse.up()
        page.wait_for_timeout(500)
        assert _view(page)["ra"] > 90.0  # what stood to the left, at larger RA, is in the middle
        page.focus("#sky canvas")
        page.keyboard.press("+")
        page.keyboard.press("ArrowUp")
        page.wait_for_timeout(500)
        assert _view(page)["zoom"] > 1.2 and _view(page)["dec"] > 22.0
        page.keyboard.press("Home")
        page.mouse.wheel(0, -300)
        page.wait_for_timeout(500)
        assert _view(page)["zoom"] > 1.2
        # the middle is said aloud to those who move it by keys
        page.keyboard.press("ArrowLeft")
        page.wait_for_selector(".sky-spoken:has-text('h')", state="attached")
    assert heard.complaints == []


def _view(page: Page) -> dict[str, float]:
    query = page.evaluate("Object.fromEntries(new URLSearchParams(location.search))")
    return {name: float(query.get(name) or 1) for name in ("ra", "dec", "zoom")}


def test_hover_tells_value_and_place(chromium: Browser, server: RunningServer) -> None:
    with opened(chromium, f"{server.url}?ra=83.6&dec=22&zoom=6", viewport=WIDE) as (page, _):
        page.wait_for_selector("#sky:not([aria-busy])")
        box = page.locator("#sky canvas").bounding_box()
        assert box is not None
        page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
        page.wait_for_selector("#sky-said:has-text('05h3')")
        cells = np.frombuffer(
            page.request.get(f"{server.url}page/cells?show=plates&order=7").body(), "<f4"
        )
        at = healpy.ang2pix(128, 83.6, 22.0, lonlat=True, nest=True)
        assert page.inner_text("#sky-said").endswith(f": {int(cells[at])}")


def test_lines_of_constellations(server: RunningServer) -> None:
    found = json.loads(server.ask("/page/lines").body)
    assert len(found["constellations"]) == 88
    assert all(
        0 <= flat[0] < 88 and 0 <= flat[1] < 88 and len(flat) >= 6 for flat in found["boundaries"]
    )
    # each name stands in its own constellation, which astropy tells
    ra, dec = np.array([each[2:] for each in found["constellations"]]).T
    places = SkyCoord(ra * u.deg, dec * u.deg)
    assert list(places.get_constellation(short_name=True)) == [
        e[0] for e in found["constellations"]
    ]
    stars = {name: (ra, dec, magnitude) for name, ra, dec, magnitude in found["stars"]}
    # Hipparcos (ESA 1997), from memory: Vega 279.23 +38.78, V 0.03
    assert stars["Vega"] == pytest.approx((279.23, 38.78, 0.03), abs=0.02)
