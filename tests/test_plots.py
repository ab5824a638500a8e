"""Epoch plots: written in every form, with the words a reader needs."""

import io
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import matplotlib.image
import numpy as np
import pytest

from platecover.coverage.errors import QueryError
from platecover.coverage.plots import plot_epochs

SOURCE = "Brackwater Observatory (invented), edition 4 of 2026-11-25."
STARTS = {".png": b"\x89PNG\r\n", ".pdf": b"%PDF-", ".svg": b"<?xml"}


def histogram(series: Sequence[Mapping[str, int]], width: int = 1, undated: int = 0) -> Any:
    """An epoch histogram that starts in 1900."""
    bins = [
        {"from": 1900 + at * width, "to": 1900 + (at + 1) * width, "series": dict(counts)}
        for at, counts in enumerate(series)
    ]
    return {"bins": bins, "undated": undated}


FEW = histogram([{"QN": 3, "WM": 1}, {}, {"WM": 2}], undated=7)


def words(path: Path) -> list[str]:
    """The texts of an SVG file, in order."""
    nodes = ElementTree.parse(path).iter("{http://www.w3.org/2000/svg}text")
    return ["".join(node.itertext()) for node in nodes]


@pytest.mark.parametrize("suffix", list(STARTS))
@pytest.mark.parametrize("answer", [FEW, histogram([])], ids=["some", "none"])
def test_written_in_every_form(tmp_path: Path, suffix: str, answer: Any) -> None:
    path = tmp_path / f"plot{suffix}"
    plot_epochs(answer, "Plates of circle 83.6 22 1", SOURCE, path)
    content = path.read_bytes()
    assert content.startswith(STARTS[suffix])
    assert len(content) > 3000


def test_says_what_it_shows(tmp_path: Path) -> None:
    path = tmp_path / "plot.svg"
    plot_epochs(FEW, "Plates of circle 83.6 22 1, series QN, WM", SOURCE, path)
    shown = words(path)
    for text in (
        "Plates of circle 83.6 22 1, series QN, WM",
        "year of mid-exposure (UT)",
        "exposures a year",
        "series",
        "dated exposures drawn: 6; undated, not drawn: 7",
        SOURCE,
    ):
        assert text in shown
    assert shown.index("WM") < shown.index("QN")  # the legend is stacked as the bars are


def test_wider_bins_are_named(tmp_path: Path) -> None:
    plot_epochs(histogram([{"QN": 1}] * 12, 10), "t", SOURCE, tmp_path / "plot.svg")
    shown = words(tmp_path / "plot.svg")
    assert "exposures in 10 years" in shown
    assert {"1900", "1920", "1980", "2020"} <= set(shown)


def test_empty_histogram_says_so(tmp_path: Path) -> None:
    plot_epochs(histogram([], undated=3), "Plates of nowhere", SOURCE, tmp_path / "plot.svg")
    shown = words(tmp_path / "plot.svg")
    assert "no dated exposures" in shown
    assert "dated exposures drawn: 0; undated, not drawn: 3" in shown


def test_more_series_than_colours_share_one(tmp_path: Path) -> None:
    counts = {f"S{letter}": 30 - at for at, letter in enumerate("ABCDEFGHIJ")}
    plot_epochs(histogram([counts] * 3), "t", SOURCE, tmp_path / "many.svg")
    shown = words(tmp_path / "many.svg")
    assert [text for text in shown if text.startswith("S")] == [f"S{c}" for c in "GFEDCBA"]
    assert "other series" in shown
    plot_epochs(histogram([dict(list(counts.items())[:7])]), "t", SOURCE, tmp_path / "seven.svg")
    assert "other series" not in words(tmp_path / "seven.svg")


def test_long_title_is_wrapped_and_cut(tmp_path: Path) -> None:
    title = "Plates of polygon " + " ".join(f"{at}.123 -{at}.5" for at in range(60))
    plot_epochs(FEW, title, SOURCE, tmp_path / "plot.svg")
    lines = [text for text in words(tmp_path / "plot.svg") if "123" in text]
    assert len(lines) == 3
    assert all(len(line) <= 90 for line in lines)
    assert lines[-1].endswith(" ...")


def test_hostile_title_is_drawn_as_it_is(tmp_path: Path) -> None:
    title = r"observer $\frac{1}$ <b>&amp; 🔭 \x"
    for suffix in STARTS:
        plot_epochs(FEW, title, SOURCE, tmp_path / f"plot{suffix}")
    assert title in words(tmp_path / "plot.svg")


