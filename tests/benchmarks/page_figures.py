"""How soon, how large and how smooth the page is: in headless Chromium, over loopback.

Run it by hand; browser and server share the machine:

    .ci/with-venv python -m tests.benchmarks.page_figures [--archive platecover-demo/archive]

- *First useful view*: from the request for `/` with empty caches until the sky has its cells and
  they are painted; bytes are those of all answers until the page asks no more, headers included.
- *Globe*: pictures a second while it spins, 49,152 cells (order 6) on a canvas of 1000 x 1000.
- *Filter change*: from the change of a field until other pixels stand on the sky.
"""

import argparse
import statistics
import tempfile
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser
from tests.browser.opened import browser
from tests.running_server import serving
from tests.small_archive import run_apart

RUNS = 5
SPUN_S, SPIN_DEG_PER_S = 6, 40
CANVAS = 1000
SCREEN = {"width": 1280, "height": 900}
AIMS = {"view": 1.5, "bytes": 400.0, "frames": 25.0, "filter": 200.0}

# Notes when the sky has its cells, and the second frame after: that they are painted.
WATCH = """
new MutationObserver((_, watch) => {
  const sky = document.getElementById('sky');
  if (!sky || !document.documentElement.dataset.ready || sky.hasAttribute('aria-busy')) return;
  watch.disconnect();
  const note = () => { window.usefulAt = performance.now(); };
  requestAnimationFrame(() => requestAnimationFrame(note));
}).observe(document, { subtree: true, childList: true, attributes: true });
"""

SPIN = """async ([across, rate, seconds]) => {
  const { createSky } = await import('/static/sky/sky.js');
  const bytes = await (await fetch('/page/cells?show=plates&order=6')).arrayBuffer();
  const lines = await (await fetch('/page/lines')).json();
  const box = document.createElement('div');
  for (const [name, value] of [['position', 'fixed'], ['left', '0'], ['top', '0'],
    ['width', `${across}px`], ['height', `${across}px`]]) box.style.setProperty(name, value);
  document.body.replaceChildren(box);
  const sky = createSky(box, { words: (key) => key, lines });
  sky.showCells({ order: 6, values: new Float32Array(bytes), quantity: 'plates', steps: 'log' });
  sky.setView({ projection: 'globe', ra: 0, dec: 20, zoom: 1 });
  await new Promise((done) => setTimeout(done, 500));
  sky.spin(rate);
  await new Promise((done) => setTimeout(done, 1000 * seconds));
  const times = sky.frameTimes();
  sky.destroy();
  return { cells: bytes.byteLength / 4, times };
}"""

# Small copies of the sky are compared, since reading all its pixels takes longer than drawing them.
FILTER = """async (values) => {
  const small = document.createElement('canvas');
  [small.width, small.height] = [64, 32];
  const pen = small.getContext('2d', { willReadFrequently: true });
  const look = () => {
    pen.clearRect(0, 0, 64, 32);
    pen.drawImage(document.querySelector('#sky canvas'), 0, 0, 64, 32);
    return pen.getImageData(0, 0, 64, 32).data.join();
  };
  const frame = () => new Promise((done) => requestAnimationFrame(done));
  const field = document.querySelector('[name=series]');
  const took = [];
  for (const value of values) {
    await new Promise((done) => setTimeout(done, 1500));
    const before = look();
    const start = performance.now();
    field.value = value;
    field.dispatchEvent(new Event('change', { bubbles: true }));
    while (look() === before && performance.now() - start < 10000) await frame();
    took.push(performance.now() - start);
  }
  return took;
}"""


def first_view(running: Browser, url: str) -> tuple[float, float, int]:
    """Seconds until something useful is seen, kilobytes of all answers, and their number."""
    context = running.new_context(viewport=SCREEN)
    page = context.new_page()
    sizes: list[float] = []
    session = context.new_cdp_session(page)
    session.send("Network.enable")
    session.on("Network.loadingFinished", lambda told: sizes.append(told["encodedDataLength"]))
    page.add_init_script(WATCH)
    page.goto(url)
    page.wait_for_load_state("networkidle")
    seconds = page.evaluate("() => window.usefulAt / 1000")
    context.close()
    return float(seconds), sum(sizes) / 1000.0, len(sizes)


def frames_per_second(running: Browser, url: str) -> tuple[float, float, int]:
    """Pictures a second: the median and what one in twenty stays under; cells drawn."""
    context = running.new_context(viewport={"width": CANVAS, "height": CANVAS})
    page = context.new_page()
    page.goto(f"{url}api/")  # a page of the same origin, without scripts of its own
    told: dict[str, Any] = page.evaluate(SPIN, [CANVAS, SPIN_DEG_PER_S, SPUN_S])
    context.close()
    times = sorted(told["times"])
    return 1000.0 / statistics.median(times), 1000.0 / times[len(times) * 19 // 20], told["cells"]


def filter_changes(running: Browser, url: str) -> list[float]:
    """Milliseconds from each change of the series until the sky shows it."""
    context = running.new_context(viewport=SCREEN)
    page = context.new_page()
    page.goto(url)
    page.wait_for_load_state("networkidle")
    options: list[str] = page.evaluate(
        "() => [...document.querySelector('[name=series]').options].map((each) => each.value)"
    )
    took: list[float] = page.evaluate(FILTER, [*options[1:], ""])
    context.close()
    return took


def measure(url: str) -> None:
    """Print the table."""
    with browser() as running:
        first_view(running, url)  # the server's own first time
        views = [first_view(running, url) for _ in range(RUNS)]
        typical, slowest, cells = frames_per_second(running, url)
        changes = filter_changes(running, url)
    seconds = statistics.median(view[0] for view in views)
    kilobytes, answers = max(view[1] for view in views), views[0][2]
    change = statistics.median(changes)
    rows = [
        (f"first useful view, median of {RUNS}", f"{seconds:.2f} s", "at most 1.5 s",
         seconds <= AIMS["view"]),
        (f"bytes of all {answers} answers", f"{kilobytes:.0f} kB", "at most 400 kB",
         kilobytes <= AIMS["bytes"]),
        (f"globe turning, {cells:,} cells, {CANVAS} px: pictures a second, median (one in twenty"
         f" below {slowest:.0f})", f"{typical:.0f}", "at least 25", typical >= AIMS["frames"]),
        (f"filter change until seen, median of {len(changes)} (slowest {max(changes):.0f} ms)",
         f"{change:.0f} ms", "at most 200 ms", change <= AIMS["filter"]),
    ]  # fmt: skip
    print("| what | figure | aim | reached |\n| --- | ---: | --- | --- |")
    for what, figure, aim, reached in rows:
        print(f"| {what} | {figure} | {aim} | {'yes' if reached else 'NO'} |")


def main() -> None:
    """Serve an archive, the demo's if none is named, and measure its page."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])  # type: ignore[union-attr]
    parser.add_argument("--archive", type=Path, help="folder of an archive (default: a new demo)")
    archive = parser.parse_args().archive
    with tempfile.TemporaryDirectory() as folder:
        if archive is None:
            run_apart("demo", "--dir", f"{folder}/demo", "--no-serve")
            archive = Path(folder) / "demo" / "archive"
        with serving(Path(folder), "serve", "--archive", archive, "--port", 0) as server:
            measure(server.url)


if __name__ == "__main__":
    main()
