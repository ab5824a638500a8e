"""Which field each plate was aimed at: the least observed of those that stand well."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platecover.demo_data.fields import Fields
from platecover.demo_data.invented_observatory import day_number
from platecover.demo_data.night_sky import Floats, altitude_deg, sidereal_deg
from platecover.demo_data.programmes import CometPath, Programme

WIDEST_HOUR_ANGLE_DEG = 55.0  # from the meridian, but for fields near the pole; our choice
POLAR_DEC_DEG = 75.0  # fields beyond are taken at any hour angle; our choice
_FIELDS_PER_PLATE = 16  # of fields to plates chosen at a time, so that few are chosen twice


@dataclass
class Aims:
    """What plates were aimed at, shape (n,); RA and Dec hold azimuth and altitude if fixed."""

    task: NDArray[np.int64]  # programme of the plate
    name: NDArray[np.object_]
    ra_deg: Floats
    dec_deg: Floats


def aim_plates(
    programmes: tuple[Programme, ...],
    task: NDArray[np.int64],
    mid_mjd: Floats,
    latitude_deg: Floats,
    longitude_deg: Floats,
    rng: np.random.Generator,
) -> Aims:
    """Choose a field for each plate.

    Parameters
    ----------
    programmes : tuple of Programme
    task : int64, shape (n,)
        Which programme each plate is for; plates with no field up go over to the first.
    mid_mjd, latitude_deg, longitude_deg : float64, shape (n,)
        When, UT, and where.
    rng : numpy.random.Generator

    Returns
    -------
    Aims
    """
    n = len(task)
    aims = Aims(task.copy(), np.full(n, "", dtype=object), np.empty(n), np.empty(n))
    sidereal = sidereal_deg(mid_mjd, longitude_deg)
    for which in [*range(1, len(programmes)), 0]:  # the first takes what others leave
        programme = programmes[which]
        plates = np.flatnonzero(aims.task == which)
        if programme.fixed:
            pick = rng.integers(len(programme.fields), size=len(plates))
        elif programme.path:
            pick = _comet(programme, aims, plates, mid_mjd, sidereal, latitude_deg)
        else:
            pick = _least_observed(programme, sidereal[plates], latitude_deg[plates], rng)
        if which == 0 and (pick < 0).any():
            raise ValueError(f"{programme.name}: no field is up at {mid_mjd[plates[pick < 0][0]]}")
        if which > 0:
            aims.task[plates[pick < 0]] = 0
            plates, pick = plates[pick >= 0], pick[pick >= 0]
        aims.name[plates] = np.array(programme.fields.names, dtype=object)[pick]
        if not programme.path:
            aims.ra_deg[plates] = programme.fields.ra_deg[pick]
            aims.dec_deg[plates] = programme.fields.dec_deg[pick]
    return aims


def _least_observed(
    programme: Programme, sidereal: Floats, latitude_deg: Floats, rng: np.random.Generator
) -> NDArray[np.int64]:
    """Return the field of each plate, in order of time; -1 where none is up.

    Low fields are taken less often, as more air lies before them.
    """
    fields = programme.fields
    taken = np.zeros(len(fields))
    picks = np.empty(len(sidereal), dtype=np.int64)
    step = max(1, len(fields) // _FIELDS_PER_PLATE)
    for start in range(0, len(sidereal), step):
        some = slice(start, start + step)
        altitude, good = _standing(programme, fields, sidereal[some], latitude_deg[some])
        air = 1.0 / np.sin(np.radians(np.maximum(altitude, programme.lowest_altitude_deg)))
        rank = np.where(good, (taken + rng.random(good.shape)) * air, np.inf)
        pick = np.argmin(rank, axis=1)
        np.add.at(taken, pick, 1.0)
        picks[some] = np.where(good.any(axis=1), pick, -1)
    return picks


def _standing(
    programme: Programme, fields: Fields, sidereal: Floats, latitude_deg: Floats
) -> tuple[Floats, NDArray[np.bool_]]:
    """Return altitudes, shape (plates, fields), and whether a field stands well."""
    hour_angle = (sidereal[:, None] - fields.ra_deg + 180.0) % 360.0 - 180.0
    altitude = altitude_deg(hour_angle, fields.dec_deg, latitude_deg[:, None])
    good = (altitude >= programme.lowest_altitude_deg) & (
        (np.abs(hour_angle) <= WIDEST_HOUR_ANGLE_DEG) | (np.abs(fields.dec_deg) >= POLAR_DEC_DEG)
    )
    return altitude, good


def _comet(
    programme: Programme,
    aims: Aims,
    plates: NDArray[np.int64],
    mid_mjd: Floats,
    sidereal: Floats,
    latitude_deg: Floats,
) -> NDArray[np.int64]:
    """Set the comet's place at every plate; return 0, or -1 where it is too low."""
    assert programme.path is not None
    ra_deg, dec_deg = path_place(programme.path, mid_mjd[plates])
    aims.ra_deg[plates], aims.dec_deg[plates] = ra_deg, dec_deg
    altitude = altitude_deg(sidereal[plates] - ra_deg, dec_deg, latitude_deg[plates])
    return np.where(altitude >= programme.lowest_altitude_deg, 0, -1)


def path_place(path: CometPath, mjd: Floats) -> tuple[Floats, Floats]:
    """Return RA and Dec, degrees, along the great circle of a path."""
    ends = []
    for ra_deg, dec_deg in (path.first, path.last):
        ra, dec = np.radians(ra_deg), np.radians(dec_deg)
        ends.append(np.array([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)]))
    first, last = (day_number(day) for day in path.days)
    share = ((mjd - first) / (last - first))[:, None]
    arc = np.arccos(ends[0] @ ends[1])
    place = np.sin((1.0 - share) * arc) * ends[0] + np.sin(share * arc) * ends[1]
    ra_deg = np.degrees(np.arctan2(place[:, 1], place[:, 0])) % 360.0
    return ra_deg, np.degrees(np.arcsin(place[:, 2] / np.sin(arc)))
