"""Pictures of the pages, to be looked at: three widths, light and dark.

.ci/with-venv python -m tests.benchmarks.page_pictures --out DIR [--archive platecover-demo/archive]
"""

import argparse
import tempfile
from pathlib import Path

from playwright.sync_api import Browser
from tests.browser.opened import browser, opened
from tests.running_server import serving
from tests.small_archive import run_apart

WIDTHS = {360: 740, 1280: 900, 3840: 2160}  # CSS pixels, and heights to go with them
SCHEMES = ("light", "dark")
PAGES = {
    "sky": "/",
    "globe": "/?sky=globe&ra=300&dec=35",
    "place": "/?place=83.63+22.01&radius=0.5&from=1900&to=1930",
    "plate": "/plates/OZT-1924",
    "guide": "/api/",
    "foyer": "/?foyer=1&tempo=8",
    "foyer-de": "/?foyer=1&language=de",
}
SETTLED_MS = 1500
FOYER_MS = 9000  # into the years
MOST_PIXELS = 16_000  # of height, beyond which a picture of the whole page is cut


def take(running: Browser, url: str, folder: Path) -> None:
    """Write a picture of each page, width and scheme: what is seen at once, and the whole page."""
    for name, path in PAGES.items():
        for width, height in WIDTHS.items():
            for scheme in SCHEMES:
                size = {"width": width, "height": height}
                with opened(running, url, path, viewport=size, color_scheme=scheme) as seen:
                    page = seen.page
                    if name == "foyer":
                        page.wait_for_timeout(FOYER_MS)
                    else:
                        page.wait_for_load_state("networkidle")
                        page.wait_for_timeout(SETTLED_MS)
                    stem = f"{name}-{width}-{scheme}"
                    page.screenshot(path=folder / f"{stem}.png")
                    tall = page.evaluate("() => document.documentElement.scrollHeight")
                    if height < tall <= MOST_PIXELS:
                        page.screenshot(path=folder / f"{stem}-whole.png", full_page=True)
                    print(stem, *seen.complaints, sep="\n  ", flush=True)


def main() -> None:
    """Serve an archive, the demo's if none is named, and take the pictures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])  # type: ignore[union-attr]
    parser.add_argument("--archive", type=Path, help="folder of an archive (default: a new demo)")
    parser.add_argument("--out", type=Path, required=True, help="folder for the pictures")
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    archive = options.archive
    with tempfile.TemporaryDirectory() as folder:
        if archive is None:
            run_apart("demo", "--dir", f"{folder}/demo", "--no-serve")
            archive = Path(folder) / "demo" / "archive"
        with (
            serving(Path(folder), "serve", "--archive", archive, "--port", 0) as server,
            browser() as running,
        ):
            take(running, server.url, options.out)


if __name__ == "__main__":
    main()
