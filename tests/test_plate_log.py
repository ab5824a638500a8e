"""Plate logs to exposures: published plates, defaults, remarks, and no row ever lost."""

import csv
import io
import json
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from astropy import units as u
from astropy.coordinates import SkyCoord
from astropy.table import Table
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.whole_logs import PlateLogs, read_logs

from platecover.coverage.columns import EXPOSURE_COLUMNS, PLATE_COLUMNS
from platecover.coverage.errors import LogFileError
from platecover.coverage.observatory import Observatory, observatory_from

MJD_ZERO_JD = 2400000.5


def observatory(**series: Any) -> Observatory:
    """An invented observatory; `series` changes what its series QN has."""
    qn = {
        "telescope": "Fell camera",
        "station": "fell",
        "scale_arcsec_per_mm": 100.0,
        "exposed_mm": [254, 203.2],
        "equinox": "B1900.0",
        "clock": "UT",
    }
    qn |= series
    plain = {
        "telescope": "Moor camera",
        "station": "moor",
        "scale_arcsec_per_mm": 60.0,
        "exposed_mm": [160, 160],
    }
    stations = {
        "fell": {"latitude_deg": 51.5, "longitude_deg": 0.0},
        "moor": {"latitude_deg": 47.9, "longitude_deg": 15.0 * (52 + 15.4 / 60) / 60},
        "cape": {"latitude_deg": 42.4, "longitude_deg": -71.0},
    }
    kept = {key: value for key, value in qn.items() if value is not None}
    return observatory_from({"stations": stations, "series": {"QN": kept, "TB": plain}}, "here")


OBSERVATORY = observatory()


def read(folder: Path, text: str, where: Observatory = OBSERVATORY) -> PlateLogs:
    path = folder / "book.csv"
    path.write_text(text, encoding="utf-8")
    answer = read_logs([path], where)
    assert answer.rows_read == answer.kept + answer.set_aside_count
    return answer


def one(folder: Path, where: Observatory = OBSERVATORY, **cells: str) -> dict[str, Any]:
    """The only exposure of a log of one row; QN 1 at 5h33.1m +60d12m unless said otherwise."""
    row = {"plate": "QN 1", "ra": "05 33.1", "dec": "+60 12"} | cells
    out = io.StringIO()
    csv.writer(out).writerows([row.keys(), row.values()])
    answer = read(folder, out.getvalue(), where)
    assert answer.kept == 1, answer.set_aside
    return {name: values[0] for name, values in answer.exposures.items()}


# Five plates worked out by two routes: gnomonic projection by ERFA tpsts after Newcomb's
# precession by hand and ERFA fk45z, and astropy's WCS after astropy's FK4 to ICRS; these agree
# within 0.007 arcsec. Times are calendar arithmetic (Meeus, Astronomical Algorithms, ch. 7).
FIVE_PLATES = """\
plate,ra,dec,equinox,date,time,clock,exposure_min,width_mm,height_mm,scale_arcsec_per_mm,\
position_angle_deg,day_begins
TB 1,18 36 00,+39 00 00,B1900.0,1898-08-09,09:45:00,GMAT,40,160,160,60,,
TB 2,08 00 00,+87 00 00,B1950.0,1952-03-01,05:40:00,UT,12,355.6,355.6,67.14,0,
TB 3,00 01 00,-30 00 00,B1875.0,1892 Oct 15,13:20:00,GMT,60,254,203.2,100,0,noon
TB 4,05 32 00,-05 00 00,B1950.0,1949-01-25,20:10,UT,30,240,160,86,20,
TB 5,02 00 00,+55 00 00,B1855.0,1891-12-02,21:30:00,LMT,180,215.9,165.1,400,0,
"""
EXPECTED_CENTRES = [
    (279.8353, 39.0911),
    (125.0109, 86.8503),
    (1.8436, -29.3040),
    (83.6165, -4.9675),
    (32.4624, 55.6904),
]
EXPECTED_MID_JD = [2414511.420139, 2434072.740278, 2412387.576389, 2432942.350694, 2412069.422044]
# The corner at +x, +y in ICRS, degrees.
EXPECTED_CORNERS = [
    (281.5645, 40.4277),
    (213.4105, 86.4489),
    (5.7749, -26.4311),
    (86.9725, -4.1613),
    (58.4484, 62.1919),
]


