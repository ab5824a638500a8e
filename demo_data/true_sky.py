"""Where the plates truly pointed, in ICRS: the aim, a pointing error, then the old equinox."""

import erfa
import numpy as np
from astropy import units as u
from astropy.coordinates import FK4, ICRS, SkyCoord
from astropy.time import Time

from platecover.demo_data.invented_observatory import SERIES, series_value
from platecover.demo_data.night_sky import MJD_ZERO, Floats
from platecover.demo_data.observing_plan import Exposure

LARGEST_POINTING_ERROR = 0.9  # of the stated tolerance, so that truth stays within the margin
ARCMIN_PER_DEGREE = 60.0


def true_icrs(planned: list[Exposure], rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Return ICRS centres, degrees, shape (n,)."""
    tolerance_deg = np.array(
        [SERIES[e.series]["pointing_tolerance_arcmin"] / ARCMIN_PER_DEGREE for e in planned]
    )
    error_deg = LARGEST_POINTING_ERROR * tolerance_deg * np.sqrt(rng.random(len(planned)))
    aim_ra_deg = np.array([e.ra_deg for e in planned])
    aim_dec_deg = np.array([e.dec_deg for e in planned])
    aim = SkyCoord(aim_ra_deg, aim_dec_deg, unit="deg")  # of each plate's own equinox
    pointed = aim.directional_offset_by(
        rng.uniform(0.0, 360.0, len(planned)) * u.deg, error_deg * u.deg
    )
    ra_deg, dec_deg = np.array(pointed.ra.deg), np.array(pointed.dec.deg)
    equinoxes = np.array([series_value(e.series, "equinox", int(e.start_mjd)) for e in planned])
    mid_mjd = np.array([e.mid_mjd for e in planned])
    for equinox in np.unique(equinoxes):
        at = equinoxes == equinox
        to_icrs = _from_date if equinox == "date" else _from_fk4
        ra_deg[at], dec_deg[at] = to_icrs(ra_deg[at], dec_deg[at], str(equinox), mid_mjd[at])
    return ra_deg, dec_deg


def _from_fk4(
    ra_deg: Floats, dec_deg: Floats, equinox: str, mid_mjd: Floats
) -> tuple[Floats, Floats]:
    # Scale TT for UT: a minute's difference is nothing to FK4's slow turn, and UT before
    # 1960 would ask for Earth rotation tables that do not reach back so far.
    frame = FK4(equinox=Time(equinox), obstime=Time(mid_mjd, format="mjd", scale="tt"))
    icrs = SkyCoord(ra_deg, dec_deg, unit="deg", frame=frame).transform_to(ICRS())
    return icrs.ra.deg, icrs.dec.deg


def _from_date(
    ra_deg: Floats, dec_deg: Floats, _equinox: str, mid_mjd: Floats
) -> tuple[Floats, Floats]:
    """From the mean equinox of mid-exposure (IAU 2006 precession, by ERFA)."""
    direction = erfa.s2c(np.radians(ra_deg), np.radians(dec_deg))
    ra, dec = erfa.c2s(erfa.trxp(erfa.pmat06(MJD_ZERO, mid_mjd), direction))
    return np.degrees(ra) % 360.0, np.degrees(dec)


def ra_of_date(ra_deg: Floats, dec_deg: Floats, mid_mjd: Floats) -> Floats:
    """Return RA of date in degrees, shape (n,), from ICRS (IAU 2006 precession, by ERFA)."""
    direction = erfa.s2c(np.radians(ra_deg), np.radians(dec_deg))
    ra, _ = erfa.c2s(erfa.rxp(erfa.pmat06(MJD_ZERO, mid_mjd), direction))
    return np.asarray(np.degrees(ra) % 360.0)
