"""Places as people write them: a position in any usual form, or a region in its own words."""

import re

from platecover.coverage.errors import QueryError
from platecover.coverage.region_text import FORMS
from platecover.coverage.sexagesimal import (
    HOURS_PER_DAY,
    LONE_INTEGER,
    MISSING,
    SEXAGESIMAL,
    declinations,
    right_ascensions,
)
from platecover.coverage.text_arrays import as_texts

LONGEST_POSITION = 200  # characters
_KEYWORDS = tuple(form.split()[0] for form in FORMS)
_DECIMALS = 9  # of a degree: a few microarcseconds, and no noise of the division by 15
_FIRST_WORD = re.compile(r"[\s,]*([a-z]*)", re.IGNORECASE)
# The sign of a declination: not at the start, not of an exponent.
_SIGN = re.compile(r"(?<=[^\s,;])(?<![\d.][eE])[\s,;]*(?=[+\-\u2212\u2013\u2010-\u2012])")
_RIGHT = (
    "write right ascension and declination as 83.63 22.01 (degrees) or 05 34 31.9 +22 00 52"
    " (hours, minutes, seconds; degrees, minutes, seconds), or a region such as constellation Ori"
)


def is_region(text: str) -> bool:
    """Whether a text starts with the keyword of a region."""
    first = _FIRST_WORD.match(text)
    return first is not None and first[1].lower() in _KEYWORDS


def read_position(text: str) -> tuple[float, float]:
    """Right ascension and declination in ICRS degrees.

    Parameters
    ----------
    text : str
        Two decimal numbers are degrees; of sexagesimal ones the right ascension is in hours.
        Parts may be separated by blanks, colons or unit marks; the two angles by a comma, a
        sign, or blanks.

    Raises
    ------
    QueryError
        If it is no such pair (``usage`` set), or an angle is out of range or could be read in
        two ways.

    Examples
    --------
    >>> read_position("5h34m31.9s +22d00m52s")
    (83.632916667, 22.014444444)
    """
    if len(text) > LONGEST_POSITION:
        message = f"a position has {len(text)} characters, more than {LONGEST_POSITION}; {_RIGHT}"
        raise QueryError("place", text, message, usage=True)
    ra_text, dec_text = _halves(text)
    ra, dec = right_ascensions(as_texts([ra_text])), declinations(as_texts([dec_text]))
    for angle, what in ((ra, "right ascension"), (dec, "declination")):
        if angle.reasons[0]:
            advice = f"; {_RIGHT}" if angle.form[0] == MISSING else ""
            message = f"place: no {what} in {text!r} ({angle.reasons[0]}){advice}"
            raise QueryError("place", text, message, usage=True)
    may_be_hours = ra.form[0] == LONE_INTEGER and ra.deg[0] <= HOURS_PER_DAY
    if may_be_hours and dec.form[0] == SEXAGESIMAL:
        message = (
            f"place: {ra_text} in {text!r} may be hours or degrees beside a declination in minutes;"
            f" write {ra_text}h or {ra_text}.0"
        )
        raise QueryError("place", text, message)
    return round(float(ra.deg[0]), _DECIMALS), round(float(dec.deg[0]), _DECIMALS)


def _halves(text: str) -> tuple[str, str]:
    """Texts of right ascension and declination: cut at the comma, the sign, or the middle."""
    for parts in (re.split(r"[,;]", text), _SIGN.split(text)):
        if len(parts) == 2:
            return parts[0].strip(), parts[1].strip()
    words = text.split()
    half = len(words) // 2
    if len(words) != 2 * half or not words:
        raise QueryError("place", text, f"place: {text!r} is not understood; {_RIGHT}", usage=True)
    return " ".join(words[:half]), " ".join(words[half:])
