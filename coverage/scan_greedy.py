"""Choosing plates within a budget: lazy greedy, and a bound of what any choice could add.

At each step the plate that adds most worth per cost is taken; ties go to the earlier plate. What
plates add never grows, so that a gain known from before is a bound, and most plates need not be
looked at again (Minoux 1978, Accelerated greedy algorithms for maximizing submodular set
functions). For a number of plates the worth added is at least 1 - (1 - 1/k)^k of the best
possible (Nemhauser, Wolsey & Fisher 1978, Math. Programming 14, 265). For additive costs the
better of this and the best single plate has at least 1 - 1/sqrt(e) of it (Khuller, Moss & Naor
1999, Inf. Proc. Letters 70, 39). With costs of opening units neither holds, but the bound does:
after any plates have been taken, no choice has more worth than they have plus the most that the
budget could buy if what each other plate adds were additive and plates could be cut.
"""

from dataclasses import dataclass
from heapq import heapify, heappop, heappush

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.compiled import compiled
from platecover.coverage.scan_worth import Worth, count_plate, gain_of

_BOUNDS = 4  # times that the bound is worked out on the way
_WAITING, _TAKEN = 0, 1  # states of a plate
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
        No choice within the budget adds more.
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
    found = _greedy(worth, plates, costs, budget, alone, None)
    fits = costs.each + costs.opening <= budget
    if not fits.any():
        return found
    best = int(np.argmax(np.where(fits, alone, -1.0)))
    if not alone[best] > found.gains.sum():
        return found
    cure = _greedy(worth, plates, costs, budget, alone, best)
    return Picks(
        cure.places, cure.gains, cure.costs, min(found.bound, cure.bound),
        found.evaluations + cure.evaluations,
    )  # fmt: skip


def _greedy(
    worth: Worth,
    plates: NDArray[np.int64],
    costs: Costs,
    budget: float,
    alone: NDArray[np.float64],
    start: int | None,
) -> Picks:
    """Greedy by worth per cost, after one plate that is taken first if there is any."""
    worth = worth.copy()
    count = len(plates)
    upper = alone.copy()  # what each plate adds, or added once: no less than it adds now
    evaluated = np.zeros(count, dtype=np.int64)  # plates taken when that was worked out
    state = np.full(count, _WAITING, dtype=np.int8)
    is_open = np.zeros(int(costs.unit.max(initial=-1)) + 1, dtype=np.bool_)
    members = np.argsort(costs.unit, kind="stable")
    limits = np.searchsorted(costs.unit[members], np.arange(len(is_open) + 1))
    least = costs.least() if count else costs.each
    picks: list[NDArray[np.int64]] = []
    gains: list[NDArray[np.float64]] = []
    paid: list[NDArray[np.float64]] = []
    spent, taken, evaluations, added, bound = 0.0, 0, count, 0.0, np.inf
    for step in range(_BOUNDS + 1):
        if step:
            picked, gained, cost, again = _take(
                *worth.arrays, plates, costs.each, costs.unit, costs.opening, members, limits,
                budget, budget * step / _BOUNDS, spent, taken, upper, evaluated, state, is_open,
            )  # fmt: skip
            evaluations += again
        elif start is not None:
            picked = np.array([start])
            cost = costs.each[picked] + costs.opening
            gained = worth.add(plates[picked])
            state[start], is_open[costs.unit[start]] = _TAKEN, True
        else:
            picked, gained, cost = np.zeros(0, np.int64), np.zeros(0), np.zeros(0)
        picks.append(picked)
        gains.append(gained)
        paid.append(cost)
        spent, taken, added = spent + cost.sum(), taken + len(picked), added + gained.sum()
        most, again = _most(*worth.arrays, plates, least, budget, taken, upper, evaluated, state)
        evaluations += again
        bound = min(bound, added + most)
    return Picks(
        np.concatenate(picks), np.concatenate(gains), np.concatenate(paid), bound, evaluations
    )


