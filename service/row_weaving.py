"""Cells of columns woven into rows of text by one compiled pass."""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from platecover.coverage.compiled import compiled

_WORTH_A_THREAD = 1_000  # rows; fewer are written before a thread has started

Bytes = NDArray[np.uint8]
Integers = NDArray[np.int32]


def woven(columns: Sequence[pa.Array], marks: Sequence[str]) -> memoryview:
    """Rows as UTF-8: a mark, a cell, a mark, a cell, ..., a mark.

    Parameters
    ----------
    columns : sequence of pyarrow.StringArray or DictionaryArray of such, shape (n_rows,)
        Cells, none of them null.
    marks : sequence of str
        What stands before each cell, and after the last: one more than columns.
    """
    n_rows = len(columns[0])
    texts, places = [], np.empty((len(columns), n_rows), np.int32)
    used = 0
    for at, column in enumerate(columns):
        coded = pa.types.is_dictionary(column.type)
        texts.append(column.dictionary if coded else column)
        codes = column.indices.to_numpy() if coded else np.arange(n_rows, dtype=np.int32)
        np.add(codes, used, out=places[at])
        used += len(texts[-1])
    cells, cell_offsets = _bytes_and_offsets(pa.concat_arrays(texts))
    sources = (cells, cell_offsets, *_bytes_and_offsets(pa.array(marks, pa.string())), places)
    per_row = np.diff(cell_offsets)[places].sum(axis=0) + len(sources[2])
    row_starts = np.concatenate([np.zeros(1, np.int64), np.cumsum(per_row, dtype=np.int64)])
    rows = np.empty(row_starts[-1], np.uint8)
    half = n_rows // 2 if n_rows > _WORTH_A_THREAD else 0
    with ThreadPoolExecutor(1) as beside:
        first_half = beside.submit(_weave, *sources, 0, half, row_starts, rows) if half else None
        _weave(*sources, half, n_rows, row_starts, rows)
        if first_half is not None:
            first_half.result()
    return rows.data


def _bytes_and_offsets(texts: pa.StringArray) -> tuple[Bytes, Integers]:
    """The bytes of texts that start at the beginning of their buffers, and where each begins."""
    offsets = np.frombuffer(texts.buffers()[1], np.int32, len(texts) + 1)
    data = texts.buffers()[2]
    return np.frombuffer(data or b"\0", np.uint8)[: offsets[-1]], offsets


@compiled
def _weave(
    cells: Bytes,
    cell_offsets: Integers,
    marks: Bytes,
    mark_offsets: Integers,
    places: Integers,
    first: int,
    beyond: int,
    row_starts: NDArray[np.int64],
    rows: Bytes,
) -> None:
    """Write some of the rows."""
    n_columns = len(places)
    for row in range(first, beyond):
        at = row_starts[row]
        for column in range(n_columns + 1):
            for source in range(mark_offsets[column], mark_offsets[column + 1]):
                rows[at] = marks[source]
                at += 1
            if column < n_columns:
                cell = places[column, row]
                for source in range(cell_offsets[cell], cell_offsets[cell + 1]):
                    rows[at] = cells[source]
                    at += 1
