"""Polygons on the sky: are the corners sound, how large is the inside, what lies within.

Corners are unit vectors joined by the shorter great circles. All of them lie in one open
hemisphere, so a gnomonic projection about its middle would show a plane polygon; the tests
below are the plane ones, written with triple products so that nothing is ever divided.
"""

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.errors import QueryError

# Corners closer than this are one point; corners this close to a side lie on it (0.2
# microarcsec: far below any plate, far above the rounding of unit vectors).
SAME_PLACE_RAD = 1e-12

COSINE_ROUNDING = 1e-15

Vector = NDArray[np.float64]  # shape (3,)
Vectors = NDArray[np.float64]  # shape (n, 3)


def sound_corners(corners: Vectors) -> tuple[Vectors, Vector]:
    """Check a polygon's corners, in either winding.

    Parameters
    ----------
    corners : float64, shape (n, 3)
        Unit vectors; the last may repeat the first.

    Returns
    -------
    corners : float64, shape (n, 3)
        Without a closing repeat.
    middle : float64, shape (3,)
        Centre of the smallest cap that holds them; less than 90 degrees from each.

    Raises
    ------
    QueryError
        If there are fewer than three, neighbours coincide, no hemisphere holds them all, they
        enclose nothing, or the boundary meets itself.
    """
    if len(corners) > 1 and _same_place(corners[:1], corners[-1:]).any():
        corners = corners[:-1]
    if len(corners) < 3:
        raise _refusal(f"a polygon needs at least 3 different corners, got {len(corners)}")
    repeated = np.flatnonzero(_same_place(corners, np.roll(corners, -1, axis=0)))
    if repeated.size:
        at = int(repeated[0]) + 1
        raise _refusal(
            f"polygon corners {at} and {at % len(corners) + 1} are the same place: leave one out"
        )
    middle, cosine = smallest_cap(corners)
    # cosine > 0 alone would let through corners on one great circle, by rounding
    if not cosine > SAME_PLACE_RAD:
        raise _refusal(
            "the polygon's corners fit in no hemisphere, so it has no smaller side; "
            "split it into smaller polygons"
        )
    _refuse_flat_or_crossing(corners)
    return corners, middle


def _refusal(message: str) -> QueryError:
    return QueryError("region", "polygon", message)


def _same_place(first: Vectors, second: Vectors) -> NDArray[np.bool_]:
    return np.asarray(np.linalg.norm(first - second, axis=1) <= SAME_PLACE_RAD)


def smallest_cap(points: Vectors) -> tuple[Vector, float]:
    """Centre of the smallest cap that holds unit vectors, and the cosine of its radius.

    If no hemisphere holds them the cosine is not above zero, and the centre means nothing.
    """
    shuffled = np.random.default_rng(0).permutation(points)  # keeps the expected work linear
    centre = _cap_centre(shuffled, [])
    return centre, float((points @ centre).min())


def _cap_centre(points: Vectors, rim: list[Vector]) -> Vector:
    """Centre of the smallest cap that holds `points` and has the points `rim` on its edge.

    Points are added one by one; one that falls outside must be on the rim of the next cap
    (Welzl 1991, Lecture Notes in Computer Science 555, 359).
    """
    centre = _rim_centre(rim or [points[0]])
    if len(rim) == 3:
        return centre
    edge = centre @ (rim or [points[0]])[0]
    done = 0
    while True:
        outside = np.flatnonzero(points[done:] @ centre < edge - COSINE_ROUNDING)
        if not outside.size:
            return centre
        done += int(outside[0]) + 1
        newcomer = points[done - 1]
        centre = _cap_centre(points[: done - 1], [*rim, newcomer])
        edge = centre @ newcomer


