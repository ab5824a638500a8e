"""Sky maps against counting by hand and against astropy's projection, plate by plate."""

from typing import Any

import healpy
import numpy as np
import pytest
from numpy.testing import assert_allclose
from tests.archives import build_archive, plates_of
from tests.awkward_sky import in_footprint

from platecover.coverage.archive import Archive
from platecover.coverage.errors import QueryError
from platecover.coverage.map_quantities import QUANTITIES

ORDER = 4  # 3072 cells of 3.7 degrees
DAYS_PER_JULIAN_YEAR = 365.25
UNTIL = 1905  # astropy judges the plates of the years before


def hand_archive(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    """Four plates of one field at RA 30, Dec 0 and one elsewhere, some twice exposed."""
    field = {"ra": "30.0", "dec": "0.0", "exposure_min": "60", "clock": "UT"}
    rows = [
        {**field, "plate": "HB 1", "date": "1900-01-01", "time": "00:00", "scanned": "yes"},
        {**field, "plate": "HB 1", "date": "1900-01-01", "time": "02:00"},
        {**field, "plate": "HB 2", "date": "1900-12-31", "time": "23:00", "scanned": "no"},
        {**field, "plate": "HB 3", "date": "1910-07-01", "time": "00:00"},
        {**field, "plate": "HB 4", "date": "", "scanned": "yes"},
        {**field, "plate": "HB 5", "ra": "200.0", "dec": "-40.0", "date": "1920-01-01",
         "time": "00:00"},
    ]  # fmt: skip
    return build_archive(tmp_path_factory.mktemp("hand"), rows)


@pytest.fixture(scope="module")
def hand(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    return hand_archive(tmp_path_factory)


def epoch(year: int, days: float) -> float:
    """Julian epoch of a moment `days` after 0h UT of 1 January of 1900, 1910 or 1920."""
    # MJD of 1 January: 15020 (JD 2415020.5, Meeus ch. 7), then 10 years of 3652 and 3652 days
    mjd = {1900: 15020.0, 1910: 18672.0, 1920: 22324.0}[year] + days
    return 2000.0 + (mjd - 51544.5) / DAYS_PER_JULIAN_YEAR


@pytest.mark.parametrize(
    ("quantity", "value"),
    [
        ("exposures", 5.0),
        ("plates", 4.0),
        ("years", 2.0),
        ("first", epoch(1900, 0.5 / 24)),
        ("last", epoch(1910, 181.0 + 0.5 / 24)),  # 1 July is day 181 after 1 January
        # from 1900 December 31, 23:30, day 364 of 365 days, to 1910 July 1, 0:30
        ("gap", epoch(1910, 181.0 + 0.5 / 24) - epoch(1900, 364.0 + 23.5 / 24)),
        ("unscanned", 2.0),
        ("scanned_share", 0.5),
    ],
)
@pytest.mark.parametrize("order", [6, 7, 8])  # the edition keeps the cells of order 7
def test_hand_counted_field(hand: Archive, quantity: str, value: float, order: int) -> None:
    sky = hand.sky_map(quantity, order=order)
    cell = healpy.ang2pix(1 << order, 30.0, 0.1, nest=True, lonlat=True)
    assert sky[cell] == pytest.approx(value, abs=1e-9)


def test_where_nothing_is(hand: Archive) -> None:
    cell = healpy.ang2pix(64, 100.0, 60.0, nest=True, lonlat=True)
    once = healpy.ang2pix(64, 200.0, -40.1, nest=True, lonlat=True)
    for quantity in QUANTITIES:
        sky = hand.sky_map(quantity, order=6)
        assert sky.shape == (49152,)
        if quantity in ("exposures", "plates", "years", "unscanned"):
            assert sky[cell] == 0.0
        else:
            assert np.isnan(sky[cell])
    assert np.isnan(hand.sky_map("gap", order=6)[once])  # one exposure has no gap
    assert hand.sky_map("scanned_share", order=6)[once] == 0.0


def test_filters_narrow_the_map(hand: Archive) -> None:
    cell = healpy.ang2pix(64, 30.0, 0.1, nest=True, lonlat=True)
    assert hand.sky_map("exposures", order=6, until=1900)[cell] == 3.0
    assert hand.sky_map("exposures", order=6, undated="only")[cell] == 1.0
    assert hand.sky_map("plates", order=6, scanned="yes")[cell] == 2.0


def test_demo_maps_agree_with_astropy_plate_by_plate(demo_archive: Archive) -> None:
    ra, dec = healpy.pix2ang(1 << ORDER, np.arange(12 << (2 * ORDER)), nest=True, lonlat=True)
    rows = demo_archive.edition.table("exposures").to_pylist()
    chosen = [at for at, row in enumerate(rows) if row["epoch"] and row["epoch"] < UNTIL]
    plates = plates_of(demo_archive)
    covered = np.array([in_footprint(plates[at], ra, dec) for at in chosen])
    filters: dict[str, Any] = {"until": UNTIL - 1, "undated": "no"}

    kept = demo_archive.sky_map("exposures", **filters)
    finer_ra, finer_dec = healpy.pix2ang(128, np.arange(len(kept))[::61], nest=True, lonlat=True)
    on_plate = [in_footprint(plates[at], finer_ra, finer_dec) for at in chosen]
    assert_allclose(kept[::61], np.sum(on_plate, axis=0))

    counted = demo_archive.sky_map("exposures", order=ORDER, **filters)
    assert_allclose(counted, covered.sum(axis=0))
    epochs = np.array([rows[at]["epoch"] for at in chosen])[:, None]
    assert_allclose(
        demo_archive.sky_map("first", order=ORDER, **filters),
        np.where(covered.any(axis=0), np.where(covered, epochs, np.inf).min(axis=0), np.nan),
    )
    names = np.array([rows[at]["plate"] for at in chosen])
    different = [len(set(names[covered[:, cell]])) for cell in range(len(counted))]
    assert_allclose(demo_archive.sky_map("plates", order=ORDER, **filters), different)


@pytest.mark.parametrize(
    ("arguments", "parameter", "message"),
    [
        (("plate", 7), "show", "show must be one of exposures, plates"),
        (("plates", 30), "order", "order must be a whole number from 0 to 10, got 30"),
        (("plates", -1), "order", "got -1"),
        (("plates", np.nan), "order", "got nan"),
        (("plates", "x"), "order", "got 'x'"),
    ],
)
def test_bad_input_is_refused_by_name(
    hand: Archive, arguments: tuple[str, int], parameter: str, message: str
) -> None:
    with pytest.raises(QueryError, match=message) as caught:
        hand.sky_map(*arguments)
    assert caught.value.parameter == parameter


def test_certainty_needs_a_region(hand: Archive) -> None:
    with pytest.raises(QueryError, match="certainty goes with a region"):
        hand.sky_map("plates", certainty="sure")
