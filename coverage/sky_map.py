"""Sky maps: a quantity of the exposures that cover each HEALPix cell.

An exposure counts in a cell when the cell's centre is inside its footprint, without margin.
Cells are NESTED, ICRS.
"""

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.calendar_dates import year_of_mjd
from platecover.coverage.compiled import compiled
from platecover.coverage.edition import Edition
from platecover.coverage.errors import QueryError
from platecover.coverage.filters import Selection
from platecover.coverage.healpix_cells import BASE_CELLS
from platecover.coverage.map_cells import KEPT_ORDER, MapCells, map_cells
from platecover.coverage.map_quantities import QUANTITIES
from platecover.coverage.value_checks import integer_between

FINEST_MAP_ORDER = 10  # 12.6 million cells, 100 MB of numbers
_CHUNK = 20_000  # exposures whose cells are held in memory at once


def sky_map(
    edition: Edition, quantity: str, order: object, filters: Mapping[str, Any]
) -> NDArray[np.float64]:
    """Map a quantity of a selection over the whole sky.

    Parameters
    ----------
    edition : Edition
    quantity : str
        A key of QUANTITIES. Undated exposures count in `exposures`, `plates`, `unscanned` and
        `scanned_share` only; epochs are of mid-exposure.
    order : int
        HEALPix order, 0 to 10.
    filters : mapping
        Values by the keywords of `filter_table.FILTERS`, but not `certainty`.

    Returns
    -------
    float64, shape (12 * 4**order,)
        NESTED, ICRS. Counts are 0, other quantities NaN, where nothing is; a gap is NaN where
        there are fewer than two exposures.

    Raises
    ------
    QueryError
        If the quantity or a filter is not known, or the order impossible.
    """
    if quantity not in QUANTITIES:
        known = ", ".join(QUANTITIES)
        raise QueryError("show", quantity, f"show must be one of {known}, got {quantity!r}",
                         usage=True)  # fmt: skip
    order = integer_between("order", order, 0, FINEST_MAP_ORDER)
    if filters.get("certainty") is not None:
        raise QueryError(
            "certainty", filters["certainty"], "certainty goes with a region; a map has none"
        )
    numbers = np.arange(len(edition.geometry))
    numbers = numbers[Selection(edition, filters).mask(numbers)]
    middle = edition.middle_mjd[numbers]
    if quantity in ("years", "first", "last", "gap"):
        numbers, middle = numbers[~np.isnan(middle)], middle[~np.isnan(middle)]

    plate = edition.codes("plate")[numbers].astype(np.int64)
    if quantity == "exposures":
        return _count_different(edition, numbers, numbers, order)
    if quantity == "plates":
        return _count_different(edition, numbers, plate, order)
    if quantity == "years":
        return _count_different(edition, numbers, year_of_mjd(middle), order)
    if quantity in ("unscanned", "scanned_share"):
        is_yes = np.array([word == "yes" for word in edition.words("scanned")], dtype=np.bool_)
        scanned = is_yes[edition.codes("scanned")[numbers]]
        if quantity == "unscanned":
            return _count_different(edition, numbers[~scanned], plate[~scanned], order)
        of_all = _count_different(edition, numbers, plate, order)
        of_scanned = _count_different(edition, numbers[scanned], plate[scanned], order)
        return np.divide(of_scanned, of_all, out=np.full_like(of_all, np.nan), where=of_all > 0)
    return _epoch_quantity(edition, numbers, middle, quantity, order)


def _count_different(
    edition: Edition, numbers: NDArray[np.int64], keys: NDArray[np.int64], order: int
) -> NDArray[np.float64]:
    """Count, in each cell, the different keys of the exposures that cover it."""
    counts = np.zeros(BASE_CELLS << (2 * order))
    last_key = np.full(len(counts), -1, dtype=np.int64)  # keys are never negative
    by_key = np.argsort(keys, kind="stable")
    for places, cells, part in _parts(edition, numbers[by_key], order):
        some_keys = keys[by_key[part]]
        _add_different(places, cells.offsets, cells.first, cells.end, some_keys, counts, last_key)
    return counts


def _epoch_quantity(
    edition: Edition,
    numbers: NDArray[np.int64],
    middle: NDArray[np.float64],
    quantity: str,
    order: int,
) -> NDArray[np.float64]:
    """First or last epoch or longest gap in each cell."""
    found = {name: np.full(BASE_CELLS << (2 * order), np.nan) for name in ("first", "last", "gap")}
    numbers = numbers[np.argsort(middle, kind="stable")]
    epoch = edition.floats("epoch")[numbers]
    for places, cells, part in _parts(edition, numbers, order):
        _add_epochs(places, cells.offsets, cells.first, cells.end, epoch[part], *found.values())
    return found[quantity]


def _parts(
    edition: Edition, numbers: NDArray[np.int64], order: int
) -> Iterator[tuple[NDArray[np.int64], MapCells, slice]]:
    """Cells of exposures, some at a time: places among the cells, the cells, which exposures."""
    if order == KEPT_ORDER:
        yield numbers, edition.map_cells, slice(None)
        return
    for start in range(0, len(numbers), _CHUNK):
        part = slice(start, start + _CHUNK)
        cells = map_cells(edition.geometry[numbers[part]], order)
        yield np.arange(len(cells.offsets) - 1), cells, part


@compiled
def _add_different(
    places: NDArray[np.int64],
    offsets: NDArray[np.int64],
    first: NDArray[np.uint32],
    end: NDArray[np.uint32],
    keys: NDArray[np.int64],
    counts: NDArray[np.float64],
    last_key: NDArray[np.int64],
) -> None:
    """Add one to the cells of each exposure, once a key; keys ascend."""
    for i in range(len(places)):
        for at in range(offsets[places[i]], offsets[places[i] + 1]):
            for cell in range(first[at], end[at]):
                if last_key[cell] != keys[i]:
                    last_key[cell] = keys[i]
                    counts[cell] += 1.0


@compiled
def _add_epochs(
    places: NDArray[np.int64],
    offsets: NDArray[np.int64],
    first_cell: NDArray[np.uint32],
    end_cell: NDArray[np.uint32],
    epochs: NDArray[np.float64],
    first: NDArray[np.float64],
    last: NDArray[np.float64],
    gap: NDArray[np.float64],
) -> None:
    """Carry first and last epoch and longest gap of the cells on; epochs ascend."""
    for i in range(len(places)):
        for at in range(offsets[places[i]], offsets[places[i] + 1]):
            for cell in range(first_cell[at], end_cell[at]):
                if np.isnan(first[cell]):
                    first[cell] = epochs[i]
                else:
                    since = epochs[i] - last[cell]
                    if not since <= gap[cell]:  # NaN at first
                        gap[cell] = since
                last[cell] = epochs[i]
