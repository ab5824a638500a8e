"""What each command does, once its words are parsed."""

import argparse
import shlex
import sys
from pathlib import Path
from typing import Any

from platecover.coverage.archive import Archive
from platecover.coverage.edition_build import BuildReport
from platecover.coverage.edition_build import build as build_edition
from platecover.coverage.errors import ArchiveError, QueryError
from platecover.coverage.filter_table import FILTERS
from platecover.coverage.healpix_cells import WHOLE_SKY_DEG2
from platecover.coverage.moc_files import check_moc_path, write_moc
from platecover.coverage.regions import Region
from platecover.service.formats import BINARY_FORMATS, EPOCH_FORMATS, ROW_FORMATS, printable
from platecover.service.progress_bar import ProgressBars

_DEMO_MARK = ".platecover-demo"  # says that a folder is ours to rebuild
_DEMO_QUESTION = (325.68, 43.59, 0.0)  # RA, Dec, radius
_LISTED = 10  # rows set aside that are named on the terminal


def build(options: argparse.Namespace) -> None:
    """Build a new edition from logs and say what came of it."""
    report = _build(
        options.archive,
        options.logs,
        options.observatory,
        strict=options.strict,
        allow_removed=options.allow_removed,
    )
    print(_last_line(report))


def _build(archive: Path, logs: list[Path], observatory: Path, **how: bool) -> BuildReport:
    """Build with progress bars; name what was set aside on standard error."""
    with ProgressBars() as progress:
        report = build_edition(archive, logs, observatory, progress=progress, **how)
    print(
        f"edition {report.edition} of {archive}: {report.kept} exposures on {report.plates}"
        f" plates, {report.remarks} remarks"
    )
    if report.set_aside:
        rows = Archive.open(archive).set_aside()[:_LISTED]
        for row in rows:
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


def _last_line(report: BuildReport) -> str:
    return f"rows read {report.rows_read}, kept {report.kept}, set aside {report.set_aside}"


def cone(options: argparse.Namespace) -> None:
    """Print the exposures that show a circle."""
    if options.format in BINARY_FORMATS and sys.stdout.isatty():
        raise QueryError(
            "format",
            options.format,
            f"{options.format} is not for a terminal; send it to a file: ... > rows.parquet",
            usage=True,
        )
    archive = Archive.open(options.archive)
    region = Region.circle(options.ra.strip(), options.dec.strip(), options.radius.strip())
    filters = _filters(options)
    rows = archive.rows(region, **filters)
    about = {"query": {"region": region.text, **filters}, "edition": archive.edition.number}
    sys.stdout.buffer.write(ROW_FORMATS[options.format](rows, about))


def epochs(options: argparse.Namespace) -> None:
    """Print, and draw if asked, the epoch histogram of a region."""
    archive = Archive.open(options.archive)
    region = Region.parse(" ".join(word.strip() for word in options.region))
    filters = _filters(options)
    answer = archive.epochs(region, options.bin.strip(), **filters)
    if options.plot is not None:
        from platecover.coverage.plots import plot_epochs  # heavy, and wanted here alone

        said = "".join(f", {name} {', '.join(values)}" for name, values in filters.items())
        summary = archive.edition.summary
        source = (
            f"{summary['observatory']['name']}, edition {archive.edition.number}"
            f" of {summary['built'][:10]}."
        )
        plot_epochs(answer, f"Plates of {region.text}{said}", source, options.plot)
        print(f"wrote {options.plot}", file=sys.stderr)
    sys.stdout.buffer.write(EPOCH_FORMATS[options.format](answer))


def moc(options: argparse.Namespace) -> None:
    """Write the union MOC of a selection."""
    check_moc_path(options.out)
    moc = Archive.open(options.archive).moc(options.order.strip(), **_filters(options))
    try:
        write_moc(moc, options.out)
    except OSError as fault:
        what = f"{options.out}: cannot be written ({fault.strerror or fault})"
        raise QueryError("out", str(options.out), what) from None
    share = moc.sky_fraction
    print(
        f"wrote {options.out}: order {moc.max_order}, {share * WHOLE_SKY_DEG2:.6g} deg2,"
        f" {100.0 * share:.4g} % of the sky"
    )


def demo(options: argparse.Namespace) -> None:
    """Make the invented observatory's archive and show one question with its answer."""
    from platecover.demo_data.make_demo import write_demo  # wanted here alone

    folder: Path = options.dir
    mark = folder / _DEMO_MARK
    if folder.exists() and not folder.is_dir():
        raise ArchiveError(f"{folder}: is a file; name a folder for the demo")
    if folder.is_dir() and any(folder.iterdir()) and not mark.exists():
        raise ArchiveError(f"{folder}: holds other things; name an empty or a new folder")
    folder.mkdir(parents=True, exist_ok=True)
    mark.touch()
    files = write_demo(folder)
    archive = folder / "archive"
    print(f"logs and observatory file of an invented observatory: {folder}")
    print(_last_line(_build(archive, files.logs, files.observatory, allow_removed=True)))
    ra, dec, radius = _DEMO_QUESTION
    words = ["platecover", "cone", "--archive", str(archive), f"{ra:g}", f"{dec:g}", f"{radius:g}"]
    print(f"\n$ {shlex.join(words)}")
    rows = Archive.open(archive).rows(Region.circle(ra, dec, radius))
    print(ROW_FORMATS["table"](rows, {}).decode(), end="")
    if not options.no_serve:
        print("There is no HTTP service in this version yet.", file=sys.stderr)


def _filters(options: argparse.Namespace) -> dict[str, Any]:
    """The filters that were given, by Python keyword."""
    given = {each.keyword: getattr(options, each.keyword, None) for each in FILTERS}
    return {
        name: [value.strip() for value in values]
        for name, values in given.items()
        if values is not None
    }
