"""First epoch and longest gap in every cell of a map."""

from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.cell_bits import Bits, word_count
from platecover.coverage.compiled import compiled
from platecover.coverage.healpix_cells import BASE_CELLS
from platecover.coverage.map_cells import MapCells

_ONE = np.uint64(1)


class FirstValues:
    """In each cell, the value of the first exposure that covers it.

    Attributes
    ----------
    values : float64, shape (n_cells,)
        NaN where none does.
    """

    def __init__(self, order: int) -> None:
        n_cells = BASE_CELLS << (2 * order)
        self.values = np.full(n_cells, np.nan)
        self._bare = np.full(word_count(order), np.iinfo(np.uint64).max)  # cells without, as bits
        self._n_bare = n_cells

    def add(self, cells: MapCells, numbers: NDArray[np.int64], values: NDArray[np.float64]) -> bool:
        """Add exposures in their order; return whether any cell is still without a value.

        Parameters
        ----------
        cells : MapCells
        numbers : int64, shape (n,)
        values : float64, shape (n,)
        """
        self._n_bare = _set_first(
            cells.offsets, cells.ranges, cells.length_bits, numbers, values, self._bare,
            self._n_bare, self.values,
        )  # fmt: skip
        return self._n_bare > 0


class LongestGaps:
    """In each cell, the longest step between neighbours of ascending values.

    Attributes
    ----------
    gaps : float64, shape (n_cells,)
        -inf where there are fewer than two.
    """

    def __init__(self, order: int) -> None:
        self._order = order
        self._latest, self.gaps = self._nothing()

    def add(self, cells: MapCells, numbers: NDArray[np.int64], values: NDArray[np.float64]) -> None:
        """Add exposures in their order; values never descend, nor below those added before.

        Parameters
        ----------
        cells : MapCells
        numbers : int64, shape (n,)
        values : float64, shape (n,)
        """
        # the later half is followed at the same time by itself, then joined to the earlier one
        half = len(numbers) // 2
        ranges = (cells.offsets, cells.ranges, cells.length_bits)
        latest, gaps = self._nothing()
        later = FirstValues(self._order)
        with ThreadPoolExecutor(1) as pool:
            done = pool.submit(_follow, *ranges, numbers[half:], values[half:], latest, gaps)
            _follow(*ranges, numbers[:half], values[:half], self._latest, self.gaps)
            later.add(cells, numbers[half:], values[half:])
            done.result()
        between = later.values - self._latest  # NaN or -inf where either half has none
        self.gaps = np.fmax(np.maximum(self.gaps, gaps), between)
        self._latest = np.where(np.isinf(latest), self._latest, latest)

    def _nothing(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Latest value, inf for none yet, and longest gap, -inf, of every cell."""
        n_cells = BASE_CELLS << (2 * self._order)
        return np.full(n_cells, np.inf), np.full(n_cells, -np.inf)


@compiled
def _set_first(
    offsets: NDArray[np.int64],
    ranges: NDArray[np.uint32],
    length_bits: int,
    numbers: NDArray[np.int64],
    values: NDArray[np.float64],
    bare: Bits,
    n_bare: int,
    found: NDArray[np.float64],
) -> int:
    """Give each bare cell the value of the first exposure that covers it; how many stay bare."""
    longest = (1 << length_bits) - 1
    for i in range(len(numbers)):
        if n_bare == 0:
            break
        for at in range(offsets[numbers[i]], offsets[numbers[i] + 1]):
            first = np.int64(ranges[at]) >> length_bits
            last = first + (np.int64(ranges[at]) & longest)
            for word in range(first >> 6, (last >> 6) + 1):
                if bare[word] == 0:
                    continue
                for cell in range(64 * word, 64 * word + 64):
                    bit = _ONE << np.uint64(cell & 63)
                    if first <= cell <= last and bare[word] & bit:
                        bare[word] &= ~bit
                        n_bare -= 1
                        found[cell] = values[i]
    return n_bare


@compiled
def _follow(
    offsets: NDArray[np.int64],
    ranges: NDArray[np.uint32],
    length_bits: int,
    numbers: NDArray[np.int64],
    values: NDArray[np.float64],
    latest: NDArray[np.float64],
    gaps: NDArray[np.float64],
) -> None:
    """Carry latest value and longest gap of each cell on."""
    longest = (1 << length_bits) - 1
    for i in range(len(numbers)):
        value = values[i]
        for at in range(offsets[numbers[i]], offsets[numbers[i] + 1]):
            first = np.int64(ranges[at]) >> length_bits
            for cell in range(first, first + (np.int64(ranges[at]) & longest) + 1):
                gap = value - latest[cell]  # -inf at first
                gaps[cell] = gap if gap > gaps[cell] else gaps[cell]
                latest[cell] = value
