"""From footprints to HEALPix cells: one recursive refinement, compiled, for every use.

A footprint is followed down from the twelve base cells. A cell that is certainly outside is
dropped, one that is certainly inside is kept whole, any other is split in four until the last
order, where the rule of the question decides. Cells are int64, NESTED, ICRS.
"""

import math
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.compiled import compiled
from platecover.coverage.edge_distance import edge_distances_rad
from platecover.coverage.healpix_cells import BASE_CELLS, BOUNDING_RADIUS_RAD, cell_direction
from platecover.coverage.plate_geometry import Records
from platecover.coverage.value_checks import HIGHEST_ORDER

# What becomes of a cell of the last order that the boundary may cross:
KEEP_EDGE = 0  # kept, marked as edge (the search decides by exact geometry)
TOUCHES = 1  # kept if the footprint touches it
HOLDS_CENTRE = 2  # kept if its centre is in the footprint

_STACK = 128  # 12 base cells and three waiting siblings at each of 29 orders
_TOUCH_LEVELS = 12  # a touch is followed to 1/4096 of a cell's side, or order 29, then believed
_CHUNK = 2048  # exposures refined between two reports of progress
_FIRST_GUESS = 256  # cells an exposure, for the size of the buffers
THREADS = 2


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

    def refine_chunk(start: int) -> tuple[NDArray[Any], ...]:
        waiting, orders = records[start : start + _CHUNK], last_orders[start : start + _CHUNK]
        size = _FIRST_GUESS * max(len(waiting), 1)
        found = []
        while True:
            counts = np.zeros(len(waiting), dtype=np.int64)
            buffers = (np.empty(size, np.int8), np.empty(size, np.int64), np.empty(size, np.bool_))
            done, used = _refine_all(
                waiting, orders, rule, with_margin, BOUNDING_RADIUS_RAD, counts, *buffers
            )
            found.append((counts[:done], *(buffer[:used].copy() for buffer in buffers)))
            waiting, orders = waiting[done:], orders[done:]
            if not len(waiting):
                return tuple(np.concatenate(column) for column in zip(*found, strict=True))
            if done == 0:  # not even one fits
                size *= 4

    parts = []
    with ThreadPoolExecutor(THREADS) as pool:
        for part in pool.map(refine_chunk, starts):
            parts.append(part)
            if progress is not None:
                progress(len(part[0]))
    if not parts:
        parts.append(refine_chunk(0))
    counts, orders, cells, inside = (np.concatenate(column) for column in zip(*parts, strict=True))
    offsets = np.concatenate([np.zeros(1, np.int64), np.cumsum(counts)])
    return FootprintCells(offsets, orders, cells, inside)


@compiled
def _refine_all(
    records: Any,
    last_orders: NDArray[np.int64],
    rule: int,
    with_margin: bool,
    radii: NDArray[np.float64],
    counts: NDArray[np.int64],
    orders: NDArray[np.int8],
    cells: NDArray[np.int64],
    inside: NDArray[np.bool_],
) -> tuple[int, int]:
    """Refine one exposure after the other until the buffers are full; exposures done, cells."""
    used = 0
    for i in range(len(records)):
        before = used
        used = _refine(
            records[i], last_orders[i], rule, with_margin, radii, used, orders, cells, inside
        )
        if used < 0:
            return i, before
        counts[i] = used - before
    return len(records), used


