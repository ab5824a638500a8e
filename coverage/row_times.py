"""Dates, clocks and exposure times of rows: from cells to what `clocks` places in time."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.calendar_dates import (
    DAY,
    MJD_ZERO_JD,
    UNDATED,
    LoggedDate,
    parse_date,
    parse_time,
)
from platecover.coverage.clocks import (
    END,
    JD,
    LST,
    MID,
    START,
    Clock,
    LoggedTimes,
    parse_clock,
)
from platecover.coverage.log_cells import TIME_IS, number_cells, read_number, word_cells
from platecover.coverage.log_table import LogTable
from platecover.coverage.observatory import Observatory
from platecover.coverage.row_notes import RowNotes
from platecover.coverage.series_defaults import SeriesDefaults
from platecover.coverage.text_arrays import Texts, as_texts, encode, read_each, shown

FIRST_JULIAN_DATE, LAST_JULIAN_DATE = 2_390_000.0, 2_470_000.0  # 1831 to 2050: plates' time
SECONDS_PER_MINUTE = 60.0
MINUTES_PER_DAY = 1_440.0
LONGEST_CELL = 80  # characters; longer texts are no date, time or clock

Value = TypeVar("Value")
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class RowDates:
    """Logged dates of rows, read as calendar dates and as Julian Dates; `reasons` why not."""

    kind: NDArray[np.int8]
    first_day_mjd: Floats
    end_day_mjd: Floats
    reasons: Texts
    julian_date: Floats
    jd_whole: NDArray[np.bool_]
    jd_reasons: Texts

    @property
    def day_mjd(self) -> Floats:
        """The day that decides which series value holds; NaN = undated or unreadable."""
        by_number = np.floor(self.julian_date - MJD_ZERO_JD)
        return np.where(np.isnan(self.first_day_mjd), by_number, self.first_day_mjd)


def short(parse: Callable[[str], Value]) -> Callable[[str], Value]:
    """Return `parse` for texts of cell length only; longer ones raise ValueError."""

    def parse_short(text: str) -> Value:
        if len(text) > LONGEST_CELL:
            raise ValueError(f"{shown(text)} is too long")
        return parse(text)

    return parse_short


def read_dates(dates: Texts, calendars: Texts) -> RowDates:
    """Read date cells, shape (n,), each in its calendar (`gregorian` or `julian`)."""
    pairs, codes = encode(zip(calendars.tolist(), dates.tolist(), strict=True))
    readers = {each: short(partial(parse_date, calendar=each)) for each, _ in pairs}
    read: list[LoggedDate] = []
    reasons: list[str] = []
    for calendar, text in pairs:
        try:
            read.append(readers[calendar](text))
            reasons.append("")
        except ValueError as error:
            read.append(LoggedDate(UNDATED, math.nan, math.nan))
            reasons.append(str(error))
    numbers, number_reasons, number_codes = read_each(dates, short(_julian_date))
    found = [number or (math.nan, False) for number in numbers]
    return RowDates(
        np.array([date.kind for date in read], dtype=np.int8)[codes],
        np.array([date.first_day_mjd for date in read], dtype=np.float64)[codes],
        np.array([date.end_day_mjd for date in read], dtype=np.float64)[codes],
        as_texts(reasons)[codes],
        np.array([number for number, _ in found], dtype=np.float64)[number_codes],
        np.array([whole for _, whole in found], dtype=np.bool_)[number_codes],
        as_texts(number_reasons)[number_codes],
    )


def _julian_date(text: str) -> tuple[float, bool]:
    """Return a Julian Date and whether it is a whole number; NaN if the cell is empty."""
    if not text:
        return math.nan, False
    try:
        number = read_number(text)
    except ValueError:
        raise ValueError(f"{shown(text)} is no Julian Date, which the clock JD asks for") from None
    if not FIRST_JULIAN_DATE <= number <= LAST_JULIAN_DATE:
        raise ValueError(
            f"Julian Date {shown(text)} is impossible: {FIRST_JULIAN_DATE:.0f} to "
            f"{LAST_JULIAN_DATE:.0f}"
        )
    return number, text.lstrip("+").isdigit()


def logged_times(
    rows: LogTable,
    dates: RowDates,
    defaults: SeriesDefaults,
    stations: Texts,
    observatory: Observatory,
    notes: RowNotes,
) -> LoggedTimes:
    """Return what the log says about times; rows with an impossible date are set aside.

    Parameters
    ----------
    rows : LogTable
    dates : RowDates
        In each row's calendar.
    defaults : SeriesDefaults
    stations : object, shape (n,)
        Station keys; '' where unknown.
    observatory : Observatory
    notes : RowNotes
        Takes the faults of dates and the remarks on other cells.
    """
    clocks = _clocks(rows, defaults, notes)
    kind = np.array([clock.kind for clock in clocks.different], dtype=np.int8)[clocks.codes]
    by_number = kind == JD
    notes.bad_rows("date", np.where(by_number, dates.jd_reasons, dates.reasons))
    stated_day_begins, reasons = word_cells("day_begins", rows.text("day_begins"))
    notes.bad_cells("day_begins", reasons)
    day_begins = defaults.fill_text("day_begins", stated_day_begins, "")
    from_noon = np.array([clock.noon for clock in clocks.different], dtype=np.bool_)[clocks.codes]
    stated_date_is, reasons = word_cells("date_is", rows.text("date_is"))
    notes.bad_cells("date_is", reasons)
    date_is = defaults.fill_text("date_is", stated_date_is, "")
    time_is, reasons = word_cells("time_is", rows.text("time_is"))
    notes.bad_cells("time_is", reasons)
    time_is_codes = dict(zip(("", *TIME_IS), (START, START, MID, END), strict=True))
    longitude_deg, latitude_deg = _coordinates(stations, observatory)
    dated_by_number = by_number & np.isfinite(dates.julian_date)
    date_kind = np.where(by_number, np.where(dated_by_number, DAY, UNDATED), dates.kind)
    first_day_mjd = np.where(
        by_number, np.floor(dates.julian_date - MJD_ZERO_JD), dates.first_day_mjd
    )
    return LoggedTimes(
        date_kind=date_kind.astype(np.int8),
        first_day_mjd=first_day_mjd,
        end_day_mjd=np.where(by_number, first_day_mjd + 1.0, dates.end_day_mjd),
        time_hours=_hours(rows, "time", notes),
        end_hours=_hours(rows, "time_end", notes),
        time_is=np.array([time_is_codes[word] for word in time_is], dtype=np.int8),
        clock=kind,
        zone_hours=np.array([c.zone_hours for c in clocks.different], np.float64)[clocks.codes],
        noon=np.asarray(from_noon | (day_begins == "noon"), dtype=np.bool_),
        day_begins_stated=np.asarray(day_begins != "", dtype=np.bool_),
        evening=np.where(date_is == "", kind == LST, date_is == "evening").astype(np.bool_),
        exposure_s=_exposure_s(rows, notes),
        longitude_deg=longitude_deg,
        latitude_deg=latitude_deg,
        julian_date=np.where(by_number, dates.julian_date, np.nan),
        jd_whole=by_number & dates.jd_whole,
    )


@dataclass(frozen=True)
class _RowClocks:
    different: list[Clock]
    codes: NDArray[np.int64]


def _clocks(rows: LogTable, defaults: SeriesDefaults, notes: RowNotes) -> _RowClocks:
    """Return the clock of every row: its own, that of its series, or UT."""
    values, reasons, codes = read_each(
        rows.text("clock"), lambda text: text and short(parse_clock)(text) and text
    )
    notes.bad_cells("clock", as_texts(reasons)[codes])
    stated = as_texts(value or "" for value in values)[codes]
    names = defaults.fill_text("clock", stated, "")
    dated = np.asarray(rows.text("date") != "", dtype=np.bool_)
    notes.remark(dated & (names == ""), "clock", "not stated, nor by the series; taken as UT")
    different, places = encode(names.tolist())
    return _RowClocks([parse_clock(name or "UT") for name in different], places)


def _hours(rows: LogTable, column: str, notes: RowNotes) -> Floats:
    def reader(text: str) -> float:
        return parse_time(text) if text else math.nan

    values, reasons, codes = read_each(rows.text(column), short(reader))
    notes.bad_cells(column, as_texts(reasons)[codes])
    hours = np.array([math.nan if v is None else v for v in values], dtype=np.float64)
    return hours[codes]


def _exposure_s(rows: LogTable, notes: RowNotes) -> Floats:
    minutes, reasons = number_cells("exposure_min", rows.text("exposure_min"))
    notes.bad_cells("exposure_min", reasons)
    notes.remark(minutes > MINUTES_PER_DAY, "exposure_min", "longer than a day")
    return np.where(minutes > 0.0, minutes * SECONDS_PER_MINUTE, np.nan)


def _coordinates(stations: Texts, observatory: Observatory) -> tuple[Floats, Floats]:
    """Return longitude and latitude of each row's station; 0 where unknown (set aside)."""
    different, codes = encode(stations.tolist())
    places = [observatory.stations.get(key) for key in different]
    longitude = np.array([place.longitude_deg if place else 0.0 for place in places])
    latitude = np.array([place.latitude_deg if place else 0.0 for place in places])
    return longitude[codes], latitude[codes]
