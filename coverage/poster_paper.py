"""Sheets of paper for posters: sizes, inks, and things put in their places.

Places and lengths are units of which a sheet is 420 wide, the millimetres of an A3 sheet laid
across; y grows downwards from the upper edge. A larger or smaller paper scales everything.
"""

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

import matplotlib
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.lines import Line2D
from matplotlib.textpath import TextPath

from platecover.coverage.errors import QueryError

# Width and height in mm, laid across: ISO 216, and 11 x 8.5 inches of ANSI/ASME Y14.1.
PAPERS: dict[str, tuple[float, float]] = {
    "a4": (297.0, 210.0), "a3": (420.0, 297.0), "a2": (594.0, 420.0), "letter": (279.4, 215.9),
}  # fmt: skip
POSTER_FORMATS = ("svg", "pdf", "png")
WIDTH = 420.0  # units
MARGIN = 20.0
POINT = 25.4 / 72.0  # units, on A3
_MM_PER_INCH = 25.4
_DOTS_PER_INCH = 200  # of a picture: an A2 sheet has 15 million
_SMALLEST_SHARE = 0.45  # of its size that a text may shrink to, to find room
_OVER_RULES = 3  # rules are drawn first
_FONTS = ["STIXGeneral", "DejaVu Serif", "DejaVu Sans"]  # matplotlib brings them along
_STYLE: dict[Any, Any] = {
    "font.family": _FONTS,
    "svg.fonttype": "path",  # letters as outlines, so that no fonts are needed to print
    "pdf.fonttype": 42,  # fonts embedded, TrueType
    "svg.hashsalt": "platecover",  # the same drawing is the same file
    "hatch.linewidth": 0.6,
}


@dataclass(frozen=True)
class Inks:
    """Colours of a sheet, as CSS writes them, and the scale of a map, as matplotlib names it."""

    ground: str
    ink: str
    faint: str  # lesser texts
    line: str
    mark: str
    nothing: str  # sky without plates
    borders: str
    circles: str  # ecliptic and galactic equator
    star: str
    star_edge: str
    scale: str  # from what is near the ground to what stands out from it


# magma is perceptually even (its lightness grows steadily) and so fit for colour-blind people:
# S. van der Walt and N. Smith, "A better default colormap for matplotlib", SciPy 2015.
GROUNDS: dict[str, Inks] = {
    "paper": Inks("#FBF6EA", "#2A2230", "#6D6270", "#CFC4B4", "#A33A16", "#F1E9D8", "#6F6478",
                  "#1F1530", "#FFFFFF", "#1F1530", "magma_r"),
    "night": Inks("#15121E", "#F6EEDD", "#AFA6B4", "#4A4357", "#F2A65A", "#221D2E", "#A79DB3",
                  "#FFDFA8", "#FFFFFF", "#15121E", "magma"),
}  # fmt: skip


class Sheet:
    """A sheet of paper laid across, with an ink for everything.

    Attributes
    ----------
    figure : matplotlib Figure
    inks : Inks
    height : float
        Units.
    scale : float
        Sizes in points on A3 times this are points on this paper.
    """

    def __init__(self, paper: str, ground: str) -> None:
        width_mm, height_mm = PAPERS[paper]
        self.inks = GROUNDS[ground]
        self.scale = width_mm / WIDTH
        self.height = height_mm / self.scale
        size = (width_mm / _MM_PER_INCH, height_mm / _MM_PER_INCH)
        self.figure = Figure(figsize=size, dpi=_DOTS_PER_INCH, facecolor=self.inks.ground)

    def axes(self, x: float, y: float, width: float, height: float) -> Axes:
        """Axes without a frame; x, y is their upper left corner."""
        place = (x / WIDTH, 1.0 - (y + height) / self.height, width / WIDTH, height / self.height)
        axes = self.figure.add_axes(place)
        axes.set_axis_off()
        axes.patch.set_alpha(0.0)
        axes.set_zorder(_OVER_RULES)
        return axes

    def text(
        self,
        x: float,
        y: float,
        words: str,
        size: float,
        *,
        colour: str | None = None,
        align: str = "left",
        width: float | None = None,
        **more: Any,
    ) -> float:
        """Write one line on a baseline y, smaller or cut short to fit in a width; its size."""
        if width is not None:
            words, size = fitted(words, size, width)
        self.figure.text(
            x / WIDTH, 1.0 - y / self.height, plain(words), fontsize=size * self.scale,
            color=colour or self.inks.ink, ha=align, va="baseline", **more,
        )  # fmt: skip
        return size

    def rule(self, x: float, until: float, y: float, colour: str | None = None) -> None:
        """A fine line across."""
        at = 1.0 - y / self.height
        line = Line2D((x / WIDTH, until / WIDTH), (at, at), color=colour or self.inks.line,
                      linewidth=0.6 * self.scale, zorder=1)  # fmt: skip
        self.figure.add_artist(line)

    def write(self, out: Path | IO[bytes], form: str, title: str, source: str) -> None:
        """Write the sheet.

        Raises
        ------
        QueryError
            If the file cannot be written.
        """
        about: dict[str, Any] = {"Title": title}
        if form == "pdf":
            about |= {"Subject": source, "CreationDate": None}  # the edition's date is in source
        elif form == "svg":
            about |= {"Description": source, "Date": None}
        else:
            about |= {"Description": source}
        try:
            self.figure.savefig(
                out, format=form, dpi=_DOTS_PER_INCH, facecolor=self.inks.ground, metadata=about
            )
        except OSError as fault:
            what = f"{out}: cannot be written ({fault.strerror or fault})"
            raise QueryError("out", str(out), what) from None


@contextmanager
def poster_style() -> Iterator[None]:
    """Draw posters in this: fonts that go along, and no complaint of letters no font has."""
    with matplotlib.rc_context(_STYLE), warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Glyph", UserWarning)
        yield


def plain(words: str) -> str:
    """Text that matplotlib draws as it is: it would take $...$ for a formula."""
    return words.replace("$", r"\$")


def spaced(words: str) -> str:
    """Capitals set a little apart, for small headings."""
    return "\u2009".join(words.upper())


def width_of(words: str, size: float) -> float:
    """Units that a line takes at a size in points."""
    if not words.strip():
        return 0.0
    path = TextPath((0.0, 0.0), plain(words), size=size, prop=FontProperties(family=_FONTS))
    return float(path.get_extents().width) * POINT


def fitted(words: str, size: float, width: float) -> tuple[str, float]:
    """A line that fits a width, and its size: first it shrinks, then it loses its end."""
    needed = width_of(words, size)
    if needed <= width:
        return words, size
    smallest = size * _SMALLEST_SHARE
    fit = size * width / needed
    if fit >= smallest:
        return words, fit
    while words and width_of(words + " …", smallest) > width:
        words = words[: max(len(words) * 9 // 10, 0)] if len(words) > 10 else words[:-1]
    return words.rstrip() + " …", smallest
