"""What a square degree weighs in each depth class and span, beside the cell's own weight.

Worth counts cells, and a giant field has hundreds of times more of them than a plate of a long
telescope. So that these are not put off for years, a square degree weighs more where the typical
field is small (the wish `evened`). Factors depend on the whole edition, not on what is asked for
or scanned; being constants of the bins, they leave worth monotone and submodular.
"""

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.edition import Edition
from platecover.coverage.healpix_cells import BASE_CELLS, WHOLE_SKY_DEG2
from platecover.coverage.scan_bins import NOWHERE, Spans, layers
from platecover.coverage.scan_wishes import Wishes

_ARCSEC_PER_DEG = 3600.0


def class_factors(edition: Edition, wishes: Wishes, spans: Spans) -> NDArray[np.float64]:
    """Factors of depth classes in spans: the classes' own, and those that even sizes out.

    Returns
    -------
    float64, shape (n_classes, n_spans)
        Without the classes' own, 1 where the typical field is the largest, or there is none.
    """
    own = np.array(wishes.factors_of_classes)[:, None]
    shape = len(own), len(spans.labels)
    if not wishes.depth_classes or wishes.evened == 0.0:
        return np.broadcast_to(own, shape)
    size = typical_deg2(layers(edition, wishes, spans), field_deg2(edition), shape[0] * shape[1])
    size = np.maximum(size, WHOLE_SKY_DEG2 / (BASE_CELLS << (2 * wishes.order)))  # a cell at least
    factor = (np.nanmax(size, initial=0.0) / size) ** wishes.evened
    return np.asarray(own * np.where(np.isnan(factor), 1.0, factor).reshape(shape))


def field_deg2(edition: Edition) -> NDArray[np.float64]:
    """About how much sky each exposure shows, as if the sky were flat; NaN if that is not known."""
    scale = edition.floats("scale_arcsec_per_mm") / _ARCSEC_PER_DEG
    exposed = edition.floats("width_mm") * edition.floats("height_mm") * scale**2
    return np.fmin(exposed, np.pi * edition.floats("usable_radius_deg") ** 2)


def typical_deg2(
    layer: NDArray[np.int64], size_deg2: NDArray[np.float64], count: int
) -> NDArray[np.float64]:
    """Median size of the exposures of each layer (of two in the middle the larger), NaN of none.

    A median, since it is the same in whatever order exposures come.
    """
    known = np.flatnonzero((layer != NOWHERE) & ~np.isnan(size_deg2))
    order = known[np.lexsort((size_deg2[known], layer[known]))]
    counts = np.bincount(layer[order], minlength=count)
    middle = np.cumsum(counts) - counts + counts // 2
    has_any = counts > 0
    typical = np.full(count, np.nan)
    typical[has_any] = size_deg2[order[middle[has_any]]]
    return typical
