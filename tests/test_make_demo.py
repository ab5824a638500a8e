"""The invented demo: the same on every run, complete, and as untidy as meant.

Its truth is checked against the sky in test_demo_sky.py, its clocks in test_demo_clocks.py.
"""

import inspect
import re
import tomllib
from collections import Counter
from datetime import date, timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from astropy.table import Table
from tests.demo_rows import MJD_ORIGIN, WRITTEN_TWICE, Demo, read_demo

from platecover.coverage.edition_build import build
from platecover.coverage.outcome_apply import apply_outcomes
from platecover.demo_data.make_demo import write_demo
from platecover.demo_data.observers import OBSERVERS
from platecover.demo_data.planted_slips import SLIPS
from platecover.demo_data.programmes import CAMPAIGNS
from platecover.demo_data.weather import CLIMATES, clear_nights

EXPOSURES = 5000
NIGHTS = 20_000

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


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    return read_demo(tmp_path_factory.mktemp("demo"), EXPOSURES)


def test_default_size() -> None:
    assert inspect.signature(write_demo).parameters["exposures"].default == 60_000


def test_same_seed_same_bytes(demo: Demo, tmp_path: Path) -> None:
    again = write_demo(tmp_path, exposures=EXPOSURES)
    other = write_demo(tmp_path / "other", exposures=EXPOSURES, seed=1)
    for path in [*demo.files.logs, demo.files.observatory, demo.files.truth]:
        assert (tmp_path / path.name).read_bytes() == path.read_bytes()
    assert other.truth.read_bytes() != again.truth.read_bytes()
    assert other.observatory.read_bytes() == again.observatory.read_bytes()


def test_truth_covers_every_row_and_nothing_else(demo: Demo) -> None:
    assert not demo.unmatched_truth
    assert sum(row.slip not in WRITTEN_TWICE for row in demo.rows) == EXPOSURES
    assert all(0.0 <= row.ra_deg < 360.0 and abs(row.dec_deg) <= 90.0 for row in demo.rows)


def test_two_percent_of_the_rows_are_dirty_in_every_way(demo: Demo) -> None:
    slips = Counter(row.slip for row in demo.rows)
    clean = slips.pop("")
    assert 0.015 <= 1.0 - clean / len(demo.rows) <= 0.03
    assert {slip.kind: slips[slip.kind] for slip in SLIPS} == {
        slip.kind: slip.per_5000 for slip in SLIPS
    }
    assert set(slips) - {slip.kind for slip in SLIPS} == {
        *WRITTEN_TWICE,
        "more cells than the header",
    }


def test_a_small_demo_has_all_that_the_large_one_has(tmp_path: Path) -> None:
    rows = read_demo(tmp_path, 2000).rows
    assert {row.slip for row in rows} >= {slip.kind for slip in SLIPS}
    expected = {(code, p.name) for code, campaign in CAMPAIGNS.items() for p in campaign.programmes}
    assert {(row.series, row.programme) for row in rows} == expected | {("VQ", "eclipse")}


