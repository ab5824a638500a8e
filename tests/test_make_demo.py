"""The invented demo: the same on every run, complete, and true to the sky by other routes.

Places are checked by ERFA's fk45z and Newcomb's precession (the demo uses astropy's FK4),
times by hand arithmetic and Newcomb's sidereal time (the demo uses ERFA's gmst82), darkness
by ERFA's plan94 (the demo uses a low-precision Sun).
"""

import csv
import io
import re
import tomllib
from collections import Counter
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path

import erfa
import numpy as np
import pytest
from numpy.typing import NDArray

from platecover.demo_data.make_demo import DemoFiles, write_demo
from platecover.demo_data.observing_plan import plan_series
from platecover.demo_data.planted_slips import SLIPS

EXPOSURES = 5000
MJD_EPOCH = datetime(1858, 11, 17)
ARCMIN_DEG = 1.0 / 60.0
MINUTE_DAYS = 1.0 / 1440.0
NORTH_LONGITUDE_DEG, SOUTH_LONGITUDE_DEG = -38.6085, -101.7350

LOG_COLUMNS = set(
    "plate exposure ra dec equinox date time time_is time_end clock day_begins date_is calendar"
    " exposure_min width_mm height_mm orientation_known scale_arcsec_per_mm position_angle_deg"
    " position_error_arcmin station telescope technique centre_is tracking sidereal_time"
    " hour_angle observer object emulsion filter jacket marks log_page log_url notes status"
    " condition shelf scanned scan_url limiting_mag".split()
)
SERIES_KEYS = set(
    "telescope station scale_arcsec_per_mm exposed_mm exposed_inch aperture_mm glass_mm"
    " glass_thickness_mm usable_radius_deg scale_tolerance_percent equinox clock day_begins"
    " date_is calendar technique tracking pointing_tolerance_arcmin years shelved_by"
    " leading_zeros".split()
)


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

    @property
    def series(self) -> str:
        """Letters that the designation begins with, in capitals."""
        return re.split("[^A-Z]", self.cells["plate"].upper())[0]


@dataclass
class Demo:
    """Files of one demo, and its rows."""

    files: DemoFiles
    rows: list[Row]
    unmatched_truth: set[tuple[str, int]]


def _read(path: Path, separator: str, encoding: str) -> list[tuple[int, dict[str, str], list[str]]]:
    reader = csv.reader(io.StringIO(path.read_bytes().decode(encoding)), delimiter=separator)
    header = [name.lower() for name in next(reader)]
    return [
        (reader.line_num, dict(zip(header, cells, strict=False)), cells[len(header) :])
        for cells in reader
        if cells
    ]


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    files = write_demo(tmp_path_factory.mktemp("demo"), exposures=EXPOSURES)
    truth = {
        (t["log_file"], int(t["row"])): t
        for t in csv.DictReader(io.StringIO(files.truth.read_text(encoding="utf-8")))
    }
    rows = []
    for path, (separator, encoding) in zip(
        files.logs, [(",", "latin-1"), (";", "utf-8-sig")], strict=True
    ):
        for line, cells, spare in _read(path, separator, encoding):
            t = truth.pop((path.name, line))
            ra, dec = float(t["true_ra_icrs_deg"]), float(t["true_dec_icrs_deg"])
            mid = float(t["true_mid_mjd_ut"])
            rows.append(Row(path.name, line, cells, spare, ra, dec, mid, t["slip"]))
    return Demo(files, rows, set(truth))


def test_same_seed_same_bytes(demo: Demo, tmp_path: Path) -> None:
    again = write_demo(tmp_path, exposures=EXPOSURES)
    other = write_demo(tmp_path / "other", exposures=EXPOSURES, seed=1)
    for path in [*demo.files.logs, demo.files.observatory, demo.files.truth]:
        assert (tmp_path / path.name).read_bytes() == path.read_bytes()
    assert other.truth.read_bytes() != again.truth.read_bytes()
    assert other.observatory.read_bytes() == again.observatory.read_bytes()


