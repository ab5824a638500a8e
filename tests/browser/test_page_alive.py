"""The page with its scripts, in a real browser, against a running server."""

import os
import re
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page
from tests.browser.chromium import browser, needs_chromium, opened
from tests.running_server import RunningServer, serving
from tests.small_archive import GOOD, PLATES, Place

from platecover.coverage.archive import Archive

pytestmark = needs_chromium

HOSTILE = "<img src=x onerror=document.title='gone'>"
PLACE = "?place=83.6+22&radius=1"
WIDE = {"width": 1280, "height": 1000}


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Place:
    hostile = {
        **GOOD,
        "plate": "QN 77",
        "observer": HOSTILE,
        "object": HOSTILE,
        "date": "1912-02-03",
    }
    return Place(tmp_path_factory.mktemp("alive")).build([*PLATES, hostile])


@pytest.fixture(scope="module")
def server(place: Place) -> Iterator[RunningServer]:
    with serving(place.folder, "serve", "--archive", place.archive, "--port", 0) as running:
        yield running


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    with browser() as running:
        yield running


def listed(page: Page) -> list[str]:
    """Exposures in the list, in its order."""
    return page.locator("#list tbody th").all_inner_texts()


def natural(name: str) -> list[object]:
    """Key of a natural order: QN-3b before QN-77."""
    return [int(part) if part.isdigit() else part for part in re.split(r"(\d+)", name)]


def loaded(page: Page) -> None:
    """Wait until sky and list have been drawn."""
    page.wait_for_selector("#sky:not([aria-busy])")
    page.wait_for_selector("#list:not([aria-busy])", state="attached")


def middle_of_sky(page: Page) -> tuple[float, float]:
    box = page.locator("#sky canvas").bounding_box()
    assert box is not None
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def test_list_is_what_python_finds(chromium: Browser, server: RunningServer, place: Place) -> None:
    rows = Archive.open(place.archive).cone(83.6, 22.0, 1.0)
    with opened(chromium, f"{server.url}{PLACE}", viewport=WIDE) as (page, heard):
        page.wait_for_selector("#list tbody tr")
        assert listed(page) == list(rows["exposure_id"])
        assert f"{len(rows)} exposures show 83.6 +22 within 1°" in page.inner_text("#sum")
        # hostile text is text
        assert HOSTILE in page.inner_text("#list")
        assert page.title() != "gone" and page.locator("#list img").count() == 0
    assert heard.complaints == []
    assert all(address.startswith(server.url) for address in heard.requests)


def test_sorted_and_narrowed(chromium: Browser, server: RunningServer) -> None:
    with opened(chromium, f"{server.url}{PLACE}", viewport=WIDE) as (page, _):
        page.wait_for_selector("#list tbody tr")
        by_time = listed(page)
        page.click("#list [data-key=exposure_id]")
        assert listed(page) == sorted(by_time, key=natural)
        assert (
            page.get_attribute("#list th:has([data-key=exposure_id])", "aria-sort") == "ascending"
        )
        page.click("#list [data-key=exposure_id]")
        assert (
            page.get_attribute("#list th:has([data-key=exposure_id])", "aria-sort") == "descending"
        )
        page.fill("#list-narrow", "onerror")
        assert listed(page) == ["QN-77-1"]


def test_filters_without_a_new_page(chromium: Browser, server: RunningServer) -> None:
    with opened(chromium, f"{server.url}{PLACE}", viewport=WIDE) as (page, _):
        page.wait_for_selector("#list tbody tr")
        page.evaluate("window.kept = true")
        page.click("summary:has-text('Narrow it down')")
        page.select_option("#series", "WM")
        page.wait_for_selector("#list tbody th:has-text('WM')")
        assert all(name.startswith("WM") for name in listed(page))
        assert "series=WM" in page.url and page.evaluate("window.kept")
        page.go_back()
        page.wait_for_selector("#list tbody th:has-text('QN')")
        assert page.input_value("#series") == ""


def test_a_click_on_the_sky_is_a_place(chromium: Browser, server: RunningServer) -> None:
    address = f"{server.url}?ra=83.6&dec=22&zoom=8"
    with opened(chromium, address, viewport=WIDE) as (page, _):
        page.wait_for_selector("#sky:not([aria-busy])")
        page.mouse.click(*middle_of_sky(page))
        page.wait_for_selector("#list tbody tr")
        ra, dec = (float(part) for part in page.input_value("#place").split())
        assert ra == pytest.approx(83.6, abs=0.3) and dec == pytest.approx(22.0, abs=0.3)
        # by keys: the middle of what is seen
        page.fill("#place", "")
        page.press("#place", "Enter")
        page.focus("#sky canvas")
        page.keyboard.press("Enter")
        page.wait_for_selector("#list tbody tr")
        assert page.input_value("#place") != ""


