"""A sky map in larger cells, for a quick look: each shows what its four finer ones say together."""

import numpy as np
from numpy.typing import NDArray

_CHILDREN = 4  # cells of the next order in a cell


def coarser(values: NDArray[np.float64], quantity: str, levels: int) -> NDArray[np.float64]:
    """Bring a map to a lower order.

    Counts and shares become the mean of the cells that have any, `first` the earliest, `last`
    the latest, `gap` the longest. This is not what `sky_map` says of the larger cell, which asks
    what covers its centre, but it changes as gently from cell to cell and is soon at hand.

    Parameters
    ----------
    values : float64, shape (12 * 4**order,)
        Of `sky_map.sky_map`, NESTED.
    quantity : str
        A key of `map_quantities.QUANTITIES`.
    levels : int
        Orders to go down, 0 to `order`.

    Returns
    -------
    float64, shape (12 * 4**(order - levels),)
        NaN where no finer cell has a value.
    """
    parts = values.reshape(-1, _CHILDREN**levels)
    known = ~np.isnan(parts)
    if quantity in ("first", "last", "gap"):
        lowest = quantity == "first"
        filled = np.where(known, parts, np.inf if lowest else -np.inf)
        found = filled.min(axis=1) if lowest else filled.max(axis=1)
    else:
        count = known.sum(axis=1)
        found = np.where(known, parts, 0.0).sum(axis=1) / np.maximum(count, 1)
    return np.where(known.any(axis=1), found, np.nan)
