"""Choosing plates: worked instances, guarantees of the literature, all choices tried.

Where no source is named the instance is our own, its optimum found by trying all choices.
"""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.plate_sets import (
    Sets,
    by_plate_count,
    plain_cost,
    plain_worth,
    worth_of,
)

from platecover.coverage.scan_greedy import Costs, Picks, best_picks

ROUNDING = 1e-9
# Better of greedy by worth per cost and best single plate: Khuller, Moss & Naor 1999, Information
# Processing Letters 70, 39 (the factor 1 - 1/sqrt(e); paper cited from memory).
COST_GUARANTEE = 1.0 - 1.0 / math.sqrt(math.e)


def count_guarantee(picks: int) -> float:
    """Nemhauser, Wolsey & Fisher 1978, Mathematical Programming 14, 265 (page from memory)."""
    return 1.0 - (1.0 - 1.0 / picks) ** picks


def picks_of(sets: Sets, costs: Costs, budget: float) -> Picks:
    worth = worth_of(sets)
    return best_picks(worth, np.arange(len(sets)), costs, budget)


@pytest.mark.parametrize(
    ("picks", "expected"),
    [(1, 1.0), (2, 0.75), (3, 0.703704), (5, 0.67232), (10, 0.651322), (100, 0.633968)],
)
def test_count_guarantee_is_that_of_the_paper(picks: int, expected: float) -> None:
    assert count_guarantee(picks) == pytest.approx(expected, abs=1e-6)


def test_greedy_misses_the_best_two() -> None:
    # own instance; A and B: 12
    sets = [set(range(1, 7)), set(range(7, 13)), {3, 4, 5, 6, 9, 10, 11, 12}]
    found = picks_of(sets, by_plate_count(3), 2)
    assert found.places.tolist() == [2, 0]  # C, then A: the tie with B goes to the lower name
    assert found.gains.sum() == 10.0
    assert found.gains.sum() / 12.0 >= count_guarantee(2)
    assert found.bound >= 12.0


def test_greedy_misses_the_best_three() -> None:
    # own instance; R1, R2, R3: 27
    rows = [set(range(0, 9)), set(range(9, 18)), set(range(18, 27))]
    greedy = [
        {0, 1, 2, 3, 9, 10, 11, 18, 19, 20},
        {4, 5, 12, 13, 21, 22},
        {6, 14, 15, 23, 24},
    ]
    found = picks_of([*greedy, *rows], by_plate_count(6), 3)
    assert found.places.tolist() == [0, 1, 2]
    assert found.gains.sum() == 21.0
    assert found.bound >= 27.0


def test_lazy_greedy_evaluates_few_plates() -> None:
    # own instance of Minoux 1978 (from memory: Lecture Notes in Control and Information Sciences
    # 7, 234): 8 evaluations where the plain method takes 6 + 5 + 4
    sets = [
        set(range(0, 10)), set(range(8, 16)), set(range(14, 20)), {0, 1, 2}, set(range(20, 24)),
        {3, 4, 5, 6},
    ]  # fmt: skip
    found = picks_of(sets, by_plate_count(6), 3)
    assert found.places.tolist() == [0, 1, 2]
    assert found.gains.tolist() == [10.0, 6.0, 4.0]
    assert found.evaluations == 8


def test_worth_per_cost_alone_fails_and_the_single_plate_cures_it() -> None:
    # Khuller, Moss & Naor 1999: X costs 1 and adds 2, Y costs 10 and adds 19; budget 10
    sets = [{0, 1}, set(range(2, 21))]
    costs = Costs(np.array([1.0, 10.0]), np.zeros(2, dtype=np.int64), 0.0)
    found = picks_of(sets, costs, 10.0)
    assert found.places.tolist() == [1]
    assert found.gains.sum() == 19.0
    assert found.bound >= 19.0


def test_ties_go_to_the_earlier_plate() -> None:
    sets = [{4, 5}, {0, 1}, {2, 3}]
    assert picks_of(sets, by_plate_count(3), 2).places.tolist() == [0, 1]


def test_nothing_is_taken_that_adds_nothing() -> None:
    found = picks_of([{0, 1}, {0, 1}, {0}], by_plate_count(3), 3)
    assert found.places.tolist() == [0]
    assert found.bound == pytest.approx(2.0)


def test_no_plates() -> None:
    found = picks_of([], by_plate_count(0), 5)
    assert (len(found.places), found.bound) == (0, 0.0)


def test_budget_too_small_for_any() -> None:
    costs = Costs(np.array([5.0]), np.zeros(1, dtype=np.int64), 1.0)
    found = picks_of([{0}], costs, 5.5)
    assert len(found.places) == 0
    assert found.bound >= 0.0


