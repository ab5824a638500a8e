"""Cells of footprints against healpy, mocpy and cells decided one by one with astropy's TAN."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import astropy.units as u
import healpy
import numpy as np
import pytest
from astropy.coordinates import Latitude, Longitude
from mocpy import MOC
from numpy.testing import assert_array_equal
from numpy.typing import NDArray
from tests.awkward_sky import (
    AWKWARD_PLATES,
    Plate,
    directions_about,
    in_footprint,
    mixed_plates,
    records_of,
    sky_of_mm,
    vectors_of,
)

from platecover.coverage import footprint
from platecover.coverage.edge_distance import edge_distance_deg
from platecover.coverage.footprint import (
    HOLDS_CENTRE,
    KEEP_EDGE,
    TOUCHES,
    FootprintCells,
    footprint_cells,
)
from platecover.coverage.footprint_union import union_ranges
from platecover.coverage.plate_geometry import Records
from platecover.coverage.value_checks import HIGHEST_ORDER

ANY_PLATES = [*AWKWARD_PLATES, *mixed_plates(15, seed=21)]
CELL_ORDER = {"fine": 9, "wide": 7}  # of plates under and above 10 degrees

Cells = NDArray[np.int64]


def name_of(plate: Plate) -> str:
    """Test id."""
    return plate.name


def order_for(plate: Plate) -> int:
    """Order at which a plate has some thousand cells."""
    wide = max(plate.width, plate.height) * plate.scale / 3600.0 > 10.0
    return CELL_ORDER["wide" if wide else "fine"]


def cut(plates: list[Plate], order: int, rule: int, **options: Any) -> FootprintCells:
    """`footprint_cells` with one order for all."""
    return footprint_cells(records_of(plates), np.full(len(plates), order), rule, **options)


def at_order(found: FootprintCells, order: int) -> Cells:
    """Cells of one order, sorted, that found cells of one exposure stand for."""
    parts = [np.empty(0, np.int64)]
    for cell_order, cell in zip(found.orders.tolist(), found.cells.tolist(), strict=True):
        size = 4 ** (order - cell_order)
        parts.append(np.arange(cell * size, (cell + 1) * size))
    return np.sort(np.concatenate(parts))


def cells_of(plate: Plate, order: int, rule: int) -> Cells:
    """Cells of a plate at an order."""
    return at_order(cut([plate], order, rule), order)


def cells_about(plate: Plate, order: int) -> Cells:
    """By healpy: cells that a footprint might touch, and their surroundings."""
    half_diagonal = np.arctan(np.hypot(plate.width, plate.height) / 2 * plate.scale / 206264.806)
    reach = half_diagonal + 3.0 * healpy.max_pixrad(1 << order)
    centre = vectors_of(plate.ra, plate.dec)
    return np.sort(healpy.query_disc(1 << order, centre, reach, nest=True))


def centres_deg(order: int, cells: Cells) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """RA and Dec of cell centres by healpy."""
    ra, dec = healpy.pix2ang(1 << order, cells, nest=True, lonlat=True)
    return ra, dec


def layout_moc(plate: Plate, order: int) -> MOC:
    """Cells that one layout touches, by mocpy; of a circular cut too many where it meets sides."""
    signs = np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]])
    ra, dec = sky_of_mm(plate, signs[:, 0] * plate.width / 2, signs[:, 1] * plate.height / 2)
    moc = MOC.from_polygon(ra * u.deg, dec * u.deg, max_depth=order)
    if np.isfinite(plate.usable_radius):
        radius = plate.usable_radius * u.deg
        lon, lat = Longitude(plate.ra * u.deg), Latitude(plate.dec * u.deg)
        cone = MOC.from_cone(lon, lat, radius=radius, max_depth=order, delta_depth=4)
        moc = moc.intersection(cone)
    return moc


def mocpy_cells(plate: Plate, order: int) -> Cells:
    """Cells that a footprint touches, by mocpy; either layout's."""
    moc = MOC.new_empty(order)
    for layout in plate.layouts():
        moc = moc.union(layout_moc(layout, order))
    return np.sort(moc.flatten().astype(np.int64))


# ---------------------------------------------------------------- counts of cells

