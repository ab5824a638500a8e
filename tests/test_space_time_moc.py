"""Space-time MOCs against the standard's example, and against unions that mocpy makes.

What a space-time MOC holds at a moment is told by mocpy: the fold of the MOC along that moment.
"""

import io
import itertools
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy import units as u
from astropy.io import fits
from astropy.time import Time
from hypothesis import given, settings
from hypothesis import strategies as st
from mocpy import MOC, STMOC, TimeMOC
from numpy.testing import assert_array_equal
from numpy.typing import NDArray
from tests.archives import build_archive, build_plates
from tests.awkward_sky import AWKWARD_PLATES, records_of

from platecover.coverage import space_time_moc as module
from platecover.coverage.archive import Archive
from platecover.coverage.errors import QueryError
from platecover.coverage.footprint_union import union_ranges
from platecover.coverage.moc_files import MOC_FORMATS, moc_bytes, moc_of_ranges, write_moc
from platecover.coverage.regions import Region
from platecover.coverage.space_time_moc import footprint_ranges

# IVOA MOC 2.0, section 5: the example of a space-time MOC, and its rows in FITS by hand: times
# (bit 63 set) then cells, each from and to, at orders 61 and 29.
EXAMPLE = "t61/1 s29/0-2 t61/3 s28/0 t60/2 61/6 s29/2 5"
T = 1 << 63
EXAMPLE_ROWS = [T + 1, T + 2, 0, 3, T + 3, T + 4, 0, 4, T + 4, T + 7, 2, 3, 5, 6]
ORDER, TIME_ORDER = 6, 31


def rows_of(content: bytes) -> list[int]:
    """Rows of a FITS MOC, as numbers without sign."""
    with fits.open(io.BytesIO(content)) as parts:
        return [int(value) for value in parts[1].data.field(0).astype(np.int64).view(np.uint64)]


def entries_of(moc: STMOC) -> list[tuple[list[list[int]], list[list[int]]]]:
    """Ranges of times and of cells of each entry, from the rows of its FITS form."""
    entries: list[tuple[list[list[int]], list[list[int]]]] = []
    rows = rows_of(moc_bytes(moc, ".fits"))
    in_space = True
    for low, high in zip(rows[::2], rows[1::2], strict=True):
        if low >= T:
            if in_space:
                entries.append(([], []))
            entries[-1][0].append([low - T, high - T])
        else:
            entries[-1][1].append([low, high])
        in_space = low < T
    return entries


@pytest.mark.parametrize("suffix", MOC_FORMATS)
def test_standards_example_both_ways(suffix: str, tmp_path: Path) -> None:
    example = STMOC.from_string(EXAMPLE)
    path = tmp_path / f"example{suffix}"
    write_moc(example, path)
    again = STMOC.load(path, MOC_FORMATS[suffix])
    assert entries_of(again) == entries_of(example) and again.max_order == (61, 29)


def test_standards_example_as_fits_and_as_text() -> None:
    example = STMOC.from_string(EXAMPLE)
    content = moc_bytes(example, ".fits")
    assert rows_of(content) == EXAMPLE_ROWS
    with fits.open(io.BytesIO(content)) as parts:
        header = parts[1].header
    for key, value in {
        "MOCVERS": "2.0", "MOCDIM": "TIME.SPACE", "ORDERING": "RANGE", "COORDSYS": "C",
        "TIMESYS": "TCB", "MOCORD_S": 29, "MOCORD_T": 61, "MOCTYPE": "IMAGE",
    }.items():  # fmt: skip
        assert header[key] == value
    assert moc_bytes(example, ".txt").decode() == EXAMPLE
    assert entries_of(STMOC.from_string(moc_bytes(example, ".txt").decode())) == entries_of(example)


def test_our_own_rows_of_the_example() -> None:
    moc = module._stmoc(np.array(EXAMPLE_ROWS, dtype=np.uint64), 61, 29)
    assert entries_of(moc) == entries_of(STMOC.from_string(EXAMPLE))
    assert rows_of(moc_bytes(moc, ".fits")) == EXAMPLE_ROWS


@pytest.mark.parametrize(
    ("text", "written"),
    [
        ("t50/2 61/ s28/0 29/", "t50/2 61/ s28/0 29/"),
        ("t61/1 s29/0 t60/4 s28/0", "t61/1 s29/0 t60/4 61/ s28/0 29/"),
        ("t50/2 s28/0", "t50/2 s28/0"),
        ("t50/2 31 s28/0 3 t51/7 s28/7-9", "t50/2 31 s28/0 3 t51/7 s28/7-9"),
    ],
)
def test_text_tells_its_orders_within_the_grammar(text: str, written: str) -> None:
    # MOC 2.0, sections 4.3.2 and 5.1: a group may end with an order that has no cells.
    moc = STMOC.from_string(text)
    found = moc_bytes(moc, ".txt").decode()
    again = STMOC.from_string(found)
    assert entries_of(again) == entries_of(moc) and again.max_order == moc.max_order
    assert not found.rstrip().endswith("t61/ s29/")
    assert found == written


