"""The slips planted in the demo's logs, such as real logs have; the truth names each."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from platecover.demo_data.invented_observatory import civil_date, series_value
from platecover.demo_data.log_rows import LogRow

UNKNOWN_SERIES = "QV"
RENUMBERED_FROM = 90_000  # numbers given when a cupboard was put in order
FIRST_WRONG_DECADE = "1960"  # so that no slip falls into the years of war


@dataclass(frozen=True)
class Slip:
    """A kind of slip: how many in 5,000 rows, which rows can have it, what it does to the cells."""

    kind: str
    per_5000: int
    can_have: Callable[[LogRow], bool]
    spoil: Callable[[LogRow], dict[str, str]]


def _any(row: LogRow) -> bool:
    return True


def _iso(row: LogRow) -> bool:
    """Whether the row has a plain date and a time."""
    date_text = row.cells["date"]
    return len(date_text) == 10 and date_text[4] == "-" and bool(row.cells.get("time"))


def _whole_on_date(row: LogRow) -> bool:
    """Whether the whole exposure is on its date, so that the date alone stays true."""
    return _iso(row) and "01:30" < row.cells["time"] < "22:30"


def _civil_from_midnight(row: LogRow) -> bool:
    """Whether the row has a civil date, of days from midnight."""
    return row.exposure.series == "KWJ" and _iso(row)


def _evening(row: LogRow) -> str:
    return civil_date(row.night).isoformat()


def _undated_cells(row: LogRow) -> dict[str, str]:
    """No date; the equinox is stated, since a series' list cannot be asked without one."""
    e = row.exposure
    equinox = series_value(e.series, "equinox", int(e.start_mjd))
    return _without_time(row, "") | {"equinox": equinox}


def _can_be_undated(row: LogRow) -> bool:
    return _iso(row) and series_value(row.exposure.series, "equinox", 0) != "date"


def _without_time(row: LogRow, date_text: str) -> dict[str, str]:
    return {"date": date_text, "time": "", "time_end": "", "time_is": ""}


def _year_off(row: LogRow, years: int) -> dict[str, str]:
    date_text = row.cells["date"]
    return {"date": f"{int(date_text[:4]) + years}{date_text[4:]}"}


def _swapped(row: LogRow) -> dict[str, str]:
    year, month, day = row.cells["date"].split("-")
    return {"date": f"{year}-{day}-{month}"}


def _can_be_swapped(row: LogRow) -> bool:
    # Neither in a gap that the swap would put into the other calendar or station.
    return (
        _iso(row)
        and row.exposure.series in ("VQ", "EIK", "MQ")
        and row.cells["date"][8:] <= "12"
        and row.cells["date"][5:7] != row.cells["date"][8:]
    )


def _twelve_hours_off(row: LogRow) -> dict[str, str]:
    return {"time": f"{int(row.cells['time'][:2]) - 12:02d}{row.cells['time'][2:]}"}


def _other_hour(row: LogRow) -> dict[str, str]:
    return {"ra": f"{int(row.cells['ra'][:2]) + 1:02d}{row.cells['ra'][2:]}"}


def _renumbered(row: LogRow) -> dict[str, str]:
    e = row.exposure
    old = row.cells["plate"]
    return {
        "plate": f"{e.series} {RENUMBERED_FROM + e.number}{e.suffix or 'a'}",
        "marks": f"was {old}",
        "notes": f"formerly {old}",
    }


SLIPS = (
    Slip("time missing", 15, _whole_on_date, lambda row: _without_time(row, row.cells["date"])),
    Slip("month only", 7, _whole_on_date, lambda row: _without_time(row, row.cells["date"][:7])),
    Slip("year only", 3, _whole_on_date, lambda row: _without_time(row, row.cells["date"][:4])),
    Slip("undated", 8, _can_be_undated, _undated_cells),
    Slip(
        "unknown series", 4, _any, lambda row: {"plate": f"{UNKNOWN_SERIES} {row.exposure.number}"}
    ),
    Slip(
        "unreadable designation",
        2,
        _any,
        lambda row: {"plate": f"{row.cells['plate']}/{row.exposure.number + 1}"},
    ),
    Slip("renumbered", 8, _any, _renumbered),
    Slip("impossible date", 4, _iso, lambda row: {"date": f"{row.cells['date'][:4]}-02-30"}),
    Slip(
        "impossible declination",
        3,
        _any,
        lambda row: {"dec": "91.0" if row.typed else "+91 00"},
    ),
    Slip(
        "impossible right ascension",
        2,
        _any,
        lambda row: {"ra": "367.5" if row.typed else "24 30"},
    ),
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
        _other_hour,
    ),
    Slip(
        "last year's date",
        3,
        lambda row: _iso(row) and row.cells["date"][5:7] == "01",
        lambda row: _year_off(row, -1),
    ),
    Slip(
        "wrong decade",
        1,
        lambda row: (
            row.exposure.series == "MQ" and _iso(row) and row.cells["date"] >= FIRST_WRONG_DECADE
        ),
        lambda row: _year_off(row, -10),
    ),
    Slip("month and day swapped", 2, _can_be_swapped, _swapped),
    Slip(
        "evening date for civil",
        4,
        lambda row: _civil_from_midnight(row) and row.cells["date"] > _evening(row),
        lambda row: {"date": _evening(row)},
    ),
    Slip(
        "noon day for civil",
        2,
        lambda row: _civil_from_midnight(row) and row.cells["time"] >= "12",
        _twelve_hours_off,
    ),
    Slip(
        "bare GMT",
        4,
        lambda row: row.exposure.series == "VQ" and row.exposure.station == "tarvell" and _iso(row),
        lambda row: {"clock": "GMT"},
    ),
    Slip(
        "unknown clock",
        2,
        lambda row: _iso(row) and not row.cells.get("clock"),
        lambda row: {"clock": "dome clock"},
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
    Slip("ditto mark", 3, _any, lambda row: {"observer": '"'}),
)


def plant_slips(rows: list[LogRow], rng: np.random.Generator) -> None:
    """Spoil about 2 % of the rows in place, one slip a row, none on plates of several exposures."""
    single = [row for row in rows if row.exposure.exposures_on_plate == 1]
    for slip in SLIPS:
        wanted = max(1, round(slip.per_5000 * len(rows) / 5000))
        able = [row for row in single if not row.slip and slip.can_have(row)]
        for i in sorted(rng.permutation(len(able))[:wanted]):
            able[i].cells |= slip.spoil(able[i])
            able[i].slip = slip.kind
