"""How much any choice of plates within a budget could add: an upper bound, by prices.

Put a price on another plate in each bin. Then no set of plates is worth more than

- over all bins, the most by which worth can exceed the price of the plates that make it, and
- the most that plates within the budget can cost at these prices, plates being cut at will.

This holds at any prices (weak duality of linear programming), so that the least of several bounds
is one too. Good prices are what one more plate would add after a good choice. They get better
when the choice is mixed, bin by bin, with what the budget would buy at the prices before (the
method of Frank & Wolfe 1956, Naval Res. Logist. Quart. 3, 95), which is done while it pays.
"""

from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.compiled import compiled
from platecover.coverage.scan_bins import PlateBins
from platecover.coverage.scan_worth import Worth
from platecover.coverage.work_force import cores

GOOD_ENOUGH = 0.97  # of the bound: a choice with so much of it needs no better bound
_STEPS = 12
_FIRST_MIX = 16.0  # the choice is good already, so that little is mixed into it at a time
_MOST_ENTRIES = 1_000_000_000  # bins of plates looked at in all, about 1 s of work
_PRICED_AS = 4  # times the work for an entry that a bin takes at each step
_WORTH_A_THREAD = 5_000  # plates
_ROUNDING = 1e-9  # sums in another order differ by less, relatively
_PRICE_ROUNDING = 1e-6  # prices of single precision by less


def upper_bound(
    worth: Worth,
    plates: NDArray[np.int64],
    alone: NDArray[np.float64],
    costs: NDArray[np.float64],
    budget: float,
    chosen: NDArray[np.int64],
    gained: float,
) -> float:
    """Bound what any plates within a budget add.

    Parameters
    ----------
    worth : Worth
        Before any is taken.
    plates : int64, shape (n,)
        Plates to choose from.
    alone : float64, shape (n,)
        What each adds by itself.
    costs : float64, shape (n,)
        Additive, above zero, none above the true ones.
    budget : float
    chosen : int64, shape (m,)
        Places among the plates of a good choice.
    gained : float
        What it adds.
    """
    wanted = np.flatnonzero((alone > 0.0) & (costs <= budget * (1.0 + _ROUNDING)))
    if not len(wanted):
        return 0.0
    costs = costs[wanted]
    bound, _ = _bought(alone[wanted], costs, budget)
    bins, plates = worth.bins, plates[wanted]
    runs = slice(int(bins.offsets[plates].min()), int(bins.offsets[plates + 1].max()))
    entries = int((bins.ends[runs] - bins.firsts[runs]).sum(dtype=np.int64))
    entries += _PRICED_AS * bins.count
    mixed = np.zeros(bins.count, dtype=np.float32)  # plates in each bin, in parts
    prices = np.empty(bins.count, dtype=np.float32)
    amount = np.isin(wanted, chosen).astype(np.float64)
    share = 1.0
    for step in range(min(_STEPS, _MOST_ENTRIES // entries) + 1):
        _mix(bins.offsets, bins.firsts, bins.ends, plates, amount, share, mixed)
        excess = _set_prices(worth.counts, mixed, worth.shares, worth.weights, prices)
        most, amount = _bought(_sums(bins, prices, plates), costs, budget)
        bound = min(bound, excess + most)
        if gained >= GOOD_ENOUGH * bound:
            break
        share = 1.0 / (step + _FIRST_MIX)
    return bound * (1.0 + _PRICE_ROUNDING)


def _bought(
    values: NDArray[np.float64], costs: NDArray[np.float64], budget: float
) -> tuple[float, NDArray[np.float64]]:
    """Most value within the budget if plates can be cut, and how much of each is taken."""
    order = np.argsort(-values / costs, kind="stable")
    before = np.cumsum(costs[order]) - costs[order]
    amount = np.empty(len(values))
    amount[order] = np.clip((budget * (1.0 + _ROUNDING) - before) / costs[order], 0.0, 1.0)
    return float((amount * values).sum()), amount


def _sums(
    bins: PlateBins, prices: NDArray[np.float32], plates: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Price of all bins of each plate."""
    parts = np.array_split(plates, min(cores(), len(plates) // _WORTH_A_THREAD + 1))
    with ThreadPoolExecutor(len(parts)) as pool:
        runs = (bins.offsets, bins.firsts, bins.ends, prices)
        return np.concatenate(list(pool.map(lambda part: _sum_prices(*runs, part), parts)))


@compiled
def _sum_prices(
    offsets: NDArray[np.int64],
    firsts: NDArray[np.uint32],
    ends: NDArray[np.uint32],
    prices: NDArray[np.float32],
    plates: NDArray[np.int64],
) -> NDArray[np.float64]:
    sums = np.zeros(len(plates))
    for i in range(len(plates)):
        for run in range(offsets[plates[i]], offsets[plates[i] + 1]):
            for at in range(np.int64(firsts[run]), np.int64(ends[run])):
                sums[i] += prices[at]
    return sums


@compiled
def _mix(
    offsets: NDArray[np.int64],
    firsts: NDArray[np.uint32],
    ends: NDArray[np.uint32],
    plates: NDArray[np.int64],
    amount: NDArray[np.float64],
    share: float,
    mixed: NDArray[np.float32],
) -> None:
    """Replace a share of what is mixed by amounts of plates."""
    for at in range(len(mixed)):
        mixed[at] *= 1.0 - share
    for i in range(len(plates)):
        if amount[i] > 0.0:
            for run in range(offsets[plates[i]], offsets[plates[i] + 1]):
                for at in range(np.int64(firsts[run]), np.int64(ends[run])):
                    mixed[at] += share * amount[i]


@compiled
def _set_prices(
    counts: NDArray[np.uint8],
    mixed: NDArray[np.float32],
    shares: NDArray[np.float64],
    weights: NDArray[np.float32],
    prices: NDArray[np.float32],
) -> float:
    """Price one more plate in each bin; returns the most by which worth can exceed the prices."""
    last = len(shares) - 1
    excess = 0.0
    for at in range(len(counts)):
        number = counts[at] + np.float64(mixed[at])
        whole = min(int(number), last)
        part = min(number - whole, 1.0)
        price = shares[whole] + part * (shares[min(whole + 1, last)] - shares[whole])
        above = 0.0
        for count in range(counts[at], last):
            if shares[count] <= price:
                break
            above += shares[count] - price
        excess += above * weights[at]
        prices[at] = price * weights[at]
    return excess
