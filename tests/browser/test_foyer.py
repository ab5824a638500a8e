"""The page for a foyer in a real browser: it runs, wakes, leaks nothing, outlives its server."""

import re
import socket
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect
from tests.browser.opened import browser, needs_chromium, opened
from tests.running_server import RunningServer, serving
from tests.small_archive import GOOD, PLATES, Place

pytestmark = needs_chromium

HOSTILE = "<img src=x onerror=alert(1)><b>Ada</b>"
ROWS = (
    *PLATES,
    {**GOOD, "plate": "QN 9", "dec": "-5.00", "date": "1899-03-05", "observer": HOSTILE},  # Orion
    {**GOOD, "plate": "QN 10", "ra": "0", "dec": "0", "observer": "Ada Fenn"},  # where it wakes
)
SCREEN = {"width": 960, "height": 540}
FAST = 200  # times as fast as in a foyer
LOOKED_S = 20_000  # milliseconds to wait for what must come
FEW_BYTES = 1_500_000  # that the heap may swing between collections of garbage
FEW_NODES = 30


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Place:
    return Place(tmp_path_factory.mktemp("foyer")).build(ROWS)


@pytest.fixture(scope="module")
def server(place: Place) -> Iterator[RunningServer]:
    with serving(place.folder, "serve", "--archive", place.archive, "--port", 0) as running:
        yield running


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    with browser() as running:
        yield running


def foyer(tempo: float = 1, language: str = "en") -> str:
    return f"/?foyer=1&tempo={tempo}&language={language}"


def rounds(page: Page) -> int:
    return int(page.locator("body").get_attribute("data-rounds") or 0)


def wait_for_rounds(page: Page, count: int) -> None:
    at_least = re.compile("|".join(str(number) for number in range(count, 100)))
    expect(page.locator("body")).to_have_attribute("data-rounds", at_least, timeout=60_000)


def tap_sky(page: Page, right: float = 0.0, down: float = 0.0) -> None:
    """Tap the middle of the sky, or so many pixels from it."""
    box = page.locator("#foyer-sky").bounding_box()
    assert box is not None
    page.mouse.click(box["x"] + box["width"] / 2 + right, box["y"] + box["height"] / 2 + down)


def test_it_runs_by_itself_through_all_scenes(server: RunningServer, chromium: Browser) -> None:
    with opened(chromium, server.url, foyer(30), viewport=SCREEN) as seen:
        heads: list[str] = []
        years: list[int] = []
        end = time.monotonic() + 40
        while rounds(seen.page) < 1 and time.monotonic() < end:
            heads.append(seen.page.locator("h1").inner_text())
            figure = seen.page.locator("#foyer-figure").text_content() or ""
            if heads[-1] == "The sky, year by year" and figure:
                years.append(int(figure))
            seen.page.wait_for_timeout(30)
        assert list(dict.fromkeys(heads)) == [
            "What is a plate?", "The sky, year by year", "Orion",
            "How often was each place photographed?", "In how many years?",
        ]  # fmt: skip
        assert years == sorted(years) and years[0] < years[-1] == 1930
        seen.is_quiet()


def test_days_leave_no_trace(server: RunningServer, chromium: Browser) -> None:
    with opened(chromium, server.url, foyer(FAST), viewport=SCREEN) as seen:
        session = seen.page.context.new_cdp_session(seen.page)
        session.send("Performance.enable")

        def weighed() -> dict[str, float]:
            session.send("HeapProfiler.collectGarbage")
            told = session.send("Performance.getMetrics")["metrics"]
            return {each["name"]: each["value"] for each in told}

        wait_for_rounds(seen.page, 1)
        before = weighed()
        wait_for_rounds(seen.page, 4)
        after = weighed()
        assert after["Nodes"] - before["Nodes"] < FEW_NODES
        assert after["JSEventListeners"] - before["JSEventListeners"] < FEW_NODES
        assert after["JSHeapUsedSize"] - before["JSHeapUsedSize"] < FEW_BYTES
        assert after["Documents"] == before["Documents"]
        seen.is_quiet()


def test_a_touch_hands_the_sky_over_and_quiet_takes_it_back(
    server: RunningServer, chromium: Browser
) -> None:
    with opened(chromium, server.url, foyer(20), viewport=SCREEN) as seen:
        page = seen.page
        expect(page.locator("h1")).to_have_text("The sky, year by year", timeout=LOOKED_S)
        tap_sky(page)
        expect(page.locator("h1")).to_have_text("Your turn")
        # a minute of quiet, twenty times as fast
        expect(page.locator("h1")).to_have_text("What is a plate?", timeout=LOOKED_S)
        page.keyboard.press("ArrowLeft")
        expect(page.locator("h1")).to_have_text("Your turn")
        seen.is_quiet()


