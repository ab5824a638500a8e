"""What the page draws its sky from: a number a cell, and lines and stars that never change."""

import json
from functools import cache
from typing import Any

import numpy as np
from flask import Blueprint, Response, request

from platecover.coverage import constellations
from platecover.coverage.bright_stars import bright_stars
from platecover.coverage.coarser_map import coarser
from platecover.coverage.directions import ra_dec_deg
from platecover.coverage.map_cells import KEPT_ORDER
from platecover.coverage.region_arcs import Arcs, points_on_arcs
from platecover.service.asking import answers_of_archive, archive, asked
from platecover.service.drawing_lock import one_at_a_time
from platecover.service.parameters import filters_of

blueprint = Blueprint("page_cells", __name__, url_prefix="/page")
answers_of_archive(blueprint)
lines_blueprint = Blueprint("page_lines", __name__, url_prefix="/page")

_KEEP_LINES = "public, max-age=86400"  # a day; they change with the program alone
_DECIMALS = 2  # of a degree: half an arcmin, finer than any screen shows
_STEP_DEG = 5.0  # along a boundary, which is drawn with straight lines
_COUNTS = ("exposures", "plates", "years", "unscanned")  # of which none is nothing to show


@blueprint.route("/cells")
def cells() -> Response:
    """A quantity of a selection as little-endian 32-bit floats, NESTED, ICRS; NaN for nothing."""
    values = asked("cells")
    quantity = values["show"]
    with one_at_a_time:  # maps take memory, and use every core by themselves
        found = archive().sky_map(quantity, KEPT_ORDER, **filters_of(values))
    if quantity in _COUNTS:
        found = np.where(found > 0.0, found, np.nan)
    found = coarser(found, quantity, KEPT_ORDER - values["order"])
    response = Response(found.astype("<f4").tobytes(), content_type="application/octet-stream")
    response.headers["Vary"] = "Accept-Encoding"
    return response


@lines_blueprint.route("/lines")
def lines() -> Response:
    """Boundaries and names of the constellations, and the brightest stars; degrees, ICRS."""
    response = Response(_lines(), content_type="application/json")
    response.headers["Cache-Control"] = _KEEP_LINES
    response.add_etag()
    response.make_conditional(request)
    return response


@cache
def _lines() -> str:
    latin = constellations.names()
    facts = {
        "boundaries": _boundaries(),
        "constellations": [
            [short, name, *_rounded(constellations.middle(short))] for short, name in latin.items()
        ],
        "stars": [
            [star.name, *_rounded((star.ra_deg, star.dec_deg)), star.magnitude]
            for star in bright_stars()
        ],
    }
    return json.dumps(facts, separators=(",", ":"))


def _boundaries() -> list[list[float]]:
    """Each stretch: places of the two constellations in their list, then RA, Dec, RA, Dec, ..."""
    arcs, pairs = constellations.all_boundaries()
    lines = arcs_as_lines(arcs)
    return [[*pair, *line] for pair, line in zip(pairs.tolist(), lines, strict=True)]


def arcs_as_lines(arcs: Arcs) -> list[list[float]]:
    """Each arc as RA, Dec, RA, Dec, ..., to be drawn with straight lines from point to point."""
    drawn = []
    for arc in arcs:
        length_deg = float(np.degrees(arc["span"] * abs(arc["sin_g"])))
        shares = np.linspace(0.0, 1.0, 2 + int(length_deg / _STEP_DEG))
        ra, dec = ra_dec_deg(points_on_arcs(np.array([arc]), shares)[0])
        drawn.append(_rounded(np.stack([ra, dec], axis=1).ravel()))
    return drawn


def _rounded(degrees: Any) -> list[float]:
    return [round(float(each), _DECIMALS) for each in degrees]
