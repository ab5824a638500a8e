"""Dates and times of day as logs write them, and the day numbers they stand for."""

import math
import re
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import ArrayLike, NDArray

UNDATED, DAY, DOUBLE, MONTH, YEAR = 0, 1, 2, 3, 4  # kinds of date, for int8 columns

EARLIEST_YEAR, LATEST_YEAR = 1800, 2100  # our limits: photography begins in the 1820s
MONTH_NAMES = (
    "january february march april may june july august september october november december"
).split()
SHORTEST_MONTH_NAME = 3  # letters
MONTH_DAYS = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
FEBRUARY = 2
DAYS_PER_COMMON_YEAR = 365
HOURS_PER_DAY, MINUTES_PER_HOUR, SECONDS_PER_MINUTE = 24.0, 60.0, 60.0
SECONDS_PER_DAY = 86400.0

# MJD of 1 January of the year 1; JD 1721425.5 and 1721423.5, Meeus, Astronomical Algorithms, ch. 7
YEAR_ONE_MJD = {"gregorian": -678575, "julian": -678577}
UNIX_EPOCH_MJD = 40587  # 1970 January 1, from which numpy's datetime64 counts
MJD_ZERO_JD = 2400000.5  # Julian Date of MJD 0, by definition

_MONTH = r"[0-9]{1,2}|[a-z]+\.?"
_DATE = re.compile(rf"([0-9]{{4}})(?:[- ]({_MONTH})(?:[- ]([0-9]{{1,2}}))?)?")
_SECOND_DAY = re.compile(rf"(?:(?:([0-9]{{4}})[- ])?({_MONTH})[- ])?([0-9]{{1,2}})")
_TIME = re.compile(
    r"([0-9]{1,2}) ?[h: ] ?([0-9]{1,2}) ?(?:m|[m: ] ?([0-9]{1,2}(?:\.[0-9]*)?) ?s?)?"
)


@dataclass(frozen=True)
class LoggedDate:
    """What a date cell names: whole civil days, as MJD, whatever clock counts them.

    `kind` is `UNDATED`, `DAY`, `DOUBLE` (the night that D/D+1 names), `MONTH` or `YEAR`.
    `first_day_mjd` is the (first) day D, `end_day_mjd` the day after the last one (of
    a double date: D + 1); both NaN if undated.
    """

    kind: int
    first_day_mjd: float
    end_day_mjd: float


def parse_date(text: str, calendar: str) -> LoggedDate:
    """Read a date, year first.

    Parameters
    ----------
    text : str
        ``1898-03-04``, ``1898 Mar 4``, ``1898 March 4``; the night ``1935-03-02/03``,
        ``1935 Mar 2/3``, ``1935-03-31/04-01``; ``1898-03``, ``1898 Mar``; ``1898``; or empty.
    calendar : {'gregorian', 'julian'}
        Calendar that the date is reckoned in.

    Returns
    -------
    LoggedDate

    Raises
    ------
    ValueError
        If the date is unreadable (``04/03/1898`` could be two days) or impossible
        (1898-02-30, month 13, 1935-03-02/04, a year outside 1800..2100).

    Examples
    --------
    >>> parse_date("1858 Nov 17", "gregorian")
    LoggedDate(kind=1, first_day_mjd=0.0, end_day_mjd=1.0)
    """
    if calendar == "gregorian" and (day_mjd := _iso_day_mjd(text)) is not None:
        return LoggedDate(DAY, day_mjd, day_mjd + 1.0)
    words = " ".join(text.lower().split())
    if not words:
        return LoggedDate(UNDATED, math.nan, math.nan)
    first, slash, second = (part.strip() for part in words.partition("/"))
    match = _DATE.fullmatch(first)
    if match is None or (slash and match[3] is None):
        raise _unreadable(text)
    year = int(match[1])
    if not (EARLIEST_YEAR <= year <= LATEST_YEAR):
        raise ValueError(
            f"date {text!r} is impossible: its year is not within {EARLIEST_YEAR}..{LATEST_YEAR}"
        )
    if match[2] is None:
        return LoggedDate(YEAR, mjd_of(year, 1, 1, calendar), mjd_of(year + 1, 1, 1, calendar))
    month = _month_number(match[2], text)
    if match[3] is None:
        next_year, next_month = _following_month(year, month)
        return LoggedDate(
            MONTH, mjd_of(year, month, 1, calendar), mjd_of(next_year, next_month, 1, calendar)
        )
    day = int(match[3])
    first_day_mjd = mjd_of(year, month, day, calendar)
    if slash:
        _check_second_day(second, (year, month, day), calendar, text)
    return LoggedDate(DOUBLE if slash else DAY, first_day_mjd, first_day_mjd + 1.0)


def _iso_day_mjd(text: str) -> float | None:
    """Day number of a possible date written ``1898-03-04``, the usual form; else None."""
    if len(text) != len("1898-03-04") or text[4] != "-" or text[7] != "-":
        return None
    try:
        day = date.fromisoformat(text)
    except ValueError:
        return None
    if not EARLIEST_YEAR <= day.year <= LATEST_YEAR:
        return None
    return float(day.toordinal() - 1 + YEAR_ONE_MJD["gregorian"])


