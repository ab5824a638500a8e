"""Legend of a poster's map, and the small histogram beside it."""

import numpy as np
from matplotlib.colors import Colormap, LogNorm, Normalize
from matplotlib.ticker import LogLocator, MaxNLocator

from platecover.coverage.map_quantities import QUANTITIES
from platecover.coverage.map_scale import is_count
from platecover.coverage.poster_paper import MARGIN, WIDTH, Sheet

_BAR_WIDTH, _BAR_HEIGHT, _BAR_UP = 92.0, 4.2, 38.0  # units; last from the lower edge
_YEARS_WIDTH, _YEARS_HEIGHT, _YEARS_UP = 92.0, 13.0, 44.0
_TICKS = 5


def draw_legend(sheet: Sheet, colours: Colormap, norm: Normalize, quantity: str) -> None:
    """Draw the scale of colours into the lower left corner."""
    y = sheet.height - _BAR_UP
    described = QUANTITIES[quantity].description
    unit = ", years" if quantity == "gap" else ""
    sheet.text(MARGIN, y - 3.2, f"{described[0].upper()}{described[1:]}{unit}", 12.5,
               style="italic", width=_BAR_WIDTH + 20.0)  # fmt: skip
    bar = sheet.axes(MARGIN, y, _BAR_WIDTH, _BAR_HEIGHT)
    bar.imshow(colours(np.linspace(0.0, 1.0, 256))[None, :, :], aspect="auto",
               extent=(0.0, 1.0, 0.0, 1.0))  # fmt: skip
    for value in _ticks(norm, quantity):
        x = MARGIN + float(norm(value)) * _BAR_WIDTH
        sheet.text(x, y + _BAR_HEIGHT + 5.0, _tick_text(value, quantity), 10.5, align="center",
                   colour=sheet.inks.faint)  # fmt: skip
    x = MARGIN + _BAR_WIDTH + 10.0
    patch = sheet.axes(x, y, _BAR_HEIGHT * 1.6, _BAR_HEIGHT)
    patch.axhspan(0.0, 1.0, facecolor=sheet.inks.nothing, edgecolor=sheet.inks.faint,
                  linewidth=0.6 * sheet.scale, clip_on=False)  # fmt: skip
    sheet.text(x + _BAR_HEIGHT * 0.8, y + _BAR_HEIGHT + 5.0, "none", 10.5, align="center",
               colour=sheet.inks.faint)  # fmt: skip


def _ticks(norm: Normalize, quantity: str) -> list[float]:
    """Round values on the scale."""
    low, high = float(norm.vmin or 0.0), float(norm.vmax or 1.0)
    if isinstance(norm, LogNorm):
        found = LogLocator(10.0, subs=(1.0, 3.0), numticks=12).tick_values(low, high)
    else:
        found = MaxNLocator(_TICKS, integer=quantity != "scanned_share").tick_values(low, high)
    ticks = [float(value) for value in found if low <= value <= high]
    return ticks if len(ticks) > 1 else [low, high]


def _tick_text(value: float, quantity: str) -> str:
    if quantity == "scanned_share":
        return f"{100.0 * value:.0f} %"
    if is_count(quantity):
        return f"{value:,.0f}"
    return f"{round(value, 1):g}"


def draw_years(sheet: Sheet, years: list[tuple[int, int]]) -> None:
    """Draw exposures a year, small, into the lower right corner."""
    y, x = sheet.height - _YEARS_UP, WIDTH - MARGIN - _YEARS_WIDTH
    axes = sheet.axes(x, y, _YEARS_WIDTH, _YEARS_HEIGHT)
    at = np.array([year for year, _ in years], dtype=np.float64)
    axes.bar(at, [count for _, count in years], width=0.8, align="edge", color=sheet.inks.mark)
    axes.set(xlim=(at[0], at[-1] + 1.0), ylim=(0.0, None))
    sheet.rule(x, x + _YEARS_WIDTH, y + _YEARS_HEIGHT, sheet.inks.faint)
    base = y + _YEARS_HEIGHT + 5.0
    faint = sheet.inks.faint
    sheet.text(x, base, str(years[0][0]), 10.5, colour=faint)
    sheet.text(WIDTH - MARGIN, base, str(years[-1][0]), 10.5, colour=faint, align="right")
    sheet.text(x + _YEARS_WIDTH / 2.0, base, "exposures a year", 10.5, colour=faint,
               align="center", style="italic")  # fmt: skip
