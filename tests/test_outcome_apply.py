"""The day's outcome applied: every row counted, each rule kept, nothing lost, undone on request."""

import json
import shutil
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.small_archive import PLATES, Place
from tests.test_rebuild import contents

from platecover.coverage.archive import Archive
from platecover.coverage.edition import open_current
from platecover.coverage.edition_build import build
from platecover.coverage.edition_publish import archive_lock
from platecover.coverage.errors import ArchiveError, LogFileError, QueryError
from platecover.coverage.ledger import read_postings
from platecover.coverage.outcome_apply import OutcomeReport, apply_outcomes, undo_outcomes
from platecover.coverage.plate_history import rescan_reasons
from platecover.service.live_archive import LiveArchive

TODAY = date(2026, 11, 25)
HEAD = "designation,outcome,scan,other_plate,why,date,person,notes\n"
SCAN = "QN 1,scanned,https://plates.example/qn1.fits,,,2026-11-20,Ida,"


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Place:
    return Place(tmp_path_factory.mktemp("built")).build()


@pytest.fixture
def place(built: Place, tmp_path: Path) -> Place:
    shutil.copytree(built.folder, tmp_path / "place")
    return Place(tmp_path / "place")


def apply(place: Place, *rows: str, **how: Any) -> OutcomeReport:
    """Apply rows of the usual header; rows read are those applied and set aside, always."""
    day = place.folder / "day.csv"
    day.write_text(HEAD + "".join(f"{row}\n" for row in rows), encoding="utf-8")
    report = apply_outcomes(place.archive, day, **{"today": TODAY, **how})
    assert report.rows_read == report.applied + len(report.set_aside) == len(rows)
    assert sum(report.outcomes.values()) == report.applied
    return report


def facts(place: Place, plate: str) -> tuple[str | None, ...]:
    """Status, condition, scanned, address and shelf of a plate."""
    record = Archive.open(place.archive).plate_record(plate)["plate"]
    names = ("status", "condition", "scanned", "access_url", "shelf")
    return tuple(record[name] for name in names)


def ledger(place: Place) -> bytes:
    path = place.archive / "ledger" / "entries.jsonl"
    return path.read_bytes() if path.exists() else b""


def test_each_outcome_changes_what_it_should(place: Place) -> None:
    apply(place, SCAN, "qn0002,not found,,,,2026-11-20,Ida,", "WM 5,broken,,,,2026-11-20,Bo,in 3")
    assert facts(place, "QN 1")[2:4] == ("yes", "https://plates.example/qn1.fits")
    assert facts(place, "QN 2")[0] == "missing"
    assert facts(place, "WM 5")[1] == "broken"
    apply(place, "WM 4,rescan,,,out of focus,2026-11-21,Ida,")
    assert facts(place, "WM 4")[2:4] == ("no", None)
    assert rescan_reasons(open_current(place.archive)) == {"WM-4": "out of focus"}
    report = apply(place, "WM 4,scanned,wm/4 b.fits,,,2026-11-22,Ida,",
                   scans="https://plates.example/scans/")  # fmt: skip
    assert facts(place, "WM 4")[2:4] == ("yes", "https://plates.example/scans/wm/4%20b.fits")
    assert rescan_reasons(open_current(place.archive)) == {} and report.without_address == 0


def test_a_file_without_the_address_of_the_scans_is_noted_only(place: Place) -> None:
    report = apply(place, "QN 1,scanned,a.fits,,,2026-11-20,Ida,",
                   "QN 2,scanned,,,,2026-11-20,Ida,")  # fmt: skip
    assert report.applied == report.without_address == 2
    assert facts(place, "QN 1")[2:4] == ("yes", None)
    history = Archive.open(place.archive).plate_record("QN 1")["history"]
    assert any(row["value"] == "scanned: a.fits" for row in history)