def test_five_plates(tmp_path: Path) -> None:
    found = read(tmp_path, FIVE_PLATES).exposures
    centres = SkyCoord(found["s_ra"], found["s_dec"], unit="deg")
    expected = SkyCoord(EXPECTED_CENTRES, unit="deg")
    assert centres.separation(expected).deg.max() < 0.0005
    mid_jd = (found["t_min"] + found["t_max"]) / 2 + MJD_ZERO_JD
    np.testing.assert_allclose(mid_jd, EXPECTED_MID_JD, rtol=0, atol=0.00002)
    np.testing.assert_allclose(found["t_exptime"], [2400, 720, 3600, 1800, 10800])
    # Corners from our centre and orientation by astropy's offset along a great circle: at
    # (x, y) mm the position angle is that of +y plus atan2(x, y), the distance atan(r / f).
    x, y = found["width_mm"] / 2, found["height_mm"] / 2
    angle = found["position_angle_deg"] + np.degrees(np.arctan2(x, y))
    distance = np.degrees(np.arctan(np.hypot(x, y) * found["scale_arcsec_per_mm"] / 206264.806))
    corners = centres.directional_offset_by(angle * u.deg, distance * u.deg)
    assert corners.separation(SkyCoord(EXPECTED_CORNERS, unit="deg")).deg.max() < 0.001
    assert set(found["time_precision"]) == {"exposure"}
    assert set(found["remarks"]) == {""}


# ---- what is kept ----


def test_every_declared_column_is_there(tmp_path: Path) -> None:
    answer = read(tmp_path, FIVE_PLATES)
    kinds = {"text": "O", "float": "f", "int": "i", "bool": "b"}
    for columns, declared in ((answer.exposures, EXPOSURE_COLUMNS), (answer.plates, PLATE_COLUMNS)):
        assert set(columns) == {column.name for column in declared}
        for column in declared:
            assert columns[column.name].dtype.kind == kinds[column.kind], column.name
            assert len(columns[column.name]) == 5


def test_cells_are_kept_as_logged(tmp_path: Path) -> None:
    text = "Plate,RA,Dec,Weather,notes\n qn 01 ,05 33.1,+60 12, fine ,=1+1\nQN 2,5,,😀,\n"
    answer = read(tmp_path, text)
    assert {name: list(values) for name, values in answer.logged.items()} == {
        "plate": [" qn 01 "],
        "ra": ["05 33.1"],
        "dec": ["+60 12"],
        "notes": ["=1+1"],
        "weather": [" fine "],
    }
    assert answer.exposures["plate"].tolist() == ["QN-1"]
    assert answer.exposures["plate_logged"].tolist() == [" qn 01 "]
    assert json.loads(answer.set_aside["cells"][0]) == {
        "Plate": "QN 2",
        "RA": "5",
        "Dec": "",
        "Weather": "😀",
        "notes": "",
    }


def test_each_row_has_the_columns_of_its_own_log(tmp_path: Path) -> None:
    first, second = tmp_path / "a.csv", tmp_path / "b.csv"
    first.write_text("plate,ra,dec,sky\nQN 1,5,+10,clear\n")
    second.write_text("Plate;RA;Dec;Time\nQN 2;5;+91;25:00\n")
    answer = read_logs([first, second], OBSERVATORY)
    cells = json.loads(answer.set_aside["cells"][0])
    assert cells == {"Plate": "QN 2", "RA": "5", "Dec": "+91", "Time": "25:00"}
    assert set(answer.logged) == {"plate", "ra", "dec", "time", "sky"}
    assert answer.logged["time"].tolist() == [""]
    assert len(answer.remarks["row"]) == 0  # those on rows set aside would only distract


def test_plates_whose_rows_are_all_set_aside_are_known(tmp_path: Path) -> None:
    where = observatory(glass_mm=[270, 216], glass_thickness_mm=2.5, shelved_by="date")
    answer = read(tmp_path, "plate,ra,dec,status\nQN 07b,5,+91,missing\nTB 1,83.2,-5,\n", where)
    assert answer.plates["plate"].tolist() == ["QN-7b", "TB-1"]
    assert answer.plates["number"].tolist() == ["7", "1"]
    assert answer.plates["suffix"].tolist() == ["b", ""]
    assert answer.plates["status"].tolist() == ["missing", ""]
    assert answer.plates["exposures"].tolist() == [0, 0]
    assert answer.plates["glass_width_mm"][0] == 270
    assert math.isnan(answer.plates["glass_width_mm"][1])
    assert answer.plates["shelved_by"].tolist() == ["date", ""]


