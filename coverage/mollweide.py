"""The equal-area projection of Mollweide, of the sky as one sees it.

RA 0h stands in the middle and grows to the left. Calabretta & Greisen 2002, A&A 395, 1077,
section 5.3.3 (MOL), for the unit sphere.
"""

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

HALF_WIDTH, HALF_HEIGHT = 2.0 * math.sqrt(2.0), math.sqrt(2.0)  # of the ellipse, unit sphere
_NEWTON_STEPS = 60
_CLOSE = 1e-12


def mollweide_xy(
    ra_deg: ArrayLike, dec_deg: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Project positions; x from -2 sqrt 2 to 2 sqrt 2, y from -sqrt 2 to sqrt 2.

    Parameters
    ----------
    ra_deg, dec_deg : array_like of float
        Degrees, shapes that broadcast. RA 180 goes to the left edge.
    """
    ra, dec = np.broadcast_arrays(np.asarray(ra_deg, np.float64), np.asarray(dec_deg, np.float64))
    longitude = np.radians((ra + 180.0) % 360.0 - 180.0)
    longitude = np.where(longitude == -np.pi, np.pi, longitude)
    latitude = np.radians(dec)
    aim = np.pi * np.sin(latitude)
    theta = 2.0 * np.arcsin(np.clip(2.0 * latitude / np.pi, -1.0, 1.0))
    for _ in range(_NEWTON_STEPS):  # theta + sin theta = pi sin(dec), theta twice the angle drawn
        slope = 1.0 + np.cos(theta)
        step = np.where(slope > _CLOSE, theta + np.sin(theta) - aim, 0.0) / np.maximum(
            slope, _CLOSE
        )
        theta = np.clip(theta - step, -np.pi, np.pi)
    x = -HALF_WIDTH / np.pi * longitude * np.cos(theta / 2.0)
    return x, HALF_HEIGHT * np.sin(theta / 2.0)


def mollweide_ra_dec(x: ArrayLike, y: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Positions in degrees of projected points; NaN outside the ellipse."""
    x, y = np.broadcast_arrays(np.asarray(x, np.float64), np.asarray(y, np.float64))
    inside = (x / HALF_WIDTH) ** 2 + (y / HALF_HEIGHT) ** 2 < 1.0
    half_theta = np.arcsin(np.where(inside, y / HALF_HEIGHT, 0.0))
    longitude = -np.pi * x / (HALF_WIDTH * np.cos(half_theta))
    latitude = np.arcsin((2.0 * half_theta + np.sin(2.0 * half_theta)) / np.pi)
    ra = np.where(inside, np.degrees(longitude) % 360.0, np.nan)
    return ra, np.where(inside, np.degrees(latitude), np.nan)
