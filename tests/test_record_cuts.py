"""Parts of text logs against the records that Python's csv module, when strict, takes together."""

import io

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from platecover.coverage import record_cuts
from platecover.coverage.record_cuts import parts
from platecover.coverage.text_records import Lines, further_lines

TEXTS = st.text(alphabet='a,;"\n\r é', max_size=60)


def records_by_csv(text: bytes, separator: str) -> list[bytes]:
    """Records one after the other, each asked of csv."""
    lines = Lines(io.BytesIO(text))
    return [b"".join([line, *further_lines(line, lines, separator, "utf-8")]) for line in lines]


@settings(deadline=None)
@given(text=TEXTS, separator=st.sampled_from(",; \t"))
def test_records_are_those_of_csv(text: str, separator: str) -> None:
    content = text.encode()
    found = [part for _, part in parts(io.BytesIO(content), 0, separator, 1)]
    assert found == (records_by_csv(content, separator) or [b""])


@settings(deadline=None)
@given(text=TEXTS, block=st.integers(1, 9), rows=st.integers(1, 5))
def test_blocks_of_any_size_give_the_same_parts(text: str, block: int, rows: int) -> None:
    content = text.encode()
    expected = list(parts(io.BytesIO(content), 7, ",", rows))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(record_cuts, "_BLOCK_BYTES", block)
        assert list(parts(io.BytesIO(content), 7, ",", rows)) == expected


@settings(deadline=None)
@given(text=TEXTS, rows=st.integers(1, 5))
def test_parts_are_the_text_and_know_their_first_line(text: str, rows: int) -> None:
    content = text.encode()
    found = list(parts(io.BytesIO(content), 3, ",", rows))
    assert b"".join(part for _, part in found) == content
    before = 3
    for first_line, part in found:
        assert first_line == before + 1
        assert len(records_by_csv(part, ",")) <= rows
        before += len(list(Lines(io.BytesIO(part))))


def test_a_stray_quote_swallows_no_rows() -> None:
    text = b'a,"b\nc,d\ne,"f"x\n"g\nh",i\n'
    found = [part for _, part in parts(io.BytesIO(text), 0, ",", 1)]
    assert found == [b'a,"b\n', b"c,d\n", b'e,"f"x\n', b'"g\nh",i\n']


def test_a_line_put_in_changes_its_own_part_and_perhaps_the_next() -> None:
    lines = [f"row {number},{number * number % 977}\n".encode() for number in range(20_000)]
    before = {part for _, part in parts(io.BytesIO(b"".join(lines)), 0, ",", 1_000)}
    lines.insert(7_000, b"another,row\n")
    after = {part for _, part in parts(io.BytesIO(b"".join(lines)), 0, ",", 1_000)}
    assert len(before) > 20
    assert len(after - before) <= 2


def test_nothing_left_is_one_empty_part() -> None:
    assert list(parts(io.BytesIO(b""), 4, ",", 10)) == [(5, b"")]
