"""Sorted runs of the cell index in temporary files, and their merging part by part.

A run holds the lists of some exposures by cell. Exposures of a later run come after those of an
earlier one, so that the list of a cell is its runs' lists, one after the other.
"""

from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray

from platecover.coverage.cell_index import LISTED_ORDERS
from platecover.coverage.compiled import compiled

BLOCK = 16  # cells that always stay in one part
_BLOCKS = (4 << (2 * LISTED_ORDERS)) // BLOCK


class _Spool:
    """Values appended to a temporary file and read back from any place."""

    def __init__(self, path: Path, dtype: DTypeLike) -> None:
        self._stream = path.open("w+b")
        self._dtype = np.dtype(dtype)

    def append(self, values: NDArray[Any]) -> None:
        values.astype(self._dtype, copy=False).tofile(self._stream)

    def read(self, first: int, end: int) -> NDArray[Any]:
        self._stream.seek(first * self._dtype.itemsize)
        return np.fromfile(self._stream, self._dtype, end - first)

    def close(self) -> None:
        self._stream.close()


class Runs:
    """Runs in three temporary files of a folder, to be used in a `with` statement.

    Attributes
    ----------
    entries_by_block : int64, shape (n_blocks,)
        Entries of cells 0 to BLOCK - 1, of the next BLOCK, and so on.
    """

    def __init__(self, folder: str) -> None:
        self._cells = _Spool(Path(folder, "cells"), np.uint32)
        self._counts = _Spool(Path(folder, "counts"), np.uint32)
        self._entries = _Spool(Path(folder, "entries"), np.int64)
        self._cell_ends, self._entry_ends = [0], [0]
        self.entries_by_block = np.zeros(_BLOCKS, np.int64)

    def append(
        self, cells: NDArray[np.uint32], counts: NDArray[np.int64], entries: NDArray[np.int64]
    ) -> None:
        """Add a run: cells with a list, ascending; entries in each list; the lists."""
        self._cells.append(cells)
        self._counts.append(counts)
        self._entries.append(entries)
        np.add.at(self.entries_by_block, cells // BLOCK, counts)
        self._cell_ends.append(self._cell_ends[-1] + len(cells))
        self._entry_ends.append(self._entry_ends[-1] + len(entries))

    def parts(
        self, bounds: NDArray[np.int64]
    ) -> Iterator[tuple[NDArray[np.int64], NDArray[np.int64]]]:
        """Merge the runs part by part.

        Parameters
        ----------
        bounds : int64, shape (n_parts + 1,)
            Part i has the cells from bounds[i] up to, but not including, bounds[i + 1].

        Yields
        ------
        counts : int64, shape (bounds[i + 1] - bounds[i],)
            Entries of every cell of the part.
        entries : int64, shape (counts.sum(),)
        """
        sections = [self._sections(run, bounds) for run in range(len(self._cell_ends) - 1)]
        for part, (low, high) in enumerate(zip(bounds[:-1], bounds[1:], strict=True)):
            counts = np.zeros(high - low, np.int64)
            pieces = []
            for cell_bounds, entry_bounds in sections:
                first, end = cell_bounds[part : part + 2]
                if first < end:
                    at, more = self._cells.read(first, end) - low, self._counts.read(first, end)
                    counts[at] += more
                    pieces.append((at, more, entry_bounds[part : part + 2]))
            entries = np.empty(counts.sum(), np.int64)
            place = np.cumsum(counts) - counts
            for at, more, (first, end) in pieces:
                _deal_out(at, more, self._entries.read(first, end), place, entries)
            yield counts, entries

    def _sections(
        self, run: int, bounds: NDArray[np.int64]
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Where the parts of a run begin, and where the last ends, in cells and in entries."""
        first, end = self._cell_ends[run : run + 2]
        ends = np.cumsum(self._counts.read(first, end), dtype=np.int64)
        rows = np.searchsorted(self._cells.read(first, end), bounds)
        return first + rows, self._entry_ends[run] + np.append(0, ends)[rows]

    def __enter__(self) -> "Runs":
        """Return the open runs."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        fault: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close the files; whoever made the folder removes it."""
        for spool in (self._cells, self._counts, self._entries):
            spool.close()


@compiled
def _deal_out(
    at: NDArray[np.int64],
    counts: NDArray[np.uint32],
    entries: NDArray[np.int64],
    place: NDArray[np.int64],
    merged: NDArray[np.int64],
) -> None:
    """Copy the lists of a run to the places where those of the cells go on, and move these on."""
    used = 0
    for i in range(len(at)):
        for _ in range(counts[i]):
            merged[place[at[i]]] = entries[used]
            place[at[i]] += 1
            used += 1
