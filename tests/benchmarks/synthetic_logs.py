"""Plate logs of an observatory that never was, of any length, for measuring speed.

    python -m tests.benchmarks.synthetic_logs DIR --exposures N [--seed S] [--broken SHARE]

DIR gets `observatory.toml` and `logs/`, a CSV file for each of eight series: sides of 1 to 36
degrees, 1891-1978, three equinoxes, four kinds of clock, tolerances of 3 to 15 arcmin, a third of
the centres to the minute only, a tenth of the plates with several exposures, a tenth of them
turned. SHARE of the rows (default 0.01) are wrong in one of the many ways of `log_faults`.

Nothing of the program is imported. Rows are drawn some at a time, each time from a generator of
its own, so that memory does not grow with N and the same seed and N give the same bytes. N counts
rows; a row that repeats another makes no exposure.
"""

import argparse
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from tests.benchmarks.log_faults import spoil

Texts = NDArray[np.object_]  # of str
Columns = dict[str, Texts]

SEED = 1893
USUAL_FAULTS = 0.01
CHUNK_ROWS = 100_000
FIRST_DAY, END_DAY = np.datetime64("1891-01-01"), np.datetime64("1979-01-01")
SHORTEST_SIDE_MM, LONGEST_SIDE_MM = 150, 240
COLUMNS = (
    "plate", "exposure", "ra", "dec", "equinox", "date", "time", "clock", "exposure_min",
    "width_mm", "height_mm", "position_angle_deg", "observer", "object", "emulsion", "status",
    "condition", "shelf", "scanned", "scan_url", "limiting_mag", "notes",
)  # fmt: skip


class Series(NamedTuple):
    """One series: 150 mm at its scale are 1, 1.6, 2.4, ... degrees, 240 mm up to 36."""

    code: str
    share: float  # of all rows
    scale_arcsec_per_mm: float
    tolerance_arcmin: int
    station: str
    equinox: str
    clock: str  # as TOML


SERIES = (
    Series("ZOV", 0.08, 24.0, 3, "holm", "B1875", '"LST"'),
    Series("QEP", 0.12, 37.6, 3, "holm", "B1900", '"LMT"'),
    Series("WUK", 0.10, 58.8, 4, "sandrey", "B1900", '"UT"'),
    Series("XIL", 0.15, 92.0, 5, "sandrey", "B1950", '"UTC-04:30"'),
    Series("JUF", 0.15, 144.2, 6, "marr-point", "B1875", '"UT"'),
    Series("VYG", 0.15, 226.2, 8, "marr-point", "B1900", '"UTC+09:00"'),
    Series("NOQ", 0.15, 356.0, 12, "sandrey", "B1950",
           '[{ until = "1925-01-01", value = "LMT" }, { value = "UT" }]'),
    Series("KEZ", 0.10, 558.0, 15, "marr-point", "B1950",
           '[{ until = "1911-01-01", value = "LST" }, { value = "UT" }]'),
)  # fmt: skip
STATIONS = {"holm": (57.1, -21.4), "sandrey": (-29.6, -70.2), "marr-point": (-8.3, 137.7)}

_TWO_DIGITS = np.array([f"{n:02d}" for n in range(100)], dtype=object)
_NUMBERS = np.array([str(n) for n in range(1000)], dtype=object)
_DAYS = np.arange(FIRST_DAY, END_DAY + 1)
_DATES = _DAYS.astype(str).astype(object)
_DATE_WORDS = np.array([day.strftime("%Y %b %-d") for day in _DAYS.tolist()], dtype=object)
_NEXT_DAY = "/" + np.array([date[-2:] for date in _DATES[1:]] + ["01"], dtype=object)
_MONTH_ENDS = np.append(_DAYS[1:].astype("M8[M]") != _DAYS[:-1].astype("M8[M]"), True)
_OBSERVERS = np.array(
    [f"{first}. {last}" for first in "ABCEFHIKLMRT" for last in (
        "Ardlevan", "Brennuk", "Costrellow", "Dunvik", "Elsgarth", "Fenmarrow", "Grishold",
    )], dtype=object)  # fmt: skip
