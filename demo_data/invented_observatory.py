"""The invented observatory's file, and the calendar that its logs are written in."""

import tomllib
from bisect import bisect_right
from datetime import date, timedelta
from functools import cache
from pathlib import Path
from typing import Any

MJD_ORIGIN = date(1858, 11, 17)  # civil date of MJD 0 (IAU 1973)
JULIAN_LEAP_DAY_1900 = date(1900, 3, 13)  # Gregorian date of 1900 Feb 29, Julian calendar
JULIAN_BEHIND_BEFORE, JULIAN_BEHIND_AFTER = 12, 13  # days, in the 19th and the 20th century

OBSERVATORY_FILE = Path(__file__).with_name("observatory.toml")
OBSERVATORY: dict[str, Any] = tomllib.loads(OBSERVATORY_FILE.read_text(encoding="utf-8"))
SERIES: dict[str, dict[str, Any]] = OBSERVATORY["series"]


def day_number(day: date) -> int:
    """MJD of a civil date at 0h."""
    return (day - MJD_ORIGIN).days


@cache
def civil_date(mjd_day: int) -> date:
    """Civil date of a whole MJD."""
    return MJD_ORIGIN + timedelta(days=mjd_day)


@cache
def written_date(mjd_day: int, calendar: str) -> tuple[int, int, int]:
    """Year, month and day of a whole MJD, in the calendar `gregorian` or `julian`."""
    day = civil_date(mjd_day)
    if calendar == "julian":
        if day == JULIAN_LEAP_DAY_1900:
            return 1900, 2, 29
        behind = JULIAN_BEHIND_BEFORE if day < JULIAN_LEAP_DAY_1900 else JULIAN_BEHIND_AFTER
        day -= timedelta(days=behind)
    return day.year, day.month, day.day


@cache
def _steps(code: str, key: str) -> tuple[list[int], list[Any]]:
    """Days on which a series' value of a key changes, and the values, one more."""
    value = SERIES[code].get(key)
    if isinstance(value, list) and isinstance(value[0], dict):
        until = [date.fromisoformat(str(entry["until"])) for entry in value if "until" in entry]
        return [day_number(day) for day in until], [entry["value"] for entry in value]
    return [], [value]


def series_value(code: str, key: str, mjd_day: int) -> Any:
    """Value of a series' key on a day, from the observatory file; None if it has no such key."""
    until, values = _steps(code, key)
    return values[bisect_right(until, mjd_day)]


def change_days(code: str) -> list[int]:
    """Days on which anything of a series changes."""
    return sorted({day for key in SERIES[code] for day in _steps(code, key)[0]})


def latitude_deg(station: str) -> float:
    """Latitude of a station."""
    return float(OBSERVATORY["stations"][station]["latitude_deg"])


def longitude_deg(station: str) -> float:
    """East longitude of a station."""
    return float(OBSERVATORY["stations"][station]["longitude_deg"])
