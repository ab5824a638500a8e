"""Words in a browser: which language, plural forms, numbers, and what is missing."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, Route
from tests.browser.opened import browser, needs_chromium

pytestmark = needs_chromium

STATIC = Path(__file__).resolve().parent.parent.parent / "static"
SITE = "http://127.0.0.1:9"  # where nobody listens: every answer is made here
ENGLISH = {"a.one": "only {name}", "a.many": {"one": "one day", "other": "{count} days"}}
GERMAN = {"a.many": {"one": "ein Tag", "other": "{count} Tage"}}
SAY = """async ([language, key, values]) => {
  const { loadWords } = await import('/words.js');
  const words = await loadWords(language, ['piece']);
  return [words.language, words(key, values)];
}"""


def answered(route: Route) -> None:
    """An empty page, the module, and words of one piece."""
    name = route.request.url.rpartition("/")[2]
    if name == "words.js":
        body, kind = (STATIC / "words.js").read_text("utf-8"), "text/javascript"
    elif name.endswith(".json"):
        body = json.dumps(ENGLISH if name.startswith("en.") else GERMAN)
        kind = "application/json"
    else:
        body, kind = "<!doctype html><title>words</title>", "text/html"
    route.fulfill(body=body, content_type=kind)


@pytest.fixture(scope="module")
def page() -> Iterator[Page]:
    with browser() as running:
        made = running.new_page()
        made.route("**/*", answered)
        made.goto(SITE)
        yield made


@pytest.mark.parametrize(
    ("language", "key", "values", "said"),
    [
        ("en", "a.many", {"count": 1}, "one day"),
        ("en", "a.many", {"count": 0}, "0 days"),
        ("en", "a.many", {"count": 12345}, "12,345 days"),
        ("de", "a.many", {"count": 1}, "ein Tag"),
        ("de", "a.many", {"count": 12345}, "12.345 Tage"),
        ("de", "a.one", {"name": "1905"}, "only 1905"),  # not in German: English
        ("de", "a.one", {}, "only {name}"),
        ("de", "a.none", {}, "a.none"),
        ("xx", "a.many", {"count": 2}, "2 days"),
        ("en", "toString", {}, "toString"),
        ("en", "a.one", {"name": "<b>{count}</b>"}, "only <b>{count}</b>"),
    ],
)
def test_words(page: Page, language: str, key: str, values: dict[str, Any], said: str) -> None:
    assert page.evaluate(SAY, [language, key, values])[1] == said


@pytest.mark.parametrize(
    ("search", "preferred", "language"),
    [
        ("?language=de", ["en"], "de"),
        ("?language=DE-at", ["en"], "de"),
        ("?language=xx", ["fr", "de-CH"], "de"),
        ("?language=", ["fr-FR"], "en"),
        ("", ["de", "en"], "de"),
        ("", [], "en"),
    ],
)
def test_the_address_decides_then_the_browser(
    page: Page, search: str, preferred: list[str], language: str
) -> None:
    choose = """async ([search, preferred]) =>
      (await import('/words.js')).chooseLanguage(search, preferred)"""
    assert page.evaluate(choose, [search, preferred]) == language
