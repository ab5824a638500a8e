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
from platecover.coverage.edge_decision import NO_MATCH, SURE, decided
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


def matches(edition: Edition, region: Region, *, measured: bool = True) -> Hits:
    """Exposures that show a region, whatever they are.

    Parameters
    ----------
    edition : Edition
    region : Region
    measured : bool, optional
        False leaves out the distances, which is faster: they are NaN for circles too.

    Returns
    -------
    Hits
    """
    if isinstance(region, Circle):
        return _circle_hits(edition, region) if measured else _circle_matches(edition, region)
    if isinstance(region, AllSky):
        numbers = np.arange(len(edition.geometry))
        return _unmeasured(numbers, np.ones(len(numbers), dtype=np.bool_))
    numbers, sure = _candidates(edition, region)
    match, undecided = sure.copy(), np.flatnonzero(~sure)
    match[undecided], sure[undecided] = overlap(region, edition.geometry[numbers[undecided]])
    return _unmeasured(numbers[match], sure[match])


def _unmeasured(numbers: NDArray[np.int64], sure: NDArray[np.bool_]) -> Hits:
    """Hits without distances."""
    nothing = np.full(len(numbers), np.nan)
    return Hits(numbers, sure, nothing, nothing)


def _candidates(edition: Edition, region: Region) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Exposures that may show a region that is no circle, and whether they do so for certain."""
    size_deg = math.sqrt(region.area_deg2) or _ORDER_0_SIDE_DEG
    order = int(math.log2(_ORDER_0_SIDE_DEG / size_deg)) + _FINER_THAN_REGION
    order = min(max(order, _COVER_ORDERS[0]), _COVER_ORDERS[1])
    return edition.index.near_cells(region.cover(order))


def _circle_candidates(edition: Edition, circle: Circle) -> NDArray[np.int64]:
    """Exposures that may show a circle."""
    if circle.radius_deg > _WIDE_DEG:
        return np.arange(len(edition.geometry))
    order = int(math.log2(_ORDER_0_SIDE_DEG / circle.radius_deg))
    order = min(max(order, 0), FINEST_ORDER)
    cells = healpy.query_disc(
        1 << order,
        unit_vectors(circle.ra_deg, circle.dec_deg),
        math.radians(circle.radius_deg),
        inclusive=True,
        fact=_SUBDIVISION,
        nest=True,
    )
    return edition.index.near_cells([(order, cells, False)])[0]


def _circle_matches(edition: Edition, circle: Circle) -> Hits:
    """Exposures whose edge is no farther outside than radius and margin, unmeasured."""
    x, y, z = unit_vectors(circle.ra_deg, circle.dec_deg).tolist()
    if circle.radius_deg == 0.0:
        certain, possible = edition.index.at_point(x, y, z)
    else:
        certain, possible = _NONE, _circle_candidates(edition, circle)
    verdicts = _decide(
        edition.geometry, certain, possible, x, y, z, math.radians(circle.radius_deg)
    )
    verdicts.sort()
    return _unmeasured(verdicts >> 1, (verdicts & 1).astype(np.bool_))


_NONE = np.zeros(0, dtype=np.int64)


@compiled
def _decide(
    geometry: Any,
    certain: NDArray[np.int64],
    possible: NDArray[np.int64],
    x: float,
    y: float,
    z: float,
    radius_rad: float,
) -> NDArray[np.int64]:
    """Twice the numbers of the exposures that show a circle, and 1 more where that is sure."""
    verdicts = np.empty(len(certain) + len(possible), np.int64)
    for i in range(len(certain)):
        verdicts[i] = 2 * certain[i] + 1
    used = len(certain)
    for number in possible:
        verdict = decided(geometry[number], x, y, z, radius_rad)
        verdicts[used] = 2 * number + (verdict == SURE)
        used += verdict != NO_MATCH
    return verdicts[:used]


def _circle_hits(edition: Edition, circle: Circle) -> Hits:
    """Exposures whose edge is no farther outside than radius and margin, with distances."""
    x, y, z = unit_vectors(circle.ra_deg, circle.dec_deg).tolist()
    if circle.radius_deg == 0.0:
        numbers = np.concatenate(edition.index.at_point(x, y, z))
        numbers.sort()
    else:
        numbers = _circle_candidates(edition, circle)
    radius_rad = math.radians(circle.radius_deg)
    used, centre, edge, sure = _measure(edition.geometry, numbers, x, y, z, radius_rad)
    return Hits(used, sure, np.degrees(centre), np.degrees(edge))


@compiled
def _measure(
    geometry: Any, numbers: NDArray[np.int64], x: float, y: float, z: float, radius_rad: float
) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
    """Those of some exposures that show a circle; distances in radians from its middle; if sure."""
    found, sure = np.empty(len(numbers), np.int64), np.empty(len(numbers), np.bool_)
    centre, edge = np.empty(len(numbers)), np.empty(len(numbers))
    used = 0
    for number in numbers:
        record = geometry[number]
        larger, smaller = edge_distances_rad(record, x, y, z)
        if larger >= -radius_rad - record.margin_rad:
            u, v, w = in_plate_axes(record, x, y, z)
            found[used], edge[used] = number, larger
            centre[used] = math.atan2(math.hypot(u, v), w)
            sure[used] = smaller >= -radius_rad + record.margin_rad and record.never_sure == 0
            used += 1
    return found[:used], centre[:used], edge[:used], sure[:used]
