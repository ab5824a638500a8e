"""From "is this cell in, out or between?" to the HEALPix cells of a region.

Cells are int64, NESTED, ICRS throughout.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.healpix_cells import BASE_CELLS

OUTSIDE, PARTLY, INSIDE = 0, 1, 2  # what may be said of a cell

Cells = NDArray[np.int64]
Cover = list[tuple[int, Cells, bool]]  # (order, cells, whether they lie wholly inside)


def cover_down_to(order: int, cell_status: Callable[[int, Cells], NDArray[np.int8]]) -> Cover:
    """Cells of a region from the base cells down: `Region.cover` tells what they are."""
    found: Cover = []
    cells: Cells = np.arange(BASE_CELLS, dtype=np.int64)
    for depth in range(order + 1):
        status = cell_status(depth, cells)
        within, partly = cells[status == INSIDE], cells[status == PARTLY]
        if len(within):
            found.append((depth, within, True))
        if depth == order and len(partly):
            found.append((depth, partly, False))
        cells = descendants(partly, 1)
    return found


def descendants(cells: Cells, levels: int) -> Cells:
    """All cells `levels` orders finer within cells, in order."""
    inner = np.arange(1 << (2 * levels), dtype=np.int64)
    return np.asarray(((cells[:, None] << (2 * levels)) + inner).ravel())
