"""For a screen in a foyer: the page that runs by itself, and the small answers that it asks for."""

import json
from typing import Any
from urllib.parse import quote, urlsplit

import numpy as np
from flask import Blueprint, Response, make_response, render_template, request
from numpy.typing import NDArray

from platecover.coverage import constellations
from platecover.coverage.calendar_dates import calendar_date_text
from platecover.coverage.directions import unit_vectors
from platecover.coverage.edition import Edition
from platecover.coverage.plate_geometry import corners_deg
from platecover.coverage.regions import Circle, Constellation, Region
from platecover.coverage.search import Hits
from platecover.coverage.timeline import UNDATED
from platecover.service.asking import answers_of_archive, archive, asked, service
from platecover.service.page_words import ENGLISH, words_of
from platecover.service.parameters import region_of

blueprint = Blueprint("page_foyer", __name__, url_prefix="/page")
answers_of_archive(blueprint)

_OBSERVERS = 3  # named of a place
_DATE_LENGTHS = {"year": 4, "month": 7}  # of 1898-03-04, that are known


def foyer_page() -> Response:
    """The page for a foyer; without JavaScript it stands still."""
    summary = archive().edition.summary
    words = words_of("foyer", request.args.get("language", ENGLISH))
    root = quote(urlsplit(service().settings.public_url).path.rstrip("/"), safe="/%")
    return make_response(
        render_template(
            "foyer.html", words=words, root=root,
            name=summary["observatory"]["name"] or "Plate archive",
        )
    )  # fmt: skip


@blueprint.route("/foyer")
def facts() -> Response:
    """The archive in a few numbers."""
    asked("foyer")
    return _json(_facts())


@blueprint.route("/story")
def story() -> Response:
    """How many plates show a place, the first and the last of them, and who took them."""
    values, settings = asked("story"), service().settings
    region = region_of(
        values,
        most_corners=settings.most_polygon_corners,
        longest_text=settings.longest_region_text,
        largest_radius_deg=settings.largest_radius_deg,
    )
    edition = archive().edition
    found = archive().find(region)
    hits = found.where(found.sure) if settings.is_public("certainty") else found
    told: dict[str, Any] = {
        "edition": edition.number,
        "exposures": len(hits.numbers),
        "plates": len(np.unique(edition.codes("plate")[hits.numbers])),
        "perhaps": len(found.numbers) - len(hits.numbers),
        "first": None,
        "last": None,
        "constellation": _constellation(region),
        "observers": _observers(edition, hits.numbers),
    }
    if settings.is_public("epoch") and settings.is_public("t_min"):
        dated = np.flatnonzero(np.isfinite(edition.middle_mjd[hits.numbers]))
        if len(dated):
            in_time = dated[np.argsort(edition.middle_mjd[hits.numbers[dated]], kind="stable")]
            told["first"] = _told(hits, int(in_time[0]))
            told["last"] = _told(hits, int(in_time[-1]))
    return _json(told)


def _constellation(region: Region) -> str | None:
    """Latin name of where the middle of a circle is, and of a constellation itself."""
    if isinstance(region, Constellation):
        return constellations.names()[region.abbreviation]
    if not isinstance(region, Circle):
        return None
    middle = unit_vectors(region.ra_deg, region.dec_deg)
    number = int(constellations.numbers_at(middle[None])[0])
    return list(constellations.names().values())[number]


def _facts() -> dict[str, Any]:
    edition, settings = archive().edition, service().settings
    counts = edition.summary["counts"]
    told: dict[str, Any] = {
        "edition": edition.number,
        "name": edition.summary["observatory"]["name"] or "Plate archive",
        "exposures": counts["exposures"],
        "plates": counts["plates"],
        "quantities": list(_quantities()),
        "years": [],
    }
    if settings.is_public("epoch") and settings.is_public("t_min"):
        year = edition.timeline.year
        years, exposures = np.unique(year[year != UNDATED], return_counts=True)
        told["years"] = np.stack([years, exposures], axis=1).tolist()
    return told


def _quantities() -> tuple[str, ...]:
    shown = next(each for each in service().questions["map"].parameters if each.name == "show")
    return shown.words


def _told(hits: Hits, at: int) -> dict[str, Any]:
    """One exposure for people: plate, day, who and with what; its outline on the sky."""
    edition, is_public = archive().edition, service().settings.is_public
    number = int(hits.numbers[at])

    def word(name: str) -> str:
        return str(edition.words(name)[edition.codes(name)[number]])

    ra, dec = corners_deg(edition.geometry[number : number + 1])
    date = calendar_date_text(float(edition.floats("t_min")[number]))
    return {
        "plate": word("plate"),
        "date": date[: _DATE_LENGTHS.get(word("time_precision"), len(date))],
        "observer": (word("observer") or None) if is_public("observer") else None,
        "telescope": (word("telescope") or None) if is_public("telescope") else None,
        "outline": np.stack([ra[0], dec[0]], axis=-1).round(3).tolist(),
    }


def _observers(edition: Edition, numbers: NDArray[np.int64]) -> list[str]:
    """Who took most of some exposures, the busiest first."""
    if not service().settings.is_public("observer"):
        return []
    words = edition.words("observer")
    counts = np.bincount(edition.codes("observer")[numbers], minlength=len(words))
    busiest = np.argsort(-counts, kind="stable")
    named = [words[at] for at in busiest if counts[at] and words[at]]
    return named[:_OBSERVERS]


def _json(told: dict[str, Any]) -> Response:
    body = json.dumps(told, allow_nan=False, ensure_ascii=False)
    return Response(body, content_type="application/json")
