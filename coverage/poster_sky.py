"""A poster of the whole sky: a quantity of the plates, grid, constellations, legend."""

from pathlib import Path
from typing import IO, Any

import erfa
import healpy
import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.colors import to_rgb
from matplotlib.patches import Ellipse
from matplotlib.patheffects import Stroke
from numpy.typing import NDArray

from platecover.coverage.bright_stars import bright_stars
from platecover.coverage.directions import ra_dec_deg, unit_vectors
from platecover.coverage.map_scale import colour_scale, shown_values
from platecover.coverage.mollweide import HALF_HEIGHT, HALF_WIDTH, mollweide_ra_dec, mollweide_xy
from platecover.coverage.poster_constellations import (
    HOURS,
    border_lines,
    hour_label_place,
    name_places,
    split_at_edge,
)
from platecover.coverage.poster_legend import draw_legend, draw_years
from platecover.coverage.poster_paper import (
    WIDTH,
    Sheet,
    poster_style,
    width_of,
)
from platecover.coverage.poster_words import PosterWords, write_words

_SKY_WIDTH, _SKY_TOP = 372.0, 60.0  # units
_UNITS = _SKY_WIDTH / (2.0 * HALF_WIDTH)  # of the sheet, for one of the projection
_PICTURE_PER_MM = 6.0  # elements of the sky's picture: 150 an inch
_PARALLELS_DEG = range(-60, 90, 30)
_NAME_POINTS, _SHORT_POINTS = 7.8, 6.6
_STAR_POINTS, _STAR_STEP, _LEAST_STAR = 4.2, 0.85, 1.4  # across, of magnitude 0; a magnitude less
_OVER_ROOM = 1.12  # by how much a name may exceed the room that was found for it
_HALO_SHARE = 0.65  # of it is seen
_LIGHT = 0.5  # lightness from which letters on it are dark
_OBLIQUITY_ARCSEC = 84381.406  # of the ecliptic at J2000: Capitaine et al. 2003, A&A 412, 567

Colours = NDArray[np.floating[Any]]


def plot_map_poster(
    values: NDArray[np.float64],
    order: int,
    quantity: str,
    words: PosterWords,
    out: Path | IO[bytes],
    form: str,
    *,
    paper: str = "a3",
    ground: str = "paper",
    years: list[tuple[int, int]] | None = None,
) -> None:
    """Draw a map of the whole sky for a wall.

    Parameters
    ----------
    values : float64, shape (12 * 4**order,)
        NESTED, ICRS.
    order : int
    quantity : str
        A key of `map_quantities.QUANTITIES`.
    words : PosterWords
    out : path or binary stream
    form : str
        One of `poster_paper.POSTER_FORMATS`.
    paper, ground : str
        Keys of `poster_paper.PAPERS` and `GROUNDS`.
    years : list of (year, exposures), optional
        Drawn small beside the legend.

    Raises
    ------
    QueryError
        If the file cannot be written.
    """
    with poster_style():
        sheet = Sheet(paper, ground)
        shown = shown_values(values, quantity)
        colours = matplotlib.colormaps[sheet.inks.scale].with_extremes(bad=sheet.inks.nothing)
        norm = colour_scale(shown, quantity)
        # an upright sheet leaves more room between sky and edges
        top = _SKY_TOP + max(sheet.height - 297.0, 0.0) / 2.0
        axes = sheet.axes((WIDTH - _SKY_WIDTH) / 2.0, top, _SKY_WIDTH, _SKY_WIDTH / 2.0)
        axes.set(xlim=(-HALF_WIDTH, HALF_WIDTH), ylim=(-HALF_HEIGHT, HALF_HEIGHT))
        picture = _picture(colours(norm(shown)), order, sheet.scale)
        _draw_sky(axes, picture, sheet)
        _draw_grid(axes, sheet)
        _draw_circles(axes, sheet)
        _draw_stars(axes, sheet)
        _draw_constellations(axes, picture, sheet)
        if np.isfinite(shown).any():
            draw_legend(sheet, colours, norm, quantity)
        if years:
            draw_years(sheet, years)
        write_words(sheet, words)
        sheet.write(out, form, f"{words.title}: {words.subtitle}", words.source)


