"""The ledger of news about plates: kept in order, replayed at every build, never lost."""

import json
from pathlib import Path

import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.small_archive import Place

from platecover.coverage.archive import Archive
from platecover.coverage.columns import CONDITIONS, PLATE_FACTS, STATUSES, YES_NO
from platecover.coverage.edition_build import build
from platecover.coverage.edition_publish import archive_lock
from platecover.coverage.errors import ArchiveError
from platecover.coverage.plate_register import (
    ENTRIES,
    LEDGER,
    LedgerEntry,
    append_entries,
    read_ledger,
    replay,
)


def entry(plate: str, fact: str, value: str, at: str = "2026-11-25T09:00:00+00:00") -> LedgerEntry:
    """An entry signed by somebody."""
    return LedgerEntry(at, "Ida Marsh", plate, fact, value, "seen on the shelf")


def path_of(archive: Path) -> Path:
    """The ledger's file."""
    return archive / LEDGER / ENTRIES


def test_no_ledger_is_an_empty_one(tmp_path: Path) -> None:
    assert read_ledger(tmp_path) == []


def test_entries_are_read_back_in_the_order_in_which_they_were_made(tmp_path: Path) -> None:
    first = [entry("QN-2", "status", "missing"), entry("QN-1", "shelf", 'é\n"quoted" \u2028 🔭')]
    append_entries(tmp_path, first)
    append_entries(tmp_path, [entry("QN-1", "shelf", "")])
    assert read_ledger(tmp_path) == [*first, entry("QN-1", "shelf", "")]
    assert len(path_of(tmp_path).read_bytes().splitlines()) == 3


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.text(st.characters(exclude_categories=["Cs"]), min_size=1).filter(str.strip),
            st.text(st.characters(exclude_categories=["Cs"])),
        )
    )
)
def test_any_text_survives(
    tmp_path_factory: pytest.TempPathFactory, drawn: list[tuple[str, str]]
) -> None:
    archive = tmp_path_factory.mktemp("ledger")
    entries = [entry(plate, "shelf", value) for plate, value in drawn]
    append_entries(archive, entries)
    assert read_ledger(archive) == entries


def test_last_line_torn_by_a_kill_is_left_out_and_then_cut_away(tmp_path: Path) -> None:
    append_entries(tmp_path, [entry("QN-1", "status", "missing")])
    whole = path_of(tmp_path).read_bytes()
    for length in range(1, len(whole)):
        path_of(tmp_path).write_bytes(whole + whole[:length].rstrip(b"\n"))
        assert read_ledger(tmp_path) == [entry("QN-1", "status", "missing")]
    append_entries(tmp_path, [entry("QN-2", "scanned", "yes")])
    assert read_ledger(tmp_path) == [
        entry("QN-1", "status", "missing"),
        entry("QN-2", "scanned", "yes"),
    ]
    path_of(tmp_path).write_bytes(whole[:-1])  # torn in the first line
    append_entries(tmp_path, [entry("QN-2", "scanned", "yes")])
    assert read_ledger(tmp_path) == [entry("QN-2", "scanned", "yes")]


@pytest.mark.parametrize(
    ("bad", "message"),
    [
        (entry("QN-1", "colour", "red"), "fact must be one of status, condition"),
        (entry("QN-1", "status", "lost"), "status must be one of on shelf, .* got 'lost'"),
        (entry("QN-1", "condition", "on shelf"), "condition must be one of intact"),
        (entry("QN-1", "scanned", "maybe"), "scanned must be one of yes, no"),
        (entry("QN-1", "shelf", "A", at="yesterday"), "ISO 8601 date, got 'yesterday'"),
        (entry(" ", "shelf", "A"), "designation"),
        (LedgerEntry("2026-11-25", " ", "QN-1", "shelf", "A"), "by must name a person"),
        (LedgerEntry("2026-11-25", "I", "QN-1", "shelf", 3), "text"),  # type: ignore[arg-type]
        (entry("QN-1", "shelf", "\ud800"), "surrogates"),
    ],
)
def test_bad_entry_is_refused_and_nothing_added(
    tmp_path: Path, bad: LedgerEntry, message: str
) -> None:
    good = entry("QN-1", "status", "missing")
    append_entries(tmp_path, [good])
    with pytest.raises(ValueError, match=message):
        append_entries(tmp_path, [good, bad])
    assert read_ledger(tmp_path) == [good]


