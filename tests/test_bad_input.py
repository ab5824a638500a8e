"""Bad input from end to end: an error, a remark or a row set aside, and never a lost row.

The words of questions (`nan`, radius -1, polygons of two corners, unknown filter values) are in
test_cli.py, damaged and half-written archives in test_edition.py and test_edition_publish.py;
the finer grain of cells is in test_plate_log.py and test_log_cells.py.
"""

from pathlib import Path

import numpy as np
import pytest
from astropy.table import Table
from tests.small_archive import GOOD, OBSERVATORY, PLACE, Place, log_text, run

from platecover.coverage.archive import Archive
from platecover.coverage.edition_build import build

Capture = pytest.CaptureFixture[str]

BAD = {**GOOD, "plate": "QN 2", "date": "1906-03-04"}
SEXAGESIMAL = {**GOOD, "ra": "05 33.1", "dec": "+22 00"}


def build_of(tmp_path: Path, bad: dict[str, str], good: dict[str, str] = GOOD) -> Archive:
    """Build an archive of a good row and a bad one, the third line of the log."""
    place = Place(tmp_path).write([good, bad])
    report = build(place.archive, [place.log], place.observatory)
    assert report.rows_read == report.kept + report.set_aside == 2
    return Archive.open(place.archive)


@pytest.mark.parametrize(
    ("cells", "column", "reason"),
    [
        ({"plate": "ZZ 2"}, "plate", "QN, WM"),
        ({"plate": "QN"}, "plate", "designation"),
        ({"plate": ""}, "plate", ""),
        ({"plate": "QN -2"}, None, ""),  # a separator, as any other
        ({"ra": "abc"}, "ra", "'abc'"),
        ({"ra": "nan"}, "ra", "'nan'"),
        ({"ra": "1e999"}, "ra", ""),
        ({"ra": ""}, "ra", "missing"),
        ({"ra": "24 30"}, "ra", "24"),
        ({"ra": "361.0"}, "ra", "361"),
        ({"dec": "91"}, "dec", "90"),
        ({"dec": "-90 00 01"}, "dec", "90"),
        ({"dec": "12 75"}, "dec", "75"),
        ({"dec": "north"}, "dec", "'north'"),
        ({"date": "1898-02-30"}, "date", "28 days"),
        ({"date": "1900-02-29"}, "date", "28 days"),  # Gregorian: 1900 was no leap year
        ({"date": "1898-13-01"}, "date", "month"),
        ({"date": "soon"}, "date", "'soon'"),
        ({"date": "12.5.1898"}, "date", ""),
    ],
)
def test_row_is_set_aside_with_its_reason(
    tmp_path: Path, cells: dict[str, str], column: str | None, reason: str
) -> None:
    archive = build_of(tmp_path, {**BAD, **cells})
    aside = archive.set_aside()
    if column is None:
        assert len(aside) == 0
        return
    assert (aside["file"][0], aside["row"][0], aside["column"][0]) == ("log.csv", 3, column)
    shown = aside["value"][0]
    assert shown is np.ma.masked if cells[column] == "" else shown == cells[column]
    assert reason in aside["reason"][0]
    assert cells[column] in aside["cells"][0]
    assert list(archive.cone(83.6, 22.0, 0)["plate"]) == ["QN-1"]


def test_leap_day_of_the_julian_calendar_is_kept(tmp_path: Path) -> None:
    observatory = OBSERVATORY.replace('clock = "UT"', 'clock = "UT"\ncalendar = "julian"', 1)
    place = Place(tmp_path).write([{**GOOD, "date": "1900-02-29"}], observatory)
    build(place.archive, [place.log], place.observatory)
    # Julian 1900 February 29 is Gregorian March 13, MJD 15091 (13 days' difference from then on)
    (row,) = Archive.open(place.archive).cone(83.6, 22.0, 0)
    assert int(row["t_min"]) == 15091


def test_lone_whole_number_among_sexagesimal_right_ascensions(tmp_path: Path) -> None:
    archive = build_of(tmp_path, {**BAD, "ra": "05"}, SEXAGESIMAL)
    (aside,) = archive.set_aside()
    assert (aside["row"], aside["column"], aside["value"]) == (3, "ra", "05")
    assert "hours or degrees" in aside["reason"]


