"""Epoch histograms against logs small enough to count by hand, and areas against healpy."""

from datetime import date, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import healpy
import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import SkyCoord
from hypothesis import given, settings
from hypothesis import strategies as st
from mocpy import MOC
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from tests.archives import build_archive, build_plates, plates_of
from tests.awkward_sky import AWKWARD_PLATES, Plate, in_footprint, mixed_plates

from platecover.coverage import epochs as module
from platecover.coverage.archive import Archive
from platecover.coverage.edge_distance import edge_distance_deg
from platecover.coverage.errors import QueryError
from platecover.coverage.regions import Region

WHOLE_SKY_DEG2 = 129600.0 / np.pi
FIELDS = {
    "bins", "undated", "first", "last", "longest_gap", "baseline_years", "region_deg2", "order",
}  # fmt: skip
HERE = {"ra": "50.0", "dec": "0.0"}
POINT = Region.circle(50.0, 0.0, 0.0)

# Mid-exposures, UT: 1899-12-31 23:59, 1900-01-01 0h, middle of 1903, of June 1905, twice in 1907.
LOG = [
    {"plate": "KT 5", **HERE, "date": "1907-03-01", "time": "03:00", "exposure_min": "60"},
    {"plate": "KT 5", **HERE, "date": "1907-03-01", "time": "05:00", "exposure_min": "60"},
    {"plate": "HB 1", **HERE, "date": "1899-12-31", "time": "23:50", "exposure_min": "20"},
    {"plate": "HB 2", **HERE, "date": "1899-12-31", "time": "23:49", "exposure_min": "20"},
    {"plate": "HB 3", **HERE, "date": "1903"},
    {"plate": "HB 4", **HERE, "date": "1905-06"},
    {"plate": "HB 5", **HERE, "object": "undated"},
    {"plate": "KT 6", **HERE, "object": "undated, marginal", "position_error_arcmin": "90"},
    {"plate": "HB 7", "ra": "150.0", "dec": "0.0", "date": "1890-01-01", "time": "0:00"},
    {"plate": "HB 8", "ra": "150.0", "dec": "0.0"},
]


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    folder = tmp_path_factory.mktemp("epochs")
    return build_archive(folder, LOG, {"HB": {}, "KT": {"telescope": "Second camera"}})


def epoch_of(moment: datetime) -> float:
    """Julian epoch, by the calendar of the standard library: J2000.0 is 2000 January 1, noon."""
    days = (moment - datetime(2000, 1, 1, 12)).total_seconds() / 86400.0
    return 2000.0 + days / 365.25


def counts(answer: dict[str, Any], key: str = "exposures") -> dict[int, Any]:
    return {each["from"]: each[key] for each in answer["bins"]}


def test_every_field_by_hand(small: Archive) -> None:
    answer = small.epochs(Region.circle(50.0, 0.0, 1.0))
    assert set(answer) == FIELDS
    assert counts(answer) == {
        1899: 1, 1900: 1, 1901: 0, 1902: 0, 1903: 1, 1904: 0, 1905: 1, 1906: 0, 1907: 2,
    }  # fmt: skip
    assert counts(answer, "plates")[1907] == 1 and sum(counts(answer, "plates").values()) == 5
    assert counts(answer, "series")[1907] == {"KT": 2}
    assert counts(answer, "series")[1899] == counts(answer, "series")[1900] == {"HB": 1}
    assert counts(answer, "series")[1902] == {}
    assert all(each["to"] == each["from"] + 1 for each in answer["bins"])
    assert all(
        set(each) == {"from", "to", "exposures", "plates", "covered_deg2", "series"}
        for each in answer["bins"]
    )
    assert answer["undated"] == 2
    instants = [
        datetime(1899, 12, 31, 23, 59),
        datetime(1900, 1, 1),
        datetime(1903, 7, 2, 12),
        datetime(1905, 6, 16),
        datetime(1907, 3, 1, 3, 30),
        datetime(1907, 3, 1, 5, 30),
    ]
    epochs = [epoch_of(instant) for instant in instants]
    assert_allclose([answer["first"], answer["last"]], [epochs[0], epochs[-1]], rtol=0, atol=1e-9)
    assert_allclose(answer["baseline_years"], epochs[-1] - epochs[0], rtol=0, atol=1e-9)
    gap = answer["longest_gap"]
    assert set(gap) == {"from", "to"}
    assert_allclose([gap["from"], gap["to"]], epochs[1:3], rtol=0, atol=1e-9)  # 3.5 years
    assert gap["to"] - gap["from"] == pytest.approx(max(b - a for a, b in pairwise(epochs)))
    # A circle of 1 degree: 2 pi (1 - cos 1) sr; wholly on the plates, so covered is all of it.
    assert_allclose(answer["region_deg2"], 3.141513, rtol=0, atol=1e-6)
    assert answer["order"] == 11
    for each in answer["bins"]:
        expected = answer["region_deg2"] if each["exposures"] else 0.0
        assert_allclose(each["covered_deg2"], expected, rtol=0.01)


