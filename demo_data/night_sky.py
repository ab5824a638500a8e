"""Sun, Moon and sidereal time for planning nights, by textbook formulas and ERFA.

Never the package's own clocks: the truth of the demo must not be its own judge.
"""

import erfa
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

MJD_ZERO = 2400000.5  # Julian date of MJD 0 (IAU 1973)
DARK_SUN_ALTITUDE_DEG = -15.0  # between nautical (-12) and astronomical (-18) dusk; our choice
NEW_MOON_MJD = 51549.76  # 2000 Jan 6.76 (Meeus, Astronomical Algorithms, 2nd ed., ch. 49)
SYNODIC_MONTH_DAYS = 29.530588861  # same chapter
J2000_MJD = 51544.5


def sidereal_deg(mjd: Floats, longitude_deg: Floats | float) -> Floats:
    """Local mean sidereal time in degrees, by ERFA's IAU 1982 expression."""
    return np.asarray((np.degrees(erfa.gmst82(MJD_ZERO, mjd)) + longitude_deg) % 360.0)


def days_from_full_moon(nights: NDArray[np.int64]) -> Floats:
    """Days from the middle of each night to the nearest mean full Moon."""
    age = (nights + 1.0 - NEW_MOON_MJD) % SYNODIC_MONTH_DAYS
    return np.asarray(np.abs(age - 0.5 * SYNODIC_MONTH_DAYS))


def sun_place_deg(mjd: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the Sun's RA and Dec of date and the equation of time, degrees.

    Low precision, 0.01 deg about 2000, 0.1 deg in 1890 (Astronomical Almanac, page C5).
    """
    days = mjd - J2000_MJD
    mean_longitude = 280.460 + 0.9856474 * days
    anomaly = np.radians(357.528 + 0.9856003 * days)
    ecliptic = np.radians(mean_longitude + 1.915 * np.sin(anomaly) + 0.020 * np.sin(2.0 * anomaly))
    obliquity = np.radians(23.439 - 0.0000004 * days)
    ra_deg = np.degrees(np.arctan2(np.cos(obliquity) * np.sin(ecliptic), np.cos(ecliptic)))
    dec_deg = np.degrees(np.arcsin(np.sin(obliquity) * np.sin(ecliptic)))
    equation_of_time_deg = (mean_longitude - ra_deg + 180.0) % 360.0 - 180.0
    return ra_deg % 360.0, dec_deg, equation_of_time_deg


def dark_hours(
    nights: NDArray[np.int64], latitude_deg: Floats, longitude_deg: Floats
) -> tuple[Floats, Floats]:
    """Return MJD (UT) of the end of dusk and start of dawn of nights by their evening dates.

    Both are the middle of the night where it does not get dark.
    """
    midnight_mjd = nights + 1.0 - longitude_deg / 360.0
    _, dec_deg, equation_of_time_deg = sun_place_deg(midnight_mjd)
    latitude, dec = np.radians(latitude_deg), np.radians(dec_deg)
    cos_hour_angle = (
        np.sin(np.radians(DARK_SUN_ALTITUDE_DEG)) - np.sin(latitude) * np.sin(dec)
    ) / (np.cos(latitude) * np.cos(dec))
    half_night = 0.5 - np.arccos(np.clip(cos_hour_angle, -1.0, 1.0)) / (2.0 * np.pi)
    middle = midnight_mjd - equation_of_time_deg / 360.0
    return middle - half_night, middle + half_night


def altitude_deg(hour_angle_deg: Floats, dec_deg: Floats, latitude_deg: Floats) -> Floats:
    """Altitude of places in the sky, shapes that broadcast."""
    latitude, dec = np.radians(latitude_deg), np.radians(dec_deg)
    sine = np.sin(latitude) * np.sin(dec)
    sine = sine + np.cos(latitude) * np.cos(dec) * np.cos(np.radians(hour_angle_deg))
    return np.asarray(np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0))))


def from_horizon(
    azimuth_deg: Floats, altitude_deg: Floats, sidereal_deg: Floats, latitude_deg: Floats
) -> tuple[Floats, Floats]:
    """Return RA and Dec of date, degrees, of azimuths (from north through east) and altitudes."""
    azimuth, altitude = np.radians(azimuth_deg), np.radians(altitude_deg)
    latitude = np.radians(latitude_deg)
    east = np.cos(altitude) * np.sin(azimuth)
    south = -np.cos(altitude) * np.cos(azimuth)
    up = np.sin(altitude)
    hour_angle = np.arctan2(-east, up * np.cos(latitude) + south * np.sin(latitude))
    dec = np.arcsin(up * np.sin(latitude) - south * np.cos(latitude))
    return (sidereal_deg - np.degrees(hour_angle)) % 360.0, np.degrees(dec)
