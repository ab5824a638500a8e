"""When exposures were made: their order, their calendar years, what each year covered.

Kept in the edition, so that questions of time about the whole archive need neither sort it nor
look at every footprint. Years are calendar years in UT of mid-exposure.
"""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.calendar_dates import year_of_mjd
from platecover.coverage.cell_bits import Bits, covered_bits, word_count
from platecover.coverage.cell_index import open_array
from platecover.coverage.map_cells import KEPT_ORDER, MapCells

UNDATED = np.iinfo(np.int16).min  # stands for the year of an undated exposure
_ARRAYS = {"year": np.int16, "by_middle": np.int32, "years": np.int16, "covered": np.uint64}


@dataclass(frozen=True)
class Timeline:
    """Exposures in time.

    Attributes
    ----------
    year : int16, shape (n,)
        Of each exposure; UNDATED where none is known.
    by_middle : int32, shape (n_dated,)
        Dated exposures by mid-exposure, equal ones by number.
    years : int16, shape (n_years,)
        Those in which there are exposures, ascending.
    covered : uint64, shape (n_years, n_words)
        Cells of order `map_cells.KEPT_ORDER` that the exposures of each of these years cover, as
        `cell_bits` holds them.
    """

    year: NDArray[np.int16]
    by_middle: NDArray[np.int32]
    years: NDArray[np.int16]
    covered: Bits


def timeline_of(
    cells: MapCells,
    middle_mjd: NDArray[np.float64],
    progress: Callable[[int, int], None] | None = None,
) -> Timeline:
    """Order exposures in time.

    Parameters
    ----------
    cells : MapCells
        Of order `map_cells.KEPT_ORDER`.
    middle_mjd : float64, shape (n,)
        Mid-exposures, UT; NaN where undated.
    progress : callable, optional
        Called with the exposures done and those that are dated.
    """
    dated = np.flatnonzero(~np.isnan(middle_mjd))
    by_middle = dated[np.argsort(middle_mjd[dated], kind="stable")]
    year = np.full(len(middle_mjd), UNDATED, dtype=np.int16)
    year[by_middle] = year_of_mjd(middle_mjd[by_middle])
    years, first = np.unique(year[by_middle], return_index=True)
    covered = np.zeros((len(years), word_count(KEPT_ORDER)), dtype=np.uint64)
    for at, numbers in enumerate(np.split(by_middle, first[1:])[: len(years)]):
        covered[at] = covered_bits(cells, numbers)
        if progress is not None:
            progress(int(first[at]) + len(numbers), len(by_middle))
    return Timeline(year, by_middle.astype(np.int32), years, covered)


def write_timeline(
    cells: MapCells,
    middle_mjd: NDArray[np.float64],
    folder: Path,
    progress: Callable[[int, int], None] | None = None,
) -> None:
    """Write the timeline of exposures, as `timeline_of` makes it, as `time_*.npy` into a folder."""
    timeline = timeline_of(cells, middle_mjd, progress)
    for name in _ARRAYS:
        np.save(folder / f"time_{name}.npy", getattr(timeline, name).ravel())


def open_timeline(folder: Path, n_exposures: int) -> Timeline:
    """Memory-map a timeline written by `write_timeline`.

    Raises
    ------
    ValueError
        If a file is missing or holds something else; the text starts with its name.
    """
    year, by_middle, years, covered = (
        open_array(folder / f"time_{name}.npy", kind) for name, kind in _ARRAYS.items()
    )
    if len(year) != n_exposures:
        raise ValueError(f"time_year.npy: {len(year)} years of {n_exposures} exposures")
    if len(by_middle) > n_exposures:
        raise ValueError(f"time_by_middle.npy: {len(by_middle)} of {n_exposures} exposures")
    words = word_count(KEPT_ORDER)
    if len(covered) != len(years) * words:
        raise ValueError(f"time_covered.npy: {len(covered)} words for {len(years)} years")
    return Timeline(year, by_middle, years, covered.reshape(len(years), words))
