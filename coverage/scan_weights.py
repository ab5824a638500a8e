"""What each cell of sky weighs in each span of time: the keeper's wishes as one array."""

import warnings
from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path

import healpy
import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from platecover.coverage.errors import PlatecoverError, QueryError
from platecover.coverage.healpix_cells import BASE_CELLS, WHOLE_SKY_DEG2
from platecover.coverage.regions import Region
from platecover.coverage.scan_bins import Spans
from platecover.coverage.scan_wishes import Request, Wishes

_EQUATORIAL = ("C", "ICRS", "EQUATORIAL", "EQ", "CELESTIAL")  # what COORDSYS may say
_ORDERINGS = ("RING", "NESTED")
_FINE_ORDER = 12  # of the cells in which a region that holds no centre is looked for


def bin_weights(wishes: Wishes, spans: Spans, today: date) -> NDArray[np.float64]:
    """Worth of the first plate in each cell and span, in weighted square degrees.

    Parameters
    ----------
    wishes : Wishes
    spans : Spans
    today : date
        From which requests are pressing.

    Returns
    -------
    float64, shape (n_spans, n_cells)
        Cells NESTED, ICRS; the last span is that of the undated.

    Raises
    ------
    QueryError
        If a map or MOC cannot be read or cannot be right, or nothing has any weight.
    """
    n_cells = BASE_CELLS << (2 * wishes.order)
    sky = np.full(n_cells, wishes.everywhere)
    if wishes.map:
        sky *= _map_weights(Path(wishes.map), wishes.order)
    if wishes.moc:
        inside = np.zeros(n_cells, dtype=np.bool_)
        inside[_moc_cells(Path(wishes.moc), wishes.order)] = True
        sky *= np.where(inside, 1.0, wishes.outside_moc)
    for each in wishes.fields:
        circle = Region.circle(each.ra, each.dec, each.radius)
        sky[cells_of_place(circle, wishes.order)] += each.weight
    weights = span_factors(wishes, spans)[:, None] * sky
    for request in wishes.requests:
        cells = cells_of_place(request.place, wishes.order)
        urgency = request.weight * request.urgency * _haste(request, wishes, today)
        for span, share in enumerate(_overlaps(spans, request.first, request.last)):
            if share > 0.0:
                weights[span, cells] += urgency * share
    if not weights.any():
        raise QueryError(
            "wishes", 0.0, "nothing has any weight: raise 'everywhere', or name fields or requests"
        )
    return np.asarray(weights * (WHOLE_SKY_DEG2 / n_cells))


def span_factors(wishes: Wishes, spans: Spans) -> NDArray[np.float64]:
    """Factor of each span: the mean of its years', shape (n_spans,)."""
    factors = np.ones(len(spans.labels))
    factors[spans.undated] = wishes.undated
    for span in range(spans.undated):
        years = np.arange(spans.limits[span], spans.limits[span + 1])
        of_years = np.ones(len(years))
        for each in wishes.epochs:
            of_years[(years >= each.first) & (years <= each.last)] *= each.weight
        factors[span] = of_years.mean()
    return factors


def cells_of_place(region: Region, order: int) -> NDArray[np.int64]:
    """Cells whose centre is in a region; if there are none, those that hold any of it."""
    cells = region.cells_with_centre(order)
    if len(cells):
        return cells
    touched = [cells >> (2 * (depth - order)) for depth, cells, _ in region.cover(_FINE_ORDER)]
    return np.unique(np.concatenate(touched))


def _overlaps(spans: Spans, first: int, last: int) -> Sequence[float]:
    """Share of each dated span that years fill, both included."""
    starts, ends = spans.limits[:-1], spans.limits[1:]
    common = np.clip(np.minimum(ends, last + 1) - np.maximum(starts, first), 0, None)
    return [float(share) for share in common / (ends - starts)]


def _haste(request: Request, wishes: Wishes, today: date) -> float:
    """Factor of a request that is wanted soon or already overdue."""
    if request.wanted_by is None:
        return 1.0
    soon = request.wanted_by - today <= timedelta(days=wishes.soon_days)
    return wishes.pressing if soon else 1.0


def _moc_cells(path: Path, order: int) -> NDArray[np.int64]:
    try:
        return cells_of_place(Region.moc(path), order)
    except PlatecoverError as fault:
        raise QueryError("wishes", str(path), f"{path}: {fault}") from None


def _map_weights(path: Path, order: int) -> NDArray[np.float64]:
    """A HEALPix map of weights at an order: the mean of finer cells, or the coarser cell's own."""

    def refusal(what: str) -> QueryError:
        return QueryError("wishes", str(path), f"{path}: {what}")

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            header = fits.getheader(path, 1)
            frame = str(header.get("COORDSYS", "")).strip().upper()
            ordering = str(header.get("ORDERING", "")).strip().upper()
            if frame not in _EQUATORIAL:
                said = f"COORDSYS is {frame!r}" if frame else "the header has no COORDSYS"
                raise refusal(
                    f"{said}, and weights must be equatorial: turn the map to ICRS and"
                    " write COORDSYS = 'C'"
                )
            if ordering not in _ORDERINGS:
                raise refusal(f"ORDERING must be RING or NESTED, the header has {ordering!r}")
            values = np.asarray(healpy.read_map(path, field=0, nest=True, dtype=np.float64))
    except QueryError:
        raise
    except Exception as fault:  # healpy and astropy raise anything on what is no HEALPix map
        raise refusal(f"not a HEALPix map of weights ({fault})") from None
    values = np.where(values == healpy.UNSEEN, 0.0, values)
    good = np.isfinite(values) & (values >= 0.0)
    if not good.all():
        at = int(np.argmin(good))
        raise refusal(f"weights must be 0 or more, got {values[at]} in NESTED cell {at}")
    return _at_order(values, order)


def _at_order(values: NDArray[np.float64], order: int) -> NDArray[np.float64]:
    n_cells = BASE_CELLS << (2 * order)
    if len(values) >= n_cells:
        return np.asarray(values.reshape(n_cells, -1).mean(axis=1))
    return np.repeat(values, n_cells // len(values))