@compiled
def _take(
    offsets: NDArray[np.int64],
    firsts: NDArray[np.uint32],
    ends: NDArray[np.uint32],
    weights: NDArray[np.float64],
    shares: NDArray[np.float64],
    counts: NDArray[np.uint8],
    plates: NDArray[np.int64],
    each: NDArray[np.float64],
    unit: NDArray[np.int64],
    opening: float,
    members: NDArray[np.int64],
    limits: NDArray[np.int64],
    budget: float,
    until: float,
    spent: float,
    taken: int,
    upper: NDArray[np.float64],
    evaluated: NDArray[np.int64],
    state: NDArray[np.int8],
    is_open: NDArray[np.bool_],
) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64], int]:
    """Take plates until so much is spent; places, gains, costs, and plates evaluated again.

    `upper`, `evaluated`, `state`, `is_open` and `counts` are kept up to date.
    """
    most = budget * (1.0 + _ROUNDING)
    heap = [(0.0, np.int64(0)) for _ in range(0)]
    cost = np.empty(len(plates))  # with the opening of the unit if it is not open
    cheapest = np.inf
    for i in range(len(plates)):
        cost[i] = each[i] + (0.0 if is_open[unit[i]] else opening)
        cheapest = min(cheapest, each[i])
        if state[i] == _WAITING and upper[i] > 0.0:
            heap.append((-upper[i] / cost[i], np.int64(i)))
    heapify(heap)
    picked, gains, paid = [np.int64(0)], [0.0], [0.0]  # after a first one that types them
    evaluations = 0
    while len(heap) and spent < until and spent + cheapest <= most:
        key, i = heappop(heap)
        if state[i] != _WAITING or key != -upper[i] / cost[i] or spent + cost[i] > most:
            continue  # taken, or there is a better entry of it, or it does not fit
        if evaluated[i] != taken:
            upper[i] = gain_of(offsets, firsts, ends, weights, shares, counts, plates[i])
            evaluated[i] = taken
            evaluations += 1
            if upper[i] > 0.0:
                heappush(heap, (-upper[i] / cost[i], i))
            continue
        count_plate(offsets, firsts, ends, shares, counts, plates[i])
        state[i] = _TAKEN
        taken += 1
        spent += cost[i]
        picked.append(i)
        gains.append(upper[i])
        paid.append(cost[i])
        if not is_open[unit[i]]:
            is_open[unit[i]] = True
            for at in range(limits[unit[i]], limits[unit[i] + 1]):  # these have become cheaper
                j = members[at]
                cost[j] = each[j]
                if state[j] == _WAITING and upper[j] > 0.0 and opening > 0.0:
                    heappush(heap, (-upper[j] / cost[j], j))
    return np.array(picked[1:]), np.array(gains[1:]), np.array(paid[1:]), evaluations


@compiled
def _most(
    offsets: NDArray[np.int64],
    firsts: NDArray[np.uint32],
    ends: NDArray[np.uint32],
    weights: NDArray[np.float64],
    shares: NDArray[np.float64],
    counts: NDArray[np.uint8],
    plates: NDArray[np.int64],
    least: NDArray[np.float64],
    budget: float,
    taken: int,
    upper: NDArray[np.float64],
    evaluated: NDArray[np.int64],
    state: NDArray[np.int8],
) -> tuple[float, int]:
    """Most that waiting plates could add if gains were additive; and plates evaluated again."""
    heap = [(0.0, np.int64(0)) for _ in range(0)]
    for i in range(len(plates)):
        if state[i] == _WAITING and upper[i] > 0.0 and least[i] <= budget * (1.0 + _ROUNDING):
            heap.append((-upper[i] / least[i], np.int64(i)))
    heapify(heap)
    total, left, evaluations = 0.0, budget * (1.0 + _ROUNDING), 0
    while len(heap) and left > 0.0:
        _, i = heappop(heap)
        if evaluated[i] != taken:
            upper[i] = gain_of(offsets, firsts, ends, weights, shares, counts, plates[i])
            evaluated[i] = taken
            evaluations += 1
            heappush(heap, (-upper[i] / least[i], i))
            continue
        total += upper[i] * min(left / least[i], 1.0)
        left -= least[i]
    return total, evaluations
