"""Small instances of choosing plates: sets of bins, their worth and cost by the definition."""

from collections.abc import Mapping, Sequence

import numpy as np

from platecover.coverage.scan_bins import PlateBins
from platecover.coverage.scan_greedy import Costs
from platecover.coverage.scan_worth import Worth

Sets = Sequence[set[int]]


def bins_of(sets: Sets, count: int) -> PlateBins:
    """Each plate's set of bins; neighbours make one run, as they do in archives."""
    firsts: list[int] = []
    ends: list[int] = []
    offsets = [0]
    for each in sets:
        for at in sorted(each):
            if len(firsts) > offsets[-1] and ends[-1] == at:
                ends[-1] = at + 1
            else:
                firsts.append(at)
                ends.append(at + 1)
        offsets.append(len(firsts))
    return PlateBins(
        np.array(offsets, dtype=np.int64),
        np.array(firsts, dtype=np.uint32),
        np.array(ends, dtype=np.uint32),
        count,
        count,
    )


def worth_of(
    sets: Sets, shares: tuple[float, ...] = (1.0, 0.0), weights: Sequence[float] | None = None
) -> Worth:
    """The worth of sets of bins; every bin weighs 1 unless weights are given."""
    count = max((at for each in sets for at in each), default=0) + 1
    of_bins = np.ones(count) if weights is None else np.array(weights[:count], dtype=np.float64)
    return Worth.of_nothing(bins_of(sets, count), of_bins[None], np.ones((1, 1)), shares)


def by_plate_count(count: int) -> Costs:
    """Costs of a budget that is a number of plates."""
    return Costs(np.ones(count), np.zeros(count, dtype=np.int64), 0.0)


def plain_worth(
    sets: Sets, chosen: Sequence[int], shares: Sequence[float], weights: Mapping[int, float]
) -> float:
    """Worth of a choice, bin by bin, as the definition says."""
    total = 0.0
    for at, weight in weights.items():
        scanned = sum(at in sets[plate] for plate in chosen)
        total += weight * sum(shares[min(n, len(shares) - 1)] for n in range(scanned))
    return total


def plain_cost(chosen: Sequence[int], costs: Costs) -> float:
    """Cost of a choice, with one opening of each unit."""
    units = {int(costs.unit[plate]) for plate in chosen}
    return float(sum(costs.each[plate] for plate in chosen)) + costs.opening * len(units)
