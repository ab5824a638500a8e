"""Places of cells against the exact edge distance, on the awkward sky."""

import numpy as np
import pytest
from numpy.testing import assert_array_equal
from numpy.typing import NDArray
from tests.awkward_sky import AWKWARD_PLATES, Plate, directions_about, mixed_plates, records_of

from platecover.coverage.cell_place import (
    CENTRE_IN,
    CENTRE_OUT,
    FAR,
    WHOLE,
    fill_reaches,
    outlines_of,
    places,
)
from platecover.coverage.directions import unit_vectors
from platecover.coverage.edge_distance import edge_distance_deg

ANY_PLATES = [*AWKWARD_PLATES, *mixed_plates(60, seed=5)]
# From milliarcseconds to beyond a quarter and a half of a turn.
REACHES_RAD = [1e-9, 1e-5, 2e-3, 0.02, 0.1, 0.3, 0.84, 1.5, 1.58, 2.5, 3.2]
ROUNDING_RAD = 1e-13  # some steps of double precision on the unit sphere


def exact_places(distance: NDArray[np.float64], reach: float) -> NDArray[np.int64]:
    """Places by edge distances, as the module defines them."""
    return np.select(
        [distance < -reach, distance < 0.0, distance < reach], [FAR, CENTRE_OUT, CENTRE_IN], WHOLE
    )


def our_places(plate: Plate, vectors: NDArray[np.float64], reach: float) -> NDArray[np.int64]:
    """Larger and smaller places of directions, shape (2, n)."""
    reaches = np.empty((1, 2))
    fill_reaches(np.array([reach]), 0.0, 0, reaches)
    outline = outlines_of(records_of([plate]))[0]
    return np.array([places(outline, *vector, *reaches[0]) for vector in vectors]).T


def beside_a_threshold(distance: NDArray[np.float64], reach: float) -> NDArray[np.bool_]:
    """Where rounding may decide either way."""
    off = np.minimum(np.abs(distance), np.abs(np.abs(distance) - reach))
    return np.asarray(off < ROUNDING_RAD)


@pytest.mark.parametrize("plate", ANY_PLATES, ids=lambda plate: plate.name)
def test_places_are_those_of_the_exact_edge_distance(plate: Plate) -> None:
    ra, dec = directions_about(plate, 40, seed=8)
    vectors = unit_vectors(ra, dec)
    exact = edge_distance_deg(np.repeat(records_of([plate]), len(ra)), ra, dec)
    larger, smaller = np.radians(exact)
    for reach in REACHES_RAD:
        ours = our_places(plate, vectors, reach)
        for distance, place in ((larger, ours[0]), (smaller, ours[1])):
            clear = ~beside_a_threshold(distance, reach)
            assert clear.mean() > 0.9
            assert_array_equal(place[clear], exact_places(distance[clear], reach))


def test_places_about_a_cut_speck_are_exact_too() -> None:
    # Ten arcsec by eight, its corners cut; reaches of an order 18 cell and less.
    plate = Plate("speck", 200.0, 89.9, 10.0, 8.0, 1.0, 40.0, usable_radius=5.5 / 3600.0)
    ra, dec = directions_about(plate, 300, seed=9)
    distance = np.radians(edge_distance_deg(np.repeat(records_of([plate]), len(ra)), ra, dec)[0])
    for reach in (1e-8, 1e-6, 1e-5):
        clear = ~beside_a_threshold(distance, reach)
        ours = our_places(plate, unit_vectors(ra, dec), reach)[0]
        expected = exact_places(distance, reach)
        assert_array_equal(ours[clear], expected[clear])
        assert len(np.unique(expected)) == 4


def test_margins_widen_the_reach() -> None:
    reaches = np.full((4, 2), np.nan)
    fill_reaches(np.array([0.8, 0.4, 0.2, 0.1]), 0.1, 2, reaches)
    np.testing.assert_allclose(reaches[:3, 0], np.sin([0.9, 0.5, 0.3]), rtol=1e-15)
    # Chord of an angle a: 2 sin(a / 2); its square is 2 - 2 cos(a).
    np.testing.assert_allclose(reaches[:3, 1], 2 - 2 * np.cos([0.9, 0.5, 0.3]), rtol=1e-14)
    assert np.isnan(reaches[3]).all()
