"""The command that tells how far the scanning has come, and when it will be done."""

import argparse
import sys

from platecover.coverage.archive import Archive
from platecover.service.commands import filters_given, source_of
from platecover.service.history_formats import PROGRESS_FORMATS


def progress(options: argparse.Namespace) -> None:
    """Print, and draw if asked, the progress of scanning."""
    if options.plot is not None:
        from platecover.coverage.scan_plots import check_plot_path  # heavy, and wanted here alone

        check_plot_path(options.plot)
    archive = Archive.open(options.archive)
    filters = filters_given(options)
    found = archive.scan_progress(options.by, **filters)
    if options.plot is not None:
        from platecover.coverage.progress_plots import plot_progress  # as above

        said = "".join(f", {name} {', '.join(values)}" for name, values in filters.items())
        title = f"Scanned plates by {found.by}{said}"
        plot_progress(found, title, f"{source_of(archive)}.", options.plot)
        print(f"wrote {options.plot}", file=sys.stderr)
    sys.stdout.buffer.write(PROGRESS_FORMATS[options.format](found))
