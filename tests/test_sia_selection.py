"""Selection of images against plain loops, astropy's projection, and the other searches."""

import csv
import io
import math
from collections.abc import Callable
from itertools import islice
from typing import Any

import numpy as np
import pytest
from flask.testing import FlaskClient
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.archives import build_demo, build_plates, never_sure_of, plates_of
from tests.awkward_sky import AWKWARD_PLATES, mixed_plates
from tests.questions import circles, regions
from tests.wcs_judge import WcsJudge

from platecover.coverage.answers import plain_table
from platecover.coverage.archive import Archive
from platecover.coverage.edge_distance import edge_distance_deg
from platecover.coverage.obscore import ObsCoreRows
from platecover.coverage.region_overlap import overlap
from platecover.coverage.regions import MocRegion, Region
from platecover.coverage.sia_selection import (
    EQUAL,
    OVERLAPPING,
    WITHIN,
    ImageQuestion,
    Interval,
    images_that_meet,
    selected_images,
)
from platecover.service.app import create_app

PUBLISHER = "ivo://plates.example/plates?"
Row = dict[str, Any]


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    return build_demo(tmp_path_factory)


@pytest.fixture(scope="module")
def demo_rows(demo: Archive) -> list[Row]:
    """Every exposure as ObsCore has it, with its technique; by number."""
    numbers = np.arange(len(demo.edition.geometry))
    table = plain_table(ObsCoreRows(demo.edition, numbers, PUBLISHER).slice())
    techniques = [demo.edition.words("technique")[code] for code in demo.edition.codes("technique")]
    return [
        row | {"technique": technique}
        for row, technique in zip(table.to_pylist(), techniques, strict=True)
    ]


@pytest.fixture(scope="module")
def awkward(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    plates = [*AWKWARD_PLATES, *mixed_plates(60, seed=1891)]
    return build_plates(tmp_path_factory.mktemp("awkward"), plates)


def select(archive: Archive, **how: Any) -> list[int]:
    found = selected_images(archive.edition, ImageQuestion(**how), PUBLISHER)
    assert found.dtype == np.int64 and np.all(np.diff(found) > 0)
    return found.tolist()


def kept(rows: list[Row], condition: Callable[[Row], bool]) -> list[int]:
    """Numbers of the images that meet a condition, one by one."""
    return [
        number
        for number, row in enumerate(rows)
        if row["technique"] != "slit spectrum" and condition(row)
    ]


def in_any(row: Row, columns: tuple[str, str], intervals: list[Interval]) -> bool:
    low, high = (row[name] for name in columns)
    if low is None or high is None:
        return False
    return any(each.low <= high and low <= each.high for each in intervals)


def test_no_question_asks_for_every_image(demo: Archive, demo_rows: list[Row]) -> None:
    expected = kept(demo_rows, lambda row: True)
    assert select(demo) == expected
    assert 0 < len(expected) < len(demo_rows)  # the demo has slit spectra


_ENDS = {
    "BAND": st.sampled_from([3e-7, 3.2e-7, 4e-7, 5e-7, 5.9e-7, 6.1e-7, 7e-7, 1e-6]),
    "TIME": st.floats(5_000.0, 45_000.0),
    "FOV": st.floats(0.5, 45.0),
    "SPATRES": st.floats(0.1, 100.0),
    "SPECRP": st.floats(1.0, 1e5),
    "EXPTIME": st.sampled_from([0.0, 60.0, 600.0, 1200.0, 1800.0, 3600.0, 7200.0, 1e5]),
    "TIMERES": st.sampled_from([60.0, 600.0, 1800.0, 3600.0]),
}


def _intervals(name: str) -> st.SearchStrategy[list[Interval]]:
    end = _ENDS[name] | st.sampled_from([-math.inf, math.inf])
    pair = st.tuples(end, end).map(sorted).map(lambda ends: Interval(*ends))
    return st.lists(pair | _ENDS[name].map(lambda end: Interval(end, end)), min_size=1, max_size=3)


@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.data())
def test_selections_are_those_of_plain_loops(
    demo: Archive, demo_rows: list[Row], data: st.DataObject
) -> None:
    # SIA 2.0, section 2.1: repeats are or, different parameters and, limits included, null fails
    names = data.draw(st.lists(st.sampled_from(sorted(_ENDS)), max_size=2, unique=True))
    intervals = {name: data.draw(_intervals(name)) for name in names}
    texts = {}
    for name in data.draw(st.lists(st.sampled_from(sorted(EQUAL)), max_size=2, unique=True)):
        known = sorted({row[EQUAL[name]] or "" for row in demo_rows})
        texts[name] = data.draw(
            st.lists(st.sampled_from([*known[:5], known[-1], "nobody"]), min_size=1, max_size=3)
        )
    levels = data.draw(st.lists(st.integers(0, 4), max_size=2))

    def meets(row: Row) -> bool:
        return (
            all(
                in_any(row, OVERLAPPING.get(name) or (WITHIN[name],) * 2, given)
                for name, given in intervals.items()
            )
            and all(row[EQUAL[name]] in filter(None, given) for name, given in texts.items())
            and (not levels or row["calib_level"] in levels)
        )

    found = select(demo, intervals=intervals, texts=texts, calib_levels=levels)
    assert found == kept(demo_rows, meets)


