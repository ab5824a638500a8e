"""Plans of whole archives: never what is scanned, worth by plain loops, order, words, faults."""

import csv
import io
import json
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from tests.archives import build_archive
from tests.plate_sets import plain_worth
from tests.small_archive import run

from platecover.coverage.archive import Archive
from platecover.coverage.errors import QueryError
from platecover.coverage.scan_areas import areas_gaining_most
from platecover.coverage.scan_bins import plate_bins, spans_of
from platecover.coverage.scan_cost import plate_rows
from platecover.coverage.scan_plan import RANDOM, SHELF_ORDER, ScanPlan, percent_of
from platecover.coverage.scan_wishes import Wishes, share_steps

WHOLE_SKY_DEG2 = 41252.96125  # 4 pi steradians
SERIES: dict[str, dict[str, object]] = {
    "HB": {},
    "WF": {"scale_arcsec_per_mm": 400.0, "exposed_mm": [200, 250], "glass_mm": [203, 254]},
}
AWKWARD = [(0.1, 0.5), (359.8, -0.5), (120.0, 89.0), (300.0, 89.9), (45.0, -89.7), (180.0, -90.0)]


def invented_rows(count: int = 60) -> list[dict[str, str]]:
    """Plates about few fields, the poles and RA 0h among them, on shelves, in all conditions."""
    rng = np.random.default_rng(7)
    rows = []
    for number in range(1, count + 1):
        ra, dec = AWKWARD[number % len(AWKWARD)] if number % 2 else (83.6, 5.0 + number % 3)
        rows.append(
            {
                "plate": f"{'WF' if number % 5 == 0 else 'HB'} {number}",
                "ra": f"{ra:.2f}",
                "dec": f"{dec:.2f}",
                "date": f"{1890 + int(rng.integers(0, 40))}-05-0{number % 9 + 1}",
                "shelf": f"C{number % 3 + 1}/{number % 2 + 1}/{number}",
                "status": "missing" if number % 17 == 0 else "",
                "condition": "flaking" if number % 19 == 0 else "",
                "scanned": "yes" if number % 7 == 0 else "",
            }
        )
    return rows


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    return build_archive(tmp_path_factory.mktemp("plan"), invented_rows(), SERIES)


@pytest.fixture(scope="module")
def planned(archive: Archive) -> ScanPlan:
    return archive.scan_plan("12 plates")


def names_of(plan: ScanPlan) -> list[str]:
    return list(plan.plates.column("plate").to_pylist())


@pytest.mark.parametrize("evened", [0.0, 0.5, 1.0])
def test_worth_is_what_the_definition_says(archive: Archive, evened: float) -> None:
    planned = archive.scan_plan("12 plates", Wishes(evened=evened))
    edition, wishes = archive.edition, planned.wishes
    every = np.ones(len(edition.plates), dtype=np.bool_)
    bins = plate_bins(edition, wishes, spans_of(edition, wishes), plate_rows(edition), every)
    sets = []
    for row in range(len(edition.plates)):
        runs = range(bins.offsets[row], bins.offsets[row + 1])
        sets.append({at for run in runs for at in range(bins.firsts[run], bins.ends[run])})
    facts = edition.plates.select(["plate", "scanned"]).to_pylist()
    scanned = [row for row, each in enumerate(facts) if each["scanned"] == "yes"]
    place = {each["plate"]: row for row, each in enumerate(facts)}
    weight = WHOLE_SKY_DEG2 / (12 << (2 * wishes.order))
    # the two series are of two classes of depth, and each has plates of one size only: HB 160 mm at
    # its scale, WF 200 x 250 mm at 400 arcsec/mm, on whose square degrees HB's are evened
    scale = edition.exposures.column("scale_arcsec_per_mm").to_pylist()
    fine_deg2, wide_deg2 = (160.0 * min(scale) / 3600.0) ** 2, 200.0 * 250.0 * (400.0 / 3600.0) ** 2
    finer = (wide_deg2 / fine_deg2) ** evened
    series = edition.plates.column("series").to_pylist()
    weights = {
        at: weight * (finer if series[row] == "HB" else 1.0)
        for row, each in enumerate(sets)
        for at in each
    }
    shares = share_steps(wishes.shares)
    before = plain_worth(sets, scanned, shares, weights)
    chosen = [place[name] for name in names_of(planned)]
    after = plain_worth(sets, [*scanned, *chosen], shares, weights)
    assert planned.gain == pytest.approx(after - before, rel=1e-6)
    assert planned.gained.sum() == pytest.approx(planned.gain, rel=1e-6)


