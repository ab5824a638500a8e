"""The parser of the command that draws posters."""

from typing import TYPE_CHECKING

from platecover.coverage.map_quantities import QUANTITIES
from platecover.service.parser_parts import (
    REGION_HELP,
    add_archive,
    add_command,
    add_filters,
    on_use,
    written_path,
)

if TYPE_CHECKING:
    from platecover.service.parser_parts import Adder

_SHOWN = (*QUANTITIES, "epochs")
# The names of `poster_paper.PAPERS` and `GROUNDS`: help is to come up at once.
_PAPERS, _GROUNDS = ("a4", "a3", "a2", "letter"), ("paper", "night")


def add_poster(adder: "Adder") -> None:
    """Add `poster`: a map or a histogram for a wall."""
    command = add_command(
        adder,
        "poster",
        "draw a map of the sky or a histogram of years for print",
        """
        platecover poster --archive plates --show plates --out sky.pdf
        platecover poster --archive plates --show years --paper a2 --ground night --out years.png
        platecover poster --archive plates --show epochs "constellation Ori" --paper a4 --out o.svg
        """,
    )
    add_archive(command)
    command.add_argument("--show", required=True, choices=_SHOWN, metavar="QUANTITY|epochs",
                         help=f"what to draw: a map of {', '.join(QUANTITIES)}; or epochs,"
                         " a histogram")  # fmt: skip
    command.add_argument("region", nargs="*", metavar="REGION",
                         help=f"with --show epochs: {REGION_HELP}")  # fmt: skip
    add_filters(command, with_certainty=True)
    command.add_argument("--paper", choices=_PAPERS, default="a3",
                         help="size of the paper, laid across (default: a3)")  # fmt: skip
    command.add_argument("--ground", choices=_GROUNDS, default="paper",
                         help="light as paper (default), or dark as night")  # fmt: skip
    command.add_argument("--title", metavar="TEXT",
                         help="large line (default: the observatory's name)")  # fmt: skip
    command.add_argument("--out", required=True, type=written_path, metavar="FILE",
                         help="file to write: .svg, .pdf or .png")  # fmt: skip
    command.set_defaults(run=on_use("poster", "poster_command"))
