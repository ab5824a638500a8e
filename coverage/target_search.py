"""Search for many places at once: which exposures show each of a list of points and circles.

The answer for each is that of `search` for the circle alone. Cells first, exact geometry after, as
there; but all in one compiled pass, which hands over pairs of target and exposure in blocks, so
that however many there are, memory stays as it is.
"""

import math
from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.cell_index import (
    FINEST_ORDER,
    LISTED_ORDERS,
    WHOLE,
    at_direction,
    pattern_within,
)
from platecover.coverage.compiled import compiled
from platecover.coverage.directions import unit_vectors
from platecover.coverage.edge_decision import NO_MATCH, SURE, decided
from platecover.coverage.edge_distance import edge_distances_rad, in_plate_axes
from platecover.coverage.edition import Edition
from platecover.coverage.filters import Selection
from platecover.coverage.healpix_cells import (
    BOUNDING_RADIUS_RAD,
    STACK,
    centre_in_base,
    push_base_cells,
    push_children,
)

BLOCK_PAIRS = 100_000  # pairs that are held at once, besides those of one more target
_ORDER_0_SIDE_RAD = math.sqrt(4.0 * math.pi / 12)
_FINER_THAN_CIRCLE = 2  # orders by which covering cells are smaller than its radius
_MOST_COVERING = 1024  # cells of that order over a circle: some hundred
_WIDE_RAD = math.radians(80.0)  # circles beyond are asked of every exposure
_ROUNDING = 1e-12  # of cosines: thousands of times what they are off by

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


class Pairs(NamedTuple):
    """Targets with the exposures that show them.

    Attributes
    ----------
    targets : int64, shape (n,)
        Places in the list that was asked for, ascending.
    numbers : int64, shape (n,)
        Exposure numbers, ascending for each target.
    sure : bool, shape (n,)
    centre_distance_deg, edge_distance_deg : float64, shape (n,)
        As of `search.Hits`.
    begin, end : int
        Which of the list this answers, all their pairs together.
    """

    targets: Ints
    numbers: Ints
    sure: Flags
    centre_distance_deg: Floats
    edge_distance_deg: Floats
    begin: int
    end: int

    def first(self, count: int) -> "Pairs":
        """The first of the pairs."""
        return Pairs(
            self.targets[:count],
            self.numbers[:count],
            self.sure[:count],
            self.centre_distance_deg[:count],
            self.edge_distance_deg[:count],
            self.begin,
            self.end,
        )


class TargetSearch:
    """A search for many places, under filters.

    Parameters
    ----------
    edition : Edition
    filters : mapping
        Values by the keywords of `filter_table.FILTERS`.

    Raises
    ------
    QueryError
        If a filter or its value is not known or not possible.
    """

    def __init__(self, edition: Edition, filters: Mapping[str, Any]) -> None:
        self._edition = edition
        self._selection = Selection(edition, filters)
        self._wanted = self._selection.mask(np.arange(len(edition.geometry)))

    def pairs(self, ra_deg: Floats, dec_deg: Floats, radius_deg: Floats) -> Iterator[Pairs]:
        """Pairs of targets and exposures, in blocks.

        Parameters
        ----------
        ra_deg, dec_deg, radius_deg : float64, shape (n,)
            ICRS; all finite and possible, radius 0 for points.

        Yields
        ------
        Pairs
            Of some of the targets, one block after the other; every target is in one.
        """
        vectors = np.ascontiguousarray(unit_vectors(ra_deg, dec_deg))
        radius_rad = np.ascontiguousarray(np.radians(radius_deg))
        edition, index = self._edition, self._edition.index
        size = BLOCK_PAIRS + len(edition.geometry)
        level_rows = np.searchsorted(index.cells, 4 << (2 * np.arange(LISTED_ORDERS + 1)))
        stamps = np.full(len(edition.geometry), -1, dtype=np.int64)
        begin = 0
        while begin < len(vectors):
            targets, verdicts = np.empty(size, np.int64), np.empty(size, np.int64)
            end, used = _search(
                vectors, radius_rad, begin, edition.geometry, self._wanted,
                index.cells, index.offsets, index.entries, level_rows, BOUNDING_RADIUS_RAD,
                stamps, targets, verdicts,
            )  # fmt: skip
            targets, verdicts = targets[:used], verdicts[:used]
            keep = self._selection.certainty_mask((verdicts & 1).astype(np.bool_))
            targets, verdicts = targets[keep], verdicts[keep]
            numbers = verdicts >> 1
            centre, edge = _distances(edition.geometry, vectors, targets, numbers)
            sure = (verdicts & 1).astype(np.bool_)
            yield Pairs(targets, numbers, sure, np.degrees(centre), np.degrees(edge), begin, end)
            begin = end


