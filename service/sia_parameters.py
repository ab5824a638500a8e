"""The parameters of Simple Image Access 2.0 (IVOA, 2015), section 2.1, and how they are read.

All but the four of DALI may be repeated. Numbers are decimal and without units, an interval is two
of them or one for both ends, and -Inf and +Inf (any case) leave an end open. An unescaped + in an
address arrives as a blank, so that +Inf may arrive as Inf.
"""

import math
import re
from collections.abc import Mapping
from typing import Any

from platecover.coverage.errors import QueryError
from platecover.coverage.regions import Region
from platecover.coverage.sia_selection import (
    CALIB,
    EQUAL,
    FORMAT,
    IDENTIFIER,
    OVERLAPPING,
    WITHIN,
    ImageQuestion,
    Interval,
)
from platecover.service.parameters import Parameter, Question
from platecover.service.settings import Settings

NAME = "sia"  # of the question
POSITION = "POS"

_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_INFINITY = re.compile(r"([+-]?)inf(?:inity)?", re.IGNORECASE)
_MOST_VALUES = 1000  # of one parameter
_LONGEST_RUNID = 64  # characters (DALI 1.1, section 3.4.6)
_LONGEST_INTERVAL = 200
_LIMITS_DEG = ((0.0, 360.0), (0.0, 360.0), (-90.0, 90.0), (-90.0, 90.0))  # of RANGE
_CALIBRATION_LEVELS = range(5)  # ObsCore 1.1, section 1.4.2
_WORDS = {  # all values that the standard has
    "POL": ("I", "Q", "U", "V", "RR", "LL", "RL", "LR", "XX", "YY", "XY", "YX", "POLI", "POLA"),
    "DPTYPE": ("image", "cube"),
}
_SHAPES = "CIRCLE ra dec radius, RANGE ra1 ra2 dec1 dec2 or POLYGON ra1 dec1 ra2 dec2 ra3 dec3 ..."

UNITS = {"BAND": "m", "TIME": "d", "FOV": "deg", "SPATRES": "arcsec", "EXPTIME": "s",
         "TIMERES": "s"}  # fmt: skip
_MEANINGS = {
    "BAND": "wavelengths, of which the plate is sensitive to some",
    "TIME": "times, MJD in UT, that the exposure overlaps",
    "FOV": "diameter of the exposed area",
    "SPATRES": "angular resolution; not known of any plate",
    "SPECRP": "spectral resolving power; not known of any plate",
    "EXPTIME": "exposure time",
    "TIMERES": "resolution in time, which is the exposure time",
    "COLLECTION": "plate series code",
    "FACILITY": "observatory and station, as facility_name has them",
    "INSTRUMENT": "telescope, as instrument_name has it",
    "TARGET": "what it was taken of, as logged",
    "DPTYPE": "kind of data: image or cube",
    "POL": "state of polarization; no plate has any",
}


def sia_question(settings: Settings) -> Question:
    """Every parameter of the standard, under the limits of the settings."""

    def repeated(name: str, meaning: str, longest: int) -> Parameter:
        return Parameter(name, "text", meaning, single=False, longest=longest)

    intervals = {name: f"{_MEANINGS[name]}{_unit(name)}; one number or an interval"
                 for name in (*OVERLAPPING, *WITHIN)}  # fmt: skip
    texts = {
        **{name: _MEANINGS[name] for name in EQUAL},
        IDENTIFIER: "identifier of the publisher, obs_publisher_did; in any case",
        CALIB: "level of calibration: 1 scanned, 0 not",
        FORMAT: "media type of the scan, such as image/fits",
    }
    return Question(
        NAME,
        "Simple Image Access 2.0.",
        (
            repeated(POSITION, f"place that the exposed area meets: {_SHAPES}; degrees, ICRS",
                     settings.longest_region_text),
            *(repeated(name, meaning, _LONGEST_INTERVAL) for name, meaning in intervals.items()),
            *(repeated(name, meaning, settings.longest_value) for name, meaning in texts.items()),
            Parameter("MAXREC", "integer", "most rows of the answer",
                      default=settings.default_maxrec, low=0),
            Parameter("RESPONSEFORMAT", "text", "form of the answer: votable, votable-binary2,"
                      " csv, ecsv, json, parquet or a media type", longest=settings.longest_value),
            Parameter("RUNID", "text", "name of a job, for the log", longest=_LONGEST_RUNID),
            Parameter("REQUEST", "text", "of other protocols; makes no difference here",
                      longest=settings.longest_value),
        ),
        lenient=True,
    )  # fmt: skip


