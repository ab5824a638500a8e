"""What asking a place costs: opening an archive, and point queries against general ways."""

import inspect
import subprocess
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from tests.benchmarks.figures import MOST, Figure, seconds, tell
from tests.benchmarks.peers import Answer, BruteForce, RTree
from tests.benchmarks.synthetic_logs import SEED

from platecover.coverage.archive import Archive
from platecover.coverage.directions import ra_dec_deg
from platecover.coverage.edition import Edition
from platecover.coverage.regions import Region
from platecover.coverage.search import matches

QUERIES, FEWER_QUERIES = 1000, 50  # the second of slow peers at large sizes
COMPARED = 50
OPENINGS = 7

# A search that wants no distances says so, where the program lets it.
_UNMEASURED = {"measured": False} if "measured" in inspect.signature(matches).parameters else {}
_OPEN_AND_ASK = """
import sys, time
start = time.perf_counter()
from platecover.coverage.archive import Archive
from platecover.coverage.regions import Region
imported = time.perf_counter()
archive = Archive.open(sys.argv[1])
opened = time.perf_counter()
rows = archive.cone(83.6, 22.0, 0.0)
print(imported - start, opened - imported, time.perf_counter() - imported, len(rows))
"""


def open_figures(folder: Path, size: int) -> list[Figure]:
    """Time a fresh process from after its imports to its first answer."""
    tell(f"{size:,}: opening the archive")
    command = [sys.executable, "-c", _OPEN_AND_ASK, str(folder / "archive")]
    runs = [
        subprocess.run(command, check=True, capture_output=True, text=True).stdout.split()
        for _ in range(OPENINGS)
    ]
    imported, opened, answered, rows = np.median(np.array(runs, dtype=np.float64), axis=0)
    note = f"open {1e3 * opened:.0f} ms, then {rows:.0f} rows; imports {imported:.1f} s before"
    return [Figure("open_ms", "open an archive, first answer", 1e3 * answered, "ms", note=note)]


def point_figures(folder: Path, size: int) -> list[Figure]:
    """Exposure numbers with certainty at random positions, answers compared first."""
    edition = Archive.open(folder / "archive").edition
    records = np.array(edition.geometry)
    ras, decs = random_positions(QUERIES, SEED)
    tell(f"{size:,}: point queries")
    brute_force = BruteForce(records)
    hits = _compare(edition, "numpy brute force", brute_force.at, ras, decs)
    ours = _times_ms(partial(_by_index, edition), ras, decs)
    asked = len(ras) if size < MOST else FEWER_QUERIES
    brute = _times_ms(brute_force.at, ras[:asked], decs[:asked])
    note = f"{hits:.0f} hits on average, {QUERIES} positions"
    figures = [
        Figure("point_ms", "point query, median", _median(ours), "ms", note=note),
        Figure("point_p99_ms", "point query, p99", float(np.quantile(ours, 0.99)), "ms"),
        _against("point_brute_ms", "numpy brute force", ours, brute),
    ]
    if size >= MOST:
        tell(f"{size:,}: SQLite's R*Tree is left out at this size")
        return figures
    tell(f"{size:,}: filling SQLite's R*Tree")
    r_tree = RTree(records)
    _compare(edition, "SQLite R*Tree", r_tree.at, ras, decs)
    others = _times_ms(r_tree.at, ras, decs)
    return [*figures, _against("point_r_tree_ms", "SQLite R*Tree, exact test", ours, others)]


def random_positions(count: int, seed: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Positions all over the sky, degrees."""
    vectors = np.random.default_rng(seed).normal(size=(count, 3))
    return ra_dec_deg(vectors / np.linalg.norm(vectors, axis=1, keepdims=True))


def _by_index(edition: Edition, ra: float, dec: float) -> Answer:
    """Ours, as a user's query runs."""
    hits = matches(edition, Region.circle(ra, dec, 0.0), **_UNMEASURED)
    return hits.numbers, hits.sure


def _compare(
    edition: Edition,
    name: str,
    way: Callable[[float, float], Answer],
    ras: NDArray[np.float64],
    decs: NDArray[np.float64],
) -> float:
    """Stop unless both ways answer alike; the hits on average."""
    hits = 0
    for ra, dec in zip(ras[:COMPARED].tolist(), decs[:COMPARED].tolist(), strict=True):
        ours, theirs = _by_index(edition, ra, dec), way(ra, dec)
        if not all(np.array_equal(mine, other) for mine, other in zip(ours, theirs, strict=True)):
            raise RuntimeError(f"{name} and ours disagree at {ra} {dec}")
        hits += len(ours[0])
    return hits / COMPARED


def _times_ms(
    way: Callable[[float, float], Answer], ras: NDArray[np.float64], decs: NDArray[np.float64]
) -> list[float]:
    places = zip(ras.tolist(), decs.tolist(), strict=True)
    return [1e3 * seconds(partial(way, ra, dec)) for ra, dec in places]


def _median(times: list[float]) -> float:
    return float(np.median(times))


def _against(key: str, name: str, ours: list[float], theirs: list[float]) -> Figure:
    """Median of a peer, and how many times ours it is on the same positions."""
    ratio = _median(theirs) / _median(ours[: len(theirs)])
    note = f"median of {len(theirs)}, same answers"
    return Figure(key, f"point query by {name}", _median(theirs), "ms", ratio, note)