_EMULSIONS = np.array(["", "", "fast", "fast, backed", "fine grain", "red", "yellow"], dtype=object)
_EMULSIONS = np.array([f'"{e}"' if "," in e else e for e in _EMULSIONS], dtype=object)
_STATUSES = ("on shelf", "", "on loan", "being scanned", "transferred", "missing", "discarded")
_STATUS_SHARES = (0.72, 0.20, 0.02, 0.02, 0.01, 0.02, 0.01)
_CONDITIONS = ("", "intact", "cracked", "broken", "flaking", "stained")
_CONDITION_SHARES = (0.60, 0.34, 0.02, 0.01, 0.01, 0.02)
_NOTES = np.array(
    ["", "", "", "clouds", "good seeing", "poor focus at the edges", "wind", "guided",
     '"moon, haze"', '"clouds, stopped early"', '"jacket says ""second"", log does not"',
     '"comet? see log, p. 14"', "zodiacal light", "double image", '"driven by hand, N edge cut"'],
    dtype=object,
)  # fmt: skip
_MINUTES_EXPOSED = np.array([1, 2, 5, 10, 15, 20, 30, 45, 60, 60, 90, 120, 180])
_EQUINOXES = np.array(["B1875", "B1900.0", "1950"], dtype=object)


def write_set(folder: Path, exposures: int, seed: int = SEED, faults: float = USUAL_FAULTS) -> None:
    """Write the observatory file and the logs of a set into a folder, made if missing."""
    logs = folder / "logs"
    logs.mkdir(parents=True, exist_ok=True)
    (folder / "observatory.toml").write_text(observatory_text(), encoding="utf-8")
    ends = np.round(np.cumsum([series.share for series in SERIES]) * exposures).astype(int)
    for series, rows in zip(SERIES, np.diff(ends, prepend=0).tolist(), strict=True):
        with (logs / f"{series.code}.csv").open("w", encoding="utf-8") as stream:
            stream.write(",".join(COLUMNS) + "\n")
            for columns in series_chunks(series, rows, seed, faults):
                stream.write("\n".join(map(",".join, zip(*columns.values(), strict=True))))
                stream.write("\n")
        print(f"{series.code}: {rows} rows", file=sys.stderr, flush=True)


def observatory_text() -> str:
    """Return the observatory file of all sets."""
    lines = ['name = "Sandrey Observatory (invented, for measuring speed)"']
    for station, (latitude, longitude) in STATIONS.items():
        lines += [f"\n[stations.{station}]", f"latitude_deg = {latitude}"]
        lines += [f"longitude_deg = {longitude}", "height_m = 150"]
    for series in SERIES:
        lines += [f"\n[series.{series.code}]", f'telescope = "Camera {series.code}"']
        lines += [f'station = "{series.station}"', f'equinox = "{series.equinox}"']
        lines += [f"scale_arcsec_per_mm = {series.scale_arcsec_per_mm}", "exposed_mm = [160, 200]"]
        lines += [f"clock = {series.clock}"]
        lines += [f"pointing_tolerance_arcmin = {series.tolerance_arcmin}"]
    return "\n".join(lines) + "\n"


def series_chunks(series: Series, rows: int, seed: int, faults: float) -> Iterator[Columns]:
    """Yield the rows of a series, in order of number and date, some at a time."""
    for start in range(0, rows, CHUNK_ROWS):
        rng = np.random.default_rng([seed, SERIES.index(series), start])
        count = min(CHUNK_ROWS, rows - start)
        columns = clean_rows(rng, series, start, count, rows)
        spoil(rng, columns, faults)
        yield columns


