"""Rows as VOTable's BINARY2 stream (IVOA VOTable 1.4, sections 5.3 to 5.6), base64.

A row is one bit a column that says what is null, then the values: numbers big-endian, texts
after a count of four bytes. Columns are turned into bytes whole, and woven into rows by the same
compiled pass as texts.
"""

from binascii import b2a_base64
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from platecover.coverage.answers import Rows, decoded
from platecover.service import row_texts
from platecover.service.row_texts import WordTexts
from platecover.service.row_weaving import woven

_NUMBERS = {"short": ">i2", "int": ">i4", "long": ">i8", "float": ">f4", "double": ">f8"}
_FLOATS = ("float", "double")
_TEXTS = ("char", "unicodeChar")
_COUNT = ">u4"
_FIRST_NOT_ASCII = 0x80
_LINE_BYTES = 57  # that become the 76 characters of a line, the most that RFC 2045 allows
_LINE_CHARACTERS = 76
_LINE_END = ord("\n")

Bytes = NDArray[np.uint8]
Flags = NDArray[np.bool_]


class _Cells(NamedTuple):
    """A column as bytes: (n, width) where all cells are as wide, else an array of cells."""

    values: Bytes | pa.Array
    nulls: Flags


def binary_rows(
    rows: Rows, datatypes: Sequence[str], words: WordTexts | None = None
) -> Iterator[bytes]:
    """Rows as the text of a STREAM, some thousands at a time.

    Parameters
    ----------
    rows : pyarrow.Table or HitRows
        Plain, or coded as `answers.coded_table` has it.
    datatypes : sequence of str
        Of VOTable, for each column: a number's, 'boolean', 'char' or 'unicodeChar' of any
        length. What is not ASCII is '?' in a char.
    words : WordTexts, optional
        Of the edition that coded rows are of.
    """
    words = words or WordTexts()
    pieces = (
        _row_bytes(rows.slice(first, row_texts.PIECE_ROWS), datatypes, words)
        for first in range(0, len(rows), row_texts.PIECE_ROWS)
    )
    yield from _base64_lines(pieces)


def _row_bytes(piece: pa.Table, datatypes: Sequence[str], words: WordTexts) -> memoryview:
    """Rows as bytes."""
    cells = [
        _cells(name, _one_chunk(piece.column(name)), datatype, words)
        for name, datatype in zip(piece.column_names, datatypes, strict=True)
    ]
    flags = np.packbits(np.stack([each.nulls for each in cells], axis=1), axis=1)
    columns: list[pa.Array] = []
    fixed = [flags]  # neighbours that are all as wide in every row are one column
    for values, _ in cells:
        if isinstance(values, np.ndarray):
            fixed.append(values)
        else:
            if fixed:
                columns.append(_as_cells(np.hstack(fixed)))
            columns.append(values)
            fixed = []
    if fixed:
        columns.append(_as_cells(np.hstack(fixed)))
    return woven(columns, [""] * (len(columns) + 1))


def _cells(name: str, column: pa.Array, datatype: str, words: WordTexts) -> _Cells:
    """Bytes of a column."""
    if pa.types.is_dictionary(column.type):
        known = words.kept(
            f"BINARY2 {datatype}", name, column, lambda texts: _texts(texts, datatype)
        )
        if known is None:
            return _texts(decoded(column), datatype)
        codes = column.indices.to_numpy()
        return _Cells(
            pa.DictionaryArray.from_arrays(column.indices, known.values, safe=False),
            known.nulls[codes],
        )
    if pa.types.is_null(column.type):
        column = column.cast(pa.string() if datatype in _TEXTS else pa.float64())
    if pa.types.is_string(column.type):
        return _texts(column, datatype)
    nulls = column.is_null(nan_is_null=True).to_numpy(zero_copy_only=False)
    if datatype == "boolean":
        said = column.to_numpy(zero_copy_only=False)
        letters = np.where(nulls, ord("?"), np.where(said.astype(bool), ord("T"), ord("F")))
        return _Cells(letters.astype(np.uint8)[:, None], nulls)
    filled = pc.fill_null(column, 0).to_numpy(zero_copy_only=False)
    if nulls.any():
        filled = np.where(nulls, np.nan if datatype in _FLOATS else 0, filled)
    values = filled.astype(_NUMBERS[datatype])
    return _Cells(values.view(np.uint8).reshape(len(column), -1), nulls)