def test_another_plate_in_the_jacket_is_a_fact_about_two(place: Place) -> None:
    report = apply(
        place, "WM 5,not found,,,,2026-11-19,Ida,",
        "QN 3b,other plate in the jacket,,wm-5,,2026-11-20,Ida,",
        "QN 1,other plate,,XY 7?,,2026-11-20,Ida,",
        "QN 2,other plate,,QN 2,,2026-11-20,Ida,",
    )  # fmt: skip
    assert report.applied == 3 and report.unknown_others == ("XY 7?",)
    assert "the plate itself" in report.set_aside[0].reason
    assert facts(place, "QN 3b")[0] == "missing" and facts(place, "QN 1")[0] == "missing"
    assert facts(place, "WM 5")[0] == "on shelf" and facts(place, "WM 5")[4] == "C3"
    history = Archive.open(place.archive).plate_record("WM 5")["history"]
    assert any(row["value"] == "in the jacket of QN-3b" for row in history)


def test_a_plate_in_hand_is_not_missing(place: Place) -> None:
    apply(place, "QN 1,not found,,,,2026-11-19,Ida,", "QN 2,not found,,,,2026-11-19,Ida,")
    apply(place, SCAN, "QN 2,broken,,,,2026-11-20,Ida,")
    assert facts(place, "QN 1")[0] == facts(place, "QN 2")[0] == "on shelf"


def test_several_days_in_one_file_go_by_date(place: Place) -> None:
    report = apply(place, SCAN, "QN 1,not found,,,,2026-11-19,Ida,")  # the later day first
    assert report.applied == 2
    assert facts(place, "QN 1")[:3] == ("on shelf", None, "yes")


@pytest.mark.parametrize(
    ("rows", "reasons"),
    [
        ([SCAN, SCAN], ["", "repeats row 2"]),
        ([SCAN, SCAN.replace("QN 1", "qn-0001").replace("Ida", "Bo")], ["", "repeats row 2"]),
        ([SCAN, "QN 1,broken,,,,2026-11-20,Ida,"], ["row 3 says 'broken'", "row 2 says 'scanned'"]),
        ([SCAN, SCAN.replace("qn1", "x")], ["row 3 says", "row 2 says"]),
        (["QN 1,not found,,,,2026-11-20 09:00,Ida,", SCAN.replace("20,", "20 15:00,")], ["", ""]),
        (["QN 1,not found,,,,2026-11-20 09:00,Ida,", SCAN], ["row 3 says", "row 2 says"]),
        ([SCAN, "QN 9,broken,,,,2026-11-20,Ida,"], ["", "no plate QN-9 is known"]),
    ],
)  # fmt: skip
def test_rows_at_odds_with_each_other(place: Place, rows: list[str], reasons: list[str]) -> None:
    report = apply(place, *rows)
    found = {each.row: each.reason for each in report.set_aside}
    for row, reason in enumerate(reasons, start=2):
        assert (reason in found[row]) if reason else (row not in found)


def test_rows_at_odds_with_the_ledger(place: Place) -> None:
    apply(place, SCAN)
    report = apply(
        place, SCAN, "QN 1,broken,,,,2026-11-20,Ida,", "QN 1,not found,,,,2026-11-19,Ida,",
        "QN 1,broken,,,,2026-11-21,Ida,",
    )  # fmt: skip
    assert report.applied == 1
    same, other, older = report.set_aside
    assert same.repeat and "is in the ledger already: 1.1 (scanned, 2026-11-20, Ida)" in same.reason
    assert "the ledger has another outcome of that day: 1.1" in other.reason
    assert older.column == "date" and "is older than the last outcome of the plate" in older.reason
    assert report.faults == 2


def test_the_same_file_twice_changes_nothing(place: Place) -> None:
    rows = (SCAN, "QN 2,not found,,,,2026-11-20,Ida,")
    first = apply(place, *rows)
    before = ledger(place), contents(place.archive, parts_too=True)
    again = apply(place, *rows, strict=True)
    assert again.posting is None and not again.is_new_edition and again.repeats == 2
    assert again.edition == first.edition and again.faults == 0
    assert (ledger(place), contents(place.archive, parts_too=True)) == before


def test_strict_applies_nothing_if_any_row_is_at_fault(place: Place) -> None:
    report = apply(place, SCAN, "QN 1,scannd,,,,2026-11-20,Ida,", strict=True)
    assert (report.applied, report.posting, report.faults) == (0, None, 1)
    assert ledger(place) == b"" and open_current(place.archive).number == 1
    assert apply(place, SCAN, strict=True).applied == 1


