"""Timelines against the calendar of the standard library and covered cells one by one."""

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.awkward_sky import AWKWARD_PLATES, records_of

from platecover.coverage.cell_bits import flags_of_bits
from platecover.coverage.map_cells import KEPT_ORDER, MapCells, map_cells
from platecover.coverage.timeline import UNDATED, open_timeline, timeline_of, write_timeline

COUNT = len(AWKWARD_PLATES)
MJD_0 = datetime(1858, 11, 17)
ARRAYS = ("year", "by_middle", "years", "covered")


@pytest.fixture(scope="module")
def cells() -> MapCells:
    return map_cells(records_of(AWKWARD_PLATES), KEPT_ORDER)


@settings(max_examples=30, deadline=None)
@given(
    # days, so that some fall together; years 1858 to 2013
    days=st.lists(
        st.none() | st.integers(0, 56_700) | st.sampled_from([410, 411]),
        min_size=COUNT, max_size=COUNT,
    )
)  # fmt: skip
def test_order_years_and_cells(cells: MapCells, days: list[int | None]) -> None:
    middle = np.array([np.nan if day is None else float(day) for day in days])
    timeline = timeline_of(cells, middle)
    dated = [at for at in range(COUNT) if days[at] is not None]
    assert timeline.by_middle.tolist() == sorted(dated, key=lambda at: (middle[at], at))
    years = {at: (MJD_0 + timedelta(days=middle[at])).year for at in dated}
    assert timeline.year.tolist() == [years.get(at, UNDATED) for at in range(COUNT)]
    assert timeline.years.tolist() == sorted(set(years.values()))
    unit = 1 << cells.length_bits
    for year, bits in zip(timeline.years.tolist(), timeline.covered, strict=True):
        expected = np.zeros(12 << (2 * KEPT_ORDER), dtype=np.uint8)
        for at in (at for at in dated if years[at] == year):
            for packed in cells.ranges[cells.offsets[at] : cells.offsets[at + 1]].tolist():
                expected[packed // unit : packed // unit + packed % unit + 1] = 1
        np.testing.assert_array_equal(flags_of_bits(KEPT_ORDER, bits), expected)


@pytest.mark.parametrize("dated", [True, False])
def test_written_and_mapped_back(cells: MapCells, tmp_path: Path, dated: bool) -> None:
    middle = np.linspace(12_000.0, 14_000.0, COUNT) if dated else np.full(COUNT, np.nan)
    expected = timeline_of(cells, middle)
    write_timeline(cells, middle, tmp_path)
    opened = open_timeline(tmp_path, COUNT)
    for name in ARRAYS:
        np.testing.assert_array_equal(getattr(opened, name), getattr(expected, name))
        assert getattr(opened, name).dtype == getattr(expected, name).dtype
    with pytest.raises(ValueError, match=r"^time_year.npy: "):
        open_timeline(tmp_path, COUNT + 1)
    np.save(tmp_path / "time_covered.npy", np.zeros(7, dtype=np.uint64))
    with pytest.raises(ValueError, match=r"^time_covered.npy: "):
        open_timeline(tmp_path, COUNT)
    np.save(tmp_path / "time_by_middle.npy", np.zeros(COUNT + 1, dtype=np.int32))
    with pytest.raises(ValueError, match=r"^time_by_middle.npy: "):
        open_timeline(tmp_path, COUNT)
    (tmp_path / "time_years.npy").unlink()
    with pytest.raises(ValueError, match=r"^time_years.npy: "):
        open_timeline(tmp_path, COUNT)


def test_no_exposures(tmp_path: Path) -> None:
    write_timeline(map_cells(records_of([]), KEPT_ORDER), np.zeros(0), tmp_path)
    opened = open_timeline(tmp_path, 0)
    assert [len(getattr(opened, name)) for name in ARRAYS] == [0, 0, 0, 0]
