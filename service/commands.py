"""What each command does, once its words are parsed."""

import argparse
import shlex
import socket
import sys
from pathlib import Path
from typing import Any

import numpy as np
from mocpy import MOC, TimeMOC
from numpy.typing import NDArray

from platecover.coverage.archive import Archive
from platecover.coverage.errors import ArchiveError, QueryError
from platecover.coverage.filter_table import FILTERS
from platecover.coverage.healpix_cells import WHOLE_SKY_DEG2
from platecover.coverage.map_files import map_fits
from platecover.coverage.map_quantities import QUANTITIES
from platecover.coverage.moc_files import AnyMoc, check_moc_path, write_moc
from platecover.coverage.regions import Region
from platecover.coverage.space_time_moc import USUAL_ORDER
from platecover.coverage.value_checks import integer_between
from platecover.service.build_command import build_and_tell, last_line
from platecover.service.formats import BINARY_FORMATS, EPOCH_FORMATS, ROW_FORMATS

MAP_FORMATS = ("png", "svg", "fits")
_DEMO_MARK = ".platecover-demo"  # says that a folder is ours to rebuild
_DEMO_QUESTION = ("325.68", "43.59", "0", "1905-07", "1905-09")  # a variable star, one summer
_WORKERS = 2  # processes that serve the demo
_MOST_WORKERS, _LAST_PORT = 64, 65535


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
    filters = filters_given(options)
    rows = archive.rows(region, **filters)
    about = {"query": {"region": region.text, **filters}, "edition": archive.edition.number}
    for piece in ROW_FORMATS[options.format](rows, about, None):
        sys.stdout.buffer.write(piece)


def epochs(options: argparse.Namespace) -> None:
    """Print, and draw if asked, the epoch histogram of a region."""
    archive = Archive.open(options.archive)
    region = Region.parse(" ".join(word.strip() for word in options.region))
    filters = filters_given(options)
    answer = archive.epochs(region, options.bin.strip(), **filters)
    if options.plot is not None:
        from platecover.coverage.plots import plot_epochs  # heavy, and wanted here alone

        said = "".join(f", {name} {', '.join(values)}" for name, values in filters.items())
        source = f"{source_of(archive)}."
        series = archive.edition.summary["observatory"]["series"]
        title = f"Plates of {region.text}{said}"
        plot_epochs(answer, title, source, options.plot, series=series)
        print(f"wrote {options.plot}", file=sys.stderr)
    sys.stdout.buffer.write(EPOCH_FORMATS[options.format](answer))


def map_sky(options: argparse.Namespace) -> None:
    """Draw or write an all-sky map of a selection."""
    form = options.out.suffix.lower().lstrip(".")
    if form not in MAP_FORMATS:
        known = ", ".join(f".{name}" for name in MAP_FORMATS)
        what = f"{options.out}: a map is written to a file ending in {known}"
        raise QueryError("out", str(options.out), what)
    archive = Archive.open(options.archive)
    filters = filters_given(options)
    values = archive.sky_map(options.show, options.order.strip(), **filters)
    said = "; ".join(f"{name} {', '.join(given)}" for name, given in filters.items())
    try:
        if form == "fits":
            selection = said or "all exposures"
            options.out.write_bytes(map_fits(values, options.show, selection, source_of(archive)))
        else:
            from platecover.coverage.map_plots import plot_map  # heavy, and wanted here alone

            described = QUANTITIES[options.show].description
            title = f"{described[0].upper()}{described[1:]}{f' ({said})' if said else ''}"
            order = int(options.order)
            plot_map(values, order, options.show, title, source_of(archive), options.out, form)
    except OSError as fault:
        what = f"{options.out}: cannot be written ({fault.strerror or fault})"
        raise QueryError("out", str(options.out), what) from None
    print(f"wrote {options.out}: {_described_map(values, options.show)}")


def _described_map(values: NDArray[np.float64], quantity: str) -> str:
    """How much of the sky a map covers and what its values reach, in words."""
    known = values[np.isfinite(values) & (values != 0.0)]
    share = f"{100.0 * len(known) / len(values):.4g} % of the sky"
    if not len(known):
        return f"{quantity} nowhere"
    return f"{quantity} from {known.min():.6g} to {known.max():.6g} over {share}"


def source_of(archive: Archive) -> str:
    """Observatory, edition and date, as a line under a plot."""
    summary = archive.edition.summary
    name, built = summary["observatory"]["name"], summary["built"][:10]
    return f"{name}, edition {archive.edition.number} of {built}"


