"""Bins of plates against plain loops over cells that astropy's projection puts on a plate."""

from pathlib import Path

import healpy
import numpy as np
import pytest
from tests.archives import build_archive, build_plates, plates_of
from tests.awkward_sky import AWKWARD_PLATES, Plate, in_footprint, mixed_plates

from platecover.coverage.archive import Archive
from platecover.coverage.errors import QueryError
from platecover.coverage.scan_bins import PlateBins, Spans, depth_classes, plate_bins, spans_of
from platecover.coverage.scan_cost import plate_rows
from platecover.coverage.scan_wishes import Wishes
from platecover.coverage.timeline import UNDATED

PLATES = [*AWKWARD_PLATES, *mixed_plates(8, seed=11)]
KEPT = 7
SMALL = Plate("3 arcmin", 200.0, 33.0, 10.0, 10.0, 18.0)  # holds no centre of a cell
FLAT = Wishes(depth_classes=False)


def bins_of_archive(archive: Archive, wishes: Wishes) -> tuple[PlateBins, Spans]:
    edition = archive.edition
    spans = spans_of(edition, wishes)
    every = np.ones(len(edition.plates), dtype=np.bool_)
    return plate_bins(edition, wishes, spans, plate_rows(edition), every), spans


def set_of(bins: PlateBins, row: int) -> set[int]:
    runs = slice(bins.offsets[row], bins.offsets[row + 1])
    pairs = zip(bins.firsts[runs].tolist(), bins.ends[runs].tolist(), strict=True)
    listed = [at for first, end in pairs for at in range(first, end)]
    assert listed == sorted(set(listed))
    return set(listed)


def rows_of(archive: Archive) -> dict[str, int]:
    names = archive.edition.plates.column("plate").to_pylist()
    return {name: row for row, name in enumerate(names)}


