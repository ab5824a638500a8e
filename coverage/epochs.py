"""Epochs: when a region was photographed, in bins of calendar years."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.compiled import compiled
from platecover.coverage.covered_area import (
    FINEST_ORDER,
    CountingCells,
    counting_cells,
    covered_by_groups,
    covered_by_years,
)
from platecover.coverage.edition import Edition
from platecover.coverage.errors import QueryError
from platecover.coverage.filters import Selection
from platecover.coverage.map_cells import KEPT_ORDER
from platecover.coverage.regions import Circle, Region
from platecover.coverage.search import matches
from platecover.coverage.timeline import UNDATED
from platecover.coverage.value_checks import integer_between

BIN_WORDS = {"year": 1, "decade": 10}
_WIDEST_BIN_YEARS = 1000
_FEW = 16  # one exposure in so many is few: sorting them is faster than going through all


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
    found = _dated_matches(edition, region, filters)
    counting = None
    if not (isinstance(region, Circle) and region.radius_deg == 0.0):  # a point has no area
        counting = counting_cells(region)
    return {
        "bins": _bins(edition, found, width_years, counting) if len(found.numbers) else [],
        "undated": found.undated,
        **_first_last_gap(edition.floats("epoch")[found.numbers]),
        "region_deg2": None if counting is None else region.area_deg2,
        "order": FINEST_ORDER if counting is None else counting.order,
    }


@dataclass(frozen=True)
class _Matches:
    """Exposures that show a region and pass the filters.

    `numbers`, int64, are the dated ones by mid-exposure; `whole` says that the filters left no
    dated one out; `undated` counts those that pass all filters but those of dates.
    """

    numbers: NDArray[np.int64]
    whole: bool
    undated: int


def _dated_matches(edition: Edition, region: Region, filters: Mapping[str, Any]) -> _Matches:
    """Search a region, and sort what is dated by mid-exposure."""
    selection = Selection(edition, filters)
    hits = matches(edition, region, measured=False)
    is_dated = edition.timeline.year[hits.numbers] != UNDATED
    keep = selection.certainty_mask(hits.sure)
    undated = selection.mask_but_dates(hits.numbers[keep & ~is_dated])
    numbers = hits.numbers[keep & is_dated]
    numbers = numbers[selection.mask(numbers)]
    whole = len(numbers) == np.count_nonzero(is_dated)
    return _Matches(_by_middle(edition, numbers), whole, int(np.count_nonzero(undated)))


def _by_middle(edition: Edition, numbers: NDArray[np.int64]) -> NDArray[np.int64]:
    """Sort dated exposures by mid-exposure, equal ones by number; they come by number."""
    by_middle = edition.timeline.by_middle
    if len(numbers) * _FEW < len(by_middle):
        return numbers[np.argsort(edition.middle_mjd[numbers], kind="stable")]
    wanted = np.zeros(len(edition.geometry), dtype=np.bool_)
    wanted[numbers] = True
    return by_middle[wanted[by_middle]].astype(np.int64)


def _bins(
    edition: Edition, found: _Matches, width_years: int, counting: CountingCells | None
) -> list[dict[str, Any]]:
    """Bins from the first exposure to the last."""
    numbers = found.numbers
    starts = edition.timeline.year[numbers].astype(np.int64) // width_years * width_years
    edges = np.arange(starts[0], starts[-1] + 2 * width_years, width_years)
    limits = np.searchsorted(starts, edges)
    plates, series = _plates_and_series(edition, numbers, limits)
    words = sorted((word, code) for code, word in enumerate(edition.words("series")))
    covered_deg2: list[float | None] = [None] * len(plates)
    if counting is not None:
        # a footprint that holds a centre in the region meets the region: none is left out
        if found.whole and counting.order == KEPT_ORDER:
            covered = covered_by_years(edition.timeline, edges, counting)
        else:
            covered = covered_by_groups(
                edition.geometry, edition.map_cells, numbers, limits, counting
            )
        covered_deg2 = [counting.area_deg2(count) for count in covered.tolist()]
    return [
        {
            "from": start,
            "to": start + width_years,
            "exposures": exposures,
            "plates": n_plates,
            "covered_deg2": area_deg2,
            "series": {word: by_series[code] for word, code in words if by_series[code]},
        }
        for start, exposures, n_plates, area_deg2, by_series in zip(
            edges[:-1].tolist(), np.diff(limits).tolist(), plates.tolist(), covered_deg2,
            series.tolist(), strict=True,
        )
    ]  # fmt: skip


def _plates_and_series(
    edition: Edition, numbers: NDArray[np.int64], limits: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Different plates in each bin, shape (n_bins,); exposures by series, (n_bins, n_series)."""
    n_bins, n_series = len(limits) - 1, len(edition.words("series"))
    plate, series = edition.codes("plate")[numbers], edition.codes("series")[numbers]
    plates = np.zeros(n_bins, dtype=np.int64)
    by_series = np.zeros((n_bins, n_series), dtype=np.int64)
    _tally(limits, plate, series, np.zeros(int(plate.max()) + 1, np.int64), plates, by_series)
    return plates, by_series


@compiled
def _tally(
    limits: NDArray[np.int64],
    plate: NDArray[np.int32],
    series: NDArray[np.int32],
    last_bin: NDArray[np.int64],
    plates: NDArray[np.int64],
    by_series: NDArray[np.int64],
) -> None:
    """Count the different plates and the series in each bin; `last_bin` of plates is all 0."""
    for at in range(len(plates)):
        for i in range(limits[at], limits[at + 1]):
            by_series[at, series[i]] += 1
            if last_bin[plate[i]] != at + 1:
                last_bin[plate[i]] = at + 1
                plates[at] += 1


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