def moc(options: argparse.Namespace) -> None:
    """Write the MOC of a selection: of the sky it covers, of its times, or of both."""
    check_moc_path(options.out)
    filters = filters_given(options)
    order = None if options.order is None else options.order.strip()
    time_order = None if options.time_order is None else options.time_order.strip()
    archive = Archive.open(options.archive)
    if options.dimension == "space":
        if time_order is not None:
            message = "time_order goes with --dimension time or space-time"
            raise QueryError("time_order", time_order, message, usage=True)
        covered: AnyMoc = archive.moc(USUAL_ORDER if order is None else order, **filters)
    elif options.dimension == "time":
        covered = archive.time_moc(time_order, **filters)
    else:
        covered = archive.space_time_moc(order, time_order, **filters)
    undated = 0 if options.dimension == "space" else archive.undated_count(**filters)
    try:
        write_moc(covered, options.out)
    except OSError as fault:
        what = f"{options.out}: cannot be written ({fault.strerror or fault})"
        raise QueryError("out", str(options.out), what) from None
    said = f"; {undated} undated exposures left out" if undated else ""
    print(f"wrote {options.out}: {_described_moc(covered)}{said}")


def _described_moc(moc: AnyMoc) -> str:
    """Order and extent of a MOC, in words."""
    if isinstance(moc, MOC):
        share = moc.sky_fraction
        area = f"{share * WHOLE_SKY_DEG2:.6g} deg2, {100.0 * share:.4g} % of the sky"
        return f"order {moc.max_order}, {area}"
    if isinstance(moc, TimeMOC):
        days = moc.total_duration.to_value("day") if not moc.empty() else 0.0
        return f"time order {moc.max_order}, {days:.6g} days"
    time_order, order = moc.max_order
    return f"time order {time_order}, order {order}"


def demo(options: argparse.Namespace) -> None:
    """Make the invented observatory's archive and show one question with its answer."""
    from platecover.demo_data.make_demo import write_demo  # wanted here alone

    folder: Path = options.dir
    mark = folder / _DEMO_MARK
    if folder.exists() and not folder.is_dir():
        raise ArchiveError(f"{folder}: is a file; name a folder for the demo")
    if folder.is_dir() and any(folder.iterdir()) and not mark.exists():
        raise ArchiveError(f"{folder}: holds other things; name an empty or a new folder")
    if not options.no_serve and options.port is not None:
        _taken_port("127.0.0.1", options.port).close()  # better told now than after the build
    folder.mkdir(parents=True, exist_ok=True)
    mark.touch()
    files = write_demo(folder)
    archive = folder / "archive"
    print(f"logs and observatory file of an invented observatory: {folder}")
    print(last_line(build_and_tell(archive, files.logs, files.observatory, allow_removed=True)))
    ra, dec, radius, since, until = _DEMO_QUESTION
    words = ["platecover", "cone", "--archive", str(archive), ra, dec, radius]
    print(f"\n$ {shlex.join([*words, '--from', since, '--to', until])}")
    circle = Region.circle(float(ra), float(dec), float(radius))
    rows = Archive.open(archive).rows(circle, since=since, until=until)
    print(b"".join(ROW_FORMATS["table"](rows, {}, None)).decode(), end="")
    if not options.no_serve:
        _serve(archive, "127.0.0.1", options.port, _WORKERS)


def serve(options: argparse.Namespace) -> None:
    """Serve an archive until stopped."""
    workers = integer_between("workers", options.workers.strip(), 1, _MOST_WORKERS)
    _serve(options.archive, options.host, options.port, workers, options.settings)


def _serve(
    archive: Path, host: str, port: str | None, workers: int, settings: Path | None = None
) -> None:
    """Serve an archive and leave the process when that ends."""
    from platecover.service import serve  # gunicorn and Flask are wanted here alone
    from platecover.service.settings import Settings, read_settings

    chosen = read_settings(settings) if settings else Settings()
    with _taken_port(host, port) as taken:
        serve.serve(archive, taken, workers, chosen)


def _taken_port(host: str, port: str | None) -> socket.socket:
    """A listening socket on a port, or where none is named on the first free one from 8080."""
    from platecover.service.serve import listening_socket  # as above

    number = None if port is None else integer_between("port", port.strip(), 0, _LAST_PORT)
    return listening_socket(host, number)


def filters_given(options: argparse.Namespace) -> dict[str, Any]:
    """The filters that were given, by Python keyword."""
    given = {each.keyword: getattr(options, each.keyword, None) for each in FILTERS}
    return {
        name: [value.strip() for value in values]
        for name, values in given.items()
        if values is not None
    }
