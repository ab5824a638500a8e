"""Plate logs that are text: comma, semicolon or tab between cells, and ECSV."""

import codecs
import csv
import io
import re
from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np

from platecover.coverage.ecsv_header import declared_columns
from platecover.coverage.errors import LogFileError
from platecover.coverage.log_table import (
    TEXT,
    FileColumn,
    LogTable,
    checked_names,
    log_table,
)
from platecover.coverage.text_arrays import as_texts, shown

SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs"}
ECSV_MARK = "# %ECSV"

_QUOTED = re.compile(r'"[^"]*"')
_CONTROLS = re.compile(r"[\x00-\x08\x0e-\x1f]")  # that no header line holds


def decoded(content: bytes) -> str:
    """Return the text of a file: UTF-8 or UTF-16 by its byte-order mark, UTF-8, else Latin-1."""
    for mark in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE):
        if content.startswith(mark):
            return content.decode("utf-16", errors="replace")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.removeprefix(codecs.BOM_UTF8).decode("latin-1")


def read_delimited(path: str, text: str) -> LogTable:
    """Read a table whose header line tells the separator.

    Raises
    ------
    LogFileError
        If the header is no table's, or two separators are used in one file.
    """
    lines = _lines(text)
    first = next((i for i, line in enumerate(lines) if line.strip()), None)
    if first is None:
        raise LogFileError(f"{path}: the file is empty; a plate log starts with a header line")
    header = lines[first]
    if _CONTROLS.search(header):
        raise LogFileError(f"{path}: not a table: its first line is binary, not a header")
    separator = _header_separator(path, header)
    return _read_rows(path, lines, first, separator, {}, one_separator=True)


def read_ecsv(path: str, text: str) -> LogTable:
    """Read an ECSV table (Astropy Proposal for Enhancement 6): YAML comments, then CSV.

    Raises
    ------
    LogFileError
        If the YAML cannot be read or declares an unknown separator.
    """
    lines = _lines(text)
    first = next((i for i, line in enumerate(lines) if not line.startswith("#")), len(lines))
    comments = [line[1:].removeprefix(" ") for line in lines[:first]]
    start = next((i for i, line in enumerate(comments) if line.strip() == "---"), len(comments))
    declared, separator = declared_columns(path, "".join(comments[start:]))
    if separator not in (" ", *SEPARATORS):
        raise LogFileError(f"{path}: the ECSV delimiter {separator!r} is neither blank nor comma")
    while first < len(lines) and not lines[first].strip():
        first += 1
    if first == len(lines):
        raise LogFileError(f"{path}: the ECSV file has no line of column names")
    return _read_rows(path, lines, first, separator, declared, one_separator=False)


def _lines(text: str) -> list[str]:
    r"""Return the lines with their ends; only \n, \r\n and \r end a line."""
    return list(io.StringIO(text, newline=""))


def _header_separator(path: str, header: str) -> str:
    bare = _QUOTED.sub("", header)
    used = [separator for separator in SEPARATORS if separator in bare]
    if len(used) > 1:
        raise LogFileError(
            f"{path}: two separators in one file: the header has "
            f"{' and '.join(SEPARATORS[s] for s in used)}; use one throughout, and put names that "
            "contain one in double quotes"
        )
    return used[0] if used else ","


def _read_rows(
    path: str,
    lines: list[str],
    first: int,
    separator: str,
    declared: dict[str, tuple[str, str]],
    *,
    one_separator: bool,
) -> LogTable:
    """Read header and rows from `lines[first]` on; `declared`: kind and unit by column."""
    rows: list[list[str]] = []
    row_numbers: list[int] = []
    overlong: dict[int, list[str]] = {}
    header: list[str] | None = None
    with _cells_of_any_length():
        for line_number, cells in _records(lines, first, separator):
            if len(cells) == 0 or (len(cells) == 1 and not cells[0].strip()):
                continue  # a blank line
            if header is None:
                header = list(checked_names(path, cells))
                continue
            if one_separator and len(cells) == 1 and len(header) > 1:
                _refuse_other_separator(path, line_number, lines, len(header), separator)
            if len(cells) > len(header):
                overlong[len(rows)] = cells[len(header) :]
            rows.append(cells[: len(header)] + [""] * (len(header) - len(cells)))
            row_numbers.append(line_number)
    if header is None:
        raise LogFileError(f"{path}: not a table: it has no header line")
    by_column = zip(*rows, strict=True) if rows else [()] * len(header)
    columns = [
        FileColumn(name, *declared.get(name.lower(), (TEXT, "")), as_texts(cells))
        for name, cells in zip(header, by_column, strict=True)
    ]
    return log_table(path, columns, np.array(row_numbers, dtype=np.int64), overlong)


def _records(lines: list[str], first: int, separator: str) -> Iterator[tuple[int, list[str]]]:
    """Yield each record with the number, from 1, of the line on which it starts.

    A line whose double quotes do not pair is read by itself, its quotes as plain characters:
    otherwise one stray quote would swallow the rows after it.
    """
    start = first
    while start < len(lines):
        remaining = (lines[i] for i in range(start, len(lines)))
        reader = csv.reader(remaining, delimiter=separator, strict=True)
        done = 0
        try:
            for cells in reader:
                yield start + done + 1, cells
                done = reader.line_num
            return
        except csv.Error:
            stray = lines[start + done].rstrip("\r\n")
            yield start + done + 1, stray.split(separator)
            start += done + 1


@contextmanager
def _cells_of_any_length() -> Iterator[None]:
    """Lift csv's limit on the length of a cell, which is global, for a while."""
    before = csv.field_size_limit(2**31 - 1)  # the most that a C long holds everywhere
    try:
        yield
    finally:
        csv.field_size_limit(before)


def _refuse_other_separator(
    path: str, line_number: int, lines: list[str], n_columns: int, separator: str
) -> None:
    """Raise LogFileError if a row of one cell has all its cells by another separator."""
    line = _QUOTED.sub("", lines[line_number - 1])
    for other, name in SEPARATORS.items():
        if other != separator and line.count(other) + 1 == n_columns:
            raise LogFileError(
                f"{path}: two separators in one file: {SEPARATORS[separator]} in the header, "
                f"{name} on line {line_number} ({shown(line.strip())}); use one throughout"
            )
