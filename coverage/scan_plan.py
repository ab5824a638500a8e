"""What to scan next: a plan within a budget, how good it is, and what it adds.

The plan is chosen by worth added per cost (`scan_greedy`) and then put in working order: shelf
unit by shelf unit, those that add most per minute first, and within a unit as the plates stand.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from platecover.coverage.edition import Edition
from platecover.coverage.errors import QueryError
from platecover.coverage.filters import Selection
from platecover.coverage.scan_bins import Spans, plate_bins, spans_of
from platecover.coverage.scan_budget import Budget, parse_budget
from platecover.coverage.scan_classes import class_factors
from platecover.coverage.scan_cost import CONSERVATION, SCANNED, TO_SCAN, PlateFacts, plate_facts
from platecover.coverage.scan_greedy import Costs, Picks, best_picks
from platecover.coverage.scan_weights import bin_weights
from platecover.coverage.scan_wishes import Wishes, share_steps
from platecover.coverage.scan_worth import Worth

Curve = tuple[NDArray[np.float64], NDArray[np.float64]]  # budget spent, worth added
Places = NDArray[np.int64]

CHOSEN, WORKED = "plan, best plates first", "plan, unit by unit"
SHELF_ORDER, RANDOM = "shelf order", "random"
RANDOM_SEED = 1
_RUNS = 5
_ROUNDING = 1e-9
_MINUTES_PER_HOUR = 60.0

COUNT_THEOREM = (
    "for a number of plates the method adds at least {share:.1%} of the best possible"
    " (Nemhauser, Wolsey & Fisher 1978)"
)
COST_THEOREM = (
    "for additive minutes the method adds at least 39.3 % of the best possible"
    " (Khuller, Moss & Naor 1999)"
)
NO_THEOREM = "with minutes for opening units no theorem holds; the bound is computed from this plan"


@dataclass(frozen=True)
class ScanPlan:
    """A plan.

    Attributes
    ----------
    budget : Budget
    wishes : Wishes
    edition : int
        Number of the edition it was made from.
    plates : pyarrow.Table
        In working order: `order` (from 1), `day`, `choice` (place among the plates best first),
        `plate`, `series`, `unit`, `shelf`, `condition`, `minutes` (with the opening of its unit),
        `gain` (weighted square degrees), `running_minutes`, `running_worth`.
    conservation : pyarrow.Table
        Broken and flaking plates, not in the plan: `plate`, `series`, `unit`, `shelf`,
        `condition`, `gain` (by itself, now), the most wanted first.
    left_out : dict
        How many plates were not asked for, by reason; `no worth`: what they would add is nothing.
    candidates : int
        Plates to choose from.
    gain, bound : float
        Worth that the plan adds, and that no plan within the budget exceeds.
    theorem : str
        What is proved of the method, in words.
    others : dict of str to float
        Worth that shelf order and random choice add within the budget.
    curves : dict of str to (float64 array, float64 array)
        Spent (plates or minutes) and worth added, along the plan and the others.
    spans : Spans
    gained : float64, shape (n_spans, n_cells)
        Worth added in each span and cell of order `wishes.order`, NESTED, ICRS.
    """

    budget: Budget
    wishes: Wishes
    edition: int
    plates: pa.Table
    conservation: pa.Table
    left_out: dict[str, int]
    candidates: int
    gain: float
    bound: float
    theorem: str
    others: dict[str, float]
    curves: dict[str, Curve]
    spans: Spans
    gained: NDArray[np.float64]

    @property
    def at_least(self) -> float:
        """Share of the best possible that the plan adds at least, 0 to 1."""
        return min(self.gain / self.bound, 1.0) if self.bound > 0.0 else 1.0

    @property
    def series(self) -> dict[str, int]:
        """Planned plates by series, the most first."""
        codes, counts = np.unique(self.plates.column("series").to_pylist(), return_counts=True)
        mix = zip(codes.tolist(), counts.tolist(), strict=True)
        return dict(sorted(mix, key=lambda pair: (-pair[1], pair[0])))


def scan_plan(
    edition: Edition,
    budget: str,
    wishes: Wishes,
    filters: Mapping[str, Any],
    today: date | None = None,
) -> ScanPlan:
    """Plan what to scan within a budget.

    Parameters
    ----------
    edition : Edition
    budget : str
        Such as '300 plates', '6 hours' or '5 days'.
    wishes : Wishes
    filters : mapping
        By the keywords of `filter_table.FILTERS`, but not `certainty`: a plate may be planned if
        any of its exposures passes them all. What is scanned already counts in any case.
    today : datetime.date, optional
        From which requests are pressing; the computer's date if not given.

    Raises
    ------
    QueryError
        If the budget, a wish or a filter is at fault.
    """
    if filters.get("certainty") is not None:
        raise QueryError("certainty", filters["certainty"], "certainty goes with a region only")
    limits = parse_budget(budget, wishes.hours)
    passes = Selection(edition, filters).mask(np.arange(len(edition.geometry)))
    facts = plate_facts(edition, wishes)
    asked = np.bincount(facts.plate_of[passes], minlength=len(edition.plates)) > 0
    spans = spans_of(edition, wishes)
    weights = bin_weights(wishes, spans, today or date.today())
    standing = {name: facts.standing == at for at, name in enumerate(facts.standings)}
    useful = asked & (standing[TO_SCAN] | standing[CONSERVATION]) | standing[SCANNED]
    bins = plate_bins(edition, wishes, spans, facts.plate_of, useful)
    factors = class_factors(edition, wishes, spans)
    worth = Worth.of_nothing(bins, weights, factors, share_steps(wishes.shares))
    worth.add(np.flatnonzero(standing[SCANNED]))

    by_rank = np.argsort(facts.rank)
    candidates = by_rank[(asked & standing[TO_SCAN])[by_rank]]
    fragile = by_rank[(asked & standing[CONSERVATION])[by_rank]]
    costs = _costs(facts, candidates, limits, wishes)
    picks = best_picks(worth, candidates, costs, limits.amount)
    plates, gained = _working_table(edition, facts, worth, candidates[picks.places], wishes)
    runs = _other_runs(facts, worth, candidates, costs, limits.amount)
    curves = {CHOSEN: (np.cumsum(picks.costs), np.cumsum(picks.gains)), **runs}
    left_out = {
        name: int((asked & mask).sum()) for name, mask in standing.items() if name != TO_SCAN
    }
    left_out["no worth"] = int((worth.gains(candidates) <= 0.0).sum())
    return ScanPlan(
        limits, wishes, edition.number, plates,
        _conservation_table(edition, facts, fragile, worth.gains(fragile)),
        left_out, len(candidates), float(picks.gains.sum()), picks.bound,
        _theorem(limits, costs, picks),
        {name: float(curve[1][-1]) if len(curve[1]) else 0.0 for name, curve in runs.items()},
        curves | {WORKED: _worked_curve(plates, limits)}, spans, gained.reshape(weights.shape),
    )  # fmt: skip


def _costs(facts: PlateFacts, candidates: Places, budget: Budget, wishes: Wishes) -> Costs:
    """Costs as the budget counts them."""
    if budget.plates is not None:
        return Costs(np.ones(len(candidates)), facts.unit[candidates], 0.0)
    minutes = facts.minutes[candidates]
    if not (minutes > 0.0).all():
        raise QueryError(
            "wishes",
            0.0,
            "a plate that takes no minutes makes a budget of time endless: raise photograph, clean"
            " or scan in [minutes]",
        )
    return Costs(minutes, facts.unit[candidates], wishes.open_unit + wishes.walk)


def _theorem(budget: Budget, costs: Costs, picks: Picks) -> str:
    if budget.plates is not None:
        count = max(len(picks.places), 1)
        return COUNT_THEOREM.format(share=1.0 - (1.0 - 1.0 / count) ** count)
    return COST_THEOREM if costs.opening == 0.0 else NO_THEOREM


def _working_table(
    edition: Edition, facts: PlateFacts, worth: Worth, chosen: Places, wishes: Wishes
) -> tuple[pa.Table, NDArray[np.float64]]:
    """Chosen plates in working order, and what they add in each cell and span."""
    opening = wishes.open_unit + wishes.walk
    gains = worth.copy().add(chosen)
    by_unit = np.bincount(facts.unit[chosen], gains, len(facts.units))
    minutes = np.bincount(facts.unit[chosen], facts.minutes[chosen], len(facts.units)) + opening
    rate = by_unit / np.maximum(minutes, np.finfo(float).tiny)
    unit = facts.unit[chosen]
    order = np.lexsort((facts.shelf_rank[chosen], unit, -rate[unit]))
    worked = chosen[order]
    gained = np.zeros(worth.bins.in_class)
    gains = worth.copy().add(worked, gained)
    is_first = np.diff(facts.unit[worked], prepend=-1) != 0
    spent = facts.minutes[worked] + np.where(is_first, opening, 0.0)
    running = np.cumsum(spent)
    day = np.floor((running - spent) / (wishes.hours * _MINUTES_PER_HOUR) + _ROUNDING) + 1
    columns = {
        "order": np.arange(1, len(worked) + 1),
        "day": day.astype(np.int64),
        "choice": order + 1,
        **_described(edition, facts, worked),
        "minutes": spent,
        "gain": gains,
        "running_minutes": running,
        "running_worth": np.cumsum(gains),
    }
    return pa.table(columns), gained


def _described(edition: Edition, facts: PlateFacts, rows: Places) -> dict[str, Any]:
    """Columns that say which plates these are and where they stand."""
    taken = edition.plates.take(pa.array(rows))
    texts = {
        name: taken.column(name).combine_chunks().cast(pa.string())
        for name in ("plate", "series", "shelf", "condition")
    }
    units = pa.array([facts.units[at] for at in facts.unit[rows]], pa.string())
    return {"plate": texts["plate"], "series": texts["series"], "unit": units,
            "shelf": texts["shelf"], "condition": texts["condition"]}  # fmt: skip


def _conservation_table(
    edition: Edition, facts: PlateFacts, rows: Places, gains: NDArray[np.float64]
) -> pa.Table:
    """Broken and flaking plates, the most wanted first."""
    order = np.argsort(-gains, kind="stable")
    return pa.table({**_described(edition, facts, rows[order]), "gain": gains[order]})


def _other_runs(
    facts: PlateFacts, worth: Worth, candidates: Places, costs: Costs, budget: float
) -> dict[str, Curve]:
    """What the budget gives along the shelves and at random: means of runs.

    Runs along the shelves begin at the first plate and at others evenly apart.
    """
    along = np.argsort(facts.shelf_rank[candidates], kind="stable")
    begins = [len(along) * run // _RUNS for run in range(_RUNS)]
    rng = np.random.default_rng(RANDOM_SEED)
    orders = {
        SHELF_ORDER: [np.roll(along, -begin) for begin in begins],
        RANDOM: [rng.permutation(len(candidates)) for _ in range(_RUNS)],
    }
    curves = {}
    for name, several in orders.items():
        runs = [_run(worth, candidates, costs, budget, order) for order in several]
        longest = max((spent for spent, _ in runs), key=len)
        curves[name] = longest, np.mean([_worth_at(run, longest) for run in runs], axis=0)
    return curves


def _run(worth: Worth, candidates: Places, costs: Costs, budget: float, order: Places) -> Curve:
    """Spent and worth along an order, as far as the budget goes."""
    spent = np.cumsum(costs.of_order(order))
    within = int(np.searchsorted(spent, budget * (1.0 + _ROUNDING), side="right"))
    return spent[:within], np.cumsum(worth.copy().add(candidates[order[:within]]))


def _worth_at(run: Curve, spent: NDArray[np.float64]) -> NDArray[np.float64]:
    """Worth of a run when so much is spent."""
    place = np.searchsorted(run[0], spent, side="right")
    return np.concatenate([np.zeros(1), run[1]])[place]


def _worked_curve(plates: pa.Table, budget: Budget) -> Curve:
    spent = plates.column("order" if budget.plates is not None else "running_minutes")
    return (
        spent.to_numpy().astype(np.float64),
        plates.column("running_worth").to_numpy(),
    )
