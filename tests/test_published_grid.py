"""A published grid of 960 overlapping fields: what share of the sky, how many times.

Fields and sources are described in tests/authorities/README.md. The expected figures were worked
out without this program: cells whose centre is on a plate, rectangles laid out in B1900, FK4 to
ICRS by astropy 8.0.2, healpy 1.20.1, order 9; MOC fractions by MOCPy 0.21.0. That the chart was
to show every place twice is a published rule of the chart itself (AC 2000.2 introduction, US Naval
Observatory).
"""

import csv
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import healpy
import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import FK4, SkyCoord
from astropy.time import Time
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from tests.archives import build_archive

from platecover.coverage.archive import Archive
from platecover.coverage.plate_geometry import solid_angle_deg2
from platecover.coverage.regions import Region

LOG = Path(__file__).parent / "authorities" / "chart-1887-zones-55-63-960.csv"
WHOLE_SKY_DEG2 = 129600.0 / np.pi
ORDER = 9
CELLS = 12 * 4**ORDER

# The sources give tenths of a square degree and three decimals of the multiplicity.
AREA_TOLERANCE_DEG2, MULTIPLICITY_TOLERANCE = 0.06, 0.0006


@dataclass(frozen=True)
class Grid:
    """The archive of a set of fields of one size."""

    archive: Archive

    @cached_property
    def multiplicity(self) -> NDArray[np.int64]:
        """How many plates hold the centre of each cell, int64, shape (CELLS,)."""
        return self.archive.sky_map("exposures", order=ORDER).astype(np.int64)

    @property
    def union_deg2(self) -> float:
        """Area of the cells that are on any plate."""
        return float((self.multiplicity > 0).mean() * WHOLE_SKY_DEG2)

    @property
    def mean_multiplicity(self) -> float:
        """Of the cells that are on any plate."""
        return float(self.multiplicity[self.multiplicity > 0].mean())


def grid_rows(size_mm: int, charted_only: bool) -> list[dict[str, str]]:
    with LOG.open(newline="", encoding="utf-8") as stream:
        rows = [dict(row) for row in csv.DictReader(stream)]
    assert len(rows) == 960 and sum(row["notes"] == "charted" for row in rows) == 540
    size = {"width_mm": str(size_mm), "height_mm": str(size_mm)}
    return [row | size for row in rows if row["notes"] == "charted" or not charted_only]


@pytest.fixture(scope="module")
def grids(tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[bool, int], Grid]:
    """Build the grid's four sets: whether only what was charted, and the size in mm."""
    return {
        (charted, size): Grid(
            build_archive(
                tmp_path_factory.mktemp("grid"), grid_rows(size, charted), {"FG": {"clock": None}}
            )
        )
        for charted in (False, True)
        for size in (130, 120)
    }


@pytest.fixture(scope="module")
def grid(grids: dict[tuple[bool, int], Grid]) -> Grid:
    """All fields, as measured: 130 mm."""
    return grids[False, 130]


@pytest.fixture(scope="module")
def b1900_dec() -> NDArray[np.float64]:
    """Dec of every cell's centre at B1900, with the E-terms of that year, by astropy."""
    ra, dec = healpy.pix2ang(1 << ORDER, np.arange(CELLS), nest=True, lonlat=True)
    dec_b1900 = np.full(CELLS, np.nan)
    north = np.flatnonzero(dec > 50.0)
    frame = FK4(equinox=Time("B1900"), obstime=Time("B1900"))
    dec_b1900[north] = SkyCoord(ra[north], dec[north], unit=u.deg).transform_to(frame).dec.deg
    return dec_b1900


@pytest.mark.parametrize(
    ("charted", "size_mm", "union_deg2", "sky_fraction", "multiplicity"),
    [
        (False, 130, 1882.4, 0.04563, 2.392),
        (False, 120, 1851.5, 0.04488, 2.073),
        (True, 130, 1882.4, 0.04563, 1.346),
        (True, 120, 1851.1, 0.04487, 1.166),
    ],
)
def test_union_and_multiplicity(
    grids: dict[tuple[bool, int], Grid],
    charted: bool,
    size_mm: int,
    union_deg2: float,
    sky_fraction: float,
    multiplicity: float,
) -> None:
    grid = grids[charted, size_mm]
    assert_allclose(grid.union_deg2, union_deg2, rtol=0, atol=AREA_TOLERANCE_DEG2)
    assert_allclose(grid.union_deg2 / WHOLE_SKY_DEG2, sky_fraction, rtol=0, atol=6e-6)
    assert_allclose(grid.mean_multiplicity, multiplicity, rtol=0, atol=MULTIPLICITY_TOLERANCE)


