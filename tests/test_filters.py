"""Filters against a log of which everything is known: each row's place in it says who passes."""

from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.archives import build_archive

from platecover.coverage.archive import Archive
from platecover.coverage.errors import QueryError
from platecover.coverage.filter_table import FILTERS
from platecover.coverage.filters import Selection
from platecover.coverage.folded_words import fold
from platecover.coverage.regions import Region

SERIES: dict[str, dict[str, object]] = {
    "HB": {},
    "KT": {"telescope": "Camera, second lens"},
    "Wz": {"telescope": "Camera, third lens", "technique": "objective prism"},
}
HERE = {"ra": "50.0", "dec": "0.0"}
LOG = [
    {"plate": "HB 1", "date": "1898-03-04", "time": "00:00", "time_is": "mid",
     "exposure_min": "20", "observer": "Miss P. Larch", "status": "on shelf",
     "condition": "intact", "scanned": "no"},
    {"plate": "HB 2", "date": "1898-03-04", "time": "23:59", "time_is": "mid",
     "exposure_min": "20.5", "observer": "O. Fennick", "status": "on loan",
     "condition": "cracked", "scanned": "yes"},
    {"plate": "HB 3", "date": "1898-03-31", "time": "23:30", "exposure_min": "70",
     "observer": "Larch, P.", "status": "missing", "scan_url": "https://a.example/3"},
    {"plate": "KT 4", "date": "1898-12-31", "time": "12:00", "condition": "broken",
     "technique": "grating"},
    {"plate": "KT 5", "date": "1899", "observer": "unknown person", "technique": "test"},
    {"plate": "Wz 6", "date": "1900-01-01", "time": "00:00", "time_end": "00:20"},
    {"plate": "Wz 7", "technique": "slit spectrum"},
    {"plate": "HB 8", "exposure_min": "20", "position_error_arcmin": "600"},
]  # fmt: skip
ALL = "12345678"


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    rows = [row | HERE for row in LOG]
    return build_archive(tmp_path_factory.mktemp("filters"), rows, SERIES)


def passing(archive: Archive, **filters: Any) -> str:
    """Numbers of the plates that pass, in order."""
    rows = archive.cone(50.0, 0.0, 0.0, **filters)
    assert len(set(rows["exposure_id"])) == len(rows)
    return "".join(sorted(plate.split("-")[1] for plate in rows["plate"]))


@pytest.mark.parametrize(
    ("filters", "expected"),
    [
        ({}, ALL),
        ({"series": None}, ALL),
        # one value, any case, lists, repeats
        ({"series": "HB"}, "1238"),
        ({"series": "hb"}, "1238"),
        ({"series": "WZ"}, "67"),
        ({"series": "KT,Wz"}, "4567"),
        ({"series": " kt , wz "}, "4567"),
        ({"series": ["KT", "Wz"]}, "4567"),
        ({"series": ("KT,HB", "KT")}, "123458"),
        ({"series": np.array(["KT", "Wz"])}, "4567"),
        ({"series": "unknown"}, ""),
        ({"series": "KT,unknown"}, "45"),
        ({"station": "HILL"}, ALL),
        # a name that holds a comma is one value
        ({"telescope": "Camera, second lens"}, "45"),
        ({"telescope": "camera, SECOND lens"}, "45"),
        ({"telescope": ["Camera, second lens", "Camera, third lens"]}, "4567"),
        ({"telescope": "Hill camera,unknown"}, "1238"),
        ({"telescope": ["Hill camera", "Camera, third lens"]}, "123678"),
        # part of a name; not a list; may find nothing
        ({"observer": "larch"}, "13"),
        ({"observer": "LARCH, p"}, "3"),
        ({"observer": "O. Fenn"}, "2"),
        ({"observer": "nobody at all"}, ""),
        ({"observer": "unknown"}, "45678"),  # empty cells, and those that say so
        ({"technique": "direct"}, "1238"),
        ({"technique": "Objective Prism"}, "6"),
        ({"technique": "grating,test"}, "45"),
        ({"technique": ["slit spectrum", "test"]}, "57"),
        ({"technique": "trail"}, ""),  # a word of the list, though no row has it
        ({"technique": "unknown"}, ""),
        ({"status": "on shelf"}, "1"),
        ({"status": "ON LOAN,missing"}, "23"),
        ({"status": "unknown"}, "45678"),
        ({"status": "missing,unknown"}, "345678"),
        ({"status": "transferred"}, ""),
        ({"condition": "cracked, broken"}, "24"),
        ({"condition": "unknown"}, "35678"),
        ({"scanned": "yes"}, "23"),  # an address implies it
        ({"scanned": "No"}, "1"),
        ({"scanned": "unknown"}, "45678"),
        ({"scanned": ["no", "unknown"]}, "145678"),
        # mid-exposures: 3-04 0:00, 3-04 23:59, 4-01 0:05, 12-31, middle of 1899, 1900-01-01 0:10
        ({"since": "1898"}, "123456"),
        ({"since": 1899}, "56"),
        ({"since": "1899-07"}, "56"),  # the middle of the year is July 2, noon
        ({"since": "1899-07-02"}, "56"),
        ({"since": "1899-07-03"}, "6"),
        ({"until": "1898"}, "1234"),
        ({"until": "1898-03"}, "12"),
        ({"until": "1898-04"}, "123"),
        ({"until": "1898-03-04"}, "12"),
        ({"until": "1898-03-03"}, ""),
        ({"since": "1898-03-04", "until": "1898-03-04"}, "12"),
        ({"since": "1898-03-05", "until": "1898-12-31"}, "34"),
        ({"since": "1898-12-31", "until": "1899"}, "45"),
        ({"since": "1900-01-01", "until": "1900-01-01"}, "6"),
        ({"since": "1900", "until": "1890"}, ""),
        ({"since": np.datetime64("1899-07-03")}, "6"),
        ({"observer": "\udcff"}, ""),
        # minutes, both limits allowed, unknown fails
        ({"min_exposure": 20}, "12368"),
        ({"min_exposure": 20.01}, "23"),
        ({"min_exposure": "20.5"}, "23"),
        ({"max_exposure": 20}, "168"),
        ({"max_exposure": "20.5"}, "1268"),
        ({"min_exposure": 20.5, "max_exposure": 70}, "23"),
        ({"min_exposure": 70, "max_exposure": 70}, "3"),
        ({"min_exposure": 0}, "12368"),
        ({"max_exposure": 0}, ""),
        ({"undated": "yes"}, ALL),
        ({"undated": "no"}, "123456"),
        ({"undated": "Only"}, "78"),
        ({"undated": "only", "since": "1800"}, ""),
        ({"undated": "yes", "since": "1898", "until": "1898"}, "1234"),
        ({"certainty": "sure"}, "1234567"),
        ({"certainty": "MARGINAL"}, "8"),
        ({"certainty": "sure,marginal"}, ALL),
        ({"certainty": ["sure", "marginal"]}, ALL),
        # different filters mean and
        ({"series": "HB", "observer": "larch", "until": "1898-03"}, "1"),
        ({"status": "unknown", "undated": "only", "min_exposure": 1}, "8"),
        ({"series": "KT", "certainty": "marginal"}, ""),
    ],
    ids=str,
)  # fmt: skip
def test_who_passes(archive: Archive, filters: dict[str, Any], expected: str) -> None:
    assert passing(archive, **filters) == expected