@pytest.mark.parametrize("name", sorted({**OVERLAPPING, **WITHIN}))
def test_null_satisfies_nothing(demo: Archive, demo_rows: list[Row], name: str) -> None:
    columns = OVERLAPPING.get(name) or (WITHIN[name],)
    found = select(demo, intervals={name: [Interval(-math.inf, math.inf)]})
    assert found == kept(demo_rows, lambda row: row[columns[0]] is not None)


def test_texts_are_compared_whole_and_by_case(demo: Archive, demo_rows: list[Row]) -> None:
    telescope = next(row["instrument_name"] for row in demo_rows)
    expected = kept(demo_rows, lambda row: row["instrument_name"] == telescope)
    assert expected and select(demo, texts={"INSTRUMENT": [telescope]}) == expected
    for other in (telescope.swapcase(), telescope[:-1], telescope + " ", "", "\ud800", "x" * 10**5):
        assert select(demo, texts={"INSTRUMENT": [other]}) == []


def test_identifiers_are_compared_in_any_case(demo: Archive, demo_rows: list[Row]) -> None:
    # section 2.1.10
    some = [row["obs_publisher_did"] for row in demo_rows[:40:13]]
    expected = kept(demo_rows, lambda row: row["obs_publisher_did"] in some)
    assert expected and select(demo, texts={"ID": some}) == expected
    assert select(demo, texts={"ID": [each.upper() for each in some]}) == expected
    for other in ("", "ivo://", PUBLISHER, some[0][1:], some[0] + "0", "\ud800", some[0][7:]):
        assert select(demo, texts={"ID": [other]}) == []


def test_formats(demo: Archive, demo_rows: list[Row]) -> None:
    expected = kept(demo_rows, lambda row: row["access_format"] == "image/fits")
    assert expected and select(demo, texts={"FORMAT": ["image/fits"]}) == expected
    assert select(demo, texts={"FORMAT": ["IMAGE/FITS", "image/jpeg"]}) == expected
    assert select(demo, texts={"FORMAT": ["image/jpeg"]}) == []


def test_hidden_columns_satisfy_nothing(demo: Archive) -> None:
    question = ImageQuestion(intervals={"TIME": [Interval(-math.inf, math.inf)]})
    found = selected_images(demo.edition, question, PUBLISHER, lambda name: name != "t_min")
    assert len(found) == 0


def test_circles_by_the_projection_of_astropy(awkward: Archive) -> None:
    # the margin of the plates has no say
    plates = plates_of(awkward)
    judge = WcsJudge(plates, never_sure_of(awkward))
    judge.margin = np.zeros(len(plates))
    asked = 0
    for ra, dec, radius in islice(circles(7, plates), 60):
        verdict = judge.verdict(ra, dec, radius)
        found = np.isin(
            np.arange(len(plates)),
            images_that_meet(awkward.edition, Region.circle(ra, dec, radius)),
        )
        decided = verdict.match_decided
        assert np.array_equal(found[decided], verdict.match[decided]), (ra, dec, radius)
        asked += int(found.sum())
    assert asked > 0


