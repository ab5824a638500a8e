"""What scanning is worth and what it costs: every wish of the keeper, its default and meaning.

`wish_reading` reads them from one TOML file; `wishes_text` writes them all as a file to start
from.
"""

import json
import textwrap
from dataclasses import dataclass, field, fields
from datetime import date
from typing import Any

from platecover.coverage.regions import Region

FINEST_ORDER = 9  # cells of 7 arcmin: finer ones cost memory and tell planners nothing
MOST_SHARES = 64  # plates in one bin that are told apart
LARGEST_MM = 5000.0  # of a side of glass
_LINE = 96  # characters of a line of the file


@dataclass(frozen=True)
class SizeMinutes:
    """Minutes that plates up to a length of their longer side take on the scanner."""

    up_to_mm: float
    minutes: float


@dataclass(frozen=True)
class EpochWeight:
    """Factor of the weight of some years, both included."""

    first: int
    last: int
    weight: float


@dataclass(frozen=True)
class FieldOfInterest:
    """A circle in which the sky weighs more; degrees, ICRS."""

    ra: float
    dec: float
    radius: float
    weight: float


@dataclass(frozen=True)
class Request:
    """Somebody's wish for plates of a place from some years, both included."""

    place: Region
    first: int
    last: int
    weight: float
    urgency: float
    wanted_by: date | None


def _wish(section: str, default: Any, meaning: str) -> Any:
    return field(default=default, metadata={"section": section, "meaning": meaning})


