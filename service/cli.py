"""The command `platecover`: parse the words, ask the archive, print the answer.

Exit status: 0 done (an answer without rows too), 1 a value, file or archive at fault,
2 wrong usage.
"""

import argparse
import gc
import io
import os
import re
import sys
from collections.abc import Callable, Sequence
from importlib import import_module
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

from platecover.coverage.errors import PlatecoverError, QueryError
from platecover.coverage.filter_table import FILTERS, UNKNOWN
from platecover.coverage.map_quantities import QUANTITIES

if TYPE_CHECKING:
    Adder = argparse._SubParsersAction["_Parser"]

# The names of `formats.ROW_FORMATS`, `EPOCH_FORMATS` and `plan_formats.PLAN_FORMATS`: help is to
# come up at once, so that nothing heavy is imported before a command runs.
_ROW_FORMATS = ("table", "csv", "ecsv", "votable", "json", "parquet")
_EPOCH_FORMATS = _PLAN_FORMATS = ("table", "csv", "json")

_NEGATIVE_NUMBER = re.compile(r"-(\d|\.\d|inf|nan)", re.IGNORECASE)
_INTERRUPTED = 130  # what shells say of a program that was stopped by Ctrl-C

_REGION_HELP = (
    "circle RA DEC RADIUS | range RA1 RA2 DEC1 DEC2 | polygon RA1 DEC1 RA2 DEC2 ... |"
    " constellation NAME | moc FILE | all; decimal degrees, ICRS; quoted or as separate words"
)


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """Run the command line and leave with its exit status."""
    words = sys.argv[1:] if arguments is None else list(arguments)
    if sys.stdout is None:  # closed by the shell: >&-
        sys.stdout = open(os.devnull, "w")
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")  # file names may hold any bytes
    # argparse would take -1e-5 or -nan for an option; with a blank before it, it does not
    words = [f" {word}" if _NEGATIVE_NUMBER.match(word) else word for word in words]
    options = _parser().parse_args(words)
    try:
        options.run(options)
        sys.stdout.flush()
        status = 0
    except QueryError as fault:
        status = _complain(str(fault), 2 if fault.usage else 1)
    except PlatecoverError as fault:
        status = _complain(str(fault), 1)
    except BrokenPipeError:  # the reader, such as `head`, has seen enough
        _drop_output()
        status = 0
    except OSError as fault:
        status = _complain(f"{fault.filename or 'output'}: {fault.strerror or fault}", 1)
    except KeyboardInterrupt:
        status = _complain("interrupted; what was in place before is unchanged", _INTERRUPTED)
    gc.freeze()  # else Python looks through all that was imported before it leaves: 0.2 s
    sys.exit(status)


def _complain(fault: str, status: int) -> int:
    """Say what is wrong, in one or two lines, whatever a file or a cell is called."""
    lines = ("".join(c if c.isprintable() else "?" for c in line) for line in fault.split("\n"))
    print("platecover: " + "\n  ".join(lines), file=sys.stderr)
    return status


def _drop_output() -> None:
    """Send what is still in the buffers nowhere, since where it should go takes no more."""
    with open(os.devnull, "wb") as nowhere:
        os.dup2(nowhere.fileno(), sys.stdout.fileno())


class _Parser(argparse.ArgumentParser):
    """A parser whose errors are two lines: what is wrong, and where to read more."""

    def error(self, message: str) -> NoReturn:
        """Complain of wrong usage and leave."""
        sys.exit(_complain(f"{message}\nsee `{self.prog} --help`", 2))


class _ShowWishes(argparse.Action):
    """Print the wishes of `plan` and leave, whatever else is missing."""

    def __call__(self, parser: argparse.ArgumentParser, *_: Any) -> NoReturn:
        """Print them."""
        sys.stdout.write(import_module("platecover.coverage.scan_wishes").wishes_text())
        parser.exit()


def _on_use(name: str, module: str = "commands") -> Callable[[argparse.Namespace], None]:
    """A function of a module of ours, imported when it runs: numba and astropy take a second."""

    def run(options: argparse.Namespace) -> None:
        gc.disable()  # imports leave no garbage: looking for it takes a fifth of their time
        found = import_module(f"platecover.service.{module}")
        gc.enable()
        getattr(found, name)(options)

    return run


