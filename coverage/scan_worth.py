"""Worth of scanned plates: over all bins, weight times the shares of the plates scanned in it.

Shares never grow from one plate of a bin to the next, so that worth is a monotone submodular
function of the set of scanned plates: what a plate adds never grows as others are scanned. In
floating point too, since terms are always added in the same order and rounding is monotone.
"""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.compiled import compiled
from platecover.coverage.scan_bins import PlateBins
from platecover.coverage.work_force import cores

_WORTH_A_THREAD = 5_000  # plates


@dataclass(frozen=True)
class Worth:
    """Which plates are scanned, as far as worth goes.

    Attributes
    ----------
    bins : PlateBins
    weights : float32, shape (bins.count,)
        Of each bin.
    shares : float64, shape (k,)
        What the first, second, ... plate of a bin adds; further ones add what the last one does.
    counts : uint8, shape (bins.count,)
        Scanned plates in each bin, none above k - 1. Changed in place.
    """

    bins: PlateBins
    weights: NDArray[np.float32]
    shares: NDArray[np.float64]
    counts: NDArray[np.uint8]

    @classmethod
    def of_nothing(
        cls,
        bins: PlateBins,
        weights: NDArray[np.float64],
        factors: NDArray[np.float64],
        shares: tuple[float, ...],
    ) -> "Worth":
        """The worth of no plates.

        Parameters
        ----------
        bins : PlateBins
        weights : float64, shape (n_spans, n_cells)
        factors : float64, shape (n_classes, n_spans)
            By which weights are multiplied in each depth class and span.
        shares : tuple of float
        """
        of_bins = np.empty((len(factors), *weights.shape), dtype=np.float32)
        for of_class, factor in zip(of_bins, factors, strict=True):
            np.multiply(weights, factor[:, None], out=of_class, casting="same_kind")
        counts = np.zeros(bins.count, dtype=np.uint8)
        return cls(bins, of_bins.ravel(), np.array(shares), counts)

    def copy(self) -> "Worth":
        """The same state, to be changed by itself."""
        return replace(self, counts=self.counts.copy())

    @property
    def arrays(self) -> tuple[Any, Any, Any, Any, Any, Any]:
        """What compiled functions take: runs of plates, weights, shares, counts."""
        bins = self.bins
        return bins.offsets, bins.firsts, bins.ends, self.weights, self.shares, self.counts

    def gains(self, plates: NDArray[np.int64]) -> NDArray[np.float64]:
        """What each of some plates would add by itself."""
        parts = np.array_split(plates, min(cores(), len(plates) // _WORTH_A_THREAD + 1))
        if len(parts) == 1:
            return _gains(*self.arrays, plates)
        with ThreadPoolExecutor(len(parts)) as pool:
            return np.concatenate(list(pool.map(lambda part: _gains(*self.arrays, part), parts)))

    def add(
        self, plates: NDArray[np.int64], added: NDArray[np.float64] | None = None
    ) -> NDArray[np.float64]:
        """Scan plates in order; returns what each adds.

        `added`, shape (bins.in_class,), gets what they add in each cell and span.
        """
        into = np.zeros(0) if added is None else added
        return _add(*self.arrays, plates, into)


@compiled
def gain_of(
    offsets: NDArray[np.int64],
    firsts: NDArray[np.uint32],
    ends: NDArray[np.uint32],
    weights: NDArray[np.float32],
    shares: NDArray[np.float64],
    counts: NDArray[np.uint8],
    plate: int,
) -> float:
    """What one plate would add."""
    total = 0.0
    for run in range(offsets[plate], offsets[plate + 1]):
        for at in range(np.int64(firsts[run]), np.int64(ends[run])):
            total += weights[at] * shares[counts[at]]
    return total


@compiled
def count_plate(
    offsets: NDArray[np.int64],
    firsts: NDArray[np.uint32],
    ends: NDArray[np.uint32],
    shares: NDArray[np.float64],
    counts: NDArray[np.uint8],
    plate: int,
) -> None:
    """Count one plate as scanned."""
    last = len(shares) - 1
    for run in range(offsets[plate], offsets[plate + 1]):
        for at in range(np.int64(firsts[run]), np.int64(ends[run])):
            if counts[at] < last:
                counts[at] += 1


@compiled
def _gains(
    offsets: NDArray[np.int64],
    firsts: NDArray[np.uint32],
    ends: NDArray[np.uint32],
    weights: NDArray[np.float32],
    shares: NDArray[np.float64],
    counts: NDArray[np.uint8],
    plates: NDArray[np.int64],
) -> NDArray[np.float64]:
    gains = np.empty(len(plates))
    for i in range(len(plates)):
        gains[i] = gain_of(offsets, firsts, ends, weights, shares, counts, plates[i])
    return gains


@compiled
def _add(
    offsets: NDArray[np.int64],
    firsts: NDArray[np.uint32],
    ends: NDArray[np.uint32],
    weights: NDArray[np.float32],
    shares: NDArray[np.float64],
    counts: NDArray[np.uint8],
    plates: NDArray[np.int64],
    added: NDArray[np.float64],
) -> NDArray[np.float64]:
    gains = np.empty(len(plates))
    for i in range(len(plates)):
        plate = plates[i]
        gains[i] = gain_of(offsets, firsts, ends, weights, shares, counts, plate)
        if len(added):
            for run in range(offsets[plate], offsets[plate + 1]):
                first, end = np.int64(firsts[run]), np.int64(ends[run])
                before = first - first % len(added)  # bins of the classes before
                for at in range(first, end):
                    added[at - before] += weights[at] * shares[counts[at]]
        count_plate(offsets, firsts, ends, shares, counts, plate)
    return gains