def _picture(colours: Colours, order: int, scale: float) -> Colours:
    """Colour of each element of the sky's picture, the lowest row first."""
    across = round(_SKY_WIDTH * scale * _PICTURE_PER_MM)
    down = across // 2
    x = HALF_WIDTH * ((np.arange(across) + 0.5) / across * 2.0 - 1.0)
    y = HALF_HEIGHT * ((np.arange(down) + 0.5) / down * 2.0 - 1.0)
    ra, dec = mollweide_ra_dec(x[None, :], y[:, None])
    inside = np.isfinite(ra)
    picture = np.zeros((down, across, 4), dtype=np.float32)
    cells = healpy.ang2pix(1 << order, ra[inside], dec[inside], nest=True, lonlat=True)
    picture[inside] = colours[cells]
    return picture


def _draw_sky(axes: Axes, picture: Colours, sheet: Sheet) -> None:
    size = (2.0 * HALF_WIDTH, 2.0 * HALF_HEIGHT)
    extent = (-HALF_WIDTH, HALF_WIDTH, -HALF_HEIGHT, HALF_HEIGHT)
    axes.imshow(picture, origin="lower", extent=extent, interpolation="nearest", aspect="auto")
    axes.add_patch(
        Ellipse((0.0, 0.0), *size, fill=False, edgecolor=sheet.inks.ink, clip_on=False,
                linewidth=1.1 * sheet.scale)
    )  # fmt: skip


def _draw_grid(axes: Axes, sheet: Sheet) -> None:
    """Draw parallels every 30 degrees and meridians every 2 hours, and label them outside."""
    around = np.linspace(-180.0 + 1e-6, 180.0, 181)
    upright = np.linspace(-90.0, 90.0, 181)
    lines = [np.stack(mollweide_xy(around, dec), axis=1) for dec in _PARALLELS_DEG]
    lines += [np.stack(mollweide_xy(15.0 * hour, upright), axis=1) for hour in HOURS]
    axes.add_collection(
        LineCollection(lines, colors=sheet.inks.borders, linewidths=0.45 * sheet.scale, alpha=0.55)
    )
    size = 9.0 * sheet.scale
    small: dict[str, Any] = {"color": sheet.inks.faint, "fontsize": size, "clip_on": False}
    for dec in _PARALLELS_DEG:
        if dec == 0:
            continue
        x, y = (float(v) for v in mollweide_xy(180.0, dec))
        for side, align in ((-1.0, "right"), (1.0, "left")):
            axes.text(side * (abs(x) + 0.06), y, f"{dec:+d}°".replace("-", "−"), ha=align,
                      va="center", **small)  # fmt: skip
    for hour in HOURS:
        if hour == 12:  # the edge itself, labelled on both sides
            for side, align in ((-1.0, "right"), (1.0, "left")):
                axes.text(side * (HALF_WIDTH + 0.035), 0.0, "12ʰ", ha=align, va="center", **small)
            continue
        x, y = hour_label_place(hour)
        _write(axes, x, y, f"{hour}ʰ", sheet.inks.ground, 1.6 * sheet.scale, ha="left", va="top",
               color=sheet.inks.ink, fontsize=size)  # fmt: skip


