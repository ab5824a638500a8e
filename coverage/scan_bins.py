"""Bins of sky, time and depth, and which of them each plate fills.

A bin is a cell of sky, a span of time and a depth class. Bins are numbered class after class, in
a class span after span, in a span by cell: NESTED, ICRS. A plate fills the bins of all its
exposures, each once; an exposure those cells whose centre is inside its footprint, as maps count.
Of an order coarser than the edition keeps, a plate fills the cells at least half of whose finer
centres it holds. A plate too small to hold any centre fills the cell about its first exposure's
centre. A plate's bins are kept as runs, some hundred bytes for a wide field.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.compiled import compiled
from platecover.coverage.edition import Edition
from platecover.coverage.errors import QueryError
from platecover.coverage.healpix_cells import BASE_CELLS, cells_of_directions
from platecover.coverage.map_cells import KEPT_ORDER, MapCells, map_cells
from platecover.coverage.scan_wishes import Wishes
from platecover.coverage.timeline import UNDATED

MOST_BINS = 160_000_000  # our limit: six bytes each
_CHUNK = 20_000  # exposures whose cells are cut anew at once
NOWHERE = -1  # layer of an exposure that fills no bin


@dataclass(frozen=True)
class Spans:
    """Spans of time in calendar years, and one more for what is undated.

    Attributes
    ----------
    limits : int64, shape (n + 1,)
        Span i is the years limits[i] to limits[i + 1], the last excluded.
    """

    limits: NDArray[np.int64]

    @property
    def undated(self) -> int:
        """Number of the span of undated exposures, the last one."""
        return len(self.limits) - 1

    @cached_property
    def labels(self) -> list[str]:
        """Each span in words."""
        pairs = zip(self.limits[:-1].tolist(), (self.limits[1:] - 1).tolist(), strict=True)
        return [f"{a}-{b}" if a < b else str(a) for a, b in pairs] + ["undated"]

    def of_years(self, year: NDArray[np.int16]) -> NDArray[np.int64]:
        """Span of each year (`timeline.UNDATED` has its own), -1 outside all of them."""
        span = np.searchsorted(self.limits, year, side="right") - 1
        span[(span == self.undated) & (year != UNDATED)] = NOWHERE
        span[year == UNDATED] = self.undated
        return span


def spans_of(edition: Edition, wishes: Wishes) -> Spans:
    """The spans that wishes name, or those of their length that the archive reaches."""
    if isinstance(wishes.spans, tuple):
        return Spans(np.array(wishes.spans, dtype=np.int64))
    years = edition.timeline.years.astype(np.int64)
    if not len(years):
        return Spans(np.zeros(1, dtype=np.int64))
    first = years[0] // wishes.spans
    return Spans(np.arange(first, years[-1] // wishes.spans + 2) * wishes.spans)


def depth_classes(
    wishes: Wishes, limiting_mag: NDArray[np.float64], scale_arcsec_per_mm: NDArray[np.float64]
) -> NDArray[np.int64]:
    """Depth class of exposures, 0 the shallowest: by magnitude where it is stated, else by scale.

    All are of class 0 where wishes have no classes.
    """
    if not wishes.depth_classes:
        return np.zeros(len(limiting_mag), dtype=np.int64)
    by_magnitude = np.searchsorted(wishes.magnitude_limits, limiting_mag, side="right")
    from_fine = np.array(wishes.scale_limits_arcsec_per_mm[::-1])
    by_scale = len(from_fine) - np.searchsorted(from_fine, scale_arcsec_per_mm, side="left")
    return np.where(np.isnan(limiting_mag), by_scale, by_magnitude)


@dataclass(frozen=True)
class PlateBins:
    """Bins of plates, as half-open runs.

    Attributes
    ----------
    offsets : int64, shape (n_plates + 1,)
        Runs of plate i are at offsets[i] to offsets[i + 1].
    firsts, ends : uint32, shape (m,)
        Ascending within a plate, without overlap; a run stays within a span and a class.
    in_class : int
        Bins of one depth class: cells times spans.
    count : int
        All bins.
    """

    offsets: NDArray[np.int64]
    firsts: NDArray[np.uint32]
    ends: NDArray[np.uint32]
    in_class: int
    count: int


def plate_bins(
    edition: Edition,
    wishes: Wishes,
    spans: Spans,
    plate_of: NDArray[np.int32],
    wanted: NDArray[np.bool_],
) -> PlateBins:
    """Bins of plates.

    Parameters
    ----------
    edition : Edition
    wishes : Wishes
    spans : Spans
    plate_of : int32, shape (n_exposures,)
        Row of each exposure's plate.
    wanted : bool, shape (n_plates,)
        Plates that matter; the others get no bins.

    Raises
    ------
    QueryError
        If there would be too many bins.
    """
    n_cells = BASE_CELLS << (2 * wishes.order)
    n_spans = len(spans.labels)
    n_classes = len(wishes.factors_of_classes)
    count = n_cells * n_spans * n_classes
    if count > MOST_BINS:
        raise QueryError(
            "wishes",
            wishes.order,
            f"{n_spans} spans of time at order {wishes.order} make {count} bins, more than"
            f" {MOST_BINS}: take longer spans or a lower order",
        )
    layer = layers(edition, wishes, spans)
    numbers = np.flatnonzero((layer != NOWHERE) & wanted[plate_of])
    key = plate_of[numbers].astype(np.int64) * (n_spans * n_classes) + layer[numbers]
    by_group = np.argsort(key, kind="stable")
    key, numbers = key[by_group], numbers[by_group]
    limits = np.append(np.flatnonzero(np.diff(key, prepend=-1)), len(key))
    group_layer = key[limits[:-1]] % (n_spans * n_classes)
    counts = np.zeros(len(group_layer), dtype=np.int64)
    parts = []
    for cells, members, groups in _parts(edition, wishes.order, numbers, limits):
        own = limits[groups.start : groups.stop + 1]
        lone = _centre_cells(edition, wishes.order, numbers[own[:-1]])
        firsts, ends = np.empty((2, _most_runs(cells, members, len(own) - 1)), dtype=np.uint32)
        used = _fill_runs(
            cells.offsets, cells.ranges, cells.length_bits, members, own - own[0],
            group_layer[groups] * n_cells, lone, 2 * max(cells.order - wishes.order, 0),
            counts[groups], firsts, ends,
        )  # fmt: skip
        parts.append((firsts[:used], ends[:used]))
    plate = key[limits[:-1]] // (n_spans * n_classes)
    of_plate = np.bincount(plate, counts, len(wanted)).astype(np.int64)
    firsts, ends = (
        (parts[0][at] if len(parts) == 1 else np.concatenate([part[at] for part in parts]))
        if parts
        else np.zeros(0, np.uint32)
        for at in (0, 1)
    )
    offsets = np.concatenate([np.zeros(1, np.int64), np.cumsum(of_plate)])
    return PlateBins(offsets, firsts, ends, n_cells * n_spans, count)


def layers(edition: Edition, wishes: Wishes, spans: Spans) -> NDArray[np.int64]:
    """Class and span of each exposure as one number, NOWHERE for those that fill no bin."""
    span = spans.of_years(edition.timeline.year)
    shown = np.isin(edition.words("technique"), wishes.techniques)[edition.codes("technique")]
    magnitude, scale = edition.floats("limiting_mag"), edition.floats("scale_arcsec_per_mm")
    layer = depth_classes(wishes, magnitude, scale) * len(spans.labels) + span
    return np.where(shown & (span != NOWHERE), layer, NOWHERE)


def _centre_cells(edition: Edition, order: int, numbers: NDArray[np.int64]) -> NDArray[np.int64]:
    return cells_of_directions(order, edition.geometry["centre"][numbers])


def _most_runs(cells: MapCells, members: NDArray[np.int64], groups: int) -> int:
    """Bound of the runs of groups: no more than their ranges, and one where they hold none."""
    return int((cells.offsets[members + 1] - cells.offsets[members]).sum()) + groups


def _parts(
    edition: Edition, order: int, numbers: NDArray[np.int64], limits: NDArray[np.int64]
) -> Iterator[tuple[MapCells, NDArray[np.int64], slice]]:
    """Cells, places of exposures among them and groups that these are: all at once if kept."""
    if order <= KEPT_ORDER:
        if len(numbers):
            yield edition.map_cells, numbers, slice(0, len(limits) - 1)
        return
    group = 0
    while group < len(limits) - 1:
        end = int(np.searchsorted(limits, limits[group] + _CHUNK, side="right")) - 1
        end = max(end, group + 1)
        some = numbers[limits[group] : limits[end]]
        yield map_cells(edition.geometry[some], order), np.arange(len(some)), slice(group, end)
        group = end


@compiled
def _fill_runs(
    offsets: NDArray[np.int64],
    ranges: NDArray[np.uint32],
    length_bits: int,
    members: NDArray[np.int64],
    limits: NDArray[np.int64],
    layer_first: NDArray[np.int64],
    lone_cell: NDArray[np.int64],
    shift: int,
    counts: NDArray[np.int64],
    firsts: NDArray[np.uint32],
    ends: NDArray[np.uint32],
) -> int:
    """Write the runs of each group and how many they are; returns how many were written.

    Cells are `shift` bits finer than those of the bins.
    """
    longest = (1 << length_bits) - 1
    half = max((1 << shift) >> 1, 1)
    used = 0
    for group in range(len(limits) - 1):
        start, base = used, layer_first[group]
        together = _ranges_of(offsets, ranges, members[limits[group] : limits[group + 1]])
        held_cell, held = np.int64(-1), np.int64(0)  # a coarse cell and its fine cells so far
        reached = np.int64(0)
        for each in together:
            first = np.int64(each) >> length_bits
            end = first + (np.int64(each) & longest) + 1
            first = max(first, reached)
            reached = max(reached, end)
            while first < end:  # coarse cell by coarse cell at the ends, all at once between
                cell = first >> shift
                if cell != held_cell:
                    held_cell, held = cell, np.int64(0)
                stop = min(end, (cell + 1) << shift)
                before = held
                held += stop - first
                if before < half <= held:
                    used = _append(firsts, ends, start, used, base + cell, base + cell + 1)
                whole = end >> shift
                if whole > cell + 1:
                    used = _append(firsts, ends, start, used, base + cell + 1, base + whole)
                    held_cell, held = whole - 1, np.int64(1) << shift
                    stop = whole << shift
                first = stop
        if used == start:
            cell = base + lone_cell[group]
            used = _append(firsts, ends, start, used, cell, cell + 1)
        counts[group] = used - start
    return used


@compiled
def _append(
    firsts: NDArray[np.uint32],
    ends: NDArray[np.uint32],
    start: int,
    used: int,
    first: int,
    end: int,
) -> int:
    """Write a run, or join it to the last one of its group; returns how many are written."""
    if used > start and ends[used - 1] == first:
        ends[used - 1] = end
        return used
    firsts[used], ends[used] = first, end
    return used + 1


@compiled
def _ranges_of(
    offsets: NDArray[np.int64], ranges: NDArray[np.uint32], members: NDArray[np.int64]
) -> NDArray[np.uint32]:
    """Ranges of some exposures, ascending."""
    if len(members) == 1:
        return ranges[offsets[members[0]] : offsets[members[0] + 1]]
    total = 0
    for member in members:
        total += offsets[member + 1] - offsets[member]
    together = np.empty(total, np.uint32)
    used = 0
    for member in members:
        count = offsets[member + 1] - offsets[member]
        together[used : used + count] = ranges[offsets[member] : offsets[member + 1]]
        used += count
    return np.sort(together)
