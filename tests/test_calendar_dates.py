"""Dates and times of day against published day numbers, ERFA and the standard library."""

import math
from datetime import date, timedelta

import erfa
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

from platecover.coverage.calendar_dates import (
    DAY,
    DOUBLE,
    MONTH,
    UNDATED,
    YEAR,
    calendar_date_text,
    mjd_of,
    parse_date,
    parse_time,
    year_of_mjd,
)

DATES = st.dates(date(1800, 1, 1), date(2100, 12, 31))


def mjd_of_jd(jd: float) -> float:
    return jd - 2400000.5


# ---------------------------------------------------------------- day numbers


@pytest.mark.parametrize(
    ("year", "month", "day", "jd"),
    [
        # Meeus, Astronomical Algorithms, chapter 7
        (2000, 1, 1.5, 2451545.0),
        (1999, 1, 1.0, 2451179.5),
        (1987, 1, 27.0, 2446822.5),
        (1987, 6, 19.5, 2446966.0),
        (1988, 1, 27.0, 2447187.5),
        (1988, 6, 19.5, 2447332.0),
        (1900, 1, 1.0, 2415020.5),
        (1957, 10, 4.81, 2436116.31),
        # by hand, and by ERFA and PyMeeus alike
        (1850, 1, 1.0, 2396758.5),
        (1855, 1, 1.0, 2398584.5),
        (1858, 11, 17.0, 2400000.5),
        (1860, 7, 18.0, 2400609.5),
        (1875, 1, 1.0, 2405889.5),
        (1887, 4, 16.0, 2410377.5),
        (1925, 1, 1.0, 2424151.5),
        (1950, 1, 1.0, 2433282.5),
        (1972, 1, 1.0, 2441317.5),
        (1990, 1, 1.0, 2447892.5),
        (1900, 2, 28.0, 2415078.5),
        (1900, 3, 1.0, 2415079.5),
        (1904, 2, 29.0, 2416539.5),
        (2000, 2, 29.0, 2451603.5),
        (2000, 3, 1.0, 2451604.5),
        # 1899 December 31, noon = 1900 January 0.5: where Julian centuries began (Newcomb)
        (1899, 12, 31.5, 2415020.0),
    ],
)
def test_gregorian_day_numbers(year: int, month: int, day: float, jd: float) -> None:
    found = mjd_of(year, month, math.floor(day), "gregorian") + day % 1.0
    assert found == pytest.approx(mjd_of_jd(jd), abs=1e-8)


@pytest.mark.parametrize(
    ("year", "month", "day", "jd"),
    [
        (837, 4, 10.3, 2026871.8),  # Meeus, chapter 7
        (333, 1, 27.5, 1842713.0),  # Meeus, example 7.b
        (1582, 10, 4.0, 2299159.5),  # the day before Gregorian 1582 October 15, 2299160.5
    ],
)
def test_julian_day_numbers(year: int, month: int, day: float, jd: float) -> None:
    found = mjd_of(year, month, math.floor(day), "julian") + day % 1.0
    assert found == pytest.approx(mjd_of_jd(jd), abs=1e-6)


def test_the_russian_change_of_calendar() -> None:
    # Decree of 1918: 31 January (Julian) was followed by 14 February (Gregorian).
    assert mjd_of(1918, 1, 31, "julian") + 1.0 == mjd_of(1918, 2, 14, "gregorian")
    # 1900 had a 29 February in the Julian calendar alone.
    assert mjd_of(1900, 2, 29, "julian") == mjd_of(1900, 3, 13, "gregorian")


@given(DATES)
def test_day_numbers_are_those_of_erfa(day: date) -> None:
    expected = erfa.cal2jd(day.year, day.month, day.day)[1]
    assert mjd_of(day.year, day.month, day.day, "gregorian") == expected
    assert calendar_date_text(expected + 0.999) == day.isoformat()
    assert year_of_mjd(expected + 0.999) == day.year


@given(st.integers(1, 3000), st.integers(1, 12), st.integers(1, 28), st.integers(1, 400))
def test_julian_calendar_repeats_after_28_years(
    year: int, month: int, day: int, cycles: int
) -> None:
    start = mjd_of(year, month, day, "julian")
    assert mjd_of(year + 28 * cycles, month, day, "julian") == start + 10227.0 * cycles


@pytest.mark.parametrize(
    ("year", "month", "day", "calendar", "message"),
    [
        (1900, 2, 29, "gregorian", "1900-02-29 is impossible: that month has 28 days in the greg"),
        (1901, 2, 29, "julian", "1901-02-29 is impossible"),
        (1898, 4, 31, "gregorian", "1898-04-31 is impossible"),
        (1898, 4, 0, "gregorian", "1898-04-00 is impossible"),
        (1898, 13, 1, "gregorian", "1898-13 is impossible: there is no month 13"),
        (1898, 0, 1, "julian", "there is no month 0"),
        (0, 1, 1, "julian", "year must be 1 or later, got 0"),
        (1898, 1, 1, "coptic", "calendar must be gregorian or julian, got 'coptic'"),
    ],
)
def test_days_that_do_not_exist(
    year: int, month: int, day: int, calendar: str, message: str
) -> None:
    with pytest.raises(ValueError, match=message):
        mjd_of(year, month, day, calendar)


