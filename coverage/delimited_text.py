"""Plate logs that are text: comma, semicolon or tab between cells, and ECSV."""

import hashlib
import io
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np

from platecover.coverage.ecsv_header import declared_columns
from platecover.coverage.errors import LogFileError
from platecover.coverage.log_table import TEXT, FileColumn, LogTable, checked_names, log_table
from platecover.coverage.record_cuts import parts
from platecover.coverage.text_arrays import as_texts, shown
from platecover.coverage.text_records import (
    Lines,
    cells_of_any_length,
    cells_of_records,
    further_lines,
)

SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs"}
ECSV_MARK = "# %ECSV"

_QUOTED = re.compile(r'"[^"]*"')
_CONTROLS = re.compile(r"[\x00-\x08\x0e-\x1f]")  # that no header line holds


@dataclass(frozen=True)
class TextLayout:
    """How the rows of one text log are to be read; `declared`: kind and unit by column."""

    path: str
    encoding: str
    separator: str
    header: tuple[str, ...]
    declared: dict[str, tuple[str, str]]
    one_separator: bool


@dataclass(frozen=True)
class TextPart:
    """Whole records of a text log; `first_row` is the line on which the first starts."""

    layout: TextLayout
    first_row: int
    content: bytes

    @property
    def size(self) -> int:
        """Bytes of text."""
        return len(self.content)

    def digest(self) -> str:
        """Text that is the same for parts that read the same."""
        layout = self.layout
        how = (layout.encoding, layout.separator, layout.header, layout.declared)
        return hashlib.sha256(repr(how).encode() + self.content).hexdigest()

    def table(self) -> LogTable:
        """Return the rows; their numbers are lines after `first_row`.

        Raises
        ------
        LogFileError
            If a row has its cells by another separator.
        """
        header = self.layout.header
        rows: list[list[str]] = []
        row_numbers: list[int] = []
        overlong: dict[int, list[str]] = {}
        swallowed: dict[int, str] = {}
        text = self.content.decode(self.layout.encoding)
        with cells_of_any_length():
            for line, cells in cells_of_records(text, self.layout.separator):
                if not _has_cells(cells):
                    continue
                if len(cells) == 1 and len(header) > 1 and self.layout.one_separator:
                    self._refuse_other_separator(text, line)
                if len(cells) > len(header):
                    overlong[len(rows)] = cells[len(header) :]
                rows.append(cells[: len(header)] + [""] * (len(header) - len(cells)))
                row_numbers.append(line)
        # only a record of several lines, so that the next starts further on, holds a line end
        lengths = np.diff(row_numbers, append=np.inf)
        for at in np.flatnonzero(lengths > 1).tolist():
            cells = rows[at] + overlong.get(at, [])
            if _may_hold_a_row(cells, self.layout.separator, len(header)):
                swallowed[at] = _cell_with_line_end(header, cells)
        by_column = zip(*rows, strict=True) if rows else [()] * len(header)
        columns = [
            FileColumn(name, *self.layout.declared.get(name.lower(), (TEXT, "")), as_texts(cells))
            for name, cells in zip(header, by_column, strict=True)
        ]
        numbers = np.array(row_numbers, dtype=np.int64)
        return log_table(self.layout.path, columns, numbers, overlong, swallowed)

    def _refuse_other_separator(self, text: str, line: int) -> None:
        """Raise LogFileError if a row of one cell has all its cells by another separator."""
        whole = list(io.StringIO(text, newline=""))[line]
        bare = _QUOTED.sub("", whole)
        for other, name in SEPARATORS.items():
            if other != self.layout.separator and bare.count(other) + 1 == len(self.layout.header):
                raise LogFileError(
                    f"{self.layout.path}: two separators in one file:"
                    f" {SEPARATORS[self.layout.separator]} in the header, {name} on line"
                    f" {self.first_row + line} ({shown(whole.strip())}); use one throughout"
                )


@dataclass(frozen=True)
class TextSource:
    """Text of a log: a file, or the bytes of what cannot be read twice, such as a pipe.

    `origin` is where the text begins, after a byte-order mark.
    """

    file: Path | bytes
    encoding: str
    origin: int
    size: int
    sha256: str

    def open(self) -> BinaryIO:
        """Open it at the beginning of the text."""
        stream = io.BytesIO(self.file) if isinstance(self.file, bytes) else self.file.open("rb")
        stream.seek(self.origin)
        return stream


