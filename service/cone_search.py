"""Simple Cone Search 1.03 (IVOA, 2008, with its errata) at /cone.

A row is an exposure, and it matches when its footprint, with its margin, meets the cone; the
standard leaves the criterion to the service.
"""

from typing import Any

import pyarrow as pa
from flask import Blueprint, Response

from platecover.coverage.answers import HitRows, Rows
from platecover.coverage.columns import RESULT_COLUMNS
from platecover.coverage.outlines import diameters_deg
from platecover.coverage.plate_geometry import Records
from platecover.coverage.regions import Region
from platecover.service.asking import (
    answers_of_archive,
    archive,
    asked,
    first_rows,
    provenance,
    service,
)
from platecover.service.error_answers import CONE_PATH
from platecover.service.negotiation import protocol_form, row_answer
from platecover.service.votable import Field, Heading, Info, parameter_infos

blueprint = Blueprint("cone_search", __name__)
answers_of_archive(blueprint)

STANDARD_ID = "ivo://ivoa.net/std/ConeSearch"

# The standard asks for these UCDs of 1998 and no others, and for the id as plain char.
_MANDATORY = {
    "exposure_id": {"ucd": "ID_MAIN", "datatype": "char"},
    "s_ra": {"ucd": "POS_EQ_RA_MAIN"},
    "s_dec": {"ucd": "POS_EQ_DEC_MAIN"},
}
_FIELDS = {
    column.name: Field.of(column).but(**_MANDATORY.get(column.name, {}))
    for column in RESULT_COLUMNS
}
# One more column: the standard has a UCD for how large an extended thing is, ObsCore a name.
_SIZE = Field(
    "s_fov", "double", "deg", "OBS_ANG-SIZE", "Diameter of the circle around the exposed area"
)
_MAKES_SIZE = ("width_mm", "height_mm", "scale_arcsec_per_mm", "usable_radius_deg")
_FEW, _ALL = 1, 3  # values of VERB; 2, the default, is most
_FOR_INSIDERS = ("plate_logged", "exposure", "condition", "shelf", "remarks")  # VERB=3 only

_ROW = (
    "Exposures on photographic plates whose exposed area, with its margin of error, meets the cone."
    " A row's position is the centre of the exposure, which may lie far outside the cone;"
    " edge_distance says how far the cone's centre is inside (+) or outside (-) the exposed area."
)


@blueprint.route(CONE_PATH, methods=["GET", "POST"])
def cone() -> Response:
    """Answer a cone search; SR = 0 asks for the columns alone."""
    values = asked("cone")
    form = protocol_form(values["RESPONSEFORMAT"])
    ra, dec, radius = values["RA"], values["DEC"], values["SR"]
    only_columns = radius == 0.0
    limit = 0 if only_columns else min(values["MAXREC"], service().settings.largest_maxrec)
    hits = archive().find(Region.circle(ra, dec, radius))
    truncated = not only_columns and (len(hits.numbers) > limit or values["MAXREC"] == 0)
    public = first_rows(limit, hits)
    shown = [name for name in public.column_names if _is_shown(name, values["VERB"])]
    rows: Rows = public.select(shown)
    fields = [_FIELDS[name] for name in shown]
    if values["VERB"] != _FEW and all(map(service().settings.is_public, _MAKES_SIZE)):
        rows = _SizedRows(rows, archive().edition.geometry[hits.numbers[:limit]])
        fields.append(_SIZE)

    name = archive().edition.summary["observatory"]["name"]
    heading = Heading(
        fields,
        f"Photographic plates of {name}",
        f"{_ROW} Only the first {len(rows)} rows are here." if truncated else _ROW,
        _infos(values, only_columns=only_columns),
    )
    query = {name: value for name, value in values.items() if value is not None}
    about = {"query": query, **provenance(), "truncated": truncated}
    return row_answer(form, rows, about, "cone", heading)


class _SizedRows:
    """Rows of hits with the size of each footprint behind the other columns."""

    def __init__(self, rows: HitRows, geometry: Records) -> None:
        self._rows, self._diameter_deg = rows, diameters_deg(geometry)
        self.column_names = [*rows.column_names, _SIZE.name]

    def __len__(self) -> int:
        return len(self._rows)

    def slice(self, first: int = 0, count: int | None = None) -> pa.Table:
        """Some rows, or all."""
        end = None if count is None else first + count
        sizes = pa.array(self._diameter_deg[first:end])
        return self._rows.slice(first, count).append_column(_SIZE.name, sizes)


def _is_shown(column: str, verbosity: int) -> bool:
    """Whether a column is wanted; a VERB that the standard does not know is the usual 2."""
    if column in _MANDATORY or verbosity == _ALL:
        return True
    return verbosity != _FEW and column not in _FOR_INSIDERS


def _infos(values: dict[str, Any], *, only_columns: bool) -> list[Info]:
    infos = [
        Info("standardID", STANDARD_ID),
        Info("match_semantics", "footprint-overlaps-cone"),
        *parameter_infos(values),
    ]
    return infos + [_how_to_ask_for_a_point(values["RA"], values["DEC"])] * only_columns


def _how_to_ask_for_a_point(ra: float, dec: float) -> Info:
    return Info(
        "point_search",
        f"/api/exposures?ra={ra!r}&dec={dec!r}&radius=0",
        "SR=0 asks for the columns alone. For the exposures that show the point itself use this"
        " address, or a tiny SR such as 1e-6.",
    )