@pytest.mark.parametrize("which", ["awkward", "demo"])
def test_places_by_asking_every_footprint(which: str, request: pytest.FixtureRequest) -> None:
    archive: Archive = request.getfixturevalue(which)
    edition = archive.edition
    records = edition.geometry.copy()
    records["margin_rad"] = 0.0
    image = np.array(edition.words("technique"))[edition.codes("technique")] != "slit spectrum"
    plates = plates_of(archive)
    for ra, dec, radius in islice(circles(11, plates), 60):
        larger, _ = edge_distance_deg(edition.geometry, ra, dec)
        found = images_that_meet(edition, Region.circle(ra, dec, radius))
        assert found.tolist() == np.flatnonzero((larger >= -radius) & image).tolist()
    # those that Simple Image Access has: MOCs are no shapes of its
    others = (each for each in regions(13, plates) if not isinstance(each, MocRegion))
    for region in islice(others, 24):
        found = images_that_meet(edition, region)
        assert found.tolist() == np.flatnonzero(overlap(region, records)[0] & image).tolist()


def test_several_places_are_alternatives(awkward: Archive) -> None:
    places = [Region.circle(0.0, 90.0, 1.0), Region.range(355.0, 5.0, -20.0, 20.0)]
    each = [set(select(awkward, places=[place])) for place in places]
    assert set(select(awkward, places=places)) == each[0] | each[1]
    assert each[0] and each[1]


@pytest.mark.parametrize("which", ["awkward", "demo"])
def test_the_same_images_by_every_way(which: str, request: pytest.FixtureRequest) -> None:
    """For SR > 0 the images with edge_distance >= -SR are one set, however it is asked for."""
    archive: Archive = request.getfixturevalue(which)
    client = create_app(archive).test_client()
    found = 0
    for ra, dec, radius in islice(circles(17, plates_of(archive)), 40):
        if not radius > 0.0:
            continue
        expected = _by_python(archive, ra, dec, radius)
        assert _by_cone(client, ra, dec, radius) == expected
        assert _by_api(client, ra, dec, radius) == expected
        assert _by_sia(client, ra, dec, radius) == expected
        found += len(expected)
    assert found > 0


def _images(rows: list[Row], radius: float) -> list[str]:
    """Of rows with distances, those of images that the circle itself meets."""
    return [
        row["exposure_id"]
        for row in rows
        if row["technique"] != "slit spectrum" and float(row["edge_distance"]) >= -radius
    ]


def _by_python(archive: Archive, ra: float, dec: float, radius: float) -> list[str]:
    table = archive.cone(ra, dec, radius)
    names = ("exposure_id", "technique", "edge_distance")
    return _images([dict(zip(names, row, strict=True)) for row in table[names]], radius)


def _by_cone(client: FlaskClient, ra: float, dec: float, radius: float) -> list[str]:
    path = f"/cone?RA={ra!r}&DEC={dec!r}&SR={radius!r}&RESPONSEFORMAT=csv"
    return _images(_csv_rows(client, path), radius)


def _by_api(client: FlaskClient, ra: float, dec: float, radius: float) -> list[str]:
    answer = client.get(f"/api/exposures?ra={ra!r}&dec={dec!r}&radius={radius!r}")
    assert answer.status_code == 200
    return _images(answer.get_json()["exposures"], radius)


def _by_sia(client: FlaskClient, ra: float, dec: float, radius: float) -> list[str]:
    path = f"/sia2/query?POS=CIRCLE {ra!r} {dec!r} {radius!r}&RESPONSEFORMAT=csv"
    return [row["obs_publisher_did"].rpartition("?")[2] for row in _csv_rows(client, path)]


def _csv_rows(client: FlaskClient, path: str) -> list[Row]:
    answer = client.get(path)
    assert answer.status_code == 200, answer.data
    return list(csv.DictReader(io.StringIO(answer.get_data(as_text=True))))
