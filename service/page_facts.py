"""What the page's scripts are told with the page: names, colours, and which files to fetch."""

from typing import Any

import numpy as np
from flask import request

from platecover.coverage.calendar_dates import year_of_mjd
from platecover.coverage.filter_table import FILTERS
from platecover.coverage.series_colours import series_inks
from platecover.service.asking import archive, service
from platecover.service.manners import public_root

_PALER = "99"  # an alpha of 0.6, as CSS Color 4 writes it after the colour

# All that static/app.js imports, so that a browser fetches them at once; a test compares.
MODULES = (
    "app.js", "ask.js", "dates.js", "list.js", "nodes.js", "plate.js", "play.js", "requests.js",
    "state.js", "time.js", "words.js", "sky/directions.js", "sky/gestures.js", "sky/healpix.js",
    "sky/legend.js", "sky/lines.js", "sky/overlay.js", "sky/palette.js", "sky/projection.js",
    "sky/raster.js", "sky/scale.js", "sky/sky.js",
)  # fmt: skip


def page_facts() -> dict[str, Any]:
    """Facts of the archive and of what the public may ask, as plain values."""
    shown, settings = service(), service().settings
    rows = {each.name for each in shown.questions["exposures"].parameters}
    quantities = next(
        each.words for each in shown.questions["map"].parameters if each.name == "show"
    )
    is_dated = settings.is_public("t_min")
    return {
        "filters": [each.name for each in FILTERS if each.name in rows],
        # plates first: it is what is drawn unless something else is asked for
        "quantities": sorted(quantities, key=lambda name: name != "plates"),
        "colours": _colours() if settings.is_public("series") else {},
        "years": _years() if is_dated else [0, 0],
        "maxrec": settings.largest_maxrec,
        "hasCertainty": settings.is_public("certainty"),
    }


def preloads() -> list[str]:
    """What the scripts will ask for first, where nothing but the sky is asked for."""
    root = public_root()
    found = [f"{root}/page/lines"]
    if not request.query_string:
        found.append(f"{root}/page/cells?show={page_facts()['quantities'][0]}&order=6")
    return found


def _colours() -> dict[str, str]:
    """Colour of each series for CSS; what is hatched on paper is paler here."""
    inks = series_inks(archive().edition.summary["observatory"]["series"])
    return {code: ink.colour + (_PALER if ink.hatch else "") for code, ink in inks.items()}


def _years() -> list[int]:
    """First and last calendar year with exposures."""
    middle = archive().edition.middle_mjd
    dated = middle[~np.isnan(middle)]
    if not len(dated):
        return [0, 0]
    return [int(year) for year in year_of_mjd(np.array([dated.min(), dated.max()]))]
