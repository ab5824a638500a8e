"""Cells for maps against cells decided one by one with astropy's projection."""

from pathlib import Path

import healpy
import numpy as np
import pytest
from tests.awkward_sky import AWKWARD_PLATES, Plate, in_footprint, mixed_plates, records_of

from platecover.coverage import map_cells as module
from platecover.coverage.map_cells import MapCells, map_cells, open_map_cells, save_map_cells

ORDER = 5
PLATES = [*AWKWARD_PLATES, *mixed_plates(10, seed=5)]


def cells_of(cells: MapCells, number: int) -> set[int]:
    """All cells of one exposure."""
    places = range(cells.offsets[number], cells.offsets[number + 1])
    return {cell for at in places for cell in range(cells.first[at], cells.end[at])}


@pytest.fixture(scope="module")
def cut() -> MapCells:
    return map_cells(records_of(PLATES), ORDER)


@pytest.mark.parametrize("number", range(len(PLATES)), ids=lambda n: PLATES[n].name)
def test_cells_are_those_whose_centre_astropy_puts_on_the_plate(cut: MapCells, number: int) -> None:
    plate: Plate = PLATES[number]
    ra, dec = healpy.pix2ang(1 << ORDER, np.arange(12 << (2 * ORDER)), nest=True, lonlat=True)
    assert cells_of(cut, number) == set(np.flatnonzero(in_footprint(plate, ra, dec)).tolist())


def test_ranges_ascend_and_stay_apart(cut: MapCells) -> None:
    for number in range(len(PLATES)):
        part = slice(cut.offsets[number], cut.offsets[number + 1])
        assert (cut.first[part] < cut.end[part]).all()
        assert (cut.first[part][1:] > cut.end[part][:-1]).all()


def test_chunks_make_no_difference(cut: MapCells, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "_CHUNK", 3)
    again = map_cells(records_of(PLATES), ORDER)
    for name in ("offsets", "first", "end"):
        np.testing.assert_array_equal(getattr(again, name), getattr(cut, name))


def test_no_exposures_and_none_with_cells() -> None:
    assert map_cells(records_of([]), ORDER).offsets.tolist() == [0]
    tiny = Plate("tiny", 10.0, 10.0, 0.01, 0.01, 1.0)  # far smaller than a cell of order 0
    assert map_cells(records_of([tiny, tiny]), 0).offsets.tolist() == [0, 0, 0]


def test_written_and_mapped_back(cut: MapCells, tmp_path: Path) -> None:
    save_map_cells(cut, tmp_path)
    opened = open_map_cells(tmp_path, len(PLATES))
    for name in ("offsets", "first", "end"):
        np.testing.assert_array_equal(getattr(opened, name), getattr(cut, name))
    with pytest.raises(ValueError, match=r"^map_offsets.npy: "):
        open_map_cells(tmp_path, len(PLATES) + 1)
    np.save(tmp_path / "map_end.npy", cut.end[:-1])
    with pytest.raises(ValueError, match=r"^map_end.npy: "):
        open_map_cells(tmp_path, len(PLATES))
