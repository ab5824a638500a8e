"""Rows written as text, whole columns at a time: CSV, JSON and VOTable share this.

A column becomes an array of texts, each safe in the form that is written; woven together, all
columns are the document's body. Texts that stand as dictionary codes in a column of few different
ones are made safe once for an edition (`WordTexts`), so that a cell costs a look-up.
"""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from platecover.coverage.answers import Rows, decoded
from platecover.coverage.per_edition import PerEdition
from platecover.service.row_weaving import woven

Made = TypeVar("Made")

PIECE_ROWS = 5_000  # rows that are written at a time, some 3 MB
_WORTH_A_THREAD = 1_000  # rows; fewer are written before a thread has started
_BESIDE = 0.75  # of the columns of numbers, which take twice as long as the others together
_MOST_KEPT = 20_000  # words of a column that are kept in each form; some 1 MB
_LARGEST_PLAIN = 1e10  # whole numbers below are written without exponent, and without ".0"


@dataclass(frozen=True)
class Form:
    """How a form of text writes rows.

    Attributes
    ----------
    name : str
    careful : bytes
        Bytes of UTF-8 that may not stand in a text as they are, besides those below `lowest`;
        texts without them are not looked at again.
    lowest : int
    careful_first : bytes
        The same of the first byte of a text.
    escape : callable
        Makes a text with such bytes safe.
    start, between, end, between_rows : str
        What stands before the first cell of a row, between cells, after the last one, and
        between rows.
    label : callable
        What stands in a cell before its value, by the column's name.
    quote : str
        Before and after every text.
    null : str
        For what is not known.
    infinite, minus_infinite : str
        For numbers that are not finite.
    """

    name: str
    careful: bytes
    lowest: int
    escape: Callable[[str], str]
    start: str = ""
    between: str = ","
    end: str = "\r\n"
    between_rows: str = ""
    label: Callable[[str], str] = lambda name: ""
    quote: str = ""
    null: str = ""
    infinite: str = "inf"
    minus_infinite: str = "-inf"
    careful_first: bytes = b""

    def is_safe(self, texts: pa.StringArray) -> bool:
        """Whether all of the texts can stand as they are."""
        data = texts.buffers()[2]
        if data is None or data.size == 0:
            return True
        if np.frombuffer(data, np.uint8).min() < self.lowest:
            return False
        content = data.to_pybytes()
        if any(bytes([each]) in content for each in self.careful):
            return False
        return not self.careful_first or self._begins_safely(texts, np.frombuffer(data, np.uint8))

    def _begins_safely(self, texts: pa.StringArray, data: NDArray[np.uint8]) -> bool:
        """Whether no text begins with a byte that may not stand there."""
        starts = np.frombuffer(texts.buffers()[1], np.int32)[texts.offset :][: len(texts)]
        first = data[np.minimum(starts, len(data) - 1)]  # of an empty one: of the next
        return not bool(np.isin(first, np.frombuffer(self.careful_first, np.uint8)).any())


class WordTexts:
    """Texts of the words of dictionary columns in each form; made once, shared by threads.

    Columns of many different words (designations, addresses) are left out: their texts would
    take more memory than they save time.
    """

    def __init__(self) -> None:
        self._kept: dict[tuple[str, str], Any] = {}

    def of(self, form: Form, name: str, column: pa.DictionaryArray) -> pa.StringArray | None:
        """Texts by code, or None if the column has too many words."""
        return self.kept(form.name, name, column, lambda texts: _text_cells(texts, form))

    def kept(
        self,
        form_name: str,
        name: str,
        column: pa.DictionaryArray,
        make: Callable[[pa.StringArray], Made],
    ) -> Made | None:
        """What a form makes of the words (null for ''), or None if there are too many."""
        if len(column.dictionary) > _MOST_KEPT:
            return None
        key = (form_name, name)
        if key not in self._kept:
            codes = pa.array(np.arange(len(column.dictionary), dtype=np.int32))
            words = pa.DictionaryArray.from_arrays(codes, column.dictionary)
            self._kept[key] = make(decoded(words))
        made: Made = self._kept[key]
        return made


WORD_TEXTS = PerEdition(lambda edition: WordTexts())