def _rim_centre(rim: list[Vector]) -> Vector:
    """Direction equally far from one, two or three different directions, on the near side."""
    if len(rim) < 3:
        centre = np.sum(rim, axis=0)
    else:
        centre = np.cross(rim[1] - rim[0], rim[2] - rim[0])
        centre = centre if centre @ rim[0] > 0.0 else -centre
    length = np.linalg.norm(centre)
    return np.asarray(centre / length) if length > 0.0 else rim[0]  # opposite points: no cap


def _refuse_flat_or_crossing(corners: Vectors) -> None:
    """Refuse corners on one great circle, and sides that cross or touch other sides."""
    n = len(corners)
    following = np.roll(corners, -1, axis=0)
    normals = np.cross(corners, following - corners)
    normals /= np.linalg.norm(normals, axis=1)[:, None]
    if np.all(np.abs(corners @ normals[0]) <= SAME_PLACE_RAD):
        raise _refusal("the polygon has no area: all its corners lie on one great circle")
    for i in range(n):
        beside = corners @ normals[i]  # sine of each corner's distance from side i's circle
        on_circle = np.abs(beside) <= SAME_PLACE_RAD
        between = (np.cross(corners[i], corners) @ normals[i] >= 0.0) & (
            np.cross(corners, following[i]) @ normals[i] >= 0.0
        )
        touching = on_circle & between
        touching[[i, (i + 1) % n]] = False
        if touching.any():
            at = int(np.argmax(touching)) + 1
            raise _refusal(f"the polygon touches itself: corner {at} lies on side {i + 1}")
        # Sides cross if each has its two ends on different sides of the other's circle.
        splits_this = np.sum(normals * corners[i], axis=1) * np.sum(normals * following[i], axis=1)
        crossing = (beside * np.roll(beside, -1) < 0.0) & (splits_this < 0.0)
        crossing[[i - 1, i, (i + 1) % n]] = False  # neighbours share a corner
        if crossing.any():
            at = int(np.argmax(crossing)) + 1
            raise _refusal(
                f"the polygon crosses itself: sides {min(i + 1, at)} and {max(i + 1, at)}; "
                "give the corners in order along the boundary"
            )


def area_sr(corners: Vectors, middle: Vector) -> float:
    """Solid angle, in steradians, of a polygon as `sound_corners` returns it.

    The sum of the triangles from the middle to each side, with their signs; each by
    Van Oosterom & Strackee 1983, IEEE Trans. Biomed. Eng. 30, 125.
    """
    following = np.roll(corners, -1, axis=0)
    # the triple product of middle, a, b, from differences so that tiny polygons keep digits
    triple = np.cross(corners - middle, following - middle) @ middle
    rest = 1.0 + corners @ middle + following @ middle + np.sum(corners * following, axis=1)
    return abs(float(np.sum(2.0 * np.arctan2(triple, rest))))


def inside(corners: Vectors, middle: Vector, vectors: Vectors) -> NDArray[np.bool_]:
    """Whether unit vectors of shape (n, 3) lie inside a polygon as `sound_corners` returns it.

    A half-line from each point, along -y of the projection, meets the boundary an odd number of
    times from inside. Points on the boundary itself may count either way.
    """
    helper = np.zeros(3)
    helper[int(np.argmin(np.abs(middle)))] = 1.0
    x_axis = np.cross(middle, helper)
    x_axis /= np.linalg.norm(x_axis)
    # The projected x of a direction is x / w: compare products instead of quotients.
    x, w = vectors @ x_axis, vectors @ middle
    corner_x, corner_w = corners @ x_axis, corners @ middle
    odd = np.zeros(len(vectors), dtype=bool)
    right = corner_x[-1] * w > x * corner_w[-1]
    previous = corners[-1]
    for corner, cx, cw in zip(corners, corner_x, corner_w, strict=True):
        previous_right, right = right, cx * w > x * cw
        above = vectors @ np.cross(previous, corner - previous) > 0.0  # left of this side
        odd ^= (right != previous_right) & (above == right)
        previous = corner
    return odd & (w > 0.0)
