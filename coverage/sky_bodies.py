"""Where the Sun stands, to within a hundredth of a degree, for the whole era of plates."""

import erfa
import numpy as np
from numpy.typing import ArrayLike, NDArray

from platecover.coverage.calendar_dates import MJD_ZERO_JD, SECONDS_PER_DAY, mjd_of

LIGHT_AU_PER_DAY = 173.1446  # speed of light; IAU 2012 astronomical unit
SUN_PARALLAX_RAD = 8.794 / 206265.0  # horizontal, at the mean distance; IAU 1976

# TT - UT on 1 January of 1850, 1860, ... 2020: Astronomical Almanac, pages K8-K9 (2000 on: IERS),
# good to 3 s before 1900 and 1 s after.
DELTA_T_YEARS = range(1850, 2021, 10)
DELTA_T_MJD = np.array([mjd_of(year, 1, 1, "gregorian") for year in DELTA_T_YEARS])
DELTA_T_S = np.array(
    [7.1, 7.9, 1.6, -5.4, -5.9, -2.7, 10.5, 21.2, 24.0, 24.3, 29.1, 33.2, 40.2, 50.5, 56.9]
    + [63.8, 66.1, 69.4]
)


def delta_t_s(mjd_ut: ArrayLike) -> NDArray[np.float64]:
    """TT - UT in seconds, between decades by straight lines, held at 1850 and 2020 outside."""
    return np.asarray(
        np.interp(np.asarray(mjd_ut, dtype=np.float64), DELTA_T_MJD, DELTA_T_S), dtype=np.float64
    )


def sun_altitude_deg(
    mjd_ut: ArrayLike, latitude_deg: ArrayLike, longitude_deg: ArrayLike
) -> NDArray[np.float64]:
    """Altitude of the Sun's centre, without refraction.

    Parameters
    ----------
    mjd_ut : array_like of float
        Moments, MJD in UT.
    latitude_deg, longitude_deg : array_like of float
        Of the station, east positive; shapes broadcast with `mjd_ut`.

    Returns
    -------
    float64, of the broadcast shape
        Degrees, within 0.01 (nutation is left out); NaN where a value is not finite.

    Notes
    -----
    Earth by ERFA `epv00` (VSOP2000), aberration, precession IAU 2006, mean sidereal time
    IAU 1982.
    """
    mjd, latitude, longitude = np.broadcast_arrays(
        np.where(np.isfinite(mjd_ut), mjd_ut, np.nan),
        np.radians(latitude_deg),
        np.radians(longitude_deg),
    )
    mjd_tt = mjd + delta_t_s(mjd) / SECONDS_PER_DAY
    with np.errstate(invalid="ignore"):  # NaN in, NaN out
        # The bare ufunc does not warn of dates before 1900, where the series still serves.
        heliocentric, barycentric, _ = erfa.ufunc.epv00(MJD_ZERO_JD, mjd_tt)
        sun = -heliocentric["p"]
        sun = sun / np.linalg.norm(sun, axis=-1, keepdims=True)
        sun = sun + barycentric["v"] / LIGHT_AU_PER_DAY  # aberration
        ra, dec = erfa.c2s(erfa.rxp(erfa.pmat06(MJD_ZERO_JD, mjd_tt), sun))
        hour_angle = erfa.gmst82(MJD_ZERO_JD, mjd) + longitude - ra
        _, altitude = erfa.hd2ae(hour_angle, dec, latitude)
    altitude = altitude - SUN_PARALLAX_RAD * np.cos(altitude)
    return np.asarray(np.degrees(altitude), dtype=np.float64)
