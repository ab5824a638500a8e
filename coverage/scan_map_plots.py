"""Maps of the scanned sky before and after a plan, and of what it adds, under one another."""

import warnings
from pathlib import Path
from typing import IO, Any

import matplotlib
import numpy as np
from matplotlib.cm import ScalarMappable
from matplotlib.colors import Normalize
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from platecover.coverage.errors import QueryError
from platecover.coverage.map_cells import KEPT_ORDER
from platecover.coverage.map_plots import draw_grid, draw_sky
from platecover.coverage.plot_titles import title_lines
from platecover.coverage.plots import PLOT_FORMATS

_COLOURS, _NOTHING = "viridis", "#E4E4E4"
_SIZE_INCH = (7.5, 13.6)
_DOTS_PER_INCH = 130
_HOURS = range(0, 24, 4)
_STYLE: dict[Any, Any] = {"svg.fonttype": "none"}


def plot_scanned_maps(
    before: NDArray[np.float64], after: NDArray[np.float64], title: str, source: str, out: Path
) -> None:
    """Draw the maps of `scan_maps.scanned_maps` to a file ending in .png, .svg or .pdf.

    Raises
    ------
    QueryError
        If the file has another ending or cannot be written.
    """
    check_maps_path(out)
    try:
        with out.open("wb") as stream:
            form = out.suffix.lower().lstrip(".")
            draw_scanned_maps(before, after, title, source, stream, form)
    except OSError as fault:
        what = f"{out}: cannot be written ({fault.strerror})"
        raise QueryError("maps", str(out), what) from None


def check_maps_path(out: Path) -> None:
    """Refuse a file name whose ending is no picture's."""
    if out.suffix.lower() not in PLOT_FORMATS:
        known = ", ".join(PLOT_FORMATS)
        raise QueryError("maps", str(out), f"{out}: maps are written to a file ending in {known}")


def draw_scanned_maps(
    before: NDArray[np.float64],
    after: NDArray[np.float64],
    title: str,
    source: str,
    out: IO[bytes],
    form: str,
) -> None:
    """Draw the same to a stream, as png, svg or pdf."""
    gained = after - before
    most = max(float(after.max()), 1.0)
    panels = (
        (before, most, "scanned plates now"),
        (after, most, "scanned plates when the plan is done"),
        (gained, max(float(gained.max()), 1.0), "scanned plates that the plan adds"),
    )
    with matplotlib.rc_context(_STYLE), warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Glyph", UserWarning)  # not every letter is in the font
        figure = Figure(figsize=_SIZE_INCH, dpi=_DOTS_PER_INCH, layout="constrained")
        colours = matplotlib.colormaps[_COLOURS].with_extremes(bad=_NOTHING)
        for axes, (values, highest, label) in zip(figure.subplots(3), panels, strict=True):
            shown = np.where(values > 0.0, values, np.nan)
            scale = ScalarMappable(Normalize(0.0, highest), colours)
            across = int(_SIZE_INCH[0] * _DOTS_PER_INCH)
            draw_sky(axes, scale.to_rgba(shown, bytes=True), KEPT_ORDER, across)
            draw_grid(axes, _HOURS)
            axes.set_aspect("equal")
            bar = figure.colorbar(scale, ax=axes, orientation="horizontal", shrink=0.6, aspect=40)
            bar.set_label(label)
            bar.locator = MaxNLocator(integer=True, nbins=6)
        figure.suptitle("\n".join(title_lines(title, False)), x=0.02, ha="left", fontsize="large")
        figure.supxlabel(source.replace("$", r"\$"), x=0.02, ha="left", fontsize="x-small")
        figure.savefig(out, format=form)
