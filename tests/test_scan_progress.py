"""Progress of scanning: counted by hand, by astropy's constellations, and always adding up."""

import csv
import json
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import SkyCoord, get_constellation
from flask.testing import FlaskClient
from tests.archives import build_archive
from tests.small_archive import PLATES, Place, run

from platecover.coverage.archive import Archive
from platecover.coverage.constellations import names
from platecover.coverage.errors import QueryError
from platecover.coverage.outcome_apply import apply_outcomes, undo_outcomes
from platecover.service.app import create_app
from platecover.service.settings import Settings

TODAY = date(2026, 11, 25)
HEAD = "designation,outcome,scan,why,date,person,room\n"
DAYS = (
    "QN 1,scanned,https://plates.example/1,,2026-10-01,Ida Marsh,3",
    "QN 2,not found,,,2026-10-02,Ida Marsh,",
    "WM 4,rescan,,blurred,2026-10-05,Bo Vale,",
    "WM 5,scanned,,,2026-10-05,Bo Vale,",
)


def apply(place: Place, *rows: str) -> None:
    day = place.folder / "day.csv"
    day.write_text(HEAD + "".join(f"{row}\n" for row in rows))
    assert apply_outcomes(place.archive, day, today=TODAY).faults == 0


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Place:
    found = Place(tmp_path_factory.mktemp("progress")).build()
    apply(found, *DAYS)
    return found


@pytest.fixture(scope="module")
def client(place: Place) -> FlaskClient:
    return create_app(place.archive).test_client()


def test_counted_by_hand(place: Place) -> None:
    # QN 1, 2, 3b and WM 4 (scanned in the log), 5; the log has 1 scanned plate, the day 2 more, and
    # one to be scanned again; QN 2 is missing
    found = Archive.open(place.archive).scan_progress()
    total = found.total
    assert (total.plates, total.scanned_at_start, total.scanned) == (5, 1, 2)
    assert (total.out_of_reach, total.rescans, total.to_scan) == (1, 1, 2)
    assert [(each.name, each.plates, each.scanned) for each in found.groups] == [
        ("QN", 3, 1), ("WM", 2, 1),
    ]  # fmt: skip
    assert (found.first_day, found.last_day) == (date(2026, 10, 1), date(2026, 10, 5))
    assert found.daily.tolist() == [[1, 0, 0, 0, 0], [0, 0, 0, 0, 0]]
    assert "the record has 5 days, 1 of them with scans" in total.forecast.why_not


def test_epochs_and_areas(place: Place) -> None:
    archive = Archive.open(place.archive)
    epochs = archive.scan_progress("epoch").groups
    assert [(each.name, each.plates) for each in epochs] == [
        ("1900-1909", 2), ("1920-1929", 1), ("1930-1939", 1), ("undated", 1),
    ]  # fmt: skip
    areas = {each.name: each.plates for each in archive.scan_progress("area").groups}
    assert areas == {"Taurus": 4, "Tucana": 1}
    assert archive.scan_progress("area", series="WM").total.plates == 2
    assert archive.scan_progress("epoch", since="1905", until="1906").total.plates == 2
    assert archive.scan_progress("epoch", undated="only").total.plates == 1


def test_areas_are_astropy_s_constellations(tmp_path: Path) -> None:
    rng = np.random.default_rng(20261125)
    ra = rng.uniform(0.0, 360.0, 150)
    dec = np.degrees(np.arcsin(rng.uniform(-1.0, 1.0, 150)))
    rows = [
        {"plate": f"HB {at}", "ra": f"{ra[at]:.5f}", "dec": f"{dec[at]:.5f}"} for at in range(150)
    ]
    found = build_archive(tmp_path, rows).scan_progress("area")
    # short names, since some of astropy's long ones are misspelt
    places = SkyCoord(np.round(ra, 5) * u.deg, np.round(dec, 5) * u.deg)
    shorts, counts = np.unique(get_constellation(places, short_name=True), return_counts=True)
    theirs = {names()[n]: c for n, c in zip(shorts.tolist(), counts.tolist(), strict=True)}
    assert {each.name: each.plates for each in found.groups} == theirs


def test_the_first_exposure_of_a_plate_places_it(tmp_path: Path) -> None:
    rows = [
        {"plate": "HB 1", "exposure": "2", "ra": "83.6", "dec": "22", "date": "1913-01-01"},
        {"plate": "HB 1", "exposure": "1", "ra": "310.0", "dec": "45", "date": "1909-12-01"},
        {"plate": "HB 2", "ra": "91h", "dec": "0"},  # set aside: known without an exposure
        {"plate": "HB 3", "ra": "83.6", "dec": "22"},
    ]
    archive = build_archive(tmp_path, rows)
    assert {g.name: g.plates for g in archive.scan_progress("area").groups} == {
        "Taurus": 1, "Cygnus": 1, "no exposure kept": 1,
    }  # fmt: skip
    epochs = {g.name: g.plates for g in archive.scan_progress("epoch").groups}
    assert epochs == {"1900-1909": 1, "undated": 2}


