"""Which light a plate was sensitive to, as far as the names of emulsion and filter tell.

The limits are rough: a class of emulsions, not one batch, and where its response has become small.
All are wavelengths in nm; the difference between air and vacuum, 0.03 %, is far below what they
are worth. A name that is not known gives no limits at all: null is better than a guess.

Sources, all from memory. Classes of emulsions: C. E. K. Mees & T. H. James, The Theory of the
Photographic Process (3rd edition, 1966), on spectral sensitizing. The letters of spectroscopic
plates (the O of IIa-O): Eastman Kodak, Plates and Films for Scientific Photography (P-315).
Coloured glass: the number in a name is the wavelength at which 3 mm let half of the light through
(Schott, Optical Glass Filters). Gelatin filters by number: Eastman Kodak, Filters for Scientific
and Technical Uses (B-3). U, B, V, R, I: M. S. Bessell 1990, PASP 102, 1181, table 2.
"""

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

METRE_PER_NM = 1e-9
SHORTEST_NM = 320.0  # what air and the glass of a telescope leave of the ultraviolet
LONGEST_NM = 2000.0  # beyond what any photographic emulsion can be made sensitive to
_LONGEST_NAME = 200  # characters of a cell that are looked at


class Band(NamedTuple):
    """Wavelengths from `min_nm` to `max_nm`."""

    min_nm: float
    max_nm: float


Names = Mapping[str, Band]  # bands by name: one word or several

_ALL = Band(SHORTEST_NM, LONGEST_NM)
_TOGETHER = re.compile(r" *(?:[+&/,]| and | with ) *")  # between filters that were used at once


def _whole(pattern: str) -> str:
    """The pattern where it stands as whole words; a hyphen belongs to its word."""
    return rf"(?<![\w-])(?:{pattern})(?![\w-])"


# Red limits of emulsion classes; silver halides themselves take in all the shorter light there is.
_BLUE, _ORTHO, _PAN, _INFRARED = 500.0, 590.0, 670.0, 900.0
_EMULSION_WORDS = {
    **dict.fromkeys(("blue", "blue-sensitive", "ordinary", "unsensitised", "unsensitized"), _BLUE),
    **dict.fromkeys(
        ("ortho", "orthochrom", "orthochromatic", "isochrom", "isochromatic", "orthonon"), _ORTHO
    ),
    **dict.fromkeys(("pan", "panchrom", "panchromatic", "red", "red-sensitive", "superpan"), _PAN),
    **dict.fromkeys(("infrared", "infra-red", "infrarot"), _INFRARED),
}
# Last letter of the name of a spectroscopic plate or film, after its type in Roman figures or 103.
_SPECTROSCOPIC = re.compile(_whole(r"(?:i{1,3}|iv|v|103)(?:a-?|-)([ojgdefnz])"))
_RED_LIMIT_OF_LETTER = {
    "o": 500.0, "j": 540.0, "g": 580.0, "d": 640.0, "e": 670.0, "f": 690.0, "n": 900.0, "z": 1150.0,
}  # fmt: skip

_LONG_PASS_GLASS = re.compile(_whole(r"(?:wg|gg|og|rg)[ -]?([2-9][0-9]{2}|1[0-9]{3})"))
_GELATIN = re.compile(_whole(r"(?:wratten|kodak) ?(?:no\.? ?|number )?([0-9]{1,2}[a-c]?)"))
_CUT_ON_OF_GELATIN = {  # by number; where half of the light passes
    "2a": 415.0, "2b": 395.0, "4": 460.0, "8": 490.0, "12": 520.0, "15": 530.0, "21": 550.0,
    "25": 600.0, "29": 620.0, "87": 795.0, "88a": 745.0, "89b": 720.0,
}  # fmt: skip
_FILTER_WORDS = {
    "yellow": Band(490.0, LONGEST_NM),
    "minus-blue": Band(520.0, LONGEST_NM),
    "orange": Band(550.0, LONGEST_NM),
    "red": Band(600.0, LONGEST_NM),
    "infrared": Band(720.0, LONGEST_NM),
    "rg9": Band(720.0, LONGEST_NM),
    "rg8": Band(695.0, LONGEST_NM),
    "rg2": Band(630.0, LONGEST_NM),
    "rg1": Band(610.0, LONGEST_NM),
    "gg14": Band(495.0, LONGEST_NM),
    "gg13": Band(385.0, LONGEST_NM),
    **dict.fromkeys(("none", "clear", "no filter", "unfiltered"), _ALL),
}
_PHOTOMETRIC = {  # where these are the whole name
    "u": Band(300.0, 420.0), "b": Band(360.0, 560.0), "v": Band(470.0, 700.0),
    "r": Band(550.0, 900.0), "i": Band(700.0, 920.0),
}  # fmt: skip


