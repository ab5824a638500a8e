"""How the invented observers wrote their exposures down: habits and spellings."""

from dataclasses import dataclass, field

import numpy as np

from platecover.demo_data.observing_plan import (
    MINUTES_PER_DAY,
    MJD_ZERO,
    Exposure,
    civil_date,
    local_sidereal_deg,
    longitude_deg,
    series_value,
)

SECONDS_PER_DAY = 86400
MINUTE_S = 60


@dataclass(frozen=True)
class Observer:
    """A hand at work, and its habits."""

    name: str
    series: tuple[str, ...]
    years: tuple[int, int]  # both included
    joint: str  # between series code and number
    centre: str  # a spelling known to `spell_centre`
    dates: str = "iso"  # or "month name", "double"
    times: str = "start"  # or "mid", "start and end", "seconds"
    clock: str = ""  # an own clock, stated in every row
    states_equinox: bool = False
    notes: tuple[str, ...] = ("",)

    def is_at_work(self, exposure: Exposure) -> bool:
        """Whether the observer worked with this instrument, at this station, in this year."""
        year = civil_date(int(exposure.start_mjd)).year
        book = f"{exposure.series}@{exposure.station}"
        return book in self.series and self.years[0] <= year <= self.years[1]


VQ_NORTH, VQ_SOUTH, OZT, KWJ = "VQ@tarvell", "VQ@quennick", "OZT@tarvell", "KWJ@quennick"
OBSERVERS = (
    Observer(
        "E. Thornquay", (VQ_NORTH, OZT), (1893, 1908), " ", "minute",
        notes=("", "", "cl.", "tr. cl., s. v. gd", "defl. 2 mm"),
    ),
    Observer(
        "M. Sjövik", (VQ_NORTH, OZT), (1899, 1925), "-", "decimal minute", "month name",
        states_equinox=True, notes=("", "", "dimma", "blåst, st. oroliga", "do."),
    ),
    Observer(
        "Miss A. Brandãe", (VQ_NORTH, OZT), (1906, 1939), "", "second", times="seconds",
        notes=("", "", "v. gd", "clds, stopped"),
    ),
    Observer(
        "J. P. Hallowick", (OZT,), (1919, 1939), ".", "degrees", clock="LMT",
        notes=("", "wind, dome shaking", "gd."),
    ),
    Observer(
        "R. Okonvale", (VQ_SOUTH,), (1924, 1961), "/", "minute",
        notes=("", "", "hz.", "thro' cirrus; dew"),
    ),
    Observer(
        "C. Marrowby", (VQ_SOUTH,), (1924, 1940), " ", "decimal minute", "double",
        states_equinox=True, notes=("", "2 clds", "st. fair"),
    ),
    Observer(
        "Ł. Wierzbęcki", (VQ_SOUTH, KWJ), (1946, 1955), " ", "hms", "double", "start and end",
        notes=("", "", "mgła", "b. dobrze; seeing 2\""),
    ),
    Observer(
        "S. Tāvalei", (KWJ,), (1949, 1961), "", "degrees", times="mid",
        notes=("", "good", "bad seeing; guided"),
    ),
    Observer(
        "D. Penhalloran", (KWJ,), (1953, 1961), "-0", "second", "double", clock="JD for comets",
        notes=("", "", "g. s. lost at end"),
    ),
)  # fmt: skip


@dataclass
class LogRow:
    """A row of a plate log, the exposure it stands for, and what is wrong with it."""

    exposure: Exposure
    cells: dict[str, str]
    slip: str = ""
    extra: list[str] = field(default_factory=list)  # cells beyond the header


def spell_centre(ra_deg: float, dec_deg: float, style: str) -> tuple[str, str]:
    """Return RA and Dec as text, rounded to the digits that the style gives."""
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


def night_of(mjd: float, station: str) -> int:
    """MJD of the evening date of an instant: nights run from local mean noon to noon."""
    return int(np.floor(mjd + longitude_deg(station) / 360.0 - 0.5))


