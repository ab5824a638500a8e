"""Designations; the rules are those of this project (no outside source), the codes invented."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from platecover.coverage.designation import DesignationReader, is_series_code

READER = DesignationReader(["QN", "Q", "QN-A", "Tb", "tB"])


@pytest.mark.parametrize(
    ("text", "canonical"),
    [
        ("QN 123", "QN-123"),
        ("QN-123", "QN-123"),
        ("qn0123B", "QN-123b"),
        ("QN . _ / 00123 bis ", "QN-123bis"),
        ("  QN123", "QN-123"),
        ("QN000", "QN-0"),
        ("q7", "Q-7"),
        ("QN-A-7", "QN-A-7"),
        ("qn-a7", "QN-A-7"),
        ("Tb5", "Tb-5"),
        ("tB 5", "tB-5"),
    ],
)
def test_spellings(text: str, canonical: str) -> None:
    assert READER.read(text).canonical(leading_zeros=False) == canonical


def test_leading_zeros_are_kept_where_the_series_does() -> None:
    assert READER.read("qn 0012a").canonical(leading_zeros=True) == "QN-0012a"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "no designation"),
        ("QN", "not a designation"),
        ("QN12b7", "not a designation"),
        ("QN 12 (?)", "not a designation"),
        ("12", "not a designation"),
        ("QN-é12", "unknown series 'QN-é'"),
        ("QN １２", "not a designation"),
        ("QN12é", "not a designation"),
        ("ZZ 12", "unknown series 'ZZ'; known: QN, Q, QN-A, Tb, tB"),
        ("QNX 12", "unknown series 'QNX'"),
        ("TB 5", "unknown series 'TB'"),
        ("QN" + "1" * 10_000, "too long"),
    ],
)
def test_bad_designations(text: str, message: str) -> None:
    with pytest.raises(ValueError, match=".*") as caught:
        READER.read(text)
    assert message in str(caught.value)
    assert len(str(caught.value)) < 400


@pytest.mark.parametrize("code", ["QN", "3C", "A-B", "a", "A1B"])
def test_codes(code: str) -> None:
    assert is_series_code(code)


@pytest.mark.parametrize("code", ["", "Q1", "-Q", "Q-", "Q N", "É", "Q_N", "7"])
def test_bad_codes(code: str) -> None:
    assert not is_series_code(code)


@given(
    st.sampled_from(["QN", "Q", "QN-A", "Tb", "tB"]),
    st.text("-_./ ", max_size=4),
    st.integers(0, 10**9),
    st.text("abcxyz", max_size=3),
)
def test_canonical_form_reads_back(code: str, between: str, number: int, suffix: str) -> None:
    if code == "QN" and between.startswith("-") and suffix.startswith("a"):
        return
    plate = READER.read(f"{code}{between}{number}{suffix}").canonical(leading_zeros=False)
    assert plate == f"{code}-{number}{suffix}"
    assert READER.read(plate).canonical(leading_zeros=False) == plate


@given(st.text(max_size=30))
def test_any_text_is_read_or_refused(text: str) -> None:
    try:
        plate = READER.read(text).canonical(leading_zeros=False)
    except ValueError as error:
        assert str(error)
    else:
        assert plate.isascii()
