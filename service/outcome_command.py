"""The command that takes the day's outcome back, and undoes it."""

import argparse
import gc
import sys

from platecover.coverage.errors import QueryError
from platecover.coverage.outcome_apply import OutcomeReport, apply_outcomes, undo_outcomes
from platecover.coverage.outcome_checks import SetAside
from platecover.service.progress_bar import ProgressBars
from platecover.service.terminal_text import printable

_LISTED = 200  # rows set aside that are named on the terminal
_FEW = 3  # of those that say nothing new
_SHOWN = 60  # characters of a value
_STRICT = "strict: nothing applied"


def outcome(options: argparse.Namespace) -> None:
    """Apply a file of outcomes, or undo entries, and say what came of it."""
    gc.disable()  # a long ledger leaves nothing to be found: looking takes a third of the time
    try:
        _outcome(options)
    finally:
        gc.enable()


def _outcome(options: argparse.Namespace) -> None:
    if options.undo is not None:
        _undo(options)
        return
    if options.file is None:
        raise QueryError(
            "file", None, "name a file of outcomes, or what to --undo (--show-form prints a form)",
            usage=True,
        )  # fmt: skip
    with ProgressBars() as progress:
        report = apply_outcomes(
            options.archive, options.file, by=options.by or "", strict=options.strict,
            scans=options.scans or "", progress=progress,
        )  # fmt: skip
    _tell_set_aside(report.set_aside)
    for line in _lines(report):
        print(printable(line))
    if report.unknown_others:
        print(
            "found in other plates' jackets, but not plates of this archive: "
            + printable(", ".join(report.unknown_others)),
            file=sys.stderr,
        )
    print(
        f"rows read {report.rows_read}, applied {report.applied}, set aside {len(report.set_aside)}"
    )
    if report.faults and (options.strict or report.faults == report.rows_read):
        what = f"{_STRICT}: " if options.strict else "nothing applied: "
        raise QueryError("file", str(options.file), f"{what}{report.faults} rows are at fault")


def _undo(options: argparse.Namespace) -> None:
    if options.file is not None or options.strict or options.scans:
        raise QueryError(
            "undo", options.undo, "--undo goes with --archive, --by and --why only", usage=True
        )
    for name in ("by", "why"):
        if not getattr(options, name):
            raise QueryError(name, None, f"--undo needs --{name}: it stays readable", usage=True)
    with ProgressBars() as progress:
        report = undo_outcomes(
            options.archive, options.undo, by=options.by, why=options.why, progress=progress
        )
    print(f"posting {report.posting}: {report.applied} entries undone; edition {report.edition}")


def _lines(report: OutcomeReport) -> list[str]:
    """What came of a file, in words."""
    if report.posting is None:
        if report.is_new_edition:
            return [f"nothing new for the ledger; edition {report.edition} now knows all of it"]
        stays = f"edition {report.edition} stays"
        if not report.rows_read:
            return [f"nothing changed: the file has no rows; {stays}"]
        if not report.faults:
            return [f"nothing changed: every row is in the ledger already; {stays}"]
        if report.repeats:
            return [
                f"nothing changed: {report.repeats} rows are in the ledger already and"
                f" {report.faults} are at fault; {stays}"
            ]
        return [f"nothing changed; {stays}"]
    said = ", ".join(f"{name} {count}" for name, count in report.outcomes.items())
    lines = [f"posting {report.posting}: {said}; edition {report.edition}"]
    if report.without_address:
        lines.append(f"of these, scanned without an address on the web: {report.without_address}")
    return lines


def _tell_set_aside(rows: tuple[SetAside, ...]) -> None:
    """Name the rows set aside: all that are at fault, a few of those that say nothing new."""
    faults = [each for each in rows if not each.repeat]
    repeats = [each for each in rows if each.repeat]
    for some, most, what in (
        (faults, _LISTED, ""), (repeats, _FEW, " rows that say nothing new"),
    ):  # fmt: skip
        for each in some[:most]:
            value = each.value if len(each.value) <= _SHOWN else each.value[:_SHOWN] + "..."
            where = f"{each.file}, row {each.row}" + (f", {each.column}" if each.column else "")
            print(printable(f"set aside: {where}: {value!r}: {each.reason}"), file=sys.stderr)
        if len(some) > most:
            print(f"... {len(some) - most} more{what}", file=sys.stderr)
