"""Columns as Arrow tables: one form for keeping (nulls), one for searching (memory-mapped)."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from platecover.coverage.columns import Column

_NUMPY_KIND = {"float": np.float64, "int": np.int64, "bool": np.bool_}


def kept_table(columns: Mapping[str, NDArray[Any]], declared: Sequence[Column]) -> pa.Table:
    """Table for keeping: '' and NaN are null; units and descriptions go with the fields.

    Parameters
    ----------
    columns : mapping of str to array, shape (n,)
    declared : sequence of Column
        Which columns, and in which order.
    """
    arrays, fields = [], []
    for column in declared:
        values = columns[column.name]
        if column.kind == "text":
            array = pa.array(_clean(values), type=pa.string(), mask=values == "")
        else:
            numbers: NDArray[Any] = np.asarray(values, dtype=_NUMPY_KIND[column.kind])
            mask = np.isnan(numbers) if column.kind == "float" else None
            array = pa.array(numbers, mask=mask)
        arrays.append(array)
        fields.append(pa.field(column.name, array.type, metadata=column_facts(column)))
    return pa.table(arrays, schema=pa.schema(fields))


def column_facts(column: Column) -> dict[str, str]:
    """What goes with a field of a Parquet file as its metadata."""
    return {"unit": column.unit, "ucd": column.ucd, "description": column.description}


def mapped_table(columns: Mapping[str, NDArray[Any]], declared: Sequence[Column]) -> pa.Table:
    """Table for searching: text as dictionary codes, nothing null ('' and NaN stand for it)."""
    arrays = []
    for column in declared:
        values = columns[column.name]
        if column.kind == "text":
            arrays.append(pa.array(_clean(values), type=pa.string()).dictionary_encode())
        else:
            arrays.append(pa.array(np.asarray(values, dtype=_NUMPY_KIND[column.kind])))
    return pa.table(arrays, names=[column.name for column in declared])


def logged_table(
    exposures: Mapping[str, NDArray[Any]], logged: Mapping[str, NDArray[np.object_]]
) -> pa.Table:
    """Every cell of the kept rows as logged, after the exposure that each row became.

    Column names are those of the logs, with ``log:`` before them.
    """
    columns = {"exposure_id": exposures["exposure_id"], "log_file": exposures["log_file"]}
    columns |= {f"log:{name}": cells for name, cells in logged.items()}
    arrays = {name: pa.array(_clean(cells), type=pa.string()) for name, cells in columns.items()}
    return pa.table({**arrays, "log_row": pa.array(exposures["log_row"].astype(np.int64))})


def _clean(values: NDArray[Any]) -> list[str]:
    """Texts that UTF-8 can hold: a lone surrogate, which it cannot, becomes "?"."""
    texts = values.tolist()
    try:
        "".join(texts).encode()
    except UnicodeEncodeError:
        texts = [text.encode("utf-8", "replace").decode() for text in texts]
    return list(texts)


def write_parquet(table: pa.Table, path: Path) -> None:
    """Write a Parquet file; the same table gives the same bytes."""
    pq.write_table(table, path, compression="zstd")


def write_arrow(table: pa.Table, path: Path) -> None:
    """Write an uncompressed Arrow file of one batch, fit to be memory-mapped."""
    with pa.OSFile(str(path), "wb") as sink, pa.ipc.new_file(sink, table.schema) as writer:
        writer.write_table(table.combine_chunks(), max_chunksize=max(len(table), 1))