def test_what_is_planned_can_be_had(archive: Archive, planned: ScanPlan) -> None:
    rows = {row["plate"]: row for row in archive.edition.plates.to_pylist()}
    assert len(set(names_of(planned))) == 12
    for name in names_of(planned):
        assert rows[name]["scanned"] != "yes"
        assert rows[name]["status"] != "missing"
        assert rows[name]["condition"] != "flaking"
    flaking = {n for n, row in rows.items() if row["condition"] == "flaking"}
    free = {n for n in flaking if rows[n]["scanned"] != "yes" and rows[n]["status"] != "missing"}
    assert set(planned.conservation.column("plate").to_pylist()) == free
    gains = planned.conservation.column("gain").to_pylist()
    assert gains == sorted(gains, reverse=True)
    counted = planned.candidates + sum(
        count for reason, count in planned.left_out.items() if reason != "no worth"
    )
    assert counted == len(rows)


def test_working_order(planned: ScanPlan) -> None:
    rows = planned.plates.to_pylist()
    assert [row["order"] for row in rows] == list(range(1, 13))
    assert sorted(row["choice"] for row in rows) == list(range(1, 13))
    units = [row["unit"] for row in rows]
    changes = [b for a, b in pairwise(units) if a != b]
    assert len(changes) + 1 == len(set(units))  # each unit is opened once
    np.testing.assert_allclose(
        np.cumsum([row["gain"] for row in rows]), [row["running_worth"] for row in rows]
    )
    assert rows[-1]["running_worth"] == pytest.approx(planned.gain)
    opened = {unit: units.index(unit) for unit in units}
    for at, row in enumerate(rows):
        alone = 1.5 + 1.5 + (2.5 if row["series"] == "HB" else 4.0)
        assert row["minutes"] == alone + (2.0 if opened[row["unit"]] == at else 0.0)


def test_the_plan_beats_shelf_order_and_chance(planned: ScanPlan) -> None:
    assert planned.gain > planned.others[SHELF_ORDER]
    assert planned.gain > planned.others[RANDOM]
    assert planned.gain <= planned.bound * (1.0 + 1e-9)
    assert 0.6 < planned.at_least <= 1.0
    assert "Nemhauser" in planned.theorem


def test_what_is_claimed_is_not_rounded_up() -> None:
    assert percent_of(0.99962) == "99.9 %"
    assert percent_of(1.0 - (1.0 - 1.0 / 3.0) ** 3) == "70.3 %"  # 0.7037
    assert (percent_of(1.0), percent_of(0.75), percent_of(0.0)) == ("100.0 %", "75.0 %", "0.0 %")


@pytest.mark.parametrize(
    ("minutes", "theorem"), [("open_unit = 0\nwalk = 0", "Khuller"), ("", "no theorem holds")]
)
def test_theorems_are_claimed_only_where_they_hold(
    archive: Archive, tmp_path: Path, minutes: str, theorem: str
) -> None:
    (tmp_path / "w.toml").write_text(f"[minutes]\n{minutes}")
    plan = archive.scan_plan("1 hour", tmp_path / "w.toml")
    assert theorem in plan.theorem
    assert 0.0 < plan.plates.column("running_minutes").to_pylist()[-1] <= 60.0


