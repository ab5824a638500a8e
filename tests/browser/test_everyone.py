"""Everyone can use the pages: judged by axe-core, and walked through by keyboard alone.

axe-core (Deque Systems, MPL 2.0) checks what a program can check of WCAG 2.2; the rest here follows
success criteria by their numbers.
"""

from collections.abc import Iterator
from importlib import resources
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect
from tests.browser.opened import Opened, browser, needs_chromium, opened
from tests.running_server import RunningServer, serving
from tests.small_archive import GOOD, PLATES, Place

pytestmark = needs_chromium

HOSTILE = "<script>alert(1)</script><img src=x onerror=alert(2)>"
ROWS = (*PLATES, {**GOOD, "plate": "QN 9", "date": "1899-03-05", "observer": HOSTILE})
PLACE = "/?place=83.6+22&radius=1"
PAGES = (
    "/", PLACE, "/?place=nonsense+here", "/plates/QN-1", "/api/", "/?foyer=1",
    "/scanning?budget=2+plates", "/api/pull-list?budget=2+plates&format=html",
)  # fmt: skip
WIDTHS = (320, 360, 1280, 3840)  # CSS pixels; 320 is that of success criterion 1.4.10, Reflow
AXE = (resources.files("axe_playwright_python") / "axe.min.js").read_text("utf-8")
GRAVE = ("serious", "critical")
MOST_STOPS = 300  # of the Tab key on a page
OVER = "() => document.documentElement.scrollWidth - document.documentElement.clientWidth"
RUNNING = "() => document.getAnimations().filter(a => a.playState === 'running').length"


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningServer]:
    place = Place(tmp_path_factory.mktemp("everyone")).build(ROWS)
    with serving(place.folder, "serve", "--archive", place.archive, "--port", 0) as running:
        yield running


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    with browser() as running:
        yield running


def settled(seen: Opened) -> Page:
    """The page once it has asked all it wants to know."""
    seen.page.wait_for_load_state("networkidle")
    return seen.page


def grave_findings(page: Page) -> list[str]:
    """What axe-core holds to be serious or worse: rule, element, reason."""
    page.evaluate(AXE)  # past the page's policy, which forbids it scripts of others
    result: dict[str, Any] = page.evaluate("() => axe.run()")
    assert result["passes"], "axe-core found nothing to judge"
    return [
        f"{found['id']}: {' '.join(node['target'])}: {node['failureSummary']}"
        for found in result["violations"]
        if found["impact"] in GRAVE
        for node in found["nodes"]
    ]


@pytest.mark.parametrize("path", PAGES)
def test_a_page_suits_eyes_screens_and_readers(
    server: RunningServer, chromium: Browser, path: str
) -> None:
    with opened(chromium, server.url, path) as seen:
        page = settled(seen)
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)
            assert grave_findings(page) == [], f"{path}, {scheme}"
        for width in WIDTHS:
            page.set_viewport_size({"width": width, "height": 800})
            page.wait_for_timeout(50)
            assert page.evaluate(OVER) == 0, f"{path} is wider than {width} px"
        page.emulate_media(reduced_motion="reduce")
        page.reload()
        assert settled(seen).evaluate(RUNNING) == 0, f"{path} moves"
        if "nonsense" not in path:  # whose answer has status 400, which Chromium complains of
            seen.is_quiet()
        assert seen.strangers == []


def test_axe_would_find_something(chromium: Browser, server: RunningServer) -> None:
    with opened(chromium, server.url, "/") as seen:
        page = settled(seen)
        page.evaluate("() => document.querySelector('label[for=place]').remove()")
        page.evaluate("() => document.querySelector('#place').removeAttribute('aria-describedby')")
        assert any("label" in found for found in grave_findings(page))


WHERE = """() => {
  const at = document.activeElement;
  window.walked ??= new Set();
  if (!at || at === document.body || window.walked.has(at)) return null;
  window.walked.add(at);
  const style = getComputedStyle(at);
  const box = at.getBoundingClientRect();
  return {
    name: at.id || at.getAttribute('name') || at.className || at.textContent.trim().slice(0, 30),
    kind: at.tagName.toLowerCase(),
    marked: style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2,
    seen: box.width > 0 && box.height > 0,
  };
}"""


def walked(page: Page, key: str = "Tab") -> list[dict[str, Any]]:
    """Where the Tab key stops, until it leaves the page."""
    stops: list[dict[str, Any]] = []
    page.evaluate("() => { window.walked = new Set(); }")
    for _ in range(MOST_STOPS):
        page.keyboard.press(key)
        stop = page.evaluate(WHERE)
        if stop is None:
            return stops
        stops.append(stop)
    raise AssertionError("the Tab key never leaves the page")


@pytest.mark.parametrize("path", ["/", PLACE, "/plates/QN-1", "/?foyer=1"])
def test_the_keyboard_reaches_everything_and_is_never_caught(
    server: RunningServer, chromium: Browser, path: str
) -> None:
    # WCAG 2.2: 2.1.1 Keyboard, 2.1.2 No Keyboard Trap, 2.4.7 Focus Visible
    with opened(chromium, server.url, path) as seen:
        page = settled(seen)
        stops = walked(page)
        assert stops
        for stop in stops:
            assert stop["seen"] and stop["marked"], stop
        if path in ("/", PLACE):
            names = [stop["name"] for stop in stops]
            for wanted in ("place", "radius", "show"):
                assert wanted in names, names
            assert any(stop["kind"] == "canvas" for stop in stops)
        assert len(walked(page, "Shift+Tab")) >= len(stops) - 1  # the last may be where it stands


def test_the_form_is_asked_by_keys_alone(server: RunningServer, chromium: Browser) -> None:
    with opened(chromium, server.url, "/") as seen:
        page = settled(seen)
        for _ in range(MOST_STOPS):
            page.keyboard.press("Tab")
            if page.evaluate("() => document.activeElement.id") == "place":
                break
        page.keyboard.type("83.6 22")
        page.keyboard.press("Enter")
        expect(page.locator("#answer")).to_contain_text("QN-1")
        seen.is_quiet()


def test_all_of_it_works_without_javascript(server: RunningServer, chromium: Browser) -> None:
    with opened(chromium, server.url, "/", java_script_enabled=False) as seen:
        page = settled(seen)
        page.fill("#place", "83.6 22")
        page.fill("#radius", "1")
        page.click("form button")
        answer = page.locator("#answer")
        expect(answer).to_contain_text("QN-1")
        expect(answer).to_contain_text(HOSTILE)
        settled(seen)
        pictures = page.locator("main img")
        for at in range(pictures.count()):
            assert pictures.nth(at).get_attribute("alt")
            assert pictures.nth(at).evaluate("each => each.naturalWidth") > 0
        page.get_by_role("link", name="QN-1", exact=False).first.click()
        expect(page.locator("h1")).to_contain_text("QN-1")
        seen.is_quiet()


def test_hostile_words_are_only_words(server: RunningServer, chromium: Browser) -> None:
    for path in (PLACE, "/plates/QN-9"):
        with opened(chromium, server.url, path) as seen:
            page = settled(seen)
            expect(page.locator("body")).to_contain_text("<script>alert(1)</script>")
            assert page.locator("img[src=x]").count() == 0
            seen.is_quiet()
