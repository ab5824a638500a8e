"""Rows of an answer: hits as an Arrow table, with nulls, and as an astropy Table."""

from collections.abc import Sequence

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from astropy.table import MaskedColumn, Table
from numpy.typing import NDArray

from platecover.coverage.columns import (
    HISTORY_COLUMNS,
    REMARK_COLUMNS,
    RESULT_COLUMNS,
    SET_ASIDE_COLUMNS,
)
from platecover.coverage.edition import Edition
from platecover.coverage.per_edition import PerEdition
from platecover.coverage.search import Hits

_COLUMNS = {
    column.name: column
    for column in (*HISTORY_COLUMNS, *RESULT_COLUMNS, *SET_ASIDE_COLUMNS, *REMARK_COLUMNS)
}


RESULT_NAMES = tuple(column.name for column in RESULT_COLUMNS)
_SURE = pa.array(["marginal", "sure"])
# Rows are taken from all columns at once, which a table of one batch does but slowly.
_BATCH = PerEdition(lambda edition: edition.exposures.to_batches()[0])


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
    return plain_table(coded_table(edition, hits))


def coded_table(edition: Edition, hits: Hits, names: Sequence[str] = RESULT_NAMES) -> pa.Table:
    """The same rows as the edition keeps them, for writers; much quicker.

    Parameters
    ----------
    edition : Edition
    hits : Hits
    names : sequence of str
        Which of RESULT_COLUMNS, and in which order.

    Returns
    -------
    pyarrow.Table
        One chunk a column. Texts are dictionary codes; '' and NaN stand for what is not known.
    """
    columns = {
        "centre_distance": pa.array(hits.centre_distance_deg),
        "edge_distance": pa.array(hits.edge_distance_deg),
        "certainty": pa.DictionaryArray.from_arrays(pa.array(hits.sure.astype(np.int32)), _SURE),
    }
    kept = [name for name in names if name not in columns]
    batch = _BATCH.of(edition).select(kept).take(pa.array(hits.numbers))
    columns |= dict(zip(kept, batch.columns, strict=True))
    return pa.table([columns[name] for name in names], names=list(names))


class HitRows:
    """Rows of hits, taken from the edition piece by piece, so that many take little memory.

    Parameters
    ----------
    edition : Edition
    hits : Hits
    column_names : sequence of str
        Which of RESULT_COLUMNS, and in which order.
    """

    def __init__(
        self, edition: Edition, hits: Hits, column_names: Sequence[str] = RESULT_NAMES
    ) -> None:
        self._edition, self._hits = edition, hits
        self.column_names = list(column_names)

    def __len__(self) -> int:
        """Return the number of rows."""
        return len(self._hits.numbers)

    def slice(self, first: int = 0, count: int | None = None) -> pa.Table:
        """Some rows, or all, coded as `coded_table` says."""
        some = slice(first, None if count is None else first + count)
        hits = self._hits
        part = Hits(
            hits.numbers[some],
            hits.sure[some],
            hits.centre_distance_deg[some],
            hits.edge_distance_deg[some],
        )
        return coded_table(self._edition, part, self.column_names)

    def select(self, column_names: Sequence[str]) -> "HitRows":
        """The same rows with some of the columns."""
        return HitRows(self._edition, self._hits, column_names)


Rows = pa.Table | HitRows


def plain_table(table: pa.Table) -> pa.Table:
    """Turn '' and NaN into null, dictionary codes into text; what is plain stays as it is."""
    columns = [_plain(column) for column in table.columns]
    return pa.table(columns, names=table.column_names)


def exposures_table(edition: Edition, numbers: NDArray[np.int64]) -> pa.Table:
    """Exposures with every column kept of them (EXPOSURE_COLUMNS), null where not known."""
    return plain_table(edition.exposures.take(pa.array(numbers)))


def _plain(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """Values with nulls, without dictionary."""
    if pa.types.is_dictionary(column.type):
        return pa.chunked_array([decoded(chunk) for chunk in column.chunks], pa.string())
    if pa.types.is_floating(column.type):
        return pc.if_else(pc.is_nan(column), pa.scalar(None, pa.float64()), column)
    return column


def decoded(column: pa.DictionaryArray) -> pa.StringArray:
    """Texts of dictionary codes, null for ''."""
    words = column.dictionary
    texts = words.take(column.indices)
    empty = pc.equal(texts, "")
    if not pc.any(empty).as_py():
        return texts
    return pc.if_else(empty, pa.scalar(None, pa.string()), texts)


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
