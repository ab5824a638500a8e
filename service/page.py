"""The page at `/`: place and radius in; map, years and plates out. It needs no JavaScript."""

import re
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

import numpy as np
from flask import Blueprint, Response, render_template, request, send_from_directory
from werkzeug.exceptions import NotFound

from platecover.coverage.calendar_dates import calendar_date_text
from platecover.coverage.errors import QueryError
from platecover.coverage.filter_table import FILTERS
from platecover.coverage.map_quantities import QUANTITIES
from platecover.coverage.regions import Region
from platecover.coverage.sexagesimal import declinations, right_ascensions
from platecover.coverage.text_arrays import as_texts
from platecover.coverage.value_checks import number_between
from platecover.service.asking import answers_of_archive, archive, rows_up_to, service
from platecover.service.parameters import filters_of, region_of
from platecover.service.static_files import STATIC_FOLDER, STATIC_SUFFIXES

blueprint = Blueprint("page", __name__, template_folder="templates")
answers_of_archive(blueprint)

ROWS_SHOWN = 200
_MAP_ORDER = 6  # cells of 55 arcmin: enough for a picture, and drawn quickly
_BIN_WIDTHS_YEARS = (1, 2, 5, 10, 20, 50, 100)
_MOST_BINS = 45  # in the picture and the table of years
_PLACE_DECIMALS = 6  # of a degree: 4 mas
_LONGEST_TEXT = 2_000  # characters of a field
_FORMS = {"csv": "CSV", "votable": "VOTable", "ecsv": "ECSV", "json": "JSON"}
_FIRST_WORDS = ("circle", "range", "polygon", "constellation", "moc", "all")
_SIGNED_DEC = re.compile(r"(.+?[\s\d])\s*([+\-\u2212].+)")
_OWN_FIELDS = ("place", "radius", "show")
_FILTER_FIELDS = ("series", "from", "to", "scanned", "certainty", "undated", "observer")
_CERTAIN_WORDS = {"sure": "sure", "marginal": "perhaps just off"}


@dataclass(frozen=True)
class Asked:
    """What the form holds: texts of its fields, and what they mean."""

    fields: dict[str, str]
    region: Region
    filters: dict[str, Any]  # by name over HTTP

    def link(self, path: str, **more: object) -> str:
        """Address of an /api/ answer to the same question; maps take no region or certainty."""
        given: dict[str, object] = dict(self.filters)
        if path in ("map", "moc"):
            given.pop("certainty", None)
        else:
            given = {"region": self.region.text, **given}
        return f"/api/{path}?{urlencode({**given, **more})}"


@blueprint.route("/")
def page() -> Response | tuple[str, int]:
    """The form, and the answer to what it asks."""
    fields = {
        name: request.args.get(name, "").strip()[:_LONGEST_TEXT]
        for name in (*_OWN_FIELDS, *_FILTER_FIELDS)
    }
    fields["show"] = fields["show"] if fields["show"] in QUANTITIES else "plates"
    try:
        asked = _asked(fields)
        return render_template("page.html", **_frame(fields), **_answer(asked)), 200
    except QueryError as fault:
        return render_template("page.html", **{**_frame(fields), "fault": str(fault)}), 400


@blueprint.route("/static/<path:name>")
def static_file(name: str) -> Response:
    """A file of the page; only of kinds that pages are made of."""
    if not name.endswith(STATIC_SUFFIXES):
        raise NotFound()
    return send_from_directory(STATIC_FOLDER, name, max_age=3600)


def _asked(fields: dict[str, str]) -> Asked:
    """Read the form; QueryError says which field is at fault and what would be right."""
    settings = service().settings
    radius = fields["radius"] or "0"
    text = place_region_text(fields["place"], radius)
    region = region_of(
        {"region": text, "ra": None, "dec": None, "radius": None},
        most_corners=settings.most_polygon_corners,
        longest_text=settings.longest_region_text,
        largest_radius_deg=settings.largest_radius_deg,
    )
    known = {each.name: each for each in service().questions["exposures"].parameters}
    filters: dict[str, Any] = {}
    for name in _FILTER_FIELDS:
        if fields[name] and name in known:
            known[name].read([fields[name]])
            filters[name] = fields[name]
    return Asked(fields, region, filters)


def place_region_text(place: str, radius: str) -> str:
    """The region that a place and a radius name, in the words of `Region.parse`.

    Parameters
    ----------
    place : str
        A region in its own words; or right ascension and declination, decimal degrees
        (``83.63 22.01``) or sexagesimal (``05 34 31.9 +22 00 52``, ``5h34.5m +22d01m``), with
        or without a comma between; or nothing, for the whole sky.
    radius : str
        Degrees.

    Raises
    ------
    QueryError
        If it is none of these.
    """
    words = place.split()
    if not words:
        return "all"
    if words[0].casefold().rstrip(",") in _FIRST_WORDS:
        return place
    ra_text, dec_text = _halves(place)
    angles = []
    for name, text, read in (("RA", ra_text, right_ascensions), ("Dec", dec_text, declinations)):
        angle = read(as_texts([text]))
        if angle.reasons[0] or not np.isfinite(angle.deg[0]):
            why = angle.reasons[0] or "it is missing"
            raise QueryError("place", place, f"place: no {name} in {place!r} ({why})", usage=True)
        angles.append(float(angle.deg[0]))
    size = number_between("radius", radius, 0.0, service().settings.largest_radius_deg)
    ra, dec = (round(angle, _PLACE_DECIMALS) for angle in angles)
    return f"circle {ra!r} {dec!r} {size!r}"


