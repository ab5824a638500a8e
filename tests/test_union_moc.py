"""The union MOC of a selection against MOCs that mocpy makes of the plates' polygons."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import SkyCoord
from mocpy import MOC
from tests.archives import build_archive, build_plates, plates_of, series_code
from tests.awkward_sky import AWKWARD_PLATES, Plate, directions_about, in_footprint, sky_of_mm

from platecover.coverage.archive import Archive
from platecover.coverage.errors import QueryError
from platecover.coverage.regions import Region

ORDER = 9
HERE = {"ra": "50.0", "dec": "0.0"}


def polygon_moc(plate: Plate, order: int) -> MOC:
    """The cells that a plate's rectangle touches, by mocpy, corners by astropy."""
    moc = MOC.new_empty(order)
    for layout in plate.layouts():
        half_x, half_y = layout.width / 2, layout.height / 2
        ra, dec = sky_of_mm(
            layout, [half_x, -half_x, -half_x, half_x], [half_y, half_y, -half_y, -half_y]
        )
        moc |= MOC.from_polygon_skycoord(SkyCoord(ra, dec, unit=u.deg), max_depth=order)
    return moc


def count_cells(moc: MOC, order: int) -> int:
    """How many cells of an order a MOC holds."""
    ranges = np.asarray(moc.to_depth29_ranges, dtype=np.int64).reshape(-1, 2)
    return int((ranges[:, 1] - ranges[:, 0]).sum() >> (2 * (29 - order)))


def assert_same_cells(ours: MOC, theirs: MOC, order: int, what: object) -> None:
    """No cell of theirs may be missing; one missed by 1/128 of its side may count as touched."""
    assert ours.max_order == order
    assert theirs.difference(ours).empty(), what
    assert count_cells(ours.difference(theirs), order) <= 1 + 0.01 * count_cells(theirs, order), (
        what
    )


@pytest.mark.parametrize("order", [5, ORDER, 10])
def test_same_cells_as_polygons_of_mocpy(demo_archive: Archive, order: int) -> None:
    plates = plates_of(demo_archive)
    judged = 0
    for series in demo_archive.edition.words("series"):
        numbers = demo_archive.find(Region.all(), series=series).numbers
        if any(np.isfinite(plates[number].usable_radius) for number in numbers):
            continue  # mocpy's polygons have no circular cut
        alone = [polygon_moc(plates[number], order) for number in numbers]
        union = MOC.new_empty(order).union(*alone)
        assert_same_cells(demo_archive.moc(order=order, series=series), union, order, series)
        judged += len(numbers)
    assert judged > 100


@pytest.mark.parametrize("order", [6, ORDER])
def test_awkward_plates_have_the_cells_of_mocpy(tmp_path: Path, order: int) -> None:
    plates = [plate for plate in AWKWARD_PLATES if np.isnan(plate.usable_radius)]
    archive = build_plates(tmp_path, plates)
    alone = [polygon_moc(plate, order) for plate in plates]
    for number, plate in enumerate(plates):
        ours = archive.moc(order=order, series=series_code(number))
        assert_same_cells(ours, alone[number], order, plate)
    union = MOC.new_empty(order).union(*alone)
    assert_same_cells(archive.moc(order=order), union, order, "union")


def test_never_no_for_a_place_on_a_plate(tmp_path: Path) -> None:
    archive = build_plates(tmp_path, AWKWARD_PLATES)
    for number, plate in enumerate(AWKWARD_PLATES):
        ra, dec = directions_about(plate, 60, seed=number)
        on_plate = in_footprint(plate, ra, dec)
        moc = archive.moc(order=ORDER, series=series_code(number))
        held = moc.contains_lonlat(ra * u.deg, dec * u.deg)
        assert on_plate.any() and held[on_plate].all(), plate
        assert not held.all(), plate


def test_margins_add_no_cells(tmp_path: Path) -> None:
    mocs = []
    for name, error in (("exact", "0"), ("vague", "120")):
        folder = tmp_path / name
        folder.mkdir()
        row = {"plate": "HB 1", **HERE, "position_error_arcmin": error}
        mocs.append(build_archive(folder, [row]).moc())
    assert mocs[0] == mocs[1] and not mocs[0].empty()


def test_filters_choose_the_plates(tmp_path: Path) -> None:
    archive = build_archive(
        tmp_path,
        [
            {"plate": "HB 1", **HERE, "date": "1900-01-01", "time": "0:00", "status": "missing"},
            {"plate": "HB 2", "ra": "150.0", "dec": "40.0", "scanned": "yes"},
        ],
    )
    first = archive.moc(order=8, until="1900")
    second = archive.moc(order=8, scanned="yes", undated="only")
    assert first.intersection(second).empty() and first.union(second) == archive.moc(order=8)
    assert first.contains_lonlat(50.0 * u.deg, 0.0 * u.deg).all()
    assert second == archive.moc(order=8, undated="only") == archive.moc(order=8, status="unknown")


@pytest.mark.parametrize("order", [0, 7, 29])
def test_an_empty_selection_is_an_empty_moc_of_its_order(demo_archive: Archive, order: int) -> None:
    moc = demo_archive.moc(order=order, min_exposure=1e7)
    assert moc.empty() and moc.max_order == order


def test_orders_from_0_to_29(tmp_path: Path) -> None:
    # A plate of 0.4 arcsec: one cell, or few that meet, even at the finest orders.
    archive = build_archive(
        tmp_path,
        [{"plate": "HB 1", "ra": "51.7", "dec": "12.3"}],
        {"HB": {"exposed_mm": [0.001, 0.001], "scale_arcsec_per_mm": 400.0}},
    )
    for order in (0, 1, 13, 17):
        cells = archive.moc(order=order).flatten()
        assert 1 <= len(cells) <= 4
    finest = archive.moc(order=29)
    assert finest.max_order == 29
    area_arcsec2 = finest.sky_fraction * 129600.0 / np.pi * 3600.0**2
    assert area_arcsec2 == pytest.approx(0.16, rel=0.02)


@pytest.mark.parametrize(
    ("order", "usage"),
    [(-1, False), (30, False), (9.5, False), (np.nan, False), (np.inf, False), ("fine", True),
     (None, True), (True, True)],
)  # fmt: skip
def test_bad_orders_are_refused(demo_archive: Archive, order: Any, usage: bool) -> None:
    with pytest.raises(QueryError, match="order must be a whole number from 0 to 29") as caught:
        demo_archive.moc(order=order)
    assert (caught.value.parameter, caught.value.usage) == ("order", usage)


def test_an_order_with_too_many_cells_is_refused_at_once(demo_archive: Archive) -> None:
    with pytest.raises(QueryError, match=r"order 29 would need too many cells for \d+ exp") as bad:
        demo_archive.moc(order=29)
    assert bad.value.parameter == "order"


def test_certainty_is_refused(demo_archive: Archive) -> None:
    for value in ("sure", "marginal", ["sure"]):
        with pytest.raises(QueryError, match="certainty goes with a region") as caught:
            demo_archive.moc(certainty=value)
        assert caught.value.parameter == "certainty"
    assert demo_archive.moc(order=3, certainty=None) == demo_archive.moc(order=3)
    with pytest.raises(QueryError, match="series 'QQ' is not known"):
        demo_archive.moc(series="QQ")
