"""Clock readings against published moments, hand arithmetic and the definition of each clock."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from platecover.coverage import clocks
from platecover.coverage.calendar_dates import UNDATED, mjd_of, parse_date, parse_time
from platecover.coverage.clocks import (
    END,
    GMT,
    JD,
    LMT,
    LST,
    MID,
    PRECISIONS,
    UT,
    ZONE,
    Clock,
    LoggedTimes,
    TimeSpans,
    parse_clock,
    place_in_time,
)

SECOND = 1.0 / 86400.0
MINUTE = 60.0 * SECOND
HOUR = 3600.0 * SECOND

FLAGS = ("noon", "day_begins_stated", "evening", "jd_whole")
CODES = ("date_kind", "time_is", "clock")


def row(
    date: str = "", time: str = "", clock: str = "UT", end: str = "", **changes: Any
) -> dict[str, Any]:
    """One row as a log has it; `changes` are columns of `LoggedTimes`."""
    calendar = changes.pop("calendar", "gregorian")
    read_date, read_clock = parse_date(date, calendar), parse_clock(clock)
    return {
        "date_kind": read_date.kind,
        "first_day_mjd": read_date.first_day_mjd,
        "end_day_mjd": read_date.end_day_mjd,
        "time_hours": parse_time(time) if time else np.nan,
        "end_hours": parse_time(end) if end else np.nan,
        "time_is": clocks.START,
        "clock": read_clock.kind,
        "zone_hours": read_clock.zone_hours,
        "noon": read_clock.noon,
        "day_begins_stated": False,
        "evening": read_clock.kind == LST,  # as the log reader has it
        "exposure_s": np.nan,
        "longitude_deg": 0.0,
        "latitude_deg": 51.5,
        "julian_date": np.nan,
        "jd_whole": False,
    } | changes


def place(*rows: dict[str, Any]) -> TimeSpans:
    """`place_in_time` of rows."""
    columns = {}
    for name in row():
        kind = np.bool_ if name in FLAGS else np.int8 if name in CODES else np.float64
        columns[name] = np.array([r[name] for r in rows], dtype=kind)
    return place_in_time(LoggedTimes(**columns))


def moment(date: str, time: str = "0:00") -> float:
    """MJD of a date and time in UT."""
    year, month, day = (int(part) for part in date.split("-"))
    return mjd_of(year, month, day, "gregorian") + parse_time(time) / 24.0


def precision_of(spans: TimeSpans) -> list[str]:
    return [PRECISIONS[code] for code in spans.precision]


def assert_one(spans: TimeSpans, t_min: float, t_max: float, precision: str) -> None:
    """Check a single row's span to 0.01 s, and its precision."""
    assert_allclose([spans.t_min[0], spans.t_max[0]], [t_min, t_max], rtol=0.0, atol=0.01 * SECOND)
    assert precision_of(spans) == [precision]


# ---------------------------------------------------------------- names of clocks