def test_no_rows_and_no_logs(tmp_path: Path) -> None:
    answer = read(tmp_path, "plate,ra,dec\n")
    assert (answer.rows_read, answer.kept, answer.set_aside_count) == (0, 0, 0)
    assert all(len(values) == 0 for values in answer.exposures.values())
    with pytest.raises(LogFileError, match="no plate log named"):
        read_logs([], OBSERVATORY)


def test_progress_is_told(tmp_path: Path) -> None:
    path = tmp_path / "book.csv"
    path.write_text(FIVE_PLATES)
    told: list[tuple[str, int, int]] = []
    read_logs([path], OBSERVATORY, lambda *step: told.append(step))
    assert told[-1] == ("reading logs", path.stat().st_size, path.stat().st_size)
    assert all(0 <= done <= total for _, done, total in told)


# ---- what is set aside ----


@pytest.mark.parametrize(
    ("cells", "column", "reason"),
    [
        ({"plate": "ZZ 1"}, "plate", "unknown series 'ZZ'; known: QN, TB"),
        ({"plate": "QN"}, "plate", "not a designation"),
        ({"plate": " "}, "plate", "no designation"),
        ({"ra": ""}, "ra", "missing"),
        ({"ra": "24 30"}, "ra", "impossible"),
        ({"ra": "05 33.x"}, "ra", "not an angle"),
        ({"dec": "+91 00"}, "dec", "impossible"),
        ({"dec": "nan"}, "dec", "not an angle"),
        ({"date": "1898-02-30"}, "date", "impossible"),
        ({"date": "1900-02-29"}, "date", "impossible"),
        ({"date": "spring"}, "date", "unreadable"),
        ({"date": "x" * 10_000}, "date", "too long"),
        ({"date": "1898-03-04", "clock": "JD"}, "date", "no Julian Date"),
        ({"date": "2389999.5", "clock": "JD"}, "date", "impossible: 2390000 to 2470000"),
        ({"date": "2414511.4"}, "date", "unreadable"),
        ({"plate": "TB 1"}, "equinox", "no equinox, nor one of the series"),
        ({"plate": "TB 1", "equinox": "B18"}, "equinox", "and the series gives none"),
        ({"equinox": "date"}, "equinox", "there is no date"),
    ],
)
def test_reasons_for_setting_a_row_aside(
    tmp_path: Path, cells: dict[str, str], column: str, reason: str
) -> None:
    row = {"plate": "QN 1", "ra": "05 33.1", "dec": "+60 12"} | cells
    out = io.StringIO()
    csv.writer(out).writerows([row.keys(), row.values(), ["QN 2", "5 30", "+60 00"]])
    answer = read(tmp_path, out.getvalue())
    assert (answer.kept, answer.set_aside_count) == (1, 1)
    entry = {name: values[0] for name, values in answer.set_aside.items()}
    assert (entry["file"], entry["row"], entry["column"]) == ("book.csv", 2, column)
    assert reason in entry["reason"]
    assert entry["value"] == row.get(column, "")
    assert json.loads(entry["cells"]) == row


def test_a_lone_integer_among_sexagesimals_and_extra_cells(tmp_path: Path) -> None:
    answer = read(tmp_path, "plate,ra,dec\nQN 1,05,+10\nQN 2,05 30,+10\nQN 3,05 30,+91,x,y\n")
    assert answer.set_aside["row"].tolist() == [2, 4]
    assert answer.set_aside["column"].tolist() == ["ra", "beyond the header"]
    assert answer.set_aside["value"].tolist() == ["05", "x, y"]
    assert "hours or degrees" in answer.set_aside["reason"][0]
    assert "more cells than the header" in answer.set_aside["reason"][1]
    assert "; also dec: '+91' is impossible" in answer.set_aside["reason"][1]
    assert json.loads(answer.set_aside["cells"][1])["beyond the header"] == ["x", "y"]
    assert answer.plates["plate"].tolist() == ["QN-1", "QN-2", "QN-3"]


