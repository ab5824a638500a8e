"""Which exposures of the last edition are in the new one with the same geometry."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from platecover.coverage.edition import Edition
from platecover.coverage.plate_geometry import Records

_SLICE = 100_000  # exposures whose geometry is compared at once


def carried_over(
    before: Edition,
    exposures: pa.Table,
    geometry: Records,
    progress: Callable[[int, int], None] | None = None,
) -> NDArray[np.int32]:
    """Number in the new edition of every exposure of the last one.

    Parameters
    ----------
    before : Edition
    exposures : pyarrow.Table
        Of the new edition, as `arrow_tables.map_columns` maps them.
    geometry : dtype GEOMETRY, shape (n,)
        Of the new edition.
    progress : callable, optional
        Called with the exposures of the last edition done and their number.

    Returns
    -------
    int32, shape (number of exposures before,)
        -1 if it is gone, or its place in time or on the sky, its size or its margin changed.
        Ascending where it is not -1: both editions are ordered by t_min and exposure_id, and
        these are the same.
    """
    ids_before, ids_now = (
        table.column("exposure_id").chunk(0).dictionary for table in (before.exposures, exposures)
    )
    number_of = pc.fill_null(pc.index_in(ids_before, value_set=ids_now), -1).to_numpy().copy()
    pairs = [
        (_rows_of_bytes(old), _rows_of_bytes(new))
        for old, new in (
            (before.geometry, geometry),
            (before.floats("t_min"), exposures.column("t_min").to_numpy()),
        )
    ]
    for start in range(0, len(number_of), _SLICE):
        olds = np.arange(start, min(start + _SLICE, len(number_of)))
        olds = olds[number_of[olds] >= 0]
        news = number_of[olds]
        same = np.ones(len(olds), dtype=np.bool_)
        for old, new in pairs:
            same &= (old[olds] == new[news]).all(axis=1)
        number_of[olds[~same]] = -1
        if progress is not None:
            progress(min(start + _SLICE, len(number_of)), len(number_of))
    return np.asarray(number_of, dtype=np.int32)


def _rows_of_bytes(values: NDArray[Any]) -> NDArray[np.uint8]:
    """Values as rows of bytes; their padding, which numpy does not copy by index, with them."""
    return np.ascontiguousarray(values).view(np.uint8).reshape(len(values), -1)
