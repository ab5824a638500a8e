"""On which nights plates were taken: clear, dark enough for the programme, and not too full."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


def allot_nights(
    code: str,
    task: NDArray[np.int64],
    allowed: Sequence[Flags],
    longest_days: Sequence[float],
    dark_days: Floats,
    activity: Floats,
    plates_a_night: int,
    rng: np.random.Generator,
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Give every plate a night.

    Parameters
    ----------
    code : str
        Of the series, for the error.
    task : int64, shape (n_plates,)
        Programme of each plate.
    allowed : sequence of bool arrays, shape (n_nights,)
        By programme, the nights it may have.
    longest_days : sequence of float
        By programme, the longest that a plate takes.
    dark_days : float64, shape (n_nights,)
        How long it is dark.
    activity : float64, shape (n_nights,)
        How readily the instrument was used.
    plates_a_night : int
        Usual number.
    rng : numpy.random.Generator

    Returns
    -------
    task, night : int64, shape (n_plates,)
        Programmes may have changed to the first one, where a programme's nights were full;
        nights are places in `dark_days`.

    Raises
    ------
    ValueError
        If the nights do not suffice.
    """
    free_days = dark_days.copy()
    task = task.copy()
    night = np.full(len(task), -1, dtype=np.int64)
    choosy_first = sorted(range(1, len(allowed)), key=lambda which: int(allowed[which].sum()))
    for which in [*choosy_first, 0]:
        mine = np.flatnonzero(task == which)
        room = np.where(allowed[which], free_days // longest_days[which], 0.0).astype(np.int64)
        wish = 1 + rng.poisson(plates_a_night - 1, size=len(room))
        # The smallest of exponential waits: nights drawn in proportion to activity.
        order = np.argsort(rng.exponential(size=len(room)) / activity)
        counts = np.zeros(len(room), dtype=np.int64)
        left = len(mine)
        for most in (np.minimum(room, wish), room):  # busier nights only if there are too few
            more = np.minimum((most - counts)[order], left)
            given = np.diff(np.minimum(np.concatenate([[0], np.cumsum(more)]), left))
            counts[order] += given
            left -= int(given.sum())
        if left and which == 0:
            raise ValueError(f"exposures: {code} has no dark nights left for {left} more plates")
        free_days -= counts * longest_days[which]
        placed = np.repeat(np.arange(len(counts)), counts)
        night[mine[: len(placed)]] = placed
        task[mine[len(placed) :]] = 0
    return task, night
