"""Sky maps: a quantity of the exposures that cover each HEALPix cell.

An exposure counts in a cell when the cell's centre is inside its footprint, without margin.
Cells are NESTED, ICRS.
"""

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.cell_bits import covered_bits, flags_of_bits, word_count
from platecover.coverage.edition import Edition
from platecover.coverage.errors import QueryError
from platecover.coverage.filters import Selection
from platecover.coverage.healpix_cells import BASE_CELLS
from platecover.coverage.map_cells import KEPT_ORDER, MapCells, map_cells
from platecover.coverage.map_counts import add_exposures, add_groups
from platecover.coverage.map_epochs import FirstValues, LongestGaps
from platecover.coverage.map_quantities import QUANTITIES
from platecover.coverage.value_checks import integer_between

FINEST_MAP_ORDER = 10  # 12.6 million cells, 100 MB of numbers
_CHUNK = 20_000  # exposures whose cells are held in memory at once

Numbers = NDArray[np.int64]
Sky = NDArray[np.float64]


def sky_map(edition: Edition, quantity: str, order: object, filters: Mapping[str, Any]) -> Sky:
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
    every = np.arange(len(edition.geometry))
    keep = Selection(edition, filters).mask(every)
    if quantity in ("years", "first", "last", "gap"):
        by_middle = edition.timeline.by_middle
        numbers = by_middle[keep[by_middle]].astype(np.int64)
        return _quantity_in_time(edition, numbers, quantity, order)

    numbers = np.flatnonzero(keep)
    if quantity == "exposures":
        return _count_exposures(edition, numbers, order)
    if quantity == "plates":
        return count_plates(edition, numbers, order)
    is_yes = np.array([word == "yes" for word in edition.words("scanned")], dtype=np.bool_)
    scanned = is_yes[edition.codes("scanned")[numbers]]
    unscanned_plates = count_plates(edition, numbers[~scanned], order)
    if quantity == "unscanned":
        return unscanned_plates
    # a plate is scanned as a whole, so that none is in both
    scanned_plates = count_plates(edition, numbers[scanned], order)
    plates = scanned_plates + unscanned_plates
    return np.divide(scanned_plates, plates, out=np.full_like(plates, np.nan), where=plates > 0)


def _count_exposures(edition: Edition, numbers: Numbers, order: int) -> Sky:
    differences = np.zeros((BASE_CELLS << (2 * order)) + 1, dtype=np.int64)
    for part, cells, _ in _parts(edition, numbers, order):
        add_exposures(cells, part, differences)
    return np.cumsum(differences[:-1], dtype=np.float64)


def count_plates(edition: Edition, numbers: Numbers, order: int) -> Sky:
    """Plates; only those with several exposures need more than the exposures counted."""
    plate = edition.codes("plate")[numbers]
    alone = np.bincount(plate)[plate] == 1
    counts = _count_exposures(edition, numbers[alone], order)
    plate, numbers = plate[~alone], numbers[~alone]
    if not len(numbers):
        return counts
    by_plate = np.argsort(plate, kind="stable")
    plate, numbers = plate[by_plate], numbers[by_plate]
    limits = np.append(np.flatnonzero(np.diff(plate, prepend=-1)), len(plate))
    differences = np.zeros(len(counts) + 1, dtype=np.int64)
    for part, cells, some in _parts(edition, numbers, order, limits):
        within = limits[(limits >= some.start) & (limits <= some.stop)]
        add_groups(cells, part, within - some.start, differences)
    return counts + np.cumsum(differences[:-1])


def _quantity_in_time(edition: Edition, numbers: Numbers, quantity: str, order: int) -> Sky:
    """A quantity of dated exposures, given by mid-exposure."""
    if quantity == "years":
        return _count_years(edition, numbers, order)
    if quantity == "last":
        numbers = numbers[::-1]
    epoch = edition.floats("epoch")[numbers]
    if quantity == "gap":
        longest = LongestGaps(order)
        for part, cells, some in _parts(edition, numbers, order):
            longest.add(cells, part, epoch[some])
        return np.where(longest.gaps < 0.0, np.nan, longest.gaps)
    found = FirstValues(order)
    for part, cells, some in _parts(edition, numbers, order):
        if not found.add(cells, part, epoch[some]):
            break
    return found.values


def _count_years(edition: Edition, numbers: Numbers, order: int) -> Sky:
    counts = np.zeros(BASE_CELLS << (2 * order), dtype=np.int64)
    year = edition.timeline.year[numbers]
    limits = np.append(np.flatnonzero(np.diff(year, prepend=year[:1] - 1)), len(year))
    for start, end in zip(limits, limits[1:], strict=False):
        covered = np.zeros(word_count(order), dtype=np.uint64)
        for part, cells, _ in _parts(edition, numbers[start:end], order):
            covered |= covered_bits(cells, part)
        counts += flags_of_bits(order, covered)
    return counts.astype(np.float64)


def _parts(
    edition: Edition, numbers: Numbers, order: int, limits: Numbers | None = None
) -> Iterator[tuple[Numbers, MapCells, slice]]:
    """Cells of exposures, some at a time, cut at limits if there are any.

    Yields places among the cells, the cells, and which of the exposures they are.
    """
    if order == KEPT_ORDER:
        yield numbers, edition.map_cells, slice(0, len(numbers))
        return
    start = 0
    while start < len(numbers):
        end = min(start + _CHUNK, len(numbers))
        if limits is not None:
            end = int(limits[np.searchsorted(limits, end)])
        cells = map_cells(edition.geometry[numbers[start:end]], order)
        yield np.arange(end - start), cells, slice(start, end)
        start = end
