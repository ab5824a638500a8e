"""The command that plans what to scan next."""

import argparse
import sys

from platecover.coverage.archive import Archive
from platecover.coverage.errors import QueryError
from platecover.service.commands import filters_given, source_of
from platecover.service.plan_formats import PLAN_FORMATS


def plan(options: argparse.Namespace) -> None:
    """Print, and draw if asked, what to scan within a budget."""
    if options.plot is not None:
        from platecover.coverage.scan_plots import check_plot_path  # heavy, and wanted here alone

        check_plot_path(options.plot)
    if options.maps is not None:
        from platecover.coverage.scan_map_plots import check_maps_path  # as above

        check_maps_path(options.maps)
    archive = Archive.open(options.archive)
    filters = filters_given(options)
    found = archive.scan_plan(options.budget, options.wishes, **filters)
    if options.plot is not None:
        from platecover.coverage.scan_plots import plot_plan  # as above

        said = "".join(f", {name} {', '.join(values)}" for name, values in filters.items())
        title = f"What to scan next: {len(found.plates)} plates for {found.budget.text}{said}"
        plot_plan(found, title, f"{source_of(archive)}.", options.plot)
        print(f"wrote {options.plot}", file=sys.stderr)
    answer = PLAN_FORMATS[options.format](found)
    if options.maps is not None:
        from platecover.coverage.scan_map_plots import plot_scanned_maps  # as above

        before, after = archive.scanned_maps(found)
        title = f"The scanned sky before and after {len(found.plates)} plates"
        plot_scanned_maps(before, after, title, f"{source_of(archive)}.", options.maps)
        print(f"wrote {options.maps}", file=sys.stderr)
    if options.out is None:
        sys.stdout.buffer.write(answer)
        return
    try:
        options.out.write_bytes(answer)
    except OSError as fault:
        what = f"{options.out}: cannot be written ({fault.strerror or fault})"
        raise QueryError("out", str(options.out), what) from None
    print(f"wrote {options.out}: {len(found.plates)} plates")
