"""What answers cost: epochs, maps, and pages of rows over HTTP (in process, no network)."""

import csv
import gc
import io
import json
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import numpy as np
from astropy.io.votable import parse_single_table
from astropy.table import MaskedColumn, Table
from tests.benchmarks.figures import Figure, median_ms, tell
from tests.benchmarks.query_costs import random_positions
from tests.benchmarks.synthetic_logs import SEED
from werkzeug.test import create_environ, run_wsgi_app

from platecover.coverage.archive import Archive
from platecover.coverage.map_quantities import QUANTITIES
from platecover.coverage.regions import Region
from platecover.service.app import create_app

RUNS, FEWER_RUNS = 9, 3
MAP_ORDER = 7
ROWS = 5_000
# From nearly all exposures to few, no two runs under the same filter.
MAP_FILTERS: tuple[dict[str, Any], ...] = (
    {"since": 1892}, {"undated": "no"}, {"since": 1905, "until": 1950}, {"status": "on shelf"},
    {"series": "XIL,JUF,VYG,NOQ,KEZ", "until": 1931}, {"scanned": "yes"}, {"series": "ZOV,QEP"},
    {"min_exposure": 60, "since": 1920}, {"observer": "Dunvik"},
)  # fmt: skip
_POLYGONS = [  # about 100 square degrees each
    f"polygon {ra} {dec} {ra + 10} {dec} {ra + 10} {dec + 10} {ra} {dec + 10}"
    for ra, dec in zip(range(5, 345, 40), (-10, -5, 0, -8, -2, -6, 1, -4, -9), strict=True)
]
_CONSTELLATIONS = ("Ori", "Cyg", "Sgr", "UMa", "Cen", "Peg", "Leo", "Her", "Aqr")


def epoch_figures(folder: Path, size: int) -> list[Figure]:
    """Yearly histograms of small and large regions."""
    archive = Archive.open(folder / "archive")
    tell(f"{size:,}: epochs")
    constellations = [f"constellation {name}" for name in _CONSTELLATIONS]
    figures = []
    for key, work, texts in (
        ("polygon", "epochs of a 100 square-degree polygon", _POLYGONS),
        ("constellation", "epochs of a constellation", constellations),
        ("all", "epochs of the whole sky, unfiltered", ["all"] * RUNS),
    ):
        regions = [Region.parse(text) for text in texts]
        archive.epochs(Region.parse("circle 200 40 5"))  # compiled code is loaded
        works = [partial(archive.epochs, region) for region in regions]
        note = "" if key == "all" else f"median of {len(texts)}"
        figures.append(Figure(f"epochs_{key}_ms", work, median_ms(works), "ms", note=note))
    return figures


def map_figures(folder: Path, size: int) -> list[Figure]:
    """Maps of every quantity under filters, and a drawing of each over HTTP."""
    archive = Archive.open(folder / "archive")
    for quantity in QUANTITIES:
        archive.sky_map(quantity, 0, since=1950)  # compiled code is loaded
    medians: dict[str, float] = {}
    slowest = ("", 0.0)
    for quantity in QUANTITIES:
        tell(f"{size:,}: maps of {quantity}")
        times = {
            str(filters): median_ms([partial(archive.sky_map, quantity, MAP_ORDER, **filters)])
            for filters in MAP_FILTERS
        }
        medians[quantity] = float(np.median(list(times.values())))
        slowest = max(slowest, *((f"{quantity} {text}", ms) for text, ms in times.items()),
                      key=lambda each: each[1])  # fmt: skip
    worst = max(medians, key=lambda name: medians[name])
    note = f"{worst}, slowest of {len(QUANTITIES)} quantities; median of {len(MAP_FILTERS)} filters"
    work = f"map at order {MAP_ORDER} under a filter"
    return [
        Figure("map_ms", work, medians[worst], "ms", note=note),
        Figure("map_slowest_ms", f"{work}, slowest of all", slowest[1], "ms", note=slowest[0]),
        *(Figure(f"map_{name}_ms", f"map of {name}", ms, "ms") for name, ms in medians.items()),
        _png_figure(folder, size),
    ]


def _png_figure(folder: Path, size: int) -> Figure:
    """The drawing of a filtered map, map and all."""
    tell(f"{size:,}: PNG of maps")
    ask = client(folder)
    first_year = 1891
    queries = [
        {"show": quantity, "order": MAP_ORDER, "format": "png", "from": first_year + at}
        for at, quantity in enumerate((*QUANTITIES, "exposures"), 1)
    ]
    ask("/api/map", {**queries[0], "order": 0})  # the plotting library is loaded
    ms = median_ms([partial(ask, "/api/map", query) for query in queries])
    return Figure("png_ms", "PNG of a map, map included", ms, "ms", note="over HTTP, in process")