def test_no_drawing_touches_the_edge(tmp_path: Path) -> None:
    counts = {f"series-{at}": 5 for at in range(9)}
    for answer in (FEW, histogram([counts] * 80), histogram([])):
        plot_epochs(answer, "Plates of " + "circle 83.6 22 1 " * 20, SOURCE, tmp_path / "p.png")
        image = matplotlib.image.imread(tmp_path / "p.png")[:, :, :3]
        for side in (image[0], image[-1], image[:, 0], image[:, -1]):
            assert np.all(side == 1.0)


def test_bars_stand_for_the_counts(tmp_path: Path) -> None:
    # the tallest bar fills the axes' height but for matplotlib's own 5 per cent
    plot_epochs(histogram([{"QN": 4}] + [{}] * 8 + [{"QN": 2}]), "t", SOURCE, tmp_path / "p.png")
    image = matplotlib.image.imread(tmp_path / "p.png")[:, :, :3]
    blue = np.all(np.abs(image - np.array([0x00, 0x72, 0xB2]) / 255.0) < 0.02, axis=2)
    heights = blue.sum(axis=0)
    tall, short = np.unique(heights[heights > 50], return_counts=True)[0][[-1, 0]]
    assert tall / short == pytest.approx(2.0, abs=0.02)


@pytest.mark.parametrize("name", ["plot.gif", "plot", ".png", "plot.png.txt"])
def test_other_endings_are_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(QueryError, match=r"ending in \.png, \.svg, \.pdf") as fault:
        plot_epochs(FEW, "t", SOURCE, tmp_path / name)
    assert fault.value.parameter == "plot"
    assert not fault.value.usage


def test_ending_in_any_case(tmp_path: Path) -> None:
    plot_epochs(FEW, "t", SOURCE, tmp_path / "PLOT.PNG")
    assert (tmp_path / "PLOT.PNG").read_bytes().startswith(STARTS[".png"])


def test_unwritable_place_is_named(tmp_path: Path) -> None:
    with pytest.raises(QueryError, match=r"nowhere/plot\.png: cannot be written \(No such file"):
        plot_epochs(FEW, "t", SOURCE, tmp_path / "nowhere" / "plot.png")
    (tmp_path / "folder.svg").mkdir()
    with pytest.raises(QueryError, match="cannot be written"):
        plot_epochs(FEW, "t", SOURCE, tmp_path / "folder.svg")


@pytest.mark.parametrize(("form", "start"), [("png", b"\x89PNG"), ("svg", b"<?xml")])
def test_drawn_into_a_stream(form: str, start: bytes) -> None:
    stream = io.BytesIO()
    plot_epochs(FEW, "t", SOURCE, stream, form)
    assert stream.getvalue().startswith(start)


def test_narrow_drawing_says_the_same(tmp_path: Path) -> None:
    title = "Plates of circle 83.6 22 1, series QN, WM, observer Ada Fenn"
    counts = {f"S{letter}": 30 - at for at, letter in enumerate("ABCDEFGHIJ")}
    for answer in (FEW, histogram([counts] * 80), histogram([])):
        plot_epochs(answer, title, SOURCE, tmp_path / "wide.svg")
        plot_epochs(answer, title, SOURCE, tmp_path / "narrow.svg", narrow=True)
        named = [text for text in words(tmp_path / "wide.svg") if not text.isdigit()]
        assert set(named) - {title} <= set(words(tmp_path / "narrow.svg"))
        plot_epochs(answer, title, SOURCE, tmp_path / "narrow.png", narrow=True)
        image = matplotlib.image.imread(tmp_path / "narrow.png")[:, :, :3]
        assert image.shape[1] < image.shape[0] * 1.1
        for side in (image[0], image[-1], image[:, 0], image[:, -1]):
            assert np.all(side == 1.0)


def test_one_colour_for_a_series_whatever_is_asked(tmp_path: Path) -> None:
    # of series in the order AA, BB, CC the second has the second colour of Okabe and Ito (2008)
    for counts in ({"BB": 9}, {"AA": 1, "BB": 2, "CC": 3}):
        answer = histogram([counts] * 3)
        plot_epochs(answer, "t", SOURCE, tmp_path / "c.svg", series=["AA", "BB", "CC"])
        assert "#e69f00" in (tmp_path / "c.svg").read_text().lower()
    assert "#0072b2" in (tmp_path / "c.svg").read_text().lower()


def test_series_that_are_not_told(tmp_path: Path) -> None:
    answer = histogram([{"QN": 4}] * 3)
    for each in answer["bins"]:
        each |= {"series": {}, "exposures": 4}
    plot_epochs(answer, "t", SOURCE, tmp_path / "hidden.svg", series=["QN"])
    shown = words(tmp_path / "hidden.svg")
    assert "series" not in shown and "QN" not in shown
    assert any("dated exposures drawn: 12" in text for text in shown)
