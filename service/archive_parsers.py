"""The parsers of the commands that make an archive, serve it and ask it."""

from pathlib import Path
from typing import TYPE_CHECKING

from platecover.coverage.map_quantities import QUANTITIES
from platecover.service.parser_parts import (
    EPOCH_FORMATS,
    REGION_HELP,
    ROW_FORMATS,
    add_archive,
    add_command,
    add_filters,
    on_use,
    read_path,
    written_path,
)

if TYPE_CHECKING:
    from platecover.service.parser_parts import Adder


def add_demo(adder: "Adder") -> None:
    """Add `demo`: an invented archive, made and served."""
    command = add_command(
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
        type=written_path,
        default=Path("platecover-demo"),
        metavar="DIR",
        help="folder for logs and archive (default: ./platecover-demo); an earlier demo there is"
        " rebuilt",
    )
    command.add_argument("--no-serve", action="store_true", help="stop after the answer")
    command.add_argument("--port", metavar="N",
                         help="port to serve on (default: 8080 or the next free one)")  # fmt: skip
    command.set_defaults(run=on_use("demo"))


def add_build(adder: "Adder") -> None:
    """Add `build`: logs into an edition."""
    command = add_command(
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
        type=read_path,
        metavar="LOG",
        help="plate log: CSV, ECSV, VOTable, FITS or Parquet; name all of them",
    )
    command.add_argument(
        "--observatory",
        required=True,
        type=read_path,
        metavar="FILE",
        help="observatory file (TOML): stations and series",
    )
    add_archive(command)
    command.add_argument(
        "--strict", action="store_true", help="write nothing if any row has to be set aside"
    )
    command.add_argument("--allow-removed", action="store_true",
                         help="let plates vanish that the current edition has")  # fmt: skip
    command.set_defaults(run=on_use("build", "build_command"))


def add_serve(adder: "Adder") -> None:
    """Add `serve`: the archive over HTTP."""
    command = add_command(
        adder,
        "serve",
        "serve an archive over HTTP, until stopped",
        """
        platecover serve --archive plates
        platecover serve --archive plates --host 0.0.0.0 --port 80 --settings service.toml
        """,
    )
    add_archive(command)
    command.add_argument("--host", default="127.0.0.1", metavar="HOST",
                         help="address to serve on (default: 127.0.0.1, this machine)")  # fmt: skip
    command.add_argument("--port", default="8080", metavar="N",
                         help="port (default: 8080; 0 takes a free one)")  # fmt: skip
    command.add_argument("--workers", default="2", metavar="N",
                         help="processes that answer (default: 2)")  # fmt: skip
    command.add_argument("--settings", type=read_path, metavar="FILE",
                         help="TOML file of limits and of the columns to show")  # fmt: skip
    command.set_defaults(run=on_use("serve"))


def add_cone(adder: "Adder") -> None:
    """Add `cone`: exposures about a place."""
    command = add_command(
        adder,
        "cone",
        "exposures that show a place, or any of a circle about it",
        """
        platecover cone --archive plates 83.63 22.01 0
        platecover cone --archive plates 83.63 -5.4 0.5 --series QN,WM --from 1900 --to 1910-06
        platecover cone --archive plates 83.63 22.01 0 --certainty sure --format csv > rows.csv
        """,
    )
    add_archive(command)
    for name, text in (("ra", "right ascension"), ("dec", "declination"), ("radius", "radius")):
        command.add_argument(name, metavar=name.upper(), help=f"{text}, decimal degrees, ICRS")
    add_filters(command, with_certainty=True)
    command.add_argument("--format", choices=ROW_FORMATS, default="table",
                         help="form of the rows (default: table)")  # fmt: skip
    command.set_defaults(run=on_use("cone"))


