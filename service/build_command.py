"""The command `platecover build`: what of the others is slow to start is not imported here."""

import argparse
import sys
from pathlib import Path

from platecover.coverage.edition import open_current
from platecover.coverage.edition_build import BuildReport
from platecover.coverage.edition_build import build as build_edition
from platecover.service.progress_bar import ProgressBars
from platecover.service.terminal_text import printable

_LISTED = 10  # rows set aside that are named on the terminal


def build(options: argparse.Namespace) -> None:
    """Build a new edition from logs and say what came of it."""
    report = build_and_tell(
        options.archive,
        options.logs,
        options.observatory,
        strict=options.strict,
        allow_removed=options.allow_removed,
    )
    print(last_line(report))


def build_and_tell(archive: Path, logs: list[Path], observatory: Path, **how: bool) -> BuildReport:
    """Build with progress bars; name what was set aside on standard error."""
    with ProgressBars() as progress:
        report = build_edition(archive, logs, observatory, progress=progress, **how)
    print(
        f"edition {report.edition} of {archive}: {report.kept} exposures on {report.plates}"
        f" plates, {report.remarks} remarks"
    )
    if report.set_aside:
        rows = open_current(archive).table("set_aside").slice(0, _LISTED)
        for row in rows.to_pylist():
            what = f"{row['file']}, row {row['row']}, {row['column']}: {row['reason']}"
            print(f"set aside: {printable(what)}", file=sys.stderr)
        if report.set_aside > _LISTED:
            print(
                f"... {report.set_aside - _LISTED} more; all of them, whole, in"
                f" {archive / 'editions' / str(report.edition) / 'set_aside.parquet'}",
                file=sys.stderr,
            )
    for plate in report.unknown_ledger_plates:
        print(f"ledger: {plate} is in no log; its entries have no effect", file=sys.stderr)
    return report


def last_line(report: BuildReport) -> str:
    """Count of rows read, kept and set aside, as a sentence for the end."""
    return f"rows read {report.rows_read}, kept {report.kept}, set aside {report.set_aside}"
