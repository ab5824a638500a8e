"""Sets of cells as bits against Python's own sets."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from platecover.coverage.cell_bits import (
    bits_of_cells,
    count_bits,
    covered_bits,
    flags_of_bits,
    word_count,
)
from platecover.coverage.map_cells import MapCells

ORDER = 2  # 192 cells, three words
CELLS = 12 << (2 * ORDER)


def packed(exposures: list[set[int]], order: int = ORDER) -> MapCells:
    """Map cells of exposures that cover these cells."""
    bits = 28 - 2 * order
    offsets, ranges = [0], []
    for cells in exposures:
        starts = sorted(cell for cell in cells if cell - 1 not in cells)
        ends = sorted(cell for cell in cells if cell + 1 not in cells)
        ranges += [(first << bits) + last - first for first, last in zip(starts, ends, strict=True)]
        offsets.append(len(ranges))
    return MapCells(order, np.array(offsets), np.array(ranges, dtype=np.uint32))


def cells_in(bits: NDArray[np.uint64], order: int = ORDER) -> set[int]:
    """Cells of a set, read bit by bit."""
    words = bits.tolist()
    return {cell for cell in range(12 << (2 * order)) if words[cell // 64] >> (cell % 64) & 1}


spans = st.tuples(st.integers(0, CELLS - 1), st.integers(1, CELLS)).map(
    lambda span: set(range(span[0], min(span[0] + span[1], CELLS)))
)
exposures = st.lists(st.lists(spans, max_size=4).map(lambda few: set().union(*few)), max_size=8)


@given(st.sets(st.integers(0, CELLS - 1)))
def test_cells_to_bits_and_back(cells: set[int]) -> None:
    bits = bits_of_cells(ORDER, np.array(sorted(cells), dtype=np.int64))
    assert bits.shape == (word_count(ORDER),)
    assert cells_in(bits) == cells
    assert set(np.flatnonzero(flags_of_bits(ORDER, bits)).tolist()) == cells
    assert count_bits(bits) == len(cells)


@settings(deadline=None)
@given(exposures, st.data())
def test_covered_is_what_any_exposure_covers(each: list[set[int]], data: st.DataObject) -> None:
    numbers = data.draw(st.lists(st.integers(0, len(each) - 1))) if each else []
    bits = covered_bits(packed(each), np.array(numbers, dtype=np.int64))
    assert cells_in(bits) == set().union(*(each[number] for number in numbers))


@pytest.mark.parametrize("order", [0, 1, 3])
def test_whole_sky_of_any_order(order: int) -> None:
    sky = set(range(12 << (2 * order)))
    cells = packed([sky, {0}], order)
    whole, one = covered_bits(cells, np.array([0, 1])), covered_bits(cells, np.array([1]))
    assert whole.shape == (max(len(sky) // 64, 1),)
    assert cells_in(whole, order) == sky and cells_in(one, order) == {0}
    assert flags_of_bits(order, whole).sum() == len(sky)
    assert count_bits(np.stack([whole, one])).tolist() == [len(sky), 1]