def test_a_plate_counts_once_in_every_bin_it_was_exposed_in(tmp_path: Path) -> None:
    dates = {"HB 1": ("1900-01-05", "1900-03-01", "1901-02-01", "1903-01-01"),
             "HB 2": ("1900-02-01", "1901-03-01")}  # fmt: skip
    rows = [
        {"plate": plate, **HERE, "date": date, "time": "03:00"}
        for plate, each in dates.items()
        for date in each
    ]
    archive = build_archive(tmp_path, rows)
    assert counts(archive.epochs(POINT), "plates") == {1900: 2, 1901: 2, 1902: 0, 1903: 1}
    assert counts(archive.epochs(POINT, 10), "plates") == {1900: 2}


def test_answers_are_plain_values(small: Archive) -> None:
    def check(value: object) -> None:
        if isinstance(value, dict):
            for name, each in value.items():
                assert type(name) is str
                check(each)
        elif isinstance(value, list):
            for each in value:
                check(each)
        else:
            assert value is None or type(value) in (int, float, str)

    check(small.epochs(Region.circle(50.0, 0.0, 1.0), bin=5))
    check(small.epochs(POINT))


@pytest.mark.parametrize(
    ("width", "expected"),
    [
        (10, {1890: 1, 1900: 5}),
        ("decade", {1890: 1, 1900: 5}),
        (" Decade ", {1890: 1, 1900: 5}),
        (5, {1895: 1, 1900: 2, 1905: 3}),
        ("5", {1895: 1, 1900: 2, 1905: 3}),
        (3, {1899: 2, 1902: 1, 1905: 3}),  # 633 x 3 = 1899
        (100, {1800: 1, 1900: 5}),
        (1000, {1000: 6}),
        ("year", {1899: 1, 1900: 1, 1901: 0, 1902: 0, 1903: 1, 1904: 0, 1905: 1, 1906: 0, 1907: 2}),
        (1.0, {1899: 1, 1900: 1, 1901: 0, 1902: 0, 1903: 1, 1904: 0, 1905: 1, 1906: 0, 1907: 2}),
    ],
)
def test_bins_start_at_multiples_of_their_width(
    small: Archive, width: Any, expected: dict[int, int]
) -> None:
    answer = small.epochs(POINT, bin=width)
    assert counts(answer) == expected
    assert all(each["to"] - each["from"] == each["from"] - before["from"]
               for before, each in pairwise(answer["bins"]))  # fmt: skip


def test_empty_bins_stand_between_first_and_last_only(small: Archive) -> None:
    answer = small.epochs(Region.all(), bin=5)
    assert counts(answer) == {1890: 1, 1895: 1, 1900: 2, 1905: 3}
    assert answer["undated"] == 3
    assert_allclose(answer["region_deg2"], WHOLE_SKY_DEG2, rtol=1e-12)


def test_undated_are_counted_whatever_the_dates_asked_for(small: Archive) -> None:
    for dates in ({"since": "1903"}, {"until": "1880"}, {"undated": "no"}, {"undated": "only"},
                  {"since": "1900", "until": "1905", "undated": "no"}):  # fmt: skip
        assert small.epochs(POINT, **dates)["undated"] == 2
    assert counts(small.epochs(POINT, since="1903", until="1905")) == {1903: 1, 1904: 0, 1905: 1}
    assert small.epochs(POINT, undated="only")["bins"] == []
    # other filters do hold for them
    assert small.epochs(POINT, series="KT")["undated"] == 1
    assert small.epochs(POINT, certainty="marginal")["undated"] == 1
    assert small.epochs(POINT, certainty="sure", series="kt")["undated"] == 0
    assert small.epochs(POINT, min_exposure=1)["undated"] == 0


