"""The observatory file: what it may say, and a clear error for all else."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from platecover.coverage.errors import ObservatoryError
from platecover.coverage.observatory import Observatory, observatory_from, read_observatory

GOOD = """
name = "Fell Observatory (invented)"

[stations.fell]
latitude_deg = 51.5
longitude_deg = 10.25
height_m = 120

[series.QN]
telescope = "Fell camera"
station = "fell"
scale_arcsec_per_mm = [{until = 1900-01-01, value = 100.0}, {until = "1910", value = 200}, {value = 300.0}]
exposed_inch = [8, 10]
glass_mm = [216, 267]
glass_thickness_mm = 2.5
equinox = "B1875.0"
clock = "LMT"
years = [1889, 1920]
shelved_by = "number"
leading_zeros = true
"""  # noqa: E501


def read(tmp_path: Path, text: str) -> Observatory:
    path = tmp_path / "observatory.toml"
    path.write_text(text, encoding="utf-8")
    return read_observatory(path)


def test_good_file(tmp_path: Path) -> None:
    observatory = read(tmp_path, GOOD)
    assert observatory.name == "Fell Observatory (invented)"
    assert observatory.stations["fell"].longitude_deg == 10.25
    series = observatory.series["QN"]
    assert series.last("exposed_mm", None) == (8 * 25.4, 10 * 25.4)
    assert series.last("leading_zeros", False) is True
    assert not series.changes("equinox")
    assert series.changes("scale_arcsec_per_mm")


def test_until_is_exclusive_and_undated_take_the_last(tmp_path: Path) -> None:
    series = read(tmp_path, GOOD).series["QN"]
    # MJD of 1899 Dec 31, 1900 Jan 1, 1909 Dec 31, 1910 Jan 1: 2415020.5 (JD of 1900 Jan 1, 0h,
    # Meeus, Astronomical Algorithms, ch. 7) - 2400000.5, and 3652 days for ten years, two of
    # them (1904, 1908) leap years.
    day_mjd = np.array([15019.0, 15020.0, 18671.0, 18672.0, np.nan])
    scales = series.values("scale_arcsec_per_mm", day_mjd, np.nan)
    assert scales.tolist() == [100.0, 200.0, 200.0, 300.0, 300.0]
    sizes = series.values("exposed_mm", day_mjd, (np.nan, np.nan))
    assert sizes.shape == (5, 2)
    assert series.values("usable_radius_deg", day_mjd, np.nan).shape == (5,)


def test_plain_values_survive_json(tmp_path: Path) -> None:
    plain = json.loads(json.dumps(read(tmp_path, GOOD).as_plain()))
    assert plain["stations"]["fell"] == {
        "latitude_deg": 51.5,
        "longitude_deg": 10.25,
        "height_m": 120.0,
    }
    series = plain["series"]["QN"]
    assert series["telescopes"] == ["Fell camera"]
    assert series["stations"] == ["fell"]
    assert (series["years"], series["leading_zeros"], series["shelved_by"]) == (
        [1889, 1920],
        True,
        "number",
    )


def test_byte_order_mark_is_no_matter(tmp_path: Path) -> None:
    assert read(tmp_path, "\ufeff" + GOOD).name.startswith("Fell")


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("scale_arcsec_per_mm", "scale_arcsec_per_m", r"unknown key .*did you mean scale_arcsec_"),
        ("height_m", "height", r"\[stations.fell\]: unknown key 'height'.*known: latitude_deg"),
        ("[series.QN]", "[seris.QN]", r"unknown key 'seris' \(did you mean series\?\)"),
        ('station = "fell"', 'station = "moor"', r"'moor' is not among the stations: fell"),
        ('station = "fell"', "", "station is missing"),
        ("exposed_inch = [8, 10]", "", "needs exposed_mm or exposed_inch, and not both"),
        ("exposed_inch", "exposed_mm = [1, 2]\nexposed_inch", "and not both"),
        ("[8, 10]", "[8]", r"exposed_inch must be a list of two numbers, got \[8\]"),
        ("[8, 10]", "[8, 0]", r"exposed_inch must be a number above 0"),
        ("[8, 10]", '["8", "10"]', "exposed_inch must be a number"),
        (
            "{value = 300.0}",
            "{value = 9e3}",
            # hypot(203.2, 254) / 2 = 162.64 mm; x 9000 / 206265 = 7.0965, arc tangent 81.98 deg
            "scale_arcsec_per_mm 9000 and exposed size .* 82.0 degr",
        ),
        (
            "latitude_deg = 51.5",
            "latitude_deg = 91",
            "latitude_deg must be a number from -90 to 90",
        ),
        ("latitude_deg = 51.5", "latitude_deg = nan", "latitude_deg must be .* got nan"),
        ("latitude_deg = 51.5", "latitude_deg = true", "latitude_deg must be .* got True"),
        ("2.5", "inf", "glass_thickness_mm must be"),
        ('"B1875.0"', '"B18"', "equinox .*B18"),
        ('"B1875.0"', "1" + "0" * 400, "equinox .*got 1000"),
        ('"LMT"', '"sundial"', "clock .*sundial"),
        ('"number"', '"colour"', "shelved_by must be one of date, number, region, got 'colour'"),
        ("[1889, 1920]", "[1920, 1889]", r"years must be \[first, last\]"),
        ("leading_zeros = true", 'leading_zeros = "yes"', "leading_zeros must be true or false"),
        ("[series.QN]", "[series.Q1]", r"\[series.Q1\]: a series code .* does not end in a digit"),
        ("[series.QN]", '[series."Q N"]', "a series code is ASCII letters"),
        ('until = "1910"', 'until = "1899"', "entry 2: until 1899 is not later"),
        ('until = "1910"', "until = 1900-01-01", "entry 2: until 1900-01-01 is not later"),
        ('until = "1910"', 'until = "soon"', "entry 2: until .*soon"),
        ('until = "1910", ', "", "entry 2: needs until; only the last entry has none"),
        ("{value = 300.0}", '{until = "1920", value = 300.0}', "entry 3: the last entry has no"),
        ("{value = 300.0}", "{value = 0}", "entry 3: value must be a number above 0"),
        ("{value = 300.0}", "{valeu = 1}", r"entry 3: unknown key 'valeu' \(did you mean value"),
        ("{value = 300.0}", "300.0", "entry 3: must be a table"),
        ('name = "Fell', 'name = "Fell\n', "is not TOML"),
        ("[series.QN]", "[stations.fell]", "is not TOML"),
    ],
)
def test_bad_files_name_table_and_key(tmp_path: Path, old: str, new: str, message: str) -> None:
    assert old in GOOD
    with pytest.raises(ObservatoryError, match=message) as caught:
        read(tmp_path, GOOD.replace(old, new, 1))
    assert "observatory.toml" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_missing_folder_and_binary_files(tmp_path: Path) -> None:
    with pytest.raises(ObservatoryError, match="No such file"):
        read_observatory(tmp_path / "none.toml")
    with pytest.raises(ObservatoryError, match="directory"):
        read_observatory(tmp_path)
    (tmp_path / "junk.toml").write_bytes(b"\xff\xfe\x00junk")
    with pytest.raises(ObservatoryError, match="is not TOML"):
        read_observatory(tmp_path / "junk.toml")
    (tmp_path / "empty.toml").write_text("")
    with pytest.raises(ObservatoryError, match=r"needs at least one table \[stations.NAME\]"):
        read_observatory(tmp_path / "empty.toml")


@pytest.mark.parametrize("value", [None, 5, [], {}, {"QN": 5}])
def test_series_must_be_tables(value: Any) -> None:
    stations = {"fell": {"latitude_deg": 0, "longitude_deg": 0}}
    with pytest.raises(ObservatoryError, match="series"):
        observatory_from({"stations": stations, "series": value}, "here")


def test_codes_may_differ_by_case_alone(tmp_path: Path) -> None:
    again = GOOD[GOOD.index("[series.QN]") :].replace("QN", "Qn")
    assert list(read(tmp_path, GOOD + again).series) == ["QN", "Qn"]
