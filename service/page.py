"""The page at `/`: place and radius in; map, years and plates out. It needs no JavaScript."""

from collections.abc import Mapping
from typing import Any
from urllib.parse import quote, urlencode

import numpy as np
from flask import Blueprint, Response, current_app, make_response, render_template, request
from werkzeug.datastructures import MultiDict

from platecover.coverage.answers import plain_table
from platecover.coverage.calendar_dates import year_of_mjd
from platecover.coverage.errors import ArchiveError, QueryError
from platecover.coverage.filter_table import FILTERS
from platecover.coverage.map_quantities import QUANTITIES
from platecover.coverage.regions import Region
from platecover.coverage.search import Hits
from platecover.service.api import public_record
from platecover.service.asking import (
    answers_of_archive,
    archive,
    first_rows,
    service,
    site_root,
)
from platecover.service.error_answers import RETRY_AFTER_S
from platecover.service.foyer import foyer_page
from platecover.service.manners import public_root
from platecover.service.page_facts import MODULES, page_facts, preloads
from platecover.service.page_place import region_of_place
from platecover.service.page_rows import COLUMNS, facts_shown, place_words, row_shown
from platecover.service.parameters import Parameter, Question, filters_of

blueprint = Blueprint("page", __name__, template_folder="templates")
answers_of_archive(blueprint)

ROWS_SHOWN = 200
FORM_FILTERS = ("series", "from", "to", "scanned", "certainty", "undated", "observer")
_DOWNLOADS = {"csv": "CSV", "votable": "VOTable", "ecsv": "ECSV", "json": "JSON"}
_BIN_WIDTHS_YEARS = (1, 2, 5, 10, 20, 50, 100)
_MOST_BINS = 45  # in the picture and the table of years
_ENOUGH_NOTES, _LONGEST_NAME = 3, 40  # of parameters that the page does not know; characters


@blueprint.route("/")
def page() -> Response:
    """The form, and the answer to what it asks."""
    if "foyer" in request.args:
        return foyer_page()
    question = _question()
    given = MultiDict(
        (name, text.strip()) for name, text in request.args.items(multi=True) if text.strip()
    )
    known = {each.name for each in question.parameters}
    unknown = [name for name in given if name not in known]
    asked = MultiDict((name, text) for name, text in given.items(multi=True) if name in known)
    form = {**_form(question, asked), "notes": _notes_of(unknown)}
    try:
        values = question.read(asked)
        region = _region(values, form["notes"])
        answer = _answer(values, region)
    except QueryError as fault:
        return _page(400, **form, fault=str(fault))
    return _page(200, **form, **answer)


@blueprint.route("/plates/<path:designation>")
def plate(designation: str) -> Response:
    """All that is known of one plate, for people."""
    try:
        record = archive().plate_record(designation)
    except QueryError as fault:
        return _answered(404, "plate.html", designation=designation, fault=str(fault))
    public = public_record(record)
    exposures = [facts_shown(each) for each in public["exposures"]]
    return _answered(
        200, "plate.html", designation=record["plate"]["plate"], record=public,
        glass=facts_shown(public["plate"]), exposures=exposures,
        api=f"/api/plates/{quote(record['plate']['plate'])}",
    )  # fmt: skip


@blueprint.errorhandler(ArchiveError)
def archive_gone(fault: ArchiveError) -> Response:
    """A page that says so; strangers need not know where the archive stood."""
    current_app.logger.error("%s", fault)
    response = make_response(render_template("gone.html"), 503)
    response.headers["Retry-After"] = RETRY_AFTER_S
    return response


def _question() -> Question:
    """What the page can be asked: place, radius, quantity of the map, and the filters."""
    rows = {each.name: each for each in service().questions["exposures"].parameters}
    drawn = {each.name: each for each in service().questions["map"].parameters}
    quantities = drawn["show"].words
    show = Parameter("show", "word", "what to map", words=quantities,
                     default="plates" if "plates" in quantities else quantities[0])  # fmt: skip
    place = Parameter("place", "text", "position or region", longest=rows["region"].longest)
    filters = [rows[each.name] for each in FILTERS if each.name in rows]
    return Question("page", "Plates of a place.", (place, rows["radius"], show, *filters))


def _notes_of(unknown: list[str]) -> list[str]:
    """What the page left aside, in words."""
    if not unknown:
        return []
    names = ", ".join(name[:_LONGEST_NAME] for name in unknown[:_ENOUGH_NOTES])
    more = " and more" if len(unknown) > _ENOUGH_NOTES else ""
    return [f"Not known here, and left aside: {names}{more}."]


def _region(values: Mapping[str, Any], notes: list[str]) -> Region:
    """Region of place and radius; a note of what a name was taken for, or of a useless radius."""
    region, named, takes_radius = region_of_place(values["place"], values["radius"])
    if named:
        notes.append(f"Taken for {named}.")
    if values["radius"] and not takes_radius:
        notes.append("The radius goes with a position, and was left aside.")
    return region


def _form(question: Question, asked: MultiDict[str, str]) -> dict[str, Any]:
    """Texts of the form's fields as they were given, and what may be chosen."""
    parameters = {each.name: each for each in question.parameters}
    fields = {name: ", ".join(asked.getlist(name)) for name in parameters}
    fields["show"] = fields["show"].lower() or str(parameters["show"].default)
    series = archive().edition.summary["observatory"]["series"]
    filters = [each.name for each in FILTERS if each.name in parameters]
    return {
        "fields": fields,
        "form_filters": [parameters[name] for name in FORM_FILTERS if name in parameters],
        "other_filters": [n for n in filters if n not in FORM_FILTERS and fields[n]],
        "conditions": [f"{name} {fields[name]}" for name in filters if fields[name]],
        "choices": {name: parameters[name].words for name in filters} | {"series": tuple(series)},
        "quantities": [(name, QUANTITIES[name].description) for name in parameters["show"].words],
    }


