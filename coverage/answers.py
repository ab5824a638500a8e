"""Rows of an answer: hits as an Arrow table, with nulls, and as an astropy Table."""

from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from astropy.table import MaskedColumn, Table
from numpy.typing import NDArray

from platecover.coverage.columns import (
    EXPOSURE_COLUMNS,
    REMARK_COLUMNS,
    RESULT_COLUMNS,
    SET_ASIDE_COLUMNS,
    Column,
)
from platecover.coverage.edition import Edition
from platecover.coverage.search import Hits

_COLUMNS = {
    column.name: column for column in (*RESULT_COLUMNS, *SET_ASIDE_COLUMNS, *REMARK_COLUMNS)
}


def hits_table(edition: Edition, hits: Hits) -> pa.Table:
    """Rows of hits, in order, with the columns of RESULT_COLUMNS.

    Parameters
    ----------
    edition : Edition
    hits : Hits

    Returns
    -------
    pyarrow.Table
        Null where nothing is known; distances are null but for circles.
    """
    measured = {
        "centre_distance": hits.centre_distance_deg,
        "edge_distance": hits.edge_distance_deg,
        "certainty": np.where(hits.sure, "sure", "marginal"),
    }
    rows = pa.array(hits.numbers)
    columns = []
    for column in RESULT_COLUMNS:
        if column.name in measured:
            values = pa.array(measured[column.name])
        else:
            values = edition.exposures.column(column.name).take(rows).combine_chunks()
        columns.append(_with_nulls(values, column))
    return pa.table(columns, names=[column.name for column in RESULT_COLUMNS])


def exposures_table(edition: Edition, numbers: NDArray[np.int64]) -> pa.Table:
    """Exposures with every column kept of them (EXPOSURE_COLUMNS), null where not known."""
    some = edition.exposures.take(pa.array(numbers))
    columns = [
        _with_nulls(some.column(column.name).combine_chunks(), column)
        for column in EXPOSURE_COLUMNS
    ]
    return pa.table(columns, names=[column.name for column in EXPOSURE_COLUMNS])


def _with_nulls(values: Any, column: Column) -> Any:
    """Turn '' and NaN into null, dictionary codes into text."""
    if column.kind == "text":
        values = values.cast(pa.string())
        return pc.if_else(pc.equal(values, ""), pa.scalar(None, pa.string()), values)
    if column.kind == "float":
        return pc.if_else(pc.is_nan(values), pa.scalar(None, pa.float64()), values)
    return values


def astropy_table(table: pa.Table) -> Table:
    """Convert an answer; null is masked, columns carry unit, UCD and description.

    Text columns are of type str, as wide as their longest value.
    """
    result = Table()
    for name in table.column_names:
        declared = _COLUMNS[name]
        values = table.column(name).combine_chunks()
        mask = np.asarray(values.is_null().to_numpy(zero_copy_only=False), dtype=np.bool_)
        if declared.kind == "text":
            data = np.array(values.fill_null("").to_pylist(), dtype=np.str_)
        elif declared.kind == "float":
            data = values.fill_null(np.nan).to_numpy(zero_copy_only=False)
        else:
            data = values.to_numpy(zero_copy_only=False)
        result[name] = MaskedColumn(
            data,
            mask=mask,
            unit=declared.unit or None,
            description=declared.description,
            meta={"ucd": declared.ucd} if declared.ucd else None,
        )
    return result