def _unit(name: str) -> str:
    return f" ({UNITS[name]})" if name in UNITS else ""


def image_question(values: Mapping[str, Any], settings: Settings) -> ImageQuestion:
    """What is asked, of values as `Question.read` gives them.

    Raises
    ------
    QueryError
        Naming the parameter that cannot be so.
    """
    for name, given in values.items():
        if isinstance(given, list) and len(given) > _MOST_VALUES:
            raise _refusal(name, f"{len(given)} values", f"takes at most {_MOST_VALUES} values")
    for name, words in _WORDS.items():
        for value in values[name] or ():
            if value not in words:
                raise _refusal(name, value, f"must be one of {', '.join(words)}")
    return ImageQuestion(
        [_place(text, settings) for text in values[POSITION] or ()],
        {
            name: [_interval(name, text) for text in values[name]]
            for name in (*OVERLAPPING, *WITHIN)
            if values[name]
        },
        {name: values[name] for name in (*EQUAL, IDENTIFIER) if values[name]}
        | ({FORMAT: [_media_type(text) for text in values[FORMAT]]} if values[FORMAT] else {}),
        [_calibration_level(text) for text in values[CALIB] or ()],
    )


def _place(text: str, settings: Settings) -> Region:
    """Region of a value of POS: section 2.1.1."""
    keyword, *words = text.split()
    kind = keyword.upper()
    numbers = [_number(POSITION, word, text) for word in words]
    try:
        if kind == "CIRCLE" and len(numbers) == 3:
            return _circle(text, numbers, settings.largest_radius_deg)
        if kind == "RANGE" and len(numbers) == 4:
            bounds = zip(numbers, _LIMITS_DEG, strict=True)
            return Region.range(
                *(min(max(n, low), high) if math.isinf(n) else n for n, (low, high) in bounds)
            )
        if kind == "POLYGON" and len(numbers) >= 6 and len(numbers) % 2 == 0:
            if len(numbers) // 2 > settings.most_polygon_corners:
                rule = f"polygon may have at most {settings.most_polygon_corners} corners"
                raise _refusal(POSITION, text, rule)
            return Region.polygon(zip(numbers[::2], numbers[1::2], strict=True))
    except QueryError as fault:
        message = str(fault) if fault.parameter == POSITION else f"{POSITION} {fault}"
        raise QueryError(POSITION, text, message) from None
    raise _refusal(POSITION, text, f"must be {_SHAPES} (degrees)")


def _circle(text: str, numbers: list[float], largest_radius_deg: float) -> Region:
    if not numbers[2] <= largest_radius_deg:
        raise _refusal(POSITION, text, f"radius must be from 0 to {largest_radius_deg:g}")
    return Region.circle(*numbers)


def _interval(name: str, text: str) -> Interval:
    numbers = [_number(name, word, text) for word in text.split()]
    if len(numbers) not in (1, 2):
        raise _refusal(name, text, "must be one number or two, parted by a blank")
    low, high = numbers[0], numbers[-1]
    if not (low <= high and low < math.inf and high > -math.inf):
        raise _refusal(name, text, "must have its lower limit first")
    return Interval(low, high)


def _number(name: str, word: str, text: str) -> float:
    """A decimal number or an infinity; Python alone would let pass nan, 1_000 and other digits."""
    if found := _INFINITY.fullmatch(word):
        return -math.inf if found[1] == "-" else math.inf
    number = float(word) if _NUMBER.fullmatch(word) else math.nan
    if not math.isfinite(number):
        raise _refusal(name, text, f"must have decimal numbers, not {word!r}")
    return number


def _calibration_level(text: str) -> int:
    if text not in map(str, _CALIBRATION_LEVELS):
        raise _refusal(CALIB, text, f"must be from 0 to {_CALIBRATION_LEVELS[-1]}")
    return int(text)


def _media_type(text: str) -> str:
    """A media type as access_format has it; a + that arrived as a blank is set right."""
    return re.sub(r"\s*;\s*", ";", text).strip().replace(" ", "+")


def _refusal(name: str, value: str, rule: str) -> QueryError:
    return QueryError(name, value, f"{name} {rule}, got {value!r}", usage=True)
