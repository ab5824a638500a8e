"""What the cell index is worth: build rate and point queries against general-purpose ways.

Run it by hand; the figures are ratios within one run on this machine:

    .ci/with-venv python tests/benchmarks/benchmark.py [EXPOSURES]

The archive is synthetic and seeded: sides from 1.5 to 42 degrees, margins of 3 to 15 arcmin, a
tenth of the plates turned. Judged beside us: mocpy's bare `MOC.from_boxes` (cells without
inside/edge marks), numpy on every exposure, and SQLite's R*Tree on boxes in space with the same
exact test on what it finds. All answers are compared before they are timed.
"""

import resource
import sqlite3
import sys
import time
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
from astropy import units as u
from astropy.coordinates import Latitude, Longitude
from mocpy import MOC
from numpy.typing import NDArray

from platecover.coverage.cell_index import index_orders
from platecover.coverage.directions import ra_dec_deg, unit_vectors
from platecover.coverage.edge_distance import edge_distance_deg
from platecover.coverage.footprint import KEEP_EDGE, footprint_cells
from platecover.coverage.index_build import build_cell_index
from platecover.coverage.plate_geometry import (
    ARCSEC_PER_RADIAN,
    Records,
    corners_deg,
    geometry_records,
)
from platecover.coverage.regions import Region
from platecover.coverage.search import matches

SEED = 1893
QUERIES = 300
Answer = tuple[NDArray[np.int64], NDArray[np.bool_]]


def synthetic(count: int) -> tuple[Records, dict[str, NDArray[np.float64]]]:
    """Records of a mixed archive, and the columns they were made of."""
    rng = np.random.default_rng(SEED)
    side_deg = np.exp(rng.uniform(np.log(1.5), np.log(42.0), count))
    columns = {
        "s_ra": rng.uniform(0.0, 360.0, count),
        "s_dec": np.degrees(np.arcsin(rng.uniform(-1.0, 1.0, count))),
        "position_angle_deg": np.where(rng.random(count) < 0.1, rng.uniform(0, 360, count), 0.0),
        "width_mm": np.full(count, 200.0),
        "height_mm": rng.choice([160.0, 200.0, 250.0], count),
    }
    scale = 2.0 * np.tan(np.radians(side_deg / 2)) / 200.0 * ARCSEC_PER_RADIAN
    margin = rng.uniform(3.0, 15.0, count) / 60.0
    columns["scale_arcsec_per_mm"] = scale
    return geometry_records(**columns, margin_deg=margin), columns


def seconds(work: Callable[[], object]) -> float:
    """Time one run of some work."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def mocpy_boxes(records: Records, columns: dict[str, NDArray[np.float64]]) -> list[MOC]:
    """Cells of the same footprints to the same orders by mocpy, both cores."""
    half_width = np.degrees(np.arctan(records["tan_half_width"]))
    half_height = np.degrees(np.arctan(records["tan_half_height"]))
    # mocpy wants the longer side first, its position angle with it
    wide = half_width > half_height
    longer = np.where(wide, half_width, half_height)
    shorter = np.minimum(np.where(wide, half_height, half_width), longer * (1.0 - 1e-9))
    angle = columns["position_angle_deg"] + np.where(wide, 90.0, 0.0)
    orders = index_orders(records)
    mocs: list[MOC] = []
    for order in np.unique(orders):
        some = orders == order
        mocs += MOC.from_boxes(
            Longitude(columns["s_ra"][some], u.deg),
            Latitude(columns["s_dec"][some], u.deg),
            a=longer[some] * u.deg,
            b=shorter[some] * u.deg,
            angle=angle[some] % 180.0 * u.deg,
            max_depth=int(order),
        )
    return mocs


def brute_force(records: Records, ra: float, dec: float) -> Answer:
    """Plain numpy over every exposure: inside tests in plate axes, then exact distances."""
    vector = unit_vectors(ra, dec)
    w = records["centre"] @ vector
    x = np.abs(records["x_axis"] @ vector)
    y = np.abs(records["y_axis"] @ vector)
    reach = np.tan(records["margin_rad"])
    # generous: a margin at the edge of a tangent plate spreads by sec^2 of the half-angle
    spread_x = reach * (1.0 + records["tan_half_width"] ** 2) * 2.0
    spread_y = reach * (1.0 + records["tan_half_height"] ** 2) * 2.0
    near = (w > 0.0) & (x <= w * (records["tan_half_width"] + spread_x))
    near &= y <= w * (records["tan_half_height"] + spread_y)
    return decide(records, np.flatnonzero(near), ra, dec)


def decide(records: Records, numbers: NDArray[np.int64], ra: float, dec: float) -> Answer:
    """Exact test of some exposures."""
    some = records[numbers]
    larger, smaller = edge_distance_deg(some, ra, dec)
    margin = np.degrees(some["margin_rad"])
    match = larger >= -margin
    return numbers[match], (smaller >= margin)[match]


def r_tree(records: Records) -> sqlite3.Connection:
    """Boxes in space about every grown footprint, in SQLite's R*Tree."""
    corners = unit_vectors(*corners_deg(records))
    # a cap about the centre holds the footprint; its box in space is exact by axis
    half_diagonal = np.arctan(np.hypot(records["tan_half_width"], records["tan_half_height"]))
    radius = half_diagonal + records["margin_rad"]
    off_axis = np.arccos(np.clip(records["centre"], -1.0, 1.0))
    high = np.cos(np.maximum(off_axis - radius[:, None], 0.0))
    low = np.cos(np.minimum(off_axis + radius[:, None], np.pi))
    # tighter: the footprint's own corners, its bulge and its margin
    bulge = (1.0 - np.cos(half_diagonal) + np.sin(records["margin_rad"]))[:, None]
    low = np.maximum(low, np.minimum(corners.min(axis=1), records["centre"]) - bulge)
    high = np.minimum(high, np.maximum(corners.max(axis=1), records["centre"]) + bulge)
    database = sqlite3.connect(":memory:")
    database.execute("create virtual table box using rtree(id, x0, x1, y0, y1, z0, z1)")
    rows = np.stack([low, high], axis=2).reshape(len(records), 6)
    database.executemany(
        "insert into box values (?, ?, ?, ?, ?, ?, ?)",
        ((i, *row) for i, row in enumerate(rows.tolist())),
    )
    return database


