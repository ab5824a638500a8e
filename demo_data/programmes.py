"""What the invented observatory observed with each instrument, when, and how long."""

from dataclasses import dataclass, field
from datetime import date

from platecover.demo_data.fields import (
    CLUSTERS_B1900,
    FIXED_DIRECTIONS,
    POLAR_COMPARISON,
    STARS_B1900,
    TARGETS_B1950,
    Fields,
    ecliptic_belt,
    fields,
    grid,
    milky_way,
)

# Days from full Moon within which there is no observing; our choice.
ANY_MOON, NOT_FULL, DARK = 0.0, 3.0, 6.0

Period = tuple[date, date]  # the second day excluded
YearDay = tuple[int, int]  # month and day


@dataclass(frozen=True)
class CometPath:
    """A comet's way: along the great circle from its first place to its last, evenly."""

    first: tuple[float, float]  # RA and Dec in degrees of the series' equinox
    last: tuple[float, float]
    days: Period


@dataclass(frozen=True)
class Programme:
    """Fields and how they are exposed.

    `exposures_min` has one tuple a plate, picked at random. `cells` go into every row.
    """

    name: str
    share: float  # of the plates of its series
    fields: Fields
    exposures_min: tuple[tuple[float, ...], ...]
    moon_days: float = NOT_FULL
    path: CometPath | None = None
    yearly: tuple[YearDay, YearDay] | None = None  # first and last evening
    comparison: tuple[str, float, float] | None = None  # of the plate's last exposure
    fixed: bool = False  # the fields are azimuths and altitudes
    lowest_altitude_deg: float = 30.0  # at the middle of a plate; our choice
    cells: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Campaign:
    """When a series was at work, and on what.

    The first programme takes the plates of those that have no field up: it has one at any hour,
    and stands as much moonlight as they do.
    """

    share: float  # of all exposures
    periods: tuple[Period, ...]
    plates_a_night: int
    programmes: tuple[Programme, ...]
    thin_years: tuple[int, int, float] = (0, 0, 1.0)  # first, last, activity


PATROL_FIELDS = grid("patrol", range(-90, 91, 20), 80)
PATROL_ALTITUDE_DEG = 25.0
ZONE_FIELDS = grid("zone", (-2.5, -0.5, 1.5, 3.5, 61.5, 63.5, 65.5), 8)
PRISM = {"technique": "objective prism"}
SHOWER_EXPOSURES = ((30.0,), (20.0,), (15.0, 15.0))


def _shower(name: str, first: YearDay, last: YearDay) -> Programme:
    directions = Fields(
        tuple(f"{name} {direction}" for direction in FIXED_DIRECTIONS.names),
        FIXED_DIRECTIONS.ra_deg,
        FIXED_DIRECTIONS.dec_deg,
    )
    return Programme(
        "shower", 0.16, directions, SHOWER_EXPOSURES, NOT_FULL, yearly=(first, last), fixed=True
    )


def _comet(name: str, share: float, path: CometPath, minutes: tuple[float, ...]) -> Programme:
    there = fields([(name, *path.first)])
    return Programme(
        "comet", share, there, tuple((m,) for m in minutes), NOT_FULL, path,
        cells={"tracking": "object"},
    )  # fmt: skip


SPORADIC = Programme(
    "sporadic meteors",
    0.34,
    Fields(
        tuple(f"meteors {direction}" for direction in FIXED_DIRECTIONS.names),
        FIXED_DIRECTIONS.ra_deg,
        FIXED_DIRECTIONS.dec_deg,
    ),
    SHOWER_EXPOSURES,
    DARK,
    fixed=True,
)