@pytest.mark.parametrize(
    ("text", "clock"),
    [
        ("UT", Clock(UT, 0.0, False)),
        ("utc", Clock(UT, 0.0, False)),
        ("GMT", Clock(GMT, 0.0, False)),
        ("Gmat", Clock(UT, 0.0, True)),
        (" LMT ", Clock(LMT, 0.0, False)),
        ("lmat", Clock(LMT, 0.0, True)),
        ("LST", Clock(LST, 0.0, False)),
        ("jd", Clock(JD, 0.0, False)),
        ("UTC+01:00", Clock(ZONE, 1.0, False)),
        ("UTC-5", Clock(ZONE, -5.0, False)),
        ("utc + 5:30", Clock(ZONE, 5.5, False)),
        ("UTC-03:30", Clock(ZONE, -3.5, False)),
        ("UTC+14:00", Clock(ZONE, 14.0, False)),
    ],
)
def test_names_of_clocks(text: str, clock: Clock) -> None:
    assert parse_clock(text) == clock


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "clock '' is not one of UT, UTC, GMT, GMAT, LMT, LMAT, LST"),
        ("CET", "'CET' is not one of"),
        ("UTC+", "is not one of"),
        ("UTC+1.5", "is not one of"),
        ("UTC5", "is not one of"),
        ("UTC+٥", "is not one of"),
        ("UTC+14:30", r"'UTC\+14:30' is no zone \(UTC-14:00 to UTC\+14:00\)"),
        ("UTC-15", "is no zone"),
        ("UTC+5:60", "is no zone"),
    ],
)
def test_bad_names_of_clocks(text: str, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        parse_clock(text)


# ---------------------------------------------------------------- one moment, each clock


@pytest.mark.parametrize(
    ("date", "time", "jd"),
    [
        # Greenwich Mean Astronomical Time counts from noon (Explanatory Supplement 1961)
        ("1895 Jul 4", "15h20m", 2413379.638889),
        ("1895 Jul 4", "3h00m", 2413379.125),
        ("1900 Feb 28", "14h00m", 2415079.583333),
        ("1904 Feb 29", "13h00m", 2416540.541667),
        ("1899 Dec 31", "0h00m", 2415020.0),  # 1900 January 0.0 of the almanacs
        ("1924 Dec 31", "11h30m", 2424151.5 - 0.5 / 24.0),
    ],
)
def test_days_from_noon(date: str, time: str, jd: float) -> None:
    spans = place(row(date, time, "GMAT"), row(date, time, "UT", noon=True))
    assert_allclose(spans.t_min, jd - 2400000.5, rtol=0.0, atol=1e-6)
    assert_array_equal(spans.t_max, spans.t_min)
    assert precision_of(spans) == ["exposure", "exposure"]


@pytest.mark.parametrize(
    ("longitude_deg", "date", "time"),
    [
        # UT = LMT - longitude; 1893 January 12, 20h15m, by hand and by ERFA
        (13.064, "1893-01-12", "19:22:44.64"),
        (2.337229, "1893-01-12", "20:05:39.07"),
        (-64.2, "1893-01-13", "00:31:48.00"),
        (-121.643, "1893-01-13", "04:21:34.32"),
        (151.2, "1893-01-12", "10:10:12.00"),
    ],
)
def test_local_mean_time(longitude_deg: float, date: str, time: str) -> None:
    spans = place(row("1893-01-12", "20:15", "LMT", longitude_deg=longitude_deg))
    assert_one(spans, moment(date, time), moment(date, time), "exposure")


def test_local_astronomical_time() -> None:
    # 1893 January 12, 18h15m from local noon, 121.643 W: January 13, 06h15m civil; by hand
    spans = place(row("1893-01-12", "18:15", "LMAT", longitude_deg=-121.643))
    assert_allclose(spans.t_min, 2412477.098314 - 2400000.5, rtol=0.0, atol=1e-6)


@pytest.mark.parametrize(
    ("zone", "time", "date_ut", "time_ut"),
    [
        ("UTC+05:30", "02:00", "1920-05-09", "20:30"),
        ("UTC-5", "20:15", "1920-05-11", "01:15"),
        ("UTC+14", "00:00", "1920-05-09", "10:00"),
    ],
)
def test_zone_time(zone: str, time: str, date_ut: str, time_ut: str) -> None:
    spans = place(row("1920-05-10", time, zone, longitude_deg=-75.0))
    assert_one(spans, moment(date_ut, time_ut), moment(date_ut, time_ut), "exposure")


@pytest.mark.parametrize(
    ("date", "evening", "longitude_deg", "lst", "date_ut", "time_ut", "tolerance_s"),
    [
        # Meeus, Astronomical Algorithms, example 12.b
        ("1987-04-10", False, 0.0, "8:34:57.0896", "1987-04-10", "19:21:00", 0.001),
        # By hand; IAU 1982 and Newcomb's formula within 0.1 s
        ("1890-03-15", True, 0.0, "8:30", "1890-03-15", "20:56:21.2", 0.2),
        ("1890-03-15", False, 0.0, "8:30", "1890-03-15", "20:56:21.2", 0.2),
        ("1912-11-03", True, 10.0, "1:15", "1912-11-03", "21:43:53.6", 0.2),
        ("1922-06-20", True, -71.0, "17:40", "1922-06-21", "04:29:38.3", 0.2),
        ("1922-06-21", False, -71.0, "17:40", "1922-06-22", "04:25:42", 0.6),
        # Newcomb: 6h40m44.11s at 0h UT; an hour later 1h0m9.86s more. By way of UTC it
        # would be 0.8 s off.
        ("1900-01-01", False, 0.0, "7:40:53.97", "1900-01-01", "01:00:00", 0.05),
    ],
)
def test_local_sidereal_time(
    date: str,
    evening: bool,
    longitude_deg: float,
    lst: str,
    date_ut: str,
    time_ut: str,
    tolerance_s: float,
) -> None:
    spans = place(row(date, lst, "LST", evening=evening, longitude_deg=longitude_deg))
    expected = moment(date_ut, time_ut)
    assert_allclose(spans.t_min, expected, rtol=0.0, atol=tolerance_s * SECOND)
    assert precision_of(spans) == ["exposure"]
    assert spans.notes == []


def test_sidereal_time_shown_twice_in_a_civil_day() -> None:
    # Greenwich, 1905 September 22: 0h02m00s at 00h01m15.0s (Sun at -37.82 deg) and at
    # 23h57m19.1s (-38.23 deg), by hand; the Sun decides.
    civil = row("1905-09-22", "0:02:00", "LST", evening=False, latitude_deg=51.4778)
    spans = place(civil, row("1905-09-22", "3:00", "LST", evening=False))
    assert_allclose(spans.t_min[0], moment("1905-09-22", "23:57:19.1"), rtol=0.0, atol=0.2 * SECOND)
    assert precision_of(spans) == ["ambiguous", "exposure"]
    ((mask, column, reason),) = spans.notes
    assert_array_equal(mask, [True, False])
    assert (column, "Sun lower" in reason) == ("time", True)

    # By evening dates each of the two has a night of its own.
    evenings = place(row("1905-09-21", "0:02:00", "LST"), row("1905-09-22", "0:02:00", "LST"))
    expected = [moment("1905-09-22", "00:01:15.0"), moment("1905-09-22", "23:57:19.1")]
    assert_allclose(evenings.t_min, expected, rtol=0.0, atol=0.2 * SECOND)
    assert precision_of(evenings) == ["exposure", "exposure"]


@pytest.mark.parametrize(("latitude_deg", "time_ut"), [(52.0, "0:00:59.8"), (-34.0, "23:57:03.9")])
def test_the_lower_sun_depends_on_hemisphere_and_season(latitude_deg: float, time_ut: str) -> None:
    # 185 days before 1905 September 22 (0h00m44.8s at 0h UT), each 236.5554 s: 11h51m22.1s. In
    # March the Sun goes north by 0.4 deg a day, so a northern midnight Sun rises, a southern sinks.
    logged = row("1905-03-21", "11:52:22.1", "LST", evening=False, latitude_deg=latitude_deg)
    spans = place(logged)
    assert precision_of(spans) == ["ambiguous"]
    assert_allclose(spans.t_min, moment("1905-03-21", time_ut), rtol=0.0, atol=0.3 * SECOND)


def test_sidereal_days_from_noon_are_nights() -> None:
    night = row("1922-06-20", "17:40", "LST", longitude_deg=-71.0)
    for changes in ({"noon": True, "evening": False}, {"noon": True, "evening": True}):
        assert_array_equal(place(night | changes).t_min, place(night).t_min)


@pytest.mark.parametrize(
    ("rows", "mid_jd"),
    [
        # Five made-up plates; calendar arithmetic by hand
        (row("1898 Aug 9", "09 45 00", "GMAT", exposure_s=2400.0), 2414511.420139),
        (row("1952 Mar 1", "05 40 00", "UT", exposure_s=720.0), 2434072.740278),
        (row("1892 Oct 15", "13 20 00", "GMAT", exposure_s=3600.0), 2412387.576389),
        (row("1949 Jan 25", "20 10 00", "UT", exposure_s=1800.0), 2432942.350694),
        (
            row(
                "1891 Dec 2",
                "21 30 00",
                "LMT",
                exposure_s=10800.0,
                longitude_deg=15.0 * (52.0 / 60.0 + 15.4 / 3600.0),
            ),
            2412069.422044,
        ),
    ],
)
def test_mid_exposure_of_worked_plates(rows: dict[str, Any], mid_jd: float) -> None:
    spans = place(rows)
    middle = (spans.t_min + spans.t_max) / 2.0
    assert_allclose(middle, mid_jd - 2400000.5, rtol=0.0, atol=1e-6)


# ---------------------------------------------------------------- evenings and double dates


@pytest.mark.parametrize(
    ("logged", "date_ut", "time_ut"),
    [
        # The hour belongs to the second date when it is after midnight (common practice, no source)
        (row("1935 March 2/3", "1h15m", "UT"), "1935-03-03", "01:15"),
        (row("1935 March 2/3", "23h15m", "UT"), "1935-03-02", "23:15"),
        (row("1935-03-02", "1:15", "UT", evening=True), "1935-03-03", "01:15"),
        (row("1935-03-02", "12:00", "UT", evening=True), "1935-03-02", "12:00"),
        (row("1935-03-02", "11:59:59", "UT", evening=True), "1935-03-03", "11:59:59"),
        (row("1935-12-31/01", "3:00", "UTC+1", longitude_deg=13.0), "1936-01-01", "02:00"),
        # noon clocks: 13h15m after noon of the night of March 2 is 1h15m civil
        (row("1935-03-02/03", "13:15", "GMAT"), "1935-03-03", "01:15"),
        (row("1935-03-02/03", "1:15", "GMAT"), "1935-03-02", "13:15"),
        # with noon days date_is has no effect
        (row("1935-03-02", "13:15", "GMAT", evening=True), "1935-03-03", "01:15"),
        (row("1935-03-02", "1:15", "LMT", evening=True, noon=True), "1935-03-02", "13:15"),
        (
            row("1935-03-02", "15:00", "GMAT", evening=True, longitude_deg=150.0),
            "1935-03-03",
            "03:00",
        ),
        # UT far from Greenwich: at 150 E the night of March 2 is 02h to 02h UT of March 2 and 3
        (
            row("1935-03-02", "13:00", "UT", evening=True, longitude_deg=150.0),
            "1935-03-02",
            "13:00",
        ),
        (row("1935-03-02", "1:00", "UT", evening=True, longitude_deg=150.0), "1935-03-03", "01:00"),
        # at 150 W it is 22h of March 2 to 22h of March 3
        (
            row("1935-03-02", "7:00", "UT", evening=True, longitude_deg=-150.0),
            "1935-03-03",
            "07:00",
        ),
        (
            row("1935-03-02", "23:00", "UT", evening=True, longitude_deg=-150.0),
            "1935-03-02",
            "23:00",
        ),
        # near the date line, local mean noon of March 2 is 00h04m and 23h56m UT
        (row("1935-03-02", "0:10", "UT", evening=True, longitude_deg=179.0), "1935-03-02", "00:10"),
        (row("1935-03-02", "0:00", "UT", evening=True, longitude_deg=179.0), "1935-03-03", "00:00"),
        (
            row("1935-03-02", "0:00", "UT", evening=True, longitude_deg=-179.0),
            "1935-03-03",
            "00:00",
        ),
        (
            row("1935-03-02", "23:50", "UT", evening=True, longitude_deg=-179.0),
            "1935-03-03",
            "23:50",
        ),
        (
            row("1935-03-02", "23:00", "LMT", evening=True, longitude_deg=179.0),
            "1935-03-02",
            "11:04",
        ),
        (
            row("1935-03-02", "1:00", "LMT", evening=True, longitude_deg=-179.0),
            "1935-03-03",
            "12:56",
        ),
        (row("1935-03-02", "1:00", "LMT", longitude_deg=-179.0), "1935-03-02", "12:56"),
    ],
)
def test_dates_of_the_evening(logged: dict[str, Any], date_ut: str, time_ut: str) -> None:
    expected = moment(date_ut, time_ut)
    assert_one(place(logged), expected, expected, "exposure")


def test_local_noon_opens_the_night_whatever_the_rounding() -> None:
    # A zone's noon on its central meridian is local mean noon: 15 degrees to the hour.
    zones = [n / 60.0 for n in range(-720, 721)]
    zoned = [row("1935-03-02", "12:00", "UTC+1", evening=True)] * len(zones)
    spans = place(
        *(
            logged | {"zone_hours": zone, "longitude_deg": 15.0 * zone}
            for logged, zone in zip(zoned, zones, strict=True)
        )
    )
    expected = moment("1935-03-02", "12:00") - np.array(zones) / 24.0
    assert_allclose(spans.t_min, expected, rtol=0.0, atol=1e-9)


def newcomb_gmst_hours(mjd: float) -> float:
    """Greenwich mean sidereal time by Newcomb (Explanatory Supplement 1961), hours."""
    midnight = np.floor(mjd)
    centuries = (midnight + 2400000.5 - 2415020.0) / 36525.0
    at_midnight_s = 23925.836 + 8640184.542 * centuries + 0.0929 * centuries**2
    return float(at_midnight_s / 3600.0 + (mjd - midnight) * 24.0 * 1.00273791) % 24.0


@settings(deadline=None, max_examples=300)
@given(
    clock=st.sampled_from(["UT", "LMT", "LMAT", "GMAT", "LST", "UTC+5:30", "UTC-11"]),
    date=st.sampled_from(["1871-12-31", "1900 Feb 28", "1935-03-31/01", "1958-07-01"]),
    hours=st.floats(0.0, 23.9999),
    longitude_deg=st.floats(-180.0, 180.0),
    evening=st.booleans(),
    noon=st.booleans(),
)
def test_the_clock_shows_the_reading_within_its_day(
    clock: str, date: str, hours: float, longitude_deg: float, evening: bool, noon: bool
) -> None:
    logged = row(date, "", clock, longitude_deg=longitude_deg, evening=evening)
    logged["noon"] |= noon
    timed, whole_day = place(logged | {"time_hours": hours}), place(logged)
    assert precision_of(whole_day) == ["night"]
    assert_allclose(whole_day.t_max - whole_day.t_min, 1.0, rtol=0.0, atol=1e-9)
    instant = timed.t_min[0]
    assert whole_day.t_min[0] - 1e-9 <= instant < whole_day.t_max[0] + 1e-9
    parsed = parse_clock(clock)
    if parsed.kind == LST:
        shown = newcomb_gmst_hours(instant) + longitude_deg / 15.0
    else:
        ahead = {UT: 0.0, LMT: longitude_deg / 15.0, ZONE: parsed.zone_hours}[parsed.kind]
        shown = instant * 24.0 + ahead + (12.0 if logged["noon"] else 0.0)
    off_s = ((shown - hours + 12.0) % 24.0 - 12.0) * 3600.0
    assert abs(off_s) < 0.1


# ---------------------------------------------------------------- no time of day


@pytest.mark.parametrize(
    ("logged", "t_min", "t_max", "precision"),
    [
        (row("1935-03-02"), ("1935-03-02", "0:00"), ("1935-03-03", "0:00"), "night"),
        (row("1935-03-02", noon=True), ("1935-03-02", "12:00"), ("1935-03-03", "12:00"), "night"),
        (
            row("1935-03-02", clock="LMT", longitude_deg=15.0),
            ("1935-03-01", "23:00"),
            ("1935-03-02", "23:00"),
            "night",
        ),
        (
            row("1935-03-02", clock="UTC-5", longitude_deg=-71.0),
            ("1935-03-02", "5:00"),
            ("1935-03-03", "5:00"),
            "night",
        ),
        (
            row("1935-03-02", clock="UTC-5", longitude_deg=-75.0, evening=True),
            ("1935-03-02", "17:00"),
            ("1935-03-03", "17:00"),
            "night",
        ),
        (
            row("1935-03-02/03", clock="GMAT", longitude_deg=15.0),
            ("1935-03-02", "11:00"),
            ("1935-03-03", "11:00"),
            "night",
        ),
        (
            row("1935-03-02", clock="LST", longitude_deg=15.0),
            ("1935-03-02", "11:00"),
            ("1935-03-03", "11:00"),
            "night",
        ),
        (
            row("1935-03-02", clock="LST", longitude_deg=15.0, evening=False),
            ("1935-03-01", "23:00"),
            ("1935-03-02", "23:00"),
            "night",
        ),
        (row("1935-03"), ("1935-03-01", "0:00"), ("1935-04-01", "0:00"), "month"),
        (row("1935", clock="GMAT"), ("1935-01-01", "12:00"), ("1936-01-01", "12:00"), "year"),
        (
            row("1935 Dec", clock="LMT", longitude_deg=-30.0, evening=True),
            ("1935-12-01", "14:00"),
            ("1936-01-01", "14:00"),
            "month",
        ),
        (
            row("1900-02-29", calendar="julian"),
            ("1900-03-13", "0:00"),
            ("1900-03-14", "0:00"),
            "night",
        ),
    ],
)
def test_what_a_date_covers(
    logged: dict[str, Any], t_min: tuple[str, str], t_max: tuple[str, str], precision: str
) -> None:
    spans = place(logged | {"exposure_s": 600.0})
    assert_one(spans, moment(*t_min), moment(*t_max), precision)
    assert_array_equal(spans.t_exptime_s, [600.0])
    assert spans.notes == []


def test_undated() -> None:
    spans = place(row("", exposure_s=60.0), row("", "20:15", end="21:00"))
    assert precision_of(spans) == ["undated", "undated"]
    assert_array_equal(np.isnan([spans.t_min, spans.t_max]), True)
    assert_array_equal(spans.t_exptime_s, [60.0, np.nan])
    assert [(column, list(mask)) for mask, column, _ in spans.notes] == [
        ("time", [False, True]),
        ("time_end", [False, True]),
    ]


@pytest.mark.parametrize("date", ["1935-03", "1935"])
def test_a_time_with_a_month_or_year_is_not_used(date: str) -> None:
    spans = place(row(date, "20:15", end="21:00"))
    assert_array_equal(spans.t_min, place(row(date)).t_min)
    assert_array_equal(spans.t_exptime_s, [np.nan])
    assert [(column, reason) for _, column, reason in spans.notes] == [
        ("time", "not used: the date names no day"),
        ("time_end", "not used: the date names no day"),
    ]


# ---------------------------------------------------------------- GMT before and after 1925


def test_bare_gmt_before_1925_is_read_both_ways() -> None:
    # 1924 December 31, 11h30m: civil 11h30m, or from noon 23h30m UT
    spans = place(row("1924-12-31", "11:30", "GMT", exposure_s=600.0))
    assert_one(spans, moment("1924-12-31", "11:30"), moment("1924-12-31", "23:40"), "ambiguous")
    assert_array_equal(spans.t_exptime_s, [600.0])
    ((mask, column, reason),) = spans.notes
    assert (list(mask), column) == ([True], "clock")
    assert "both ways" in reason


@pytest.mark.parametrize(
    ("logged", "time_ut"),
    [
        (row("1925-01-01", "1:30", "GMT"), ("1925-01-01", "1:30")),
        (row("1900-01-01", "1:30", "GMT", day_begins_stated=True), ("1900-01-01", "1:30")),
        (
            row("1900-01-01", "1:30", "GMT", day_begins_stated=True, noon=True),
            ("1900-01-01", "13:30"),
        ),
        (row("1900-01-01", "1:30", "UT"), ("1900-01-01", "1:30")),
    ],
)
def test_gmt_that_is_plain(logged: dict[str, Any], time_ut: tuple[str, str]) -> None:
    spans = place(logged)
    assert_one(spans, moment(*time_ut), moment(*time_ut), "exposure")
    assert spans.notes == []


@pytest.mark.parametrize(
    ("logged", "t_min", "t_max", "precision"),
    [
        (
            row("1900-01-01", "", "GMT"),
            ("1900-01-01", "0:00"),
            ("1900-01-02", "12:00"),
            "ambiguous",
        ),
        (row("1900-01", "", "GMT"), ("1900-01-01", "0:00"), ("1900-02-01", "12:00"), "month"),
        (row("1900", "", "GMT"), ("1900-01-01", "0:00"), ("1901-01-01", "12:00"), "year"),
        # a double date is one night, in which 2h is 2h or 14h: the noon reading comes first
        (
            row("1900-01-01/02", "2:00", "GMT"),
            ("1900-01-01", "14:00"),
            ("1900-01-02", "2:00"),
            "ambiguous",
        ),
        (
            row("1900-01-01/02", "9:00", "GMT", exposure_s=3600.0),
            ("1900-01-01", "21:00"),
            ("1900-01-02", "10:00"),
            "ambiguous",
        ),
        # without a time both readings are that night
        (
            row("1900-01-01/02", "", "GMT"),
            ("1900-01-01", "12:00"),
            ("1900-01-02", "12:00"),
            "night",
        ),
        # by the evening 2h is January 2, 2h; from noon the evening has no say: January 1, 14h
        (
            row("1900-01-01", "2:00", "GMT", evening=True),
            ("1900-01-01", "14:00"),
            ("1900-01-02", "2:00"),
            "ambiguous",
        ),
        (
            row("1900-01-01", "20:00", "GMT", evening=True),
            ("1900-01-01", "20:00"),
            ("1900-01-02", "8:00"),
            "ambiguous",
        ),
    ],
)
def test_bare_gmt_with_every_kind_of_date(
    logged: dict[str, Any], t_min: tuple[str, str], t_max: tuple[str, str], precision: str
) -> None:
    assert_one(place(logged), moment(*t_min), moment(*t_max), precision)


# ---------------------------------------------------------------- lengths


@pytest.mark.parametrize(
    ("time_is", "before_min", "after_min"), [(clocks.START, 0, 30), (MID, 15, 15), (END, 30, 0)]
)
def test_which_moment_the_time_is(time_is: int, before_min: float, after_min: float) -> None:
    spans = place(row("1935-03-02", "20:15", exposure_s=1800.0, time_is=time_is))
    start = moment("1935-03-02", "20:15")
    assert_one(spans, start - before_min * MINUTE, start + after_min * MINUTE, "exposure")
    assert_array_equal(spans.t_exptime_s, [1800.0])


@pytest.mark.parametrize("time_is", [clocks.START, MID, END])
@pytest.mark.parametrize("exposure_s", [np.nan, 0.0, -5.0])
def test_unknown_exposure_is_an_instant(time_is: int, exposure_s: float) -> None:
    spans = place(row("1935-03-02", "20:15", exposure_s=exposure_s, time_is=time_is))
    start = moment("1935-03-02", "20:15")
    assert_one(spans, start, start, "exposure")
    assert_array_equal(spans.t_exptime_s, [np.nan])


def test_end_readings() -> None:
    spans = place(
        row("1935-03-02", "20:15", end="21:00"),
        row("1935-03-02", "23:45", end="0:15"),  # the next such reading
        row("1935-03-02", "20:15", end="21:00", exposure_s=2600.0),  # 4 % off: breaks, say
        row("1935-03-02", "20:15", end="21:00", exposure_s=1800.0),
        row("1935-03-02", "20:15", end="21:00", time_is=MID),
        row("1935-03-02", "20:15", end="20:37", exposure_s=1200.0),  # 10 %, not over
        row("1935-03-02", "20:15", end="20:33", exposure_s=1200.0),  # 10 %, not over
        row("1935-03-02", "8:00", "GMAT", end="8:30"),
    )
    start = np.array(["20:15", "23:45", "20:15", "20:15", "19:30", "20:15", "20:15", "20:00"])
    t_min = np.array([moment("1935-03-02", time) for time in start])
    minutes = np.array([45.0, 30.0, 45.0, 45.0, 90.0, 22.0, 18.0, 30.0])
    assert_allclose(spans.t_min, t_min, rtol=0.0, atol=0.01 * SECOND)
    assert_allclose(spans.t_max, t_min + minutes * MINUTE, rtol=0.0, atol=0.01 * SECOND)
    assert_allclose(
        spans.t_exptime_s, [2700.0, 1800.0, 2600.0, 1800.0, 5400.0, 1200.0, 1200.0, 1800.0]
    )
    ((mask, column, reason),) = spans.notes
    assert (list(np.flatnonzero(mask)), column) == ([3], "time_end")
    assert "10 %" in reason


def test_sidereal_end_reading_runs_fast() -> None:
    # 6 sidereal hours are 5h59m01.02s of mean time (Explanatory Supplement: 0.99726957 to 1)
    spans = place(row("1922-06-20", "17:40", "LST", end="23:40", longitude_deg=-71.0))
    assert_allclose(spans.t_exptime_s, 21600.0 * 0.99726957, rtol=0.0, atol=0.001)
    assert_allclose(
        (spans.t_max - spans.t_min) / SECOND, 21600.0 * 0.99726957, rtol=0.0, atol=0.001
    )


def test_end_readings_that_help_nothing() -> None:
    spans = place(
        row("1935-03-02", "20:15", end="20:15"),
        row("1935-03-02", "20:15", end="20:15", exposure_s=600.0),
        row("1935-03-02", "20:15", end="21:00", exposure_s=600.0, time_is=END),
        row("1935-03-02", "", end="21:00"),
    )
    start = moment("1935-03-02", "20:15")
    midnight = moment("1935-03-02")
    expected_min = [start, start, start - 10.0 * MINUTE, midnight]
    assert_allclose(spans.t_min, expected_min, rtol=0.0, atol=0.01 * SECOND)
    assert_allclose(
        spans.t_max, [start, start, start, midnight + 1.0], rtol=0.0, atol=0.01 * SECOND
    )
    assert_array_equal(spans.t_exptime_s, [np.nan, 600.0, 600.0, np.nan])
    noted = [(list(np.flatnonzero(mask)), column) for mask, column, _ in spans.notes]
    assert noted == [([3], "time_end"), ([2], "time_end"), ([0, 1], "time_end"), ([1], "time_end")]


# ---------------------------------------------------------------- Julian Dates


def test_julian_dates() -> None:
    jd_row = row("", clock="JD")
    spans = place(
        jd_row | {"julian_date": 2415020.0, "jd_whole": True, "exposure_s": 600.0},
        jd_row | {"julian_date": 2415020.0, "exposure_s": 600.0},  # written 2415020.0
        jd_row | {"julian_date": 2411442.372467, "exposure_s": 600.0, "time_is": END},
        jd_row | {"julian_date": np.nan},
        # whatever the date column was taken for
        row("1898", clock="JD") | {"julian_date": 2411442.25, "time_hours": 3.0, "end_hours": 4.0},
    )
    noon = moment("1899-12-31", "12:00")  # JD 2415020.0
    # Greenwich 1890 March 15, 20h56m21.2s is JD 2411442.372467
    instant = moment("1890-03-15", "20:56:21.2")
    morning = moment("1890-03-15", "18:00")
    assert_allclose(
        spans.t_min, [noon, noon, instant - 10.0 * MINUTE, np.nan, morning], rtol=0.0, atol=1e-6
    )
    assert_allclose(
        spans.t_max,
        [noon + 1.0, noon + 10.0 * MINUTE, instant, np.nan, morning],
        rtol=0.0,
        atol=1e-6,
    )
    assert precision_of(spans) == ["night", "exposure", "exposure", "undated", "exposure"]
    noted = [(list(np.flatnonzero(mask)), column) for mask, column, _ in spans.notes]
    assert noted == [([4], "time"), ([4], "time_end")]


# ---------------------------------------------------------------- whole arrays


def any_row() -> st.SearchStrategy[dict[str, Any]]:
    """Rows of any clock, date and completeness."""
    maybe_hours = st.just(np.nan) | st.floats(0.0, 23.999)
    return st.builds(
        lambda date, clock, changes: row(date, "", clock) | changes,
        st.sampled_from(["", "1880-02-29", "1899-12-31/01", "1905 Sep 22", "1924", "1950-02"]),
        st.sampled_from(["UT", "GMT", "GMAT", "LMT", "LMAT", "LST", "UTC+14", "UTC-3:30", "JD"]),
        st.fixed_dictionaries(
            {
                "time_hours": maybe_hours,
                "end_hours": maybe_hours,
                "time_is": st.integers(0, 2),
                "noon": st.booleans(),
                "day_begins_stated": st.booleans(),
                "evening": st.booleans(),
                "exposure_s": st.just(np.nan) | st.floats(-1.0, 2e5),
                "longitude_deg": st.floats(-180.0, 180.0),
                "latitude_deg": st.floats(-90.0, 90.0),
                "julian_date": st.just(np.nan) | st.floats(2390000.0, 2470000.0),
                "jd_whole": st.booleans(),
            }
        ),
    )


@settings(deadline=None)
@given(st.lists(any_row(), min_size=1, max_size=8))
def test_rows_stand_alone_and_spans_run_forward(rows: list[dict[str, Any]]) -> None:
    spans = place(*rows)
    undated = np.array(precision_of(spans)) == "undated"
    assert_array_equal(np.isnan(spans.t_min), undated)
    assert_array_equal(np.isnan(spans.t_max), undated)
    assert np.all(undated | (spans.t_min <= spans.t_max))
    assert np.all(np.isnan(spans.t_exptime_s) | (spans.t_exptime_s > 0.0))
    for mask, column, reason in spans.notes:
        assert mask.shape == (len(rows),) and mask.any() and column and reason
    for i, one in enumerate(rows):
        alone = place(one)
        assert_array_equal(alone.t_min[0], spans.t_min[i])
        assert_array_equal(alone.t_max[0], spans.t_max[i])
        assert_array_equal(alone.precision[0], spans.precision[i])
        noted = {(column, reason) for mask, column, reason in spans.notes if mask[i]}
        assert {(column, reason) for _, column, reason in alone.notes} == noted
        if one["date_kind"] == UNDATED and one["clock"] != JD:
            assert undated[i]


def test_no_rows_and_uneven_columns() -> None:
    columns = {
        name: np.zeros(0, np.bool_ if name in FLAGS else np.int8 if name in CODES else np.float64)
        for name in row()
    }
    spans = place_in_time(LoggedTimes(**columns))
    assert spans.t_min.shape == spans.precision.shape == (0,)
    assert spans.notes == []
    with pytest.raises(ValueError, match=r"evening must have shape \(0,\), got \(2,\)"):
        place_in_time(LoggedTimes(**columns | {"evening": np.zeros(2, np.bool_)}))
