"""Outlines: the boundary of each footprint as a polygon of great-circle sides.

A rectangle's own sides are great circles, so its polygon is exact, and so is the cross of twelve
corners that two layouts make together where the orientation is unknown. What a usable circle has
cut is drawn by chords of `LONGEST_CHORD_DEG` of azimuth with their ends on the circle: nowhere is
the polygon outside the footprint, nor inside it by more than a thousandth of the radius.

Corners go counter-clockwise as seen from the origin, east to the left (IVOA DALI 1.1, section
3.3.7, and STC 1.33, erratum 1).
"""

import math
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from platecover.coverage.compiled import compiled
from platecover.coverage.plate_geometry import Records

LONGEST_CHORD_DEG = 5.0
_LONGEST_CHORD_RAD = math.radians(LONGEST_CHORD_DEG)
_MOST_CORNERS = 128  # of a polygon: four quadrants of at most two arcs and a corner
_MOST_IN_QUADRANT = 32

DECIMALS = 6  # of degrees: 4 milliarcsec
_IN_DEGREE = 10**DECIMALS
_TURN = 360 * _IN_DEGREE
_LONGEST_NUMBER = 12  # characters: a blank, a sign or third digit, two digits, a point, decimals
_ZERO, _BLANK, _MINUS, _POINT = (ord(each) for each in "0 -.")
_SHAPE = "Polygon ICRS"  # ObsCore 1.1, section 2.12
_SHAPE_BYTES = np.frombuffer(_SHAPE.encode(), np.uint8)

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Bytes = NDArray[np.uint8]


def outline_corners_deg(records: Records) -> tuple[Floats, Floats, Integers]:
    """Corners of the polygons that outline footprints.

    Parameters
    ----------
    records : dtype GEOMETRY, shape (n,)

    Returns
    -------
    ra_deg, dec_deg : float64, shape (n_corners,)
        ICRS, RA in [0, 360); the corners of all polygons, one after the other, no corner twice.
    starts : int64, shape (n + 1,)
        Where each polygon begins, and the end of the last.
    """
    records = np.ascontiguousarray(records)
    starts = np.zeros(len(records) + 1, dtype=np.int64)
    _count_corners(records, starts)
    np.cumsum(starts, out=starts)
    ra_deg, dec_deg = np.empty(starts[-1]), np.empty(starts[-1])
    _place_corners(records, starts, ra_deg, dec_deg)
    return ra_deg, dec_deg, starts


def outline_texts(records: Records) -> pa.StringArray:
    """Outlines as ObsCore's `s_region` has them, ``Polygon ICRS RA1 DEC1 RA2 DEC2 ...``.

    Parameters
    ----------
    records : dtype GEOMETRY, shape (n,)

    Returns
    -------
    pyarrow.StringArray, shape (n,)
        Degrees to `DECIMALS` decimals.
    """
    ra_deg, dec_deg, starts = outline_corners_deg(records)
    text = np.empty(len(_SHAPE) * len(records) + 2 * _LONGEST_NUMBER * len(ra_deg), np.uint8)
    offsets = np.zeros(len(records) + 1, np.int32)
    used = _write_texts(ra_deg, dec_deg, starts, _SHAPE_BYTES, text, offsets)
    buffers = [None, pa.py_buffer(offsets), pa.py_buffer(text[:used])]
    return pa.StringArray.from_buffers(len(records), buffers[1], buffers[2])


def diameters_deg(records: Records) -> Floats:
    """Diameters of the circles about the centres that hold the footprints, shape (n,)."""
    half_diagonal = np.arctan(np.hypot(records["tan_half_width"], records["tan_half_height"]))
    return np.asarray(np.degrees(2.0 * np.minimum(half_diagonal, records["usable_radius_rad"])))


@compiled
def _count_corners(records: Any, counts: Integers) -> None:
    """Number of corners of each polygon, from the second place on."""
    x, y = np.empty(_MOST_CORNERS), np.empty(_MOST_CORNERS)
    for i in range(len(records)):
        counts[i + 1] = _polygon(records[i], x, y)


@compiled
def _place_corners(records: Any, starts: Integers, ra_deg: Floats, dec_deg: Floats) -> None:
    x, y = np.empty(_MOST_CORNERS), np.empty(_MOST_CORNERS)
    for i in range(len(records)):
        record = records[i]
        x_axis, y_axis, centre = record.x_axis, record.y_axis, record.centre
        for corner in range(_polygon(record, x, y)):
            east = centre[0] + x[corner] * x_axis[0] + y[corner] * y_axis[0]
            quarter = centre[1] + x[corner] * x_axis[1] + y[corner] * y_axis[1]
            north = centre[2] + x[corner] * x_axis[2] + y[corner] * y_axis[2]
            ra = math.degrees(math.atan2(quarter, east)) % 360.0
            ra_deg[starts[i] + corner] = ra if ra < 360.0 else 0.0
            dec_deg[starts[i] + corner] = math.degrees(math.atan2(north, math.hypot(east, quarter)))