def row_pieces(table: Rows, form: Form, words: WordTexts | None = None) -> Iterator[bytes]:
    """Rows as text, some thousands at a time.

    Parameters
    ----------
    table : pyarrow.Table or HitRows
        Plain, or coded as `answers.coded_table` has it.
    form : Form
    words : WordTexts, optional
        Of the edition that a coded table is of; None for a plain table.
    """
    words = words or WordTexts()
    marks = [form.between + form.label(name) for name in table.column_names]
    marks[0] = form.between_rows + form.start + form.label(table.column_names[0])
    for first in range(0, len(table), PIECE_ROWS):
        cells = _cells(table.slice(first, PIECE_ROWS), form, words)
        text = woven(cells, [*marks, form.end])
        yield bytes(text if first else text[len(form.between_rows) :])


def _cells(piece: pa.Table, form: Form, words: WordTexts) -> list[pa.StringArray]:
    """Texts of all columns; those of numbers are made in one go."""
    columns = {name: _one_chunk(piece.column(name)) for name in piece.column_names}
    numeric = [name for name in columns if pa.types.is_floating(columns[name].type)]
    numbers = {name: columns.pop(name).to_numpy(zero_copy_only=False) for name in numeric}

    def of_numbers(names: Sequence[str]) -> dict[str, pa.StringArray]:
        texts = number_texts([numbers[name] for name in names], form)
        return dict(zip(names, texts, strict=True))

    def of_others() -> dict[str, pa.StringArray]:
        return {name: _texts(column, name, form, words) for name, column in columns.items()}

    if len(piece) < _WORTH_A_THREAD:
        texts = of_others() | of_numbers(numeric)
    else:
        most = round(_BESIDE * len(numeric))
        with ThreadPoolExecutor(1) as beside:
            numbers_beside = beside.submit(of_numbers, numeric[:most])
            texts = of_others() | of_numbers(numeric[most:]) | numbers_beside.result()
    return [texts[name] for name in piece.column_names]


def _texts(column: pa.Array, name: str, form: Form, words: WordTexts) -> pa.StringArray:
    """Cells of a column that holds no floats; none is null."""
    if pa.types.is_dictionary(column.type):
        known = words.of(form, name, column)
        if known is not None and len(known) <= len(column):
            return pa.DictionaryArray.from_arrays(column.indices, known, safe=False)
        if known is not None:
            return known.take(column.indices)
        return _text_cells(decoded(column), form)
    if pa.types.is_string(column.type):
        return _text_cells(column, form)
    return column.cast(pa.string()).fill_null(form.null)


def number_texts(columns: Sequence[NDArray[np.float64]], form: Form) -> list[pa.StringArray]:
    """Numbers in their shortest exact form, always with a point or an exponent; NaN is null.

    Parameters
    ----------
    columns : sequence of arrays, shape (n,)
    form : Form
    """
    if not columns:
        return []
    numbers = np.stack(columns)
    texts = pa.array(numbers.ravel(), from_pandas=True).cast(pa.string()).fill_null(form.null)
    whole = np.asarray(numbers == np.floor(numbers)) & (np.abs(numbers) < _LARGEST_PLAIN)
    infinite = np.isinf(numbers)
    written = []
    for at, column in enumerate(numbers):
        cells = texts.slice(at * len(column), len(column))
        if np.any(whole[at]):
            cells = pc.if_else(whole[at], pc.binary_join_element_wise(cells, ".0", ""), cells)
        if np.any(infinite[at]):
            cells = pc.if_else(column == np.inf, form.infinite, cells)
            cells = pc.if_else(column == -np.inf, form.minus_infinite, cells)
        written.append(cells)
    return written


def _text_cells(texts: pa.StringArray, form: Form) -> pa.StringArray:
    """Texts made safe, and quoted where the form does so."""
    if not form.is_safe(texts):
        # most texts of a column are alike: each different one is made safe once
        coded = texts.dictionary_encode()
        safe = [form.escape(text) for text in coded.dictionary.to_pylist()]
        texts = pa.array(safe, pa.string()).take(coded.indices)
    if form.quote:
        texts = pc.binary_join_element_wise(form.quote, texts, form.quote, "")
    return texts.fill_null(form.null)


def _one_chunk(column: pa.ChunkedArray) -> pa.Array:
    return column.chunk(0) if column.num_chunks == 1 else column.combine_chunks()
