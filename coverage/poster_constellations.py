"""Borders of the constellations, and where their names have room, in Mollweide's projection."""

from functools import cache
from typing import NamedTuple

import healpy
import numpy as np
from numpy.typing import NDArray

from platecover.coverage.constellations import all_boundaries, names, numbers_at
from platecover.coverage.directions import ra_dec_deg
from platecover.coverage.mollweide import HALF_HEIGHT, HALF_WIDTH, mollweide_xy
from platecover.coverage.region_arcs import points_on_arcs

_ORDER = 5  # of the cells among which the middle of a constellation is sought: 1.8 degrees
_SHAPE = 3.2  # of a name: its width over its height, with room about it
_SHARES = np.linspace(0.0, 1.0, 25)  # points along each arc of a border
_REACH_X, _REACH_Y = 1.2, 0.5  # nothing farther away limits a name's room
_EDGE_POINTS = 720
HOURS = range(0, 24, 2)  # of right ascension, that are labelled under the equator
_HOUR_DEC = -1.2
_HOUR_WIDTH, _HOUR_HEIGHT = 0.13, 0.1  # of such a label

Points = NDArray[np.float64]


class NamePlace(NamedTuple):
    """Where a name stands: middle and half the room about it, in the projection's units."""

    short: str
    latin: str
    x: float
    y: float
    half_width: float
    half_height: float


def split_at_edge(ra: Points, dec: Points) -> list[Points]:
    """A line on the sky as lines in the projection, shape (n, 2), cut where it leaves the edge."""
    from_left = (180.0 - ra) % 360.0
    over = np.flatnonzero(np.abs(np.diff(from_left)) > 180.0) + 1
    pieces = np.split(np.stack(mollweide_xy(ra, dec), axis=1), over)
    return [piece for piece in pieces if len(piece) > 1]


def hour_label_place(hour: int) -> tuple[float, float]:
    """Upper left corner of the label of an hour of right ascension."""
    x, y = mollweide_xy(15.0 * hour, _HOUR_DEC)
    return float(x) + 0.01, float(y)


@cache
def border_lines() -> list[Points]:
    """All borders between two constellations."""
    arcs, _ = all_boundaries()
    return [
        line for arc in points_on_arcs(arcs, _SHARES) for line in split_at_edge(*ra_dec_deg(arc))
    ]


@cache
def name_places() -> list[NamePlace]:
    """For each constellation the place where a name, lying across, has most room."""
    n_side = 1 << _ORDER
    vectors = np.stack(healpy.pix2vec(n_side, np.arange(12 * n_side**2)), axis=1)
    number = numbers_at(vectors)
    x, y = mollweide_xy(*ra_dec_deg(vectors))
    turn = np.linspace(0.0, 2.0 * np.pi, _EDGE_POINTS)
    edge_x, edge_y = HALF_WIDTH * np.cos(turn), HALF_HEIGHT * np.sin(turn)
    hours_x, hours_y = _hour_labels()
    found = []
    for at, (short, latin) in enumerate(names().items()):
        mine = number == at
        others_x = np.concatenate([x[~mine], edge_x, hours_x])
        others_y = np.concatenate([y[~mine], edge_y, hours_y])
        near = (others_x > x[mine].min() - _REACH_X) & (others_x < x[mine].max() + _REACH_X)
        near &= (others_y > y[mine].min() - _REACH_Y) & (others_y < y[mine].max() + _REACH_Y)
        away_x = np.abs(others_x[near][None, :] - x[mine][:, None]) / _SHAPE
        away_y = np.abs(others_y[near][None, :] - y[mine][:, None])
        room = np.maximum(away_x, away_y).min(axis=1)
        best = int(np.argmax(room))
        found.append(
            NamePlace(short, latin, float(x[mine][best]), float(y[mine][best]),
                      float(room[best]) * _SHAPE, float(room[best]))
        )  # fmt: skip
    return found


def _hour_labels() -> tuple[Points, Points]:
    """Points all over the labels of the hours, where no name may stand."""
    corners = np.array([hour_label_place(hour) for hour in HOURS])
    x, y = np.meshgrid(np.linspace(0.0, _HOUR_WIDTH, 5), np.linspace(0.0, -_HOUR_HEIGHT, 4))
    return (corners[:, :1] + x.ravel()).ravel(), (corners[:, 1:] + y.ravel()).ravel()
