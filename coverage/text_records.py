"""Lines and records of text tables: bytes in, whole records out, however they are quoted.

A record is one line, or several where a quoted cell holds line ends. A line whose double
quotes do not pair is a record by itself, its quotes plain characters: otherwise one stray
quote would swallow the rows after it.
"""

import codecs
import csv
import io
import re
from collections import deque
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from functools import cache
from typing import BinaryIO

_BLOCK_BYTES = 1 << 22
_LONGEST_CELL = 2**31 - 1  # the most that a C long holds everywhere


class Lines:
    r"""The lines of a file, with their ends; only \n, \r\n and \r end a line.

    Parameters
    ----------
    stream : binary file

    Attributes
    ----------
    number, size : int
        Lines and bytes given so far.
    """

    def __init__(self, stream: BinaryIO) -> None:
        self._waiting: deque[bytes] = deque()
        self._source = _lines_of(stream)
        self.number = self.size = 0

    def __iter__(self) -> Iterator[bytes]:
        """Give the lines that are left, in one loop or several, one inside the other."""
        while True:
            line = self._waiting.popleft() if self._waiting else next(self._source, None)
            if line is None:
                return
            self.number += 1
            self.size += len(line)
            yield line

    def give_back(self, lines: Iterable[bytes]) -> None:
        """Put lines back, to be given again in their order."""
        lines = list(lines)
        self._waiting.extendleft(reversed(lines))
        self.number -= len(lines)
        self.size -= sum(map(len, lines))


def _lines_of(stream: BinaryIO) -> Iterator[bytes]:
    rest = b""
    while block := stream.read(_BLOCK_BYTES):
        lines = (rest + block).splitlines(keepends=True)
        rest = lines.pop()  # perhaps unfinished, or the half of a \r\n
        yield from lines
    yield from rest.splitlines(keepends=True)


def further_lines(line: bytes, lines: Lines, separator: str, encoding: str) -> list[bytes]:
    """Take the lines that belong to the same record as `line`, which was the last one given."""
    if b'"' not in line or _plainly_whole(separator).fullmatch(line):
        return []
    taken: list[bytes] = []

    def decoded() -> Iterator[str]:
        yield line.decode(encoding)
        for more in lines:
            taken.append(more)
            yield more.decode(encoding)

    try:
        next(csv.reader(decoded(), delimiter=separator, strict=True), None)
    except csv.Error:
        lines.give_back(taken)
        return []
    return taken


@cache
def _plainly_whole(separator: str) -> re.Pattern[bytes]:
    """Pattern of lines whose cells are each wholly in quotes or without any: whole records."""
    mark = re.escape(separator).encode()
    cell = rb'(?:[^"\r\n%b]*|"(?:[^"\r\n]|"")*+")' % mark
    return re.compile(rb"%b(?:%b%b)*+[\r\n]*" % (cell, mark, cell))


def cells_of_records(text: str, separator: str) -> Iterator[tuple[int, list[str]]]:
    """Yield the cells of each record with the line on which it starts, from 0."""
    lines = list(io.StringIO(text, newline=""))
    start = 0
    while start < len(lines):
        remaining = (lines[i] for i in range(start, len(lines)))
        reader = csv.reader(remaining, delimiter=separator, strict=True)
        done = 0
        try:
            for cells in reader:
                yield start + done, cells
                done = reader.line_num
            return
        except csv.Error:
            stray = lines[start + done].rstrip("\r\n")
            yield start + done, stray.split(separator)
            start += done + 1


@contextmanager
def cells_of_any_length() -> Iterator[None]:
    """Lift csv's limit on the length of a cell, which is global, for a while."""
    before = csv.field_size_limit(_LONGEST_CELL)
    try:
        yield
    finally:
        csv.field_size_limit(before)


def is_utf8(stream: BinaryIO) -> bool:
    """Whether all of a file is UTF-8; it is read from where it stands to its end."""
    decoder = codecs.getincrementaldecoder("utf-8")()
    try:
        while block := stream.read(_BLOCK_BYTES):
            decoder.decode(block)
        decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        return False
    return True
