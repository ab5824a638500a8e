"""The cell index: which exposures may show a place, by HEALPix cell, at every order.

Each footprint grown by its margin is cut into nested cells, no finer than the margin nor than
a sixteenth of its short side. For the cells of each order there is a list of the exposures
that hold the whole cell for certain (inside) and of those that may (edge). A point asks its
own cell at each order; a region's cells are contiguous at every finer order, because NESTED
numbering is. Cells are int64 or uint32, NESTED, ICRS.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray

from platecover.coverage.compiled import compiled
from platecover.coverage.footprint import KEEP_EDGE, footprint_cells
from platecover.coverage.healpix_cells import cells_of_directions
from platecover.coverage.plate_geometry import Records

FINEST_ORDER = 13  # 26 arcsec; its cells still fit 32 bits (12 * 4**13 < 2**32)
_CELLS_ACROSS = 16  # a short side is cut into about so many cells
_ORDER_0_SIDE_RAD = np.sqrt(4.0 * np.pi / 12)  # square root of the area of a base cell


@dataclass(frozen=True)
class CellLists:
    """Exposures by cell, orders one after the other.

    Attributes
    ----------
    bounds : int64, shape (FINEST_ORDER + 2,)
        Cells of order k are rows bounds[k] to bounds[k + 1].
    cells : uint32, shape (n_cells,)
        Ascending within an order.
    offsets : int64, shape (n_cells + 1,)
        Exposures of a row are at offsets[row] to offsets[row + 1].
    exposures : int32, shape (n_entries,)
        Exposure numbers, ascending within a cell.
    """

    bounds: NDArray[np.int64]
    cells: NDArray[np.uint32]
    offsets: NDArray[np.int64]
    exposures: NDArray[np.int32]

    def arrays(
        self,
    ) -> tuple[NDArray[np.int64], NDArray[np.uint32], NDArray[np.int64], NDArray[np.int32]]:
        """The four arrays, as the compiled functions take them."""
        return self.bounds, self.cells, self.offsets, self.exposures


# Of the arrays of CellLists, by name.
_DTYPES = {"bounds": np.int64, "cells": np.uint32, "offsets": np.int64, "exposures": np.int32}


@dataclass(frozen=True)
class CellIndex:
    """Lists of exposures that certainly hold a cell, and of those that may."""

    inside: CellLists
    edge: CellLists
    n_exposures: int

    def at_point(self, vector: NDArray[np.float64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Exposures that may show a direction.

        Parameters
        ----------
        vector : float64, shape (3,)
            Unit vector, ICRS.

        Returns
        -------
        certain, possible : int64 arrays, unordered
            Exposure numbers whose shrunk footprint holds it, and those to be decided.
        """
        cell = int(cells_of_directions(FINEST_ORDER, vector[None, :])[0])
        return _at_cell(cell, *self.inside.arrays()), _at_cell(cell, *self.edge.arrays())

    def near_cells(self, orders: Sequence[int], cells: Sequence[NDArray[np.int64]]) -> NDArray[Any]:
        """Exposures with a cell that overlaps any of the given ones.

        Parameters
        ----------
        orders : sequence of int
        cells : sequence of int64 arrays
            One array of cells for each order.

        Returns
        -------
        int64 array, ascending
        """
        marked = np.zeros(self.n_exposures, dtype=np.bool_)
        for order, some_cells in zip(orders, cells, strict=True):
            some_cells = np.sort(np.asarray(some_cells, dtype=np.int64))
            for lists in (self.inside, self.edge):
                _mark_overlapping(order, some_cells, *lists.arrays(), marked)
        return np.flatnonzero(marked)


@compiled
def _at_cell(
    finest_cell: int,
    bounds: NDArray[np.int64],
    cells: NDArray[np.uint32],
    offsets: NDArray[np.int64],
    exposures: NDArray[np.int32],
) -> NDArray[np.int64]:
    """Exposures listed under a cell of the finest order or under any of its ancestors."""
    orders = len(bounds) - 1
    rows = np.empty(orders, np.int64)
    total = 0
    for order in range(orders):
        cell = np.uint32(finest_cell >> (2 * (orders - 1 - order)))
        low, high = bounds[order], bounds[order + 1]
        row = low + np.searchsorted(cells[low:high], cell)
        rows[order] = row if row < high and cells[row] == cell else -1
        if rows[order] >= 0:
            total += offsets[row + 1] - offsets[row]
    found = np.empty(total, np.int64)
    used = 0
    for row in rows:
        if row >= 0:
            for at in range(offsets[row], offsets[row + 1]):
                found[used] = exposures[at]
                used += 1
    return found


