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
from platecover.coverage.compiled import compiled
from platecover.coverage.footprint import HOLDS_CENTRE, footprint_cells
from platecover.coverage.growing_array import GrowingArray
from platecover.coverage.kept_exposures import Kept
from platecover.coverage.plate_geometry import GEOMETRY, Records

KEPT_ORDER = 7  # 27 arcmin
_SLICE = 10_000  # exposures whose cells are held in memory at once
_RANGE_BITS = 32  # a cell of order k takes 2k + 4 of them, the length of a range the others
_ARRAYS = {"offsets": np.int64, "ranges": np.uint32}


@dataclass(frozen=True)
class MapCells:
    """Ranges of cells of one order, exposure after exposure.

    Attributes
    ----------
    order : int
    offsets : int64, shape (n + 1,)
        Ranges of exposure i are at offsets[i] to offsets[i + 1].
    ranges : uint32, shape (m,)
        Ascending within an exposure, without overlap; the first cell and, in the lowest
        `length_bits` bits, the number of cells after it.
    """

    order: int
    offsets: NDArray[np.int64]
    ranges: NDArray[np.uint32]

    @property
    def length_bits(self) -> int:
        """How many bits of a range are its length."""
        return _length_bits(self.order)


def map_cells(
    records: Records, order: int, progress: Callable[[int], None] | None = None
) -> MapCells:
    """Cut footprints into ranges of cells.

    Parameters
    ----------
    records : dtype GEOMETRY, shape (n,)
    order : int
        0 to 13, so that a range fits 32 bits.
    progress : callable, optional
        Called with the number of exposures done since the last call.

    Returns
    -------
    MapCells
    """
    counts, ranges = [np.zeros(1, np.int64)], [np.zeros(0, np.uint32)]
    for start in range(0, len(records), _SLICE):
        some_counts, some_ranges = _cut(records[start : start + _SLICE], order)
        counts.append(some_counts)
        ranges.append(some_ranges)
        if progress is not None:
            progress(len(some_counts))
    return MapCells(order, np.cumsum(np.concatenate(counts)), np.concatenate(ranges))


def write_map_cells(
    records: Records,
    folder: Path,
    progress: Callable[[int], None] | None = None,
    *,
    kept: Kept[MapCells] | None = None,
) -> None:
    """Write the ranges of KEPT_ORDER as `map_*.npy` into a folder.

    Parameters
    ----------
    records : dtype GEOMETRY, shape (n,)
        May be memory-mapped; it is read in slices.
    folder : pathlib.Path
    progress : callable, optional
        Called with the number of exposures done since the last call.
    kept : Kept, optional
        Exposures that need not be cut again. The files are the same with it or without.

    Raises
    ------
    ValueError
        If `kept` does not fit its cells or the records.
    """
    old_number = _old_numbers(kept, len(records))
    with (
        GrowingArray(folder / "map_offsets.npy", _ARRAYS["offsets"]) as offsets,
        GrowingArray(folder / "map_ranges.npy", _ARRAYS["ranges"]) as ranges,
    ):
        offsets.append(np.zeros(1, np.int64))
        for start in range(0, len(records), _SLICE):
            # a file forgets that the records are aligned, and numba takes that for another type
            part = records[start : start + _SLICE].view(GEOMETRY)
            counts, some = _cut_or_copied(part, kept, old_number[start : start + _SLICE])
            offsets.append(ranges.length + np.cumsum(counts))
            ranges.append(some)
            if progress is not None:
                progress(len(part))


def open_map_cells(folder: Path, n_exposures: int) -> MapCells:
    """Memory-map ranges written by `write_map_cells`.

    Raises
    ------
    ValueError
        If a file is missing or holds something else; the text starts with its name.
    """
    offsets, ranges = (
        open_array(folder / f"map_{name}.npy", kind) for name, kind in _ARRAYS.items()
    )
    if len(offsets) != n_exposures + 1 or offsets[-1] != len(ranges):
        raise ValueError(
            f"map_offsets.npy: not the offsets of {n_exposures} exposures and {len(ranges)} ranges"
        )
    return MapCells(KEPT_ORDER, offsets, ranges)


def _length_bits(order: int) -> int:
    return _RANGE_BITS - (2 * order + 4)


def _cut(records: Records, order: int) -> tuple[NDArray[np.int64], NDArray[np.uint32]]:
    """Ranges of footprints, and how many each has."""
    found = footprint_cells(records, np.full(len(records), order), HOLDS_CENTRE)
    shift = 2 * (order - found.orders.astype(np.int64))
    first = found.cells << shift
    end = first + (np.int64(1) << shift)
    begins = np.ones(len(first), dtype=np.bool_)  # neighbours of one exposure are joined
    begins[1:] = first[1:] != end[:-1]
    begins[found.offsets[:-1][np.diff(found.offsets) > 0]] = True
    places = np.flatnonzero(begins)
    first, end = first[places], end[np.append(places, len(first))[1:] - 1]

    # a range too long for its bits is cut into pieces
    longest = 1 << _length_bits(order)
    pieces = (end - first + longest - 1) // longest
    used = np.concatenate([np.zeros(1, np.int64), np.cumsum(pieces)])
    first = np.repeat(first - used[:-1] * longest, pieces) + np.arange(used[-1]) * longest
    after = np.minimum(np.repeat(end, pieces) - first, longest) - 1
    ranges = first << _length_bits(order) | after
    return np.diff(used[np.searchsorted(places, found.offsets)]), ranges.astype(np.uint32)


def _old_numbers(kept: Kept[MapCells] | None, count: int) -> NDArray[np.int32]:
    """Number in the last edition of every exposure that is kept, -1 of the others."""
    old_number = np.full(count, -1, dtype=np.int32)
    if kept is None:
        return old_number
    kept.require_fitting(len(kept.before.offsets) - 1, count)
    if kept.before.order != KEPT_ORDER:
        raise ValueError(f"kept cells must be of order {KEPT_ORDER}, got order {kept.before.order}")
    olds = np.flatnonzero(kept.number_of >= 0)
    news = kept.number_of[olds]
    old_number[news] = olds
    return old_number


def _cut_or_copied(
    records: Records, kept: Kept[MapCells] | None, old_number: NDArray[np.int32]
) -> tuple[NDArray[np.int64], NDArray[np.uint32]]:
    """As `_cut`, but ranges of exposures with an old number are taken from there."""
    is_new = old_number < 0
    if kept is None or is_new.all():
        return _cut(records, KEPT_ORDER)
    new_counts, new_ranges = _cut(records[is_new], KEPT_ORDER)
    old = kept.before
    counts = old.offsets[old_number + 1] - old.offsets[old_number]
    counts[is_new] = new_counts
    ranges = np.empty(counts.sum(), dtype=np.uint32)
    _interleave(counts, old_number, old.offsets, old.ranges, new_ranges, ranges)
    return counts, ranges


@compiled
def _interleave(
    counts: NDArray[np.int64],
    old_number: NDArray[np.int32],
    old_offsets: NDArray[np.int64],
    old_ranges: NDArray[np.uint32],
    new_ranges: NDArray[np.uint32],
    ranges: NDArray[np.uint32],
) -> None:
    """Copy the ranges of each exposure from the old ones or, in turn, from the new ones."""
    used = new_used = 0
    for i in range(len(counts)):
        count = counts[i]
        if old_number[i] >= 0:
            start = old_offsets[old_number[i]]
            ranges[used : used + count] = old_ranges[start : start + count]
        else:
            ranges[used : used + count] = new_ranges[new_used : new_used + count]
            new_used += count
        used += count
