"""Cell centres and reach against healpy and published HEALPix figures."""

import healpy
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from platecover.coverage.directions import unit_vectors
from platecover.coverage.healpix_cells import (
    BASE_CELLS,
    BOUNDING_RADIUS_RAD,
    STACK,
    WHOLE_SKY_DEG2,
    cell_centres,
    cell_direction,
    cells_of_directions,
    centre_in_base,
    push_base_cells,
    push_children,
)
from platecover.coverage.value_checks import HIGHEST_ORDER

ROUNDING = 2e-15  # of a longitude of up to 2 pi, in double precision


def directions_by_us(order: int, cells: np.ndarray) -> np.ndarray:
    """`cell_direction` of many cells, one after the other."""
    return np.array([cell_direction(order, int(cell)) for cell in cells])


@pytest.mark.parametrize("order", [0, 1, 2, 3, 4])
def test_every_centre_of_the_coarse_orders_is_healpys(order: int) -> None:
    cells = np.arange(BASE_CELLS * 4**order)
    expected = np.stack(healpy.pix2vec(1 << order, cells, nest=True), axis=-1)
    assert_allclose(directions_by_us(order, cells), expected, rtol=0, atol=ROUNDING)
    assert_allclose(cell_centres(order, cells), expected, rtol=0, atol=ROUNDING)


@given(order=st.integers(0, HIGHEST_ORDER), share=st.floats(0.0, 1.0, exclude_max=True))
def test_any_centre_is_healpys(order: int, share: float) -> None:
    cell = int(share * BASE_CELLS * 4**order)
    expected = healpy.pix2vec(1 << order, cell, nest=True)
    assert_allclose(cell_direction(order, cell), expected, rtol=0, atol=ROUNDING)


@pytest.mark.parametrize("order", [9, 20, HIGHEST_ORDER])
def test_polar_and_face_corner_centres_are_healpys(order: int) -> None:
    # First and last cell of each base cell: among them the eight that meet at the poles.
    size = 4**order
    cells = np.concatenate([np.arange(BASE_CELLS) * size, np.arange(1, BASE_CELLS + 1) * size - 1])
    expected = np.stack(healpy.pix2vec(1 << order, cells, nest=True), axis=-1)
    ours = directions_by_us(order, cells)
    assert_allclose(ours, expected, rtol=0, atol=ROUNDING)
    # near the poles x and y are tiny: relative to their own size too
    polar = np.abs(expected[:, 2]) > 0.99
    assert polar.sum() == 8
    assert_allclose(ours[polar, :2], expected[polar, :2], rtol=1e-6)


@pytest.mark.parametrize("order", [0, 1, 3])
def test_a_stack_walks_down_to_every_cell_in_nested_order(order: int) -> None:
    stack = np.full((STACK, 4), -1, dtype=np.int64)
    waiting, walked, centres = push_base_cells(stack), [], []
    while waiting > 0:
        waiting -= 1
        at, cell, column, row = stack[waiting].tolist()
        if at < order:
            waiting = push_children(stack, waiting, at, cell, column, row)
            continue
        walked.append(cell)
        centres.append(centre_in_base(order, cell >> (2 * order), column, row))
    assert walked == list(range(BASE_CELLS * 4**order))
    expected = np.stack(healpy.pix2vec(1 << order, np.array(walked), nest=True), axis=-1)
    assert_allclose(np.array(centres), expected, rtol=0, atol=ROUNDING)


def test_a_stack_is_large_enough_for_the_finest_order() -> None:
    stack = np.full((STACK, 4), -1, dtype=np.int64)
    waiting = push_base_cells(stack)
    for order in range(HIGHEST_ORDER):
        waiting = push_children(stack, waiting - 1, order, *stack[waiting - 1, 1:].tolist())
    assert waiting == STACK
    assert stack[waiting - 1, 0] == HIGHEST_ORDER


