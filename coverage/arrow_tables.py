"""Columns as Arrow tables: one form for keeping (nulls), one for searching (memory-mapped)."""

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from numpy.typing import NDArray

from platecover.coverage.columns import Column
from platecover.coverage.text_arrays import well_formed

_ARROW_KIND = {"text": pa.string(), "float": pa.float64(), "int": pa.int64(), "bool": pa.bool_()}
_ROW_GROUP = 131_072  # rows of a Parquet file that are in memory at once

Values = Any  # a numpy or Arrow array, shape (n,)


def kept_table(columns: Mapping[str, Values], declared: Sequence[Column]) -> pa.Table:
    """Table for keeping: '' and NaN are null; units and descriptions go with the fields.

    Parameters
    ----------
    columns : mapping of str to array, shape (n,)
    declared : sequence of Column
        Which columns, and in which order.
    """
    arrays = [with_nulls(as_arrow(columns[column.name]), column) for column in declared]
    return pa.table(arrays, schema=_kept_schema(declared))


def _kept_schema(declared: Sequence[Column]) -> pa.Schema:
    return pa.schema(
        pa.field(column.name, _ARROW_KIND[column.kind], metadata=column_facts(column))
        for column in declared
    )


def as_arrow(values: Values) -> Any:
    """Arrow array of a column; texts that UTF-8 cannot hold are mended."""
    if isinstance(values, np.ndarray):
        if values.dtype == object:
            return pa.array(well_formed(values.tolist()), pa.string())
        return pa.array(values)
    return values


def with_nulls(values: Any, column: Column) -> Any:
    """Turn '' and NaN into null, dictionary codes into text."""
    values = values.cast(_ARROW_KIND[column.kind])
    if column.kind == "text":
        return pc.if_else(pc.equal(values, ""), pa.scalar(None, pa.string()), values)
    if column.kind == "float":
        return pc.if_else(pc.is_nan(values), pa.scalar(None, pa.float64()), values)
    return values


def with_replaced(texts: pa.Array, replaced: Mapping[int, str]) -> pa.Array:
    """Texts with some, by place, replaced by others."""
    if not replaced:
        return texts
    values = pa.array(list(replaced.values()), texts.type)
    return with_put(texts, np.fromiter(replaced, np.int64, len(replaced)), values)


def with_put(texts: pa.Array, places: NDArray[np.int64], values: pa.Array) -> pa.Array:
    """Texts with others, of the same type, in some places."""
    source = np.arange(len(texts))
    source[places] = len(texts) + np.arange(len(places))
    return pa.concat_arrays([texts, values]).take(pa.array(source))


def column_facts(column: Column) -> dict[str, str]:
    """What goes with a field of a Parquet file as its metadata."""
    return {"unit": column.unit, "ucd": column.ucd, "description": column.description}


def write_parquet(table: pa.Table, path: Path) -> None:
    """Write a Parquet file; the same table gives the same bytes."""
    pq.write_table(table, path, compression="zstd")


def write_mapped_column(values: Values, column: Column, folder: Path) -> None:
    """Write one column for searching: text as dictionary codes, nothing null.

    The words of the dictionary are in the order of their first use.
    """
    values = as_arrow(values)
    if column.kind == "text":
        values = _in_order_of_use(values.dictionary_encode())
    else:
        values = values.cast(_ARROW_KIND[column.kind])
    table = pa.table({column.name: values})
    path = _mapped_path(folder, column)
    with pa.OSFile(str(path), "wb") as sink, pa.ipc.new_file(sink, table.schema) as writer:
        writer.write_table(table, max_chunksize=max(len(table), 1))


def _in_order_of_use(encoded: pa.DictionaryArray) -> pa.DictionaryArray:
    """The same texts with a dictionary of those that occur, in the order of their first use."""
    used = encoded.indices.unique()
    place = np.zeros(len(encoded.dictionary), dtype=np.int32)
    place[used.to_numpy()] = np.arange(len(used), dtype=np.int32)
    return pa.DictionaryArray.from_arrays(
        pa.array(place[encoded.indices.to_numpy()]),
        encoded.dictionary.take(used).cast(pa.string()),
    )


def map_columns(folder: Path, declared: Iterable[Column]) -> pa.Table:
    """Memory-map the columns that `write_mapped_column` wrote; one chunk each.

    Raises
    ------
    OSError, pyarrow.ArrowException
        If a file is missing or damaged; the text begins with its name.
    """
    columns = {}
    for column in declared:
        path = _mapped_path(folder, column)
        try:
            with pa.memory_map(str(path)) as source:
                columns[column.name] = pa.ipc.open_file(source).read_all().column(column.name)
        except (OSError, pa.ArrowException, KeyError) as fault:
            raise OSError(f"{path.name}: {fault}") from None
    return pa.table(columns)


def _mapped_path(folder: Path, column: Column) -> Path:
    return folder / f"{column.name}.arrow"


def write_kept_columns(
    mapped: pa.Table,
    declared: Sequence[Column],
    path: Path,
) -> None:
    """Write a table of mapped columns for keeping, some rows at a time.

    Parameters
    ----------
    mapped : pyarrow.Table
        Of `map_columns`.
    declared : sequence of Column
    path : pathlib.Path
        Parquet file.
    """
    schema = _kept_schema(declared)
    with pq.ParquetWriter(path, schema, compression="zstd") as writer:
        for start in range(0, max(len(mapped), 1), _ROW_GROUP):
            some = mapped.slice(start, _ROW_GROUP)
            columns = {name: some.column(name).combine_chunks() for name in some.column_names}
            writer.write_table(kept_table(columns, declared), row_group_size=_ROW_GROUP)
