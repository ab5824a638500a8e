"""The scanned sky before and after a plan."""

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.edition import Edition
from platecover.coverage.filters import Selection
from platecover.coverage.map_cells import KEPT_ORDER
from platecover.coverage.scan_plan import ScanPlan
from platecover.coverage.sky_map import count_plates


def scanned_maps(
    edition: Edition, plan: ScanPlan
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Scanned plates that cover each cell, before a plan and once it is done.

    Parameters
    ----------
    edition : Edition
        That the plan was made from.
    plan : ScanPlan

    Returns
    -------
    before, after : float64, shape (12 * 4**7,)
        NESTED, ICRS; a plate counts in a cell whose centre is inside its footprint.
    """
    scanned = Selection(edition, {"scanned": ["yes"]}).mask(np.arange(len(edition.geometry)))
    chosen = set(plan.plates.column("plate").to_pylist())
    words = edition.words("plate")
    is_chosen = np.array([word in chosen for word in words], dtype=np.bool_)
    planned = is_chosen[edition.codes("plate")]
    before, after = (
        count_plates(edition, np.flatnonzero(each), KEPT_ORDER)
        for each in (scanned, scanned | planned)
    )
    return before, after
