"""Angles as logs spell them: values by hand arithmetic and against astropy's own parser."""

import math

import numpy as np
import pytest
from astropy.coordinates import Angle
from hypothesis import given
from hypothesis import strategies as st

from platecover.coverage.sexagesimal import (
    DECIMAL,
    LONE_INTEGER,
    SEXAGESIMAL,
    Angles,
    declinations,
    right_ascensions,
)
from platecover.coverage.text_arrays import as_texts


def ra(*texts: str, typed: bool = False) -> Angles:
    return right_ascensions(as_texts(texts), typed=typed)


def dec(*texts: str, typed: bool = False) -> Angles:
    return declinations(as_texts(texts), typed=typed)


# 5h33.1m is 5 x 15 + 33.1 / 4 = 83.275 deg; a minute of right ascension is 0.25 deg and a second
# 1/240 deg, of which the last digit's unit is halved.
@pytest.mark.parametrize(
    ("text", "deg", "half_unit_deg"),
    [
        ("05 33.1", 83.275, 0.0125),
        ("5h 33.1m", 83.275, 0.0125),
        ("5h33.1m", 83.275, 0.0125),
        ("5h33m.1", 83.275, 0.0125),
        ("5h33m06s", 83.275, 1 / 480),
        ("05:33:06", 83.275, 1 / 480),
        ("05 33 06", 83.275, 1 / 480),
        ("5ʰ33ᵐ06ˢ", 83.275, 1 / 480),
        ("5h33m06.0s", 83.275, 1 / 4800),
        ("05h33m06s.0", 83.275, 1 / 4800),
        ("  05\u00a033.1 ", 83.275, 0.0125),
        ("05 33", 83.25, 0.125),
        ("5.5h", 82.5, 0.75),
        ("83d16m", 83 + 16 / 60, 1 / 120),
        ("83°16′30″", 83.275, 1 / 7200),
        ("83.28", 83.28, 0.005),
        ("83.28°", 83.28, 0.005),
        ("83", 83.0, 0.5),
        ("0 00 00.0", 0.0, 1 / 4800),
        ("360", 0.0, 0.5),
    ],
)
def test_right_ascension_in_every_spelling(text: str, deg: float, half_unit_deg: float) -> None:
    angles = ra(text)
    assert angles.reasons[0] == ""
    assert angles.deg[0] == pytest.approx(deg, abs=1e-12)
    assert angles.half_unit_deg[0] == pytest.approx(half_unit_deg, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "deg", "half_unit_deg"),
    [
        ("+60 12", 60.2, 1 / 120),
        ("-00 30 15", -(30 / 60 + 15 / 3600), 1 / 7200),
        ("\u221200 30 15", -(30 / 60 + 15 / 3600), 1 / 7200),
        ("- 5 30", -5.5, 1 / 120),
        ("+12°30′15″", 12 + 30 / 60 + 15 / 3600, 1 / 7200),
        ("12d30m15s", 12 + 30 / 60 + 15 / 3600, 1 / 7200),
        ("""-12° 30' 15.5\"""", -(12 + 30 / 60 + 15.5 / 3600), 1 / 72000),
        ("5", 5.0, 0.5),
        ("-89.999", -89.999, 0.0005),
        ("90 00 00", 90.0, 1 / 7200),
        ("-90", -90.0, 0.5),
    ],
)
def test_declination_in_every_spelling(text: str, deg: float, half_unit_deg: float) -> None:
    angles = dec(text)
    assert angles.reasons[0] == ""
    assert angles.deg[0] == pytest.approx(deg, abs=1e-12)
    assert angles.half_unit_deg[0] == pytest.approx(half_unit_deg, rel=1e-12)