@dataclass(frozen=True)
class Wishes:
    """Every wish, with its default; `wishes_text` explains each."""

    order: int = _wish(
        "bins",
        7,
        f"HEALPix order of the cells of sky, 0 to {FINEST_ORDER} (7: 27 arcmin across)."
        " Worth is counted in square degrees, so that it means the same at any order.",
    )
    spans: int | tuple[int, ...] = _wish(
        "bins",
        10,
        "Spans of time: their length in calendar years, starting at multiples of it; or a list of"
        " the years in which spans begin, the last number being the end of the last span"
        " ([1880, 1900, 1930]: 1880-1899 and 1900-1929; other years then add nothing).",
    )
    depth_classes: bool = _wish(
        "bins",
        True,
        "Whether plates that go deeper count apart, so that a few giant fields do not crowd out"
        " every plate of a long telescope.",
    )
    magnitude_limits: tuple[float, ...] = _wish(
        "bins",
        (12.0, 15.0, 18.0),
        "Limiting magnitudes at which a deeper class begins, for exposures that state theirs.",
    )
    scale_limits_arcsec_per_mm: tuple[float, ...] = _wish(
        "bins",
        (200.0, 90.0, 30.0),
        "For all others: plate scales at which the same classes begin, from wide-field cameras to"
        " long telescopes, as many as magnitude_limits. A rule of thumb (no source): a long"
        " focus mostly goes with a large aperture.",
    )
    techniques: tuple[str, ...] = _wish(
        "bins",
        ("direct", "objective prism", "grating"),
        "Techniques whose exposures show the field; those of other ones (tests, trails, slit"
        " spectra) add nothing.",
    )
    shares: float | tuple[float, ...] = _wish(
        "worth",
        0.5,
        "What the first, second, ... scanned plate of a bin adds. A number: each further plate"
        " adds that share of the one before it. A list: the shares themselves, none larger than"
        " the one before; plates beyond the list add nothing ([1]: once is enough).",
    )
    everywhere: float = _wish(
        "worth",
        1.0,
        "Weight of any place before fields and requests; 0: nothing counts but these.",
    )
    class_weights: tuple[float, ...] = _wish(
        "worth",
        (1.0, 1.0, 1.0, 1.0),
        "Factor of each depth class, the shallowest first. A square degree that shows more stars"
        " may be worth more to you, say [1, 2, 4, 8].",
    )
    evened: float = _wish(
        "worth",
        0.5,
        "How far plates of all sizes count alike, 0 to 1. 0: by their square degrees alone, so that"
        " wide fields come first for years. 1: a typical plate of each depth class and span of time"
        " weighs as much as one of the widest, so that sky fills slowly. 0.5, half-way: where"
        " fields are a hundred times smaller, a square degree weighs ten times as much. Fields and"
        " requests are scaled with the rest; nothing is if depth_classes is false.",
    )
    undated: float = _wish(
        "worth",
        0.5,
        "Factor for exposures without a date. They share one span of their own: they show the sky"
        " but not when.",
    )
    map: str = _wish(
        "worth",
        "",
        "HEALPix FITS map of weights that multiply 'everywhere' (first column; any order, RING or"
        " NESTED; COORDSYS 'C' or 'ICRS'); cells without a value count 0. Paths start from this"
        " file's folder.",
    )
    moc: str = _wish("worth", "", "MOC file: outside it 'everywhere' is multiplied by outside_moc.")
    outside_moc: float = _wish("worth", 0.0, "See moc.")
    epochs: tuple[EpochWeight, ...] = _wish(
        "worth",
        (),
        "Factors for years, such as [{from = 1890, to = 1914, weight = 2}]; a span takes the mean"
        " of its years. They do not touch requests, which name their own years.",
    )
    fields: tuple[FieldOfInterest, ...] = _wish(
        "worth",
        (),
        "Circles whose weight is added to their cells (degrees, ICRS), such as"
        " [{ra = 83.6, dec = 22.0, radius = 1.5, weight = 5}].",
    )
    requests: tuple[Request, ...] = _wish(
        "worth",
        (),
        "Wishes for a place and years, such as [{place = 'constellation Ori', from = 1900,"
        " to = 1909, weight = 3, urgency = 2, wanted_by = 2031-05-01}]. Weight times urgency is"
        " added in the spans that meet the years, in proportion to how much of a span they fill.",
    )
    soon_days: int = _wish(
        "worth", 30, "A request counts as pressing from so many days before wanted_by on."
    )
    pressing: float = _wish("worth", 2.0, "Factor of requests that are pressing, or overdue.")
    photograph: float = _wish(
        "minutes",
        1.5,
        "Minutes to take a plate out of its jacket, photograph both with all marks, and put it"
        " back. These minutes are guesses of common practice, without a source: time your own.",
    )
    clean: float = _wish("minutes", 1.5, "Minutes to clean the glass side.")
    scan: tuple[SizeMinutes, ...] = _wish(
        "minutes",
        (
            SizeMinutes(180.0, 2.5),
            SizeMinutes(260.0, 4.0),
            SizeMinutes(LARGEST_MM, 7.0),
        ),
        "Minutes on the scanner by the longer side of the glass (of the exposed area where the"
        " glass is not known): the first line that is long enough; plates of unknown size and"
        " longer ones take the last.",
    )
    open_unit: float = _wish(
        "minutes", 1.5, "Minutes to open a shelf unit, find the plates and close it again."
    )
    walk: float = _wish("minutes", 0.5, "Minutes to walk from one unit to the next and back.")
    unit_parts: int = _wish(
        "shelves",
        2,
        "How many leading parts of a shelf text name what is opened at once: 2 of A07/3/12 are"
        " A07/3. Plates without a shelf text count as one unit for each series.",
    )
    separators: str = _wish("shelves", "/.,;:| ", "Characters that part a shelf text.")
    hours: float = _wish("day", 6.0, "Hours of work in a day, for budgets in days and for 'day'.")

    @property
    def factors_of_classes(self) -> tuple[float, ...]:
        """Factor of each depth class that is told apart."""
        return self.class_weights if self.depth_classes else (1.0,)


def share_steps(shares: float | tuple[float, ...]) -> tuple[float, ...]:
    """What the first, second, ... plate of a bin adds; further ones add what the last one does."""
    if isinstance(shares, tuple):
        return (*shares, 0.0)
    return tuple(shares**count for count in range(MOST_SHARES))


def wishes_text() -> str:
    """All wishes with their defaults and meanings, as a TOML file."""
    lines = ["# What scanning is worth and what it costs. Every line may be left out or changed."]
    section = ""
    for each in fields(Wishes):
        if each.metadata["section"] != section:
            section = each.metadata["section"]
            lines.append(f"\n[{section}]")
        about = textwrap.wrap(each.metadata["meaning"], _LINE, break_on_hyphens=False)
        lines += [f"# {line}" for line in about]
        lines.append(f"{each.name} = {_toml(each.default)}")
    return "\n".join(lines) + "\n"


def _toml(value: Any) -> str:
    if isinstance(value, SizeMinutes):
        return f"{{up_to_mm = {value.up_to_mm}, minutes = {value.minutes}}}"
    if isinstance(value, tuple):
        return f"[{', '.join(_toml(each) for each in value)}]"
    return json.dumps(value)  # numbers, texts, true and false are written alike
