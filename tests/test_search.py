"""Searches against every plate asked in turn, against astropy's projection, and by hand."""

from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.table import Table
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from tests.archives import build_archive, build_plates, never_sure_of, plates_of
from tests.awkward_sky import ARCSEC, AWKWARD_PLATES, mixed_plates
from tests.questions import circles, regions
from tests.wcs_judge import WcsJudge

from platecover.coverage.archive import Archive
from platecover.coverage.edge_distance import edge_distance_deg
from platecover.coverage.errors import QueryError
from platecover.coverage.region_overlap import overlap
from platecover.coverage.regions import Circle, Region
from platecover.coverage.search import Hits, matches

QUESTIONS, JUDGED_CIRCLES = 1000, 120  # more: tests/benchmarks/judge_queries.py

RESULT_COLUMNS = (
    "exposure_id plate plate_logged exposure series telescope station s_ra s_dec t_min t_max"
    " time_precision t_exptime epoch centre_distance edge_distance margin certainty technique"
    " status condition scanned access_url shelf observer object limiting_mag remarks"
).split()


@pytest.fixture(scope="module")
def awkward_archive(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    """Plates over poles and RA 0h, cut, turned, up to 42 degrees wide, and mixed ones."""
    plates = AWKWARD_PLATES + mixed_plates(180, seed=3)
    return build_plates(tmp_path_factory.mktemp("awkward"), plates)


@pytest.fixture(params=["demo_archive", "awkward_archive"])
def archive(request: pytest.FixtureRequest) -> Archive:
    found: Archive = request.getfixturevalue(request.param)
    return found


def found_of(archive: Archive, hits: Hits) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Whether each exposure is among the hits, and among the sure ones."""
    match, sure = np.zeros((2, len(archive.edition.geometry)), dtype=bool)
    match[hits.numbers], sure[hits.numbers] = True, hits.sure
    return match, sure


# The index leaves nothing out and lets nothing in


def test_same_as_asking_every_plate(archive: Archive) -> None:
    geometry = archive.edition.geometry
    margin = np.degrees(geometry["margin_rad"])
    answers = 0
    for region in islice(regions(1898, plates_of(archive)), QUESTIONS):
        hits = archive.find(region)
        if isinstance(region, Circle):
            larger, smaller = edge_distance_deg(geometry, region.ra_deg, region.dec_deg)
            match = larger >= -region.radius_deg - margin
            sure = (smaller >= -region.radius_deg + margin) & (geometry["never_sure"] == 0)
            assert_allclose(hits.edge_distance_deg, larger[match], rtol=0, atol=1e-10)
        else:
            match, sure = overlap(region, geometry)
            assert np.isnan(hits.edge_distance_deg).all()
        assert np.array_equal(hits.numbers, np.flatnonzero(match)), region
        assert np.array_equal(hits.sure, sure[match]), region
        plain = matches(archive.edition, region, measured=False)
        assert np.array_equal(plain.numbers, hits.numbers), region
        assert np.array_equal(plain.sure, hits.sure), region
        assert np.isnan(plain.centre_distance_deg).all()
        assert len(plain.edge_distance_deg) == len(hits.numbers)
        answers += len(hits.numbers)
    assert answers > QUESTIONS  # or the questions were not worth asking


@settings(max_examples=300, deadline=None)
@given(
    ra=st.floats(0.0, 360.0),
    dec=st.floats(-90.0, 90.0),
    radius=st.one_of(st.just(0.0), st.floats(0.0, 180.0)),
)
def test_distances_change_no_answer(
    awkward_archive: Archive, ra: float, dec: float, radius: float
) -> None:
    region = Region.circle(ra, dec, radius)
    measured = matches(awkward_archive.edition, region)
    plain = matches(awkward_archive.edition, region, measured=False)
    assert np.array_equal(plain.numbers, measured.numbers)
    assert np.array_equal(plain.sure, measured.sure)
    assert not np.isnan(measured.edge_distance_deg).any()


@pytest.mark.parametrize("radius", [5e-324, 1e-308, 1e-15])
def test_a_tiny_circle_is_searched_like_its_centre(awkward_archive: Archive, radius: float) -> None:
    for ra, dec in ((0.0, 90.0), (83.0, 10.0), (359.999, -15.0)):
        point = matches(awkward_archive.edition, Region.circle(ra, dec, 0.0))
        circle = matches(awkward_archive.edition, Region.circle(ra, dec, radius))
        assert np.array_equal(circle.numbers, point.numbers) and len(point.numbers)
        assert np.array_equal(circle.sure, point.sure)


def test_same_as_astropy_says(archive: Archive) -> None:
    plates = plates_of(archive)
    judge = WcsJudge(plates, never_sure_of(archive))
    undecided = answers = 0
    for ra, dec, radius in islice(circles(1899, plates), JUDGED_CIRCLES):
        verdict = judge.verdict(ra, dec, radius)
        match, sure = found_of(archive, archive.find(Region.circle(ra, dec, radius)))
        wrong = (match != verdict.match) & verdict.match_decided
        wrong |= (sure != verdict.sure) & verdict.sure_decided
        assert not wrong.any(), (ra, dec, radius, [plates[i] for i in np.flatnonzero(wrong)])
        undecided += int((~verdict.match_decided | ~verdict.sure_decided).sum())
        answers += int(match.sum())
    assert answers > JUDGED_CIRCLES and undecided < 0.01 * answers


def test_distances_are_what_astropy_measures(awkward_archive: Archive) -> None:
    """The log's own numbers judge here: the awkward plates were logged in ICRS."""
    plates = {
        f"A{chr(65 + i // 26)}{chr(65 + i % 26)}-1-1": p for i, p in enumerate(AWKWARD_PLATES)
    }
    for exposure_id, plate in plates.items():
        judge = WcsJudge([plate], np.array([False]))
        for ra, dec in ((plate.ra, plate.dec), (plate.ra + 3.0, plate.dec * 0.97), (40.0, 0.5)):
            rows = awkward_archive.cone(ra % 360.0, dec, 180.0)
            row = rows[rows["exposure_id"] == exposure_id][0]
            expected = max(judge.edge_distances_deg(0, ra, dec))
            assert_allclose(row["edge_distance"], expected, rtol=0, atol=0.1 * ARCSEC)
            assert_allclose(row["margin"], plate.margin, rtol=1e-12)


def test_never_found_from_the_antipode(archive: Archive) -> None:
    """The gnomonic formula projects the antipode onto the plate's centre."""
    for number, plate in enumerate(plates_of(archive)[:200]):
        ra, dec = (plate.ra + 180.0) % 360.0, -plate.dec
        for radius in (0.0, 5.0):
            assert number not in archive.find(Region.circle(ra, dec, radius)).numbers


def test_radius_180_finds_all(archive: Archive) -> None:
    count = len(archive.edition.geometry)
    for ra, dec in ((0.0, 90.0), (123.4, -56.7)):
        assert len(archive.cone(ra, dec, 180.0)) == count
    everything = archive.search(Region.all())
    assert len(everything) == count and set(everything["certainty"]) == {"sure"}
    assert everything["edge_distance"].mask.all() and everything["centre_distance"].mask.all()


# Rows


def one_row(archive: Archive, exposure_id: str) -> Table.Row:
    rows = archive.search(Region.all())
    return rows[rows["exposure_id"] == exposure_id][0]


def test_columns_order_and_masks(tmp_path: Path) -> None:
    # Dates in no order; plates 7 and 12 start together; an instant without exposure time.
    archive = build_archive(
        tmp_path,
        [
            {"plate": "HB 12", "ra": "10.0", "dec": "20.0", "date": "1901-05-06", "time": "20:00",
             "exposure_min": "30", "observer": "P. Larch", "scan_url": "https://a.example/12"},
            {"plate": "HB 3", "ra": "10.0", "dec": "20.0"},
            {"plate": "HB 7b", "ra": "10.0", "dec": "20.0", "date": "1901-05-06", "time": "20:00",
             "exposure_min": "10"},
            {"plate": "hb-0021", "ra": "10.0", "dec": "20.0"},
            {"plate": "HB 4", "ra": "10.0", "dec": "20.0", "date": "1899-12-31", "time": "23:59",
             "status": "on shelf", "limiting_mag": "14.5"},
            {"plate": "HB 5", "ra": "30.0", "dec": "20.0", "date": "1899-12-31", "time": "23:59"},
            {"plate": "HB 6", "ra": "10.0", "dec": "20.0", "date": "1900"},
        ],
    )  # fmt: skip
    rows = archive.cone(10.5, 20.0, 0.0)
    assert set(RESULT_COLUMNS) <= set(rows.colnames)
    # by start (1900-01-01 0h for the year), then by text of the id; undated last
    assert list(rows["exposure_id"]) == [
        "HB-4-1", "HB-6-1", "HB-12-1", "HB-7b-1", "HB-21-1", "HB-3-1",
    ]  # fmt: skip
    assert list(rows["plate"]) == ["HB-4", "HB-6", "HB-12", "HB-7b", "HB-21", "HB-3"]
    assert rows["plate_logged"][4] == "hb-0021"
    assert list(rows["t_min"].mask) == list(rows["epoch"].mask) == [False] * 4 + [True] * 2
    assert list(rows["t_exptime"].mask) == [True, True, False, False, True, True]
    assert list(rows["t_exptime"][2:4]) == [1800.0, 600.0]
    # 1899-12-31 is MJD 15019; a minute before midnight
    assert_allclose(rows["t_min"][0], 15019 + 1439 / 1440, rtol=0, atol=1e-9)
    assert rows["t_max"][0] == rows["t_min"][0]
    assert_allclose([rows["t_min"][1], rows["t_max"][1]], [15020, 15385], rtol=0, atol=1e-9)
    assert list(rows["time_precision"]) == ["exposure", "year"] + ["exposure"] * 2 + ["undated"] * 2
    assert list(rows["observer"].mask) == [True, True, False, True, True, True]
    assert (rows["scanned"][2], rows["access_url"][2]) == ("yes", "https://a.example/12")
    assert rows["scanned"].mask[3] and rows["condition"].mask.all()
    assert rows["limiting_mag"][0] == 14.5 and rows["limiting_mag"].mask[1:].all()
    assert (rows["exposure"] == 1).all() and (rows["series"] == "HB").all()
    assert (rows["telescope"] == "Hill camera").all() and (rows["station"] == "hill").all()
    # 0.5 degrees of RA at Dec 20, and to the side: haversine and the tangent plane by hand
    assert_allclose(rows["centre_distance"], 0.469846, rtol=0, atol=1e-6)
    assert_allclose(rows["edge_distance"], 1.332706 + 0.000387 - 0.469846, rtol=0, atol=5e-4)
    assert rows["centre_distance"].unit == rows["margin"].unit == "deg"
    assert rows["t_exptime"].unit == "s"


def test_an_answer_without_rows_has_all_columns(demo_archive: Archive) -> None:
    rows = demo_archive.cone(0.0, 0.0, 0.0, min_exposure=1e6)
    assert len(rows) == 0 and set(RESULT_COLUMNS) <= set(rows.colnames)


# Certainty


def test_sure_and_marginal_on_either_side_of_the_edge(tmp_path: Path) -> None:
    # A plate of 2 degrees (true), half-side 1 degree, about (50, 0), whose margin is 0.1.
    half_mm = float(np.tan(np.radians(1.0)) * 206264.806247 / 60.0)
    archive = build_archive(
        tmp_path,
        [{"plate": "HB 1", "ra": "50.0", "dec": "0.0", "position_error_arcmin": "6"}],
        {"HB": {"exposed_mm": [2 * half_mm, 2 * half_mm]}},
    )
    # Along the equator the side x = +1 is met at right angles: the edge is at RA 51.
    cases = [
        (50.0, 0.0, "sure"), (50.899, 0.0, "sure"), (50.901, 0.0, "marginal"),
        (51.0, 0.0, "marginal"), (51.099, 0.0, "marginal"), (51.101, 0.0, None),
        (51.899, 1.0, "sure"), (51.901, 1.0, "marginal"), (52.099, 1.0, "marginal"),
        (52.101, 1.0, None), (50.0, 0.05, "sure"), (51.05, 0.2, "sure"),
    ]  # fmt: skip
    for ra, radius, certainty in cases:
        rows = archive.cone(ra, 0.0, radius)
        assert list(rows["certainty"]) == ([certainty] if certainty else []), (ra, radius)
        if certainty:
            assert_allclose(rows["edge_distance"][0], 51.0 - ra, rtol=0, atol=1e-9)
    assert len(archive.cone(51.05, 0.0, 0.0, certainty="sure")) == 0
    assert len(archive.cone(51.05, 0.0, 0.0, certainty="marginal")) == 1
    assert len(archive.cone(51.05, 0.0, 0.0, certainty=["sure", "marginal"])) == 1
    # The same of regions that are no circles: a strip from its near side on.
    for near, certainty in ((50.85, "sure"), (50.95, "marginal"), (51.09, "marginal"), (51.12, "")):
        rows = archive.search(Region.range(near, near + 5.0, -0.3, 0.3))
        assert list(rows["certainty"]) == [certainty] * bool(certainty), near
        assert rows["edge_distance"].mask.all()


def test_a_margin_wider_than_the_plate_is_never_sure_of_a_place(tmp_path: Path) -> None:
    archive = build_archive(
        tmp_path,
        [{"plate": "HB 1", "ra": "50.0", "dec": "0.0", "position_error_arcmin": "90"}],
    )
    assert list(archive.cone(50.0, 0.0, 0.0)["certainty"]) == ["marginal"]
    assert list(archive.cone(50.0, 0.0, 0.1)["certainty"]) == ["marginal"]
    assert list(archive.cone(50.0, 0.0, 0.2)["certainty"]) == ["sure"]  # 1.333 + 0.2 >= 1.5
    assert list(archive.search(Region.range(49, 51, -1, 1))["certainty"]) == ["marginal"]


@pytest.mark.parametrize(
    ("cells", "sure"),
    [
        ({}, True),
        ({"centre_is": "guide star"}, False),
        ({"centre_is": "named object"}, False),
        ({"centre_is": "plate"}, True),
        ({"tracking": "object"}, True),
        ({"tracking": "fixed"}, False),  # its exposure is not known
        ({"tracking": "fixed", "exposure_min": "0.1"}, True),
    ],
)
def test_centres_that_are_never_sure(tmp_path: Path, cells: dict[str, str], sure: bool) -> None:
    archive = build_archive(tmp_path, [{"plate": "HB 1", "ra": "50.0", "dec": "0.0", **cells}])
    questions = [Region.circle(50, 0, 0), Region.circle(50, 0, 100), Region.circle(50, 0, 180),
                 Region.range(40, 60, -10, 10), Region.moc("1/0-47")]  # fmt: skip
    for region in questions:
        assert list(archive.search(region)["certainty"]) == ["sure" if sure else "marginal"]
    assert list(archive.search(Region.all())["certainty"]) == ["sure"]


def test_unknown_orientation_is_sure_where_both_layouts_are(tmp_path: Path) -> None:
    # 4 x 2 degrees, either way round; ICRS margin 0.
    sizes = [float(2 * np.tan(np.radians(half)) * 206264.806247 / 60.0) for half in (2.0, 1.0)]
    rows = [{"plate": "HB 1", "ra": "50.0", "dec": "0.0", "position_error_arcmin": "0.06",
             "orientation_known": "no"}]  # fmt: skip
    archive = build_archive(tmp_path, rows, {"HB": {"exposed_mm": sizes}})
    for ra, dec, certainty, edge in [
        (50.0, 0.0, "sure", 1.0),
        (50.9, 0.0, "sure", 1.0),  # 0.1 and 1.1 from the sides x, 1 from the long sides
        (51.5, 0.0, "marginal", 0.5),
        (50.0, 1.5, "marginal", 0.5),
        (50.0, -1.5, "marginal", 0.5),
    ]:
        row = archive.cone(ra, dec, 0.0)[0]
        assert row["certainty"] == certainty
        assert_allclose(row["edge_distance"], edge, rtol=0, atol=2e-4)  # sides bend a little
    assert len(archive.cone(51.5, 1.5, 0.0)) == 0  # on neither


# Margins, by hand. Half-diagonal of 160 x 160 mm at 60 arcsec/mm: atan(113.13708 x 60 / 206264.806)
# = atan(0.03291024) = 0.03289837 rad = 1.884938 degrees.

HALF_DIAGONAL_RAD, HALF_DIAGONAL_DEG = 0.03289837, 1.884938


@pytest.mark.parametrize(
    ("cells", "series", "margin_deg"),
    [
        # half of 0.1 minute of time is 0.0125 degrees, half an arcminute 0.008333; Dec 60.2 has
        # cosine 0.4969737 and sine 0.8677655
        ({"ra": "05 33.1", "dec": "+60 12"}, {},
         0.0103939 + 0.0125 * 0.8677655 * HALF_DIAGONAL_RAD),
        ({"ra": "05 33.1", "dec": "-60 12"}, {},
         0.0103939 + 0.0125 * 0.8677655 * HALF_DIAGONAL_RAD),
        ({"ra": "05 33.1", "dec": "+60 12"}, {"pointing_tolerance_arcmin": 3},
         0.0103939 + 0.0125 * 0.8677655 * HALF_DIAGONAL_RAD + 0.05),
        ({"ra": "05 33.1", "dec": "+60 12"}, {"scale_tolerance_percent": 0.5},
         0.0103939 + 0.0125 * 0.8677655 * HALF_DIAGONAL_RAD + 0.005 * HALF_DIAGONAL_DEG),
        # the stated error stands for the digits, not for the tolerances
        ({"ra": "05 33.1", "dec": "+60 12", "position_error_arcmin": "6"},
         {"pointing_tolerance_arcmin": 3, "scale_tolerance_percent": 1},
         0.1 + 0.05 + 0.01 * HALF_DIAGONAL_DEG),
        ({"ra": "83.28", "dec": "0.0"}, {}, np.hypot(0.005, 0.05)),
        ({"ra": "83", "dec": "0"}, {}, np.hypot(0.5, 0.5)),
        ({"ra": "83", "dec": "90.00"}, {}, 0.005 + 0.5 * HALF_DIAGONAL_RAD),
        # seconds: half of 15 arcsec, and half an arcsec, on the equator
        ({"ra": "05 33 10", "dec": "+00 00 00"}, {}, np.hypot(7.5, 0.5) / 3600),
        # cut plates keep the whole half-diagonal
        ({"ra": "83", "dec": "90.00"}, {"usable_radius_deg": 0.5},
         0.005 + 0.5 * HALF_DIAGONAL_RAD),
        # a camera that stood still for 2 minutes: 15.041 x 120 x cos 60.2 / 2 = 448.499 arcsec
        ({"ra": "05 33.1", "dec": "+60 12", "tracking": "fixed", "exposure_min": "2"}, {},
         0.0103939 + 0.0125 * 0.8677655 * HALF_DIAGONAL_RAD + 448.499 / 3600),
        ({"ra": "05 33.1", "dec": "+60 12", "tracking": "fixed"}, {},
         0.0103939 + 0.0125 * 0.8677655 * HALF_DIAGONAL_RAD),
    ],
)  # fmt: skip
def test_margins_by_hand(
    tmp_path: Path, cells: dict[str, str], series: dict[str, object], margin_deg: float
) -> None:
    archive = build_archive(tmp_path, [{"plate": "HB 1", **cells}], {"HB": series})
    assert_allclose(one_row(archive, "HB-1-1")["margin"], margin_deg, rtol=0, atol=2e-7)


# Bad questions


@pytest.mark.parametrize(
    ("arguments", "parameter", "message"),
    [
        ((400.0, 0.0, 1.0), "ra", "0 to 360, got 400"),
        ((-1.0, 0.0, 1.0), "ra", "0 to 360, got -1"),
        ((np.nan, 0.0, 1.0), "ra", "got nan"),
        ((0.0, 90.001, 1.0), "dec", "-90 to 90, got 90.001"),
        ((0.0, np.inf, 1.0), "dec", "got inf"),
        ((0.0, 0.0, -0.1), "radius", "0 to 180, got -0.1"),
        ((0.0, 0.0, 180.5), "radius", "0 to 180, got 180.5"),
        ((0.0, 0.0, np.nan), "radius", "got nan"),
    ],
)
def test_bad_cones_are_refused_by_name(
    demo_archive: Archive, arguments: tuple[float, float, float], parameter: str, message: str
) -> None:
    with pytest.raises(QueryError, match=f"{parameter} must be .*{message}") as caught:
        demo_archive.cone(*arguments)
    assert caught.value.parameter == parameter and not caught.value.usage


@pytest.mark.parametrize("at", [0, 1, 2])
@pytest.mark.parametrize("value", ["12:30", "", None, True, [1.0], "1_0"])
def test_cones_without_numbers_are_wrong_usage(demo_archive: Archive, at: int, value: Any) -> None:
    arguments = [10.0, 20.0, 1.0]
    arguments[at] = value
    name = ("ra", "dec", "radius")[at]
    with pytest.raises(QueryError, match=f"{name} must be a number") as caught:
        demo_archive.cone(*arguments)
    assert (caught.value.parameter, caught.value.usage) == (name, True)


def test_something_else_than_a_region_is_refused(demo_archive: Archive) -> None:
    with pytest.raises(QueryError, match="region must be a Region, such as .* got 'all'") as caught:
        demo_archive.search("all")  # type: ignore[arg-type]
    assert caught.value.parameter == "region" and caught.value.usage