def _texts(texts: pa.StringArray, datatype: str) -> _Cells:
    """Texts, each after its count of characters (code units of UTF-16 in a unicodeChar)."""
    nulls = texts.is_null().to_numpy(zero_copy_only=False)
    texts = texts.fill_null("")
    offsets = np.frombuffer(texts.buffers()[1], np.int32)[texts.offset :][: len(texts) + 1]
    data = np.frombuffer(texts.buffers()[2] or b"", np.uint8)[offsets[0] : offsets[-1]]
    if data.size and data.max() >= _FIRST_NOT_ASCII:
        return _Cells(_texts_one_by_one(texts, datatype), nulls)
    width = 2 if datatype == "unicodeChar" else 1
    lengths = np.diff(offsets)
    # where each cell begins: its own count and those before it, and the texts before it
    starts = np.concatenate([[0], np.cumsum(lengths * width + 4)]).astype(np.int32)
    cells = np.zeros(starts[-1], np.uint8)
    counts = lengths.astype(_COUNT).view(np.uint8).reshape(-1, 4)
    cells[starts[:-1, None] + np.arange(4)] = counts
    is_text = np.ones(len(cells), np.bool_)
    is_text[starts[:-1, None] + np.arange(4)] = False
    places = np.flatnonzero(is_text)
    cells[places[width - 1 :: width]] = data
    return _Cells(_from_offsets(starts, cells), nulls)


def _texts_one_by_one(texts: pa.StringArray, datatype: str) -> pa.Array:
    """Texts that are not all ASCII; each different one is encoded once."""
    coded = texts.dictionary_encode()
    encoding, width = ("utf-16-be", 2) if datatype == "unicodeChar" else ("ascii", 1)
    encoded = [text.encode(encoding, "replace") for text in coded.dictionary.to_pylist()]
    cells = [(len(each) // width).to_bytes(4, "big") + each for each in encoded]
    return pa.array(cells, pa.binary()).take(coded.indices)


def _as_cells(block: Bytes) -> pa.Array:
    """Cells of equal width, shape (n, width)."""
    n_rows, width = block.shape
    starts = np.arange(0, (n_rows + 1) * width, width, dtype=np.int32)
    return _from_offsets(starts, np.ascontiguousarray(block).ravel())


def _from_offsets(starts: NDArray[np.int32], data: Bytes) -> pa.Array:
    buffers = [None, pa.py_buffer(starts), pa.py_buffer(data)]
    return pa.Array.from_buffers(pa.binary(), len(starts) - 1, buffers)


def _one_chunk(column: pa.ChunkedArray) -> pa.Array:
    return column.chunk(0) if column.num_chunks == 1 else column.combine_chunks()


def _base64_lines(pieces: Iterable[memoryview]) -> Iterator[bytes]:
    """Base64 of pieces that belong together, in lines."""
    rest = b""
    for piece in pieces:
        whole = rest + piece
        cut = len(whole) - len(whole) % _LINE_BYTES
        text = np.frombuffer(b2a_base64(memoryview(whole)[:cut], newline=False), np.uint8)
        lines = np.full((cut // _LINE_BYTES, _LINE_CHARACTERS + 1), _LINE_END, np.uint8)
        lines[:, :-1] = text.reshape(-1, _LINE_CHARACTERS)
        yield lines.tobytes()
        rest = whole[cut:]
    if rest:
        yield b2a_base64(rest)
