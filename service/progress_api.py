"""How far the scanning has come, and who said what of which plate: /api/progress, /api/history."""

import io
import json
import threading

from flask import Blueprint, Response
from pyarrow import Table

from platecover.coverage.columns import HISTORY_COLUMNS
from platecover.coverage.plate_history import history_rows
from platecover.coverage.scan_progress import ScanProgress
from platecover.service.asking import answers_of_archive, archive, asked, provenance, service
from platecover.service.error_answers import API_PATH, error_answer
from platecover.service.history_formats import PROGRESS_FORMATS, history_as_csv
from platecover.service.negotiation import MEDIA_TYPES
from platecover.service.parameters import filters_of
from platecover.service.public_history import public_history

blueprint = Blueprint("progress_api", __name__, url_prefix=API_PATH)
answers_of_archive(blueprint)

_SVG_POLICY = "default-src 'none'; style-src 'unsafe-inline'"  # drawings carry their styles
_DRAWN = ("png", "svg")
_one_at_a_time = threading.Lock()  # plots are not safe between threads


@blueprint.route("/history")
def history() -> Response:
    """Who said what of which plate, when."""
    values = asked("history")
    rows = history_rows(archive().edition, values["plate"], values["since"], values.get("by"))
    found = public_history(rows.to_pylist(), service().settings)
    shown = found[: values["maxrec"]]
    if values["format"] == "csv":
        names = [column.name for column in HISTORY_COLUMNS]
        texts = {name: [row[name] for row in shown] for name in names}
        return _file(history_as_csv(Table.from_pydict(texts)), "history", "csv")
    query = {n: v for n, v in values.items() if v is not None and n != "format"}
    about = {"query": query, **provenance(), "count": len(shown)}
    body = {**about, "truncated": len(shown) < len(found), "history": shown}
    return _file((json.dumps(body, allow_nan=False) + "\n").encode(), "history", "json")


@blueprint.route("/progress")
def progress() -> Response:
    """How far the scanning has come, and when it will be done."""
    values = asked("progress")
    if not service().settings.is_public("scanned"):
        return error_answer(403, "this archive does not tell the public which plates are scanned")
    found = archive().scan_progress(values["by"], **filters_of(values))
    form = values["format"]
    if form not in _DRAWN:
        return _file(PROGRESS_FORMATS[form](found), "progress", form)
    response = _file(_drawn(found, form), "progress", form)
    if form == "svg":
        response.headers["Content-Security-Policy"] = _SVG_POLICY
    return response


def _drawn(found: ScanProgress, form: str) -> bytes:
    """A picture of it."""
    from platecover.coverage.progress_plots import plot_progress  # heavy, and wanted here alone

    edition, stream = archive().edition, io.BytesIO()
    name, built = edition.summary["observatory"]["name"], edition.summary["built"][:10]
    source = f"{name}, edition {edition.number} of {built}."
    with _one_at_a_time:
        plot_progress(found, f"Scanned plates by {found.by}", source, stream, form)
    return stream.getvalue()


def _file(body: bytes, name: str, form: str) -> Response:
    headers = {"Content-Disposition": f'inline; filename="platecover-{name}.{form}"'}
    return Response(body, content_type=MEDIA_TYPES[form], headers=headers)