def test_without_filters_nothing_is_left_out(demo_archive: Archive) -> None:
    rows = demo_archive.search(Region.all())
    assert len(rows) == len(demo_archive.edition.geometry)
    for column in ("status", "technique", "condition"):
        for word in set(rows[column][~rows[column].mask]):
            some = demo_archive.search(Region.all(), **{column: str(word)})
            assert len(some) == (rows[column] == word).sum() > 0


def test_values_of_a_fixed_list_or_the_observatory_file_are_known(tmp_path: Path) -> None:
    archive = build_archive(tmp_path, [{"plate": "HB 1", **HERE}], SERIES)
    for filters in ({"series": "KT"}, {"telescope": "Camera, third lens"}, {"status": "discarded"}):
        assert passing(archive, **filters) == ""


def test_a_length_between_readings_is_exact_enough_for_the_limits(tmp_path: Path) -> None:
    rows: list[dict[str, str]] = [
        {"plate": f"HB {minute}", **HERE, "date": "1899-07-02",
         "time": f"{minute // 60:02}:{minute % 60:02}",
         "time_end": f"{(minute + 20) // 60:02}:{(minute + 20) % 60:02}"}
        for minute in range(0, 1400, 7)
    ]  # fmt: skip
    archive = build_archive(tmp_path, rows)
    assert len(archive.cone(50.0, 0.0, 0.0, min_exposure=20, max_exposure=20)) == len(rows) == 200


@pytest.mark.parametrize(
    ("filters", "usage", "message"),
    [
        ({"series": "QQ"}, False, "series 'QQ' is not known; known: HB, KT, Wz, unknown"),
        ({"series": ["HB", "QQ"]}, False, "series 'QQ' is not known"),
        ({"series": "HB,"}, False, "series '' is not known"),
        ({"series": ""}, False, "series '' is not known"),
        ({"series": []}, True, "series takes at least one value"),
        ({"station": "moon"}, False, "station 'moon' is not known; known: hill, unknown"),
        ({"telescope": "Camera"}, False, "telescope 'Camera' is not known"),
        ({"technique": "polaroid"}, True, "technique 'polaroid' is not known; known: direct, obj"),
        ({"status": "lost"}, True, "status 'lost' is not known; known: on shelf"),
        ({"condition": "fine"}, True, "condition 'fine' is not known; known: intact"),
        ({"scanned": "maybe"}, True, "scanned 'maybe' is not known; known: yes, no, unknown"),
        ({"scanned": True}, True, "scanned 'True' is not known"),
        ({"series": "\udcff"}, False, "series '.udcff' is not known"),
        ({"observer": ["a", "b"]}, True, "observer takes one value, got 2"),
        ({"certainty": "certain"}, True, "certainty must be one of sure, marginal, got 'certain'"),
        ({"certainty": []}, True, "certainty takes at least one value"),
        ({"undated": "maybe"}, True, "undated must be one of yes, no, only, got 'maybe'"),
        ({"undated": ["no", "only"]}, True, "undated takes one value, got 2"),
        ({"min_exposure": "long"}, True, "min_exposure must be a number .* got 'long'"),
        ({"min_exposure": -1}, False, "min_exposure must be a number from 0 .* got '-1'"),
        ({"max_exposure": float("nan")}, False, "max_exposure must be .* got 'nan'"),
        ({"max_exposure": float("inf")}, False, "max_exposure must be .* got 'inf'"),
        ({"max_exposure": [1, 2]}, True, "max_exposure takes one value, got 2"),
    ],
    ids=str,
)
def test_bad_values_are_refused_by_name(
    archive: Archive, filters: dict[str, Any], usage: bool, message: str
) -> None:
    for ask in (lambda: passing(archive, **filters),
                lambda: archive.epochs(Region.all(), **filters)):  # fmt: skip
        with pytest.raises(QueryError, match=message) as caught:
            ask()
        assert caught.value.parameter == next(iter(filters))
        assert caught.value.usage is usage


