"""Plot of the progress of scanning: plates over time with its forecast, and the groups' shares."""

import warnings
from datetime import date
from pathlib import Path
from typing import IO

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter, date2num
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MaxNLocator

from platecover.coverage.errors import QueryError
from platecover.coverage.plot_titles import title_lines
from platecover.coverage.scan_plots import check_plot_path
from platecover.coverage.scan_progress import ScanProgress

# Colours that colour-blind people tell apart (Okabe & Ito 2008).
_DONE, _AGAIN, _LEFT, _LOST, _FORECAST = "#0072B2", "#CC79A7", "#E3E3E3", "#8C8C8C", "#D55E00"
_SIZE_INCH = (10.0, 5.0)
_DOTS_PER_INCH = 150
_MOST_GROUPS = 14
_STYLE = {"svg.fonttype": "none", "axes.axisbelow": True, "grid.color": "#DDDDDD",
          "grid.linewidth": 0.6}  # fmt: skip


def plot_progress(
    found: ScanProgress, title: str, source: str, out: Path | IO[bytes], form: str | None = None
) -> None:
    """Draw the progress of scanning.

    Parameters
    ----------
    found : ScanProgress
    title : str
    source : str
        Line under the plot: archive, edition, date.
    out : pathlib.Path or binary stream
        A path ends in .png, .svg or .pdf.
    form : str, optional
        png, svg or pdf; needed for a stream.

    Raises
    ------
    QueryError
        If the file has another ending or cannot be written.
    """
    if isinstance(out, Path):
        check_plot_path(out)
    with matplotlib.rc_context(_STYLE), warnings.catch_warnings():  # type: ignore[arg-type]
        warnings.filterwarnings("ignore", "Glyph", UserWarning)  # not every letter is in the font
        figure = Figure(figsize=_SIZE_INCH, layout="constrained")
        over_time, shares = figure.subplots(1, 2, width_ratios=(3, 2))
        _draw_over_time(over_time, found)
        _draw_shares(shares, found)
        figure.suptitle("\n".join(title_lines(title, False)), x=0.01, ha="left", fontsize="large")
        note = source.replace("$", r"\$")
        figure.supxlabel(note, fontsize="x-small", x=0.01, ha="left")
        try:
            figure.savefig(out, format=form, dpi=_DOTS_PER_INCH)
        except OSError as fault:
            what = f"{out}: cannot be written ({fault.strerror})"
            raise QueryError("plot", str(out), what) from None


def _draw_over_time(axes: Axes, found: ScanProgress) -> None:
    total, said = found.total, found.total.forecast
    axes.spines[["top", "right"]].set_visible(False)
    axes.set_ylabel("plates scanned")
    if found.first_day is None or found.last_day is None:
        axes.text(0.5, 0.5, "no scan is on record yet", transform=axes.transAxes, ha="center")
        axes.set(xticks=[], yticks=[])
        return
    first, last = _number(found.first_day), _number(found.last_day)
    so_far = total.scanned_at_start + np.cumsum(found.daily.sum(axis=0))
    days = first + np.arange(-1, len(so_far))
    counts = np.concatenate([[total.scanned_at_start], so_far])
    axes.step(days, counts, where="post", color=_DONE, linewidth=2.0, label="scanned")
    goal = total.plates - total.out_of_reach
    axes.axhline(goal, color=_LOST, linewidth=0.9, label="all that can be")
    if said.early and said.middle:
        late = said.late or said.middle
        ends = [_number(each) for each in (said.early, said.middle, late)]
        axes.fill(
            [last, ends[0], ends[2]], [counts[-1], goal, goal], color=_FORECAST, alpha=0.2,
            linewidth=0.0, label="8 of 10 cases",
        )  # fmt: skip
        axes.plot(
            [last, ends[1]], [counts[-1], goal], color=_FORECAST, linestyle=(0, (4, 2)),
            label=f"at the pace of {said.days} days: {said.middle}",
        )  # fmt: skip
    locator = AutoDateLocator(minticks=3, maxticks=7)  # type: ignore[no-untyped-call]
    axes.xaxis_date()
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(_concise(locator))
    axes.yaxis.set_major_locator(MaxNLocator(integer=True))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,.0f}"))
    axes.set_ylim(bottom=0)
    axes.grid(axis="y")
    axes.legend(frameon=False, fontsize="small", loc="lower right")


def _draw_shares(axes: Axes, found: ScanProgress) -> None:
    """Bars of the largest groups: scanned, to be scanned again, to be scanned, out of reach."""
    largest = sorted(found.groups, key=lambda each: -each.plates)[:_MOST_GROUPS]
    shown = [each for each in found.groups if each in largest and each.plates]
    names = [each.name.replace("$", r"\$") for each in shown]
    at = np.arange(len(shown))
    left = np.zeros(len(shown))
    for label, colour, counts in (
        ("scanned", _DONE, [each.scanned for each in shown]),
        ("to be scanned again", _AGAIN, [each.rescans for each in shown]),
        ("to be scanned", _LEFT, [max(each.to_scan - each.rescans, 0) for each in shown]),
        ("out of reach", _LOST, [each.out_of_reach for each in shown]),
    ):
        width = 100.0 * np.array(counts) / np.array([each.plates for each in shown])
        axes.barh(at, width, left=left, color=colour, label=label, height=0.75)
        left += width
    axes.set_yticks(at, names, fontsize="small")
    axes.invert_yaxis()
    axes.set_xlim(0.0, 100.0)
    axes.set_xlabel("% of plates")
    axes.spines[["top", "right", "left"]].set_visible(False)
    axes.legend(
        frameon=False, fontsize="x-small", ncols=2, loc="lower center", bbox_to_anchor=(0.4, 1.0)
    )


def _number(day: date) -> float:
    return float(date2num(day))  # type: ignore[no-untyped-call]


def _concise(locator: AutoDateLocator) -> ConciseDateFormatter:
    return ConciseDateFormatter(locator)  # type: ignore[no-untyped-call]
