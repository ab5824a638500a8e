"""Edge distance: how far a direction is from a footprint's boundary, positive inside.

The one exact test of what is on a plate. In the plate's own axes (u along x, v along y, w along
the line of sight) a footprint is symmetric in u and in v, so all is asked of the quadrant
u >= 0, v >= 0.
"""

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from platecover.coverage.compiled import compiled
from platecover.coverage.directions import unit_vectors
from platecover.coverage.plate_geometry import RIGHT_ANGLE_DEG, Records
from platecover.coverage.value_checks import require_all, unmasked_floats


def edge_distance_deg(
    records: Records, ra_deg: ArrayLike, dec_deg: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Signed angular distance from positions to the footprints' boundaries, positive inside.

    Parameters
    ----------
    records : dtype GEOMETRY, shape (n,)
    ra_deg, dec_deg : array_like of float, scalar or shape (n,)
        ICRS; one position for all, or one each.

    Returns
    -------
    larger_deg, smaller_deg : float64, shape (n,)
        Of the two layouts where the orientation is unknown; else the same number twice.

    Raises
    ------
    ValueError
        If a position is masked, not finite or beyond a pole.
    """
    ra, dec = np.broadcast_arrays(np.atleast_1d(unmasked_floats(ra_deg)), unmasked_floats(dec_deg))
    require_all("ra_deg", ra, np.isfinite(ra), "finite")
    require_all("dec_deg", dec, np.abs(dec) <= RIGHT_ANGLE_DEG, "from -90 to 90")
    vectors = np.broadcast_to(unit_vectors(ra, dec), (len(records), 3))
    larger, smaller = np.empty(len(records)), np.empty(len(records))
    _edge_distances(np.asarray(records), vectors, larger, smaller)
    return np.degrees(larger), np.degrees(smaller)


@compiled
def _edge_distances(
    records: Any,
    vectors: NDArray[np.float64],
    larger: NDArray[np.float64],
    smaller: NDArray[np.float64],
) -> None:
    for i in range(len(records)):
        larger[i], smaller[i] = edge_distances_rad(
            records[i], vectors[i, 0], vectors[i, 1], vectors[i, 2]
        )


@compiled
def edge_distances_rad(record: Any, px: float, py: float, pz: float) -> tuple[float, float]:
    """Larger and smaller of the layouts' edge distances, in radians, of one direction."""
    u, v, w = in_plate_axes(record, px, py, pz)
    radius = record.usable_radius_rad
    tan_x, tan_y = record.tan_half_width, record.tan_half_height
    distance = edge_distance_in_axes_rad(u, v, w, tan_x, tan_y, radius)
    if record.either_layout == 0:
        return distance, distance
    other = edge_distance_in_axes_rad(u, v, w, tan_y, tan_x, radius)
    return max(distance, other), min(distance, other)


@compiled
def in_plate_axes(record: Any, px: float, py: float, pz: float) -> tuple[float, float, float]:
    """Components of a direction along the plate's x, its y, and its line of sight."""
    x_axis, y_axis, centre = record.x_axis, record.y_axis, record.centre
    return (
        px * x_axis[0] + py * x_axis[1] + pz * x_axis[2],
        px * y_axis[0] + py * y_axis[1] + pz * y_axis[2],
        px * centre[0] + py * centre[1] + pz * centre[2],
    )


@compiled
def edge_distance_in_axes_rad(
    u: float, v: float, w: float, tan_x: float, tan_y: float, radius: float
) -> float:
    """Signed distance in radians from the direction (u, v, w) to one layout's boundary.

    Inside a convex figure the nearest boundary point lies on the nearest side's circle;
    outside, it is a point of a side, of the circular cut, or a corner between them.
    """
    u, v = abs(u), abs(v)
    cos_a, cos_b = 1.0 / math.sqrt(1.0 + tan_x * tan_x), 1.0 / math.sqrt(1.0 + tan_y * tan_y)
    sin_a, sin_b = tan_x * cos_a, tan_y * cos_b
    sine_x = w * sin_a - u * cos_a  # sine of the distance within the side x = +X
    sine_y = w * sin_b - v * cos_b
    cut = radius < math.inf and radius < math.atan(math.hypot(tan_x, tan_y))
    theta = math.atan2(math.hypot(u, v), w) if cut else 0.0

    if sine_x >= 0.0 and sine_y >= 0.0 and w > 0.0 and (not cut or theta <= radius):
        inner = math.asin(min(sine_x, sine_y))
        return min(inner, radius - theta) if cut else inner

    half_side_x, half_side_y = math.atan(tan_y * cos_a), math.atan(tan_x * cos_b)
    if cut:
        half_side_x = min(half_side_x, _half_chord_rad(radius, cos_a))
        half_side_y = min(half_side_y, _half_chord_rad(radius, cos_b))
    outer = min(
        _to_side_rad(sine_x, u * sin_a + w * cos_a, v, half_side_x),
        _to_side_rad(sine_y, v * sin_b + w * cos_b, u, half_side_y),
    )
    if cut:
        tan_radius = math.tan(radius)
        leaves_x = math.acos(tan_x / tan_radius) if tan_radius > tan_x else 0.0
        meets_y = math.asin(tan_y / tan_radius) if tan_radius > tan_y else math.pi / 2
        if leaves_x <= math.atan2(v, u) <= meets_y:
            outer = min(outer, abs(theta - radius))
    return -outer


@compiled
def _half_chord_rad(radius: float, cos_side: float) -> float:
    """Half the length of a side left by the circular cut; negative if the circle misses it."""
    ratio = math.cos(radius) / cos_side
    return math.acos(ratio) if ratio <= 1.0 else -1.0


@compiled
def _to_side_rad(sine: float, along: float, across: float, half_side: float) -> float:
    """Distance to a side of half-length `half_side`; pi if the cut left nothing of it.

    `sine` is that of the distance to the side's great circle, `along` and `across` the
    components towards the side's middle and along the side.
    """
    if half_side < 0.0:
        return math.pi
    if math.atan2(across, along) <= half_side:
        return math.asin(min(abs(sine), 1.0))
    across_end = across - math.sin(half_side)
    along_end = along - math.cos(half_side)
    chord = math.sqrt(sine * sine + across_end * across_end + along_end * along_end)
    return 2.0 * math.asin(min(0.5 * chord, 1.0))
