"""Search: which exposures show a region, and how surely.

Cells first, exact geometry after: the cell index names the exposures that may show the place,
and only these are measured. Exposure numbers are places in the edition, whose order is the
order of every answer.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import healpy
import numpy as np
from numpy.typing import NDArray

from platecover.coverage.cell_index import FINEST_ORDER
from platecover.coverage.compiled import compiled
from platecover.coverage.directions import unit_vectors
from platecover.coverage.edge_distance import edge_distances_rad, in_plate_axes
from platecover.coverage.edition import Edition
from platecover.coverage.filters import Selection
from platecover.coverage.region_overlap import overlap
from platecover.coverage.regions import AllSky, Circle, Region

_ORDER_0_SIDE_DEG = math.degrees(math.sqrt(4.0 * math.pi / 12))
_SUBDIVISION = 4  # of cells, when healpy decides which a circle overlaps
_FINER_THAN_REGION = 3  # orders by which covering cells are smaller than the region
_COVER_ORDERS = (2, 7)  # coarsest and finest order in which a region is covered
_WIDE_DEG = 80.0  # circles beyond are measured against every exposure


@dataclass(frozen=True)
class Hits:
    """Exposures that show a region.

    Attributes
    ----------
    numbers : int64, shape (n,)
        Exposure numbers, ascending.
    sure : bool, shape (n,)
        False: marginal.
    centre_distance_deg, edge_distance_deg : float64, shape (n,)
        From the middle of a circle; NaN for other regions.
    """

    numbers: NDArray[np.int64]
    sure: NDArray[np.bool_]
    centre_distance_deg: NDArray[np.float64]
    edge_distance_deg: NDArray[np.float64]

    def where(self, keep: NDArray[np.bool_]) -> "Hits":
        """Those of the hits for which `keep` is true."""
        return Hits(
            self.numbers[keep],
            self.sure[keep],
            self.centre_distance_deg[keep],
            self.edge_distance_deg[keep],
        )


def search(edition: Edition, region: Region, filters: Mapping[str, Any]) -> Hits:
    """Exposures that show a region and pass the filters.

    Parameters
    ----------
    edition : Edition
    region : Region
    filters : mapping
        Values by the keywords of `filter_table.FILTERS`.

    Returns
    -------
    Hits

    Raises
    ------
    QueryError
        If a filter or its value is not known or not possible.
    """
    selection = Selection(edition, filters)
    hits = matches(edition, region)
    return hits.where(selection.mask(hits.numbers) & selection.certainty_mask(hits.sure))


def matches(edition: Edition, region: Region) -> Hits:
    """Exposures that show a region, whatever they are."""
    if isinstance(region, Circle):
        return _circle_matches(edition, region)
    if isinstance(region, AllSky):
        numbers = np.arange(len(edition.geometry))
        match = sure = np.ones(len(numbers), dtype=np.bool_)
    else:
        numbers, sure = _candidates(edition, region)
        match, open_ = sure.copy(), np.flatnonzero(~sure)
        match[open_], sure[open_] = overlap(region, edition.geometry[numbers[open_]])
    unmeasured = np.full(int(match.sum()), np.nan)
    return Hits(numbers[match], sure[match], unmeasured, unmeasured)


def _candidates(edition: Edition, region: Region) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Exposures that may show a region that is no circle, and whether they do so for certain."""
    size_deg = math.sqrt(region.area_deg2) or _ORDER_0_SIDE_DEG
    order = int(math.log2(_ORDER_0_SIDE_DEG / size_deg)) + _FINER_THAN_REGION
    order = min(max(order, _COVER_ORDERS[0]), _COVER_ORDERS[1])
    return edition.index.near_cells(region.cover(order))


def _circle_matches(edition: Edition, circle: Circle) -> Hits:
    """Exposures whose edge is no farther outside than radius and margin."""
    vector = unit_vectors(circle.ra_deg, circle.dec_deg)
    if circle.radius_deg == 0.0:
        numbers = np.sort(np.concatenate(edition.index.at_point(vector)))
    elif circle.radius_deg > _WIDE_DEG:
        numbers = np.arange(len(edition.geometry))
    else:
        order = int(math.log2(_ORDER_0_SIDE_DEG / circle.radius_deg))
        order = min(max(order, 0), FINEST_ORDER)
        radius = math.radians(circle.radius_deg)
        cells = healpy.query_disc(
            1 << order, vector, radius, inclusive=True, fact=_SUBDIVISION, nest=True
        )
        numbers, _ = edition.index.near_cells([(order, cells, False)])
    count = len(numbers)
    centre, larger, sure = np.empty(count), np.empty(count), np.empty(count, dtype=np.bool_)
    match = np.empty(count, dtype=np.bool_)
    x, y, z = (float(component) for component in vector)
    _measure(
        edition.geometry, numbers, x, y, z, math.radians(circle.radius_deg),
        centre, larger, match, sure,
    )  # fmt: skip
    hits = Hits(numbers, sure, np.degrees(centre), np.degrees(larger))
    return hits.where(match)


@compiled
def _measure(
    geometry: Any,
    numbers: NDArray[np.int64],
    x: float,
    y: float,
    z: float,
    radius_rad: float,
    centre: NDArray[np.float64],
    larger: NDArray[np.float64],
    match: NDArray[np.bool_],
    sure: NDArray[np.bool_],
) -> None:
    """Distances in radians from one direction, and what a circle of that radius makes of them."""
    for i in range(len(numbers)):
        record = geometry[numbers[i]]
        u, v, w = in_plate_axes(record, x, y, z)
        centre[i] = math.atan2(math.hypot(u, v), w)
        larger[i], smaller = edge_distances_rad(record, x, y, z)
        match[i] = larger[i] >= -radius_rad - record.margin_rad
        sure[i] = smaller >= -radius_rad + record.margin_rad and record.never_sure == 0
