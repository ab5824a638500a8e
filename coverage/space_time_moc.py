"""The space-time coverage of a selection: which cells of the sky were exposed in which of time.

An exposure covers its footprint, without margin, for all the time in which it may have been
made. Between two moments at which any exposure begins or ends the coverage is the union of those
that last; stretches of time that follow each other with equal coverage are one entry (IVOA MOC
2.0, section 5.2).
"""

import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from mocpy import STMOC
from numpy.typing import NDArray

from platecover.coverage.compiled import compiled
from platecover.coverage.edition import Edition
from platecover.coverage.errors import QueryError
from platecover.coverage.footprint import TOUCHES, footprint_cells
from platecover.coverage.footprint_union import boundary_cells_bound
from platecover.coverage.plate_geometry import Records
from platecover.coverage.time_moc import HIGHEST_TIME_ORDER, coarser, timed_exposures
from platecover.coverage.value_checks import HIGHEST_ORDER, integer_between

USUAL_ORDER = 9  # of MOCs, where nothing else is asked and it is not too much
MOST_CELLS = 2e7  # ours: boundary cells of all footprints; some seconds of work
_MOST_CELLS_UNASKED = 6e6  # the same where no order was asked for
MOST_RANGES = 5e6  # ours: ranges of cells over all stretches of time; a file of 80 MB
_TIME_FLAG = np.uint64(1) << np.uint64(63)  # of the rows that hold times (MOC 2.0, 5.2)

Ints = NDArray[np.int64]


def space_time_moc(
    edition: Edition, order: object, time_order: object, filters: Mapping[str, Any]
) -> STMOC:
    """Space-time MOC of the footprints of a selection.

    Parameters
    ----------
    edition : Edition
    order : int or None
        Finest HEALPix order, 0 to 29; None for the finest up to 9 that keeps the work small.
    time_order : int or None
        As for `time_moc.timed_exposures`; but None takes a coarser one where the MOC would be
        too large.
    filters : mapping
        As for `union_moc.union_moc`; undated exposures are left out.

    Returns
    -------
    mocpy.STMOC

    Raises
    ------
    QueryError
        If an order is impossible, a filter is at fault, or the work would be too much; the text
        says what to narrow.
    """
    asked = None if order is None else integer_between("order", order, 0, HIGHEST_ORDER)
    timed = timed_exposures(edition, time_order, filters)
    records = edition.geometry[timed.numbers]
    found = _unasked_order(records) if asked is None else asked
    if not len(records):
        return STMOC.new_empty(timed.order, found)
    if boundary_cells_bound(records, found) > MOST_CELLS:
        raise _too_much("order", found, len(records))
    offsets, ranges = footprint_ranges(records, found)
    while True:
        moments, place = np.unique(timed.cells, return_inverse=True)
        place = place.reshape(timed.cells.shape)
        lasting = (place[:, 1] - place[:, 0]).astype(np.float64)
        if np.sum(np.diff(offsets) * lasting) <= MOST_RANGES:
            break
        if time_order is not None or timed.order == 0:
            raise _too_much("time_order", timed.order, len(records))
        timed = coarser(timed)
    by_start = np.argsort(place[:, 0], kind="stable")
    entries = _entries(moments, place[by_start], by_start, offsets, ranges)
    return _stmoc(_rows(*entries, timed.order, found), timed.order, found)


def _unasked_order(records: Records) -> int:
    """The finest order up to the usual one at which the footprints are few cells."""
    order = USUAL_ORDER
    while order > 0 and boundary_cells_bound(records, order) > _MOST_CELLS_UNASKED:
        order -= 1
    return order


def footprint_ranges(records: Records, order: int) -> tuple[Ints, Ints]:
    """Cells that each footprint touches, as ranges.

    Parameters
    ----------
    records : dtype GEOMETRY, shape (n,)
    order : int

    Returns
    -------
    offsets : int64, shape (n + 1,)
        Ranges of footprint i are at offsets[i] to offsets[i + 1].
    ranges : int64, shape (m, 2)
        Half-open ranges of cells of `order`; of a footprint ascending and apart.
    """
    found = footprint_cells(records, np.full(len(records), order), TOUCHES)
    if not len(found.cells):
        return np.zeros(len(records) + 1, np.int64), np.empty((0, 2), np.int64)
    shift = 2 * (order - found.orders.astype(np.int64))
    low, high = found.cells << shift, (found.cells + 1) << shift
    opens = np.ones(len(low), dtype=np.bool_)
    opens[1:] = low[1:] != high[:-1]  # ascending within a footprint
    opens[found.offsets[:-1][np.diff(found.offsets) > 0]] = True
    starts = np.flatnonzero(opens)
    ends = np.append(starts[1:], len(low)) - 1
    offsets = np.searchsorted(starts, found.offsets)
    return offsets, np.stack([low[starts], high[ends]], axis=1)


