"""Debian's Chromium, driven by playwright: no other host can be reached, and all is overheard."""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

CHROMIUM = shutil.which("chromium")
needs_chromium = pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed")
FLAGS = (
    "--no-sandbox", "--disable-gpu", "--disable-background-networking",
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
)  # fmt: skip
PATIENCE_MS = 20_000


@dataclass
class Overheard:
    """What a page said on its console, and what it asked for."""

    complaints: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)


@contextmanager
def browser() -> Iterator[Browser]:
    """A browser of its own; closed at the end."""
    with sync_playwright() as driver:
        running = driver.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        try:
            yield running
        finally:
            running.close()


@contextmanager
def opened(
    running: Browser, address: str, *, expect: str = "html[data-ready]", **context: Any
) -> Iterator[tuple[Page, Overheard]]:
    """A page at an address, ready for the visitor.

    Parameters
    ----------
    running : Browser
    address : str
    expect : str
        Selector of what is there when the page is ready.
    **context
        Of `Browser.new_context`: viewport, color_scheme, reduced_motion, ...
    """
    place = running.new_context(**context)
    page, heard = place.new_page(), Overheard()
    page.set_default_timeout(PATIENCE_MS)
    page.on("console", lambda said: heard.complaints.append(said.text))
    page.on("pageerror", lambda fault: heard.complaints.append(str(fault)))
    page.on("request", lambda request: heard.requests.append(request.url))
    try:
        page.goto(address)
        page.wait_for_selector(expect, state="attached")
        yield page, heard
    finally:
        place.close()