def _draw_circles(axes: Axes, sheet: Sheet) -> None:
    """Draw ecliptic and galactic equator, each named once along its line."""
    along = np.linspace(0.0, 2.0 * np.pi, 721)
    tilt = np.radians(_OBLIQUITY_ARCSEC / 3600.0)
    around = unit_vectors(np.degrees(along), 0.0)
    turn = np.array(
        [[1.0, 0.0, 0.0], [0.0, np.cos(tilt), -np.sin(tilt)], [0.0, np.sin(tilt), np.cos(tilt)]]
    )
    ecliptic = ra_dec_deg(around @ turn.T)
    galactic = tuple(np.degrees(part) for part in erfa.g2icrs(along, np.zeros_like(along)))
    for (ra, dec), dashes, name, at in (
        (ecliptic, (7.0, 3.0), "ecliptic", 610),
        (galactic, (1.0, 2.2), "galactic equator", 250),
    ):
        pieces = split_at_edge(np.asarray(ra), np.asarray(dec))
        axes.add_collection(
            LineCollection(pieces, colors=sheet.inks.circles, linewidths=1.1 * sheet.scale,
                           linestyles=[(0.0, dashes)])
        )  # fmt: skip
        near = slice(at - 4, at + 5)
        x, y = mollweide_xy(ra[near], dec[near])
        slope = float(np.degrees(np.arctan2(y[-1] - y[0], x[-1] - x[0])))
        slope = (slope + 90.0) % 180.0 - 90.0  # to be read from left to right
        _write(
            axes, float(x[4]), float(y[4]) + 0.012, name, sheet.inks.ground, 2.0 * sheet.scale,
            rotation=slope, rotation_mode="anchor", ha="center", va="bottom", style="italic",
            color=sheet.inks.circles, fontsize=8.5 * sheet.scale,
        )  # fmt: skip


def _draw_stars(axes: Axes, sheet: Sheet) -> None:
    """Draw the brightest stars, the larger the brighter."""
    stars = bright_stars()
    x, y = mollweide_xy([star.ra_deg for star in stars], [star.dec_deg for star in stars])
    magnitude = np.array([star.magnitude for star in stars])
    points = sheet.scale * np.clip(_STAR_POINTS - _STAR_STEP * magnitude, _LEAST_STAR, None)
    axes.scatter(x, y, s=points**2, color=sheet.inks.star, edgecolors=sheet.inks.star_edge,
                 linewidths=0.5 * sheet.scale, zorder=2.5)  # fmt: skip


def _draw_constellations(axes: Axes, picture: Colours, sheet: Sheet) -> None:
    """Draw the borders, and write each name whole where it has room, else its abbreviation."""
    axes.add_collection(
        LineCollection(border_lines(), colors=sheet.inks.borders, linewidths=0.5 * sheet.scale,
                       alpha=0.9)
    )  # fmt: skip
    for place in name_places():
        room = 2.0 * place.half_width * _UNITS * _OVER_ROOM
        whole = width_of(place.latin, _NAME_POINTS) <= room
        size = _NAME_POINTS if whole else _SHORT_POINTS
        letters, around = _letters_on(picture, place.x, place.y, sheet)
        _write(axes, place.x, place.y, place.latin if whole else place.short, around,
               1.5 * sheet.scale, ha="center", va="center", fontsize=size * sheet.scale,
               color=letters)  # fmt: skip


def _write(
    axes: Axes, x: float, y: float, words: str, halo: str, halo_width: float, **more: Any
) -> None:
    """Write on the sky: outlines of a halo, then letters that remain text in a PDF."""
    around = [Stroke(linewidth=halo_width, foreground=halo, alpha=_HALO_SHARE)]
    axes.text(x, y, words, path_effects=around, **more)
    axes.text(x, y, words, **more)


def _letters_on(picture: Colours, x: float, y: float, sheet: Sheet) -> tuple[str, str]:
    """Colour of letters at a place of the sky, and of what lies about them."""
    down, across = picture.shape[:2]
    column = int((x / HALF_WIDTH + 1.0) / 2.0 * across)
    row = int((y / HALF_HEIGHT + 1.0) / 2.0 * down)
    reach = max(across // 60, 1)
    under = picture[max(row - reach // 3, 0) : row + reach // 3 + 1,
                    max(column - reach, 0) : column + reach + 1, :3]  # fmt: skip
    lightness = float(under.mean()) if under.size else 1.0
    light, dark = sorted((sheet.inks.ink, sheet.inks.ground), key=lambda c: -sum(to_rgb(c)))
    return (dark, light) if lightness > _LIGHT else (light, dark)