@compiled
def _refine(
    record: Any,
    last_order: int,
    rule: int,
    with_margin: bool,
    radii: NDArray[np.float64],
    used: int,
    orders: NDArray[np.int8],
    cells: NDArray[np.int64],
    inside: NDArray[np.bool_],
) -> int:
    """Write the cells of one footprint from `used` on; the new end, or -1 if they don't fit."""
    margin = record.margin_rad if with_margin else 0.0
    stack_cell = np.empty(_STACK, np.int64)
    stack_order = np.empty(_STACK, np.int64)
    for base in range(BASE_CELLS):
        stack_cell[base], stack_order[base] = BASE_CELLS - 1 - base, 0
    waiting = BASE_CELLS
    while waiting > 0:
        waiting -= 1
        order, cell = stack_order[waiting], stack_cell[waiting]
        reach = radii[order] + margin
        x, y, z = cell_direction(order, cell)
        larger, smaller = bounded_distances(record, x, y, z, reach)
        if larger < -reach:
            continue
        whole = (smaller if rule == KEEP_EDGE else larger) >= reach
        if not whole and order < last_order:
            for child in range(3, -1, -1):
                stack_cell[waiting], stack_order[waiting] = 4 * cell + child, order + 1
                waiting += 1
            continue
        if not whole and rule == HOLDS_CENTRE and larger < 0.0:
            continue
        if not whole and rule == TOUCHES and not touches_cell(record, order, cell, larger, radii):
            continue
        if used == len(cells):
            return -1
        orders[used], cells[used], inside[used] = order, cell, whole
        used += 1
    return used


@compiled
def touches_cell(
    record: Any, order: int, cell: int, distance: float, radii: NDArray[np.float64]
) -> bool:
    """Whether a footprint touches a cell: a centre of some cell within it is in the footprint.

    Never false for a cell that is touched; at worst true for one missed by 1/4096 of its side.
    """
    if distance >= 0.0:
        return True
    stack_cell = np.empty(4 * (_TOUCH_LEVELS + 1), np.int64)
    stack_level = np.empty(4 * (_TOUCH_LEVELS + 1), np.int64)
    stack_cell[0], stack_level[0] = cell, 0
    last_level = min(_TOUCH_LEVELS, HIGHEST_ORDER - order)
    waiting = 1
    while waiting > 0:
        waiting -= 1
        level, parent = stack_level[waiting], stack_cell[waiting]
        if level == last_level:
            return True
        for child in range(4):
            x, y, z = cell_direction(order + level + 1, 4 * parent + child)
            reach = radii[order + level + 1]
            inner, _ = bounded_distances(record, x, y, z, reach)
            if inner >= 0.0:
                return True
            if inner >= -reach:
                stack_cell[waiting], stack_level[waiting] = 4 * parent + child, level + 1
                waiting += 1
    return False


@compiled
def bounded_distances(
    record: Any, x: float, y: float, z: float, reach: float
) -> tuple[float, float]:
    """Edge distances of a direction: exact inside, outside perhaps nearer to 0 than it is.

    -pi stands for any that is beyond -reach. Most directions are settled by the sides' great
    circles alone; only beyond two sides, where a corner decides, is the exact test needed.
    """
    if reach < math.pi / 2:
        centre, x_axis, y_axis = record.centre, record.x_axis, record.y_axis
        u = abs(x * x_axis[0] + y * x_axis[1] + z * x_axis[2])
        v = abs(x * y_axis[0] + y * y_axis[1] + z * y_axis[2])
        w = x * centre[0] + y * centre[1] + z * centre[2]
        tan_x, tan_y = record.tan_half_width, record.tan_half_height
        if record.either_layout == 1:
            tan_x = tan_y = max(tan_x, tan_y)
        sine_x = (w * tan_x - u) / math.sqrt(1.0 + tan_x * tan_x)
        sine_y = (w * tan_y - v) / math.sqrt(1.0 + tan_y * tan_y)
        nearest = min(sine_x, sine_y)
        radius = record.usable_radius_rad
        if nearest < -math.sin(reach) or w < math.cos(min(radius + reach, math.pi)):
            return -math.pi, -math.pi
        if record.either_layout == 0 and w > 0.0 and max(sine_x, sine_y) >= 0.0:
            distance = math.asin(nearest)
            if radius < math.inf:
                distance = min(distance, radius - math.atan2(math.hypot(u, v), w))
            return distance, distance
    return edge_distances_rad(record, x, y, z)