@compiled
def _search(
    vectors: Floats,
    radii: Floats,
    begin: int,
    geometry: Any,
    wanted: Flags,
    cells: NDArray[np.uint32],
    offsets: Ints,
    entries: Ints,
    level_rows: Ints,
    bounding_radii: Floats,
    stamps: Ints,
    targets: Ints,
    verdicts: Ints,
) -> tuple[int, int]:
    """Search for targets from `begin` on until the next might not fit; where it ended, pairs.

    A verdict is twice an exposure's number, and 1 more where it is sure. There must be room for
    the pairs of a target with every exposure.
    """
    candidates = np.empty(len(geometry), np.int64)
    stack, cover = np.empty((STACK, 4), np.int64), np.empty(_MOST_COVERING, np.int64)
    used = 0
    for target in range(begin, len(vectors)):
        if used + len(geometry) > len(targets):
            return target, used
        x, y, z = vectors[target, 0], vectors[target, 1], vectors[target, 2]
        first, radius = used, radii[target]
        if radius == 0.0:
            certain, possible = at_direction(x, y, z, cells, offsets, entries)
            for number in certain:
                if wanted[number]:
                    verdicts[used] = 2 * number + 1
                    used += 1
            n_candidates = len(possible)
            candidates[:n_candidates] = possible
        else:
            n_candidates = _near_circle(
                x, y, z, radius, target, cells, offsets, entries, level_rows, bounding_radii,
                stamps, stack, cover, candidates,
            )  # fmt: skip
        for i in range(n_candidates):
            number = candidates[i]
            if wanted[number]:
                verdict = decided(geometry[number], x, y, z, radius)
                verdicts[used] = 2 * number + (verdict == SURE)
                used += verdict != NO_MATCH
        verdicts[first:used].sort()
        targets[first:used] = target
    return len(vectors), used


@compiled
def _near_circle(
    x: float,
    y: float,
    z: float,
    radius: float,
    target: int,
    cells: NDArray[np.uint32],
    offsets: Ints,
    entries: Ints,
    level_rows: Ints,
    bounding_radii: Floats,
    stamps: Ints,
    stack: Ints,
    cover: Ints,
    candidates: Ints,
) -> int:
    """Write the exposures that may show a circle, each once; how many."""
    if radius <= _WIDE_RAD:
        # a quotient could overflow
        finer = math.floor(math.log2(_ORDER_0_SIDE_RAD) - math.log2(radius)) + _FINER_THAN_CIRCLE
        order = min(max(finer, 0), FINEST_ORDER)
        n_cover = _covering(x, y, z, radius, order, bounding_radii, stack, cover)
        if n_cover >= 0:
            return _overlapping(
                order, cover[:n_cover], target, cells, offsets, entries, level_rows, stamps,
                candidates,
            )  # fmt: skip
    for number in range(len(candidates)):
        candidates[number] = number
    return len(candidates)


@compiled
def _covering(
    x: float,
    y: float,
    z: float,
    radius: float,
    last_order: int,
    bounding_radii: Floats,
    stack: Ints,
    cover: Ints,
) -> int:
    """Write the cells of an order that a circle may touch, ascending; how many, -1 for too many."""
    waiting, used = push_base_cells(stack), 0
    while waiting > 0:
        waiting -= 1
        order, cell = stack[waiting, 0], stack[waiting, 1]
        column, row = stack[waiting, 2], stack[waiting, 3]
        u, v, w = centre_in_base(order, cell >> (2 * order), column, row)
        reach = radius + bounding_radii[order]
        if reach < math.pi and x * u + y * v + z * w < math.cos(reach) - _ROUNDING:
            continue
        if order < last_order:
            waiting = push_children(stack, waiting, order, cell, column, row)
            continue
        if used == len(cover):
            return -1
        cover[used] = cell
        used += 1
    return used


@compiled
def _overlapping(
    order: int,
    some_cells: Ints,
    target: int,
    cells: NDArray[np.uint32],
    offsets: Ints,
    entries: Ints,
    level_rows: Ints,
    stamps: Ints,
    candidates: Ints,
) -> int:
    """Write the exposures with a cell that overlaps any of the (ascending) cells; how many.

    `stamps` of the exposures that are written become `target`.
    """
    found = 0
    for level in range(LISTED_ORDERS):
        base = 4 << (2 * level)
        row, last_row = level_rows[level], level_rows[level + 1]
        at = 0
        while at < len(some_cells) and row < last_row:
            if level >= order:  # the lists of all cells within it
                shift = 2 * (level - order)
                begin = base + (some_cells[at] << shift)
                beyond, pattern = begin + (1 << shift), WHOLE
                at += 1
            else:  # one list, for it and others beside it
                shift = 2 * (order - level)
                parent, pattern = some_cells[at] >> shift, 0
                begin, beyond = base + parent, base + parent + 1
                while at < len(some_cells) and some_cells[at] >> shift == parent:
                    pattern |= pattern_within(some_cells[at], order - level)
                    at += 1
            row += np.searchsorted(cells[row:last_row], begin)
            while row < last_row and cells[row] < beyond:
                for place in range(offsets[row], offsets[row + 1]):
                    entry = entries[place]
                    number = entry >> 32
                    either = entry | (entry >> 16)
                    if either & pattern != 0 and stamps[number] != target:
                        stamps[number] = target
                        candidates[found] = number
                        found += 1
                row += 1
    return found


@compiled
def _distances(
    geometry: Any, vectors: Floats, targets: Ints, numbers: Ints
) -> tuple[Floats, Floats]:
    """Centre and edge distances of pairs, radians; as `search` measures them."""
    centre, edge = np.empty(len(numbers)), np.empty(len(numbers))
    for i in range(len(numbers)):  # light, so that records far apart are fetched many at once
        x, y, z = vectors[targets[i], 0], vectors[targets[i], 1], vectors[targets[i], 2]
        u, v, w = in_plate_axes(geometry[numbers[i]], x, y, z)
        centre[i] = math.atan2(math.sqrt(u * u + v * v), w)
    for i in range(len(numbers)):
        x, y, z = vectors[targets[i], 0], vectors[targets[i], 1], vectors[targets[i], 2]
        edge[i], _ = edge_distances_rad(geometry[numbers[i]], x, y, z)
    return centre, edge
