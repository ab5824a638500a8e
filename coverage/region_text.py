"""The words and numbers in which a region is named."""

import re
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.directions import FULL_CIRCLE_DEG
from platecover.coverage.errors import QueryError
from platecover.coverage.region_moc import is_ascii_moc
from platecover.coverage.value_checks import number_between

POLE_DEG = 90.0

FORMS = (
    "circle RA DEC RADIUS",
    "range RA1 RA2 DEC1 DEC2",
    "polygon RA1 DEC1 RA2 DEC2 RA3 DEC3 ...",
    "constellation NAME",
    "moc FILE",
    "all",
)

_BLANKS = " ,\t\r\n"
_FIXED_COUNTS = {form.split()[0]: form.split()[1:] for form in FORMS[:2] + FORMS[-1:]}


def split_region_text(text: str, *, files: bool = True) -> tuple[str, list[Any]]:
    """Split the text of a region into its kind and the arguments of that kind.

    Parameters
    ----------
    text : str
        A form of `FORMS`, keyword in any case, words parted by blanks or commas.
    files : bool
        Whether ``moc`` may be followed by the name of a file.

    Returns
    -------
    kind : str
        The keyword in lower case.
    arguments : list
        Numbers as the words they were; for a polygon one list of (RA, DEC) pairs; for a MOC its
        text or a `Path`.

    Raises
    ------
    QueryError
        If the keyword is unknown, or an argument is missing or too many (``usage`` set).
    """
    if not isinstance(text, str) or not text.strip(_BLANKS):
        raise _refusal(text, f"no region given: use {', '.join(FORMS)}", usage=True)
    keyword, *others = re.split(r"[\s,]+", text.strip(_BLANKS), maxsplit=1)
    kind, rest = keyword.lower(), others[0] if others else ""
    words = rest.replace(",", " ").split()
    if kind in _FIXED_COUNTS:
        wanted = _FIXED_COUNTS[kind]
        if len(words) != len(wanted):
            needs = " ".join(wanted) if wanted else "nothing after it"
            raise _refusal(text, f"{kind} needs {needs}, got {rest!r}", usage=True)
        return kind, list(words)
    if kind == "polygon":
        if len(words) % 2:
            message = f"polygon needs a DEC for each RA, got {len(words)} numbers"
            raise _refusal(text, message, usage=True)
        return kind, [list(zip(words[::2], words[1::2], strict=True))]
    if kind not in ("constellation", "moc"):
        raise _refusal(text, f"unknown region {keyword!r}: use {', '.join(FORMS)}")
    if not words:
        example = "a name, such as Ori" if kind == "constellation" else "a file or an ASCII MOC"
        raise _refusal(text, f"{kind} needs {example}", usage=True)
    if kind == "constellation":
        return kind, [" ".join(words)]
    if is_ascii_moc(rest):
        return kind, [rest]
    if not files:
        message = "give the MOC itself, such as moc 3/1-5 4/24: files are not read here"
        raise _refusal(text, message)
    return kind, [Path(rest)]


def ra_number(name: str, value: object) -> float:
    """Right ascension 0 .. 360 degrees; QueryError about the region otherwise."""
    return number(name, value, 0.0, FULL_CIRCLE_DEG)


def dec_number(name: str, value: object) -> float:
    """Declination -90 .. 90 degrees; QueryError about the region otherwise."""
    return number(name, value, -POLE_DEG, POLE_DEG)


def corner_numbers(corners: Iterable[Any]) -> NDArray[np.float64]:
    """RA and Dec of a polygon's corners, shape (n, 2); QueryError about the region otherwise."""
    try:
        pairs = [(ra, dec) for ra, dec in corners]
    except (TypeError, ValueError):
        message = f"polygon needs (RA, DEC) pairs, got {corners!r}"
        raise _refusal(corners, message, usage=True) from None
    places = [
        (ra_number(f"polygon RA{i}", ra), dec_number(f"polygon DEC{i}", dec))
        for i, (ra, dec) in enumerate(pairs, 1)
    ]
    return np.array(places, dtype=np.float64).reshape(-1, 2)


def number(name: str, value: object, low: float, high: float) -> float:
    """Return a number from `low` to `high`; QueryError about the region otherwise."""
    try:
        return number_between(name, value, low, high) + 0.0  # no minus zero
    except QueryError as error:
        raise _refusal(value, str(error), usage=error.usage) from None


def spelled(kind: str, *numbers: float) -> str:
    """Keyword and the shortest decimals that read back as the same numbers."""
    return " ".join([kind, *(repr(float(number)).removesuffix(".0") for number in numbers)])


def _refusal(text: object, message: str, *, usage: bool = False) -> QueryError:
    return QueryError("region", text, message, usage=usage)