def parse_time(text: str) -> float:
    """Read a time of day, in hours.

    Parameters
    ----------
    text : str
        ``20:15``, ``20:15:30``, ``20:15:30.5``, ``20h15m``, ``20h15m30s`` or ``20 15``.

    Returns
    -------
    float
        Hours, 0 <= hours < 24.

    Raises
    ------
    ValueError
        If it is unreadable, or an hour, minute or second does not exist.

    Examples
    --------
    >>> parse_time("20h15m")
    20.25
    """
    match = _TIME.fullmatch(" ".join(text.lower().split()))
    if match is None:
        raise ValueError(f"time {text!r} is unreadable (write hh:mm or hh:mm:ss)")
    hours, minutes, seconds = int(match[1]), int(match[2]), float(match[3] or 0.0)
    if hours >= HOURS_PER_DAY or minutes >= MINUTES_PER_HOUR or seconds >= SECONDS_PER_MINUTE:
        raise ValueError(f"time {text!r} is impossible (00:00:00 up to 23:59:59)")
    return hours + (minutes + seconds / SECONDS_PER_MINUTE) / MINUTES_PER_HOUR


def mjd_of(year: int, month: int, day: int, calendar: str) -> float:
    """Day number of a calendar date.

    Parameters
    ----------
    year, month, day : int
        The date; year 1 or later.
    calendar : {'gregorian', 'julian'}
        Calendar it is reckoned in.

    Returns
    -------
    float
        MJD at the midnight with which the day begins, a whole number.

    Raises
    ------
    ValueError
        If there is no such day or no such calendar.
    """
    if calendar not in YEAR_ONE_MJD:
        raise ValueError(f"calendar must be gregorian or julian, got {calendar!r}")
    if year < 1:
        raise ValueError(f"year must be 1 or later, got {year}")
    if not (1 <= month <= len(MONTH_DAYS)):
        raise ValueError(f"date {year:04}-{month:02} is impossible: there is no month {month}")
    leap = _is_leap(year, calendar)
    days = [length + (leap and number == FEBRUARY) for number, length in enumerate(MONTH_DAYS, 1)]
    if not (1 <= day <= days[month - 1]):
        raise ValueError(
            f"date {year:04}-{month:02}-{day:02} is impossible: "
            f"that month has {days[month - 1]} days in the {calendar} calendar"
        )
    earlier = year - 1
    leap_days = earlier // 4
    if calendar == "gregorian":
        leap_days += earlier // 400 - earlier // 100
    day_of_year = sum(days[: month - 1]) + day - 1
    return float(YEAR_ONE_MJD[calendar] + DAYS_PER_COMMON_YEAR * earlier + leap_days + day_of_year)


def year_of_mjd(mjd: ArrayLike) -> NDArray[np.int64]:
    """Gregorian calendar year of moments.

    Parameters
    ----------
    mjd : array_like of float
        MJD in UT; any shape, finite.

    Returns
    -------
    int64, of the same shape

    Raises
    ------
    ValueError
        If a value is not finite.
    """
    return np.asarray(_days(mjd).astype("datetime64[Y]").astype(np.int64) + 1970)


def calendar_date_text(mjd: float) -> str:
    """Gregorian date YYYY-MM-DD of a moment given as MJD; ValueError if it is not finite."""
    return str(_days(mjd))


def _days(mjd: ArrayLike) -> NDArray[np.datetime64]:
    """Calendar days that hold the moments `mjd`."""
    moments = np.asarray(mjd, dtype=np.float64)
    if not np.isfinite(moments).all():
        raise ValueError(f"mjd must be finite, got {moments[~np.isfinite(moments)][0]}")
    days = np.floor(moments).astype(np.int64) - UNIX_EPOCH_MJD
    return np.asarray(days.astype("datetime64[D]"))


def _is_leap(year: int, calendar: str) -> bool:
    if calendar == "gregorian" and year % 100 == 0:
        return year % 400 == 0
    return year % 4 == 0


def _unreadable(text: str) -> ValueError:
    return ValueError(f"date {text!r} is unreadable (write 1898-03-04, 1898-03-04/05 or 1898-03)")


def _month_number(name: str, text: str) -> int:
    """Month of a number or of an English name, whole or cut after three letters or more."""
    if name.isdigit():
        return int(name)
    letters = name.rstrip(".")
    if len(letters) >= SHORTEST_MONTH_NAME:
        for number, month_name in enumerate(MONTH_NAMES, 1):
            if month_name.startswith(letters):
                return number
    raise _unreadable(text)


def _following_month(year: int, month: int) -> tuple[int, int]:
    return (year + 1, 1) if month == len(MONTH_DAYS) else (year, month + 1)


def _check_second_day(
    second: str, first_day: tuple[int, int, int], calendar: str, text: str
) -> None:
    """Raise ValueError unless the text after the slash names the day after `first_day`."""
    match = _SECOND_DAY.fullmatch(second)
    if match is None:
        raise _unreadable(text)
    year, month, day = first_day
    first_mjd = mjd_of(year, month, day, calendar)
    next_year, next_month = _following_month(year, month)
    if mjd_of(next_year, next_month, 1, calendar) == first_mjd + 1.0:
        expected = (next_year, next_month, 1)
    else:
        expected = (year, month, day + 1)
    written = (
        int(match[1]) if match[1] else expected[0],
        _month_number(match[2], text) if match[2] else expected[1],
        int(match[3]),
    )
    if written != expected:
        raise ValueError(
            f"date {text!r} is impossible: the second day must be the one after the first"
        )
