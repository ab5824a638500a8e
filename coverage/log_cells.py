"""The columns of a plate log: what each means, what its cells may hold, and reading them."""

import math
import re
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.columns import CONDITIONS, STATUSES, TECHNIQUES, YES_NO
from platecover.coverage.text_arrays import Texts, as_texts, read_each, shown

LARGEST_SIZE_MM = 2_000.0  # our limit; the largest glass plates were about 500 mm
LARGEST_SCALE_ARCSEC_PER_MM = 50_000.0  # our limit: a focal length of 4 mm
LONGEST_EXPOSURE_MIN = 525_600.0  # our limit: a year; from a day on there is a remark
LARGEST_POSITION_ERROR_ARCMIN = 10_800.0  # 180 degrees
LARGEST_EXPOSURE_NUMBER = 1_000_000_000.0  # our limit

DAY_BEGINS = ("midnight", "noon")
DATE_IS = ("civil", "evening")
CALENDARS = ("gregorian", "julian")
TIME_IS = ("start", "mid", "end")
CENTRE_IS = ("plate", "guide star", "named object")
TRACKINGS = ("sidereal", "object", "fixed")

_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,4})?", re.ASCII)
_LONGEST_NUMBER = 64  # characters; longer texts are no measurement
_LINK = re.compile(r"(?:https?|ftps?)://[^\s\x00-\x1f\"<>]+", re.IGNORECASE)


@dataclass(frozen=True)
class LogColumn:
    """One column that plate logs may have.

    `words` are the only ones allowed, if any are named. A number lies between `low` and
    `high` (`low` itself only if `low_allowed`); `unit` is that of plain numbers.
    """

    meaning: str
    words: tuple[str, ...] = ()
    unit: str = ""
    low: float = math.nan
    high: float = math.nan
    low_allowed: bool = True


LOG_COLUMNS: dict[str, LogColumn] = {
    "plate": LogColumn("designation as the log writes it"),
    "exposure": LogColumn("which exposure on that plate", low=1.0, high=LARGEST_EXPOSURE_NUMBER),
    "ra": LogColumn("right ascension of the logged centre", unit="deg"),
    "dec": LogColumn("declination of the logged centre", unit="deg"),
    "equinox": LogColumn("equinox of the logged centre"),
    "date": LogColumn("date of the exposure, or its Julian Date"),
    "time": LogColumn("reading of the clock"),
    "time_is": LogColumn("what the reading belongs to", TIME_IS),
    "time_end": LogColumn("reading of the clock at the end"),
    "clock": LogColumn("which clock was read"),
    "day_begins": LogColumn("when the clock's day begins", DAY_BEGINS),
    "date_is": LogColumn("whether the date is the clock's own or that of the evening", DATE_IS),
    "calendar": LogColumn("calendar of the date", CALENDARS),
    "exposure_min": LogColumn("exposure time", unit="min", low=0.0, high=LONGEST_EXPOSURE_MIN),
    "width_mm": LogColumn(
        "exposed size along +x", unit="mm", low=0.0, high=LARGEST_SIZE_MM, low_allowed=False
    ),
    "height_mm": LogColumn(
        "exposed size along +y", unit="mm", low=0.0, high=LARGEST_SIZE_MM, low_allowed=False
    ),
    "orientation_known": LogColumn("whether it is known which side is the width", YES_NO),
    "scale_arcsec_per_mm": LogColumn(
        "scale at the centre",
        unit="arcsec/mm",
        low=0.0,
        high=LARGEST_SCALE_ARCSEC_PER_MM,
        low_allowed=False,
    ),
    "position_angle_deg": LogColumn("position angle of +y", unit="deg", low=-360.0, high=360.0),
    "position_error_arcmin": LogColumn(
        "stated error of the centre", unit="arcmin", low=0.0, high=LARGEST_POSITION_ERROR_ARCMIN
    ),
    "station": LogColumn("station, if not that of the series"),
    "telescope": LogColumn("telescope, if not that of the series"),
    "technique": LogColumn("kind of exposure", TECHNIQUES),
    "centre_is": LogColumn("what the logged centre is the place of", CENTRE_IS),
    "tracking": LogColumn("what the telescope followed", TRACKINGS),
    "sidereal_time": LogColumn("sidereal time, logged besides the time"),
    "hour_angle": LogColumn("hour angle, logged besides the time"),
    "observer": LogColumn("observer"),
    "object": LogColumn("object"),
    "emulsion": LogColumn("emulsion"),
    "filter": LogColumn("filter"),
    "jacket": LogColumn("what is written on the jacket"),
    "marks": LogColumn("marks on the glass"),
    "log_page": LogColumn("page of the log"),
    "log_url": LogColumn("link to the page of the log"),
    "notes": LogColumn("notes"),
    "status": LogColumn("where the plate is", STATUSES),
    "condition": LogColumn("state of the plate", CONDITIONS),
    "shelf": LogColumn("shelf"),
    "scanned": LogColumn("whether the plate has been scanned", YES_NO),
    "scan_url": LogColumn("link to the scan"),
    "limiting_mag": LogColumn("limiting magnitude, if stated", unit="mag", low=-30.0, high=40.0),
}

