"""Epochs: when a region was photographed, in bins of calendar years."""

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.calendar_dates import year_of_mjd
from platecover.coverage.compiled import compiled
from platecover.coverage.edge_distance import in_plate_axes
from platecover.coverage.edition import Edition
from platecover.coverage.errors import QueryError
from platecover.coverage.filters import Selection
from platecover.coverage.healpix_cells import (
    BASE_CELLS,
    WHOLE_SKY_DEG2,
    cell_centres,
)
from platecover.coverage.map_cells import KEPT_ORDER
from platecover.coverage.regions import Circle, Region
from platecover.coverage.search import matches
from platecover.coverage.value_checks import integer_between

BIN_WORDS = {"year": 1, "decade": 10}
_WIDEST_BIN_YEARS = 1000
_ORDERS = (KEPT_ORDER, 12)  # of the cells in which covered area is counted: coarsest, finest
_ENOUGH_CENTRES = 1000  # cell centres in a region that make its area a fair sum of cells


def bin_width_years(value: object) -> int:
    """Width of the bins: 'year', 'decade' or a whole number of years.

    Raises
    ------
    QueryError
        If it is none of these.
    """
    if isinstance(value, str) and value.strip().casefold() in BIN_WORDS:
        return BIN_WORDS[value.strip().casefold()]
    try:
        return integer_between("bin", value, 1, _WIDEST_BIN_YEARS)
    except QueryError as fault:
        message = (
            f"bin must be year, decade or a number of years from 1 to {_WIDEST_BIN_YEARS},"
            f" got {value!r}"
        )
        raise QueryError("bin", value, message, usage=fault.usage) from None


def epochs(
    edition: Edition, region: Region, width_years: int, filters: Mapping[str, Any]
) -> dict[str, Any]:
    """Histogram of the epochs at which a region was photographed.

    Parameters
    ----------
    edition : Edition
    region : Region
    width_years : int
        Width of the bins; they start at multiples of it.
    filters : mapping
        Values by the keywords of `filter_table.FILTERS`.

    Returns
    -------
    dict
        Plain values: `bins` (each with `from`, `to`, `exposures`, `plates`, `covered_deg2`,
        `series`), `undated`, `first`, `last`, `longest_gap`, `baseline_years`, `region_deg2`,
        `order`. Epochs are Julian, of mid-exposure in UT.

    Raises
    ------
    QueryError
        As `search`.
    """
    selection = Selection(edition, filters)
    hits = matches(edition, region)
    numbers = hits.numbers[selection.certainty_mask(hits.sure)]
    undated = np.isnan(edition.middle_mjd[numbers]) & selection.mask_but_dates(numbers)
    numbers = numbers[selection.mask(numbers)]
    numbers = numbers[~np.isnan(edition.middle_mjd[numbers])]
    # by mid-exposure; the edition's order is by start
    numbers = numbers[np.argsort(edition.middle_mjd[numbers], kind="stable")]
    starts = year_of_mjd(edition.middle_mjd[numbers]) // width_years * width_years

    is_point = isinstance(region, Circle) and region.radius_deg == 0.0
    order, cells = _ORDERS[1], np.zeros(0, dtype=np.int64)
    if not is_point:
        order, cells = _counting_cells(region)
    bins = []
    if len(numbers):
        edges = np.arange(starts[0], starts[-1] + 2 * width_years, width_years)
        limits = np.searchsorted(starts, edges)
        covered = _covered_cells(edition, numbers, limits, order, cells)
        for at, start in enumerate(edges[:-1]):
            members = numbers[limits[at] : limits[at + 1]]
            bins.append(
                {
                    "from": int(start),
                    "to": int(start) + width_years,
                    "exposures": len(members),
                    "plates": len(np.unique(edition.codes("plate")[members])),
                    "covered_deg2": None if is_point else _area_deg2(int(covered[at]), order),
                    "series": _counts_by_series(edition, members),
                }
            )
    return {
        "bins": bins,
        "undated": int(undated.sum()),
        **_first_last_gap(edition.floats("epoch")[numbers]),
        "region_deg2": None if is_point else region.area_deg2,
        "order": order,
    }


