"""Equinoxes of plate logs: reading them, and carrying directions and norths to ICRS."""

import math
import re
from dataclasses import dataclass

import erfa
import numpy as np
from numpy.typing import NDArray

from platecover.coverage.calendar_dates import MJD_ZERO_JD
from platecover.coverage.directions import FULL_CIRCLE_DEG, east_and_north, ra_dec_deg, unit_vectors

FK4, FK5, ICRS_SYSTEM, DATE = 0, 1, 2, 3
SYSTEM_CODES = {"FK4": FK4, "FK5": FK5, "ICRS": ICRS_SYSTEM, "DATE": DATE}

EARLIEST_EQUINOX_YEAR, LATEST_EQUINOX_YEAR = 1700.0, 2100.0  # our limits; outside is a slip
FIRST_JULIAN_YEAR = 1984.0  # IAU 1976, resolution 1: FK5 and Julian epochs from 1984 on

J2000_MJD = 51544.5  # definition of J2000.0
DAYS_PER_JULIAN_YEAR = 365.25  # definition
ARCSEC_RAD = math.radians(1.0 / 3600.0)

# FK4 B1950, E-terms removed, to FK5 J2000: Explanatory Supplement to the Astronomical
# Almanac (1992), eq. 3.591-2, the columns that act on positions; after Aoki et al. 1983,
# A&A 128, 263. An object at rest in FK5 drifts in FK4, hence the second, in arcsec a century.
FK4_TO_FK5 = np.array(
    [
        [+0.9999256782, -0.0111820611, -0.0048579477],
        [+0.0111820610, +0.9999374784, -0.0000271765],
        [+0.0048579479, -0.0000271474, +0.9999881997],
    ]
)
FK4_DRIFT_ARCSEC_PER_CENTURY = np.array(
    [
        [-0.000551, -0.238565, +0.435739],
        [+0.238514, -0.002667, -0.008541],
        [-0.435623, +0.012254, +0.002117],
    ]
)

# E-terms: constant of aberration (IAU 1976), then Newcomb's eccentricity of the Earth's
# orbit, longitude of its perihelion and obliquity, by powers of tropical centuries from B1950
# (Smith et al. 1989, AJ 97, 265, appendix 2).
ABERRATION_ARCSEC = 20.49552
ECCENTRICITY = (0.01673011, -0.00004193, -0.000000126)
PERIHELION_ARCSEC = (1015489.951, 6190.67, 1.65, 0.012)
OBLIQUITY_ARCSEC = (84404.836, -46.8495, -0.00319, -0.00181)

_EQUINOX = re.compile(r"([BJ]?)([0-9]{4}(?:\.[0-9]*)?)")

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Equinox:
    """One equinox as logged: `system` FK4, FK5, ICRS or DATE; `year` NaN for the last two."""

    system: str
    year: float


def parse_equinox(text: str) -> Equinox:
    """Read the equinox that a log states, in any case and with any spaces.

    Parameters
    ----------
    text : str
        ``B1900.0`` (Besselian, FK4), ``J2000`` (Julian, FK5), a bare year (Besselian
        before 1984, Julian from then), ``ICRS`` or ``date``.

    Returns
    -------
    Equinox

    Raises
    ------
    ValueError
        If it is none of these, or its year is not within 1700..2100.

    Examples
    --------
    >>> parse_equinox("b 1855")
    Equinox(system='FK4', year=1855.0)
    """
    letters = "".join(text.split()).upper()
    if letters in ("ICRS", "DATE"):
        return Equinox(letters, math.nan)
    match = _EQUINOX.fullmatch(letters)
    if match is None:
        raise ValueError(f"{text!r} is no equinox (use B1900, J2000, ICRS or date)")
    kind, year = match[1], float(match[2])
    if not (EARLIEST_EQUINOX_YEAR <= year <= LATEST_EQUINOX_YEAR):
        raise ValueError(
            f"the year of equinox {text!r} is not within "
            f"{EARLIEST_EQUINOX_YEAR:.0f}..{LATEST_EQUINOX_YEAR:.0f}"
        )
    julian = kind == "J" or (kind == "" and year >= FIRST_JULIAN_YEAR)
    return Equinox("FK5" if julian else "FK4", year)


