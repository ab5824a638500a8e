"""When the scanning will be done if it goes on as in the days on record, and how sure that is.

The record is the plates newly scanned on each calendar day, days without work included. A future is
made of weeks drawn from the record at random, each of seven days on end (the record closed to a
circle), so that weekends and busy spells stay as they are: the block bootstrap (Künsch 1989,
Annals of Statistics 17, 1217; as a circle: Politis & Romano 1992, in "Exploring the Limits of
Bootstrap"; sources from memory). Each future first draws a record of its own in the same way: so
the spread holds, besides the chance of future weeks, how well the pace itself is known (as Thombs &
Schucany 1990, J. Am. Stat. Assoc. 85, 486, do for predictions). It knows nothing of what the record
does not show: illness, new machines, the plates that are hard to find being left for last.
"""

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

WEEK_DAYS = 7
FEWEST_DAYS = 28  # of a record: with fewer than four weeks nothing is said; our choice
FEWEST_WORKING_DAYS = 10  # days of these on which anything was scanned; our choice
LONGEST_DAYS = 36_525  # a century: what takes longer is not dated
QUANTILES = (0.1, 0.5, 0.9)
_FUTURES = 1_000
_SEED = 20_261_125
_MOST_WEEKS = LONGEST_DAYS // WEEK_DAYS + 1
_WEEKS_AT_ONCE = 64
# A record of n weeks drawn anew spreads as if its mean were known better than it is: by (n - 1) / n
# for the variance, and again since the variance itself is a guess, which makes it Student's
# (n - 1) / (n - 3). A record of n - 3 weeks spreads as both together.
_WEEKS_FEWER = 3


@dataclass(frozen=True)
class Forecast:
    """When the scanning will be done.

    Attributes
    ----------
    early, middle, late : datetime.date or None
        Days before which it is done in one, five and nine of ten futures; None: not in a century.
    days, working_days : int
        On record, and of these with anything scanned.
    per_week : float
        Plates a week on record.
    why_not : str
        Why nothing can be said; '' if something can.
    """

    early: date | None
    middle: date | None
    late: date | None
    days: int
    working_days: int
    per_week: float
    why_not: str = ""


def forecast(daily: NDArray[np.int64], remaining: int, last_day: date) -> Forecast:
    """Forecast when `remaining` plates will be scanned.

    Parameters
    ----------
    daily : int64, shape (n,)
        Plates newly scanned on each calendar day of the record, less those that are to be scanned
        anew.
    remaining : int
    last_day : datetime.date
        Of the record.
    """
    days, working = len(daily), int((daily > 0).sum())
    per_week = float(daily.mean() * WEEK_DAYS) if days else 0.0

    def nothing(why: str) -> Forecast:
        return Forecast(None, None, None, days, working, per_week, why)

    if remaining <= 0:
        return nothing("nothing is left to scan")
    if days < FEWEST_DAYS or working < FEWEST_WORKING_DAYS:
        return nothing(
            f"the record has {days} days, {working} of them with scans; a forecast needs"
            f" {FEWEST_DAYS} and {FEWEST_WORKING_DAYS}"
        )
    if not per_week > 0.0:
        return nothing("no more plates were scanned than were asked for again")
    taken = days_needed(daily, remaining, _FUTURES, np.random.default_rng(_SEED))
    in_order = np.sort(taken)
    places = [min(int(np.ceil(q * _FUTURES)) - 1, _FUTURES - 1) for q in QUANTILES]
    early, middle, late = (
        last_day + timedelta(days=int(in_order[at])) if in_order[at] <= LONGEST_DAYS else None
        for at in places
    )
    return Forecast(early, middle, late, days, working, per_week)


def days_needed(
    daily: NDArray[np.int64], remaining: int, futures: int, rng: np.random.Generator
) -> NDArray[np.int64]:
    """Days until `remaining` are scanned, in each of many futures; above LONGEST_DAYS: never."""
    # a record of its own for each future: weeks that start anywhere
    n_weeks = max(-(-len(daily) // WEEK_DAYS) - _WEEKS_FEWER, 1)
    starts = rng.integers(0, len(daily), (futures, n_weeks))
    around = (starts[:, :, None] + np.arange(WEEK_DAYS)) % len(daily)
    records = daily[around].reshape(futures, -1)
    n_days = records.shape[1]
    in_week = np.zeros((futures, n_days), dtype=np.int64)  # by the day on which the week starts
    for day in range(WEEK_DAYS):
        in_week += np.roll(records, -day, axis=1)
    done = np.zeros(futures, dtype=np.int64)
    needed = np.full(futures, LONGEST_DAYS + 1, dtype=np.int64)
    going = np.arange(futures)
    for week in range(0, _MOST_WEEKS, _WEEKS_AT_ONCE):
        starts = rng.integers(0, n_days, (len(going), _WEEKS_AT_ONCE))
        so_far = done[going, None] + np.cumsum(in_week[going[:, None], starts], axis=1)
        reached = so_far >= remaining
        over = reached.any(axis=1)
        row, column = np.flatnonzero(over), reached[over].argmax(axis=1)
        days = (starts[row, column][:, None] + np.arange(WEEK_DAYS)) % n_days
        of_week = records[going[row][:, None], days]
        before = so_far[row, column] - of_week.sum(axis=1)
        day = (before[:, None] + np.cumsum(of_week, axis=1) >= remaining).argmax(axis=1)
        needed[going[row]] = (week + column) * WEEK_DAYS + day + 1
        done[going] = so_far[:, -1]
        going = going[~over]
        if not len(going):
            break
    return needed