@compiled
def _entries(
    moments: Ints, lasting: Ints, exposures: Ints, offsets: Ints, ranges: Ints
) -> tuple[Ints, Ints, Ints, Ints]:
    """Coverage from moment to moment, equal neighbours joined.

    Parameters
    ----------
    moments : int64, shape (k,)
        Cells of time at which any exposure begins or ends, ascending.
    lasting : int64, shape (n, 2)
        Of each exposure, in the order of beginning: which of the moments it begins and ends at.
    exposures : int64, shape (n,)
        Which they are in `offsets`.
    offsets, ranges : int64 arrays
        As `footprint_ranges` gives them.

    Returns
    -------
    times, spaces : int64, shape (t, 2) and (s, 2)
        Ranges of cells of time and of the sky, entry by entry.
    time_ends, space_ends : int64, shape (e,)
        Where the ranges of each entry end in these.
    """
    last = len(moments) - 1
    times, spaces = np.empty((last, 2), np.int64), np.empty((1024, 2), np.int64)
    time_ends, space_ends = np.empty(last, np.int64), np.empty(last, np.int64)
    active = np.empty(len(lasting), np.int64)
    low, high = np.empty(1024, np.int64), np.empty(1024, np.int64)
    n_active = n_entries = n_times = n_spaces = begun = 0
    for moment in range(last):
        kept = 0
        for i in range(n_active):
            if lasting[active[i], 1] > moment:
                active[kept] = active[i]
                kept += 1
        n_active = kept
        while begun < len(lasting) and lasting[begun, 0] == moment:
            active[n_active] = begun
            n_active, begun = n_active + 1, begun + 1
        if n_active == 0:
            continue

        wanted = 0
        for i in range(n_active):
            exposure = exposures[active[i]]
            wanted += offsets[exposure + 1] - offsets[exposure]
        if wanted > len(low):
            low, high = np.empty(2 * wanted, np.int64), np.empty(2 * wanted, np.int64)
        used = 0
        for i in range(n_active):
            exposure = exposures[active[i]]
            for at in range(offsets[exposure], offsets[exposure + 1]):
                low[used], high[used] = ranges[at, 0], ranges[at, 1]
                used += 1
        if n_active > 1:  # beginnings and ends by themselves tell where nothing is open
            low[:used].sort()
            high[:used].sort()
        if n_spaces + used > len(spaces):
            longer = np.empty((2 * (n_spaces + used), 2), np.int64)
            longer[:n_spaces] = spaces[:n_spaces]
            spaces = longer
        before, first = n_spaces, 0
        for at in range(used):
            if at + 1 == used or low[at + 1] > high[at]:
                spaces[n_spaces, 0], spaces[n_spaces, 1] = low[first], high[at]
                n_spaces, first = n_spaces + 1, at + 1

        if n_entries > 0 and _is_repeated(spaces, space_ends, n_entries, n_spaces):
            n_spaces = before
            if times[n_times - 1, 1] == moments[moment]:
                times[n_times - 1, 1] = moments[moment + 1]
                continue
            n_entries -= 1
        times[n_times, 0], times[n_times, 1] = moments[moment], moments[moment + 1]
        n_times += 1
        time_ends[n_entries], space_ends[n_entries] = n_times, n_spaces
        n_entries += 1
    return times[:n_times], spaces[:n_spaces], time_ends[:n_entries], space_ends[:n_entries]


@compiled
def _is_repeated(spaces: Ints, space_ends: Ints, n_entries: int, n_spaces: int) -> bool:
    """Whether the ranges after the last entry are those of that entry once more."""
    begin = space_ends[n_entries - 2] if n_entries > 1 else 0
    end = space_ends[n_entries - 1]
    if n_spaces - end != end - begin:
        return False
    for at in range(end - begin):
        if (
            spaces[begin + at, 0] != spaces[end + at, 0]
            or spaces[begin + at, 1] != spaces[end + at, 1]
        ):
            return False
    return True


def _rows(
    times: Ints, spaces: Ints, time_ends: Ints, space_ends: Ints, time_order: int, order: int
) -> NDArray[np.uint64]:
    """Rows of the standard's packing: of each entry its times, flagged, then its cells."""
    shift = np.uint64(HIGHEST_TIME_ORDER - time_order)
    time_rows = (times.astype(np.uint64) << shift | _TIME_FLAG).ravel()
    space_rows = (spaces.astype(np.uint64) << np.uint64(2 * (HIGHEST_ORDER - order))).ravel()
    entry_of_time = np.repeat(np.arange(len(time_ends)), np.diff(2 * time_ends, prepend=0))
    entry_of_space = np.repeat(np.arange(len(space_ends)), np.diff(2 * space_ends, prepend=0))
    of_entry = np.concatenate([2 * entry_of_time, 2 * entry_of_space + 1])
    return np.concatenate([time_rows, space_rows])[np.argsort(of_entry, kind="stable")]


def _stmoc(rows: NDArray[np.uint64], time_order: int, order: int) -> STMOC:
    """The MOC of rows of the standard's packing; a file is the one way into the library."""
    column = fits.Column("RANGE", "1K", array=rows.view(np.int64))
    table = fits.BinTableHDU.from_columns([column])
    table.header.update(
        MOCVERS="2.0", MOCDIM="TIME.SPACE", ORDERING="RANGE", COORDSYS="C", TIMESYS="TCB",
        MOCORD_T=time_order, MOCORD_S=order,
    )  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "moc.fits"
        fits.HDUList([fits.PrimaryHDU(), table]).writeto(path)
        return STMOC.load(path)


def _too_much(parameter: str, value: int, exposures: int) -> QueryError:
    return QueryError(
        parameter,
        value,
        f"a space-time MOC of {exposures} exposures at {parameter} {value} would be too large;"
        " narrow the selection (series, from, to, ...) or take a lower order or time_order",
    )
