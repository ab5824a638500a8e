"""Right ascensions and declinations as logs write them, with what their digits tell."""

import math
import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.plain_angles import NOT_PLAIN, plain_angles
from platecover.coverage.text_arrays import Texts, as_texts, read_each, shown

DEGREES_PER_HOUR = 15.0  # definition
FULL_CIRCLE_DEG = 360.0
HOURS_PER_DAY = 24
PARTS_PER_WHOLE = 60  # minutes in a degree or an hour, seconds in a minute

MISSING, DECIMAL, LONE_INTEGER, SEXAGESIMAL = 0, 1, 2, 3  # forms of a cell
_POWERS_OF_TENTH = np.array([float(f"1e-{power}") for power in range(10)])

_LONGEST_ANGLE = 64  # characters; longer texts are no angle
# Other ways to write the sign, the marks and the blanks, each by one character.
_PLAIN = str.maketrans(
    {
        **dict.fromkeys("\u2212\u2013\u2014\u2010\u2011\u2012\ufe63\uff0d", "-"),  # minus, dashes
        **dict.fromkeys(
            "\u00b0\u00ba\u02da\u1d48", "d"
        ),  # degree sign and its look-alikes, small d
        **dict.fromkeys("\u02b0", "h"),  # small raised letters
        **dict.fromkeys("\u1d50'\u2032\u2019\u2018\u02b9\u00b4", "m"),  # m, primes, apostrophes
        **dict.fromkeys('\u02e2"\u2033\u201d\u201c\u02ba', "s"),  # s, double primes, quotes
        **dict.fromkeys("\u00a0\u2007\u2009\u202f\t", " "),  # fixed blanks
    }
)
_ALREADY_PLAIN = re.compile(r"(?:[0-9.:+-]| (?! ))*", re.ASCII)
_DECIMAL = re.compile(
    r"(?P<sign>[+-]?) ?(?P<number>[0-9]+(?:\.[0-9]*)?|\.[0-9]+)"
    r"(?:e(?P<exponent>[+-]?[0-9]{1,3}))? ?(?P<mark>[hd])?",
    re.ASCII,
)
_WHOLE_AND_PARTS = re.compile(
    r"(?P<sign>[+-]?) ?(?P<whole>[0-9]+)(?P<mark> ?[hd:] ?| )"
    r"(?P<minutes>[0-9]+)(?P<minute_digits>\.[0-9]*)?"
    r"(?:(?: ?[m:] ?| )(?P<seconds>[0-9]+)(?P<second_digits>\.[0-9]*)?)?"
    r"(?P<end> ?[ms])?",
    re.ASCII,
)
_NOT_DIGITS = re.compile(r"[^0-9]")
_MARK_BEFORE_DECIMALS = re.compile(r"([hdms])(\.[0-9]+)", re.ASCII)  # 5h33m.1, as once printed


@dataclass(frozen=True)
class Angles:
    """Angles of one column.

    Attributes
    ----------
    deg : float64, shape (n,)
        Degrees; NaN where the cell is missing or refused.
    half_unit_deg : float64, shape (n,)
        Half the unit of the last digit written, in degrees (of right ascension or
        declination); 0 for columns typed as numbers.
    form : int8, shape (n,)
        MISSING, DECIMAL, LONE_INTEGER or SEXAGESIMAL, as the cell looks.
    reasons : object, shape (n,)
        Why a cell was refused, else ''.
    """

    deg: NDArray[np.float64]
    half_unit_deg: NDArray[np.float64]
    form: NDArray[np.int8]
    reasons: Texts


@dataclass(frozen=True)
class _Angle:
    """One angle; `form` and its value may stand although `reason` refuses it."""

    deg: float
    half_unit_deg: float
    form: int
    reason: str = ""