def test_years_of_many_moments() -> None:
    mjd = [[15019.999999, 15020.0], [-3242.0, -3242.000001]]  # 1900 and 1850 begin
    assert_array_equal(year_of_mjd(mjd), [[1899, 1900], [1850, 1849]])
    assert year_of_mjd([]).shape == (0,)
    assert year_of_mjd(mjd).dtype == np.int64


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_moments_that_are_none(bad: float) -> None:
    with pytest.raises(ValueError, match="mjd must be finite, got"):
        year_of_mjd([15020.0, bad])
    with pytest.raises(ValueError, match="mjd must be finite, got"):
        calendar_date_text(bad)


# ---------------------------------------------------------------- dates


@pytest.mark.parametrize(
    "text",
    ["1898-03-04", "1898 Mar 4", "1898 March 4", " 1898  MARCH  04 ", "1898-3-4", "1898 mar. 4"],
)
def test_spellings_of_a_day(text: str) -> None:
    read = parse_date(text, "gregorian")
    first = mjd_of(1898, 3, 4, "gregorian")
    assert (read.kind, read.first_day_mjd, read.end_day_mjd) == (DAY, first, first + 1.0)


@pytest.mark.parametrize(
    ("text", "first"),
    [
        ("1935-03-02/03", (1935, 3, 2)),
        ("1935 Mar 2/3", (1935, 3, 2)),
        ("1935 March 2 / 3", (1935, 3, 2)),
        ("1935-03-31/01", (1935, 3, 31)),
        ("1935-03-31/04-01", (1935, 3, 31)),
        ("1935 Mar 31/Apr 1", (1935, 3, 31)),
        ("1935-12-31/01", (1935, 12, 31)),
        ("1935-12-31/01-01", (1935, 12, 31)),
        ("1935-12-31/1936-01-01", (1935, 12, 31)),
        ("1935 Dec 31/1936 Jan 1", (1935, 12, 31)),
        ("1900-02-28/03-01", (1900, 2, 28)),
        ("1904-02-28/29", (1904, 2, 28)),
    ],
)
def test_double_dates_are_the_night_between(text: str, first: tuple[int, int, int]) -> None:
    read = parse_date(text, "gregorian")
    day = mjd_of(*first, "gregorian")
    assert (read.kind, read.first_day_mjd, read.end_day_mjd) == (DOUBLE, day, day + 1.0)


@pytest.mark.parametrize(
    ("text", "kind", "first", "end"),
    [
        ("1898-03", MONTH, (1898, 3, 1), (1898, 4, 1)),
        ("1898 Mar", MONTH, (1898, 3, 1), (1898, 4, 1)),
        ("1898 december", MONTH, (1898, 12, 1), (1899, 1, 1)),
        ("1900-02", MONTH, (1900, 2, 1), (1900, 3, 1)),
        ("1898", YEAR, (1898, 1, 1), (1899, 1, 1)),
        ("2100", YEAR, (2100, 1, 1), (2101, 1, 1)),
    ],
)
def test_months_and_years(
    text: str, kind: int, first: tuple[int, int, int], end: tuple[int, int, int]
) -> None:
    read = parse_date(text, "gregorian")
    days = (mjd_of(*first, "gregorian"), mjd_of(*end, "gregorian"))
    assert (read.kind, read.first_day_mjd, read.end_day_mjd) == (kind, *days)


@pytest.mark.parametrize("text", ["", "   ", "\t"])
def test_empty_is_undated(text: str) -> None:
    read = parse_date(text, "gregorian")
    assert read.kind == UNDATED
    assert math.isnan(read.first_day_mjd) and math.isnan(read.end_day_mjd)


def test_julian_dates() -> None:
    leap_day = parse_date("1900-02-29", "julian")
    assert leap_day.first_day_mjd == mjd_of(1900, 3, 13, "gregorian")
    assert parse_date("1900-02-28/29", "julian").kind == DOUBLE
    year = parse_date("1899", "julian")
    assert year.first_day_mjd == mjd_of(1899, 1, 13, "gregorian")
    assert year.end_day_mjd - year.first_day_mjd == 365.0


@pytest.mark.parametrize(
    "text",
    [
        "04/03/1898",
        "4 Mar 1898",
        "03-04-1898",
        "98-03-04",
        "1898/03/04",
        "1898 Ma 4",
        "1898 Marz 4",
        "1898-03/04",
        "1898/99",
        "1935-03-02/",
        "/1935-03-02",
        "1935-03-02/x",
        "1935-03-02/03/04",
        "1898-03-04?",
        "1898-03-04T21:00",
        "١٨٩٨-٠٣-٠٤",
        "nan",
        "-1898",
        "1898-003-04",
        "x" * 10_000,
    ],
)
def test_unreadable_dates(text: str) -> None:
    with pytest.raises(ValueError, match="is unreadable"):
        parse_date(text, "gregorian")


