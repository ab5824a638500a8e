"""Writes the demo: two untidy plate logs of an invented observatory, and the truth behind them.

The same seed gives the same bytes on every run. `truth.csv` is for tests and for the curious;
the package never reads it.
"""

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import erfa
import numpy as np
from astropy import units as u
from astropy.coordinates import FK4, ICRS, Latitude, Longitude, SkyCoord, offset_by
from astropy.time import Time
from numpy.typing import NDArray

from platecover.demo_data.log_rows import LogRow, log_row
from platecover.demo_data.observing_plan import (
    CAMPAIGNS,
    MJD_ZERO,
    OBSERVATORY,
    OBSERVATORY_FILE,
    Exposure,
    civil_date,
    plan_series,
    series_value,
)
from platecover.demo_data.planted_slips import plant_slips

DEMO_SEED = 18930301  # the day the invented observatory opened
FEWEST_EXPOSURES = 100  # below, the kinds of slips outnumber the good rows
LARGEST_POINTING_ERROR = 0.9  # of the stated tolerance, so that truth stays within the margin
REPEATED_PER_5000, SECOND_ROWS_PER_5000, OVERFULL_PER_5000 = 3, 2, 2
STRIP_WIDTH_MM, STRIP_HEIGHT_MM = "120", "90"  # small plates, for single stars
FIRST_STRIP_YEAR = 1905
SCANNED_SHARE = {"VQ": 0.35, "OZT": 0.12, "KWJ": 0.6}
STATUSES = ("on shelf", "", "on loan", "missing", "transferred", "being scanned", "discarded")
STATUS_SHARES = (0.80, 0.15, 0.015, 0.015, 0.008, 0.008, 0.004)
CONDITIONS = ("intact", "", "cracked", "broken", "flaking", "stained")
CONDITION_SHARES = (0.60, 0.36, 0.012, 0.008, 0.008, 0.012)
EMULSIONS = {"VQ": "Norvell blue", "OZT": "Norvell fine", "KWJ": "Carvane red"}

TARVELL_LOG, QUENNICK_LOG = "tarvell_log.csv", "quennick_log.csv"
COLUMNS = {
    TARVELL_LOG: (
        "plate", "exposure", "ra", "dec", "equinox", "date", "time", "clock", "exposure_min",
        "width_mm", "height_mm", "orientation_known", "technique", "sidereal_time", "hour_angle",
        "observer", "object", "emulsion", "status", "condition", "shelf", "scanned", "scan_url",
        "log_page", "notes",
    ),
    QUENNICK_LOG: (
        "Plate", "RA", "Dec", "Equinox", "Date", "Time", "Time_is", "Time_end", "Clock",
        "Exposure_min", "Technique", "Tracking", "Observer", "Object", "Emulsion", "Filter",
        "Limiting_mag", "Status", "Condition", "Shelf", "Scanned", "Scan_URL", "Notes",
    ),
}  # fmt: skip
TRUTH_COLUMNS = (
    "log_file", "row", "true_ra_icrs_deg", "true_dec_icrs_deg", "true_mid_mjd_ut", "slip"
)  # fmt: skip


@dataclass(frozen=True)
class DemoFiles:
    """Where the files of the demo are."""

    logs: list[Path]
    observatory: Path
    truth: Path