def test_lone_whole_number_among_degrees_is_degrees(tmp_path: Path) -> None:
    archive = build_of(tmp_path, {**BAD, "ra": "05"})
    assert archive.cone(5.0, 22.0, 0.5)["plate_logged"].tolist() == ["QN 2"]


def test_more_cells_than_the_header(tmp_path: Path) -> None:
    place = Place(tmp_path).write()
    lines = log_text([GOOD, BAD]).splitlines()
    place.log.write_text("\n".join([*lines[:2], lines[2] + ",one,two"]) + "\n")
    build(place.archive, [place.log], place.observatory)
    (aside,) = Archive.open(place.archive).set_aside()
    assert aside["row"] == 3
    assert "more cells" in aside["reason"]
    assert "two" in aside["cells"]


@pytest.mark.parametrize(
    ("cells", "column", "answer"),
    [
        ({"exposure_min": "-5"}, "exposure_min", {"t_exptime": None}),
        ({"exposure_min": "long"}, "exposure_min", {"t_exptime": None}),
        ({"exposure_min": "nan"}, "exposure_min", {"t_exptime": None}),
        ({"exposure_min": "4000"}, "exposure_min", {"t_exptime": 240_000.0}),
        ({"exposure_min": "0"}, None, {"t_exptime": None}),
        ({"exposure_min": ""}, None, {"t_exptime": None}),
        ({"scale_arcsec_per_mm": "0"}, "scale_arcsec_per_mm", {}),
        ({"scale_arcsec_per_mm": "-60"}, "scale_arcsec_per_mm", {}),
        ({"scale_arcsec_per_mm": "1e999"}, "scale_arcsec_per_mm", {}),
        ({"width_mm": "eight inches"}, "width_mm", {}),
        ({"width_mm": "0"}, "width_mm", {}),
        ({"time": "25:00"}, "time", {"time_precision": "night"}),
        ({"technique": "drawing"}, "technique", {"technique": "direct"}),
        ({"status": "lost"}, "status", {"status": None}),
        ({"scanned": "maybe"}, "scanned", {"scanned": None}),
        ({"scanned": "no", "scan_url": "https://plates.example/2"}, "scanned", {"scanned": "yes"}),
        ({"scan_url": "javascript:alert(1)"}, "scan_url", {"access_url": None}),
        ({"limiting_mag": "faint"}, "limiting_mag", {"limiting_mag": None}),
        ({"exposure": "first"}, "exposure", {"exposure": 1}),
    ],
)
def test_cell_becomes_nothing_with_a_remark(
    tmp_path: Path, cells: dict[str, str], column: str | None, answer: dict[str, object]
) -> None:
    archive = build_of(tmp_path, {**BAD, **cells})
    assert len(archive.set_aside()) == 0
    remarks = archive.remarks()
    of_row = remarks[remarks["row"] == 3] if len(remarks) else Table()
    if column is None:
        assert len(of_row) == 0
    else:
        assert of_row["column"].tolist() == [column]
        assert of_row["value"].tolist() == [cells[column]]
    row = archive.cone(83.6, 22.0, 0)[1]
    assert (row["remarks"] is np.ma.masked) == (column is None)
    for name, value in answer.items():
        assert row[name] is np.ma.masked if value is None else row[name] == value
    assert row["edge_distance"] > 1.2  # of the series' own size and scale


@pytest.mark.parametrize(
    ("content", "part"),
    [
        (b"", "empty"),
        (b"\n\n \n", "empty"),
        (b"\xef\xbb\xbf", "empty"),
        (b"\x00\x01\x02\x03", "not a table"),
        (b"Dear Sir,\nthe plates are in the cellar.\n", "plate"),
        (b"plate,ra;dec,date\nQN 1,1;2,1900\n", "two separators"),
        (b"plate,ra,dec\nQN 1;83.6;22\n", "two separators"),
        (b"plate,plate,ra,dec\nQN 1,QN 1,1,2\n", "plate"),
        (b"ra,dec\n1,2\n", "plate"),
        (b"plate,ra,dec\n", "no rows"),
        (b"SIMPLE  =                    T", "log.csv"),
        (b"PAR1junkPAR1", "log.csv"),
        (b"<?xml version='1.0'?><VOTABLE/>", "log.csv"),
        (b"<?xml version='1.0'?><html>", "log.csv"),
        (b"# %ECSV 1.0\n# ---\n# {\n", "log.csv"),
        (b"plate,ra,dec\n" + b'"QN 1,83.6,22\n' * 3, "set aside 3"),
    ],
)
def test_files_that_are_no_logs(capsys: Capture, tmp_path: Path, content: bytes, part: str) -> None:
    place = Place(tmp_path).write()
    place.log.write_bytes(content)
    outcome = run(capsys, *place.build_words())
    assert outcome.status == 1
    assert outcome.out == ""
    assert part in outcome.err
    assert len(outcome.err.splitlines()) <= 2
    assert not place.archive.exists()


