"""Plots for people who would rather look."""

import warnings
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import IO, Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from platecover.coverage.errors import QueryError
from platecover.coverage.plot_titles import NARROW_CHARACTERS, title_lines
from platecover.coverage.series_colours import OTHERS, series_inks

PLOT_FORMATS = (".png", ".svg", ".pdf")

_MOST_NAMED = 7  # series in a legend; the others share one colour
_SIZE_INCH, _NARROW_INCH = (9.0, 5.0), (4.4, 4.6)
_DOTS_PER_INCH = 150
_KEY_WIDTH = 6  # characters that the coloured key of a legend takes, with the gap after it
_FEWEST_BINS = 10  # on the axis, so that a single bin is a bar and not a wall
_ROUND_STEPS = [1, 2, 5, 10]  # between marks on an axis
_STYLE: dict[Any, Any] = {
    "svg.fonttype": "none", "hatch.linewidth": 0.5, "axes.axisbelow": True, "grid.color": "#DDDDDD",
    "grid.linewidth": 0.6,
}  # fmt: skip


def plot_epochs(
    answer: Mapping[str, Any],
    title: str,
    source: str,
    out: Path | IO[bytes],
    form: str | None = None,
    *,
    narrow: bool = False,
    series: Iterable[str] = (),
) -> None:
    """Draw an epoch histogram, stacked by series if its bins tell them.

    Parameters
    ----------
    answer : mapping
        As `epochs.epochs` returns it.
    title : str
        What the region and the filters are.
    source : str
        Line under the plot: archive, edition, date.
    out : pathlib.Path or binary stream
        A path ends in .png, .svg or .pdf.
    form : str, optional
        png, svg or pdf; needed for a stream.
    narrow : bool, optional
        Whether it is for a small screen held upright.
    series : iterable of str, optional
        All series of the archive in the observatory file's order, which settles their colours;
        without it, those drawn take colours by size.

    Raises
    ------
    QueryError
        If the file has another ending or cannot be written.
    """
    if isinstance(out, Path) and form is None and out.suffix.lower() not in PLOT_FORMATS:
        known = ", ".join(PLOT_FORMATS)
        raise QueryError("plot", str(out), f"{out}: a plot is written to a file ending in {known}")
    with matplotlib.rc_context(_STYLE), warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Glyph", UserWarning)  # not every letter is in the font
        figure = _epochs_figure(answer, title, source, narrow, series)
        try:
            figure.savefig(out, format=form, dpi=_DOTS_PER_INCH)
        except OSError as fault:
            raise QueryError(
                "plot", str(out), f"{out}: cannot be written ({fault.strerror})"
            ) from None


def _epochs_figure(
    answer: Mapping[str, Any], title: str, source: str, narrow: bool, series: Iterable[str]
) -> Figure:
    """Draw the bars, axes, legend, title and note of an epoch histogram."""
    figure = Figure(figsize=_NARROW_INCH if narrow else _SIZE_INCH, layout="constrained")
    axes = figure.add_subplot()
    bins = answer["bins"]
    width = bins[0]["to"] - bins[0]["from"] if bins else 1
    starts = np.array([each["from"] for each in bins])
    below = np.zeros(len(bins))
    stacks = _stacks(bins)
    inks = series_inks(dict.fromkeys([*series, *stacks]))
    for code, counts in stacks.items():
        ink = OTHERS if code == OTHERS.code else inks[code]
        axes.bar(
            starts, counts, width, below, align="edge", label=code, edgecolor="white",
            linewidth=0.3, color=ink.colour, hatch=ink.hatch,
        )  # fmt: skip
        below += counts
    if bins:
        if any(stacks):
            _draw_legend(axes, narrow)
        spare = width * max(_FEWEST_BINS - len(bins), 0) / 2
        axes.set_xlim(starts[0] - spare, starts[-1] + width + spare)
        axes.xaxis.set_major_locator(MaxNLocator(integer=True, steps=_ROUND_STEPS))
        axes.yaxis.set_major_locator(MaxNLocator(integer=True, steps=_ROUND_STEPS))
        axes.grid(axis="y")
    else:
        axes.text(0.5, 0.5, "no dated exposures", transform=axes.transAxes, ha="center")
        axes.set(xticks=[], yticks=[])
    axes.spines[["top", "right"]].set_visible(False)
    axes.set_xlabel("year of mid-exposure (UT)")
    axes.set_ylabel("exposures a year" if width == 1 else f"exposures in {width} years")
    axes.set_title("\n".join(title_lines(title, narrow)), loc="left", fontsize="large")
    drawn = f"dated exposures drawn: {int(below.sum())}; undated, not drawn: {answer['undated']}"
    note = f"{drawn}\n{source}"
    figure.supxlabel(note.replace("$", r"\$"), fontsize="x-small", x=0.01, ha="left")
    return figure


def _draw_legend(axes: Axes, narrow: bool) -> None:
    """Name the series beside the bars, or under them where there is no room."""
    longest = max(len(label) for label in axes.get_legend_handles_labels()[1])
    axes.legend(
        title="series", alignment="left", reverse=not narrow, frameon=False, loc="upper left",
        ncols=max(NARROW_CHARACTERS // (longest + _KEY_WIDTH), 1) if narrow else 1,
        bbox_to_anchor=(0.0, -0.2) if narrow else (1.0, 1.0),
    )  # fmt: skip


def _stacks(bins: list[dict[str, Any]]) -> dict[str, NDArray[np.int64]]:
    """Exposures by series and bin, the largest series first; too many share a last one.

    Where no bin tells its series, all stand under ''.
    """
    totals: dict[str, int] = {}
    for each in bins:
        for code, count in each["series"].items():
            totals[code] = totals.get(code, 0) + count
    if not totals:
        return {"": np.array([each["exposures"] for each in bins])}
    codes = sorted(totals, key=lambda code: (-totals[code], code))
    named = codes[:_MOST_NAMED]
    stacks = {code: np.array([each["series"].get(code, 0) for each in bins]) for code in named}
    if len(named) < len(codes):
        stacks[OTHERS.code] = np.array(
            [sum(n for code, n in each["series"].items() if code not in named) for each in bins]
        )
    return stacks
