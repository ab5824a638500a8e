"""From logged dates and clock readings to moments in UT.

Every date D names one stretch of 24 hours, its *day*: the clock's own (from midnight, or from
noon), or, with evening dates, double dates and sidereal clocks, the night of D, which runs from
local mean noon to local mean noon. A reading is the moment of that day at which the clock
showed it; a date without a reading covers the whole of it. All else follows from this.
"""

import re
from dataclasses import dataclass, fields, replace

import erfa
import numpy as np
from numpy.typing import NDArray

from platecover.coverage.calendar_dates import (
    DAY,
    DOUBLE,
    HOURS_PER_DAY,
    MINUTES_PER_HOUR,
    MJD_ZERO_JD,
    MONTH,
    SECONDS_PER_DAY,
    UNDATED,
    YEAR,
    mjd_of,
)
from platecover.coverage.sky_bodies import sun_altitude_deg

UT, LMT, LST, ZONE, JD, GMT = 0, 1, 2, 3, 4, 5  # kinds of clock, for int8 columns
START, MID, END = 0, 1, 2  # which moment of the exposure `time` is

PRECISIONS = ("exposure", "night", "month", "year", "ambiguous", "undated")
EXPOSURE, NIGHT, IN_MONTH, IN_YEAR, AMBIGUOUS, NO_DATE = range(len(PRECISIONS))

DEGREES_PER_TURN = 360.0
SIDEREAL_PER_SOLAR = 1.002737909350795  # rate of mean sidereal time; Aoki et al. 1982, IAU 1982
LARGEST_ZONE_HOURS = 14.0  # Line Islands, the zone farthest from Greenwich
GMT_FROM_MIDNIGHT_MJD = mjd_of(1925, 1, 1, "gregorian")  # almanacs for 1925 on; Expl. Suppl. 1961
ROUNDING = 1e-9  # of a day (0.1 ms) or a ratio: so little over a limit is not over it
MICROSECONDS = 6  # decimals of a second to which lengths by end readings are known, amply
LARGEST_DISAGREEMENT = 0.1  # between exposure and end reading, of the exposure; common practice

CLOCK_NAMES = "UT, UTC, GMT, GMAT, LMT, LMAT, LST, UTC+hh:mm or JD"
_ZONE = re.compile(r"UTC([+-])([0-9]{1,2})(?::([0-9]{2}))?")

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Codes = NDArray[np.int8]


@dataclass(frozen=True)
class Clock:
    """One clock: its kind, hours east of UT (zones only), and whether its day begins at noon."""

    kind: int
    zone_hours: float
    noon: bool


_CLOCKS = {
    "UT": Clock(UT, 0.0, False),
    "UTC": Clock(UT, 0.0, False),
    "GMT": Clock(GMT, 0.0, False),
    "GMAT": Clock(UT, 0.0, True),
    "LMT": Clock(LMT, 0.0, False),
    "LMAT": Clock(LMT, 0.0, True),
    "LST": Clock(LST, 0.0, False),
    "JD": Clock(JD, 0.0, False),
}


@dataclass
class LoggedTimes:
    """What a log says about the time of each exposure; arrays of one shape, (n,)."""

    date_kind: Codes  # a kind of `calendar_dates`
    first_day_mjd: Floats  # civil days, as in `calendar_dates.LoggedDate`
    end_day_mjd: Floats
    time_hours: Floats  # readings of the clock, 0 <= hours < 24; NaN = none
    end_hours: Floats
    time_is: Codes  # what `time_hours` is of the exposure: START, MID or END
    clock: Codes  # UT, LMT, LST, ZONE, JD or GMT
    zone_hours: Floats  # east of UT; of ZONE only
    noon: Flags  # the clock's day begins at noon
    day_begins_stated: Flags  # the log says whether days begin at midnight or noon
    evening: Flags  # the date is that of the evening
    exposure_s: Floats  # NaN, or not above zero, = unknown
    longitude_deg: Floats  # of the station, east positive
    latitude_deg: Floats
    julian_date: Floats  # with JD; else NaN
    jd_whole: Flags  # the Julian Date is written without decimals


@dataclass
class TimeSpans:
    """Where exposures stand in time; arrays of shape (n,)."""

    t_min: Floats  # MJD in UT; NaN = undated
    t_max: Floats  # not before t_min
    t_exptime_s: Floats  # NaN = unknown
    precision: Codes  # index into PRECISIONS
    notes: list[tuple[Flags, str, str]]  # rows (at least one), column, what was assumed or not used


