"""Pages opened in Debian's Chromium, with an ear to what they complain of and whom they ask."""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

CHROMIUM = shutil.which("chromium")
needs_chromium = pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed")
FLAGS = ["--no-sandbox", "--disable-gpu", "--js-flags=--expose-gc"]


@dataclass
class Opened:
    """A page, what its console said, and the requests that went to other hosts."""

    page: Page
    complaints: list[str] = field(default_factory=list)
    strangers: list[str] = field(default_factory=list)

    def is_quiet(self) -> None:
        """Fail if anything was complained of or asked elsewhere."""
        assert self.complaints == []
        assert self.strangers == []


@contextmanager
def browser() -> Iterator[Browser]:
    """Chromium, until the block ends."""
    with sync_playwright() as driver:
        running = driver.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        try:
            yield running
        finally:
            running.close()


@contextmanager
def opened(running: Browser, url: str, path: str = "", **how: Any) -> Iterator[Opened]:
    """A page in a context of its own; `how` is what `Browser.new_context` takes."""
    context: BrowserContext = running.new_context(**how)
    try:
        page = context.new_page()
        seen = Opened(page)
        page.on("console", lambda said: seen.complaints.append(f"{said.type}: {said.text}"))
        page.on("pageerror", lambda fault: seen.complaints.append(f"uncaught: {fault}"))
        page.on("request", lambda request: _note(seen, url, request.url))
        page.goto(url.rstrip("/") + "/" + path.lstrip("/"))
        yield seen
    finally:
        context.close()


def _note(seen: Opened, url: str, asked: str) -> None:
    parts = urlsplit(asked)
    if parts.scheme not in ("data", "blob", "about") and parts.netloc != urlsplit(url).netloc:
        seen.strangers.append(asked)