def test_an_open_unit_makes_its_plates_cheaper() -> None:
    # P2 adds less than P1 does by itself, but stands in the unit that P0 has opened
    sets = [set(range(0, 10)), set(range(10, 16)), set(range(16, 21))]
    costs = Costs(np.full(3, 1.0), np.array([0, 1, 0]), 1.0)
    found = picks_of(sets, costs, 5.0)
    assert found.places.tolist() == [0, 2, 1]
    assert found.costs.tolist() == [2.0, 1.0, 2.0]


BINS = 8
instances = st.fixed_dictionaries(
    {
        "sets": st.lists(st.sets(st.integers(0, BINS - 1), max_size=6), min_size=1, max_size=7),
        "shares": st.sampled_from(
            [(1.0, 0.0), (1.0, 0.5, 0.0), (1.0, 0.5, 0.25, 0.125), (1.0, 1.0, 0.0), (1.0,)]
        ),
        "weights": st.lists(
            st.sampled_from([0.0, 0.25, 1.0, 3.0, 16.0]), min_size=BINS, max_size=BINS
        ),
        "minutes": st.lists(st.sampled_from([1.0, 2.0, 3.5, 8.0]), min_size=7, max_size=7),
        "units": st.lists(st.integers(0, 2), min_size=7, max_size=7),
        "opening": st.sampled_from([0.0, 1.0, 4.0]),
        "budget": st.sampled_from([1.0, 2.0, 3.0, 4.5, 7.0, 12.0, 30.0]),
        "scanned": st.integers(0, 3),
    }
)


def plain_greedy(worth, plates, costs: Costs, budget: float) -> list[int]:  # type: ignore[no-untyped-def]
    """Greedy that evaluates every plate at every step."""
    worth = worth.copy()
    chosen: list[int] = []
    spent = 0.0
    while True:
        gains = worth.gains(plates)
        best, best_rate, best_cost = -1, 0.0, 0.0
        open_units = {int(costs.unit[at]) for at in chosen}
        for at in range(len(plates)):
            opening = 0.0 if int(costs.unit[at]) in open_units else costs.opening
            cost = costs.each[at] + opening
            if at in chosen or spent + cost > budget * (1.0 + ROUNDING):
                continue
            if gains[at] / cost > best_rate:
                best, best_rate, best_cost = at, gains[at] / cost, cost
        if best < 0:
            return chosen
        worth.add(plates[best : best + 1])
        chosen.append(best)
        spent += best_cost


@settings(max_examples=300, deadline=None)
@given(instances)
def test_every_small_instance_against_all_choices(given_: dict) -> None:  # type: ignore[type-arg]
    sets, shares = given_["sets"], given_["shares"]
    done = sets[: min(given_["scanned"], len(sets) - 1)]  # these are scanned already
    sets = sets[len(done) :]
    every = [*done, *sets]
    worth = worth_of(every, shares, given_["weights"])
    worth.add(np.arange(len(done)))
    plates = np.arange(len(done), len(every))
    weights = dict(enumerate(given_["weights"][: worth.bins.count]))

    n = len(sets)
    opening = given_["opening"]
    by_time = Costs(np.array(given_["minutes"][:n]), np.array(given_["units"][:n]), opening)
    for costs, budget in (
        (by_plate_count(n), math.ceil(given_["budget"])),
        (by_time, given_["budget"]),
    ):
        found = best_picks(worth, plates, costs, budget)
        before = plain_worth(every, range(len(done)), shares, weights)

        def added(chosen: list[int], before: float = before) -> float:
            all_scanned = [*range(len(done)), *(len(done) + at for at in chosen)]
            return plain_worth(every, all_scanned, shares, weights) - before

        best = max(
            added([at for at in range(n) if mask >> at & 1])
            for mask in range(1 << n)
            if plain_cost([at for at in range(n) if mask >> at & 1], costs) <= budget
        )
        got = float(found.gains.sum())
        chosen = found.places.tolist()
        assert len(set(chosen)) == len(chosen)
        assert got == pytest.approx(added(chosen))
        assert plain_cost(chosen, costs) <= budget * (1.0 + ROUNDING)
        assert found.costs.sum() == pytest.approx(plain_cost(chosen, costs))
        assert found.bound >= best * (1.0 - ROUNDING)
        if costs is not by_time:
            assert got >= count_guarantee(int(budget)) * best - ROUNDING
            assert got >= (1.0 - 1.0 / math.e) * best - ROUNDING
        elif opening == 0.0:
            assert got >= COST_GUARANTEE * best - ROUNDING
        plain = plain_greedy(worth, plates, costs, budget)
        if added(plain) >= got - ROUNDING:  # else the single plate was the cure
            assert chosen == plain


def test_two_epochs_or_none_is_not_submodular() -> None:
    # Why worth counts plates with falling shares: of what two plates of a cell show together (a
    # baseline in time) neither shows any alone, so no greedy method has a guarantee. Own
    # counter-example.
    def baseline(plates: int) -> int:
        return int(plates >= 2)

    assert baseline(1) - baseline(0) < baseline(2) - baseline(1)
