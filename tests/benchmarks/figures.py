"""Figures measured, what they should reach, and how they read: a table for each size.

Figures are kept as JSON beside the sets, so that those measured earlier enter table and plot.
"""

import json
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

ANY_SIZE = 0
MANY, MOST = 600_000, 5_000_000  # exposures, for which most of the reaches are stated


@dataclass(frozen=True)
class Reach:
    """The most that a figure should be, and the least that a ratio should be; by size."""

    below: dict[int, float] | None = None
    ratio: dict[int, float] | None = None
    ratio_below: bool = False  # the ratio is one of costs, and should stay below


# What is wanted, by the key of a figure; in this order figures are told.
REACHES = {
    "build_s": Reach({MANY: 60.0, MOST: 600.0}),
    "build_mb": Reach({MANY: 3000.0, MOST: 4000.0}),
    "rebuild_s": Reach({MANY: 10.0}),
    "rebuild_mb": Reach(),
    "broken_s": Reach(ratio={ANY_SIZE: 2.0}, ratio_below=True),
    "cells_us": Reach(),
    "cells_mocpy": Reach(ratio={ANY_SIZE: 2.0}),
    "index_bytes": Reach({ANY_SIZE: 700.0}),
    "index_mb": Reach(),
    "rest_bytes": Reach(),
    "edition_mb": Reach(),
    "open_ms": Reach({ANY_SIZE: 300.0}),
    "worker_mb": Reach({ANY_SIZE: 60.0}),
    "point_ms": Reach({MANY: 0.5}),
    "point_p99_ms": Reach({MANY: 2.0}),
    "point_brute_ms": Reach(ratio={MANY: 10.0}),
    "point_r_tree_ms": Reach(ratio={MANY: 12.0}),
    "cone_votable_ms": Reach({ANY_SIZE: 20.0}),
    "cone_json_ms": Reach({ANY_SIZE: 15.0}),
    "cone_csv_ms": Reach({ANY_SIZE: 15.0}),
    "cone_astropy_ms": Reach(ratio={ANY_SIZE: 12.0}),
    "epochs_polygon_ms": Reach({MANY: 15.0}),
    "epochs_constellation_ms": Reach({MANY: 40.0}),
    "epochs_all_ms": Reach({MANY: 50.0}),
    "map_ms": Reach({MANY: 150.0}),
    "map_slowest_ms": Reach(),
    "png_ms": Reach({MANY: 400.0}),
}


@dataclass(frozen=True)
class Figure:
    """One measured figure.

    `ratio` compares it with ours or with another build; `note` says what else a reader needs,
    `measured` when it was.
    """

    key: str
    work: str
    value: float
    unit: str
    ratio: float | None = None
    note: str = ""
    measured: str = ""


Results = dict[int, dict[str, Figure]]  # by size, then key, in the order measured


def tell(what: str) -> None:
    """Say on standard error what is being done."""
    print(f"[{time.strftime('%H:%M:%S')}] {what}", file=sys.stderr, flush=True)


def seconds(work: Callable[[], object]) -> float:
    """Wall-clock time of one run of some work."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def median_ms(works: Sequence[Callable[[], object]]) -> float:
    """Median time of different pieces of work, each done once."""
    return 1e3 * float(np.median([seconds(work) for work in works]))


def load(path: Path) -> Results:
    """Read the figures kept in a file; none if there is no such file."""
    if not path.exists():
        return {}
    kept = json.loads(path.read_text(encoding="utf-8"))
    return {
        int(size): {key: Figure(**each) for key, each in figures.items()}
        for size, figures in kept.items()
    }


def save(path: Path, results: Results) -> None:
    """Keep figures in a file."""
    plain = {
        str(size): {key: asdict(each) for key, each in figures.items()}
        for size, figures in sorted(results.items())
    }
    path.write_text(json.dumps(plain, indent=1) + "\n", encoding="utf-8")


def table_rows(size: int, figures: dict[str, Figure]) -> list[tuple[str, str, str, str, str]]:
    """Rows of work, figure, reach, ratio and whether it is reached, as texts."""
    rows = []
    for each in in_order(figures):
        reach = REACHES.get(each.key, Reach())
        below, ratio_reach = _at(reach.below, size), _at(reach.ratio, size)
        met, wanted = [], []
        if below is not None:
            met.append(each.value < below)
            wanted.append(f"under {shown(below)} {each.unit}")
        if ratio_reach is not None and each.ratio is not None:
            enough = each.ratio <= ratio_reach if reach.ratio_below else each.ratio >= ratio_reach
            met.append(enough)
            wanted.append(f"ratio {'at most' if reach.ratio_below else 'from'} {ratio_reach:g}")
        work = f"{each.work} ({each.note})" if each.note else each.work
        ratio = "" if each.ratio is None else f"{each.ratio:.1f}"
        verdict = "" if not met else "yes" if all(met) else "NO"
        rows.append((work, f"{shown(each.value)} {each.unit}", ", ".join(wanted), ratio, verdict))
    return rows


def in_order(figures: dict[str, Figure]) -> list[Figure]:
    """Figures as they are told: those with a line in REACHES first, in its order."""
    places = {key: at for at, key in enumerate(REACHES)}
    return sorted(figures.values(), key=lambda each: places.get(each.key, len(places)))


def heading(size: int, figures: dict[str, Figure]) -> str:
    """Size of the set, and when the first and the last figure were measured."""
    times = sorted(each.measured for each in figures.values())
    when = f", measured {times[0]} to {times[-1]}" if times else ""
    return f"{size:,} exposures{when}"


def _at(by_size: dict[int, float] | None, size: int) -> float | None:
    by_size = by_size or {}
    return by_size.get(size, by_size.get(ANY_SIZE))


def shown(value: float) -> str:
    """Return a number with three digits, without exponent."""
    if value >= 100.0:
        return f"{value:,.0f}"
    return f"{value:.3g}"


HEADER = ("work", "figure", "reach", "ratio", "reached")


def as_text(size: int, figures: dict[str, Figure]) -> str:
    """Return the table of one size for a terminal."""
    rows = [HEADER, *table_rows(size, figures)]
    widths = [max(len(row[i]) for row in rows) for i in range(len(HEADER))]
    lines = [heading(size, figures)]
    for row in rows:
        cells = [
            cell.rjust(width) if i in (1, 3) else cell.ljust(width)
            for i, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append("  ".join(cells).rstrip())
    lines.insert(2, "  ".join("-" * width for width in widths))
    return "\n".join(lines) + "\n"


def as_markdown(size: int, figures: dict[str, Figure]) -> str:
    """Return the table of one size in Markdown."""
    lines = [f"### {heading(size, figures)}\n", f"| {' | '.join(HEADER)} |"]
    lines.append("| --- | ---: | --- | ---: | --- |")
    lines += [f"| {' | '.join(row)} |" for row in table_rows(size, figures)]
    return "\n".join(lines) + "\n"