def test_truth_covers_every_row_and_nothing_else(demo: Demo) -> None:
    assert not demo.unmatched_truth
    written_twice = ("repeated row", "second row of one exposure")
    assert sum(row.slip not in written_twice for row in demo.rows) == EXPOSURES
    assert all(0.0 <= row.ra_deg < 360.0 and abs(row.dec_deg) <= 90.0 for row in demo.rows)


def test_one_to_two_percent_of_the_rows_are_dirty_in_every_way(demo: Demo) -> None:
    slips = Counter(row.slip for row in demo.rows)
    clean = slips.pop("")
    assert 0.01 <= 1.0 - clean / len(demo.rows) <= 0.02
    assert {slip.kind: slips[slip.kind] for slip in SLIPS} == {
        slip.kind: slip.per_5000 for slip in SLIPS
    }
    assert set(slips) - {slip.kind for slip in SLIPS} == {
        "repeated row",
        "second row of one exposure",
        "more cells than the header",
    }


@pytest.mark.parametrize(
    ("slip", "column", "pattern"),
    [
        ("undated", "date", r""),
        ("month only", "date", r"\d{4}-\d\d"),
        ("year only", "date", r"\d{4}"),
        ("time missing", "time", r""),
        ("impossible date", "date", r"\d{4}-02-30"),
        ("impossible declination", "dec", r"\+91 00"),
        ("lone hour", "ra", r"\d\d"),
        ("time 25:00", "time", r"25:00"),
        ("exposure 0", "exposure_min", r"0"),
        ("lost minus sign", "dec", r"\d.*"),
        ("unknown series", "plate", r"QV \d+"),
        ("scanned no with URL", "scanned", r"no"),
    ],
)
def test_slip_is_in_its_cell(demo: Demo, slip: str, column: str, pattern: str) -> None:
    cells = [row.cells[column] for row in demo.rows if row.slip == slip]
    assert cells
    assert all(re.fullmatch(pattern, cell) for cell in cells), cells


def test_rows_written_twice(demo: Demo) -> None:
    at = {(row.log, row.line): row for row in demo.rows}
    for row in demo.rows:
        if row.slip in ("repeated row", "second row of one exposure"):
            before = at[row.log, row.line - 1]
            changed = {name for name in row.cells if row.cells[name] != before.cells[name]}
            assert changed == (set() if row.slip == "repeated row" else {"object"})
    assert {row.slip for row in demo.rows if row.spare} == {"more cells than the header"}


def test_columns_are_known(demo: Demo) -> None:
    for log in demo.files.logs:
        columns = {name for row in demo.rows if row.log == log.name for name in row.cells}
        assert columns <= LOG_COLUMNS
        assert {"plate", "ra", "dec", "date", "time"} <= columns


def test_observatory_file(demo: Demo) -> None:
    observatory = tomllib.loads(demo.files.observatory.read_text(encoding="utf-8"))
    assert "invented" in observatory["name"]
    latitudes = [station["latitude_deg"] for station in observatory["stations"].values()]
    assert min(latitudes) < 0.0 < max(latitudes)
    assert len(observatory["series"]) == 3
    for code, series in observatory["series"].items():
        assert re.fullmatch("[A-Z]+", code)
        assert set(series) <= SERIES_KEYS
        for value in series.values():
            if isinstance(value, list) and isinstance(value[0], dict):
                assert ["until" in entry for entry in value] == [True] * (len(value) - 1) + [False]
    assert {row.series for row in demo.rows} - set(observatory["series"]) == {"QV"}