def clock_reading(mjd: float, clock: str, station: str, unit_s: int) -> tuple[int, str]:
    """Return the day (MJD of its date) and the time that a clock shows at an instant."""
    if clock == "LST":
        shown = local_sidereal_deg(mjd, station) / 360.0
    elif clock == "LMT":
        shown = mjd + longitude_deg(station) / 360.0
    elif clock == "GMAT":
        shown = mjd - 0.5
    elif clock.startswith("UTC"):
        hours, minutes = clock[4:].split(":")
        shown = mjd + float(f"{clock[3]}1") * (int(hours) / 24.0 + int(minutes) / MINUTES_PER_DAY)
    else:
        shown = mjd
    seconds = round(shown * SECONDS_PER_DAY / unit_s) * unit_s
    day, second = divmod(seconds, SECONDS_PER_DAY)
    h, m, s = _sixties(second)
    if clock == "LST":
        day = night_of(mjd, station)
    return day, f"{h:02d}:{m:02d}" + (f":{s:02d}" if unit_s < MINUTE_S else "")


def log_row(exposure: Exposure, ra_of_date_deg: float) -> LogRow:
    """Write an exposure down as the observer of the night did."""
    station, start = exposure.station, exposure.start_mjd
    night = night_of(start, station)
    at_work = [observer for observer in OBSERVERS if observer.is_at_work(exposure)]
    observer = at_work[night % len(at_work)]
    code, day = exposure.series, civil_date(int(start))
    clock = series_value(code, "clock", day)
    cells = {
        "plate": _designation(exposure, observer),
        "exposure_min": f"{exposure.minutes:g}",
        "observer": observer.name,
        "object": exposure.object,
        "notes": observer.notes[exposure.number % len(observer.notes)],
    }
    if exposure.exposures_on_plate > 1:
        cells["exposure"] = str(exposure.exposure)
    cells["ra"], cells["dec"] = spell_centre(exposure.ra_deg, exposure.dec_deg, observer.centre)
    if observer.states_equinox:
        cells["equinox"] = series_value(code, "equinox", day).removesuffix(".0").lstrip("B")
    if observer.clock == "LMT" and clock not in ("LMT", "LST"):
        cells["clock"] = clock = "LMT"
    if exposure.programme == "comet":
        cells["tracking"] = "object"
        if observer.clock == "JD for comets":
            cells |= {"clock": "JD", "date": f"{start + MJD_ZERO:.4f}"}
            return LogRow(exposure, cells)

    instant = exposure.mid_mjd if observer.times == "mid" else start
    unit_s = 1 if observer.times == "seconds" else MINUTE_S
    shown_day, cells["time"] = clock_reading(instant, clock, station, unit_s)
    if observer.times == "mid":
        cells["time_is"] = "mid"
    if observer.times == "start and end":
        end = start + exposure.minutes / MINUTES_PER_DAY
        cells["time_end"] = clock_reading(end, clock, station, unit_s)[1]
    if series_value(code, "date_is", day) == "evening":
        shown_day = night
    shown = civil_date(shown_day)
    cells["date"] = shown.isoformat()
    if observer.dates == "month name":
        cells["date"] = f"{shown:%Y} {_MONTHS[shown.month - 1]} {shown.day}"
    elif observer.dates == "double":
        cells["date"] = f"{civil_date(night).isoformat()}/{civil_date(night + 1):%d}"
    if clock == "LMT" and observer.centre == "minute":
        lst_deg = local_sidereal_deg(start, station)
        cells["sidereal_time"] = spell_centre(lst_deg, 0.0, "minute")[0].replace(" ", ":")
        hour_angle = round(((lst_deg - ra_of_date_deg + 180.0) % 360.0 - 180.0) * 4.0)
        sign = "-" if hour_angle < 0 else "+"
        cells["hour_angle"] = f"{sign}{abs(hour_angle) // 60:02d}:{abs(hour_angle) % 60:02d}"
    return LogRow(exposure, cells)


_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def _designation(exposure: Exposure, observer: Observer) -> str:
    """Series, number and suffix as this observer writes them."""
    code = exposure.series.lower() if observer.joint == "" else exposure.series
    suffix = exposure.suffix.upper() if observer.joint == "-" else exposure.suffix
    gap = " " if observer.joint == "/" and suffix else ""
    return f"{code}{observer.joint}{exposure.number}{gap}{suffix}"
