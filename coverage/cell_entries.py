"""From footprints to entries of the cell index: refine, pack into patterns, sort by cell."""

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.cell_index import LEVELS_BELOW, WHOLE, index_orders
from platecover.coverage.compiled import compiled
from platecover.coverage.footprint import KEEP_EDGE, footprint_cells
from platecover.coverage.plate_geometry import Records

_PLACE_BITS = 32  # of a sorting key; the cell stands above


def sorted_entries(
    records: Records, numbers: NDArray[np.int64]
) -> tuple[NDArray[np.uint32], NDArray[np.int64], NDArray[np.int64]]:
    """Lists of some exposures by cell.

    Parameters
    ----------
    records : dtype GEOMETRY, shape (n,)
    numbers : int64, shape (n,)
        Their exposure numbers, ascending.

    Returns
    -------
    cells : uint32, shape (n_cells,)
    counts : int64, shape (n_cells,)
        Entries of each cell.
    entries : int64, shape (n_entries,)
        As `CellIndex` has them.
    """
    last_orders = index_orders(records)
    found = footprint_cells(records, last_orders, KEEP_EDGE, with_margin=True)
    keys, entries = np.empty(len(found.cells), np.int64), np.empty(len(found.cells), np.int64)
    count = _pack(
        numbers, last_orders, records["never_sure"],
        found.offsets, found.orders, found.cells, found.inside, keys, entries,
    )  # fmt: skip
    # the place in the low bits keeps exposures ascending, and finds the entry again
    sorting = np.sort(keys[:count] << _PLACE_BITS | np.arange(count))
    entries = entries[sorting & ((1 << _PLACE_BITS) - 1)]
    keys = sorting >> _PLACE_BITS
    first = np.flatnonzero(np.diff(keys, prepend=-1))
    return keys[first].astype(np.uint32), np.diff(first, append=count), entries


@compiled
def _pack(
    numbers: NDArray[np.int64],
    last_orders: NDArray[np.int64],
    never_sure: NDArray[np.uint8],
    offsets: NDArray[np.int64],
    orders: NDArray[np.int8],
    cells: NDArray[np.int64],
    inside: NDArray[np.bool_],
    keys: NDArray[np.int64],
    entries: NDArray[np.int64],
) -> int:
    """Write listed cells and entries, exposure after exposure; their number.

    Cells of an exposure come in NESTED order, so those of one listed cell follow each other.
    What is never sure is nowhere inside.
    """
    used = 0
    for i in range(len(numbers)):
        listed_order = last_orders[i] - LEVELS_BELOW
        last_key = -1
        for at in range(offsets[i], offsets[i + 1]):
            order, cell, pattern = int(orders[at]), cells[at], WHOLE
            if order == listed_order + 1:
                pattern = 0xF << (4 * (cell & 3))
            elif order == listed_order + 2:
                pattern = 1 << (cell & 15)
            if order > listed_order:
                cell >>= 2 * (order - listed_order)
                order = listed_order
            key = (4 << (2 * order)) + cell
            if key != last_key:
                keys[used], entries[used] = key, numbers[i] << 32
                last_key = key
                used += 1
            if inside[at] and never_sure[i] == 0:
                pattern <<= 16
            entries[used - 1] |= pattern
    return used