SCHMIDT_AT_60 = Plate("Schmidt plate at +60", 150.0, 60.0, 355.6, 355.6, 67.14)


# Centre inside: own TAN test and healpy query_polygon, equal; touching: mocpy 0.21 and
# cdshealpix 0.9, equal. All computed without this program; tolerances for points on an edge.
@pytest.mark.parametrize(
    ("plate", "order", "centre_inside", "touching", "tolerances"),
    [
        (SCHMIDT_AT_60, 9, 3341, 3508, (3, 6)),
        (Plate("16 cm", 30.0, 0.0, 160.0, 160.0, 60.0), 9, 525, 592, (3, 6)),
        (Plate("pole", 120.0, 88.0, 355.6, 355.6, 67.14), 9, 3349, 3525, (3, 6)),
        (Plate("wide", 83.0, 10.0, 240.0, 240.0, 600.0), 9, 108985, 109902, (3, 6)),
        (SCHMIDT_AT_60, 6, 50, 72, (0, 0)),
    ],
    ids=lambda value: value.name if isinstance(value, Plate) else str(value),
)
def test_cell_counts_of_three_libraries(
    plate: Plate, order: int, centre_inside: int, touching: int, tolerances: tuple[int, int]
) -> None:
    assert abs(len(cells_of(plate, order, HOLDS_CENTRE)) - centre_inside) <= tolerances[0]
    assert abs(len(cells_of(plate, order, TOUCHES)) - touching) <= tolerances[1]


@pytest.mark.parametrize("rule", [KEEP_EDGE, TOUCHES, HOLDS_CENTRE])
def test_a_plate_with_the_pole_inside_has_all_four_cells_that_meet_there(rule: int) -> None:
    # NESTED numbering, order 9: the last cell of base cells 0-3, the first of 8-11.
    north = Plate("", 120.0, 88.0, 355.6, 355.6, 67.14)
    south = Plate("", 200.0, -87.5, 400.0, 240.0, 86.0, 301.0)
    assert np.isin([262143, 524287, 786431, 1048575], cells_of(north, 9, rule)).all()
    assert np.isin([2097152, 2359296, 2621440, 2883584], cells_of(south, 9, rule)).all()


# ---------------------------------------------------------------- centre inside


@pytest.mark.parametrize("plate", ANY_PLATES, ids=name_of)
def test_cells_with_their_centre_inside_are_those_that_astropy_says(plate: Plate) -> None:
    order = order_for(plate)
    candidates = cells_about(plate, order)
    expected = candidates[in_footprint(plate, *centres_deg(order, candidates))]
    assert_array_equal(cells_of(plate, order, HOLDS_CENTRE), expected)


def test_cells_with_their_centre_inside_are_healpys_query_polygon() -> None:
    for plate in AWKWARD_PLATES:
        if np.isfinite(plate.usable_radius) or not plate.orientation_known:
            continue
        order = order_for(plate)
        signs = np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]])
        corners = vectors_of(*sky_of_mm(plate, *(signs * [plate.width, plate.height] / 2).T))
        expected = healpy.query_polygon(1 << order, corners, nest=True)
        assert_array_equal(cells_of(plate, order, HOLDS_CENTRE), np.sort(expected))


# ---------------------------------------------------------------- touching


@pytest.mark.parametrize("plate", ANY_PLATES, ids=name_of)
def test_touching_cells_differ_from_mocpys_only_where_the_edge_grazes(plate: Plate) -> None:
    order = order_for(plate)
    ours, mocpys = cells_of(plate, order, TOUCHES), mocpy_cells(plate, order)
    in_doubt = np.setxor1d(ours, mocpys)
    # mocpy takes a few too many: its polygons where a corner is near, our cuts as stated above.
    assert len(in_doubt) <= 2 + 0.02 * len(ours)
    cell_side_deg = healpy.nside2resol(1 << order, arcmin=True) / 60.0
    steps = 64
    for cell in in_doubt:
        # By the whole cell's finer centres, and its boundary, at a 64th of its side.
        finer = np.arange(cell * steps**2, (cell + 1) * steps**2)
        ra, dec = centres_deg(order + 6, finer)
        edge = healpy.vec2ang(
            healpy.boundaries(1 << order, int(cell), step=steps, nest=True).T, lonlat=True
        )
        ra, dec = np.concatenate([ra, edge[0]]), np.concatenate([dec, edge[1]])
        record = np.repeat(records_of([plate]), len(ra))
        nearest = edge_distance_deg(record, ra, dec)[0].max()
        if cell in ours:
            assert nearest >= -cell_side_deg / 64, f"cell {cell} is not touched"
        else:
            assert not in_footprint(plate, ra, dec).any(), f"cell {cell} was missed"