@pytest.mark.parametrize(
    ("slip", "column", "pattern"),
    [
        ("undated", "date", r""),
        ("month only", "date", r"\d{4}-\d\d"),
        ("year only", "date", r"\d{4}"),
        ("time missing", "time", r""),
        ("impossible date", "date", r"\d{4}-02-30"),
        ("impossible declination", "dec", r"\+91 00|91\.0"),
        ("lone hour", "ra", r"\d\d"),
        ("time 25:00", "time", r"25:00"),
        ("exposure 0", "exposure_min", r"0"),
        ("lost minus sign", "dec", r"\d.*"),
        ("unknown series", "plate", r"QV \d+"),
        ("renumbered", "plate", r"[A-Z-]+ 9\d{4}[ab]"),
        ("renumbered", "notes", r"formerly .*\d+.*"),
        ("ditto mark", "observer", r'"'),
        ("unknown clock", "clock", r"dome clock"),
        ("bare GMT", "clock", r"GMT"),
        ("more cells than the header", "plate", r"[\w./ -]+"),
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
    assert len(observatory["series"]) == 7
    assert observatory["series"]["OZT"]["scale_arcsec_per_mm"] == 60.0
    assert observatory["series"]["PZ-M"]["technique"] == "objective prism"
    assert observatory["series"]["MQ"]["tracking"] == "fixed"
    moved = [
        len(series["station"])
        for series in observatory["series"].values()
        if isinstance(series["station"], list)
    ]
    assert moved == [2, 2, 2]  # a station that moved, and two cameras that changed stations
    for code, series in observatory["series"].items():
        assert re.fullmatch("[A-Z]+(-[A-Z])?", code)
        assert set(series) <= SERIES_KEYS
        for value in series.values():
            if isinstance(value, list) and isinstance(value[0], dict):
                assert ["until" in entry for entry in value] == [True] * (len(value) - 1) + [False]
    assert {series["shelved_by"] for series in observatory["series"].values()} == {
        "date", "number", "region",
    }  # fmt: skip


def test_files_are_as_untidy_as_meant(demo: Demo) -> None:
    tarvell, quennick, vetrolin, lorrimane = (path.read_bytes() for path in demo.files.logs)
    assert "Sjövik".encode("latin-1") in tarvell
    assert quennick.startswith(b"\xef\xbb\xbf") and "Wierzbęcki".encode() in quennick
    assert "Студенецкий".encode() in vetrolin and vetrolin.count(b"\t") > 1000
    assert b"\n\n" in tarvell and b"\r\n\r\n" in quennick  # blank lines between the books
    assert lorrimane.startswith(b"# %ECSV 1.0\n")
    cells = [row.cells for row in demo.rows]
    assert all(c["scan_url"].startswith("https://plates.example/") for c in cells if c["scan_url"])
    for column, patterns in {
        "plate": (
            r"VQ \d+",
            r"VQ-\d+",
            r"VQ/\d+",
            r"ozt\d+",
            r"OZT\.\d+",
            r"KWJ-0\d+",
            r".*[bB]",
            r"DUF_\d+",
            r"PZ-M/\d+",
        ),
        "ra": (r"\d\d \d\d", r"\d\d \d\d\.\d", r"\d\d:\d\d:\d\d", r"\d+h\d\dm\d\ds", r"\d+\.\d\d"),
        "dec": (r"-00 30", r"\+90 00", r"-90 00", r"-\d+d\d\dm\d\ds", r"-\d+\.\d\d"),
        "date": (r"\d{4}-\d\d-\d\d/\d\d", r"\d{4} [A-Z][a-z]{2} \d+", r"243\d{4}\.\d{4}"),
        "status": ("on loan", "missing", "discarded", "transferred", ""),
        "condition": ("broken", "cracked", "stained", ""),
        "shelf": (r"\w+/\d+/\d+",),
        "clock": ("LMT", "JD", "GMT", ""),
        "marks": (r"old no\. \d+", r"was .*"),
        "time_is": ("mid", "end", ""),
    }.items():
        for pattern in patterns:
            assert any(re.fullmatch(pattern, c.get(column, "")) for c in cells), (column, pattern)
    plates = Counter((row.log, row.cells["plate"]) for row in demo.rows)
    assert max(plates.values()) >= 3


def test_the_typed_log_is_ecsv_to_astropy(demo: Demo) -> None:
    table = Table.read(demo.files.logs[3], format="ascii.ecsv")
    rows = [row for row in demo.rows if row.log == "lorrimane_log.ecsv"]
    assert len(table) == len(rows) > 500
    assert table["ra"].dtype == table["dec"].dtype == np.float64
    assert table["ra"].unit == "deg" and table["exposure_min"].unit == "min"
    for row, ra in zip(rows, np.ma.filled(table["ra"], np.nan), strict=True):
        assert (np.isnan(ra) and row.cells["ra"] == "") or float(row.cells["ra"]) == ra


def test_wars_leave_a_gap(demo: Demo) -> None:
    dated = [row for row in demo.rows if row.mid_mjd]
    years = Counter((MJD_ORIGIN + timedelta(days=row.mid_mjd)).year for row in dated)
    assert min(years) == 1891 and max(years) == 1978
    assert not set(years) & {1942, 1943, 1944, 1945}
    thin = [row for row in dated if 1915 <= (MJD_ORIGIN + timedelta(days=row.mid_mjd)).year <= 1918]
    assert {row.station for row in thin} <= {"lorrimane"} and len(thin) < 0.01 * EXPOSURES


def test_the_north_and_the_south_are_watched_at_different_times(demo: Demo) -> None:
    moved_mjd = (date(1924, 7, 1) - MJD_ORIGIN).days
    patrol = [row for row in demo.rows if row.programme == "patrol"]
    assert min(row.dec_deg for row in patrol if row.mid_mjd < moved_mjd) > -32.0
    assert max(row.dec_deg for row in patrol if row.mid_mjd > moved_mjd) < 52.0


def test_observers_have_careers(demo: Demo) -> None:
    signed = {name: observer for observer in OBSERVERS for name in observer.names}
    assert all(observer.years[1] - observer.years[0] < 45 for observer in OBSERVERS)
    for row in demo.rows:
        if row.cells["observer"] != '"':
            first, last = signed[row.cells["observer"]].years
            assert first <= (MJD_ORIGIN + timedelta(days=row.mid_mjd)).year <= last


def _plates(demo: Demo, series: str) -> list[tuple[int, str, dict[str, str], float]]:
    """Number, shelf, cells and declination of plates, by their first rows without a slip."""
    return [
        (int(re.sub(r"\D", "", row.cells["plate"])), row.cells["shelf"], row.cells, row.dec_deg)
        for row in demo.rows
        if row.series == series and not row.slip and row.cells["exposure"] in ("", "1")
    ]


def _number(plate: tuple[int, str, dict[str, str], float]) -> int:
    return plate[0]


@pytest.mark.parametrize("series", ["DUF", "KWJ", "VQ", "EIK", "MQ"])
def test_shelves_by_number_and_by_date_are_in_order(demo: Demo, series: str) -> None:
    shelves = [
        shelf for _, shelf, _, _ in sorted(_plates(demo, series), key=_number)
    ]  # numbers go by date
    assert len(shelves) > 100 and all(a <= b for a, b in pairwise(shelves))


@pytest.mark.parametrize("series", ["OZT", "PZ-M"])
def test_shelves_by_region_hold_a_band_of_the_sky(demo: Demo, series: str) -> None:
    by_cabinet: dict[str, list[float]] = {}
    for _, shelf, _, dec_deg in _plates(demo, series):
        by_cabinet.setdefault(shelf.split("/")[0], []).append(dec_deg)
    assert len(by_cabinet) > 3
    # 10 degrees, and what precession and pointing change
    assert all(max(decs) - min(decs) < 11.0 for decs in by_cabinet.values())


def test_whole_runs_are_scanned_and_others_are_not(demo: Demo) -> None:
    plates = sorted(_plates(demo, "KWJ"), key=_number)
    scanned = np.array([bool(cells["scan_url"]) for _, _, cells, _ in plates])
    run = np.array([number for number, *_ in plates]) / plates[-1][0]
    assert scanned[(run > 0.06) & (run < 0.61)].mean() > 0.9  # some are lent, lost or broken
    assert not scanned[(run < 0.04) | (run > 0.63)].any()
    of_all = np.mean([bool(row.cells["scan_url"]) for row in demo.rows])
    assert 0.1 < of_all < 0.5


def test_clouds_come_in_spells_and_seasons() -> None:
    nights = np.arange(15_020, 15_020 + NIGHTS)
    clear = clear_nights(nights, np.random.default_rng(1))
    assert set(clear) == set(CLIMATES)
    month = (nights - 15_020) % 365.25 // 30.44
    for station, flags in clear.items():
        after_clear, after_cloud = flags[1:][flags[:-1]].mean(), flags[1:][~flags[:-1]].mean()
        assert after_clear > after_cloud + 0.3, station
        by_month = [flags[month == m].mean() for m in range(12)]
        assert 0.1 < max(by_month) - min(by_month), station
    assert clear["lorrimane"][month == 6].mean() > clear["lorrimane"][month == 0].mean() + 0.3


# ------------------------------------------------------------------------------- bad input


@pytest.mark.parametrize("exposures", [0, -1, 99, float("nan")])
def test_too_few_exposures_are_refused(tmp_path: Path, exposures: int) -> None:
    with pytest.raises(ValueError, match=f"exposures must be at least 100, got {exposures}"):
        write_demo(tmp_path / "none", exposures=exposures)
    assert not (tmp_path / "none").exists()


def test_more_plates_than_nights_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="exposures: [A-Z-]+ has no dark nights left for .* more"):
        write_demo(tmp_path / "none", exposures=900_000)
    assert not (tmp_path / "none").exists()


@pytest.mark.parametrize("exposures", [100, 101, 777])
def test_any_number_of_exposures(tmp_path: Path, exposures: int) -> None:
    files = write_demo(tmp_path, exposures=exposures)
    lines = files.truth.read_text(encoding="utf-8").splitlines()
    twice = sum("repeated row" in line or "second row" in line for line in lines)
    assert len(lines) - 1 - twice == exposures


def test_outcomes_of_the_demo_can_be_applied(tmp_path: Path) -> None:
    files = write_demo(tmp_path, exposures=2_000)
    build(tmp_path / "archive", files.logs, files.observatory)
    weeks = apply_outcomes(tmp_path / "archive", files.outcome_weeks)
    day = apply_outcomes(tmp_path / "archive", files.outcome_day)
    assert weeks.set_aside == () and weeks.applied > 100
    assert day.applied > 5 and day.faults == 6  # five slips; one of them speaks against a row
    reasons = " ".join(each.reason for each in day.set_aside)
    for fault in ("is known", "future", "http", "person is missing", "on the same day"):
        assert fault in reasons