def _written_path(word: str) -> Path:
    """A path of something to write: UTF-8, since the libraries that write know no other."""
    path = _path(word)
    try:
        str(path).encode()
    except UnicodeEncodeError:
        raise argparse.ArgumentTypeError("the name is not UTF-8 text; take another") from None
    return path


def _path(word: str) -> Path:
    """A path as it was given: without the blank that `main` puts before `-1.fits`."""
    return Path(word[1:] if word[:1] == " " and _NEGATIVE_NUMBER.match(word[1:]) else word)


def _parser() -> _Parser:
    """Build the parser of all commands."""
    parser = _Parser(
        prog="platecover",
        allow_abbrev=False,
        description="Which photographic plates of an archive show a place in the sky, and when.",
        epilog="`platecover COMMAND --help` explains a command, with examples.",
    )
    parser.add_argument("--version", action="version", version=version("platecover"))
    adder = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    _add_demo(adder)
    _add_build(adder)
    _add_serve(adder)
    _add_cone(adder)
    _add_epochs(adder)
    _add_map(adder)
    _add_moc(adder)
    _add_plan(adder)
    return parser


def _add_demo(adder: "Adder") -> None:
    command = _command(
        adder,
        "demo",
        "make the archive of an invented observatory, ask it something and serve it",
        """
        platecover demo
        platecover demo --dir /tmp/invented --no-serve
        """,
    )
    command.add_argument(
        "--dir",
        type=_written_path,
        default=Path("platecover-demo"),
        metavar="DIR",
        help="folder for logs and archive (default: ./platecover-demo); an earlier demo there is"
        " rebuilt",
    )
    command.add_argument("--no-serve", action="store_true", help="stop after the answer")
    command.add_argument("--port", metavar="N",
                         help="port to serve on (default: 8080 or the next free one)")  # fmt: skip
    command.set_defaults(run=_on_use("demo"))


def _add_build(adder: "Adder") -> None:
    command = _command(
        adder,
        "build",
        "read plate logs into a new edition of an archive",
        """
        platecover build patrol.csv zones.ecsv --observatory observatory.toml --archive plates
        platecover build logs/*.csv --observatory observatory.toml --archive plates --strict
        """,
    )
    command.add_argument(
        "logs",
        nargs="+",
        type=_path,
        metavar="LOG",
        help="plate log: CSV, ECSV, VOTable, FITS or Parquet; name all of them",
    )
    command.add_argument(
        "--observatory",
        required=True,
        type=_path,
        metavar="FILE",
        help="observatory file (TOML): stations and series",
    )
    _add_archive(command)
    command.add_argument(
        "--strict", action="store_true", help="write nothing if any row has to be set aside"
    )
    command.add_argument("--allow-removed", action="store_true",
                         help="let plates vanish that the current edition has")  # fmt: skip
    command.set_defaults(run=_on_use("build", "build_command"))


def _add_serve(adder: "Adder") -> None:
    command = _command(
        adder,
        "serve",
        "serve an archive over HTTP, until stopped",
        """
        platecover serve --archive plates
        platecover serve --archive plates --host 0.0.0.0 --port 80 --settings service.toml
        """,
    )
    _add_archive(command)
    command.add_argument("--host", default="127.0.0.1", metavar="HOST",
                         help="address to serve on (default: 127.0.0.1, this machine)")  # fmt: skip
    command.add_argument("--port", default="8080", metavar="N",
                         help="port (default: 8080; 0 takes a free one)")  # fmt: skip
    command.add_argument("--workers", default="2", metavar="N",
                         help="processes that answer (default: 2)")  # fmt: skip
    command.add_argument("--settings", type=_path, metavar="FILE",
                         help="TOML file of limits and of the columns to show")  # fmt: skip
    command.set_defaults(run=_on_use("serve"))


def _add_cone(adder: "Adder") -> None:
    command = _command(
        adder,
        "cone",
        "exposures that show a place, or any of a circle about it",
        """
        platecover cone --archive plates 83.63 22.01 0
        platecover cone --archive plates 83.63 -5.4 0.5 --series QN,WM --from 1900 --to 1910-06
        platecover cone --archive plates 83.63 22.01 0 --certainty sure --format csv > rows.csv
        """,
    )
    _add_archive(command)
    for name, text in (("ra", "right ascension"), ("dec", "declination"), ("radius", "radius")):
        command.add_argument(name, metavar=name.upper(), help=f"{text}, decimal degrees, ICRS")
    _add_filters(command, with_certainty=True)
    command.add_argument("--format", choices=_ROW_FORMATS, default="table",
                         help="form of the rows (default: table)")  # fmt: skip
    command.set_defaults(run=_on_use("cone"))


