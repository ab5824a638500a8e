"""The parsers of the commands that plan the scanning and keep account of it."""

import argparse
import sys
from importlib import import_module
from typing import TYPE_CHECKING, Any, NoReturn

from platecover.service.parser_parts import (
    PLAN_FORMATS,
    add_archive,
    add_command,
    add_filters,
    on_use,
    read_path,
    written_path,
)

if TYPE_CHECKING:
    from platecover.service.parser_parts import Adder


class _ShowWishes(argparse.Action):
    """Print the wishes of `plan` and leave, whatever else is missing."""

    def __call__(self, parser: argparse.ArgumentParser, *_: Any) -> NoReturn:
        """Print them."""
        sys.stdout.write(import_module("platecover.coverage.scan_wishes").wishes_text())
        parser.exit()


def add_plan(adder: "Adder") -> None:
    """Add `plan`: what to scan next."""
    command = add_command(
        adder,
        "plan",
        "which plates to scan next, within a budget",
        """
        platecover plan --archive plates --budget "300 plates"
        platecover plan --archive plates --budget "5 days" --wishes wishes.toml --plot gain.png
        platecover plan --archive plates --budget "6 hours" --series QN --format csv --out day.csv
        platecover plan --show-wishes > wishes.toml
        """,
    )
    add_archive(command)
    command.add_argument("--budget", required=True, metavar="TEXT",
                         help="'300 plates', '6 hours' or '5 days'")  # fmt: skip
    command.add_argument("--wishes", type=read_path, metavar="FILE",
                         help="TOML file: what is worth how much, and takes how long")  # fmt: skip
    command.add_argument("--show-wishes", action=_ShowWishes, nargs=0,
                         help="print all wishes, explained, with their defaults")  # fmt: skip
    add_filters(command, with_certainty=False)
    command.add_argument("--format", choices=PLAN_FORMATS, default="table",
                         help="form of the plan (default: table)")  # fmt: skip
    command.add_argument("--out", type=read_path, metavar="FILE",
                         help="write it to a file instead of the terminal")  # fmt: skip
    command.add_argument("--plot", type=written_path, metavar="FILE",
                         help="draw worth added as well: .png, .svg or .pdf")  # fmt: skip
    command.set_defaults(run=on_use("plan", "plan_command"))


def add_pull_list(adder: "Adder") -> None:
    """Add `pull-list`: plates in the order in which they stand."""
    command = add_command(
        adder,
        "pull-list",
        "plates to pull, shelf by shelf, by loads one can carry",
        """
        platecover pull-list --archive plates --budget "80 plates" --out today.pdf
        platecover pull-list --archive plates --plates wanted.txt --out wanted.html --carry-kg 8
        platecover pull-list --archive plates --budget "1 day" --out day.csv --labels labels.pdf
        """,
    )
    add_archive(command)
    what = command.add_mutually_exclusive_group(required=True)
    what.add_argument("--budget", metavar="TEXT",
                      help="plan it: '300 plates', '6 hours' or '5 days'")  # fmt: skip
    what.add_argument("--plates", type=read_path, metavar="FILE",
                      help="text file of designations, one a line")  # fmt: skip
    command.add_argument("--wishes", type=read_path, metavar="FILE",
                         help="TOML file, as of `plan`")  # fmt: skip
    add_filters(command, with_certainty=False)
    command.add_argument("--carry-kg", default="10", metavar="KG",
                         help="most glass in a load (default: 10; at most 25)")  # fmt: skip
    command.add_argument("--out", required=True, type=written_path, metavar="FILE",
                         help="file to write: .html, .pdf or .csv")  # fmt: skip
    command.add_argument("--labels", type=written_path, metavar="FILE",
                         help="jacket labels as well: .pdf, 24 of 70 x 37 mm on A4")  # fmt: skip
    command.set_defaults(run=on_use("pull_list", "pull_list_command"))