def test_a_file_of_only_a_header_changes_nothing(place: Place) -> None:
    report = apply(place)
    assert (report.rows_read, report.posting, report.edition) == (0, None, 1)


def test_hostile_text_is_kept_as_text(place: Place) -> None:
    bad = "<script>alert(1)</script> =1+1 \u202e \x1b[2J {{7*7}} '; DROP"
    report = apply(place, f'QN 1,not found,,,{bad},2026-11-20,"<b>Ida</b>",{bad}')
    assert report.applied == 1
    (posting,) = read_postings(place.archive)
    entry = json.loads(ledger(place))["entries"][0]
    assert entry["why"] == bad and entry["notes"] == {"notes": bad}
    assert posting.by == "<b>Ida</b>"


def test_who_sends_it_in_must_have_a_name(place: Place) -> None:
    for by in (" ", "I\nda", "\x1b[0m"):
        with pytest.raises(QueryError) as caught:
            apply(place, SCAN, by=by)
        assert caught.value.parameter == "by"
    with pytest.raises(QueryError, match="scans must be an http"):
        apply(place, SCAN, scans="javascript:x")


def test_no_archive_is_made(tmp_path: Path) -> None:
    (tmp_path / "day.csv").write_text(HEAD)
    for name in ("none", "day.csv"):
        with pytest.raises(ArchiveError):
            apply_outcomes(tmp_path / name, tmp_path / "day.csv")
    assert [path.name for path in tmp_path.iterdir()] == ["day.csv"]
    with pytest.raises(LogFileError, match="cannot be read"):
        apply_outcomes(tmp_path, tmp_path / "other.csv")


# --- undo -----------------------------------------------------------------------------------


def test_undo_by_entry_posting_and_condition(place: Place) -> None:
    apply(place, SCAN, "QN 2,not found,,,,2026-11-20,Bo,")
    apply(place, "WM 5,broken,,,,2026-11-21,Bo,")
    undo_outcomes(place.archive, ["1.2"], by="Ida", why="it was there")
    assert facts(place, "QN 2")[0] is None and facts(place, "QN 1")[2] == "yes"
    undo_outcomes(place.archive, ["person=bo", "date=2026-11-21"], by="Ida", why="other day")
    assert facts(place, "WM 5")[1] is None
    undo_outcomes(place.archive, ["1"], by="Ida", why="the rest too")
    assert facts(place, "QN 1")[2:4] == (None, None)
    undo_outcomes(place.archive, ["3.1"], by="Bo", why="no, it was not")  # the undoing undone
    assert facts(place, "QN 2")[0] == "missing"
    rows = Archive.open(place.archive).history("qn 2").filled("")
    assert [tuple(row[name] for name in ("by", "fact", "value", "undone")) for row in rows] == [
        ("Bo", "outcome", "not found", ""), ("Bo", "status", "missing", ""),
        ("Ida", "undo", "1.2", "6.1"), ("Bo", "undo", "3.1", ""),
    ]  # fmt: skip
    assert len(read_postings(place.archive)) == 6  # nothing was taken away


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["9"], "there is no entry 9"), (["1.2"], "there is no entry 1.2"),
        (["1.0"], "there is no entry"), (["0"], "there is no entry"), (["x"], "name postings"),
        (["1", "date=2026-11-20"], "name postings"), ([], "name postings"), (["date="], "date="),
        (["date=20/11"], "undo:"), (["plate=XX 1"], "unknown series"), (["colour=1"], "colour"),
        (["person=Nobody"], "no entry that counts has person=Nobody"),
        (["1", "99999999999999999999"], "name postings"), (["٣"], "name postings"),
        (["date=2026-11-20", "date=2026-11-21"], "name postings"),
    ],
)  # fmt: skip
def test_undo_of_what_there_is_not(place: Place, words: list[str], message: str) -> None:
    apply(place, SCAN)
    before = ledger(place)
    with pytest.raises(QueryError, match=message):
        undo_outcomes(place.archive, words, by="Ida", why="a slip")
    assert ledger(place) == before