def test_the_rule_of_the_lone_integer_is_by_file(tmp_path: Path) -> None:
    first, second = tmp_path / "a.csv", tmp_path / "b.csv"
    first.write_text("plate,ra,dec\nQN 1,05,+10\n")
    second.write_text("plate,ra,dec\nQN 2,05 30,+10\n")
    assert read_logs([first, second], OBSERVATORY).kept == 2


# ---- bad cells, remarks and defaults ----


@pytest.mark.parametrize(
    ("column", "cell", "name", "value", "reason"),
    [
        ("time", "25:00", "time_precision", "night", "impossible"),
        ("time", "late", "time_precision", "night", "unreadable"),
        ("scale_arcsec_per_mm", "0", "scale_arcsec_per_mm", 100.0, "above 0"),
        ("width_mm", "8 inch", "width_mm", 254.0, "not a number"),
        ("height_mm", "1e308", "height_mm", 203.2, "impossible"),
        ("exposure_min", "-5", "t_exptime", None, "impossible"),
        ("exposure_min", "an hour", "t_exptime", None, "not a number"),
        ("exposure_min", "1e308", "t_exptime", None, "impossible"),
        ("equinox", "B18", "series", "QN", "B18"),
        ("clock", "sundial", "station", "fell", "sundial"),
        ("station", "attic", "station", "fell", "unknown station; known: fell, moor, cape"),
        ("technique", "painting", "technique", "direct", "none of: direct"),
        ("tracking", "wobbling", "tracking", "sidereal", "none of"),
        ("centre_is", "moon", "centre_is", "plate", "none of"),
        ("orientation_known", "maybe", "orientation_known", True, "none of: yes, no"),
        ("status", "lost", "status", "", "none of"),
        ("condition", "dusty", "condition", "", "none of"),
        ("scanned", "soon", "scanned", "", "none of"),
        ("scan_url", "javascript:x", "access_url", "", "no http"),
        ("limiting_mag", "faint", "limiting_mag", None, "not a number"),
        ("position_error_arcmin", "-1", "never_sure", False, "impossible"),
        ("exposure", "first", "exposure", 1, "not a number"),
        ("calendar", "mayan", "series", "QN", "none of: gregorian, julian"),
        ("time_is", "about", "series", "QN", "none of"),
        ("day_begins", "dawn", "series", "QN", "none of"),
        ("date_is", "mine", "series", "QN", "none of"),
    ],
)
def test_bad_cells_become_the_default_with_a_remark(
    tmp_path: Path, column: str, cell: str, name: str, value: object, reason: str
) -> None:
    row = one(tmp_path, **{"date": "1898-03-04", column: cell})
    if value is None:
        assert math.isnan(row[name])
    else:
        assert row[name] == value
    assert row["remarks"].startswith(f"{column}: ")
    assert reason in row["remarks"]


def test_bad_cells_leave_centre_and_margin_as_without_them(tmp_path: Path) -> None:
    good = one(tmp_path)
    bad = one(tmp_path, scale_arcsec_per_mm="0", position_error_arcmin="x", equinox="?")
    for name in ("s_ra", "s_dec", "position_angle_deg", "margin"):
        assert bad[name] == good[name]


def test_sizes_that_no_flat_plate_has(tmp_path: Path) -> None:
    row = one(tmp_path, width_mm="2000", scale_arcsec_per_mm="50000")
    assert (row["width_mm"], row["scale_arcsec_per_mm"]) == (254.0, 100.0)
    assert "width_mm: sizes and scale reach farther" in row["remarks"]


def test_exposure_times(tmp_path: Path) -> None:
    for cell in ("", "0", "0.0"):
        row = one(tmp_path, exposure_min=cell)
        assert math.isnan(row["t_exptime"])
        assert row["remarks"] == ""
    row = one(tmp_path, exposure_min="4000")
    assert row["t_exptime"] == 240_000.0
    assert row["remarks"] == "exposure_min: longer than a day"
    row = one(tmp_path, date="1898-03-04", time="20:00", time_end="20:30", exposure_min="10")
    assert row["t_exptime"] == 600.0
    assert row["t_max"] - row["t_min"] == pytest.approx(30 / 1440)
    assert "time_end: " in row["remarks"]


