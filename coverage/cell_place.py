"""Where a HEALPix cell lies: far from a footprint, on its boundary, or wholly within it.

A cell is known by its centre and its reach, an angle about the centre that holds the whole cell
(and a margin, if one is asked for). The place is what the exact edge distance of the centre would
say, but only compares sines and chords that are computed once: that makes refinement fast.
"""

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.compiled import compiled
from platecover.coverage.healpix_cells import BOUNDING_RADIUS_RAD
from platecover.coverage.plate_geometry import Records

# Places of a cell by the edge distance of its centre. They ascend with it, so that the larger
# of two layouts' distances has the larger of their places.
FAR = 0  # outside by more than the reach
CENTRE_OUT = 1  # outside by no more
CENTRE_IN = 2  # inside by less than the reach
WHOLE = 3  # inside by the reach or more

# What the tests ask of a footprint, in the plate's axes (u along x, v along y, w along the line of
# sight), for the quadrant u >= 0, v >= 0. `side_x` is the angle from the centre to the side
# u = w tan_half_width, `half_x` half of that side's length as the circular cut leaves it,
# `end_x` the direction of its end (or, if nothing is left, of the circle's end there).
OUTLINE = np.dtype(
    [
        ("x_axis", np.float64, (3,)),
        ("y_axis", np.float64, (3,)),
        ("centre", np.float64, (3,)),
        ("end_x", np.float64, (3,)),
        ("end_y", np.float64, (3,)),
        *(
            (f"{function}_{angle}", np.float64)
            for angle in ("side_x", "side_y", "half_x", "half_y", "radius")
            for function in ("sin", "cos")
        ),
        ("margin_rad", np.float64),
        ("left_x", np.bool_),  # whether anything is left of the side
        ("left_y", np.bool_),
        ("cut", np.bool_),
        ("either_layout", np.bool_),
    ],
    align=True,
)

Outlines = NDArray[Any]  # of dtype OUTLINE


def outlines_of(records: Records) -> Outlines:
    """Outlines of records of dtype GEOMETRY, shape (n,)."""
    outlines = np.zeros(len(records), dtype=OUTLINE)
    for name in ("x_axis", "y_axis", "centre", "margin_rad", "either_layout"):
        outlines[name] = records[name]
    tan_x, tan_y = records["tan_half_width"], records["tan_half_height"]
    # All on the tangent plane, where a side is at `tangent` and ends at its corner or the circle.
    to_corner = np.hypot(tan_x, tan_y)
    cut = records["usable_radius_rad"] < np.arctan(to_corner)
    to_circle = np.tan(records["usable_radius_rad"], where=cut, out=to_corner.copy())
    outlines["cut"] = cut
    _set_angle(outlines, "radius", to_circle)
    for name, tangent, across in (("x", tan_x, tan_y), ("y", tan_y, tan_x)):
        left = np.sqrt(np.maximum((to_circle - tangent) * (to_circle + tangent), 0.0))
        half = np.where(cut, np.minimum(left, across), across)
        _set_angle(outlines, f"side_{name}", tangent)
        _set_angle(outlines, f"half_{name}", half * outlines[f"cos_side_{name}"])
        outlines[f"left_{name}"] = tangent <= to_circle
        outlines[f"end_{name}"] = _directions(np.minimum(tangent, to_circle), half)
    outlines["end_y"] = outlines["end_y"][:, [1, 0, 2]]  # v along the axis, u across
    return outlines


def _directions(u: NDArray[np.float64], v: NDArray[np.float64]) -> NDArray[np.float64]:
    """Unit vectors to (u, v) on the tangent plane."""
    length = np.sqrt(1.0 + u * u + v * v)
    return np.stack([u, v, np.ones(len(u))], axis=1) / length[:, None]


def _set_angle(outlines: Outlines, name: str, tangent: NDArray[np.float64]) -> None:
    """Fill in sine and cosine of an angle from 0 to 90 degrees."""
    cosine = 1.0 / np.sqrt(1.0 + tangent * tangent)
    outlines[f"sin_{name}"], outlines[f"cos_{name}"] = tangent * cosine, cosine