def right_ascensions(
    texts: Texts, *, typed: bool = False, sexagesimal_elsewhere: bool = False
) -> Angles:
    """Read the right ascensions of one file, or of a part of it.

    Parameters
    ----------
    texts : object, shape (n,)
        Cells: sexagesimal (hours, or degrees where a degree sign says so) or decimal
        degrees; '' is missing.
    typed : bool
        Whether the column holds numbers: degrees, without error by digits.
    sexagesimal_elsewhere : bool
        Whether any cell in other parts of the file is sexagesimal.

    Returns
    -------
    Angles
        Degrees in [0, 360). Refused: 24 h or more, decimals outside 0..360, minutes or
        seconds of 60 or more, and a lone whole number 0 to 24 if any other cell is
        sexagesimal, since it may be hours or degrees.
    """
    angles = _angles(texts, typed, hours=True)
    if sexagesimal_elsewhere or (angles.form == SEXAGESIMAL).any():
        for at in np.flatnonzero((angles.form == LONE_INTEGER) & (angles.reasons == "")):
            if int(_NOT_DIGITS.sub("", texts[at])) <= HOURS_PER_DAY:
                angles.reasons[at] = (
                    f"{shown(texts[at])} may be hours or degrees, since other right ascensions of "
                    "this file are sexagesimal; write minutes or decimals"
                )
                angles.deg[at] = math.nan
    return angles


def declinations(texts: Texts, *, typed: bool = False) -> Angles:
    """Read declinations; as `right_ascensions`, in degrees from -90 to 90."""
    return _angles(texts, typed, hours=False)


def _angles(texts: Texts, typed: bool, *, hours: bool) -> Angles:
    """Read a column: the plain cells at once, each different other text by itself."""
    angles = _plain_angles(texts, hours)
    others = np.flatnonzero(angles.form == MISSING)
    values, reasons, codes = read_each(texts[others], _right_ascension if hours else _declination)
    found = [
        value or _Angle(math.nan, math.nan, MISSING, why)
        for value, why in zip(values, reasons, strict=True)
    ]
    half_unit = np.array([angle.half_unit_deg for angle in found], dtype=np.float64)
    angles.deg[others] = np.array([angle.deg for angle in found], dtype=np.float64)[codes]
    angles.half_unit_deg[others] = half_unit[codes]
    angles.form[others] = np.array([angle.form for angle in found], dtype=np.int8)[codes]
    angles.reasons[others] = as_texts(angle.reason for angle in found)[codes]
    if typed:
        angles.half_unit_deg[np.isfinite(angles.half_unit_deg)] = 0.0
    return angles


def _plain_angles(texts: Texts, hours: bool) -> Angles:
    """Read the plain cells that can be true; MISSING stands for all others.

    The steps and their order are those of `_read`, so that the numbers are its numbers.
    """
    written, negative, (whole, minutes, seconds), decimals = plain_angles(texts)
    in_parts = written > 1
    size = whole + (minutes + seconds / PARTS_PER_WHOLE) / PARTS_PER_WHOLE
    last_unit = np.array([1, 1, PARTS_PER_WHOLE, PARTS_PER_WHOLE**2])[written]
    half_unit = 0.5 * _POWERS_OF_TENTH[decimals] / last_unit
    deg = np.where(negative, -size, size)
    good = (written != NOT_PLAIN) & (minutes < PARTS_PER_WHOLE) & (seconds < PARTS_PER_WHOLE)
    if hours:
        unit_deg = np.where(in_parts, DEGREES_PER_HOUR, 1.0)
        deg, half_unit = deg * unit_deg, half_unit * unit_deg
        good &= (deg >= 0.0) & (deg < FULL_CIRCLE_DEG)
        deg = np.abs(deg)
    else:
        good &= np.abs(deg) <= FULL_CIRCLE_DEG / 4
    form = np.where(good, np.where(in_parts, SEXAGESIMAL, DECIMAL), MISSING).astype(np.int8)
    return Angles(deg, half_unit, form, np.full(len(deg), "", dtype=object))


def _right_ascension(text: str) -> _Angle:
    """Return one right ascension in degrees; ValueError if the text is no angle."""
    angle, hours = _read(text, hours_by_default=True)
    full = HOURS_PER_DAY if hours else FULL_CIRCLE_DEG
    if angle.form == MISSING or angle.reason:
        return angle
    within = angle.deg < FULL_CIRCLE_DEG if hours else angle.deg <= FULL_CIRCLE_DEG
    if not (angle.deg >= 0.0 and within):
        unit = "h" if hours else " degrees"
        return _refused(
            angle, f"{shown(text)} is impossible: right ascension is 0 to {full:g}{unit}"
        )
    deg = 0.0 if angle.deg == FULL_CIRCLE_DEG else abs(angle.deg)
    return _Angle(deg, angle.half_unit_deg, angle.form)