def add_epochs(adder: "Adder") -> None:
    """Add `epochs`: a histogram of years."""
    command = add_command(
        adder,
        "epochs",
        "when a region was photographed: a histogram of years",
        """
        platecover epochs --archive plates circle 83.63 22.01 1 --bin decade
        platecover epochs --archive plates "constellation Ori" --plot orion.png
        platecover epochs --archive plates range 350 10 -5 5 --series QN --format csv
        """,
    )
    add_archive(command)
    command.add_argument("region", nargs="+", metavar="REGION", help=REGION_HELP)
    add_filters(command, with_certainty=True)
    command.add_argument(
        "--bin",
        default="year",
        metavar="year|decade|N",
        help="width of the bins in years; they start at multiples of it",
    )
    command.add_argument(
        "--format",
        choices=EPOCH_FORMATS,
        default="table",
        help="form of the histogram (default: table)",
    )
    command.add_argument("--plot", type=written_path, metavar="FILE",
                         help="draw it as well: .png, .svg or .pdf")  # fmt: skip
    command.set_defaults(run=on_use("epochs"))


def add_map(adder: "Adder") -> None:
    """Add `map`: the sky, a quantity a cell."""
    command = add_command(
        adder,
        "map",
        "draw or write an all-sky map of a selection",
        """
        platecover map --archive plates --show plates --out plates.png
        platecover map --archive plates --show gap --series QN --to 1939 --out gap.fits
        """,
    )
    add_archive(command)
    command.add_argument("--show", required=True, choices=tuple(QUANTITIES), metavar="QUANTITY",
                         help=f"what to map: {', '.join(QUANTITIES)}")  # fmt: skip
    add_filters(command, with_certainty=False)
    command.add_argument(
        "--order",
        default="7",
        metavar="K",
        help="HEALPix order, 0 to 10 (default: 7, cells of 27 arcmin)",
    )
    command.add_argument("--out", required=True, type=read_path, metavar="FILE",
                         help="file to write: .png, .svg or .fits (HEALPix)")  # fmt: skip
    command.set_defaults(run=on_use("map_sky"))


def add_moc(adder: "Adder") -> None:
    """Add `moc`: coverage as a multi-order map."""
    command = add_command(
        adder,
        "moc",
        "coverage of a selection as a MOC (IVOA multi-order coverage map)",
        """
        platecover moc --archive plates --out all.fits
        platecover moc --archive plates --series QN --to 1914 --order 8 --out early.txt
        platecover moc --archive plates --dimension space-time --series QN --order 6 --out when.fits
        """,
    )
    add_archive(command)
    add_filters(command, with_certainty=False)
    command.add_argument(
        "--order",
        metavar="K",
        help="finest HEALPix order, 0 to 29 (default: 9, cells of 6.9 arcmin; of space-time the"
        " finest up to that which keeps it small)",
    )
    command.add_argument("--dimension", choices=("space", "time", "space-time"), default="space",
                         help="what the MOC is of (default: space)")  # fmt: skip
    command.add_argument(
        "--time-order",
        metavar="K",
        help="finest order of cells of time, 0 to 31, cells of 18 minutes (default: as fine as"
        " the times are known)",
    )
    command.add_argument("--out", required=True, type=written_path, metavar="FILE",
                         help="file to write: .fits, .txt (ASCII) or .json")  # fmt: skip
    command.set_defaults(run=on_use("moc"))


def add_targets(adder: "Adder") -> None:
    """Add `targets`: exposures of a list of places."""
    command = add_command(
        adder,
        "targets",
        "exposures that show each of a list of targets",
        """
        platecover targets --archive plates variables.csv > pairs.csv
        platecover targets --archive plates fields.vot --radius 0.5 --certainty sure --out pairs.csv
        platecover targets --archive plates stars.parquet --format parquet --out pairs.parquet
        """,
    )
    add_archive(command)
    command.add_argument(
        "table",
        type=read_path,
        metavar="TABLE",
        help="CSV, ECSV, VOTable or Parquet of at most 100,000 rows; columns ra and dec (ICRS),"
        " and if there are radius, and id or name",
    )
    command.add_argument(
        "--radius",
        default="0",
        metavar="R",
        help="degrees, of targets without their own (default: 0, points)",
    )
    add_filters(command, with_certainty=True)
    command.add_argument("--format", choices=("csv", "parquet"), default="csv",
                         help="form of the answer (default: csv)")  # fmt: skip
    command.add_argument("--out", type=written_path, metavar="FILE",
                         help="file to write (default: standard output)")  # fmt: skip
    command.set_defaults(run=on_use("targets", "targets_command"))
