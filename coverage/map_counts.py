"""Counting exposures, plates and years in every cell of a map, without visiting every cell.

Exposures are counted by differences: a range of cells adds one where it begins and takes it away
where it ends, and the running sum over the sky is the count.
"""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.compiled import compiled
from platecover.coverage.map_cells import MapCells
from platecover.coverage.work_force import cores

_WORTH_A_THREAD = 30_000  # exposures; adding them takes about 2 ms


def add_exposures(
    cells: MapCells, numbers: NDArray[np.int64], differences: NDArray[np.int64]
) -> None:
    """Count exposures; `differences`, shape (n_cells + 1,), is added to."""
    ranges = (cells.offsets, cells.ranges, cells.length_bits)
    parts = np.array_split(numbers, _threads(len(numbers)))
    _add_parts(differences, [partial(_add_ranges, *ranges, part) for part in parts])


def add_groups(
    cells: MapCells,
    numbers: NDArray[np.int64],
    limits: NDArray[np.int64],
    differences: NDArray[np.int64],
) -> None:
    """Count groups of exposures, each once in a cell however many of its exposures cover it.

    Parameters
    ----------
    cells : MapCells
    numbers : int64, shape (n,)
        Exposures, group after group.
    limits : int64, shape (n_groups + 1,)
        Group g is numbers[limits[g] : limits[g + 1]].
    differences : int64, shape (n_cells + 1,)
        Added to.
    """
    ranges = (cells.offsets, cells.ranges, cells.length_bits, numbers)
    cuts = np.linspace(0, len(limits) - 1, _threads(len(numbers)) + 1).astype(np.int64)
    parts = [limits[start : end + 1] for start, end in zip(cuts[:-1], cuts[1:], strict=True)]
    _add_parts(differences, [partial(_add_unions, *ranges, part) for part in parts])


def _threads(count: int) -> int:
    """How many threads are worth their own array of differences for so many exposures."""
    return min(cores(), max(count // _WORTH_A_THREAD, 1))


def _add_parts(
    differences: NDArray[np.int64], add: Sequence[Callable[[NDArray[np.int64]], None]]
) -> None:
    """Let several functions add to differences at once, each to its own."""
    if len(add) == 1:
        add[0](differences)
        return
    own = [np.zeros_like(differences) for _ in add]
    with ThreadPoolExecutor(len(add)) as pool:
        list(pool.map(lambda function, into: function(into), add, own))
    for each in own:
        differences += each


@compiled
def _add_ranges(
    offsets: NDArray[np.int64],
    ranges: NDArray[np.uint32],
    length_bits: int,
    numbers: NDArray[np.int64],
    differences: NDArray[np.int64],
) -> None:
    """Add one for each range of each exposure."""
    longest = (1 << length_bits) - 1
    for i in range(len(numbers)):
        for at in range(offsets[numbers[i]], offsets[numbers[i] + 1]):
            first = np.int64(ranges[at]) >> length_bits
            differences[first] += 1
            differences[first + (np.int64(ranges[at]) & longest) + 1] -= 1


@compiled
def _add_unions(
    offsets: NDArray[np.int64],
    ranges: NDArray[np.uint32],
    length_bits: int,
    numbers: NDArray[np.int64],
    limits: NDArray[np.int64],
    differences: NDArray[np.int64],
) -> None:
    """Add one for the union of the ranges of each group."""
    longest = (1 << length_bits) - 1
    for group in range(len(limits) - 1):
        members = numbers[limits[group] : limits[group + 1]]
        bounds = np.zeros(len(members) + 1, np.int64)
        for i in range(len(members)):
            bounds[i + 1] = bounds[i] + offsets[members[i] + 1] - offsets[members[i]]
        together = np.empty(bounds[-1], np.uint32)
        for i in range(len(members)):
            start = offsets[members[i]]
            for at in range(bounds[i], bounds[i + 1]):
                together[at] = ranges[start + at - bounds[i]]
        reached = np.int64(0)
        for each in _sorted_runs(together, bounds):
            first = np.int64(each) >> length_bits
            end = first + (np.int64(each) & longest) + 1
            if end > reached:
                differences[max(first, reached)] += 1
                differences[end] -= 1
                reached = end


@compiled
def _sorted_runs(values: NDArray[np.uint32], bounds: NDArray[np.int64]) -> NDArray[np.uint32]:
    """Sort runs that ascend each by itself, run r at bounds[r] to bounds[r + 1]: merge in pairs."""
    while len(bounds) > 2:
        merged = np.empty_like(values)
        for run in range(0, len(bounds) - 1, 2):
            middle, end = bounds[run + 1], bounds[min(run + 2, len(bounds) - 1)]
            left, right = bounds[run], middle
            for at in range(bounds[run], end):
                if right == end or (left < middle and values[left] <= values[right]):
                    merged[at] = values[left]
                    left += 1
                else:
                    merged[at] = values[right]
                    right += 1
        values = merged
        bounds = np.append(bounds[:-1:2], bounds[-1])
    return values
