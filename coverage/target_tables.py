"""Tables of targets that strangers send: CSV, ECSV, VOTable or Parquet, in a bounded memory.

The format is found from the content. Nothing in a table makes the reader open another file or
address, and nothing makes it take much more memory than the table is long.
"""

import csv
import io
import itertools
import re
import warnings
from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
import yaml
from astropy.io.votable import parse as parse_votable
from numpy.typing import NDArray

from platecover.coverage.ecsv_header import declared_columns
from platecover.coverage.errors import LogFileError, QueryError
from platecover.coverage.log_table import NUMBER
from platecover.coverage.text_arrays import Texts, as_texts
from platecover.coverage.votable_guard import checked_votable

PARAMETER = "targets"  # at fault where a table is
NAMING = ("id", "name")  # columns that say what a row is called; the first that there is
MOST_COLUMNS = 1_000  # ours; and so the next
LONGEST_CELL = 1_000  # characters of a cell that is used
LONGEST_HEADER = 65_536  # characters of YAML
_LINES_A_ROW = 4  # blank ones among them
_LARGEST_COLUMNS_BYTES = 200_000_000  # of the columns used of a Parquet file, unpacked
_SMALL_CODECS = ("UNCOMPRESSED", "SNAPPY")  # that cannot pack much into little
_LONGEST_THRIFT_LIST = 100_000  # of a Parquet file's own description
_DEPTH, _DEEPEST = {"[": 1, "{": 1, "]": -1, "}": -1}, 100  # of YAML; deep, it reads slowly
_SEPARATORS = ",;\t"
_UTF16_MARKS = (b"\xff\xfe", b"\xfe\xff")
_ECSV_MARK = "# %ECSV"
_NOT_TABLES = {b"PK\x03\x04": "a spreadsheet or ZIP file", b"\x1f\x8b": "compressed",
               b"%PDF": "a PDF document", b"SIMPLE  =": "a FITS file"}  # fmt: skip
_WANTED = "CSV, ECSV, VOTable or Parquet"

Floats = NDArray[np.float64]


class TargetColumn(NamedTuple):
    """A column of numbers (NaN where missing) in a unit ('' if none is said), or of texts."""

    numbers: Floats | None
    texts: Texts | None
    unit: str = ""


class TargetTable(NamedTuple):
    """Columns by lower-case name, the number of rows, and what is wrong with which row."""

    columns: dict[str, TargetColumn]
    n_rows: int
    faults: dict[int, str]


def read_table(content: bytes, names: Sequence[str], most_rows: int) -> TargetTable:
    """Read some columns of a table.

    Parameters
    ----------
    content : bytes
    names : sequence of str
        Lower-case names of the columns to be read, as far as there are such; any case matches.
    most_rows : int

    Raises
    ------
    QueryError
        If it is no table, has more rows than `most_rows`, or a column twice; names `targets`.
    """
    if not content.strip():
        raise refusal("the table is empty; it needs a header line and a row for each target")
    for mark, what in _NOT_TABLES.items():
        if content.startswith(mark):
            raise refusal(f"not a table of targets: it is {what}; send {_WANTED}")
    if content.startswith(b"PAR1"):
        return _guarded("Parquet", _parquet, content, names, most_rows)
    if b"<" in content.lstrip(b"\xef\xbb\xbf\xff\xfe \t\r\n\x00")[:1]:
        return _guarded("VOTable", _votable, content, names, most_rows)
    text = _decoded(content)
    if text.startswith(_ECSV_MARK):
        return _guarded("ECSV", _ecsv, text, names, most_rows)
    return _guarded("CSV", _csv, text, names, most_rows)


def refusal(message: str, value: object = None) -> QueryError:
    """An error of the table of targets."""
    return QueryError(PARAMETER, value, message)


