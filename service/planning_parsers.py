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


class _ShowForm(argparse.Action):
    """Print a form for `outcome` and leave, whatever else is missing."""

    def __call__(self, parser: argparse.ArgumentParser, *_: Any) -> NoReturn:
        """Print it."""
        sys.stdout.write(import_module("platecover.coverage.outcome_table").form_text())
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
        platecover plan --archive plates --budget "500 plates" --maps before_after.pdf
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
    command.add_argument("--maps", type=written_path, metavar="FILE",
                         help="draw the scanned sky before and after: same endings")  # fmt: skip
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


def add_outcome(adder: "Adder") -> None:
    """Add `outcome`: the day's outcome back."""
    command = add_command(
        adder,
        "outcome",
        "take back what came of a day's plates: scanned, not found, broken, ...",
        """
        platecover outcome --show-form > form.csv
        platecover outcome --archive plates day.csv
        platecover outcome --archive plates day.csv --by "Ida Marsh" --strict
        platecover outcome --archive plates --undo 12.3 --by "Ida Marsh" --why "wrong jacket"
        platecover outcome --archive plates --undo date=2026-11-24 "person=Ida Marsh" --by ...
        """,
    )
    add_archive(command)
    command.add_argument("file", nargs="?", type=read_path, metavar="FILE",
                         help="table of designation, outcome, date, person, ...; --show-form"
                         " prints one")  # fmt: skip
    command.add_argument("--by", metavar="PERSON",
                         help="who sends it in; speaks for rows without a person")  # fmt: skip
    command.add_argument("--strict", action="store_true",
                         help="apply nothing if any row is at fault")  # fmt: skip
    command.add_argument("--scans", metavar="URL",
                         help="address of the folder that files of scans are in; without it, a file"
                         " is noted but gives no address")  # fmt: skip
    command.add_argument("--undo", nargs="+", metavar="ENTRY",
                         help="let postings (12), entries (12.3) or all with date=, person= and"
                         " plate= count no more; needs --by and --why")  # fmt: skip
    command.add_argument("--why", metavar="TEXT", help="why something is undone")
    command.add_argument("--show-form", action=_ShowForm, nargs=0,
                         help="print a form to fill in")  # fmt: skip
    command.set_defaults(run=on_use("outcome", "outcome_command"))


def add_history(adder: "Adder") -> None:
    """Add `history`: who said what of which plate, when."""
    command = add_command(
        adder,
        "history",
        "who said what of which plate, when",
        """
        platecover history --archive plates QN 123b
        platecover history --archive plates --since 2026-11-01
        platecover history --archive plates --by "Ida Marsh" --format csv > said.csv
        """,
    )
    add_archive(command)
    command.add_argument("plate", nargs="*", metavar="PLATE",
                         help="designation in any spelling; shows the logs' word too")  # fmt: skip
    command.add_argument("--since", metavar="DATE", help="of that day or later: 2026-11-25")
    command.add_argument("--by", metavar="PERSON", help="who said it or sent it in")
    command.add_argument("--format", choices=PLAN_FORMATS, default="table",
                         help="form of the answer (default: table)")  # fmt: skip
    command.set_defaults(run=on_use("history", "history_command"))


def add_progress(adder: "Adder") -> None:
    """Add `progress`: how far the scanning has come."""
    command = add_command(
        adder,
        "progress",
        "how far the scanning has come, and when it will be done",
        """
        platecover progress --archive plates
        platecover progress --archive plates --by epoch --series QN --plot progress.png
        platecover progress --archive plates --by area --format csv > areas.csv
        """,
    )
    add_archive(command)
    command.add_argument("--by", choices=("series", "area", "epoch"), default="series",
                         help="series, area (constellation) or epoch (decade);"
                         " default: series")  # fmt: skip
    add_filters(command, with_certainty=False)
    command.add_argument("--format", choices=PLAN_FORMATS, default="table",
                         help="form of the answer (default: table)")  # fmt: skip
    command.add_argument("--plot", type=written_path, metavar="FILE",
                         help="draw it as well: .png, .svg or .pdf")  # fmt: skip
    command.set_defaults(run=on_use("progress", "progress_command"))
