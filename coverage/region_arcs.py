"""Arcs of circles on the sky: what the boundaries of regions are made of.

An arc runs, s radians along its circle from `start`, through the points
``axis cos g + sin g (start cos s + quarter sin s)``, g its angle from the axis. Sides of
polygons and meridians have g = 90 degrees; parallels and circles are drawn about their pole.
"""

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.compiled import compiled
from platecover.coverage.directions import FULL_CIRCLE_DEG, unit_vectors

ARC = np.dtype(
    [
        ("axis", np.float64, (3,)),
        ("start", np.float64, (3,)),  # at right angles to the axis
        ("quarter", np.float64, (3,)),  # axis x start: a quarter of the circle further on
        ("cos_g", np.float64),
        ("sin_g", np.float64),
        ("span", np.float64),  # radians, 0 .. 2 pi
    ],
    align=True,
)

Arcs = NDArray[Any]  # of dtype ARC

POLE_DEG = 90.0
WHOLE_TURN = 2.0 * math.pi
RIGHT_ANGLE = 0.5 * math.pi


def no_arcs() -> Arcs:
    """Boundary of the whole sky: none."""
    return np.empty(0, dtype=ARC)


def circle_arc(centre: NDArray[np.float64], radius_rad: float) -> Arcs:
    """One whole circle about a direction; radius 0 leaves its centre alone."""
    # Any direction at right angles to the centre may be the start: take the steadiest.
    helper = np.zeros(3)
    helper[int(np.argmin(np.abs(centre)))] = 1.0
    start = np.cross(centre, helper)
    return _arcs(centre, start / np.linalg.norm(start), radius_rad, WHOLE_TURN)


def side_arcs(corners: NDArray[np.float64]) -> Arcs:
    """Great-circle sides of a polygon.

    Parameters
    ----------
    corners : float64, shape (n, 3)
        Unit vectors; neighbours neither equal nor opposite. The last joins the first.

    Returns
    -------
    dtype ARC, shape (n,)
    """
    following = np.roll(corners, -1, axis=0)
    # a x b = a x (b - a): the difference keeps its digits when the corners are close together
    axis = np.cross(corners, following - corners)
    sine = np.linalg.norm(axis, axis=1)
    span = np.arctan2(sine, np.sum(corners * following, axis=1))
    return _arcs(axis / sine[:, None], corners, RIGHT_ANGLE, span)


def parallel_arcs(
    ra_deg: NDArray[np.float64], dec_deg: NDArray[np.float64], width_deg: NDArray[np.float64]
) -> Arcs:
    """Arcs of parallels from RA `ra_deg` eastward over `width_deg`, arrays of shape (n,)."""
    axis = np.broadcast_to(np.array([0.0, 0.0, 1.0]), (len(ra_deg), 3))
    colatitude = RIGHT_ANGLE - np.radians(dec_deg)
    return _arcs(axis, unit_vectors(ra_deg, 0.0), colatitude, np.radians(width_deg))


def meridian_arcs(
    ra_deg: NDArray[np.float64], low_dec_deg: NDArray[np.float64], high_dec_deg: NDArray[np.float64]
) -> Arcs:
    """Arcs of meridians from a lower to a higher declination, arrays of shape (n,)."""
    axis = unit_vectors(ra_deg - 90.0, 0.0)  # of motion towards north
    span = np.radians(high_dec_deg - low_dec_deg)
    return _arcs(axis, unit_vectors(ra_deg, low_dec_deg), RIGHT_ANGLE, span)


def range_arcs(west_deg: float, width_deg: float, low_deg: float, high_deg: float) -> Arcs:
    """Boundary of what lies from one RA eastward over a width, from one Dec up to another."""
    decs = np.array([low_deg, high_deg])
    whole_turn = width_deg == FULL_CIRCLE_DEG
    if whole_turn and low_deg < high_deg:
        # a cap has no boundary at its pole, a belt none where it closes on itself
        decs = decs[np.abs(decs) < POLE_DEG]
    n = len(decs)
    parallels = parallel_arcs(np.full(n, west_deg), decs, np.full(n, width_deg))
    if whole_turn:
        return parallels
    sides_deg = np.array([west_deg, west_deg + width_deg])
    return np.concatenate([parallels, meridian_arcs(sides_deg, decs[[0, 0]], decs[[1, 1]])])


