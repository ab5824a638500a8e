"""The command `targets`: a list of targets from a file, pairs to a file or to the terminal."""

import argparse
import sys
from pathlib import Path

from platecover.coverage.archive import Archive
from platecover.coverage.errors import QueryError
from platecover.coverage.target_list import HALF_CIRCLE_DEG, TargetList, read_targets
from platecover.coverage.target_pairs import PAIR_COLUMNS
from platecover.coverage.target_search import TargetSearch
from platecover.coverage.value_checks import number_between
from platecover.service.commands import filters_given
from platecover.service.formats import BINARY_FORMATS
from platecover.service.target_formats import PAIR_FORMATS, PairRows

_NO_LIMIT = 1 << 62


def targets(options: argparse.Namespace) -> None:
    """Write pairs of targets and exposures; say on standard error how many there are."""
    if options.format in BINARY_FORMATS and options.out is None and sys.stdout.isatty():
        message = f"{options.format} is not for a terminal; name a file: --out pairs.parquet"
        raise QueryError("format", options.format, message, usage=True)
    radius = number_between("radius", options.radius.strip(), 0.0, HALF_CIRCLE_DEG)
    archive = Archive.open(options.archive)
    search = TargetSearch(archive.edition, filters_given(options))
    rows = PairRows(archive.edition, search, _read(options.table, radius), PAIR_COLUMNS, _NO_LIMIT)
    pieces = PAIR_FORMATS[options.format](rows)
    if options.out is None:
        for piece in pieces:
            sys.stdout.buffer.write(piece)
    else:
        try:
            with options.out.open("wb") as stream:
                for piece in pieces:
                    stream.write(piece)
        except OSError as fault:
            what = f"{options.out}: cannot be written ({fault.strerror or fault})"
            raise QueryError("out", str(options.out), what) from None
    print(
        f"{rows.pairs} pairs; targets: {rows.shown} shown, {rows.not_shown} not shown,"
        f" {rows.unreadable} unreadable",
        file=sys.stderr,
    )


def _read(path: Path, radius_deg: float) -> TargetList:
    """The targets of a file; its faults begin with its name."""
    try:
        return read_targets(path.read_bytes(), radius_deg)
    except (OSError, QueryError) as fault:
        reason = getattr(fault, "strerror", None) or str(fault)
        raise QueryError("targets", str(path), f"{path}: {reason}") from None
