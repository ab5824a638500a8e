"""All-sky plots of sky maps, in the equal-area projection of Mollweide.

RA 0h stands in the middle and grows to the left, as one sees the sky.
"""

import math
from pathlib import Path
from typing import IO

import healpy
import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.colors import LogNorm, Normalize
from matplotlib.figure import Figure
from matplotlib.image import AxesImage
from matplotlib.patches import Ellipse, Patch
from matplotlib.ticker import MaxNLocator
from numpy.typing import ArrayLike, NDArray

from platecover.coverage.directions import ra_dec_deg, separation_deg
from platecover.coverage.map_quantities import QUANTITIES
from platecover.coverage.region_arcs import points_on_arcs
from platecover.coverage.regions import ArcRegion, Region

HALF_WIDTH, HALF_HEIGHT = 2.0 * math.sqrt(2.0), math.sqrt(2.0)  # of the ellipse, unit sphere
_SIZE_INCH, _NARROW_INCH = (9.0, 5.6), (4.4, 3.2)
_DOTS_PER_INCH = 150
_ACROSS = 1400  # picture elements of the drawn sky
_COLOURS = "viridis"  # perceptually even, fit for colour-blind people
_NOTHING = "#E4E4E4"
_GRID_COLOUR = "#7A7A7A"
_WIDE_RANGE = 30.0  # largest count over median count from which the scale is logarithmic
_PARALLELS_DEG = range(-60, 90, 30)
_HOURS, _FEWER_HOURS = range(0, 24, 2), range(0, 24, 4)
_OUTLINE_COLOUR, _HALO = "#C8102E", "white"
_SMALL_DEG, _RING_POINTS = 4.0, 16.0  # a region smaller across gets a ring of that diameter
_SHARES = np.linspace(0.0, 1.0, 181)  # points along each arc of an outline
_NEWTON_STEPS = 60
_CLOSE = 1e-12