@dataclass(frozen=True)
class TextLog:
    """A text log whose header, so many lines and bytes long, has been read."""

    layout: TextLayout
    source: TextSource
    header_lines: int
    header_bytes: int

    @property
    def size(self) -> int:
        """Bytes of the file."""
        return self.source.size

    @property
    def sha256(self) -> str:
        """Digest of the file."""
        return self.source.sha256

    def parts(self, rows: int) -> Iterator[TextPart]:
        """Yield what follows the header in parts of at most `rows` records."""
        layout = self.layout
        with self.source.open() as stream:
            stream.seek(self.header_bytes, os.SEEK_CUR)
            for first, content in parts(stream, self.header_lines, layout.separator, rows):
                yield TextPart(layout, first, content)


def open_delimited(path: str, source: TextSource) -> TextLog:
    """Read the header of a table; its first line tells the separator.

    Raises
    ------
    LogFileError
        If the header is no table's.
    """
    encoding = source.encoding
    with source.open() as stream:
        lines = Lines(stream)
        first = next((line for line in lines if line.decode(encoding).strip()), None)
        if first is None:
            raise LogFileError(f"{path}: the file is empty; a plate log starts with a header line")
        header = first.decode(encoding)
        if _CONTROLS.search(header):
            raise LogFileError(f"{path}: not a table: its first line is binary, not a header")
        separator = _header_separator(path, header)
        lines.give_back([first])
        layout = _layout(path, lines, encoding, separator, {}, one_separator=True)
        return TextLog(layout, source, lines.number, lines.size)


def open_ecsv(path: str, source: TextSource) -> TextLog:
    """Read the header of an ECSV table (Astropy Proposal for Enhancement 6): YAML comments.

    Raises
    ------
    LogFileError
        If the YAML cannot be read or declares an unknown separator.
    """
    encoding = source.encoding
    with source.open() as stream:
        lines = Lines(stream)
        comments: list[str] = []
        for line in lines:
            if not line.startswith(b"#"):
                lines.give_back([line])
                break
            comments.append(line.decode(encoding)[1:].removeprefix(" "))
        marks = [i for i, text in enumerate(comments) if text.strip() == "---"]
        first = marks[0] if marks else len(comments)
        declared, separator = declared_columns(path, "".join(comments[first:]))
        if separator not in (" ", *SEPARATORS):
            raise LogFileError(
                f"{path}: the ECSV delimiter {separator!r} is neither blank nor comma"
            )
        layout = _layout(path, lines, encoding, separator, declared, one_separator=False)
        return TextLog(layout, source, lines.number, lines.size)


def _layout(
    path: str,
    lines: Lines,
    encoding: str,
    separator: str,
    declared: dict[str, tuple[str, str]],
    *,
    one_separator: bool,
) -> TextLayout:
    """Read the line of column names."""
    with cells_of_any_length():
        for line in lines:
            record = [line, *further_lines(line, lines, separator, encoding)]
            text = b"".join(record).decode(encoding)
            cells = next((cells for _, cells in cells_of_records(text, separator)), [])
            if _has_cells(cells):
                names = checked_names(path, cells)
                return TextLayout(path, encoding, separator, names, declared, one_separator)
    raise LogFileError(f"{path}: not a table: it has no line of column names")


def _may_hold_a_row(cells: list[str], separator: str, n_columns: int) -> bool:
    """Whether a quoted cell holds a line end and as many separators as a row has."""
    return n_columns > 1 and any(
        cell.count(separator) >= n_columns - 1 and ("\n" in cell or "\r" in cell)
        for cell in cells
        if len(cell) > n_columns
    )


def _cell_with_line_end(header: tuple[str, ...], cells: list[str]) -> str:
    """Lower-case name of the column of the first cell that holds a line end."""
    named = zip(header, cells, strict=False)
    return next((name.lower() for name, cell in named if "\n" in cell or "\r" in cell), "")


def _has_cells(cells: list[str]) -> bool:
    """Whether a record is more than a blank line."""
    return len(cells) > 1 or (len(cells) == 1 and bool(cells[0].strip()))


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
