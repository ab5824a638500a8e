"""A list of targets sent to /api/targets, and the exposures that show each of them.

The list is the body itself, a file of a form, or the text of a form's field; the answer is sent
while it is found, so that neither takes memory that grows with it.
"""

from flask import Blueprint, Response, request
from werkzeug.datastructures import MultiDict
from werkzeug.exceptions import UnsupportedMediaType

from platecover.coverage.errors import QueryError
from platecover.coverage.target_list import read_targets
from platecover.coverage.target_search import TargetSearch
from platecover.service.asking import answers_of_archive, archive, service
from platecover.service.error_answers import API_PATH
from platecover.service.parameters import filters_of
from platecover.service.target_formats import PAIR_FORMATS, PairRows
from platecover.service.target_parameters import FIELD, TABLE_TYPES

blueprint = Blueprint("targets", __name__, url_prefix=API_PATH)
answers_of_archive(blueprint)

_FORM_TYPES = ("application/x-www-form-urlencoded", "multipart/form-data")
_MEDIA_TYPES = {
    "csv": "text/csv; charset=utf-8; header=present",
    "parquet": "application/vnd.apache.parquet",
}


@blueprint.route("/targets", methods=["POST"])
def targets() -> Response:
    """Pairs of targets and exposures."""
    settings = service().settings
    content, given = _sent(settings.largest_targets_bytes)
    values = service().questions["targets"].read(given)
    search = TargetSearch(archive().edition, filters_of(values))
    listed = read_targets(
        content,
        values["radius"],
        largest_radius_deg=settings.largest_radius_deg,
        most_targets=settings.most_targets,
    )
    public = service().public_names
    rows = PairRows(archive().edition, search, listed, public, values["maxrec"])
    form = values["format"]
    response = Response(PAIR_FORMATS[form](rows), content_type=_MEDIA_TYPES[form])
    response.headers["Content-Disposition"] = f'inline; filename="platecover-targets.{form}"'
    return response


def _sent(largest_bytes: int) -> tuple[bytes, MultiDict[str, str]]:
    """The list of targets, and the parameters given beside it.

    Raises
    ------
    RequestEntityTooLarge
        If the body is too long; it is not read to its end.
    UnsupportedMediaType
        If the body is neither a table nor a form.
    QueryError
        If there is no list, or more than one.
    """
    request.max_content_length = request.max_form_memory_size = largest_bytes
    given: MultiDict[str, str] = MultiDict(request.args)
    if FIELD in given:
        raise _misplaced(given[FIELD])
    if request.mimetype in TABLE_TYPES:
        return _whole_body(), given
    if request.mimetype not in _FORM_TYPES:
        raise UnsupportedMediaType(
            f"the Content-Type of a list of targets must be one of {', '.join(TABLE_TYPES)},"
            " or of a form with the list in the field 'targets'"
        )
    _whole_body()  # what a form is read from, then
    tables = [text.encode(errors="replace") for text in request.form.getlist(FIELD)]
    for field, file in request.files.items(multi=True):
        if field != FIELD:
            message = f"the list of targets belongs in the field {FIELD!r} of the form"
            raise QueryError(field[:60], file.filename, f"{message}, not in {field[:60]!r}")
        tables.append(file.read())
    given.update({
        name: values for name, values in request.form.to_dict(flat=False).items() if name != FIELD
    })  # fmt: skip
    if len(tables) != 1:
        raise QueryError(
            FIELD, None,
            f"send one list of targets, got {len(tables)}: as the body, with its Content-Type"
            f" (text/csv, ...), or in the field {FIELD!r} of a form", usage=True,
        )  # fmt: skip
    return tables[0], given


def _whole_body() -> bytes:
    """The body, which stays at hand; gunicorn lets one that was cut off pass for whole."""
    body = request.get_data()
    if request.content_length is not None and len(body) < request.content_length:
        raise QueryError(
            FIELD, None, f"only {len(body)} of {request.content_length} bytes came; send it again"
        )
    return body


def _misplaced(value: str) -> QueryError:
    message = "the list of targets belongs in the body of a POST, not in the address"
    return QueryError(FIELD, value, message, usage=True)
