"""The invented demo read back by the standard library alone: log rows beside their truth."""

import csv
import io
import re
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from platecover.demo_data.make_demo import DemoFiles, write_demo

FORMS = {  # separator and encoding of each log
    "tarvell_log.csv": (",", "latin-1"),
    "quennick_log.csv": (";", "utf-8-sig"),
    "vetrolin_log.txt": ("\t", "utf-8"),
    "lorrimane_log.ecsv": (",", "utf-8"),
}
PLACES = {  # latitude and east longitude, degrees
    "tarvell": (52.2613, -38.6085),
    "quennick": (-31.4402, -101.7350),
    "lorrimane": (-12.5866, 88.1924),
    "vetrolin-harbour": (46.1071, 171.2958),
    "vetrolin-hill": (46.1644, 171.4183),
}
MINUTE_DAYS = 1.0 / 1440.0
MJD_ORIGIN = date(1858, 11, 17)
WRITTEN_TWICE = ("repeated row", "second row of one exposure")


@dataclass
class Row:
    """A log row beside its truth."""

    log: str
    line: int
    cells: dict[str, str]
    spare: list[str]
    ra_deg: float
    dec_deg: float
    mid_mjd: float
    slip: str
    series: str
    station: str
    programme: str

    @property
    def start_mjd(self) -> float:
        """MJD (UT) of the start, if the exposure in the log is right."""
        return self.mid_mjd - 0.5 * float(self.cells["exposure_min"]) * MINUTE_DAYS

    @property
    def longitude_deg(self) -> float:
        """East longitude of the station."""
        return PLACES[self.station][1]


@dataclass
class Demo:
    """Files of one demo, and its rows."""

    files: DemoFiles
    rows: list[Row]
    unmatched_truth: set[tuple[str, int]]

    def clean(self, series: str, date_form: str = r".*") -> list[Row]:
        """Rows of a series without a slip whose date has a form."""
        return [
            row
            for row in self.rows
            if not row.slip and row.series == series and re.fullmatch(date_form, row.cells["date"])
        ]


ISO = r"\d{4}-\d\d-\d\d"
DOUBLE = r"\d{4}-\d\d-\d\d/\d\d"


def read_demo(folder: Path, exposures: int) -> Demo:
    """Write a demo into a folder and read it back."""
    files = write_demo(folder, exposures=exposures)
    truth = {
        (t["log_file"], int(t["row"])): t
        for t in csv.DictReader(io.StringIO(files.truth.read_text(encoding="utf-8")))
    }
    rows = []
    for path in files.logs:
        for line, cells, spare in _read(path, *FORMS[path.name]):
            t = truth.pop((path.name, line))
            ra, dec = float(t["true_ra_icrs_deg"]), float(t["true_dec_icrs_deg"])
            facts = (t["slip"], t["series"], t["station"], t["programme"])
            mid = float(t["true_mid_mjd_ut"])
            rows.append(Row(path.name, line, cells, spare, ra, dec, mid, *facts))
    return Demo(files, rows, set(truth))


def _read(path: Path, separator: str, encoding: str) -> list[tuple[int, dict[str, str], list[str]]]:
    lines = path.read_bytes().decode(encoding).splitlines(keepends=True)
    above = sum(line.startswith("#") for line in lines)
    reader = csv.reader(lines[above:], delimiter=separator)
    header = [name.lower() for name in next(reader)]
    return [
        (above + reader.line_num, dict(zip(header, cells, strict=False)), cells[len(header) :])
        for cells in reader
        if cells
    ]


def mjd(day: str, time: str) -> float:
    """MJD of a civil date and a time of day."""
    h, m, s = (int(part) for part in f"{time}:00".split(":")[:3])
    return (date.fromisoformat(day) - MJD_ORIGIN).days + (h * 3600 + m * 60 + s) / 86400.0


def newcomb_gmst_deg(mjd_ut: NDArray[np.float64] | float) -> NDArray[np.float64]:
    """Newcomb's sidereal time (Explanatory Supplement 1961), at any UT by the sidereal rate."""
    day = np.floor(mjd_ut)
    centuries = (day - 15019.5) / 36525.0  # from 1900 Jan 0.5 UT
    at_0h_s = 23925.836 + 8640184.542 * centuries + 0.0929 * centuries**2
    return np.asarray((at_0h_s + 1.002737909 * 86400.0 * (mjd_ut - day)) / 240.0 % 360.0)