TEXT_COLUMNS = (
    "observer",
    "object",
    "emulsion",
    "filter",
    "jacket",
    "marks",
    "log_page",
    "log_url",
    "notes",
)  # kept as written


def read_number(text: str) -> float:
    """Return the number that `text` spells; ValueError if none ('nan', '1_000', '12 in')."""
    if len(text) > _LONGEST_NUMBER or not _NUMBER.fullmatch(text):
        raise ValueError(f"{shown(text)} is not a number")
    return float(text)


def read_link(text: str) -> str:
    """Return `text` if it is a web or FTP address, else raise ValueError."""
    if not _LINK.fullmatch(text):
        raise ValueError(f"{shown(text)} is no http, https or ftp address")
    return text


def number_cells(column: str, texts: Texts) -> tuple[NDArray[np.float64], Texts]:
    """Read the cells of a number column of `LOG_COLUMNS`.

    Parameters
    ----------
    column : str
        Name of the column; gives the limits.
    texts : object, shape (n,)
        Cells without white space around them; '' is missing.

    Returns
    -------
    values : float64, shape (n,)
        In the column's unit; NaN where missing or refused.
    reasons : object, shape (n,)
        Why a cell was refused, else ''.
    """
    rule = LOG_COLUMNS[column]
    whole = column == "exposure"

    def reader(text: str) -> float:
        if text == "":
            return math.nan
        number = read_number(text)
        above = number >= rule.low if rule.low_allowed else number > rule.low
        if not (above and number <= rule.high):
            least = "from" if rule.low_allowed else "above"
            raise ValueError(
                f"{shown(text)} is impossible: {column} is {least} {rule.low:g} to {rule.high:g}"
            )
        if whole and number != math.floor(number):
            raise ValueError(f"{shown(text)} is not a whole number")
        return number

    values, reasons, codes = read_each(texts, reader)
    numbers = np.array([math.nan if v is None else v for v in values], dtype=np.float64)
    return numbers[codes], as_texts(reasons)[codes]


def word_cells(column: str, texts: Texts) -> tuple[Texts, Texts]:
    """Read cells that hold one of the column's words, in any case.

    Returns
    -------
    words, reasons : object, shape (n,)
        The words in lower case, '' where missing or refused; why refused, else ''.
    """
    allowed = LOG_COLUMNS[column].words

    def reader(text: str) -> str:
        word = " ".join(text.lower().split())
        if word and word not in allowed:
            raise ValueError(f"{shown(text)} is none of: {', '.join(allowed)}")
        return word

    return _text_answers(texts, reader)


def link_cells(texts: Texts) -> tuple[Texts, Texts]:
    """Read cells that hold an address; returns as `word_cells`."""
    return _text_answers(texts, lambda text: read_link(text) if text else "")


def _text_answers(texts: Texts, reader: Callable[[str], str]) -> tuple[Texts, Texts]:
    values, reasons, codes = read_each(texts, reader)
    return as_texts(value or "" for value in values)[codes], as_texts(reasons)[codes]
