"""The forecast against simulated work whose truth is known: how often it holds, and exact cases."""

from datetime import date, timedelta

import numpy as np
import pytest
from numpy.typing import NDArray

from platecover.coverage.scan_forecast import LONGEST_DAYS, days_needed, forecast

LAST = date(2026, 11, 25)
SEED = 20261125


def work(rng: np.random.Generator, days: int, mean: float, off: float = 0.0) -> NDArray[np.int64]:
    """Plates of days of work: Poisson on five days of a week, none on two; some weeks off."""
    weeks = -(-days // 7)
    pace = mean * rng.uniform(0.5, 1.5, (weeks, 1))  # one week is not as the other
    plates = rng.poisson(pace, (weeks, 7))
    plates[:, 5:] = 0
    plates[rng.random(weeks) < off] = 0
    return plates.ravel()[:days].astype(np.int64)


def test_even_work_is_dated_to_the_day() -> None:
    said = forecast(np.full(28, 10, dtype=np.int64), 101, LAST)
    assert {said.early, said.middle, said.late} == {LAST + timedelta(days=11)}
    assert (said.days, said.working_days, said.per_week) == (28, 28, 70.0)


@pytest.mark.parametrize(("off", "least"), [(0.0, 0.73), (0.1, 0.65)])
def test_the_interval_holds_as_often_as_it_says(off: float, least: float) -> None:
    # Simulated archives: 8 of 10 true ends should lie between early and late; 300 archives tell
    # that to 0.07 (three times the spread of a share). Where one week in ten is off, three records
    # of twelve weeks in ten show none (0.9**12), and nobody can know of them.
    rng = np.random.default_rng(SEED)
    inside = 0
    for _ in range(300):
        record, remaining = work(rng, 84, 40.0, off), 6_000
        said = forecast(record, remaining, LAST)
        truth = int((np.cumsum(work(rng, 3_000, 40.0, off)) >= remaining).argmax()) + 1
        assert said.early and said.late
        inside += said.early <= LAST + timedelta(days=truth) <= said.late
    assert least <= inside / 300 <= 0.87


def test_the_spread_is_that_of_the_pace_and_of_the_weeks_to_come() -> None:
    record = work(np.random.default_rng(SEED), 84, 40.0)
    taken = days_needed(record, 20_000, 1_000, np.random.default_rng(1))
    weekly = np.array([record[at : at + 7].sum() for at in range(0, 84, 7)])
    n, ratio = len(weekly), weekly.std(ddof=1) / weekly.mean()
    # elementary: a mean of n weeks spreads by s / sqrt(n), as Student's t by sqrt((n-1) / (n-3))
    # more, a sum of m weeks by s sqrt(m)
    of_pace = np.median(taken) * ratio / np.sqrt(n) * np.sqrt((n - 1) / (n - 3))
    of_weeks = 7.0 * ratio * np.sqrt(np.median(taken) / 7.0)
    assert taken.std() == pytest.approx(np.hypot(of_pace, of_weeks), rel=0.3)


@pytest.mark.parametrize(
    ("daily", "remaining", "message"),
    [
        ([5] * 27, 100, "a forecast needs 28 and 10"), ([], 100, "the record has 0 days"),
        ([0] * 50 + [5] * 9, 100, "59 days, 9 of them with scans"),
        ([5] * 40, 0, "nothing is left"), ([5] * 20 + [-5] * 20, 10, "no more plates were scanned"),
    ],
)  # fmt: skip
def test_no_forecast_from_too_little(daily: list[int], remaining: int, message: str) -> None:
    said = forecast(np.array(daily, dtype=np.int64), remaining, LAST)
    assert message in said.why_not and said.early is said.middle is said.late is None


def test_what_takes_over_a_century_is_not_dated() -> None:
    daily = np.zeros(40, dtype=np.int64)
    daily[::4] = 1
    said = forecast(daily, 10_000_000, LAST)
    assert said.middle is None and not said.why_not and said.per_week == 1.75
    taken = days_needed(daily, 10_000_000, 20, np.random.default_rng(1))
    assert (taken > LONGEST_DAYS).all()


def test_the_same_record_gives_the_same_forecast() -> None:
    daily = work(np.random.default_rng(3), 60, 20.0)
    assert forecast(daily, 3_000, LAST) == forecast(daily, 3_000, LAST)
