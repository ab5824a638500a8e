"""Plate geometry: from the measures of a plate to its footprint on the sky.

A footprint is the exposed rectangle in gnomonic projection about the plate's centre, its
sides great circles, cut by a circle about the centre where only that much is usable. In the
plate's own axes (x, y, and w along the line of sight) it is symmetric in x and in y, so all
questions are asked of the quadrant x >= 0, y >= 0.
"""

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from platecover.coverage.compiled import compiled
from platecover.coverage.directions import east_and_north, ra_dec_deg, unit_vectors

ARCSEC_PER_RADIAN = 3600.0 * math.degrees(1.0)
DEG2_PER_SR = math.degrees(1.0) ** 2
RIGHT_ANGLE_DEG = 90.0

# What the searches need to know of an exposure. `usable_radius_rad` is infinite where nothing
# is cut; `either_layout` is 1 where it is not known which side is the width.
GEOMETRY = np.dtype(
    [
        ("centre", np.float64, (3,)),
        ("x_axis", np.float64, (3,)),
        ("y_axis", np.float64, (3,)),
        ("tan_half_width", np.float64),
        ("tan_half_height", np.float64),
        ("usable_radius_rad", np.float64),
        ("margin_rad", np.float64),
        ("either_layout", np.uint8),
        ("never_sure", np.uint8),
    ],
    align=True,
)

Records = NDArray[Any]  # of dtype GEOMETRY


