"""The Sun's altitude against ephemerides of others."""

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import AltAz, EarthLocation, get_sun
from astropy.time import Time
from astropy.utils import iers
from numpy.testing import assert_allclose, assert_array_equal

from platecover.coverage.calendar_dates import mjd_of
from platecover.coverage.sky_bodies import delta_t_s, sun_altitude_deg


@pytest.mark.parametrize(
    ("latitude_deg", "longitude_deg", "day", "ut_hours", "altitude_deg"),
    [
        # Computed outside from JPL DE405, and by PyEphem and astronomy-engine, alike to 0.0004 deg
        (52.38, 13.064, (1899, 3, 10), 18.0, -9.531),
        (37.3414, -121.643, (1893, 6, 21), 4.5, -10.485),
        (-33.934, 18.477, (1890, 12, 5), 18.75, -11.135),
        (-31.42, -64.198, (1910, 8, 1), 22.0 + 40.0 / 60.0, -12.834),
        (0.0, 0.0, (1925, 3, 21), 18.0 + 20.0 / 60.0, -3.174),
        (59.858, 17.626, (1905, 6, 21), 22.0 + 55.0 / 60.0, -6.691),
    ],
)
def test_altitudes_of_the_plate_era(
    latitude_deg: float,
    longitude_deg: float,
    day: tuple[int, int, int],
    ut_hours: float,
    altitude_deg: float,
) -> None:
    mjd = mjd_of(*day, "gregorian") + ut_hours / 24.0
    found = sun_altitude_deg(mjd, latitude_deg, longitude_deg)
    assert_allclose(found, altitude_deg, rtol=0.0, atol=0.005)


def test_altitudes_agree_with_astropy_where_it_knows_utc() -> None:
    rng = np.random.default_rng(7)
    mjd = rng.uniform(42000.0, 58000.0, 50)  # 1973 to 2017
    latitude_deg = rng.uniform(-90.0, 90.0, 50)
    longitude_deg = rng.uniform(-180.0, 180.0, 50)
    with iers.conf.set_temp("auto_download", False):
        when = Time(mjd, format="mjd", scale="utc")
        where = EarthLocation(lat=latitude_deg * u.deg, lon=longitude_deg * u.deg)
        expected = get_sun(when).transform_to(AltAz(obstime=when, location=where)).alt.deg
    found = sun_altitude_deg(mjd, latitude_deg, longitude_deg)
    assert_allclose(found, expected, rtol=0.0, atol=0.01)


@pytest.mark.parametrize(
    ("year", "seconds", "tolerance"),
    [
        # Stephenson, Morrison & Hohenkerk 2016, Proc. R. Soc. A 472, table S15, version 2020
        (1850, 9.338, 3.0),
        (1860, 9.040, 3.0),
        (1870, 2.371, 3.0),
        (1880, -3.210, 3.0),
        (1890, -3.884, 3.0),
        (1900, -1.977, 1.0),
        (1910, 11.142, 1.0),
        (1920, 21.617, 1.0),
        # 32.184 s + 10 leap seconds - (UT1 - UTC, -0.05 s) at the start of modern UTC; IERS
        (1972, 42.23, 1.0),
    ],
)
def test_delta_t_agrees_with_another_table(year: int, seconds: float, tolerance: float) -> None:
    found = delta_t_s(mjd_of(year, 1, 1, "gregorian"))
    assert_allclose(found, seconds, rtol=0.0, atol=tolerance)


def test_delta_t_is_held_outside_the_table() -> None:
    assert_array_equal(delta_t_s([-40000.0, 90000.0]), delta_t_s([-3242.0, 58849.0]))


def test_shapes_and_missing_values() -> None:
    mjd = np.array([[15020.0], [np.nan], [np.inf]])
    found = sun_altitude_deg(mjd, [52.0, np.nan], [13.0, 13.0])
    assert_array_equal(np.isnan(found), [[False, True], [True, True], [True, True]])
    assert sun_altitude_deg([], 52.0, 13.0).shape == (0,)
