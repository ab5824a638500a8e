"""What the invented keeper knows of the plates as things: sizes, shelves, losses, loans, scans."""

import numpy as np

from platecover.demo_data.invented_observatory import SERIES, civil_date
from platecover.demo_data.log_rows import LogRow
from platecover.demo_data.observing_plan import Exposure

STRIP_WIDTH_MM, STRIP_HEIGHT_MM = "120", "90"  # small plates, for single stars
FIRST_STRIP_YEAR = 1905
TURNED_SHARE = 0.2  # of the prism camera's plates: dispersion along RA
EMULSION_KNOWN = 0.8
EMULSIONS = {
    "VQ": "Norvell blue", "OZT": "Norvell fine", "DUF": "Hallmere orthochrom",
    "PZ-M": "Norvell blue", "EIK": "Carvane rapid", "MQ": "Carvane rapid", "KWJ": "Carvane red",
}  # fmt: skip
FIRST_YEAR = 1890  # of log pages and cabinets

STATUSES = ("on shelf", "", "on loan", "missing", "transferred", "being scanned", "discarded")
STATUS_SHARES = (0.80, 0.15, 0.015, 0.015, 0.008, 0.008, 0.004)
CONDITIONS = ("intact", "", "cracked", "broken", "flaking", "stained")
CONDITION_SHARES = (0.60, 0.36, 0.012, 0.008, 0.008, 0.012)

# Runs of a series, as shares of its plates in order of number.
SCANNED_RUNS = {
    "VQ": ((0.10, 0.34), (0.61, 0.66)),
    "OZT": (),  # scanned by zone, see `_zone_is_scanned`
    "DUF": ((0.0, 0.12),),
    "PZ-M": ((0.70, 1.0),),
    "EIK": (),
    "MQ": ((0.0, 0.22), (0.85, 0.9)),
    "KWJ": ((0.05, 0.62),),
}
SCANNED_ON_REQUEST = {"VQ": 0.04, "OZT": 0.03, "DUF": 0.05, "EIK": 0.01}
HARM = (  # series, run, column, word, note: what befell whole boxes
    ("VQ", (0.225, 0.235), "condition", "stained", "cellar under water 1953"),
    ("DUF", (0.300, 0.306), "condition", "broken", "crate fell in the move"),
    ("OZT", (0.880, 0.890), "status", "missing", "not found 1946"),
    ("PZ-M", (0.410, 0.425), "status", "on loan", "lent for a spectral catalogue 1938"),
    ("MQ", (0.0, 0.03), "status", "transferred", ""),
    ("EIK", (0.500, 0.507), "condition", "flaking", ""),
)
OLD_NUMBERS_UNTIL = 0.3  # of the refractor's plates, renumbered when it moved
OLD_NUMBER_STEP = 3117  # by which the old numbers ran ahead


def add_keeper_cells(rows: list[LogRow], rng: np.random.Generator) -> None:
    """Fill in the keeper's cells of every row, in place."""
    chance = rng.random((len(rows), 4)).tolist()
    status = rng.choice(np.array(STATUSES, object), len(rows), p=STATUS_SHARES).tolist()
    condition = rng.choice(np.array(CONDITIONS, object), len(rows), p=CONDITION_SHARES).tolist()
    magnitude = rng.normal(0.0, 0.6, len(rows)).tolist()
    shelf = ""
    last: dict[str, int] = {}
    for row in rows:
        last[row.exposure.series] = row.exposure.number
    for i, row in enumerate(rows):
        e, cells = row.exposure, row.cells
        run = (e.number - 1) / last[e.series]
        year = civil_date(row.night).year
        _add_row_cells(row, year, chance[i], magnitude[i])
        if e.exposure == 1:
            shelf = _shelf(e, year, civil_date(row.night).month)
        cells["shelf"] = shelf  # of the plate, whatever its later exposures show
        if e.exposure > 1:
            continue  # the plate's own cells stand in the row of its first exposure
        cells |= {"status": status[i], "condition": condition[i]}
        for series, (first, end), column, word, note in HARM:
            if series == e.series and first <= run < end:
                cells[column] = word
                cells["notes"] = note or cells["notes"]
        if e.series == "DUF" and run < OLD_NUMBERS_UNTIL and e.number % 3:
            cells["marks"] = f"old no. {e.number + OLD_NUMBER_STEP}{e.suffix}"
        _add_scan(row, run, chance[i][3])


def _add_row_cells(row: LogRow, year: int, chance: list[float], magnitude: float) -> None:
    e, cells = row.exposure, row.cells
    cells["emulsion"] = EMULSIONS[e.series] if chance[0] < EMULSION_KNOWN else ""
    cells["log_page"] = f"{(year - FIRST_YEAR) // 4 + 1}/{e.number % 240 + 1}"
    if e.series == "OZT" and e.task == "star" and year >= FIRST_STRIP_YEAR:
        cells |= {"width_mm": STRIP_WIDTH_MM, "height_mm": STRIP_HEIGHT_MM}
        cells["orientation_known"] = "no" if e.number % 3 == 0 else ""
    if e.task in ("patrol", "survey") and chance[1] < 0.03:
        cells["technique"] = "objective prism"
    if e.series == "PZ-M" and chance[1] < TURNED_SHARE:
        cells["position_angle_deg"] = "90"
    if e.series == "KWJ":
        cells["filter"] = ("", "yellow 2", "red 5")[e.number % 3]
        cells["limiting_mag"] = f"{18.0 + magnitude:.1f}" if e.number % 4 else ""
    if e.series == "EIK" and e.number % 2:
        cells["limiting_mag"] = f"{10.5 + 0.5 * magnitude:.1f}"


def _add_scan(row: LogRow, run: float, chance: float) -> None:
    e, cells = row.exposure, row.cells
    whole_run = any(first <= run < end for first, end in SCANNED_RUNS[e.series])
    wanted = whole_run or _zone_is_scanned(e) or chance < SCANNED_ON_REQUEST.get(e.series, 0.0)
    if wanted and cells["status"] in ("on shelf", "") and cells["condition"] != "broken":
        code = e.series.lower()
        url = f"https://plates.example/{code}/{code}{e.number:05d}{e.suffix}.fits"
        cells |= {"scan_url": url, "scanned": "yes" if e.number % 5 else ""}
    else:
        cells["scanned"] = "no" if e.number % 2 else ""


def _zone_is_scanned(e: Exposure) -> bool:
    """Whether the astrograph's plate is of the zones that were scanned first: the northern ones."""
    return e.series == "OZT" and e.dec_deg > 60.0 and e.ra_deg < 200.0


def _shelf(e: Exposure, year: int, month: int) -> str:
    """Cabinet, shelf and box: by date, by region of the sky or by number, as the series is kept."""
    letter = e.series[0]
    by = SERIES[e.series]["shelved_by"]
    if by == "date":
        since = year - FIRST_YEAR
        return f"{letter}{since // 6 + 1:02d}/{since % 6 + 1}/{month:02d}"
    if by == "region":
        band = int(e.dec_deg + 90.0) // 10
        return f"{letter}{band:02d}/{int(e.ra_deg // 45.0) + 1}/{int(e.ra_deg // 3.0):03d}"
    return f"{letter}{e.number // 500 + 1:02d}/{e.number // 100 % 5 + 1}/{e.number // 20 + 1:04d}"
