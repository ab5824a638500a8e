"""A search for many places is the search for each, one by one."""

from typing import Any

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import SkyCoord
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_array_equal
from tests.archives import build_plates
from tests.awkward_sky import AWKWARD_PLATES, directions_about

from platecover.coverage import target_search as module
from platecover.coverage.archive import Archive
from platecover.coverage.errors import QueryError
from platecover.coverage.regions import Region
from platecover.coverage.target_search import TargetSearch

RADII = (0.0, 1e-9, 1e-4, 0.01, 0.5, 3.0, 12.0, 79.0, 81.0, 100.0, 179.0, 180.0)
CORNERS = [(0.0, 90.0), (0.0, -90.0), (123.4, 90.0), (0.0, 0.0), (360.0, 0.0), (45.0, 41.8103149)]


@pytest.fixture(scope="module")
def awkward(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    return build_plates(tmp_path_factory.mktemp("awkward"), AWKWARD_PLATES)


def assert_each_alone(archive: Archive, ra: Any, dec: Any, radius: Any, **filters: Any) -> int:
    """Every target has the hits of its own search; how many pairs."""
    ra, dec, radius = np.broadcast_arrays(*(np.asarray(each, float) for each in (ra, dec, radius)))
    answered = pairs = 0
    for block in TargetSearch(archive.edition, filters).pairs(ra, dec, radius):
        assert block.begin == answered
        answered = block.end
        pairs += len(block.numbers)
        for at in range(block.begin, block.end):
            mine = block.targets == at
            hits = archive.find(Region.circle(ra[at], dec[at], radius[at]), **filters)
            assert_array_equal(block.numbers[mine], hits.numbers)
            assert_array_equal(block.sure[mine], hits.sure)
            assert_array_equal(block.centre_distance_deg[mine], hits.centre_distance_deg)
            assert_array_equal(block.edge_distance_deg[mine], hits.edge_distance_deg)
    assert answered == len(ra)
    return pairs


@pytest.mark.parametrize("radius", RADII)
def test_awkward_sky(awkward: Archive, radius: float) -> None:
    places = [CORNERS]
    places += [
        np.transpose(directions_about(plate, 12, seed=at)).tolist()
        for at, plate in enumerate(AWKWARD_PLATES)
    ]
    ra, dec = np.array([place for some in places for place in some]).T
    assert assert_each_alone(awkward, ra, dec, radius) > 0


@given(
    st.lists(
        st.tuples(st.floats(0.0, 360.0), st.floats(-90.0, 90.0),
                  st.one_of(st.just(0.0), st.floats(0.0, 180.0), st.floats(1e-6, 2.0))),
        min_size=1, max_size=20,
    )
)  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_any_circles(awkward: Archive, circles: list[tuple[float, float, float]]) -> None:
    assert_each_alone(awkward, *np.array(circles).T)


@pytest.mark.parametrize(
    "filters",
    [
        {}, {"certainty": "sure"}, {"certainty": "marginal"}, {"undated": "only"},
        {"since": "1900", "until": "1920", "scanned": ["yes", "unknown"]}, {"min_exposure": 1e7},
    ],
)  # fmt: skip
def test_demo_under_filters(demo_archive: Archive, filters: dict[str, Any]) -> None:
    rng = np.random.default_rng(5)
    ra, dec = rng.uniform(0, 360, 150), np.degrees(np.arcsin(rng.uniform(-1, 1, 150)))
    radius = rng.choice([0.0, 0.0, 0.003, 0.3, 4.0, 30.0], 150)
    pairs = assert_each_alone(demo_archive, ra, dec, radius, **filters)
    assert (pairs == 0) == ("min_exposure" in filters)


def test_blocks_of_any_size(awkward: Archive, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(6)
    ra, dec = rng.uniform(0, 360, 60), rng.uniform(-90, 90, 60)
    for size in (0, 1, 7):
        monkeypatch.setattr(module, "BLOCK_PAIRS", size)
        blocks = list(TargetSearch(awkward.edition, {}).pairs(ra, dec, np.full(60, 40.0)))
        assert len(blocks) > 3
        assert_each_alone(awkward, ra, dec, np.full(60, 40.0))


def test_no_targets(awkward: Archive) -> None:
    nothing = np.zeros(0)
    assert list(TargetSearch(awkward.edition, {}).pairs(nothing, nothing, nothing)) == []
    table = awkward.cone_many([], [], [])
    assert len(table) == 0
    assert table.colnames == [
        "target", "exposure_id", "centre_distance", "edge_distance", "certainty",
    ]  # fmt: skip


def test_cone_many_is_cone_of_each(demo_archive: Archive) -> None:
    ra, dec = [10.0, 83.8, 83.8, 200.0], [41.0, -5.4, -5.4, -89.9]
    table = demo_archive.cone_many(ra, dec, [0.0, 0.0, 2.0, 1.0], series="OZT")
    for at in range(4):
        alone = demo_archive.cone(ra[at], dec[at], [0.0, 0.0, 2.0, 1.0][at], series="OZT")
        mine = table[table["target"] == at]
        for name in ("exposure_id", "centre_distance", "edge_distance", "certainty"):
            assert list(mine[name]) == list(alone[name])
    assert table["edge_distance"].unit == "deg" and table["edge_distance"].description
    assert len(demo_archive.cone_many(83.8, -5.4)) == len(demo_archive.cone(83.8, -5.4, 0.0)) > 0


def test_centre_distances_are_those_of_astropy(demo_archive: Archive) -> None:
    ra, dec = np.array([10.0, 83.8, 300.0]), np.array([41.0, -5.4, 60.0])
    table = demo_archive.cone_many(ra, dec, 5.0)
    rows = demo_archive.rows(Region.all())
    centre = dict(zip(rows["exposure_id"].to_pylist(), range(len(rows)), strict=True))
    at = np.array([centre[each] for each in table["exposure_id"]])
    s_ra, s_dec = rows["s_ra"].to_numpy()[at], rows["s_dec"].to_numpy()[at]
    places = SkyCoord(ra[table["target"]], dec[table["target"]], unit="deg")
    separations = places.separation(SkyCoord(s_ra, s_dec, unit="deg")).to_value(u.deg)
    assert len(table) > 50
    np.testing.assert_allclose(table["centre_distance"], separations, rtol=0, atol=1e-9)


@pytest.mark.parametrize(
    ("ra", "dec", "radius", "parameter"),
    [
        ([1.0, np.nan], [0.0, 0.0], 0.0, "ra"),
        ([1.0, 361.0], [0.0, 0.0], 0.0, "ra"),
        ([1.0], [-91.0], 0.0, "dec"),
        ([1.0], [np.inf], 0.0, "dec"),
        ([1.0], [0.0], [-1e-9], "radius"),
        ([1.0], [0.0], [180.1], "radius"),
        ([1.0], [0.0], "wide", "radius"),
        (["x"], [0.0], 0.0, "ra"),
        ([1.0, 2.0], [0.0, 1.0, 2.0], 0.0, "ra"),
        (np.ma.masked_equal([1.0, 9.0], 9.0), [0.0, 0.0], 0.0, "ra"),
    ],
)
def test_bad_places_are_refused(
    demo_archive: Archive, ra: Any, dec: Any, radius: Any, parameter: str
) -> None:
    with pytest.raises(QueryError, match=parameter) as caught:
        demo_archive.cone_many(ra, dec, radius)
    assert caught.value.parameter == parameter


def test_bad_filters_are_refused_at_once(demo_archive: Archive) -> None:
    with pytest.raises(QueryError, match="series 'QQ' is not known"):
        TargetSearch(demo_archive.edition, {"series": "QQ"})