def write_demo(folder: Path, *, seed: int = DEMO_SEED, exposures: int = 5000) -> DemoFiles:
    """Write the demo's logs, observatory file and truth into a folder.

    Parameters
    ----------
    folder : Path
        Made if need be; files of an earlier demo in it are overwritten.
    seed : int, optional
        Not negative; the same seed gives the same bytes.
    exposures : int, optional
        True exposures, at least 100; the logs hold a few rows more, written twice.

    Returns
    -------
    DemoFiles

    Raises
    ------
    ValueError
        If `exposures` is too small, or too large for the nights the campaigns lasted.
    """
    if not (exposures >= FEWEST_EXPOSURES):
        raise ValueError(f"exposures must be at least {FEWEST_EXPOSURES}, got {exposures}")
    rng = np.random.default_rng(seed)
    counts = {code: round(exposures * campaign.share) for code, campaign in CAMPAIGNS.items()}
    counts["KWJ"] += exposures - sum(counts.values())
    planned = [e for code, count in counts.items() for e in plan_series(code, count, rng)]
    ra_deg, dec_deg = _true_icrs(planned, rng)
    of_date = _ra_of_date(planned, ra_deg, dec_deg)
    rows = [log_row(e, ra) for e, ra in zip(planned, of_date, strict=True)]
    _add_keeper_cells(rows, rng)
    plant_slips(rows, rng)
    centres = zip(ra_deg, dec_deg, strict=True)
    truth = {id(e): centre for e, centre in zip(planned, centres, strict=True)}
    rows = _with_rows_written_twice(rows, exposures, rng)

    folder.mkdir(parents=True, exist_ok=True)
    books = {
        TARVELL_LOG: [row for row in rows if row.exposure.station == "tarvell"],
        QUENNICK_LOG: [row for row in rows if row.exposure.station == "quennick"],
    }
    truth_lines = []
    for name, book in books.items():
        for row, line in zip(book, _write_log(folder / name, book), strict=True):
            ra, dec = truth[id(row.exposure)]
            mid = row.exposure.mid_mjd
            truth_lines.append((name, line, f"{ra:.6f}", f"{dec:.6f}", f"{mid:.6f}", row.slip))
    files = DemoFiles(
        [folder / name for name in books], folder / "observatory.toml", folder / "truth.csv"
    )
    files.observatory.write_bytes(OBSERVATORY_FILE.read_bytes())
    files.truth.write_bytes(_csv_bytes([TRUTH_COLUMNS, *truth_lines], ",", "\n", "utf-8"))
    return files