@pytest.mark.parametrize(
    ("text", "calendar"),
    [
        ("1898-02-30", "gregorian"),
        ("1900-02-29", "gregorian"),
        ("1901-02-29", "julian"),
        ("1898-13-01", "gregorian"),
        ("1898-00", "gregorian"),
        ("1898 Apr 31", "gregorian"),
        ("1935-03-02/04", "gregorian"),
        ("1935-03-02/02", "gregorian"),
        ("1935-03-02/01", "gregorian"),
        ("1935-03-31/32", "gregorian"),
        ("1935-03-02/04-03", "gregorian"),
        ("1935-12-31/1935-01-01", "gregorian"),
        ("1900-02-28/29", "gregorian"),
        ("1900-02-28/03-01", "julian"),
        ("1799-12-31", "gregorian"),
        ("2101", "gregorian"),
        ("0000-01-01", "gregorian"),
    ],
)
def test_impossible_dates(text: str, calendar: str) -> None:
    with pytest.raises(ValueError, match="impossible"):
        parse_date(text, calendar)


@given(
    DATES, st.sampled_from(["{0:%Y-%m-%d}", "{0.year} {0:%b} {0.day}", "{0.year} {0:%B} {0.day}"])
)
def test_every_day_is_read_back(day: date, spelling: str) -> None:
    read = parse_date(spelling.format(day), "gregorian")
    assert calendar_date_text(read.first_day_mjd) == day.isoformat()
    assert read.end_day_mjd == read.first_day_mjd + 1.0


@given(
    DATES.filter(lambda day: day < date(2100, 12, 31)),
    DATES,
    st.sampled_from(["{0:%Y-%m-%d}/{1:%d}", "{0:%Y-%m-%d}/{1:%m-%d}", "{0:%Y-%m-%d}/{1:%Y-%m-%d}"]),
)
def test_double_dates_need_the_next_day(first: date, other: date, spelling: str) -> None:
    next_day = first + timedelta(days=1)
    assert parse_date(spelling.format(first, next_day), "gregorian").kind == DOUBLE
    written = spelling.split("/")[1]
    if written.format(None, other) != written.format(None, next_day):
        with pytest.raises(ValueError, match="impossible"):
            parse_date(spelling.format(first, other), "gregorian")


@given(st.text(max_size=20) | st.from_regex(r"\A[0-9]{4}[- /][0-9a-c]{0,3}[- /][0-9/-]{0,6}\Z"))
def test_any_text_is_a_date_or_refused(text: str) -> None:
    try:
        read = parse_date(text, "julian")
    except ValueError as refusal:
        assert "unreadable" in str(refusal) or "impossible" in str(refusal)
        return
    assert read.kind == UNDATED or read.first_day_mjd < read.end_day_mjd


# ---------------------------------------------------------------- times of day


@pytest.mark.parametrize(
    ("text", "hours"),
    [
        ("20:15", 20.25),
        ("0:00", 0.0),
        ("20:15:30", 20.0 + 15.5 / 60.0),
        ("20:15:30.5", 20.0 + 15.0 / 60.0 + 30.5 / 3600.0),
        ("20h15m", 20.25),
        ("20H15M30S", 20.0 + 15.5 / 60.0),
        ("20h 15m 30.5s", 20.0 + 15.0 / 60.0 + 30.5 / 3600.0),
        ("20h15", 20.25),
        (" 20 15 ", 20.25),
        ("20 15 30", 20.0 + 15.5 / 60.0),
        ("23:59:59.99", 24.0 - 0.01 / 3600.0),
    ],
)
def test_spellings_of_a_time(text: str, hours: float) -> None:
    assert parse_time(text) == pytest.approx(hours, abs=1e-12)


@pytest.mark.parametrize("text", ["24:00", "25:00", "20:60", "20:15:60", "99:99"])
def test_impossible_times(text: str) -> None:
    with pytest.raises(ValueError, match=r"is impossible \(00:00:00 up to 23:59:59\)"):
        parse_time(text)


@pytest.mark.parametrize(
    "text",
    ["", "20", "2015", "20.25", "-1:00", "20:15:", "20:", ":15", "20:15 pm", "nan", "20:15:30:1"]
    + ["٢٠:١٥", "20:015", "h", "20h", "20:15:30..5"],
)
def test_unreadable_times(text: str) -> None:
    with pytest.raises(ValueError, match="is unreadable"):
        parse_time(text)


@given(st.integers(0, 86399))
def test_every_second_is_read_back(second: int) -> None:
    text = str(timedelta(seconds=second))
    assert parse_time(text) == pytest.approx(second / 3600.0, abs=1e-12)


@given(st.text(max_size=12) | st.from_regex(r"\A[0-9]{1,2}[:h ][0-9]{1,2}[:m ]?[0-9.s]{0,4}\Z"))
def test_any_text_is_a_time_or_refused(text: str) -> None:
    try:
        hours = parse_time(text)
    except ValueError:
        return
    assert 0.0 <= hours < 24.0
