"""The page in a real browser: no complaint on its console, nothing cut off at any width."""

import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from tests.running_server import RunningServer, serving
from tests.small_archive import PLATES, Place

CHROMIUM = shutil.which("chromium")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed")

WIDTHS = (360, 390, 1440)
HEIGHT = 2000
SCHEMES = {"dark": 0, "light": 1}  # chromium's numbers of preferredColorScheme
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--hide-scrollbars", "--enable-logging=stderr", "--virtual-time-budget=20000",
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",  # no other host can be reached
)  # fmt: skip


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningServer]:
    folder = tmp_path_factory.mktemp("browser")
    place = Place(folder).build(PLATES)
    with serving(folder, "serve", "--archive", place.archive, "--port", 0) as running:
        yield running


def browse(folder: Path, address: str, *flags: str) -> tuple[str, str]:
    """What chromium writes about a page, and its own log."""
    words = [CHROMIUM or "", *FLAGS, f"--user-data-dir={folder / 'profile'}", *flags, address]
    done = subprocess.run(words, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    return done.stdout, done.stderr


@pytest.mark.parametrize(
    "path", ["/", "/?place=83.6+22&radius=1", "/?place=x", "/plates/QN-1", "/api/"]
)
def test_the_console_stays_empty(server: RunningServer, tmp_path: Path, path: str) -> None:
    # a style, script or picture that the policy forbids would be complained of
    document, complaints = browse(tmp_path, f"{server.url.rstrip('/')}{path}", "--dump-dom")
    assert "Brackwater Observatory (invented)" in document
    assert "CONSOLE" not in complaints


@pytest.mark.parametrize("scheme", SCHEMES)
@pytest.mark.parametrize("width", WIDTHS)
def test_light_and_dark_at_every_width(
    server: RunningServer, tmp_path: Path, scheme: str, width: int
) -> None:
    shot = tmp_path / "shot.png"
    browse(
        tmp_path, f"{server.url}?place=83.6+22&radius=1", f"--screenshot={shot}",
        f"--window-size={width},{HEIGHT}",
        f"--blink-settings=preferredColorScheme={SCHEMES[scheme]}",
    )  # fmt: skip
    picture = np.asarray(Image.open(shot).convert("L")).astype(float)
    assert picture.shape == (HEIGHT, width)
    ground = picture[:5].mean()  # above the first line
    assert ground < 60.0 if scheme == "dark" else ground > 200.0
    # an empty margin on both sides: nothing is cut off, nothing makes the page wider
    for side in (picture[:, :5], picture[:, -5:]):
        assert np.abs(side - ground).max() < 2.0
    assert picture.std() > 10.0