def test_a_polygon_by_hand_and_by_keys(chromium: Browser, server: RunningServer) -> None:
    with opened(chromium, f"{server.url}?ra=83.6&dec=22&zoom=4", viewport=WIDE) as (page, _):
        page.wait_for_selector("#sky:not([aria-busy])")
        page.click("#draw")
        x, y = middle_of_sky(page)
        for dx, dy in ((-80, -60), (80, -60), (80, 70), (-80, 70)):
            page.mouse.click(x + dx, y + dy)
        assert "4" in page.inner_text("#sky-said")
        page.mouse.click(x - 80, y - 60)  # back to the first corner
        page.wait_for_selector("#list tbody tr")
        assert page.input_value("#place").startswith("polygon ")
        assert len(page.input_value("#place").split()) == 1 + 2 * 4
        page.click("#draw")
        page.focus("#sky canvas")
        for key in (" ", "ArrowRight", " ", "ArrowDown", " ", "Enter"):
            page.keyboard.press(key)
        page.wait_for_selector("#draw[aria-pressed=false]")
        assert len(page.input_value("#place").split()) == 1 + 2 * 3


def test_a_span_of_years_filters_map_and_list(
    chromium: Browser, server: RunningServer, place: Place
) -> None:
    with opened(chromium, f"{server.url}{PLACE}", viewport=WIDE) as (page, heard):
        page.wait_for_selector("#list tbody tr")
        page.focus("#time .is-to")
        page.keyboard.press("Home")
        first = int(page.get_attribute("#time .is-to", "aria-valuenow") or "0")
        page.wait_for_selector("#list:not([aria-busy])")
        page.wait_for_timeout(400)
        rows = Archive.open(place.archive).cone(83.6, 22.0, 1.0, since=first, until=first)
        assert listed(page) == list(rows["exposure_id"])
        assert any("/page/cells" in each and f"to={first}" in each for each in heard.requests)
        # dragged over all of it: every year again
        box = page.locator("#time .years-frame").bounding_box()
        assert box is not None
        page.mouse.move(box["x"] + box["width"] * 0.5, box["y"] + 40)
        page.mouse.down()
        page.mouse.move(box["x"] + box["width"] * 0.99, box["y"] + 40, steps=4)
        page.mouse.up()
        page.wait_for_timeout(400)
        asked = dict(re.findall(r"(from|to)=(\d+)", page.url))
        since, until = int(asked["from"]), int(asked["to"])
        assert since > first and until == 1922  # WM 4: 40 minutes from 23:50 of 31 December 1921
        rows = Archive.open(place.archive).cone(83.6, 22.0, 1.0, since=since, until=until)
        assert listed(page) == list(rows["exposure_id"])


NOTE_DOWN = """() => {
  const place = document.getElementById('sky-said');
  window.told = [];
  const note = () => window.told.push(place.textContent);
  const all = { childList: true, characterData: true, subtree: true };
  new MutationObserver(note).observe(place, all);
}"""


def test_the_years_pass(chromium: Browser, server: RunningServer) -> None:
    with opened(chromium, server.url, viewport=WIDE) as (page, heard):
        page.wait_for_selector("#sky:not([aria-busy])")
        page.wait_for_selector("#time rect")
        page.evaluate(NOTE_DOWN)  # a year is told for a sixth of a second only
        page.click("#play")
        page.wait_for_selector("#play[aria-pressed=false]")  # at the end all is shown again
        told = page.evaluate("window.told")
        years = [int(text.split()[-1]) for text in told if text.startswith("until ")]
        assert years == list(range(1905, 1931))
        assert any("to=1907" in each for each in heard.requests)
        # and a second touch stops it on the way
        page.click("#play")
        page.wait_for_selector("#play[aria-pressed=true]")
        page.click("#play")
        page.wait_for_selector("#play[aria-pressed=false]")
    with opened(chromium, server.url, viewport=WIDE, reduced_motion="reduce") as (page, _):
        page.wait_for_selector("#time rect")
        page.wait_for_selector("#sky:not([aria-busy])")
        page.click("#play")
        page.wait_for_selector("#sky-said:has-text('until 1905')")
        page.wait_for_timeout(600)
        assert "1905" in page.inner_text("#sky-said")  # nothing moves by itself
        page.click("#play")
        page.wait_for_selector("#sky-said:has-text('until 1906')")


def test_one_plate(chromium: Browser, server: RunningServer) -> None:
    with opened(chromium, f"{server.url}{PLACE}", viewport=WIDE) as (page, heard):
        page.wait_for_selector("#list tbody tr")
        page.click("#list tbody tr:has-text('QN-77-1')")
        page.wait_for_selector("#plate h3:has-text('As logged')")
        assert HOSTILE in page.inner_text("#plate") and page.locator("#plate img").count() == 0
        assert "plate=QN-77" in page.url
        page.go_back()
        page.wait_for_selector("#plate", state="hidden")
        assert heard.complaints == []