def held_cells(plate: Plate, order: int) -> set[int]:
    """Cells of which a plate holds the centre; below the kept order, half of the kept centres."""
    fine = max(order, KEPT)
    ra, dec = healpy.pix2ang(1 << fine, np.arange(12 << (2 * fine)), nest=True, lonlat=True)
    inside = in_footprint(plate, ra, dec)
    per_cell = inside.reshape(12 << (2 * order), -1).sum(axis=1)
    held = np.flatnonzero(per_cell * 2 >= inside.size // per_cell.size)
    if not len(held):
        held = healpy.ang2pix(1 << order, [plate.ra], [plate.dec], nest=True, lonlat=True)
    return set(held.tolist())


@pytest.fixture(scope="module")
def awkward(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    return build_plates(tmp_path_factory.mktemp("bins"), [*PLATES, SMALL])


@pytest.mark.parametrize("order", [2, 5, 7, 8])
def test_cells_of_awkward_plates(awkward: Archive, order: int) -> None:
    bins, spans = bins_of_archive(awkward, Wishes(order=order, depth_classes=False))
    assert spans.labels == ["undated"]
    rows = rows_of(awkward)
    judged = plates_of(awkward)
    some = judged if order < 8 else judged[::6]
    for plate in some:
        row = rows[plate.name.rsplit("-", 1)[0]]
        assert set_of(bins, row) == held_cells(plate, order), plate


def test_a_plate_that_holds_no_centre_fills_one_cell(awkward: Archive) -> None:
    bins, _ = bins_of_archive(awkward, FLAT)
    sizes = [len(set_of(bins, row)) for row in range(len(awkward.edition.plates))]
    assert min(sizes) == 1  # none is without


ROWS = [
    # two exposures of a plate in one decade, on fields that overlap: cells count once
    {"plate": "HB 1", "ra": "10.0", "dec": "1.0", "date": "1905-01-05"},
    {"plate": "HB 1", "ra": "11.0", "dec": "1.5", "date": "1906-01-05"},
    # the same field in two decades and in two depth classes
    {"plate": "HB 2", "ra": "10.0", "dec": "1.0", "date": "1909-12-31"},
    {"plate": "HB 2", "ra": "10.0", "dec": "1.0", "date": "1910-01-01"},
    {"plate": "HB 2", "ra": "10.0", "dec": "1.0", "date": "1910-01-02", "limiting_mag": "18.0"},
    {"plate": "HB 3", "ra": "359.9", "dec": "-89.0", "date": ""},
    {"plate": "HB 4", "ra": "10.0", "dec": "1.0", "date": "1905-01-05", "technique": "test"},
    {"plate": "HB 5", "ra": "0.0", "dec": "89.5", "date": "1931"},
]


@pytest.fixture(scope="module")
def dated(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    return build_archive(tmp_path_factory.mktemp("dated"), ROWS)


@pytest.mark.parametrize("spans", [10, 1, (1900, 1908, 1920)])
@pytest.mark.parametrize("classes", [True, False])
def test_spans_and_classes_against_a_plain_loop(
    dated: Archive, spans: int | tuple[int, ...], classes: bool
) -> None:
    wishes = Wishes(order=KEPT, spans=spans, depth_classes=classes)
    bins, found = bins_of_archive(dated, wishes)
    n_cells = 12 << (2 * KEPT)
    if isinstance(spans, tuple):
        edges = list(spans)
    else:
        edges = list(range(1905 // spans * spans, 1931 // spans * spans + spans + 1, spans))
    assert found.limits.tolist() == edges
    expected: dict[str, set[int]] = {}
    for row in ROWS:
        filled = expected.setdefault(row["plate"].replace(" ", "-"), set())
        if row.get("technique") == "test":
            continue
        year = int(row["date"][:4]) if row["date"] else None
        place = len(edges) - 1
        if year is not None:
            within = [at for at in range(len(edges) - 1) if edges[at] <= year < edges[at + 1]]
            if not within:
                continue
            place = within[0]
        # 60 arcsec/mm is between 90 and 30: class 2; magnitude 18.0 begins class 3
        depth = (3 if row.get("limiting_mag") else 2) if classes else 0
        plate = Plate("", float(row["ra"]), float(row["dec"]), 160.0, 160.0, 60.0)
        first = (depth * len(edges) + place) * n_cells
        filled |= {first + cell for cell in held_cells(plate, KEPT)}
    rows = rows_of(dated)
    assert {name: set_of(bins, row) for name, row in rows.items()} == expected


def test_plates_that_do_not_matter_get_no_bins(dated: Archive) -> None:
    edition = dated.edition
    wanted = np.arange(len(edition.plates)) == 1
    spans = spans_of(edition, FLAT)
    bins = plate_bins(edition, FLAT, spans, plate_rows(edition), wanted)
    counts = np.diff(bins.offsets)
    assert (counts > 0).tolist() == wanted.tolist()
    none = plate_bins(edition, FLAT, spans, plate_rows(edition), wanted & False)
    assert none.offsets.tolist() == [0] * (len(edition.plates) + 1)


def test_depth_classes_begin_at_their_limits() -> None:
    wishes = Wishes(magnitude_limits=(12.0, 15.0), scale_limits_arcsec_per_mm=(200.0, 30.0))
    nan = np.nan
    magnitude = np.array([11.9, 12.0, 14.9, 15.0, nan, nan, nan, nan, nan])
    scale = np.array([10.0, 900.0, 900.0, 900.0, 201.0, 200.0, 31.0, 30.0, 5.0])
    assert depth_classes(wishes, magnitude, scale).tolist() == [0, 1, 1, 2, 0, 1, 1, 2, 2]


def test_spans_of_years() -> None:
    spans = Spans(np.array([1880, 1900, 1930]))
    years = np.array([1879, 1880, 1899, 1900, 1929, 1930, UNDATED], dtype=np.int16)
    assert spans.of_years(years).tolist() == [-1, 0, 0, 1, 1, -1, 2]
    assert spans.labels == ["1880-1899", "1900-1929", "undated"]


def test_too_many_bins_are_refused(dated: Archive) -> None:
    with pytest.raises(QueryError, match="bins, more than .* take longer spans or a lower order"):
        bins_of_archive(dated, Wishes(order=9, spans=1))


def test_a_plate_without_exposures_fills_no_bin(tmp_path: Path) -> None:
    rows = [{**ROWS[0]}, {"plate": "HB 9", "ra": "nowhere", "dec": "1", "date": "1905"}]
    archive = build_archive(tmp_path, rows)
    bins, _ = bins_of_archive(archive, FLAT)
    sizes = {name: len(set_of(bins, row)) for name, row in rows_of(archive).items()}
    assert sizes["HB-9"] == 0
    assert sizes["HB-1"] > 0
