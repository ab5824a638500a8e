"""BINARY2 (IVOA VOTable 1.4, section 5.4) by bytes worked out by hand, and as astropy reads it."""

import base64
import io
import re
import warnings
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from astropy.io.votable import parse
from hypothesis import given, settings
from hypothesis import strategies as st

from platecover.service import row_texts
from platecover.service.row_texts import WordTexts
from platecover.service.votable import Field, Heading, results_document
from platecover.service.votable_binary import binary_rows

DATATYPES = {
    "id": "char", "text": "unicodeChar", "number": "double", "small": "float", "count": "long",
    "few": "int", "fewer": "short", "flag": "boolean", "word": "unicodeChar",
}  # fmt: skip
HEADING = Heading([Field(name, kind, "", "", "") for name, kind in DATATYPES.items()])
HOSTILE = ["a\x00b", "</TD>", "]]>", "\U0001f52d \xfc", "\ufffe\uffff\u2028", "x" * 9000, "", "=1"]


def table_of(rows: list[dict[str, Any]]) -> pa.Table:
    """Rows as a table: `word` is dictionary-coded as the edition keeps it, the rest plain."""
    kinds = {
        "id": pa.string(), "text": pa.string(), "number": pa.float64(), "small": pa.float32(),
        "count": pa.int64(), "few": pa.int32(), "fewer": pa.int16(), "flag": pa.bool_(),
    }  # fmt: skip
    columns = {name: pa.array([row.get(name) for row in rows], kinds[name]) for name in kinds}
    words = pa.array([row.get("word") or "" for row in rows], pa.string())
    return pa.table(columns | {"word": words.dictionary_encode()})


def document(rows: list[dict[str, Any]], *, binary: bool) -> bytes:
    return b"".join(results_document(HEADING, table_of(rows), binary=binary))


def as_read(content: bytes) -> list[dict[str, Any]]:
    """Rows as astropy reads them; None for what is masked and for texts without a letter."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        array = parse(io.BytesIO(content), verify="exception").get_first_table().array
    return [
        {
            name: None if np.ma.getmaskarray(array[name])[at] or str(value) == "" else value
            for name in DATATYPES
            for value in [array[name].data[at]]
        }
        for at in range(len(array))
    ]


def test_bytes_are_those_of_the_standard() -> None:
    # flags: one bit a column, the most significant first, in whole bytes; big-endian numbers;
    # a count of four bytes before what has no fixed length (sections 5.3 and 5.4)
    rows = [
        {"id": "Q", "text": "\xe9", "number": 1.0, "count": 258, "few": -1, "fewer": 3,
         "flag": True, "word": "ab"},
        {},
    ]  # fmt: skip
    text = b"".join(binary_rows(table_of(rows), list(DATATYPES.values())))
    first = (
        "1000", "00000001 51", "00000001 00e9", "3ff0000000000000", "7fc00000",
        "0000000000000102", "ffffffff", "0003", "54", "00000002 0061 0062",
    )  # fmt: skip
    read = base64.b64decode(text)
    length = len(bytes.fromhex("".join(first)))
    # the fourth of the nine columns, `small`, is not known
    assert read[:length] == bytes.fromhex("".join(first))
    second = read[length:]
    assert second[:2] == b"\xff\x80"
    assert second[2:10] == bytes(8)  # two empty texts
    assert second[-5:] == b"?" + bytes(4)
    assert len(second) == 2 + 4 + 4 + 8 + 4 + 8 + 4 + 2 + 1 + 4


@pytest.mark.parametrize("kept", [20_000, 0])
def test_hostile_rows_read_back(kept: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(row_texts, "_MOST_KEPT", kept)
    monkeypatch.setattr(row_texts, "PIECE_ROWS", 3)
    rows = [
        {"id": f"QN-{at}", "text": text, "number": number, "count": at - 2, "flag": at % 2 == 0,
         "word": text, "small": 0.5, "few": at, "fewer": -at}
        for at, (text, number) in enumerate(
            zip(HOSTILE, [0.0, -0.0, 5e-324, 1e308, np.inf, -np.inf, np.nan, 1 / 3], strict=True)
        )
    ]  # fmt: skip
    for read, row in zip(as_read(document(rows, binary=True)), rows, strict=True):
        number = row.pop("number")
        if np.isnan(number):
            assert read.pop("number") is None  # as null
        else:
            found = read.pop("number")
            assert found == number and np.signbit(found) == np.signbit(number)
        assert read == {name: value if value != "" else None for name, value in row.items()}


ROWS = st.lists(
    st.fixed_dictionaries(
        {},
        optional={
            "id": st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=9),
            "text": st.text(st.characters(exclude_categories=["Cs"]), max_size=20),
            "word": st.sampled_from(["on shelf", "\xfc \U0001f52d", ""]),
            "number": st.floats(),
            "small": st.floats(width=32),
            "count": st.integers(-(2**63), 2**63 - 1),
            "few": st.integers(-(2**31), 2**31 - 1),
            "fewer": st.integers(-(2**15), 2**15 - 1),
            "flag": st.booleans(),
        },
    ),
    max_size=12,
)


@settings(max_examples=60, deadline=None)
@given(rows=ROWS, piece_rows=st.integers(1, 5))
def test_any_rows_read_back(rows: list[dict[str, Any]], piece_rows: int) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(row_texts, "PIECE_ROWS", piece_rows)
        read = as_read(document(rows, binary=True))
    for found, row in zip(read, rows, strict=True):
        for name in DATATYPES:
            expected = row.get(name)
            if expected in (None, "") or expected != expected:
                assert found[name] is None, name
            else:
                assert found[name] == expected, name


@settings(max_examples=30, deadline=None)
@given(rows=ROWS)
def test_both_serialisations_say_the_same(rows: list[dict[str, Any]]) -> None:
    # what XML cannot hold is replaced in TABLEDATA, and astropy trims texts there
    legal = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
    for row in rows:
        for name in row.keys() & {"id", "text"}:
            row[name] = legal.sub("", row[name]).strip()
    binary, plain = (as_read(document(rows, binary=binary)) for binary in (True, False))
    assert binary == plain


def test_lines_are_short_and_pieces_join() -> None:
    # RFC 2045, section 6.8: lines of no more than 76 characters
    rows = [{"id": f"QN-{at}", "text": "x" * (at % 7)} for at in range(500)]
    text = b"".join(binary_rows(table_of(rows), list(DATATYPES.values()), WordTexts()))
    assert max(map(len, text.splitlines())) == 76
    assert b"=" not in text.rstrip(b"=\n")  # padded at the very end alone
    assert b"".join(binary_rows(table_of([]), list(DATATYPES.values()))) == b""


def test_columns_of_nothing_at_all() -> None:
    table = table_of([{}, {}])
    nothing = pa.table({name: pa.nulls(2) for name in table.column_names})
    kinds = list(DATATYPES.values())
    assert b"".join(binary_rows(nothing, kinds)) == b"".join(binary_rows(table, kinds))


def test_what_is_not_ascii_is_replaced_in_a_char() -> None:
    (row,) = as_read(document([{"id": "caf\xe9"}], binary=True))
    assert row["id"] == "caf?"