CAMPAIGNS = {
    "VQ": Campaign(
        0.29,
        (
            (date(1893, 3, 1), date(1914, 7, 25)),
            (date(1919, 3, 1), date(1940, 4, 30)),  # two wars, no plates
            (date(1946, 2, 1), date(1961, 9, 30)),
        ),
        3,
        (
            Programme(
                "patrol", 0.93, PATROL_FIELDS, ((60,), (45,), (40, 40)),
                lowest_altitude_deg=PATROL_ALTITUDE_DEG,
            ),
            Programme(
                "patrol by moonlight", 0.07, PATROL_FIELDS, ((8,), (5, 5)), ANY_MOON,
                lowest_altitude_deg=PATROL_ALTITUDE_DEG, cells={"notes": "Moon"},
            ),
        ),
    ),
    "OZT": Campaign(
        0.16,
        ((date(1895, 9, 1), date(1914, 7, 25)), (date(1919, 3, 1), date(1939, 8, 31))),
        5,
        (
            Programme("star", 0.25, STARS_B1900, ((10,), (15,), (25,))),
            Programme("zone", 0.66, ZONE_FIELDS, ((20, 5, 0.5), (30,), (40,), (15,)), DARK),
            Programme(
                "focus", 0.04, grid("focus", (10, 40), 120), ((2, 2, 2),), ANY_MOON,
                cells={"technique": "test"},
            ),
            Programme("polar comparison", 0.03, STARS_B1900, ((12, 12),),
                      comparison=POLAR_COMPARISON),
            _comet(
                "Comet Sjövik", 0.02,
                CometPath((281.0, 62.0), (214.0, 18.0), (date(1911, 4, 2), date(1911, 6, 20))),
                (10, 15),
            ),
        ),
    ),
    "DUF": Campaign(
        0.12,
        (
            (date(1891, 2, 10), date(1914, 8, 1)),
            (date(1921, 5, 1), date(1941, 10, 15)),
            (date(1948, 3, 1), date(1962, 6, 30)),
        ),
        3,
        (
            Programme("parallax", 0.62, grid("parallax", (5, 20, 35, 50, 65, 80), 45),
                      ((4, 4, 4), (6, 6), (10,)), ANY_MOON),
            Programme("cluster", 0.22, CLUSTERS_B1900, ((45,), (90,)), DARK,
                      cells={"centre_is": "named object"}),
            Programme("spectra", 0.14, STARS_B1900, ((40,), (25, 15)), ANY_MOON,
                      cells={"technique": "slit spectrum"}),
            _comet(
                "Comet Lozhkarin", 0.02,
                CometPath((150.0, 48.0), (188.0, 21.0), (date(1903, 2, 14), date(1903, 4, 30))),
                (8, 12),
            ),
        ),
    ),
    "PZ-M": Campaign(
        0.11,
        ((date(1903, 6, 1), date(1941, 11, 30)), (date(1947, 2, 1), date(1957, 8, 31))),
        3,
        (
            Programme("spectral survey", 0.60, grid("spectra", range(-85, 26, 10), 40),
                      ((60,), (80,), (10, 45)), DARK, cells=PRISM),
            Programme("Milky Way", 0.34, milky_way(8), ((90,), (60,)), DARK,
                      lowest_altitude_deg=25.0, cells=PRISM),
            Programme("without prism", 0.06, grid("direct", (-60, -30, 0), 90), ((20,),),
                      cells={"technique": "direct"}),
        ),
        (1915, 1920, 0.12),
    ),
    "EIK": Campaign(
        0.12,
        ((date(1928, 9, 1), date(1941, 10, 15)), (date(1947, 6, 1), date(1969, 12, 20))),
        4,
        (
            Programme("small patrol", 0.66, grid("region", range(-80, 81, 20), 90),
                      ((20,), (30,), (15, 15)), lowest_altitude_deg=25.0),
            Programme("ecliptic", 0.34, ecliptic_belt(12), ((40,), (30, 30)), DARK,
                      lowest_altitude_deg=25.0),
        ),
    ),
    "MQ": Campaign(
        0.06,
        ((date(1931, 7, 1), date(1939, 8, 31)), (date(1950, 7, 1), date(1978, 10, 31))),
        5,
        (
            SPORADIC,
            _shower("Perseids", (8, 6), (8, 16)),
            _shower("Geminids", (12, 7), (12, 16)),
            _shower("Leonids", (11, 12), (11, 20)),
            _shower("Lyrids", (4, 18), (4, 25)),
        ),
    ),
    "KWJ": Campaign(
        0.14,
        ((date(1949, 4, 1), date(1978, 11, 30)),),
        5,
        (
            Programme("revisit", 0.36, TARGETS_B1950, ((25,), (20,), (20, 10)),
                      lowest_altitude_deg=25.0),
            Programme("survey", 0.60, grid("field", range(-90, 1, 5), 20), ((60,), (45,)), DARK),
            _comet(
                "Comet Penhalloran", 0.04,
                CometPath((205.0, -12.0), (268.0, -58.0), (date(1956, 4, 20), date(1956, 9, 10))),
                (12, 20),
            ),
        ),
    ),
}  # fmt: skip

# The total eclipse of 1905 August 30 passed over Tarvell: mid-totality at 12h11.4m UT, from
# ERFA's moon98 and plan94 seen from the station. Start in minutes from it, exposure in minutes.
ECLIPSE_SERIES, ECLIPSE_MID_MJD = "VQ", 17087.507892
ECLIPSE_PLACE_DEG = (157.75, 9.0 + 19.0 / 60.0)  # of the Sun, B1875, same source
ECLIPSE_PLATES = (
    ("Sun, partial eclipse, by day", ((-41.0, 0.02), (-39.5, 0.02))),
    ("Sun, eclipse, totality, by day", ((-1.4, 0.05), (-1.0, 0.2), (-0.5, 0.5))),
    ("Sun, eclipse, totality, by day", ((0.8, 0.4),)),
    ("Sun, partial eclipse, by day", ((33.0, 0.02),)),
)
