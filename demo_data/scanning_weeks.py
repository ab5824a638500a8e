"""What the invented keeper's helpers report after the logs: weeks of scanning, and one day more.

Both files are for `platecover outcome`. The weeks are tidy; the day has the slips that people make:
a plate that is no plate, a date to come, an address to no scan, a name left out, and two who say
different things of one plate.
"""

from datetime import date, timedelta
from pathlib import Path

import numpy as np

from platecover.demo_data.log_files import csv_text
from platecover.demo_data.log_rows import LogRow

WEEKS_FILE, DAY_FILE = "outcome_weeks.csv", "outcome_day.csv"
COLUMNS = ("designation", "outcome", "scan", "other_plate", "why", "date", "person", "notes")
FIRST_DAY, WEEKS, WORKDAYS = date(2024, 1, 8), 8, 5
SCANNING_SEED = 20240108
ON_DAY = 40  # plates of the day more
PER_DAY = (90, 150)
IDLE_SHARE = 0.06  # of days: the machine or the helper is out of order
HELPERS = ("T. Aldersyke", "R. Quillane")
OUTCOMES = ("scanned", "not found", "broken", "other plate in the jacket", "rescan")
SHARES = (0.945, 0.025, 0.008, 0.007, 0.015)
SERIES = ("EIK", "OZT")  # of which hardly any plate was scanned
REASONS = ("dust", "focus off in one corner", "a line through the middle")
ADDRESS = "https://plates.tarvell.example/{series}/{number}.fits"


def write_scanning(folder: Path, rows: list[LogRow]) -> tuple[Path, Path]:
    """Write the weeks and the day; returns both paths.

    Parameters
    ----------
    folder : Path
    rows : list of LogRow
        Of all logs, as the keeper's cells stand in them.
    """
    rng = np.random.default_rng(SCANNING_SEED)
    waiting = _to_scan(rows)
    weeks: list[tuple[str, ...]] = []
    for week in range(WEEKS):
        for weekday in range(WORKDAYS):
            day = FIRST_DAY + timedelta(days=7 * week + weekday)
            count = 0 if rng.random() < IDLE_SHARE else int(rng.integers(*PER_DAY))
            weeks += _report(waiting, min(count, len(waiting) - ON_DAY - 1), day, rng)
    day = FIRST_DAY + timedelta(days=7 * WEEKS)
    last = _report(waiting, min(ON_DAY, len(waiting) - 1), day, rng)
    table = last + _slips(last, day)
    paths = folder / WEEKS_FILE, folder / DAY_FILE
    for path, lines in zip(paths, (weeks, table), strict=True):
        path.write_bytes(csv_text([COLUMNS, *lines], ",", "\n").encode())
    return paths


def _to_scan(rows: list[LogRow]) -> list[LogRow]:
    """A clean row of each plate that waits to be scanned, series by series as they stand."""
    scanned = {
        _plate(row)
        for row in rows
        if row.cells.get("scanned") == "yes" or row.cells.get("scan_url")
    }
    away = {_plate(row) for row in rows if row.cells.get("status") not in ("on shelf", "", None)}
    clean = [row for row in rows if not row.slip and _plate(row) not in scanned | away]
    first = {_plate(row): row for row in reversed(clean) if row.exposure.series in SERIES}
    order = {code: at for at, code in enumerate(SERIES)}
    return sorted(first.values(), key=lambda r: (order[r.exposure.series], r.exposure.number))


def _plate(row: LogRow) -> tuple[str, int]:
    return row.exposure.series, row.exposure.number


def _report(
    waiting: list[LogRow], count: int, day: date, rng: np.random.Generator
) -> list[tuple[str, ...]]:
    """Take plates from those that wait and say what became of them."""
    lines: list[tuple[str, ...]] = []
    for _ in range(count):
        row = waiting.pop(0)
        outcome = str(rng.choice(np.array(OUTCOMES, object), p=SHARES))
        helper, reason = HELPERS[int(rng.integers(2))], REASONS[int(rng.integers(len(REASONS)))]
        series, number = _plate(row)
        address = ADDRESS.format(series=series.lower(), number=number)
        lines.append(
            (
                row.cells["plate"],
                outcome,
                address if outcome == "scanned" else "",
                waiting[0].cells["plate"] if outcome == "other plate in the jacket" else "",
                reason if outcome == "rescan" else "",
                day.isoformat(),
                helper,
                "",
            )
        )
    return lines


def _slips(lines: list[tuple[str, ...]], day: date) -> list[tuple[str, ...]]:
    """Lines as they should not be."""
    if not lines:
        return []
    when, plate = day.isoformat(), lines[0][0]
    return [
        ("EIK 999999", "scanned", "", "", "", when, HELPERS[0], ""),
        (lines[-1][0], "broken", "", "", "", "2204-03-04", HELPERS[0], ""),
        ("OZT 1", "scanned", "C:\\scans\\ozt1.fits", "", "", when, HELPERS[1], ""),
        ("OZT 2", "not found", "", "", "", when, "", "jacket empty"),
        (plate, "broken" if lines[0][1] != "broken" else "not found", "", "", "", when,
         HELPERS[1], "in two"),
    ]  # fmt: skip