def plate(name: str, **cells: str) -> dict[str, str]:
    return {"plate": f"HB {name}", "ra": "50.0", "dec": "0.0", **cells}


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    """Two fields, times that meet, overlap, repeat and stand apart; one undated."""
    rows = [
        plate("1", date="1905-03-04", time="20:00", exposure_min="60"),
        plate("2", date="1905-03-04", time="22:00", exposure_min="120"),  # same field, later
        plate("3", date="1905-03-04", time="23:00", exposure_min="120", ra="120.0", dec="45.0"),
        plate("4", date="1906", time="", ra="120.0", dec="45.0"),
        plate("5", date="1906-06-01", time="23:00", exposure_min="60"),
        plate("6", date="", time="", ra="200.0", dec="-80.0"),
    ]
    return build_archive(tmp_path_factory.mktemp("spacetime"), rows)


def union_at(archive: Archive, order: int, time_order: int, cell: int) -> MOC:
    """Union of the footprints that last in a cell of time, one by one by the other module."""
    rows = module.timed_exposures(archive.edition, time_order, {})
    lasting = (rows.cells[:, 0] <= cell) & (cell < rows.cells[:, 1])
    records = archive.edition.geometry[rows.numbers[lasting]]
    return moc_of_ranges(union_ranges(records, order), order)


def assert_right(archive: Archive, order: int, time_order: int) -> STMOC:
    """Every moment has the union of what lasts then; entries ascend and differ from the last."""
    moc = archive.space_time_moc(order, time_order)
    assert moc.max_order == (time_order, order)
    entries = entries_of(moc)
    shift = 61 - time_order
    covered: list[list[int]] = []
    for times, spaces in entries:
        assert spaces == sorted(spaces) and all(a[1] < b[0] for a, b in itertools.pairwise(spaces))
        for low, high in times:
            for cell in {low >> shift, (high >> shift) - 1}:
                held = MOC.from_depth29_ranges(order, np.array(spaces, dtype=np.uint64))
                assert held == union_at(archive, order, time_order, cell), (times, cell)
        covered += times
    for before, after in itertools.pairwise(entries):
        assert before[1] != after[1]
    assert covered == sorted(covered)
    all_times = TimeMOC.from_depth61_ranges(time_order, np.array(covered, dtype=np.uint64))
    assert all_times == archive.time_moc(time_order)
    return moc


@pytest.mark.parametrize("order", [2, ORDER, 8])
@pytest.mark.parametrize("time_order", [0, 10, 16, 25, TIME_ORDER])
def test_every_moment_has_the_union_of_what_lasts(
    archive: Archive, order: int, time_order: int
) -> None:
    assert_right(archive, order, time_order)


def test_hand_made_case(archive: Archive) -> None:
    # 1 and 2 stand apart with the same coverage: one entry with two ranges of time. Then 2 with
    # 3, 3 alone; in 1906 plate 4 alone, with 5, alone: four changes of coverage, by hand.
    entries = entries_of(archive.space_time_moc(ORDER, TIME_ORDER))
    assert [len(times) for times, _ in entries] == [2, 1, 2, 1, 1]
    assert entries[0][1] != entries[2][1] and entries[2][1] == entries[4][1]


def test_folding_gives_the_other_mocs(archive: Archive) -> None:
    moc = archive.space_time_moc(ORDER, TIME_ORDER)
    everywhere = MOC.from_string("0/0-11")
    assert moc.query_by_space(everywhere) == archive.time_moc(TIME_ORDER)
    always = TimeMOC.from_string("0/0-1")
    assert moc.query_by_time(always) == archive.moc(ORDER, undated="no")


def test_awkward_plates(tmp_path: Path) -> None:
    dates = [f"1900-01-{1 + n % 28:02d}" for n in range(len(AWKWARD_PLATES))]
    archive = build_plates(tmp_path, AWKWARD_PLATES, dates)
    assert_right(archive, ORDER, 24)


def test_demo(demo_archive: Archive) -> None:
    moc = demo_archive.space_time_moc(4, 16)
    assert moc.query_by_time(TimeMOC.from_string("0/0-1")) == demo_archive.moc(4, undated="no")
    assert moc.query_by_space(MOC.from_string("0/0-11")) == demo_archive.time_moc(16)
    rows = demo_archive.rows(Region.all(), undated="no", since="1960")
    middle = 0.5 * (rows["t_min"].to_numpy() + rows["t_max"].to_numpy())
    ra, dec = rows["s_ra"].to_numpy() * u.deg, rows["s_dec"].to_numpy() * u.deg
    times = Time(middle, format="mjd", scale="utc")
    assert len(rows) > 10 and moc.contains(times, ra, dec).all()
    assert not moc.contains(times, ra, -dec).all()