def test_the_request_to_copy_gives_the_same_rows(chromium: Browser, server: RunningServer) -> None:
    with opened(chromium, f"{server.url}{PLACE}", viewport=WIDE) as (page, _):
        page.wait_for_selector("#list tbody tr")
        page.click("summary:has-text('The request behind')")
        url, curl, python = page.locator("#requests code").all_inner_texts()
        shown = listed(page)
        answer = page.request.get(url).json()
        assert [row["exposure_id"] for row in answer["exposures"]] == shown
        assert curl == f"curl -fsS '{url}'"
        room: dict[str, object] = {}
        exec(python, room)
        assert [row["exposure_id"] for row in room["rows"]] == shown  # type: ignore[attr-defined]
        links = page.locator("#downloads a")
        assert links.count() == 3
        for at in range(3):
            href = links.nth(at).get_attribute("href")
            assert page.request.get(f"{server.url.rstrip('/')}{href}").status == 200


def test_a_view_in_the_address(chromium: Browser, server: RunningServer) -> None:
    address = f"{server.url}{PLACE}&sky=globe&ra=80&dec=20&zoom=2&show=years&from=1900&plate=QN-77"
    with opened(chromium, address, viewport=WIDE) as (page, _):
        page.wait_for_selector("#plate h3")
        loaded(page)
        assert page.get_attribute("#sky", "data-projection") == "globe"
        assert page.get_attribute("#globe", "aria-pressed") == "true"
        assert page.input_value("#show") == "years"
        assert "different years" in page.inner_text("#sky-legend")
        assert page.locator("#list tr.is-chosen").count() == 1


@pytest.mark.parametrize("text", ["nonsense", "95 95", "polygon 1 2", "constellation Xyz", HOSTILE])
def test_nonsense_is_answered_in_words(chromium: Browser, server: RunningServer, text: str) -> None:
    with opened(chromium, server.url, viewport=WIDE) as (page, heard):
        page.wait_for_selector("#sky:not([aria-busy])")
        page.fill("#place", text)
        page.press("#place", "Enter")
        page.wait_for_selector("#fault:visible")
        assert len(page.inner_text("#fault")) > 20
        page.fill("#place", "83.6 22")
        page.press("#place", "Enter")
        page.wait_for_selector("#list tbody tr")
        assert not page.is_visible("#fault") and page.title() != "gone"


def test_posters_of_what_is_shown(chromium: Browser, server: RunningServer) -> None:
    with opened(chromium, f"{server.url}{PLACE}&show=years&from=1900", viewport=WIDE) as (page, _):
        page.wait_for_selector("#list tbody tr")
        for name, asked in (("map", "show=years"), ("years", "show=epochs")):
            href = page.get_attribute(f"#poster-{name}", "href") or ""
            assert asked in href and "from=1900" in href
            answer = page.request.get(f"{server.url.rstrip('/')}{href}")
            assert answer.status == 200 and answer.body().startswith(b"%PDF")


@pytest.mark.parametrize("radius", ["999", "-1", "nan", "1e400", "wide"])
def test_radii_that_cannot_be(chromium: Browser, server: RunningServer, radius: str) -> None:
    with opened(chromium, f"{server.url}{PLACE}", viewport=WIDE) as (page, _):
        page.wait_for_selector("#list tbody tr")
        page.fill("#radius", radius)
        page.press("#radius", "Enter")
        page.wait_for_selector("#fault:visible")
        assert "radius" in page.inner_text("#fault")


def test_a_slow_server_is_waited_for(chromium: Browser, server: RunningServer) -> None:
    with opened(chromium, f"{server.url}{PLACE}", viewport=WIDE) as (page, _):
        page.wait_for_selector("#list tbody tr")
        before = listed(page)
        workers = server.workers()
        for worker in workers:
            os.kill(worker, signal.SIGSTOP)
        try:
            page.fill("#radius", "0")
            page.press("#radius", "Enter")
            page.wait_for_timeout(1_500)
            assert listed(page) == before and page.input_value("#radius") == "0"
        finally:
            for worker in workers:
                os.kill(worker, signal.SIGCONT)
        page.wait_for_selector("#sum:has-text('show 83.6 +22.')")
        assert not page.is_visible("#trouble")


def test_the_page_recovers(chromium: Browser, place: Place, tmp_path: Path) -> None:
    # the server goes away under the page, a new edition is built, the server comes back
    other = Place(tmp_path).build(PLATES)
    with serving(tmp_path, "serve", "--archive", other.archive, "--port", 0) as running:
        port = running.url.rstrip("/").rsplit(":", 1)[1]
        with opened(chromium, f"{running.url}{PLACE}", viewport=WIDE) as (page, _):
            page.wait_for_selector("#list tbody tr")
            before = listed(page)
            running.stop()
            page.fill("#radius", "2")
            page.press("#radius", "Enter")
            page.wait_for_selector("#trouble:has-text('does not answer')")
            assert listed(page) == before
            other.build([*PLATES, {**GOOD, "plate": "QN 500", "date": "1913-01-02"}])
            with serving(tmp_path, "serve", "--archive", other.archive, "--port", port):
                page.wait_for_selector("#list tbody th:has-text('QN-500-1')")
                page.wait_for_selector("#trouble:has-text('new edition')")
                assert page.is_visible("#sky canvas")
