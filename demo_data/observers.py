"""The invented observers: careers, and habits of writing."""

from dataclasses import dataclass

from platecover.demo_data.invented_observatory import civil_date


@dataclass(frozen=True)
class Observer:
    """A hand at work, and its habits."""

    names: tuple[str, ...]  # as signed: the full name most often
    books: tuple[str, ...]  # SERIES@STATION
    years: tuple[int, int]  # both included
    joint: str  # between series code and number
    centre: str  # a spelling known to `spell_centre`
    dates: str = "iso"  # or "month name", "double"
    times: str = "start"  # or "mid", "end", "start and end", "seconds"
    clock: str = ""  # an own clock, stated in every row
    states_equinox: bool = False
    notes: tuple[str, ...] = ("",)


VQ_NORTH, VQ_SOUTH, OZT, MQ = "VQ@tarvell", "VQ@quennick", "OZT@tarvell", "MQ@tarvell"
KWJ, PZ, EIK_SOUTH = "KWJ@quennick", "PZ-M@lorrimane", "EIK@lorrimane"
DUF_OLD, DUF, EIK_NORTH = "DUF@vetrolin-harbour", "DUF@vetrolin-hill", "EIK@vetrolin-hill"

OBSERVERS = (
    Observer(
        ("E. Thornquay", "E. Thornquay", "Thornquay", "E. T."), (VQ_NORTH, OZT), (1893, 1908),
        " ", "minute", notes=("", "", "cl.", "tr. cl., s. v. gd", "defl. 2 mm"),
    ),
    Observer(
        ("M. Sjövik", "M. Sjövik", "Sjövik"), (VQ_NORTH, OZT), (1899, 1925), "-",
        "decimal minute", "month name", states_equinox=True,
        notes=("", "", "dimma", "blåst, st. oroliga", "do."),
    ),
    Observer(
        ("Miss A. Brandãe", "A. Brandãe"), (VQ_NORTH, OZT), (1906, 1939), "", "second",
        times="seconds", notes=("", "", "v. gd", "clds, stopped"),
    ),
    Observer(
        ("J. P. Hallowick", "J. P. Hallowick", "JPH"), (OZT, MQ), (1919, 1939), ".", "degrees",
        clock="LMT", notes=("", "wind, dome shaking", "gd."),
    ),
    Observer(
        ("Ida Kestrelmoor",), (MQ,), (1950, 1966), "_", "degrees", "double",
        notes=("", "", "1 bright, 3 faint", "haze in N"),
    ),
    Observer(
        ("P. Quillane", "PQ"), (MQ,), (1958, 1978), " ", "decimal minute", times="end",
        notes=("", "none seen", "dew after 40 m"),
    ),
    Observer(
        ("R. Okonvale", "R. Okonvale", "R. O."), (VQ_SOUTH,), (1924, 1961), "/", "minute",
        notes=("", "", "hz.", "thro' cirrus; dew"),
    ),
    Observer(
        ("C. Marrowby",), (VQ_SOUTH,), (1924, 1940), " ", "decimal minute", "double",
        states_equinox=True, notes=("", "2 clds", "st. fair"),
    ),
    Observer(
        ("Ł. Wierzbęcki",), (VQ_SOUTH, KWJ), (1946, 1955), " ", "hms", "double",
        "start and end", notes=("", "", "mgła", "b. dobrze; seeing 2\""),
    ),
    Observer(
        ("S. Tāvalei", "S. Tāvalei", "Tāvalei"), (KWJ,), (1949, 1964), "", "degrees",
        times="mid", notes=("", "good", "bad seeing; guided"),
    ),
    Observer(
        ("D. Penhalloran",), (KWJ,), (1953, 1978), "-0", "second", "double",
        clock="JD for comets", notes=("", "", "g. s. lost at end"),
    ),
    Observer(
        ("N. Oustrou", "NO"), (KWJ,), (1962, 1978), " ", "minute", times="end",
        notes=("", "fog at dawn", "hypersens."),
    ),
    Observer(
        ("А. Ложкарин", "А. Ложкарин", "А. Л."), (DUF_OLD,), (1891, 1907), " ", "minute",
        notes=("", "", "тум.", "обл., 2"),
    ),
    Observer(
        ("В. Студенецкий", "Студенецкий"), (DUF_OLD, DUF), (1898, 1914), "_",
        "decimal minute", "month name", notes=("", "ветер", "хор."),
    ),
    Observer(
        ("Z. Arkhonin", "Z. Arkhonin", "Z. A."), (DUF, EIK_NORTH), (1921, 1941), ".", "minute",
        states_equinox=True, notes=("", "", "im. 3", "wind W"),
    ),
    Observer(
        ("Miss L. Verbitska", "L. Verbitska"), (DUF, EIK_NORTH), (1926, 1941), "", "second",
        "double", "seconds", notes=("", "im. 4-5", "trails at edge"),
    ),
    Observer(
        ("G. Tolmasov",), (DUF,), (1948, 1962), "-", "hms", times="start and end",
        notes=("", "im. 2", "jumps in R.A."),
    ),
    Observer(
        ("H. van Rosseveldt", "v. Rosseveldt"), (PZ,), (1903, 1931), " ", "typed",
        notes=("", "", "bew.", "goed"),
    ),
    Observer(
        ("Fr. A. Pintasso", "A. Pintasso"), (PZ,), (1911, 1941), "/", "typed", "month name",
        times="mid", notes=("", "nuv.", "um pouco de vento"),
    ),
    Observer(
        ("T. Baptistou",), (PZ, EIK_SOUTH), (1947, 1961), "-", "typed", "double",
        notes=("", "", "ciel voilé", "t. b."),
    ),
    Observer(
        ("N. Dessanayaka", "N. D."), (PZ, EIK_SOUTH), (1934, 1969), " ", "typed",
        times="start and end", notes=("", "monsoon cloud", "excellent"),
    ),
)  # fmt: skip

_YEARS = range(1891, 1979)
_AT_WORK = {
    (book, year): [o for o in OBSERVERS if book in o.books and o.years[0] <= year <= o.years[1]]
    for book in {book for observer in OBSERVERS for book in observer.books}
    for year in _YEARS
}


def observer_on(series: str, station: str, night: int) -> Observer:
    """Return who observed on a night: those at work took turns."""
    at_work = _AT_WORK[f"{series}@{station}", civil_date(night).year]
    return at_work[night % len(at_work)]
