"""The times at which a selection was exposed, as cells and as an IVOA time MOC.

Times are as close as they are known: an exposure known to the night covers that night. Cells are
of TCB, microseconds from JD 0 (IVOA MOC 2.0, sections 3.2 and 4.2). The reference position of
our times is the telescope and not the barycentre, so no cell is finer than order 31 (the same).
"""

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
from mocpy import TimeMOC
from numpy.typing import NDArray

from platecover.coverage.barycentric_time import tcb_microseconds
from platecover.coverage.edition import Edition
from platecover.coverage.healpix_cells import merged_ranges
from platecover.coverage.union_moc import selected_exposures
from platecover.coverage.value_checks import integer_between

HIGHEST_TIME_ORDER = 61  # cells of one microsecond (MOC 2.0, section 3.2)
FINEST_TIME_ORDER = 31  # that our times bear; cells of 17.9 minutes

# The finest order worth while for how closely a time is known: cells of 17.9 minutes, 19.1 hours,
# 25.5 days and 407 days.
ORDER_OF_PRECISION = {"exposure": 31, "ambiguous": 31, "night": 25, "month": 20, "year": 16}
_COARSEST_OF_THESE = min(ORDER_OF_PRECISION.values())


class TimedExposures(NamedTuple):
    """Exposures with their times as cells.

    Attributes
    ----------
    order : int
        Of the cells.
    numbers : int64, shape (n,)
        Exposure numbers, ascending.
    cells : int64, shape (n, 2)
        First cell, and that after the last.
    undated : int
        Exposures of the selection that are left out, since they have no time.
    """

    order: int
    numbers: NDArray[np.int64]
    cells: NDArray[np.int64]
    undated: int


def timed_exposures(
    edition: Edition, time_order: object, filters: Mapping[str, Any]
) -> TimedExposures:
    """Cells of the times of a selection.

    Parameters
    ----------
    edition : Edition
    time_order : int or None
        0 to 31; None for the finest that any exposure of the selection is known well enough for.
    filters : mapping
        As for `union_moc.union_moc`.

    Raises
    ------
    QueryError
        If the order is impossible or a filter is at fault.
    """
    if time_order is not None:
        time_order = integer_between("time_order", time_order, 0, FINEST_TIME_ORDER)
    selected = selected_exposures(edition, filters)
    start, end = edition.floats("t_min")[selected], edition.floats("t_max")[selected]
    dated = np.isfinite(start) & np.isfinite(end)
    numbers = selected[dated]
    order = _order_by_knowledge(edition, numbers) if time_order is None else time_order
    shift = HIGHEST_TIME_ORDER - order
    first = tcb_microseconds(start[dated])
    last = np.maximum(tcb_microseconds(end[dated]) - 1, first)
    cells = np.stack([first >> shift, (last >> shift) + 1], axis=1)
    return TimedExposures(order, numbers, cells, int(np.sum(~dated)))


def coarser(timed: TimedExposures) -> TimedExposures:
    """The same with cells of the next coarser order."""
    cells = np.stack([timed.cells[:, 0] >> 1, ((timed.cells[:, 1] - 1) >> 1) + 1], axis=1)
    return timed._replace(order=timed.order - 1, cells=cells)


def time_moc(edition: Edition, time_order: object, filters: Mapping[str, Any]) -> TimeMOC:
    """Time MOC of a selection: every cell of the order in which anything was exposed.

    Parameters and errors as for `timed_exposures`; undated exposures are left out.

    Returns
    -------
    mocpy.TimeMOC
    """
    timed = timed_exposures(edition, time_order, filters)
    shift = np.uint64(HIGHEST_TIME_ORDER - timed.order)
    ranges = merged_ranges(timed.cells).astype(np.uint64) << shift
    return TimeMOC.from_depth61_ranges(timed.order, ranges)


def undated_count(edition: Edition, filters: Mapping[str, Any]) -> int:
    """How many exposures of a selection have no time; errors as for `timed_exposures`."""
    return int(np.sum(np.isnan(edition.middle_mjd[selected_exposures(edition, filters)])))


def _order_by_knowledge(edition: Edition, numbers: NDArray[np.int64]) -> int:
    """Finest order that any of the exposures bears."""
    words = edition.words("time_precision")
    codes = np.unique(edition.codes("time_precision")[numbers])
    orders = [ORDER_OF_PRECISION.get(words[code], _COARSEST_OF_THESE) for code in codes]
    return max(orders, default=FINEST_TIME_ORDER)
