"""An edition made from news alone: byte for byte a build's, geometry untouched, ready at once."""

import csv
from datetime import date
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.small_archive import PLATES, Place
from tests.test_rebuild import contents

from platecover.coverage.archive import Archive
from platecover.coverage.columns import CONDITIONS, PLATE_FACTS, STATUSES, YES_NO
from platecover.coverage.edition import open_current
from platecover.coverage.edition_build import build
from platecover.coverage.edition_publish import archive_lock
from platecover.coverage.errors import ArchiveError
from platecover.coverage.facts_edition import publish_facts
from platecover.coverage.ledger import (
    OUTCOMES,
    UNDO,
    LedgerEntry,
    Posting,
    Report,
    Undo,
    append_entries,
    append_posting,
    next_number,
    read_postings,
)
from platecover.coverage.outcome_apply import apply_outcomes, undo_outcomes

TODAY = date(2026, 11, 25)
NAMES = ("QN-1", "QN-2", "QN-3b", "WM-4", "WM-5", "ZZ-9")  # the last is in no log
VALUES = {
    "status": (*STATUSES, ""), "condition": (*CONDITIONS, ""), "scanned": (*YES_NO, ""),
    "access_url": ("https://plates.example/a.fits", "https://plates.example/b.fits", ""),
    "shelf": ("A1", "C3", "é", ""),
}  # fmt: skip
GEOMETRY = ("geometry.npy", "index_entries.npy", "map_ranges.npy", "time_year.npy",
            "coverage.fits", "exposures/s_ra.arrow", "set_aside.parquet")  # fmt: skip


@pytest.fixture
def place(tmp_path: Path) -> Place:
    return Place(tmp_path).build()


def post(place: Place, *changes: tuple[str, str, str]) -> None:
    """Add a posting of one report that changes facts."""
    number = next_number(read_postings(place.archive))
    report = Report("2026-11-20", "Ida Marsh", changes[0][0], "scanned", changes=changes)
    append_posting(place.archive, Posting(number, OUTCOMES, "2026-11-20", "I", (report,)))


def built_afresh(place: Place, folder: Path) -> dict[str, bytes]:
    """Files of a build from the same logs and ledger, in an archive of its own."""
    (folder / "ledger").mkdir(parents=True)
    ledger = place.archive / "ledger" / "entries.jsonl"
    if ledger.exists():
        (folder / "ledger" / "entries.jsonl").write_bytes(ledger.read_bytes())
    build(folder, [place.log], place.observatory)
    return contents(folder, parts_too=True)


def assert_same(found: dict[str, bytes], expected: dict[str, bytes]) -> None:
    assert found.keys() == expected.keys()
    for name, whole in expected.items():
        assert found[name] == whole, name


changes = st.builds(
    lambda plate, fact, draw: (plate, fact, VALUES[fact][draw % len(VALUES[fact])]),
    st.sampled_from(NAMES), st.sampled_from(PLATE_FACTS), st.integers(0, 20),
)  # fmt: skip


@settings(max_examples=8, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    st.lists(
        st.one_of(st.lists(changes, min_size=1, max_size=4), st.integers(0, 10)),
        min_size=1, max_size=6,
    )
)  # fmt: skip
def test_any_news_and_undoing_give_what_a_build_gives(
    tmp_path_factory: pytest.TempPathFactory, turns: list[list[tuple[str, str, str]] | int]
) -> None:
    folder = tmp_path_factory.mktemp("facts")
    place = Place(folder).build()
    for turn in turns:
        postings = read_postings(place.archive)
        if isinstance(turn, list):
            post(place, *turn)
        elif postings:  # undoing of anything, undoings too
            undo = Undo(f"{turn % len(postings) + 1}.1")
            number = next_number(postings)
            append_posting(place.archive, Posting(number, UNDO, "2026-11-21", "I", (undo,)))
        with archive_lock(place.archive):
            publish_facts(place.archive)
    found = contents(place.archive, parts_too=True)
    assert_same(found, built_afresh(place, folder / "fresh"))
    open_current(place.archive).verify()


def test_geometry_is_the_last_edition_s_very_files(place: Place) -> None:
    first = open_current(place.archive)
    post(place, ("QN-1", "scanned", "yes"))
    with archive_lock(place.archive):
        publish_facts(place.archive)
    second = open_current(place.archive)
    assert second.number == first.number + 1
    for name in GEOMETRY:
        assert (second.folder / name).samefile(first.folder / name)
    anew = {n for n in second.summary["files"] if not (second.folder / n).samefile(first.folder / n)
            if (first.folder / n).exists()}  # fmt: skip
    assert anew == {"exposures/scanned.arrow", "plates/scanned.arrow", "exposures.parquet",
                    "plates.parquet", "history.parquet"}  # fmt: skip
    assert first.plates.column("scanned")[0].as_py() == ""  # who has it open goes on with it


