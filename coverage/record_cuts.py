"""Where a text table may be cut into parts: after whole records, found by one compiled pass.

A record is what `text_records` says it is: the lines that `csv` takes together when it is strict,
or a line by itself where its double quotes do not pair.
"""

from collections.abc import Iterator
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.compiled import compiled

_BLOCK_BYTES = 1 << 22
_LEAST_SHARE = 4  # a part has at least this fraction of the most
_CUT_EVERY = 2_048  # one record in so many may end a part

_LINE_FEED, _RETURN, _QUOTE = b'\n\r"'
_CELL_START, _IN_CELL, _IN_QUOTES, _AFTER_QUOTE, _UNPAIRED = range(5)
# FNV-1a of 32 bits (Fowler, Noll and Vo); any hash would do that tells lines apart
_HASH_BASIS, _HASH_PRIME, _HASH_BITS = 0x811C9DC5, 0x01000193, 0xFFFFFFFF


def parts(
    stream: BinaryIO, lines_before: int, separator: str, rows: int
) -> Iterator[tuple[int, bytes]]:
    """Cut what is left of a file into parts of whole records; one empty part if nothing is.

    Where a part ends depends on the text around it alone, so that an inserted or changed line
    changes its own part and perhaps the next, not all that follow.

    Parameters
    ----------
    stream : binary file
        Of an encoding in which separator, quotes and line ends are single ASCII bytes.
    lines_before : int
        Lines of the file before the place where `stream` stands.
    separator : str
    rows : int
        Most records of a part.

    Yields
    ------
    first_line : int
        From 1.
    content : bytes
    """
    least = max(rows // _LEAST_SHARE, 1)
    limits = (least, rows, min(_CUT_EVERY, least))
    text = stream.read(_BLOCK_BYTES)
    start = at = count = 0  # of the part: its first byte, the next record, records so far
    line = first_line = lines_before + 1
    ended = False
    while True:
        whole = np.frombuffer(text, np.uint8)
        at, count, lines, may_cut = _pass_records(whole, at, ord(separator), count, limits, ended)
        line += lines
        if may_cut:
            yield first_line, text[start:at]
            start, count, first_line = at, 0, line
        elif ended:
            break
        else:
            block = stream.read(max(_BLOCK_BYTES, len(text) - start))  # so that doubling is rare
            ended = not block
            text, at, start = text[start:] + block, at - start, 0
    if start < len(text) or first_line == lines_before + 1:
        yield first_line, text[start:]


@compiled
def _pass_records(
    text: NDArray[np.uint8],
    at: int,
    mark: int,
    count: int,
    limits: tuple[int, int, int],
    ended: bool,
) -> tuple[int, int, int, bool]:
    """Pass whole records from `at` on, to where a part may end or no whole one is left.

    Returns where that is, the count of records so far, the lines passed, and whether it may end.
    """
    least, most, cut_every = limits
    passed = 0
    while at < len(text):
        end, lines, line_hash = _record_end(text, at, mark, ended)
        if lines == 0:
            break
        at, count, passed = end, count + 1, passed + lines
        if count >= most or (count >= least and line_hash % cut_every == 0):
            return at, count, passed, True
    return at, count, passed, False


@compiled
def _record_end(text: NDArray[np.uint8], at: int, mark: int, ended: bool) -> tuple[int, int, int]:
    """End of a record, its lines (0 = it goes on beyond the text), a hash of the first."""
    state, lines, first_end, line_hash = _CELL_START, 0, -1, _HASH_BASIS
    while at < len(text):
        byte = text[at]
        at += 1
        if byte in (_LINE_FEED, _RETURN):
            if byte == _RETURN:
                if at < len(text):
                    at += text[at] == _LINE_FEED
                elif not ended:
                    return at, 0, 0
            lines += 1
            if first_end < 0:
                first_end = at
            if state != _IN_QUOTES:
                return at, lines, line_hash
            continue
        if first_end < 0:
            line_hash = ((line_hash ^ byte) * _HASH_PRIME) & _HASH_BITS
        if state == _IN_QUOTES:
            if byte == _QUOTE:
                state = _AFTER_QUOTE
        elif state == _AFTER_QUOTE:
            if byte == _QUOTE:
                state = _IN_QUOTES
            elif byte == mark:
                state = _CELL_START
            elif first_end >= 0:
                return first_end, 1, line_hash
            else:
                state = _UNPAIRED
        elif state != _UNPAIRED:
            if byte == mark:
                state = _CELL_START
            elif state == _CELL_START:
                state = _IN_QUOTES if byte == _QUOTE else _IN_CELL
    if not ended:
        return at, 0, 0
    if state == _IN_QUOTES and first_end >= 0:
        return first_end, 1, line_hash
    return at, lines + 1, line_hash