@compiled
def _mark_overlapping(
    order: int,
    some_cells: NDArray[np.int64],
    bounds: NDArray[np.int64],
    cells: NDArray[np.uint32],
    offsets: NDArray[np.int64],
    exposures: NDArray[np.int32],
    marked: NDArray[np.bool_],
) -> None:
    """Mark the exposures under any of the (ascending) cells, their ancestors or descendants."""
    for level in range(len(bounds) - 1):
        low, high = bounds[level], bounds[level + 1]
        if low == high:
            continue
        level_cells = cells[low:high]
        last_row = low  # of what is already marked, so that a shared ancestor is read once
        for cell in some_cells:
            if level <= order:
                first = cell >> (2 * (order - level))
                beyond = first + 1
            else:
                first = cell << (2 * (level - order))
                beyond = (cell + 1) << (2 * (level - order))
            row = max(low + np.searchsorted(level_cells, np.uint32(first)), last_row)
            while row < high and cells[row] < beyond:
                for at in range(offsets[row], offsets[row + 1]):
                    marked[exposures[at]] = True
                row += 1
            last_row = max(row, last_row)


def index_orders(records: Records) -> NDArray[np.int64]:
    """Finest order into which each footprint is cut, int64, shape (n,)."""
    short = np.minimum(records["tan_half_width"], records["tan_half_height"])
    short_side_rad = 2.0 * np.minimum(np.arctan(short), records["usable_radius_rad"])
    size_rad = np.maximum(short_side_rad / _CELLS_ACROSS, records["margin_rad"])
    order = np.floor(np.log2(_ORDER_0_SIDE_RAD / size_rad))
    return np.asarray(np.clip(order, 0, FINEST_ORDER), dtype=np.int64)


def build_cell_index(records: Records, progress: Callable[[int], None] | None = None) -> CellIndex:
    """Make the index of footprints; `progress` is called with the exposures done since last."""
    found = footprint_cells(
        records, index_orders(records), KEEP_EDGE, with_margin=True, progress=progress
    )
    exposures = np.repeat(np.arange(len(records), dtype=np.int32), np.diff(found.offsets))
    inside, edge = (
        _cell_lists(found.orders[kind], found.cells[kind], exposures[kind])
        for kind in (found.inside, ~found.inside)
    )
    return CellIndex(inside, edge, len(records))


def _cell_lists(
    orders: NDArray[np.int8], cells: NDArray[np.int64], exposures: NDArray[np.int32]
) -> CellLists:
    """Sort (order, cell, exposure) triples, given by exposure, into lists by cell."""
    keys = (orders.astype(np.int64) << 40) | cells  # 40 bits hold any cell of these orders
    by_key = np.argsort(keys, kind="stable")
    keys, exposures = keys[by_key], exposures[by_key]
    first = np.flatnonzero(np.diff(keys, prepend=-1))
    unique = keys[first]
    bounds = np.searchsorted(unique >> 40, np.arange(FINEST_ORDER + 2))
    return CellLists(
        bounds.astype(np.int64),
        (unique & ((1 << 40) - 1)).astype(np.uint32),
        np.append(first, len(keys)).astype(np.int64),
        exposures,
    )


def save_cell_index(index: CellIndex, folder: Path) -> list[Path]:
    """Write the index as .npy files into a folder; the files written."""
    written = []
    for kind, lists in (("inside", index.inside), ("edge", index.edge)):
        for field in fields(CellLists):
            path = folder / f"index_{kind}_{field.name}.npy"
            np.save(path, getattr(lists, field.name))
            written.append(path)
    return written


def open_cell_index(folder: Path, n_exposures: int) -> CellIndex:
    """Memory-map an index written by `save_cell_index`.

    Raises
    ------
    ValueError
        If a file is missing or is not the array it should be; the text names it.
    """

    def opened(kind: str) -> CellLists:
        bounds, cells, offsets, exposures = (
            open_array(folder / f"index_{kind}_{name}.npy", dtype)
            for name, dtype in _DTYPES.items()
        )
        if len(bounds) != FINEST_ORDER + 2 or len(offsets) != len(cells) + 1:
            raise ValueError(f"index_{kind}_*.npy: arrays of lengths that do not belong together")
        return CellLists(bounds, cells, offsets, exposures)

    return CellIndex(opened("inside"), opened("edge"), n_exposures)


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
