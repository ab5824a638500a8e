"""Which cells each footprint covers, for maps and for counting area: ranges of one order.

An exposure covers a cell when the cell's centre is inside its footprint, without margin. Kept in
the edition for the order that maps have unless another is asked for, so that a map under any
filter need not cut footprints into cells again. Cells are NESTED, ICRS.
"""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.cell_index import open_array
from platecover.coverage.footprint import HOLDS_CENTRE, footprint_cells
from platecover.coverage.plate_geometry import Records

KEPT_ORDER = 7  # 27 arcmin
_CHUNK = 10_000  # exposures whose cells are held in memory at once
_ARRAYS = {"offsets": np.int64, "first": np.uint32, "end": np.uint32}


@dataclass(frozen=True)
class MapCells:
    """Half-open ranges of cells of one order, exposure after exposure.

    Attributes
    ----------
    offsets : int64, shape (n + 1,)
        Ranges of exposure i are at offsets[i] to offsets[i + 1].
    first, end : uint32, shape (m,)
        Ascending within an exposure, apart from each other.
    """

    offsets: NDArray[np.int64]
    first: NDArray[np.uint32]
    end: NDArray[np.uint32]


def map_cells(
    records: Records, order: int, progress: Callable[[int], None] | None = None
) -> MapCells:
    """Cut footprints into ranges of cells.

    Parameters
    ----------
    records : dtype GEOMETRY, shape (n,)
    order : int
        0 to 13, so that cells fit 32 bits.
    progress : callable, optional
        Called with the number of exposures done since the last call.

    Returns
    -------
    MapCells
    """
    counts, firsts, ends = [np.zeros(1, np.int64)], [], []
    for start in range(0, max(len(records), 1), _CHUNK):
        part = records[start : start + _CHUNK]
        found = footprint_cells(part, np.full(len(part), order), HOLDS_CENTRE, progress=progress)
        shift = 2 * (order - found.orders.astype(np.int64))
        first = found.cells << shift
        end = first + (np.int64(1) << shift)
        begins = np.ones(len(first), dtype=np.bool_)  # neighbours of one exposure are joined
        begins[1:] = first[1:] != end[:-1]
        begins[found.offsets[:-1][np.diff(found.offsets) > 0]] = True
        places = np.flatnonzero(begins)
        counts.append(np.diff(np.searchsorted(places, found.offsets)))
        firsts.append(first[places].astype(np.uint32))
        last = np.append(places, len(first))[1:] - 1
        ends.append(end[last].astype(np.uint32))
    return MapCells(np.cumsum(np.concatenate(counts)), np.concatenate(firsts), np.concatenate(ends))


def save_map_cells(cells: MapCells, folder: Path) -> None:
    """Write the ranges as .npy files into a folder."""
    for name in _ARRAYS:
        np.save(folder / f"map_{name}.npy", getattr(cells, name))


def open_map_cells(folder: Path, n_exposures: int) -> MapCells:
    """Memory-map ranges written by `save_map_cells`.

    Raises
    ------
    ValueError
        If a file is missing or holds something else; the text starts with its name.
    """
    arrays = {name: open_array(folder / f"map_{name}.npy", kind) for name, kind in _ARRAYS.items()}
    offsets, count = arrays["offsets"], len(arrays["first"])
    if len(arrays["end"]) != count:
        raise ValueError(f"map_end.npy: {len(arrays['end'])} ends of {count} ranges")
    if len(offsets) != n_exposures + 1 or offsets[-1] != count:
        raise ValueError(f"map_offsets.npy: not the offsets of {n_exposures} exposures")
    return MapCells(**arrays)
