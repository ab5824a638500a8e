"""Regions of the sky that people ask about: circles, ranges, polygons, constellations, MOCs.

All but MOCs are an inside and a boundary of circle arcs (`region_arcs`), from which it follows
which HEALPix cells lie in them. Cells are int64, NESTED, ICRS throughout.
"""

import math
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable
from functools import cached_property
from pathlib import Path
from typing import ClassVar

import numpy as np
from mocpy import MOC
from numpy.typing import NDArray

from platecover.coverage import constellations
from platecover.coverage.directions import (
    FULL_CIRCLE_DEG,
    ra_dec_deg,
    separation_deg,
    unit_vectors,
)
from platecover.coverage.errors import QueryError
from platecover.coverage.healpix_cells import (
    BOUNDING_RADIUS_RAD,
    WHOLE_SKY_DEG2,
    cell_centres,
    cells_of_directions,
)
from platecover.coverage.plate_geometry import DEG2_PER_SR
from platecover.coverage.region_arcs import (
    Arcs,
    boundary_distances_rad,
    circle_arc,
    no_arcs,
    range_arcs,
    side_arcs,
)
from platecover.coverage.region_cells import (
    INSIDE,
    OUTSIDE,
    PARTLY,
    Cells,
    Cover,
    cover_down_to,
    descendants,
)
from platecover.coverage.region_moc import Moc, is_ascii_moc, joined, parse_ascii_moc, read_moc
from platecover.coverage.region_polygon import SAME_PLACE_RAD, area_sr, inside, sound_corners
from platecover.coverage.region_text import (
    corner_numbers,
    dec_number,
    number,
    ra_number,
    spelled,
    split_region_text,
)
from platecover.coverage.value_checks import HIGHEST_ORDER, integer_between

HALF_CIRCLE_DEG = 180.0

Vectors = NDArray[np.float64]  # unit vectors, ICRS, shape (n, 3)


class Region(ABC):
    """A part of the sky.

    Attributes
    ----------
    kind : str
        ``circle``, ``range``, ``polygon``, ``constellation``, ``moc`` or ``all``.
    text : str
        Canonical spelling; `Region.parse` makes the same region of it.
    area_deg2 : float
        Exact solid angle in square degrees; of a MOC, that of its cells.
    """

    kind: ClassVar[str]
    text: str
    area_deg2: float

    def __repr__(self) -> str:
        """Show the canonical spelling."""
        return f"Region.parse({self.text!r})"

    @staticmethod
    def parse(text: str, *, files: bool = True) -> "Region":
        """Read a region from text.

        Parameters
        ----------
        text : str
            ``circle RA DEC RADIUS``, ``range RA1 RA2 DEC1 DEC2`` (RA1 > RA2 crosses 0h),
            ``polygon RA1 DEC1 RA2 DEC2 ...`` (the smaller side), ``constellation NAME``,
            ``moc FILE`` or ``moc`` and an ASCII MOC, ``all``. Keywords in any case; blanks or
            commas between words; decimal degrees, ICRS.
        files : bool, optional
            False refuses the names of MOC files: for text from strangers.

        Returns
        -------
        Region

        Raises
        ------
        QueryError
            If the text is none of these or a value is out of its range.

        Examples
        --------
        >>> Region.parse("Circle 83.6, 22, 5")
        Region.parse('circle 83.6 22 5')
        >>> Region.parse("constellation canis major").area_deg2.__round__(3)
        380.118
        """
        kind, arguments = split_region_text(text, files=files)
        maker: Callable[..., Region] = getattr(Region, kind)  # one of those below
        return maker(*arguments)

    @staticmethod
    def circle(ra_deg: float, dec_deg: float, radius_deg: float) -> "Circle":
        """Make a circle about a position; radius 0 .. 180 degrees, 0 being the point."""
        return Circle(ra_deg, dec_deg, radius_deg)

    @staticmethod
    def range(ra1_deg: float, ra2_deg: float, dec1_deg: float, dec2_deg: float) -> "Range":
        """Make the region from RA1 eastward to RA2 (over 0h if RA1 > RA2), from DEC1 to DEC2."""
        return Range(ra1_deg, ra2_deg, dec1_deg, dec2_deg)

    @staticmethod
    def polygon(corners_deg: Iterable[tuple[float, float]]) -> "Polygon":
        """Make a polygon of great-circle sides from (RA, Dec) pairs; the smaller side."""
        return Polygon(corners_deg)

    @staticmethod
    def constellation(name: str) -> "Constellation":
        """Make one of the 88 constellations from its IAU abbreviation or Latin name."""
        return Constellation(name)

    @staticmethod
    def moc(source: str | Path | MOC) -> "MocRegion":
        """Make a region of a MOC: ASCII text, a FITS, JSON or ASCII file, or mocpy's object.

        Text that looks like an ASCII MOC is taken as one; a `Path` is always a file.
        """
        if isinstance(source, MOC):
            finest = np.asarray(source.to_depth29_ranges, dtype=np.int64).reshape(-1, 2)
            return MocRegion(Moc(int(source.max_order), joined(finest)))
        if isinstance(source, str) and is_ascii_moc(source):
            return MocRegion(parse_ascii_moc(source.strip()))
        return MocRegion(read_moc(Path(source)))

    @staticmethod
    def all() -> "AllSky":
        """Make the whole sky."""
        return AllSky()

    @abstractmethod
    def contains(self, vectors: Vectors) -> NDArray[np.bool_]:
        """Whether ICRS unit vectors of shape (n, 3) lie in the region: bool, shape (n,)."""

    @abstractmethod
    def cell_status(self, order: int, cells: Cells) -> NDArray[np.int8]:
        """Whether cells lie in the region: OUTSIDE, PARTLY or INSIDE, shape (n,).

        OUTSIDE and INSIDE are certain; PARTLY may be said of a cell merely near the boundary.
        """

    def cover(self, order: int) -> Cover:
        """Cells that hold the region.

        Parameters
        ----------
        order : int
            Of the finest cells, 0 .. 29.

        Returns
        -------
        list of (int, int64 array, bool)
            Order, sorted cells, and whether they lie wholly inside. Those that do are as coarse
            as can be; those that the boundary may cross are all of the finest order.
        """
        order = integer_between("order", order, 0, HIGHEST_ORDER)
        return cover_down_to(order, self.cell_status)

    def cells_with_centre(self, order: int) -> Cells:
        """Sorted cells of one order whose centre is in the region."""
        found = [np.empty(0, dtype=np.int64)]
        for depth, cells, within in self.cover(order):
            kept = cells if within else cells[self._hold_centres(order, cells)]
            found.append(descendants(kept, order - depth))
        return np.sort(np.concatenate(found))

    def _hold_centres(self, order: int, cells: Cells) -> NDArray[np.bool_]:
        return self.contains(cell_centres(order, cells))


