"""What a request asks, of which edition, and how its answer is marked.

Blueprints that ask the archive register `attach_archive` and `mark_answer`; the answer's ETag
stands for edition, settings, path and query together, so that it can be compared before any
work is done.
"""

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from importlib.metadata import version
from typing import Any

import numpy as np
from flask import Blueprint, Response, current_app, g, request
from werkzeug.datastructures import MultiDict
from werkzeug.exceptions import BadRequest, UnsupportedMediaType

from platecover.coverage.answers import RESULT_NAMES, HitRows
from platecover.coverage.archive import Archive
from platecover.coverage.errors import QueryError
from platecover.coverage.regions import Region
from platecover.coverage.search import Hits
from platecover.service.live_archive import LiveArchive
from platecover.service.parameters import Question
from platecover.service.row_texts import WORD_TEXTS, WordTexts
from platecover.service.settings import Settings

EDITION_HEADER = "Platecover-Edition"
EDITION_DATE_HEADER = "Platecover-Edition-Date"
CITATION_HEADER = "Platecover-Citation"
TRUNCATED_HEADER = "Platecover-Truncated"
UNDATED_HEADER = "Platecover-Undated"  # exposures that have no time, left out

_EXTENSION = "platecover"
_FORM_TYPES = ("application/x-www-form-urlencoded", "multipart/form-data")
_READING = ("GET", "HEAD")
_FEW_ROWS = 1_000  # of a text that is sooner copied than sent in parts
_MANY_ROWS = 10_000  # from here on a text is not kept whole
_VERSION = version("platecover")


@dataclass(frozen=True)
class Service:
    """What every request of an application shares."""

    live: LiveArchive
    settings: Settings
    questions: dict[str, Question]

    @cached_property
    def public_names(self) -> tuple[str, ...]:
        """Columns of a row that the public may see, in order."""
        return tuple(name for name in RESULT_NAMES if self.settings.is_public(name))

    def attach_to(self, extensions: dict[str, Any]) -> None:
        """Make this the service of an application."""
        extensions[_EXTENSION] = self


def service() -> Service:
    """The service of the application that answers."""
    found: Service = current_app.extensions[_EXTENSION]
    return found


def archive() -> Archive:
    """The archive as it was when the request came."""
    found: Archive = g.archive
    return found


def answers_of_archive(blueprint: Blueprint) -> None:
    """Give the requests of a blueprint an archive, and mark their answers."""
    blueprint.before_request(attach_archive)
    blueprint.after_request(mark_answer)


def attach_archive() -> Response | None:
    """Settle which edition answers; if the client has that very answer, say so (304)."""
    if request.method == "OPTIONS":
        return None  # asks what is allowed, of no edition
    g.archive = service().live.current()
    if request.method in _READING:
        g.tag = _tag()
        known = request.if_none_match
        if not known.star_tag and known.contains_weak(g.tag):
            response = Response(status=304)
            response.vary.add("Accept")  # as the answer itself may have it (RFC 9110, 15.4.5)
            return response
    return None


def mark_answer(response: Response) -> Response:
    """Note the edition, and how to ask again whether anything has changed."""
    if "archive" in g:
        response.headers[EDITION_HEADER] = str(archive().edition.number)
        if "tag" in g and response.status_code in (200, 304):
            response.set_etag(g.tag, weak=True)
            response.headers["Cache-Control"] = "no-cache"  # keep it, but ask first
            if request.if_none_match.star_tag:  # whatever it is: known only now that there is one
                response.make_conditional(request)
    return response


def _tag() -> str:
    """Text that is the same for two requests exactly if their answers are."""
    edition = archive().edition
    of_what = (
        _VERSION, service().settings.digest, edition.number, edition.summary["built"],
        request.path, request.query_string, request.headers.get("Accept"),
    )  # fmt: skip
    return hashlib.sha256(repr(of_what).encode()).hexdigest()[:32]


def asked(name: str) -> dict[str, Any]:
    """Values of a question's parameters, from the query string and, in a POST, the form.

    Raises
    ------
    QueryError
        Naming the parameter at fault.
    UnsupportedMediaType
        If the body is no form.
    """
    given: MultiDict[str, str] = MultiDict(request.args)
    if request.method == "POST":
        if request.mimetype not in _FORM_TYPES and (request.mimetype or request.content_length):
            raise UnsupportedMediaType()
        _refuse_if_cut_off()
        # a part of a multipart form may have no name at all
        given.update({name or "": values for name, values in request.form.lists()})
        for field in request.files:
            message = f"{field} is a file; send its contents as the text of a field"
            raise QueryError(field, request.files[field].filename, message, usage=True)
    return service().questions[name].read(given)


def _refuse_if_cut_off() -> None:
    """Refuse a body that is shorter than was announced; gunicorn lets it pass for whole."""
    announced = request.content_length or 0
    came = len(request.get_data())  # kept, for the form to be read from
    if came < announced:
        raise BadRequest(f"only {came} of {announced} bytes of the form came; send it again")


def rows_up_to(maxrec: int, region: Region, filters: dict[str, Any]) -> tuple[HitRows, bool]:
    """The first rows of a search, in the columns that the public may see, for the writers.

    Parameters
    ----------
    maxrec : int
        Most rows.
    region : Region
    filters : dict
        By Python keyword.

    Returns
    -------
    rows : HitRows
        `word_texts` goes with them.
    truncated : bool
        Whether there are more.
    """
    hits = archive().find(region, **filters)
    return first_rows(maxrec, hits), len(hits.numbers) > maxrec


def first_rows(maxrec: int, hits: Hits) -> HitRows:
    """The first of the hits, as `rows_up_to` gives them."""
    first = hits.where(np.arange(len(hits.numbers)) < maxrec)
    return HitRows(archive().edition, first, service().public_names)


def provenance() -> dict[str, Any]:
    """What every answer says of where it comes from.

    Returns
    -------
    dict
        `edition` (number), `edition_date` (ISO 8601, UTC) and `citation` (one line).
    """
    edition = archive().edition
    built, name = edition.summary["built"], edition.summary["observatory"]["name"]
    made = f"{name}: photographic plates, edition {edition.number} of {built[:10]}"
    return {
        "edition": edition.number,
        "edition_date": built,
        "citation": service().settings.citation or made,
    }


def site_root() -> str:
    """Address under which the client reaches the service; ends in /."""
    return (service().settings.public_url or request.url_root).rstrip("/") + "/"


def word_texts() -> WordTexts:
    """Texts of the words of the edition that answers."""
    return WORD_TEXTS.of(archive().edition)


def written(pieces: Iterator[bytes], count: int, content_type: str) -> Response:
    """An answer of so many rows: a short one whole, a long one sent while it is written.

    The length of the second is not told, but its memory does not grow with its rows.
    """
    if count > _MANY_ROWS:
        return Response(pieces, content_type=content_type)
    parts = list(pieces)
    if count <= _FEW_ROWS:
        parts = [b"".join(parts)]  # one thing to send
    return Response(parts, content_type=content_type)
