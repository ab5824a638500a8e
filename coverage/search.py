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
from platecover.coverage.region_hits import region_hits
from platecover.coverage.regions import AllSky, Circle, Region

_ORDER_0_SIDE_DEG = math.degrees(math.sqrt(4.0 * math.pi / 12))
_SUBDIVISION = 4  # of cells, when healpy decides which a circle overlaps
_GROWN_RAD = 1e-9  # 0.2 mas: healpy finds no cell at all in far smaller circles about a pole
_FINER_THAN_CIRCLE = 2  # orders by which covering cells are smaller than its radius
_WIDE_DEG = 80.0  # circles beyond are asked of every exposure
_NONE = np.zeros(0, dtype=np.int64)


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
        return _circle_matches(edition, region, measured)
    if isinstance(region, AllSky):
        numbers = np.arange(len(edition.geometry))
        return _unmeasured(numbers, np.ones(len(numbers), dtype=np.bool_))
    return _unmeasured(*region_hits(edition.index, edition.geometry, region))


def _unmeasured(numbers: NDArray[np.int64], sure: NDArray[np.bool_]) -> Hits:
    """Hits without distances."""
    nothing = np.full(len(numbers), np.nan)
    return Hits(numbers, sure, nothing, nothing)


def _circle_candidates(edition: Edition, circle: Circle) -> NDArray[np.int64]:
    """Exposures that may show a circle."""
    if circle.radius_deg > _WIDE_DEG:
        return np.arange(len(edition.geometry))
    # a quotient could overflow
    order = int(math.log2(_ORDER_0_SIDE_DEG) - math.log2(circle.radius_deg)) + _FINER_THAN_CIRCLE
    order = min(max(order, 0), FINEST_ORDER)
    cells = healpy.query_disc(
        1 << order,
        unit_vectors(circle.ra_deg, circle.dec_deg),
        math.radians(circle.radius_deg) + _GROWN_RAD,
        inclusive=True,
        fact=_SUBDIVISION,
        nest=True,
    )
    return edition.index.near_cells([(order, cells, False)])[0]


def _circle_matches(edition: Edition, circle: Circle, measured: bool) -> Hits:
    """Exposures whose edge is no farther outside than radius and margin."""
    x, y, z = unit_vectors(circle.ra_deg, circle.dec_deg).tolist()
    if circle.radius_deg == 0.0:
        certain, possible = edition.index.at_point(x, y, z)
    else:
        certain, possible = _NONE, _circle_candidates(edition, circle)
    radius_rad = math.radians(circle.radius_deg)
    verdicts = _decide(edition.geometry, certain, possible, x, y, z, radius_rad)
    verdicts.sort()
    numbers, sure = verdicts >> 1, (verdicts & 1).astype(np.bool_)
    if not measured:
        return _unmeasured(numbers, sure)
    centre, edge = _distances(edition.geometry, numbers, x, y, z)
    return Hits(numbers, sure, np.degrees(centre), np.degrees(edge))


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


@compiled
def _distances(
    geometry: Any, numbers: NDArray[np.int64], x: float, y: float, z: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Centre and edge distances of a direction, radians, from some exposures."""
    centre, edge = np.empty(len(numbers)), np.empty(len(numbers))
    # A light loop first: records far apart are fetched many at once, while the exact test
    # would wait for one after the other.
    for i in range(len(numbers)):
        u, v, w = in_plate_axes(geometry[numbers[i]], x, y, z)
        centre[i], edge[i] = u * u + v * v, w
    for i in range(len(numbers)):
        centre[i] = math.atan2(math.sqrt(centre[i]), edge[i])
        edge[i], _ = edge_distances_rad(geometry[numbers[i]], x, y, z)
    return centre, edge
