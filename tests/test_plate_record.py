"""One plate, whole: what was written about it comes back, in any spelling of its designation."""

from pathlib import Path

import pytest
from tests.archives import build_archive, write_log, write_observatory

from platecover.coverage.archive import Archive
from platecover.coverage.edition_build import build
from platecover.coverage.edition_publish import archive_lock
from platecover.coverage.errors import QueryError
from platecover.coverage.plate_register import LedgerEntry, append_entries

ROWS = [
    {"plate": "HB 007b", "ra": "30.0", "dec": "0.0", "date": "1900-01-01", "time": "25:00",
     "observer": "A. Vell", "weather": "haze", "status": "on shelf"},
    {"plate": "hb/7B", "ra": "30.0", "dec": "0.0", "date": "1900-01-02", "time": "20:00"},
    {"plate": "HB 9", "ra": "91", "dec": "95", "date": "1900-01-02", "time": "20:00"},
    {"plate": "HB 12", "ra": "10.0", "dec": "5.0", "date": "1900-01-03", "time": "20:00"},
]  # fmt: skip


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    return build_archive(tmp_path_factory.mktemp("records"), ROWS)


@pytest.mark.parametrize("spelling", ["HB 7b", "hb-007B", "HB_7 b", " hb7B "])
def test_every_fact_comes_back_in_any_spelling(archive: Archive, spelling: str) -> None:
    record = archive.plate_record(spelling)
    assert record["plate"]["plate"] == "HB-7b"
    assert record["plate"]["status"] == "on shelf"
    assert [row["exposure_id"] for row in record["exposures"]] == ["HB-7b-1", "HB-7b-2"]
    assert record["logged"][0]["observer"] == "A. Vell"
    assert record["logged"][0]["weather"] == "haze"  # a column that means nothing to us
    assert record["logged"][0]["plate"] == "HB 007b"
    assert any("25:00" in row["value"] for row in record["remarks"])
    assert record["history"] == []


def test_outline_is_the_corners(archive: Archive) -> None:
    # 160 mm at 60 arcsec/mm about RA 30, Dec 0 (hand-computed: x = 80 / 3437.7468 = 0.0232711;
    # RA of a corner is atan x = 1.33309 deg off, its Dec is atan(x cos(atan x)) = 1.33273 deg)
    outline = archive.plate_record("HB 7b")["exposures"][0]["outline"]
    expected = [
        (31.33309, 1.33273),
        (28.66691, 1.33273),
        (28.66691, -1.33273),
        (31.33309, -1.33273),
    ]
    for corner, (ra, dec) in zip(outline, expected, strict=True):
        assert corner == pytest.approx([ra, dec], abs=1e-5)


def test_plate_whose_rows_are_all_set_aside_is_known(archive: Archive) -> None:
    record = archive.plate_record("HB 9")
    assert record["plate"]["exposures"] == 0
    assert record["exposures"] == record["logged"] == []


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("HB 10", "no plate HB-10 is known; nearest: HB-9, HB-12, HB-7b"),
        ("QX 1", "unknown series 'QX'; known: HB"),
        ("", "no designation"),
        ("HB", "is not a designation"),
        ("HB 1/2", "is not a designation"),
    ],
)
def test_unknown_ones_are_refused(archive: Archive, text: str, message: str) -> None:
    with pytest.raises(QueryError, match=message) as caught:
        archive.plate_record(text)
    assert caught.value.parameter == "designation"


def test_history_tells_who_said_what(tmp_path: Path) -> None:
    log = write_log(tmp_path / "log.csv", ROWS)
    observatory = write_observatory(tmp_path / "observatory.toml", {"HB": {}})
    folder = tmp_path / "archive"
    build(folder, [log], observatory)
    news = [
        LedgerEntry("2026-05-01T10:00:00", "M. Orrel", "HB-7b", "status", "on loan", "to Vale"),
        LedgerEntry("2026-06-01", "M. Orrel", "HB-7b", "status", "on shelf"),
    ]
    with archive_lock(folder):
        append_entries(folder, news)
    build(folder, [log], observatory)
    archive = Archive.open(folder)
    history = archive.plate_record("HB 7b")["history"]
    assert [(row["by"], row["fact"], row["value"]) for row in history] == [
        ("plate logs", "status", "on shelf"),
        ("M. Orrel", "status", "on loan"),
        ("M. Orrel", "status", "on shelf"),
    ]
    assert archive.plate_record("HB 12")["history"] == []


def test_the_nearest_are_those_of_all_plates_of_the_series(tmp_path: Path) -> None:
    numbers = [1, 7, 20, 21, 22, 500, 501, 99_999_999]
    rows = [{"plate": f"HB {number}", "ra": "30.0", "dec": "0.0"} for number in numbers]
    rows += [{"plate": "KT 24", "ra": "30.0", "dec": "0.0"}]
    archive = build_archive(tmp_path, rows, {"HB": {}, "KT": {}, "Wz": {}})
    for text, nearest in (
        ("HB 23", "HB-22, HB-21, HB-20, HB-7, HB-1"),
        ("HB 24a", "HB-22, HB-21, HB-20, HB-7, HB-1"),
        ("HB 99999990", "HB-99999999, HB-501, HB-500, HB-22, HB-21"),
        ("KT 1", "KT-24"),
        ("Wz 1", "none in this series"),
    ):
        with pytest.raises(QueryError) as caught:
            archive.plate_record(text)
        assert str(caught.value).partition("nearest: ")[2] == nearest
