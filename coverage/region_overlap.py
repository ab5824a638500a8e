"""Whether a region meets a footprint grown by its margin (match), or shrunk by it (sure).

With e the signed distance to the footprint's edge, S(t) = {e >= t} is the footprint grown by -t
or shrunk by t; it is convex and symmetric about the plate's centre. A region meets it if it
holds the centre, or if a piece of the region's boundary comes into S(t): then either the piece
begins inside S(t), or it enters by one of the circles that bound S(t), or it comes near a corner.
All of this has closed forms. MOCs, which may have millions of pieces, are searched cell by cell.
"""

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.compiled import compiled
from platecover.coverage.edge_distance import (
    edge_distance_deg,
    edge_distance_in_axes_rad,
    edge_distances_rad,
    in_plate_axes,
)
from platecover.coverage.healpix_cells import BASE_CELLS, BOUNDING_RADIUS_RAD, cell_direction
from platecover.coverage.plate_geometry import Records
from platecover.coverage.region_arcs import arc_distance_rad
from platecover.coverage.regions import AllSky, ArcRegion, Circle, MocRegion, Region
from platecover.coverage.value_checks import HIGHEST_ORDER

ROUNDING_RAD = 1e-11  # 2 microarcsec: what a crossing point may be off by

# MOC cells are not cut finer than this: their bounding radius is 0.21 arcsec.
FINEST_ORDER = 20


