"""What the page asks about places: what a text means, and outlines of the plates that show it."""

import json
from typing import Any

import numpy as np
from flask import Blueprint, Response

from platecover.coverage.errors import QueryError
from platecover.coverage.object_names import named_object
from platecover.coverage.outlines import outline_corners_deg
from platecover.coverage.regions import ArcRegion, Circle, Region
from platecover.service.api import parsed_region
from platecover.service.asking import answers_of_archive, archive, asked
from platecover.service.page_cells import arcs_as_lines
from platecover.service.page_rows import place_words
from platecover.service.parameters import filters_of
from platecover.service.place_text import is_region, read_position

blueprint = Blueprint("page_place", __name__, url_prefix="/page")
answers_of_archive(blueprint)

_DECIMALS = 3  # of a degree: 4 arcsec, finer than a screen shows


def region_of_place(place: str | None, radius: float | None) -> tuple[Region, str, bool]:
    """Region of what was typed as a place.

    Returns
    -------
    region : Region
    named : str
        What it was taken for, if it is a name; else ''.
    takes_radius : bool
        Whether a radius means something.

    Raises
    ------
    QueryError
        If it is neither a position, a region nor the name of anything.
    """
    if place is None:
        return Region.all(), "", False
    if is_region(place):
        return parsed_region(place), "", False
    try:
        return Region.constellation(place), "", False
    except QueryError:
        pass
    try:
        return Region.circle(*read_position(place), radius or 0.0), "", True
    except QueryError:
        found = named_object(place)
        if found is None:
            raise
    about = f"{found.name} ({found.other})"
    return Region.circle(found.ra_deg, found.dec_deg, radius or 0.0), about, True


@blueprint.route("/place")
def place() -> Response:
    """What a text means: a region in the words of the API, and how to draw it."""
    values = asked("place")
    region, named, takes_radius = region_of_place(values["place"], values["radius"])
    facts = {
        "region": region.text,
        "words": place_words(region),
        "named": named,
        "takes_radius": takes_radius,
        **_drawn(region),
    }
    return _json(facts)


def _drawn(region: Region) -> dict[str, Any]:
    """A region as the page's sky draws it: its boundary as lines of RA, Dec, RA, Dec, ..."""
    if isinstance(region, Circle):
        return {"kind": "circle", "ra": region.ra_deg, "dec": region.dec_deg,
                "radius": region.radius_deg}  # fmt: skip
    if not isinstance(region, ArcRegion) or not len(region.arcs):
        return {"kind": "none"}
    return {"kind": "lines", "lines": arcs_as_lines(region.arcs)}


@blueprint.route("/outlines")
def outlines() -> Response:
    """Outlines of the first so many exposures that show a place."""
    values = asked("outlines")
    region, _, _ = region_of_place(values["place"], values["radius"])
    hits = archive().find(region, **filters_of(values))
    numbers = hits.numbers[: values["most"]]
    edition = archive().edition
    ids = edition.exposures.column("exposure_id").take(numbers).to_pylist()
    ra, dec, starts = outline_corners_deg(edition.geometry[numbers])
    corners = np.round(np.stack([ra, dec], axis=1), _DECIMALS).tolist()
    listed = [
        {"id": name, "corners": corners[first:end]}
        for name, first, end in zip(ids, starts[:-1].tolist(), starts[1:].tolist(), strict=True)
    ]
    return _json({"total": len(hits.numbers), "outlines": listed})


def _json(facts: dict[str, Any]) -> Response:
    return Response(json.dumps(facts, separators=(",", ":")), content_type="application/json")
