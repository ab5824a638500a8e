"""What a square degree weighs by depth class and span: against plain loops, and in a plan."""

from collections import Counter
from statistics import median_high

import numpy as np
import pytest
from tests.archives import build_archive

from platecover.coverage.archive import Archive
from platecover.coverage.scan_bins import NOWHERE, spans_of
from platecover.coverage.scan_classes import class_factors, typical_deg2
from platecover.coverage.scan_wishes import Wishes

SERIES: dict[str, dict[str, object]] = {
    "GF": {"scale_arcsec_per_mm": 720.0, "exposed_mm": [200, 150]},  # 40 x 30 degrees: class 0
    "AG": {"scale_arcsec_per_mm": 60.0, "exposed_mm": [120, 120]},  # 2 x 2 degrees: class 2
    "RF": {"scale_arcsec_per_mm": 18.0, "exposed_mm": [100, 100], "usable_radius_deg": 0.2},
}
PER_SERIES = 24


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    rows = [
        {
            "plate": f"{series} {number}",
            "ra": "10.0" if series == "GF" else f"{number * 137.5 % 360.0:.2f}",
            "dec": "20.0" if series == "GF" else f"{-60 + 5 * number}",
            "date": f"{1905 if number % 2 else 1912}-03-01",
            "scanned": "yes" if number > PER_SERIES else "",
        }
        for series in SERIES
        for number in range(1, PER_SERIES + 3)
    ]
    return build_archive(tmp_path_factory.mktemp("classes"), rows, SERIES)


@pytest.mark.parametrize("evened", [0.0, 0.5, 1.0])
def test_factors_are_powers_of_the_ratio_of_sizes(archive: Archive, evened: float) -> None:
    wishes = Wishes(evened=evened, class_weights=(1.0, 1.0, 1.0, 2.0))
    spans = spans_of(archive.edition, wishes)
    factors = class_factors(archive.edition, wishes, spans)
    giant, astrograph = 40.0 * 30.0, 2.0 * 2.0
    cell = 41252.96125 / (12 << 14)  # 4 pi steradians; larger than the circle of 0.2 degrees
    refractor = max(np.pi * 0.2**2, cell)
    sizes = [giant, giant, astrograph, refractor]  # of class 1 there is none
    ratios = [1.0 if at == 1 else giant / size for at, size in enumerate(sizes)]
    expected = np.array([r**evened for r in ratios]) * [1.0, 1.0, 1.0, 2.0]
    assert factors.shape == (4, len(spans.labels))
    np.testing.assert_allclose(factors[:, 0], expected, rtol=1e-9)
    np.testing.assert_allclose(factors[:, 1], expected, rtol=1e-9)
    np.testing.assert_allclose(factors[:, spans.undated], [1.0, 1.0, 1.0, 2.0])  # none is undated


def test_nothing_is_evened_without_classes(archive: Archive) -> None:
    wishes = Wishes(depth_classes=False)
    factors = class_factors(archive.edition, wishes, spans_of(archive.edition, wishes))
    assert factors.tolist() == [[1.0] * factors.shape[1]]


def test_typical_sizes_against_a_plain_loop() -> None:
    rng = np.random.default_rng(5)
    layer = rng.integers(-1, 6, 200)
    layer[layer == 4] = NOWHERE  # nothing in this one
    size = rng.choice([0.5, 7.0, 7.5, 600.0, np.nan], 200)
    found = typical_deg2(layer, size, 6)
    for at in range(6):
        own = [v for v, where in zip(size, layer, strict=True) if where == at and v == v]
        assert found[at] == median_high(own) if own else np.isnan(found[at])
    mixed = rng.permutation(200)
    np.testing.assert_array_equal(typical_deg2(layer[mixed], size[mixed], 6), found)


def mix(archive: Archive, evened: float) -> Counter[str]:
    return Counter(archive.scan_plan("24 plates", Wishes(evened=evened)).series)


def test_giant_fields_do_not_crowd_out_the_astrograph(archive: Archive) -> None:
    # Giant fields all show the same sky, so that each adds half of the one before. One is scanned
    # in each span; by square degrees the ninth still adds more than an astrograph's first
    # (1200 / 2**8 > 4), and half-way to even sizes the fifth does (4 * sqrt(1200 / 4) = 69.3).
    plain, evened = mix(archive, 0.0), mix(archive, Wishes().evened)
    assert (plain["GF"], plain["AG"]) == (16, 8)
    assert (evened["GF"], evened["AG"]) == (8, 16)


def test_factors_do_not_depend_on_what_is_asked_or_scanned(archive: Archive) -> None:
    gains = []
    for filters in ({}, {"series": "AG"}):
        plan = archive.scan_plan("1000 plates", **filters)
        rows = {row["plate"]: row["gain"] for row in plan.plates.to_pylist()}
        gains.append({name: gain for name, gain in rows.items() if name.startswith("AG")})
    assert gains[0] == pytest.approx(gains[1])


def test_nothing_shows_the_sky(archive: Archive) -> None:
    wishes = Wishes(techniques=())
    factors = class_factors(archive.edition, wishes, spans_of(archive.edition, wishes))
    assert (factors == 1.0).all()
