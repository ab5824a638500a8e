"""Witnesses: places along a region's boundary that settle most footprints without the exact test.

A footprint that is sure to show one witness is sure to show the region. One that lies farther
from every witness than these lie from each other is not reached by the boundary at all.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.compiled import compiled
from platecover.coverage.directions import separation_deg
from platecover.coverage.edge_decision import SURE, decided
from platecover.coverage.plate_geometry import Records
from platecover.coverage.region_arcs import Arcs, points_on_arcs

UNDECIDED, SURELY_SHOWN, NOT_REACHED = 0, 1, 2  # what witnesses say of a footprint
_WITNESSES = 256  # about so many: measured


@dataclass(frozen=True)
class Witnesses:
    """Places along pieces of a boundary.

    Attributes
    ----------
    points : float64, shape (n, 3)
        Unit vectors, piece after piece.
    first : int64, shape (n_pieces + 1,)
        Points of piece i are at first[i] to first[i + 1].
    middles : float64, shape (n_pieces, 3)
    radii_rad : float64, shape (n_pieces,)
        No place of a piece is farther from its middle.
    apart_rad : float
        No place of the boundary is farther than this from a point of its piece; infinite if
        the points do not follow a boundary.
    """

    points: NDArray[np.float64]
    first: NDArray[np.int64]
    middles: NDArray[np.float64]
    radii_rad: NDArray[np.float64]
    apart_rad: float

    def ask(self, geometry: Records, numbers: NDArray[np.int64]) -> NDArray[np.uint8]:
        """What the witnesses say of some footprints: UNDECIDED, SURELY_SHOWN or NOT_REACHED.

        NOT_REACHED is said of the boundary: a footprint may still lie wholly in the region.
        """
        said = np.empty(len(numbers), dtype=np.uint8)
        _ask(
            geometry, numbers, self.points, self.first, self.middles, self.radii_rad,
            self.apart_rad, said,
        )  # fmt: skip
        return said


def along_boundary(arcs: Arcs) -> Witnesses:
    """Witnesses along arcs, about evenly."""
    lengths = arcs["span"] * arcs["sin_g"]
    steps = np.ceil(_WITNESSES * lengths / max(lengths.sum(), 1.0e-300)).astype(np.int64)
    steps = np.maximum(steps, 1)
    first = np.append(0, np.cumsum(steps + 1))
    arc = np.repeat(np.arange(len(arcs)), steps + 1)
    shares = (np.arange(first[-1]) - first[arc]) / steps[arc]
    points = points_on_arcs(arcs[arc], shares[:, None])[:, 0]
    middles, ends = np.moveaxis(points_on_arcs(arcs, np.array([0.5, 1.0])), 1, 0)
    return Witnesses(
        points,
        first,
        middles,
        np.radians(separation_deg(middles, ends)),
        float(np.max(0.5 * lengths / steps, initial=0.0)),
    )


def of_places(points: NDArray[np.float64]) -> Witnesses:
    """Witnesses at some places of a region, unit vectors of shape (n, 3)."""
    some = np.ascontiguousarray(points[:: len(points) // _WITNESSES + 1])
    middle = np.array([[0.0, 0.0, 1.0]])
    return Witnesses(some, np.array([0, len(some)]), middle, np.array([math.pi]), math.inf)


@compiled
def _ask(
    geometry: Any,
    numbers: NDArray[np.int64],
    points: NDArray[np.float64],
    first: NDArray[np.int64],
    middles: NDArray[np.float64],
    radii: NDArray[np.float64],
    apart: float,
    said: NDArray[np.uint8],
) -> None:
    for i in range(len(numbers)):
        said[i] = _said_of(geometry[numbers[i]], points, first, middles, radii, apart)


@compiled
def _said_of(
    record: Any,
    points: NDArray[np.float64],
    first: NDArray[np.int64],
    middles: NDArray[np.float64],
    radii: NDArray[np.float64],
    apart: float,
) -> int:
    """What is said of one footprint: angles stand for their sines, which are less."""
    frame, margin = _frame(record), record.margin_rad
    deepest, reached = margin, apart == math.inf
    for piece in range(len(radii)):
        middle = middles[piece]
        if _depth(frame, middle[0], middle[1], middle[2]) < -margin - radii[piece]:
            continue
        for at in range(first[piece], first[piece + 1]):
            x, y, z = points[at, 0], points[at, 1], points[at, 2]
            depth = _depth(frame, x, y, z)
            reached |= depth >= -margin - apart
            if depth > deepest:
                deepest = depth
                if decided(record, x, y, z, 0.0) == SURE:
                    return SURELY_SHOWN
    return UNDECIDED if reached else NOT_REACHED


@compiled
def _frame(record: Any) -> Any:
    """Axes of a footprint; sine and cosine of its half-width, and of its half-height."""
    tan_x, tan_y = record.tan_half_width, record.tan_half_height
    if record.either_layout == 1:
        tan_x = tan_y = max(tan_x, tan_y)
    cos_x, cos_y = 1.0 / math.sqrt(1.0 + tan_x * tan_x), 1.0 / math.sqrt(1.0 + tan_y * tan_y)
    a, b, c = record.x_axis, record.y_axis, record.centre
    return (
        (a[0], a[1], a[2]), (b[0], b[1], b[2]), (c[0], c[1], c[2]),
        (tan_x * cos_x, cos_x), (tan_y * cos_y, cos_y),
    )  # fmt: skip


@compiled
def _depth(frame: Any, x: float, y: float, z: float) -> float:
    """Sine of a distance within the footprint's sides, not below that of the edge distance."""
    a, b, c, (sin_x, cos_x), (sin_y, cos_y) = frame
    u = abs(x * a[0] + y * a[1] + z * a[2])
    v = abs(x * b[0] + y * b[1] + z * b[2])
    w = x * c[0] + y * c[1] + z * c[2]
    return float(min(w * sin_x - u * cos_x, w * sin_y - v * cos_y))