def test_clock_of_nobody_is_ut_with_a_remark(tmp_path: Path) -> None:
    where = observatory(clock=None)
    row = one(tmp_path, where, date="1898-03-04", time="20:00")
    assert row["remarks"] == "clock: not stated, nor by the series; taken as UT"
    assert row["t_min"] % 1 == pytest.approx(20 / 24)
    assert one(tmp_path, where)["remarks"] == ""


def test_sidereal_dates_are_evenings_unless_stated(tmp_path: Path) -> None:
    # By hand from GMST of IAU 1982 (Aoki et al. 1982): at 71 W, evening date 1922 June 20,
    # sidereal 17h40m is June 21, 04h29m38.3s UT; of the civil day June 21, June 22 04h25m42s.
    # MJD of 1922 June 21 is 23226: 24151 (1925 Jan 1) - 2 x 365 - 366 + 171 days.
    where = observatory(clock="LST", station="cape")
    evening = one(tmp_path, where, date="1922-06-20", time="17:40")
    expected = 23226 + (4 + 29 / 60 + 38.3 / 3600) / 24
    assert evening["t_min"] == pytest.approx(expected, abs=0.5 / 86400)
    # an hour of sidereal time (3590.17 s) later it is past local midnight, still that night
    later = one(tmp_path, where, date="1922-06-20", time="18:40")
    assert later["t_min"] == pytest.approx(expected + 3590.17 / 86400, abs=0.5 / 86400)
    civil = one(tmp_path, where, date="1922-06-21", time="17:40", date_is="civil")
    expected = 23227 + (4 + 25 / 60 + 42 / 3600) / 24
    assert civil["t_min"] == pytest.approx(expected, abs=0.5 / 86400)


def test_julian_dates(tmp_path: Path) -> None:
    row = one(tmp_path, clock="JD", date="2414511.420139", time="20:00")
    assert row["t_min"] == row["t_max"] == pytest.approx(14510.920139)
    assert row["remarks"].startswith("time: ")
    whole = one(tmp_path, clock="jd", date="2414511")
    assert (whole["t_min"], whole["t_max"]) == (14510.5, 14511.5)
    series = one(tmp_path, observatory(clock="JD"), date="2414511")
    assert series["t_min"] == 14510.5


def test_calendar_of_the_series(tmp_path: Path) -> None:
    # 1900 February 29 Julian is 1900 March 13 Gregorian, MJD 15091: 2415091.5, twelve days (the
    # difference until that day) after 1900 March 1, JD 2415079.5 (Meeus, ch. 7)
    row = one(tmp_path, observatory(calendar="julian"), date="1900-02-29")
    assert row["t_min"] == 15091.0
    assert one(tmp_path, calendar="julian", date="1900-02-29")["t_min"] == 15091.0


def test_series_values_by_date(tmp_path: Path) -> None:
    where = observatory(
        scale_arcsec_per_mm=[{"until": "1900-01-01", "value": 50}, {"value": 200}],
        telescope=[{"until": "1900-01-01", "value": "old"}, {"value": "new"}],
        clock=[{"until": "1900-01-01", "value": "JD"}, {"value": "UT"}],
    )
    row = one(tmp_path, where, date="2414511.5")
    assert (row["scale_arcsec_per_mm"], row["telescope"]) == (50.0, "old")
    for date in ("1900-01-01", ""):
        row = one(tmp_path, where, date=date)
        assert (row["scale_arcsec_per_mm"], row["telescope"], row["remarks"]) == (200, "new", "")
    row = one(tmp_path, where, date="1900")
    assert row["telescope"] == "new"
    assert row["remarks"].startswith("date: ")
    assert "telescope" in row["remarks"]
    assert "first day" in row["remarks"]
    row = one(tmp_path, where, date="1900", telescope="a", scale_arcsec_per_mm="9", clock="UT")
    assert row["remarks"] == ""


def test_leading_zeros(tmp_path: Path) -> None:
    assert one(tmp_path, plate="QN 007")["exposure_id"] == "QN-7-1"
    kept = one(tmp_path, observatory(leading_zeros=True), plate="QN 007")
    assert kept["exposure_id"] == "QN-007-1"


