"""Time MOCs against astropy's time scales, mocpy's own cells and hand arithmetic."""

import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy import units as u
from astropy.time import Time
from mocpy import STMOC, TimeMOC
from numpy.testing import assert_allclose, assert_array_equal
from tests.archives import build_archive
from tests.small_archive import Place, run

from platecover.coverage.archive import Archive
from platecover.coverage.barycentric_time import tcb_microseconds
from platecover.coverage.errors import QueryError
from platecover.coverage.moc_files import write_moc
from platecover.coverage.regions import Region

TDB_MINUS_TT_US = 2_000  # at most; IAU 2006 resolution B3: "not more than 2 ms"
HERE = {"ra": "50.0", "dec": "0.0"}
CELL_31_US = 1 << 30  # 2^(61 - 31) microseconds; IVOA MOC 2.0, section 3.2


def microseconds(tcb: Time) -> Any:
    """Microseconds from JD 0, in whole numbers as far as floats go."""
    days = np.floor(tcb.jd1).astype(np.int64)
    rest = np.round((tcb.jd1 - days + tcb.jd2) * 86_400e6).astype(np.int64)
    return days * 86_400_000_000 + rest


def test_utc_becomes_tcb_as_astropy_has_it() -> None:
    mjd = Time(np.linspace(1960.1, 2019.9, 200), format="jyear", scale="utc").mjd
    expected = microseconds(Time(mjd, format="mjd", scale="utc").tcb)
    assert_allclose(tcb_microseconds(mjd) - expected, 0, atol=TDB_MINUS_TT_US)


def test_before_1960_times_are_ut1() -> None:
    # TT - UT1 on 1 January, Astronomical Almanac, pages K8-K9; astropy does the rest.
    for year, delta_t_s in ((1890, -5.9), (1900, -2.7), (1930, 24.0), (1950, 29.1)):
        mjd = Time(f"{year}-01-01", scale="tt").mjd  # the reading, whatever it is called
        tt = Time(mjd, delta_t_s / 86400.0, format="mjd", scale="tt")
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of years before UTC
            expected = int(microseconds(tt.tcb))
        assert abs(int(tcb_microseconds(mjd)) - expected) < TDB_MINUS_TT_US, year


def test_tcb_less_tt_over_the_years() -> None:
    # TCB - TT grows by 15.5 ms a year from 1977 January 1 (IAU 2006 resolution B3: rate
    # 1.550519768e-8); -37.7 s in 1900, by hand 77 x 365.25 x 86400 x 1.550519768e-8.
    by_hand_s = -77 * 365.25 * 86400 * 1.550519768e-8
    naive = 15020.0 * 86_400_000_000 + 2_400_000.5 * 86_400_000_000  # MJD 15020 is 1900 January 1
    found = int(tcb_microseconds(15020.0))
    assert (found - naive) / 1e6 == pytest.approx(by_hand_s - 2.7, abs=0.1)


def test_the_scale_keeps_order_and_shape() -> None:
    mjd = np.linspace(-10_000.0, 69_000.0, 7_901).reshape(-1, 1)
    found = tcb_microseconds(mjd)
    assert found.shape == mjd.shape and found.dtype == np.int64
    assert np.all(np.diff(found[:, 0]) > 0)
    assert tcb_microseconds([]).shape == (0,)


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    """Times known to the minute, the night, the month, the year, and not at all."""
    rows = [
        {"date": "1905-03-04", "time": "21:30", "exposure_min": "45"},
        {"date": "1965-03-04", "time": "21:30", "exposure_min": "600"},
        {"date": "1975-06-07", "time": "", "exposure_min": ""},
        {"date": "1931-05", "time": "", "exposure_min": ""},
        {"date": "1951", "time": "", "exposure_min": ""},
        {"date": "", "time": "", "exposure_min": ""},
        {"date": "1935-03-02", "time": "3:00", "exposure_min": ""},
    ]
    log = [{"plate": f"HB {n}", **HERE, **row} for n, row in enumerate(rows, 1)]
    return build_archive(tmp_path_factory.mktemp("times"), log)


