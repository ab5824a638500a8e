"""Single cells of plate logs: numbers, words and addresses."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from platecover.coverage.log_cells import (
    LOG_COLUMNS,
    link_cells,
    number_cells,
    read_number,
    word_cells,
)
from platecover.coverage.text_arrays import as_texts


@pytest.mark.parametrize(
    ("text", "number"),
    [("60", 60.0), ("+.5", 0.5), ("-1.25e-1", -0.125), ("007", 7.0), ("5.", 5.0)],
)
def test_numbers(text: str, number: float) -> None:
    assert read_number(text) == number


@pytest.mark.parametrize(
    "text", ["", "nan", "inf", "-inf", "1_000", "1,000", "4,5", "12 in", "0x10", "１", "9" * 1000]
)
def test_texts_that_are_no_numbers(text: str) -> None:
    with pytest.raises(ValueError, match="is not a number"):
        read_number(text)


@pytest.mark.parametrize(
    ("column", "text", "message"),
    [
        ("scale_arcsec_per_mm", "0", "impossible: scale_arcsec_per_mm is above 0"),
        ("scale_arcsec_per_mm", "-60", "impossible"),
        ("width_mm", "1e308", "impossible: width_mm is above 0 to 2000"),
        ("width_mm", "8 inch", "is not a number"),
        ("exposure_min", "-5", "impossible: exposure_min is from 0"),
        ("exposure", "1.5", "not a whole number"),
        ("exposure", "0", "impossible"),
        ("position_angle_deg", "400", "impossible"),
        ("limiting_mag", "nan", "is not a number"),
    ],
)
def test_bad_numbers(column: str, text: str, message: str) -> None:
    values, reasons = number_cells(column, as_texts(["", text]))
    assert message in reasons[1]
    assert [math.isnan(value) for value in values] == [True, True]
    assert reasons[0] == ""


def test_words_match_in_any_case_and_spacing() -> None:
    words, reasons = word_cells("status", as_texts(["On  Shelf", "", "lost", "MISSING"]))
    assert words.tolist() == ["on shelf", "", "", "missing"]
    assert reasons.tolist()[2].startswith("'lost' is none of: on shelf, on loan, being scanned")


def test_links() -> None:
    good = ["https://scans.example/qn1.fits", "FTP://scans.example/1"]
    bad = ["javascript:alert(1)", "scans/qn1.fits", "https://a b", 'https://a"b', "https://"]
    links, reasons = link_cells(as_texts(["", *good, *bad]))
    assert links.tolist() == ["", *good, *[""] * len(bad)]
    assert [bool(reason) for reason in reasons] == [False] * 3 + [True] * len(bad)


@given(
    st.sampled_from([n for n, c in LOG_COLUMNS.items() if not math.isnan(c.low)]),
    st.text(max_size=9),
)
def test_any_text_is_a_number_within_limits_or_refused(column: str, text: str) -> None:
    values, reasons = number_cells(column, as_texts([text]))
    rule = LOG_COLUMNS[column]
    assert math.isnan(values[0]) == (reasons[0] != "" or text == "")
    assert math.isnan(values[0]) or rule.low <= values[0] <= rule.high
