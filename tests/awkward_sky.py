"""The awkward sky: plates, and directions about them, on which geometry goes wrong first.

One list for every test. Plates are invented; a test computes what it expects of them by other
means.
"""

from dataclasses import dataclass, replace

import numpy as np
from astropy.wcs import WCS
from numpy.typing import ArrayLike, NDArray

from platecover.coverage.plate_geometry import Records, geometry_records

Floats = NDArray[np.float64]

ARCSEC = 1.0 / 3600.0  # degrees
WIDE_SCALE = 600.0  # arcsec/mm; f = 344 mm


@dataclass(frozen=True)
class Plate:
    """A plate as a log gives it; lengths in mm, angles in degrees, scale in arcsec/mm."""

    name: str
    ra: float
    dec: float
    width: float
    height: float
    scale: float
    angle: float = 0.0
    usable_radius: float = np.nan
    margin: float = 0.0
    orientation_known: bool = True

    def layouts(self) -> "list[Plate]":
        """Itself, and if its orientation is unknown the plate with its sides swapped too."""
        first = replace(self, orientation_known=True)
        if self.orientation_known:
            return [first]
        return [first, replace(first, width=self.height, height=self.width)]


AWKWARD_PLATES = [
    Plate("one degree, equator", 150.0, 0.0, 60.0, 60.0, 60.0, margin=0.01),
    Plate("across RA 0h", 0.25, -15.0, 160.0, 160.0, 60.0, margin=0.02),
    Plate("across RA 0h, turned, wide", 359.9, 33.0, 254.0, 203.2, 100.0, 37.0, margin=0.1),
    Plate("centre exactly on the north pole", 0.0, 90.0, 355.6, 300.0, 67.14, margin=0.05),
    Plate("centre exactly on the south pole", 77.0, -90.0, 160.0, 130.0, 60.0, 20.0, margin=0.01),
    Plate("north pole inside, off centre", 120.0, 88.0, 355.6, 355.6, 67.14, margin=0.02),
    Plate("south pole inside, off centre, turned", 200.0, -87.5, 400.0, 240.0, 86.0, 301.0),
    Plate("north pole just outside", 45.0, 88.5, 160.0, 160.0, 60.0, margin=0.3),
    Plate("40 by 40 degrees", 83.0, 10.0, 240.0, 240.0, WIDE_SCALE, margin=0.1),
    Plate("40 by 40 degrees over the south pole", 10.0, -75.0, 240.0, 240.0, WIDE_SCALE, 10.0),
    Plate("long and narrow, turned", 270.0, 61.0, 300.0, 20.0, 200.0, 123.0, margin=0.05),
    Plate("corners cut", 30.0, -40.0, 160.0, 160.0, 120.0, 15.0, 3.2, margin=0.05),
    Plate("two sides cut away", 355.0, 5.0, 254.0, 160.0, 120.0, 60.0, 3.0, margin=0.02),
    Plate("all sides cut, wide", 12.0, 70.0, 254.0, 240.0, WIDE_SCALE, 200.0, 21.0, margin=0.1),
    Plate("circle wholly inside, over the pole", 33.0, 89.0, 160.0, 170.0, 120.0, 5.0, 2.5),
    Plate("circle beyond the corners", 210.0, -20.0, 160.0, 130.0, 60.0, 0.0, 60.0, margin=0.01),
    Plate("sides unknown", 100.0, 45.0, 254.0, 203.2, 100.0, 0.0, orientation_known=False),
    Plate("sides unknown, narrow, pole inside", 10.0, 88.0, 300.0, 100.0, 120.0, 33.0,
          margin=0.1, orientation_known=False),
    Plate("sides unknown, cut", 0.0, -33.0, 215.9, 165.1, 400.0, 70.0, 10.0,
          margin=0.05, orientation_known=False),
    Plate("sides unknown, narrow strip left of a cut", 181.0, 12.0, 300.0, 50.0, 120.0, 0.0, 3.0,
          margin=0.05, orientation_known=False),
]  # fmt: skip


def records_of(plates: list[Plate]) -> Records:
    """Geometry of plates, as the program makes it."""
    columns = [
        [getattr(plate, name) for plate in plates]
        for name in ("ra", "dec", "angle", "width", "height", "scale")
    ]
    return geometry_records(
        *columns,
        usable_radius_deg=[plate.usable_radius for plate in plates],
        margin_deg=[plate.margin for plate in plates],
        orientation_known=[plate.orientation_known for plate in plates],
    )