def test_old_equinoxes(tmp_path: Path) -> None:
    # B1900 (83.2, -5.45) and B1950 (83.2, -5.45), epoch = equinox: four routes agree within
    # 0.017 arcsec (ERFA fk45z after hand Newcomb; PAL; Aoki's matrix by hand; astropy)
    undated = {"ra": "83.2", "dec": "-5.45"}
    for equinox in ("", "B1900", "1900", "1900.0", "?"):
        row = one(tmp_path, equinox=equinox, **undated)
        assert (row["s_ra"], row["s_dec"]) == pytest.approx((84.428187, -5.389981), abs=1e-4)
    row = one(tmp_path, equinox="B1950", **undated)
    assert (row["s_ra"], row["s_dec"]) == pytest.approx((83.814257, -5.418502), abs=1e-4)
    row = one(tmp_path, equinox="ICRS", position_angle_deg="-10", **undated)
    assert (row["s_ra"], row["s_dec"], row["position_angle_deg"]) == (83.2, -5.45, 350.0)


# ---- margin ----


def test_margin_by_digits(tmp_path: Path) -> None:
    # h_ra = 0.1 min / 2 = 0.0125 deg, h_dec = 1 arcmin / 2; half-diagonal atan(hypot(254, 203.2)
    # / 2 x 100 / 206264.806) = 4.5085 deg
    h_ra, h_dec = 0.0125, 0.5 / 60
    cos_dec, sin_dec = math.cos(math.radians(60.2)), math.sin(math.radians(60.2))
    half_diagonal = math.atan(math.hypot(254, 203.2) / 2 * 100 / 206264.806)
    first = math.hypot(h_ra * cos_dec, h_dec)
    assert first == pytest.approx(0.0104, abs=5e-5)
    second = h_ra * sin_dec * half_diagonal
    assert one(tmp_path)["margin"] == pytest.approx(first + second, rel=1e-9)
    south = one(tmp_path, dec="-60 12")
    assert south["margin"] == pytest.approx(first + second, rel=1e-9)

    tolerant = observatory(pointing_tolerance_arcmin=3, scale_tolerance_percent=2)
    more = 3 / 60 + 0.02 * math.degrees(half_diagonal)
    assert one(tmp_path, tolerant)["margin"] == pytest.approx(first + second + more, rel=1e-9)
    stated = one(tmp_path, tolerant, position_error_arcmin="6")
    assert stated["margin"] == pytest.approx(0.1 + more, rel=1e-9)
    assert one(tmp_path, position_error_arcmin="0")["margin"] == 0.0

    cut = observatory(usable_radius_deg=1.0)
    row = one(tmp_path, cut)
    assert row["margin"] == pytest.approx(first + second, rel=1e-9)
    assert row["usable_radius_deg"] == 1.0


def test_a_fixed_telescope_drifts(tmp_path: Path) -> None:
    still = one(tmp_path)["margin"]
    row = one(tmp_path, tracking="fixed", exposure_min="10")
    drift = 15.041 * 600 * math.cos(math.radians(60.2)) / 2 / 3600
    assert row["margin"] == pytest.approx(still + drift, rel=1e-12)
    assert not row["never_sure"]
    by_end = one(
        tmp_path, tracking="fixed", date="1898-03-04", time="20:00", time_end="20:10"
    )  # exposure from the two readings
    assert by_end["margin"] == pytest.approx(still + drift, rel=1e-9)
    unknown = one(tmp_path, observatory(tracking="fixed"))
    assert unknown["margin"] == still
    assert unknown["never_sure"]
    assert "never sure" in unknown["remarks"]


@pytest.mark.parametrize("word", ["guide star", "Named Object"])
def test_centres_of_other_things_are_never_sure(tmp_path: Path, word: str) -> None:
    row = one(tmp_path, centre_is=word)
    assert row["never_sure"]
    assert f"centre_is: the centre is that of a {word.lower()}; never sure" == row["remarks"]


# ---- facts of the plate ----


