"""Rows woven from columns against Python's own joining of the same texts."""

import pyarrow as pa
from hypothesis import given, settings
from hypothesis import strategies as st

from platecover.service import row_weaving
from platecover.service.row_weaving import woven

MARKS = ["<", "|é", "|", ">\n"]


def joined(columns: list[list[str]]) -> bytes:
    """The rows, one text after the other."""
    rows = zip(*columns, strict=True)
    return "".join(
        "".join(mark + cell for mark, cell in zip(MARKS, row, strict=False)) + MARKS[-1]
        for row in rows
    ).encode()


@settings(deadline=None)
@given(cells=st.lists(st.tuples(*[st.text(max_size=5)] * 3), max_size=12), threads=st.booleans())
def test_rows_are_those_of_plain_joining(cells: list[tuple[str, str, str]], threads: bool) -> None:
    cells = [(*map(well_formed, row),) for row in cells]  # type: ignore[misc]
    columns = [list(column) for column in zip(*cells, strict=True)] or [[], [], []]
    plain, coded, cut = (pa.array(column, pa.string()) for column in columns)
    before = pa.array(["before", *columns[2]], pa.string()).dictionary_encode().slice(1)
    worth, row_weaving._WORTH_A_THREAD = row_weaving._WORTH_A_THREAD, 1 if threads else 1_000
    try:
        found = woven([plain, coded.dictionary_encode(), before], MARKS)
    finally:
        row_weaving._WORTH_A_THREAD = worth
    assert bytes(found) == joined(columns)


def well_formed(text: str) -> str:
    """The text without lone surrogates, which Arrow does not hold."""
    return text.encode("utf-8", "replace").decode()