def clean_rows(
    rng: np.random.Generator, series: Series, start: int, count: int, rows: int
) -> Columns:
    """Rows `start` to `start + count` of the `rows` of a series, nothing wrong with any."""
    several = rng.random(count) < 0.1
    plate = np.repeat(np.arange(count), np.where(several, rng.integers(2, 5, count), 1))[:count]
    first_row = np.searchsorted(plate, plate)
    exposure = np.arange(count) - first_row + 1
    days = (END_DAY - FIRST_DAY).astype(int)
    passed = (start + first_row + rng.random(count)[plate]) / rows  # of the time of the series
    day = np.minimum(passed * days, days - 1).astype(int)
    number = _texts(start + plate + 1)
    scanned = rng.random(count)[plate] < 0.35
    linked = scanned & (rng.random(count)[plate] < 0.8)
    ra, dec = _centres(rng, plate, count)
    minutes = rng.choice(_MINUTES_EXPOSED, count)
    dates, day_known = _dates(rng, day, count)
    size_known = rng.random(count)[plate] < 0.75
    columns = {
        "plate": series.code + rng.choice(np.array(["-", " ", ""], object), count) + number,
        "exposure": _some(several[plate] & (plate % 2 == 0), _NUMBERS[exposure]),
        "ra": ra,
        "dec": dec,
        "equinox": _some(rng.random(count) < 0.3, rng.choice(_EQUINOXES, count)),
        "date": dates,
        "time": _some(day_known, _times(rng, exposure, count)),
        "clock": _some(
            rng.random(count) < 0.05, rng.choice(np.array(["UT", "LMT"], object), count)
        ),
        "exposure_min": _some(rng.random(count) < 0.95, _NUMBERS[minutes]),
        "width_mm": _some(size_known, _NUMBERS[_sides_mm(rng, count)[plate]]),
        "height_mm": _some(size_known, _NUMBERS[_sides_mm(rng, count)[plate]]),
        "position_angle_deg": _some(rng.random(count) < 0.1, _NUMBERS[rng.integers(1, 360, count)]),
        "observer": rng.choice(_OBSERVERS, count),
        "object": _some(rng.random(count) < 0.85, "field " + _texts(rng.integers(1, 9000, count))),
        "emulsion": rng.choice(_EMULSIONS, count),
        "status": rng.choice(np.array(_STATUSES, object), count, p=_STATUS_SHARES)[plate],
        "condition": rng.choice(np.array(_CONDITIONS, object), count, p=_CONDITION_SHARES)[plate],
        "shelf": "R" + _NUMBERS[(start + plate) // 400 % 1000] + "." + _NUMBERS[plate // 40 % 10],
        "scanned": np.where(scanned & ~linked, "yes", "").astype(object),
        "scan_url": _some(
            linked, f"https://scans.example/plates/{series.code}/" + number + ".fits"
        ),
        "limiting_mag": _some(rng.random(count) < 0.4, _tenths(rng.integers(90, 190, count))),
        "notes": rng.choice(_NOTES, count),
    }
    return {name: columns[name] for name in COLUMNS}


def _centres(rng: np.random.Generator, plate: NDArray[np.int64], count: int) -> tuple[Texts, Texts]:
    """Draw centres all over the sky; every other plate's exposures are of one field."""
    field = np.where(plate % 2 == 0, np.searchsorted(plate, plate), np.arange(count))
    ra_min = rng.uniform(0.0, 1440.0, count)[field]  # minutes of time
    dec_deg = np.degrees(np.arcsin(rng.uniform(-1.0, 1.0, count)))[field]
    written = rng.choice(4, count, p=[1 / 3, 0.32, 0.32, 1 - 1 / 3 - 0.64])[field]
    tenths = np.floor(ra_min * 10).astype(int)
    seconds = np.floor(ra_min * 60).astype(int)
    hours, whole = _TWO_DIGITS[tenths // 600], _TWO_DIGITS[tenths // 10 % 60]
    to_minute = hours + " " + whole
    ra = to_minute.copy()
    ra = np.where(written == 1, to_minute + "." + _NUMBERS[tenths % 10], ra)
    ra = np.where(written == 2, to_minute + " " + _TWO_DIGITS[seconds % 60], ra)
    degrees = np.floor(ra_min * 2500).astype(int)  # in units of 0.0001 degree
    ra = np.where(written == 3, _texts(degrees // 10000) + "." + _padded(degrees % 10000), ra)

    sign = np.where(dec_deg < 0, "-", "+").astype(object)
    arcsec = np.floor(np.abs(dec_deg) * 3600).astype(int)
    to_minute = sign + _TWO_DIGITS[arcsec // 3600] + " " + _TWO_DIGITS[arcsec // 60 % 60]
    dec = np.where(written == 2, to_minute + " " + _TWO_DIGITS[arcsec % 60], to_minute)
    degrees = np.floor(np.abs(dec_deg) * 10000).astype(int)
    decimal = sign + _TWO_DIGITS[degrees // 10000] + "." + _padded(degrees % 10000)
    return ra, np.where(written == 3, decimal, dec)


def _dates(
    rng: np.random.Generator, day: NDArray[np.int64], count: int
) -> tuple[Texts, NDArray[np.bool_]]:
    """Write dates: most whole, some a night D/D+1, a month, a year or nothing; which name a day."""
    kind = rng.choice(6, count, p=[0.85, 0.06, 0.065, 0.012, 0.003, 0.01])
    dates = _DATES[day]
    dates = np.where(kind == 1, _DATE_WORDS[day], dates)
    dates = np.where((kind == 2) & ~_MONTH_ENDS[day], _DATES[day] + _NEXT_DAY[day], dates)
    for shorter, length in ((3, 7), (4, 4), (5, 0)):
        rows = np.flatnonzero(kind == shorter)
        dates[rows] = [text[:length] for text in _DATES[day[rows]]]
    return dates, kind < 3


def _times(rng: np.random.Generator, exposure: NDArray[np.int64], count: int) -> Texts:
    """Write times of night, later exposures of a plate later; some to the second, some missing."""
    minute = (rng.integers(1020, 1560, count) + 60 * exposure) % 1440
    times = _TWO_DIGITS[minute // 60] + ":" + _TWO_DIGITS[minute % 60]
    to_second = times + ":" + _TWO_DIGITS[rng.integers(0, 60, count)]
    return _some(rng.random(count) < 0.95, np.where(rng.random(count) < 0.2, to_second, times))


def _sides_mm(rng: np.random.Generator, count: int) -> NDArray[np.int64]:
    """Draw sides evenly in their logarithm."""
    low, high = np.log(SHORTEST_SIDE_MM), np.log(LONGEST_SIDE_MM)
    return np.asarray(np.round(np.exp(rng.uniform(low, high, count))), dtype=np.int64)


def _some(where: NDArray[np.bool_], texts: Texts) -> Texts:
    """Return the texts where `where` is true, empty ones elsewhere."""
    return np.asarray(np.where(where, texts, ""))


def _texts(numbers: NDArray[np.int64]) -> Texts:
    return np.array(list(map(str, numbers.tolist())), dtype=object)


def _tenths(numbers: NDArray[np.int64]) -> Texts:
    return np.asarray(_NUMBERS[numbers // 10] + "." + _NUMBERS[numbers % 10])


def _padded(numbers: NDArray[np.int64]) -> Texts:
    return np.asarray(_TWO_DIGITS[numbers // 100] + _TWO_DIGITS[numbers % 100])


def main() -> None:
    """Write a set as the command line says."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("folder", metavar="DIR", type=Path)
    parser.add_argument("--exposures", metavar="N", type=int, required=True)
    parser.add_argument("--seed", metavar="S", type=int, default=SEED)
    parser.add_argument("--broken", metavar="SHARE", type=float, default=USUAL_FAULTS)
    options = parser.parse_args()
    write_set(options.folder, options.exposures, options.seed, options.broken)


if __name__ == "__main__":
    main()
