"""The command `platecover`: parse the words, ask the archive, print the answer.

Exit status: 0 done (an answer without rows too), 1 a value, file or archive at fault,
2 wrong usage.
"""

import gc
import io
import os
import sys
from collections.abc import Sequence
from importlib.metadata import version
from typing import NoReturn

from platecover.coverage.errors import PlatecoverError, QueryError
from platecover.service.archive_parsers import (
    add_build,
    add_cone,
    add_demo,
    add_epochs,
    add_map,
    add_moc,
    add_serve,
    add_targets,
)
from platecover.service.lean_imports import keep_pandas_out
from platecover.service.parser_parts import NEGATIVE_NUMBER, Parser, complain
from platecover.service.planning_parsers import (
    add_history,
    add_outcome,
    add_plan,
    add_progress,
    add_pull_list,
)
from platecover.service.poster_parser import add_poster

_INTERRUPTED = 130  # what shells say of a program that was stopped by Ctrl-C


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """Run the command line and leave with its exit status."""
    if arguments is None:  # a process of its own
        keep_pandas_out()
    words = sys.argv[1:] if arguments is None else list(arguments)
    if sys.stdout is None:  # closed by the shell: >&-
        sys.stdout = open(os.devnull, "w")
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")  # file names may hold any bytes
    # argparse would take -1e-5 or -nan for an option; with a blank before it, it does not
    words = [f" {word}" if NEGATIVE_NUMBER.match(word) else word for word in words]
    options = parser().parse_args(words)
    try:
        options.run(options)
        sys.stdout.flush()
        status = 0
    except QueryError as fault:
        status = complain(str(fault), 2 if fault.usage else 1)
    except PlatecoverError as fault:
        status = complain(str(fault), 1)
    except BrokenPipeError:  # the reader, such as `head`, has seen enough
        _drop_output()
        status = 0
    except OSError as fault:
        status = complain(f"{fault.filename or 'output'}: {fault.strerror or fault}", 1)
    except KeyboardInterrupt:
        status = complain("interrupted; what was in place before is unchanged", _INTERRUPTED)
    gc.freeze()  # else Python looks through all that was imported before it leaves: 0.2 s
    sys.exit(status)


def _drop_output() -> None:
    """Send what is still in the buffers nowhere, since where it should go takes no more."""
    with open(os.devnull, "wb") as nowhere:
        os.dup2(nowhere.fileno(), sys.stdout.fileno())


def parser() -> Parser:
    """Build the parser of all commands."""
    parser = Parser(
        prog="platecover",
        allow_abbrev=False,
        description="Which photographic plates of an archive show a place in the sky, and when.",
        epilog="`platecover COMMAND --help` explains a command, with examples.",
    )
    parser.add_argument("--version", action="version", version=version("platecover"))
    adder = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    add_demo(adder)
    add_build(adder)
    add_serve(adder)
    add_cone(adder)
    add_epochs(adder)
    add_map(adder)
    add_moc(adder)
    add_poster(adder)
    add_targets(adder)
    add_plan(adder)
    add_pull_list(adder)
    add_outcome(adder)
    add_history(adder)
    add_progress(adder)
    return parser


if __name__ == "__main__":
    main()
