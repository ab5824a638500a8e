"""Filters: which exposures a question is about, apart from the place.

`filter_table` declares them. A list of values means any of them; different filters mean all.
"""

import re
from collections.abc import Callable, Iterable, Mapping
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from platecover.coverage.calendar_dates import UNIX_EPOCH_MJD
from platecover.coverage.edition import Edition
from platecover.coverage.errors import QueryError
from platecover.coverage.filter_table import CERTAINTIES, FILTERS, UNKNOWN
from platecover.coverage.folded_words import folded_words, is_utf8
from platecover.coverage.value_checks import number_between

_SECONDS_PER_MINUTE = 60.0
_LONGEST_MIN = 1e9
_DATE = re.compile(r"\d{4}(-\d\d(-\d\d)?)?", re.ASCII)
_LISTED = 12  # known values named in a message
_FEW_WORDS = 8  # up to so many are compared one by one: faster than looking each code up

_BY_KEYWORD = {each.keyword: each for each in FILTERS}
_WHOLE_VALUE = ("series", "station", "telescope", "technique", "status", "condition", "scanned")


class Selection:
    """Filters made ready for an edition.

    Parameters
    ----------
    edition : Edition
    filters : mapping of str to value
        By Python keyword. Values are text, numbers or lists of them; None means not given.

    Raises
    ------
    QueryError
        If a filter is not known, or a value is not possible or not known to the archive.
    """

    def __init__(self, edition: Edition, filters: Mapping[str, Any]) -> None:
        self._edition = edition
        self._wanted_codes: dict[str, NDArray[np.bool_]] = {}
        given = {name: value for name, value in filters.items() if value is not None}
        for name in given:
            if name not in _BY_KEYWORD:
                known = ", ".join(_BY_KEYWORD)
                raise QueryError(name, given[name], f"no filter is called {name}; known: {known}")
        for name in _WHOLE_VALUE:
            if name in given:
                self._wanted_codes[name] = _wanted_words(edition, name, given[name])
        if "observer" in given:
            part = _single("observer", given["observer"]).casefold()
            self._wanted_codes["observer"] = _containing_words(edition, "observer", part)
        self._since_mjd = _date_limits_mjd("from", given.get("since"))[0]
        self._until_mjd = _date_limits_mjd("to", given.get("until"))[1]
        self._shortest_s = _exposure_limit_s("min_exposure", given.get("min_exposure"))
        self._longest_s = _exposure_limit_s("max_exposure", given.get("max_exposure"))
        self._undated = _of_words("undated", _single("undated", given.get("undated", "yes")))
        certainties = _listed_values("certainty", given.get("certainty", CERTAINTIES))
        self.certainties = frozenset(_of_words("certainty", each) for each in certainties)

    def mask(self, numbers: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Which of the exposures pass every filter but certainty; bool, shape of `numbers`.

        `numbers` are different exposures in ascending order.
        """
        return self.mask_but_dates(numbers) & self._dates_mask(numbers)

    def mask_but_dates(self, numbers: NDArray[np.int64]) -> NDArray[np.bool_]:
        """The same without `since`, `until` and `undated`."""
        keep = np.ones(len(numbers), dtype=np.bool_)
        for name, wanted in self._wanted_codes.items():
            keep &= _wanted_mask(wanted, self._of(self._edition.codes(name), numbers))
        if self._shortest_s is not None or self._longest_s is not None:
            exposure_s = self._of(self._edition.floats("t_exptime"), numbers)
            keep &= exposure_s >= (self._shortest_s or 0.0)  # unknown exposure fails
            if self._longest_s is not None:
                keep &= exposure_s <= self._longest_s
        return keep

    def certainty_mask(self, sure: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Which matches have a certainty that was asked for; bool, shape of `sure`."""
        if len(self.certainties) == len(CERTAINTIES):
            return np.ones(len(sure), dtype=np.bool_)
        return sure if "sure" in self.certainties else ~sure

    def _dates_mask(self, numbers: NDArray[np.int64]) -> NDArray[np.bool_]:
        keep = np.ones(len(numbers), dtype=np.bool_)
        if self._since_mjd is None and self._until_mjd is None and self._undated == "yes":
            return keep
        middle = self._of(self._edition.middle_mjd, numbers)
        if self._since_mjd is not None:
            keep &= middle >= self._since_mjd
        if self._until_mjd is not None:
            keep &= middle < self._until_mjd
        if self._undated == "no":
            keep &= ~np.isnan(middle)
        elif self._undated == "only":
            keep &= np.isnan(middle)
        return keep

    def _of(self, column: NDArray[Any], numbers: NDArray[np.int64]) -> NDArray[Any]:
        """Values of some exposures; of all of them without copying."""
        return column if len(numbers) == len(column) else column[numbers]


def _wanted_mask(wanted: NDArray[np.bool_], codes: NDArray[np.int32]) -> NDArray[np.bool_]:
    """Which dictionary codes are wanted ones; bool, shape of `codes`."""
    chosen = np.flatnonzero(wanted)
    if len(chosen) > _FEW_WORDS:
        return wanted[codes]
    mask = np.zeros(len(codes), dtype=np.bool_)
    for code in chosen:
        mask |= codes == np.int32(code)
    return mask


def _containing_words(edition: Edition, name: str, part: str) -> NDArray[np.bool_]:
    """Which dictionary codes are of texts with a part in them; 'unknown' is '' as well."""
    words = folded_words(edition, name)
    if not is_utf8(part):
        return np.zeros(len(words), dtype=np.bool_)
    wanted = pc.match_substring(words, part)
    return _as_numpy(pc.or_(wanted, pc.equal(words, "")) if part == UNKNOWN else wanted)


def _as_numpy(mask: pa.BooleanArray) -> NDArray[np.bool_]:
    return np.asarray(mask.to_numpy(zero_copy_only=False), dtype=np.bool_)


def known_values(edition: Edition, name: str) -> list[str]:
    """Values that a filter knows: of its fixed list, of the observatory file, of the rows."""
    words = _BY_KEYWORD[name].words
    if words:
        return [word for word in words if word != UNKNOWN]
    declared = edition.summary["known"].get(name, [])
    return sorted({*declared, *edition.words(name)} - {""})


def _wanted_words(edition: Edition, name: str, given: Any) -> NDArray[np.bool_]:
    """Which dictionary codes of a text column are wanted."""
    words = folded_words(edition, name)
    fixed = _BY_KEYWORD[name].words
    declared = {word.casefold() for word in fixed or edition.summary["known"].get(name, [])}
    declared.add(UNKNOWN)

    def is_known(value: str) -> bool:
        if value.casefold() in declared:
            return True
        if fixed or value == "" or not is_utf8(value):
            return False
        return bool(pc.index(words, value.casefold()).as_py() >= 0)

    wanted = set()
    for value in _listed_values(name, given, is_known):
        if not is_known(value):
            raise _not_known(edition, name, value)
        wanted.add(value.casefold())
    if UNKNOWN in wanted:
        wanted.add("")
    return _as_numpy(pc.is_in(words, pa.array(sorted(wanted), pa.string())))


def _not_known(edition: Edition, name: str, value: str) -> QueryError:
    fixed = bool(_BY_KEYWORD[name].words)
    known = known_values(edition, name)
    listed = ", ".join(known[:_LISTED]) + (", ..." if len(known) > _LISTED else "")
    return QueryError(
        name, value, f"{name} {value!r} is not known; known: {listed}, {UNKNOWN}", usage=fixed
    )


def _as_list(given: Any) -> list[str]:
    """A value or several, as texts."""
    if isinstance(given, str) or not isinstance(given, Iterable):
        given = [given]
    return [str(value).strip() for value in given]


def _listed_values(
    name: str, given: Any, is_known: Callable[[str], bool] = lambda value: False
) -> list[str]:
    """Several values: a comma makes a list too, but not in one that is known as it stands."""
    values = _as_list(given)
    if not values:
        raise QueryError(name, given, f"{name} takes at least one value, got none", usage=True)
    return [
        part.strip()
        for value in values
        for part in ([value] if is_known(value) else value.split(","))
    ]


def _single(name: str, given: Any) -> str:
    values = _as_list(given)
    if len(values) != 1:
        raise QueryError(name, given, f"{name} takes one value, got {len(values)}", usage=True)
    return values[0]


def _of_words(name: str, value: str) -> str:
    """A value of a fixed list, in lower case."""
    words = _BY_KEYWORD[name].words
    if value.casefold() not in words:
        raise QueryError(
            name, value, f"{name} must be one of {', '.join(words)}, got {value!r}", usage=True
        )
    return value.casefold()


def _date_limits_mjd(name: str, given: Any) -> tuple[float | None, float | None]:
    """Start and end, MJD, of the year, month or day named; None for no date."""
    if given is None:
        return None, None
    text = _single(name, given)
    rule = f"{name} must be a year, month or date such as 1898, 1898-03 or 1898-03-04, got {text!r}"
    if not _DATE.fullmatch(text):
        raise QueryError(name, given, rule, usage=True)
    try:
        start = np.datetime64(text)
    except ValueError:
        raise QueryError(name, given, rule) from None
    first, beyond = (
        UNIX_EPOCH_MJD + float((moment.astype("datetime64[D]")).astype(np.int64))
        for moment in (start, start + 1)
    )
    return first, beyond


def _exposure_limit_s(name: str, given: Any) -> float | None:
    if given is None:
        return None
    minutes = number_between(name, _single(name, given), 0.0, _LONGEST_MIN)
    return minutes * _SECONDS_PER_MINUTE
