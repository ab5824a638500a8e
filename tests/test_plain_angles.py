"""The quick reading of plain angles against the one that reads every form, bit by bit."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from platecover.coverage import sexagesimal
from platecover.coverage.plain_angles import plain_angles
from platecover.coverage.sexagesimal import declinations, right_ascensions
from platecover.coverage.text_arrays import as_texts

LIKELY = st.text(st.sampled_from("0123456789 :.+-dhm"), max_size=14)
PARTS = st.from_regex(
    r"[+-]?[0-9]{1,3}[ :][0-9]{1,2}([ :.][0-9]{0,2}(\.[0-9]{0,3})?)?", fullmatch=True
)
DECIMALS = st.from_regex(r"[+-]?[0-9]{1,4}\.[0-9]{0,12}", fullmatch=True)
CELLS = st.one_of(PARTS, DECIMALS, LIKELY, st.text(max_size=8))


@settings(deadline=None)  # compiled on first use
@given(st.lists(CELLS, max_size=20), st.booleans())
def test_the_same_numbers_and_reasons_either_way(cells: list[str], typed: bool) -> None:
    texts = as_texts(cells)
    for read in (right_ascensions, declinations):
        quick = read(texts, typed=typed)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(sexagesimal, "plain_angles", nothing_is_plain)
            slow = read(texts, typed=typed)
        for name in ("deg", "half_unit_deg"):
            found, wanted = getattr(quick, name), getattr(slow, name)
            assert found.tobytes() == wanted.tobytes() or same_bits(found, wanted)
        assert quick.form.tolist() == slow.form.tolist()
        assert quick.reasons.tolist() == slow.reasons.tolist()


def same_bits(a: np.ndarray, b: np.ndarray) -> bool:
    """Equal with their signs, NaN (of any bits) to NaN."""
    numbers = ~np.isnan(a)
    return bool((np.isnan(b) == ~numbers).all() and a[numbers].tobytes() == b[numbers].tobytes())


def nothing_is_plain(texts: np.ndarray) -> tuple[np.ndarray, ...]:
    """As `plain_angles` where all cells are of other forms."""
    count = len(texts)
    return (
        np.zeros(count, np.int8),
        np.zeros(count, bool),
        np.zeros((3, count)),
        np.zeros(count, np.int8),
    )


@pytest.mark.parametrize(
    ("text", "written"),
    [
        ("05 33.1", 2), ("-10:19:05", 3), ("+22.01", 1), ("22.", 1), ("0 0 0.0", 3), ("12 5.", 2),
        ("22", 0), ("", 0), ("-", 0), (".5", 0), ("5 .5", 0), ("5.5 30", 0), ("5  30", 0),
        ("1 2 3 4", 0),
        ("5h30m", 0), ("+ 5 30", 0), ("1.2.3", 0), ("5 30 ", 0), ("1234567890.5", 0),
        ("\ud800", 0), ("٣ 10", 0),
    ],
)  # fmt: skip
def test_which_forms_are_plain(text: str, written: int) -> None:
    assert plain_angles(as_texts(["7 7", text, "8.25"]))[0].tolist() == [2, written, 1]