def to_icrs(
    ra_deg: Floats, dec_deg: Floats, system: NDArray[np.int8], year: Floats, mid_mjd: Floats
) -> tuple[Floats, Floats, Floats]:
    """Carry directions, and the north of their own equinox, to ICRS.

    Parameters
    ----------
    ra_deg, dec_deg : float64, shape (n,)
        Directions in the old equinox, degrees. NaN gives NaN.
    system : int8, shape (n,)
        `FK4`, `FK5`, `ICRS_SYSTEM` or `DATE`.
    year : float64, shape (n,)
        Besselian year of FK4 rows, Julian year of FK5 rows; else not looked at.
    mid_mjd : float64, shape (n,)
        Mid-exposure, MJD in UT; NaN = undated. FK4 directions are at this moment (undated:
        at the equinox). `DATE` is the mean equinox of it; an undated `DATE` row gives NaN.

    Returns
    -------
    ra_deg, dec_deg : float64, shape (n,)
        ICRS; RA in [0, 360).
    north_angle_deg : float64, shape (n,)
        Position angle, at the ICRS direction, of the old equinox's north: from ICRS north
        through east. Added to an old position angle it gives the ICRS one. At a pole,
        north and east are those of the meridian that the RA names, in both frames.

    Raises
    ------
    ValueError
        If the shapes differ or a system code is unknown.

    Notes
    -----
    FK4: E-terms of the equinox removed, Newcomb's precession to B1950, FK5 J2000
    (Explanatory Supplement 1992, section 3.59). FK5: IAU 1976 precession. `DATE`: IAU 2006.
    UT stands for TT throughout: a minute of precession is 0.0001 arcsec.
    """
    columns = (ra_deg, dec_deg, system, year, mid_mjd)
    if len({column.shape for column in columns}) > 1:
        raise ValueError(f"columns must have one shape, got {[c.shape for c in columns]}")
    unknown = ~np.isin(system, list(SYSTEM_CODES.values()))
    if unknown.any():
        raise ValueError(f"system must be a code of {SYSTEM_CODES}, got {system[unknown][0]}")

    new_ra_deg = np.mod(ra_deg, FULL_CIRCLE_DEG)
    new_ra_deg[new_ra_deg == FULL_CIRCLE_DEG] = 0.0  # what -1e-17 comes to
    new_dec_deg = np.array(dec_deg, dtype=np.float64)
    north_angle_deg = np.where(np.isnan(new_ra_deg + new_dec_deg), np.nan, 0.0)
    for code, carry in ((FK4, _carry_fk4), (FK5, _carry_fk5), (DATE, _carry_date)):
        rows = system == code
        if rows.any():
            toward = unit_vectors(ra_deg[rows], dec_deg[rows])
            _, north = east_and_north(ra_deg[rows], dec_deg[rows])
            toward, north = carry(toward, north, year[rows], mid_mjd[rows])
            new_ra_deg[rows], new_dec_deg[rows] = ra_dec_deg(toward)
            icrs_east, icrs_north = east_and_north(new_ra_deg[rows], new_dec_deg[rows])
            north_angle_deg[rows] = np.degrees(
                np.arctan2(_dot(north, icrs_east), _dot(north, icrs_north))
            )
    return new_ra_deg, new_dec_deg, north_angle_deg


def b1875_rotation() -> Floats:
    """Return the rotation from ICRS to FK4 B1875.0, the equinox of constellation boundaries.

    Returns
    -------
    float64, shape (3, 3)
        ``b1875_rotation() @ v`` is the FK4 direction of an ICRS unit vector `v`: equinox and
        epoch B1875.0, *without* E-terms (at most 0.35 arcsec), so that it is a pure rotation.
    """
    equinox = np.array([1875.0])  # Delporte 1930, Delimitation scientifique des constellations
    epoch_mjd = _besselian_mjd(equinox)
    axes = np.eye(3)
    to_icrs_rows = _fk4_b1950_to_icrs(axes @ _newcomb_to_b1950(equinox)[0].T, epoch_mjd)
    # Row i is the ICRS direction of FK4 axis i. The published matrices hold ten digits:
    # the nearest exact rotation makes lengths exactly 1.
    left, _, right = np.linalg.svd(to_icrs_rows)
    rotation: Floats = left @ right
    return rotation


def _carry_fk4(
    toward: Floats, north: Floats, year: Floats, mid_mjd: Floats
) -> tuple[Floats, Floats]:
    """FK4 directions with E-terms, and norths, to ICRS; all (n, 3)."""
    equinox, row_equinox = np.unique(year, return_inverse=True)
    e_terms = _e_terms(equinox)[row_equinox]
    to_b1950 = _newcomb_to_b1950(equinox)[row_equinox]
    epoch_mjd = np.where(np.isnan(mid_mjd), _besselian_mjd(year), mid_mjd)
    # Taking the E-terms off bends the field by 2e-6 at most. North, being the way along the
    # meridian and not a place, only tilts with the direction; `to_icrs` drops that part.
    toward = toward - e_terms + _dot(toward, e_terms)[:, np.newaxis] * toward
    return (
        _fk4_b1950_to_icrs(_turn(to_b1950, toward), epoch_mjd),
        _fk4_b1950_to_icrs(_turn(to_b1950, north), epoch_mjd),
    )