def test_bounding_radius_is_that_of_healpy_where_published_figures_are_known() -> None:
    # healpy max_pixrad 1.20: orders 6, 9, 10.
    expected_deg = [0.954148, 0.119579, 0.0598008]
    assert_allclose(np.degrees(BOUNDING_RADIUS_RAD[[6, 9, 10]]), expected_deg, rtol=1e-5)
    # Hand: the base cells about a pole reach from z = 2/3 to z = 1.
    assert_allclose(BOUNDING_RADIUS_RAD[0], np.arccos(2.0 / 3.0), rtol=1e-14)
    assert len(BOUNDING_RADIUS_RAD) == HIGHEST_ORDER + 1
    assert (np.diff(BOUNDING_RADIUS_RAD) < 0.0).all()


@pytest.mark.parametrize("order", [0, 1, 2, 3, 4, 5, 6])
def test_no_cell_reaches_beyond_the_bounding_radius(order: int) -> None:
    # Every cell's boundary by healpy, 16 points a side.
    cells = np.arange(BASE_CELLS * 4**order)
    boundary = healpy.boundaries(1 << order, cells, step=16, nest=True)
    chord = np.linalg.norm(boundary - cell_centres(order, cells)[:, :, None], axis=1)
    assert 2.0 * np.arcsin(chord.max() / 2.0) <= BOUNDING_RADIUS_RAD[order] + 1e-14


@pytest.mark.parametrize("order", [9, 13, 18, 24, HIGHEST_ORDER])
def test_cells_of_fine_orders_stay_in_the_bounding_radius(order: int) -> None:
    rng = np.random.default_rng(order)
    size = 4**order
    cells = np.concatenate(
        [
            rng.integers(0, BASE_CELLS * size, 2000),
            np.arange(BASE_CELLS) * size,
            np.arange(1, BASE_CELLS + 1) * size - 1,
        ]
    )
    boundary = healpy.boundaries(1 << order, cells, step=4, nest=True)
    chord = np.linalg.norm(boundary - cell_centres(order, cells)[:, :, None], axis=1)
    assert chord.max() <= BOUNDING_RADIUS_RAD[order] + 1e-15


# Cells at order 9 and 10 computed alike by healpy 1.20, hpgeom 1.6, cdshealpix 0.9,
# astropy-healpix 2.0 and by hand from Gorski et al. 2005, ApJ 622, 759.
@pytest.mark.parametrize(
    ("ra_deg", "dec_deg", "at_order_9", "at_order_10"),
    [
        (83.82208, -5.39111, 1372138, 5488553),
        (10.68458, 41.26917, 173380, 693522),
        (266.41683, -29.00781, 1845129, 7380516),
        (279.23473, 38.78369, 954011, 3816046),
        (56.75, 24.1167, 29661, 118645),
        (80.8942, -69.7561, 2118204, 8472816),
        (37.95456, 89.26411, 262117, 1048470),
    ],
)
def test_cells_on_which_five_libraries_agree(
    ra_deg: float, dec_deg: float, at_order_9: int, at_order_10: int
) -> None:
    vector = unit_vectors([ra_deg], [dec_deg])
    assert_array_equal(cells_of_directions(9, vector), [at_order_9])
    assert_array_equal(cells_of_directions(10, vector), [at_order_10])
    # And the centre of a cell lies in it, nearer than the bounding radius.
    centre = np.array(cell_direction(9, at_order_9))
    assert_array_equal(cells_of_directions(9, centre[None, :]), [at_order_9])
    assert np.arccos(centre @ vector[0]) <= BOUNDING_RADIUS_RAD[9]


def test_cells_either_side_of_ra_0h() -> None:
    # The same libraries: (359.9999, +0.0001) and (0.0001, -0.0001) at order 9.
    cells = cells_of_directions(9, unit_vectors([359.9999, 0.0001], [0.0001, -0.0001]))
    assert_array_equal(cells, [1245184, 1114111])
    assert cells.dtype == np.int64


def test_whole_sky() -> None:
    # 4 pi sr = 41252.96125 deg2; a cell of order 9 is 0.0131140 deg2 (Gorski et al. 2005, Table 1).
    assert_allclose(WHOLE_SKY_DEG2, 41252.96125, rtol=1e-9)
    assert_allclose(WHOLE_SKY_DEG2 / (BASE_CELLS * 4**9), 0.0131140, rtol=1e-5)


def test_no_directions_are_in_no_cells() -> None:
    assert cells_of_directions(5, np.empty((0, 3))).shape == (0,)
    assert cell_centres(5, np.empty(0, np.int64)).shape == (0, 3)
