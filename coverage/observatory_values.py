"""What the keys of an observatory file may hold: kind and range of every value.

A reader turns a TOML value into ours, or raises a ValueError that completes "KEY ...".
"""

import datetime
from collections.abc import Callable
from typing import Any

from platecover.coverage import log_cells
from platecover.coverage.calendar_dates import EARLIEST_YEAR, LATEST_YEAR, UNDATED, parse_date
from platecover.coverage.clocks import parse_clock
from platecover.coverage.columns import TECHNIQUES
from platecover.coverage.equinox import parse_equinox
from platecover.coverage.spectral_bands import LONGEST_NM

MM_PER_INCH = 25.4  # exactly, by international agreement of 1959
SHELVED_BY = ("date", "number", "region")

Reader = Callable[[object], Any]


def text_or_empty(value: object) -> str:
    """Return text without white space around it."""
    if not isinstance(value, str):
        raise ValueError("must be text")
    return value.strip()


def _text(value: object) -> str:
    text = text_or_empty(value)
    if not text:
        raise ValueError("must be text that is not empty")
    return text


def _number(low: float, high: float, *, low_allowed: bool = True) -> Reader:
    least = "from" if low_allowed else "above"

    def read(value: object) -> float:
        rule = f"must be a number {least} {low:g} to {high:g}"
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise ValueError(rule)
        above = low <= value if low_allowed else low < value
        if not (above and value <= high):
            raise ValueError(rule)
        return float(value)

    return read


def _pair(read_one: Reader) -> Reader:
    def read(value: object) -> tuple[Any, Any]:
        if not (isinstance(value, list) and len(value) == 2):
            raise ValueError("must be a list of two numbers")
        return read_one(value[0]), read_one(value[1])

    return read


def _word(words: tuple[str, ...]) -> Reader:
    def read(value: object) -> str:
        if not (isinstance(value, str) and value.strip().lower() in words):
            raise ValueError(f"must be one of {', '.join(words)}")
        return value.strip().lower()

    return read


def _boolean(value: object) -> bool:
    if not isinstance(value, bool):
        raise ValueError("must be true or false")
    return value


def _equinox(value: object) -> str:
    """Return the equinox as text; a bare year may be a number."""
    text = f"{value:g}" if type(value) in (int, float) else _text(value)
    parse_equinox(text)
    return text


def _clock(value: object) -> str:
    text = _text(value)
    parse_clock(text)
    return text


def _year(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise ValueError("must be two whole years")
    if not EARLIEST_YEAR <= value <= LATEST_YEAR:
        raise ValueError(f"must be years from {EARLIEST_YEAR} to {LATEST_YEAR}")
    return value


def _years(value: object) -> tuple[int, int]:
    first, last = _pair(_year)(value)
    if not first <= last:
        raise ValueError("must be [first, last], in this order")
    return first, last


def day_mjd(value: object) -> float:
    """Return the MJD of a TOML date, or of text that is a date (its first day)."""
    if isinstance(value, datetime.date):  # date-times are dates as well
        value = f"{value:%Y-%m-%d}"
    elif type(value) is int:
        value = str(value)
    if not isinstance(value, str):
        raise ValueError("must be a date such as 1907-01-01")
    date = parse_date(value, "gregorian")
    if date.kind == UNDATED:
        raise ValueError("must be a date such as 1907-01-01")
    return date.first_day_mjd


_size_mm = _number(0.0, log_cells.LARGEST_SIZE_MM, low_allowed=False)

STATION_READERS: dict[str, Reader] = {
    "latitude_deg": _number(-90.0, 90.0),
    "longitude_deg": _number(-180.0, 360.0),
    "height_m": _number(-500.0, 9_000.0),  # from the Dead Sea to the highest summit
}

_wavelength_nm = _number(0.0, LONGEST_NM, low_allowed=False)
BAND_READERS: dict[str, Reader] = {"min_nm": _wavelength_nm, "max_nm": _wavelength_nm}

SERIES_READERS: dict[str, Reader] = {
    "telescope": _text,
    "station": _text,
    "scale_arcsec_per_mm": _number(0.0, log_cells.LARGEST_SCALE_ARCSEC_PER_MM, low_allowed=False),
    "exposed_mm": _pair(_size_mm),
    "exposed_inch": _pair(_number(0.0, log_cells.LARGEST_SIZE_MM / MM_PER_INCH, low_allowed=False)),
    "aperture_mm": _number(0.0, 100_000.0, low_allowed=False),
    "glass_mm": _pair(_size_mm),
    "glass_thickness_mm": _number(0.0, 100.0, low_allowed=False),
    "usable_radius_deg": _number(0.0, 90.0, low_allowed=False),
    "scale_tolerance_percent": _number(0.0, 100.0),
    "equinox": _equinox,
    "clock": _clock,
    "day_begins": _word(log_cells.DAY_BEGINS),
    "date_is": _word(log_cells.DATE_IS),
    "calendar": _word(log_cells.CALENDARS),
    "technique": _word(TECHNIQUES),
    "tracking": _word(log_cells.TRACKINGS),
    "pointing_tolerance_arcmin": _number(0.0, log_cells.LARGEST_POSITION_ERROR_ARCMIN),
    "years": _years,
    "shelved_by": _word(SHELVED_BY),
    "leading_zeros": _boolean,
}