def _carry_fk5(
    toward: Floats, north: Floats, year: Floats, mid_mjd: Floats
) -> tuple[Floats, Floats]:
    """FK5 directions of Julian equinoxes, and norths, to ICRS; all (n, 3)."""
    equinox, row_equinox = np.unique(year, return_inverse=True)
    from_j2000 = erfa.pmat76(MJD_ZERO_JD, J2000_MJD + (equinox - 2000.0) * DAYS_PER_JULIAN_YEAR)
    to_icrs = (_fk5_to_icrs() @ np.swapaxes(from_j2000, -1, -2))[row_equinox]
    return _turn(to_icrs, toward), _turn(to_icrs, north)


def _carry_date(
    toward: Floats, north: Floats, year: Floats, mid_mjd: Floats
) -> tuple[Floats, Floats]:
    """Directions of the mean equinox of date, and norths, to ICRS; all (n, 3)."""
    to_icrs = np.swapaxes(erfa.pmat06(MJD_ZERO_JD, mid_mjd), -1, -2)  # frame bias included
    return _turn(to_icrs, toward), _turn(to_icrs, north)


def _fk4_b1950_to_icrs(vectors: Floats, epoch_mjd: Floats) -> Floats:
    """FK4 B1950 vectors without E-terms, (n, 3), of the epoch (n,) or (1,), to ICRS."""
    centuries = (epoch_mjd - J2000_MJD) / (100.0 * DAYS_PER_JULIAN_YEAR)
    drift = _turn(FK4_DRIFT_ARCSEC_PER_CENTURY, vectors) * ARCSEC_RAD
    at_rest = _turn(FK4_TO_FK5, vectors) + centuries[:, np.newaxis] * drift
    return _turn(_fk5_to_icrs(), at_rest)


def _fk5_to_icrs() -> Floats:
    """Rotation from FK5 J2000.0 to ICRS (Mignard & Froeschle 2000, A&A 354, 732), by ERFA."""
    rotation: Floats = erfa.fk5hip()[0]
    return rotation


def _e_terms(equinox: Floats) -> Floats:
    """E-terms of aberration of Besselian equinoxes (n,): vectors (n, 3), in radians."""
    century = (equinox - 1950.0) / 100.0
    size = ABERRATION_ARCSEC * ARCSEC_RAD * _polynomial(ECCENTRICITY, century)
    perihelion = _polynomial(PERIHELION_ARCSEC, century) * ARCSEC_RAD
    obliquity = _polynomial(OBLIQUITY_ARCSEC, century) * ARCSEC_RAD
    across = -size * np.cos(perihelion)
    return np.stack(
        [size * np.sin(perihelion), across * np.cos(obliquity), across * np.sin(obliquity)], axis=-1
    )


def _newcomb_to_b1950(equinox: Floats) -> Floats:
    """Newcomb's precession from Besselian equinoxes (n,) to B1950.0: matrices (n, 3, 3).

    Angles as Andoyer gave them: Kinoshita 1975, SAO Special Report 364, in tropical
    centuries, arcsec.
    """
    start = (equinox - 1850.0) / 100.0
    span = (1950.0 - equinox) / 100.0
    speed = 2303.5548 + (1.39720 + 0.000059 * start) * start
    zeta = speed + (0.30242 - 0.000269 * start + 0.017996 * span) * span
    z = speed + (1.09478 + 0.000387 * start + 0.018324 * span) * span
    theta = (
        2005.1125
        + (-0.85294 - 0.000365 * start) * start
        + (-0.42647 - 0.000365 * start - 0.041802 * span) * span
    )
    matrix = np.broadcast_to(np.eye(3), (len(equinox), 3, 3))
    matrix = erfa.rz(-zeta * span * ARCSEC_RAD, matrix)
    matrix = erfa.ry(theta * span * ARCSEC_RAD, matrix)
    rotation: Floats = erfa.rz(-z * span * ARCSEC_RAD, matrix)
    return rotation


def _besselian_mjd(year: Floats) -> Floats:
    """MJD of Besselian years (n,); NaN stays."""
    zero_jd, mjd = erfa.epb2jd(year)
    return np.asarray(mjd + (zero_jd - MJD_ZERO_JD), dtype=np.float64)


def _polynomial(coefficients: tuple[float, ...], x: Floats) -> Floats:
    return np.asarray(np.polynomial.polynomial.polyval(x, coefficients), dtype=np.float64)


def _turn(matrices: Floats, vectors: Floats) -> Floats:
    """Each matrix (n, 3, 3), or the one (3, 3), times its vector (n, 3).

    Unlike numpy's products, row by row the same however many rows there are.
    """
    return np.asarray(erfa.rxp(matrices, vectors))


def _dot(a: Floats, b: Floats) -> Floats:
    """Dot products of vectors (n, 3), row by row."""
    return np.asarray(erfa.pdp(a, b))
