"""How the values of a map become colours: which are shown, and on what scale."""

import numpy as np
from matplotlib.colors import LogNorm, Normalize
from numpy.typing import NDArray

from platecover.coverage.map_quantities import QUANTITIES

_WIDE_RANGE = 30.0  # largest count over median count from which the scale is logarithmic


def is_count(quantity: str) -> bool:
    """Whether a quantity counts something, so that 0 is nothing and 1 the least."""
    return QUANTITIES[quantity].unit == "" and quantity != "scanned_share"


def shown_values(values: NDArray[np.float64], quantity: str) -> NDArray[np.float64]:
    """Values of a map with NaN where there is nothing to show."""
    return np.where(values > 0.0, values, np.nan) if is_count(quantity) else values


def colour_scale(shown: NDArray[np.float64], quantity: str) -> Normalize:
    """Scale of the colours of `shown_values`; logarithmic for counts that spread widely."""
    known = shown[np.isfinite(shown)]
    if not len(known):
        return Normalize(0.0, 1.0)
    low, high = float(known.min()), float(known.max())
    if is_count(quantity):
        low = 1.0
        if high > _WIDE_RANGE * float(np.median(known)):
            return LogNorm(low, high)
    return Normalize(low, high if high > low else low + 1.0)
