"""Writing the cell index into an edition's folder, in memory that does not grow with it.

Exposures are refined slice by slice; each slice's lists go to temporary files as one run, sorted
by cell. Then the runs are merged part by part, a part being a range of cells, and what comes of
it is appended to the arrays of the index. Exposures of the last edition whose geometry did not
change keep their entries. What is written depends on the records alone.
"""

import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.cell_entries import sorted_entries
from platecover.coverage.cell_index import (
    INDEX_ARRAYS,
    CellIndex,
    open_cell_index,
)
from platecover.coverage.compiled import compiled
from platecover.coverage.growing_array import GrowingArray
from platecover.coverage.index_runs import BLOCK, Runs
from platecover.coverage.kept_exposures import Kept
from platecover.coverage.plate_geometry import GEOMETRY, Records

_SLICE = 1 << 15  # exposures refined at once: 5 million cells, 60 MB
_PART_ENTRIES = 1 << 23  # entries merged at once: 64 MB
_PART_CELLS = 1 << 22  # and cells that these may be of: 32 MB of counts


def write_cell_index(
    records: Records,
    folder: Path,
    progress: Callable[[int], None] | None = None,
    *,
    kept: Kept[CellIndex] | None = None,
    merging: Callable[[int, int], None] | None = None,
) -> None:
    """Write the index of footprints as `index_*.npy` into a folder.

    Parameters
    ----------
    records : dtype GEOMETRY, shape (n,)
        May be memory-mapped; it is read in slices.
    folder : pathlib.Path
        Holds the temporary files too, which are removed at the end and after an error.
    progress : callable, optional
        Called with the number of exposures done since the last call.
    kept : Kept, optional
        Exposures that need not be refined again. The files are the same with it or without.
    merging : callable, optional
        Called, once all are refined, with the parts of the sky merged and their number.

    Raises
    ------
    ValueError
        If `kept` does not fit its index or the records.
    """
    numbers = np.arange(len(records))
    if kept is not None:
        kept.require_fitting(kept.before.n_exposures, len(records))
        numbers = np.delete(numbers, kept.number_of[kept.number_of >= 0])
    with tempfile.TemporaryDirectory(prefix="index-runs-", dir=folder) as name, Runs(name) as runs:
        for start in range(0, len(numbers), _SLICE):
            some = numbers[start : start + _SLICE]
            # a file forgets that the records are aligned, and numba takes that for another type
            runs.append(*sorted_entries(records[some].view(GEOMETRY), some))
            if progress is not None:
                progress(len(some))
        _write_merged(runs, kept, folder, merging)
    if progress is not None and len(numbers) < len(records):
        progress(len(records) - len(numbers))


def _write_merged(
    runs: Runs,
    kept: Kept[CellIndex] | None,
    folder: Path,
    progress: Callable[[int, int], None] | None,
) -> None:
    """Merge runs and kept entries part by part into the arrays of the index."""
    bounds = _part_bounds(runs, kept)
    with (
        GrowingArray(folder / "index_cells.npy", INDEX_ARRAYS["cells"]) as cells,
        GrowingArray(folder / "index_offsets.npy", INDEX_ARRAYS["offsets"]) as offsets,
        GrowingArray(folder / "index_entries.npy", INDEX_ARRAYS["entries"]) as entries,
    ):
        offsets.append(np.zeros(1, np.int64))
        parts = zip(bounds[:-1], runs.parts(bounds), strict=True)
        for done, (low, (counts, merged)) in enumerate(parts, start=1):
            if kept is not None:
                counts, merged = _with_kept(kept, low, counts, merged)
            listed = np.flatnonzero(counts)
            cells.append(listed + low)
            offsets.append(entries.length + np.cumsum(counts[listed]))
            entries.append(merged)
            if progress is not None:
                progress(done, len(bounds) - 1)


def build_cell_index(records: Records, progress: Callable[[int], None] | None = None) -> CellIndex:
    """Make an index that no folder keeps; its files are gone, but stay mapped."""
    with tempfile.TemporaryDirectory() as name:
        write_cell_index(records, Path(name), progress)
        return open_cell_index(Path(name), len(records))


def _part_bounds(runs: Runs, kept: Kept[CellIndex] | None) -> NDArray[np.int64]:
    """Cut the cells into parts that fit in memory: first cell of each, and the end."""
    entries = runs.entries_by_block.copy()
    if kept is not None:
        np.add.at(entries, kept.before.cells // BLOCK, np.diff(kept.before.offsets))
    entries = np.trim_zeros(entries, "b")
    total = np.append(0, np.cumsum(entries))
    bounds = [0]
    while bounds[-1] < len(entries):
        start = bounds[-1]
        fits = int(np.searchsorted(total, total[start] + _PART_ENTRIES, side="right")) - 1
        bounds.append(min(max(fits, start + 1), start + _PART_CELLS // BLOCK, len(entries)))
    return np.array(bounds) * BLOCK


def _with_kept(
    kept: Kept[CellIndex],
    low: int,
    counts: NDArray[np.int64],
    entries: NDArray[np.int64],
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Add kept entries to those of the cells from `low` on; counts by cell, and entries."""
    index = kept.before
    first, end = np.searchsorted(index.cells, [low, low + len(counts)])
    offsets = index.offsets[first : end + 1]
    old_counts = np.zeros(len(counts), np.int64)
    old_entries = np.empty(offsets[-1] - offsets[0], np.int64)
    used = _renumber(
        index.cells[first:end], offsets, index.entries, kept.number_of, low, old_counts, old_entries
    )
    both = np.empty(used + len(entries), np.int64)
    _merge(old_counts, old_entries, counts, entries, both)
    return old_counts + counts, both


@compiled
def _renumber(
    cells: NDArray[np.uint32],
    offsets: NDArray[np.int64],
    entries: NDArray[np.int64],
    number_of: NDArray[np.int32],
    low: int,
    counts: NDArray[np.int64],
    renumbered: NDArray[np.int64],
) -> int:
    """Write the entries of exposures that are kept, under their new numbers; how many."""
    used = 0
    for row in range(len(cells)):
        before = used
        for at in range(offsets[row], offsets[row + 1]):
            number = np.int64(number_of[entries[at] >> 32])
            if number >= 0:
                renumbered[used] = number << 32 | entries[at] & 0xFFFFFFFF
                used += 1
        counts[cells[row] - low] = used - before
    return used


@compiled
def _merge(
    counts: NDArray[np.int64],
    entries: NDArray[np.int64],
    other_counts: NDArray[np.int64],
    other_entries: NDArray[np.int64],
    merged: NDArray[np.int64],
) -> None:
    """Merge the ascending lists of each cell."""
    at = other_at = used = 0
    for cell in range(len(counts)):
        end, other_end = at + counts[cell], other_at + other_counts[cell]
        while at < end or other_at < other_end:
            if other_at == other_end or (at < end and entries[at] < other_entries[other_at]):
                merged[used] = entries[at]
                at += 1
            else:
                merged[used] = other_entries[other_at]
                other_at += 1
            used += 1