class ArcRegion(Region):
    """A region with an inside and a boundary of circle arcs.

    Attributes
    ----------
    arcs : dtype ARC, shape (n_arcs,)
        The boundary; empty for the whole sky.
    """

    arcs: Arcs

    @abstractmethod
    def _inside(self, vectors: Vectors) -> NDArray[np.bool_]:
        """Whether directions are inside; on the boundary itself either answer will do."""

    def contains(self, vectors: Vectors) -> NDArray[np.bool_]:
        """Whether ICRS unit vectors, shape (n, 3), lie in the region or on its boundary."""
        on_boundary = boundary_distances_rad(self.arcs, vectors) <= SAME_PLACE_RAD
        return self._inside(vectors) | on_boundary

    def cell_status(self, order: int, cells: Cells) -> NDArray[np.int8]:
        """OUTSIDE, PARTLY or INSIDE of each cell: PARTLY if its bounding circle is reached."""
        centres = cell_centres(order, cells)
        reach = BOUNDING_RADIUS_RAD[order] + SAME_PLACE_RAD
        clear = boundary_distances_rad(self.arcs, centres) > reach
        status = np.where(self._inside(centres), INSIDE, OUTSIDE)
        return np.where(clear, status, PARTLY).astype(np.int8)


class Circle(ArcRegion):
    """All places within a radius of a position; attributes `ra_deg`, `dec_deg`, `radius_deg`."""

    kind = "circle"

    def __init__(self, ra_deg: object, dec_deg: object, radius_deg: object) -> None:
        self.ra_deg = ra_number("circle RA", ra_deg)
        self.dec_deg = dec_number("circle DEC", dec_deg)
        self.radius_deg = number("circle RADIUS", radius_deg, 0.0, HALF_CIRCLE_DEG)
        self.text = spelled("circle", self.ra_deg, self.dec_deg, self.radius_deg)
        half_radius = math.radians(0.5 * self.radius_deg)
        self.area_deg2 = WHOLE_SKY_DEG2 * math.sin(half_radius) ** 2
        self._centre = unit_vectors(self.ra_deg, self.dec_deg)

    @cached_property
    def arcs(self) -> Arcs:  # type: ignore[override]  # not needed to search by distance
        """The boundary; empty for the whole sky."""
        if self.radius_deg == HALF_CIRCLE_DEG:
            return no_arcs()
        return circle_arc(self._centre, np.radians(self.radius_deg))

    def _inside(self, vectors: Vectors) -> NDArray[np.bool_]:
        return np.asarray(separation_deg(vectors, self._centre) <= self.radius_deg)


