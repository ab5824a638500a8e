"""The demo's dates and times by hand arithmetic: every clock, day and calendar of its logs."""

import re
from datetime import date, timedelta

import numpy as np
import pytest
from tests.demo_rows import (
    DOUBLE,
    ISO,
    MINUTE_DAYS,
    Demo,
    Row,
    mjd,
    newcomb_gmst_deg,
    read_demo,
)

EXPOSURES = 12_000  # so that the rarest habits have their dozens of rows


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    return read_demo(tmp_path_factory.mktemp("demo"), EXPOSURES)


def test_greenwich_astronomical_days_begin_at_noon(demo: Demo) -> None:
    rows = [row for row in demo.clean("VQ", ISO) if row.cells["date"] < "1925"]
    assert len(rows) > 200
    for row in rows:
        logged = mjd(row.cells["date"], row.cells["time"]) + 0.5
        assert abs(logged - row.start_mjd) < MINUTE_DAYS


def test_local_days_from_noon(demo: Demo) -> None:
    rows = [row for row in demo.clean("PZ-M", ISO) if row.cells["date"] < "1925"]
    assert len(rows) > 100
    for row in rows:
        logged = mjd(row.cells["date"], row.cells["time"]) + 0.5 - row.longitude_deg / 360.0
        assert abs(logged - row.start_mjd) < MINUTE_DAYS


def test_zone_time_with_mid_exposure(demo: Demo) -> None:
    rows = [row for row in demo.clean("KWJ", ISO) if row.cells["time_is"] == "mid"]
    assert len(rows) > 50
    for row in rows:
        logged = mjd(row.cells["date"], row.cells["time"]) + 7.0 / 24.0
        assert abs(logged - row.mid_mjd) < MINUTE_DAYS


def test_times_of_the_end(demo: Demo) -> None:
    rows = [row for row in demo.clean("MQ", ISO) if row.cells["time_is"] == "end"]
    assert len(rows) > 20
    for row in rows:
        logged = mjd(row.cells["date"], row.cells["time"])
        assert abs(logged - (2.0 * row.mid_mjd - row.start_mjd)) < MINUTE_DAYS


def _after_midnight(row: Row) -> bool:
    return row.cells["time"] < "12"


def test_local_mean_time_with_evening_dates(demo: Demo) -> None:
    rows = [row for row in demo.clean("OZT", ISO) if "1899-07-01" <= row.cells["date"] < "1911"]
    for row in rows:
        logged = mjd(row.cells["date"], row.cells["time"]) + _after_midnight(row)
        assert abs(logged - row.longitude_deg / 360.0 - row.start_mjd) < MINUTE_DAYS
    assert len(rows) > 60 and sum(map(_after_midnight, rows)) > 20


def test_double_dates_hold_the_morning_too(demo: Demo) -> None:
    rows = [row for row in demo.clean("KWJ", DOUBLE) if not row.cells["time_is"]]
    for row in rows:
        day, next_day = row.cells["date"].split("/")
        logged = mjd(day, row.cells["time"]) + _after_midnight(row) + 7.0 / 24.0
        assert abs(logged - row.start_mjd) < MINUTE_DAYS
        assert next_day == f"{date.fromisoformat(day) + timedelta(days=1):%d}"
    assert len(rows) > 100 and sum(map(_after_midnight, rows)) > 30


@pytest.mark.parametrize(("series", "until"), [("OZT", "1899-07-01"), ("DUF", "1902-12-01")])
def test_sidereal_times_by_newcomb(demo: Demo, series: str, until: str) -> None:
    rows = [row for row in demo.clean(series, ISO) if row.cells["date"] < until]
    assert len(rows) > 30
    for row in rows:
        logged_deg = mjd("1858-11-17", row.cells["time"]) * 360.0
        lst_deg = float(newcomb_gmst_deg(row.start_mjd)) + row.longitude_deg
        assert abs((logged_deg - lst_deg + 180.0) % 360.0 - 180.0) < 0.25  # a minute of time
        night = np.floor(row.start_mjd + row.longitude_deg / 360.0 - 0.5)
        assert night == (_julian_mjd(row) if series == "DUF" else mjd(row.cells["date"], "00:00"))


def _julian_mjd(row: Row) -> float:
    """MJD at 0h of a date in the Julian calendar (Meeus, Astronomical Algorithms, ch. 7)."""
    year, month, day = (int(part) for part in row.cells["date"].split("-"))
    if month <= 2:
        year, month = year - 1, month + 12
    julian_date = int(365.25 * (year + 4716)) + int(30.6001 * (month + 1)) + day - 1524.5
    return julian_date - 2400000.5


def test_julian_calendar_with_evening_dates(demo: Demo) -> None:
    rows = [row for row in demo.clean("DUF", ISO) if "1903" <= row.cells["date"] < "1915"]
    assert len(rows) > 30
    for row in rows:
        h, m = (int(part) for part in row.cells["time"].split(":"))
        logged = _julian_mjd(row) + (60 * h + m) * MINUTE_DAYS + _after_midnight(row)
        assert abs(logged - row.longitude_deg / 360.0 - row.start_mjd) < MINUTE_DAYS


def test_gregorian_calendar_and_zone_afterwards(demo: Demo) -> None:
    rows = [row for row in demo.clean("DUF", ISO) if row.cells["date"] > "1921"]
    assert len(rows) > 50
    for row in rows:
        logged = mjd(row.cells["date"], row.cells["time"]) - 11.5 / 24.0
        assert abs(logged - row.start_mjd) < MINUTE_DAYS


def test_julian_dates_are_numbers(demo: Demo) -> None:
    rows = [row for row in demo.rows if row.cells["clock"] == "JD" and not row.slip]
    assert rows and all(row.programme == "comet" for row in rows)
    for row in rows:
        assert re.fullmatch(r"243\d{4}\.\d{4}", row.cells["date"])
        assert abs(float(row.cells["date"]) - 2400000.5 - row.start_mjd) < MINUTE_DAYS


def test_dials_agree_with_the_clock(demo: Demo) -> None:
    rows = [row for row in demo.rows if row.cells.get("hour_angle")]
    assert len(rows) > 40
    for row in rows:
        h, m = row.cells["sidereal_time"].split(":")
        logged_deg = 15.0 * (int(h) + int(m) / 60.0)
        lst_deg = float(newcomb_gmst_deg(row.mid_mjd)) + row.longitude_deg
        assert abs((logged_deg - lst_deg + 180.0) % 360.0 - 180.0) < 25.0  # half an exposure
