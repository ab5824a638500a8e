"""The command `platecover`: parse the words, ask the archive, print the answer.

Exit status: 0 done (an answer without rows too), 1 a value, file or archive at fault,
2 wrong usage.
"""

import argparse
import os
import re
import sys
from collections.abc import Sequence
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from platecover.coverage.errors import PlatecoverError, QueryError
from platecover.coverage.filters import FILTERS, UNKNOWN
from platecover.service import commands
from platecover.service.formats import EPOCH_FORMATS, ROW_FORMATS

if TYPE_CHECKING:
    Adder = argparse._SubParsersAction[argparse.ArgumentParser]

_NEGATIVE_NUMBER = re.compile(r"-(\d|\.\d|inf|nan)", re.IGNORECASE)
_INTERRUPTED = 130  # what shells say of a program that was stopped by Ctrl-C

_REGION_HELP = (
    "circle RA DEC RADIUS | range RA1 RA2 DEC1 DEC2 | polygon RA1 DEC1 RA2 DEC2 ... |"
    " constellation NAME | moc FILE | all; decimal degrees, ICRS; quoted or as separate words"
)


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """Run the command line and leave with its exit status."""
    words = sys.argv[1:] if arguments is None else list(arguments)
    # argparse would take -1e-5 or -nan for an option; with a blank before it, it does not
    words = [f" {word}" if _NEGATIVE_NUMBER.match(word) else word for word in words]
    options = _parser().parse_args(words)
    try:
        options.run(options)
        sys.stdout.flush()
        status = 0
    except QueryError as fault:
        status = _complain(fault, 2 if fault.usage else 1)
    except PlatecoverError as fault:
        status = _complain(fault, 1)
    except BrokenPipeError:  # the reader, such as `head`, has seen enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        status = 0
    except OSError as fault:
        status = _complain(f"{fault.filename or 'output'}: {fault.strerror}", 1)
    except KeyboardInterrupt:
        status = _complain("interrupted; what was in place before is unchanged", _INTERRUPTED)
    sys.exit(status)


def _complain(fault: object, status: int) -> int:
    print(f"platecover: {fault}", file=sys.stderr)
    return status


def _parser() -> argparse.ArgumentParser:
    """Build the parser of all commands."""
    parser = argparse.ArgumentParser(
        prog="platecover",
        description="Which photographic plates of an archive show a place in the sky, and when.",
        epilog="`platecover COMMAND --help` explains a command, with examples.",
    )
    parser.add_argument("--version", action="version", version=version("platecover"))
    adder = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    _add_demo(adder)
    _add_build(adder)
    _add_cone(adder)
    _add_epochs(adder)
    _add_moc(adder)
    return parser


def _add_demo(adder: "Adder") -> None:
    command = _command(
        adder,
        "demo",
        "make the archive of an invented observatory and ask it something",
        """
        platecover demo --no-serve
        platecover demo --dir /tmp/invented --no-serve
        """,
    )
    command.add_argument("--dir", type=Path, default=Path("platecover-demo"), metavar="DIR",
                         help="folder for logs and archive (default: ./platecover-demo); an"
                         " earlier demo there is rebuilt")  # fmt: skip
    command.add_argument("--no-serve", action="store_true", help="stop after the answer")
    command.set_defaults(run=commands.demo)


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
        type=Path,
        metavar="LOG",
        help="plate log: CSV, ECSV, VOTable, FITS or Parquet; name all of them",
    )
    command.add_argument(
        "--observatory",
        required=True,
        type=Path,
        metavar="FILE",
        help="observatory file (TOML): stations and series",
    )
    _add_archive(command)
    command.add_argument(
        "--strict", action="store_true", help="write nothing if any row has to be set aside"
    )
    command.add_argument("--allow-removed", action="store_true",
                         help="let plates vanish that the current edition has")  # fmt: skip
    command.set_defaults(run=commands.build)


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
    command.add_argument("--format", choices=list(ROW_FORMATS), default="table",
                         help="form of the rows (default: table)")  # fmt: skip
    command.set_defaults(run=commands.cone)


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
        choices=list(EPOCH_FORMATS),
        default="table",
        help="form of the histogram (default: table)",
    )
    command.add_argument("--plot", type=Path, metavar="FILE",
                         help="draw it as well: .png, .svg or .pdf")  # fmt: skip
    command.set_defaults(run=commands.epochs)


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
    command.add_argument("--out", required=True, type=Path, metavar="FILE",
                         help="file to write: .fits, .txt (ASCII) or .json")  # fmt: skip
    command.set_defaults(run=commands.moc)


def _command(
    adder: "Adder",
    name: str,
    text: str,
    examples: str,
) -> argparse.ArgumentParser:
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


def _add_archive(command: argparse.ArgumentParser) -> None:
    command.add_argument("--archive", required=True, type=Path, metavar="DIR",
                         help="folder of the archive")  # fmt: skip


def _add_filters(command: argparse.ArgumentParser, *, with_certainty: bool) -> None:
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
