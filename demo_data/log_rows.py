"""How the invented observers wrote their exposures down: habits and spellings."""

from dataclasses import dataclass, field

import numpy as np

from platecover.demo_data.invented_observatory import longitude_deg, series_value, written_date
from platecover.demo_data.night_sky import MJD_ZERO, Floats, sidereal_deg
from platecover.demo_data.observers import Observer, observer_on
from platecover.demo_data.observing_plan import MINUTES_PER_DAY, Exposure

SECONDS_PER_DAY = 86400
MINUTE_S = 60
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


@dataclass
class LogRow:
    """A row of a plate log, the exposure it stands for, and what is wrong with it."""

    exposure: Exposure
    night: int  # MJD of the evening date
    cells: dict[str, str]
    slip: str = ""
    extra: list[str] = field(default_factory=list)  # cells beyond the header

    @property
    def typed(self) -> bool:
        """Whether the row's log declares its numbers as numbers."""
        return self.exposure.station == "lorrimane"


@dataclass(frozen=True)
class _Moment:
    """An instant as clocks at a station need it."""

    mjd: float  # UT
    sidereal_deg: float
    local_days: float  # local mean time less UT
    night: int


def log_rows(planned: list[Exposure], ra_of_date_deg: Floats) -> list[LogRow]:
    """Write exposures down as the observers of their nights did."""
    longitude = np.array([longitude_deg(e.station) for e in planned])
    start = np.array([e.start_mjd for e in planned])
    length = np.array([e.minutes for e in planned]) / MINUTES_PER_DAY
    local = longitude / 360.0
    # Nights run from local mean noon to noon.
    night = np.floor(start + local - 0.5).astype(np.int64).tolist()
    starts, mids, ends = (
        [
            _Moment(*facts)
            for facts in zip(
                mjd.tolist(), sidereal_deg(mjd, longitude).tolist(), local.tolist(), night,
                strict=True,
            )
        ]
        for mjd in (start, start + 0.5 * length, start + length)
    )  # fmt: skip
    return [
        _log_row(*facts)
        for facts in zip(planned, starts, mids, ends, ra_of_date_deg.tolist(), strict=True)
    ]


def spell_centre(ra_deg: float, dec_deg: float, style: str) -> tuple[str, str]:
    """Return RA and Dec as text, rounded to the digits that the style gives."""
    if style == "typed":
        return f"{round(ra_deg, 4) % 360.0:.4f}", f"{dec_deg:.4f}"
    if style == "degrees":
        return f"{round(ra_deg, 2) % 360.0:.2f}", f"{dec_deg:+.2f}"
    ra_s = round(ra_deg * 240.0) % SECONDS_PER_DAY
    arcsec, sign = round(abs(dec_deg) * 3600.0), "-" if dec_deg < 0.0 else "+"
    if style in ("second", "hms"):
        (h, m, s), (d, arcmin, rest) = _sixties(ra_s), _sixties(arcsec)
        if style == "hms":
            return f"{h}h{m:02d}m{s:02d}s", f"{sign}{d}d{arcmin:02d}m{rest:02d}s"
        return f"{h:02d}:{m:02d}:{s:02d}", f"{sign}{d:02d}:{arcmin:02d}:{rest:02d}"
    d, arcmin = divmod(round(abs(dec_deg) * 60.0), 60)
    dec_text = f"{sign}{d:02d} {arcmin:02d}"
    if style == "decimal minute":
        h, tenths = divmod(round(ra_deg * 40.0) % 14400, 600)
        return f"{h:02d} {tenths / 10.0:04.1f}", dec_text
    h, m = divmod(round(ra_deg * 4.0) % 1440, 60)
    return f"{h:02d} {m:02d}", dec_text


def _sixties(seconds: int) -> tuple[int, int, int]:
    return seconds // 3600, seconds // 60 % 60, seconds % 60


