"""What the invented observatory observed: stations, series, dark nights, fields, exposures.

Everything here is made up: places in mid-ocean, instruments, codes. Sky and Sun come from
textbook formulas and ERFA, never from the package's own clocks and equinoxes, so that the
truth of the demo is not its own judge.
"""

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import erfa
import numpy as np
from numpy.typing import NDArray

MJD_ZERO = 2400000.5  # Julian date of MJD 0 (IAU 1973)
MJD_ORIGIN = date(1858, 11, 17)  # civil date of MJD 0
DARK_SUN_ALTITUDE_DEG = -15.0  # between nautical (-12) and astronomical (-18) dusk; our choice
LOWEST_ALTITUDE_DEG = 30.0  # of a field at mid-exposure; our choice
WIDEST_HOUR_ANGLE_DEG = 55.0  # from the meridian, but for fields near the pole; our choice
POLAR_DEC_DEG = 75.0  # fields beyond are taken at any hour angle; our choice
NEW_MOON_MJD = 51549.76  # 2000 Jan 6.76 (Meeus, Astronomical Algorithms, 2nd ed., ch. 49)
SYNODIC_MONTH_DAYS = 29.530588861  # same chapter
BRIGHT_HALF_WIDTH_DAYS = 6.0  # about full Moon, left out by the faint programmes; our choice
MINUTES_PER_DAY = 1440.0
GAP_MINUTES = 3.0  # to change the plate holder or close the shutter between exposures
BOUNDARY_DAYS = 3  # no observing this near to a change of clock, station or instrument

OBSERVATORY_FILE = Path(__file__).with_name("observatory.toml")
OBSERVATORY: dict[str, Any] = tomllib.loads(OBSERVATORY_FILE.read_text(encoding="utf-8"))


@dataclass(frozen=True)
class Programme:
    """Fields (name, RA and Dec in degrees of the series' equinox) and how they are exposed."""

    name: str
    share: float
    fields: tuple[tuple[str, float, float], ...]
    exposures_min: tuple[tuple[float, ...], ...]  # one tuple a plate, picked at random


@dataclass(frozen=True)
class Campaign:
    """When a series was at work, and on what."""

    share: float
    periods: tuple[tuple[date, date], ...]
    plates_a_night: int
    moonlight: bool
    programmes: tuple[Programme, ...]


@dataclass
class Exposure:
    """One true exposure; RA and Dec as aimed at, in degrees of the logged equinox."""

    series: str
    station: str
    programme: str
    object: str
    ra_deg: float
    dec_deg: float
    start_mjd: float
    minutes: float
    number: int
    suffix: str
    exposure: int
    exposures_on_plate: int

    @property
    def mid_mjd(self) -> float:
        """MJD (UT) of mid-exposure."""
        return self.start_mjd + 0.5 * self.minutes / MINUTES_PER_DAY


def _grid(
    label: str, decs_deg: Sequence[float], step_minutes: int
) -> tuple[tuple[str, float, float], ...]:
    """Return fields in rows of Dec, in steps of whole minutes of RA wide enough for the row."""
    fields = []
    for dec in decs_deg:
        count = max(1, round(MINUTES_PER_DAY / step_minutes * np.cos(np.radians(dec))))
        for n in range(count):
            ra_minutes = round(n * MINUTES_PER_DAY / count)
            fields.append((f"{label} {dec:+.3g} no. {n + 1}", ra_minutes / 4.0, float(dec)))
    return tuple(fields)


def _star(name: str, ra_minutes: float, dec_arcmin: int) -> tuple[str, float, float]:
    return name, ra_minutes / 4.0, dec_arcmin / 60.0


# Places of the stars to 0.1 min of RA and 1 arcmin, from memory, checked with astropy's FK4.
STARS_B1900 = (
    _star("SS Cyg", 21 * 60 + 38.8, 43 * 60 + 8),
    _star("U Gem", 7 * 60 + 49.2, 22 * 60 + 16),
    _star("R CrB", 15 * 60 + 44.4, 28 * 60 + 28),
    _star("chi Cyg", 19 * 60 + 46.7, 32 * 60 + 40),
    _star("R Leo", 9 * 60 + 42.2, 11 * 60 + 54),
    _star("omicron Cet", 2 * 60 + 14.3, -(3 * 60 + 26)),
)
TARGETS_B1950 = (
    _star("R Car", 9 * 60 + 30.9, -(62 * 60 + 34)),
    _star("R Hya", 13 * 60 + 27.0, -(23 * 60 + 1)),
    _star("RR Sco", 16 * 60 + 53.4, -(30 * 60 + 30)),
    _star("Small Cloud", 51.0, -(73 * 60 + 6)),
    _star("Large Cloud", 5 * 60 + 24.0, -(69 * 60 + 48)),
)

