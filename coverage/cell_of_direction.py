"""The HEALPix cell of one direction, compiled: what a search by place asks first.

Cells are int64, NESTED, ICRS. The base cells are squares on their points in a plane in which the
belt between the polar caps keeps its longitudes (Gorski et al. 2005, ApJ 622, 759, section 4;
Calabretta & Roukema 2007, MNRAS 381, 865).
"""

import math

from platecover.coverage.compiled import compiled

_QUARTER_TURN_RAD = math.pi / 2
_BELT_SINE = 2.0 / 3.0  # sine of the latitude where the polar caps begin
_BELT_SLOPE = 3.0 / 4.0  # height in the plane by sine of latitude, within the belt


@compiled
def cell_of_direction(order: int, x: float, y: float, z: float) -> int:
    """NESTED cell of an order, 0 to 29, that holds a unit vector."""
    side = 1 << order
    turn = math.atan2(y, x) / _QUARTER_TURN_RAD
    if turn < 0.0:
        turn += 4.0
    if abs(z) <= _BELT_SINE:
        # in sides of a base cell: how far the lines that rise to the west and to the east
        # through the place are from those through longitude 0, half a cell below the equator
        to_west = int(side * (turn + 0.5 - _BELT_SLOPE * z))
        to_east = int(side * (turn + 0.5 + _BELT_SLOPE * z))
        west_base, east_base = to_west >> order, to_east >> order
        if west_base == east_base:
            base = 4 + (west_base & 3)
        elif west_base < east_base:
            base = west_base & 3
        else:
            base = 8 + (east_base & 3)
        column, row = to_east & (side - 1), side - 1 - (to_west & (side - 1))
    else:
        quadrant = min(int(turn), 3)
        # from the pole, in sides: the cap's edge is 1 away along either side of a base cell
        away = math.hypot(x, y) * math.sqrt(3.0 / (1.0 + abs(z)))
        from_west = min(int(side * (turn - quadrant) * away), side - 1)
        from_east = min(int(side * (quadrant + 1 - turn) * away), side - 1)
        if z > 0.0:
            base, column, row = quadrant, side - 1 - from_east, side - 1 - from_west
        else:
            base, column, row = 8 + quadrant, from_west, from_east
    return (base << (2 * order)) | _spread_bits(column) | (_spread_bits(row) << 1)


@compiled
def _spread_bits(number: int) -> int:
    """Move bits 0, 1, 2, ... of a number below 2**32 to bits 0, 2, 4, ..."""
    number = (number | (number << 16)) & 0x0000FFFF0000FFFF
    number = (number | (number << 8)) & 0x00FF00FF00FF00FF
    number = (number | (number << 4)) & 0x0F0F0F0F0F0F0F0F
    number = (number | (number << 2)) & 0x3333333333333333
    return (number | (number << 1)) & 0x5555555555555555
