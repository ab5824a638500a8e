"""A judge of circle searches that shares no geometry with the program: astropy's TAN projection.

A place is inside a plate if astropy (wcslib) projects it between the plate's sides. Its distance
to the edge is the least to points sampled along the sides, which astropy takes from the plate to
the sky; around the nearest of each side it samples again, until points are 0.1 arcsec apart.
"""

from dataclasses import dataclass

import numpy as np
from astropy.wcs import WCS
from numpy.typing import NDArray
from tests.awkward_sky import ARCSEC, Floats, Plate, plate_wcs, vectors_of

SAMPLES = 33  # along a side, each time
ROUNDS = 4  # each makes samples 16 times as dense: 2 degrees / 16**4 is 0.1 arcsec
TOO_NEAR_DEG = 1.0 * ARCSEC  # to the limit, for the judge to say


class JudgedLayout:
    """One layout of a plate: its projection and the pieces of its boundary, in mm.

    A piece is a straight side from one point to another, or an arc of the usable circle from one
    angle to another; both run with s from 0 to 1.
    """

    def __init__(self, plate: Plate) -> None:
        self.wcs: WCS = plate_wcs(plate)
        self.centre = vectors_of(plate.ra, plate.dec)
        self.half = np.array([plate.width / 2, plate.height / 2])
        self.usable_radius_deg = plate.usable_radius
        radius_mm = np.inf
        if np.isfinite(plate.usable_radius) and plate.usable_radius < 90.0:
            radius_mm = np.tan(np.radians(plate.usable_radius)) / np.radians(plate.scale * ARCSEC)
        half_x, half_y = self.half
        lines, arcs = [], []
        if radius_mm > half_x:
            end = min(half_y, np.sqrt(radius_mm**2 - half_x**2))
            lines += [(sign * half_x, -end, sign * half_x, end) for sign in (-1.0, 1.0)]
        if radius_mm > half_y:
            end = min(half_x, np.sqrt(radius_mm**2 - half_y**2))
            lines += [(-end, sign * half_y, end, sign * half_y) for sign in (-1.0, 1.0)]
        if radius_mm < np.hypot(half_x, half_y):
            first = np.arccos(min(half_x / radius_mm, 1.0))
            last = np.arcsin(min(half_y / radius_mm, 1.0))
            for low, high in ((first, last), (np.pi - last, np.pi - first)):
                arcs += [(radius_mm, low, radius_mm, high), (radius_mm, -low, radius_mm, -high)]
        self.pieces = np.array(lines + arcs)
        self.is_arc = np.arange(len(self.pieces)) >= len(lines)
        self.coarse = self._sky(np.broadcast_to(np.linspace(0.0, 1.0, SAMPLES), self._shape))

    @property
    def _shape(self) -> tuple[int, int]:
        return len(self.pieces), SAMPLES

    def _sky(self, s: Floats) -> Floats:
        """Unit vectors of points of the pieces, shape (pieces, samples, 3)."""
        a, b, c, d = (self.pieces[:, i : i + 1] for i in range(4))
        first, second = a + (c - a) * s, b + (d - b) * s
        x = np.where(self.is_arc[:, None], first * np.cos(second), first)
        y = np.where(self.is_arc[:, None], first * np.sin(second), second)
        ra, dec = self.wcs.wcs_pix2world(x.ravel(), y.ravel(), 1)
        return vectors_of(ra, dec).reshape(*s.shape, 3)

    def holds(self, ra_deg: float, dec_deg: float) -> bool:
        """Whether a place is on the plate."""
        vector = vectors_of(ra_deg, dec_deg)
        cosine = vector @ self.centre
        angle = np.degrees(np.arctan2(np.linalg.norm(np.cross(vector, self.centre)), cosine))
        if not cosine > 0.0 or angle > self.usable_radius_deg:
            return False
        xy = self.wcs.wcs_world2pix([[ra_deg, dec_deg]], 1)[0]
        return bool((np.abs(xy) <= self.half).all())

    def edge_distance_deg(self, ra_deg: float, dec_deg: float) -> float:
        """Distance to the boundary, positive inside."""
        vector = vectors_of(ra_deg, dec_deg)
        sky, low, step = self.coarse, np.zeros(len(self.pieces)), 1.0 / (SAMPLES - 1)
        for left in range(ROUNDS, -1, -1):
            nearest = np.argmax(sky @ vector, axis=1)
            if left:
                low = np.clip(low + (nearest - 1) * step, 0.0, 1.0 - 2.0 * step)
                step *= 2.0 / (SAMPLES - 1)
                sky = self._sky(low[:, None] + step * np.arange(SAMPLES))
        points = np.take_along_axis(sky, nearest[:, None, None], axis=1)[:, 0]
        chord = np.linalg.norm(points - vector, axis=1).min()
        distance = float(np.degrees(2.0 * np.arcsin(min(chord / 2.0, 1.0))))
        return distance if self.holds(ra_deg, dec_deg) else -distance


@dataclass(frozen=True)
class Verdict:
    """What should be found: `match` and `sure` by plate, where they are not too near to call."""

    match: NDArray[np.bool_]
    sure: NDArray[np.bool_]
    match_decided: NDArray[np.bool_]
    sure_decided: NDArray[np.bool_]


class WcsJudge:
    """The judge for the plates of an archive, `margin` being as the plate says."""

    def __init__(self, plates: list[Plate], never_sure: NDArray[np.bool_]) -> None:
        self.plates = plates
        self.trusted = ~never_sure
        self.centres = vectors_of([p.ra for p in plates], [p.dec for p in plates])
        self.margin = np.array([plate.margin for plate in plates])
        reach_mm = np.array([np.hypot(p.width, p.height) / 2 for p in plates])
        scale = np.radians([p.scale * ARCSEC for p in plates])
        self.half_diagonal_deg = np.degrees(np.arctan(reach_mm * scale))
        self._layouts: dict[int, list[JudgedLayout]] = {}

    def edge_distances_deg(self, number: int, ra: float, dec: float) -> list[float]:
        """Edge distances of each layout of a plate."""
        if number not in self._layouts:
            layouts = self.plates[number].layouts()
            self._layouts[number] = [JudgedLayout(layout) for layout in layouts]
        return [layout.edge_distance_deg(ra, dec) for layout in self._layouts[number]]

    def verdict(self, ra: float, dec: float, radius_deg: float) -> Verdict:
        """Which plates a circle meets, and which of them surely.

        Far plates are no match, and those with their centre well within the circle are sure;
        the projection decides the others.
        """
        vector = vectors_of(ra, dec)
        chord = np.linalg.norm(self.centres - vector, axis=1)
        separation = np.degrees(2.0 * np.arcsin(np.minimum(chord / 2.0, 1.0)))
        sure = separation < radius_deg - self.margin - TOO_NEAR_DEG
        match = sure.copy()
        match_decided, sure_decided = np.ones((2, len(self.plates)), dtype=bool)
        near = separation < radius_deg + self.half_diagonal_deg + self.margin + TOO_NEAR_DEG
        for number in np.flatnonzero(near & ~sure):
            distances = self.edge_distances_deg(int(number), ra, dec)
            over_match = max(distances) + radius_deg + self.margin[number]
            over_sure = min(distances) + radius_deg - self.margin[number]
            match[number], sure[number] = over_match >= 0.0, over_sure >= 0.0
            match_decided[number] = abs(over_match) > TOO_NEAR_DEG
            sure_decided[number] = abs(over_sure) > TOO_NEAR_DEG
        return Verdict(match, sure & self.trusted, match_decided, sure_decided | ~self.trusted)
