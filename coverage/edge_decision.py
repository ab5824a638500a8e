"""Whether a footprint shows a circle, and surely, mostly without measuring the distance.

The exact test asks how far a direction is from the footprint's edge. To compare that with the
margin, the sines of its distances from the great circles of the sides are enough, unless it lies
outside and near, or within rounding of a limit: then the exact test decides.
"""

import math
from typing import Any

from platecover.coverage.compiled import compiled
from platecover.coverage.edge_distance import edge_distances_rad, in_plate_axes

NO_MATCH, MARGINAL, SURE = 0, 1, 2  # what is decided
_ROUNDING = 1e-12  # of sines and cosines: thousands of times what they are off by


@compiled
def decided_by_distance(record: Any, x: float, y: float, z: float, radius_rad: float) -> int:
    """Whether an exposure shows a circle about a direction, by its exact edge distances."""
    larger, smaller = edge_distances_rad(record, x, y, z)
    if not larger >= -radius_rad - record.margin_rad:
        return NO_MATCH
    if smaller >= -radius_rad + record.margin_rad and record.never_sure == 0:
        return SURE
    return MARGINAL


@compiled
def decided(record: Any, x: float, y: float, z: float, radius_rad: float) -> int:
    """Whether an exposure shows a circle about a direction: NO_MATCH, MARGINAL or SURE."""
    farthest, needed = radius_rad + record.margin_rad, record.margin_rad - radius_rad
    if record.either_layout == 1 or not farthest < math.pi / 2:
        return decided_by_distance(record, x, y, z, radius_rad)
    u, v, w = in_plate_axes(record, x, y, z)
    tan_x, tan_y = record.tan_half_width, record.tan_half_height
    sine_x = (w * tan_x - abs(u)) / math.sqrt(1.0 + tan_x * tan_x)
    sine_y = (w * tan_y - abs(v)) / math.sqrt(1.0 + tan_y * tan_y)
    nearest, usable = min(sine_x, sine_y), record.usable_radius_rad

    if nearest < -math.sin(farthest) - _ROUNDING:
        return NO_MATCH  # beyond a side, whose circle is nearer than the side itself
    cut = usable < math.inf
    if cut and w < math.cos(min(usable + farthest, math.pi)) - _ROUNDING:
        return NO_MATCH

    if nearest > _ROUNDING and w > 0.0 and (not cut or w > math.cos(usable) + _ROUNDING):
        if needed <= 0.0:
            return SURE if record.never_sure == 0 else MARGINAL
        limit = math.sin(needed)
        if nearest < limit - _ROUNDING or record.never_sure == 1:
            return MARGINAL
        if not cut and nearest > limit + _ROUNDING:
            return SURE
    return decided_by_distance(record, x, y, z, radius_rad)