@given(
    st.integers(0, 23),
    st.integers(0, 59),
    st.integers(0, 599),
    st.sampled_from([" ", ":", "hms"]),
)
def test_agrees_with_astropy(hours: int, minutes: int, tenths: int, style: str) -> None:
    parts = f"{hours:02d}", f"{minutes:02d}", f"{tenths / 10:04.1f}"
    text = "{}h{}m{}s".format(*parts) if style == "hms" else style.join(parts)
    expected_deg = Angle(text, unit="hourangle").deg
    angles = ra(text)
    assert angles.deg[0] == pytest.approx(expected_deg, abs=1e-10)
    assert angles.form[0] == SEXAGESIMAL


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("24 00 00", "impossible: right ascension is 0 to 24h"),
        ("24 30", "impossible"),
        ("05 60", "minutes of 60 or more"),
        ("05 33 60", "seconds of 60 or more"),
        ("-05 33", "impossible"),
        ("360.01", "impossible: right ascension is 0 to 360 degrees"),
        ("-0.5", "impossible"),
        ("1e400", "impossible"),
        ("nan", "not an angle"),
        ("inf", "not an angle"),
        ("5:33:", "not an angle"),
        ("05 33.1 06", "not an angle"),
        ("05h33s", "not an angle"),
        ("1_0", "not an angle"),
        ("５", "not an angle"),
        ("=1+1", "not an angle"),
        ("\x00", "not an angle"),
        ("9" * 5000, "not an angle"),
        ("", "missing"),
    ],
)
def test_bad_right_ascensions(text: str, message: str) -> None:
    angles = ra(text)
    assert message in angles.reasons[0]
    assert math.isnan(angles.deg[0])


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("91", "impossible: declination is -90 to 90"),
        ("+90 00 01", "impossible"),
        ("-00 60", "minutes of 60 or more"),
        ("5h30m", "in hours"),
        ("north", "not an angle"),
        (" ", "missing"),
    ],
)
def test_bad_declinations(text: str, message: str) -> None:
    angles = dec(text)
    assert message in angles.reasons[0]
    assert math.isnan(angles.deg[0])


def test_a_lone_integer_is_ambiguous_only_beside_sexagesimals() -> None:
    assert ra("05", "83.28", "24", "25").reasons.tolist() == ["", "", "", ""]
    mixed = ra("05", "24", "25", "360", "5.0", "5h", "5°", "05 33")
    refused = [bool(reason) for reason in mixed.reasons]
    assert refused == [True, True, False, False, False, False, False, False]
    assert "hours or degrees" in mixed.reasons[0]
    assert mixed.deg[2:].tolist() == [25.0, 0.0, 5.0, 75.0, 5.0, 83.25]
    assert mixed.form[:5].tolist() == [LONE_INTEGER] * 4 + [DECIMAL]


def test_an_impossible_sexagesimal_makes_lone_integers_ambiguous_too() -> None:
    assert "hours or degrees" in ra("05", "24 30").reasons[0]


def test_columns_of_numbers_have_no_error_by_digits() -> None:
    assert ra("83.28", "8.328e1", "", typed=True).half_unit_deg[:2].tolist() == [0.0, 0.0]
    assert dec("-5", typed=True).half_unit_deg.tolist() == [0.0]


def test_exponents_tell_the_last_digit() -> None:
    angles = ra("8.328e1")
    assert angles.deg[0] == 83.28
    assert angles.half_unit_deg[0] == pytest.approx(0.005)


@given(st.lists(st.text(max_size=20), max_size=5))
def test_any_text_is_an_angle_within_limits_or_has_a_reason(texts: list[str]) -> None:
    for angles, low, high in ((ra(*texts), 0.0, 360.0), (dec(*texts), -90.0, 90.0)):
        refused = angles.reasons != ""
        assert np.isnan(angles.deg[refused]).all()
        assert ((angles.deg[~refused] >= low) & (angles.deg[~refused] <= high)).all()
        assert (angles.half_unit_deg[~refused] >= 0.0).all()


@pytest.mark.parametrize("text", ["+ 5", "\u22120", "+5", "24"])
def test_lone_hours_are_found_however_their_sign_is_written(text: str) -> None:
    angles = right_ascensions(as_texts([text, "05 30 10"]))
    assert "hours or degrees" in angles.reasons[0]
    assert right_ascensions(as_texts(["360", "05 30 10"])).deg[0] == 0.0