class Range(ArcRegion):
    """All places from one RA eastward to another, and from one Dec up to another."""

    kind = "range"

    def __init__(
        self, ra1_deg: object, ra2_deg: object, dec1_deg: object, dec2_deg: object
    ) -> None:
        ra1, ra2 = ra_number("range RA1", ra1_deg), ra_number("range RA2", ra2_deg)
        low, high = dec_number("range DEC1", dec1_deg), dec_number("range DEC2", dec2_deg)
        if low > high:
            message = f"range DEC1 must not be above DEC2, got {low:g} and {high:g}"
            raise QueryError("region", dec1_deg, message)
        self.text = spelled("range", ra1, ra2, low, high)
        self._west_deg, self._low_deg, self._high_deg = ra1, low, high
        self._width_deg = ra2 - ra1 if ra2 >= ra1 else ra2 - ra1 + FULL_CIRCLE_DEG
        middle, half_height = np.radians(0.5 * (low + high)), np.radians(0.5 * (high - low))
        height = 2.0 * np.cos(middle) * np.sin(half_height)  # sin high - sin low
        self.area_deg2 = float(DEG2_PER_SR * np.radians(self._width_deg) * height)
        self.arcs = range_arcs(ra1, self._width_deg, low, high)

    def _inside(self, vectors: Vectors) -> NDArray[np.bool_]:
        ra, dec = ra_dec_deg(vectors)
        eastward = (ra - self._west_deg) % FULL_CIRCLE_DEG <= self._width_deg
        return np.asarray(eastward & (self._low_deg <= dec) & (dec <= self._high_deg))


class Polygon(ArcRegion):
    """The smaller side of great-circle arcs from corner to corner."""

    kind = "polygon"

    def __init__(self, corners_deg: Iterable[tuple[float, float]]) -> None:
        given = corner_numbers(corners_deg)
        self._corners, self._middle = sound_corners(unit_vectors(given[:, 0], given[:, 1]))
        self.text = spelled("polygon", *given[: len(self._corners)].ravel())
        self.area_deg2 = DEG2_PER_SR * area_sr(self._corners, self._middle)
        self.arcs = side_arcs(self._corners)

    def _inside(self, vectors: Vectors) -> NDArray[np.bool_]:
        return inside(self._corners, self._middle, vectors)


class Constellation(ArcRegion):
    """One of the 88 constellations (Roman 1987); attribute `abbreviation`.

    Its boundary is carried rigidly from B1875, without the E-terms of FK4 (0.35 arcsec).
    """

    kind = "constellation"

    def __init__(self, name: str) -> None:
        self.abbreviation = constellations.abbreviation(name)
        self.text = f"constellation {self.abbreviation}"
        self.area_deg2 = DEG2_PER_SR * constellations.area_sr(self.abbreviation)
        self.arcs = constellations.boundary(self.abbreviation)

    def contains(self, vectors: Vectors) -> NDArray[np.bool_]:
        """Whether directions are in the constellation; each is in exactly one of the 88."""
        return self._inside(vectors)

    def _inside(self, vectors: Vectors) -> NDArray[np.bool_]:
        return constellations.contains(self.abbreviation, vectors)


class AllSky(ArcRegion):
    """The whole sky."""

    kind = "all"
    text = "all"
    area_deg2 = WHOLE_SKY_DEG2

    def __init__(self) -> None:
        self.arcs = no_arcs()

    def _inside(self, vectors: Vectors) -> NDArray[np.bool_]:
        return np.ones(len(vectors), dtype=bool)


class MocRegion(Region):
    """The cells of a MOC; attribute `listed`."""

    kind = "moc"

    def __init__(self, moc: Moc) -> None:
        self.listed = moc
        self.text = f"moc {moc.ascii_text()}"
        self.area_deg2 = moc.area_deg2()

    def contains(self, vectors: Vectors) -> NDArray[np.bool_]:
        """Whether ICRS unit vectors, shape (n, 3), lie in the MOC's cells."""
        return self.listed.holds(cells_of_directions(HIGHEST_ORDER, vectors))

    def cell_status(self, order: int, cells: Cells) -> NDArray[np.int8]:
        """OUTSIDE, PARTLY or INSIDE of each cell, exactly."""
        return self.listed.cell_status(order, cells)

    def _hold_centres(self, order: int, cells: Cells) -> NDArray[np.bool_]:
        # A centre is a corner of four finest cells. The one to the north, in which HEALPix
        # itself counts it, is the first of the last quarter.
        levels = HIGHEST_ORDER - order
        return self.listed.holds((cells << (2 * levels)) + (3 << (2 * levels - 2) if levels else 0))