def test_the_last_value_holds_for_the_plate(tmp_path: Path) -> None:
    answer = read(
        tmp_path,
        "plate,ra,dec,status,condition,shelf,scanned,scan_url\n"
        "QN 1,5 10,+10,on shelf,intact,A,no,\n"
        "QN 1,5 20,+10,,cracked,,,https://scans.example/1\n"
        "QN 1,5 30,+10,missing,,,,\n"
        "QN 1,5 30,+91,,,B,,\n"
        "QN 2,5 30,+10,,,,no,\n",
    )
    found = answer.exposures
    assert found["status"].tolist() == ["missing"] * 3 + [""]
    assert found["condition"].tolist() == ["cracked"] * 3 + [""]
    assert found["shelf"].tolist() == ["B"] * 3 + [""]
    assert found["scanned"].tolist() == ["yes"] * 3 + ["no"]
    assert found["access_url"].tolist() == ["https://scans.example/1"] * 3 + [""]
    first, second, third, other = found["remarks"].tolist()
    assert "status: 'on shelf' here, but book.csv row 4 says 'missing' later" in first
    assert "shelf: 'A' here, but book.csv row 5 says 'B'" in first
    assert "scanned: 'no', but the plate has a scan_url; taken as yes" in first
    assert "condition: 'cracked' holds for the plate, but book.csv row 2 says 'intact'" in second
    assert "status: 'missing' holds for the plate" in third
    assert other == ""


# ---- formats ----


def test_typed_formats_give_the_same_exposures_without_error_by_digits(tmp_path: Path) -> None:
    columns: dict[str, Sequence[object]] = {
        "plate": ["QN 1", "QN 2"],
        "ra": [83.28, 5.0],
        "dec": [-5.5, 60.2],
        "date": ["1898-03-04", ""],
        "exposure_min": [60.0, 0.0],
    }
    table = Table(columns)
    for name, how in (("a.ecsv", "ascii.ecsv"), ("a.vot", "votable"), ("a.fits", "fits")):
        table.write(tmp_path / name, format=how)
    pq.write_table(pa.table(columns), tmp_path / "a.parquet")
    table.write(tmp_path / "a.csv", format="ascii.csv")
    text = read_logs([tmp_path / "a.csv"], OBSERVATORY).exposures
    assert (text["margin"] > 0.0).all()
    for name in ("a.ecsv", "a.vot", "a.fits", "a.parquet"):
        typed = read_logs([tmp_path / name], OBSERVATORY).exposures
        assert typed["margin"].tolist() == [0.0, 0.0]
        for column in set(typed) - {"margin", "log_file", "log_row"}:
            np.testing.assert_array_equal(typed[column], text[column], err_msg=column)


# ---- no row is ever lost ----

JUNK = st.one_of(
    st.sampled_from(
        [
            "", " ", "nan", "inf", "-1", "0", "1e308", "24", "05", "25:00", "90 00 01", "date",
            "1898", "1900-02-29", "2414511.25", "JD", "LST", "GMT", "UTC+99", "fixed", "noon",
            "evening", "julian", "B1855", "no", "yes", "QN 1", "=1+1", "😀", "\x00", '"', '""',
            ";", "\t", ",", "\n", "\r", "x" * 10_000, "９", "\u2028", "https://scans.example/1",
        ]
    ),
    st.text(st.characters(exclude_categories=["Cs"]), max_size=6),
)  # fmt: skip
COLUMNS = (
    "plate ra dec equinox date time time_is time_end clock day_begins date_is calendar "
    "exposure_min width_mm height_mm orientation_known scale_arcsec_per_mm position_angle_deg "
    "position_error_arcmin station telescope technique centre_is tracking exposure status "
    "condition shelf scanned scan_url limiting_mag notes weather"
).split()
GOOD = {"plate": "QN 1", "ra": "05 33.1", "dec": "+60 12", "date": "1898-03-04", "time": "20:15"}


@st.composite
def mutated_logs(draw: st.DrawFn) -> tuple[list[str], list[list[str]]]:
    """A header and rows: good ones with cells replaced, repeated, cut short or made too long."""
    extra = draw(st.lists(st.sampled_from(COLUMNS[1:]), unique=True, max_size=8))
    names = draw(st.permutations(list(dict.fromkeys(["plate", "ra", "dec", *extra]))))
    rows = []
    for number in range(draw(st.integers(0, 6))):
        row = [GOOD.get(name, "") for name in names]
        row[names.index("plate")] = f"QN {number // 2}"
        for _ in range(draw(st.integers(0, 3))):
            row[draw(st.integers(0, len(row) - 1))] = draw(JUNK)
        match draw(st.integers(0, 5)):
            case 0:
                rows.append(list(row))
            case 1:
                row.append(draw(JUNK))
            case 2:
                row = row[: draw(st.integers(2, len(row)))]
        rows.append(row)
    return names, rows