def test_footprint_ranges_are_those_of_each_alone() -> None:
    records = records_of(AWKWARD_PLATES)
    offsets, ranges = footprint_ranges(records, 7)
    for at in range(len(records)):
        alone = union_ranges(records[at : at + 1], 7)
        assert_array_equal(ranges[offsets[at] : offsets[at + 1]], alone.astype(np.int64))
    nothing, none = footprint_ranges(records[:0], 7)
    assert nothing.tolist() == [0] and len(none) == 0


def brute(lasting: NDArray[np.int64], spaces: list[list[int]], moment: int) -> set[int]:
    return {
        cell
        for (begin, end), cells in zip(lasting, spaces, strict=True)
        if begin <= moment < end
        for cell in cells
    }


@given(st.data())
@settings(max_examples=150, deadline=None)
def test_entries_of_any_exposures(data: st.DataObject) -> None:
    count = data.draw(st.integers(1, 12))
    first = np.array(data.draw(st.lists(st.integers(0, 9), min_size=count, max_size=count)))
    length = np.array(data.draw(st.lists(st.integers(1, 6), min_size=count, max_size=count)))
    cells = [sorted(data.draw(st.sets(st.integers(0, 8), min_size=1))) for _ in range(count)]
    times = np.stack([first, first + length], axis=1)
    ranges = [[cell, cell + 1] for each in cells for cell in each]
    offsets = np.concatenate([[0], np.cumsum([len(each) for each in cells])])
    moments, place = np.unique(times, return_inverse=True)
    place = place.reshape(times.shape)
    by_start = np.argsort(place[:, 0], kind="stable")
    found = module._entries(
        moments, place[by_start], by_start, offsets, np.array(ranges, dtype=np.int64)
    )
    held: dict[int, set[int]] = {}
    time_at = space_at = 0
    last: list[list[int]] | None = None
    for time_end, space_end in zip(found[2], found[3], strict=True):
        spaces = found[1][space_at:space_end].tolist()
        assert spaces != last and all(a[1] < b[0] for a, b in itertools.pairwise(spaces))
        for low, high in found[0][time_at:time_end]:
            for moment in range(low, high):
                assert moment not in held
                held[moment] = {cell for a, b in spaces for cell in range(a, b)}
        time_at, space_at, last = time_end, space_end, spaces
    for moment in range(16):
        assert held.get(moment, set()) == brute(times, cells, moment)


def test_an_empty_selection_is_an_empty_moc(archive: Archive) -> None:
    for suffix, form in MOC_FORMATS.items():
        moc = archive.space_time_moc(5, 20, undated="only")
        assert moc.is_empty() and moc.max_order == (20, 5)
        if form != "fits":
            text = moc_bytes(moc, suffix).decode()
            assert STMOC.from_string(text, form).max_order == (20, 5)


@pytest.mark.parametrize(("limit", "parameter"), [("MOST_CELLS", "order"),
                                                  ("MOST_RANGES", "time_order")])  # fmt: skip
def test_too_much_work_is_refused(
    archive: Archive, monkeypatch: pytest.MonkeyPatch, limit: str, parameter: str
) -> None:
    monkeypatch.setattr(module, limit, 10)
    with pytest.raises(QueryError, match="narrow the selection") as caught:
        archive.space_time_moc(ORDER, TIME_ORDER)
    assert caught.value.parameter == parameter


def test_orders_that_are_not_asked_for_keep_it_small(
    archive: Archive, demo_archive: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert archive.space_time_moc().max_order == (31, 9)
    always = TimeMOC.from_string("0/0-1")
    for limit in (3e4, 1e5, 1e6):
        monkeypatch.setattr(module, "MOST_RANGES", limit)
        monkeypatch.setattr(module, "_MOST_CELLS_UNASKED", limit)
        moc = demo_archive.space_time_moc()
        time_order, order = moc.max_order
        assert order < 9 and 0 < time_order <= 31
        assert moc.query_by_time(always) == demo_archive.moc(order, undated="no")
        everywhere = MOC.from_string("0/0-11")
        assert moc.query_by_space(everywhere) == demo_archive.time_moc(time_order)
    monkeypatch.setattr(module, "MOST_RANGES", 10)
    with pytest.raises(QueryError, match="at time_order 0 would be too large"):
        demo_archive.space_time_moc()


@pytest.mark.parametrize(("order", "time_order"), [(-1, 3), (30, 3), ("x", 3), (3, 32), (3, -1)])
def test_bad_orders_are_refused(archive: Archive, order: Any, time_order: Any) -> None:
    with pytest.raises(QueryError, match="must be a whole number from 0 to"):
        archive.space_time_moc(order, time_order)
