"""A poster of the years: exposures stacked by series."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import IO, Any

import numpy as np
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from platecover.coverage.poster_paper import MARGIN, WIDTH, Sheet, poster_style
from platecover.coverage.poster_words import PosterWords, write_words
from platecover.coverage.series_colours import OTHERS, SeriesInk, series_inks

_LEFT, _RIGHT, _TOP, _UP = MARGIN + 14.0, MARGIN, 72.0, 46.0  # of the drawing; last from below
_BAR_SHARE = 0.86  # of the width of a bin
_FEWEST_BINS = 12  # on the axis, so that a single bin is a bar and not a wall
_ROUND_STEPS = [1, 2, 5, 10]
_KEY_UP, _KEY_STEP, _KEY_COLUMNS = 29.0, 6.0, 8


def plot_years_poster(
    answer: Mapping[str, Any],
    series: Sequence[str],
    telescopes: Mapping[str, str],
    words: PosterWords,
    out: Path | IO[bytes],
    form: str,
    *,
    paper: str = "a3",
    ground: str = "paper",
) -> None:
    """Draw a histogram of epochs for a wall.

    Parameters
    ----------
    answer : mapping
        As `epochs.epochs` returns it. Where the series of its bins are empty, exposures are
        drawn without them.
    series : sequence of str
        All series of the observatory file, in its order: a series keeps its colour whatever is
        drawn.
    telescopes : mapping
        What a series is called in the legend besides its code; may lack some.
    words : PosterWords
    out : path or binary stream
    form : str
        One of `poster_paper.POSTER_FORMATS`.
    paper, ground : str
        Keys of `poster_paper.PAPERS` and `GROUNDS`.

    Raises
    ------
    QueryError
        If the file cannot be written.
    """
    with poster_style():
        sheet = Sheet(paper, ground)
        bins = answer["bins"]
        if bins:
            stacks = _stacks(bins, series_inks(series))
            _draw_bars(sheet, bins, stacks)
            _draw_key(sheet, stacks, telescopes)
        else:
            sheet.text(WIDTH / 2.0, sheet.height / 2.0, "no dated exposures", 24.0, align="center",
                       colour=sheet.inks.faint, style="italic")  # fmt: skip
        write_words(sheet, words)
        sheet.write(out, form, f"{words.title}: {words.subtitle}", words.source)


Stack = tuple[SeriesInk, NDArray[np.int64]]


def _stacks(bins: list[dict[str, Any]], inks: Mapping[str, SeriesInk]) -> list[Stack]:
    """Exposures by ink and bin, in the order of the observatory file."""
    stacks: dict[SeriesInk, NDArray[np.int64]] = {}
    for at, each in enumerate(bins):
        counts = each["series"] or {"": each["exposures"]}
        for code, count in counts.items():
            ink = inks.get(code, OTHERS if code else SeriesInk("", "", ""))
            stacks.setdefault(ink, np.zeros(len(bins), dtype=np.int64))[at] += count
    ranks = {ink: at for at, ink in enumerate([*inks.values(), OTHERS])}
    return sorted(stacks.items(), key=lambda stack: ranks.get(stack[0], len(ranks)))


def _draw_bars(sheet: Sheet, bins: list[dict[str, Any]], stacks: list[Stack]) -> None:
    height = sheet.height - _TOP - _UP
    axes = sheet.axes(_LEFT, _TOP, WIDTH - _LEFT - _RIGHT, height)
    width = bins[0]["to"] - bins[0]["from"]
    starts = np.array([each["from"] for each in bins])
    below = np.zeros(len(bins))
    for ink, counts in stacks:
        axes.bar(
            starts + width * (1.0 - _BAR_SHARE) / 2.0, counts, width * _BAR_SHARE, below,
            align="edge", color=ink.colour or sheet.inks.mark, hatch=ink.hatch or None,
            edgecolor=sheet.inks.ground, linewidth=0.25 * sheet.scale,
        )  # fmt: skip
        below += counts
    spare = width * max(_FEWEST_BINS - len(bins), 0) / 2.0
    axes.set(xlim=(starts[0] - spare, starts[-1] + width + spare), ylim=(0.0, below.max() * 1.04))
    _draw_axes(sheet, axes.get_xlim(), axes.get_ylim(), height, width)


def _draw_axes(
    sheet: Sheet,
    years: tuple[float, float],
    counts: tuple[float, float],
    height: float,
    width_years: int,
) -> None:
    """Draw lines across at round counts, and name round years below."""
    faint, across = sheet.inks.faint, WIDTH - _LEFT - _RIGHT
    for count in MaxNLocator(6, integer=True, steps=_ROUND_STEPS).tick_values(*counts):
        if counts[0] <= count <= counts[1]:
            y = _TOP + height * (1.0 - (count - counts[0]) / (counts[1] - counts[0]))
            sheet.rule(_LEFT, WIDTH - _RIGHT, y, faint if count == 0 else None)
            sheet.text(_LEFT - 2.5, y + 1.2, f"{count:,.0f}", 11.0, colour=faint, align="right")
    for year in MaxNLocator(12, integer=True, steps=_ROUND_STEPS).tick_values(*years):
        if years[0] <= year <= years[1]:
            x = _LEFT + across * (year - years[0]) / (years[1] - years[0])
            sheet.text(x, _TOP + height + 6.5, f"{year:.0f}", 13.0, align="center")
    of_what = "exposures a year" if width_years == 1 else f"exposures in {width_years} years"
    sheet.text(_LEFT, _TOP - 4.0, of_what, 11.0, colour=faint, style="italic")


def _draw_key(sheet: Sheet, stacks: list[Stack], telescopes: Mapping[str, str]) -> None:
    """Name the series beside their colours, the lowest of a bar first."""
    named = [ink for ink, _ in stacks if ink.code]
    if not named:
        return
    rows = -(-len(named) // _KEY_COLUMNS)
    step = (WIDTH - 2.0 * MARGIN) / -(-len(named) // rows)
    for at, ink in enumerate(named):
        row, column = divmod(at, -(-len(named) // rows))
        x, y = MARGIN + column * step, sheet.height - _KEY_UP + _KEY_STEP * (row - (rows - 1) / 2.0)
        patch = sheet.axes(x, y - 3.0, 3.6, 3.6)
        patch.set(xlim=(0.0, 1.0), ylim=(0.0, 1.0))
        patch.bar(0.0, 1.0, 1.0, align="edge", color=ink.colour, hatch=ink.hatch or None,
                  edgecolor=sheet.inks.ground, linewidth=0.0)  # fmt: skip
        what = telescopes.get(ink.code, "")
        sheet.text(x + 5.2, y, f"{ink.code}  {what}".strip(), 10.5, width=step - 8.0)
