"""Directions on the sky as unit vectors, and back."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

FULL_CIRCLE_DEG = 360.0


def unit_vectors(ra_deg: ArrayLike, dec_deg: ArrayLike) -> NDArray[np.float64]:
    """Unit vectors of directions.

    Parameters
    ----------
    ra_deg, dec_deg : array_like of float
        Directions in degrees; any shapes that broadcast.

    Returns
    -------
    float64, shape (..., 3)
        x towards RA 0h, y towards RA 6h on the equator, z towards the north pole.
    """
    ra, dec = np.broadcast_arrays(np.radians(ra_deg), np.radians(dec_deg))
    vectors = np.empty((*ra.shape, 3))
    vectors[..., 0] = np.cos(dec) * np.cos(ra)
    vectors[..., 1] = np.cos(dec) * np.sin(ra)
    vectors[..., 2] = np.sin(dec)
    return vectors


def ra_dec_deg(vectors: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Right ascension in [0, 360) and declination, in degrees, of vectors of shape (..., 3)."""
    x, y, z = vectors[..., 0], vectors[..., 1], vectors[..., 2]
    ra = np.degrees(np.arctan2(y, x)) % FULL_CIRCLE_DEG
    ra = np.where(ra == FULL_CIRCLE_DEG, 0.0, ra)  # -1e-17 % 360 is 360 in floating point
    return ra, np.degrees(np.arctan2(z, np.hypot(x, y)))


def east_and_north(
    ra_deg: ArrayLike, dec_deg: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Unit vectors to the east and to the north at directions, each of shape (..., 3).

    At a pole they follow the RA given, so a direction of Dec 90 and RA a has its north
    towards RA a + 180.
    """
    ra, dec = np.broadcast_arrays(np.radians(ra_deg), np.radians(dec_deg))
    zero = np.zeros_like(ra)
    east = np.stack([-np.sin(ra), np.cos(ra), zero], axis=-1)
    north = np.stack([-np.sin(dec) * np.cos(ra), -np.sin(dec) * np.sin(ra), np.cos(dec)], axis=-1)
    return east, north


def separation_deg(first: NDArray[np.float64], second: NDArray[np.float64]) -> NDArray[np.float64]:
    """Angle in degrees between unit vectors of shape (..., 3); exact for tiny and wide angles."""
    cross = np.linalg.norm(np.cross(first, second), axis=-1)
    return np.asarray(np.degrees(np.arctan2(cross, np.sum(first * second, axis=-1))))