@pytest.mark.parametrize(
    "plate", [p for p in ANY_PLATES if order_for(p) == CELL_ORDER["fine"]], ids=name_of
)
def test_no_cell_of_which_a_part_is_on_the_plate_is_missed(plate: Plate) -> None:
    # By 1,024 points of each cell near the boundary, decided by astropy.
    order, finer_by = 8, 5
    candidates = cells_about(plate, order)
    centre_inside = in_footprint(plate, *centres_deg(order, candidates))
    record = np.repeat(records_of([plate]), len(candidates))
    distance, _ = edge_distance_deg(record, *centres_deg(order, candidates))
    near = np.abs(distance) <= 1.5 * np.degrees(healpy.max_pixrad(1 << order))
    parts = candidates[near, None] * 4**finer_by + np.arange(4**finer_by)
    inside = in_footprint(plate, *centres_deg(order + finer_by, parts.ravel()))
    touched = inside.reshape(parts.shape).any(axis=1)
    expected = np.union1d(candidates[near][touched], candidates[centre_inside])
    ours = cells_of(plate, order, TOUCHES)
    assert np.isin(expected, ours).all()
    # Too many only where less than the 32nd part of a side is touched.
    assert len(ours) - len(expected) <= 2 + 0.03 * len(ours)


def test_every_point_of_a_plate_is_in_a_touched_cell() -> None:
    rng = np.random.default_rng(1)
    for plate in ANY_PLATES:
        x, y = rng.uniform(-0.5, 0.5, (2, 20_000)) * np.array([[plate.width], [plate.height]])
        ra, dec = sky_of_mm(plate, x, y)
        on_plate = in_footprint(plate, ra, dec)
        for order in (3, order_for(plate)):
            cells = healpy.ang2pix(1 << order, ra[on_plate], dec[on_plate], nest=True, lonlat=True)
            assert np.isin(cells, cells_of(plate, order, TOUCHES)).all(), plate.name


@pytest.mark.parametrize("order", [0, 5, 20, 22, 23, 26, HIGHEST_ORDER])
def test_touching_cells_of_a_speck_at_any_order(order: int) -> None:
    # A plate of 3 milliarcsec by 1.5, off the cells' corners; at order 29 a cell is 0.4 mas.
    plate = Plate("speck", 83.82208, -5.39111, 3e-3, 1.5e-3, 1.0, 25.0)
    rng = np.random.default_rng(2)
    x, y = rng.uniform(-0.5, 0.5, (2, 5000)) * np.array([[plate.width], [plate.height]])
    ra, dec = sky_of_mm(plate, x, y)
    expected = np.unique(healpy.ang2pix(1 << order, ra, dec, nest=True, lonlat=True))
    ours = cells_of(plate, order, TOUCHES)
    assert np.isin(expected, ours).all()
    assert len(ours) <= 1.6 * len(expected)


# ---------------------------------------------------------------- edge cells, margins


@pytest.mark.parametrize("plate", ANY_PLATES, ids=name_of)
@pytest.mark.parametrize("order", [4, 7])
def test_grown_cells_hold_every_point_within_the_margin(plate: Plate, order: int) -> None:
    found = cut([plate], order, KEEP_EDGE, with_margin=True)
    ra, dec = directions_about(plate, 400, seed=7)
    larger, smaller = edge_distance_deg(np.repeat(records_of([plate]), len(ra)), ra, dec)
    cells = healpy.ang2pix(1 << HIGHEST_ORDER, ra, dec, nest=True, lonlat=True)
    shift = 2 * (HIGHEST_ORDER - found.orders.astype(np.int64))
    first, beyond = found.cells << shift, (found.cells + 1) << shift
    assert (first[1:] >= beyond[:-1]).all()  # apart from each other, in NESTED order
    row = np.searchsorted(first, cells, side="right") - 1
    held = (row >= 0) & (cells < beyond[row])
    assert held[larger >= -plate.margin].all()
    assert held.any() and not held.all()
    certain = held & found.inside[row]
    assert (smaller[certain] >= plate.margin).all()


