"""All-sky plots of sky maps, in the equal-area projection of Mollweide.

Everything has its place on the figure, in inches, and a PNG is drawn once, with the sky in as many
elements as it takes: making room by measuring texts, and drawing twice for it, took longer.
"""

import warnings
from functools import lru_cache
from pathlib import Path
from typing import IO, Any

import healpy
import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.cm import ScalarMappable
from matplotlib.colors import Colormap, LogNorm, to_rgb
from matplotlib.figure import Figure
from matplotlib.patches import Ellipse, Patch
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from platecover.coverage.directions import ra_dec_deg, separation_deg
from platecover.coverage.map_quantities import QUANTITIES
from platecover.coverage.map_scale import colour_scale, is_count, shown_values
from platecover.coverage.mollweide import HALF_HEIGHT, HALF_WIDTH, mollweide_ra_dec, mollweide_xy
from platecover.coverage.plot_titles import title_lines
from platecover.coverage.png_palette import write_png
from platecover.coverage.region_arcs import points_on_arcs
from platecover.coverage.regions import ArcRegion, Region

_DOTS_PER_INCH = 150
_WIDTH_INCH, _NARROW_INCH = 9.0, 4.4
_BESIDE = 1.1  # half the figure's width over half the sky's, for the label of the equator
_SOURCE_INCH, _BAR_INCH, _SKY_INCH = 0.06, 0.66, 0.86  # from the bottom to these
_BAR_HEIGHT_INCH, _BAR_SHARE = 0.13, 0.6  # of the legend; its share of the figure's width
_LINE_INCH, _ABOVE_INCH = 0.2, 0.1  # a line of the title; over it
_COLOURS = "viridis"  # perceptually even, fit for colour-blind people
_SHADES = 64  # of them, no step of which is seen: a quarter of a palette
_LINE_SHARES, _GREYS = (0.25, 0.5, 0.75), 17  # of the palette: how much of a line; of letters
_NOTHING = "#E4E4E4"
_GRID_COLOUR = "#7A7A7A"
_PARALLELS_DEG = range(-60, 90, 30)
_HOURS, _FEWER_HOURS = range(0, 24, 2), range(0, 24, 4)
_OUTLINE_COLOUR, _HALO = "#C8102E", "white"
_SMALL_DEG, _RING_POINTS = 4.0, 16.0  # a region smaller across gets a ring of that diameter
_SHARES = np.linspace(0.0, 1.0, 181)  # points along each arc of an outline
_CLOSE = 1e-12
_PICTURES = 4  # kept in memory: which cell each element of a picture shows, 3 MB
_STYLE: dict[Any, Any] = {"svg.fonttype": "none"}


def plot_map(
    values: NDArray[np.float64],
    order: int,
    quantity: str,
    title: str,
    source: str,
    out: Path | IO[bytes],
    form: str,
    *,
    outline: Region | None = None,
    narrow: bool = False,
) -> None:
    """Draw a sky map with grid, legend, title and source line.

    Parameters
    ----------
    values : float64, shape (12 * 4**order,)
        NESTED, ICRS.
    order : int
    quantity : str
        A key of `map_quantities.QUANTITIES`.
    title, source : str
        Lines over and under the plot.
    out : path or binary stream
    form : str
        png, svg or pdf.
    outline : Region, optional
        Drawn over the map; a small one gets a ring around it. MOCs and the whole sky have none.
    narrow : bool, optional
        Whether it is for a small screen held upright: fewer labels, in the same size.
    """
    described = QUANTITIES[quantity]
    shown = shown_values(values, quantity)
    colours = matplotlib.colormaps[_COLOURS].resampled(_SHADES).with_extremes(bad=_NOTHING)
    scale = ScalarMappable(colour_scale(shown, quantity), colours)
    lines = title_lines(title, narrow)
    with matplotlib.rc_context(_STYLE), warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Glyph", UserWarning)  # not every letter is in the font
        width = _NARROW_INCH if narrow else _WIDTH_INCH
        height = _SKY_INCH + width / 2.0 + _LINE_INCH * len(lines) + _ABOVE_INCH
        figure = Figure(figsize=(width, height), dpi=_DOTS_PER_INCH)
        axes = figure.add_axes((0.0, _SKY_INCH / height, 1.0, width / 2.0 / height))
        draw_sky(axes, scale.to_rgba(shown, bytes=True), order, int(width * _DOTS_PER_INCH))
        draw_grid(axes, _FEWER_HOURS if narrow else _HOURS)
        if isinstance(outline, ArcRegion) and len(outline.arcs):
            _draw_outline(axes, outline)
        if np.isfinite(shown).any():
            label = described.description + (" (years)" if quantity == "gap" else "")
            _draw_legend(figure, scale, label, is_count(quantity))
        else:
            axes.text(0.0, 0.0, "nothing to show", ha="center", va="center")
        patch = Patch(facecolor=_NOTHING, edgecolor=_GRID_COLOUR, linewidth=0.5, label="nothing")
        axes.legend(handles=[patch], loc="lower right", frameon=False, fontsize="small")
        left, top = 0.06 / width, 1.0 - _ABOVE_INCH / height
        figure.text(left, top, "\n".join(lines), fontsize="large", va="top")
        shown_source = source.replace("$", r"\$")
        figure.text(left, _SOURCE_INCH / height, shown_source, fontsize="x-small", va="bottom")
        if form == "png":
            canvas: Any = FigureCanvasAgg(figure)
            canvas.draw()
            write_png(np.asarray(canvas.buffer_rgba()), _palette(colours), out)
        else:
            figure.savefig(out, format=form, dpi=_DOTS_PER_INCH)


