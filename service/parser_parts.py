"""What the parsers of all commands share: manners, paths, archive and filters."""

import argparse
import gc
import re
import sys
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from platecover.coverage.filter_table import FILTERS, UNKNOWN

if TYPE_CHECKING:
    Adder = argparse._SubParsersAction["Parser"]

# The names of `formats.ROW_FORMATS`, `EPOCH_FORMATS` and `plan_formats.PLAN_FORMATS`: help is to
# come up at once, so that nothing heavy is imported before a command runs.
ROW_FORMATS = ("table", "csv", "ecsv", "votable", "votable-binary2", "json", "parquet")
EPOCH_FORMATS = PLAN_FORMATS = ("table", "csv", "json")

_GARBAGE_AFTER = (
    50_000  # objects made; Python's own 700 looks through the rows of logs all the time
)

NEGATIVE_NUMBER = re.compile(r"-(\d|\.\d|inf|nan)", re.IGNORECASE)

REGION_HELP = (
    "circle RA DEC RADIUS | range RA1 RA2 DEC1 DEC2 | polygon RA1 DEC1 RA2 DEC2 ... |"
    " constellation NAME | moc FILE | all; decimal degrees, ICRS; quoted or as separate words"
)


def complain(fault: str, status: int) -> int:
    """Say what is wrong, in one or two lines, whatever a file or a cell is called."""
    lines = ("".join(c if c.isprintable() else "?" for c in line) for line in fault.split("\n"))
    print("platecover: " + "\n  ".join(lines), file=sys.stderr)
    return status


class Parser(argparse.ArgumentParser):
    """A parser whose errors are two lines: what is wrong, and where to read more."""

    def error(self, message: str) -> NoReturn:
        """Complain of wrong usage and leave."""
        sys.exit(complain(f"{message}\nsee `{self.prog} --help`", 2))


def on_use(name: str, module: str = "commands") -> Callable[[argparse.Namespace], None]:
    """A function of a module of ours, imported when it runs: numba and astropy take a second."""

    def run(options: argparse.Namespace) -> None:
        gc.disable()  # imports leave no garbage: looking for it takes a fifth of their time
        found = import_module(f"platecover.service.{module}")
        gc.freeze()  # nor will any of it become garbage
        gc.set_threshold(_GARBAGE_AFTER)
        gc.enable()
        getattr(found, name)(options)

    return run


def written_path(word: str) -> Path:
    """A path of something to write: UTF-8, since the libraries that write know no other."""
    path = read_path(word)
    try:
        str(path).encode()
    except UnicodeEncodeError:
        raise argparse.ArgumentTypeError("the name is not UTF-8 text; take another") from None
    return path


def read_path(word: str) -> Path:
    """A path as it was given: without the blank that `main` puts before `-1.fits`."""
    return Path(word[1:] if word[:1] == " " and NEGATIVE_NUMBER.match(word[1:]) else word)


def add_command(
    adder: "Adder",
    name: str,
    text: str,
    examples: str,
) -> Parser:
    """Add a command with its examples."""
    lines = "\n".join(f"  {line.strip()}" for line in examples.strip().splitlines())
    return adder.add_parser(
        name,
        help=text,
        description=f"{text[0].upper()}{text[1:]}.",
        epilog=f"examples:\n{lines}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )


def add_archive(command: Parser) -> None:
    """Add the option `--archive`."""
    command.add_argument("--archive", required=True, type=written_path, metavar="DIR",
                         help="folder of the archive")  # fmt: skip


def add_filters(command: Parser, *, with_certainty: bool) -> None:
    """Add an option for every filter of the table."""
    group = command.add_argument_group(
        "filters",
        "A comma list or a repeated filter means any of the values, different filters mean all;"
        f" '{UNKNOWN}' asks for empty cells.",
    )
    for each in FILTERS:
        if each.name == "certainty" and not with_certainty:
            continue
        spellings = dict.fromkeys([f"--{each.name.replace('_', '-')}", f"--{each.name}"])
        text = f"{each.help}: {', '.join(each.words)}" if each.words else each.help
        group.add_argument(
            *spellings, dest=each.keyword, action="append", metavar="VALUE", help=text
        )