@pytest.mark.parametrize("charted", [False, True])
@pytest.mark.parametrize(("size_mm", "area_deg2"), [(130, 4.69277), (120, 3.99878)])
def test_rows_times_area_over_union_is_the_multiplicity(
    grids: dict[tuple[bool, int], Grid], charted: bool, size_mm: int, area_deg2: float
) -> None:
    grid = grids[charted, size_mm]
    areas = solid_angle_deg2(grid.archive.edition.geometry)
    assert len(areas) == (540 if charted else 960)
    assert_allclose(areas, area_deg2, rtol=0, atol=6e-6)  # 4 atan(XY / sqrt(1 + X2 + Y2))
    ratio = len(areas) * area_deg2 / grid.union_deg2
    # A plate holds some 350 cell centres, give or take 3 by where its sides fall among them;
    # over hundreds of plates the published means themselves are 0.0005 off their own ratio.
    assert_allclose(ratio, grid.mean_multiplicity, rtol=1e-3)


@pytest.mark.parametrize(
    ("charted", "size_mm", "low", "high", "times", "share"),
    [
        (False, 130, 55, 63, 2, 1.0),
        (False, 130, 54, 64, 1, 1.0),
        (False, 120, 55, 63, 1, 1.0),
        (False, 120, 55, 63, 2, 0.99775),
        (False, 120, 54, 64, 1, 0.99954),
        (True, 130, 54, 64, 1, 1.0),
        (True, 120, 54, 64, 1, 0.99937),
    ],
)
def test_how_often_the_zones_are_covered(
    grids: dict[tuple[bool, int], Grid],
    b1900_dec: NDArray[np.float64],
    charted: bool,
    size_mm: int,
    low: int,
    high: int,
    times: int,
    share: float,
) -> None:
    zone = (b1900_dec >= low) & (b1900_dec <= high)
    covered = (grids[charted, size_mm].multiplicity[zone] >= times).mean()
    # Of some 90,000 cells; by their rounding and at the zone's limits two may differ.
    assert_allclose(covered, share, rtol=0, atol=0.0 if share == 1.0 else 2.2 / zone.sum())


def test_every_place_of_the_zones_is_on_two_to_five_plates(
    grid: Grid, b1900_dec: NDArray[np.float64]
) -> None:
    zone = grid.multiplicity[(b1900_dec >= 55) & (b1900_dec <= 63)]
    assert (zone.min(), zone.max()) == (2, 5)
    assert_allclose(zone.mean(), 2.68, rtol=0, atol=0.006)


@pytest.mark.parametrize(("order", "sky_fraction"), [(8, 0.047370), (9, 0.046481)])
def test_moc_of_cells_that_plates_touch(grid: Grid, order: int, sky_fraction: float) -> None:
    moc = grid.archive.moc(order=order)
    assert moc.max_order == order
    assert_allclose(moc.sky_fraction, sky_fraction, rtol=0, atol=1e-6 + 2 / (12 * 4**order))


def test_cones_agree_with_the_count_of_cells(grid: Grid) -> None:
    rng = np.random.default_rng(1887)
    cells = rng.choice(np.flatnonzero(grid.multiplicity), 200, replace=False)
    ra, dec = healpy.pix2ang(1 << ORDER, cells, nest=True, lonlat=True)
    for cell, at_ra, at_dec in zip(cells, ra, dec, strict=True):
        rows = grid.archive.cone(at_ra, at_dec, 0.0)
        on_plate = np.asarray(rows["edge_distance"]) >= 0.0
        assert on_plate.sum() == grid.multiplicity[cell]


def test_fields_have_no_date(grid: Grid) -> None:
    answer = grid.archive.epochs(Region.all())
    assert answer["bins"] == [] and answer["undated"] == 960
    assert answer["first"] is answer["last"] is answer["longest_gap"] is None
    assert answer["baseline_years"] is None
    rows = grid.archive.search(Region.all(), undated="only")
    assert len(rows) == 960 and rows["t_min"].mask.all() and rows["epoch"].mask.all()
    assert set(rows["time_precision"]) == {"undated"}
    assert list(rows["exposure_id"]) == sorted(f"FG-{number}-1" for number in range(1, 961))
