"""What building costs: cells of footprints, whole builds, rebuilds, and what is kept on disk."""

import shutil
from pathlib import Path

import numpy as np
from astropy import units as u
from astropy.coordinates import Latitude, Longitude
from mocpy import MOC
from numpy.typing import NDArray
from tests.benchmarks.figures import MOST, Figure, seconds, tell
from tests.benchmarks.log_faults import correct_rows
from tests.benchmarks.sets import (
    BROKEN_FAULTS,
    build,
    current_edition,
    make_set,
    working_logs,
)
from tests.benchmarks.synthetic_logs import SEED

from platecover.coverage.archive import Archive
from platecover.coverage.cell_index import index_orders
from platecover.coverage.directions import east_and_north, ra_dec_deg
from platecover.coverage.footprint import KEEP_EDGE, footprint_cells
from platecover.coverage.plate_geometry import Records

CORRECTED_ROWS = 10
CELL_SAMPLE = 60_000  # exposures whose cells are made; mocpy keeps an object for each
CELL_RUNS = 3
_BYTES_PER_MB = 1e6


def build_figures(folder: Path, size: int) -> list[Figure]:
    """Build from nothing, correct ten rows, build again; then weigh the edition."""
    shutil.rmtree(folder / "archive", ignore_errors=True)
    logs = working_logs(folder)
    tell(f"{size:,}: building")
    first = build(folder, logs)
    tell(
        f"{size:,}: {first.wall_s:.1f} s, {first.peak_mb:.0f} MB; building again, ten rows changed"
    )
    correct_rows(logs, CORRECTED_ROWS, SEED)
    again = build(folder, logs)
    tell(f"{size:,}: {again.wall_s:.1f} s, {again.peak_mb:.0f} MB")
    processor = f"processor {first.cpu_s:.0f} s"
    together = f"PSS of all its processes; the largest alone, resident {first.largest_mb:,.0f} MB"
    return [
        Figure("build_s", "build, CSV to servable edition", first.wall_s, "s", note=processor),
        Figure("build_mb", "build, highest memory", first.peak_mb, "MB", note=together),
        Figure(
            "rebuild_s", f"rebuild after {CORRECTED_ROWS} changed rows", again.wall_s, "s",
            first.wall_s / again.wall_s, "ratio: build / rebuild",
        ),
        Figure("rebuild_mb", "rebuild, highest memory", again.peak_mb, "MB"),
        *disk_figures(folder),
    ]  # fmt: skip


def broken_figures(folder: Path, size: int, clean_build_s: float) -> list[Figure]:
    """Build a set in which every tenth row is broken."""
    if size >= MOST:
        tell(f"{size:,}: the broken set is left out at this size")
        return []
    broken = folder / "broken"
    make_set(broken, size, BROKEN_FAULTS)
    shutil.rmtree(broken / "archive", ignore_errors=True)
    tell(f"{size:,}: building with every tenth row broken")
    cost = build(broken, working_logs(broken))
    shutil.rmtree(broken / "archive")
    note = f"{cost.last_line.rpartition(', ')[2]}; ratio: to the clean build"
    ratio = cost.wall_s / clean_build_s
    return [Figure("broken_s", "build, a tenth of the rows broken", cost.wall_s, "s", ratio, note)]


def disk_figures(folder: Path) -> list[Figure]:
    """Bytes an exposure of the cell index and of all other files of the edition."""
    edition = current_edition(folder)
    count = len(Archive.open(folder / "archive").edition.geometry)
    sizes = {path.name: path.stat().st_size for path in edition.rglob("*") if path.is_file()}
    index = sum(size for name, size in sizes.items() if name.startswith("index"))
    rest = sum(sizes.values()) - index
    biggest = sorted((size, name) for name, size in sizes.items() if not name.startswith("index"))
    named = ", ".join(f"{name} {size / count:.0f}" for size, name in biggest[:-4:-1])
    logs = sum(path.stat().st_size for path in (folder / "logs").glob("*.csv"))
    note = f"the logs: {logs / count:.0f}"
    return [
        Figure("index_bytes", "cell index on disk", index / count, "bytes an exposure", note=note),
        Figure("index_mb", "cell index", index / _BYTES_PER_MB, "MB"),
        Figure("rest_bytes", "everything else on disk", rest / count, "bytes an exposure",
               note=named),
        Figure("edition_mb", "whole edition", (index + rest) / _BYTES_PER_MB, "MB"),
    ]  # fmt: skip


def cell_figures(folder: Path, size: int) -> list[Figure]:
    """Cells: ours, grown by the margin and marked inside or edge, against mocpy's bare ones."""
    every = Archive.open(folder / "archive").edition.geometry
    chosen = np.random.default_rng(SEED).permutation(len(every))[:CELL_SAMPLE]
    records = np.ascontiguousarray(every[np.sort(chosen)])
    count = len(records)
    tell(f"{size:,}: cells of {count:,} footprints")
    _our_cells(records[:100])
    _mocpy_boxes(records[:100])
    ours, theirs = [], []
    for _ in range(CELL_RUNS):  # in turns, so that what else the machine does hits both
        ours.append(1e6 * seconds(lambda: _our_cells(records)) / count)
        theirs.append(1e6 * seconds(lambda: _mocpy_boxes(records)) / count)
    note = f"{count:,} footprints, best of {CELL_RUNS}"
    return [
        Figure("cells_us", "cells with inside/edge marks", min(ours), "us a plate", note=note),
        Figure("cells_mocpy", "mocpy MOC.from_boxes, no marks", min(theirs), "us a plate",
               min(theirs) / min(ours)),
    ]  # fmt: skip


def _our_cells(records: Records) -> object:
    return footprint_cells(records, index_orders(records), KEEP_EDGE, with_margin=True)


def _mocpy_boxes(records: Records) -> list[MOC]:
    """Cells of the same footprints to the same orders by mocpy, on all cores as it does."""
    half_width = np.degrees(np.arctan(records["tan_half_width"]))
    half_height = np.degrees(np.arctan(records["tan_half_height"]))
    # mocpy wants the longer side first, its position angle with it
    wide = half_width > half_height
    longer = np.where(wide, half_width, half_height)
    shorter = np.minimum(np.where(wide, half_height, half_width), longer * (1.0 - 1e-9))
    ra_deg, dec_deg = ra_dec_deg(records["centre"])
    angle = _position_angle_deg(records) + np.where(wide, 90.0, 0.0)
    orders = index_orders(records)
    mocs: list[MOC] = []
    for order in np.unique(orders):
        some = orders == order
        mocs += MOC.from_boxes(
            Longitude(ra_deg[some], u.deg),
            Latitude(dec_deg[some], u.deg),
            a=longer[some] * u.deg,
            b=shorter[some] * u.deg,
            angle=angle[some] % 180.0 * u.deg,
            max_depth=int(order),
        )
    return mocs


def _position_angle_deg(records: Records) -> NDArray[np.float64]:
    """Position angle of +y in ICRS."""
    east, north = east_and_north(*ra_dec_deg(records["centre"]))
    y = records["y_axis"]
    return np.asarray(np.degrees(np.arctan2((y * east).sum(axis=-1), (y * north).sum(axis=-1))))
