"""What witnesses say of footprints against the exact test of all of them."""

from itertools import islice

import numpy as np
import pytest
from tests.awkward_sky import AWKWARD_PLATES, mixed_plates, records_of, vectors_of
from tests.questions import regions

from platecover.coverage.region_arcs import boundary_distances_rad, points_on_arcs
from platecover.coverage.region_overlap import overlap
from platecover.coverage.region_witnesses import (
    NOT_REACHED,
    SURELY_SHOWN,
    UNDECIDED,
    along_boundary,
    of_places,
)
from platecover.coverage.regions import AllSky, ArcRegion, Region

PLATES = [*AWKWARD_PLATES, *mixed_plates(150, seed=61)]
RECORDS = records_of(PLATES)
RECORDS["never_sure"] = np.arange(len(PLATES)) % 7 == 0
EVERY = np.arange(len(RECORDS))
ARC_REGIONS = [
    region
    for region in [
        *islice(regions(1890, PLATES), 150),
        *(Region.constellation(name) for name in ("Ser", "UMi", "Oct", "Cru", "Hya")),
        Region.range(0.0, 360.0, -90.0, 90.0),
        Region.range(10.0, 10.0, 5.0, 5.0),
        Region.range(0.0, 360.0, 80.0, 90.0),
    ]
    if isinstance(region, ArcRegion) and not isinstance(region, AllSky)
]


def test_what_they_say_is_so() -> None:
    counts = np.zeros(3, dtype=int)
    for region in ARC_REGIONS:
        said = along_boundary(region.arcs).ask(RECORDS, EVERY)
        match, sure = overlap(region, RECORDS)
        assert sure[said == SURELY_SHOWN].all(), region
        beyond = said == NOT_REACHED
        inside = region.contains(RECORDS["centre"])
        assert np.array_equal(match[beyond], inside[beyond]), region
        counts += np.bincount(said, minlength=3)
    assert counts[SURELY_SHOWN] > 300 and counts[NOT_REACHED] > 1000
    assert counts[UNDECIDED] < 0.1 * counts.sum()  # or they are of little use


@pytest.mark.parametrize("text", ["1/0-47", "3/5 7-20 300", "5/100-140"])
def test_places_of_a_moc_make_footprints_sure(text: str) -> None:
    region = Region.moc(text)
    rng = np.random.default_rng(7)
    vectors = rng.normal(size=(100_000, 3))
    vectors /= np.linalg.norm(vectors, axis=1, keepdims=True)
    held = vectors[region.contains(vectors)]
    said = of_places(held).ask(RECORDS, EVERY)
    _, sure = overlap(region, RECORDS)
    assert sure[said == SURELY_SHOWN].all()
    assert not (said == NOT_REACHED).any()  # they follow no boundary
    assert (said == SURELY_SHOWN).any()


def test_without_places_nothing_is_decided() -> None:
    assert (of_places(np.empty((0, 3))).ask(RECORDS, EVERY) == UNDECIDED).all()


def test_no_place_of_a_boundary_is_farther_from_a_witness_than_told() -> None:
    shares = np.linspace(0.0, 1.0, 301)
    for region in ARC_REGIONS:
        witnesses = along_boundary(region.arcs)
        for piece, places in enumerate(points_on_arcs(region.arcs, shares)):
            some = witnesses.points[witnesses.first[piece] : witnesses.first[piece + 1]]
            chord = np.linalg.norm(places[:, None] - some[None], axis=2).min(axis=1)
            assert (2 * np.arcsin(chord / 2) <= witnesses.apart_rad + 1e-12).all(), region
            reach = np.linalg.norm(places - witnesses.middles[piece], axis=1)
            far = 2 * np.arcsin(np.minimum(reach / 2, 1.0))
            assert (far <= witnesses.radii_rad[piece] + 1e-7).all(), region


def test_witnesses_are_on_the_boundary() -> None:
    region = Region.constellation("Ori")
    points = along_boundary(region.arcs).points
    assert boundary_distances_rad(region.arcs, points).max() < 1e-12
    assert not region.contains(vectors_of(200.0, 60.0)[None]).any()
