"""Which exposures show a region that is no circle: by cells, then by witnesses, then exactly.

Most exposures are settled by cells of the index that lie wholly in the region, and most of the
rest by one place of the region that they are sure to show. Only those that are left go to the
exact test.
"""

import math

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.cell_index import CellIndex
from platecover.coverage.healpix_cells import cell_centres
from platecover.coverage.plate_geometry import Records
from platecover.coverage.region_cells import Cover
from platecover.coverage.region_overlap import overlap
from platecover.coverage.region_witnesses import (
    NOT_REACHED,
    SURELY_SHOWN,
    along_boundary,
    of_places,
)
from platecover.coverage.regions import ArcRegion, Region

_ORDER_0_SIDE_DEG = math.degrees(math.sqrt(4.0 * math.pi / 12))
# Measured at 600,000 exposures: the finer, the fewer are left to the exact test, but the cells
# themselves cost more.
_FINER_THAN_REGION = 5  # orders by which covering cells are smaller than the region
_COVER_ORDERS = (2, 9)  # coarsest and finest order in which a region is covered


def region_hits(
    index: CellIndex, geometry: Records, region: Region
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Exposures that show a region.

    Parameters
    ----------
    index : CellIndex
    geometry : dtype GEOMETRY, shape (n_exposures,)
    region : Region

    Returns
    -------
    numbers : int64, shape (n,)
        Ascending.
    sure : bool, shape (n,)
        As `region_overlap.overlap` says of all exposures.
    """
    size_deg = math.sqrt(region.area_deg2) or _ORDER_0_SIDE_DEG
    order = int(math.log2(_ORDER_0_SIDE_DEG / size_deg)) + _FINER_THAN_REGION
    cover = region.cover(min(max(order, _COVER_ORDERS[0]), _COVER_ORDERS[1]))
    numbers, sure = index.near_cells(cover)
    match = np.ones(len(numbers), dtype=np.bool_)
    _ask_witnesses(region, cover, geometry, numbers, match, sure)
    open_ = np.flatnonzero(match & ~sure)
    match[open_], sure[open_] = overlap(region, geometry[numbers[open_]])
    return numbers[match], sure[match]


def _ask_witnesses(
    region: Region,
    cover: Cover,
    geometry: Records,
    numbers: NDArray[np.int64],
    match: NDArray[np.bool_],
    sure: NDArray[np.bool_],
) -> None:
    """Note which exposures that are not sure yet are so by a witness, and which are no match."""
    open_ = np.flatnonzero(~sure)
    if isinstance(region, ArcRegion):
        witnesses = along_boundary(region.arcs)
    else:
        centres = [cell_centres(order, cells) for order, cells, within in cover if within]
        witnesses = of_places(np.concatenate([np.empty((0, 3)), *centres]))
    said = witnesses.ask(geometry, numbers[open_])
    sure[open_[said == SURELY_SHOWN]] = True
    beyond = open_[said == NOT_REACHED]
    match[beyond] = region.contains(geometry["centre"][numbers[beyond]])