def test_planning_on_never_proposes_a_scanned_plate(tmp_path: Path) -> None:
    rows = invented_rows(30)
    done: set[str] = set()
    gains = []
    for round_ in range(3):
        archive = build_archive(tmp_path, rows, SERIES)
        plan = archive.scan_plan("6 plates")
        planned = set(names_of(plan))
        assert not planned & done, round_
        assert len(planned) == 6
        done |= planned
        gains.append(plan.gain)
        for row in rows:
            if row["plate"].replace(" ", "-") in done:
                row["scanned"] = "yes"
    assert gains == sorted(gains, reverse=True)


def test_the_order_of_the_logs_changes_nothing(tmp_path: Path, planned: ScanPlan) -> None:
    again = build_archive(tmp_path, invented_rows()[::-1], SERIES).scan_plan("12 plates")
    assert again.plates.equals(planned.plates)
    assert again.bound == planned.bound


def test_more_budget_than_plates(archive: Archive) -> None:
    plan = archive.scan_plan("1000000 plates")
    assert len(plan.plates) <= plan.candidates
    assert plan.at_least == pytest.approx(1.0)
    assert min(plan.plates.column("gain").to_pylist()) >= 0.0


def test_days(archive: Archive) -> None:
    plan = archive.scan_plan("2 days", Wishes(hours=1.5))
    days = plan.plates.column("day").to_pylist()
    assert days == sorted(days)
    assert set(days) == {1, 2}


def test_filters_choose_among_plates(archive: Archive) -> None:
    plan = archive.scan_plan("5 plates", series="WF")
    assert plan.series == {"WF": 5}
    early = archive.scan_plan("5 plates", until="1900", series="HB")
    epochs = archive.edition.exposures.select(["plate", "epoch"]).to_pylist()
    year = {row["plate"]: row["epoch"] for row in epochs}
    assert all(year[name] < 1901.0 for name in names_of(early))


def test_nothing_to_plan(archive: Archive) -> None:
    plan = archive.scan_plan("5 plates", series="WF", until="1889")
    assert (len(plan.plates), plan.candidates, plan.gain, plan.at_least) == (0, 0, 0.0, 1.0)
    assert areas_gaining_most(plan) == []


def test_weights_lead_the_plan(archive: Archive, tmp_path: Path) -> None:
    field = "fields = [{ra = 83.6, dec = 6.0, radius = 3, weight = 1}]"
    (tmp_path / "w.toml").write_text(f"[worth]\neverywhere = 0\n{field}")
    plan = archive.scan_plan("4 plates", tmp_path / "w.toml")
    areas = areas_gaining_most(plan)
    assert {each["constellation"] for each in areas} <= {"Orion", "Taurus"}
    assert areas[0]["constellation"] == "Orion"
    assert areas[0]["ra"] == pytest.approx(83.6, abs=2.0)
    assert areas[0]["dec"] == pytest.approx(6.0, abs=3.0)
    assert areas[0]["place"].startswith("RA 5h ")


@pytest.mark.parametrize(
    ("budget", "filters", "message"),
    [
        ("0 plates", {}, "above 0"),
        ("-1 days", {}, "above 0"),
        ("inf hours", {}, "not endless"),
        ("some", {}, "such as '300 plates'"),
        ("5 plates", {"certainty": "sure"}, "certainty goes with a region"),
        ("5 plates", {"series": "XX"}, "series 'XX' is not known"),
    ],
)
def test_bad_questions(
    archive: Archive, budget: str, filters: dict[str, Any], message: str
) -> None:
    with pytest.raises(QueryError, match=message):
        archive.scan_plan(budget, **filters)


def test_plates_that_take_no_time_are_no_plan(archive: Archive, tmp_path: Path) -> None:
    text = "[minutes]\nphotograph = 0\nclean = 0\nscan = [{minutes = 0}]"
    (tmp_path / "w.toml").write_text(text)
    with pytest.raises(QueryError, match="takes no minutes"):
        archive.scan_plan("1 hour", tmp_path / "w.toml")
    assert len(archive.scan_plan("3 plates", tmp_path / "w.toml").plates) == 3


def folder_of(archive: Archive) -> Path:
    return archive.edition.folder.parent.parent


