"""Nights, plates and exposures of the invented observatory: the truth that its logs blur."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platecover.demo_data.field_choice import aim_plates
from platecover.demo_data.invented_observatory import (
    change_days,
    civil_date,
    day_number,
    latitude_deg,
    longitude_deg,
    series_value,
)
from platecover.demo_data.night_sky import (
    dark_hours,
    days_from_full_moon,
    from_horizon,
    sidereal_deg,
)
from platecover.demo_data.plate_nights import allot_nights
from platecover.demo_data.programmes import (
    CAMPAIGNS,
    ECLIPSE_MID_MJD,
    ECLIPSE_PLACE_DEG,
    ECLIPSE_PLATES,
    ECLIPSE_SERIES,
    Campaign,
    Programme,
)
from platecover.demo_data.weather import clear_nights

MINUTES_PER_DAY = 1440.0
GAP_MINUTES = 3.0  # to change the plate holder or close the shutter between exposures
BOUNDARY_DAYS = 20  # no observing this near to a change of clock, calendar, station, instrument
NUMBER_TWICE = 0.005  # share of plates whose number was given out before; our choice
SMALLEST_ACTIVITY, ACTIVITY_SPREAD, ACTIVITY_MEMORY = 0.2, 0.45, 0.7  # by year; our choice


@dataclass(eq=False)
class Exposure:
    """One true exposure; RA and Dec as aimed at, in degrees of the logged equinox."""

    series: str
    station: str
    programme: Programme | None  # None: the eclipse
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

    @property
    def task(self) -> str:
        """Name of the programme."""
        return self.programme.name if self.programme else "eclipse"


@dataclass(frozen=True)
class Nights:
    """The nights of a series: dates of the evenings, dark hours, and what they allow."""

    night: NDArray[np.int64]
    station: NDArray[np.object_]
    latitude_deg: NDArray[np.float64]
    longitude_deg: NDArray[np.float64]
    dusk_mjd: NDArray[np.float64]
    dawn_mjd: NDArray[np.float64]
    moon_days: NDArray[np.float64]  # from full Moon
    activity: NDArray[np.float64]  # how often the instrument was used

    def allow(self, programme: Programme) -> NDArray[np.bool_]:
        """Nights on which a programme is observed."""
        allowed = self.moon_days >= programme.moon_days
        if programme.path:
            first, last = (day_number(day) for day in programme.path.days)
            allowed &= (self.night >= first) & (self.night < last)
        if programme.yearly:
            of_year = np.array([(d.month, d.day) for d in map(civil_date, self.night.tolist())])
            number = of_year @ np.array([100, 1])
            first, last = (month * 100 + day for month, day in programme.yearly)
            allowed &= (number >= first) & (number <= last)
        return allowed


def plan(exposures: int, rng: np.random.Generator) -> list[Exposure]:
    """Return exactly so many exposures, series by series, each in order of time."""
    first = min(campaign.periods[0][0] for campaign in CAMPAIGNS.values())
    last = max(campaign.periods[-1][1] for campaign in CAMPAIGNS.values())
    every_night = np.arange(day_number(first), day_number(last))
    clear = clear_nights(every_night, rng)
    counts = {code: round(exposures * campaign.share) for code, campaign in CAMPAIGNS.items()}
    counts[ECLIPSE_SERIES] += exposures - sum(counts.values())
    return [
        exposure
        for code, count in counts.items()
        for exposure in plan_series(code, count, _nights(code, every_night, clear, rng), rng)
    ]


def plan_series(
    code: str, exposures: int, nights: Nights, rng: np.random.Generator
) -> list[Exposure]:
    """Return exactly `exposures` exposures of a series in order of time, numbered by plate."""
    campaign = CAMPAIGNS[code]
    by_day = _eclipse() if code == ECLIPSE_SERIES else []
    lengths_of, task = _draw_plates(campaign, exposures - len(by_day), rng)
    allowed = [nights.allow(programme) for programme in campaign.programmes]
    dark_days = nights.dawn_mjd - nights.dusk_mjd
    longest_days = [
        max(sum(lengths) + GAP_MINUTES * (len(lengths) + 1) for lengths in p.exposures_min)
        / MINUTES_PER_DAY
        for p in campaign.programmes
    ]
    task, at = allot_nights(
        code, task, allowed, longest_days, dark_days, nights.activity, campaign.plates_a_night,
        rng,
    )  # fmt: skip
    # Plates of a night one after the other, in any order, from a moment that leaves time for all.
    order = np.lexsort((rng.random(len(at)), at))
    task, at, lengths_of = task[order], at[order], [lengths_of[i] for i in order]
    took = np.array([sum(lengths) + GAP_MINUTES * len(lengths) for lengths in lengths_of])
    took /= MINUTES_PER_DAY
    before = np.cumsum(took) - took
    new_night = np.concatenate([[True], at[1:] != at[:-1]])
    since_dusk = before - before[new_night][np.cumsum(new_night) - 1]
    spare = dark_days - np.bincount(at, took, minlength=len(dark_days))
    start = nights.dusk_mjd[at] + (rng.random(len(dark_days)) * spare)[at] + since_dusk
    aims = aim_plates(
        campaign.programmes, task, start + 0.5 * took, nights.latitude_deg[at],
        nights.longitude_deg[at], rng,
    )  # fmt: skip
    done = list(by_day)
    for i, lengths in enumerate(lengths_of):
        moment = float(start[i])
        programme = campaign.programmes[aims.task[i]]
        for n, minutes in enumerate(lengths, start=1):
            aim = (aims.name[i], float(aims.ra_deg[i]), float(aims.dec_deg[i]))
            if programme.comparison and 1 < n == len(lengths):
                aim = programme.comparison
            done.append(
                Exposure(
                    code, nights.station[at[i]], programme, *aim, moment, float(minutes), 0, "",
                    n, len(lengths),
                )
            )  # fmt: skip
            moment += (minutes + GAP_MINUTES) / MINUTES_PER_DAY
    done.sort(key=lambda exposure: exposure.start_mjd)
    _turn_with_the_sky([e for e in done if e.programme and e.programme.fixed])
    _number(done, rng)
    return done


def _turn_with_the_sky(fixed: list[Exposure]) -> None:
    """Replace azimuth and altitude by the RA and Dec of date that stood there at mid-exposure."""
    places = [(latitude_deg(e.station), longitude_deg(e.station)) for e in fixed]
    latitude, longitude = np.array(places).reshape(-1, 2).T
    sidereal = sidereal_deg(np.array([e.mid_mjd for e in fixed]), longitude)
    azimuth, altitude = np.array([(e.ra_deg, e.dec_deg) for e in fixed]).reshape(-1, 2).T
    ra_deg, dec_deg = from_horizon(azimuth, altitude, sidereal, latitude)
    for exposure, ra, dec in zip(fixed, ra_deg.tolist(), dec_deg.tolist(), strict=True):
        exposure.ra_deg, exposure.dec_deg = ra, dec


def _draw_plates(
    campaign: Campaign, exposures: int, rng: np.random.Generator
) -> tuple[list[tuple[float, ...]], NDArray[np.int64]]:
    """Return exposure lengths and programme of plates that hold so many exposures.

    One plate of every programme comes first, so that even a small demo has them all.
    """
    programmes = campaign.programmes
    shares = np.array([programme.share for programme in programmes])
    drawn = rng.choice(len(programmes), size=exposures, p=shares / shares.sum())
    task = np.concatenate([np.arange(len(programmes)), drawn])
    pick = rng.random(len(task))
    lengths_of = []
    for which, at in zip(task.tolist(), pick.tolist(), strict=True):
        choices = programmes[which].exposures_min
        lengths_of.append(choices[int(at * len(choices))][:exposures])
        exposures -= len(lengths_of[-1])
        if exposures <= 0:
            break
    return lengths_of, task[: len(lengths_of)]


def _nights(
    code: str,
    every_night: NDArray[np.int64],
    clear: dict[str, NDArray[np.bool_]],
    rng: np.random.Generator,
) -> Nights:
    """Return the clear nights of a series on which its instrument was in use."""
    campaign = CAMPAIGNS[code]
    in_use = np.zeros(len(every_night), dtype=np.bool_)
    for first, last in campaign.periods:
        in_use |= (every_night >= day_number(first)) & (every_night < day_number(last))
    for change in change_days(code):
        in_use &= np.abs(every_night - change) > BOUNDARY_DAYS
    station = np.array([series_value(code, "station", n) for n in every_night.tolist()], object)
    for key in set(station):
        in_use &= (station != key) | clear[key]
    night, station = every_night[in_use], station[in_use]
    year = np.array([civil_date(n).year for n in night.tolist()])
    latitude = np.array([latitude_deg(key) for key in station])
    longitude = np.array([longitude_deg(key) for key in station])
    dusk, dawn = dark_hours(night, latitude, longitude)
    return Nights(
        night, station, latitude, longitude, dusk, dawn, days_from_full_moon(night),
        _activity(campaign, year, rng),
    )  # fmt: skip


def _activity(
    campaign: Campaign, year: NDArray[np.int64], rng: np.random.Generator
) -> NDArray[np.float64]:
    """Return how busy the instrument was: good years and bad ones, wandering."""
    level, of_year = 0.0, {}
    for each in range(campaign.periods[0][0].year, campaign.periods[-1][1].year + 1):
        level = ACTIVITY_MEMORY * level + rng.normal(0.0, ACTIVITY_SPREAD)
        of_year[each] = max(SMALLEST_ACTIVITY, float(np.exp(level)))
        first, last, share = campaign.thin_years
        if first <= each <= last:
            of_year[each] *= share
    return np.array([of_year[each] for each in year.tolist()])


def _eclipse() -> list[Exposure]:
    """Return the exposures of the eclipse, taken by day."""
    station = series_value(ECLIPSE_SERIES, "station", int(ECLIPSE_MID_MJD))
    return [
        Exposure(
            ECLIPSE_SERIES, station, None, name, *ECLIPSE_PLACE_DEG,
            ECLIPSE_MID_MJD + from_mid / MINUTES_PER_DAY, minutes, 0, "", n, len(exposures),
        )
        for name, exposures in ECLIPSE_PLATES
        for n, (from_mid, minutes) in enumerate(exposures, start=1)
    ]  # fmt: skip


def _number(done: list[Exposure], rng: np.random.Generator) -> None:
    """Number the plates in order of time; some numbers are given out twice, the second with b."""
    again = (rng.random(len(done)) < NUMBER_TWICE).tolist()
    number, suffix = 0, ""
    for i, exposure in enumerate(done):
        if exposure.exposure == 1:
            if number and not suffix and again[i]:
                suffix = "b"
            else:
                number, suffix = number + 1, ""
        exposure.number, exposure.suffix = number, suffix
