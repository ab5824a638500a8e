"""Where and when a plan adds most, in words: constellations and spans of time, ranked."""

from typing import Any

import numpy as np

from platecover.coverage.constellations import names, numbers_at
from platecover.coverage.directions import ra_dec_deg
from platecover.coverage.healpix_cells import cell_centres
from platecover.coverage.scan_plan import ScanPlan

_SHOWN = 10
_DEGREES_PER_HOUR, _MINUTES_PER_HOUR = 15.0, 60


def areas_gaining_most(plan: ScanPlan, most: int = _SHOWN) -> list[dict[str, Any]]:
    """Constellations and spans in which a plan adds most.

    Parameters
    ----------
    plan : ScanPlan
    most : int, optional
        How many to name.

    Returns
    -------
    list of dict
        Plain values: `constellation` (Latin name), `years`, `gain`, `share` (of the whole plan),
        `ra`, `dec` (where the middle of the gain is, ICRS degrees) and `place` (the same as
        people write it); those that add most first.
    """
    cells = np.flatnonzero(plan.gained.any(axis=0))
    centres = cell_centres(plan.wishes.order, cells)
    gained = plan.gained[:, cells]
    latin = list(names().values())
    of_cell = numbers_at(centres)
    n_spans = len(gained)
    key = of_cell * n_spans + np.arange(n_spans)[:, None]
    totals = np.bincount(key.ravel(), gained.ravel(), len(latin) * n_spans)
    order = np.argsort(-totals, kind="stable")[:most]
    found = []
    for each in order[totals[order] > 0.0].tolist():
        constellation, span = divmod(each, n_spans)
        mine = of_cell == constellation
        ra, dec = ra_dec_deg(gained[span, mine] @ centres[mine])
        found.append(
            {
                "constellation": latin[constellation],
                "years": plan.spans.labels[span],
                "gain": float(totals[each]),
                "share": float(totals[each] / plan.gain),
                "ra": float(ra),
                "dec": float(dec),
                "place": _place_text(float(ra), float(dec)),
            }
        )
    return found


def _place_text(ra_deg: float, dec_deg: float) -> str:
    minutes = round(ra_deg / _DEGREES_PER_HOUR * _MINUTES_PER_HOUR) % (24 * _MINUTES_PER_HOUR)
    hour, minute = divmod(minutes, _MINUTES_PER_HOUR)
    return f"RA {hour}h {minute:02d}m, Dec {dec_deg:+.0f}°"