def test_files_are_as_untidy_as_meant(demo: Demo) -> None:
    north, south = (path.read_bytes() for path in demo.files.logs)
    assert "Sjövik".encode("latin-1") in north
    assert south.startswith(b"\xef\xbb\xbf") and "Wierzbęcki".encode() in south
    assert b"\n\n" in north and b"\r\n\r\n" in south  # blank lines between the books
    cells = [row.cells for row in demo.rows]
    assert all(host == "plates.example" for c in cells for host in _host(c["scan_url"]))
    for column, patterns in {
        "plate": (r"VQ \d+", r"VQ-\d+", r"VQ/\d+", r"ozt\d+", r"OZT\.\d+", r"KWJ-0\d+", r".*[bB]"),
        "ra": (r"\d\d \d\d", r"\d\d \d\d\.\d", r"\d\d:\d\d:\d\d", r"\d+h\d\dm\d\ds", r"\d+\.\d\d"),
        "dec": (r"-00 30", r"\+90 00", r"-90 00", r"-\d+d\d\dm\d\ds", r"-\d+\.\d\d"),
        "date": (r"\d{4}-\d\d-\d\d/\d\d", r"\d{4} [A-Z][a-z]{2} \d+", r"243\d{4}\.\d{4}"),
        "status": ("on loan", "missing", "discarded", ""),
        "condition": ("broken", "cracked", ""),
        "shelf": (r"\w+/\d+/\d+",),
        "clock": ("LMT", "JD", "GMT", ""),
    }.items():
        for pattern in patterns:
            assert any(re.fullmatch(pattern, c[column]) for c in cells), (column, pattern)
    plates = Counter((row.log, row.cells["plate"]) for row in demo.rows)
    assert max(plates.values()) >= 3
    scanned = np.mean([bool(c["scan_url"]) for c in cells])
    assert 0.1 < scanned < 0.6


def _host(url: str) -> list[str]:
    return [url.removeprefix("https://").split("/")[0]] if url else []


def test_wars_leave_a_gap(demo: Demo) -> None:
    years = {(MJD_EPOCH + timedelta(days=row.mid_mjd)).year for row in demo.rows}
    assert min(years) in (1893, 1894) and max(years) == 1961
    assert not years & {1915, 1916, 1917, 1918, 1941, 1942, 1943, 1944, 1945}


# ---------------------------------------------------------------- the truth against the sky


def test_fields_are_up_and_the_sky_is_dark(demo: Demo) -> None:
    mid_mjd = np.array([row.mid_mjd for row in demo.rows])
    north = np.array([row.log.startswith("tarvell") for row in demo.rows])
    latitude = np.radians(np.where(north, 47.3127, -31.4402))
    longitude_deg = np.where(north, NORTH_LONGITUDE_DEG, SOUTH_LONGITUDE_DEG)
    lst = np.radians(_newcomb_gmst_deg(mid_mjd) + longitude_deg)
    to_date = erfa.pmat06(2400000.5, mid_mjd)
    earth = erfa.plan94(2400000.5, mid_mjd, 3)  # epv00 warns before 1900
    ra, dec = np.radians([(row.ra_deg, row.dec_deg) for row in demo.rows]).T
    for direction, low, high in (
        (erfa.s2c(ra, dec), 20.0, 90.0),
        (-np.asarray(earth["p"]), -90.0, -12.0),  # the Sun, at the end of nautical dusk
    ):
        ra_of_date, dec_of_date = erfa.c2s(erfa.rxp(to_date, direction))
        altitude_deg = np.degrees(
            np.arcsin(
                np.sin(latitude) * np.sin(dec_of_date)
                + np.cos(latitude) * np.cos(dec_of_date) * np.cos(lst - ra_of_date)
            )
        )
        assert low < altitude_deg.min() and altitude_deg.max() < high


def _newcomb_gmst_deg(mjd: NDArray[np.float64] | float) -> NDArray[np.float64]:
    """Newcomb's sidereal time (Explanatory Supplement 1961), at any UT by the sidereal rate."""
    day = np.floor(mjd)
    centuries = (day - 15019.5) / 36525.0  # from 1900 Jan 0.5 UT
    at_0h_s = 23925.836 + 8640184.542 * centuries + 0.0929 * centuries**2
    return np.asarray((at_0h_s + 1.002737909 * 86400.0 * (mjd - day)) / 240.0 % 360.0)


def _clean(demo: Demo, series: str) -> list[Row]:
    return [row for row in demo.rows if not row.slip and row.series == series]