def _add_epochs(adder: "Adder") -> None:
    command = _command(
        adder,
        "epochs",
        "when a region was photographed: a histogram of years",
        """
        platecover epochs --archive plates circle 83.63 22.01 1 --bin decade
        platecover epochs --archive plates "constellation Ori" --plot orion.png
        platecover epochs --archive plates range 350 10 -5 5 --series QN --format csv
        """,
    )
    _add_archive(command)
    command.add_argument("region", nargs="+", metavar="REGION", help=_REGION_HELP)
    _add_filters(command, with_certainty=True)
    command.add_argument(
        "--bin",
        default="year",
        metavar="year|decade|N",
        help="width of the bins in years; they start at multiples of it",
    )
    command.add_argument(
        "--format",
        choices=_EPOCH_FORMATS,
        default="table",
        help="form of the histogram (default: table)",
    )
    command.add_argument("--plot", type=_written_path, metavar="FILE",
                         help="draw it as well: .png, .svg or .pdf")  # fmt: skip
    command.set_defaults(run=_on_use("epochs"))


def _add_map(adder: "Adder") -> None:
    command = _command(
        adder,
        "map",
        "draw or write an all-sky map of a selection",
        """
        platecover map --archive plates --show plates --out plates.png
        platecover map --archive plates --show gap --series QN --to 1939 --out gap.fits
        """,
    )
    _add_archive(command)
    command.add_argument("--show", required=True, choices=tuple(QUANTITIES), metavar="QUANTITY",
                         help=f"what to map: {', '.join(QUANTITIES)}")  # fmt: skip
    _add_filters(command, with_certainty=False)
    command.add_argument(
        "--order",
        default="7",
        metavar="K",
        help="HEALPix order, 0 to 10 (default: 7, cells of 27 arcmin)",
    )
    command.add_argument("--out", required=True, type=_path, metavar="FILE",
                         help="file to write: .png, .svg or .fits (HEALPix)")  # fmt: skip
    command.set_defaults(run=_on_use("map_sky"))


def _add_moc(adder: "Adder") -> None:
    command = _command(
        adder,
        "moc",
        "coverage of a selection as a MOC (IVOA multi-order coverage map)",
        """
        platecover moc --archive plates --out all.fits
        platecover moc --archive plates --series QN --to 1914 --order 8 --out early.txt
        """,
    )
    _add_archive(command)
    _add_filters(command, with_certainty=False)
    command.add_argument(
        "--order",
        default="9",
        metavar="K",
        help="finest HEALPix order, 0 to 29 (default: 9, cells of 6.9 arcmin)",
    )
    command.add_argument("--out", required=True, type=_written_path, metavar="FILE",
                         help="file to write: .fits, .txt (ASCII) or .json")  # fmt: skip
    command.set_defaults(run=_on_use("moc"))


def _add_plan(adder: "Adder") -> None:
    command = _command(
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
    _add_archive(command)
    command.add_argument("--budget", required=True, metavar="TEXT",
                         help="'300 plates', '6 hours' or '5 days'")  # fmt: skip
    command.add_argument("--wishes", type=_path, metavar="FILE",
                         help="TOML file: what is worth how much, and takes how long")  # fmt: skip
    command.add_argument("--show-wishes", action=_ShowWishes, nargs=0,
                         help="print all wishes, explained, with their defaults")  # fmt: skip
    _add_filters(command, with_certainty=False)
    command.add_argument("--format", choices=_PLAN_FORMATS, default="table",
                         help="form of the plan (default: table)")  # fmt: skip
    command.add_argument("--out", type=_path, metavar="FILE",
                         help="write it to a file instead of the terminal")  # fmt: skip
    command.add_argument("--plot", type=_written_path, metavar="FILE",
                         help="draw worth added as well: .png, .svg or .pdf")  # fmt: skip
    command.set_defaults(run=_on_use("plan", "plan_command"))


def _command(
    adder: "Adder",
    name: str,
    text: str,
    examples: str,
) -> _Parser:
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


def _add_archive(command: _Parser) -> None:
    command.add_argument("--archive", required=True, type=_written_path, metavar="DIR",
                         help="folder of the archive")  # fmt: skip


def _add_filters(command: _Parser, *, with_certainty: bool) -> None:
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


if __name__ == "__main__":
    main()
