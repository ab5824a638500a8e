"""Choosing plates within a budget: lazy greedy.

At each step the plate that adds most worth per cost is taken; ties go to the earlier plate. What
plates add never grows, so that a gain known from before is a bound, and most plates need not be
looked at again (Minoux 1978, Accelerated greedy algorithms for maximizing submodular set
functions). For a number of plates the worth added is at least 1 - (1 - 1/k)^k of the best
possible (Nemhauser, Wolsey & Fisher 1978, Math. Programming 14, 265). For additive costs the
better of this and the best single plate has at least 1 - 1/sqrt(e) of it (Khuller, Moss & Naor
1999, Inf. Proc. Letters 70, 39). With costs of opening units neither holds; how good a choice is
then, `scan_bound` tells.
"""

from dataclasses import dataclass
from heapq import heapify, heappop, heappush
from typing import Any

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.compiled import compiled
from platecover.coverage.scan_bound import upper_bound
from platecover.coverage.scan_worth import Worth, count_plate, gain_of

_NONE = -1
_ROUNDING = 1e-9  # by which costs may exceed the budget, relatively


@dataclass(frozen=True)
class Costs:
    """Costs of plates, in plates or minutes.

    Attributes
    ----------
    each : float64, shape (n,)
        Above zero.
    unit : int64, shape (n,)
        Shelf unit of each plate, from 0.
    opening : float
        Cost of the first plate from a unit besides its own.
    """

    each: NDArray[np.float64]
    unit: NDArray[np.int64]
    opening: float

    def least(self) -> NDArray[np.float64]:
        """Costs that are additive and never more than the true ones: openings shared by all."""
        return self.each + self.opening / np.bincount(self.unit)[self.unit]

    def of_order(self, places: NDArray[np.int64]) -> NDArray[np.float64]:
        """Cost of each plate where plates are taken in an order; units stay open."""
        first = np.zeros(len(places), dtype=np.bool_)
        first[np.unique(self.unit[places], return_index=True)[1]] = True
        return self.each[places] + np.where(first, self.opening, 0.0)


@dataclass(frozen=True)
class Picks:
    """Plates taken.

    Attributes
    ----------
    places : int64, shape (m,)
        Among the plates to choose from, in the order taken.
    gains, costs : float64, shape (m,)
        What each added and cost when it was taken.
    bound : float
        No choice within the budget adds more (`scan_bound`).
    evaluations : int
        How often it was worked out what a plate would add.
    """

    places: NDArray[np.int64]
    gains: NDArray[np.float64]
    costs: NDArray[np.float64]
    bound: float
    evaluations: int


def best_picks(worth: Worth, plates: NDArray[np.int64], costs: Costs, budget: float) -> Picks:
    """Choose plates within a budget.

    Parameters
    ----------
    worth : Worth
        What is scanned already; not changed.
    plates : int64, shape (n,)
        Plates to choose from; of equal ones the first is taken.
    costs : Costs
    budget : float
        Above zero.

    Returns
    -------
    Picks
        The better of greedy by worth per cost and the best single plate (to which others are
        added as far as the budget goes).
    """
    alone = worth.gains(plates)
    found = _greedy(worth, plates, costs, budget, alone, _NONE)
    evaluations = len(plates) + found[-1]
    fits = costs.each + costs.opening <= budget
    if fits.any():
        best = int(np.argmax(np.where(fits, alone, -1.0)))
        if alone[best] > found[1].sum():
            found = _greedy(worth, plates, costs, budget, alone, best)
            evaluations += found[-1]
    places, gains, paid, _ = found
    least = costs.least() if len(plates) else costs.each
    bound = upper_bound(worth, plates, alone, least, budget, places, float(gains.sum()))
    return Picks(places, gains, paid, bound, evaluations)


def _greedy(
    worth: Worth,
    plates: NDArray[np.int64],
    costs: Costs,
    budget: float,
    alone: NDArray[np.float64],
    start: int,
) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64], int]:
    """Greedy by worth per cost, after one plate that is taken first unless it is _NONE."""
    members = np.argsort(costs.unit, kind="stable")
    n_units = int(costs.unit.max(initial=-1)) + 1
    limits = np.searchsorted(costs.unit[members], np.arange(n_units + 1))
    return _take(
        *worth.copy().arrays, plates, costs.each, costs.unit, costs.opening, members, limits,
        budget * (1.0 + _ROUNDING), alone.copy(), start,
    )  # fmt: skip


@compiled
def _take(
    offsets: NDArray[np.int64],
    firsts: NDArray[np.uint32],
    ends: NDArray[np.uint32],
    weights: NDArray[np.float32],
    shares: NDArray[np.float64],
    counts: NDArray[np.uint8],
    plates: NDArray[np.int64],
    each: NDArray[np.float64],
    unit: NDArray[np.int64],
    opening: float,
    members: NDArray[np.int64],
    limits: NDArray[np.int64],
    budget: float,
    upper: NDArray[np.float64],
    start: int,
) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64], int]:
    """Places taken, their gains and costs, and how many gains were worked out again.

    `upper` is what each plate adds, or added at some time; it and `counts` are changed. Members of
    unit u are at limits[u] to limits[u + 1].
    """
    cost = each + opening  # of each plate as long as its unit is closed
    is_open = np.zeros(len(limits), np.bool_)
    is_taken = np.zeros(len(plates), np.bool_)
    evaluated = np.zeros(len(plates), np.int64)  # plates taken when `upper` was worked out
    heap: list[tuple[float, Any]] = [(-np.inf, np.int64(start)) for _ in range(min(start + 1, 1))]
    for i in range(len(plates)):
        if upper[i] > 0.0:
            heap.append((-upper[i] / cost[i], np.int64(i)))
    heapify(heap)
    places, gains, paid = np.empty(len(plates), np.int64), upper.copy(), cost.copy()
    taken, evaluations = 0, 0
    spent: float = 0.0
    cheapest = each.min() if len(each) else 0.0
    while len(heap) and spent + cheapest <= budget:
        key, i = heappop(heap)
        if is_taken[i] or spent + cost[i] > budget:
            continue  # what does not fit now may still, by another entry, once its unit is open
        if key != -upper[i] / cost[i] and key != -np.inf:
            continue  # there is a newer entry of it
        if evaluated[i] != taken:
            upper[i] = gain_of(offsets, firsts, ends, weights, shares, counts, plates[i])
            evaluated[i] = taken
            evaluations += 1
            if upper[i] > 0.0:
                heappush(heap, (-upper[i] / cost[i], i))
            continue
        count_plate(offsets, firsts, ends, shares, counts, plates[i])
        is_taken[i] = True
        places[taken], gains[taken], paid[taken] = i, upper[i], cost[i]
        taken += 1
        spent += cost[i]
        if opening > 0.0 and not is_open[unit[i]]:
            is_open[unit[i]] = True
            for j in members[limits[unit[i]] : limits[unit[i] + 1]]:  # these are cheaper now
                cost[j] = each[j]
                if not is_taken[j] and upper[j] > 0.0:
                    heappush(heap, (-upper[j] / cost[j], j))
    return places[:taken], gains[:taken], paid[:taken], evaluations