def _start_mjd(row: Row) -> float:
    return row.mid_mjd - 0.5 * float(row.cells["exposure_min"]) * MINUTE_DAYS


def _mjd(day: str, time: str) -> float:
    h, m, s = (int(part) for part in f"{time}:00".split(":")[:3])
    days = (date.fromisoformat(day) - MJD_EPOCH.date()).days
    return days + (h * 3600 + m * 60 + s) / 86400.0


def _iso_rows(rows: list[Row]) -> list[Row]:
    return [row for row in rows if re.fullmatch(r"\d{4}-\d\d-\d\d", row.cells["date"])]


def test_greenwich_astronomical_days_begin_at_noon(demo: Demo) -> None:
    rows = [row for row in _iso_rows(_clean(demo, "VQ")) if row.cells["date"] < "1925"]
    assert len(rows) > 200
    for row in rows:
        logged = _mjd(row.cells["date"], row.cells["time"]) + 0.5
        assert abs(logged - _start_mjd(row)) < MINUTE_DAYS


def test_zone_time_with_mid_exposure(demo: Demo) -> None:
    rows = [row for row in _iso_rows(_clean(demo, "KWJ")) if row.cells["time_is"] == "mid"]
    assert len(rows) > 100
    for row in rows:
        logged = _mjd(row.cells["date"], row.cells["time"]) + 7.0 / 24.0
        assert abs(logged - row.mid_mjd) < MINUTE_DAYS


def test_local_mean_time_with_evening_dates(demo: Demo) -> None:
    rows = [
        row for row in _iso_rows(_clean(demo, "OZT")) if "1899-07-01" <= row.cells["date"] < "1911"
    ]
    after_midnight = 0
    for row in rows:
        morning = row.cells["time"] < "12"
        after_midnight += morning
        logged = _mjd(row.cells["date"], row.cells["time"]) + morning - NORTH_LONGITUDE_DEG / 360.0
        assert abs(logged - _start_mjd(row)) < MINUTE_DAYS
    assert len(rows) > 100 and after_midnight > 30


def test_double_dates_hold_the_morning_too(demo: Demo) -> None:
    rows = [row for row in _clean(demo, "KWJ") if "/" in row.cells["date"]]
    after_midnight = 0
    for row in rows:
        morning = row.cells["time"] < "12"
        after_midnight += morning
        logged = _mjd(row.cells["date"][:10], row.cells["time"]) + morning + 7.0 / 24.0
        assert abs(logged - _start_mjd(row)) < MINUTE_DAYS
        next_day = date.fromisoformat(row.cells["date"][:10]) + timedelta(days=1)
        assert row.cells["date"][11:] == f"{next_day:%d}"
    assert len(rows) > 100 and after_midnight > 30


def test_sidereal_times_by_newcomb(demo: Demo) -> None:
    rows = [row for row in _iso_rows(_clean(demo, "OZT")) if row.cells["date"] < "1899-07-01"]
    assert len(rows) > 30
    for row in rows:
        logged_deg = _mjd("1858-11-17", row.cells["time"]) * 360.0
        lst_deg = float(_newcomb_gmst_deg(_start_mjd(row))) + NORTH_LONGITUDE_DEG
        assert abs((logged_deg - lst_deg + 180.0) % 360.0 - 180.0) < 0.25  # a minute of time
        night = np.floor(_start_mjd(row) + NORTH_LONGITUDE_DEG / 360.0 - 0.5)
        assert night == _mjd(row.cells["date"], "00:00")


def test_b1950_centres_by_fk45z(demo: Demo) -> None:
    rows = [row for row in _clean(demo, "KWJ") if re.fullmatch(r"\d\d:\d\d:\d\d", row.cells["ra"])]
    assert len(rows) > 200
    ra_deg, dec_deg = _logged_deg(rows)
    # 1 arcmin of pointing error, 0.05 of the last digit: the logs' fields are on whole minutes
    assert _separation_deg(rows, *_fk45z(ra_deg, dec_deg)).max() < 1.05 * ARCMIN_DEG