def _true_icrs(
    planned: list[Exposure], rng: np.random.Generator
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return ICRS centres, degrees, shape (n,): the aim, a pointing error, then FK4 to ICRS."""
    aim_ra = np.array([e.ra_deg for e in planned])
    aim_dec = np.array([e.dec_deg for e in planned])
    tolerance_deg = np.array(
        [OBSERVATORY["series"][e.series]["pointing_tolerance_arcmin"] / 60.0 for e in planned]
    )
    error_deg = LARGEST_POINTING_ERROR * tolerance_deg * np.sqrt(rng.random(len(planned)))
    ra, dec = offset_by(
        Longitude(aim_ra, u.deg),
        Latitude(aim_dec, u.deg),
        rng.uniform(0.0, 360.0, len(planned)) * u.deg,
        error_deg * u.deg,
    )
    equinoxes = np.array([series_value(e.series, "equinox", _day(e)) for e in planned])
    mid_mjd = np.array([e.mid_mjd for e in planned])
    icrs_ra, icrs_dec = np.empty(len(planned)), np.empty(len(planned))
    for equinox in np.unique(equinoxes):
        at = equinoxes == equinox
        # Scale TT for UT: a minute's difference is nothing to FK4's slow turn, and UT before
        # 1960 would ask for Earth rotation tables that do not reach back so far.
        frame = FK4(equinox=Time(equinox), obstime=Time(mid_mjd[at], format="mjd", scale="tt"))
        icrs = SkyCoord(ra[at], dec[at], frame=frame).transform_to(ICRS())
        icrs_ra[at], icrs_dec[at] = icrs.ra.deg, icrs.dec.deg
    return icrs_ra, icrs_dec


def _ra_of_date(
    planned: list[Exposure], ra_deg: NDArray[np.float64], dec_deg: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return RA of date in degrees, shape (n,), from ICRS (IAU 2006 precession, by ERFA)."""
    direction = erfa.s2c(np.radians(ra_deg), np.radians(dec_deg))
    mid_mjd = np.array([e.mid_mjd for e in planned])
    ra, _ = erfa.c2s(erfa.rxp(erfa.pmat06(MJD_ZERO, mid_mjd), direction))
    return np.asarray(np.degrees(ra) % 360.0)


def _add_keeper_cells(rows: list[LogRow], rng: np.random.Generator) -> None:
    """Fill in what is known of the plates as things: sizes, shelves, losses, scans."""
    for row in rows:
        e, year = row.exposure, _day(row.exposure).year
        row.cells["emulsion"] = EMULSIONS[e.series] if rng.random() < 0.8 else ""
        row.cells["log_page"] = f"{(year - 1890) // 4 + 1}/{e.number % 240 + 1}"
        if e.programme == "focus":
            row.cells["technique"] = "test"
        if e.programme == "star" and year >= FIRST_STRIP_YEAR:
            row.cells |= {"width_mm": STRIP_WIDTH_MM, "height_mm": STRIP_HEIGHT_MM}
            row.cells["orientation_known"] = "no" if e.number % 3 == 0 else ""
        if e.programme in ("patrol", "survey"):
            row.cells["technique"] = "objective prism" if rng.random() < 0.03 else ""
        if e.series == "KWJ":
            row.cells["filter"] = ("", "yellow 2", "red 5")[e.number % 3]
            row.cells["limiting_mag"] = f"{rng.normal(18.0, 0.6):.1f}" if e.number % 4 else ""
        row.cells["shelf"] = _shelf(e, year)
        if e.exposure > 1:
            continue  # the plate's own cells stand in the row of its first exposure
        status = str(rng.choice(STATUSES, p=STATUS_SHARES))
        condition = str(rng.choice(CONDITIONS, p=CONDITION_SHARES))
        fit = status in ("on shelf", "") and condition != "broken"
        row.cells |= {"status": status, "condition": condition}
        if fit and rng.random() < SCANNED_SHARE[e.series]:
            code = e.series.lower()
            url = f"https://plates.example/{code}/{code}{e.number:05d}{e.suffix}.fits"
            row.cells |= {"scan_url": url, "scanned": "yes" if e.number % 5 else ""}
        else:
            row.cells["scanned"] = "no" if e.number % 2 else ""


def _shelf(e: Exposure, year: int) -> str:
    """Cabinet, shelf and box: by date, by region of the sky or by number, as the series is kept."""
    if e.series == "VQ":
        return f"V{(year - 1893) // 6 + 1}/{(year - 1893) % 6 + 1}/{e.number // 40 + 1}"
    if e.series == "OZT":
        return f"Z{int(e.dec_deg + 10.0) // 10}/{int(e.ra_deg // 45.0) + 1}/{int(e.ra_deg // 3)}"
    return f"K{e.number // 500 + 1}/{e.number // 100 % 5 + 1}/{e.number // 20 + 1}"


def _with_rows_written_twice(
    rows: list[LogRow], exposures: int, rng: np.random.Generator
) -> list[LogRow]:
    """Return the rows with some repeated, some exposures on two rows, and some rows overfull."""
    able = [
        i
        for i, row in enumerate(rows)
        if not row.slip and row.exposure.exposures_on_plate == 1 and row.cells.get("time")
    ]
    picks = iter(int(i) for i in rng.permutation(able))
    share = exposures / 5000
    for _ in range(max(1, round(OVERFULL_PER_5000 * share))):
        overfull = rows[next(picks)]
        overfull.extra, overfull.slip = ["copied twice"], "more cells than the header"
    again: dict[int, LogRow] = {}
    for _ in range(max(1, round(REPEATED_PER_5000 * share))):
        i = next(picks)
        again[i] = replace(rows[i], cells=dict(rows[i].cells), slip="repeated row")
    for _ in range(max(1, round(SECOND_ROWS_PER_5000 * share))):
        i = next(picks)
        cells = rows[i].cells | {"object": "nebula near edge"}
        again[i] = replace(rows[i], cells=cells, slip="second row of one exposure")
    longer = []
    for i, row in enumerate(rows):
        longer.append(row)
        if i in again:
            longer.append(again[i])
    return longer


def _write_log(path: Path, book: list[LogRow]) -> list[int]:
    """Write one log, a blank line before each new series; return the line of every row."""
    columns = COLUMNS[path.name]
    table: list[list[str]] = [list(columns)]
    lines, series = [], ""
    for row in book:
        if series and row.exposure.series != series:
            table.append([])
        series = row.exposure.series
        table.append([row.cells.get(name.lower(), "") for name in columns] + row.extra)
        lines.append(len(table))
    if path.name == TARVELL_LOG:
        path.write_bytes(_csv_bytes(table, ",", "\n", "latin-1"))
    else:
        path.write_bytes(_csv_bytes(table, ";", "\r\n", "utf-8-sig"))
    return lines


def _csv_bytes(table: Sequence[Sequence[object]], comma: str, end: str, code: str) -> bytes:
    text = io.StringIO(newline="")
    csv.writer(text, delimiter=comma, lineterminator=end).writerows(table)
    return text.getvalue().encode(code)


def _day(exposure: Exposure) -> date:
    """Civil date in UT of an exposure's start."""
    return civil_date(int(exposure.start_mjd))