def half_tangents(
    width_mm: ArrayLike, height_mm: ArrayLike, scale_arcsec_per_mm: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Tangents of the half-angles from the centre to the middles of the sides.

    Parameters
    ----------
    width_mm, height_mm, scale_arcsec_per_mm : array_like of float
        Exposed size and scale at the centre, finite and above zero; shapes that broadcast.

    Returns
    -------
    tan_half_width, tan_half_height : float64, broadcast shape

    Notes
    -----
    r mm from the centre of a tangent-plane plate is atan(r / f) on the sky, f = 206265 / scale
    (Calabretta & Greisen 2002, A&A 395, 1077, section 5.1.3).
    """
    radians_per_mm = np.asarray(scale_arcsec_per_mm, dtype=np.float64) / ARCSEC_PER_RADIAN
    width, height, radians_per_mm = np.broadcast_arrays(
        np.asarray(width_mm, dtype=np.float64), np.asarray(height_mm, np.float64), radians_per_mm
    )
    return 0.5 * width * radians_per_mm, 0.5 * height * radians_per_mm


def half_diagonal_deg(
    width_mm: ArrayLike, height_mm: ArrayLike, scale_arcsec_per_mm: ArrayLike
) -> NDArray[np.float64]:
    """Angle in degrees from the centre to a corner of the uncut plate; arguments as above.

    Examples
    --------
    >>> half_diagonal_deg(160.0, 160.0, 60.0).round(4)
    np.float64(1.8849)
    """
    tan_x, tan_y = half_tangents(width_mm, height_mm, scale_arcsec_per_mm)
    return np.degrees(np.arctan(np.hypot(tan_x, tan_y)))


def geometry_records(
    s_ra: ArrayLike,
    s_dec: ArrayLike,
    position_angle_deg: ArrayLike,
    width_mm: ArrayLike,
    height_mm: ArrayLike,
    scale_arcsec_per_mm: ArrayLike,
    *,
    usable_radius_deg: ArrayLike = np.nan,
    margin_deg: ArrayLike = 0.0,
    orientation_known: ArrayLike = True,
    never_sure: ArrayLike = False,
) -> Records:
    """Geometry of exposures, ready for every question about their footprints.

    Parameters
    ----------
    s_ra, s_dec : array_like of float
        Centres, ICRS degrees; all arguments broadcast to shape (n,).
    position_angle_deg : array_like of float
        Of the plate's +y, from ICRS north through east; at 0, +x is east.
    width_mm, height_mm, scale_arcsec_per_mm : array_like of float
        Exposed size along +x and +y, and the scale at the centre.
    usable_radius_deg : array_like of float
        Radius of the usable circle; NaN: the whole rectangle.
    margin_deg : array_like of float
        How far the true boundary may lie from the computed one.
    orientation_known, never_sure : array_like of bool

    Returns
    -------
    records : dtype GEOMETRY, shape (n,)

    Raises
    ------
    ValueError
        If a value is masked or not finite (usable radius apart), a size or scale not above zero,
        a corner 90 degrees from the centre, a margin negative, or a declination beyond a pole.
    """
    columns = np.broadcast_arrays(
        *(np.atleast_1d(_floats(column)) for column in (
            s_ra, s_dec, position_angle_deg, width_mm, height_mm, scale_arcsec_per_mm,
            usable_radius_deg, margin_deg,
        )),
        np.atleast_1d(np.asarray(orientation_known, dtype=bool)),
        np.atleast_1d(np.asarray(never_sure, dtype=bool)),
    )  # fmt: skip
    ra, dec, angle, width, height, scale, radius, margin, known, unsure = columns
    _require("s_ra", ra, np.isfinite(ra), "finite")
    _require("s_dec", dec, np.abs(dec) <= RIGHT_ANGLE_DEG, "from -90 to 90")
    _require("position_angle_deg", angle, np.isfinite(angle), "finite")
    sizes = {"width_mm": width, "height_mm": height, "scale_arcsec_per_mm": scale}
    for name, column in sizes.items():
        _require(name, column, (column > 0.0) & np.isfinite(column), "finite and above zero")
    diagonal = half_diagonal_deg(width, height, scale)
    _require("half-diagonal by size and scale", diagonal, diagonal < RIGHT_ANGLE_DEG, "below 90")
    _require("usable_radius_deg", radius, np.isnan(radius) | (radius > 0.0), "above zero or NaN")
    _require("margin_deg", margin, (margin >= 0.0) & np.isfinite(margin), "finite, not negative")

    records = np.zeros(ra.shape, dtype=GEOMETRY)
    east, north = east_and_north(ra, dec)
    sine, cosine = np.sin(np.radians(angle))[:, None], np.cos(np.radians(angle))[:, None]
    records["centre"] = unit_vectors(ra, dec)
    records["x_axis"] = cosine * east - sine * north
    records["y_axis"] = sine * east + cosine * north
    records["tan_half_width"], records["tan_half_height"] = half_tangents(width, height, scale)
    records["usable_radius_rad"] = np.where(np.isnan(radius), np.inf, np.radians(radius))
    records["margin_rad"] = np.radians(margin)
    records["either_layout"] = ~known
    records["never_sure"] = unsure
    return records


def _floats(column: ArrayLike) -> NDArray[np.float64]:
    """Return a column as floats, what is masked as NaN."""
    return np.asarray(np.ma.filled(np.ma.asarray(column, dtype=np.float64), np.nan))


def _require(name: str, values: NDArray[Any], good: NDArray[np.bool_], rule: str) -> None:
    """Raise ValueError naming the first value that is not good."""
    if not good.all():
        at = int(np.argmin(good))
        raise ValueError(f"{name} must be {rule}, got {values[at]} at index {at}")


def corners_deg(records: Records) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Corners of the uncut rectangles.

    Parameters
    ----------
    records : dtype GEOMETRY, shape (n,)

    Returns
    -------
    ra_deg, dec_deg : float64, shape (n, 4)
        ICRS; in the order (+x, +y), (-x, +y), (-x, -y), (+x, -y).
    """
    sign_x, sign_y = np.array([1.0, -1.0, -1.0, 1.0]), np.array([1.0, 1.0, -1.0, -1.0])
    x = records["tan_half_width"][:, None] * sign_x
    y = records["tan_half_height"][:, None] * sign_y
    return ra_dec_deg(
        records["centre"][:, None, :]
        + x[..., None] * records["x_axis"][:, None, :]
        + y[..., None] * records["y_axis"][:, None, :]
    )


def solid_angle_deg2(records: Records) -> NDArray[np.float64]:
    """Solid angle of the footprints in square degrees, closed form, shape (n,).

    A rectangle of half-tangents X and Y has 4 atan(X Y / sqrt(1 + X^2 + Y^2)), as any text on
    solid angles of a rectangular pyramid gives. Where the orientation is unknown it is that of
    both layouts together.
    """
    tan_x, tan_y = records["tan_half_width"], records["tan_half_height"]
    radius = records["usable_radius_rad"]
    area = _quadrant_area_sr(tan_x, tan_y, radius)
    shorter = np.minimum(tan_x, tan_y)
    both = 2.0 * area - _quadrant_area_sr(shorter, shorter, radius)
    return np.asarray(4.0 * DEG2_PER_SR * np.where(records["either_layout"] == 1, both, area))


def _quadrant_area_sr(
    tan_x: NDArray[np.float64], tan_y: NDArray[np.float64], radius_rad: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Solid angle of one quadrant, summed over azimuth: side x, then circle, then side y."""
    diagonal = np.arctan2(tan_y, tan_x)  # azimuth of the corner
    cut = radius_rad < np.arctan(np.hypot(tan_x, tan_y))
    tan_radius = np.tan(np.where(cut, radius_rad, 1.0))
    leaves_x = np.where(cut, np.arccos(np.minimum(tan_x / tan_radius, 1.0)), diagonal)
    meets_y = np.where(cut, np.arcsin(np.minimum(tan_y / tan_radius, 1.0)), diagonal)
    circle = np.where(cut, (1.0 - np.cos(radius_rad, where=cut, out=np.ones_like(tan_x))), 0.0)
    return np.asarray(
        _below_side_sr(tan_x, leaves_x)
        + circle * (meets_y - leaves_x)
        + _below_side_sr(tan_y, np.pi / 2 - meets_y)
    )


def _below_side_sr(
    tangent: NDArray[np.float64], azimuth: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Solid angle between the centre and a side, from its middle round to an azimuth."""
    return np.asarray(azimuth - np.arcsin(np.sin(azimuth) / np.sqrt(1.0 + tangent**2)))


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
    ra, dec = np.broadcast_arrays(np.atleast_1d(_floats(ra_deg)), _floats(dec_deg))
    _require("ra_deg", ra, np.isfinite(ra), "finite")
    _require("dec_deg", dec, np.abs(dec) <= RIGHT_ANGLE_DEG, "from -90 to 90")
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
    theta = math.atan2(math.hypot(u, v), w)
    cut = radius < math.atan(math.hypot(tan_x, tan_y))

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