def test_grown_cells_are_inside_somewhere_and_never_far_off() -> None:
    for plate in AWKWARD_PLATES:
        order = order_for(plate)
        found = cut([plate], order, KEEP_EDGE, with_margin=True)
        ra, dec = centres_deg(order, at_order(found, order))
        larger, _ = edge_distance_deg(np.repeat(records_of([plate]), len(ra)), ra, dec)
        reach = np.degrees(healpy.max_pixrad(1 << order)) + plate.margin
        assert larger.min() >= -reach - 1e-9
        assert found.inside.any(), plate.name


def test_a_margin_wider_than_the_plate_leaves_no_cell_certain() -> None:
    found = cut([Plate("", 10.0, 20.0, 60.0, 60.0, 60.0, margin=30.0)], 6, KEEP_EDGE,
                with_margin=True)  # fmt: skip
    assert not found.inside.any()
    # Grown, it is a circle of about 30.5 deg: 2 pi (1 - cos 30.5 deg) sr is 6.9 % of the sky.
    share = np.sum(4.0 ** -found.orders.astype(float)) / 12
    assert 0.066 < share < 0.075


def test_a_margin_of_half_the_sky_takes_all_of_it() -> None:
    found = cut([Plate("", 10.0, 20.0, 60.0, 60.0, 60.0, margin=180.0)], 2, KEEP_EDGE,
                with_margin=True)  # fmt: skip
    assert len(at_order(found, 2)) == 192


# ---------------------------------------------------------------- plain refinement


def slow_cells(plate: Plate, last_order: int, rule: int, with_margin: bool) -> FootprintCells:
    """Refine one footprint level by level: healpy's centres and reach, exact distances only."""
    record, margin = records_of([plate]), plate.margin if with_margin else 0.0
    waiting, parts = np.arange(12), []
    for order in range(last_order + 1):
        larger, smaller = distances_deg(record, order, waiting)
        reach = np.degrees(healpy.max_pixrad(1 << order)) + margin
        whole = (smaller if rule == KEEP_EDGE else larger) >= reach
        crossed = ~whole & (larger >= -reach)
        kept = whole
        if order == last_order:
            if rule == KEEP_EDGE:
                kept = whole | crossed
            else:
                kept = whole | (crossed & (larger >= 0.0))
            if rule == TOUCHES:
                doubtful = crossed & (larger < 0.0)
                kept[doubtful] = slow_touches(record, order, waiting[doubtful])
        parts.append((np.full(kept.sum(), order), waiting[kept], whole[kept]))
        waiting = (4 * waiting[crossed, None] + np.arange(4)).ravel()
    orders, cells, inside = (np.concatenate(column) for column in zip(*parts, strict=True))
    nested = np.argsort(cells << 2 * (HIGHEST_ORDER - orders))
    offsets = np.array([0, len(cells)])
    return FootprintCells(offsets, orders[nested], cells[nested], inside[nested])


def slow_touches(record: Records, order: int, cells: Cells) -> NDArray[np.bool_]:
    """Whether finer centres in cells, down to a 4096th of their side, are on the footprint."""
    touched = np.zeros(len(cells), dtype=bool)
    origin = np.arange(len(cells))
    for finer in range(order + 1, min(order + 12, HIGHEST_ORDER) + 1):
        origin, cells = np.repeat(origin, 4), (4 * cells[:, None] + np.arange(4)).ravel()
        larger, _ = distances_deg(record, finer, cells)
        touched[origin[larger >= 0.0]] = True
        near = (larger >= -np.degrees(healpy.max_pixrad(1 << finer))) & ~touched[origin]
        origin, cells = origin[near], cells[near]
    touched[origin] = True
    return touched