def _reading(moment: _Moment, clock: str, from_noon: bool, unit_s: int) -> tuple[int, str]:
    """Return the day (MJD of its date) and the time that a clock shows."""
    if clock == "LST":
        shown = moment.sidereal_deg / 360.0
    elif clock == "LMT":
        shown = moment.mjd + moment.local_days
    elif clock.startswith("UTC"):
        hours, minutes = clock[4:].split(":")
        ahead = int(hours) / 24.0 + int(minutes) / MINUTES_PER_DAY
        shown = moment.mjd + (-ahead if clock[3] == "-" else ahead)
    else:
        shown = moment.mjd
    if from_noon or clock == "GMAT":
        shown -= 0.5
    seconds = round(shown * SECONDS_PER_DAY / unit_s) * unit_s
    day, second = divmod(seconds, SECONDS_PER_DAY)
    h, m, s = _sixties(second)
    if clock == "LST":
        day = moment.night
    return day, f"{h:02d}:{m:02d}" + (f":{s:02d}" if unit_s < MINUTE_S else "")


def _log_row(
    exposure: Exposure, start: _Moment, mid: _Moment, end: _Moment, ra_of_date_deg: float
) -> LogRow:
    """Write one exposure down."""
    code, day, night = exposure.series, int(start.mjd), start.night
    observer = observer_on(code, exposure.station, night)
    clock = series_value(code, "clock", day)
    cells = {
        "plate": _designation(exposure, observer),
        "exposure_min": f"{exposure.minutes:g}",
        "observer": observer.names[exposure.number % len(observer.names)],
        "object": exposure.object,
        "notes": observer.notes[exposure.number % len(observer.notes)],
    }
    if exposure.programme:
        cells |= exposure.programme.cells
    if exposure.exposures_on_plate > 1:
        cells["exposure"] = str(exposure.exposure)
    cells["ra"], cells["dec"] = spell_centre(exposure.ra_deg, exposure.dec_deg, observer.centre)
    if observer.states_equinox:
        cells["equinox"] = series_value(code, "equinox", day).removesuffix(".0").lstrip("B")
    if observer.clock == "LMT" and clock not in ("LMT", "LST"):
        cells["clock"] = clock = "LMT"
    if exposure.task == "comet" and observer.clock == "JD for comets":
        cells |= {"clock": "JD", "date": f"{start.mjd + MJD_ZERO:.4f}"}
        return LogRow(exposure, night, cells)

    from_noon = series_value(code, "day_begins", day) == "noon"
    unit_s = 1 if observer.times == "seconds" else MINUTE_S
    # A start is wanted of sidereal clocks, whatever the habit.
    times = "start" if clock == "LST" else observer.times
    read = {"mid": mid, "end": end}.get(times, start)
    shown_day, cells["time"] = _reading(read, clock, from_noon, unit_s)
    if times in ("mid", "end"):
        cells["time_is"] = times
    if times == "start and end" and exposure.minutes >= 1.0:
        cells["time_end"] = _reading(end, clock, from_noon, unit_s)[1]
    if series_value(code, "date_is", day) == "evening" and not from_noon:
        shown_day = night
    calendar = series_value(code, "calendar", day) or "gregorian"
    year, month, of_month = written_date(shown_day, calendar)
    cells["date"] = f"{year}-{month:02d}-{of_month:02d}"
    if observer.dates == "month name":
        cells["date"] = f"{year} {_MONTHS[month - 1]} {of_month}"
    elif observer.dates == "double":
        year, month, of_month = written_date(night, calendar)
        next_day = written_date(night + 1, calendar)[2]
        cells["date"] = f"{year}-{month:02d}-{of_month:02d}/{next_day:02d}"
    if clock == "LMT" and observer.centre == "minute":
        cells["sidereal_time"], cells["hour_angle"] = _angles(start.sidereal_deg, ra_of_date_deg)
    return LogRow(exposure, night, cells)


def _angles(sidereal: float, ra_of_date_deg: float) -> tuple[str, str]:
    """Return sidereal time and hour angle, to the minute, as the dials showed them."""
    h, m = divmod(round(sidereal * 4.0) % 1440, 60)
    minutes = round(((sidereal - ra_of_date_deg + 180.0) % 360.0 - 180.0) * 4.0)
    sign = "-" if minutes < 0 else "+"
    return f"{h:02d}:{m:02d}", f"{sign}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"


def _designation(exposure: Exposure, observer: Observer) -> str:
    """Series, number and suffix as this observer writes them."""
    code = exposure.series.lower() if observer.joint == "" else exposure.series
    suffix = exposure.suffix.upper() if observer.joint == "-" else exposure.suffix
    gap = " " if observer.joint == "/" and suffix else ""
    return f"{code}{observer.joint}{exposure.number}{gap}{suffix}"
