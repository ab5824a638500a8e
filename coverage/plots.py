"""Plots for people who would rather look."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from platecover.coverage.errors import QueryError

PLOT_FORMATS = (".png", ".svg", ".pdf")

# Eight colours that colour-blind people tell apart (Okabe & Ito 2008, "Color Universal Design").
_COLOURS = (
    "#0072B2", "#E69F00", "#009E73", "#D55E00", "#56B4E9", "#CC79A7", "#F0E442", "#000000",
)  # fmt: skip
_HATCHES = ("", "///", "...", "xxx", "\\\\\\", "---", "+++", "ooo")  # for those who see no colour
_SIZE_INCH = (9.0, 5.0)
_DOTS_PER_INCH = 150
_OTHERS = "other series"


def plot_epochs(answer: Mapping[str, Any], title: str, source: str, path: Path) -> None:
    """Draw an epoch histogram, stacked by series.

    Parameters
    ----------
    answer : mapping
        As `epochs.epochs` returns it.
    title : str
        What the region and the filters are.
    source : str
        Line under the plot: archive, edition, date.
    path : pathlib.Path
        Ends in .png, .svg or .pdf.

    Raises
    ------
    QueryError
        If the file has another ending or cannot be written.
    """
    if path.suffix.lower() not in PLOT_FORMATS:
        known = ", ".join(PLOT_FORMATS)
        raise QueryError(
            "plot", str(path), f"{path}: a plot is written to a file ending in {known}"
        )
    figure = Figure(figsize=_SIZE_INCH, layout="constrained")
    axes = figure.add_subplot()
    bins = answer["bins"]
    below = np.zeros(len(bins))
    middles = np.array([0.5 * (each["from"] + each["to"]) for each in bins])
    widths = np.array([each["to"] - each["from"] for each in bins], dtype=np.float64)
    for at, (code, counts) in enumerate(_stacks(bins).items()):
        axes.bar(
            middles, counts, widths, below, color=_COLOURS[at], hatch=_HATCHES[at],
            edgecolor="white", linewidth=0.3, label=code,
        )  # fmt: skip
        below += counts
    if bins:
        axes.legend(title="series", loc="upper left", bbox_to_anchor=(1.0, 1.0), frameon=False)
        axes.set_xlim(bins[0]["from"], bins[-1]["to"])
    else:
        axes.text(0.5, 0.5, "no dated exposures", transform=axes.transAxes, ha="center")
    axes.xaxis.set_major_locator(MaxNLocator(integer=True))
    axes.yaxis.set_major_locator(MaxNLocator(integer=True))
    axes.spines[["top", "right"]].set_visible(False)
    axes.set_xlabel("year of mid-exposure (UT)")
    width = int(widths[0]) if bins else 1
    axes.set_ylabel("exposures a year" if width == 1 else f"exposures in {width} years")
    axes.set_title(title, loc="left", wrap=True)
    undated = answer["undated"]
    note = f"{int(below.sum())} dated exposures drawn, {undated} undated not drawn. {source}"
    figure.supxlabel(note, fontsize="x-small", x=0.01, ha="left")
    try:
        with matplotlib.rc_context({"svg.fonttype": "none", "hatch.linewidth": 0.4}):
            figure.savefig(path, dpi=_DOTS_PER_INCH)
    except OSError as fault:
        raise QueryError(
            "plot", str(path), f"{path}: cannot be written ({fault.strerror})"
        ) from None


def _stacks(bins: list[dict[str, Any]]) -> dict[str, np.ndarray[Any, Any]]:
    """Exposures by series and bin, the largest series first; more than eight share a last one."""
    totals: dict[str, int] = {}
    for each in bins:
        for code, count in each["series"].items():
            totals[code] = totals.get(code, 0) + count
    codes = sorted(totals, key=lambda code: (-totals[code], code))
    named = codes if len(codes) <= len(_COLOURS) else codes[: len(_COLOURS) - 1]
    stacks = {code: np.array([each["series"].get(code, 0) for each in bins]) for code in named}
    if len(named) < len(codes):
        stacks[_OTHERS] = np.array(
            [sum(n for code, n in each["series"].items() if code not in named) for each in bins]
        )
    return stacks
