"""The slips planted in the demo's logs, such as real logs have; the truth names each."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

import numpy as np

from platecover.demo_data.log_rows import LogRow, night_of
from platecover.demo_data.observing_plan import civil_date, series_value


@dataclass(frozen=True)
class Slip:
    """A kind of slip: how many in 5,000 rows, which rows can have it, what it does to the cells."""

    kind: str
    per_5000: int
    can_have: Callable[[LogRow], bool]
    spoil: Callable[[LogRow], dict[str, str]]


def _logged_day(row: LogRow) -> date:
    return date.fromisoformat(row.cells["date"])


def _iso(row: LogRow) -> bool:
    """Whether the row has a plain date and a time."""
    date_text = row.cells["date"]
    return len(date_text) == 10 and date_text[4] == "-" and bool(row.cells.get("time"))


def _whole_on_date(row: LogRow) -> bool:
    """Whether the whole exposure is on its date, so that the date alone stays true."""
    return _iso(row) and row.cells["time"] < "22:30"


def _undated_cells(row: LogRow) -> dict[str, str]:
    """No date; the equinox is stated, since a series' list cannot be asked without one."""
    day = civil_date(int(row.exposure.start_mjd))
    equinox = series_value(row.exposure.series, "equinox", day)
    return {"date": "", "time": "", "time_end": "", "time_is": "", "equinox": equinox}


def _any(row: LogRow) -> bool:
    return True


def _without_time(row: LogRow, date_text: str) -> dict[str, str]:
    return {"date": date_text, "time": "", "time_end": "", "time_is": ""}


def _year_before(row: LogRow) -> str:
    return _logged_day(row).replace(year=_logged_day(row).year - 1).isoformat()


def _evening_for_civil(row: LogRow) -> bool:
    """Whether the row has a civil date that its evening date differs from."""
    evening = civil_date(night_of(row.exposure.start_mjd, row.exposure.station))
    civil_clock = row.exposure.series == "KWJ"
    return civil_clock and _iso(row) and _logged_day(row) > evening


SLIPS = (
    Slip("time missing", 15, _whole_on_date, lambda row: _without_time(row, row.cells["date"])),
    Slip("month only", 7, _whole_on_date, lambda row: _without_time(row, row.cells["date"][:7])),
    Slip("year only", 3, _whole_on_date, lambda row: _without_time(row, row.cells["date"][:4])),
    Slip("undated", 8, _iso, _undated_cells),
    Slip("unknown series", 4, _any, lambda row: {"plate": f"QV {row.exposure.number}"}),
    Slip(
        "unreadable designation",
        2,
        _any,
        lambda row: {"plate": f"{row.cells['plate']}/{row.exposure.number + 1}"},
    ),
    Slip("impossible date", 4, _iso, lambda row: {"date": f"{row.cells['date'][:4]}-02-30"}),
    Slip("impossible declination", 3, _any, lambda row: {"dec": "+91 00"}),
    Slip("impossible right ascension", 2, _any, lambda row: {"ra": "24 30"}),
    Slip(
        "lone hour",
        2,
        lambda row: " " in row.cells["ra"],
        lambda row: {"ra": row.cells["ra"][:2]},
    ),
    Slip("centre missing", 4, _any, lambda row: {"ra": "", "dec": ""}),
    Slip("time 25:00", 4, _iso, lambda row: {"time": "25:00"}),
    Slip("exposure 0", 6, _iso, lambda row: {"exposure_min": "0"}),
    Slip("negative exposure", 2, _iso, lambda row: {"exposure_min": f"-{row.exposure.minutes:g}"}),
    Slip(
        "exposure in seconds",
        2,
        lambda row: _iso(row) and row.exposure.minutes > 24,
        lambda row: {"exposure_min": f"{row.exposure.minutes * 60:g}"},
    ),
    Slip(
        "lost minus sign",
        6,
        lambda row: row.cells["dec"].startswith("-"),
        lambda row: {"dec": row.cells["dec"][1:]},
    ),
    Slip(
        "wrong hour",
        3,
        lambda row: row.cells["ra"][:3] in ("03 ", "05 ", "06 ", "08 ", "13 ", "18 "),
        lambda row: {"ra": f"{int(row.cells['ra'][:2]) + 1:02d}{row.cells['ra'][2:]}"},
    ),
    Slip(
        "last year's date",
        3,
        lambda row: _iso(row) and _logged_day(row).month == 1,
        lambda row: {"date": _year_before(row)},
    ),
    Slip(
        "evening date for civil",
        4,
        _evening_for_civil,
        lambda row: {
            "date": civil_date(night_of(row.exposure.start_mjd, row.exposure.station)).isoformat()
        },
    ),
    Slip(
        "bare GMT",
        4,
        lambda row: _iso(row) and row.exposure.series == "VQ" and _logged_day(row).year < 1925,
        lambda row: {"clock": "GMT"},
    ),
    Slip(
        "scanned no with URL",
        2,
        lambda row: bool(row.cells.get("scan_url")),
        lambda row: {"scanned": "no"},
    ),
    Slip(
        "size as text",
        1,
        lambda row: "width_mm" in row.cells,
        lambda row: {"width_mm": "half plate"},
    ),
)


def plant_slips(rows: list[LogRow], rng: np.random.Generator) -> None:
    """Spoil about 2 % of the rows in place, one slip a row, none on plates of several exposures."""
    for slip in SLIPS:
        wanted = max(1, round(slip.per_5000 * len(rows) / 5000))
        able = [
            row
            for row in rows
            if not row.slip and row.exposure.exposures_on_plate == 1 and slip.can_have(row)
        ]
        for i in sorted(rng.permutation(len(able))[:wanted]):
            able[i].cells |= slip.spoil(able[i])
            able[i].slip = slip.kind