def emulsion_band(name: str, own: Names = {}) -> Band | None:  # noqa: B006  # never changed
    """Sensitivity of an emulsion by its name as logged.

    Parameters
    ----------
    name : str
        Words in any case.
    own : mapping of str to Band
        What the keeper says of some emulsions; goes before the classes of the trade.

    Returns
    -------
    Band or None
        None if the name tells nothing.

    Examples
    --------
    >>> emulsion_band("IIa-O")
    Band(min_nm=320.0, max_nm=500.0)
    >>> emulsion_band("fast") is None
    True
    """
    text = _folded(name)
    if (named := _named(text, own)) is not None:
        return named
    letters = {found[1] for found in _SPECTROSCOPIC.finditer(text)}
    limits = {_RED_LIMIT_OF_LETTER[letter] for letter in letters} or {
        _EMULSION_WORDS[found[1]] for found in _pattern(tuple(_EMULSION_WORDS)).finditer(text)
    }
    return Band(SHORTEST_NM, limits.pop()) if len(limits) == 1 else None


def filter_band(name: str, own: Names = {}) -> Band | None:  # noqa: B006  # never changed
    """What a filter lets through, by its name as logged; as `emulsion_band`.

    An empty name is no filter: all light passes.

    Examples
    --------
    >>> filter_band("RG 630").min_nm
    630.0
    """
    text = _folded(name)
    if not text:
        return _ALL
    if (named := _named(text, own)) is not None:
        return named
    bands = [_one_filter(part) for part in _TOGETHER.split(text)]
    known = [band for band in bands if band is not None]
    if len(known) < len(bands):
        return None
    both = Band(max(band.min_nm for band in known), min(band.max_nm for band in known))
    return both if both.min_nm < both.max_nm else None


def _one_filter(text: str) -> Band | None:
    """Band of a single glass or gelatin."""
    if text in _PHOTOMETRIC:
        return _PHOTOMETRIC[text]
    if found := _LONG_PASS_GLASS.search(text):
        return Band(float(found[1]), LONGEST_NM)
    if found := _GELATIN.search(text):
        cut_on = _CUT_ON_OF_GELATIN.get(found[1])
        return None if cut_on is None else Band(cut_on, LONGEST_NM)
    words = {found[1] for found in _pattern(tuple(_FILTER_WORDS)).finditer(text)}
    return _FILTER_WORDS[words.pop()] if len(words) == 1 else None


class WordBands:
    """Limits of the different emulsions and filters of an archive, by their dictionary codes.

    Parameters
    ----------
    emulsions, filters : sequence of str
        The different names, by code.
    own_emulsions, own_filters : mapping of str to Band
        What the observatory file says.
    """

    def __init__(
        self, emulsions: Sequence[str], filters: Sequence[str], own_emulsions: Names,
        own_filters: Names,
    ) -> None:  # fmt: skip
        self._emulsions = _limits(emulsion_band(name, own_emulsions) for name in emulsions)
        self._filters = _limits(filter_band(name, own_filters) for name in filters)

    def limits_m(
        self, emulsion_codes: NDArray[np.int32], filter_codes: NDArray[np.int32]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Shortest and longest wavelength in metres, each float64, shape of the codes.

        NaN where either name tells nothing, or the two leave nothing (a red filter before a
        blue emulsion): then one of them is not what it seems.
        """
        emulsions, filters = self._emulsions[emulsion_codes], self._filters[filter_codes]
        shortest = np.maximum(emulsions[:, 0], filters[:, 0])  # NaN if either is
        longest = np.minimum(emulsions[:, 1], filters[:, 1])
        nothing = ~(shortest < longest)
        shortest[nothing] = longest[nothing] = np.nan
        return shortest * METRE_PER_NM, longest * METRE_PER_NM


def band_of(limits: Mapping[str, float], *, is_filter: bool) -> Band:
    """Band of an observatory file's table: `min_nm`, `max_nm`.

    An emulsion without `min_nm` begins where air and glass do; a filter may lack either.

    Raises
    ------
    ValueError
        If a limit that is needed is missing, or they are out of order; the text completes
        "TABLE ...".
    """
    if not limits or not (is_filter or "max_nm" in limits):
        raise ValueError("needs min_nm or max_nm" if is_filter else "needs max_nm")
    band = Band(limits.get("min_nm", SHORTEST_NM), limits.get("max_nm", LONGEST_NM))
    if not band.min_nm < band.max_nm:
        raise ValueError(f"has min_nm {band.min_nm:g} not below max_nm {band.max_nm:g}")
    return band


def _limits(bands: Iterable[Band | None]) -> NDArray[np.float64]:
    """Bands as an array of shape (n, 2), NaN for None."""
    nothing = (math.nan, math.nan)
    return np.array([nothing if band is None else band for band in bands]).reshape(-1, 2)


def _folded(name: str) -> str:
    return " ".join(name[:_LONGEST_NAME].casefold().split())


def _named(text: str, own: Names) -> Band | None:
    """What the keeper says of a name: the longest of the table's that it holds."""
    folded = {_folded(each): band for each, band in own.items()} if own else {}
    held = [found[1] for found in _pattern(tuple(folded)).finditer(text)] if own else []
    return folded[max(held, key=len)] if held else None


@cache
def _pattern(names: tuple[str, ...]) -> re.Pattern[str]:
    """Finds names as whole words, the longest first."""
    alternatives = "|".join(map(re.escape, sorted(names, key=len, reverse=True)))
    return re.compile(_whole(f"({alternatives})"))
