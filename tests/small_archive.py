"""A small invented archive for the tests of keeping and of the command line."""

import csv
import io
import json
import subprocess
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import pytest

from platecover.coverage.edition_build import build
from platecover.service.cli import main

OBSERVATORY = """
name = "Brackwater Observatory (invented)"
[stations.mill]
latitude_deg = 51.0
longitude_deg = 3.0
height_m = 20
[series.QN]
telescope = "Mill astrograph"
station = "mill"
scale_arcsec_per_mm = 60.0
exposed_mm = [160, 160]
equinox = "J2000.0"
clock = "UT"
[series.WM]
telescope = "Wide camera, first"
station = "mill"
scale_arcsec_per_mm = 400.0
exposed_mm = [200, 250]
equinox = "J2000.0"
clock = "UT"
years = [1890, 1950]
"""
COLUMNS = (
    "plate", "exposure", "ra", "dec", "equinox", "date", "time", "exposure_min",
    "scale_arcsec_per_mm", "width_mm", "technique", "status", "scanned", "scan_url",
    "shelf", "observer", "object", "limiting_mag", "notes",
)  # fmt: skip
GOOD = {"plate": "QN 1", "ra": "83.6", "dec": "22.0", "date": "1905-03-04", "time": "21:30"}
PLACE = ("83.6", "22.0", "0")  # that most plates of PLATES show
PLATES = (
    {**GOOD, "exposure_min": "30", "observer": "Ada Fenn", "status": "on shelf"},
    {**GOOD, "plate": "QN 2", "date": "1906-03-05", "exposure_min": "60", "limiting_mag": "14.5"},
    {**GOOD, "plate": "QN 3b", "date": "", "time": "", "shelf": "C3"},
    {**GOOD, "plate": "WM 4", "ra": "80.0", "dec": "20.0", "date": "1921-12-31", "time": "23:50",
     "exposure_min": "40", "scan_url": "https://plates.example/wm4.fits"},
    {**GOOD, "plate": "WM 5", "ra": "350.0", "dec": "-60.0", "date": "1930", "time": ""},
)  # fmt: skip


def log_text(rows: Sequence[Mapping[str, str]]) -> str:
    """A comma-separated plate log."""
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, COLUMNS, restval="")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


@dataclass(frozen=True)
class Place:
    """A folder with a log, an observatory file and, once built, an archive."""

    folder: Path

    @property
    def archive(self) -> Path:
        """Folder of the archive."""
        return self.folder / "archive"

    @property
    def log(self) -> Path:
        """The log."""
        return self.folder / "log.csv"

    @property
    def observatory(self) -> Path:
        """The observatory file."""
        return self.folder / "observatory.toml"

    @property
    def edition(self) -> Path:
        """Folder of the edition in use."""
        return self.archive / "editions" / (self.archive / "current").read_text().strip()

    def write(
        self, rows: Sequence[Mapping[str, str]] = PLATES, observatory: str = OBSERVATORY
    ) -> "Place":
        """Write log and observatory file."""
        self.folder.mkdir(parents=True, exist_ok=True)
        self.log.write_text(log_text(rows), encoding="utf-8")
        self.observatory.write_text(observatory, encoding="utf-8")
        return self

    def build(self, rows: Sequence[Mapping[str, str]] = PLATES) -> "Place":
        """Write and build."""
        self.write(rows)
        build(self.archive, [self.log], self.observatory)
        return self

    def build_words(self) -> list[str]:
        """The words of a build on the command line."""
        return [
            "build", str(self.log), "--observatory", str(self.observatory), "--archive",
            str(self.archive),
        ]  # fmt: skip


@dataclass(frozen=True)
class Outcome:
    """What a command left: exit status and what it wrote."""

    status: int
    out: str
    err: str


def run(capture: pytest.CaptureFixture[str], *words: object) -> Outcome:
    """Run the command line in this process."""
    capture.readouterr()
    with pytest.raises(SystemExit) as leaving:
        main([str(word) for word in words])
    written = capture.readouterr()
    assert "Traceback" not in written.err
    return Outcome(int(str(leaving.value.code)), written.out, written.err)


def run_apart(*words: object, **how: object) -> subprocess.CompletedProcess[bytes]:
    """Run the command line in a process of its own."""
    return subprocess.run(command(*words), capture_output=True, timeout=120, **how)  # type: ignore[call-overload, no-any-return]


def command(*words: object) -> list[str]:
    """The words that start the command line in a process of its own."""
    return [sys.executable, "-m", "platecover.service.cli", *(str(word) for word in words)]


def change_json(path: Path, **values: object) -> None:
    """Set members of a JSON file; None removes one."""
    whole = json.loads(path.read_text())
    whole |= values
    path.write_text(json.dumps({name: v for name, v in whole.items() if v is not None}))
