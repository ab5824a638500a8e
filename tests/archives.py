"""Archives for tests: small ones from rows written in the test, and the invented demo."""

import csv
import fcntl
import json
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from tests.awkward_sky import Plate

from platecover.coverage.archive import Archive
from platecover.coverage.edition_build import build

Rows = Sequence[Mapping[str, object]]

DEMO_EXPOSURES = 2000  # fewer than the demo's own, so that it builds in a few seconds
STATIONS: dict[str, dict[str, object]] = {
    "hill": {"latitude_deg": 0.0, "longitude_deg": 0.0, "height_m": 10}
}
SERIES: dict[str, object] = {
    "telescope": "Hill camera",
    "station": "hill",
    "scale_arcsec_per_mm": 60.0,
    "exposed_mm": [160, 160],
    "equinox": "ICRS",
    "clock": "UT",
}  # 2.67 degrees square, in ICRS and UT, so that a log's numbers are the answer's


def write_log(path: Path, rows: Rows) -> Path:
    """Write a CSV log whose columns are the keys of its rows; missing keys are empty cells."""
    columns = list(dict.fromkeys(name for row in rows for name in row))
    with path.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, columns)
        writer.writeheader()
        writer.writerows(rows)
    return path


def write_observatory(
    path: Path,
    series: Mapping[str, Mapping[str, object]],
    stations: Mapping[str, Mapping[str, object]] = STATIONS,
) -> Path:
    """Write an observatory file; each series holds what differs from SERIES, None for nothing."""
    lines = ['name = "Hill Observatory (invented)"']
    for key, station in stations.items():
        lines += [f"[stations.{key}]", *(f"{name} = {_toml(v)}" for name, v in station.items())]
    for code, given in series.items():
        values = {name: v for name, v in (SERIES | dict(given)).items() if v is not None}
        lines += [f"[series.{code}]", *(f"{name} = {_toml(v)}" for name, v in values.items())]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def _toml(value: object) -> str:
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{name} = {_toml(v)}" for name, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(_toml(v) for v in value) + "]"
    return json.dumps(value)  # texts, numbers and booleans are written alike


def build_archive(
    folder: Path, rows: Rows, series: Mapping[str, Mapping[str, object]] | None = None
) -> Archive:
    """Build an archive of one log; the series default to one, HB, as SERIES says."""
    log = write_log(folder / "log.csv", rows)
    observatory = write_observatory(folder / "observatory.toml", series or {"HB": {}})
    report = build(folder / "archive", [log], observatory)
    assert report.rows_read == report.kept + report.set_aside == len(rows)
    return Archive.open(folder / "archive")


def build_demo(factory: pytest.TempPathFactory) -> Archive:
    """Build the invented demo, once for all the processes of a test run."""
    shared = factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        shared = shared.parent
    folder = shared / "demo"
    with (shared / "demo.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not (folder / "archive" / "current").exists():
            from platecover.demo_data.make_demo import write_demo  # here alone; some seconds

            files = write_demo(folder, exposures=DEMO_EXPOSURES)
            build(folder / "archive", files.logs, files.observatory)
    return Archive.open(folder / "archive")


def build_plates(folder: Path, plates: Sequence[Plate], dates: Sequence[str] = ()) -> Archive:
    """Build an archive that holds plates as they are, each of its own series.

    Numbers are written so that they read back the same; the margin is the stated error. Without
    dates the plates stand in their own order.
    """
    series, rows = {}, []
    for number, plate in enumerate(plates):
        code = series_code(number)
        series[code] = {
            "exposed_mm": [plate.width, plate.height],
            "scale_arcsec_per_mm": plate.scale,
            "usable_radius_deg": None if np.isnan(plate.usable_radius) else plate.usable_radius,
        }
        rows.append(
            {
                "plate": f"{code} 1",
                "ra": repr(plate.ra),
                "dec": repr(plate.dec),
                "position_angle_deg": repr(plate.angle),
                "position_error_arcmin": repr(plate.margin * 60.0),
                "orientation_known": "" if plate.orientation_known else "no",
                "date": dates[number] if dates else "",
            }
        )
    return build_archive(folder, rows, series)


def series_code(number: int) -> str:
    """A series code of three letters, in alphabetical order."""
    letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
    return letters[number // 676] + letters[number // 26 % 26] + letters[number % 26]


def plates_of(archive: Archive) -> list[Plate]:
    """The columns of an archive's exposures as plates, in its own order."""
    table = archive.edition.table("exposures")
    columns: dict[str, list[Any]] = {
        name: table.column(name).to_pylist()
        for name in (
            "exposure_id", "s_ra", "s_dec", "position_angle_deg", "width_mm", "height_mm",
            "scale_arcsec_per_mm", "usable_radius_deg", "margin", "orientation_known",
        )
    }  # fmt: skip
    return [
        Plate(name, ra, dec, width, height, scale, angle, np.nan if cut is None else cut, m, known)
        for name, ra, dec, angle, width, height, scale, cut, m, known in zip(
            *columns.values(), strict=True
        )
    ]


def never_sure_of(archive: Archive) -> NDArray[np.bool_]:
    """Exposures whose centre is not trusted, from the kept table."""
    return np.array(archive.edition.table("exposures").column("never_sure").to_pylist())
