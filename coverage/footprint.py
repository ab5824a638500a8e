"""From footprints to HEALPix cells: one recursive refinement, compiled, for every use.

A footprint is followed down from the twelve base cells. A cell that is certainly outside is
dropped, one that is certainly inside is kept whole, any other is split in four until the last
order, where the rule of the question decides. Cells are int64, NESTED, ICRS.
"""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.cell_place import (
    CENTRE_OUT,
    FAR,
    WHOLE,
    fill_reaches,
    outlines_of,
    places,
    reaches_without_margin,
)
from platecover.coverage.compiled import compiled
from platecover.coverage.healpix_cells import (
    BOUNDING_RADIUS_RAD,
    STACK,
    centre_in_base,
    push_base_cells,
    push_children,
)
from platecover.coverage.plate_geometry import Records
from platecover.coverage.value_checks import HIGHEST_ORDER

# What becomes of a cell of the last order that the boundary may cross:
KEEP_EDGE = 0  # kept, marked as edge (the search decides by exact geometry)
TOUCHES = 1  # kept if the footprint touches it
HOLDS_CENTRE = 2  # kept if its centre is in the footprint

_TOUCH_LEVELS = 12  # a touch is followed to 1/4096 of a cell's side, or order 29, then believed
TOUCH_STACK = 3 * _TOUCH_LEVELS + 1  # waiting at most: three siblings at each of these orders
_CHUNK = 2048  # exposures refined between two reports of progress
_FIRST_GUESS = 256  # cells an exposure, for the size of the buffers
THREADS = 2
_NO_CELLS = tuple(np.empty(0, dtype) for dtype in (np.int64, np.int8, np.int64, np.bool_))


@dataclass(frozen=True)
class FootprintCells:
    """Cells of many footprints, one after the other.

    Attributes
    ----------
    offsets : int64, shape (n + 1,)
        Cells of exposure i are at offsets[i] to offsets[i + 1].
    orders : int8, shape (m,)
    cells : int64, shape (m,)
    inside : bool, shape (m,)
        True where the whole cell lies in the (shrunk) footprint.
    """

    offsets: NDArray[np.int64]
    orders: NDArray[np.int8]
    cells: NDArray[np.int64]
    inside: NDArray[np.bool_]


def footprint_cells(
    records: Records,
    last_orders: NDArray[np.int64],
    rule: int,
    *,
    with_margin: bool = False,
    progress: Callable[[int], None] | None = None,
) -> FootprintCells:
    """Cut footprints into cells.

    Parameters
    ----------
    records : dtype GEOMETRY, shape (n,)
    last_orders : int64, shape (n,)
        Finest order for each exposure, 0 to 29.
    rule : int
        KEEP_EDGE, TOUCHES or HOLDS_CENTRE.
    with_margin : bool, optional
        Cells of the footprint grown by its margin; those that lie in the footprint shrunk by
        the margin are `inside`. Without it the footprint itself.
    progress : callable, optional
        Called with the number of exposures done since the last call.

    Returns
    -------
    FootprintCells
        Disjoint cells of each exposure in NESTED order.

    Raises
    ------
    ValueError
        If there is not one order from 0 to 29 for each exposure, or the rule is another one.
    """
    records, last_orders = np.asarray(records), np.asarray(last_orders, dtype=np.int64)
    if last_orders.shape != (len(records),):
        raise ValueError(f"last_orders must have shape ({len(records)},), got {last_orders.shape}")
    if not ((last_orders >= 0) & (last_orders <= HIGHEST_ORDER)).all():
        raise ValueError(
            f"last_orders must be from 0 to {HIGHEST_ORDER},"
            f" got {last_orders.min()} to {last_orders.max()}"
        )
    if rule not in (KEEP_EDGE, TOUCHES, HOLDS_CENTRE):
        raise ValueError(f"rule must be KEEP_EDGE, TOUCHES or HOLDS_CENTRE, got {rule!r}")
    starts = range(0, len(records), _CHUNK)
    reaches = reaches_without_margin()

    def refine_chunk(start: int) -> list[tuple[NDArray[Any], ...]]:
        waiting = outlines_of(records[start : start + _CHUNK])
        orders = last_orders[start : start + _CHUNK]
        size = _FIRST_GUESS * len(waiting)
        found = []
        while len(waiting):
            counts = np.zeros(len(waiting), dtype=np.int64)
            buffers = (np.empty(size, np.int8), np.empty(size, np.int64), np.empty(size, np.bool_))
            done, used = _refine_all(
                waiting, orders, rule, with_margin, BOUNDING_RADIUS_RAD, reaches, counts, *buffers
            )
            found.append((counts[:done], *(buffer[:used].copy() for buffer in buffers)))
            waiting, orders = waiting[done:], orders[done:]
            if done == 0:  # not even one fits
                size *= 4
        return found

    parts: list[tuple[NDArray[Any], ...]] = [_NO_CELLS]
    with ThreadPoolExecutor(THREADS) as pool:
        for start, found in zip(starts, pool.map(refine_chunk, starts), strict=True):
            parts += found
            if progress is not None:
                progress(min(_CHUNK, len(records) - start))
    counts, orders, cells, inside = (np.concatenate(column) for column in zip(*parts, strict=True))
    offsets = np.concatenate([np.zeros(1, np.int64), np.cumsum(counts)])
    return FootprintCells(offsets, orders, cells, inside)