def test_applying_and_undoing_gives_the_same_bytes_back(place: Place) -> None:
    before = contents(place.archive, parts_too=True)
    day = place.folder / "day.csv"
    day.write_text(
        "designation,outcome,scan,other_plate,why,date,person\n"
        "QN 1,scanned,https://plates.example/qn1.fits,,,2026-11-20,Ida\n"
        "QN 2,not found,,,,2026-11-20,Ida\nWM 4,rescan,,,blurred,2026-11-20,Ida\n"
        "QN 3b,other plate in the jacket,,WM 5,,2026-11-20,Ida\n"
    )
    report = apply_outcomes(place.archive, day, today=TODAY)
    between = contents(place.archive, parts_too=True)
    assert between["exposures.parquet"] != before["exposures.parquet"]
    assert_same(between, built_afresh(place, place.folder / "fresh"))
    undo_outcomes(place.archive, [str(report.posting)], by="Bo", why="wrong day")
    after = contents(place.archive, parts_too=True)
    assert after.pop("history.parquet") != before.pop("history.parquet")  # who said what stays
    assert_same(after, before)
    build(place.archive, [place.log], place.observatory)
    rebuilt = contents(place.archive, parts_too=True)
    rebuilt.pop("history.parquet")
    assert_same(rebuilt, before)


def test_demo_of_several_logs(tmp_path: Path) -> None:
    from platecover.demo_data.make_demo import write_demo

    files = write_demo(tmp_path / "logs", exposures=1_500)
    for name in ("quick", "whole"):
        build(tmp_path / name, files.logs, files.observatory)
    plates = Archive.open(tmp_path / "quick").edition.table("plates").to_pylist()
    day = tmp_path / "day.csv"
    with day.open("w", newline="") as stream:
        rows = csv.writer(stream)
        rows.writerow(["designation", "outcome", "why", "date", "person"])
        for at, plate in enumerate(plates[::7]):
            outcome = ("scanned", "not found", "broken", "rescan")[at % 4]
            rows.writerow([plate["plate"], outcome, "blurred", "2026-11-24", "Ida"])
    report = apply_outcomes(tmp_path / "quick", day, today=TODAY)
    assert report.applied == len(plates[::7])
    (tmp_path / "whole" / "ledger").mkdir()
    entries = (tmp_path / "quick" / "ledger" / "entries.jsonl").read_bytes()
    (tmp_path / "whole" / "ledger" / "entries.jsonl").write_bytes(entries)
    build(tmp_path / "whole", files.logs, files.observatory)
    quick, whole = (contents(tmp_path / name, parts_too=True) for name in ("quick", "whole"))
    assert_same(quick, whole)


def test_bare_facts_count_too(place: Place) -> None:
    with archive_lock(place.archive):
        append_entries(place.archive, [LedgerEntry("2026-11-01", "I", "QN-1", "shelf", "Z9")])
        publish_facts(place.archive)
    assert_same(
        contents(place.archive, parts_too=True), built_afresh(place, place.folder / "fresh")
    )


def test_damage_of_the_last_edition_is_not_passed_on_as_sound(place: Place) -> None:
    path = place.edition / "geometry.npy"
    whole = bytearray(path.read_bytes())
    whole[-1] ^= 1
    path.write_bytes(whole)
    post(place, ("QN-1", "scanned", "yes"))
    with archive_lock(place.archive):
        publish_facts(place.archive)
    with pytest.raises(ArchiveError, match=r"geometry\.npy: damaged"):
        open_current(place.archive).verify()


def test_a_disk_without_links_gets_copies(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_: object) -> None:
        raise PermissionError("no links here")

    monkeypatch.setattr("platecover.coverage.facts_edition.os.link", refused)
    post(place, ("QN-1", "scanned", "yes"))
    with archive_lock(place.archive):
        publish_facts(place.archive)
    open_current(place.archive).verify()
    assert_same(
        contents(place.archive, parts_too=True), built_afresh(place, place.folder / "fresh")
    )


def test_a_plate_without_exposures_has_facts_as_well(tmp_path: Path) -> None:
    rows = [*PLATES, {"plate": "QN 77", "ra": "91h", "dec": "10"}]  # set aside, but known
    place = Place(tmp_path).build(rows)
    post(place, ("QN-77", "status", "missing"))
    with archive_lock(place.archive):
        publish_facts(place.archive)
    assert_same(contents(place.archive, parts_too=True), built_afresh(place, tmp_path / "fresh"))
    record = Archive.open(place.archive).plate_record("QN 77")
    assert record["plate"]["status"] == "missing" and record["exposures"] == []
