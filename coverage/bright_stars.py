"""The brightest stars by name, from the catalogue that the package ephem carries (MIT licence).

Positions and proper motions there are of the Hipparcos catalogue (ESA 1997), ICRS, J2000.
"""

from functools import cache
from typing import NamedTuple

import ephem.stars

_DEGREES_PER_HOUR = 15.0


class Star(NamedTuple):
    """A star of a name of its own; `names` are all that it has there."""

    name: str
    names: tuple[str, ...]
    ra_deg: float
    dec_deg: float
    magnitude: float


@cache
def bright_stars() -> tuple[Star, ...]:
    """All of them, the brightest first."""
    places: dict[tuple[float, float, float], list[str]] = {}
    for line in ephem.stars.db.splitlines():
        if line.strip():
            name, _, ra, dec, magnitude = line.split(",")[:5]
            where = (
                float(ra.split("|")[0]) * _DEGREES_PER_HOUR,
                float(dec.split("|")[0]),
                float(magnitude),
            )
            places.setdefault(where, []).append(name)
    stars = [Star(names[0], tuple(names), *where) for where, names in places.items()]
    return tuple(sorted(stars, key=lambda star: star.magnitude))