def _first_last_gap(epoch: NDArray[np.float64]) -> dict[str, Any]:
    """First and last of ascending epochs, and the longest gap between neighbours."""
    if not len(epoch):
        return {"first": None, "last": None, "longest_gap": None, "baseline_years": None}
    gap = None
    if len(epoch) > 1:
        at = int(np.argmax(np.diff(epoch)))
        gap = {"from": float(epoch[at]), "to": float(epoch[at + 1])}
    return {
        "first": float(epoch[0]),
        "last": float(epoch[-1]),
        "longest_gap": gap,
        "baseline_years": float(epoch[-1] - epoch[0]),
    }


def _counts_by_series(edition: Edition, numbers: NDArray[np.int64]) -> dict[str, int]:
    words = edition.words("series")
    counts = np.bincount(edition.codes("series")[numbers], minlength=len(words))
    return {word: int(count) for word, count in sorted(zip(words, counts, strict=True)) if count}


def _area_deg2(cells: int, order: int) -> float:
    return float(cells * WHOLE_SKY_DEG2 / (BASE_CELLS << (2 * order)))


def _counting_cells(region: Region) -> tuple[int, NDArray[np.int64]]:
    """The coarsest order that puts enough cell centres in a region, and these cells."""
    coarsest, finest = _ORDERS
    cells = np.zeros(0, dtype=np.int64)
    for order in range(coarsest, finest + 1):
        cells = region.cells_with_centre(order)
        if len(cells) >= _ENOUGH_CENTRES:
            return order, cells
    return finest, cells


def _covered_cells(
    edition: Edition,
    numbers: NDArray[np.int64],
    limits: NDArray[np.int64],
    order: int,
    cells: NDArray[np.int64],
) -> NDArray[np.int64]:
    """How many of the cells have their centre in a footprint, bin by bin."""
    counts = np.zeros(len(limits) - 1, dtype=np.int64)
    if order == KEPT_ORDER:
        wanted = np.zeros(BASE_CELLS << (2 * order), dtype=np.bool_)
        wanted[cells] = True
        kept = edition.map_cells
        _count_kept(numbers, limits, kept.offsets, kept.first, kept.end, wanted, counts)
    else:  # a small region: ask each exposure about each cell
        _count_centres(edition.geometry, numbers, limits, cell_centres(order, cells), counts)
    return counts


@compiled
def _count_kept(
    numbers: NDArray[np.int64],
    limits: NDArray[np.int64],
    offsets: NDArray[np.int64],
    first: NDArray[np.uint32],
    end: NDArray[np.uint32],
    wanted: NDArray[np.bool_],
    counts: NDArray[np.int64],
) -> None:
    """Count, for each bin, the wanted cells that any exposure of it covers."""
    seen_in = np.full(len(wanted), -1, np.int64)
    for at in range(len(counts)):
        for number in numbers[limits[at] : limits[at + 1]]:
            for place in range(offsets[number], offsets[number + 1]):
                for cell in range(first[place], end[place]):
                    if wanted[cell] and seen_in[cell] != at:
                        seen_in[cell] = at
                        counts[at] += 1


@compiled
def _count_centres(
    geometry: Any,
    numbers: NDArray[np.int64],
    limits: NDArray[np.int64],
    centres: NDArray[np.float64],
    counts: NDArray[np.int64],
) -> None:
    """Count, for each bin, the directions that lie in any footprint of it."""
    for at in range(len(counts)):
        covered = np.zeros(len(centres), np.bool_)
        for number in numbers[limits[at] : limits[at + 1]]:
            record = geometry[number]
            reach = math.cos(min(record.usable_radius_rad, math.pi / 2))
            for cell in range(len(centres)):
                if covered[cell]:
                    continue
                x, y, z = centres[cell, 0], centres[cell, 1], centres[cell, 2]
                u, v, w = in_plate_axes(record, x, y, z)
                if w < reach or w <= 0.0:
                    continue
                plate_x, plate_y = abs(u) / w, abs(v) / w
                tan_x, tan_y = record.tan_half_width, record.tan_half_height
                covered[cell] = (plate_x <= tan_x and plate_y <= tan_y) or (
                    record.either_layout == 1 and plate_x <= tan_y and plate_y <= tan_x
                )
        counts[at] = covered.sum()
