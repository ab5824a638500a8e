"""Names of things in the sky that stand still, looked up offline.

Bright stars are those of `bright_stars`; clusters, nebulae and galaxies those of OpenNGC (NGC, IC,
Messier and other catalogues; CC BY-SA 4.0), which the package PyOngc carries.
"""

import re
import unicodedata
from functools import cache
from typing import NamedTuple

from pyongc import ongc
from pyongc.exceptions import InvalidCoordinates, ObjectNotFound, UnknownIdentifier

from platecover.coverage.bright_stars import bright_stars
from platecover.coverage.errors import QueryError

_DEGREES_PER_HOUR = 15.0
_PARTS = (1.0, 60.0, 3600.0)  # of a degree or an hour: minutes, seconds
_PADDED = re.compile(r"^([A-Za-z]+)0*([0-9].*)$")  # NGC0224 is written NGC 224
_LONGEST_NAME = 60  # characters; no name has more
_WANDERERS = frozenset(
    "sun moon mercury venus mars jupiter saturn uranus neptune pluto ceres sonne mond merkur"
    .split()
)  # fmt: skip


class NamedObject(NamedTuple):
    """A thing with a name, its place (ICRS degrees), and what else it is called."""

    name: str
    ra_deg: float
    dec_deg: float
    other: str


def named_object(text: str) -> NamedObject | None:
    """Find a thing by its name.

    Parameters
    ----------
    text : str
        In any case, with or without blanks: ``M 31``, ``ngc224``, ``IC 434``, ``Orion Nebula``,
        ``Pleiades``, ``Sirius``.

    Returns
    -------
    NamedObject or None
        None if nothing is called so.

    Raises
    ------
    QueryError
        If it is called so but moves.
    """
    plain = _plain(text)
    if not plain or len(text) > _LONGEST_NAME:
        return None
    if plain in _WANDERERS:
        message = (
            f"place: {text.strip()} moves among the stars; write where it stood, or a position"
        )
        raise QueryError("place", text, message)
    return _stars().get(plain) or _catalogued(text) or _named_nebulae().get(plain)


def _plain(text: str) -> str:
    """Lower-case letters and digits only, accents dropped."""
    return "".join(c for c in unicodedata.normalize("NFKD", text).casefold() if c.isalnum())


@cache
def _stars() -> dict[str, NamedObject]:
    return {
        _plain(spelling): NamedObject(
            star.name, star.ra_deg, star.dec_deg, f"star of magnitude {star.magnitude:.1f}"
        )
        for star in bright_stars()
        for spelling in star.names
    }


def _catalogued(text: str) -> NamedObject | None:
    """What a catalogue's number stands for."""
    try:
        return _as_named(ongc.Dso(text.strip()))
    except (UnknownIdentifier, ObjectNotFound, InvalidCoordinates, ValueError, AttributeError):
        return None


@cache
def _named_nebulae() -> dict[str, NamedObject]:
    """What has a name of its own."""
    found: dict[str, NamedObject] = {}
    for each in ongc.listObjects(withname=True):
        named = _as_named(each)
        if named is not None:
            for spelling in each.identifiers[3] or ():
                found.setdefault(_plain(spelling), named)
    return found


def _as_named(thing: ongc.Dso) -> NamedObject | None:
    if thing.coords is None:
        return None
    ra, dec = thing.coords
    sign = -1.0 if any(part < 0.0 for part in dec) else 1.0
    messier, names = thing.identifiers[0], thing.identifiers[3] or []
    numbers = [number for number in (messier, thing.name) if number]
    called = [*(_PADDED.sub(r"\1 \2", number) for number in numbers), *names]
    return NamedObject(
        called[0],
        _DEGREES_PER_HOUR * sum(part / unit for part, unit in zip(ra, _PARTS, strict=True)),
        sign * sum(abs(part) / unit for part, unit in zip(dec, _PARTS, strict=True)),
        ", ".join([*called[1:3], thing.type.lower()]),
    )