def cone_figures(folder: Path, size: int) -> list[Figure]:
    """Answers of 5,000 rows with all columns, and astropy's writer on the same rows."""
    archive, ask = Archive.open(folder / "archive"), client(folder)
    tell(f"{size:,}: cones of {ROWS:,} rows")
    ras, decs = random_positions(RUNS, SEED + 1)
    places = [
        {"ra": ra, "dec": dec, "radius": radius_for_rows(archive, ra, dec)}
        for ra, dec in zip(ras.round(4).tolist(), decs.round(4).tolist(), strict=True)
    ]
    tables = [archive.cone(**place)[:ROWS] for place in places]
    ways: dict[str, Callable[[dict[str, float]], bytes]] = {
        "votable": partial(votable_cone, ask),
        "json": lambda place: ask("/api/exposures", {**place, "format": "json", "maxrec": ROWS}),
        "csv": lambda place: ask("/api/exposures", {**place, "format": "csv", "maxrec": ROWS}),
    }
    for name, way in ways.items():
        check_rows(name, way(places[0]), tables[0])
    figures = []
    for name, way in ways.items():
        ms = median_ms([partial(way, place) for place in places])
        megabytes = len(way(places[0])) / 1e6
        note = f"over HTTP, in process, {megabytes:.1f} MB"
        figures.append(
            Figure(
                f"cone_{name}_ms", f"cone of {len(tables[0]):,} rows, {name}", ms, "ms", note=note
            )
        )
    tell(f"{size:,}: the same rows by astropy")
    theirs = median_ms([partial(_astropy_votable, table) for table in tables[:FEWER_RUNS]])
    ratio = theirs / figures[0].value
    work, note = "the same by astropy's VOTable writer", "of rows in memory; ours read back equal"
    return [*figures, Figure("cone_astropy_ms", work, theirs, "ms", ratio, note)]


def client(folder: Path) -> Callable[[str, dict[str, Any]], bytes]:
    """Return a function that asks the service's application, without a network."""
    app = create_app(folder / "archive")
    gc.collect()
    gc.freeze()  # as `serve` does before it answers

    def ask(path: str, query: dict[str, Any]) -> bytes:
        body, status, _ = run_wsgi_app(app, create_environ(path, query_string=urlencode(query)))
        content = b"".join(body)
        if not status.startswith("200"):
            raise RuntimeError(f"{path} {query}: {status} {content[:500]!r}")
        return content

    return ask


def votable_cone(ask: Callable[[str, dict[str, Any]], bytes], place: dict[str, float]) -> bytes:
    """Ask /cone for all columns."""
    query = {"RA": place["ra"], "DEC": place["dec"], "SR": place["radius"]}
    return ask("/cone", {**query, "VERB": 3, "MAXREC": ROWS})


def radius_for_rows(archive: Archive, ra: float, dec: float) -> float:
    """Return a radius whose cone has the rows wanted, and few more; 180 if there are too few."""
    low, high = 0.0, 180.0
    for _ in range(12):
        middle = 0.5 * (low + high)
        enough = len(archive.find(Region.circle(ra, dec, middle)).numbers) >= ROWS
        low, high = (low, middle) if enough else (middle, high)
    return min(round(high + 0.0001, 4), 180.0)


def check_rows(form: str, content: bytes, rows: Table) -> None:
    """Stop unless an answer, read back, has the same rows and (VOTable) equal cells."""
    if form == "json":
        ids = [each["exposure_id"] for each in json.loads(content)["exposures"]]
    elif form == "csv":
        ids = [each["exposure_id"] for each in csv.DictReader(io.StringIO(content.decode()))]
    else:
        read = parse_single_table(io.BytesIO(content)).to_table(use_names_over_ids=True)
        ids = list(read["exposure_id"])
        wrong = [name for name in rows.colnames if not _equal(read[name], rows[name])]
        further = set(read.colnames) - set(rows.colnames)  # /cone tells how large a footprint is
        if not further <= {"s_fov"} or wrong:
            raise RuntimeError(f"columns differ when the VOTable is read back: {wrong}")
    if [str(each) for each in ids] != [str(each) for each in rows["exposure_id"]]:
        raise RuntimeError(f"the rows differ when the {form} is read back")


def _equal(read: Any, expected: Any) -> bool:
    """Whether two columns have the same values, empty text and NaN counting as masked."""

    def plain(column: Any) -> tuple[Any, Any]:
        values = MaskedColumn(column)
        missing = np.ma.getmaskarray(values)
        data = np.asarray(values.data.data)
        if data.dtype.kind in "OSU":
            data = np.array([str(each) for each in values.filled("").tolist()])
            return data, missing | (data == "")
        return data, missing | (np.isnan(data) if data.dtype.kind == "f" else False)

    (mine, mine_missing), (theirs, theirs_missing) = plain(read), plain(expected)
    known = ~mine_missing
    return np.array_equal(mine_missing, theirs_missing) and np.array_equal(
        mine[known], theirs[known]
    )


def _astropy_votable(rows: Table) -> None:
    rows.write(io.BytesIO(), format="votable")