def mixed_plates(count: int, seed: int) -> list[Plate]:
    """Plates of a mixed archive all over the sky: sides of 1.5 to 42 degrees, some cut."""
    rng = np.random.default_rng(seed)
    plates = []
    for number in range(count):
        width, height = rng.choice([160.0, 203.2, 254.0, 355.6], 2)
        side_deg = float(np.exp(rng.uniform(np.log(1.5), np.log(42.0))))
        scale = side_deg * 3600.0 / max(width, height)
        cut = side_deg * rng.uniform(0.2, 0.8) if rng.random() < 0.3 else np.nan
        plates.append(
            Plate(
                f"mixed {number}",
                float(rng.uniform(0.0, 360.0)),
                float(np.degrees(np.arcsin(rng.uniform(-1.0, 1.0)))),
                float(width),
                float(height),
                scale,
                float(rng.uniform(0.0, 360.0)),
                cut,
                float(rng.choice([0.0, 0.01, 0.1])),
                bool(rng.random() < 0.8),
            )
        )
    return plates


def plate_wcs(plate: Plate) -> WCS:
    """TAN projection of astropy (wcslib) in which pixel coordinates are mm on the plate, +x, +y.

    LONPOLE is stated: its default for CRVAL2 = 90 is 0 (Calabretta & Greisen 2002, A&A 395,
    1077, section 2.2), which would turn a plate on the pole by 180 degrees.
    """
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval = [plate.ra, plate.dec]
    wcs.wcs.crpix = [0.0, 0.0]
    angle = np.radians(plate.angle)
    wcs.wcs.pc = [[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]]
    wcs.wcs.cdelt = [plate.scale * ARCSEC, plate.scale * ARCSEC]
    wcs.wcs.lonpole = 180.0
    wcs.wcs.set()
    return wcs


def sky_of_mm(plate: Plate, x_mm: ArrayLike, y_mm: ArrayLike) -> tuple[Floats, Floats]:
    """RA and Dec in degrees of places on a plate, by astropy."""
    x, y = np.broadcast_arrays(np.asarray(x_mm, dtype=float), np.asarray(y_mm, dtype=float))
    ra, dec = plate_wcs(plate).wcs_pix2world(x.ravel(), y.ravel(), 1)
    return ra.reshape(x.shape), dec.reshape(x.shape)


def vectors_of(ra_deg: ArrayLike, dec_deg: ArrayLike) -> Floats:
    """Unit vectors, written out anew so that the program is not its own judge."""
    ra, dec = np.broadcast_arrays(np.radians(ra_deg), np.radians(dec_deg))
    return np.stack([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)], axis=-1)


def in_layout(plate: Plate, ra_deg: Floats, dec_deg: Floats) -> NDArray[np.bool_]:
    """Whether positions are on a plate as laid out, by astropy's back-projection.

    In front of the tangent point (its antipode projects like it), within both half-sides and
    within the usable circle.
    """
    centre = vectors_of(plate.ra, plate.dec)
    vectors = vectors_of(ra_deg, dec_deg)
    cosine = vectors @ centre
    front = cosine > 1e-6  # no plate of the lists comes near 90 degrees
    inside = np.zeros(front.shape, dtype=bool)
    x, y = plate_wcs(plate).wcs_world2pix(ra_deg[front], dec_deg[front], 1)
    inside[front] = (np.abs(x) <= plate.width / 2) & (np.abs(y) <= plate.height / 2)
    if np.isfinite(plate.usable_radius):
        angle = np.degrees(np.arctan2(np.linalg.norm(np.cross(vectors, centre), axis=-1), cosine))
        inside &= angle <= plate.usable_radius
    return inside


def in_footprint(plate: Plate, ra_deg: Floats, dec_deg: Floats) -> NDArray[np.bool_]:
    """Whether positions are on a plate; of an unknown orientation, in either layout."""
    inside = [in_layout(layout, ra_deg, dec_deg) for layout in plate.layouts()]
    return np.asarray(np.any(inside, axis=0))


def boundary_pieces(plate: Plate) -> list[tuple[str, Floats, Floats]]:
    """Pieces of a layout's boundary: ("side", end, other end) or ("arc", ...), in mm."""
    half_x, half_y = plate.width / 2, plate.height / 2
    radius = np.inf
    if np.isfinite(plate.usable_radius):
        radius = np.tan(np.radians(plate.usable_radius)) / np.radians(plate.scale * ARCSEC)
    pieces = []
    for sign in (-1.0, 1.0):
        if radius > half_x:
            end = min(half_y, float(np.sqrt(radius**2 - half_x**2)))
            pieces.append(("side", np.array([sign * half_x, -end]), np.array([sign * half_x, end])))
        if radius > half_y:
            end = min(half_x, float(np.sqrt(radius**2 - half_y**2)))
            pieces.append(("side", np.array([-end, sign * half_y]), np.array([end, sign * half_y])))
    if radius < np.hypot(half_x, half_y):
        first, last = np.arccos(min(half_x / radius, 1.0)), np.arcsin(min(half_y / radius, 1.0))
        for sign_x in (-1.0, 1.0):
            for sign_y in (-1.0, 1.0):
                signs = np.array([sign_x, sign_y]) * radius
                start, end_of_arc = (
                    np.array([np.cos(turn), np.sin(turn)]) * signs for turn in (first, last)
                )
                pieces.append(("arc", start, end_of_arc))
    return pieces