def test_command_line(
    archive: Archive, planned: ScanPlan, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    words = ["plan", "--archive", folder_of(archive), "--budget", "12 plates"]
    table = run(capsys, *words)
    assert (table.status, table.err) == (0, "")
    assert "of the best possible" in table.out
    assert "for a conservator first" in table.out
    assert all(name in table.out for name in names_of(planned))

    rows = list(csv.DictReader(io.StringIO(run(capsys, *words, "--format", "csv").out)))
    assert [row["plate"] for row in rows] == names_of(planned)

    facts = json.loads(run(capsys, *words, "--format", "json").out)
    assert [row["plate"] for row in facts["plates"]] == names_of(planned)
    assert facts["gain"] == planned.gain
    assert facts["series"] == planned.series

    out = tmp_path / "plan.csv"
    told = run(capsys, *words, "--format", "csv", "--out", out)
    assert told.out == f"wrote {out}: 12 plates\n"
    assert out.read_text().startswith("order,day,choice,plate,")


def test_wishes_are_shown_without_an_archive(capsys: pytest.CaptureFixture[str]) -> None:
    shown = run(capsys, "plan", "--show-wishes")
    assert shown.status == 0
    assert "[minutes]" in shown.out


@pytest.mark.parametrize("ending", ["png", "svg", "pdf"])
@pytest.mark.parametrize("budget", ["12 plates", "1 hour"])
def test_plots(
    archive: Archive, capsys: pytest.CaptureFixture[str], tmp_path: Path, ending: str, budget: str
) -> None:
    plot = tmp_path / f"gain.{ending}"
    words = ["plan", "--archive", folder_of(archive), "--budget", budget, "--plot", plot]
    assert run(capsys, *words).status == 0
    assert plot.stat().st_size > 1000
    if ending == "svg":
        text = plot.read_text()
        for name in ("plan, best plates first", "shelf order", "random"):
            assert name in text


@pytest.mark.parametrize(
    ("more", "status", "message"),
    [
        (["--budget", "0 plates"], 1, "budget must be"),
        (["--budget", "12"], 2, "such as '300 plates'"),
        (["--budget", "5 plates", "--wishes", "none.toml"], 1, "none.toml: cannot be read"),
        (["--budget", "5 plates", "--plot", "gain.gif"], 1, "a plot is written to a file ending"),
        (["--budget", "5 plates", "--out", "no/such/folder"], 1, "cannot be written"),
        (["--budget", "5 plates", "--format", "xml"], 2, "invalid choice"),
        (["--budget", "-5 plates"], 1, "budget must be"),
    ],
)
def test_bad_commands(
    archive: Archive,
    capsys: pytest.CaptureFixture[str],
    more: list[str],
    status: int,
    message: str,
) -> None:
    left = run(capsys, "plan", "--archive", folder_of(archive), *more)
    assert left.status == status
    assert message in left.err
    assert left.out == ""


def test_nothing_to_plan_is_said(archive: Archive, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["plan", "--archive", folder_of(archive), "--budget", "5 plates", "--to", "1889"]
    left = run(capsys, *words)
    assert left.status == 0
    assert "No plate under these filters is there to be scanned" in left.out


def test_long_telescopes_are_not_crowded_out(archive: Archive) -> None:
    # most of a short plan's plates: wide ones where square degrees alone count, not where evened
    wide = {
        evened: archive.scan_plan("6 plates", Wishes(evened=evened)).series.get("WF", 0)
        for evened in (0.0, 1.0)
    }
    assert wide[0.0] > wide[1.0]


@pytest.mark.parametrize("evened", [-0.1, 1.1, float("nan"), "half"])
def test_evening_is_from_0_to_1(archive: Archive, tmp_path: Path, evened: object) -> None:
    text = f'"{evened}"' if isinstance(evened, str) else str(evened)
    file = tmp_path / "wishes.toml"
    file.write_text(f"[worth]\nevened = {text}\n")
    with pytest.raises(QueryError, match="evened"):
        archive.scan_plan("3 plates", file)
