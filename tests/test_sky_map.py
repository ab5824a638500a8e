"""Sky maps against counting by hand, cell by cell, and against astropy's projection."""

from collections.abc import Collection, Iterable
from itertools import pairwise
from types import SimpleNamespace
from typing import Any

import healpy
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from tests.archives import build_archive, plates_of
from tests.awkward_sky import in_footprint, mixed_plates, records_of

from platecover.coverage import sky_map as module
from platecover.coverage.archive import Archive
from platecover.coverage.errors import QueryError
from platecover.coverage.filters import Selection
from platecover.coverage.map_cells import KEPT_ORDER, MapCells, map_cells
from platecover.coverage.map_quantities import QUANTITIES
from platecover.coverage.sky_map import sky_map
from platecover.coverage.timeline import timeline_of

Floats = NDArray[np.float64]

ORDER = 4  # 3072 cells of 3.7 degrees
DAYS_PER_JULIAN_YEAR = 365.25
UNTIL = 1905  # astropy judges the plates of the years before


def hand_archive(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    """Four plates of one field at RA 30, Dec 0 and one elsewhere, some twice exposed."""
    field = {"ra": "30.0", "dec": "0.0", "exposure_min": "60", "clock": "UT"}
    rows = [
        {**field, "plate": "HB 1", "date": "1900-01-01", "time": "00:00", "scanned": "yes"},
        {**field, "plate": "HB 1", "date": "1900-01-01", "time": "02:00"},
        {**field, "plate": "HB 2", "date": "1900-12-31", "time": "23:00", "scanned": "no"},
        {**field, "plate": "HB 3", "date": "1910-07-01", "time": "00:00"},
        {**field, "plate": "HB 4", "date": "", "scanned": "yes"},
        {**field, "plate": "HB 5", "ra": "200.0", "dec": "-40.0", "date": "1920-01-01",
         "time": "00:00"},
    ]  # fmt: skip
    return build_archive(tmp_path_factory.mktemp("hand"), rows)


@pytest.fixture(scope="module")
def hand(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    return hand_archive(tmp_path_factory)


def epoch(year: int, days: float) -> float:
    """Julian epoch of a moment `days` after 0h UT of 1 January of 1900, 1910 or 1920."""
    # MJD of 1 January: 15020 (JD 2415020.5, Meeus ch. 7), then 10 years of 3652 and 3652 days
    mjd = {1900: 15020.0, 1910: 18672.0, 1920: 22324.0}[year] + days
    return 2000.0 + (mjd - 51544.5) / DAYS_PER_JULIAN_YEAR


@pytest.mark.parametrize(
    ("quantity", "value"),
    [
        ("exposures", 5.0),
        ("plates", 4.0),
        ("years", 2.0),
        ("first", epoch(1900, 0.5 / 24)),
        ("last", epoch(1910, 181.0 + 0.5 / 24)),  # 1 July is day 181 after 1 January
        # from 1900 December 31, 23:30, day 364 of 365 days, to 1910 July 1, 0:30
        ("gap", epoch(1910, 181.0 + 0.5 / 24) - epoch(1900, 364.0 + 23.5 / 24)),
        ("unscanned", 2.0),
        ("scanned_share", 0.5),
    ],
)
@pytest.mark.parametrize("order", [6, 7, 8])  # the edition keeps the cells of order 7
def test_hand_counted_field(hand: Archive, quantity: str, value: float, order: int) -> None:
    sky = hand.sky_map(quantity, order=order)
    cell = healpy.ang2pix(1 << order, 30.0, 0.1, nest=True, lonlat=True)
    assert sky[cell] == pytest.approx(value, abs=1e-9)


def test_where_nothing_is(hand: Archive) -> None:
    cell = healpy.ang2pix(64, 100.0, 60.0, nest=True, lonlat=True)
    once = healpy.ang2pix(64, 200.0, -40.1, nest=True, lonlat=True)
    for quantity in QUANTITIES:
        sky = hand.sky_map(quantity, order=6)
        assert sky.shape == (49152,)
        if quantity in ("exposures", "plates", "years", "unscanned"):
            assert sky[cell] == 0.0
        else:
            assert np.isnan(sky[cell])
    assert np.isnan(hand.sky_map("gap", order=6)[once])  # one exposure has no gap
    assert hand.sky_map("scanned_share", order=6)[once] == 0.0


def test_filters_narrow_the_map(hand: Archive) -> None:
    cell = healpy.ang2pix(64, 30.0, 0.1, nest=True, lonlat=True)
    assert hand.sky_map("exposures", order=6, until=1900)[cell] == 3.0
    assert hand.sky_map("exposures", order=6, undated="only")[cell] == 1.0
    assert hand.sky_map("plates", order=6, scanned="yes")[cell] == 2.0


def test_demo_maps_agree_with_astropy_plate_by_plate(demo_archive: Archive) -> None:
    ra, dec = healpy.pix2ang(1 << ORDER, np.arange(12 << (2 * ORDER)), nest=True, lonlat=True)
    rows = demo_archive.edition.table("exposures").to_pylist()
    chosen = [at for at, row in enumerate(rows) if row["epoch"] and row["epoch"] < UNTIL]
    plates = plates_of(demo_archive)
    covered = np.array([in_footprint(plates[at], ra, dec) for at in chosen])
    filters: dict[str, Any] = {"until": UNTIL - 1, "undated": "no"}

    kept = demo_archive.sky_map("exposures", **filters)
    finer_ra, finer_dec = healpy.pix2ang(128, np.arange(len(kept))[::61], nest=True, lonlat=True)
    on_plate = [in_footprint(plates[at], finer_ra, finer_dec) for at in chosen]
    assert_allclose(kept[::61], np.sum(on_plate, axis=0))

    counted = demo_archive.sky_map("exposures", order=ORDER, **filters)
    assert_allclose(counted, covered.sum(axis=0))
    epochs = np.array([rows[at]["epoch"] for at in chosen])[:, None]
    assert_allclose(
        demo_archive.sky_map("first", order=ORDER, **filters),
        np.where(covered.any(axis=0), np.where(covered, epochs, np.inf).min(axis=0), np.nan),
    )
    names = np.array([rows[at]["plate"] for at in chosen])
    different = [len(set(names[covered[:, cell]])) for cell in range(len(counted))]
    assert_allclose(demo_archive.sky_map("plates", order=ORDER, **filters), different)


# Fast ways against the slow one: every cell by itself, every exposure by itself

COUNT = 12
ENDS = [0, 1, 2, 62, 63, 64, 65, 100, 127, 128, 129, 191, 192, 300]  # about words of 64 cells
STARTS = [0, 64 * 1000, (12 << (2 * KEPT_ORDER)) - ENDS[-1]]
RECORDS = records_of(mixed_plates(COUNT, seed=12))

Facts = list[tuple[int, float | None, int]]  # plate, mid-exposure (MJD), scan of each exposure


def cells_of(cells: MapCells, number: int) -> set[int]:
    """All cells of one exposure."""
    packed = cells.ranges[cells.offsets[number] : cells.offsets[number + 1]].tolist()
    unit = 1 << cells.length_bits
    return {each // unit + at for each in packed for at in range(each % unit + 1)}


def edition_of(cells: MapCells, facts: Facts) -> Any:
    """What maps ask of an edition; a plate is scanned as its first exposure says."""
    scan_of = {plate: scan for plate, _, scan in reversed(facts)}
    middle = np.array([np.nan if mjd is None else mjd for _, mjd, _ in facts])
    codes = {
        "plate": np.array([plate for plate, _, _ in facts], dtype=np.int32),
        "scanned": np.array([scan_of[plate] for plate, _, _ in facts], dtype=np.int32),
    }
    kept = cells if cells.order == KEPT_ORDER else map_cells(RECORDS, KEPT_ORDER)
    return SimpleNamespace(
        geometry=RECORDS, map_cells=kept, middle_mjd=middle, timeline=timeline_of(kept, middle),
        codes=codes.__getitem__, words=lambda name: ["", "yes", "no"],
        floats=lambda name: 2000.0 + (middle - 51544.5) / DAYS_PER_JULIAN_YEAR,
    )  # fmt: skip


def slowly(cells: MapCells, edition: Any, numbers: Iterable[int], quantity: str) -> Floats:
    """A map of some exposures, cell by cell."""
    plate, epoch = edition.codes("plate"), edition.floats("epoch")
    scanned = np.array(edition.words("scanned"))[edition.codes("scanned")] == "yes"
    day = np.datetime64("1858-11-17") + np.floor(edition.middle_mjd).astype("m8[D]")
    year = day.astype("M8[Y]")
    covering: dict[int, list[int]] = {}
    for number in numbers:
        for cell in cells_of(cells, number):
            covering.setdefault(cell, []).append(number)

    def of_cell(here: list[int]) -> float:
        plates, of_scanned = {plate[n] for n in here}, {plate[n] for n in here if scanned[n]}
        dated = [n for n in here if not np.isnan(epoch[n])]
        epochs = sorted(epoch[n] for n in dated)
        if quantity in ("exposures", "plates", "years", "unscanned"):
            counted: dict[str, Collection[Any]] = {
                "exposures": here, "plates": plates, "years": {year[n] for n in dated},
                "unscanned": plates - of_scanned,
            }  # fmt: skip
            return len(counted[quantity])
        if quantity == "scanned_share":
            return len(of_scanned) / len(plates) if plates else np.nan
        if quantity == "gap":
            return max((after - before for before, after in pairwise(epochs)), default=np.nan)
        return epochs[0 if quantity == "first" else -1] if epochs else np.nan

    sky = np.full(12 << (2 * cells.order), of_cell([]))
    for cell, here in covering.items():
        sky[cell] = of_cell(here)
    return sky


facts = st.lists(
    st.tuples(
        st.integers(0, 7),
        st.none() | st.floats(15020.0, 18000.0) | st.sampled_from([15384.9, 15385.0, 15385.1]),
        st.integers(0, 2),
    ),
    min_size=COUNT, max_size=COUNT,
)  # fmt: skip


@st.composite
def packed_cells(draw: st.DrawFn) -> MapCells:
    """Map cells of exposures, of the order that editions keep."""
    offsets, ranges = [0], []
    unit = 1 << MapCells(KEPT_ORDER, *[np.zeros(0)] * 2).length_bits
    for _ in range(COUNT):
        start = draw(st.sampled_from(STARTS))
        ends = sorted(start + end for end in draw(st.sets(st.sampled_from(ENDS), max_size=8)))
        for first, end in zip(ends[::2], ends[1::2], strict=False):
            ranges.append(first * unit + end - first - 1)
        offsets.append(len(ranges))
    return MapCells(KEPT_ORDER, np.array(offsets), np.array(ranges, dtype=np.uint32))


@pytest.mark.parametrize("quantity", QUANTITIES)
@settings(max_examples=25, deadline=None)
@given(cells=packed_cells(), facts=facts)
def test_ranges_count_as_their_cells_do(quantity: str, cells: MapCells, facts: Facts) -> None:
    edition = edition_of(cells, facts)
    np.testing.assert_array_equal(
        sky_map(edition, quantity, KEPT_ORDER, {}), slowly(cells, edition, range(COUNT), quantity)
    )


@pytest.mark.parametrize("quantity", QUANTITIES)
@settings(max_examples=15, deadline=None)
@given(facts=facts, chunk=st.sampled_from([1, 2, 5, 1000]))
def test_chunks_of_other_orders_make_no_difference(quantity: str, facts: Facts, chunk: int) -> None:
    cells = map_cells(RECORDS, ORDER)
    edition = edition_of(cells, facts)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "_CHUNK", chunk)
        np.testing.assert_array_equal(
            sky_map(edition, quantity, ORDER, {}), slowly(cells, edition, range(COUNT), quantity)
        )


@pytest.mark.parametrize(
    ("quantity", "order"), [*((each, 3) for each in QUANTITIES), ("plates", KEPT_ORDER)]
)
def test_demo_maps_under_a_filter_are_those_of_the_slow_way(
    demo_archive: Archive, quantity: str, order: int
) -> None:
    filters = {"technique": "direct", "until": "1910", "scanned": ["yes", "unknown"]}
    edition = demo_archive.edition
    numbers = np.flatnonzero(Selection(edition, filters).mask(np.arange(len(edition.geometry))))
    assert 100 < len(numbers) < len(edition.geometry) / 2
    np.testing.assert_array_equal(
        demo_archive.sky_map(quantity, order, **filters),
        slowly(map_cells(edition.geometry, order), edition, numbers.tolist(), quantity),
    )


@pytest.mark.parametrize(
    ("arguments", "parameter", "message"),
    [
        (("plate", 7), "show", "show must be one of exposures, plates"),
        (("plates", 30), "order", "order must be a whole number from 0 to 10, got 30"),
        (("plates", -1), "order", "got -1"),
        (("plates", np.nan), "order", "got nan"),
        (("plates", "x"), "order", "got 'x'"),
    ],
)
def test_bad_input_is_refused_by_name(
    hand: Archive, arguments: tuple[str, int], parameter: str, message: str
) -> None:
    with pytest.raises(QueryError, match=message) as caught:
        hand.sky_map(*arguments)
    assert caught.value.parameter == parameter


def test_certainty_needs_a_region(hand: Archive) -> None:
    with pytest.raises(QueryError, match="certainty goes with a region"):
        hand.sky_map("plates", certainty="sure")