def by_r_tree(database: sqlite3.Connection, records: Records, ra: float, dec: float) -> Answer:
    """Boxes first, exact test after."""
    x, y, z = unit_vectors(ra, dec).tolist()
    found = database.execute(
        "select id from box where x0 <= ? and x1 >= ? and y0 <= ? and y1 >= ?"
        " and z0 <= ? and z1 >= ?",
        (x, x, y, y, z, z),
    ).fetchall()
    return decide(records, np.sort(np.array(found, dtype=np.int64).reshape(-1)), ra, dec)


def by_index(edition: Any, ra: float, dec: float) -> Answer:
    """Ours, as a user's query runs."""
    hits = matches(edition, Region.circle(ra, dec, 0.0), measured=False)
    return hits.numbers, hits.sure


def print_build(records: Records, columns: dict[str, NDArray[np.float64]]) -> None:
    """Cells: ours with inside/edge marks against mocpy's without."""
    count = len(records)
    footprint_cells(records[:100], index_orders(records[:100]), KEEP_EDGE, with_margin=True)
    mocpy_boxes(records[:100], {name: column[:100] for name, column in columns.items()})
    ours = seconds(
        lambda: footprint_cells(records, index_orders(records), KEEP_EDGE, with_margin=True)
    )
    theirs = seconds(lambda: mocpy_boxes(records, columns))
    print(f"cells with inside/edge marks, grown by margin  {1e6 * ours / count:8.1f} us a plate")
    print(f"mocpy MOC.from_boxes, same orders, no marks    {1e6 * theirs / count:8.1f} us a plate")
    print(f"ratio                                          {theirs / ours:8.1f}\n")


def print_queries(records: Records) -> None:
    """Point queries, answers compared first."""
    start = time.perf_counter()
    index = build_cell_index(records)
    built = time.perf_counter() - start
    edition = SimpleNamespace(geometry=records, index=index)
    print(f"cell index: {built:.1f} s, {index.nbytes / len(records):.0f} bytes an exposure")
    database = r_tree(records)
    rng = np.random.default_rng(SEED + 1)
    vectors = rng.normal(size=(QUERIES, 3))
    ras, decs = ra_dec_deg(vectors / np.linalg.norm(vectors, axis=1, keepdims=True))
    ways: dict[str, Callable[[float, float], Answer]] = {
        "cell index": lambda ra, dec: by_index(edition, ra, dec),
        "numpy brute force": lambda ra, dec: brute_force(records, ra, dec),
        "SQLite R*Tree": lambda ra, dec: by_r_tree(database, records, ra, dec),
    }
    hits = 0
    for ra, dec in zip(ras[:50], decs[:50], strict=True):
        numbers, sure = ways["cell index"](ra, dec)
        hits += len(numbers)
        for name, way in ways.items():
            other_numbers, other_sure = way(ra, dec)
            if not (np.array_equal(numbers, other_numbers) and np.array_equal(sure, other_sure)):
                raise SystemExit(f"{name} disagrees at {ra} {dec}")
    print(f"point queries with certainty, {hits // 50} hits on average; answers equal")
    medians = {}
    for name, way in ways.items():
        times = [
            seconds(lambda way=way, ra=ra, dec=dec: way(ra, dec))  # type: ignore[misc]
            for ra, dec in zip(ras, decs, strict=True)
        ]
        medians[name] = float(np.median(times))
        print(
            f"  {name:20s} median {1e3 * medians[name]:8.3f} ms"
            f"  p99 {1e3 * np.quantile(times, 0.99):8.3f} ms"
            f"  ratio {medians[name] / medians['cell index']:6.1f}"
        )


def main() -> None:
    """Print all figures."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    print(f"{count} exposures, seed {SEED}\n")
    records, columns = synthetic(count)
    print_build(records, columns)
    print_queries(records)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"\npeak memory {peak:.0f} MB")


if __name__ == "__main__":
    main()
