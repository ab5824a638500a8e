"""The demo's truth against the sky, by routes that the generator does not take.

Places are checked by ERFA's fk45z and Newcomb's precession (the demo uses astropy's FK4) and by
IAU 1976 precession (the demo uses that of 2006); the Sun by ERFA's plan94 and the Moon by its
moon98 (the demo uses a low-precision Sun and a mean Moon); sidereal time by Newcomb's formula
(the demo uses ERFA's gmst82).
"""

import re

import erfa
import numpy as np
import pytest
from numpy.typing import NDArray
from tests.demo_rows import PLACES, Demo, Row, newcomb_gmst_deg, read_demo

EXPOSURES = 12_000  # so that the rarest habits have their dozens of rows
ARCMIN_DEG = 1.0 / 60.0
MJD_ZERO = 2400000.5
DEEP = {
    "zone", "cluster", "spectral survey", "Milky Way", "ecliptic", "survey", "sporadic meteors",
}  # fmt: skip
LONG_MIN = 30.0
DEGREES_A_DAY = 12.19  # of the mean Moon from the Sun: 360 deg in 29.53 days
MOON_WANDERS_DEG = 8.3  # about its mean elongation: 6.3 + 1.3 + 0.7 (Meeus, ch. 47)
HALF_NIGHT_DAYS = 0.33  # the nights are told by their middles


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    return read_demo(tmp_path_factory.mktemp("demo"), EXPOSURES)


