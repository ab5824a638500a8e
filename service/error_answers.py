"""Errors as answers: one JSON body under /api/, the protocols' own documents on /cone and /sia2.

Every JSON error is `{"error": {"status", "parameter", "value", "message"}}`; parameter and value
are null where the request as a whole is at fault.
"""

import json
import uuid
from contextlib import suppress

from flask import Flask, Response, current_app, request
from gunicorn.http.errors import ParseException
from werkzeug.exceptions import HTTPException, UnsupportedMediaType

from platecover.coverage.errors import ArchiveError, QueryError
from platecover.service.asking import service
from platecover.service.terminal_text import printable
from platecover.service.votable import MEDIA_TYPE, error_document

CONE_PATH = "/cone"
SIA_PATH = "/sia2"
API_PATH = "/api"

_LONGEST_VALUE, _LONGEST_MESSAGE = 100, 600  # characters shown
RETRY_AFTER_S = "5"
_PLAIN_TEXT = "text/plain; charset=utf-8"
_FAULTS = {500: "FatalFault", 503: "TransientFault"}  # of SIA, by HTTP status; else UsageFault
_TEXT_FORMS = ("csv", "ecsv", "json", "tsv", "text", "text/csv", "text/ecsv", "text/x-ecsv",
               "text/plain", "text/tab-separated-values", "application/json")  # fmt: skip
_ANY_MEDIA_TYPE = UnsupportedMediaType.description  # what is said where nothing else is
_GONE = "the archive cannot be read just now; try again in a little while"


def register_error_answers(app: Flask) -> None:
    """Answer every error of an application in the form that its path speaks."""
    app.register_error_handler(QueryError, _query_error)
    app.register_error_handler(ArchiveError, _archive_error)
    app.register_error_handler(HTTPException, _http_error)
    app.register_error_handler(ParseException, _unreadable_body)
    app.register_error_handler(Exception, _unforeseen_error)


def error_answer(
    status: int, message: str, parameter: str | None = None, value: object = None
) -> Response:
    """An error in the form that the path of the request speaks.

    Parameters
    ----------
    status : int
        Of HTTP.
    message : str
        What is wrong, and what would be right.
    parameter, value : str, object
        At fault; None for none.
    """
    shown = None if value is None else _shortened(_as_text(value), _LONGEST_VALUE)
    if shown is not None and shown != _as_text(value):
        message = message.replace(_as_text(value), shown)
    message = _shortened(message, _LONGEST_MESSAGE)
    if request.path in (CONE_PATH, CONE_PATH + "/"):
        return Response(error_document(message), status, content_type=MEDIA_TYPE)
    if request.path == SIA_PATH or request.path.startswith(SIA_PATH + "/"):
        return _sia_error(status, message)
    if request.path == API_PATH or request.path.startswith(API_PATH + "/"):
        if parameter is not None:
            parameter = _shortened(parameter, _LONGEST_VALUE)
        error = {"status": status, "parameter": parameter, "value": shown, "message": message}
        return Response(
            json.dumps({"error": error}) + "\n", status, content_type="application/json"
        )
    return Response(f"{message}\n", status, content_type=_PLAIN_TEXT)


def _sia_error(status: int, message: str) -> Response:
    """The document of SIA 2.0, section 3.2; plain text where the answer was to be text."""
    fault = _FAULTS.get(status, "UsageFault")
    if _is_text_wanted():
        return Response(f"{fault}: {message}\n", status, content_type=_PLAIN_TEXT)
    return Response(error_document(f"{fault}: {message}"), status, content_type=MEDIA_TYPE)


def _is_text_wanted() -> bool:
    """Whether RESPONSEFORMAT names a form of text, VOTable apart."""
    with suppress(HTTPException, ParseException):  # a form that cannot be read tells nothing
        for name in request.values:
            if (name or "").upper() == "RESPONSEFORMAT":
                return request.values[name].strip().lower().partition(";")[0] in _TEXT_FORMS
    return False


def _query_error(fault: QueryError) -> Response:
    """A question that cannot be answered as put: 400, but 200 where Cone Search wants that."""
    wants_200 = request.path == CONE_PATH and not service().settings.cone_errors_are_http_400
    return error_answer(200 if wants_200 else 400, str(fault), fault.parameter, fault.value)


def _archive_error(fault: ArchiveError) -> Response:
    """An archive that is gone or damaged: strangers need not know where it stood."""
    current_app.logger.error("%s", fault)
    response = error_answer(503, _GONE)
    response.headers["Retry-After"] = RETRY_AFTER_S
    return response


def _http_error(fault: HTTPException) -> Response:
    """What Flask itself refuses: unknown paths, wrong methods, bodies too large."""
    original = fault.get_response()
    status = fault.code or original.status_code
    if status < 400:
        return Response(original.get_data(), status, headers=dict(original.headers))
    response = error_answer(status, _http_message(status, fault))
    if "Allow" in original.headers:
        response.headers["Allow"] = original.headers["Allow"]
    return response


def _unreadable_body(fault: ParseException) -> Response:
    """A body in chunks that are none; gunicorn notices when it is read."""
    return error_answer(400, f"the body of the request cannot be read: {printable(str(fault))}")


def _http_message(status: int, fault: HTTPException) -> str:
    """A sentence that says what would be right."""
    if status == 404:
        rules = [rule for rule in current_app.url_map.iter_rules() if not rule.defaults]
        known = sorted({rule.rule.replace("<path:", "<") for rule in rules})
        return f"there is nothing at this path; known: {', '.join(known)}"
    if status == 405:
        return f"{request.method} is not answered here; use {', '.join(_allowed(fault))}"
    if status == 413:
        limit = request.max_content_length
        return f"the body of the request is too large: at most {limit} bytes and 1000 parts"
    if status == 415:
        if isinstance(fault, UnsupportedMediaType) and fault.description != _ANY_MEDIA_TYPE:
            return fault.description or ""
        return "the body of a POST must be a form: application/x-www-form-urlencoded"
    return fault.description or fault.name


def _allowed(fault: HTTPException) -> list[str]:
    return sorted(getattr(fault, "valid_methods", None) or [])


def _unforeseen_error(fault: Exception) -> Response:
    """A mistake of ours: logged under a number, told without its inside."""
    number = uuid.uuid4().hex
    current_app.logger.error(
        "request %s: %s %s", number, request.method, request.path, exc_info=fault
    )
    return error_answer(500, f"something went wrong in the server; it is logged under {number}")


def _as_text(value: object) -> str:
    return ", ".join(map(str, value)) if isinstance(value, (list, tuple)) else str(value)


def _shortened(text: str, longest: int) -> str:
    return text if len(text) <= longest else text[: longest - 4] + " ..."