def parse_clock(text: str) -> Clock:
    """Read the name of a clock, in any case.

    Parameters
    ----------
    text : str
        ``UT``, ``UTC``, ``GMT``, ``LMT``, ``LST``, ``JD``; ``GMAT`` and ``LMAT``, days from
        noon; zones as ``UTC+5:30`` or ``UTC-5``, up to 14 hours.

    Returns
    -------
    Clock

    Raises
    ------
    ValueError
        If there is no such clock; the message lists those that exist.

    Examples
    --------
    >>> parse_clock("utc-5")
    Clock(kind=3, zone_hours=-5.0, noon=False)
    """
    name = "".join(text.split()).upper()
    if name in _CLOCKS:
        return _CLOCKS[name]
    match = _ZONE.fullmatch(name)
    if match is None:
        raise ValueError(f"clock {text!r} is not one of {CLOCK_NAMES}")
    hours, minutes = int(match[2]), int(match[3] or 0)
    zone_hours = hours + minutes / MINUTES_PER_HOUR
    if minutes >= MINUTES_PER_HOUR or zone_hours > LARGEST_ZONE_HOURS:
        raise ValueError(f"clock {text!r} is no zone (UTC-14:00 to UTC+14:00)")
    return Clock(ZONE, -zone_hours if match[1] == "-" else zone_hours, False)


def place_in_time(times: LoggedTimes) -> TimeSpans:
    """Find when exposures were made, and how surely.

    Parameters
    ----------
    times : LoggedTimes
        The log's readings, shape (n,).

    Returns
    -------
    TimeSpans

    Raises
    ------
    ValueError
        If the arrays are not all of one shape.

    Notes
    -----
    Readings are taken as UT (UT1) before 1960 and UTC from then; no leap second or UTC table is
    used. Sidereal time is local mean sidereal time, IAU 1982 (Aoki et al. 1982, A&A 105, 359).
    A bare GMT before 1925, when almanacs went over from noon to midnight, is read both ways
    where the log does not say: t_min by the civil and t_max by the noon reading.
    """
    for field in fields(times):
        shape = getattr(times, field.name).shape
        if shape != times.clock.shape:
            raise ValueError(f"{field.name} must have shape {times.clock.shape}, got {shape}")
    lengths = _lengths(times)
    spans = _read_clocks(times, lengths)
    dated = np.isfinite(spans.t_min)
    both_ways = (
        dated
        & (times.clock == GMT)
        & ~times.day_begins_stated
        & (times.first_day_mjd < GMT_FROM_MIDNIGHT_MJD)
    )
    noon_spans = spans
    if both_ways.any():
        noon_spans = _read_clocks(replace(times, noon=times.noon | both_ways), lengths)
    # The noon reading is the later one, except of double dates: both lie in one night.
    t_min = np.minimum(spans.t_min, noon_spans.t_min)
    t_max = np.maximum(spans.t_max, noon_spans.t_max)
    two_readings = dated & ((noon_spans.t_min != spans.t_min) | (noon_spans.t_max != spans.t_max))

    by_calendar = times.clock != JD
    precision = np.select(
        [
            ~dated,
            by_calendar & (times.date_kind == MONTH),
            by_calendar & (times.date_kind == YEAR),
            two_readings | spans.two_instants,
            spans.timed,
        ],
        [NO_DATE, IN_MONTH, IN_YEAR, AMBIGUOUS, EXPOSURE],
        NIGHT,
    ).astype(np.int8)
    notes = [
        (spans.two_instants, "time", "shown twice that day; taken with the Sun lower"),
        (two_readings, "clock", "GMT before 1925, day from midnight or noon; read both ways"),
        *_unused_readings(times, dated),
        *_odd_lengths(times, lengths),
    ]
    notes = [note for note in notes if note[0].any()]
    return TimeSpans(t_min, t_max, lengths.exptime_s, precision, notes)


@dataclass
class _Lengths:
    """How long exposures lasted: days before and after the reading, seconds in all."""

    before_days: Floats
    after_days: Floats
    exptime_s: Floats  # NaN = unknown
    by_end_s: Floats  # as the end reading has it; NaN = none


@dataclass
class _Spans:
    """Spans by one way of reading the clocks."""

    t_min: Floats
    t_max: Floats
    timed: Flags  # the log gives the moment, not the day alone
    two_instants: Flags  # that moment came twice


def _lengths(times: LoggedTimes) -> _Lengths:
    """Lengths by exposure and end reading; the latter settles the span, the former the length."""
    stated_s = np.where(times.exposure_s > 0.0, times.exposure_s, np.nan)
    stated_days = np.nan_to_num(stated_s / SECONDS_PER_DAY)
    is_mid, is_end = times.time_is == MID, times.time_is == END
    to_end_days = np.mod(times.end_hours - times.time_hours, HOURS_PER_DAY) / HOURS_PER_DAY
    to_end_days = np.where(times.clock == LST, to_end_days / SIDEREAL_PER_SOLAR, to_end_days)
    ended = _has_end(times)
    before_days = np.select(
        [is_end, is_mid & ended, is_mid], [stated_days, to_end_days, stated_days / 2.0], 0.0
    )
    after_days = np.where(ended, to_end_days, stated_days - before_days)
    between_s = np.round((before_days + after_days) * SECONDS_PER_DAY, MICROSECONDS)
    by_end_s = np.where(ended, between_s, np.nan)  # 20 minutes are 1200 s, not a hair less
    by_end_or_none_s = np.where(by_end_s > 0.0, by_end_s, np.nan)
    exptime_s = np.where(np.isnan(stated_s), by_end_or_none_s, stated_s)
    return _Lengths(before_days, after_days, exptime_s, by_end_s)