def test_nothing_on_record_is_said(tmp_path: Path) -> None:
    found = build_archive(tmp_path, [{"plate": "HB 1", "ra": "10.0", "dec": "0"}]).scan_progress()
    assert found.first_day is found.last_day is None and found.daily.shape == (1, 0)
    assert (
        found.as_plain()["days"] == [] and "the record has 0 days" in found.total.forecast.why_not
    )


def test_what_is_undone_never_happened_and_always_adds_up(tmp_path: Path) -> None:
    rows = [{"plate": f"HB {n}", "ra": f"{n}.0", "dec": "0", "scanned": "yes" if n % 5 == 0 else ""}
            for n in range(1, 200)]  # fmt: skip
    archive = build_archive(tmp_path, rows).edition.folder.parent.parent
    day, lines = tmp_path / "day.csv", []
    for at in range(60):
        when = date(2026, 9, 1) + timedelta(days=at)
        lines.append(f"HB {2 * at + 1},scanned,,,{when},I,")
        lines.append(f"HB {2 * at + 2},rescan,,dust,{when},I,")
    day.write_text(HEAD + "\n".join(lines) + "\n")
    assert apply_outcomes(archive, day, today=TODAY).applied == 120
    undo_outcomes(archive, ["date=2026-09-07"], by="Bo", why="a slip")
    found = Archive.open(archive)
    progress = found.scan_progress("area")
    total = progress.total
    scanned = sum(row["scanned"] == "yes" for row in found.edition.table("plates").to_pylist())
    assert total.scanned == scanned == sum(each.scanned for each in progress.groups)
    assert total.scanned_at_start == len([n for n in range(1, 200) if n % 5 == 0])
    assert total.scanned == total.scanned_at_start + progress.daily.sum()
    assert progress.as_plain()["days"][-1]["scanned"] == total.scanned
    assert total.forecast.middle is not None and total.forecast.days == 60


@pytest.mark.parametrize(
    ("by", "filters", "parameter"),
    [("month", {}, "by"), ("series", {"series": "XX"}, "series"),
     ("series", {"certainty": "sure"}, "certainty"), ("area", {"colour": "red"}, "colour")],
)  # fmt: skip
def test_bad_questions(place: Place, by: str, filters: dict[str, str], parameter: str) -> None:
    with pytest.raises(QueryError) as caught:
        Archive.open(place.archive).scan_progress(by, **filters)
    assert caught.value.parameter == parameter


# --- commands ---------------------------------------------------------------------------------


def test_commands(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    place = Place(tmp_path).build()
    day, archive = tmp_path / "day.csv", ("--archive", place.archive)
    day.write_text(HEAD + "\n".join([*DAYS, "QN 99,broken,,,2026-10-05,,"]) + "\n")
    refused = run(capsys, "outcome", *archive, day, "--strict")
    assert refused.status == 1 and "rows read 5, applied 0, set aside 5" in refused.out
    done = run(capsys, "outcome", *archive, day, "--by", "Ida")
    assert done.status == 0 and done.out.endswith("rows read 5, applied 4, set aside 1\n")
    assert "set aside: day.csv, row 6, designation: 'QN 99': no plate QN-99 is known" in done.err
    again = run(capsys, "outcome", *archive, day, "--by", "Ida")
    assert again.status == 0 and "nothing changed: 4 rows are in the ledger already" in again.out
    (tmp_path / "good.csv").write_text(HEAD + "\n".join(DAYS) + "\n")
    same = run(capsys, "outcome", *archive, tmp_path / "good.csv", "--strict")
    assert same.status == 0 and "every row is in the ledger already" in same.out
    (tmp_path / "bad.csv").write_text(HEAD + "QN 99,broken,,,2026-10-05,Ida,\n")
    assert run(capsys, "outcome", *archive, tmp_path / "bad.csv").status == 1
    (tmp_path / "none.csv").write_text(HEAD)
    nothing = run(capsys, "outcome", *archive, tmp_path / "none.csv")
    assert nothing.status == 0 and "the file has no rows" in nothing.out

    told = run(capsys, "history", *archive, "qn", "0001", "--format", "json")
    rows = json.loads(told.out)["history"]
    assert [row["value"] for row in rows if row["fact"] == "scanned"] == ["yes"]
    assert run(capsys, "history", *archive, "--by", "bo vale").out.endswith("5 lines\n")
    assert run(capsys, "history", *archive, "--since", "2030-01-01").out == "0 lines\n"
    listed = list(
        csv.DictReader(run(capsys, "history", *archive, "--format", "csv").out.split("\n"))
    )
    assert {row["entry"] for row in listed if row["plate"]} == {"1.1", "1.2", "1.3", "1.4"}
    undone = run(capsys, "outcome", *archive, "--undo", "1.2", "--by", "Bo", "--why", "it is there")
    assert undone.status == 0 and "posting 2: 1 entries undone; edition 3" in undone.out
    assert "it is there" in run(capsys, "history", *archive, "QN 2").out

    plot = tmp_path / "progress.png"
    shown = run(capsys, "progress", *archive, "--by", "epoch", "--plot", plot)
    assert (
        shown.status == 0 and plot.read_bytes()[:4] == b"\x89PNG" and "2 of 5 plates" in shown.out
    )
    table = list(
        csv.DictReader(run(capsys, "progress", *archive, "--format", "csv").out.split("\n"))
    )
    assert table[-1]["name"] == "all" and table[-1]["scanned"] == "2"
    assert json.loads(run(capsys, "progress", *archive, "--format", "json").out)["by"] == "series"


@pytest.mark.parametrize(
    ("words", "status", "message"),
    [
        (("outcome",), 2, "name a file of outcomes"),
        (("outcome", "--undo", "1"), 2, "--undo needs --by"),
        (("outcome", "--undo", "1", "--by", "I"), 2, "--undo needs --why"),
        (("outcome", "--undo", "1", "--by", "I", "--why", "x"), 1, "there is no entry 1"),
        (("outcome", "--undo", "x", "--by", "I", "--why", "x"), 2, "name postings"),
        (("outcome", "--strict", "--undo", "1", "--by", "I", "--why", "x"), 2, "goes with"),
        (("outcome", "none.csv"), 1, "cannot be read"),
        (("history", "XX", "1"), 1, "unknown series"), (("history", "--since", "soon"), 1, "since"),
        (("progress", "--by", "month"), 2, "invalid choice"),
        (("progress", "--plot", "a.txt"), 1, ".png"), (("progress", "--series", "XX"), 1, "XX"),
    ],
)  # fmt: skip
def test_wrong_words(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], status: int,
    message: str,
) -> None:  # fmt: skip
    place = Place(tmp_path).build(PLATES[:1])
    found = run(capsys, words[0], "--archive", place.archive, *words[1:])
    assert found.status == status and message in found.err


