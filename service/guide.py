"""How to ask the service, for programs (OpenAPI) and for people (a page with examples that run)."""

import json
import math
import shlex
from typing import Any
from urllib.parse import quote

from flask import Blueprint, Response, make_response, render_template, request

from platecover.service.asking import answers_of_archive, archive, service, site_root
from platecover.service.endpoints import JSON, SOME_TARGETS, Endpoint, endpoints
from platecover.service.manners import DESCRIPTION_PATH, GUIDE_PATH
from platecover.service.openapi import description
from platecover.service.parameters import Parameter, Question

blueprint = Blueprint("guide", __name__, template_folder="templates")
answers_of_archive(blueprint)

_NO_LETTERS = str.maketrans("/", "-", "{}")  # in names of places on a page
_NOTHING = Question("the description", "What can be asked.", ())


@blueprint.route(DESCRIPTION_PATH)
def for_programs() -> Response:
    """The OpenAPI document."""
    _NOTHING.read(request.args)
    document = description(service(), _observatory(), _some_plate())
    return Response(json.dumps(document) + "\n", content_type=JSON)


@blueprint.route(GUIDE_PATH)
def for_people() -> Response:
    """The same as a page."""
    edition = archive().edition
    page = render_template(
        "guide.html", name=_observatory() or "Plate archive", edition=edition.number,
        built=edition.summary["built"][:10], description_path=DESCRIPTION_PATH,
        endpoints=[_told(each) for each in endpoints(service().settings)],
    )  # fmt: skip
    return make_response(page)


def _observatory() -> str:
    return str(archive().edition.summary["observatory"]["name"])


def _some_plate() -> str:
    """A plate that there is."""
    return str(archive().edition.plates.column("plate")[0].as_py())


def _told(endpoint: Endpoint) -> dict[str, Any]:
    """An endpoint as the page shows it."""
    question = service().questions[endpoint.question] if endpoint.question else None
    addresses = endpoint.addresses({"designation": quote(_some_plate())}, question)
    whole = site_root().rstrip("/") + addresses[0]
    return {
        "path": endpoint.path,
        "anchor": endpoint.path.strip("/").translate(_NO_LETTERS),
        "methods": " and ".join(endpoint.methods),
        "meaning": question.meaning if question else endpoint.meaning,
        "notes": endpoint.notes,
        "answers": endpoint.answers,
        "parameters": [_row(each) for each in question.parameters] if question else [],
        "links": addresses if "GET" in endpoint.methods else [],
        "curl": _curl(endpoint, whole),
        "python": _python(endpoint, whole),
    }


def _row(parameter: Parameter) -> dict[str, str]:
    """A parameter as a row of the page's table."""
    default = "needed" if parameter.required else parameter.default
    return {
        "name": parameter.name,
        "meaning": parameter.meaning[0].upper() + parameter.meaning[1:],
        "allowed": _allowed(parameter) + ("" if parameter.single else "; or several"),
        "default": f"{default:,}" if isinstance(default, int) else str(default or ""),
    }


def _allowed(parameter: Parameter) -> str:
    """The values a parameter may have, in words."""
    if parameter.words:
        return ", ".join(parameter.words)
    said = {"number": "number", "integer": "whole number"}.get(parameter.kind, "text")
    low, high = (_plain(limit) for limit in (parameter.low, parameter.high))
    if math.isfinite(parameter.high):
        return f"{said}, {low} to {high}"
    return f"{said} from {low}" if math.isfinite(parameter.low) else said


def _plain(limit: float) -> str:
    return f"{limit:,.0f}" if float(limit).is_integer() else f"{limit:g}"


def _curl(endpoint: Endpoint, address: str) -> str:
    if endpoint.field:
        listed = SOME_TARGETS.encode("unicode_escape").decode()
        sent = "curl --data-binary @- -H 'Content-Type: text/csv'"
        return f"printf '{listed}' | {sent} {shlex.quote(address)}"
    return f"curl {shlex.quote(address)}"


def _python(endpoint: Endpoint, address: str) -> str:
    if endpoint.field:
        request = f"{address!r}, {SOME_TARGETS.encode()!r}, {{'Content-Type': 'text/csv'}}"
        return f"import urllib.request as r; print(r.urlopen(r.Request({request})).read().decode())"
    return f"import urllib.request as r; print(r.urlopen({address!r}).read()[:500])"
