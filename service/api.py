"""Questions and answers for programs: everything under /api/.

Each answer is the Python API's own, written in the form that was asked for; the edition that
gave it is named in a header.
"""

import io
import json
from typing import Any

import numpy as np
from flask import Blueprint, Response
from numpy.typing import NDArray

from platecover.coverage.errors import QueryError
from platecover.coverage.filter_table import FILTERS
from platecover.coverage.map_files import map_fits
from platecover.coverage.map_quantities import QUANTITIES
from platecover.coverage.moc_files import AnyMoc, moc_bytes
from platecover.coverage.regions import Region
from platecover.service.asking import (
    UNDATED_HEADER,
    answers_of_archive,
    archive,
    asked,
    provenance,
    rows_up_to,
    service,
)
from platecover.service.drawing_lock import one_at_a_time
from platecover.service.error_answers import API_PATH, error_answer
from platecover.service.formats import EPOCH_FORMATS
from platecover.service.moc_parameters import SPACE, TIME, usual_order
from platecover.service.negotiation import MEDIA_TYPES, api_form, row_answer
from platecover.service.parameters import filters_of, region_of
from platecover.service.public_history import public_history
from platecover.service.questions import EPOCH_FORMS, ROW_FORMS

blueprint = Blueprint("api", __name__, url_prefix=API_PATH)
answers_of_archive(blueprint)

_MEDIA_TYPES = MEDIA_TYPES | {"text": "text/plain; charset=utf-8", "fits": "application/fits"}
_ENDINGS = {"text": "txt"}  # of file names, where not the form's own name
_MOC_ENDINGS = {"json": ".json", "text": ".txt", "fits": ".fits"}
_SVG_POLICY = "default-src 'none'; style-src 'unsafe-inline'"  # drawings carry their styles
_METHODS = ["GET", "POST"]  # POST is for forms too long for an address


@blueprint.route("/exposures", methods=_METHODS)
def exposures() -> Response:
    """Exposures that show a region."""
    values = asked("exposures")
    region, filters = _region(values), filters_of(values)
    rows, truncated = rows_up_to(values["maxrec"], region, filters)
    about = {
        "query": {**_query(values, region), "maxrec": values["maxrec"]},
        **provenance(),
        "truncated": truncated,
    }
    return row_answer(api_form(values["format"], ROW_FORMS), rows, about, "exposures")


@blueprint.route("/epochs", methods=_METHODS)
def epochs() -> Response:
    """Histogram of the epochs at which a region was photographed."""
    values = asked("epochs")
    if not service().settings.is_public("epoch"):
        return error_answer(403, "this archive does not tell the public when plates were taken")
    region = _region(values)
    answer = archive().epochs(region, values["bin"], **filters_of(values))
    if not service().settings.is_public("series"):
        for each in answer["bins"]:
            each["series"] = {}
    form = values["format"] = api_form(values["format"], EPOCH_FORMS).word
    if form in EPOCH_FORMATS:
        return _file(EPOCH_FORMATS[form](answer), "epochs", form)
    response = _file(_drawn_epochs(answer, region, values), "epochs", form)
    if form == "svg":
        response.headers["Content-Security-Policy"] = _SVG_POLICY
    return response


@blueprint.route("/map", methods=_METHODS)
def sky_map() -> Response:
    """Map of a quantity over the whole sky."""
    values = asked("map")
    quantity, order, form = values["show"], values["order"], values["format"]
    outline = _outline(values["outline"])
    with one_at_a_time:
        cells = archive().sky_map(quantity, order, **filters_of(values))
        if form == "json":
            body = _map_json(cells, quantity, order)
        elif form == "fits":
            body = map_fits(cells, quantity, _selection_text(values), _source())
        else:
            body = _drawn(cells, values, outline)
    response = _file(body, f"map-{quantity}", form)
    if form == "svg":
        response.headers["Content-Security-Policy"] = _SVG_POLICY
    return response


@blueprint.route("/moc", methods=_METHODS)
def moc() -> Response:
    """The sky, the times or both that a selection covers."""
    values = asked("moc")
    form, filters = values["format"], filters_of(values)
    undated = 0 if values["dimension"] == SPACE else archive().undated_count(**filters)
    keywords = {"UNDATED": (undated, "exposures without a time, left out")} if undated else {}
    with one_at_a_time:
        covered = _moc(values, filters)
        body = moc_bytes(covered, _MOC_ENDINGS[form], **keywords)
    response = _file(body, "coverage", form)
    if values["dimension"] != SPACE:
        response.headers[UNDATED_HEADER] = str(undated)
    return response


def _moc(values: dict[str, Any], filters: dict[str, Any]) -> AnyMoc:
    dimension, order, time_order = values["dimension"], values["order"], values.get("time_order")
    if dimension == SPACE:
        if time_order is not None:
            message = "time_order goes with dimension=time or space-time; a MOC of space has none"
            raise QueryError("time_order", time_order, message, usage=True)
        usual = usual_order(service().settings)
        return archive().moc(usual if order is None else order, **filters)
    if dimension == TIME:
        return archive().time_moc(time_order, **filters)
    return archive().space_time_moc(order, time_order, **filters)


