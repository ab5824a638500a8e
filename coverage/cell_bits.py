"""Sets of map cells as bits, 64 cells a word: unions of footprints, counted and compared fast.

A set is an array of uint64 of 12 * 4**order / 64 words (one for orders 0 and 1); cell c is bit
c % 64 of word c // 64. Cells are NESTED, ICRS.
"""

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.compiled import compiled
from platecover.coverage.healpix_cells import BASE_CELLS
from platecover.coverage.map_cells import MapCells

Bits = NDArray[np.uint64]

WORD_BITS = 64
_ALL = np.uint64(0xFFFFFFFFFFFFFFFF)


def word_count(order: int) -> int:
    """How many words a set of cells of an order takes."""
    return -(-(BASE_CELLS << (2 * order)) // WORD_BITS)


def bits_of_cells(order: int, cells: NDArray[np.int64]) -> Bits:
    """The set of these cells, shape (word_count(order),)."""
    flags = np.zeros(word_count(order) * WORD_BITS, dtype=np.uint8)
    flags[cells] = 1
    return np.packbits(flags, bitorder="little").view(np.uint64)


def flags_of_bits(order: int, bits: Bits) -> NDArray[np.uint8]:
    """1 for each cell in a set, else 0, shape (12 * 4**order,)."""
    return np.unpackbits(bits.view(np.uint8), count=BASE_CELLS << (2 * order), bitorder="little")


def count_bits(bits: Bits) -> NDArray[np.int64]:
    """How many cells are in each set of shape (..., words)."""
    return np.asarray(np.bitwise_count(bits).sum(axis=-1, dtype=np.int64))


def covered_bits(cells: MapCells, numbers: NDArray[np.int64]) -> Bits:
    """The set of cells that any of some exposures covers, shape (word_count(cells.order),)."""
    bits = np.zeros(word_count(cells.order), dtype=np.uint64)
    _cover(cells.offsets, cells.ranges, cells.length_bits, numbers, bits)
    return bits


@compiled
def _cover(
    offsets: NDArray[np.int64],
    ranges: NDArray[np.uint32],
    length_bits: int,
    numbers: NDArray[np.int64],
    words: Bits,
) -> None:
    """Set the bits of the cells of exposures, a word at a time."""
    longest = (1 << length_bits) - 1
    for i in range(len(numbers)):
        for at in range(offsets[numbers[i]], offsets[numbers[i] + 1]):
            first = np.int64(ranges[at]) >> length_bits
            last = first + (np.int64(ranges[at]) & longest)
            low, high = first >> 6, last >> 6
            from_first = _ALL << np.uint64(first & 63)
            to_last = _ALL >> np.uint64(63 - (last & 63))
            if low == high:
                words[low] |= from_first & to_last
            else:
                words[low] |= from_first
                words[low + 1 : high] = _ALL
                words[high] |= to_last