def test_one_exposure_has_no_gap_and_none_has_nothing(small: Archive) -> None:
    one = small.epochs(POINT, since="1903", until="1903")
    assert counts(one) == {1903: 1} and one["longest_gap"] is None and one["baseline_years"] == 0.0
    assert one["first"] == one["last"] == pytest.approx(epoch_of(datetime(1903, 7, 2, 12)))
    none = small.epochs(Region.circle(200.0, 50.0, 1.0))
    assert none["bins"] == [] and none["undated"] == 0
    assert [none[name] for name in ("first", "last", "longest_gap", "baseline_years")] == [None] * 4
    assert_allclose(none["region_deg2"], 3.141513, rtol=0, atol=1e-6)


def test_a_point_has_no_area(small: Archive) -> None:
    answer = small.epochs(POINT)
    assert answer["region_deg2"] is None and set(answer) == FIELDS
    assert set(counts(answer, "covered_deg2").values()) == {None}
    assert counts(answer)[1907] == 2 and answer["order"] == 12


@pytest.mark.parametrize("minutes", [20, 1, 3, 7, 39, 41, 77])
def test_mid_exposure_at_new_year_is_of_the_new_year(tmp_path: Path, minutes: int) -> None:
    # halves of whole minutes about midnight are not exact in binary fractions of a day
    start = f"23:{59 - minutes // 2}:{30 if minutes % 2 else 0:02}"
    if minutes % 2 == 0:
        start = f"23:{60 - minutes // 2}"
    rows = [
        {"plate": f"HB {year}", **HERE, "date": f"{year - 1}-12-31", "time": start,
         "exposure_min": str(minutes)}
        for year in range(1890, 1960)
    ]  # fmt: skip
    archive = build_archive(tmp_path, rows)
    assert counts(archive.epochs(POINT)) == dict.fromkeys(range(1890, 1960), 1)
    assert len(archive.cone(50.0, 0.0, 0.0, since="1901", until="1910")) == 10


# Area


