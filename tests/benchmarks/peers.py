"""Other ways to answer a point query, with the same exact test and the same certainty."""

import sqlite3

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.directions import unit_vectors
from platecover.coverage.edge_distance import edge_distance_deg
from platecover.coverage.plate_geometry import Records, corners_deg

Answer = tuple[NDArray[np.int64], NDArray[np.bool_]]  # exposure numbers, ascending; whether sure
_ROWS_AT_ONCE = 100_000


class BruteForce:
    """Plain numpy over every exposure: inside tests in plate axes, then exact distances."""

    def __init__(self, records: Records) -> None:
        self.records = records
        self.axes = [np.ascontiguousarray(records[name]) for name in ("centre", "x_axis", "y_axis")]
        # generous: a margin at the edge of a tangent plate spreads by sec^2 of the half-angle
        spread = 2.0 * np.tan(records["margin_rad"])
        self.reach_x, self.reach_y = (
            tangent + spread * (1.0 + tangent**2)
            for tangent in (records["tan_half_width"], records["tan_half_height"])
        )

    def at(self, ra: float, dec: float) -> Answer:
        """Exposures at a position."""
        vector = unit_vectors(ra, dec)
        w, x, y = (axis @ vector for axis in self.axes)
        near = (w > 0.0) & (np.abs(x) <= w * self.reach_x) & (np.abs(y) <= w * self.reach_y)
        return decided(self.records, np.flatnonzero(near), ra, dec)


class RTree:
    """Boxes in space about every grown footprint in SQLite's R*Tree, in memory."""

    def __init__(self, records: Records) -> None:
        self.records = records
        self.database = sqlite3.connect(":memory:")
        self.database.execute("create virtual table box using rtree(id, x0, x1, y0, y1, z0, z1)")
        for start in range(0, len(records), _ROWS_AT_ONCE):
            boxes = _boxes(records[start : start + _ROWS_AT_ONCE]).tolist()
            self.database.executemany(
                "insert into box values (?, ?, ?, ?, ?, ?, ?)",
                ((start + i, *box) for i, box in enumerate(boxes)),
            )

    def at(self, ra: float, dec: float) -> Answer:
        """Exposures at a position."""
        x, y, z = unit_vectors(ra, dec).tolist()
        found = self.database.execute(
            "select id from box where x0 <= ? and x1 >= ? and y0 <= ? and y1 >= ?"
            " and z0 <= ? and z1 >= ?",
            (x, x, y, y, z, z),
        ).fetchall()
        numbers = np.sort(np.array(found, dtype=np.int64).reshape(-1))
        return decided(self.records, numbers, ra, dec)


def decided(records: Records, numbers: NDArray[np.int64], ra: float, dec: float) -> Answer:
    """Exact test of some exposures."""
    some = records[numbers]
    larger, smaller = edge_distance_deg(some, ra, dec)
    margin = np.degrees(some["margin_rad"])
    match = larger >= -margin
    sure = (smaller >= margin) & (some["never_sure"] == 0)
    return numbers[match], sure[match]


def _boxes(records: Records) -> NDArray[np.float64]:
    """Boxes (x0, x1, y0, y1, z0, z1) that hold the grown footprints, shape (n, 6)."""
    corners = unit_vectors(*corners_deg(records))
    # a cap about the centre holds the footprint; its box in space is exact by axis
    half_diagonal = np.arctan(np.hypot(records["tan_half_width"], records["tan_half_height"]))
    radius = (half_diagonal + records["margin_rad"])[:, None]
    off_axis = np.arccos(np.clip(records["centre"], -1.0, 1.0))
    high = np.cos(np.maximum(off_axis - radius, 0.0))
    low = np.cos(np.minimum(off_axis + radius, np.pi))
    # tighter: the footprint's own corners, its bulge and its margin
    bulge = (1.0 - np.cos(half_diagonal) + np.sin(records["margin_rad"]))[:, None]
    low = np.maximum(low, np.minimum(corners.min(axis=1), records["centre"]) - bulge)
    high = np.minimum(high, np.maximum(corners.max(axis=1), records["centre"]) + bulge)
    return np.stack([low, high], axis=2).reshape(len(records), 6)