def horizon_deg(
    rows: list[Row], direction: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Azimuth and altitude at mid-exposure of directions in ICRS, shape (n, 3)."""
    mid_mjd = np.array([row.mid_mjd for row in rows])
    latitude, longitude = np.array([PLACES[row.station] for row in rows]).T
    ra, dec = erfa.c2s(erfa.rxp(erfa.pmat76(MJD_ZERO, mid_mjd), direction))
    hour_angle = np.radians(newcomb_gmst_deg(mid_mjd) + longitude) - ra
    azimuth, altitude = erfa.hd2ae(hour_angle, dec, np.radians(latitude))
    return np.degrees(azimuth) % 360.0, np.degrees(altitude)


def centres(rows: list[Row]) -> NDArray[np.float64]:
    ra, dec = np.radians([(row.ra_deg, row.dec_deg) for row in rows]).T
    return np.asarray(erfa.s2c(ra, dec))


def sun(rows: list[Row]) -> NDArray[np.float64]:
    earth = erfa.plan94(MJD_ZERO, np.array([row.mid_mjd for row in rows]), 3)  # epv00: from 1900
    return -np.asarray(earth["p"])


def moon(rows: list[Row]) -> NDArray[np.float64]:
    return np.asarray(erfa.moon98(MJD_ZERO, np.array([row.mid_mjd for row in rows]))["p"])


def test_fields_are_up_and_the_sky_is_dark(demo: Demo) -> None:
    rows = [row for row in demo.rows if row.programme != "eclipse"]
    _, field_altitude = horizon_deg(rows, centres(rows))
    _, sun_altitude = horizon_deg(rows, sun(rows))
    assert 20.0 < field_altitude.min() < 30.0
    assert sun_altitude.max() < -12.0  # the end of nautical dusk


def test_no_deep_exposures_near_full_moon(demo: Demo) -> None:
    elongation = np.degrees(erfa.sepp(sun(demo.rows), moon(demo.rows)))
    minutes = np.array([float(row.cells["exposure_min"] or 0) for row in demo.rows])
    deep = np.array([row.programme in DEEP for row in demo.rows])
    assert (
        elongation[deep].max() < 180.0 - (6.0 - HALF_NIGHT_DAYS) * DEGREES_A_DAY + MOON_WANDERS_DEG
    )
    at_length = (minutes >= LONG_MIN) & np.array(
        [row.slip == "" and row.programme != "spectra" for row in demo.rows]
    )
    assert (
        elongation[at_length].max()
        < 180.0 - (3.0 - HALF_NIGHT_DAYS) * DEGREES_A_DAY + MOON_WANDERS_DEG
    )
    assert elongation.max() > 165.0  # short exposures go on
    assert at_length.sum() > 1000 and deep.sum() > 1000


def test_eclipse_plates_show_the_sun_by_day_and_the_moon_before_it(demo: Demo) -> None:
    rows = [row for row in demo.rows if row.programme == "eclipse"]
    assert len(rows) == 7 and all("by day" in row.cells["object"] for row in rows)
    assert np.degrees(erfa.sepp(centres(rows), sun(rows))).max() < 1.0
    assert (horizon_deg(rows, sun(rows))[1] > 20.0).all()
    station = [
        erfa.rxp(
            erfa.tr(erfa.pmat76(MJD_ZERO, row.mid_mjd)),
            erfa.rxp(
                erfa.rz(-np.radians(newcomb_gmst_deg(row.mid_mjd)), np.eye(3)),
                erfa.gd2gc(1, np.radians(row.longitude_deg), np.radians(52.2613), 184.0),
            ),
        )
        for row in rows
    ]
    here = np.array(station) / 149597870700.0  # metres in an astronomical unit (IAU 2012)
    apart_arcmin = np.degrees(erfa.sepp(sun(rows) - here, moon(rows) - here)) * 60.0
    total = np.array(["totality" in row.cells["object"] for row in rows])
    # Semidiameters: Moon 1737.4 km, Sun 696,000 km, at 0.002487 and 1.00946 au: 16.6', 15.8'.
    assert total.sum() == 4 and (apart_arcmin[total] < 0.75).all()
    assert (apart_arcmin[~total] > 5.0).all() and (apart_arcmin < 32.0).all()


@pytest.mark.parametrize("name", ["Comet Sjövik", "Comet Penhalloran", "Comet Lozhkarin"])
def test_comets_move_along_a_great_circle(demo: Demo, name: str) -> None:
    rows = [row for row in demo.rows if row.cells["object"] == name and row.programme == "comet"]
    assert len(rows) >= 5 and all(row.cells["tracking"] == "object" for row in rows)
    rows.sort(key=lambda row: row.mid_mjd)
    places, days = centres(rows), np.array([row.mid_mjd - rows[0].mid_mjd for row in rows])
    across_deg = np.degrees(np.linalg.svd(places)[2][2] @ places.T)
    assert np.abs(across_deg).max() < 0.1
    along_deg = np.degrees(erfa.sepp(places[0], places))
    assert along_deg[-1] > 5.0
    assert np.allclose(along_deg, along_deg[-1] * days / days[-1], atol=0.1)


def test_the_meteor_camera_stands_still(demo: Demo) -> None:
    rows = [row for row in demo.rows if row.series == "MQ"]
    azimuth, altitude = horizon_deg(rows, centres(rows))
    for row, az, alt in zip(rows, azimuth, altitude, strict=True):
        if row.slip in ("second row of one exposure",):
            continue
        words = row.cells["object"].split()
        aimed_at = {"N": 0.0, "E": 90.0, "S": 180.0, "W": 270.0}.get(words[-2], 0.0)
        height = 90.0 if words[-1] == "zenith" else float(words[-1])
        apart = np.degrees(erfa.seps(*np.radians([az, alt, aimed_at, height])))
        assert apart < 0.5  # the series' 30 arcmin
    assert len(rows) > 200


@pytest.mark.parametrize(
    ("shower", "first", "last"),
    [("Perseids", "08-06", "08-18"), ("Geminids", "12-07", "12-18"), ("Lyrids", "04-18", "04-27")],
)
def test_showers_are_in_season(demo: Demo, shower: str, first: str, last: str) -> None:
    days = np.array([r.mid_mjd for r in demo.rows if r.cells["object"].startswith(shower)])
    dates = (np.datetime64("1858-11-17") + days.astype("timedelta64[D]")).astype(str)
    assert len(dates) > 5 and all(first <= text[5:] <= last for text in dates)


def test_b1950_centres_by_fk45z(demo: Demo) -> None:
    rows = [row for row in demo.clean("KWJ") if re.fullmatch(r"\d\d:\d\d:\d\d", row.cells["ra"])]
    assert len(rows) > 150
    # 1 arcmin of pointing error, 0.05 of the last digit: the logs' fields are on whole minutes
    assert _separation_deg(rows, *_fk45z(*_logged_deg(rows))).max() < 1.05 * ARCMIN_DEG


def test_b1900_centres_by_newcomb_precession(demo: Demo) -> None:
    rows = [
        row
        for row in demo.clean("OZT")
        if re.fullmatch(r"\d\d \d\d", row.cells["ra"]) and row.programme == "zone"
    ]
    assert len(rows) > 60
    ra_deg, dec_deg = _newcomb_1900_to_1950(*_logged_deg(rows))
    assert _separation_deg(rows, *_fk45z(ra_deg, dec_deg)).max() < 2.05 * ARCMIN_DEG


def test_typed_b1900_centres_by_newcomb_precession(demo: Demo) -> None:
    rows = demo.clean("PZ-M")
    assert len(rows) > 400
    logged = np.array([(float(r.cells["ra"]), float(r.cells["dec"])) for r in rows]).T
    ra_deg, dec_deg = _newcomb_1900_to_1950(logged[0], logged[1])
    assert _separation_deg(rows, *_fk45z(ra_deg, dec_deg)).max() < 6.05 * ARCMIN_DEG


def test_lost_minus_signs_are_lost_in_the_log_only(demo: Demo) -> None:
    rows = [row for row in demo.rows if row.slip == "lost minus sign"]
    assert rows and all(row.dec_deg < 0.0 for row in rows)


def _logged_deg(rows: list[Row]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    def parse(text: str) -> float:
        parts = [float(part) for part in re.split("[ :]", text.lstrip("+-"))]
        value = sum(part / 60.0**i for i, part in enumerate(parts))
        return -value if text.startswith("-") else value

    ra_deg = np.array([15.0 * parse(row.cells["ra"]) for row in rows])
    return ra_deg, np.array([parse(row.cells["dec"]) for row in rows])


def _fk45z(
    ra_deg: NDArray[np.float64], dec_deg: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    ra, dec = erfa.fk45z(np.radians(ra_deg), np.radians(dec_deg), 1950.0)
    return np.degrees(ra), np.degrees(dec)


def _newcomb_1900_to_1950(
    ra_deg: NDArray[np.float64], dec_deg: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Newcomb's angles for half a tropical century from B1900 (Meeus, ch. 21), no E-terms."""
    t = 0.5
    zeta = np.radians((2304.250 * t + 0.302 * t**2 + 0.018 * t**3) / 3600.0)
    z = zeta + np.radians((0.791 * t**2) / 3600.0)
    theta = np.radians((2004.682 * t - 0.426 * t**2 - 0.042 * t**3) / 3600.0)
    ra, dec = np.radians(ra_deg) + zeta, np.radians(dec_deg)
    a = np.cos(dec) * np.sin(ra)
    b = np.cos(theta) * np.cos(dec) * np.cos(ra) - np.sin(theta) * np.sin(dec)
    c = np.sin(theta) * np.cos(dec) * np.cos(ra) + np.cos(theta) * np.sin(dec)
    return np.degrees(np.arctan2(a, b) + z) % 360.0, np.degrees(np.arcsin(c))


def _separation_deg(
    rows: list[Row], ra_deg: NDArray[np.float64], dec_deg: NDArray[np.float64]
) -> NDArray[np.float64]:
    ra, dec = [row.ra_deg for row in rows], [row.dec_deg for row in rows]
    args = (np.radians(ra), np.radians(dec), np.radians(ra_deg), np.radians(dec_deg))
    return np.asarray(np.degrees(erfa.seps(*args)))