@pytest.mark.parametrize(("keyword", "name"), [("since", "from"), ("until", "to")])
@pytest.mark.parametrize(
    ("value", "usage"),
    [
        ("spring", True), ("", True), ("98", True), ("1898-3", True), ("1898-03-04T00:00", True),
        ("1898/03/04", True), ("18980304", True), (1898.5, True), (float("nan"), True),
        ("1898-13", False), ("1898-02-30", False), ("1899-02-29", False), (["1898", "1899"], True),
    ],
)  # fmt: skip
def test_bad_dates_are_refused_by_name(
    archive: Archive, keyword: str, name: str, value: Any, usage: bool
) -> None:
    with pytest.raises(QueryError, match=f"{name} (must be a year, month or date|takes)") as caught:
        passing(archive, **{keyword: value})
    assert caught.value.parameter == name and caught.value.usage is usage
    assert str(value) in str(caught.value) or usage


def test_unknown_filters_are_refused(archive: Archive) -> None:
    for keyword in ("serie", "from", "to", "SERIES"):
        with pytest.raises(QueryError, match=f"no filter is called {keyword}; known: series, "):
            passing(archive, **{keyword: "HB"})


def test_the_table_names_every_filter_once() -> None:
    names = [each.name for each in FILTERS]
    assert (
        names
        == (
            "series station telescope observer technique from to min_exposure max_exposure status"
            " condition scanned certainty undated"
        ).split()
    )
    renamed = {each.name: each.keyword for each in FILTERS if each.name != each.keyword}
    assert renamed == {"from": "since", "to": "until"}


@settings(deadline=None)
@given(words=st.lists(st.text(max_size=8)))
def test_words_are_folded_as_python_folds_them(words: list[str]) -> None:
    words = [
        word.encode("utf-8", "replace").decode() for word in [*words, "Stra\u00dfe", "\u0130", "Ab"]
    ]
    assert fold(pa.array(words, pa.string())).to_pylist() == [word.casefold() for word in words]


FILTERED: tuple[dict[str, Any], ...] = (
    {"observer": "e"},
    {"condition": "unknown", "undated": "no"},
    {"status": ["on shelf", "unknown"], "since": "1905", "until": "1933-02"},
    {"series": "VQ", "min_exposure": 5, "max_exposure": 60, "scanned": "yes,no"},
    {"undated": "only", "technique": "direct"},
)


@pytest.mark.parametrize("filters", FILTERED, ids=str)
def test_whole_columns_and_single_rows_agree(
    demo_archive: Archive, filters: dict[str, Any]
) -> None:
    selection = Selection(demo_archive.edition, filters)
    numbers = np.arange(len(demo_archive.edition.geometry))
    whole = selection.mask(numbers)
    one_by_one = np.concatenate([selection.mask(numbers[at : at + 1]) for at in numbers])
    np.testing.assert_array_equal(whole, one_by_one)
    assert 0 < whole.sum() < len(whole)


def test_many_observers_are_asked_as_few_are(tmp_path: Path) -> None:
    # more words are wanted than are compared one by one
    rows = [
        {"plate": f"HB {at}", **HERE, "observer": f"Helper {at % 30:02}"} for at in range(1, 61)
    ]
    archive = build_archive(tmp_path, rows)
    found = archive.cone(50.0, 0.0, 0.0, observer="HELPER 1")
    expected = {f"HB-{at}" for at in range(1, 61) if 10 <= at % 30 < 20}
    assert len(expected) == 20 and set(found["plate"]) == expected
    (tmp_path / "other").mkdir()
    other = build_archive(tmp_path / "other", [{**rows[0], "observer": "Somebody"}])
    assert len(other.cone(50.0, 0.0, 0.0, observer="helper")) == 0
    assert len(other.cone(50.0, 0.0, 0.0, observer="SOME")) == 1
