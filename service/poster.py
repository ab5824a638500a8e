"""Posters for print, by a link: /api/poster."""

import io

from flask import Blueprint, Response

from platecover.coverage.filter_table import FILTERS
from platecover.service.asking import answers_of_archive, archive, asked, provenance, service
from platecover.service.drawing_lock import one_at_a_time
from platecover.service.error_answers import API_PATH
from platecover.service.parameters import filters_of, region_of
from platecover.service.poster_drawing import Poster, draw_poster

blueprint = Blueprint("poster", __name__, url_prefix=API_PATH)
answers_of_archive(blueprint)

_MEDIA_TYPES = {"svg": "image/svg+xml", "pdf": "application/pdf", "png": "image/png"}
_SVG_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:"  # the sky is a picture
_HIDEABLE = ("epoch", "series", "telescope")


@blueprint.route("/poster")
def poster() -> Response:
    """A poster in the form that was asked for."""
    values, settings = asked("poster"), service().settings
    region = region_of(
        values,
        most_corners=settings.most_polygon_corners,
        longest_text=settings.longest_region_text,
        largest_radius_deg=settings.largest_radius_deg,
    )
    said = (
        f"{each.name} {', '.join(value) if isinstance(value, list) else value}"
        for each in FILTERS
        if (value := values.get(each.name)) is not None
    )
    wanted = Poster(
        show=values["show"], region=region, filters=filters_of(values), said="; ".join(said),
        source=_source(), title=values["title"], paper=values["paper"], ground=values["ground"],
        finest_order=settings.finest_map_order,
        hidden=frozenset(name for name in _HIDEABLE if not settings.is_public(name)),
    )  # fmt: skip
    stream, form = io.BytesIO(), values["format"]
    with one_at_a_time:
        draw_poster(archive(), wanted, stream, form)
    name = f"platecover-poster-{wanted.show}-{wanted.paper}.{form}"
    response = Response(stream.getvalue(), content_type=_MEDIA_TYPES[form])
    response.headers["Content-Disposition"] = f'inline; filename="{name}"'
    if form == "svg":
        response.headers["Content-Security-Policy"] = _SVG_POLICY
    return response


def _source() -> str:
    """Citation, edition and date, as a line."""
    about = provenance()
    edition = f"edition {about['edition']} of {about['edition_date'][:10]}"
    cited = str(about["citation"]).rstrip(".")
    return f"{cited}." if edition in cited else f"{cited}; {edition}."
