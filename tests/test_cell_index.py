"""The cell index against every record measured, and its files."""

from pathlib import Path

import healpy
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_array_equal
from numpy.typing import NDArray
from tests.awkward_sky import (
    AWKWARD_PLATES,
    Floats,
    Plate,
    directions_about,
    mixed_plates,
    records_of,
    vectors_of,
)

from platecover.coverage.cell_index import (
    FINEST_ORDER,
    INDEX_ARRAYS,
    LEVELS_BELOW,
    CellIndex,
    index_orders,
    open_cell_index,
)
from platecover.coverage.edge_distance import edge_distance_deg
from platecover.coverage.footprint import KEEP_EDGE, footprint_cells
from platecover.coverage.index_build import build_cell_index, write_cell_index
from platecover.coverage.value_checks import HIGHEST_ORDER

PLATES = [*AWKWARD_PLATES, *mixed_plates(300, seed=31)]
RECORDS = records_of(PLATES)
RECORDS["never_sure"] = np.random.default_rng(32).random(len(PLATES)) < 0.1
MARGIN_DEG = np.degrees(RECORDS["margin_rad"])


@pytest.fixture(scope="module")
def index() -> CellIndex:
    return build_cell_index(RECORDS)


def corners_of_cells(order: int, count: int) -> tuple[Floats, Floats]:
    """RA and Dec of the corners of some cells, by healpy: no cell holds them for sure."""
    cells = np.random.default_rng(order).integers(0, 12 * 4**order, count)
    corners = np.moveaxis(healpy.boundaries(1 << order, cells, nest=True), 1, 2).reshape(-1, 3)
    ra, dec = healpy.vec2ang(corners, lonlat=True)
    return ra, dec


def many_directions() -> tuple[Floats, Floats]:
    """Directions all over the sky, about the awkward plates, at poles, RA 0h and cell corners."""
    parts = [directions_about(plate, 12, seed=i) for i, plate in enumerate(AWKWARD_PLATES)]
    parts += [corners_of_cells(order, 40) for order in (0, 1, 3, 6, 9, FINEST_ORDER)]
    at_zero = np.linspace(-90.0, 90.0, 61)
    parts += [(np.full(61, ra), at_zero) for ra in (0.0, 360.0, 359.9999999)]
    ra, dec = (np.concatenate(column) for column in zip(*parts, strict=True))
    return ra, dec


def test_a_point_never_misses_an_exposure_and_what_is_certain_is(index: CellIndex) -> None:
    ra, dec = many_directions()
    hits = certain_hits = 0
    for vector, one_ra, one_dec in zip(vectors_of(ra, dec), ra, dec, strict=True):
        larger, smaller = edge_distance_deg(RECORDS, one_ra, one_dec)
        certain, possible = index.at_point(*vector)
        found = np.concatenate([certain, possible])
        assert len(np.unique(found)) == len(found)
        matches = np.flatnonzero(larger >= -MARGIN_DEG)
        assert np.isin(matches, found).all(), (one_ra, one_dec)
        assert (smaller[certain] >= MARGIN_DEG[certain]).all(), (one_ra, one_dec)
        assert not RECORDS["never_sure"][certain].any()
        hits += len(matches)
        certain_hits += len(certain)
    assert hits > 2 * len(ra) and certain_hits > 0.5 * hits  # or nothing was tested


@settings(max_examples=200, deadline=None)
@given(ra=st.floats(0.0, 360.0), dec=st.floats(-90.0, 90.0))
def test_no_point_anywhere_misses_an_exposure(ra: float, dec: float) -> None:
    index = INDEX_OF_AWKWARD
    larger, smaller = edge_distance_deg(AWKWARD_RECORDS, ra, dec)
    margin = np.degrees(AWKWARD_RECORDS["margin_rad"])
    certain, possible = index.at_point(*vectors_of(ra, dec))
    assert np.isin(np.flatnonzero(larger >= -margin), np.concatenate([certain, possible])).all()
    assert (smaller[certain] >= margin[certain]).all()


AWKWARD_RECORDS = records_of(AWKWARD_PLATES)
INDEX_OF_AWKWARD = build_cell_index(AWKWARD_RECORDS)


def pieces_of_footprints() -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]]:
    """Exposure, order and cell of every cell of every footprint as refined, and if it is inside."""
    found = footprint_cells(RECORDS, index_orders(RECORDS), KEEP_EDGE, with_margin=True)
    exposures = np.repeat(np.arange(len(RECORDS)), np.diff(found.offsets))
    pieces = np.stack([exposures, found.orders.astype(np.int64), found.cells])
    return exposures, pieces, found.inside & (RECORDS["never_sure"][exposures] == 0)


