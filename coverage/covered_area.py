"""How much of a region some exposures cover: cells of the region whose centres they hold."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.cell_bits import bits_of_cells, count_bits, covered_bits
from platecover.coverage.compiled import compiled
from platecover.coverage.edge_distance import in_plate_axes
from platecover.coverage.healpix_cells import BASE_CELLS, WHOLE_SKY_DEG2, cell_centres
from platecover.coverage.map_cells import KEPT_ORDER, MapCells
from platecover.coverage.plate_geometry import Records
from platecover.coverage.regions import Region
from platecover.coverage.timeline import Timeline

FINEST_ORDER = 12  # of the cells in which covered area is counted; the coarsest is KEPT_ORDER
_ENOUGH_CENTRES = 1000  # cell centres in a region that make its area a fair sum of cells


@dataclass(frozen=True)
class CountingCells:
    """Cells, all of one order, whose centres are in a region.

    Attributes
    ----------
    order : int
    cells : int64, shape (n,)
        NESTED, ascending.
    """

    order: int
    cells: NDArray[np.int64]

    def area_deg2(self, count: int) -> float:
        """Area of so many cells."""
        return count * WHOLE_SKY_DEG2 / (BASE_CELLS << (2 * self.order))


def counting_cells(region: Region) -> CountingCells:
    """Cells of the coarsest order that puts enough centres in a region, else of the finest."""
    cells = np.zeros(0, dtype=np.int64)
    for order in range(KEPT_ORDER, FINEST_ORDER + 1):
        cells = region.cells_with_centre(order)
        if len(cells) >= _ENOUGH_CENTRES:
            return CountingCells(order, cells)
    return CountingCells(FINEST_ORDER, cells)


def covered_by_groups(
    geometry: Records,
    map_cells: MapCells,
    numbers: NDArray[np.int64],
    limits: NDArray[np.int64],
    counting: CountingCells,
) -> NDArray[np.int64]:
    """How many of the cells any exposure of a group covers, group by group.

    Parameters
    ----------
    geometry : dtype GEOMETRY, shape (n_exposures,)
    map_cells : MapCells
        Of KEPT_ORDER.
    numbers : int64, shape (n,)
        Exposures, group after group.
    limits : int64, shape (n_groups + 1,)
        Group g is numbers[limits[g] : limits[g + 1]].
    counting : CountingCells
    """
    counts = np.zeros(len(limits) - 1, dtype=np.int64)
    if counting.order == KEPT_ORDER:
        wanted = bits_of_cells(counting.order, counting.cells)
        for group in np.flatnonzero(np.diff(limits)):
            members = numbers[limits[group] : limits[group + 1]]
            counts[group] = count_bits(covered_bits(map_cells, members) & wanted)
        return counts
    # large footprints first: they leave few cells, or none, to the others
    size = geometry["tan_half_width"][numbers] * geometry["tan_half_height"][numbers]
    group_of = np.repeat(np.arange(len(counts)), np.diff(limits))
    large_first = numbers[np.lexsort((-size, group_of))]
    centres = cell_centres(counting.order, counting.cells)
    _count_held(geometry, large_first, limits, centres, counts)
    return counts


def covered_by_years(
    timeline: Timeline, edges: NDArray[np.int64], counting: CountingCells
) -> NDArray[np.int64]:
    """How many of the cells all the exposures from one year to before the next cover.

    Parameters
    ----------
    timeline : Timeline
    edges : int64, shape (n + 1,)
        Years, ascending.
    counting : CountingCells
        Of KEPT_ORDER.

    Returns
    -------
    int64, shape (n,)
    """
    wanted = bits_of_cells(counting.order, counting.cells)
    places = np.searchsorted(timeline.years, edges)
    counts = np.zeros(len(edges) - 1, dtype=np.int64)
    for at in np.flatnonzero(np.diff(places)):
        covered = timeline.covered[places[at] : places[at + 1]]
        counts[at] = count_bits(np.bitwise_or.reduce(covered, axis=0) & wanted)
    return counts


@compiled
def _count_held(
    geometry: Any,
    numbers: NDArray[np.int64],
    limits: NDArray[np.int64],
    centres: NDArray[np.float64],
    counts: NDArray[np.int64],
) -> None:
    """Count, for each group, the directions that lie in any footprint of it."""
    open_cells = np.empty(len(centres), np.int64)  # those that no footprint held so far
    for group in range(len(counts)):
        n_open = len(centres)
        for cell in range(n_open):
            open_cells[cell] = cell
        for i in range(limits[group], limits[group + 1]):
            if n_open == 0:
                break
            record = geometry[numbers[i]]
            reach = math.cos(min(record.usable_radius_rad, math.pi / 2))
            left = 0
            for at in range(n_open):
                cell = open_cells[at]
                x, y, z = centres[cell, 0], centres[cell, 1], centres[cell, 2]
                if not _holds(record, reach, x, y, z):
                    open_cells[left] = cell
                    left += 1
            n_open = left
        counts[group] = len(centres) - n_open


@compiled
def _holds(record: Any, reach: float, x: float, y: float, z: float) -> bool:
    """Whether a direction lies in a footprint, whose usable radius has the cosine `reach`."""
    u, v, w = in_plate_axes(record, x, y, z)
    if w <= 0.0 or w < reach:
        return False
    plate_x, plate_y = abs(u) / w, abs(v) / w
    tan_x, tan_y = record.tan_half_width, record.tan_half_height
    if record.either_layout == 1 and plate_x <= tan_y and plate_y <= tan_x:
        return True
    return bool(plate_x <= tan_x and plate_y <= tan_y)