def judged(archive: Archive, order: int, **filters: Any) -> TimeMOC:
    """The MOC that mocpy makes of the same times, its own way."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of years before UTC
        rows = archive.rows(Region.all(), **filters)
        spans = zip(rows["t_min"].to_pylist(), rows["t_max"].to_pylist(), strict=True)
        dated = [(low, high) for low, high in spans if low is not None]
        starts, ends = (microseconds_of_ut(np.array([pair[at] for pair in dated])) for at in (0, 1))
        ends = np.maximum(ends, starts + 1)
        ranges = np.stack([starts, ends], axis=1).astype(np.uint64)
        return TimeMOC.from_depth61_ranges(61, ranges).degrade_to_order(order)


def microseconds_of_ut(mjd: Any) -> Any:
    """TCB by astropy; before 1960 with TT - UT1 straight between the decades of the Almanac."""
    decades = Time([f"{year}-01-01" for year in range(1900, 1961, 10)], scale="tt").mjd
    delta_t_s = [-2.7, 10.5, 21.2, 24.0, 24.3, 29.1, 33.2]  # Astronomical Almanac, K8-K9
    tt = Time(mjd, format="mjd", scale="tt") + np.interp(mjd, decades, delta_t_s) * u.s
    utc = Time(mjd, format="mjd", scale="utc")
    return np.where(mjd < decades[-1], microseconds(tt.tcb), microseconds(utc.tcb))


@pytest.mark.parametrize("order", [0, 10, 16, 20, 25, 31])
def test_cells_are_those_of_mocpy(archive: Archive, order: int) -> None:
    ours = archive.time_moc(order)
    assert ours == judged(archive, order) and ours.max_order == order
    assert not ours.empty()


def test_demo_has_the_cells_of_mocpy(demo_archive: Archive) -> None:
    ours = demo_archive.time_moc(31)
    theirs = judged(demo_archive, 31)
    # A time within the milliseconds of TDB - TT of a boundary may fall on either side.
    cells = [int(np.diff(moc.to_depth61_ranges).sum()) // CELL_31_US for moc in (ours, theirs)]
    assert abs(cells[0] - cells[1]) <= 2 and cells[0] > 1000
    assert ours.symmetric_difference(theirs).empty() or cells[0] != cells[1]


@pytest.mark.parametrize(
    ("filters", "order"),
    [
        ({}, 31),
        ({"since": "1905", "until": "1905"}, 31),
        ({"since": "1975", "until": "1975"}, 25),
        ({"since": "1931", "until": "1931"}, 20),
        ({"since": "1951", "until": "1951"}, 16),
        ({"since": "1931", "until": "1975"}, 31),
        ({"undated": "only"}, 31),
    ],
)
def test_order_by_knowledge(archive: Archive, filters: dict[str, str], order: int) -> None:
    moc = archive.time_moc(**filters)
    assert moc.max_order == order
    assert moc.empty() == ("undated" in filters)


def test_an_instant_is_one_cell(archive: Archive) -> None:
    moc = archive.time_moc(31, since="1935", until="1935")
    ranges = np.asarray(moc.to_depth61_ranges, dtype=np.int64)
    assert_array_equal(np.diff(ranges), [[CELL_31_US]])
    moment = tcb_microseconds(27863.0 + 3.0 / 24.0)  # MJD of 1935 March 2, 3h
    assert ranges[0, 0] <= moment < ranges[0, 1]


def test_undated_exposures_are_left_out_and_counted(archive: Archive) -> None:
    assert archive.undated_count() == 1
    assert archive.undated_count(undated="no") == 0
    assert archive.undated_count(undated="only") == 1
    assert archive.time_moc() == archive.time_moc(undated="no")


@pytest.mark.parametrize(
    ("order", "usage"),
    [(-1, False), (32, False), (61, False), (9.5, False), (np.nan, False), ("fine", True)],
)
def test_bad_orders_are_refused(archive: Archive, order: Any, usage: bool) -> None:
    with pytest.raises(QueryError, match="time_order must be a whole number from 0 to 31") as bad:
        archive.time_moc(order)
    assert (bad.value.parameter, bad.value.usage) == ("time_order", usage)


def test_certainty_is_refused(archive: Archive) -> None:
    for ask in (archive.time_moc, archive.space_time_moc, archive.undated_count):
        with pytest.raises(QueryError, match="certainty goes with a region"):
            ask(certainty="sure")


def test_written_and_read_back_it_is_the_same(archive: Archive, tmp_path: Path) -> None:
    for form, suffix in (("fits", ".fits"), ("ascii", ".txt"), ("json", ".json")):
        path = tmp_path / f"times{suffix}"
        write_moc(archive.time_moc(29), path)
        again = TimeMOC.load(path, form)
        assert again == archive.time_moc(29) and again.max_order == 29


def test_on_the_command_line(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    place = Place(tmp_path).build()
    archive = Archive.open(place.archive)
    words = ("moc", "--archive", place.archive, "--out", tmp_path / "moc.fits", "--dimension")
    outcome = run(capsys, *words, "time", "--time-order", "20")
    assert outcome.status == 0, outcome.err
    assert "time order 20" in outcome.out and "1 undated exposures left out" in outcome.out
    assert TimeMOC.load(tmp_path / "moc.fits") == archive.time_moc(20)
    outcome = run(capsys, *words, "space-time", "--order", "5", "--undated", "no")
    assert outcome.status == 0 and "time order 31, order 5" in outcome.out
    assert "undated" not in outcome.out
    assert STMOC.load(tmp_path / "moc.fits").max_order == (31, 5)
    for wrong, status, part in (
        (["space", "--time-order", "3"], 2, "time_order"),
        (["time", "--time-order", "32"], 1, "from 0 to 31"),
        (["time", "--time-order", "x"], 2, "time_order"),
        (["frequency"], 2, "--dimension"),
    ):
        outcome = run(capsys, *words, *wrong)
        assert outcome.status == status and part in outcome.err
