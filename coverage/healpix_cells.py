"""HEALPix cells in the NESTED numbering: where a cell's centre is, and how far it reaches.

Cells are int64, NESTED, ICRS throughout; `order` k means 12 * 4**k cells (Gorski et al. 2005,
ApJ 622, 759).
"""

import math
from typing import Any

import healpy
import numpy as np
from numpy.typing import NDArray

from platecover.coverage.compiled import compiled
from platecover.coverage.value_checks import HIGHEST_ORDER

BASE_CELLS = 12
WHOLE_SKY_DEG2 = 4.0 * math.pi * math.degrees(1.0) ** 2

# Angle from a cell's centre that holds the whole cell, at each order, radians.
BOUNDING_RADIUS_RAD: NDArray[np.float64] = np.array(
    [healpy.max_pixrad(1 << order) for order in range(HIGHEST_ORDER + 1)]
)

# Of each base cell: the row of its southern corner counted from the north pole, and the longitude
# of its centre in eighths of a turn (Gorski et al. 2005, section 5.3).
_FACE_ROW = (2, 2, 2, 2, 3, 3, 3, 3, 4, 4, 4, 4)
_FACE_EIGHTH = (1, 3, 5, 7, 0, 2, 4, 6, 1, 3, 5, 7)
_EIGHTH_TURN_RAD = math.pi / 4


@compiled
def cell_direction(order: int, cell: int) -> tuple[float, float, float]:
    """Unit vector to the centre of a NESTED cell; order and cell must be valid."""
    face = cell >> (2 * order)
    inner = cell & ((1 << (2 * order)) - 1)
    column, row = _even_bits(inner), _even_bits(inner >> 1)
    side = 1 << order
    ring = _FACE_ROW[face] * side - column - row - 1  # 1 .. 4 * side - 1 from the north pole
    in_ring = min(ring, side, 4 * side - ring)  # cells of this ring in a quarter turn
    if in_ring == side:
        z = (2 * side - ring) * 2.0 / (3.0 * side)
        sine = math.sqrt((1.0 - z) * (1.0 + z))
    else:
        from_pole = in_ring * in_ring / (3.0 * side * side)  # 1 - |z|, kept exact near the pole
        z = 1.0 - from_pole if ring < side else from_pole - 1.0
        sine = math.sqrt(from_pole * (2.0 - from_pole))
    longitude = (_FACE_EIGHTH[face] + (column - row) / in_ring) * _EIGHTH_TURN_RAD
    return sine * math.cos(longitude), sine * math.sin(longitude), z


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
    return np.stack(healpy.pix2vec(1 << order, cells, nest=True), axis=-1)


def cells_of_directions(order: int, vectors: NDArray[np.float64]) -> NDArray[np.int64]:
    """NESTED cells that hold unit vectors of shape (n, 3)."""
    x, y, z = vectors[..., 0], vectors[..., 1], vectors[..., 2]
    return np.asarray(healpy.vec2pix(1 << order, x, y, z, nest=True), dtype=np.int64)


def merged_ranges(ranges: NDArray[Any]) -> NDArray[Any]:
    """Sort half-open ranges, shape (n, 2), and join those that meet or overlap."""
    if not len(ranges):
        return ranges
    ranges = ranges[np.argsort(ranges[:, 0], kind="stable")]
    reached = np.maximum.accumulate(ranges[:, 1])
    starts = np.flatnonzero(np.concatenate([[True], ranges[1:, 0] > reached[:-1]]))
    ends = np.append(starts[1:], len(ranges)) - 1
    return np.stack([ranges[starts, 0], reached[ends]], axis=1)
