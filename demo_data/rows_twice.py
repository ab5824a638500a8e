"""Rows that the invented transcribers wrote twice, or with a cell too many."""

from dataclasses import replace

import numpy as np

from platecover.demo_data.log_rows import LogRow

REPEATED_PER_5000, SECOND_ROWS_PER_5000, OVERFULL_PER_5000 = 3, 2, 2


def with_rows_written_twice(
    rows: list[LogRow], exposures: int, rng: np.random.Generator
) -> list[LogRow]:
    """Return the rows with some repeated, some exposures on two rows, and some rows overfull."""
    able = [
        i
        for i, row in enumerate(rows)
        if not row.slip and row.exposure.exposures_on_plate == 1 and row.cells.get("time")
    ]
    picks = iter(int(i) for i in rng.permutation(able))
    share = exposures / 5000
    wanted = max(1, round(OVERFULL_PER_5000 * share))
    for i in [i for i in picks if not rows[i].typed][:wanted]:
        rows[i].extra, rows[i].slip = ["copied twice"], "more cells than the header"
    again: dict[int, LogRow] = {}
    picks = iter(int(i) for i in rng.permutation([i for i in able if not rows[i].slip]))
    for _ in range(max(1, round(REPEATED_PER_5000 * share))):
        i = next(picks)
        again[i] = replace(rows[i], cells=dict(rows[i].cells), slip="repeated row")
    for _ in range(max(1, round(SECOND_ROWS_PER_5000 * share))):
        i = next(picks)
        cells = rows[i].cells | {"object": "nebula near edge"}
        again[i] = replace(rows[i], cells=cells, slip="second row of one exposure")
    longer = []
    for i, row in enumerate(rows):
        longer.append(row)
        if i in again:
            longer.append(again[i])
    return longer
