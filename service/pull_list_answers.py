"""Pull lists over HTTP; nothing is changed by asking for one."""

import json

from flask import Blueprint, Response

from platecover.coverage.errors import QueryError
from platecover.coverage.pull_list import PullList
from platecover.service.asking import (
    answers_of_archive,
    archive,
    asked,
    provenance,
    service,
)
from platecover.service.error_answers import error_answer
from platecover.service.manners import public_root
from platecover.service.parameters import filters_of
from platecover.service.planned import planned, plans_are_public, refuse_many
from platecover.service.pull_list_formats import (
    labels_pdf,
    pull_list_csv,
    pull_list_facts,
    pull_list_html,
    pull_list_pdf,
)

blueprint = Blueprint("pull_list", __name__, url_prefix="/api")
answers_of_archive(blueprint)

_MEDIA_TYPES = {
    "json": "application/json", "csv": "text/csv; charset=utf-8; header=present",
    "html": "text/html; charset=utf-8", "pdf": "application/pdf", "labels": "application/pdf",
}  # fmt: skip


@blueprint.route("/pull-list")
def pull_list() -> Response:
    """A pull list of a plan, or of plates by name."""
    values, settings = asked("pull-list"), service().settings
    if not plans_are_public():
        return error_answer(403, "this archive does not tell the public where its plates stand")
    pulled = _pulled(values, settings.most_planned_plates)
    about = provenance()
    source = f"{str(about['citation']).rstrip('.')}."
    form = values["format"]
    if form == "json":
        content = (json.dumps(pull_list_facts(pulled), ensure_ascii=False) + "\n").encode()
    elif form == "csv":
        content = pull_list_csv(pulled)
    elif form == "html":
        style_link = f"{public_root()}/static/pull_list.css"
        content = pull_list_html(pulled, source, style_link=style_link)
    else:
        content = (labels_pdf if form == "labels" else pull_list_pdf)(pulled, source)
    response = Response(content, content_type=_MEDIA_TYPES[form])
    ending = "pdf" if form == "labels" else form
    if ending in ("csv", "pdf"):
        name = f"platecover-{'labels' if form == 'labels' else 'pull-list'}.{ending}"
        response.headers["Content-Disposition"] = f'inline; filename="{name}"'
    return response


def _pulled(values: dict[str, object], most: int) -> PullList:
    budget, plates, filters = values["budget"], values["plates"], filters_of(values)
    if (budget is None) == (plates is None):
        message = "ask either with budget, such as 80 plates, or with plates"
        raise QueryError("budget", budget, message, usage=True)
    carry_kg = float(str(values["carry_kg"]))
    if plates is not None:
        names = [name for name in str(plates).split(",") if name.strip()]
        if filters:
            message = "filters go with budget; plates are taken as they are named"
            raise QueryError(next(iter(filters)), "", message, usage=True)
        refuse_many("plates", len(names), most)
        return archive().pull_list(names, carry_kg)
    return archive().pull_list(planned(str(budget), filters), carry_kg)
