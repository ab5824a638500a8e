"""Plate logs in tables of records: VOTable, FITS and Parquet."""

import datetime
import io
import json
import warnings
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from astropy.io import fits
from astropy.io.votable import parse as parse_votable
from astropy.table import Column, MaskedColumn, Table
from numpy.typing import NDArray

from platecover.coverage.ecsv_header import declared_columns
from platecover.coverage.errors import LogFileError
from platecover.coverage.log_table import (
    NEEDED_COLUMN,
    NUMBER,
    TEXT,
    TRUTH,
    FileColumn,
    LogTable,
    checked_names,
    log_table,
    number_texts,
)
from platecover.coverage.text_arrays import as_texts


def read_votable(path: str, content: bytes) -> LogTable:
    """Read the first table of a VOTable that has a column `plate`, else the first."""
    return _guarded(path, "VOTable", content, _votable)


def read_fits(path: str, content: bytes) -> LogTable:
    """Read the first table of a FITS file that has a column `plate`, else the first."""
    return _guarded(path, "FITS", content, _fits)


def read_parquet(path: str, content: bytes) -> LogTable:
    """Read a Parquet file; a field's metadata may hold its `unit`."""
    return _guarded(path, "Parquet", content, _parquet)


def _guarded(
    path: str, kind: str, content: bytes, reader: Callable[[str, bytes], LogTable]
) -> LogTable:
    """Call a reader; whatever its library raises on a damaged file is a LogFileError."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # what is amiss but readable is not for the keeper
            return reader(path, content)
    except LogFileError:
        raise
    except Exception as error:  # libraries raise anything on a damaged file
        reason = " ".join(str(error).split())[:200] or type(error).__name__
        raise LogFileError(f"{path}: cannot be read as {kind}: {reason}") from error


def _votable(path: str, content: bytes) -> LogTable:
    tables = list(parse_votable(io.BytesIO(content), verify="ignore").iter_tables())
    if not tables:
        raise LogFileError(f"{path}: the VOTable holds no table")
    names = [[field.name or field.ID or "" for field in table.fields] for table in tables]
    chosen = _first_with_plate(names)
    checked_names(path, names[chosen])
    array = tables[chosen].array
    columns = []
    for place, field in enumerate(tables[chosen].fields):
        values = array[array.dtype.names[place]] if len(array) else np.array([], dtype=object)
        numeric = field.datatype in _VOTABLE_NUMBERS and field.arraysize is None
        kind = NUMBER if numeric else TRUTH if field.datatype == "boolean" else TEXT
        unit = str(field.unit) if field.unit is not None else ""
        columns.append(_file_column(names[chosen][place], values, unit, kind))
    return log_table(path, columns, _records(len(array)))


_VOTABLE_NUMBERS = ("unsignedByte", "short", "int", "long", "float", "double")  # VOTable 1.4, 2.1


def _fits(path: str, content: bytes) -> LogTable:
    with fits.open(io.BytesIO(content), memmap=False) as units_of_file:
        tables = [hdu for hdu in units_of_file if isinstance(hdu, fits.BinTableHDU | fits.TableHDU)]
        if not tables:
            raise LogFileError(f"{path}: the FITS file holds no table")
        names = [list(table.columns.names) for table in tables]
        chosen = _first_with_plate(names)
        checked_names(path, names[chosen])
        table = Table.read(tables[chosen])
        units = [unit or "" for unit in tables[chosen].columns.units]
        columns = [
            _file_column(name, table[table.colnames[place]], units[place], None)
            for place, name in enumerate(names[chosen])
        ]
    return log_table(path, columns, _records(len(table)))


def _parquet(path: str, content: bytes) -> LogTable:
    table = pq.read_table(io.BytesIO(content))
    checked_names(path, table.column_names)
    meta = table.schema.metadata or {}
    units: dict[str, str] = {}
    if _ASTROPY_META in meta:
        declared, _ = declared_columns(path, meta[_ASTROPY_META].decode("utf-8", "replace"))
        units = {name: unit for name, (_, unit) in declared.items()}
        table = _masked(table)
    columns = [
        _arrow_column(field, table.column(place), units.get(field.name.strip().lower(), ""))
        for place, field in enumerate(table.schema)
    ]
    return log_table(path, columns, _records(table.num_rows))


_ASTROPY_META = b"table_meta_yaml"  # where astropy's Parquet writer puts units


def _masked(table: pa.Table) -> pa.Table:
    """Return the table with nulls where astropy has put a column `NAME.mask` beside NAME."""
    for name in table.column_names:
        mask_name = f"{name}.mask"
        if mask_name in table.column_names and pa.types.is_boolean(table[mask_name].type):
            place = table.column_names.index(name)
            nothing = pa.scalar(None, table[name].type)
            values = pc.if_else(table[mask_name], nothing, table[name])
            table = table.set_column(place, table.schema.field(name), values)
            table = table.drop_columns([mask_name])
    return table


def _arrow_column(field: pa.Field, values: pa.ChunkedArray, unit: str) -> FileColumn:
    if pa.types.is_dictionary(field.type):
        values = values.cast(field.type.value_type)
    kind = values.type
    unit = (field.metadata or {}).get(b"unit", unit.encode()).decode("utf-8", "replace")
    if pa.types.is_integer(kind) or pa.types.is_floating(kind):
        missing = np.asarray(values.is_null().to_numpy(zero_copy_only=False), dtype=np.bool_)
        plain = values.fill_null(0) if values.null_count else values
        numbers = number_texts(plain.to_numpy(zero_copy_only=False), missing)
        return FileColumn(field.name, NUMBER, unit, numbers)
    if pa.types.is_timestamp(kind) and kind.unit == "ns":  # finer than Python's clock
        values = values.cast(pa.timestamp("us", kind.tz), safe=False)
    elif pa.types.is_time64(kind):
        values = values.cast(pa.time64("us"), safe=False)
    listed = values.to_pylist()
    if pa.types.is_decimal(kind):
        texts = as_texts("" if value is None else str(value) for value in listed)
        return FileColumn(field.name, NUMBER, unit, texts)
    truth = pa.types.is_boolean(kind)
    return FileColumn(field.name, TRUTH if truth else TEXT, "", as_texts(map(_as_text, listed)))


def _file_column(
    name: str, values: Column | MaskedColumn | NDArray[Any], unit: str, kind: str | None
) -> FileColumn:
    """Return a column of a VOTable or FITS table; `kind` None: as its dtype says."""
    missing = np.asarray(np.ma.getmaskarray(np.ma.asarray(values)))
    data = np.asarray(np.ma.getdata(values))
    flat = data.ndim == 1
    if kind is None:
        numeric = flat and data.dtype.kind in "iuf"
        kind = NUMBER if numeric else TRUTH if flat and data.dtype.kind == "b" else TEXT
    if kind == NUMBER and flat and data.dtype.kind in "iuf":
        return FileColumn(name, NUMBER, unit, number_texts(data, missing))
    gone = np.asarray(missing.reshape(len(missing), -1).all(axis=1)) if len(missing) else missing
    texts = as_texts(
        "" if absent else _as_text(value) for value, absent in zip(data, gone, strict=True)
    )
    return FileColumn(name, kind, unit if kind == NUMBER else "", texts)


def _as_text(value: object) -> str:
    """Return a value of a record as cell text."""
    match value:
        case None:
            return ""
        case str():
            return str(value)
        case bool() | np.bool_():
            return "yes" if value else "no"
        case bytes():
            try:
                return value.decode("utf-8")
            except UnicodeDecodeError:
                return value.decode("latin-1")
        case datetime.datetime():
            midnight = value.time() == datetime.time()
            return value.date().isoformat() if midnight else value.isoformat(sep=" ")
        case datetime.date() | datetime.time():
            return value.isoformat()
        case np.ndarray():
            return json.dumps(value.tolist(), default=str)
        case list() | dict():
            return json.dumps(value, default=str, ensure_ascii=False)
        case _:
            return str(value)


def _first_with_plate(names: Sequence[Sequence[str]]) -> int:
    for place, listed in enumerate(names):
        if any(name.strip().lower() == NEEDED_COLUMN for name in listed):
            return place
    return 0


def _records(count: int) -> NDArray[np.int64]:
    return np.arange(1, count + 1, dtype=np.int64)