def on_piece(piece: tuple[str, Floats, Floats], share: Floats) -> tuple[Floats, Floats]:
    """Places in mm at a share, 0 to 1, of the way along a piece of a boundary."""
    kind, start, end = piece
    if kind == "side":
        return start[0] + share * (end[0] - start[0]), start[1] + share * (end[1] - start[1])
    radius = np.hypot(*start)
    first, last = np.arctan2(start[1], start[0]), np.arctan2(end[1], end[0])
    turn = first + share * ((last - first + np.pi) % (2 * np.pi) - np.pi)
    return radius * np.cos(turn), radius * np.sin(turn)


def sampled_distance_deg(plate: Plate, ra_deg: Floats, dec_deg: Floats) -> Floats:
    """Distance in degrees from positions to a layout's boundary, sampled on astropy's TAN.

    Every piece is sampled all along, then ever more densely about its nearest sample; good to
    0.1 arcsec.
    """
    steps, finer = 200, 40
    vectors = vectors_of(ra_deg, dec_deg)
    nearest = np.full(len(vectors), np.inf)
    for piece in boundary_pieces(plate):
        share = np.broadcast_to(np.linspace(0.0, 1.0, steps + 1), (len(vectors), steps + 1))
        width = 1.0 / steps
        for _ in range(4):
            sampled = vectors_of(*sky_of_mm(plate, *on_piece(piece, share)))
            chord = np.linalg.norm(sampled - vectors[:, None, :], axis=-1)
            best = np.take_along_axis(share, np.argmin(chord, axis=1)[:, None], axis=1)
            nearest = np.minimum(nearest, 2 * np.degrees(np.arcsin(chord.min(axis=1) / 2)))
            share = np.clip(best + np.linspace(-width, width, finer + 1), 0.0, 1.0)
            width *= 2.0 / finer
    return nearest


def judged_edge_distance_deg(plate: Plate, ra_deg: Floats, dec_deg: Floats) -> list[Floats]:
    """Signed distance to the boundary of each layout, positive inside; all by astropy."""
    return [
        np.where(in_layout(layout, ra_deg, dec_deg), 1.0, -1.0)
        * sampled_distance_deg(layout, ra_deg, dec_deg)
        for layout in plate.layouts()
    ]


def directions_about(plate: Plate, count: int, seed: int) -> tuple[Floats, Floats]:
    """RA and Dec of directions that matter for a plate.

    All over the sky, about the plate in and out, near its sides and beyond its corners, its
    centre and antipode, and both poles.
    """
    rng = np.random.default_rng(seed)
    far_ra = rng.uniform(0.0, 360.0, count)
    far_dec = np.degrees(np.arcsin(rng.uniform(-1.0, 1.0, count)))
    half_x, half_y = plate.width / 2, plate.height / 2
    near = rng.uniform(-2.0, 2.0, (4 * count, 2))
    on_side = rng.uniform(-1.1, 1.1, (2 * count, 2))
    fixed = rng.integers(0, 2, len(on_side))
    on_side[np.arange(len(on_side)), fixed] = rng.choice([-1.0, 1.0], len(on_side)) * (
        1.0 + rng.normal(0.0, 0.02, len(on_side))
    )
    corners = (
        np.array([[1, 1], [1, -1], [-1, 1], [-1, -1]]) * np.linspace(0.9, 1.3, 5)[:, None, None]
    )
    units = np.concatenate([near, on_side, corners.reshape(-1, 2), [[0.0, 0.0]]])
    ra, dec = sky_of_mm(plate, units[:, 0] * half_x, units[:, 1] * half_y)
    others = [(0.0, 90.0), (0.0, -90.0), ((plate.ra + 180.0) % 360.0, -plate.dec), (0.0, plate.dec)]
    other_ra, other_dec = np.transpose(others)
    return np.concatenate([far_ra, ra, other_ra]), np.concatenate([far_dec, dec, other_dec])
