"""The cell index: which exposures may show a place, by HEALPix cell, at every order.

Each footprint grown by its margin is cut into nested cells, no finer than the margin nor than
a sixteenth of its short side. Those of the last two orders are listed under the cell two orders
coarser than the last, as two patterns of 16 bits: which of its sixteen cells the exposure holds
for certain (inside), and which it may (edge). So a point looks up one cell for each order, and a
region's cells are contiguous at every finer order, because NESTED numbering is. Cells are
NESTED, ICRS.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray

from platecover.coverage.cell_of_direction import cell_of_direction
from platecover.coverage.compiled import compiled
from platecover.coverage.plate_geometry import Records
from platecover.coverage.region_cells import Cover

FINEST_ORDER = 13  # 26 arcsec
LEVELS_BELOW = 2  # orders from a listed cell down to the cells of its patterns
LISTED_ORDERS = FINEST_ORDER - LEVELS_BELOW + 1
WHOLE = 0xFFFF  # the pattern of all sixteen cells
_CELLS_ACROSS = 24  # a short side is cut into about so many cells; more: larger, sooner asked
_ORDER_0_SIDE_RAD = np.sqrt(4.0 * np.pi / 12)  # square root of the area of a base cell
INDEX_ARRAYS = {"cells": np.uint32, "offsets": np.int64, "entries": np.int64}  # as kept in files


@dataclass(frozen=True)
class CellIndex:
    """Lists of exposures by cell.

    Attributes
    ----------
    cells : uint32, shape (n_cells,)
        The cells that have a list, as 4 * 4**order + cell (the NUNIQ packing of MOC 2.0,
        4.3.1), ascending: so by order, then by cell.
    offsets : int64, shape (n_cells + 1,)
        The list of a cell is entries[offsets[row]] to entries[offsets[row + 1]].
    entries : int64, shape (n_entries,)
        exposure << 32 | inside << 16 | edge; ascending within a list. Bit k of a pattern is
        the k-th of the cell's sixteen cells two orders finer, in NESTED order.
    n_exposures : int
    """

    cells: NDArray[np.uint32]
    offsets: NDArray[np.int64]
    entries: NDArray[np.int64]
    n_exposures: int

    @property
    def nbytes(self) -> int:
        """Size of the arrays in bytes."""
        return self.cells.nbytes + self.offsets.nbytes + self.entries.nbytes

    def at_point(self, x: float, y: float, z: float) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Exposures that may show the direction of a unit vector, ICRS.

        Returns
        -------
        certain, possible : int64 arrays, unordered
            Numbers of exposures that are sure to show it (by place and by `never_sure`), and
            of those to be decided.
        """
        return at_direction(x, y, z, self.cells, self.offsets, self.entries)

    def near_cells(self, cover: Cover) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        """Exposures with a cell that overlaps any of the given ones.

        Parameters
        ----------
        cover : list of (int, int64 array, bool)
            Orders, cells of that order in any sequence, and whether these lie wholly in the
            region that is asked for.

        Returns
        -------
        numbers : int64, shape (n,)
            Ascending.
        certain : bool, shape (n,)
            True if a cell that the exposure holds for certain overlaps one that lies wholly in
            the region: then the exposure is sure to show the region.
        """
        seen, certain = np.zeros((2, self.n_exposures), dtype=np.bool_)
        for order, cells, within in cover:
            ascending = np.sort(np.asarray(cells, dtype=np.int64))
            _mark_overlapping(
                order, ascending, within, self.cells, self.offsets, self.entries, seen, certain
            )
        numbers = np.flatnonzero(seen)
        return numbers, certain[numbers]


