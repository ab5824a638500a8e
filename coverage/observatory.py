"""The observatory file: stations, and what holds for every plate of a series."""

import difflib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.designation import is_series_code
from platecover.coverage.directions import FULL_CIRCLE_DEG
from platecover.coverage.errors import ObservatoryError
from platecover.coverage.observatory_values import (
    BAND_READERS,
    MM_PER_INCH,
    SERIES_READERS,
    STATION_READERS,
    Reader,
    day_mjd,
    text_or_empty,
)
from platecover.coverage.plate_geometry import half_diagonal_deg
from platecover.coverage.spectral_bands import Band, Names, band_of

_SHOWN = 80  # characters of a value in a message
LARGEST_HALF_DIAGONAL_DEG = 80.0  # our limit: no flat plate sees farther from its axis


@dataclass(frozen=True)
class Station:
    """A station: geographic coordinates, longitude east positive."""

    latitude_deg: float
    longitude_deg: float
    height_m: float


@dataclass(frozen=True)
class Dated:
    """A series value that changes with the logged date.

    `values[i]` holds before `until_mjd[i]`, the last from then on; the constant value has
    no `until_mjd`.
    """

    values: tuple[Any, ...]
    until_mjd: tuple[float, ...] = ()

    @property
    def last(self) -> Any:
        """The value of undated rows."""
        return self.values[-1]

    def at(self, day_mjd: NDArray[np.float64]) -> NDArray[np.int64]:
        """Return, for each day (NaN = undated), the place of its value in `values`."""
        place = np.searchsorted(np.array(self.until_mjd, dtype=np.float64), day_mjd, side="right")
        return np.where(np.isnan(day_mjd), len(self.values) - 1, place)


@dataclass(frozen=True)
class Series:
    """One plate series; `given` holds its values by key of the observatory file."""

    code: str
    given: Mapping[str, Dated]

    def changes(self, key: str) -> bool:
        """Whether the value of `key` changes with the date."""
        return key in self.given and len(self.given[key].values) > 1

    def values(self, key: str, day_mjd: NDArray[np.float64], default: Any) -> NDArray[Any]:
        """Return the value of `key` on each day.

        Parameters
        ----------
        key : str
            A key of the observatory file (`exposed_mm` also if the file says inches).
        day_mjd : float64, shape (n,)
            Logged day, MJD; NaN = undated.
        default : object
            Value where the file gives none; its type sets that of the answer. For pairs, a
            pair of float.

        Returns
        -------
        array, shape (n,), or (n, 2) for pairs
            Of object for text, else of the default's dtype.
        """
        dtype = object if isinstance(default, str) else None
        if key not in self.given:
            shape = (len(day_mjd), *np.shape(default))
            return np.full(shape, default, dtype=dtype)
        dated = self.given[key]
        return np.array(dated.values, dtype=dtype)[dated.at(day_mjd)]

    def last(self, key: str, default: Any) -> Any:
        """Return the value of `key` that undated rows take."""
        return self.given[key].last if key in self.given else default


@dataclass(frozen=True)
class Observatory:
    """What the observatory file says."""

    name: str
    stations: Mapping[str, Station]
    series: Mapping[str, Series]
    emulsions: Names = field(default_factory=dict)
    filters: Names = field(default_factory=dict)

    def as_plain(self) -> dict[str, Any]:
        """Return stations and series as plain values, such as JSON can hold."""
        return {
            "name": self.name,
            "stations": {key: vars(station).copy() for key, station in self.stations.items()},
            "series": {
                code: {
                    "telescopes": sorted(set(series.given["telescope"].values)),
                    "stations": sorted(set(series.given["station"].values)),
                    "leading_zeros": series.last("leading_zeros", False),
                    "years": list(series.last("years", ())) or None,
                    "shelved_by": series.last("shelved_by", None),
                    "values": {key: _plain(dated) for key, dated in series.given.items()},
                }
                for code, series in self.series.items()
            },
            "emulsions": {name: band._asdict() for name, band in self.emulsions.items()},
            "filters": {name: band._asdict() for name, band in self.filters.items()},
        }


