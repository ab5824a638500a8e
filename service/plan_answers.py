"""Plans of what to scan next: `/api/plan`, and the planner's page at `/scanning`."""

import io
from typing import Any
from urllib.parse import urlencode

from flask import Blueprint, Response, make_response, render_template, request
from werkzeug.datastructures import MultiDict

from platecover.coverage.errors import QueryError
from platecover.coverage.filter_table import FILTERS
from platecover.coverage.scan_areas import areas_gaining_most
from platecover.coverage.scan_plan import ScanPlan
from platecover.service.asking import answers_of_archive, archive, asked, provenance, service
from platecover.service.drawing_lock import one_at_a_time
from platecover.service.error_answers import error_answer
from platecover.service.manners import public_root
from platecover.service.parameters import filters_of
from platecover.service.plan_formats import plan_as_csv, plan_as_json, plan_in_sentences
from platecover.service.planned import planned, plans_are_public

blueprint = Blueprint("plan", __name__, url_prefix="/api")
answers_of_archive(blueprint)
page_blueprint = Blueprint("page_scanning", __name__, template_folder="templates")
answers_of_archive(page_blueprint)

_SECRET = "this archive does not tell the public where its plates stand"
_SVG_POLICY = "default-src 'none'; style-src 'unsafe-inline'"  # drawings carry their styles
_MEDIA_TYPES = {
    "json": "application/json", "csv": "text/csv; charset=utf-8; header=present",
    "png": "image/png", "svg": "image/svg+xml",
}  # fmt: skip
_USUAL_BUDGET = "100 plates"
_OFFERED = ("series", "station", "from", "to", "min_exposure", "technique")  # filters of the form
_LISTED = 100  # plates on the page; all are in the files
_PERCENT = 100.0


@blueprint.route("/plan")
def plan() -> Response:
    """A plan in the form that was asked for."""
    values = asked("plan")
    if not plans_are_public():
        return error_answer(403, _SECRET)
    found = planned(values["budget"], filters_of(values))
    form = values["format"]
    if form == "json":
        content = plan_as_json(found)
    elif form == "csv":
        content = plan_as_csv(found)
    else:
        content = _drawn(found, form, values["drawing"])
    response = Response(content, content_type=_MEDIA_TYPES[form])
    if form == "csv":
        response.headers["Content-Disposition"] = 'inline; filename="platecover-plan.csv"'
    elif form == "svg":
        response.headers["Content-Security-Policy"] = _SVG_POLICY
    return response


def _drawn(found: ScanPlan, form: str, drawing: str) -> bytes:
    """What a plan gains, or the scanned sky before and after it, as a picture."""
    source, stream = f"{str(provenance()['citation']).rstrip('.')}.", io.BytesIO()
    count = len(found.plates)
    with one_at_a_time:
        if drawing == "gain":
            from platecover.coverage.scan_plots import draw_plan  # heavy, and wanted here alone

            title = f"What to scan next: {count} plates for {found.budget.text}"
            draw_plan(found, title, source, stream, form)
        else:
            from platecover.coverage.scan_map_plots import draw_scanned_maps  # as above

            before, after = archive().scanned_maps(found)
            title = f"The scanned sky before and after {count} plates"
            draw_scanned_maps(before, after, title, source, stream, form)
    return stream.getvalue()


@page_blueprint.route("/scanning")
def scanning() -> Response:
    """The planner's page."""
    given = MultiDict((name, text.strip()) for name, text in request.args.items(multi=True)
                      if text.strip())  # fmt: skip
    if not plans_are_public():
        return _page(403, fault=_SECRET[0].upper() + _SECRET[1:] + ".", fields={}, choices=[])
    known = {each.name: each for each in service().questions["plan"].parameters}
    fields = {name: ", ".join(given.getlist(name)) for name in known}
    fields["budget"] = fields["budget"] or _USUAL_BUDGET
    about = {"fields": fields, "choices": _choices(known)}
    try:
        asked_for = MultiDict((n, t) for n, t in given.items(multi=True) if n in known)
        asked_for.setlist("budget", [fields["budget"]])
        values = service().questions["plan"].read(asked_for)
        filters = filters_of(values)
        found = planned(values["budget"], filters)
    except QueryError as fault:
        return _page(400, fault=str(fault), **about)
    return _page(200, fault=None, **about, **_answer(found, values, filters))


def _choices(known: dict[str, Any]) -> list[tuple[str, str, tuple[str, ...]]]:
    """Filters of the form: name, meaning, words to choose from."""
    series = tuple(archive().edition.summary["observatory"]["series"])
    stations = tuple(archive().edition.summary["known"]["station"])
    words = {"series": series, "station": stations}
    return [
        (name, known[name].meaning, words.get(name, known[name].words))
        for name in _OFFERED
        if name in known
    ]


def _answer(found: ScanPlan, values: dict[str, Any], filters: dict[str, Any]) -> dict[str, Any]:
    """A plan as the page tells it."""
    query = {each.name: values[each.name] for each in FILTERS if values.get(each.name) is not None}
    asked_again = {"budget": values["budget"], **query}

    def link(path: str, **more: str) -> str:
        return f"{public_root()}/api/{path}?{urlencode({**asked_again, **more}, doseq=True)}"

    rows = found.plates.slice(0, _LISTED).to_pylist()
    areas = [
        {**each, "percent": f"{_PERCENT * each['share']:.1f}"} for each in areas_gaining_most(found)
    ]
    return {
        "plan": found, "sentences": plan_in_sentences(found), "rows": rows, "areas": areas,
        "more": len(found.plates) > _LISTED, "curve": link("plan", format="png"),
        "curve_large": link("plan", format="svg"), "as_csv": link("plan", format="csv"),
        "as_json": link("plan"), "list_html": link("pull-list", format="html"),
        "list_pdf": link("pull-list", format="pdf"), "list_csv": link("pull-list", format="csv"),
        "labels": link("pull-list", format="labels"),
        "maps": link("plan", format="png", drawing="maps"),
        "progress": f"{public_root()}/api/progress?by=series&format=png",
    }  # fmt: skip


def _page(status: int, **values: Any) -> Response:
    edition = archive().edition
    summary = edition.summary
    return make_response(
        render_template(
            "planner.html", name=summary["observatory"]["name"] or "Plate archive",
            edition=edition.number, built=summary["built"][:10], root=public_root(), **values,
        ),
        status,
    )  # fmt: skip
