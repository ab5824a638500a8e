"""From moments in UT to Barycentric Coordinate Time, the time scale of coverage maps."""

import erfa
import numpy as np
from numpy.typing import ArrayLike, NDArray

from platecover.coverage.calendar_dates import MJD_ZERO_JD, SECONDS_PER_DAY, mjd_of
from platecover.coverage.sky_bodies import delta_t_s

MICROSECONDS_PER_DAY = 86_400_000_000
_UTC_FROM_MJD = mjd_of(1960, 1, 1, "gregorian")  # before, times are UT1; UTC began (SOFA, dat.c)


def tcb_microseconds(mjd_ut: ArrayLike) -> NDArray[np.int64]:
    """Microseconds of TCB since JD 0, as time MOCs count (IVOA MOC 2.0, section 4.2).

    Parameters
    ----------
    mjd_ut : array_like of float
        Moments, MJD: UT1 before 1960, UTC from then on. All finite.

    Returns
    -------
    int64, shape of `mjd_ut`

    Notes
    -----
    TDB is taken as TT, from which it never differs by 2 ms, and the observer is at the centre of
    the Earth: light takes up to 8.3 minutes more or less to the barycentre of the Solar System,
    which time MOCs of order 31 (18 minutes) allow for.
    """
    mjd = np.asarray(mjd_ut, dtype=np.float64)
    # erfa.ufunc: the same routines without warnings of years long ago or to come
    tai_1, tai_2, _ = erfa.ufunc.utctai(MJD_ZERO_JD, mjd)
    tt_1, tt_2, _ = erfa.ufunc.taitt(tai_1, tai_2)
    is_ut1 = mjd < _UTC_FROM_MJD
    tt_1 = np.where(is_ut1, MJD_ZERO_JD, tt_1)
    tt_2 = np.where(is_ut1, mjd + delta_t_s(mjd) / SECONDS_PER_DAY, tt_2)
    tcb_1, tcb_2, _ = erfa.ufunc.tdbtcb(tt_1, tt_2)
    days = np.floor(tcb_1)
    rest = np.floor((tcb_1 - days + tcb_2) * MICROSECONDS_PER_DAY)
    return np.asarray(days.astype(np.int64) * MICROSECONDS_PER_DAY + rest.astype(np.int64))
