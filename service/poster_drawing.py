"""A poster of an archive: its words gathered, then drawn. The command and HTTP share it."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

import numpy as np

from platecover.coverage.archive import Archive
from platecover.coverage.errors import QueryError
from platecover.coverage.map_quantities import QUANTITIES
from platecover.coverage.regions import Region
from platecover.coverage.timeline import UNDATED
from platecover.service.page_rows import place_words
from platecover.service.poster_parameters import EPOCHS, LONGEST_TITLE

if TYPE_CHECKING:
    from platecover.coverage.poster_words import PosterWords

_MAP_ORDER = 7
_MOST_BINS = 120  # bars that can be told apart on a wall
_BIN_WIDTHS_YEARS = (1, 2, 5, 10, 20, 50, 100)
_OVER = "Photographic plates of"


@dataclass(frozen=True)
class Poster:
    """What a poster is to show.

    Attributes
    ----------
    show : str
        A quantity of maps, or 'epochs'.
    region : Region
        The whole sky, for a map.
    filters : mapping
        By Python keyword.
    said : str
        The filters in words; '' for none.
    source : str
        Citation, edition and date.
    title : str or None
        None for the observatory's name.
    paper, ground : str
    finest_order : int
        Of a map.
    hidden : frozenset of str
        Columns that are not to be seen.
    """

    show: str
    region: Region
    filters: Mapping[str, Any]
    said: str
    source: str
    title: str | None = None
    paper: str = "a3"
    ground: str = "paper"
    finest_order: int = _MAP_ORDER
    hidden: frozenset[str] = frozenset()


def draw_poster(archive: Archive, poster: Poster, out: Path | IO[bytes], form: str) -> None:
    """Draw a poster.

    Parameters
    ----------
    archive : Archive
    poster : Poster
    out : path or binary stream
    form : str
        svg, pdf or png.

    Raises
    ------
    QueryError
        If a filter, the region or the title is not possible, or the file cannot be written.
    """
    _check(poster)
    if poster.show == EPOCHS:
        _draw_years(archive, poster, out, form)
    else:
        _draw_map(archive, poster, out, form)


def _check(poster: Poster) -> None:
    if poster.show != EPOCHS and poster.region.kind != "all":
        message = "a map shows the whole sky; a region goes with a poster of epochs"
        raise QueryError("region", poster.region.text, message, usage=True)
    title = poster.title
    if title is None:
        return
    if not (0 < len(title.strip()) <= LONGEST_TITLE):
        message = f"title has {len(title)} characters; give 1 to {LONGEST_TITLE}"
        raise QueryError("title", title, message)
    if not title.isprintable():
        raise QueryError("title", title, "title has characters that cannot be printed")


def _draw_map(archive: Archive, poster: Poster, out: Path | IO[bytes], form: str) -> None:
    from platecover.coverage.poster_sky import plot_map_poster  # heavy, and wanted here alone

    order = min(_MAP_ORDER, poster.finest_order)
    values = archive.sky_map(poster.show, order, **poster.filters)
    described = QUANTITIES[poster.show].description
    # certainty, which only a region has, was refused with the map
    words = _words(archive, poster, f"{described[0].upper()}{described[1:]}")
    years = None
    if "epoch" not in poster.hidden:
        bins = archive.epochs(Region.all(), 1, **poster.filters)["bins"]
        years = [(each["from"], each["exposures"]) for each in bins]
    plot_map_poster(
        values, order, poster.show, words, out, form, paper=poster.paper, ground=poster.ground,
        years=years,
    )  # fmt: skip


def _draw_years(archive: Archive, poster: Poster, out: Path | IO[bytes], form: str) -> None:
    from platecover.coverage.poster_years import plot_years_poster  # as above

    answer = archive.epochs(poster.region, 1, **poster.filters)
    years = len(answer["bins"])
    width = next((each for each in _BIN_WIDTHS_YEARS if years / each <= _MOST_BINS), years)
    if width > 1:
        answer = archive.epochs(poster.region, width, **poster.filters)
    if "series" in poster.hidden:
        for each in answer["bins"]:
            each["series"] = {}
    of_what = place_words(poster.region) if poster.region.kind != "all" else "the whole sky"
    words = _words(archive, poster, f"When {of_what} was photographed")
    series = archive.edition.summary["observatory"]["series"]
    telescopes = {}
    if "telescope" not in poster.hidden:
        telescopes = {code: (facts["telescopes"] or [""])[0] for code, facts in series.items()}
    plot_years_poster(
        answer, list(series), telescopes, words, out, form, paper=poster.paper, ground=poster.ground
    )


def _words(archive: Archive, poster: Poster, subject: str) -> "PosterWords":
    """Texts of a poster, the figures counted."""
    from platecover.coverage.poster_words import PosterWords  # as above

    edition = archive.edition
    numbers = archive.find(poster.region, **poster.filters).numbers
    plates = len(np.unique(edition.codes("plate")[numbers]))
    facts = [
        (f"{len(numbers):,}", "exposure" if len(numbers) == 1 else "exposures"),
        (f"{plates:,}", "plate" if plates == 1 else "plates"),
    ]
    if "epoch" not in poster.hidden:
        years = edition.timeline.year[numbers]
        years = years[years != UNDATED]
        if len(years):
            first, last = int(years.min()), int(years.max())
            facts.append(
                (
                    f"{first}–{last}" if last > first else str(first),
                    "years" if last > first else "year",
                )
            )
    name = edition.summary["observatory"]["name"] or "Plate archive"
    return PosterWords(
        over=_OVER if poster.title is None else name,
        title=name if poster.title is None else poster.title.strip(),
        subtitle=subject + (f" · {poster.said}" if poster.said else ""),
        facts=tuple(facts),
        source=poster.source,
    )