def read_observatory(path: str | Path) -> Observatory:
    """Read an observatory file.

    Parameters
    ----------
    path : str or Path
        TOML file.

    Returns
    -------
    Observatory

    Raises
    ------
    ObservatoryError
        If the file is missing or no TOML, or anything in it is unknown, missing, of the
        wrong kind, out of range or out of order; names the file, the table and the key.
    """
    return observatory_from(_toml(path), str(path))


def observatory_from(table: Mapping[str, Any], origin: str) -> Observatory:
    """Return what a parsed observatory file says; `origin` names it in errors."""
    _refuse_unknown(table, ("name", "stations", "series", "emulsions", "filters"), origin)
    name = _value(origin, "name", table.get("name", ""), text_or_empty)
    stations = {
        key: _station(entry, f"{origin}: [stations.{key}]")
        for key, entry in _tables(table, "stations", origin).items()
    }
    series: dict[str, Series] = {}
    for code, entry in _tables(table, "series", origin).items():
        where = f"{origin}: [series.{code}]"
        if not is_series_code(code):
            raise ObservatoryError(
                f"{where}: a series code is ASCII letters, digits and inner hyphens and does not "
                "end in a digit"
            )
        series[code] = _series(code, entry, stations, where)
    return Observatory(
        name, stations, series, _bands(table, "emulsions", origin), _bands(table, "filters", origin)
    )


def _toml(path: str | Path) -> dict[str, Any]:
    try:
        text = Path(path).read_bytes().decode("utf-8-sig")
        return tomllib.loads(text)
    except OSError as error:
        reason = error.strerror or "cannot be read"
        raise ObservatoryError(f"observatory file {path}: {reason}") from error
    except (ValueError, RecursionError) as error:  # bad UTF-8 and bad TOML are ValueErrors
        raise ObservatoryError(f"observatory file {path} is not TOML: {error}") from error


def _tables(table: Mapping[str, Any], key: str, origin: str) -> dict[str, Mapping[str, Any]]:
    """Return the tables `[key.*]`, at least one."""
    entries = table.get(key)
    if not isinstance(entries, dict) or not entries:
        raise ObservatoryError(f"{origin}: needs at least one table [{key}.NAME]")
    for name, entry in entries.items():
        if not isinstance(entry, dict):
            raise ObservatoryError(f"{origin}: {key}.{name} must be a table [{key}.{name}]")
    return entries


def _station(entry: Mapping[str, Any], where: str) -> Station:
    _refuse_unknown(entry, tuple(STATION_READERS), where)
    _refuse_missing(entry, ("latitude_deg", "longitude_deg"), where)
    height_m = entry.get("height_m", 0.0)
    longitude_deg = _value(
        where, "longitude_deg", entry["longitude_deg"], STATION_READERS["longitude_deg"]
    )
    if longitude_deg > FULL_CIRCLE_DEG / 2:
        longitude_deg -= FULL_CIRCLE_DEG  # 238 east is 122 west: its dates are western ones
    return Station(
        _value(where, "latitude_deg", entry["latitude_deg"], STATION_READERS["latitude_deg"]),
        longitude_deg,
        _value(where, "height_m", height_m, STATION_READERS["height_m"]),
    )


def _bands(table: Mapping[str, Any], key: str, origin: str) -> dict[str, Band]:
    """Return what `[emulsions.NAME]` or `[filters.NAME]` say; there need be none."""
    bands: dict[str, Band] = {}
    for name, entry in (_tables(table, key, origin) if key in table else {}).items():
        where = f"{origin}: [{key}.{name}]"
        _refuse_unknown(entry, tuple(BAND_READERS), where)
        limits = {limit: _value(where, limit, entry[limit], BAND_READERS[limit]) for limit in entry}
        if not name.strip():
            raise ObservatoryError(f"{where}: needs a name as the logs write it")
        try:
            bands[name] = band_of(limits, is_filter=key == "filters")
        except ValueError as error:
            raise ObservatoryError(f"{where}: {error}") from error
    return bands