@compiled
def at_direction(
    x: float,
    y: float,
    z: float,
    cells: NDArray[np.uint32],
    offsets: NDArray[np.int64],
    entries: NDArray[np.int64],
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Exposures whose inside, and whose edge, holds the direction's cell of the finest order."""
    finest_cell = cell_of_direction(FINEST_ORDER, x, y, z)
    first, end = np.zeros(LISTED_ORDERS, np.int64), np.zeros(LISTED_ORDERS, np.int64)
    for order in range(LISTED_ORDERS):
        listed = (4 << (2 * order)) + (finest_cell >> (2 * (FINEST_ORDER - order)))
        row = np.searchsorted(cells, np.uint32(listed))
        if row < len(cells) and cells[row] == listed:
            first[order], end[order] = offsets[row], offsets[row + 1]
    longest = (end - first).sum()
    certain, possible = np.empty(longest, np.int64), np.empty(longest, np.int64)
    n_certain = n_possible = 0
    for order in range(LISTED_ORDERS):
        bit = (finest_cell >> (2 * (FINEST_ORDER - order - LEVELS_BELOW))) & 15
        for at in range(first[order], end[order]):
            entry = entries[at]
            certain[n_certain] = possible[n_possible] = entry >> 32
            n_certain += (entry >> (16 + bit)) & 1
            n_possible += (entry >> bit) & 1
    return certain[:n_certain], possible[:n_possible]


@compiled
def _mark_overlapping(
    order: int,
    some_cells: NDArray[np.int64],
    within: bool,
    cells: NDArray[np.uint32],
    offsets: NDArray[np.int64],
    entries: NDArray[np.int64],
    seen: NDArray[np.bool_],
    certain: NDArray[np.bool_],
) -> None:
    """Mark the exposures with a cell that overlaps any of the (ascending) cells of one order."""
    for level in range(LISTED_ORDERS):
        base = 4 << (2 * level)
        row, last_row = np.searchsorted(cells, base), np.searchsorted(cells, 4 * base)
        if row == last_row:
            continue
        at = 0
        while at < len(some_cells):
            if level >= order:  # the lists of all cells within it
                shift = 2 * (level - order)
                first = base + (some_cells[at] << shift)
                beyond, pattern = first + (1 << shift), WHOLE
                at += 1
            else:  # one list, for it and others beside it
                shift = 2 * (order - level)
                parent, pattern = some_cells[at] >> shift, 0
                first, beyond = base + parent, base + parent + 1
                while at < len(some_cells) and some_cells[at] >> shift == parent:
                    pattern |= pattern_within(some_cells[at], order - level)
                    at += 1
            row += np.searchsorted(cells[row:last_row], first)
            while row < last_row and cells[row] < beyond:
                for entry in entries[offsets[row] : offsets[row + 1]]:
                    inside = (entry >> 16) & pattern != 0
                    seen[entry >> 32] |= inside or entry & pattern != 0
                    certain[entry >> 32] |= inside and within
                row += 1


@compiled
def pattern_within(cell: int, levels: int) -> int:
    """The pattern of a cell, or of the sixteenth that holds it, under its ancestor."""
    if levels == 1:
        return 0xF << (4 * (cell & 3))
    return 1 << ((cell >> (2 * (levels - LEVELS_BELOW))) & 15)


def index_orders(records: Records) -> NDArray[np.int64]:
    """Finest order into which each footprint is cut, int64, shape (n,)."""
    short = np.minimum(records["tan_half_width"], records["tan_half_height"])
    short_side_rad = 2.0 * np.minimum(np.arctan(short), records["usable_radius_rad"])
    size_rad = np.maximum(short_side_rad / _CELLS_ACROSS, records["margin_rad"])
    order = np.floor(np.log2(_ORDER_0_SIDE_RAD / size_rad))
    return np.asarray(np.clip(order, LEVELS_BELOW, FINEST_ORDER), dtype=np.int64)


def open_cell_index(folder: Path, n_exposures: int) -> CellIndex:
    """Memory-map an index written by `index_build.write_cell_index`.

    Raises
    ------
    ValueError
        If a file is missing or is not the array it should be; the text names it.
    """
    cells, offsets, entries = (
        open_array(folder / f"index_{name}.npy", dtype) for name, dtype in INDEX_ARRAYS.items()
    )
    if len(offsets) != len(cells) + 1 or offsets[-1] != len(entries):
        raise ValueError("index_offsets.npy: not the offsets of these cells and entries")
    return CellIndex(cells, offsets, entries, n_exposures)


def open_array(path: Path, dtype: DTypeLike) -> NDArray[Any]:
    """Memory-map a .npy file that holds an array of one dimension.

    Raises
    ------
    ValueError
        If it is missing, damaged or another array; the text starts with its name.
    """
    try:
        array = np.asarray(np.load(path, mmap_mode="r"))
    except Exception as fault:  # numpy raises anything on a damaged header
        raise ValueError(f"{path.name}: {fault}") from None
    if array.dtype != dtype or array.ndim != 1:
        raise ValueError(f"{path.name}: an array of {array.ndim} dimensions of {array.dtype}")
    return array
