"""The union of many footprints: every HEALPix cell that any of them touches, without margin.

Down to a middling order the union is painted on the whole sky, order by order: what is already
covered is never looked at again, which is most of it in an archive that photographed the sky many
times. Finer unions are made footprint by footprint.
"""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.cell_place import (
    CENTRE_OUT,
    FAR,
    WHOLE,
    outlines_of,
    places,
    reaches_without_margin,
)
from platecover.coverage.compiled import compiled
from platecover.coverage.footprint import (
    THREADS,
    TOUCH_STACK,
    TOUCHES,
    footprint_cells,
    touches_cell,
)
from platecover.coverage.healpix_cells import (
    BASE_CELLS,
    BOUNDING_RADIUS_RAD,
    STACK,
    centre_in_base,
    merged_ranges,
    push_base_cells,
    push_children,
)
from platecover.coverage.plate_geometry import Records

FINEST_PAINTED_ORDER = 11  # its sky takes 67 MB
_CHUNK = 2_000  # exposures between two reports of progress, and held as cells at once


def union_ranges(
    records: Records, order: int, progress: Callable[[int], None] | None = None
) -> NDArray[np.uint64]:
    """Every cell that any of the footprints touches, as ranges; no margin.

    Parameters
    ----------
    records : dtype GEOMETRY, shape (n,)
    order : int
        Finest order.
    progress : callable, optional
        Called with the number of exposures done since the last call.

    Returns
    -------
    uint64, shape (m, 2)
        Half-open ranges of cells of `order`, ascending, apart from each other.
    """
    records = np.asarray(records)
    ranges = _by_painting if order <= FINEST_PAINTED_ORDER else _by_merging
    return ranges(records, order, progress or (lambda _: None))


def boundary_cells_bound(records: Records, order: int) -> float:
    """Rough upper bound of the boundary cells that `union_ranges` would look at."""
    around_rad = 4.0 * (
        np.arctan(records["tan_half_width"]) + np.arctan(records["tan_half_height"])
    )
    layouts = 1.0 + records["either_layout"]
    return float(np.sum(layouts * (around_rad / BOUNDING_RADIUS_RAD[order] * 2.0 + 4.0)))


def _by_merging(
    records: Records, order: int, progress: Callable[[int], None]
) -> NDArray[np.uint64]:
    """Ranges of the footprints one by one, merged."""
    merged = np.zeros((0, 2), dtype=np.uint64)
    for start in range(0, len(records), _CHUNK):
        part = records[start : start + _CHUNK]
        merged = merged_ranges(np.concatenate([merged, _touched_ranges(part, order)]))
        progress(len(part))
    return merged


def _by_painting(
    records: Records, order: int, progress: Callable[[int], None]
) -> NDArray[np.uint64]:
    """Ranges of what all footprints together mark on one sky.

    Threads share the sky: a mark is never taken back, and where two miss that together they
    covered a parent, that costs time later but no cell.
    """
    covered = np.zeros(_level_start(order + 1), dtype=np.bool_)
    reaches = reaches_without_margin()

    def paint(start: int) -> int:
        outlines = outlines_of(records[start : start + _CHUNK])
        _paint(outlines, order, reaches, covered)
        return len(outlines)

    with ThreadPoolExecutor(THREADS) as pool:
        for done in pool.map(paint, range(0, len(records), _CHUNK)):
            progress(done)
    return _painted_ranges(covered, order)


def _touched_ranges(records: Records, order: int) -> NDArray[np.uint64]:
    """Ranges of each footprint by itself, in no order."""
    found = footprint_cells(records, np.full(len(records), order), TOUCHES)
    shift = (2 * (order - found.orders.astype(np.int64))).astype(np.uint64)
    first = found.cells.astype(np.uint64) << shift
    return np.stack([first, first + (np.uint64(1) << shift)], axis=1)


def _level_start(order: int) -> int:
    """Where the cells of an order begin when all orders stand one after the other."""
    return BASE_CELLS * ((1 << 2 * order) - 1) // 3


@compiled
def _paint(
    outlines: Any, last_order: int, reaches: NDArray[np.float64], covered: NDArray[np.bool_]
) -> None:
    """Mark the cells of footprints; four marked siblings mark their parent."""
    starts = np.empty(last_order + 1, np.int64)
    starts[0] = 0
    for order in range(last_order):
        starts[order + 1] = starts[order] + (BASE_CELLS << (2 * order))
    stack, touch_stack = np.empty((STACK, 4), np.int64), np.empty((TOUCH_STACK, 3), np.int64)
    for i in range(len(outlines)):
        outline = outlines[i]
        waiting = push_base_cells(stack)
        while waiting > 0:
            waiting -= 1
            order, cell = stack[waiting, 0], stack[waiting, 1]
            column, row = stack[waiting, 2], stack[waiting, 3]
            if covered[starts[order] + cell]:
                continue
            x, y, z = centre_in_base(order, cell >> (2 * order), column, row)
            place, _ = places(outline, x, y, z, reaches[order, 0], reaches[order, 1])
            if place == FAR:
                continue
            if place != WHOLE:
                if order < last_order:
                    waiting = push_children(stack, waiting, order, cell, column, row)
                    continue
                if place == CENTRE_OUT and not touches_cell(
                    outline, order, cell, column, row, reaches, touch_stack
                ):
                    continue
            covered[starts[order] + cell] = True
            while order > 0:
                first = starts[order] + (cell & ~3)
                if not covered[first : first + 4].all():
                    break
                order, cell = order - 1, cell >> 2
                covered[starts[order] + cell] = True


def _painted_ranges(covered: NDArray[np.bool_], last_order: int) -> NDArray[np.uint64]:
    """Ranges of cells of the last order that are covered at any order."""
    whole = covered[: _level_start(1)]
    for order in range(1, last_order + 1):
        whole = np.repeat(whole, 4) | covered[_level_start(order) : _level_start(order + 1)]
    changes = np.flatnonzero(np.diff(whole, prepend=False, append=False))
    return changes.reshape(-1, 2).astype(np.uint64)