@blueprint.route("/plates/", defaults={"designation": ""})
@blueprint.route("/plates/<path:designation>")
def plate(designation: str) -> Response:
    """All that is known of one plate, named as any log may write it."""
    asked("plates")
    try:
        record = archive().plate_record(designation)
    except QueryError as fault:
        return error_answer(404, str(fault), "designation", designation)
    body = json.dumps(public_record(record), allow_nan=False) + "\n"
    return _file(body.encode(), "plate", "json")


def parsed_region(text: str) -> Region:
    """Region of a text, under the limits of the settings."""
    return _region({"region": text, "ra": None, "dec": None, "radius": None})


def _region(values: dict[str, Any]) -> Region:
    settings = service().settings
    return region_of(
        values,
        most_corners=settings.most_polygon_corners,
        longest_text=settings.longest_region_text,
        largest_radius_deg=settings.largest_radius_deg,
    )


def _outline(text: str | None) -> Region | None:
    """Region to be outlined; its faults are those of the parameter `outline`."""
    try:
        return None if text is None else parsed_region(text)
    except QueryError as fault:
        raise QueryError("outline", text, f"outline: {fault}", usage=fault.usage) from None


def _query(values: dict[str, Any], region: Region) -> dict[str, Any]:
    """The question as it was understood, by parameter name."""
    given = {each.name: values[each.name] for each in FILTERS if values.get(each.name) is not None}
    return {"region": region.text, **given}


def _file(body: bytes, name: str, form: str) -> Response:
    """An answer in a form, with a name under which it can be saved."""
    headers = {"Content-Disposition": _disposition(name, form)}
    return Response(body, content_type=_MEDIA_TYPES[form], headers=headers)


def _disposition(name: str, form: str) -> str:
    return f'inline; filename="platecover-{name}.{_ENDINGS.get(form, form)}"'


def _map_json(cells: NDArray[np.float64], quantity: str, order: int) -> bytes:
    """JSON of a map; whole numbers where all are, null where nothing is."""
    nothing = np.isnan(cells)
    whole = not nothing.any() and bool(np.all(cells == np.floor(cells)))
    values: list[Any] = (cells.astype(np.int64) if whole else cells).tolist()
    for at in np.flatnonzero(nothing):
        values[at] = None
    body = {"quantity": quantity, "order": order, "ordering": "NESTED", "values": values}
    return (json.dumps(body, allow_nan=False) + "\n").encode()


def _drawn(cells: NDArray[np.float64], values: dict[str, Any], outline: Region | None) -> bytes:
    """A picture of a map."""
    from platecover.coverage.map_plots import plot_map  # heavy, and wanted here alone

    quantity = values["show"]
    described = QUANTITIES[quantity].description
    title = f"{described[0].upper()}{described[1:]}: {_selection_text(values)}"
    stream = io.BytesIO()
    plot_map(
        cells, values["order"], quantity, title, _source(), stream, values["format"],
        outline=outline, narrow=values["layout"] == "narrow",
    )  # fmt: skip
    return stream.getvalue()


def _drawn_epochs(answer: dict[str, Any], region: Region, values: dict[str, Any]) -> bytes:
    """A picture of a histogram."""
    from platecover.coverage.plots import plot_epochs  # heavy, and wanted here alone

    stream = io.BytesIO()
    where = "the whole sky" if region.kind == "all" else region.text
    title = f"Exposures of {where}: {_selection_text(values)}"
    narrow = values["layout"] == "narrow"
    with one_at_a_time:
        plot_epochs(answer, title, _source(), stream, values["format"], narrow=narrow,
                    series=archive().edition.summary["observatory"]["series"])  # fmt: skip
    return stream.getvalue()


def _selection_text(values: dict[str, Any]) -> str:
    """The filters in words."""
    given = [
        f"{each.name} {', '.join(value) if isinstance(value, list) else value}"
        for each in FILTERS
        if (value := values.get(each.name)) is not None
    ]
    return "; ".join(given) or "all exposures"


def _source() -> str:
    edition = archive().edition
    name, built = edition.summary["observatory"]["name"], edition.summary["built"][:10]
    return f"{name}, edition {edition.number} of {built}."


def public_record(record: dict[str, Any]) -> dict[str, Any]:
    """Leave out of a plate's record what the public may not see."""
    settings = service().settings
    if not settings.hides_columns:
        return record | {"history": public_history(record["history"], settings)}

    def public(row: dict[str, Any], *also: str) -> dict[str, Any]:
        return {name: row[name] for name in row if name in also or settings.is_public(name.lower())}

    return {
        "plate": public(record["plate"]),
        "exposures": [public(row, "outline") for row in record["exposures"]],
        "logged": [public(row) for row in record["logged"]],
        "remarks": [row for row in record["remarks"] if settings.is_public(row["column"].lower())],
        "history": public_history(record["history"], settings),
    }
