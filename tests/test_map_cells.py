"""Cells for maps against cells decided one by one with astropy's projection."""

from collections.abc import Callable
from pathlib import Path

import healpy
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.awkward_sky import AWKWARD_PLATES, Plate, in_footprint, mixed_plates, records_of

from platecover.coverage import map_cells as module
from platecover.coverage.kept_exposures import Kept
from platecover.coverage.map_cells import (
    KEPT_ORDER,
    MapCells,
    map_cells,
    open_map_cells,
    write_map_cells,
)
from platecover.coverage.plate_geometry import Records

ORDER = 5
PLATES = [*AWKWARD_PLATES, *mixed_plates(10, seed=5)]
RECORDS = records_of(PLATES)
OTHERS = records_of(mixed_plates(12, seed=6))
FILES = ["map_offsets.npy", "map_ranges.npy"]


def ranges_of(cells: MapCells, number: int) -> list[tuple[int, int]]:
    """First cell and first cell beyond of each range of one exposure."""
    packed = cells.ranges[cells.offsets[number] : cells.offsets[number + 1]].tolist()
    unit = 1 << cells.length_bits
    return [(each // unit, each // unit + each % unit + 1) for each in packed]


def cells_of(cells: MapCells, number: int) -> set[int]:
    """All cells of one exposure."""
    return {cell for first, end in ranges_of(cells, number) for cell in range(first, end)}


@pytest.fixture(scope="module")
def cut() -> MapCells:
    return map_cells(RECORDS, ORDER)


@pytest.fixture
def folder(tmp_path_factory: pytest.TempPathFactory) -> Callable[[], Path]:
    """Make another empty folder at each call."""
    return lambda: tmp_path_factory.mktemp("cells")


def written(records: Records, folder: Path, kept: Kept[MapCells] | None = None) -> list[bytes]:
    """Contents of the files of map cells, after seeing that there are no others."""
    write_map_cells(records, folder, kept=kept)
    assert sorted(path.name for path in folder.iterdir()) == FILES
    return [(folder / name).read_bytes() for name in FILES]


@pytest.mark.parametrize("number", range(len(PLATES)), ids=lambda n: PLATES[n].name)
def test_cells_are_those_whose_centre_astropy_puts_on_the_plate(cut: MapCells, number: int) -> None:
    plate: Plate = PLATES[number]
    ra, dec = healpy.pix2ang(1 << ORDER, np.arange(12 << (2 * ORDER)), nest=True, lonlat=True)
    assert cells_of(cut, number) == set(np.flatnonzero(in_footprint(plate, ra, dec)).tolist())


def test_ranges_ascend_and_stay_apart(cut: MapCells) -> None:
    for number in range(len(PLATES)):
        ranges = ranges_of(cut, number)
        assert all(end < first for (_, end), (first, _) in zip(ranges, ranges[1:], strict=False))


@pytest.mark.parametrize("order", [12, 13])
def test_long_ranges_are_cut_into_pieces(order: int) -> None:
    plate = Plate("half a degree", 150.0, 2.0, 30.0, 20.0, 60.0, 20.0)
    cells = map_cells(records_of([plate]), order)
    about = healpy.ang2vec(plate.ra, plate.dec, lonlat=True)
    near = healpy.query_disc(1 << order, about, np.radians(0.5), nest=True)
    ra, dec = healpy.pix2ang(1 << order, near, nest=True, lonlat=True)
    assert cells_of(cells, 0) == set(near[in_footprint(plate, ra, dec)].tolist())
    ranges = ranges_of(cells, 0)
    assert all(end <= first for (_, end), (first, _) in zip(ranges, ranges[1:], strict=False))
    assert max(end - first for first, end in ranges) == 1 << cells.length_bits


def test_no_exposures_and_none_with_cells(tmp_path: Path) -> None:
    assert map_cells(records_of([]), ORDER).offsets.tolist() == [0]
    write_map_cells(records_of([]), tmp_path)
    assert open_map_cells(tmp_path, 0).offsets.tolist() == [0]
    tiny = Plate("tiny", 10.0, 10.0, 0.01, 0.01, 1.0)  # far smaller than a cell of order 0
    assert map_cells(records_of([tiny, tiny]), 0).offsets.tolist() == [0, 0, 0]


def test_written_and_mapped_back(tmp_path: Path) -> None:
    cut, told = map_cells(RECORDS, KEPT_ORDER), []
    write_map_cells(RECORDS, tmp_path, told.append)
    assert sum(told) == len(PLATES)
    opened = open_map_cells(tmp_path, len(PLATES))
    assert opened.order == KEPT_ORDER
    np.testing.assert_array_equal(opened.offsets, cut.offsets)
    np.testing.assert_array_equal(opened.ranges, cut.ranges)
    with pytest.raises(ValueError, match=r"^map_offsets.npy: "):
        open_map_cells(tmp_path, len(PLATES) + 1)
    np.save(tmp_path / "map_ranges.npy", cut.ranges[:-1])
    with pytest.raises(ValueError, match=r"^map_offsets.npy: "):
        open_map_cells(tmp_path, len(PLATES))
    np.save(tmp_path / "map_ranges.npy", cut.ranges.astype(float))
    with pytest.raises(ValueError, match=r"^map_ranges.npy: "):
        open_map_cells(tmp_path, len(PLATES))


@pytest.mark.parametrize("size", [1, 3, 25, 26])
def test_same_bytes_for_any_slice(
    folder: Callable[[], Path], monkeypatch: pytest.MonkeyPatch, size: int
) -> None:
    expected, cut = written(RECORDS, folder()), map_cells(RECORDS, ORDER)
    monkeypatch.setattr(module, "_SLICE", size)
    assert written(RECORDS, folder()) == expected
    again = map_cells(RECORDS, ORDER)
    np.testing.assert_array_equal(again.offsets, cut.offsets)
    np.testing.assert_array_equal(again.ranges, cut.ranges)


def test_records_may_be_memory_mapped(folder: Callable[[], Path], tmp_path: Path) -> None:
    np.save(tmp_path / "geometry.npy", RECORDS)
    mapped = np.load(tmp_path / "geometry.npy", mmap_mode="r")
    assert written(mapped, folder()) == written(RECORDS, folder())


@settings(
    max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    stays=st.lists(st.booleans(), min_size=len(PLATES), max_size=len(PLATES)),
    places=st.lists(st.integers(0, len(PLATES)), max_size=len(OTHERS)),
    size=st.sampled_from([1, 4, 9, 1000]),
)
def test_same_bytes_whatever_was_kept(
    folder: Callable[[], Path], stays: list[bool], places: list[int], size: int
) -> None:
    number_of = np.full(len(PLATES), -1, dtype=np.int32)
    records: list[Records] = []
    new = iter(range(len(OTHERS)))
    for old in range(len(PLATES) + 1):  # the kept ones in order, others put in between
        records += [OTHERS[at : at + 1] for at in (next(new) for _ in range(places.count(old)))]
        if old < len(PLATES) and stays[old]:
            number_of[old] = len(records)
            records.append(RECORDS[old : old + 1])
    together = np.concatenate([RECORDS[:0], *records])
    kept = Kept(map_cells(RECORDS, KEPT_ORDER), number_of)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "_SLICE", size)
        assert written(together, folder(), kept) == written(together, folder())


@pytest.mark.parametrize(
    ("numbers", "message"),
    [
        ([0, 1], r"number_of must have shape \(3,\)"),
        ([0, 2, 1], "-1 or ascending"),
        ([0, 0, 1], "-1 or ascending"),
        ([0, 1, 3], "below the 3 records"),
    ],
)
def test_kept_cells_that_do_not_fit_are_refused(
    tmp_path: Path, numbers: list[int], message: str
) -> None:
    kept = Kept(map_cells(RECORDS[:3], KEPT_ORDER), np.array(numbers, dtype=np.int32))
    with pytest.raises(ValueError, match=message):
        write_map_cells(RECORDS[:3], tmp_path, kept=kept)
    other_order = Kept(map_cells(RECORDS[:2], ORDER), np.array([0, 1], dtype=np.int32))
    with pytest.raises(ValueError, match=f"of order {KEPT_ORDER}, got order {ORDER}"):
        write_map_cells(RECORDS[:3], tmp_path, kept=other_order)