def _arcs(
    axis: NDArray[np.float64],
    start: NDArray[np.float64],
    g: NDArray[np.float64] | float,
    span: NDArray[np.float64] | float,
) -> Arcs:
    axis, start = np.atleast_2d(axis), np.atleast_2d(start)
    arcs = np.zeros(len(axis), dtype=ARC)
    arcs["axis"], arcs["start"], arcs["quarter"] = axis, start, np.cross(axis, start)
    arcs["cos_g"], arcs["sin_g"] = np.cos(g), np.sin(g)
    arcs["cos_g"][np.asarray(g) == RIGHT_ANGLE] = 0.0  # cos(pi / 2) is 6e-17 in floating point
    arcs["span"] = span
    return arcs


def turned(arcs: Arcs, rotation: NDArray[np.float64]) -> Arcs:
    """Arcs carried by a rotation matrix of shape (3, 3)."""
    moved = arcs.copy()
    for part in ("axis", "start", "quarter"):
        moved[part] = arcs[part] @ rotation.T
    return moved


def points_on_arcs(arcs: Arcs, shares: NDArray[np.float64]) -> NDArray[np.float64]:
    """Unit vectors at shares (0 .. 1) of each arc's length: shape (n_arcs, n_shares, 3)."""
    s = (arcs["span"][:, None] * shares)[..., None]
    around = arcs["start"][:, None, :] * np.cos(s) + arcs["quarter"][:, None, :] * np.sin(s)
    return np.asarray(
        arcs["axis"][:, None, :] * arcs["cos_g"][:, None, None]
        + arcs["sin_g"][:, None, None] * around
    )


@compiled
def arc_distance_rad(arc: Any, px: float, py: float, pz: float) -> float:
    """Angle from a direction to the nearest point of an arc.

    Along a circle the distance from a point only grows with the azimuth from it, so the nearest
    point has the same azimuth, or is the end nearer in azimuth.
    """
    axis, start, quarter = arc.axis, arc.start, arc.quarter
    along_axis = px * axis[0] + py * axis[1] + pz * axis[2]
    along_start = px * start[0] + py * start[1] + pz * start[2]
    along_quarter = px * quarter[0] + py * quarter[1] + pz * quarter[2]
    from_axis = math.hypot(along_start, along_quarter)
    azimuth = math.atan2(along_quarter, along_start)
    if azimuth < 0.0:
        azimuth += WHOLE_TURN
    if azimuth <= arc.span:
        # the angle between two directions of one azimuth, by its sine and cosine
        sine = from_axis * arc.cos_g - along_axis * arc.sin_g
        cosine = along_axis * arc.cos_g + from_axis * arc.sin_g
        return abs(math.atan2(sine, cosine))
    end = arc.span if azimuth - arc.span < WHOLE_TURN - azimuth else 0.0
    towards_axis = along_axis - arc.cos_g
    towards_start = along_start - arc.sin_g * math.cos(end)
    towards_quarter = along_quarter - arc.sin_g * math.sin(end)
    chord = math.sqrt(towards_axis**2 + towards_start**2 + towards_quarter**2)
    return 2.0 * math.asin(min(0.5 * chord, 1.0))


def boundary_distances_rad(arcs: Arcs, vectors: NDArray[np.float64]) -> NDArray[np.float64]:
    """Angle from unit vectors of shape (n, 3) to the nearest of the arcs; pi if there are none."""
    distances = np.full(len(vectors), math.pi)
    _nearest(arcs, np.ascontiguousarray(vectors, dtype=np.float64), distances)
    return distances


@compiled
def _nearest(arcs: Any, vectors: NDArray[np.float64], distances: NDArray[np.float64]) -> None:
    for i in range(len(vectors)):
        for j in range(len(arcs)):
            distance = arc_distance_rad(arcs[j], vectors[i, 0], vectors[i, 1], vectors[i, 2])
            distances[i] = min(distances[i], distance)
