"""Palette PNGs: colours as they are while they fit, else the nearest."""

import io

import numpy as np
import pytest
from PIL import Image

from platecover.coverage.png_palette import write_png


def read_back(picture: np.ndarray, palette: np.ndarray) -> np.ndarray:
    out = io.BytesIO()
    write_png(picture, palette, out)
    image = Image.open(out)
    assert image.mode == "P"
    return np.asarray(image.convert("RGB")).astype(int)


def opaque(colours: np.ndarray) -> np.ndarray:
    """Colours of shape (height, width, 3) with an alpha."""
    return np.dstack([colours, np.full(colours.shape[:2], 255)]).astype(np.uint8)


@pytest.mark.parametrize("n_first", [0, 1, 56, 255])
def test_colours_that_fit_stay_as_they_are(n_first: int) -> None:
    rng = np.random.default_rng(n_first)
    few = rng.integers(0, 256, (256, 3))
    picture = few[rng.integers(0, 256, (40, 60))]
    assert (read_back(opaque(picture), few[:n_first].astype(np.uint8)) == picture).all()


def test_more_colours_become_the_nearest_of_those_kept() -> None:
    rng = np.random.default_rng(5)
    picture = rng.integers(0, 256, (50, 50, 3))
    first = rng.integers(0, 256, (100, 3))
    found = read_back(opaque(picture), first.astype(np.uint8)).reshape(-1, 3)
    flat = picture.reshape(-1, 3)
    kept = np.concatenate([first, flat[:156]])  # no two colours of this picture are the same
    off = ((flat[:, None] - kept) ** 2).sum(axis=2)
    assert (((found - flat) ** 2).sum(axis=1) == off.min(axis=1)).all()
