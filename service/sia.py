"""Simple Image Access 2.0 (IVOA, 2015) at /sia2/query: exposures as rows of ObsCore."""

from typing import Any
from xml.sax.saxutils import quoteattr

from flask import Blueprint, Response, current_app

from platecover.coverage.obscore import OBSCORE_COLUMNS, ObsCoreRows
from platecover.coverage.per_edition import PerEdition
from platecover.coverage.sia_selection import OVERLAPPING, WITHIN, selected_images
from platecover.service.asking import (
    answers_of_archive,
    archive,
    asked,
    provenance,
    service,
    site_root,
)
from platecover.service.error_answers import SIA_PATH
from platecover.service.negotiation import protocol_form, row_answer
from platecover.service.parameters import Parameter
from platecover.service.row_texts import WordTexts
from platecover.service.sia_parameters import NAME, UNITS, image_question
from platecover.service.votable import Field, Heading, Info, parameter_infos, xml_text

blueprint = Blueprint(NAME, __name__)
answers_of_archive(blueprint)

STANDARD_ID = "ivo://ivoa.net/std/SIA#query-2.0"
QUERY_PATH = f"{SIA_PATH}/query"

_DATATYPES = {"ascii": "char", "text": "unicodeChar", "float": "double", "int": "long"}
_FRAMES = {"s_ra": "icrs", "s_dec": "icrs", "s_region": "icrs", "t_min": "ut", "t_max": "ut"}
_FIELDS = [
    Field(
        column.name,
        "int" if column.name == "calib_level" else _DATATYPES[column.kind],
        column.unit, column.ucd, column.description, _FRAMES.get(column.name, ""), column.utype,
        "adql:REGION" if column.name == "s_region" else "",
    )
    for column in OBSCORE_COLUMNS
]  # fmt: skip
_ROW = (
    "Images: exposures on photographic plates, scanned or not; access_url is there only where a"
    " scan is. With POS, the exposed area itself meets the place, its margin of error left out;"
    " /cone and /api/exposures allow for it, and may find more."
)
# Not the edition's own: columns of the same name have other words here.
_WORD_TEXTS = PerEdition(lambda edition: WordTexts())


@blueprint.route(QUERY_PATH, methods=["GET", "POST"])
def query() -> Response:
    """Answer a question about images."""
    values = asked(NAME)
    form = protocol_form(values["RESPONSEFORMAT"])
    settings, edition = service().settings, archive().edition
    if values["RUNID"] is not None:
        current_app.logger.info("%s RUNID %r", QUERY_PATH, values["RUNID"])
    publisher = f"ivo://{settings.publisher_authority}/plates?"
    question = image_question(values, settings)
    numbers = selected_images(edition, question, publisher, settings.is_public)
    limit = min(values["MAXREC"], settings.largest_maxrec)
    truncated = len(numbers) > limit or values["MAXREC"] == 0
    rows = ObsCoreRows(edition, numbers[:limit], publisher, settings.is_public)

    heading = Heading(
        _FIELDS,
        f"Photographic plates of {edition.summary['observatory']['name']}",
        f"{_ROW} Only the first {len(rows)} rows are here." if truncated else _ROW,
        [Info("standardID", STANDARD_ID), *parameter_infos(values)],
        _service_descriptor(),
    )
    given = {name: value for name, value in values.items() if value is not None}
    about = {"query": given, **provenance(), "truncated": truncated}
    return row_answer(form, rows, about, "images", heading, _WORD_TEXTS.of(edition))


def _service_descriptor() -> str:
    """What this service takes, as a RESOURCE (section 3.1.2); stands behind the results."""
    parameters = service().questions[NAME].parameters
    return (
        '<RESOURCE type="meta" utype="adhoc:service" name="this">\n'
        f"{_fixed('standardID', STANDARD_ID)}{_fixed('accessURL', site_root() + QUERY_PATH[1:])}"
        '<GROUP name="inputParams">\n'
        f"{''.join(map(_input, parameters))}</GROUP>\n</RESOURCE>\n"
    )


def _fixed(name: str, value: str) -> str:
    return _param({"name": name, "datatype": "char", "arraysize": "*", "value": value})


def _input(parameter: Parameter) -> str:
    described: dict[str, Any] = {"name": parameter.name}
    if parameter.name in OVERLAPPING or parameter.name in WITHIN:
        described |= {"datatype": "double", "arraysize": "2", "xtype": "interval"}
    elif parameter.kind == "integer":
        described |= {"datatype": "long"}
    else:
        described |= {"datatype": "char", "arraysize": "*"}
    if parameter.name in UNITS:
        described["unit"] = UNITS[parameter.name]
    return _param({**described, "value": ""}, parameter.meaning)


def _param(attributes: dict[str, str], meaning: str = "") -> str:
    written = "".join(f" {name}={quoteattr(value)}" for name, value in attributes.items())
    if not meaning:
        return f"<PARAM{written}/>\n"
    return f"<PARAM{written}>\n<DESCRIPTION>{xml_text(meaning)}</DESCRIPTION>\n</PARAM>\n"