PATROL = Programme("patrol", 1.0, _grid("patrol", range(-90, 91, 20), 80), ((60,), (45,), (40, 40)))
ZONES = Programme(
    "zone",
    0.68,
    _grid("zone", (-2.5, -0.5, 1.5, 3.5, 61.5, 63.5), 8),
    ((20, 5, 0.5), (30,), (40,), (15,)),
)
FOCUS = Programme("focus", 0.04, _grid("focus", (10, 40), 120), ((2, 2, 2),))
STARS = Programme("star", 0.28, STARS_B1900, ((10,), (15,), (30,)))
SURVEY = Programme("survey", 0.62, _grid("field", range(-90, 1, 5), 20), ((60,), (45,)))
REVISITS = Programme("revisit", 0.34, TARGETS_B1950, ((30,), (20,), (30, 10)))
COMETS = Programme("comet", 0.04, (), ((12,), (20,)))  # fields are made up on the night

CAMPAIGNS = {
    "VQ": Campaign(
        0.44,
        (
            (date(1893, 3, 1), date(1914, 7, 25)),
            (date(1919, 3, 1), date(1940, 4, 30)),  # two wars, no plates
            (date(1946, 2, 1), date(1961, 9, 30)),
        ),
        3,
        True,
        (PATROL,),
    ),
    "OZT": Campaign(
        0.34,
        ((date(1895, 9, 1), date(1914, 7, 25)), (date(1919, 3, 1), date(1939, 8, 31))),
        6,
        False,
        (ZONES, FOCUS, STARS),
    ),
    "KWJ": Campaign(
        0.22, ((date(1949, 4, 1), date(1961, 11, 30)),), 5, False, (SURVEY, REVISITS, COMETS)
    ),
}


def day_number(day: date) -> int:
    """MJD of a civil date at 0h."""
    return (day - MJD_ORIGIN).days


def civil_date(mjd_day: int) -> date:
    """Civil date of a whole MJD."""
    return MJD_ORIGIN + timedelta(days=mjd_day)


def series_value(code: str, key: str, day: date) -> Any:
    """Value of a series' key on a date, from the observatory file."""
    value = OBSERVATORY["series"][code].get(key)
    if isinstance(value, list) and isinstance(value[0], dict):
        for entry in value:
            if "until" not in entry or day.isoformat() < str(entry["until"]):
                return entry["value"]
    return value


def longitude_deg(station: str) -> float:
    """East longitude of a station."""
    return float(OBSERVATORY["stations"][station]["longitude_deg"])


def local_sidereal_deg(mjd: float, station: str) -> float:
    """Local mean sidereal time in degrees, by ERFA's IAU 1982 expression."""
    return float(np.degrees(erfa.gmst82(MJD_ZERO, mjd)) + longitude_deg(station)) % 360.0


def plan_series(code: str, exposures: int, rng: np.random.Generator) -> list[Exposure]:
    """Return exactly `exposures` exposures of a series in order of time, numbered by plate."""
    campaign = CAMPAIGNS[code]
    shares = [programme.share for programme in campaign.programmes]
    plates: list[tuple[Programme, tuple[float, ...]]] = []
    left = exposures
    while left > 0:
        programme = campaign.programmes[rng.choice(len(shares), p=shares)]
        lengths = programme.exposures_min[rng.integers(len(programme.exposures_min))][:left]
        plates.append((programme, lengths))
        left -= len(lengths)
    starts = _plate_starts(code, campaign, len(plates), rng)

    taken = {programme.name: np.zeros(len(programme.fields)) for programme in campaign.programmes}
    done: list[Exposure] = []
    number, suffix = 0, ""
    for (programme, lengths), (start_mjd, station) in zip(plates, starts, strict=True):
        if number and not suffix and rng.random() < 0.005:
            suffix = "b"  # a number given out twice, told apart by a letter afterwards
        else:
            number, suffix = number + 1, ""
        name, ra_deg, dec_deg = _choose_field(programme, taken, start_mjd, station, rng)
        for n, minutes in enumerate(lengths, start=1):
            done.append(
                Exposure(
                    code, station, programme.name, name, ra_deg, dec_deg, start_mjd, minutes,
                    number, suffix, n, len(lengths),
                )
            )  # fmt: skip
            start_mjd += (minutes + GAP_MINUTES) / MINUTES_PER_DAY
    return done