def overlap(region: Region, records: Records) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Decide which footprints a region meets, and which it meets whatever the margin.

    Parameters
    ----------
    region : Region
    records : dtype GEOMETRY, shape (n,)

    Returns
    -------
    match, sure : bool, shape (n,)
        `match`: the region meets the footprint grown by its margin; `sure`: it meets the
        footprint shrunk by its margin, and the record is not marked `never_sure`. Where the
        orientation is unknown, `match` asks for either layout and `sure` for what both share.
        The whole sky matches everything, and is always sure.

    Notes
    -----
    A `Circle` of radius r matches where the edge distance of its centre is at least
    -r - margin, and is sure from -r + margin. MOCs are decided to within 0.3 arcsec, other
    regions to within rounding.
    """
    records = np.ascontiguousarray(records)
    if isinstance(region, AllSky):
        return np.ones(len(records), dtype=bool), np.ones(len(records), dtype=bool)
    if isinstance(region, Circle):
        return _circle_overlap(region, records)
    match, sure = np.zeros(len(records), dtype=bool), np.zeros(len(records), dtype=bool)
    if isinstance(region, MocRegion):
        _moc_overlap(records, region.listed.ranges, BOUNDING_RADIUS_RAD, match, sure)
    elif isinstance(region, ArcRegion):
        _arc_overlap(records, region.contains(records["centre"]), region.arcs, match, sure)
    else:
        raise TypeError(f"region must be a Region of this package, got {region!r}")
    return match, sure


def _circle_overlap(
    circle: Circle, records: Records
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    larger_deg, smaller_deg = edge_distance_deg(records, circle.ra_deg, circle.dec_deg)
    margin_deg = np.degrees(records["margin_rad"])
    sure = (smaller_deg >= margin_deg - circle.radius_deg) & (records["never_sure"] == 0)
    return larger_deg >= -circle.radius_deg - margin_deg, sure


@compiled
def _arc_overlap(
    records: Any,
    holds_centre: NDArray[np.bool_],
    arcs: Any,
    match: NDArray[np.bool_],
    sure: NDArray[np.bool_],
) -> None:
    for i in range(len(records)):
        record = records[i]
        tan_x, tan_y = record.tan_half_width, record.tan_half_height
        margin = record.margin_rad
        match[i] = holds_centre[i] or _boundary_meets(record, tan_x, tan_y, -margin, arcs)
        if record.either_layout == 1:
            match[i] = match[i] or _boundary_meets(record, tan_y, tan_x, -margin, arcs)
            tan_x = tan_y = min(tan_x, tan_y)
        if match[i] and record.never_sure == 0:
            inner = min(math.atan(tan_x), math.atan(tan_y), record.usable_radius_rad)
            if inner >= margin:  # else nothing is left of the footprint
                sure[i] = holds_centre[i] or _boundary_meets(record, tan_x, tan_y, margin, arcs)


@compiled
def _boundary_meets(record: Any, tan_x: float, tan_y: float, t: float, arcs: Any) -> bool:
    """Whether any arc comes into S(t) of one layout."""
    radius = record.usable_radius_rad
    inner = min(math.atan(tan_x), math.atan(tan_y), radius) - t
    outer = min(math.atan(math.hypot(tan_x, tan_y)), radius) - t
    centre = record.centre
    for j in range(len(arcs)):
        distance = arc_distance_rad(arcs[j], centre[0], centre[1], centre[2])
        if distance <= inner:
            return True
        if distance <= outer + ROUNDING_RAD and _arc_meets(record, tan_x, tan_y, t, arcs[j]):
            return True
    return False


@compiled
def _arc_meets(record: Any, tan_x: float, tan_y: float, t: float, arc: Any) -> bool:
    """Whether an arc comes into S(t): begins in it, or crosses inward a circle of its edge."""
    radius = record.usable_radius_rad
    # The arc in the plate's axes: axis a, start b, quarter c.
    a = in_plate_axes(record, arc.axis[0], arc.axis[1], arc.axis[2])
    b = in_plate_axes(record, arc.start[0], arc.start[1], arc.start[2])
    c = in_plate_axes(record, arc.quarter[0], arc.quarter[1], arc.quarter[2])
    here = (a, b, c, arc.cos_g, arc.sin_g, arc.span)
    shape = (tan_x, tan_y, radius, t)
    if _point_in(here, shape, 0.0):
        return True

    # Sides: the circles -sin t beyond each.
    cos_x, cos_y = 1.0 / math.sqrt(1.0 + tan_x * tan_x), 1.0 / math.sqrt(1.0 + tan_y * tan_y)
    sin_t = math.sin(t)
    for sign in (-1.0, 1.0):
        if _enters_at(here, shape, sign * cos_x, 0.0, tan_x * cos_x, sin_t):
            return True
        if _enters_at(here, shape, 0.0, sign * cos_y, tan_y * cos_y, sin_t):
            return True
    cut = radius < math.atan(math.hypot(tan_x, tan_y))
    if cut and _enters_at(here, shape, 0.0, 0.0, 1.0, math.cos(radius - t)):
        return True
    if t >= 0.0:
        return False

    # What the margin adds at a corner, where sides meet each other or the usable circle, is
    # a circle about it.
    x_on_y, y_on_x = tan_x, tan_y
    if cut:  # a side that the circle has cut off gives way to the circle's own point
        tan_radius = math.tan(radius)
        tan_x, tan_y = min(tan_x, tan_radius), min(tan_y, tan_radius)
        x_on_y, y_on_x = math.sqrt(tan_radius**2 - tan_y**2), math.sqrt(tan_radius**2 - tan_x**2)
    for x, y in ((tan_x, y_on_x), (x_on_y, tan_y)):
        for sign_x in (-1.0, 1.0):
            for sign_y in (-1.0, 1.0):
                if _to_corner_rad(record, sign_x * x, sign_y * y, arc) <= -t + ROUNDING_RAD:
                    return True
    return False


@compiled
def _to_corner_rad(record: Any, x: float, y: float, arc: Any) -> float:
    """Distance from an arc to the point (x, y) of a plate's tangent plane."""
    length = math.sqrt(1.0 + x * x + y * y)
    x_axis, y_axis, centre = record.x_axis, record.y_axis, record.centre
    return arc_distance_rad(
        arc,
        (centre[0] + x * x_axis[0] + y * y_axis[0]) / length,
        (centre[1] + x * x_axis[1] + y * y_axis[1]) / length,
        (centre[2] + x * x_axis[2] + y * y_axis[2]) / length,
    )