def _read_clocks(times: LoggedTimes, lengths: _Lengths) -> _Spans:
    """Spans in UT with the days beginning as `times.noon` says."""
    local_days = times.longitude_deg / DEGREES_PER_TURN  # local mean time minus UT
    is_local = (times.clock == LMT) | (times.clock == LST)
    ahead_days = np.select(
        [is_local, times.clock == ZONE], [local_days, times.zone_hours / HOURS_PER_DAY], 0.0
    )
    # Starts, in UT days after midnight UT of the civil date.
    own_day = np.where(times.noon, 0.5, 0.0) - ahead_days
    night = 0.5 - local_days
    in_night = (times.date_kind == DOUBLE) | (times.evening & ~times.noon)
    start = np.where(in_night, night, own_day)
    phase = np.mod(times.time_hours / HOURS_PER_DAY + own_day - start, 1.0)
    phase = np.where(phase > 1.0 - ROUNDING, 0.0, phase)

    undated = times.date_kind == UNDATED
    day_start = np.where(undated, np.nan, times.first_day_mjd + start)
    day_end = np.where(undated, np.nan, times.end_day_mjd + start)
    instant = np.where(_has_time(times), day_start + phase, np.nan)
    two_instants = np.zeros(instant.shape, dtype=np.bool_)

    sidereal = _has_time(times) & (times.clock == LST)
    if sidereal.any():
        instant[sidereal], two_instants[sidereal] = _sidereal_instants(
            day_start[sidereal],
            times.time_hours[sidereal],
            times.latitude_deg[sidereal],
            times.longitude_deg[sidereal],
        )
    by_number = times.clock == JD
    day_start[by_number] = times.julian_date[by_number] - MJD_ZERO_JD
    day_end[by_number] = day_start[by_number] + 1.0
    instant = np.where(by_number & ~times.jd_whole, day_start, instant)

    timed = np.isfinite(instant)
    return _Spans(
        np.where(timed, instant - lengths.before_days, day_start),
        np.where(timed, instant + lengths.after_days, day_end),
        timed,
        two_instants,
    )


def _sidereal_instants(
    start_mjd: Floats, lst_hours: Floats, latitude_deg: Floats, longitude_deg: Floats
) -> tuple[Floats, Flags]:
    """Moments within a day of `start_mjd` at which a sidereal clock showed `lst_hours`.

    Where there are two, the second result is true and the moment is that of the lower Sun.
    """
    greenwich_turns = erfa.gmst82(MJD_ZERO_JD, start_mjd) / (2.0 * np.pi)
    start_turns = greenwich_turns + longitude_deg / DEGREES_PER_TURN
    first = start_mjd + np.mod(lst_hours / HOURS_PER_DAY - start_turns, 1.0) / SIDEREAL_PER_SOLAR
    second = first + 1.0 / SIDEREAL_PER_SOLAR
    two = second < start_mjd + 1.0
    instant = first.copy()
    sun_deg = [
        sun_altitude_deg(mjd[two], latitude_deg[two], longitude_deg[two]) for mjd in (first, second)
    ]
    instant[two] = np.where(sun_deg[1] < sun_deg[0], second[two], first[two])
    return instant, two


def _has_time(times: LoggedTimes) -> Flags:
    """Rows with a reading of a clock on a known day."""
    one_day = (times.date_kind == DAY) | (times.date_kind == DOUBLE)
    return np.asarray(one_day & (times.clock != JD) & np.isfinite(times.time_hours))


def _has_end(times: LoggedTimes) -> Flags:
    """Rows with an end reading that counts."""
    return np.asarray(_has_time(times) & np.isfinite(times.end_hours) & (times.time_is != END))


def _unused_readings(times: LoggedTimes, dated: Flags) -> list[tuple[Flags, str, str]]:
    """Notes on readings that say nothing."""
    by_number = times.clock == JD
    long_date = ~by_number & ((times.date_kind == MONTH) | (times.date_kind == YEAR))
    reasons = [
        (by_number, "not used: the date is a Julian Date"),
        (~by_number & ~dated, "not used: there is no date"),
        (long_date, "not used: the date names no day"),
    ]
    time_given, end_given = np.isfinite(times.time_hours), np.isfinite(times.end_hours)
    one_day = dated & ~by_number & ~long_date
    return [
        *((rows & time_given, "time", reason) for rows, reason in reasons),
        *((rows & end_given, "time_end", reason) for rows, reason in reasons),
        (one_day & end_given & ~time_given, "time_end", "not used: there is no time"),
        (
            one_day & end_given & time_given & (times.time_is == END),
            "time_end",
            "not used: the time is the end of the exposure",
        ),
    ]


def _odd_lengths(times: LoggedTimes, lengths: _Lengths) -> list[tuple[Flags, str, str]]:
    """Notes on end readings that are hard to believe."""
    stated_s, by_end_s = lengths.exptime_s, lengths.by_end_s
    apart = np.abs(by_end_s - stated_s) > (LARGEST_DISAGREEMENT + ROUNDING) * stated_s
    return [
        (by_end_s == 0.0, "time_end", "the same as the time; taken as no length"),
        (apart, "time_end", "more than 10 % away from the time and the exposure"),
    ]
