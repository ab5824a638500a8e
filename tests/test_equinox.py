"""Old equinoxes against published places, hand arithmetic and astropy's frames."""

import astropy.units as u
import erfa
import numpy as np
import pytest
from astropy.coordinates import FK4, FK5, ICRS, FK4NoETerms, SkyCoord
from astropy.time import Time
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from numpy.typing import ArrayLike, NDArray

from platecover.coverage import equinox
from platecover.coverage.equinox import (
    DATE,
    ICRS_SYSTEM,
    SYSTEM_CODES,
    Equinox,
    b1875_rotation,
    parse_equinox,
    to_icrs,
)

ARCSEC = 1.0 / 3600.0
UNDATED = np.nan

# Both poles and their surroundings, RA 0h from both sides, and the corners of the quadrants.
AWKWARD_RA, AWKWARD_DEC = (
    grid.ravel()
    for grid in np.meshgrid(
        [0.0, 1e-9, 90.0, 180.0, 270.0, 359.999999],
        [-90.0, -89.9999, -88.5, 0.0, 45.0, 85.0, 89.5, 89.9999, 90.0],
    )
)


def carried(
    ra_deg: ArrayLike, dec_deg: ArrayLike, system: int, year: float, mid_mjd: ArrayLike = UNDATED
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """`to_icrs` for one system and year, of scalars or arrays."""
    ra, dec, mjd = np.broadcast_arrays(
        np.atleast_1d(np.asarray(ra_deg, dtype=float)), dec_deg, mid_mjd
    )
    return to_icrs(ra, dec, np.full(ra.shape, system, dtype=np.int8), np.full(ra.shape, year), mjd)


def separation_arcsec(
    ra_deg: ArrayLike, dec_deg: ArrayLike, other_ra_deg: ArrayLike, other_dec_deg: ArrayLike
) -> NDArray[np.float64]:
    """Separations by ERFA."""
    angles = np.radians(np.broadcast_arrays(ra_deg, dec_deg, other_ra_deg, other_dec_deg))
    return np.asarray(np.degrees(erfa.seps(*angles)) / ARCSEC)


def random_sky(count: int, seed: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Directions spread evenly over the sky, and the awkward ones."""
    rng = np.random.default_rng(seed)
    ra_deg = np.concatenate([AWKWARD_RA, rng.uniform(0.0, 360.0, count)])
    dec_deg = np.concatenate([AWKWARD_DEC, np.degrees(np.arcsin(rng.uniform(-1.0, 1.0, count)))])
    return ra_deg, dec_deg


def hours(h: float, m: float = 0.0, s: float = 0.0) -> float:
    """Degrees of a right ascension in hours."""
    return 15.0 * (h + m / 60.0 + s / 3600.0)


def degrees(d: float, m: float = 0.0, s: float = 0.0) -> float:
    """Degrees of a declination north of the equator."""
    return d + m / 60.0 + s / 3600.0


# ---------------------------------------------------------------- reading


@pytest.mark.parametrize(
    ("text", "system", "year"),
    [
        ("B1855", "FK4", 1855.0),
        ("B1900.0", "FK4", 1900.0),
        ("b 1875.", "FK4", 1875.0),
        (" 1950 ", "FK4", 1950.0),
        ("1983.9", "FK4", 1983.9),
        ("1984", "FK5", 1984.0),
        ("2000.0", "FK5", 2000.0),
        ("J2000", "FK5", 2000.0),
        ("j1975.0", "FK5", 1975.0),
        ("B2000", "FK4", 2000.0),
        ("icrs", "ICRS", np.nan),
        (" Date ", "DATE", np.nan),
    ],
)
def test_reads_what_logs_write(text: str, system: str, year: float) -> None:
    read = parse_equinox(text)
    assert read.system == system
    assert_array_equal(read.year, year)  # NaN equals NaN here
    assert read.system in SYSTEM_CODES


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("B19x", r"'B19x' is no equinox \(use B1900, J2000, ICRS or date\)"),
        ("", "is no equinox"),
        ("nan", "is no equinox"),
        ("FK4", "is no equinox"),
        ("-1900", "is no equinox"),
        ("1.9e3", "is no equinox"),
        ("B1900 J2000", "is no equinox"),
        ("١٩٠٠", "is no equinox"),
        ("19000", "is no equinox"),
        ("1699.9", r"year of equinox '1699\.9' is not within 1700\.\.2100"),
        ("J2101", "is not within"),
    ],
)
def test_bad_equinox_is_refused_with_its_text(text: str, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        parse_equinox(text)


@given(st.text(max_size=12) | st.from_regex(r"\A ?[BbJj]? ?[0-9]{2,5}(\.[0-9]?)?\Z"))
def test_any_text_is_read_or_refused(text: str) -> None:
    try:
        read = parse_equinox(text)
    except ValueError:
        return
    assert isinstance(read, Equinox)
    assert read.system in ("ICRS", "DATE") or 1700.0 <= read.year <= 2100.0


# ---------------------------------------------------------------- places


@pytest.mark.parametrize(
    ("year", "ra_deg", "dec_deg", "icrs_ra_deg", "icrs_dec_deg"),
    [
        # Computed outside by four routes that agree to 0.02 arcsec: ERFA fk45z after Newcomb's
        # precession by hand; PAL subet, prebn, addet, fk45z; Aoki's matrix by hand; astropy.
        (1950, 0.0, 0.0, 0.640685, 0.278407),
        (1950, 83.2, -5.45, 83.814257, -5.418502),
        (1950, 278.0, 38.65, 278.420263, 38.689762),
        (1900, 83.2, -5.45, 84.428187, -5.389981),
        (1900, 0.0, 0.0, 1.280853, 0.556825),
        (1875, 278.0, 38.65, 279.049376, 38.753192),
        (1875, 160.0, -59.0, 161.210960, -59.656664),
        (1855, 165.0, 62.0, 167.215403, 61.216204),
        (1855, 310.0, 85.0, 304.106255, 85.487634),
        (1855, 15.0, -88.5, 11.298543, -87.712656),
    ],
)
def test_besselian_places_of_the_equinoxs_own_epoch(
    year: float, ra_deg: float, dec_deg: float, icrs_ra_deg: float, icrs_dec_deg: float
) -> None:
    ra, dec, _ = carried(ra_deg, dec_deg, equinox.FK4, year)
    assert separation_arcsec(ra, dec, icrs_ra_deg, icrs_dec_deg)[0] < 0.02


@pytest.mark.parametrize(
    ("b1950_rad", "epoch", "j2000_rad"),
    [
        # SOFA/ERFA test program, Fk45z; its FK4 place is that of the documented example,
        # 00h03m40.330s -06d40m16.400s.
        (
            (np.radians(hours(0, 3, 40.330)), np.radians(-degrees(6, 40, 16.400))),
            1954.677617625256806,
            (0.02719295911606862, -0.1115766001565927),
        ),
        # SOFA/ERFA test program, Fk54z, backwards.
        (
            (0.01602015588390065, -0.1164397101110765),
            1954.677308160316374,
            (0.02719026625066316, -0.1115815170738755),
        ),
    ],
)
def test_sofa_fk4_to_fk5(
    b1950_rad: tuple[float, float], epoch: float, j2000_rad: tuple[float, float]
) -> None:
    epoch_mjd = sum(erfa.epb2jd(epoch)) - 2400000.5
    ra, dec, _ = carried(*np.degrees(b1950_rad), equinox.FK4, 1950.0, epoch_mjd)
    expected = SkyCoord(*j2000_rad, unit=u.rad, frame=FK5()).icrs
    assert separation_arcsec(ra, dec, expected.ra.deg, expected.dec.deg)[0] < 0.001


def test_fk4_b1950_is_erfas_fk45z_at_any_epoch() -> None:
    # fk45z lets its E-terms drift with the epoch, by 0.002 arcsec a century; ours are fixed.
    ra_deg, dec_deg = random_sky(500, seed=1)
    mjd = np.linspace(0.0, 45000.0, len(ra_deg))  # 1858 to 1982
    fk5 = erfa.fk45z(np.radians(ra_deg), np.radians(dec_deg), erfa.epb(2400000.5, mjd))
    expected = SkyCoord(*fk5, unit=u.rad, frame=FK5()).icrs
    ra, dec, _ = carried(ra_deg, dec_deg, equinox.FK4, 1950.0, mjd)
    assert separation_arcsec(ra, dec, expected.ra.deg, expected.dec.deg).max() < 0.0025


def test_e_terms() -> None:
    e_terms = equinox._e_terms(np.array([1950.0, 1900.0, 1875.0, 1855.0]))
    # SOFA/ERFA source, Fk425; Explanatory Supplement 1992, section 3.5
    assert_allclose(e_terms[0], [-1.62557e-6, -0.31919e-6, -0.13843e-6], rtol=0.0, atol=2e-11)
    # by hand from eccentricity, perihelion and obliquity
    length_arcsec = np.degrees(np.linalg.norm(e_terms, axis=-1)) / ARCSEC
    assert_allclose(length_arcsec, [0.3429, 0.3433, 0.3435, 0.3437], rtol=0.0, atol=1e-4)


def test_galactic_pole_lacks_its_e_terms() -> None:
    # 12h49m +27d24m (B1950) is 192.85948, +27.12825 by the usual J2000 value; that definition
    # has no E-terms, so taking them off must move it: 0.18 arcsec, to +27.128303.
    ra, dec, _ = carried(hours(12, 49), 27.4, equinox.FK4, 1950.0)
    assert_allclose(dec, 27.128303, rtol=0.0, atol=2e-6)
    assert 0.15 < separation_arcsec(ra, dec, 192.85948, 27.12825)[0] < 0.25


@pytest.mark.parametrize(
    ("julian_year", "ra_deg", "dec_deg", "pm_epoch"),
    [
        # Meeus, Astronomical Algorithms, chapter 21: Polaris (J2000 2h31m48.704s
        # +89d15m50.72s, proper motion +0.19877 s, -0.0152 arcsec a year).
        (2050.0, hours(3, 48, 16.43), degrees(89, 27, 15.38), 50.0),
        (2100.0, hours(5, 53, 29.17), degrees(89, 32, 22.18), 100.0),
    ],
)
def test_julian_equinox_by_meeus_polaris(
    julian_year: float, ra_deg: float, dec_deg: float, pm_epoch: float
) -> None:
    ra, dec, _ = carried(ra_deg, dec_deg, equinox.FK5, julian_year)
    moved_ra = hours(2, 31, 48.704 + 0.19877 * pm_epoch)
    moved_dec = degrees(89, 15, 50.72 - 0.0152 * pm_epoch)
    # 0.02 arcsec of rounding in the book, and 0.03 between FK5 and ICRS
    assert separation_arcsec(ra, dec, moved_ra, moved_dec)[0] < 0.05


def test_julian_equinox_by_meeus_theta_persei() -> None:
    # Meeus, example 21.b: 2028 November 13.19, JD 2462088.69.
    years = (2462088.69 - 2451545.0) / 365.25
    ra, dec, _ = carried(hours(2, 46, 11.331), degrees(49, 20, 54.54), equinox.FK5, 2000.0 + years)
    start_ra = hours(2, 44, 11.986 + 0.03425 * years)
    start_dec = degrees(49, 13, 42.48 - 0.0895 * years)
    assert separation_arcsec(ra, dec, start_ra, start_dec)[0] < 0.05


@pytest.mark.parametrize(
    ("ra_deg", "dec_deg", "year", "mid_jd", "icrs"),
    [
        # Five made-up plates computed outside by two routes (ERFA tpsts, Newcomb by hand and fk45z;
        # astropy WCS and frames) that agree to 0.01 arcsec; places to 0.0001 deg.
        (hours(18, 36), 39.0, 1900.0, 2414511.420139, (279.8353, 39.0911)),
        (hours(8), 87.0, 1950.0, 2434072.740278, (125.0109, 86.8503)),
        (hours(0, 1), -30.0, 1875.0, 2412387.576389, (1.8436, -29.3040)),
        (hours(5, 32), -5.0, 1950.0, 2432942.350694, (83.6165, -4.9675)),
        (hours(2), 55.0, 1855.0, 2412069.422044, (32.4624, 55.6904)),
    ],
)
def test_centres_of_worked_plates(
    ra_deg: float, dec_deg: float, year: float, mid_jd: float, icrs: tuple[float, float]
) -> None:
    ra, dec, _ = carried(ra_deg, dec_deg, equinox.FK4, year, mid_jd - 2400000.5)
    assert separation_arcsec(ra, dec, *icrs)[0] < 0.3


def frame_of(system: int, year: float, mjd: float) -> FK4 | FK5:
    """Astropy's frame for a row; MJD is taken as TT, a minute off at most."""
    if system == equinox.FK4:
        epoch = Time(f"B{year}") if np.isnan(mjd) else Time(mjd, format="mjd", scale="tt")
        return FK4(equinox=f"B{year}", obstime=epoch)
    if system == equinox.FK5:
        return FK5(equinox=f"J{year}")
    # astropy's FK5 frame precesses by the IAU 2006 angles
    return FK5(equinox=Time(mjd, format="mjd", scale="tt"))


# Largest difference from astropy, arcsec. FK4: it lacks the drift of E-terms and rounds otherwise
# (0.016 in 1855 by four outside routes). FK5: it precesses by IAU 2006. DATE: it takes the FK5
# catalogue's equator and equinox of J2000 for the mean ones, 0.030 arcsec, the same in all years.
ASTROPY_CASES = [
    (equinox.FK4, 1855.0, 12069.0, 0.02),
    (equinox.FK4, 1875.0, UNDATED, 0.02),
    (equinox.FK4, 1900.0, 14511.4, 0.02),
    (equinox.FK4, 1925.0, 24000.0, 0.02),
    (equinox.FK4, 1950.0, 40000.0, 0.02),
    (equinox.FK5, 1975.0, UNDATED, 0.15),
    (equinox.FK5, 2000.0, 50000.0, 1e-6),
    (DATE, np.nan, -3000.0, 0.031),
    (DATE, np.nan, 15020.0, 0.031),
    (DATE, np.nan, 45000.0, 0.031),
]


@pytest.mark.parametrize(("system", "year", "mjd", "tolerance_arcsec"), ASTROPY_CASES)
def test_places_agree_with_astropy(
    system: int, year: float, mjd: float, tolerance_arcsec: float
) -> None:
    ra_deg, dec_deg = random_sky(300, seed=2)
    expected = SkyCoord(ra_deg, dec_deg, unit="deg", frame=frame_of(system, year, mjd)).icrs
    ra, dec, _ = carried(ra_deg, dec_deg, system, year, mjd)
    assert separation_arcsec(ra, dec, expected.ra.deg, expected.dec.deg).max() < tolerance_arcsec


# ---------------------------------------------------------------- norths


def tangent(
    ra_deg: ArrayLike, dec_deg: ArrayLike, position_angle_deg: ArrayLike
) -> NDArray[np.float64]:
    """Unit vector that leaves (RA, Dec) at a position angle, shape (n, 3)."""
    ra, dec, angle = np.radians(np.broadcast_arrays(ra_deg, dec_deg, position_angle_deg))
    north = [-np.sin(dec) * np.cos(ra), -np.sin(dec) * np.sin(ra), np.cos(dec)]
    east = [-np.sin(ra), np.cos(ra), np.zeros_like(ra)]
    return (np.cos(angle) * np.array(north) + np.sin(angle) * np.array(east)).T


@pytest.mark.parametrize(("system", "year", "mjd", "tolerance_arcsec"), ASTROPY_CASES)
def test_norths_agree_with_a_second_point_carried_by_astropy(
    system: int, year: float, mjd: float, tolerance_arcsec: float
) -> None:
    ra_deg, dec_deg = random_sky(300, seed=3)
    frame = frame_of(system, year, mjd)
    toward = erfa.s2c(np.radians(ra_deg), np.radians(dec_deg))
    step = np.radians(0.1)  # northward along the meridian, over the pole where need be
    ahead = np.cos(step) * toward + np.sin(step) * tangent(ra_deg, dec_deg, 0.0)
    icrs_toward, icrs_ahead = (
        SkyCoord(*v.T, frame=frame, representation_type="cartesian").icrs.cartesian.xyz.value.T
        for v in (toward, ahead)
    )
    along = np.sum(icrs_toward * icrs_ahead, axis=-1, keepdims=True)
    expected = icrs_ahead - along * icrs_toward
    expected /= np.linalg.norm(expected, axis=-1, keepdims=True)

    ra, dec, north_angle = carried(ra_deg, dec_deg, system, year, mjd)
    # As vectors, for at the poles the angle itself hangs on the last digit of the RA.
    off_deg = np.degrees(np.linalg.norm(tangent(ra, dec, north_angle) - expected, axis=-1))
    assert off_deg.max() < 2e-4  # 0.7 arcsec


@pytest.mark.parametrize(
    ("year", "dec_deg", "turn_deg"),
    [
        # By hand, RA 6h. At RA 12h nothing would be seen.
        (1855, 0.0, 0.81),
        (1855, 60.0, 1.61),
        (1855, 80.0, 4.63),
        (1855, 85.0, 9.16),
        (1900, 60.0, 1.11),
        (1900, 85.0, 6.35),
        (1950, 60.0, 0.56),
        (1950, 85.0, 3.19),
    ],
)
def test_size_of_the_turn(year: float, dec_deg: float, turn_deg: float) -> None:
    _, _, north_angle = carried(90.0, dec_deg, equinox.FK4, year)
    assert_allclose(np.abs(north_angle), turn_deg, rtol=0.01, atol=0.005)


@pytest.mark.parametrize("dec_deg", [90.0, -90.0])
@pytest.mark.parametrize(("system", "year"), [(equinox.FK4, 1855.0), (equinox.FK5, 1950.0)])
def test_at_the_old_pole_north_turns_with_the_ra(dec_deg: float, system: int, year: float) -> None:
    ra_deg = np.arange(0.0, 360.0, 30.0)
    ra, dec, north_angle = carried(ra_deg, dec_deg, system, year)
    assert separation_arcsec(ra, dec, ra[0], dec[0]).max() < 1e-6
    # Seen from inside the sphere, RA grows against the position angle at the north pole.
    turned = north_angle - north_angle[0] + np.sign(dec_deg) * ra_deg
    assert_allclose(np.mod(turned + 180.0, 360.0), 180.0, rtol=0.0, atol=1e-6)


@pytest.mark.parametrize("icrs_dec_deg", [90.0, -90.0])
def test_at_the_icrs_pole_north_is_still_right(icrs_dec_deg: float) -> None:
    frame = FK5(equinox="J1975")
    old = SkyCoord(0.0, icrs_dec_deg, unit="deg", frame="icrs").transform_to(frame)
    ra, dec, north_angle = carried(old.ra.deg, old.dec.deg, equinox.FK5, 1975.0)
    assert separation_arcsec(ra, dec, 0.0, icrs_dec_deg)[0] < 0.15  # IAU 1976 against 2006
    ahead = SkyCoord(old.ra, old.dec, frame=frame)
    ahead = ahead.directional_offset_by(0.0 * u.deg, 0.1 * u.deg).icrs
    heading = ahead.cartesian.xyz.value
    heading = heading * [1.0, 1.0, 0.0] / np.hypot(heading[0], heading[1])
    assert_allclose(tangent(ra, dec, north_angle)[0], heading, rtol=0.0, atol=1e-5)


# ---------------------------------------------------------------- whole arrays


def test_icrs_passes_unchanged() -> None:
    ra, dec, north_angle = carried([0.0, 83.28, 360.0, -1e-17], -90.0, ICRS_SYSTEM, np.nan)
    assert_array_equal(ra, [0.0, 83.28, 0.0, 0.0])
    assert_array_equal(dec, -90.0)
    assert_array_equal(north_angle, 0.0)


def test_undated_fk4_is_of_the_epoch_of_its_equinox() -> None:
    b1900_mjd = 2415020.31352 - 2400000.5  # Lieske 1979, A&A 73, 282
    assert_allclose(
        carried(83.2, -5.45, equinox.FK4, 1900.0),
        carried(83.2, -5.45, equinox.FK4, 1900.0, b1900_mjd),
        rtol=1e-14,
    )
    later = carried(83.2, -5.45, equinox.FK4, 1900.0, b1900_mjd + 36525.0)
    assert separation_arcsec(*later[:2], *carried(83.2, -5.45, equinox.FK4, 1900.0)[:2])[0] > 0.05


def test_mixed_rows_are_as_each_alone() -> None:
    ra_deg, dec_deg = random_sky(40, seed=4)
    rng = np.random.default_rng(5)
    system = rng.integers(0, 4, len(ra_deg)).astype(np.int8)
    year = np.where(system == equinox.FK5, 1984.0 + rng.integers(0, 3, len(ra_deg)), 1855.0)
    mjd = rng.uniform(10000.0, 40000.0, len(ra_deg))
    together = to_icrs(ra_deg, dec_deg, system, year, mjd)
    for i in range(len(ra_deg)):
        row = slice(i, i + 1)
        alone = to_icrs(ra_deg[row], dec_deg[row], system[row], year[row], mjd[row])
        assert_allclose(alone, [column[row] for column in together], rtol=0.0, atol=1e-9)


def test_missing_values_stay_missing_and_harm_no_other_row() -> None:
    ra, dec, north_angle = to_icrs(
        np.array([np.nan, 10.0, 10.0, 10.0]),
        np.array([5.0, np.nan, 5.0, 5.0]),
        np.array([ICRS_SYSTEM, equinox.FK4, DATE, DATE], dtype=np.int8),
        np.array([np.nan, 1900.0, np.nan, np.nan]),
        np.array([15000.0, 15000.0, UNDATED, 15000.0]),
    )
    assert_array_equal(np.isnan(ra + dec + north_angle), [True, True, True, False])
    assert_array_equal(np.isnan(north_angle), [True, True, True, False])


def test_no_rows() -> None:
    empty = np.array([])
    for column in to_icrs(empty, empty, empty.astype(np.int8), empty, empty):
        assert column.shape == (0,)


def test_bad_input_is_refused() -> None:
    one, two = np.zeros(1), np.zeros(2)
    code = np.zeros(1, dtype=np.int8)
    with pytest.raises(ValueError, match=r"one shape, got \[\(1,\), \(2,\)"):
        to_icrs(one, two, code, one, one)
    with pytest.raises(ValueError, match=r"system must be a code of .*'DATE': 3.*, got 4"):
        to_icrs(one, one, np.array([4], dtype=np.int8), one, one)


@settings(deadline=None)
@given(
    ra_deg=st.floats(0.0, 360.0),
    dec_deg=st.floats(-90.0, 90.0),
    system=st.sampled_from([equinox.FK4, equinox.FK5, ICRS_SYSTEM, DATE]),
    year=st.floats(1700.0, 2100.0),
    mjd=st.floats(-20000.0, 70000.0),
    step_deg=st.floats(0.01, 20.0),
)
def test_a_meridian_keeps_its_length_and_heading(
    ra_deg: float, dec_deg: float, system: int, year: float, mjd: float, step_deg: float
) -> None:
    toward = erfa.s2c(np.radians(ra_deg), np.radians(dec_deg))
    step = np.radians(step_deg)
    ahead = np.cos(step) * toward + np.sin(step) * tangent(ra_deg, dec_deg, 0.0)
    ahead_ra, ahead_dec = np.degrees(erfa.c2s(ahead))
    ra, dec, north_angle = carried(
        [ra_deg, ahead_ra % 360.0], [dec_deg, ahead_dec], system, year, mjd
    )
    assert np.all((ra >= 0.0) & (ra < 360.0) & (np.abs(dec) <= 90.0))
    new = erfa.s2c(np.radians(ra), np.radians(dec))
    expected = np.cos(step) * new[0] + np.sin(step) * tangent(ra[0], dec[0], north_angle[0])
    assert np.degrees(np.linalg.norm(new[1] - expected)) < 0.5 * ARCSEC  # E-terms: 0.34


# ---------------------------------------------------------------- constellation boundaries


def test_b1875_rotation_is_a_rotation() -> None:
    rotation = b1875_rotation()
    assert_allclose(rotation @ rotation.T, np.eye(3), rtol=0.0, atol=1e-14)
    assert np.linalg.det(rotation) > 0.0


def test_b1875_rotation_agrees_with_astropy() -> None:
    ra_deg, dec_deg = random_sky(300, seed=6)
    frame = FK4NoETerms(equinox="B1875", obstime=Time("B1875"))
    expected = SkyCoord(ra_deg, dec_deg, unit="deg", frame=ICRS()).transform_to(frame)
    ra, dec = np.degrees(erfa.c2s(erfa.s2c(*np.radians([ra_deg, dec_deg])) @ b1875_rotation().T))
    assert separation_arcsec(ra, dec, expected.ra.deg, expected.dec.deg).max() < 0.02


@pytest.mark.parametrize(
    ("b1950_hours", "b1950_deg", "b1875_hours", "b1875_deg"),
    [
        # Points of Roman 1987, PASP 99, 695 (CDS catalogue VI/42); B1875 places from PyEphem,
        # skyfield and astronomy-engine alike.
        (9.0, 65.0, 8.8929, 65.2911),
        (23.5, -20.0, 23.4346, -20.4136),
        (5.12, 9.12, 5.0517, 9.0210),
        (9.4555, -19.9, 9.3977, -19.5736),
        (12.8888, 22.0, 12.8273, 22.4071),
        (15.6687, -12.1234, 15.5999, -11.8810),
        (19.0, -40.0, 18.9133, -40.1035),
        (6.2222, -81.1234, 6.3357, -81.0929),
    ],
)
def test_constellation_test_points_at_b1875(
    b1950_hours: float, b1950_deg: float, b1875_hours: float, b1875_deg: float
) -> None:
    ra, dec, _ = carried(hours(b1950_hours), b1950_deg, equinox.FK4, 1950.0)
    icrs = erfa.s2c(np.radians(ra[0]), np.radians(dec[0]))
    b1875_ra, b1875_dec = np.degrees(erfa.c2s(b1875_rotation() @ icrs))
    assert_allclose(b1875_ra / 15.0 % 24.0, b1875_hours, rtol=0.0, atol=0.0002)
    assert_allclose(b1875_dec, b1875_deg, rtol=0.0, atol=0.0002)
