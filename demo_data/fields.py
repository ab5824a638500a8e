"""Where the invented observatory pointed: grids, zones, belts, single stars, fixed directions."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

MINUTES_PER_DAY = 1440.0
_OBLIQUITY_DEG = 23.46  # about 1855
_GALACTIC_POLE_DEG, _CELESTIAL_POLE_L_DEG = (192.25, 27.4), 123.0  # B1950 (IAU 1958)


@dataclass(frozen=True)
class Fields:
    """Named places: RA and Dec in degrees of the series' equinox, or azimuth and altitude."""

    names: tuple[str, ...]
    ra_deg: NDArray[np.float64]
    dec_deg: NDArray[np.float64]

    def __len__(self) -> int:
        """Return the number of fields."""
        return len(self.names)


def fields(places: Sequence[tuple[str, float, float]]) -> Fields:
    """Return fields of (name, RA, Dec) in degrees."""
    names, ra, dec = zip(*places, strict=True) if places else ((), (), ())
    return Fields(tuple(names), np.array(ra, dtype=np.float64), np.array(dec, dtype=np.float64))


def grid(label: str, decs_deg: Sequence[float], step_minutes: float) -> Fields:
    """Return fields in rows of Dec, in steps of whole minutes of RA wide enough for the row."""
    places = []
    for dec in decs_deg:
        count = max(1, round(MINUTES_PER_DAY / step_minutes * np.cos(np.radians(dec))))
        for n in range(count):
            ra_minutes = round(n * MINUTES_PER_DAY / count)
            places.append((f"{label} {dec:+.3g} no. {n + 1}", ra_minutes / 4.0, float(dec)))
    return fields(places)


def _belt(label: str, step_deg: int, pole: tuple[float, float], node_deg: float) -> Fields:
    """Return fields along the great circle about a pole, on whole minutes of RA and of arc."""
    along = np.arange(0.0, 360.0, step_deg)
    pole_ra, pole_dec = np.radians(pole)
    angle = np.radians(node_deg - along)
    dec = np.arcsin(np.cos(pole_dec) * np.cos(angle))
    ra = pole_ra + np.arctan2(np.sin(angle), -np.sin(pole_dec) * np.cos(angle))
    return Fields(
        tuple(f"{label} {value:.0f}" for value in along),
        np.round(np.degrees(ra) % 360.0 * 4.0) % MINUTES_PER_DAY / 4.0,
        np.round(np.degrees(dec) * 60.0) / 60.0,
    )


def ecliptic_belt(step_deg: int) -> Fields:
    """Return fields along the ecliptic, where small planets are looked for."""
    return _belt("ecliptic", step_deg, (270.0, 90.0 - _OBLIQUITY_DEG), 90.0)


def milky_way(step_deg: int) -> Fields:
    """Return fields along the galactic equator."""
    return _belt("Milky Way", step_deg, _GALACTIC_POLE_DEG, _CELESTIAL_POLE_L_DEG)


def _star(name: str, ra_minutes: float, dec_arcmin: int) -> tuple[str, float, float]:
    return name, ra_minutes / 4.0, dec_arcmin / 60.0


# Places of the stars to 0.1 min of RA and 1 arcmin, from memory, checked with astropy's FK4.
STARS_B1900 = fields(
    (
        _star("SS Cyg", 21 * 60 + 38.8, 43 * 60 + 8),
        _star("U Gem", 7 * 60 + 49.2, 22 * 60 + 16),
        _star("R CrB", 15 * 60 + 44.4, 28 * 60 + 28),
        _star("chi Cyg", 19 * 60 + 46.7, 32 * 60 + 40),
        _star("R Leo", 9 * 60 + 42.2, 11 * 60 + 54),
        _star("omicron Cet", 2 * 60 + 14.3, -(3 * 60 + 26)),
        _star("S Cep", 21 * 60 + 36.5, 78 * 60 + 10),
    )
)
CLUSTERS_B1900 = fields(
    (
        _star("h Per", 2 * 60 + 12.0, 56 * 60 + 41),
        _star("Pleiades", 3 * 60 + 41.5, 23 * 60 + 48),
        _star("M 37", 5 * 60 + 45.8, 32 * 60 + 31),
        _star("M 44", 8 * 60 + 34.3, 20 * 60 + 20),
        _star("M 3", 13 * 60 + 37.6, 28 * 60 + 53),
        _star("M 13", 16 * 60 + 38.1, 36 * 60 + 39),
        _star("M 11", 18 * 60 + 45.7, -(6 * 60 + 23)),
        _star("M 39", 21 * 60 + 28.6, 47 * 60 + 59),
        _star("NGC 7789", 23 * 60 + 52.0, 56 * 60 + 10),
        _star("NGC 188", 35.7, 84 * 60 + 47),
    )
)
TARGETS_B1950 = fields(
    (
        _star("R Car", 9 * 60 + 30.9, -(62 * 60 + 34)),
        _star("R Hya", 13 * 60 + 27.0, -(23 * 60 + 1)),
        _star("RR Sco", 16 * 60 + 53.4, -(30 * 60 + 30)),
        _star("Small Cloud", 51.0, -(73 * 60 + 6)),
        _star("Large Cloud", 5 * 60 + 24.0, -(69 * 60 + 48)),
        _star("30 Dor", 5 * 60 + 39.0, -(69 * 60 + 7)),
        _star("47 Tuc", 21.9, -(72 * 60 + 21)),
        _star("Fornax", 2 * 60 + 37.8, -(34 * 60 + 44)),
        _star("eta Car", 10 * 60 + 43.1, -(59 * 60 + 25)),
        _star("omega Cen", 13 * 60 + 23.8, -(47 * 60 + 3)),
        _star("M 8", 18 * 60 + 0.7, -(24 * 60 + 23)),
        _star("NGC 6752", 19 * 60 + 6.4, -(60 * 60 + 4)),
        _star("Octans sequence", 12 * 60.0, -(85 * 60)),
    )
)
POLAR_COMPARISON = ("polar comparison", 0.0, 89.5)  # RA, Dec in degrees

# Azimuth, from north through east, and altitude, degrees, of a camera that stands still.
FIXED_DIRECTIONS = fields(
    (
        ("zenith", 0.0, 90.0),
        ("N 60", 0.0, 60.0),
        ("E 50", 90.0, 50.0),
        ("S 45", 180.0, 45.0),
        ("W 50", 270.0, 50.0),
    )
)
