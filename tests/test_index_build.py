"""The index as written: the same bytes however the work is cut, and whatever was kept."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.awkward_sky import AWKWARD_PLATES, mixed_plates, records_of

from platecover.coverage import footprint, index_build
from platecover.coverage.cell_index import INDEX_ARRAYS, CellIndex
from platecover.coverage.index_build import build_cell_index, write_cell_index
from platecover.coverage.kept_exposures import Kept
from platecover.coverage.plate_geometry import Records

RECORDS = records_of([*AWKWARD_PLATES, *mixed_plates(200, seed=41)])
FILES = sorted(f"index_{name}.npy" for name in INDEX_ARRAYS)


@pytest.fixture
def folder(tmp_path_factory: pytest.TempPathFactory) -> Callable[[], Path]:
    """Make another empty folder at each call."""
    return lambda: tmp_path_factory.mktemp("index")


def written(records: Records, folder: Path, kept: Kept[CellIndex] | None = None) -> list[bytes]:
    """Contents of the files of an index, after seeing that there are no others."""
    write_cell_index(records, folder, kept=kept)
    assert sorted(path.name for path in folder.iterdir()) == FILES
    return [(folder / name).read_bytes() for name in FILES]


@pytest.mark.parametrize(
    ("slice_exposures", "part_entries", "part_cells", "threads"),
    [
        (1, 1 << 23, 1 << 22, 2),
        (7, 50, 1 << 22, 1),
        (1000, 1, 1 << 22, 2),
        (90, 1 << 23, 1 << 14, 3),
        (220, 1000, 1 << 18, 1),
    ],
)
def test_same_bytes_for_any_slice_part_and_threads(
    folder: Callable[[], Path],
    monkeypatch: pytest.MonkeyPatch,
    slice_exposures: int,
    part_entries: int,
    part_cells: int,
    threads: int,
) -> None:
    expected = written(RECORDS, folder())
    monkeypatch.setattr(index_build, "_SLICE", slice_exposures)
    monkeypatch.setattr(index_build, "_PART_ENTRIES", part_entries)
    monkeypatch.setattr(index_build, "_PART_CELLS", part_cells)
    monkeypatch.setattr(footprint, "THREADS", threads)
    assert written(RECORDS, folder()) == expected


def test_files_are_those_that_numpy_would_write(folder: Callable[[], Path]) -> None:
    place = folder()
    write_cell_index(RECORDS, place)
    for name, dtype in INDEX_ARRAYS.items():
        path = place / f"index_{name}.npy"
        array = np.load(path)
        assert array.dtype == dtype and array.ndim == 1
        np.save(place / "again.npy", array)
        assert (place / "again.npy").read_bytes() == path.read_bytes()


def test_records_may_be_mapped_from_a_file(folder: Callable[[], Path]) -> None:
    place = folder()
    np.save(place / "geometry.npy", RECORDS)
    mapped = np.load(place / "geometry.npy", mmap_mode="r")
    assert written(mapped, folder()) == written(RECORDS, folder())


# Entries kept from the last edition


@settings(max_examples=40, deadline=None)
@given(data=st.data())
def test_same_bytes_whatever_was_kept(tmp_path_factory: pytest.TempPathFactory, data: Any) -> None:
    """Some of the last edition gone, some changed, some new between, before and after."""
    numbers = st.integers(0, len(RECORDS) - 1)
    old = data.draw(st.lists(numbers, max_size=60, unique=True), "old")
    index = build_cell_index(RECORDS[old])
    stays = data.draw(st.lists(st.booleans(), min_size=len(old), max_size=len(old)), "stays")
    new: list[int] = []
    number_of = np.full(len(old), -1, dtype=np.int32)
    for at, (number, kept) in enumerate(zip(old, stays, strict=True)):
        new += data.draw(st.lists(numbers, max_size=2), "new before")
        if kept:
            number_of[at] = len(new)
            new.append(number)
    new += data.draw(st.lists(numbers, max_size=3), "new at the end")
    records = RECORDS[new]
    kept_cells = Kept(index, number_of)
    fresh, again = tmp_path_factory.mktemp("fresh"), tmp_path_factory.mktemp("again")
    assert written(records, again, kept_cells) == written(records, fresh)


@pytest.mark.parametrize("part_entries", [1, 300])
def test_kept_entries_are_merged_part_by_part(
    folder: Callable[[], Path], monkeypatch: pytest.MonkeyPatch, part_entries: int
) -> None:
    expected = written(RECORDS, folder())
    number_of = np.arange(len(RECORDS), dtype=np.int32)
    number_of[::3] = -1
    kept = Kept(build_cell_index(RECORDS), number_of)
    monkeypatch.setattr(index_build, "_PART_ENTRIES", part_entries)
    assert written(RECORDS, folder(), kept) == expected


def test_what_is_kept_is_not_refined(
    folder: Callable[[], Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    index = build_cell_index(RECORDS)
    expected = written(RECORDS, folder())
    monkeypatch.delattr(index_build, "sorted_entries")
    every = np.arange(len(RECORDS), dtype=np.int32)
    assert written(RECORDS, folder(), Kept(index, every)) == expected


@pytest.mark.parametrize(
    ("number_of", "message"),
    [
        ([0, 1], r"must have shape \(3,\), got \(2,\)"),
        ([0, 2, 1], "must be -1 or ascending without repeats"),
        ([0, 0, 1], "must be -1 or ascending without repeats"),
        ([0, -2, 1], "must be -1 or ascending without repeats"),
        ([0, 1, 3], "must be below the 3 records, got 3"),
    ],
)
def test_kept_numbers_that_cannot_be_are_refused(
    tmp_path: Path, number_of: list[int], message: str
) -> None:
    kept = Kept(build_cell_index(RECORDS[:3]), np.array(number_of, dtype=np.int32))
    with pytest.raises(ValueError, match=f"number_of {message}"):
        write_cell_index(RECORDS[:3], tmp_path, kept=kept)


# Progress and errors


@pytest.mark.parametrize("kept_count", [0, 100, len(RECORDS)])
def test_progress_counts_every_exposure(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kept_count: int
) -> None:
    monkeypatch.setattr(index_build, "_SLICE", 50)
    number_of = np.full(len(RECORDS), -1, dtype=np.int32)
    number_of[:kept_count] = np.arange(kept_count)
    done: list[int] = []
    write_cell_index(
        RECORDS, tmp_path, done.append, kept=Kept(build_cell_index(RECORDS), number_of)
    )
    assert sum(done) == len(RECORDS) and min(done) > 0


@pytest.mark.parametrize("fault", [KeyboardInterrupt, ValueError])
def test_an_error_leaves_no_temporary_files(tmp_path: Path, fault: type[BaseException]) -> None:
    def stop(done: int) -> None:
        raise fault

    with pytest.raises(fault):
        write_cell_index(RECORDS, tmp_path, stop)
    assert not list(tmp_path.iterdir())
