"""The description of the service for programs: OpenAPI 3.1 (OpenAPI Initiative, 2021).

It is made of the declarations that validate the questions, so that it cannot say otherwise.
"""

import json
import math
from functools import cache
from importlib.metadata import version
from typing import Any
from urllib.parse import parse_qsl

from platecover.service.answer_schemas import answer_schemas
from platecover.service.asking import (
    CITATION_HEADER,
    EDITION_DATE_HEADER,
    EDITION_HEADER,
    TRUNCATED_HEADER,
    Service,
)
from platecover.service.endpoints import FORMS, JSON, SOME_TARGETS, TEXT, Endpoint, endpoints
from platecover.service.parameters import Parameter

Object = dict[str, Any]

_STATUSES = {
    200: "What was asked for.",
    304: "The answer has not changed since the one whose ETag If-None-Match named.",
    400: "A parameter is missing, unknown, given twice, or cannot be so; the answer names it.",
    403: "The archive does not tell this to the public.",
    404: "There is no such plate.",
    413: "The body is too large.",
    414: "The address is too long; send its parameters as a form. The answer is plain text.",
    415: "The body is of a kind that is not read here.",
    503: "The archive cannot be read just now; Retry-After says when to ask again.",
}
_OF_A_BODY = (413, 415)
_BEFORE_WE_ARE_ASKED = 414  # told by the server in plain text, whatever the path
_PLATE = "name of a plate as any log may spell it"
_HEADERS = {
    EDITION_HEADER: "number of the edition that answered",
    EDITION_DATE_HEADER: "when that edition was built, ISO 8601, UTC",
    CITATION_HEADER: "how to cite the archive: a Display String of RFC 9651",
    "ETag": "the same for two requests exactly if their answers are",
    "Link": "this description and the page of it (RFC 8631)",
}
_MORE_HEADERS = {
    TRUNCATED_HEADER: "yes where there are more rows than were asked for or may be, else no",
    "Retry-After": "seconds after which to ask again",
}


def description(service: Service, name: str, plate: str) -> Object:
    """The whole document.

    Parameters
    ----------
    service : Service
        Whose questions are described.
    name : str
        Of the observatory.
    plate : str
        A plate that there is, for the examples.
    """
    public_url = service.settings.public_url
    return {
        "openapi": "3.1.0",
        "info": {
            "title": f"Photographic plates of {name}" if name else "Photographic plates",
            "version": version("platecover"),
            "description": "Which plates of the archive show a place, when and how surely. Angles"
            " are degrees, ICRS; times UT. HEAD is answered wherever GET is; a POST takes the same"
            " parameters as a form.",
        },
        **({"servers": [{"url": public_url.rstrip("/")}]} if public_url else {}),
        "paths": {
            each.path: _path_item(each, service, plate) for each in endpoints(service.settings)
        },
        "components": {
            "schemas": answer_schemas(service.settings),
            "headers": {
                key: {"description": text, "schema": {"type": "string"}}
                for key, text in (_HEADERS | _MORE_HEADERS).items()
            },
        },
    }


def _path_item(endpoint: Endpoint, service: Service, plate: str) -> Object:
    question = service.questions[endpoint.question] if endpoint.question else None
    parameters = question.parameters if question else ()
    meaning = question.meaning if question else endpoint.meaning
    shared = {"summary": meaning, "description": endpoint.notes or meaning}
    item: Object = {}
    if "{designation}" in endpoint.path:
        item["parameters"] = [{
            "name": "designation", "in": "path", "required": True, "description": _PLATE,
            "schema": {"type": "string", "minLength": 1}, "example": plate,
        }]  # fmt: skip
    example = _example(endpoint.running(question)[0], parameters)
    for method in endpoint.methods:
        operation: Object = {**shared, "operationId": _operation_id(method, endpoint)}
        if method == "GET" or endpoint.field:
            operation["parameters"] = [_parameter(each, example) for each in parameters]
        if method == "POST":
            operation["requestBody"] = _body(endpoint, parameters, example)
        statuses = (200, *endpoint.statuses, _BEFORE_WE_ARE_ASKED,
                    *(_OF_A_BODY if method == "POST" else ()))  # fmt: skip
        operation["responses"] = {
            str(status): _response(status, endpoint)
            for status in sorted(statuses)
            if not (status == 304 and method == "POST")
        }
        item[method.lower()] = operation
    return item


