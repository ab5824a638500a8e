"""Places as people write them, against sexagesimal arithmetic by hand and astropy's SkyCoord."""

import pytest
from astropy.coordinates import SkyCoord
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from platecover.coverage.errors import QueryError
from platecover.service.place_text import is_region, read_position

# 5 h 35 m 17 s = 15 (5 + 35/60 + 17/3600) deg; 5 deg 23' 28" = 5 + 23/60 + 28/3600 deg
PLACE = (83.820833333, -5.391111111)


@pytest.mark.parametrize(
    "text",
    [
        "05 35 17 -05 23 28",
        "5h35m17s -5d23m28s",
        "05h35m17s-05d23m28s",
        "5h 35m 17s, -5d 23m 28s",
        "05:35:17 -05:23:28",
        "05:35:17-05:23:28",
        "5h35m17s; -5°23'28\"",
        "05 35 17 \u2212 05 23 28",  # minus sign
        "  05 35 17   -5 23 28  ",
        "83.820833333 -5.391111111",
        "83.820833333, -5.391111111",
        "83.820833333-5.391111111",
        "8.3820833333e1 -5.391111111e0",
    ],
)
def test_one_place_in_many_spellings(text: str) -> None:
    assert_allclose(read_position(text), PLACE, rtol=0, atol=2e-9)


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("10 20", (10.0, 20.0)),  # two numbers are degrees
        ("10 20 30 40", (155.0, 30.0 + 2.0 / 3.0)),  # 10 h 20 m, 30 deg 40'
        ("5h +10", (75.0, 10.0)),
        ("0 0 0 -0 30 0", (0.0, -0.5)),  # the sign of a zero counts
        ("360 0", (0.0, 0.0)),
        ("1e-1 -2e-1", (0.1, -0.2)),  # an exponent's sign parts nothing
    ],
)
def test_forms(text: str, place: tuple[float, float]) -> None:
    assert_allclose(read_position(text), place, rtol=0, atol=2e-9)


@given(st.floats(0.0, 359.99), st.floats(-89.99, 89.99))
def test_reads_what_astropy_writes(ra: float, dec: float) -> None:
    place = SkyCoord(ra, dec, unit="deg")
    for text in (place.to_string("hmsdms", precision=6), place.to_string("hmsdms", sep=":",
                 precision=6), place.to_string("hmsdms", sep=" ", precision=6)):  # fmt: skip
        assert_allclose(read_position(text), (ra % 360.0, dec), rtol=0, atol=1e-8)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("abc def", "no right ascension in 'abc def'.*write right ascension"),
        ("nan nan", "no right ascension"),
        ("10 inf", "no declination"),
        ("", "not understood"),
        ("83.6", "not understood.*constellation Ori"),
        ("1 2 3", "not understood"),
        ("83,8 -5,4", "no right ascension"),
        ("10 95", "'95' is impossible: declination is -90 to 90 degrees"),
        ("361 0", "right ascension is 0 to 360 degrees"),
        ("25 00 00 +10 00 00", "right ascension is 0 to 24h"),
        ("-3 4", "right ascension is 0 to 360"),
        ("05 60 00 +10 00 00", "minutes of 60 or more"),
        ("5 -5 23 28", "5 in '5 -5 23 28' may be hours or degrees.*write 5h or 5.0"),
        ("1 " * 150, "has 300 characters, more than 200"),
    ],
)
def test_bad_input(text: str, message: str) -> None:
    with pytest.raises(QueryError, match=message) as fault:
        read_position(text)
    assert fault.value.parameter == "place"


@given(st.text(max_size=40))
def test_anything_else_is_refused_in_words(text: str) -> None:
    try:
        ra, dec = read_position(text)
    except QueryError:
        return
    assert 0.0 <= ra <= 360.0 and -90.0 <= dec <= 90.0


@pytest.mark.parametrize(("text", "known"), [
    ("Circle 1 2 3", True), ("POLYGON,1", True), ("all", True), ("moc 3/1", True),
    (" constellation x", True), ("83 22", False), ("", False), ("allium", False),
])  # fmt: skip
def test_keywords_of_regions(text: str, known: bool) -> None:
    assert is_region(text) == known