def conserved(answer: PlateLogs, n_rows: int) -> None:
    assert answer.rows_read == n_rows == answer.kept + answer.set_aside_count
    assert len(set(answer.exposures["exposure_id"])) == answer.kept
    for name in ("s_ra", "s_dec", "margin", "width_mm", "height_mm", "position_angle_deg"):
        assert np.isfinite(answer.exposures[name]).all(), name
    dated = answer.exposures["time_precision"] != "undated"
    assert np.isfinite(answer.exposures["t_min"][dated]).all()
    assert (answer.exposures["t_min"][dated] <= answer.exposures["t_max"][dated]).all()
    assert (answer.set_aside["reason"] != "").all()
    keys = {*zip(answer.set_aside["file"], answer.set_aside["row"], strict=True)}
    keys |= {*zip(answer.exposures["log_file"], answer.exposures["log_row"], strict=True)}
    assert len(keys) == n_rows
    assert set(answer.exposures["plate"]) <= set(answer.plates["plate"])


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(mutated_logs(), st.sampled_from([",", ";", "\t"]))
def test_rows_are_conserved_in_text(
    tmp_path_factory: pytest.TempPathFactory,
    log: tuple[list[str], list[list[str]]],
    separator: str,
) -> None:
    names, rows = log
    out = io.StringIO()
    csv.writer(out, delimiter=separator, quoting=csv.QUOTE_ALL).writerows([names, *rows])
    path = tmp_path_factory.mktemp("log") / "book.csv"
    path.write_bytes(out.getvalue().encode())
    answer = read_logs([path], OBSERVATORY)
    conserved(answer, len(rows))
    written = [dict(zip(names, [*row, *[""] * len(names)], strict=False)) for row in rows]
    kept = [
        dict(zip(answer.logged, row, strict=True))
        for row in zip(*answer.logged.values(), strict=True)
    ]
    aside = [json.loads(cells) for cells in answer.set_aside["cells"]]
    for cells in aside:
        cells.pop("beyond the header", None)
    as_sorted = [
        sorted(str(sorted(row.items())) for row in many) for many in (kept + aside, written)
    ]
    assert as_sorted[0] == as_sorted[1]
    twice = read_logs([path, path], OBSERVATORY)
    assert twice.rows_read == 2 * len(rows) == twice.kept + twice.set_aside_count
    assert twice.kept == answer.kept


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(mutated_logs(), st.sampled_from(["ascii.ecsv", "votable", "fits", "parquet"]))
def test_rows_are_conserved_in_tables(
    tmp_path_factory: pytest.TempPathFactory,
    log: tuple[list[str], list[list[str]]],
    how: str,
) -> None:
    names, rows = log
    square = [[*row, *[""] * len(names)][: len(names)] for row in rows]
    if how == "fits":
        square = [[c.encode("ascii", "ignore").decode() for c in row] for row in square]
    if how in ("fits", "votable"):  # XML holds no control characters, FITS pads with NUL
        square = [["".join(c for c in cell if c.isprintable()) for cell in row] for row in square]
    columns = {name: [row[i] for row in square] for i, name in enumerate(names)}
    path = tmp_path_factory.mktemp("log") / "book"
    if how == "parquet":
        schema = pa.schema([(name, pa.string()) for name in names])
        pq.write_table(pa.table(columns, schema=schema), path)
    else:
        table = Table({name: np.array(cells, dtype=np.str_) for name, cells in columns.items()})
        table.write(path, format=how)
    conserved(read_logs([path], OBSERVATORY), len(rows))


@given(st.text(",;\t\"'\n 0123456789QNqn.-+:abc", max_size=80))
@settings(max_examples=150, deadline=None)
def test_any_text_below_a_header_is_conserved(
    tmp_path_factory: pytest.TempPathFactory, text: str
) -> None:
    path = tmp_path_factory.mktemp("log") / "book.csv"
    path.write_text("plate,ra,dec,notes\n" + text, encoding="utf-8")
    try:
        answer = read_logs([path], OBSERVATORY)
    except LogFileError as error:
        assert "two separators" in str(error)
        return
    conserved(answer, answer.rows_read)
