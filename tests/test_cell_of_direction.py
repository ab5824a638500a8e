"""Cells of directions against healpy's."""

import healpy
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.awkward_sky import Floats, vectors_of

from platecover.coverage.cell_of_direction import cell_of_direction
from platecover.coverage.healpix_cells import cell_direction
from platecover.coverage.value_checks import HIGHEST_ORDER

ORDERS = [0, 1, 2, 7, 13, 20, HIGHEST_ORDER]
ROUNDING = 4e-15  # of a coordinate, in which a border may lie on either side


def cells_about(order: int, vector: Floats) -> set[int]:
    """Cells that healpy finds for a direction and for those that differ by rounding."""
    steps = np.array([-ROUNDING, 0.0, ROUNDING])
    nudged = vector + np.stack(np.meshgrid(steps, steps, steps), axis=-1).reshape(-1, 3)
    return set(healpy.vec2pix(1 << order, *nudged.T, nest=True).tolist())


def awkward_directions(order: int) -> Floats:
    """Poles, RA 0h, quadrants, the caps' edges, and corners and centres of cells."""
    ra, dec = np.meshgrid(
        [0.0, 1e-14, 45.0, 90.0, 180.0, 270.0, 359.9999999, 360.0, -1e-15],
        [-90.0, -89.9999999, -41.810314895778596, -10.0, 0.0, 1e-14, 30.0, 41.810314895778596,
         41.8103148, 85.0, 89.9999999, 90.0],
    )  # fmt: skip
    cells = np.random.default_rng(order).integers(0, 12 * 4**order, 40)
    corners = np.moveaxis(healpy.boundaries(1 << order, cells, nest=True), 1, 2).reshape(-1, 3)
    centres = np.stack(healpy.pix2vec(1 << order, cells, nest=True), axis=-1)
    return np.concatenate([vectors_of(ra.ravel(), dec.ravel()), corners, centres])


@pytest.mark.parametrize("order", ORDERS)
def test_awkward_directions(order: int) -> None:
    for vector in awkward_directions(order):
        assert cell_of_direction(order, *vector) in cells_about(order, vector), vector


@pytest.mark.parametrize("order", ORDERS[:-2])
def test_directions_all_over_the_sky(order: int) -> None:
    rng = np.random.default_rng(order + 100)
    vectors = rng.normal(size=(5000, 3))
    vectors /= np.linalg.norm(vectors, axis=1, keepdims=True)
    vectors[:1000, 0] *= 1e-4  # near meridians 90 and 270, then near the poles
    vectors[1000:2000, :2] *= 1e-5
    vectors /= np.linalg.norm(vectors, axis=1, keepdims=True)
    expected = healpy.vec2pix(1 << order, *vectors.T, nest=True)
    found = [cell_of_direction(order, *vector) for vector in vectors]
    assert found == expected.tolist()


@settings(max_examples=300, deadline=None)
@given(st.floats(0.0, 360.0), st.floats(-90.0, 90.0), st.integers(0, HIGHEST_ORDER))
def test_any_direction(ra: float, dec: float, order: int) -> None:
    vector = vectors_of(ra, dec)
    assert cell_of_direction(order, *vector) in cells_about(order, vector)


@pytest.mark.parametrize("order", [0, 1, 2, 5])
def test_it_undoes_cell_direction(order: int) -> None:
    for cell in range(12 * 4**order):
        assert cell_of_direction(order, *cell_direction(order, cell)) == cell
