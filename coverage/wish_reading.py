"""Reading the keeper's wishes from a TOML file; each fault is told by file, section and key."""

import tomllib
from collections.abc import Callable
from dataclasses import fields
from datetime import date
from pathlib import Path
from typing import Any

from platecover.coverage.columns import TECHNIQUES
from platecover.coverage.errors import QueryError
from platecover.coverage.regions import Region
from platecover.coverage.scan_wishes import (
    FINEST_ORDER,
    LARGEST_MM,
    MOST_SHARES,
    EpochWeight,
    FieldOfInterest,
    Request,
    SizeMinutes,
    Wishes,
)
from platecover.coverage.value_checks import integer_between, number_between

_LAST_YEAR = 9999
_LARGEST_WEIGHT = 1e9
_LONGEST_MIN = 1440.0  # a day
_FAINTEST_MAG, _LARGEST_SCALE = 40.0, 1e5
_LONGEST_NOTICE_DAYS = 36525  # a century


def read_wishes(path: Path) -> Wishes:
    """Read wishes from a TOML file; those it does not name keep their defaults.

    Raises
    ------
    QueryError
        If the file cannot be read, or names a wish that there is not, or a value is wrong; the
        text names file, section and key.
    """
    try:
        given = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as fault:
        raise _refusal(path, str(path), f"cannot be read ({fault.strerror})") from None
    except (ValueError, RecursionError) as fault:  # no UTF-8 or no TOML
        raise _refusal(path, str(path), f"not TOML ({fault})") from None
    sections = list(dict.fromkeys(each.metadata["section"] for each in fields(Wishes)))
    read: dict[str, Any] = {}
    for section, keys in given.items():
        if section not in sections or not isinstance(keys, dict):
            known = ", ".join(f"[{name}]" for name in sections)
            raise _refusal(path, section, f"no section is called {section!r}; known: {known}")
        known_keys = [e.name for e in fields(Wishes) if e.metadata["section"] == section]
        for key, value in keys.items():
            if key not in known_keys:
                known = ", ".join(known_keys)
                raise _refusal(path, key, f"[{section}] has no key {key!r}; known: {known}")
            try:
                read[key] = _CHECKS[key](key, value)
            except QueryError as fault:
                raise _refusal(path, fault.value, f"[{section}] {fault}") from None
    for key in ("map", "moc"):
        if read.get(key):
            read[key] = str(path.parent / read[key])
    wishes = Wishes(**read)
    classes = len(wishes.magnitude_limits) + 1
    if len(wishes.scale_limits_arcsec_per_mm) != classes - 1:
        what = "[bins] magnitude_limits and scale_limits_arcsec_per_mm must be equally many"
        raise _refusal(path, wishes.magnitude_limits, what)
    if len(wishes.class_weights) != classes:
        what = f"[worth] class_weights must be {classes}, one more than [bins] magnitude_limits"
        raise _refusal(path, wishes.class_weights, what)
    return wishes


def _refusal(path: Path, value: object, what: str) -> QueryError:
    return QueryError("wishes", value, f"{path}: {what}")


def _wrong(key: str, value: object, rule: str) -> QueryError:
    return QueryError(key, value, f"{key} must be {rule}, got {value!r}")


Check = Callable[[str, Any], Any]


def _number(low: float, high: float) -> Check:
    def check(key: str, value: Any) -> float:
        return number_between(key, value, low, high)

    return check


def _integer(low: int, high: int) -> Check:
    def check(key: str, value: Any) -> int:
        return integer_between(key, value, low, high)

    return check


def _flag(key: str, value: Any) -> bool:
    if not isinstance(value, bool):
        raise _wrong(key, value, "true or false")
    return value


def _text(key: str, value: Any) -> str:
    if not isinstance(value, str):
        raise _wrong(key, value, "text")
    return value


def _list(key: str, value: Any) -> list[Any]:
    if not isinstance(value, list):
        raise _wrong(key, value, "a list")
    return value


def _spans(key: str, value: Any) -> int | tuple[int, ...]:
    if not isinstance(value, list):
        return integer_between(key, value, 1, _LAST_YEAR)
    years = tuple(integer_between(key, year, 0, _LAST_YEAR) for year in value)
    if len(years) < 2 or list(years) != sorted(set(years)):
        raise _wrong(key, value, "at least two years, ascending")
    return years


def _limits(high: float, *, ascending: bool) -> Check:
    def check(key: str, value: Any) -> tuple[float, ...]:
        limits = tuple(number_between(key, each, -high, high) for each in _list(key, value))
        if list(limits) != sorted(set(limits), reverse=not ascending):
            raise _wrong(key, value, "ascending" if ascending else "descending")
        return limits

    return check


def _techniques(key: str, value: Any) -> tuple[str, ...]:
    for each in _list(key, value):
        if each not in TECHNIQUES:
            raise _wrong(key, each, f"some of {', '.join(TECHNIQUES)}")
    return tuple(value)


