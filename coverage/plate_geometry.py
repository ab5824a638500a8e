"""Plate geometry: from the measures of a plate to its footprint on the sky.

A footprint is the exposed rectangle in gnomonic projection about the plate's centre, its
sides great circles, cut by a circle about the centre where only that much is usable.
"""

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from platecover.coverage.directions import east_and_north, ra_dec_deg, unit_vectors
from platecover.coverage.value_checks import require_all, unmasked_floats

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
        *(np.atleast_1d(unmasked_floats(column)) for column in (
            s_ra, s_dec, position_angle_deg, width_mm, height_mm, scale_arcsec_per_mm,
            usable_radius_deg, margin_deg,
        )),
        np.atleast_1d(np.asarray(orientation_known, dtype=bool)),
        np.atleast_1d(np.asarray(never_sure, dtype=bool)),
    )  # fmt: skip
    ra, dec, angle, width, height, scale, radius, margin, known, unsure = columns
    require_all("s_ra", ra, np.isfinite(ra), "finite")
    require_all("s_dec", dec, np.abs(dec) <= RIGHT_ANGLE_DEG, "from -90 to 90")
    require_all("position_angle_deg", angle, np.isfinite(angle), "finite")
    sizes = {"width_mm": width, "height_mm": height, "scale_arcsec_per_mm": scale}
    for name, column in sizes.items():
        require_all(name, column, (column > 0.0) & np.isfinite(column), "finite and above zero")
    diagonal = half_diagonal_deg(width, height, scale)
    require_all("half-diagonal by size and scale", diagonal, diagonal < RIGHT_ANGLE_DEG, "below 90")
    require_all("usable_radius_deg", radius, np.isnan(radius) | (radius > 0.0), "above zero or NaN")
    require_all("margin_deg", margin, (margin >= 0.0) & np.isfinite(margin), "finite, not negative")

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