def _guarded(kind: str, reader: Any, content: Any, names: Sequence[str], most: int) -> TargetTable:
    """Call a reader; whatever its library raises on a damaged table is a QueryError."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # what is amiss but readable is not for the asker
            table: TargetTable = reader(content, names, most)
            return table
    except QueryError:
        raise
    except Exception as fault:  # libraries raise anything on a damaged file
        reason = " ".join(str(fault).split())[:200] or type(fault).__name__
        raise refusal(f"the table cannot be read as {kind}: {reason}") from None


def _decoded(content: bytes) -> str:
    """Text of a table: UTF-8, UTF-16 with its mark, else Latin-1."""
    if content.startswith(_UTF16_MARKS):
        return content.decode("utf-16", "replace")
    try:
        return content.decode("utf-8-sig").lstrip("\r\n")
    except UnicodeDecodeError:
        return content.decode("latin-1").lstrip("\r\n")


def _places(listed: Sequence[str], names: Sequence[str]) -> dict[str, int]:
    """Where the wanted columns are; QueryError if one is there twice."""
    if len(listed) > MOST_COLUMNS:
        raise refusal(f"the table has {len(listed)} columns, more than {MOST_COLUMNS}")
    lower = [name.strip().lower() for name in listed]
    for name in names:
        if lower.count(name) > 1:
            raise refusal(f"column {name!r} is there twice (names match in any case)")
    return {name: lower.index(name) for name in names if name in lower}


def _too_many(most_rows: int) -> QueryError:
    return refusal(f"the table has more than {most_rows} rows; send it in parts")


def _csv(text: str, names: Sequence[str], most_rows: int) -> TargetTable:
    first = text.lstrip().partition("\n")[0]
    separator = max(_SEPARATORS, key=first.count)
    return _delimited(text, names, most_rows, separator, {})


def _ecsv(text: str, names: Sequence[str], most_rows: int) -> TargetTable:
    """ECSV (Astropy Proposal for Enhancement 6): a header of YAML in comments, then CSV."""
    end = re.search(r"^(?!#)", text, re.MULTILINE)
    beginning = end.start() if end else len(text)
    if beginning > LONGEST_HEADER:
        raise refusal(f"the ECSV header is longer than {LONGEST_HEADER} characters")
    comments = [line[1:].removeprefix(" ") for line in text[:beginning].splitlines()]
    marks = [at for at, line in enumerate(comments) if line.strip() == "---"]
    declared, separator = _declared("\n".join(comments[marks[0] if marks else 0 :]))
    if separator not in (" ", *_SEPARATORS):
        raise refusal(f"the ECSV delimiter {separator!r} is neither blank nor comma")
    return _delimited(text[beginning:], names, most_rows, separator, declared)


def _declared(header: str) -> tuple[dict[str, tuple[str, str]], str]:
    """What a header of YAML declares; no aliases, by which a short one could be long."""
    if len(header) > LONGEST_HEADER:
        raise refusal(f"the header of the table is longer than {LONGEST_HEADER} characters")
    if (
        max(itertools.accumulate(map(_DEPTH.get, header, itertools.repeat(0))), default=0)
        > _DEEPEST
    ):
        raise refusal("the header of the table is nested too deeply")
    if any(isinstance(token, yaml.AliasToken) for token in yaml.scan(header)):
        raise refusal("the header of the table uses YAML aliases, which are not read here")
    try:
        return declared_columns("targets", header)
    except LogFileError as fault:
        raise refusal(str(fault)) from None


def _delimited(
    text: str,
    names: Sequence[str],
    most_rows: int,
    separator: str,
    declared: dict[str, tuple[str, str]],
) -> TargetTable:
    reader = csv.reader(
        io.StringIO(text, newline=""), delimiter=separator, skipinitialspace=separator == " "
    )
    header = next((cells for cells in reader if _has_cells(cells)), [])
    places = _places(header, names)
    columns: dict[str, list[str]] = {name: [] for name in places}
    faults: dict[int, str] = {}
    n_rows = 0
    for cells in reader:
        if n_rows == most_rows and _has_cells(cells):
            raise _too_many(most_rows)
        if not _has_cells(cells):
            if reader.line_num > _LINES_A_ROW * most_rows + MOST_COLUMNS:
                raise refusal(f"the table has more than {reader.line_num - 1} lines, mostly blank")
            continue
        if len(cells) > len(header):
            faults[n_rows] = f"{len(cells)} cells, {len(header)} in the header"
        for name, place in places.items():
            cell = cells[place].strip() if place < len(cells) else ""
            if len(cell) > LONGEST_CELL:
                faults[n_rows] = f"{name} is longer than {LONGEST_CELL} characters"
                cell = ""
            columns[name].append(cell)
        n_rows += 1
    found = {}
    for name, texts in columns.items():
        kind, unit = declared.get(name, ("", ""))
        found[name] = TargetColumn(None, as_texts(texts), unit if kind == NUMBER else "")
    return TargetTable(found, n_rows, faults)


def _has_cells(cells: list[str]) -> bool:
    return any(cell.strip() for cell in cells)


def _votable(content: bytes, names: Sequence[str], most_rows: int) -> TargetTable:
    """The first table that has the first two of the columns, else the first."""
    checked_votable(content, most_rows, refusal)
    tables = list(parse_votable(io.BytesIO(content), verify="ignore").iter_tables())
    if not tables:
        raise refusal("the VOTable holds no table")
    listed = [[field.name or field.ID or "" for field in table.fields] for table in tables]
    chosen = next(
        (at for at, each in enumerate(listed) if {*names[:2]} <= {name.lower() for name in each}), 0
    )
    table = tables[chosen]
    if len(table.array) > most_rows:
        raise _too_many(most_rows)
    found = {}
    for name, place in _places(listed[chosen], names).items():
        field = table.fields[place]
        values = table.array[table.array.dtype.names[place]] if len(table.array) else np.array([])
        unit = "" if field.unit is None else field.unit.to_string()
        found[name] = _of_masked(np.ma.asarray(values), unit)
    return TargetTable(found, len(table.array), {})


def _of_masked(values: Any, unit: str) -> TargetColumn:
    """A column of an array; what is masked is missing."""
    if values.dtype.kind in "iuf" and values.ndim == 1:
        return TargetColumn(values.astype(np.float64).filled(np.nan), None, unit)
    mask = np.asarray(np.ma.getmaskarray(values).reshape(len(values), -1).all(axis=1))
    texts = [
        "" if gone else each.decode("utf-8", "replace") if isinstance(each, bytes) else str(each)
        for each, gone in zip(np.ma.getdata(values), mask, strict=True)
    ]
    if any(len(text) > LONGEST_CELL for text in texts):
        raise refusal(f"a cell that is used is longer than {LONGEST_CELL} characters")
    return TargetColumn(None, as_texts([text.strip() for text in texts]))


def _parquet(content: bytes, names: Sequence[str], most_rows: int) -> TargetTable:
    """Flat columns; what is said of their size, and how they are packed, is looked at first."""
    limits = {
        "thrift_string_size_limit": len(content) + 1,
        "thrift_container_size_limit": _LONGEST_THRIFT_LIST,
    }
    about = pq.ParquetFile(io.BytesIO(content), **limits)
    if about.metadata.num_rows > most_rows:
        raise _too_many(most_rows)
    listed = about.schema_arrow.names
    places = _places(listed, names)
    columns = [listed[place] for place in places.values()]
    masks = [f"{name}.mask" for name in columns if f"{name}.mask" in listed]  # as astropy has it
    _check_packing(about.metadata, {*columns, *masks})
    meta = (about.schema_arrow.metadata or {}).get(b"table_meta_yaml", b"")
    units = _declared(meta.decode("utf-8", "replace"))[0] if meta else {}
    texts = [name for name in columns if _is_text(about.schema_arrow.field(name).type)]
    file = pq.ParquetFile(io.BytesIO(content), read_dictionary=texts, **limits)
    batches, n_rows = [], 0
    for batch in file.iter_batches(columns=[*columns, *masks]):
        batches.append(batch)
        n_rows += len(batch)
        if n_rows > most_rows:
            raise _too_many(most_rows)
    if not columns:
        return TargetTable({}, about.metadata.num_rows, {})
    schema = batches[0].schema if batches else about.schema_arrow
    table = pa.Table.from_batches(batches, schema)
    found = {}
    for name, column in zip(places, columns, strict=True):
        field = about.schema_arrow.field(column)
        values = table.column(column)
        if f"{column}.mask" in masks:
            values = pc.if_else(table.column(f"{column}.mask"), None, values)
        unit = (field.metadata or {}).get(b"unit", units.get(name, ("", ""))[1])
        unit = unit.decode("utf-8", "replace") if isinstance(unit, bytes) else unit
        found[name] = _of_arrow(name, values, unit)
    return TargetTable(found, n_rows, {})


def _is_text(kind: pa.DataType) -> bool:
    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind))


def _check_packing(about: Any, columns: set[str]) -> None:
    """Refuse what might be far larger than it looks."""
    paths = [about.schema.column(place).path for place in range(about.num_columns)]
    used = [
        place
        for place, path in enumerate(paths)
        if any(path == name or path.startswith(f"{name}.") for name in columns)
    ]
    unpacked = 0
    for at in range(about.num_row_groups):
        group = about.row_group(at)
        for place in used:
            chunk = group.column(place)
            if chunk.compression not in _SMALL_CODECS:
                raise refusal(
                    f"the Parquet file is packed by {chunk.compression}, which is not read here;"
                    " write it with snappy or without compression, or send CSV"
                )
            if any(encoding == "DELTA_BYTE_ARRAY" for encoding in chunk.encodings):
                raise refusal("texts in DELTA_BYTE_ARRAY encoding are not read here; send CSV")
            unpacked += chunk.total_uncompressed_size
    if unpacked > _LARGEST_COLUMNS_BYTES:
        raise refusal(
            f"the columns of the Parquet file unpack to {unpacked} bytes,"
            f" more than {_LARGEST_COLUMNS_BYTES}"
        )


def _of_arrow(name: str, values: Any, unit: str) -> TargetColumn:
    """A column of Arrow: numbers, texts, or whole numbers that are names."""
    kind = values.type
    whole = pa.types.is_integer(kind)
    if (whole or pa.types.is_floating(kind) or pa.types.is_decimal(kind)) and not (
        whole and name in NAMING
    ):
        numbers = values.cast(pa.float64(), safe=False).fill_null(np.nan)
        return TargetColumn(np.array(numbers.to_numpy(), dtype=np.float64), None, unit)
    if pa.types.is_nested(kind):
        raise refusal(f"column {name!r} of the Parquet file holds {kind}, no numbers or texts")
    if pa.types.is_dictionary(kind):
        for chunk in values.chunks:
            longest = pc.max(pc.binary_length(chunk.dictionary)).as_py() or 0
            if longest > LONGEST_CELL:
                raise refusal(f"a cell of {name!r} is longer than {LONGEST_CELL} bytes")
    texts = values.cast(pa.string()).fill_null("").to_pylist()
    return TargetColumn(None, as_texts([text.strip() for text in texts]))
