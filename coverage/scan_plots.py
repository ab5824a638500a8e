"""Plot of a scanning plan: worth against what is spent, beside shelf order and chance."""

import warnings
from pathlib import Path
from typing import IO, Any

import matplotlib
import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MaxNLocator

from platecover.coverage.errors import QueryError
from platecover.coverage.plot_titles import title_lines
from platecover.coverage.plots import PLOT_FORMATS
from platecover.coverage.scan_plan import CHOSEN, RANDOM, SHELF_ORDER, WORKED, ScanPlan

# Colours that colour-blind people tell apart (Okabe & Ito 2008), and dashes besides.
_LINES: dict[str, dict[str, Any]] = {
    CHOSEN: {"color": "#0072B2", "linewidth": 2.2},
    WORKED: {"color": "#56B4E9", "linewidth": 1.6, "linestyle": (0, (6, 2))},
    RANDOM: {"color": "#D55E00", "linewidth": 1.6, "linestyle": (0, (3, 2))},
    SHELF_ORDER: {"color": "#8C8C8C", "linewidth": 1.6, "linestyle": (0, (1, 1.5))},
}
_BOUND_COLOUR = "#222222"
_SIZE_INCH = (9.0, 5.0)
_DOTS_PER_INCH = 150
_MINUTES_PER_HOUR = 60.0
_MOST_POINTS = 2000  # of a curve: more are not seen
_STYLE: dict[Any, Any] = {
    "svg.fonttype": "none", "axes.axisbelow": True, "grid.color": "#DDDDDD", "grid.linewidth": 0.6,
}  # fmt: skip


def plot_plan(plan: ScanPlan, title: str, source: str, out: Path) -> None:
    """Draw the gain curve of a plan.

    Parameters
    ----------
    plan : ScanPlan
    title : str
    source : str
        Line under the plot: archive, edition, date.
    out : pathlib.Path
        Ending in .png, .svg or .pdf.

    Raises
    ------
    QueryError
        If the file has another ending or cannot be written.
    """
    check_plot_path(out)
    try:
        with out.open("wb") as stream:
            draw_plan(plan, title, source, stream, out.suffix.lower().lstrip("."))
    except OSError as fault:
        what = f"{out}: cannot be written ({fault.strerror})"
        raise QueryError("plot", str(out), what) from None


def draw_plan(plan: ScanPlan, title: str, source: str, out: IO[bytes], form: str) -> None:
    """Draw the same to a stream, as png, svg or pdf."""
    with matplotlib.rc_context(_STYLE), warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Glyph", UserWarning)  # not every letter is in the font
        _gain_figure(plan, title, source).savefig(out, format=form, dpi=_DOTS_PER_INCH)


def check_plot_path(out: Path) -> None:
    """Refuse a file name whose ending is no plot's."""
    if out.suffix.lower() not in PLOT_FORMATS:
        known = ", ".join(PLOT_FORMATS)
        raise QueryError("plot", str(out), f"{out}: a plot is written to a file ending in {known}")


def _gain_figure(plan: ScanPlan, title: str, source: str) -> Figure:
    figure = Figure(figsize=_SIZE_INCH, layout="constrained")
    axes = figure.add_subplot()
    in_plates = plan.budget.plates is not None
    unit = 1.0 if in_plates else _MINUTES_PER_HOUR
    for name, style in _LINES.items():
        spent, worth = plan.curves[name]
        thinned = np.unique(np.linspace(0, len(spent), _MOST_POINTS).astype(np.int64))
        x = np.concatenate([[0.0], spent / unit])[thinned]
        axes.plot(x, np.concatenate([[0.0], worth])[thinned], label=name, **style)
    axes.axhline(plan.bound, color=_BOUND_COLOUR, linewidth=0.9)
    axes.annotate(
        f"no plan can add more; this one adds at least {plan.at_least_percent} of the best"
        " possible",
        (0.0, plan.bound), (4, 4), textcoords="offset points", fontsize="small",
    )  # fmt: skip
    axes.set_xlim(left=0.0)
    axes.set_ylim(0.0, 1.12 * plan.bound if plan.bound > 0.0 else 1.0)
    axes.xaxis.set_major_locator(MaxNLocator(integer=in_plates))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,.0f}"))
    axes.grid(axis="y")
    axes.spines[["top", "right"]].set_visible(False)
    axes.set_xlabel("plates scanned" if in_plates else "hours of work")
    axes.set_ylabel("worth added (weighted square degrees)")
    axes.legend(frameon=False, loc="upper left", bbox_to_anchor=(1.0, 1.0))
    axes.set_title("\n".join(title_lines(title, False)), loc="left", fontsize="large")
    note = source.replace("$", r"\$")
    figure.supxlabel(note, fontsize="x-small", x=0.01, ha="left")
    return figure