def test_b1900_centres_by_newcomb_precession(demo: Demo) -> None:
    rows = [
        row
        for row in _clean(demo, "OZT")
        if re.fullmatch(r"\d\d \d\d", row.cells["ra"]) and row.cells["object"].startswith("zone")
    ]
    assert len(rows) > 100
    ra_deg, dec_deg = _newcomb_1900_to_1950(*_logged_deg(rows))
    assert _separation_deg(rows, *_fk45z(ra_deg, dec_deg)).max() < 2.05 * ARCMIN_DEG


def test_lost_minus_signs_are_lost_in_the_log_only(demo: Demo) -> None:
    rows = [row for row in demo.rows if row.slip == "lost minus sign"]
    assert all(row.dec_deg < 0.0 for row in rows)


def _logged_deg(rows: list[Row]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    def parse(text: str) -> float:
        parts = [float(part) for part in re.split("[ :]", text.lstrip("+-"))]
        value = sum(part / 60.0**i for i, part in enumerate(parts))
        return -value if text.startswith("-") else value

    ra_deg = np.array([15.0 * parse(row.cells["ra"]) for row in rows])
    return ra_deg, np.array([parse(row.cells["dec"]) for row in rows])


def _fk45z(
    ra_deg: NDArray[np.float64], dec_deg: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    ra, dec = erfa.fk45z(np.radians(ra_deg), np.radians(dec_deg), 1950.0)
    return np.degrees(ra), np.degrees(dec)


def _newcomb_1900_to_1950(
    ra_deg: NDArray[np.float64], dec_deg: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Newcomb's angles for half a tropical century from B1900 (Meeus, ch. 21), no E-terms."""
    t = 0.5
    zeta = np.radians((2304.250 * t + 0.302 * t**2 + 0.018 * t**3) / 3600.0)
    z = zeta + np.radians((0.791 * t**2) / 3600.0)
    theta = np.radians((2004.682 * t - 0.426 * t**2 - 0.042 * t**3) / 3600.0)
    ra, dec = np.radians(ra_deg) + zeta, np.radians(dec_deg)
    a = np.cos(dec) * np.sin(ra)
    b = np.cos(theta) * np.cos(dec) * np.cos(ra) - np.sin(theta) * np.sin(dec)
    c = np.sin(theta) * np.cos(dec) * np.cos(ra) + np.cos(theta) * np.sin(dec)
    return np.degrees(np.arctan2(a, b) + z) % 360.0, np.degrees(np.arcsin(c))


def _separation_deg(
    rows: list[Row], ra_deg: NDArray[np.float64], dec_deg: NDArray[np.float64]
) -> NDArray[np.float64]:
    ra, dec = [row.ra_deg for row in rows], [row.dec_deg for row in rows]
    args = (np.radians(ra), np.radians(dec), np.radians(ra_deg), np.radians(dec_deg))
    return np.asarray(np.degrees(erfa.seps(*args)))


# ------------------------------------------------------------------------------- bad input


@pytest.mark.parametrize("exposures", [0, -1, 99, float("nan")])
def test_too_few_exposures_are_refused(tmp_path: Path, exposures: int) -> None:
    with pytest.raises(ValueError, match=f"exposures must be at least 100, got {exposures}"):
        write_demo(tmp_path / "none", exposures=exposures)
    assert not (tmp_path / "none").exists()


def test_more_plates_than_nights_are_refused() -> None:
    with pytest.raises(ValueError, match="KWJ has no dark nights left"):
        plan_series("KWJ", 40_000, np.random.default_rng(1))


@pytest.mark.parametrize("exposures", [100, 101, 777])
def test_any_number_of_exposures(tmp_path: Path, exposures: int) -> None:
    files = write_demo(tmp_path, exposures=exposures)
    lines = files.truth.read_text(encoding="utf-8").splitlines()
    twice = sum("repeated row" in line or "second row" in line for line in lines)
    assert len(lines) - 1 - twice == exposures