def test_the_form_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(capsys, "outcome", "--show-form").out.startswith("designation,outcome,scan,")


# --- HTTP -------------------------------------------------------------------------------------


def test_progress_over_http_is_python_s(place: Place, client: FlaskClient) -> None:
    for by in ("series", "area", "epoch"):
        expected = Archive.open(place.archive).scan_progress(by, series="WM").as_plain()
        assert client.get(f"/api/progress?by={by}&series=WM").get_json() == expected
    assert client.get("/api/progress?format=csv").text.startswith("name,plates,")
    for form, start in (("png", b"\x89PNG"), ("svg", b"<?xml")):
        assert client.get(f"/api/progress?format={form}").data.startswith(start)
    for query, parameter in (("by=month", "by"), ("series=XX", "series"), ("x=1", "x")):
        error = client.get(f"/api/progress?{query}")
        assert error.status_code == 400
        assert error.get_json()["error"]["parameter"] == parameter


def test_history_over_http(place: Place, client: FlaskClient) -> None:
    whole = client.get("/api/history").get_json()
    assert whole["count"] == len(whole["history"]) == len(Archive.open(place.archive).history())
    some = client.get("/api/history?plate=qn_1&maxrec=2").get_json()
    assert some["truncated"] and some["count"] == 2
    bo = client.get("/api/history?by=bo+vale&since=2026-10-05").get_json()["history"]
    assert {row["plate"] for row in bo} == {"WM-4", "WM-5"}
    assert client.get("/api/history?format=csv").text.splitlines()[0].startswith("plate,at,by,")
    shown = client.get("/api/plates/QN-1").get_json()["history"]
    assert [row["value"] for row in shown if row["fact"] == "outcome"] == [
        "scanned: https://plates.example/1"
    ]
    for query, parameter in (("since=soon", "since"), ("plate=XX+1", "designation")):
        error = client.get(f"/api/history?{query}")
        assert error.status_code == 400
        assert error.get_json()["error"]["parameter"] == parameter


@pytest.mark.parametrize(
    "settings",
    [Settings(people_are_public=False), Settings(public_columns="plate,status,scanned,shelf,"
                                                 "condition,access_url")],
)  # fmt: skip
def test_people_may_be_withheld(place: Place, settings: Settings) -> None:
    client = create_app(place.archive, settings).test_client()
    for path in ("/api/history", "/api/history?format=csv", "/api/plates/QN-1", "/api/plates/WM-5"):
        text = client.get(path).text
        assert "Ida Marsh" not in text and "Bo Vale" not in text
        assert "outcome" in text  # what was said is there
    assert client.get("/api/history?by=Ida+Marsh").status_code == 400  # no way to guess either
    assert "Ida" not in client.get("/plates/QN-1").text


def test_facts_may_be_withheld(place: Place) -> None:
    client = create_app(place.archive, Settings(public_columns="plate,scanned")).test_client()
    facts = {row["fact"] for row in client.get("/api/history").get_json()["history"]}
    assert facts == {"scanned"}
    assert client.get("/api/progress?by=series").status_code == 400  # series are not public
    assert client.get("/api/progress").get_json()["by"] == "area"