@pytest.mark.parametrize(
    "line",
    [
        b"", b"{", b"[]", b"3", b'"text"', b"null", b"{}", b"\xff\xfe", b"[" * 100_000,
        json.dumps({"at": "2026-11-25", "by": "I", "plate": "QN-1", "fact": "f", "value": ""})
        .encode(),
        json.dumps({"at": "x", "by": "I", "plate": "QN-1", "fact": "shelf", "value": ""}).encode(),
        json.dumps({"colour": "red"}).encode(),
    ],
)  # fmt: skip
def test_damaged_line_is_named(tmp_path: Path, line: bytes) -> None:
    append_entries(tmp_path, [entry("QN-1", "status", "missing")])
    whole = path_of(tmp_path).read_bytes()
    path_of(tmp_path).write_bytes(whole + line + b"\n" + whole)
    with pytest.raises(ArchiveError, match=r"entries\.jsonl, line 2: no ledger entry"):
        read_ledger(tmp_path)


def test_ledger_that_is_a_folder_is_named(tmp_path: Path) -> None:
    path_of(tmp_path).mkdir(parents=True)
    with pytest.raises(ArchiveError, match=r"entries\.jsonl: cannot be read"):
        read_ledger(tmp_path)


def test_replay_lets_the_later_hold_and_reports_the_unknown() -> None:
    plates = {name: pa.array(["", "x"]) for name in PLATE_FACTS} | {
        "plate": pa.array(["QN-1", "QN-2"])
    }
    unknown = entry("ZZ-9", "status", "missing")
    after, left = replay(
        plates,
        [
            entry("QN-1", "status", "missing"),
            unknown,
            entry("QN-2", "shelf", ""),
            entry("QN-1", "status", "on shelf", at="2020-01-01"),  # order counts, not the date
        ],
    )
    assert left == [unknown]
    assert after["status"].to_pylist() == ["on shelf", "x"]
    assert after["shelf"].to_pylist() == ["", ""]
    assert plates["status"].to_pylist() == ["", "x"]  # what was given stays as it was


def test_words_of_the_ledger_are_those_of_the_logs(tmp_path: Path) -> None:
    news = [
        entry("QN-1", fact, word)
        for fact, words in (("status", STATUSES), ("condition", CONDITIONS), ("scanned", YES_NO))
        for word in (*words, "")
    ]
    append_entries(tmp_path, news)
    assert len(read_ledger(tmp_path)) == len(news) == 16


def test_every_build_replays_the_ledger(tmp_path: Path) -> None:
    place = Place(tmp_path).build()
    news = [
        entry("QN-1", "status", "missing"),
        entry("QN-1", "shelf", "B7"),
        entry("QN-2", "access_url", "https://plates.example/qn2.fits"),
        entry("ZZ-9", "status", "missing"),
    ]
    with archive_lock(place.archive):
        append_entries(place.archive, news)
    assert Archive.open(place.archive).cone(83.6, 22.0, 0)["status"][0] == "on shelf"
    for _ in range(2):
        report = build(place.archive, [place.log], place.observatory)
        assert report.unknown_ledger_plates == ("ZZ-9",)
        archive = Archive.open(place.archive)
        rows = {row["plate"]: row for row in archive.cone(83.6, 22.0, 0)}
        assert (rows["QN-1"]["status"], rows["QN-1"]["shelf"]) == ("missing", "B7")
        assert rows["QN-2"]["access_url"] == "https://plates.example/qn2.fits"
        assert rows["QN-2"]["scanned"] == "yes"  # a scan that has an address exists
        assert list(archive.cone(83.6, 22.0, 0, status="missing")["plate"]) == ["QN-1"]
        assert list(archive.cone(83.6, 22.0, 0, scanned="yes")["plate"]) == ["QN-2", "WM-4"]
        plates = archive.edition.table("plates").to_pylist()
        assert {p["plate"]: p["status"] for p in plates}["QN-1"] == "missing"
    assert read_ledger(place.archive) == news


def test_damaged_ledger_stops_a_build(tmp_path: Path) -> None:
    place = Place(tmp_path).build()
    path_of(place.archive).parent.mkdir()
    path_of(place.archive).write_bytes(b"news\n")
    with pytest.raises(ArchiveError, match="line 1"):
        build(place.archive, [place.log], place.observatory)
    assert Archive.open(place.archive).edition.number == 1