@compiled
def _enters_at(here: Any, shape: Any, nx: float, ny: float, nw: float, level: float) -> bool:
    """Whether an arc crosses inward the circle n . p = level at a point of S(t)."""
    a, b, c, cos_g, sin_g, span = here
    # Along the arc n . p = steady + swing cos(s - peak).
    steady = cos_g * (nx * a[0] + ny * a[1] + nw * a[2])
    along_start = sin_g * (nx * b[0] + ny * b[1] + nw * b[2])
    along_quarter = sin_g * (nx * c[0] + ny * c[1] + nw * c[2])
    swing = math.hypot(along_start, along_quarter)
    if abs(level - steady) > swing + ROUNDING_RAD or swing == 0.0:
        return False
    peak = math.atan2(along_quarter, along_start)
    half = math.acos(min(1.0, max(-1.0, (level - steady) / swing)))
    inward = (peak - half) % (2.0 * math.pi)
    return bool(inward <= span and _point_in(here, shape, inward))


@compiled
def _point_in(here: Any, shape: Any, s: float) -> bool:
    """Whether the point of an arc at s belongs to S(t)."""
    a, b, c, cos_g, sin_g, _ = here
    tan_x, tan_y, radius, t = shape
    cosine, sine = sin_g * math.cos(s), sin_g * math.sin(s)
    u = cos_g * a[0] + cosine * b[0] + sine * c[0]
    v = cos_g * a[1] + cosine * b[1] + sine * c[1]
    w = cos_g * a[2] + cosine * b[2] + sine * c[2]
    distance: float = edge_distance_in_axes_rad(u, v, w, tan_x, tan_y, radius)
    return bool(distance >= t - ROUNDING_RAD)


@compiled
def _moc_overlap(
    records: Any,
    ranges: NDArray[np.int64],
    bounding_radius: NDArray[np.float64],
    match: NDArray[np.bool_],
    sure: NDArray[np.bool_],
) -> None:
    # The cells still to be looked at: of each order at most three wait while the fourth is cut.
    waiting_order = np.empty(BASE_CELLS + 3 * (FINEST_ORDER + 1), dtype=np.int64)
    waiting_cell = np.empty_like(waiting_order)
    waiting = (waiting_order, waiting_cell)
    for i in range(len(records)):
        record = records[i]
        margin = record.margin_rad
        match[i] = _moc_meets(record, False, -margin, ranges, bounding_radius, waiting)
        if match[i] and record.never_sure == 0:
            sure[i] = _moc_meets(record, True, margin, ranges, bounding_radius, waiting)


@compiled
def _moc_meets(
    record: Any,
    in_both: bool,
    t: float,
    ranges: NDArray[np.int64],
    bounding_radius: NDArray[np.float64],
    waiting: Any,
) -> bool:
    """Whether a MOC meets S(t) of either layout, or of what both share.

    A cell is left out if its bounding circle keeps out of S(t), since e changes by no more than
    the way gone; it settles the matter if the MOC holds it and its centre is in S(t).
    """
    waiting_order, waiting_cell = waiting
    count = BASE_CELLS
    for base in range(BASE_CELLS):
        waiting_order[base], waiting_cell[base] = 0, base
    while count > 0:
        count -= 1
        order, cell = waiting_order[count], waiting_cell[count]
        shift = 2 * (HIGHEST_ORDER - order)
        low, high = cell << shift, (cell + 1) << shift
        at = np.searchsorted(ranges[:, 1], low, side="right")
        if at == len(ranges) or ranges[at, 0] >= high:
            continue  # no part of the MOC
        x, y, z = cell_direction(order, cell)
        larger, smaller = edge_distances_rad(record, x, y, z)
        distance = smaller if in_both else larger
        if distance + bounding_radius[order] < t:
            continue
        whole = ranges[at, 0] <= low and ranges[at, 1] >= high
        if order == FINEST_ORDER or (whole and distance >= t):
            return True
        for child in range(4):
            waiting_order[count], waiting_cell[count] = order + 1, 4 * cell + child
            count += 1
    return False