def test_undo_twice_and_unsigned(place: Place) -> None:
    apply(place, SCAN)
    for how in ({"by": "", "why": "x"}, {"by": "Ida", "why": " "}):
        with pytest.raises(QueryError):
            undo_outcomes(place.archive, ["1"], **how)
    undo_outcomes(place.archive, ["1"], by="Ida", why="a slip")
    with pytest.raises(QueryError, match=r"1 is undone already: by 2\.1 \(Ida, .*, a slip\)"):
        undo_outcomes(place.archive, ["1"], by="Bo", why="me too")
    assert apply(place, SCAN).applied == 1  # what was undone can be said again


# --- planning -------------------------------------------------------------------------------


def test_plans_ask_for_what_is_to_be_scanned_only(place: Place) -> None:
    def planned() -> set[str]:
        plan = Archive.open(place.archive).scan_plan("99 plates", today=TODAY)
        return set(plan.plates.column("plate").to_pylist())

    assert planned() == {"QN-1", "QN-2", "QN-3b", "WM-5"}
    apply(
        place, SCAN, "QN 2,not found,,,,2026-11-20,Ida,", "QN 3b,broken,,,,2026-11-20,Ida,",
        "WM 4,rescan,,,blurred,2026-11-20,Ida,",
    )  # fmt: skip
    assert planned() == {"WM-4", "WM-5"}
    apply(place, "WM 5,other plate in the jacket,,?,,2026-11-20,Ida,")
    assert planned() == {"WM-4"}
    undo_outcomes(place.archive, ["1"], by="Ida", why="all wrong")
    assert planned() == {"QN-1", "QN-2", "QN-3b"}


@settings(max_examples=6, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_whatever_is_applied_no_scanned_plate_is_planned(
    built: Place, tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    folder = tmp_path_factory.mktemp("plans")
    shutil.copytree(built.archive, folder / "archive")
    place = Place(folder)
    names = [row["plate"] for row in PLATES]
    outcomes = ("scanned", "not found", "broken", "other plate: ?", "rescan: why not")
    last = {}
    for day in range(1, data.draw(st.integers(2, 4))):
        said = data.draw(st.dictionaries(st.sampled_from(names), st.sampled_from(outcomes)))
        report = apply(place, *(f"{n},{o},,,,2026-11-{day:02},I," for n, o in said.items()))
        assert report.faults == 0
        last |= said
    plan = Archive.open(place.archive).scan_plan("99 plates", today=TODAY)
    planned = set(plan.plates.column("plate").to_pylist())
    for name, outcome in last.items():
        if not outcome.startswith("rescan"):
            assert name.replace(" ", "-") not in planned
    scanned = {
        row["plate"] for row in plan_rows(place) if row["scanned"] == "yes" or row["access_url"]
    }
    assert not planned & scanned


def plan_rows(place: Place) -> list[dict[str, Any]]:
    return list(open_current(place.archive).table("plates").to_pylist())


# --- the archive while it changes ---------------------------------------------------------------


def test_a_running_service_sees_it_at_once(place: Place) -> None:
    live = LiveArchive(place.archive)
    assert len(live.current().cone(83.6, 22.0, 0, scanned="yes")) == 1
    apply(place, SCAN)
    assert len(live.current().cone(83.6, 22.0, 0, scanned="yes")) == 2


def test_one_who_finds_it_locked_is_told(place: Place) -> None:
    with archive_lock(place.archive), pytest.raises(ArchiveError, match="at work; try again"):
        apply(place, SCAN, wait_s=0.1)
    assert apply(place, SCAN).applied == 1


def test_an_edition_that_could_not_be_made_is_made_later(
    place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> None:
        raise ArchiveError("the disk is full")

    with monkeypatch.context() as patch:
        patch.setattr("platecover.coverage.outcome_apply.publish_facts", full)
        with pytest.raises(ArchiveError, match=r"(?s)full.*posting 1 is safe in the ledger"):
            apply(place, SCAN)
    assert open_current(place.archive).number == 1
    again = apply(place, SCAN)
    assert again.posting is None and again.is_new_edition and facts(place, "QN 1")[2] == "yes"
    assert not apply(place, SCAN).is_new_edition
    build(place.archive, [place.log], place.observatory)  # a build knows it as well
    assert not apply(place, SCAN).is_new_edition