def test_logs_that_cannot_be_read(capsys: Capture, tmp_path: Path) -> None:
    place = Place(tmp_path).write()
    for log, part in ((tmp_path / "nowhere.csv", "nowhere.csv"), (tmp_path, str(tmp_path))):
        words = ["build", log, "--observatory", place.observatory, "--archive", place.archive]
        outcome = run(capsys, *words)
        assert (outcome.status, outcome.out) == (1, "")
        assert part in outcome.err
        assert len(outcome.err.splitlines()) <= 2
    assert not place.archive.exists()


@pytest.mark.parametrize(
    ("old", "new", "part"),
    [
        ("telescope", "telescop", "telescop"),
        ("latitude_deg = 51.0", "latitude_deg = 91.0", "latitude_deg"),
        ("latitude_deg = 51.0", "latitude_deg = nan", "latitude_deg"),
        ("latitude_deg = 51.0", 'latitude_deg = "N"', "latitude_deg"),
        ('station = "mill"', 'station = "peak"', "peak"),
        ("[series.QN]", "[series.Q2]", "Q2"),
        ("scale_arcsec_per_mm = 60.0", "scale_arcsec_per_mm = 0", "scale_arcsec_per_mm"),
        ("scale_arcsec_per_mm = 60.0", "", "scale_arcsec_per_mm"),
        ("exposed_mm = [160, 160]", 'exposed_mm = "6x6"', "exposed_mm"),
        ("exposed_mm = [160, 160]", "exposed_mm = [160]", "exposed_mm"),
        ("years = [1890, 1950]", "years = [1950, 1890]", "years"),
        (
            'equinox = "J2000.0"',
            'equinox = [{ until = 1920-01-01, value = "B1875" },'
            ' { until = 1910-01-01, value = "B1900" }, { value = "J2000" }]',
            "1910-01-01",
        ),
        (
            'equinox = "J2000.0"',
            'equinox = [{ value = "B1875" }, { until = 1910-01-01, value = "B1900" }]',
            "until",
        ),
        ('clock = "UT"', 'clock = "sundial"', "sundial"),
        ("name = ", "nam = ", "nam"),
        ("[stations.mill]", "[stations.mill", "observatory.toml"),
        (OBSERVATORY, "", "observatory.toml"),
        (OBSERVATORY, "\x00", "observatory.toml"),
    ],
)
def test_observatory_files_that_cannot_be_right(
    capsys: Capture, tmp_path: Path, old: str, new: str, part: str
) -> None:
    assert old in OBSERVATORY
    place = Place(tmp_path).write(observatory=OBSERVATORY.replace(old, new, 1))
    outcome = run(capsys, *place.build_words())
    assert (outcome.status, outcome.out) == (1, "")
    assert part in outcome.err
    assert "observatory.toml" in outcome.err
    assert len(outcome.err.splitlines()) <= 2
    assert not place.archive.exists()


def test_observatory_file_that_cannot_be_read(capsys: Capture, tmp_path: Path) -> None:
    place = Place(tmp_path).write()
    for path in (tmp_path / "nowhere.toml", tmp_path):
        words = ["build", place.log, "--observatory", path, "--archive", place.archive]
        outcome = run(capsys, *words)
        assert (outcome.status, outcome.out) == (1, "")
        assert str(path) in outcome.err
    place.observatory.write_bytes(b'name = "\xff"')
    outcome = run(capsys, *place.build_words())
    assert (outcome.status, outcome.out) == (1, "")
    assert "observatory.toml" in outcome.err


def test_archive_that_holds_no_edition_yet(capsys: Capture, tmp_path: Path) -> None:
    (tmp_path / "editions").mkdir()
    (tmp_path / "lock").touch()
    outcome = run(capsys, "cone", "--archive", tmp_path, *PLACE)
    assert outcome.status == 1
    assert "not a platecover archive" in outcome.err