@compiled
def _polygon(record: Any, x: Floats, y: Floats) -> int:
    """Corners of a polygon in the tangent plane, and how many there are.

    A footprint is symmetric in x and in y. Against the azimuth (from +x to +y), which is
    counter-clockwise as seen from the origin, its quadrants are walked from +y on.
    """
    quadrant_x, quadrant_y = np.empty(_MOST_IN_QUADRANT), np.empty(_MOST_IN_QUADRANT)
    tan_x, tan_y, radius = record.tan_half_width, record.tan_half_height, record.usable_radius_rad
    if record.either_layout == 1 and tan_x != tan_y:
        n = _cross_quadrant(max(tan_x, tan_y), min(tan_x, tan_y), radius, quadrant_x, quadrant_y)
    else:
        n = _rectangle_quadrant(tan_x, tan_y, radius, quadrant_x, quadrant_y)
    used = 0
    for sign_x, sign_y in ((1.0, 1.0), (1.0, -1.0), (-1.0, -1.0), (-1.0, 1.0)):
        against = sign_x == sign_y
        for step in range(n):
            at = n - 1 - step if against else step
            on_axis = quadrant_x[at] == 0.0 or quadrant_y[at] == 0.0
            if against or not on_axis:  # else a corner of the quadrants beside
                x[used], y[used] = sign_x * quadrant_x[at], sign_y * quadrant_y[at]
                used += 1
    return used


@compiled
def _rectangle_quadrant(tan_x: float, tan_y: float, radius: float, x: Floats, y: Floats) -> int:
    """Corners of one layout where x, y >= 0, in the order of azimuth; how many."""
    if not radius < math.atan(math.hypot(tan_x, tan_y)):
        x[0], y[0] = tan_x, tan_y
        return 1
    tan_radius = math.tan(radius)
    first = math.acos(tan_x / tan_radius) if tan_radius > tan_x else 0.0
    last = math.asin(tan_y / tan_radius) if tan_radius > tan_y else 0.5 * math.pi
    return _arc(tan_radius, first, last, x, y, 0)


@compiled
def _cross_quadrant(longer: float, shorter: float, radius: float, x: Floats, y: Floats) -> int:
    """The same of both layouts together: an arm along x, and one along y."""
    if not radius < math.atan(math.hypot(longer, shorter)):
        x[0], y[0] = longer, shorter
        x[1], y[1] = shorter, shorter
        x[2], y[2] = shorter, longer
        return 3
    tan_radius = math.tan(radius)
    first = math.acos(longer / tan_radius) if tan_radius > longer else 0.0
    if tan_radius <= math.sqrt(2.0) * shorter:  # the arms' inner corner is beyond the circle
        return _arc(tan_radius, first, 0.5 * math.pi - first, x, y, 0)
    arm = math.asin(shorter / tan_radius)
    n = _arc(tan_radius, first, arm, x, y, 0)
    x[n], y[n] = shorter, shorter
    return _arc(tan_radius, 0.5 * math.pi - arm, 0.5 * math.pi - first, x, y, n + 1)


@compiled
def _arc(tan_radius: float, first: float, last: float, x: Floats, y: Floats, used: int) -> int:
    """Points of a circle from one azimuth to another, both held, after those used; how many now."""
    chords = max(1, math.ceil((last - first) / _LONGEST_CHORD_RAD - 1e-9))
    for step in range(chords + 1):
        azimuth = last if step == chords else first + (last - first) * step / chords
        x[used] = 0.0 if azimuth >= 0.5 * math.pi else tan_radius * math.cos(azimuth)
        y[used] = tan_radius * math.sin(azimuth)
        used += 1
    return used


@compiled
def _write_texts(
    ra_deg: Floats, dec_deg: Floats, starts: Integers, shape: Bytes, text: Bytes, offsets: Any
) -> int:
    """Write the polygons one after the other; where each ends, and how many bytes there are."""
    at = 0
    for i in range(len(starts) - 1):
        for byte in shape:
            text[at] = byte
            at += 1
        for corner in range(starts[i], starts[i + 1]):
            at = _write_number(round(ra_deg[corner] * _IN_DEGREE) % _TURN, text, at)
            at = _write_number(round(dec_deg[corner] * _IN_DEGREE), text, at)
        offsets[i + 1] = at
    return at


@compiled
def _write_number(millionths: int, text: Bytes, at: int) -> int:
    """Write a blank and a number with its decimals; where the next one goes."""
    text[at] = _BLANK
    at += 1
    if millionths < 0:
        text[at] = _MINUS
        at += 1
        millionths = -millionths
    whole, rest = millionths // _IN_DEGREE, millionths % _IN_DEGREE
    digit = 100 if whole >= 100 else 10 if whole >= 10 else 1
    while digit > 0:
        text[at] = _ZERO + whole // digit % 10
        at += 1
        digit //= 10
    text[at] = _POINT
    at += 1
    digit = _IN_DEGREE // 10
    while digit > 0:
        text[at] = _ZERO + rest // digit % 10
        at += 1
        digit //= 10
    return at