def _answer(values: dict[str, Any], region: Region) -> dict[str, Any]:
    """Map, years and plates of what is asked."""
    filters, is_public = filters_of(values), service().settings.is_public
    hits = archive().find(region, **filters)
    rows = plain_table(first_rows(ROWS_SHOWN, hits).slice())
    at_a_glance = region.kind == "all" and not filters
    shown = [] if at_a_glance else [row_shown(row) for row in rows.to_pylist()]
    answer: dict[str, Any] = {
        "region": region,
        "place_words": place_words(region),
        "at_a_glance": at_a_glance,
        "total": len(hits.numbers),
        "sure": int(hits.sure.sum()) if is_public("certainty") else None,
        "plates": len(np.unique(archive().edition.codes("plate")[hits.numbers])),
        "rows": shown,
        "more": len(hits.numbers) > ROWS_SHOWN,
        "columns": {name: head for name, head in COLUMNS.items() if any(name in r for r in shown)},
        "map_words": QUANTITIES[values["show"]].description,
        "outlined": region.kind not in ("all", "moc"),
        **_links(values, region, len(hits.numbers)),
    }
    if is_public("epoch") and is_public("t_min"):
        answer["undated"] = int(np.isnan(archive().edition.middle_mjd[hits.numbers]).sum())
        answer["epochs"], answer["bin"] = _epochs(region, filters)
        answer["epochs_link"] = _link("epochs", values, region=region.text, bin=answer["bin"])
    if at_a_glance and is_public("series"):
        answer["by_series"] = _by_series(hits)
    return answer


def _links(values: dict[str, Any], region: Region, count: int) -> dict[str, Any]:
    """Addresses of answers to the same question; maps know no certainty."""
    mapped = {**values, "certainty": None}
    outline = {} if region.kind in ("all", "moc") else {"outline": region.text}
    settings = service().settings
    whole = {} if count <= settings.default_maxrec else {"maxrec": settings.largest_maxrec}
    asked = {"region": region.text, **whole}
    return {
        "map_link": _link("map", mapped, show=values["show"], **outline),
        "map_fits": _link("map", mapped, show=values["show"], format="fits"),
        "moc_fits": _link("moc", mapped, format="fits"),
        "downloads": {
            words: _link("exposures", values, **asked, format=form)
            for form, words in _DOWNLOADS.items()
        },
        "request_text": site_root() + _path("exposures", values, **asked),
    }


def _link(path: str, values: Mapping[str, Any], **more: object) -> str:
    """Address under /api/ with the filters among some values."""
    return f"{public_root()}/{_path(path, values, **more)}"


def _path(path: str, values: Mapping[str, Any], **more: object) -> str:
    """The same from the service's own root on."""
    filters = {
        each.name: values[each.name] for each in FILTERS if values.get(each.name) is not None
    }
    return f"api/{path}?{urlencode({**more, **filters}, doseq=True)}"


def _epochs(region: Region, filters: dict[str, Any]) -> tuple[dict[str, Any], int]:
    """The histogram with the narrowest bins that still can be read, and their width."""
    answer = archive().epochs(region, _BIN_WIDTHS_YEARS[0], **filters)
    years = len(answer["bins"])
    width = next((each for each in _BIN_WIDTHS_YEARS if years / each <= _MOST_BINS), years)
    if width > 1:
        answer = archive().epochs(region, width, **filters)
    return answer, width


def _by_series(hits: Hits) -> list[dict[str, Any]]:
    """Telescopes, exposures and years of each series of the archive."""
    edition, is_public = archive().edition, service().settings.is_public
    codes, words = edition.codes("series")[hits.numbers], edition.words("series")
    middle = edition.middle_mjd[hits.numbers]
    listed = []
    for code, facts in edition.summary["observatory"]["series"].items():
        among = codes == words.index(code) if code in words else np.zeros(len(codes), np.bool_)
        dated = middle[among & ~np.isnan(middle)]
        years = year_of_mjd(np.array([dated.min(), dated.max()])).tolist() if len(dated) else None
        listed.append(
            {
                "code": code,
                "telescopes": facts["telescopes"] if is_public("telescope") else [],
                "exposures": int(among.sum()),
                "years": years if is_public("epoch") and is_public("t_min") else None,
            }
        )
    return listed


def _page(status: int, **values: Any) -> Response:
    counts = archive().edition.summary["counts"]
    whole = (
        f"{counts['exposures']:,} exposures on {counts['plates']:,} plates."
        " Name a place to see which of them show it."
    )
    return _answered(
        status, "page.html", **{"fault": None, "counts": counts, **values},
        facts=page_facts(), modules=MODULES, preloads=preloads(), whole_words=whole,
    )  # fmt: skip


def _answered(status: int, template: str, **values: Any) -> Response:
    """A page of the archive: its name and edition stand on each."""
    edition = archive().edition
    summary = edition.summary
    return make_response(
        render_template(
            template, name=summary["observatory"]["name"] or "Plate archive",
            edition=edition.number, built=summary["built"][:10], root=public_root(), **values,
        ),
        status,
    )  # fmt: skip
