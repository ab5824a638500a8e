"""Bands of emulsions and filters against published pass bands of photographic surveys."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from platecover.coverage.spectral_bands import (
    SHORTEST_NM,
    Band,
    WordBands,
    band_of,
    emulsion_band,
    filter_band,
)

AS_PUBLISHED_NM = 20.0  # texts differ by as much over where a band ends


def limits_nm(emulsion: str, filter_: str = "") -> tuple[float, float]:
    one = np.zeros(1, np.int32)
    low, high = WordBands([emulsion], [filter_], {}, {}).limits_m(one, one)
    return float(low[0] * 1e9), float(high[0] * 1e9)


# Pass bands in nm, from memory. First northern survey: R. L. Minkowski & G. O. Abell 1963, Basic
# Astronomical Data, 481. Second: I. N. Reid et al. 1991, PASP 103, 661. Southern: UK Schmidt
# Telescope Unit Handbook (1983).
@pytest.mark.parametrize(
    ("emulsion", "filter_", "low", "high"),
    [
        ("103a-O", "", 330.0, 500.0),
        ("103aE", "red", 620.0, 670.0),
        ("IIIa-J", "GG385", 385.0, 540.0),
        ("IIIaJ baked", "GG 395", 395.0, 540.0),
        ("IIIa-F", "RG610", 610.0, 690.0),
        ("iiia-f", "RG 630", 630.0, 690.0),
        ("IV-N", "RG9", 730.0, 900.0),
        ("IV-N hypersensitized", "RG715", 715.0, 900.0),
    ],
)
def test_published_pass_bands(emulsion: str, filter_: str, low: float, high: float) -> None:
    assert limits_nm(emulsion, filter_) == pytest.approx((low, high), abs=AS_PUBLISHED_NM)


# Red limits of the classes, in nm: Mees & James, The Theory of the Photographic Process (3rd
# edition, 1966), from memory.
@pytest.mark.parametrize(
    ("emulsion", "low", "high"),
    [
        ("Ordinary", 470, 520), ("unsensitised", 470, 520), ("Somebody's BLUE plate", 470, 520),
        ("orthochromatic", 560, 600), ("Ortho, fast", 560, 600), ("isochrom", 560, 600),
        ("panchromatic", 640, 720), ("soft pan", 640, 720), ("infra-red", 800, 1000),
    ],
)  # fmt: skip
def test_classes_of_emulsions(emulsion: str, low: float, high: float) -> None:
    band = emulsion_band(emulsion)
    assert band is not None
    assert low <= band.max_nm <= high and 300.0 <= band.min_nm <= 350.0


@pytest.mark.parametrize(
    "emulsion",
    ["", " ", "rapid", "fine grain", "II", "a-O", "in", "company", "panorama", "bluebell",
     "red-blind", "non-ortho", "blue or red", "IIa-O or IIa-E", "103", "IIb-O", "\x00", "x" * 5000],
)  # fmt: skip
def test_names_that_tell_nothing(emulsion: str) -> None:
    assert emulsion_band(emulsion) is None
    assert all(np.isnan(limits_nm(emulsion)))


def test_letters_go_before_other_words() -> None:
    assert emulsion_band("IIa-D panchromatic") == emulsion_band("IIa-D")


@pytest.mark.parametrize(
    ("filter_", "low", "high"),
    [
        # Schott's names say where half of the light passes 3 mm
        ("GG495", 495, 495), ("og-550", 550, 550), ("RG 695 2 mm", 695, 695), ("WG 320", 320, 320),
        # Kodak B-3, from memory: half of the light passes
        ("Wratten 12", 510, 525), ("Wratten No. 25", 590, 605), ("wratten 2B", 385, 400),
        ("yellow 2", 450, 510), ("Deep Red", 580, 640), ("RG2", 630, 630),
        ("GG385 + RG630", 630, 630), ("yellow and WG 320", 450, 510),
    ],
)  # fmt: skip
def test_cut_on_filters(filter_: str, low: float, high: float) -> None:
    band = filter_band(filter_)
    assert band is not None
    assert low <= band.min_nm <= high and band.max_nm >= 1200.0


def test_photometric_bands() -> None:
    # Bessell 1990, PASP 102, 1181, table 2: first and last wavelengths; from memory
    assert filter_band("V") == Band(470.0, 700.0)
    assert filter_band("b") == Band(360.0, 560.0)
    assert filter_band("V 2") is None  # the whole name, or it means nothing


@pytest.mark.parametrize("filter_", ["", " ", "none", "clear", "No filter"])
def test_no_filter_lets_all_through(filter_: str) -> None:
    assert limits_nm("IIa-O", filter_) == limits_nm("IIa-O")


@pytest.mark.parametrize(
    "filter_", ["2", "green", "blue", "GG", "GG99", "Wratten 99", "GG385 + BG12", "redder", "K?",
                "yellow or red"],
)  # fmt: skip
def test_filters_that_are_not_known_leave_the_band_unknown(filter_: str) -> None:
    assert filter_band(filter_) is None
    assert all(np.isnan(limits_nm("IIa-O", filter_)))


def test_a_band_with_nothing_in_it_is_not_known() -> None:
    assert all(np.isnan(limits_nm("IIa-O", "RG630")))


def test_what_the_keeper_says_goes_first() -> None:
    own = {
        "Norvell fine": Band(330.0, 610.0),
        "fine": Band(330.0, 400.0),
        "blue": Band(350.0, 480.0),
    }
    assert emulsion_band("NORVELL  Fine, 1912", own) == Band(330.0, 610.0)  # the longest name
    assert emulsion_band("Carvane blue", own) == Band(350.0, 480.0)
    assert emulsion_band("refined", own) is None
    assert filter_band("dark glass 3", {"dark glass": Band(600.0, 650.0)}) == Band(600.0, 650.0)


@pytest.mark.parametrize(
    ("limits", "is_filter", "says"),
    [
        ({}, True, "needs min_nm or max_nm"),
        ({}, False, "needs max_nm"),
        ({"min_nm": 400.0}, False, "needs max_nm"),
        ({"min_nm": 500.0, "max_nm": 500.0}, True, "min_nm 500 not below max_nm 500"),
        ({"min_nm": float("nan"), "max_nm": 500.0}, True, "not below"),
        ({"max_nm": 300.0}, False, "not below"),
    ],
)
def test_bad_bands_are_refused(limits: dict[str, float], is_filter: bool, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        band_of(limits, is_filter=is_filter)


def test_what_an_observatory_file_may_leave_out() -> None:
    assert band_of({"max_nm": 510.0}, is_filter=False) == Band(SHORTEST_NM, 510.0)
    assert band_of({"min_nm": 600.0}, is_filter=True).min_nm == 600.0
    assert band_of({"max_nm": 600.0}, is_filter=True).max_nm == 600.0


@given(st.text(max_size=40), st.text(max_size=40))
def test_any_text_gives_a_band_or_none(emulsion: str, filter_: str) -> None:
    low, high = limits_nm(emulsion, filter_)
    assert (np.isnan(low) and np.isnan(high)) or 0.0 < low < high


def test_bands_of_many_rows() -> None:
    bands = WordBands(["", "IIa-O", "103a-E"], ["red", "", "?"], {}, {})
    low, high = bands.limits_m(np.int32([0, 1, 2, 2, 2]), np.int32([1, 1, 1, 0, 2]))
    assert list(np.isnan(low)) == list(np.isnan(high)) == [True, False, False, False, True]
    assert low[3] > low[2] and high[3] == high[2] > high[1]