def _series(
    code: str, entry: Mapping[str, Any], stations: Mapping[str, Station], where: str
) -> Series:
    _refuse_unknown(entry, tuple(SERIES_READERS), where)
    _refuse_missing(entry, ("telescope", "station", "scale_arcsec_per_mm"), where)
    if ("exposed_mm" in entry) == ("exposed_inch" in entry):
        raise ObservatoryError(f"{where}: needs exposed_mm or exposed_inch, and not both")
    given = {key: _dated(where, key, value, SERIES_READERS[key]) for key, value in entry.items()}
    if "exposed_inch" in given:
        inch = given.pop("exposed_inch")
        sizes = tuple((w * MM_PER_INCH, h * MM_PER_INCH) for w, h in inch.values)
        given["exposed_mm"] = Dated(sizes, inch.until_mjd)
    for key in given["station"].values:
        if key not in stations:
            raise ObservatoryError(
                f"{where}: station {key!r} is not among the stations: {', '.join(stations)}"
            )
    for scale in given["scale_arcsec_per_mm"].values:
        for size in given["exposed_mm"].values:
            reach_deg = float(half_diagonal_deg(size[0], size[1], scale))
            if not reach_deg <= LARGEST_HALF_DIAGONAL_DEG:
                raise ObservatoryError(
                    f"{where}: scale_arcsec_per_mm {scale:g} and exposed size {size[0]:g} x "
                    f"{size[1]:g} mm give corners {reach_deg:.1f} degrees from the centre; "
                    f"at most {LARGEST_HALF_DIAGONAL_DEG:g} is possible"
                )
    return Series(code, given)


def _dated(where: str, key: str, value: object, reader: Reader) -> Dated:
    """Return a value, or a list of `{until, value}`, of a series."""
    if not (isinstance(value, list) and any(isinstance(step, dict) for step in value)):
        return Dated((_value(where, key, value, reader),))
    values: list[Any] = []
    until: list[float] = []
    for place, step in enumerate(value, start=1):
        at = f"{where}: {key}, entry {place}"
        if not isinstance(step, dict):
            raise ObservatoryError(f"{at}: must be a table with value and, but for the last, until")
        _refuse_unknown(step, ("until", "value"), at)
        _refuse_missing(step, ("value",), at)
        values.append(_value(at, "value", step["value"], reader))
        if place == len(value):
            if "until" in step:
                raise ObservatoryError(f"{at}: the last entry has no until; it holds from then on")
            break
        if "until" not in step:
            raise ObservatoryError(f"{at}: needs until; only the last entry has none")
        until.append(_value(at, "until", step["until"], day_mjd))
        if len(until) > 1 and not until[-1] > until[-2]:
            raise ObservatoryError(
                f"{at}: until {step['until']} is not later than that of the entry before; "
                "put the entries in order of date"
            )
    return Dated(tuple(values), tuple(until))


def _value(where: str, key: str, value: object, reader: Reader) -> Any:
    """Return what `reader` makes of a value; an ObservatoryError says where it stands."""
    try:
        return reader(value)
    except (ValueError, OverflowError) as error:
        raise ObservatoryError(f"{where}: {key} {error}, got {repr(value)[:_SHOWN]}") from error


def _refuse_unknown(table: Mapping[str, Any], known: tuple[str, ...], where: str) -> None:
    for key in table:
        if key not in known:
            near = difflib.get_close_matches(key, known, n=1)
            hint = f" (did you mean {near[0]}?)" if near else ""
            raise ObservatoryError(f"{where}: unknown key {key!r}{hint}; known: {', '.join(known)}")


def _refuse_missing(table: Mapping[str, Any], needed: tuple[str, ...], where: str) -> None:
    for key in needed:
        if key not in table:
            raise ObservatoryError(f"{where}: {key} is missing")


def _plain(dated: Dated) -> Any:
    """Return a dated value for JSON: itself, or the list of its steps."""
    if len(dated.values) == 1:
        return dated.last
    steps = zip(dated.values, (*dated.until_mjd, None), strict=True)
    return [{"until_mjd": until, "value": value} for value, until in steps]