def overlapping(
    order: int, cells: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Exposures near cells of a region's inside, by comparing every range with every one."""
    exposures, (_, orders, own_cells), inside = pieces_of_footprints()
    shift = 2 * (HIGHEST_ORDER - orders)
    low, high = own_cells << shift, (own_cells + 1) << shift
    some_shift = 2 * (HIGHEST_ORDER - order)
    overlaps = np.zeros(len(low), dtype=bool)
    for cell in cells.tolist():
        overlaps |= (low < (cell + 1) << some_shift) & (high > cell << some_shift)
    numbers = np.unique(exposures[overlaps])
    return numbers, np.isin(numbers, exposures[overlaps & inside])


@pytest.mark.parametrize("within", [False, True])
@pytest.mark.parametrize("order", [0, 1, 2, 4, 8, FINEST_ORDER, FINEST_ORDER + 1, HIGHEST_ORDER])
def test_near_cells_are_the_exposures_whose_cells_overlap(
    index: CellIndex, order: int, within: bool
) -> None:
    rng = np.random.default_rng(order)
    certain = 0
    for count in (1, 7, 60):
        cells = rng.integers(0, 12 * 4**order, count)  # unordered, some twice at low orders
        found, expected = index.near_cells([(order, cells, within)]), overlapping(order, cells)
        assert_array_equal(found[0], expected[0])
        assert_array_equal(found[1], expected[1] & within)
        certain += int(expected[1].sum())
    assert certain > 0  # or nothing was tested


def test_near_cells_of_a_disc_never_miss_an_exposure_that_reaches_into_it(
    index: CellIndex,
) -> None:
    rng = np.random.default_rng(4)
    centres = [(0.0, 90.0), (0.0, -90.0), (0.0, 0.0), (359.99, 40.0), (45.0, 41.8103)]
    centres += list(zip(rng.uniform(0, 360, 15), rng.uniform(-90, 90, 15), strict=True))
    for ra, dec in centres:
        larger, _ = edge_distance_deg(RECORDS, ra, dec)
        for radius_deg, order in ((0.01, 13), (0.5, 7), (3.0, 5), (30.0, 3)):
            cells = healpy.query_disc(
                1 << order, vectors_of(ra, dec), np.radians(radius_deg), inclusive=True, nest=True
            )
            expected = np.flatnonzero(larger >= -radius_deg - MARGIN_DEG)
            found, _ = index.near_cells([(order, cells, False)])
            assert np.isin(expected, found).all(), (ra, dec)


def test_near_cells_of_several_orders_is_the_union(index: CellIndex) -> None:
    coarse, fine = (1, np.array([17]), False), (7, np.array([300_000, 5, 70_000]), True)
    found, certain = index.near_cells([coarse, fine])
    of_coarse, never = index.near_cells([coarse])
    of_fine, certain_of_fine = index.near_cells([fine])
    assert_array_equal(found, np.union1d(of_coarse, of_fine))
    assert_array_equal(found[certain], of_fine[certain_of_fine])
    assert not never.any() and 0 < certain.sum() < len(found)


def test_near_every_base_cell_is_every_exposure_and_near_none_is_none(index: CellIndex) -> None:
    assert_array_equal(index.near_cells([(0, np.arange(12), True)])[0], np.arange(len(RECORDS)))
    assert len(index.near_cells([])[0]) == 0
    assert len(index.near_cells([(5, np.empty(0, np.int64), True)])[0]) == 0


def test_lists_are_sorted_and_hold_every_cell_of_every_footprint(index: CellIndex) -> None:
    assert (np.diff(index.cells.astype(np.int64)) > 0).all()
    assert index.offsets[0] == 0 and index.offsets[-1] == len(index.entries)
    assert (np.diff(index.offsets) > 0).all()
    row = np.repeat(np.arange(len(index.cells)), np.diff(index.offsets))
    exposures = index.entries >> 32
    assert (np.diff(exposures)[np.diff(row) == 0] > 0).all()
    # unpack: every cell two orders finer, and those of footprints cut to the same order
    packed = index.cells[row].astype(np.int64)
    orders = np.floor(np.log2(packed / 4) / 2).astype(np.int64)
    unpacked = set()
    for shift, inside in ((16, True), (0, False)):
        for bit in range(16):
            some = (index.entries >> (shift + bit)) & 1 == 1
            finer = ((packed - 4 * 4**orders) << 4) + bit
            columns = (exposures[some], orders[some] + 2, finer[some])
            unpacked |= set(zip(*(c.tolist() for c in columns), [inside] * some.sum(), strict=True))
    _, pieces, sure = pieces_of_footprints()
    listed = index_orders(RECORDS)[pieces[0]] - LEVELS_BELOW
    expected = set()
    for (exposure, order, cell), lowest, inside in zip(
        pieces.T.tolist(), listed.tolist(), sure.tolist(), strict=True
    ):
        finest = min(order, lowest) + 2
        levels = finest - order
        for child in range(cell << (2 * levels), (cell + 1) << (2 * levels)):
            expected.add((exposure, finest, child, inside))
    assert unpacked == expected


def test_cells_are_no_finer_than_margin_or_a_24th_of_the_short_side() -> None:
    orders = index_orders(RECORDS)
    for plate, order in zip(PLATES, orders.tolist(), strict=True):
        side_deg = healpy.nside2resol(1 << order, arcmin=True) / 60.0
        short = 2 * np.degrees(
            np.arctan(min(plate.width, plate.height) / 2 * plate.scale / 206264.806247)
        )
        short = np.fmin(short, 2 * plate.usable_radius)
        wanted = max(short / 24, plate.margin)
        # The finest such order: its cells are as large as wanted and less than twice that.
        assert wanted <= side_deg * (1 + 1e-12) and side_deg < 2 * wanted, plate.name


def test_orders_stay_within_the_index() -> None:
    plates = [
        Plate("tiny", 1.0, 2.0, 0.1, 0.1, 1.0),
        Plate("huge margin", 1.0, 2.0, 60.0, 60.0, 60.0, margin=180.0),
    ]
    assert_array_equal(index_orders(records_of(plates)), [FINEST_ORDER, LEVELS_BELOW])


def test_an_opened_index_is_memory_mapped(index: CellIndex, tmp_path: Path) -> None:
    write_cell_index(RECORDS, tmp_path)
    opened = open_cell_index(tmp_path, len(RECORDS))
    for name in INDEX_ARRAYS:
        array = getattr(opened, name)
        assert isinstance(array.base, np.memmap) and not array.flags.writeable
        assert_array_equal(array, getattr(index, name))
    assert opened.nbytes == index.nbytes > 100 * len(RECORDS)


@pytest.mark.parametrize(
    "plates",
    [
        [],
        [Plate("one", 0.0, 90.0, 160.0, 160.0, 60.0)],
        [Plate("nothing certain", 10.0, 20.0, 60.0, 60.0, 60.0, margin=5.0)],
        [Plate("all the sky", 10.0, 20.0, 60.0, 60.0, 60.0, margin=180.0)],
    ],
    ids=lambda plates: plates[0].name if plates else "none",
)
def test_small_indexes_answer(plates: list[Plate]) -> None:
    records = records_of(plates)
    index = build_cell_index(records)
    if plates and plates[0].margin > 0:
        assert (index.entries >> 16 & 0xFFFF == 0).all()
    for ra, dec in ((0.0, 90.0), (0.0, -90.0), (10.0, 20.0), (123.0, 88.9)):
        larger, _ = edge_distance_deg(records, ra, dec)
        found = np.concatenate(index.at_point(*vectors_of(ra, dec)))
        expected = np.flatnonzero(larger >= -np.degrees(records["margin_rad"]))
        assert np.isin(expected, found).all()
    assert_array_equal(index.near_cells([(0, np.arange(12), False)])[0], np.arange(len(plates)))


@pytest.mark.parametrize("name", list(INDEX_ARRAYS))
@pytest.mark.parametrize("damage", ["missing", "empty", "short", "text", "floats", "folder"])
def test_a_damaged_file_is_an_error_that_names_it(tmp_path: Path, damage: str, name: str) -> None:
    write_cell_index(AWKWARD_RECORDS, tmp_path)
    path = tmp_path / f"index_{name}.npy"
    content = path.read_bytes()
    path.unlink()
    if damage == "floats":
        np.save(path, np.zeros(getattr(INDEX_OF_AWKWARD, name).shape))
    elif damage == "folder":
        path.mkdir()
    elif damage != "missing":
        path.write_bytes({"empty": b"", "short": content[:-40], "text": b"no array"}[damage])
    with pytest.raises(ValueError, match=f"^index_{name}.npy: "):
        open_cell_index(tmp_path, len(AWKWARD_RECORDS))


@pytest.mark.parametrize("name", list(INDEX_ARRAYS))
def test_arrays_of_different_indexes_do_not_pass_for_one(tmp_path: Path, name: str) -> None:
    write_cell_index(AWKWARD_RECORDS, tmp_path)
    np.save(tmp_path / f"index_{name}.npy", getattr(INDEX_OF_AWKWARD, name)[:-1])
    with pytest.raises(ValueError, match=r"^index_offsets\.npy: not the offsets of these cells"):
        open_cell_index(tmp_path, len(AWKWARD_RECORDS))