def _plate_starts(
    code: str, campaign: Campaign, plates: int, rng: np.random.Generator
) -> list[tuple[float, str]]:
    """Return start (MJD, UT) and station of so many plates, in order, all in dark hours."""
    slot = max(
        sum(lengths) + GAP_MINUTES * len(lengths)
        for programme in campaign.programmes
        for lengths in programme.exposures_min
    )
    slot_days = (slot + 2.0 * GAP_MINUTES) / MINUTES_PER_DAY
    changes = [
        day_number(date.fromisoformat(str(entry["until"])))
        for value in OBSERVATORY["series"][code].values()
        if isinstance(value, list)
        for entry in value
        if isinstance(entry, dict) and "until" in entry
    ]
    nights = [
        night
        for first, last in campaign.periods
        for night in range(day_number(first), day_number(last))
        if all(abs(night - change) > BOUNDARY_DAYS for change in changes)
        and (campaign.moonlight or not _is_bright(night))
    ]
    sessions: list[tuple[int, int]] = []
    left = plates
    for night in rng.permutation(nights):
        if left <= 0:
            break
        count = min(left, int(rng.integers(1, 2 * campaign.plates_a_night)))
        sessions.append((int(night), count))
        left -= count
    if left > 0:
        raise ValueError(f"exposures: {code} has no dark nights left for {left} more plates")

    starts = []
    for night, wanted in sorted(sessions):
        station = series_value(code, "station", civil_date(night))
        dusk, dawn = dark_hours(night, station)
        count = min(wanted, int((dawn - dusk) / slot_days))
        spare = (dawn - dusk) - count * slot_days
        first = dusk + rng.uniform(0.0, spare)
        starts += [(first + n * slot_days, station) for n in range(count)]
        left += wanted - count
    if left > 0:  # short summer nights held fewer than asked: other nights make up for them
        used = {night for night, _ in sessions}
        for night in rng.permutation([n for n in nights if n not in used])[:left]:
            station = series_value(code, "station", civil_date(int(night)))
            dusk, dawn = dark_hours(int(night), station)
            starts.append((rng.uniform(dusk, dawn - slot_days), station))
    return sorted(starts)


def _is_bright(night: int) -> bool:
    """Whether the mean Moon is near full on the night of this date."""
    age = (night + 1.0 - NEW_MOON_MJD) % SYNODIC_MONTH_DAYS
    return abs(age - 0.5 * SYNODIC_MONTH_DAYS) < BRIGHT_HALF_WIDTH_DAYS


def dark_hours(night: int, station: str) -> tuple[float, float]:
    """Return MJD (UT) of the end of dusk and start of dawn in the night of an evening date."""
    # Low-precision Sun, 0.01 deg about 2000, 0.1 deg in 1890 (Astronomical Almanac, page C5).
    midnight_mjd = night + 1.0 - longitude_deg(station) / 360.0
    days = midnight_mjd - 51544.5  # from J2000.0
    mean_longitude = 280.460 + 0.9856474 * days
    anomaly = np.radians(357.528 + 0.9856003 * days)
    ecliptic = np.radians(mean_longitude + 1.915 * np.sin(anomaly) + 0.020 * np.sin(2.0 * anomaly))
    obliquity = np.radians(23.439 - 0.0000004 * days)
    ra_deg = np.degrees(np.arctan2(np.cos(obliquity) * np.sin(ecliptic), np.cos(ecliptic)))
    dec = np.arcsin(np.sin(obliquity) * np.sin(ecliptic))
    equation_of_time_deg = (mean_longitude - ra_deg + 180.0) % 360.0 - 180.0
    latitude = np.radians(OBSERVATORY["stations"][station]["latitude_deg"])
    cos_hour_angle = (
        np.sin(np.radians(DARK_SUN_ALTITUDE_DEG)) - np.sin(latitude) * np.sin(dec)
    ) / (np.cos(latitude) * np.cos(dec))
    half_night = 0.5 - np.arccos(cos_hour_angle) / (2.0 * np.pi)
    middle = midnight_mjd - equation_of_time_deg / 360.0
    return float(middle - half_night), float(middle + half_night)


def _choose_field(
    programme: Programme,
    taken: dict[str, NDArray[np.float64]],
    start_mjd: float,
    station: str,
    rng: np.random.Generator,
) -> tuple[str, float, float]:
    """Pick the least observed field that stands well at the time; note that it was taken."""
    latitude_deg = float(OBSERVATORY["stations"][station]["latitude_deg"])
    lst_deg = local_sidereal_deg(start_mjd + 30.0 / MINUTES_PER_DAY, station)
    if not programme.fields:
        comet_ra_deg = (lst_deg + rng.uniform(-25.0, 25.0)) % 360.0
        return "comet", float(comet_ra_deg), float(rng.uniform(-70.0, 0.0))
    ra_deg = np.array([field[1] for field in programme.fields])
    dec_deg = np.array([field[2] for field in programme.fields])
    hour_angle_deg = (lst_deg - ra_deg + 180.0) % 360.0 - 180.0
    latitude, dec = np.radians(latitude_deg), np.radians(dec_deg)
    altitude_deg = np.degrees(
        np.arcsin(
            np.sin(latitude) * np.sin(dec)
            + np.cos(latitude) * np.cos(dec) * np.cos(np.radians(hour_angle_deg))
        )
    )
    good = (altitude_deg >= LOWEST_ALTITUDE_DEG) & (
        (np.abs(hour_angle_deg) <= WIDEST_HOUR_ANGLE_DEG) | (np.abs(dec_deg) >= POLAR_DEC_DEG)
    )
    if good.any():
        rank = np.where(good, taken[programme.name] + rng.random(len(good)), np.inf)
    else:
        rank = -altitude_deg
    pick = int(np.argmin(rank))
    taken[programme.name][pick] += 1.0
    return programme.fields[pick]
