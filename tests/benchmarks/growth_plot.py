"""How cost grows with the number of exposures: one log-log plot of all measured sizes.

Each cost is drawn against its own at the smallest size, so that slopes can be compared; the cost
itself stands beside the first and the last point. A dotted line shows growth in proportion.
"""

from pathlib import Path

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure as Drawing
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator
from tests.benchmarks.figures import Results, shown

# Key, words, colour (Okabe & Ito's set, fit for colour-blind people) and dashes, for print.
COSTS = (
    ("build_s", "build", "#000000", "-"),
    ("build_mb", "memory of the build", "#999999", "-"),
    ("rebuild_s", "rebuild, ten rows changed", "#000000", (0, (4, 2))),
    ("index_mb", "cell index on disk", "#009E73", "-"),
    ("point_ms", "point query", "#D55E00", "-"),
    ("epochs_polygon_ms", "epochs, 100 square degrees", "#0072B2", "-"),
    ("epochs_all_ms", "epochs, whole sky", "#0072B2", (0, (4, 2))),
    ("map_ms", "map under a filter", "#CC79A7", "-"),
    ("cone_votable_ms", "5,000 rows, VOTable", "#E69F00", "-"),
)
_SIZE_INCH = (8.2, 5.0)
_LEAST_GAP = 0.045  # between labels, of the height of the axes
_ROOM_RIGHT = 0.40  # of the drawing, for labels


def plot_growth(results: Results, path: Path) -> None:
    """Draw the costs at all sizes that have been measured.

    Raises
    ------
    ValueError
        If fewer than two sizes have figures in common.
    """
    sizes = sorted(results)
    series = {
        key: [(size, results[size][key].value) for size in sizes if key in results[size]]
        for key, *_ in COSTS
    }
    series = {key: points for key, points in series.items() if len(points) > 1}
    if not series:
        raise ValueError("a plot of growth needs figures of at least two sizes")
    with matplotlib.rc_context({"font.size": 9, "svg.fonttype": "none"}):
        drawing = Drawing(figsize=_SIZE_INCH)
        axes = drawing.add_axes((0.09, 0.11, 1.0 - 0.09 - _ROOM_RIGHT, 0.78))
        _draw_lines(axes, series, sizes)
        _label_ends(axes, results, series)
        first, last = sizes[0], sizes[-1]
        drawing.text(
            0.09, 0.94, f"Cost from {first:,} to {last:,} exposures", fontsize=12, weight="bold"
        )
        drawing.savefig(path, dpi=200)


def _draw_lines(axes: Axes, series: dict[str, list[tuple[int, float]]], sizes: list[int]) -> None:
    """Draw lines, the guide of slope 1, and quiet axes."""
    first = sizes[0]
    grown = [value / points[0][1] for points in series.values() for _, value in points]
    top = max(*grown, sizes[-1] / first) * 1.25
    bottom = min(*grown, 1.0) / 1.25
    axes.set_xscale("log")
    axes.set_yscale("log")
    axes.set_xlim(first / 1.15, sizes[-1] * 1.08)
    axes.set_ylim(bottom, top)
    axes.plot([first, sizes[-1]], [1.0, sizes[-1] / first], ":", color="#666666", linewidth=1.2)
    for key, _, colour, dashes in COSTS:
        if key in series:
            x = [size for size, _ in series[key]]
            y = [value / series[key][0][1] for _, value in series[key]]
            axes.plot(x, y, linestyle=dashes, color=colour, linewidth=1.6, marker="o", markersize=4)
    axes.xaxis.set_major_locator(FixedLocator(sizes))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_major_formatter(FuncFormatter(lambda size, _: f"{size:,.0f}"))
    axes.yaxis.set_major_locator(
        FixedLocator([v for v in (0.1, 1, 2, 5, 10, 20, 50, 100) if bottom <= v <= top])
    )
    axes.yaxis.set_minor_locator(NullLocator())
    axes.yaxis.set_major_formatter(FuncFormatter(lambda times, _: f"{times:g}×"))
    axes.grid(color="#E4E4E4", linewidth=0.6)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.set_xlabel("exposures")
    axes.set_title(
        f"times the cost of {first:,}; dotted: in proportion", loc="left", fontsize=9,
        color="#444444",
    )  # fmt: skip


def _label_ends(axes: Axes, results: Results, series: dict[str, list[tuple[int, float]]]) -> None:
    """Name each line at its last point, with its first and last cost, none over another."""
    low, high = np.log(axes.get_ylim())
    entries = []
    for key, words, colour, _ in COSTS:
        if key not in series:
            continue
        (_, first_value), (last, last_value) = series[key][0], series[key][-1]
        unit = results[last][key].unit
        height = (np.log(last_value / first_value) - low) / (high - low)
        till = "" if last == max(results) else f" (at {last:,})"
        said = f"{words}: {shown(first_value)} → {shown(last_value)} {unit}{till}"
        entries.append((height, said, colour, last, last_value / first_value))
    entries.sort()
    places = spread([height for height, *_ in entries], _LEAST_GAP)
    for place, (_, said, colour, size, grown) in zip(places, entries, strict=True):
        axes.annotate(
            said, xy=(size, grown), xytext=(1.04, place), textcoords="axes fraction",
            va="center", color=colour if colour != "#999999" else "#666666", fontsize=8,
            annotation_clip=False,
            arrowprops={"arrowstyle": "-", "color": colour, "linewidth": 0.6, "shrinkA": 1,
                        "shrinkB": 3, "relpos": (0.0, 0.5)},
        )  # fmt: skip


def spread(heights: list[float], gap: float) -> list[float]:
    """Move ascending heights apart until neighbours differ by `gap`, as little as may be."""
    clusters: list[list[float]] = []  # heights wanted, of labels that touch
    for height in heights:
        clusters.append([height])
        while len(clusters) > 1 and _top(clusters[-2], gap) + gap > _bottom(clusters[-1], gap):
            clusters[-2:] = [clusters[-2] + clusters[-1]]
    return [_bottom(cluster, gap) + gap * at for cluster in clusters for at in range(len(cluster))]


def _bottom(cluster: list[float], gap: float) -> float:
    return float(np.mean(cluster)) - 0.5 * gap * (len(cluster) - 1)


def _top(cluster: list[float], gap: float) -> float:
    return float(np.mean(cluster)) + 0.5 * gap * (len(cluster) - 1)