def _halves(place: str) -> tuple[str, str]:
    """Texts of right ascension and declination: at the comma, at the sign, or in the middle."""
    if place.count(",") == 1:
        first, second = place.split(",")
        return first.strip(), second.strip()
    signed = _SIGNED_DEC.fullmatch(place)
    if signed:
        return signed[1].strip(), signed[2].strip()
    words = place.split()
    if len(words) % 2:
        raise QueryError(
            "place",
            place,
            f"place: cannot tell where RA ends in {place!r}; write 83.63 22.01, or"
            " 05 34 31.9 +22 00 52, or a region such as constellation Ori",
            usage=True,
        )
    half = len(words) // 2
    return " ".join(words[:half]), " ".join(words[half:])


def _frame(fields: dict[str, str]) -> dict[str, Any]:
    """What the page shows whatever is asked."""
    edition = archive().edition
    summary = edition.summary
    parameters = {each.name: each for each in service().questions["exposures"].parameters}
    quantities = next(
        each.words for each in service().questions["map"].parameters if each.name == "show"
    )
    return {
        "name": summary["observatory"]["name"] or "Plate archive",
        "edition": edition.number,
        "built": summary["built"][:10],
        "counts": summary["counts"],
        "series": [
            (code, facts["telescopes"]) for code, facts in summary["observatory"]["series"].items()
        ]
        if service().settings.is_public("series")
        else [],
        "fields": fields,
        "filter_fields": [name for name in _FILTER_FIELDS if name in parameters],
        "filters_open": any(fields[name] for name in _FILTER_FIELDS),
        "help": {each.name: each.help for each in FILTERS},
        "words": {name: parameters[name].words for name in parameters},
        "quantities": [(name, QUANTITIES[name].description) for name in quantities],
        "fault": None,
    }


def _answer(asked: Asked) -> dict[str, Any]:
    """Map, years and plates of what is asked."""
    keywords = filters_of({each.name: asked.filters.get(each.name) for each in FILTERS})
    rows, more = rows_up_to(ROWS_SHOWN, asked.region, keywords)
    hits = archive().find(asked.region, **keywords)
    listed = [_row(row) for row in rows.to_pylist()]
    answer: dict[str, Any] = {
        "region": asked.region,
        "is_everything": asked.region.kind == "all" and not asked.filters,
        "total": len(hits.numbers),
        "sure": int(hits.sure.sum()),
        "plates": len(np.unique(archive().edition.codes("plate")[hits.numbers])),
        "undated": int(np.isnan(archive().edition.middle_mjd[hits.numbers]).sum()),
        "rows": [] if asked.region.kind == "all" and not asked.filters else listed,
        "more": more,
        "columns": [name for name in _SHOWN_COLUMNS if any(name in row for row in listed)],
        "map_link": asked.link("map", show=asked.fields["show"], order=_MAP_ORDER, format="png"),
        "map_fits": asked.link("map", show=asked.fields["show"], format="fits"),
        "map_words": QUANTITIES[asked.fields["show"]].description,
        "downloads": [(words, asked.link("exposures", format=f)) for f, words in _FORMS.items()],
        "request": request.host_url.rstrip("/") + asked.link("exposures"),
    }
    if service().settings.is_public("epoch"):
        answer["epochs"], width = _epochs(asked.region, keywords)
        answer["bin"] = width
        answer["epochs_link"] = asked.link("epochs", bin=width, format="svg")
    return answer


def _epochs(region: Region, filters: dict[str, Any]) -> tuple[dict[str, Any], int]:
    """The histogram with the narrowest bins that still can be read, and their width."""
    answer = archive().epochs(region, _BIN_WIDTHS_YEARS[0], **filters)
    years = len(answer["bins"])
    width = next((each for each in _BIN_WIDTHS_YEARS if years / each <= _MOST_BINS), years)
    if width > 1:
        answer = archive().epochs(region, width, **filters)
    return answer, width


_SHOWN_COLUMNS = {
    "plate": "Plate", "t_min": "Date (UT)", "t_exptime": "Minutes", "certainty": "Shows the place",
    "centre_distance": "To centre (°)", "edge_distance": "To edge (°)", "telescope": "Telescope",
    "observer": "Observer", "object": "Object", "shelf": "Shelf", "status": "Status",
    "access_url": "Scan",
}  # fmt: skip


def _row(row: dict[str, Any]) -> dict[str, str]:
    """One exposure as the list shows it."""
    shown = {name: str(row[name]) for name in _SHOWN_COLUMNS if row.get(name) is not None}
    if row.get("t_min") is not None:
        date = calendar_date_text(row["t_min"])
        rough = {"month": date[:7], "year": date[:4]}
        shown["t_min"] = rough.get(row.get("time_precision", ""), date)
    if row.get("t_exptime") is not None:
        shown["t_exptime"] = f"{row['t_exptime'] / 60.0:.4g}"
    for name in ("centre_distance", "edge_distance"):
        if row.get(name) is not None:
            shown[name] = f"{row[name]:.2f}"
    if "certainty" in shown:
        shown["certainty"] = _CERTAIN_WORDS[shown["certainty"]]
    if not shown.get("access_url", "").lower().startswith(("http://", "https://")):
        shown.pop("access_url", None)
    return shown


@blueprint.app_context_processor
def _shown_columns() -> dict[str, Any]:
    return {"headings": _SHOWN_COLUMNS, "rows_shown": ROWS_SHOWN}
