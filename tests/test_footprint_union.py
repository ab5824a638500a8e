"""Unions of footprints against mocpy's union of the separate ones."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from mocpy import MOC
from numpy.testing import assert_array_equal
from tests.awkward_sky import records_of
from tests.test_footprint import ANY_PLATES, cells_of, cut

from platecover.coverage import footprint_union
from platecover.coverage.footprint import TOUCHES
from platecover.coverage.footprint_union import boundary_cells_bound, union_ranges
from platecover.coverage.healpix_cells import merged_ranges
from platecover.coverage.value_checks import HIGHEST_ORDER


def test_union_is_mocpys_union_of_the_separate_footprints(monkeypatch: pytest.MonkeyPatch) -> None:
    order = 7
    plates = [*ANY_PLATES, ANY_PLATES[0]]  # one twice
    expected = MOC.new_empty(order)
    for plate in plates:
        cells = cells_of(plate, order, TOUCHES)
        one = MOC.from_healpix_cells(cells.astype(np.uint64), np.full(len(cells), order), order)
        expected = expected.union(one)
    shift = np.uint64(2 * (HIGHEST_ORDER - order))
    done: list[int] = []
    # In one piece, in several by one thread and by five, unpainted.
    for threads, chunk, painted_to in ((2, 2_000, 11), (1, 4, 11), (5, 1, 11), (2, 4, 6)):
        monkeypatch.setattr(footprint_union, "THREADS", threads)
        monkeypatch.setattr(footprint_union, "_CHUNK", chunk)
        monkeypatch.setattr(footprint_union, "FINEST_PAINTED_ORDER", painted_to)
        done.clear()
        ranges = union_ranges(records_of(plates), order, done.append)
        assert ranges.dtype == np.uint64
        assert_array_equal(ranges << shift, expected.to_depth29_ranges)
        assert sum(done) == len(plates)


@given(
    st.lists(
        st.tuples(st.integers(0, 60), st.integers(1, 12)).map(lambda pair: (pair[0], sum(pair))),
        max_size=20,
    )
)
def test_merged_ranges_hold_the_same_numbers(pairs: list[tuple[int, int]]) -> None:
    ranges = np.array(pairs, dtype=np.uint64).reshape(-1, 2)
    merged = merged_ranges(ranges)
    assert (merged[1:, 0] > merged[:-1, 1]).all()  # apart: those that meet are joined
    expected = sorted({number for low, high in pairs for number in range(low, high)})
    assert [n for low, high in merged.tolist() for n in range(low, high)] == expected


@pytest.mark.parametrize("order", [5, 7, 9])
def test_boundary_cells_are_fewer_than_their_bound(order: int) -> None:
    for plate in ANY_PLATES:
        found = cut([plate], order, TOUCHES)
        boundary = np.count_nonzero(~found.inside)
        assert boundary <= boundary_cells_bound(records_of([plate]), order), plate.name