def reaches_without_margin() -> NDArray[np.float64]:
    """Reaches of cells of every order, as `fill_reaches` writes them."""
    reaches = np.empty((len(BOUNDING_RADIUS_RAD), 2))
    fill_reaches(BOUNDING_RADIUS_RAD, 0.0, len(reaches) - 1, reaches)
    return reaches


@compiled
def fill_reaches(
    radii: NDArray[np.float64], margin_rad: float, last_order: int, reaches: NDArray[np.float64]
) -> None:
    """Write the sine and squared chord of the reach of cells of each order, with a margin.

    They are infinite where the reach is so large that any distance they are asked about is less.
    """
    for order in range(last_order + 1):
        reach = radii[order] + margin_rad
        half_chord = math.sin(0.5 * reach)
        reaches[order, 0] = math.sin(reach) if reach < math.pi / 2 else math.inf
        reaches[order, 1] = 4.0 * half_chord * half_chord if reach < math.pi else math.inf


@compiled
def places(
    outline: Any, x: float, y: float, z: float, sine: float, chord_squared: float
) -> tuple[int, int]:
    """Larger and smaller of the layouts' places of a cell, by its centre and its reach."""
    u = abs(_dot(x, y, z, outline.x_axis))
    v = abs(_dot(x, y, z, outline.y_axis))
    w = _dot(x, y, z, outline.centre)
    place = _place(outline, u, v, w, sine, chord_squared)
    if not outline.either_layout:
        return place, place
    other = _place(outline, v, u, w, sine, chord_squared)
    return max(place, other), min(place, other)


@compiled
def _dot(x: float, y: float, z: float, axis: Sequence[float]) -> float:
    return x * axis[0] + y * axis[1] + z * axis[2]


@compiled
def _place(outline: Any, u: float, v: float, w: float, sine: float, chord_squared: float) -> int:
    """Place by one layout; u and v not negative.

    Inside, the nearest side or the circle decides. Outside beyond one side of an uncut
    rectangle, the nearest point is on that side.
    """
    sine_x = w * outline.sin_side_x - u * outline.cos_side_x  # of the distance within the side
    sine_y = w * outline.sin_side_y - v * outline.cos_side_y
    nearest = min(sine_x, sine_y)
    if outline.cut:
        off_axis = math.sqrt(u * u + v * v)
        nearest = min(nearest, w * outline.sin_radius - off_axis * outline.cos_radius)
    if nearest < -sine:
        return FAR
    if nearest >= sine:
        return WHOLE
    if nearest >= 0.0:
        return CENTRE_IN
    if not outline.cut and max(sine_x, sine_y) >= 0.0:
        return CENTRE_OUT
    if outline.left_x and abs(sine_x) <= sine:
        along = u * outline.sin_side_x + w * outline.cos_side_x
        if v * outline.cos_half_x <= along * outline.sin_half_x:  # opposite the side
            return CENTRE_OUT
    if outline.left_y and abs(sine_y) <= sine:
        along = v * outline.sin_side_y + w * outline.cos_side_y
        if u * outline.cos_half_y <= along * outline.sin_half_y:
            return CENTRE_OUT
    near_end = min(_chord_squared(u, v, w, outline.end_x), _chord_squared(u, v, w, outline.end_y))
    if near_end <= chord_squared:
        return CENTRE_OUT
    if outline.cut and _opposite_arc(u, v, outline.end_x, outline.end_y):
        out, forward = math.sqrt(u * u + v * v) - outline.sin_radius, w - outline.cos_radius
        if out * out + forward * forward <= chord_squared:
            return CENTRE_OUT
    return FAR


@compiled
def _chord_squared(u: float, v: float, w: float, point: Sequence[float]) -> float:
    u, v, w = u - point[0], v - point[1], w - point[2]
    return u * u + v * v + w * w


@compiled
def _opposite_arc(u: float, v: float, first: Sequence[float], last: Sequence[float]) -> bool:
    """Whether a direction is between the azimuths of the ends of the circle's arc."""
    return v * first[0] >= u * first[1] and v * last[0] <= u * last[1]