def _operation_id(method: str, endpoint: Endpoint) -> str:
    return f"{method.lower()}{endpoint.path.replace('{designation}', 'one')}".replace("/", "_")


def _example(query: str, parameters: tuple[Parameter, ...]) -> Object:
    """Values of an example by parameter name; together they run on any archive."""
    kinds = {each.name: each for each in parameters}
    found: Object = {}
    for name, text in parse_qsl(query):
        value = json.loads(text) if kinds[name].kind in ("number", "integer") else text
        found[name] = value if kinds[name].single else [value]
    return found


def _parameter(parameter: Parameter, example: Object) -> Object:
    """A parameter of a query string."""
    told: Object = {
        "name": parameter.name, "in": "query", "required": parameter.required,
        "description": meaning_of(parameter), "schema": _schema(parameter),
    }  # fmt: skip
    if not parameter.single:
        told |= {"style": "form", "explode": True}
    if parameter.name in example:
        told["example"] = example[parameter.name]
    return told


def _body(endpoint: Endpoint, parameters: tuple[Parameter, ...], example: Object) -> Object:
    """The same parameters as fields of a form, or a table."""
    properties = {
        each.name: {**_schema(each), "description": meaning_of(each)} for each in parameters
    }
    required = [each.name for each in parameters if each.required]
    if endpoint.field:
        properties[endpoint.field] = {"type": "string", "description": "the table, as text"}
        required.append(endpoint.field)
        example = {**example, endpoint.field: SOME_TARGETS}
    form = {"schema": {"type": "object", "properties": properties, "required": required},
            "example": example}  # fmt: skip
    return {
        "required": bool(required),
        "content": {kind: form if kind in FORMS else {} for kind in endpoint.bodies},
    }


def meaning_of(parameter: Parameter) -> str:
    """What a parameter means, with its words where they are not all there is to say."""
    meaning = parameter.meaning
    if parameter.kind == "text" and parameter.words:
        meaning = f"{meaning}: {', '.join(parameter.words)}"
    return meaning[0].upper() + meaning[1:]


def _schema(parameter: Parameter) -> Object:
    one: Object = {"type": {"number": "number", "integer": "integer"}.get(parameter.kind, "string")}
    if parameter.kind == "word":
        one["enum"] = list(parameter.words)
    elif parameter.kind == "text":
        one |= {"minLength": 1, "maxLength": parameter.longest}
    if math.isfinite(parameter.low):
        one["minimum"] = parameter.low
    if math.isfinite(parameter.high):
        one["maximum"] = parameter.high
    if not parameter.single:
        return {"type": "array", "items": one}
    if parameter.default is not None:
        one["default"] = parameter.default
    return one


def _response(status: int, endpoint: Endpoint) -> Object:
    told: Object = {"description": _STATUSES[status]}
    if status == 304:
        return told
    if status == 200:
        names = (*_HEADERS, *((TRUNCATED_HEADER,) if endpoint.has_rows else ()))
        told["headers"] = _headers(*names)
        told["content"] = {kind: _content(kind, endpoint.schema) for kind in endpoint.answers}
    elif status == _BEFORE_WE_ARE_ASKED:
        told["content"] = {TEXT: {}}
    else:
        if status == 503:
            told["headers"] = _headers("Retry-After")
        told["content"] = {endpoint.errors: _content(endpoint.errors, "Error")}
    return told


def _headers(*names: str) -> Object:
    return {name: {"$ref": f"#/components/headers/{name}"} for name in names}


@cache
def _content(kind: str, schema: str) -> Object:
    if kind == JSON and schema:
        return {"schema": {"$ref": f"#/components/schemas/{schema}"}}
    return {}