@compiled
def _refine_all(
    outlines: Any,
    last_orders: NDArray[np.int64],
    rule: int,
    with_margin: bool,
    radii: NDArray[np.float64],
    bare_reaches: NDArray[np.float64],
    counts: NDArray[np.int64],
    orders: NDArray[np.int8],
    cells: NDArray[np.int64],
    inside: NDArray[np.bool_],
) -> tuple[int, int]:
    """Refine one exposure after the other until the buffers are full; exposures done, cells."""
    stack = np.empty((STACK, 4), np.int64)
    touch_stack = np.empty((TOUCH_STACK, 3), np.int64)
    reaches = bare_reaches.copy()
    used = 0
    for i in range(len(outlines)):
        if with_margin:
            fill_reaches(radii, outlines[i].margin_rad, last_orders[i], reaches)
        before = used
        used = _refine(
            outlines[i], last_orders[i], rule, reaches, bare_reaches,
            stack, touch_stack, used, orders, cells, inside,
        )  # fmt: skip
        if used < 0:
            return i, before
        counts[i] = used - before
    return len(outlines), used


@compiled
def _refine(
    outline: Any,
    last_order: int,
    rule: int,
    reaches: NDArray[np.float64],
    bare_reaches: NDArray[np.float64],
    stack: NDArray[np.int64],
    touch_stack: NDArray[np.int64],
    used: int,
    orders: NDArray[np.int8],
    cells: NDArray[np.int64],
    inside: NDArray[np.bool_],
) -> int:
    """Write the cells of one footprint from `used` on; the new end, or -1 if they don't fit."""
    waiting = push_base_cells(stack)
    while waiting > 0:
        waiting -= 1
        order, cell = stack[waiting, 0], stack[waiting, 1]
        column, row = stack[waiting, 2], stack[waiting, 3]
        x, y, z = centre_in_base(order, cell >> (2 * order), column, row)
        larger, smaller = places(outline, x, y, z, reaches[order, 0], reaches[order, 1])
        if larger == FAR:
            continue
        whole = (smaller if rule == KEEP_EDGE else larger) == WHOLE
        if not whole and order < last_order:
            waiting = push_children(stack, waiting, order, cell, column, row)
            continue
        if not whole and larger == CENTRE_OUT:
            if rule == HOLDS_CENTRE:
                continue
            if rule == TOUCHES and not touches_cell(
                outline, order, cell, column, row, bare_reaches, touch_stack
            ):
                continue
        if used == len(cells):
            return -1
        orders[used], cells[used], inside[used] = order, cell, whole
        used += 1
    return used


@compiled
def touches_cell(
    outline: Any,
    order: int,
    cell: int,
    column: int,
    row: int,
    reaches: NDArray[np.float64],
    stack: NDArray[np.int64],
) -> bool:
    """Whether a footprint that doesn't hold a cell's centre touches it: holds a finer cell's.

    Never false for a cell that is touched; at worst true for one missed by 1/4096 of its side.
    `reaches` are without margin; `stack` has TOUCH_STACK rows (order, column, row).
    """
    base, last_order = cell >> (2 * order), min(order + _TOUCH_LEVELS, HIGHEST_ORDER)
    stack[0, 0], stack[0, 1], stack[0, 2] = order, column, row
    waiting = 1
    while waiting > 0:
        waiting -= 1
        order, column, row = stack[waiting, 0], 2 * stack[waiting, 1], 2 * stack[waiting, 2]
        if order == last_order:
            return True
        order += 1
        for child in range(4):
            child_column, child_row = column + (child & 1), row + (child >> 1)
            x, y, z = centre_in_base(order, base, child_column, child_row)
            larger, _ = places(outline, x, y, z, reaches[order, 0], reaches[order, 1])
            if larger > CENTRE_OUT:
                return True
            if larger == CENTRE_OUT:
                stack[waiting, 0], stack[waiting, 1] = order, child_column
                stack[waiting, 2] = child_row
                waiting += 1
    return False
