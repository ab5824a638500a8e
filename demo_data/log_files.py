"""The files of the demo's logs: columns, separators, encodings, blank lines."""

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from platecover.demo_data.log_rows import LogRow

_ALL = (
    "plate", "exposure", "ra", "dec", "equinox", "date", "time", "time_is", "time_end", "clock",
    "exposure_min",
)  # fmt: skip
_KEPT = ("status", "condition", "shelf", "scanned", "scan_url", "log_page", "notes")
_NUMBERS = {  # of the typed log: datatype and unit
    "exposure": ("int64", ""),
    "ra": ("float64", "deg"),
    "dec": ("float64", "deg"),
    "exposure_min": ("float64", "min"),
    "position_angle_deg": ("float64", "deg"),
    "limiting_mag": ("float64", "mag"),
}


@dataclass(frozen=True)
class LogFile:
    """One log: the stations it is of, its columns, and how it is written."""

    name: str
    stations: tuple[str, ...]
    columns: tuple[str, ...]
    separator: str
    line_end: str
    encoding: str
    typed: bool = False  # an ECSV file; no blank lines, no row too long
    capitals: bool = False  # in the column names


LOG_FILES = (
    LogFile(
        "tarvell_log.csv",
        ("tarvell",),
        (
            *_ALL, "width_mm", "height_mm", "orientation_known", "technique", "tracking",
            "sidereal_time", "hour_angle", "observer", "object", "emulsion", "marks", *_KEPT,
        ),
        ",", "\n", "latin-1",
    ),
    LogFile(
        "quennick_log.csv",
        ("quennick",),
        (
            *_ALL, "technique", "tracking", "observer", "object", "emulsion", "filter",
            "limiting_mag", "marks", *_KEPT,
        ),
        ";", "\r\n", "utf-8-sig", capitals=True,
    ),
    LogFile(
        "vetrolin_log.txt",
        ("vetrolin-harbour", "vetrolin-hill"),
        (
            *_ALL, "technique", "centre_is", "tracking", "sidereal_time", "hour_angle",
            "observer", "object", "emulsion", "limiting_mag", "marks", *_KEPT,
        ),
        "\t", "\n", "utf-8",
    ),
    LogFile(
        "lorrimane_log.ecsv",
        ("lorrimane",),
        (
            *_ALL, "technique", "position_angle_deg", "observer", "object", "emulsion",
            "limiting_mag", "marks", *_KEPT,
        ),
        ",", "\n", "utf-8", typed=True,
    ),
)  # fmt: skip


def write_log(folder: Path, log: LogFile, book: list[LogRow]) -> list[int]:
    """Write one log, a blank line before each new series; return the line of every row."""
    header = _ecsv_header(log) if log.typed else ""
    names = [name.capitalize() for name in log.columns] if log.capitals else list(log.columns)
    table: list[list[str]] = [names]
    lines, series, above = [], "", header.count("\n")
    for row in book:
        if series and row.exposure.series != series and not log.typed:
            table.append([])
        series = row.exposure.series
        table.append([row.cells.get(name, "") for name in log.columns] + row.extra)
        lines.append(above + len(table))
    text = header + csv_text(table, log.separator, log.line_end)
    (folder / log.name).write_bytes(text.encode(log.encoding))
    return lines


def csv_text(table: Sequence[Sequence[object]], separator: str, line_end: str) -> str:
    """Return a table as text, cells quoted where they must be."""
    text = io.StringIO(newline="")
    csv.writer(text, delimiter=separator, lineterminator=line_end).writerows(table)
    return text.getvalue()


def _ecsv_header(log: LogFile) -> str:
    """Return the YAML comments of ECSV 1.0 (Astropy Proposal for Enhancement 6)."""
    columns = []
    for name in log.columns:
        datatype, unit = _NUMBERS.get(name, ("string", ""))
        with_unit = f"unit: {unit}, " if unit else ""
        columns.append(f"# - {{name: {name}, {with_unit}datatype: {datatype}}}\n")
    start = f"# %ECSV 1.0\n# ---\n# delimiter: '{log.separator}'\n# datatype:\n"
    return start + "".join(columns)
