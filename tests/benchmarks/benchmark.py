"""Every figure of the program's speed, on seeded synthetic archives, beside general-purpose ways.

    python -m tests.benchmarks.benchmark --dir DIR --sizes 60000 600000 5000000
        [--only build cells queries answers worker] [--markdown FILE] [--csv FILE] [--plot FILE]

Run it by hand from the top folder, with nothing else at work; figures are of this machine, ratios
of one run. Logs and archives are made in DIR and stay there (5,000,000 exposures: some 10 GB), as
do the figures (`figures.json`), so that parts and sizes measured earlier enter table and plot.
At 5,000,000 the broken set and SQLite's R*Tree are left out, numpy is asked less often. Requests
under load are measured by `load_test`.
"""

import argparse
import csv
import shutil
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from tests.benchmarks import figures as kept
from tests.benchmarks.answer_costs import cone_figures, epoch_figures, map_figures
from tests.benchmarks.build_costs import broken_figures, build_figures, cell_figures
from tests.benchmarks.figures import Figure, Results, tell
from tests.benchmarks.growth_plot import plot_growth
from tests.benchmarks.query_costs import open_figures, point_figures
from tests.benchmarks.sets import build, folder_of, make_set, working_logs
from tests.benchmarks.worker_memory import worker_figures

Measure = Callable[[Path, int], list[Figure]]


def _all_builds(folder: Path, size: int) -> list[Figure]:
    found = build_figures(folder, size)
    return [*found, *broken_figures(folder, size, found[0].value)]


PARTS: dict[str, tuple[Measure, ...]] = {
    "build": (_all_builds,),
    "cells": (cell_figures,),
    "queries": (open_figures, point_figures),
    "answers": (cone_figures, epoch_figures, map_figures),
    "worker": (worker_figures,),
}


def main() -> None:
    """Measure what is asked, print the tables, keep the figures."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--dir", type=Path, required=True, help="where sets and figures are kept")
    parser.add_argument("--sizes", type=int, nargs="+", default=[60_000], metavar="N")
    parser.add_argument(
        "--only", nargs="*", choices=PARTS, help="parts to measure; none: just tell"
    )
    parser.add_argument("--markdown", type=Path, metavar="FILE", help="tables of all sizes known")
    parser.add_argument("--csv", type=Path, metavar="FILE", help="the same as one table")
    parser.add_argument("--plot", type=Path, metavar="FILE", help="how cost grows (.png, .svg)")
    options = parser.parse_args()

    parts = PARTS if options.only is None else {name: PARTS[name] for name in options.only}
    options.dir.mkdir(parents=True, exist_ok=True)
    path = options.dir / "figures.json"
    for size in options.sizes:
        _measure(options.dir, size, parts, path)
    results = kept.load(path)
    for size in options.sizes:
        print(kept.as_text(size, results.get(size, {})))
    if options.markdown:
        text = "\n".join(kept.as_markdown(size, results[size]) for size in sorted(results))
        options.markdown.write_text(text, encoding="utf-8")
    if options.csv:
        _write_csv(options.csv, results)
    if options.plot:
        plot_growth(results, options.plot)


def _measure(parent: Path, size: int, parts: dict[str, tuple[Measure, ...]], path: Path) -> None:
    """Measure parts at one size; what is measured is kept at once."""
    folder = folder_of(parent, size)
    if parts:
        _make_ready(folder, size, build_too="build" not in parts)
    for measures in parts.values():
        for measure in measures:
            results = kept.load(path)
            now = time.strftime("%Y-%m-%d %H:%M")
            found = {each.key: replace(each, measured=now) for each in measure(folder, size)}
            results[size] = {**results.get(size, {}), **found}
            kept.save(path, results)


def _make_ready(folder: Path, size: int, *, build_too: bool) -> None:
    """Make logs, and an archive where none is to be measured, unless they are there."""
    make_set(folder, size)
    if build_too and not (folder / "archive" / "current").exists():
        tell(f"{size:,}: building the archive, which is not there yet")
        shutil.rmtree(folder / "archive", ignore_errors=True)
        build(folder, working_logs(folder))


def _write_csv(path: Path, results: Results) -> None:
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(("exposures", *kept.HEADER))
        for size, found in sorted(results.items()):
            writer.writerows((size, *row) for row in kept.table_rows(size, found))


if __name__ == "__main__":
    main()