@pytest.fixture(scope="module")
def awkward_archive(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    """Plates of all sorts all over the sky, each July from 1890 on."""
    plates = AWKWARD_PLATES + mixed_plates(1500, seed=8)
    dates = [f"{1890 + number % 60}-07-{1 + number // 60:02}" for number in range(len(plates))]
    return build_plates(tmp_path_factory.mktemp("awkward"), plates, dates)


@pytest.mark.parametrize("radius", [0.01, 0.2, 0.5, 1.0, 2.0, 4.0, 7.0, 9.0, 30.0])
def test_order_is_the_coarsest_with_a_thousand_centres(
    demo_archive: Archive, radius: float
) -> None:
    vector = healpy.ang2vec(84.3, 31.7, lonlat=True)
    for order in range(7, 13):
        centres = len(healpy.query_disc(1 << order, vector, np.radians(radius), nest=True))
        if centres >= 1000:
            break
    assert demo_archive.epochs(Region.circle(84.3, 31.7, radius), bin=1000)["order"] == order


def test_order_of_regions_whose_centres_are_not_as_their_area(demo_archive: Archive) -> None:
    # A strip along the equator holds one ring of centres of each order: 4 x 2**order of them.
    strip = Region.range(0.0, 360.0, -1e-4, 1e-4)
    assert demo_archive.epochs(strip, bin=1000)["order"] == 8
    # Cells of order 11, each about the centre of a cell of order 7 (HEALPix counts a centre in the
    # northern of the four that meet there) and about no centre of the orders between. 999 hold
    # too few centres until order 12, where they hold four each.
    for count, order in ((1000, 7), (999, 12)):
        cells = (np.arange(count, dtype=np.uint64) << np.uint64(8)) + np.uint64(3 << 6)
        moc = MOC.from_healpix_cells(cells, np.full(count, 11, dtype=np.uint8), 11)
        assert demo_archive.epochs(Region.moc(moc), bin=1000)["order"] == order


def centres_of(order: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    ra, dec = healpy.pix2ang(1 << order, np.arange(12 * 4**order), nest=True, lonlat=True)
    return ra, dec


@pytest.mark.parametrize(
    "text",
    [
        "circle 84.3 31.7 12",
        "circle 325.68 43.59 3",
        "circle 0.1 -30 4",
        "circle 10 90 6",
        "range 350 10 -5 5",
        "range 0 360 -90 -86",
    ],
)
def test_areas_are_those_of_cells_that_healpy_and_astropy_count(
    awkward_archive: Archive, text: str
) -> None:
    region = Region.parse(text)
    answer = awkward_archive.epochs(region, bin=10)
    order = answer["order"]
    ra, dec = centres_of(order)
    kind, *words = text.split()
    a, b, c, *d = (float(word) for word in words)
    if kind == "circle":
        here = SkyCoord(a, b, unit=u.deg).separation(SkyCoord(ra, dec, unit=u.deg)).deg <= c
    else:
        here = ((ra - a) % 360.0 <= (b - a) % 360.0) | (b - a == 360.0)
        here &= (dec >= c) & (dec <= d[0])
    ra, dec = ra[here], dec[here]
    assert len(ra) >= 1000
    cell_deg2 = WHOLE_SKY_DEG2 / (12 * 4**order)
    assert_allclose(answer["region_deg2"], len(ra) * cell_deg2, rtol=0.02)

    rows = awkward_archive.search(region, undated="no")
    by_id: dict[str, Plate] = {plate.name: plate for plate in plates_of(awkward_archive)}
    covered = {each["from"]: np.zeros(len(ra), dtype=bool) for each in answer["bins"]}
    middle = np.asarray(rows["t_min"] + rows["t_max"]) / 2
    years = (np.datetime64("1858-11-17") + np.floor(middle).astype("timedelta64[D]")).astype(
        "datetime64[Y]"
    )
    decades = (years.astype(np.int64) + 1970) // 10 * 10
    for exposure_id, decade in zip(rows["exposure_id"], decades, strict=True):
        covered[int(decade)] |= in_footprint(by_id[exposure_id], ra, dec)
    assert sum(each["exposures"] for each in answer["bins"]) == len(rows) > 10
    for each in answer["bins"]:
        expected = covered[each["from"]].sum() * cell_deg2
        assert_allclose(each["covered_deg2"], expected, rtol=1e-9, atol=1e-9)
    assert max(each["covered_deg2"] for each in answer["bins"]) > 0.0


@pytest.mark.parametrize(
    ("text", "area_deg2"),
    [
        ("circle 10 20 60", WHOLE_SKY_DEG2 / 4),  # Archimedes
        ("range 350 20 30 90", WHOLE_SKY_DEG2 / 48),
        ("polygon 0 0 90 0 0 90", WHOLE_SKY_DEG2 / 8),
        ("moc 1/1 2", WHOLE_SKY_DEG2 / 24),
        ("all", WHOLE_SKY_DEG2),
    ],
)
def test_region_area_is_exact(demo_archive: Archive, text: str, area_deg2: float) -> None:
    answer = demo_archive.epochs(Region.parse(text), bin=1000, min_exposure=1e6)
    assert_allclose(answer["region_deg2"], area_deg2, rtol=1e-6)


# Fast ways against the slow one: bin by bin, exposure by exposure, cell by cell


def slowly(archive: Archive, region: Region, width: int, filters: dict[str, Any]) -> dict[str, Any]:
    """What depends on the exposures in an answer; which of them match is judged elsewhere."""
    edition = archive.edition
    numbers = [int(n) for n in archive.find(region, **filters).numbers]
    dated = [n for n in numbers if not np.isnan(edition.middle_mjd[n])]
    order = archive.epochs(region, 1000)["order"]  # judged above
    cells = region.cells_with_centre(order).tolist()
    cell_deg2 = WHOLE_SKY_DEG2 / (12 * 4**order)
    ra, dec = healpy.pix2ang(1 << order, np.array(cells), nest=True, lonlat=True)
    words = {name: edition.words(name) for name in ("plate", "series")}
    bins: dict[int, dict[str, Any]] = {}
    for number in dated:
        days = int(np.floor(edition.middle_mjd[number]))
        year = (date(1858, 11, 17) + timedelta(days)).year
        start = year - year % width
        new = {"exposures": 0, "plates": set(), "covered": np.zeros(len(cells), bool), "series": {}}
        each = bins.setdefault(start, new)
        each["exposures"] += 1
        each["plates"].add(words["plate"][edition.codes("plate")[number]])
        code = words["series"][edition.codes("series")[number]]
        each["series"][code] = each["series"].get(code, 0) + 1
        record = np.repeat(edition.geometry[number : number + 1], len(cells))
        distance, _ = edge_distance_deg(record, ra, dec)
        each["covered"] |= distance >= 0.0
    epochs = sorted(edition.floats("epoch")[n] for n in dated)
    gaps = [(after - before, -at) for at, (before, after) in enumerate(pairwise(epochs))]
    at = -max(gaps)[1] if gaps else 0
    return {
        "bins": [
            {
                "from": start,
                "to": start + width,
                "exposures": bins[start]["exposures"],
                "plates": len(bins[start]["plates"]),
                "covered_deg2": pytest.approx(bins[start]["covered"].sum() * cell_deg2, rel=1e-12),
                "series": bins[start]["series"],
            }
            if start in bins
            else {"from": start, "to": start + width, "exposures": 0, "plates": 0,
                  "covered_deg2": 0.0, "series": {}}
            for start in (range(min(bins), max(bins) + 1, width) if bins else [])
        ],
        "first": epochs[0] if epochs else None,
        "last": epochs[-1] if epochs else None,
        "longest_gap": {"from": epochs[at], "to": epochs[at + 1]} if gaps else None,
    }  # fmt: skip


@settings(max_examples=40, deadline=None)
@given(
    region=st.sampled_from(
        ["circle 84.3 31.7 3", "circle 84.3 31.7 14", "circle 300 40 0.5", "range 350 10 -30 30",
         "polygon 80 20 100 20 100 40 80 40", "constellation Ori", "constellation UMi",
         "moc 3/77 5/4000-4040", "circle 210 -80 2"]
    ),
    width=st.sampled_from([1, 3, 10, 100]),
    filters=st.sampled_from(
        [{}, {}, {"undated": "yes"}, {"certainty": "sure"}, {"since": "1901-06", "until": "1930"},
         {"technique": "direct", "undated": "no"}, {"scanned": "yes"}, {"undated": "only"},
         {"min_exposure": "30", "certainty": "marginal"}]
    ),
)  # fmt: skip
def test_answers_are_those_of_the_slow_way(
    demo_archive: Archive, region: str, width: int, filters: dict[str, Any]
) -> None:
    place = Region.parse(region)
    answer = demo_archive.epochs(place, width, **filters)
    for name, expected in slowly(demo_archive, place, width, filters).items():
        assert answer[name] == expected


def test_few_are_sorted_as_many_are(demo_archive: Archive, monkeypatch: pytest.MonkeyPatch) -> None:
    region = Region.circle(84.3, 31.7, 10.0)
    monkeypatch.setattr(module, "_FEW", 1)
    sorted_ = demo_archive.epochs(region)
    monkeypatch.setattr(module, "_FEW", 1_000_000)
    assert demo_archive.epochs(region) == sorted_


@pytest.mark.parametrize("width", [1, 7, 10])
def test_kept_years_cover_what_their_exposures_do(
    demo_archive: Archive, monkeypatch: pytest.MonkeyPatch, width: int
) -> None:
    by_years = demo_archive.epochs(Region.all(), width)
    whole = module._Matches
    monkeypatch.setattr(
        module, "_Matches", lambda numbers, _, undated: whole(numbers, False, undated)
    )
    assert demo_archive.epochs(Region.all(), width) == by_years


# Bad questions


@pytest.mark.parametrize(
    ("width", "usage"),
    [(0, False), (-1, False), (1.5, False), (1001, False), (np.nan, False), ("nan", False),
     ("week", True), ("", True), (None, True), (True, True), ([10], True)],
)  # fmt: skip
def test_bad_widths_are_refused(small: Archive, width: Any, usage: bool) -> None:
    with pytest.raises(QueryError, match="bin must be year, decade or a number .* got ") as caught:
        small.epochs(POINT, bin=width)
    assert (caught.value.parameter, caught.value.usage) == ("bin", usage)


def test_what_search_refuses_is_refused(small: Archive) -> None:
    with pytest.raises(QueryError, match="series 'ZZ' is not known; known: HB, KT, unknown"):
        small.epochs(POINT, series="ZZ")
    with pytest.raises(QueryError, match="region must be a Region"):
        small.epochs("circle 50 0 1")  # type: ignore[arg-type]