def _declination(text: str) -> _Angle:
    """Return one declination in degrees; ValueError if the text is no angle."""
    angle, hours = _read(text, hours_by_default=False)
    if hours:
        raise ValueError(f"{shown(text)} is in hours; a declination is in degrees")
    if angle.form == MISSING or angle.reason:
        return angle
    if not abs(angle.deg) <= FULL_CIRCLE_DEG / 4:
        return _refused(angle, f"{shown(text)} is impossible: declination is -90 to 90 degrees")
    return angle


def _read(text: str, *, hours_by_default: bool) -> tuple[_Angle, bool]:
    """Return the angle and whether it was written in hours; ValueError if unreadable."""
    plain = text.strip()
    if plain == "":
        return _Angle(math.nan, math.nan, MISSING, "missing"), False
    if len(plain) > _LONGEST_ANGLE:
        raise ValueError(f"{shown(text)} is not an angle")
    if not _ALREADY_PLAIN.fullmatch(plain):
        plain = plain.translate(_PLAIN).lower().replace("mm", "s").replace("deg", "d")  # '' is "
        plain = " ".join(plain.split())
    if "." in plain:
        plain = _MARK_BEFORE_DECIMALS.sub(_mark_last, plain)
    match = _DECIMAL.fullmatch(plain)
    if match:
        hours = match["mark"] == "h"
        power = int(match["exponent"] or 0)
        digits = len(match["number"].partition(".")[2])
        half_unit = 0.5 * _power_of_ten(power - digits)
        deg = float(f"{match['sign']}{match['number']}e{power}")
        lone = "." not in match["number"] and not match["exponent"] and not match["mark"]
        form = SEXAGESIMAL if hours else LONE_INTEGER if lone else DECIMAL
    else:
        match = _WHOLE_AND_PARTS.fullmatch(plain)
        if not match or not _marks_agree(match):
            raise ValueError(f"{shown(text)} is not an angle")
        hours = "h" in match["mark"] or (hours_by_default and "d" not in match["mark"])
        form = SEXAGESIMAL
        minutes = float(match["minutes"] + (match["minute_digits"] or ""))
        seconds = float((match["seconds"] or "0") + (match["second_digits"] or ""))
        digits = len(match["second_digits"] or match["minute_digits"] or ".") - 1
        last_unit = PARTS_PER_WHOLE**2 if match["seconds"] else PARTS_PER_WHOLE
        half_unit = 0.5 * _power_of_ten(-digits) / last_unit
        size = float(match["whole"]) + (minutes + seconds / PARTS_PER_WHOLE) / PARTS_PER_WHOLE
        deg = -size if match["sign"] == "-" else size
        if not (minutes < PARTS_PER_WHOLE and seconds < PARTS_PER_WHOLE):
            part = "seconds" if minutes < PARTS_PER_WHOLE else "minutes"
            why = f"{shown(text)} is impossible: {part} of {PARTS_PER_WHOLE} or more"
            return _Angle(math.nan, math.nan, form, why), hours
    if hours:
        deg, half_unit = deg * DEGREES_PER_HOUR, half_unit * DEGREES_PER_HOUR
    return _Angle(deg, half_unit, form), hours


def _mark_last(match: re.Match[str]) -> str:
    return match[2] + match[1]


def _marks_agree(match: re.Match[str]) -> bool:
    """Whether decimals stand on the last part only, and the last mark is that part's own."""
    if match["seconds"]:
        return not match["minute_digits"] and "m" not in (match["end"] or "")
    return "s" not in (match["end"] or "")


def _power_of_ten(power: int) -> float:
    return float(f"1e{power}")


def _refused(angle: _Angle, reason: str) -> _Angle:
    return _Angle(math.nan, math.nan, angle.form, reason)