def test_a_tap_tells_of_a_place_in_plain_text(server: RunningServer, chromium: Browser) -> None:
    with opened(chromium, server.url, foyer(), viewport=SCREEN) as seen:
        page = seen.page
        expect(page.locator(".sky-canvas")).to_have_count(1)
        page.keyboard.press("Escape")
        expect(page.locator("h1")).to_have_text("Your turn")
        page.wait_for_timeout(600)  # the touch that wakes asks for no place
        tap_sky(page)
        expect(page.locator("h1")).to_have_text("A place in Pisces")  # RA 0, Dec 0: Roman 1987
        said = "First photographed: 4 March 1905, by Ada Fenn, with the Mill astrograph"
        assert page.locator("#foyer-text").inner_text().split("\n\n") == [
            "One plate shows this place.", said,
        ]  # fmt: skip
        tap_sky(page, right=100)
        expect(page.locator("#foyer-text")).to_have_text("No plate shows this place. Try another.")
        page.keyboard.press("Home")  # by keys, at the middle
        page.keyboard.press("Enter")
        expect(page.locator("#foyer-text")).to_contain_text("One plate shows this place.")
        seen.is_quiet()


NOTE_DOWN = """() => {
  const place = document.getElementById('foyer-text');
  window.told = [];
  const note = () => window.told.push([place.textContent, place.querySelectorAll('img, b').length]);
  const all = { childList: true, characterData: true, subtree: true };
  new MutationObserver(note).observe(place, all);
}"""


def test_hostile_words_of_a_log_are_words(server: RunningServer, chromium: Browser) -> None:
    with opened(chromium, server.url, foyer(30), viewport=SCREEN) as seen:
        # what is told changes soon: it is noted down in the page itself
        seen.page.evaluate(NOTE_DOWN)
        for _ in range(120):
            told = seen.page.evaluate("window.told")
            if any(HOSTILE in text for text, _ in told):
                break
            seen.page.wait_for_timeout(500)
        assert any(HOSTILE in text for text, _ in told)
        assert not any(elements for _, elements in told)
        seen.is_quiet()


def test_languages_change_by_touch(server: RunningServer, chromium: Browser) -> None:
    with opened(chromium, server.url, foyer(), viewport=SCREEN) as seen:
        page = seen.page
        expect(page.locator("h1")).to_have_text("What is a plate?")
        page.get_by_role("button", name="Deutsch").click()
        expect(page.locator("h1")).to_have_text("Was ist eine Platte?")
        expect(page.locator("html")).to_have_attribute("lang", "de")
        assert "language=de" in page.url
        assert page.locator(".sky-canvas").count() == 1
        expect(page.locator(".foyer-hint")).to_contain_text("Berühren")
        page.get_by_role("button", name="English").click()
        expect(page.locator("h1")).to_have_text("What is a plate?")
        seen.is_quiet()


def test_nothing_turns_where_motion_is_unwelcome(server: RunningServer, chromium: Browser) -> None:
    with opened(chromium, server.url, foyer(4), viewport=SCREEN, reduced_motion="reduce") as seen:
        page = seen.page
        expect(page.locator("h1")).to_have_text("The sky, year by year", timeout=60_000)
        pairs = []
        for _ in range(6):  # of the pictures of one year
            page.wait_for_timeout(100)
            year = page.locator("#foyer-figure").inner_text()
            picture = page.locator(".sky-canvas").screenshot()
            pairs.append((year, picture))
        years = [year for year, _ in pairs]
        assert len(set(pairs)) <= len(set(years)) + 1 < len(years)


def test_it_outlives_its_server_and_takes_up_a_new_edition(
    tmp_path: Path, chromium: Browser
) -> None:
    place = Place(tmp_path).build(ROWS)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    words = ("serve", "--archive", place.archive, "--port", port, "--workers", 1)
    plates = "{} plates stand in this archive."
    with serving(tmp_path, *words) as running:
        context = opened(chromium, running.url, foyer(10), viewport=SCREEN)
        seen = context.__enter__()
        text = seen.page.locator("#foyer-text")
        expect(text).to_contain_text(plates.format(7), timeout=LOOKED_S)
    try:
        expect(seen.page.locator("#foyer-calm")).to_be_visible(timeout=LOOKED_S)
        place.build((*ROWS, {**GOOD, "plate": "QN 11"}))
        with serving(tmp_path, *words):
            expect(seen.page.locator("#foyer-calm")).to_be_hidden(timeout=LOOKED_S)
            expect(text).to_contain_text(plates.format(8), timeout=60_000)
    finally:
        context.__exit__(None, None, None)


def test_without_javascript_it_says_what_a_plate_is(
    server: RunningServer, chromium: Browser
) -> None:
    path = "/?foyer=1&language=de"
    with opened(chromium, server.url, path, viewport=SCREEN, java_script_enabled=False) as seen:
        expect(seen.page.locator("h1")).to_have_text("Was ist eine Platte?")
        assert seen.page.get_by_role("link", name="In den Platten suchen").is_visible()
        seen.is_quiet()