def distances_deg(
    record: Records, order: int, cells: Cells
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Exact edge distances of cells' centres."""
    return edge_distance_deg(np.repeat(record, len(cells)), *centres_deg(order, cells))


@pytest.mark.parametrize(
    ("rule", "with_margin"),
    [(KEEP_EDGE, True), (KEEP_EDGE, False), (TOUCHES, False), (HOLDS_CENTRE, False)],
)
def test_cells_and_marks_are_those_of_plain_refinement(rule: int, with_margin: bool) -> None:
    for number, plate in enumerate([*AWKWARD_PLATES, *mixed_plates(40, seed=22)]):
        order = number % 4 + 3
        expected = slow_cells(plate, order, rule, with_margin)
        assert_same_cells(cut([plate], order, rule, with_margin=with_margin), expected, plate.name)


@pytest.mark.parametrize("margin", [20.0, 50.0, 110.0])
def test_huge_margins_are_those_of_plain_refinement(margin: float) -> None:
    for plate in AWKWARD_PLATES:
        grown = replace(plate, margin=margin)
        expected = slow_cells(grown, 4, KEEP_EDGE, with_margin=True)
        assert_same_cells(cut([grown], 4, KEEP_EDGE, with_margin=True), expected, plate.name)


def assert_same_cells(ours: FootprintCells, expected: FootprintCells, of: str) -> None:
    """Fail unless everything is the same."""
    for name in ("offsets", "orders", "cells", "inside"):
        assert_array_equal(getattr(ours, name), getattr(expected, name), err_msg=f"{name} of {of}")


# ---------------------------------------------------------------- many footprints


@pytest.mark.parametrize("rule", [KEEP_EDGE, TOUCHES, HOLDS_CENTRE])
def test_answers_do_not_depend_on_chunks_threads_or_buffers(
    rule: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    records = records_of(ANY_PLATES)
    orders = np.arange(len(records)) % 4 + 4
    done: list[int] = []
    whole = footprint_cells(records, orders, rule, with_margin=True, progress=done.append)
    assert sum(done) == len(records)
    for threads, chunk, guess in ((1, 3, 1), (1, 100, 30), (2, 1, 1), (3, 4, 50), (7, 5, 256)):
        monkeypatch.setattr(footprint, "THREADS", threads)
        monkeypatch.setattr(footprint, "_CHUNK", chunk)
        monkeypatch.setattr(footprint, "_FIRST_GUESS", guess)
        done.clear()
        parts = footprint_cells(records, orders, rule, with_margin=True, progress=done.append)
        assert sum(done) == len(records) and max(done) == min(chunk, len(records))
        assert_same_cells(parts, whole, f"all by {threads} threads in chunks of {chunk}")
    for i, plate in enumerate(ANY_PLATES):
        alone = footprint_cells(records[i : i + 1], orders[i : i + 1], rule, with_margin=True)
        part = slice(whole.offsets[i], whole.offsets[i + 1])
        of_whole = FootprintCells(
            alone.offsets, whole.orders[part], whole.cells[part], whole.inside[part]
        )
        assert_same_cells(alone, of_whole, plate.name)


def test_no_footprints_have_no_cells() -> None:
    for rule in (KEEP_EDGE, TOUCHES, HOLDS_CENTRE):
        found = cut([], 9, rule)
        assert_array_equal(found.offsets, [0])
        assert len(found.cells) == len(found.orders) == len(found.inside) == 0
    assert union_ranges(records_of([]), 9).shape == (0, 2)


@pytest.mark.parametrize(
    ("orders", "rule", "message"),
    [
        ([9], TOUCHES, r"^last_orders must have shape \(2,\), got \(1,\)$"),
        ([9, 30], TOUCHES, r"^last_orders must be from 0 to 29, got 9 to 30$"),
        ([-1, 9], KEEP_EDGE, r"^last_orders must be from 0 to 29, got -1 to 9$"),
        ([9, 9], 3, r"^rule must be KEEP_EDGE, TOUCHES or HOLDS_CENTRE, got 3$"),
    ],
)
def test_bad_orders_and_rules_are_refused(orders: list[int], rule: int, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        footprint_cells(records_of(AWKWARD_PLATES[:2]), np.array(orders), rule)


def test_progress_may_be_any_callable() -> None:
    class Count:
        total = 0

        def add(self, done: int) -> None:
            self.total += done

    count = Count()
    add: Callable[[int], None] = count.add
    cut(AWKWARD_PLATES, 4, TOUCHES, progress=add)
    assert count.total == len(AWKWARD_PLATES)