def _shares(key: str, value: Any) -> float | tuple[float, ...]:
    if not isinstance(value, list):
        return number_between(key, value, 0.0, 1.0)
    shares = tuple(number_between(key, each, 0.0, _LARGEST_WEIGHT) for each in value)
    if not 0 < len(shares) <= MOST_SHARES or list(shares) != sorted(shares, reverse=True):
        raise _wrong(key, value, f"1 to {MOST_SHARES} numbers, none larger than the one before")
    return shares


def _weights(key: str, value: Any) -> tuple[float, ...]:
    return tuple(number_between(key, each, 0.0, _LARGEST_WEIGHT) for each in _list(key, value))


_YEAR = _integer(0, _LAST_YEAR)
_WEIGHT = _number(0.0, _LARGEST_WEIGHT)
_MINUTES = _number(0.0, _LONGEST_MIN)
_MISSING: Any = object()


def _records(columns: dict[str, tuple[Check, Any]], make: Callable[..., Any]) -> Check:
    """A check of a list of inline tables; columns have a check and a default, or _MISSING."""

    def check(key: str, value: Any) -> tuple[Any, ...]:
        made = []
        for at, row in enumerate(_list(key, value), 1):
            where = f"{key}, entry {at}"
            if not isinstance(row, dict):
                raise _wrong(where, row, "a table such as {weight = 2}")
            for name in row:
                if name not in columns:
                    known = ", ".join(columns)
                    raise QueryError(key, name, f"{where} has no key {name!r}; known: {known}")
            values = []
            for name, (check_one, default) in columns.items():
                if name not in row and default is _MISSING:
                    raise QueryError(key, row, f"{where} lacks {name!r}")
                given = name in row
                values.append(check_one(f"{where}: {name}", row[name]) if given else default)
            made.append(make(*values))
            _require_years_in_order(where, made[-1])
        return tuple(made)

    return check


def _require_years_in_order(where: str, made: Any) -> None:
    if hasattr(made, "first") and not made.first <= made.last:
        raise QueryError(where, made.first, f"{where}: from must not be after to")


def _place(key: str, value: Any) -> Region:
    try:
        return Region.parse(_text(key, value))
    except QueryError as fault:
        raise QueryError(key, value, f"{key}: {fault}") from None


def _date(key: str, value: Any) -> date:
    try:
        return date.fromisoformat(str(value))
    except ValueError:
        raise _wrong(key, value, "a date such as 2031-05-01") from None


def _scan(key: str, value: Any) -> tuple[SizeMinutes, ...]:
    columns: dict[str, tuple[Check, Any]] = {
        "up_to_mm": (_number(1.0, LARGEST_MM), LARGEST_MM), "minutes": (_MINUTES, _MISSING)
    }  # fmt: skip
    lines: tuple[SizeMinutes, ...] = _records(columns, SizeMinutes)(key, value)
    lengths = [line.up_to_mm for line in lines]
    if not lengths or lengths != sorted(set(lengths)):
        raise _wrong(key, value, "at least one line, in ascending order of up_to_mm")
    return lines


_CHECKS: dict[str, Check] = {
    "order": _integer(0, FINEST_ORDER),
    "spans": _spans,
    "depth_classes": _flag,
    "magnitude_limits": _limits(_FAINTEST_MAG, ascending=True),
    "scale_limits_arcsec_per_mm": _limits(_LARGEST_SCALE, ascending=False),
    "techniques": _techniques,
    "shares": _shares,
    "everywhere": _WEIGHT,
    "class_weights": _weights,
    "evened": _number(0.0, 1.0),
    "undated": _WEIGHT,
    "map": _text,
    "moc": _text,
    "outside_moc": _WEIGHT,
    "epochs": _records(
        {"from": (_YEAR, _MISSING), "to": (_YEAR, _MISSING), "weight": (_WEIGHT, _MISSING)},
        EpochWeight,
    ),
    "fields": _records(
        {
            "ra": (_number(0.0, 360.0), _MISSING),
            "dec": (_number(-90.0, 90.0), _MISSING),
            "radius": (_number(0.0, 180.0), _MISSING),
            "weight": (_WEIGHT, 1.0),
        },
        FieldOfInterest,
    ),
    "requests": _records(
        {
            "place": (_place, _MISSING),
            "from": (_YEAR, 0),
            "to": (_YEAR, _LAST_YEAR),
            "weight": (_WEIGHT, 1.0),
            "urgency": (_WEIGHT, 1.0),
            "wanted_by": (_date, None),
        },
        Request,
    ),
    "soon_days": _integer(0, _LONGEST_NOTICE_DAYS),
    "pressing": _WEIGHT,
    "photograph": _MINUTES,
    "clean": _MINUTES,
    "scan": _scan,
    "open_unit": _MINUTES,
    "walk": _MINUTES,
    "unit_parts": _integer(1, 20),
    "separators": _text,
    "hours": _number(0.1, 24.0),
}
