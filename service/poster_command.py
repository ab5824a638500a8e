"""The command that draws posters."""

import argparse

from platecover.coverage.archive import Archive
from platecover.coverage.errors import QueryError
from platecover.coverage.regions import Region
from platecover.service.commands import filters_given, source_of
from platecover.service.poster_drawing import Poster, draw_poster
from platecover.service.poster_parameters import POSTER_FORMATS


def poster(options: argparse.Namespace) -> None:
    """Draw a poster to a file."""
    form = options.out.suffix.lower().lstrip(".")
    if form not in POSTER_FORMATS:
        known = ", ".join(f".{name}" for name in POSTER_FORMATS)
        what = f"{options.out}: a poster is written to a file ending in {known}"
        raise QueryError("out", str(options.out), what)
    archive = Archive.open(options.archive)
    text = " ".join(word.strip() for word in options.region)
    filters = filters_given(options)
    wanted = Poster(
        show=options.show,
        region=Region.parse(text) if text else Region.all(),
        filters=filters,
        said="; ".join(f"{name} {', '.join(given)}" for name, given in filters.items()),
        source=f"{source_of(archive)}.",
        title=options.title,
        paper=options.paper,
        ground=options.ground,
    )
    draw_poster(archive, wanted, options.out, form)
    print(f"wrote {options.out}: {options.show} on {options.paper}")
