"""Decisions without distances against the exact test."""

from typing import Any

import numba
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.awkward_sky import (
    AWKWARD_PLATES,
    Floats,
    directions_about,
    mixed_plates,
    records_of,
    vectors_of,
)

from platecover.coverage.edge_decision import (
    MARGINAL,
    NO_MATCH,
    SURE,
    decided,
    decided_by_distance,
)
from platecover.coverage.edge_distance import edge_distance_deg
from platecover.coverage.plate_geometry import Records

PLATES = [*AWKWARD_PLATES, *mixed_plates(60, seed=51)]
RECORDS = records_of(PLATES)
RECORDS["never_sure"] = np.arange(len(PLATES)) % 7 == 0
RADII_DEG = [0.0, 1e-9, 0.02, 0.1, 2.0, 30.0, 89.0, 90.0, 179.0]


@numba.njit  # not kept on disk, where it would outlive a change of what it calls
def _decide_all(records, vectors, radius_rad, fast, exact):  # type: ignore[no-untyped-def]
    for i in range(len(records)):
        for j in range(len(vectors)):
            x, y, z = vectors[j, 0], vectors[j, 1], vectors[j, 2]
            fast[i, j] = decided(records[i], x, y, z, radius_rad)
            exact[i, j] = decided_by_distance(records[i], x, y, z, radius_rad)


def rings_about_the_cut(record: Any) -> Floats:
    """Directions by the circular cut of a plate, a margin or less from it; none if uncut."""
    if not np.isfinite(record["usable_radius_rad"]):
        return np.empty((0, 3))
    margins = np.array([-1.5, -0.5, -0.01, 0.01, 0.5, 1.5])
    radius = (record["usable_radius_rad"] + margins * record["margin_rad"])[:, None, None]
    turn = np.linspace(0.0, 2.0 * np.pi, 25)[:, None]
    outward = np.cos(turn) * record["x_axis"] + np.sin(turn) * record["y_axis"]
    return (np.cos(radius) * record["centre"] + np.sin(radius) * outward).reshape(-1, 3)


@pytest.mark.parametrize("radius_deg", RADII_DEG)
def test_same_as_by_distance(radius_deg: float) -> None:
    counts = np.zeros(3, dtype=int)
    for number, plate in enumerate(PLATES):
        vectors = vectors_of(*directions_about(plate, 40, seed=number))
        vectors = np.concatenate([vectors, rings_about_the_cut(RECORDS[number])])
        one = RECORDS[number : number + 1]
        fast, exact = np.zeros((2, 1, len(vectors)), dtype=np.int64)
        _decide_all(one, vectors, np.radians(radius_deg), fast, exact)
        np.testing.assert_array_equal(fast, exact, plate.name)
        counts += np.bincount(exact.ravel(), minlength=3)
    assert (counts[[NO_MATCH, SURE]] > 100).all() or radius_deg > 100.0
    assert counts[MARGINAL] > 100


def test_by_distance_is_what_the_distances_say() -> None:
    ra, dec = directions_about(PLATES[2], 40, seed=1)
    vectors = vectors_of(ra, dec)
    fast, exact = np.zeros((2, len(RECORDS), len(vectors)), dtype=np.int64)
    _decide_all(RECORDS, vectors, np.radians(0.3), fast, exact)
    margin = np.degrees(RECORDS["margin_rad"])
    for j, (one_ra, one_dec) in enumerate(zip(ra, dec, strict=True)):
        larger, smaller = edge_distance_deg(RECORDS, one_ra, one_dec)
        sure = (smaller >= -0.3 + margin) & (RECORDS["never_sure"] == 0)
        expected = np.where(larger >= -0.3 - margin, np.where(sure, SURE, MARGINAL), NO_MATCH)
        np.testing.assert_array_equal(exact[:, j], expected)


def _one(ra: float, dec: float, half_deg: float, margin_deg: float) -> Records:
    """A square plate of a half-side, north up."""
    plate = PLATES[0].__class__("", ra, dec, 100.0, 100.0, 60.0, margin=margin_deg)
    record = records_of([plate])
    record["tan_half_width"] = record["tan_half_height"] = np.tan(np.radians(half_deg))
    return record


@settings(max_examples=300, deadline=None)
@given(
    ra=st.floats(0.0, 360.0),
    dec=st.floats(-90.0, 90.0),
    half_deg=st.floats(0.01, 40.0),
    margin_deg=st.floats(0.0, 5.0),
    radius_deg=st.one_of(st.just(0.0), st.floats(0.0, 60.0)),
    limit=st.sampled_from([-1.0, 1.0]),
    off=st.sampled_from([0.0, 1e-15, -1e-15, 1e-13, -1e-13, 1e-9, -1e-9]),
)
def test_same_within_rounding_of_a_limit(
    ra: float, dec: float, half_deg: float, margin_deg: float, radius_deg: float, limit: float,
    off: float,
) -> None:  # fmt: skip
    """Where a side is met at right angles, a direction at a known distance from it."""
    record = _one(ra, dec, half_deg, margin_deg)
    angle = np.radians(half_deg + radius_deg + limit * margin_deg) + off
    vector = record["centre"] * np.cos(angle) + record["x_axis"] * np.sin(angle)
    fast, exact = np.zeros((2, 1, 1), dtype=np.int64)
    _decide_all(record, vector, np.radians(radius_deg), fast, exact)
    assert fast == exact
