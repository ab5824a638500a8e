"""The union MOC of a selection of exposures."""

from collections.abc import Mapping
from typing import Any

import numpy as np
from mocpy import MOC
from numpy.typing import NDArray

from platecover.coverage.edition import Edition
from platecover.coverage.errors import QueryError
from platecover.coverage.filters import Selection
from platecover.coverage.footprint_union import boundary_cells_bound, union_ranges
from platecover.coverage.moc_files import moc_of_ranges
from platecover.coverage.value_checks import HIGHEST_ORDER, integer_between

MOST_BOUNDARY_CELLS = 5e8  # our limit: some minutes of work


def union_moc(edition: Edition, order: object, filters: Mapping[str, Any]) -> MOC:
    """Union of the footprints of a selection, without margin.

    Parameters
    ----------
    edition : Edition
    order : int
        Finest HEALPix order, 0 to 29.
    filters : mapping
        Values by the keywords of `filter_table.FILTERS`, but not `certainty`.

    Returns
    -------
    mocpy.MOC

    Raises
    ------
    QueryError
        If the order is impossible or would need too many cells, or a filter is at fault.
    """
    order = integer_between("order", order, 0, HIGHEST_ORDER)
    records = edition.geometry[selected_exposures(edition, filters)]
    if boundary_cells_bound(records, order) > MOST_BOUNDARY_CELLS:
        raise QueryError(
            "order",
            order,
            f"order {order} would need too many cells for {len(records)} exposures;"
            " take a lower order or a narrower selection",
        )
    return moc_of_ranges(union_ranges(records, order), order)


def selected_exposures(edition: Edition, filters: Mapping[str, Any]) -> NDArray[np.int64]:
    """Numbers of the exposures that pass the filters of a MOC, ascending.

    Raises
    ------
    QueryError
        If a filter is at fault, or `certainty` is one.
    """
    if filters.get("certainty") is not None:
        raise QueryError(
            "certainty", filters["certainty"], "certainty goes with a region; a MOC has none"
        )
    numbers = np.arange(len(edition.geometry))
    return numbers[Selection(edition, filters).mask(numbers)]