def _palette(colours: Colormap) -> NDArray[np.uint8]:
    """Colours that a picture must have: the sky's, these under grid lines, greys of letters."""
    shades = colours(np.arange(_SHADES), bytes=True)[:, :3]
    names = (_GRID_COLOUR, _NOTHING, _OUTLINE_COLOUR)
    named = np.rint(255.0 * np.array([to_rgb(name) for name in names]))
    under_grid = [share * named[0] + (1.0 - share) * shades[::2] for share in _LINE_SHARES]
    greys = np.repeat(np.linspace(0.0, 255.0, _GREYS)[:, None], 3, axis=1)
    return np.concatenate([shades, named, greys, *under_grid]).astype(np.uint8)


def draw_sky(axes: Axes, colours: NDArray[np.uint8], order: int, across: int) -> None:
    """Draw each picture element, so many across, in the colour of the cell under it."""
    size = (2.0 * HALF_WIDTH, 2.0 * HALF_HEIGHT)
    axes.add_patch(Ellipse((0.0, 0.0), *size, fill=False, edgecolor=_GRID_COLOUR, linewidth=0.8))
    clear = np.zeros((1, 4), dtype=np.uint8)  # of what is no cell
    picture = np.concatenate([colours, clear])[_picture_cells(order, across)]
    extent = (
        -_BESIDE * HALF_WIDTH,
        _BESIDE * HALF_WIDTH,
        -_BESIDE * HALF_HEIGHT,
        _BESIDE * HALF_HEIGHT,
    )
    axes.imshow(picture, origin="lower", extent=extent, interpolation="nearest", aspect="auto")
    axes.axis("off")


@lru_cache(_PICTURES)
def _picture_cells(order: int, across: int) -> NDArray[np.int32]:
    """Cell under each picture element, shape (across // 2, across); -1 outside the sky."""
    down = across // 2
    x = _BESIDE * HALF_WIDTH * ((np.arange(across) + 0.5) / across * 2.0 - 1.0)
    y = _BESIDE * HALF_HEIGHT * ((np.arange(down) + 0.5) / down * 2.0 - 1.0)
    ra, dec = mollweide_ra_dec(x[None, :], y[:, None])
    inside = np.isfinite(ra)
    cells = np.full(ra.shape, -1, dtype=np.int32)
    cells[inside] = healpy.ang2pix(1 << order, ra[inside], dec[inside], nest=True, lonlat=True)
    return cells


def draw_grid(axes: Axes, labelled: range) -> None:
    """Draw and label parallels every 30 degrees and meridians every 2 hours."""
    lines = [mollweide_xy(np.linspace(-180.0 + 1e-6, 180.0, 181), dec) for dec in _PARALLELS_DEG]
    lines += [mollweide_xy(15.0 * hour, np.linspace(-90.0, 90.0, 181)) for hour in _HOURS]
    for x, y in lines:
        axes.plot(x, y, color=_GRID_COLOUR, linewidth=0.4, alpha=0.8)
    for dec in _PARALLELS_DEG:
        x, y = mollweide_xy(180.0, dec)
        label = f"{dec:+d}°" if dec else "0°"
        axes.text(float(x) - 0.06, float(y), label, ha="right", va="center", fontsize="x-small")
    behind = {"facecolor": "white", "alpha": 0.65, "edgecolor": "none", "pad": 0.6}
    for hour in labelled:
        if hour != 12:  # the edge itself
            x, y = mollweide_xy(15.0 * hour, -2.5)
            axes.text(
                float(x), float(y), f"{hour}h", ha="center", va="top", fontsize="x-small",
                bbox=behind,
            )  # fmt: skip


def _draw_outline(axes: Axes, region: ArcRegion) -> None:
    """Draw the boundary of a region, and a ring about it if it is small."""
    points = points_on_arcs(region.arcs, _SHARES)
    middle = points.sum(axis=(0, 1))
    middle /= max(float(np.linalg.norm(middle)), _CLOSE)
    reach_deg = float(separation_deg(points.reshape(-1, 3), middle).max())
    if 2.0 * reach_deg < _SMALL_DEG:
        x, y = mollweide_xy(*ra_dec_deg(middle))
        for colour, width in ((_HALO, 4.0), (_OUTLINE_COLOUR, 1.8)):
            axes.plot(
                x, y, "o", markersize=_RING_POINTS, markerfacecolor="none",
                markeredgecolor=colour, markeredgewidth=width,
            )  # fmt: skip
        return
    pieces = []
    for arc in points:
        ra, dec = ra_dec_deg(arc)
        from_left = (180.0 - ra) % 360.0
        over_the_edge = np.flatnonzero(np.abs(np.diff(from_left)) > 180.0) + 1
        pieces += np.split(np.stack(mollweide_xy(ra, dec)), over_the_edge, axis=1)
    for colour, width in ((_HALO, 3.2), (_OUTLINE_COLOUR, 1.5)):
        for piece in pieces:
            axes.plot(*piece, color=colour, linewidth=width, solid_capstyle="round")


def _draw_legend(figure: Figure, scale: ScalarMappable, label: str, whole: bool) -> None:
    """Draw the scale of colours under the sky."""
    height = figure.get_figheight()
    place = ((1.0 - _BAR_SHARE) / 2.0, _BAR_INCH / height, _BAR_SHARE, _BAR_HEIGHT_INCH / height)
    bar = figure.colorbar(scale, cax=figure.add_axes(place), orientation="horizontal")
    bar.set_label(label)
    bar.outline.set_linewidth(0.4)
    if whole and not isinstance(scale.norm, LogNorm):
        bar.ax.xaxis.set_major_locator(MaxNLocator(integer=True))
    elif isinstance(scale.norm, LogNorm):
        bar.ax.xaxis.set_major_formatter("{x:g}")
