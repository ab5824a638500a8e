"""HEALPix cells in the NESTED numbering: where a cell's centre is, and how far it reaches.

Cells are int64, NESTED, ICRS throughout; `order` k means 12 * 4**k cells (Gorski et al. 2005,
ApJ 622, 759).
"""

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.cell_of_direction import cell_of_direction
from platecover.coverage.compiled import compiled
from platecover.coverage.value_checks import HIGHEST_ORDER

BASE_CELLS = 12
STACK = BASE_CELLS + 3 * HIGHEST_ORDER  # rows of a stack that suffice down to any order
WHOLE_SKY_DEG2 = 4.0 * math.pi * math.degrees(1.0) ** 2


def _farthest_corner_rad(side: int) -> float:
    """Largest angle between the centre of a cell and a corner of it.

    That is in the cells next to longitude 0 on the ring where the polar caps begin, z = 2/3: from
    the centre there to the corner towards the pole, one ring further up.
    """
    turn = math.pi / (4 * side)
    z = 2.0 / 3.0
    sine = math.sqrt((1.0 - z) * (1.0 + z))
    centre = np.array([sine * math.cos(turn), sine * math.sin(turn), z])
    corner_z = 1.0 - (1.0 - 1.0 / side) ** 2 / 3.0
    corner = np.array([math.sqrt((1.0 - corner_z) * (1.0 + corner_z)), 0.0, corner_z])
    return math.atan2(float(np.linalg.norm(np.cross(centre, corner))), float(centre @ corner))


# Angle from a cell's centre that holds the whole cell, at each order, radians.
BOUNDING_RADIUS_RAD: NDArray[np.float64] = np.array(
    [_farthest_corner_rad(1 << order) for order in range(HIGHEST_ORDER + 1)]
)

# Of each base cell: the row of its southern corner counted from the north pole, and the longitude
# of its centre in eighths of a turn (Gorski et al. 2005, section 5.3).
_FACE_ROW = np.array([2, 2, 2, 2, 3, 3, 3, 3, 4, 4, 4, 4])
_FACE_EIGHTH = np.array([1, 3, 5, 7, 0, 2, 4, 6, 1, 3, 5, 7])
_EIGHTH_TURN_RAD = math.pi / 4


@compiled
def cell_direction(order: int, cell: int) -> tuple[float, float, float]:
    """Unit vector to the centre of a NESTED cell; order and cell must be valid."""
    base = cell >> (2 * order)
    inner = cell & ((1 << (2 * order)) - 1)
    return centre_in_base(order, base, _even_bits(inner), _even_bits(inner >> 1))


@compiled
def centre_in_base(order: int, base: int, column: int, row: int) -> tuple[float, float, float]:
    """Unit vector to the centre of the cell at a column and row of a base cell.

    Both count from the base cell's southern corner, columns towards the north-east.
    """
    side = 1 << order
    ring = _FACE_ROW[base] * side - column - row - 1  # 1 .. 4 * side - 1 from the north pole
    in_ring = min(ring, side, 4 * side - ring)  # cells of this ring in a quarter turn
    if in_ring == side:
        z = (2 * side - ring) * 2.0 / (3.0 * side)
        sine = math.sqrt((1.0 - z) * (1.0 + z))
    else:
        from_pole = in_ring * in_ring / (3.0 * side * side)  # 1 - |z|, kept exact near the pole
        z = 1.0 - from_pole if ring < side else from_pole - 1.0
        sine = math.sqrt(from_pole * (2.0 - from_pole))
    longitude = (_FACE_EIGHTH[base] + (column - row) / in_ring) * _EIGHTH_TURN_RAD
    return sine * math.cos(longitude), sine * math.sin(longitude), z


@compiled
def push_base_cells(stack: NDArray[np.int64]) -> int:
    """Begin a stack of cells to be looked at, rows (order, cell, column, row); cells on it.

    It needs STACK rows. Cells are popped in NESTED order.
    """
    for base in range(BASE_CELLS):
        stack[base, 0], stack[base, 1] = 0, BASE_CELLS - 1 - base
        stack[base, 2] = stack[base, 3] = 0
    return BASE_CELLS


@compiled
def push_children(
    stack: NDArray[np.int64], waiting: int, order: int, cell: int, column: int, row: int
) -> int:
    """Put a cell's four children on a stack of `waiting` cells; cells on it then."""
    for child in range(3, -1, -1):
        stack[waiting, 0], stack[waiting, 1] = order + 1, 4 * cell + child
        stack[waiting, 2], stack[waiting, 3] = 2 * column + (child & 1), 2 * row + (child >> 1)
        waiting += 1
    return waiting


@compiled
def _even_bits(number: int) -> int:
    """Gather bits 0, 2, 4, ... of a number, as the NESTED numbering interleaves x and y."""
    number &= 0x5555555555555555
    number = (number | (number >> 1)) & 0x3333333333333333
    number = (number | (number >> 2)) & 0x0F0F0F0F0F0F0F0F
    number = (number | (number >> 4)) & 0x00FF00FF00FF00FF
    number = (number | (number >> 8)) & 0x0000FFFF0000FFFF
    return (number | (number >> 16)) & 0x00000000FFFFFFFF


def cell_centres(order: int, cells: NDArray[np.int64]) -> NDArray[np.float64]:
    """Unit vectors to the centres of NESTED cells, shape (n, 3)."""
    return _centres(order, np.ascontiguousarray(cells, dtype=np.int64))


@compiled
def _centres(order: int, cells: NDArray[np.int64]) -> NDArray[np.float64]:
    centres = np.empty((len(cells), 3))
    for i in range(len(cells)):
        centres[i, 0], centres[i, 1], centres[i, 2] = cell_direction(order, cells[i])
    return centres


def cells_of_directions(order: int, vectors: NDArray[np.float64]) -> NDArray[np.int64]:
    """NESTED cells that hold unit vectors of shape (n, 3)."""
    return _cells(order, np.ascontiguousarray(vectors, dtype=np.float64))


@compiled
def _cells(order: int, vectors: NDArray[np.float64]) -> NDArray[np.int64]:
    cells = np.empty(len(vectors), np.int64)
    for i in range(len(vectors)):
        cells[i] = cell_of_direction(order, vectors[i, 0], vectors[i, 1], vectors[i, 2])
    return cells


def merged_ranges(ranges: NDArray[Any]) -> NDArray[Any]:
    """Sort half-open ranges, shape (n, 2), and join those that meet or overlap."""
    if not len(ranges):
        return ranges
    ranges = ranges[np.argsort(ranges[:, 0], kind="stable")]
    reached = np.maximum.accumulate(ranges[:, 1])
    starts = np.flatnonzero(np.concatenate([[True], ranges[1:, 0] > reached[:-1]]))
    ends = np.append(starts[1:], len(ranges)) - 1
    return np.stack([ranges[starts, 0], reached[ends]], axis=1)