def mollweide_xy(
    ra_deg: ArrayLike, dec_deg: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Project positions; x from -2 sqrt 2 to 2 sqrt 2, y from -sqrt 2 to sqrt 2.

    Parameters
    ----------
    ra_deg, dec_deg : array_like of float
        Degrees, shapes that broadcast. RA 180 goes to the left edge.

    Notes
    -----
    Calabretta & Greisen 2002, A&A 395, 1077, section 5.3.3 (MOL), for the unit sphere.
    """
    ra, dec = np.broadcast_arrays(np.asarray(ra_deg, np.float64), np.asarray(dec_deg, np.float64))
    longitude = np.radians((ra + 180.0) % 360.0 - 180.0)
    longitude = np.where(longitude == -np.pi, np.pi, longitude)
    latitude = np.radians(dec)
    aim = np.pi * np.sin(latitude)
    theta = 2.0 * np.arcsin(np.clip(2.0 * latitude / np.pi, -1.0, 1.0))
    for _ in range(_NEWTON_STEPS):  # theta + sin theta = pi sin(dec), theta twice the angle drawn
        slope = 1.0 + np.cos(theta)
        step = np.where(slope > _CLOSE, theta + np.sin(theta) - aim, 0.0) / np.maximum(
            slope, _CLOSE
        )
        theta = np.clip(theta - step, -np.pi, np.pi)
    x = -HALF_WIDTH / np.pi * longitude * np.cos(theta / 2.0)
    return x, HALF_HEIGHT * np.sin(theta / 2.0)


def mollweide_ra_dec(x: ArrayLike, y: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Positions in degrees of projected points; NaN outside the ellipse."""
    x, y = np.broadcast_arrays(np.asarray(x, np.float64), np.asarray(y, np.float64))
    inside = (x / HALF_WIDTH) ** 2 + (y / HALF_HEIGHT) ** 2 < 1.0
    half_theta = np.arcsin(np.where(inside, y / HALF_HEIGHT, 0.0))
    longitude = -np.pi * x / (HALF_WIDTH * np.cos(half_theta))
    latitude = np.arcsin((2.0 * half_theta + np.sin(2.0 * half_theta)) / np.pi)
    ra = np.where(inside, np.degrees(longitude) % 360.0, np.nan)
    return ra, np.where(inside, np.degrees(latitude), np.nan)


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
    figure = Figure(figsize=_NARROW_INCH if narrow else _SIZE_INCH, layout="constrained")
    axes = figure.add_subplot()
    described = QUANTITIES[quantity]
    is_count = described.unit == "" and quantity != "scanned_share"
    shown = np.where(values > 0.0, values, np.nan) if is_count else values
    picture = _draw_sky(axes, shown, order, _norm(shown, is_count))
    _draw_grid(axes, _FEWER_HOURS if narrow else _HOURS)
    if isinstance(outline, ArcRegion) and len(outline.arcs):
        _draw_outline(axes, outline)
    label = described.description + (" (years)" if quantity == "gap" else "")
    if np.isfinite(shown).any():
        _draw_legend(figure, axes, picture, label, is_count)
    else:
        axes.text(0.0, 0.0, "nothing to show", ha="center", va="center")
    patch = Patch(facecolor=_NOTHING, edgecolor=_GRID_COLOUR, linewidth=0.5, label="nothing")
    axes.legend(handles=[patch], loc="lower right", frameon=False, fontsize="small")
    axes.set_title(title.replace("$", r"\$"), loc="left", fontsize="large", wrap=True)
    figure.supxlabel(source.replace("$", r"\$"), fontsize="x-small", x=0.01, ha="left")
    with matplotlib.rc_context({"svg.fonttype": "none"}):
        figure.savefig(out, format=form, dpi=_DOTS_PER_INCH)


def _norm(shown: NDArray[np.float64], is_count: bool) -> Normalize:
    """Scale of the colours; logarithmic for counts that spread widely."""
    known = shown[np.isfinite(shown)]
    if not len(known):
        return Normalize(0.0, 1.0)
    low, high = float(known.min()), float(known.max())
    if is_count:
        low = 1.0
        if high > _WIDE_RANGE * float(np.median(known)):
            return LogNorm(low, high)
    return Normalize(low, high if high > low else low + 1.0)


def _draw_sky(axes: Axes, shown: NDArray[np.float64], order: int, norm: Normalize) -> AxesImage:
    """Draw each picture element with the value of the cell under it."""
    x = (np.arange(_ACROSS) + 0.5) / _ACROSS * 2.0 * HALF_WIDTH - HALF_WIDTH
    y = (np.arange(_ACROSS // 2) + 0.5) / (_ACROSS // 2) * 2.0 * HALF_HEIGHT - HALF_HEIGHT
    ra, dec = mollweide_ra_dec(x[None, :], y[:, None])
    inside = np.isfinite(ra)
    cells = healpy.ang2pix(1 << order, ra[inside], dec[inside], nest=True, lonlat=True)
    picture = np.full(ra.shape, np.nan)
    picture[inside] = shown[cells]
    size = (2.0 * HALF_WIDTH, 2.0 * HALF_HEIGHT)
    axes.add_patch(Ellipse((0.0, 0.0), *size, facecolor=_NOTHING, zorder=0.0))
    axes.add_patch(Ellipse((0.0, 0.0), *size, fill=False, edgecolor=_GRID_COLOUR, linewidth=0.8))
    extent = (-HALF_WIDTH, HALF_WIDTH, -HALF_HEIGHT, HALF_HEIGHT)
    drawn = axes.imshow(
        picture, cmap=_COLOURS, norm=norm, origin="lower", extent=extent, interpolation="nearest"
    )
    axes.set_xlim(-1.08 * HALF_WIDTH, 1.08 * HALF_WIDTH)
    axes.set_ylim(-1.08 * HALF_HEIGHT, 1.08 * HALF_HEIGHT)
    axes.set_aspect("equal")
    axes.axis("off")
    return drawn


def _draw_grid(axes: Axes, labelled: range) -> None:
    """Draw and label parallels every 30 degrees and meridians every 2 hours."""
    lines = [mollweide_xy(np.linspace(-180.0 + 1e-6, 180.0, 181), dec) for dec in _PARALLELS_DEG]
    lines += [mollweide_xy(15.0 * hour, np.linspace(-90.0, 90.0, 181)) for hour in _HOURS]
    for x, y in lines:
        axes.plot(x, y, color=_GRID_COLOUR, linewidth=0.4, alpha=0.8)
    for dec in _PARALLELS_DEG:
        x, y = mollweide_xy(180.0, dec)
        label = f"{dec:+d}°" if dec else "0°"
        axes.text(float(x) - 0.08, float(y), label, ha="right", va="center", fontsize="x-small")
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


def _draw_legend(
    figure: Figure, axes: Axes, picture: ScalarMappable, label: str, is_count: bool
) -> None:
    """Draw the scale of colours under the sky."""
    bar = figure.colorbar(
        picture, ax=axes, orientation="horizontal", shrink=0.6, aspect=40, pad=0.02
    )
    bar.set_label(label)
    bar.outline.set_linewidth(0.4)
    if is_count and not isinstance(picture.norm, LogNorm):
        bar.ax.xaxis.set_major_locator(MaxNLocator(integer=True))
    elif isinstance(picture.norm, LogNorm):
        bar.ax.xaxis.set_major_formatter("{x:g}")
