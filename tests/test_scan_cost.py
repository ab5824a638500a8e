"""What plates cost, where they stand and which can be had; budgets as people write them."""

from pathlib import Path

import numpy as np
import pytest
from tests.archives import build_archive

from platecover.coverage.errors import QueryError
from platecover.coverage.scan_budget import parse_budget
from platecover.coverage.scan_cost import (
    natural_key,
    plate_facts,
    scanner_minutes,
    unit_of_shelf,
)
from platecover.coverage.scan_wishes import SizeMinutes, Wishes

GOOD = {"ra": "10.0", "dec": "1.0", "date": "1905-01-05"}


def test_every_plate_has_one_standing(tmp_path: Path) -> None:
    said = [
        ("", "", "", "to scan"), ("on shelf", "intact", "no", "to scan"),
        ("", "cracked", "", "to scan"), ("", "stained", "", "to scan"),
        ("on loan", "", "", "on loan"), ("missing", "", "no", "missing"),
        ("transferred", "", "", "transferred"), ("discarded", "", "", "discarded"),
        ("being scanned", "", "", "being scanned"), ("on shelf", "broken", "", "conservation"),
        ("", "flaking", "", "conservation"), ("missing", "broken", "", "missing"),
        ("on shelf", "broken", "yes", "scanned"), ("missing", "", "yes", "scanned"),
    ]  # fmt: skip
    rows = [
        {**GOOD, "plate": f"HB {at}", "status": status, "condition": condition, "scanned": scanned}
        for at, (status, condition, scanned, _) in enumerate(said, 1)
    ]
    archive = build_archive(tmp_path, rows)
    facts = plate_facts(archive.edition, Wishes())
    names = archive.edition.plates.column("plate").to_pylist()
    found = {name: facts.standings[at] for name, at in zip(names, facts.standing, strict=True)}
    assert found == {f"HB-{at}": standing for at, (*_, standing) in enumerate(said, 1)}


def test_units_ranks_and_minutes(tmp_path: Path) -> None:
    series = {
        "HB": {}, "AX": {"glass_mm": [203, 254]}, "ZZ": {"exposed_mm": [100, 300]},
    }  # fmt: skip
    shelves = {
        "HB 10": "B10/1/2", "HB 9": "B2/1/2", "HB 2": "", "AX 1": "B2/1/10", "AX 10": "B2/1/10",
        "AX 2": "B2/1/2", "ZZ 1": "attic",
    }  # fmt: skip
    rows = [{**GOOD, "plate": plate, "shelf": shelf} for plate, shelf in shelves.items()]
    archive = build_archive(tmp_path, rows, series)
    facts = plate_facts(archive.edition, Wishes())
    names = archive.edition.plates.column("plate").to_pylist()

    by_designation = [names[at] for at in np.argsort(facts.rank)]
    assert by_designation == ["AX-1", "AX-2", "AX-10", "HB-2", "HB-9", "HB-10", "ZZ-1"]
    by_shelf = [names[at] for at in np.argsort(facts.shelf_rank)]
    # natural order of shelf texts, then designations; what has none is last
    assert by_shelf == ["AX-2", "HB-9", "AX-1", "AX-10", "HB-10", "ZZ-1", "HB-2"]
    units = {name: facts.units[at] for name, at in zip(names, facts.unit, strict=True)}
    assert units == {
        "HB-10": "B10/1", "HB-9": "B2/1", "AX-1": "B2/1", "AX-10": "B2/1", "AX-2": "B2/1",
        "ZZ-1": "attic", "HB-2": "HB, no shelf stated",
    }  # fmt: skip
    minutes = dict(zip(names, facts.minutes.tolist(), strict=True))
    # 1.5 and 1.5, and by the longer side 160 mm: 2.5; 254 mm: 4; 300 mm: 7
    assert (minutes["HB-9"], minutes["AX-1"], minutes["ZZ-1"]) == (5.5, 7.0, 10.0)


def test_minutes_on_the_scanner() -> None:
    lines = (SizeMinutes(180.0, 2.0), SizeMinutes(260.0, 4.0), SizeMinutes(400.0, 9.0))
    sides = np.array([10.0, 180.0, 180.1, 260.0, 300.0, 401.0, np.nan])
    assert scanner_minutes(sides, lines).tolist() == [2.0, 2.0, 4.0, 4.0, 9.0, 9.0, 9.0]


@pytest.mark.parametrize(
    ("shelf", "parts", "unit"),
    [
        ("A07/3/12", 1, "A07"),
        ("A07/3/12", 2, "A07/3"),
        ("A07/3/12", 9, "A07/3/12"),
        ("cabinet 4, shelf 2", 2, "cabinet 4"),
        ("R0.1", 2, "R0.1"),
        ("//", 2, "//"),
        (" A / 3 / 1", 2, "A / 3"),
        ("(7]*+/2/1", 1, "(7]*+"),
    ],
)
def test_unit_of_shelf(shelf: str, parts: int, unit: str) -> None:
    assert unit_of_shelf(shelf, parts, "/.,;:| ") == unit


def test_unit_without_separators_is_the_whole_text() -> None:
    assert unit_of_shelf("A07/3/12", 1, "") == "A07/3/12"


def test_natural_order() -> None:
    texts = ["B10", "B2", "A1", "B2/10", "B2/9", "", "10", "9"]
    expected = ["", "9", "10", "A1", "B2", "B2/9", "B2/10", "B10"]
    assert sorted(texts, key=natural_key) == expected


@pytest.mark.parametrize(
    ("text", "plates", "minutes"),
    [
        ("300 plates", 300, None),
        ("1 plate", 1, None),
        (" 6  Hours ", None, 360.0),
        ("0.5 hours", None, 30.0),
        ("5 days", None, 5 * 7.5 * 60.0),
        ("90 minutes", None, 90.0),
    ],
)
def test_budgets(text: str, plates: int | None, minutes: float | None) -> None:
    budget = parse_budget(text, 7.5)
    assert (budget.plates, budget.minutes) == (plates, minutes)


@pytest.mark.parametrize(
    "text",
    ["0 plates", "-3 days", "inf hours", "nan hours", "1e99 plates", "2.5 plates", "-inf days"],
)
def test_impossible_budgets(text: str) -> None:
    with pytest.raises(QueryError, match="budget must be") as caught:
        parse_budget(text, 6.0)
    assert not caught.value.usage
    assert repr(text) in str(caught.value)


@pytest.mark.parametrize("text", ["", "300", "plates", "3 weeks", "1_0 plates", "six hours", None])
def test_budgets_that_are_none(text: str) -> None:
    with pytest.raises(QueryError, match="such as '300 plates'") as caught:
        parse_budget(text, 6.0)
    assert caught.value.usage
