"""Which exposures of the last edition are in the new one with the same geometry."""

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from platecover.coverage.edition import Edition
from platecover.coverage.plate_geometry import GEOMETRY, Records

_SLICE = 100_000  # exposures whose geometry is compared at once


def carried_over(before: Edition, exposures: pa.Table, geometry: Records) -> NDArray[np.int32]:
    """Number in the new edition of every exposure of the last one.

    Parameters
    ----------
    before : Edition
    exposures : pyarrow.Table
        Of the new edition, as `arrow_tables.map_columns` maps them.
    geometry : dtype GEOMETRY, shape (n,)
        Of the new edition.

    Returns
    -------
    int32, shape (number of exposures before,)
        -1 if it is gone, or its place in time or on the sky, its size or its margin changed.
        Ascending where it is not -1: both editions are ordered by t_min and exposure_id, and
        these are the same.
    """
    ids = [
        table.column("exposure_id").chunk(0).dictionary for table in (before.exposures, exposures)
    ]
    number_of = pc.fill_null(pc.index_in(ids[0], value_set=ids[1]), -1).to_numpy().copy()
    t_min = exposures.column("t_min").to_numpy()
    for start in range(0, len(number_of), _SLICE):
        olds = np.arange(start, min(start + _SLICE, len(number_of)))
        olds = olds[number_of[olds] >= 0]
        news = number_of[olds]
        same = _same_bytes(before.floats("t_min")[olds], t_min[news])
        same &= _same_bytes(before.geometry[olds], geometry[news])
        number_of[olds[~same]] = -1
    return np.asarray(number_of, dtype=np.int32)


def _same_bytes(some: NDArray[np.generic], others: NDArray[np.generic]) -> NDArray[np.bool_]:
    """Which rows of two arrays are the same to the last bit, NaN included."""
    width = GEOMETRY.itemsize if some.dtype == GEOMETRY else some.dtype.itemsize
    one, other = (np.ascontiguousarray(each).view(np.uint8) for each in (some, others))
    equal = (one == other).reshape(len(some), width)
    return np.asarray(equal.all(axis=1), dtype=np.bool_)
