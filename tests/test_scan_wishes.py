"""Wishes read from TOML: defaults, weights by hand, and everything that can be wrong."""

from datetime import date
from pathlib import Path

import healpy
import numpy as np
import pytest
from mocpy import MOC

from platecover.coverage.errors import QueryError
from platecover.coverage.regions import Region
from platecover.coverage.scan_bins import Spans
from platecover.coverage.scan_weights import bin_weights, cells_of_place, span_factors
from platecover.coverage.scan_wishes import Wishes, share_steps, wishes_text
from platecover.coverage.wish_reading import read_wishes

SPANS = Spans(np.array([1890, 1900, 1910]))
TODAY = date(2030, 1, 15)
WHOLE_SKY_DEG2 = 41252.96125  # 4 pi steradians


def written(folder: Path, text: str) -> Path:
    path = folder / "wishes.toml"
    path.write_text(text, encoding="utf-8")
    return path


def weights_of(folder: Path, text: str, order: int = 2) -> np.ndarray:  # type: ignore[type-arg]
    """Weights by the file, in units of a cell's area."""
    wishes = read_wishes(written(folder, f"[bins]\norder = {order}\n{text}"))
    cell_deg2 = WHOLE_SKY_DEG2 / (12 << (2 * order))
    return bin_weights(wishes, SPANS, TODAY) / cell_deg2


def test_the_printed_wishes_are_the_defaults(tmp_path: Path) -> None:
    assert read_wishes(written(tmp_path, wishes_text())) == Wishes()
    assert read_wishes(written(tmp_path, "")) == Wishes()


def test_every_wish_is_explained() -> None:
    lines = wishes_text().splitlines()
    for before, line in zip(lines, lines[1:], strict=False):
        if " = " in line and not line.startswith("#"):
            assert before.startswith("# "), line


def test_even_weights_are_square_degrees(tmp_path: Path) -> None:
    weights = bin_weights(Wishes(order=3), SPANS, TODAY)
    assert weights.shape == (3, 768)
    assert weights[:2].sum() == pytest.approx(2 * WHOLE_SKY_DEG2)
    assert weights[2].sum() == pytest.approx(0.5 * WHOLE_SKY_DEG2)  # the undated


def test_shares() -> None:
    assert share_steps(0.5)[:4] == (1.0, 0.5, 0.25, 0.125)
    assert share_steps((1.0, 0.2)) == (1.0, 0.2, 0.0)


def test_epochs_weigh_by_their_years(tmp_path: Path) -> None:
    # of ten years, five weigh 3 and five 1
    text = "[worth]\nepochs = [{from = 1895, to = 1899, weight = 3}]\nundated = 0.25"
    wishes = read_wishes(written(tmp_path, text))
    assert span_factors(wishes, SPANS).tolist() == [2.0, 1.0, 0.25]


def test_fields_are_added(tmp_path: Path) -> None:
    text = "[worth]\nfields = [{ra = 0.0, dec = 90.0, radius = 20.0, weight = 4}]\n"
    weights = weights_of(tmp_path, text)
    inside = healpy.query_disc(4, (0.0, 0.0, 1.0), np.radians(20.0), nest=True)
    expected = np.ones(192)
    expected[inside] = 5.0
    np.testing.assert_allclose(weights[0], expected, rtol=1e-9)


@pytest.mark.parametrize(("ra", "dec"), [(0.0, 90.0), (359.99, 0.01), (83.6, -89.9), (10.0, 41.0)])
def test_a_field_smaller_than_a_cell_still_counts(tmp_path: Path, ra: float, dec: float) -> None:
    cells = cells_of_place(Region.circle(ra, dec, 0.05), 3)
    assert healpy.ang2pix(8, ra, dec, nest=True, lonlat=True) in cells
    assert len(cells) <= 4


def test_requests_weigh_by_years_urgency_and_date(tmp_path: Path) -> None:
    # half of the span 1900-1909, weight 2, urgency 3; pressing from 30 days before on: 4 times
    base = "[worth]\neverywhere = 0\npressing = 4\nrequests = [{place = 'all', from = 1905,"
    base += " to = 1914, weight = 2, urgency = 3%s}]"
    plain = weights_of(tmp_path, base % "")
    np.testing.assert_allclose(plain[:, 0], [0.0, 3.0, 0.0], rtol=1e-9)
    for day, factor in (("2030-02-15", 1.0), ("2030-02-14", 4.0), ("2029-01-01", 4.0)):
        weights = weights_of(tmp_path, base % f", wanted_by = {day}")
        np.testing.assert_allclose(weights, factor * plain, rtol=1e-9)


@pytest.mark.parametrize("nest", [True, False])
@pytest.mark.parametrize("order", [1, 2, 3])
def test_a_map_of_any_order_and_ordering(tmp_path: Path, nest: bool, order: int) -> None:
    values = np.arange(192.0)  # of order 2, NESTED
    stored = values if nest else healpy.reorder(values, n2r=True)
    healpy.write_map(tmp_path / "w.fits", stored, nest=nest, coord="C", dtype=np.float64)
    weights = weights_of(tmp_path, "[worth]\nmap = 'w.fits'", order)
    expected = healpy.ud_grade(values, 1 << order, order_in="NESTED", order_out="NESTED")
    np.testing.assert_allclose(weights[0], expected, rtol=1e-9)


def test_cells_without_value_count_nothing(tmp_path: Path) -> None:
    values = np.ones(192)
    values[5] = healpy.UNSEEN
    healpy.write_map(tmp_path / "w.fits", values, nest=True, coord="C", dtype=np.float64)
    weights = weights_of(tmp_path, "[worth]\nmap = 'w.fits'")
    assert np.flatnonzero(weights[0] == 0.0).tolist() == [5]


@pytest.mark.parametrize(
    ("values", "coord", "message"),
    [
        (np.ones(192), "G", "COORDSYS is 'G'.*turn the map to ICRS"),
        (np.ones(192), "E", "COORDSYS is 'E'"),
        (np.ones(192), None, "has no COORDSYS"),
        (-np.ones(192), "C", "weights must be 0 or more, got -1.0 in NESTED cell 0"),
        (np.full(192, np.nan), "C", "weights must be 0 or more, got nan"),
        (np.full(192, np.inf), "C", "weights must be 0 or more, got inf"),
        (np.zeros(192), "C", "nothing has any weight"),
    ],
)
def test_bad_maps(tmp_path: Path, values: np.ndarray, coord: str, message: str) -> None:  # type: ignore[type-arg]
    healpy.write_map(tmp_path / "w.fits", values, nest=True, coord=coord, dtype=np.float64)
    with pytest.raises(QueryError, match=message):
        weights_of(tmp_path, "[worth]\nmap = 'w.fits'")


@pytest.mark.parametrize("key", ["map", "moc"])
@pytest.mark.parametrize("content", [None, b"", b"SIMPLE  = nonsense", b"\0" * 3000])
def test_files_that_are_no_maps(tmp_path: Path, key: str, content: bytes | None) -> None:
    if content is not None:
        (tmp_path / "w.fits").write_bytes(content)
    with pytest.raises(QueryError, match=r"w\.fits: "):
        weights_of(tmp_path, f"[worth]\n{key} = 'w.fits'")


def test_a_moc_and_what_is_outside(tmp_path: Path) -> None:
    MOC.from_string("2/5 7").save(tmp_path / "m.fits", "fits")
    text = "[worth]\nmoc = 'm.fits'\noutside_moc = 0.25"
    weights = weights_of(tmp_path, text)
    assert np.flatnonzero(np.isclose(weights[0], 1.0)).tolist() == [5, 7]
    assert np.isclose(weights[0], 0.25).sum() == 190


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("order = 7", "no section is called 'order'; known: \\[bins\\], \\[worth\\]"),
        ("[bin]\norder = 7", "no section is called 'bin'"),
        ("[bins]\nordre = 7", r"\[bins\] has no key 'ordre'; known: order, spans"),
        ("[worth]\norder = 7", r"\[worth\] has no key 'order'"),
        ("[bins]\norder = 10", "order must be a whole number from 0 to 9, got 10"),
        ("[bins]\norder = nan", "order must be a whole number"),
        ("[bins]\norder = true", "order must be a whole number"),
        ("[bins]\nspans = 0", "spans must be a whole number from 1"),
        ("[bins]\nspans = [1900]", "spans must be at least two years, ascending"),
        ("[bins]\nspans = [1910, 1900]", "spans must be at least two years, ascending"),
        ("[bins]\ndepth_classes = 1", "depth_classes must be true or false"),
        ("[bins]\nmagnitude_limits = [15, 12, 18]", "magnitude_limits must be ascending"),
        ("[bins]\nscale_limits_arcsec_per_mm = [30, 90, 200]", "must be descending"),
        ("[bins]\nmagnitude_limits = [12]", "must be equally many"),
        ("[worth]\nclass_weights = [1, 2]", "class_weights must be 4, one more than"),
        ("[worth]\nclass_weights = [1, 2, 3, -1]", "class_weights must be a number from 0"),
        ("[bins]\ntechniques = ['glass']", "techniques must be some of direct"),
        ("[worth]\nshares = 1.5", "shares must be a number from 0 to 1"),
        ("[worth]\nshares = [0.5, 1]", "none larger than the one before"),
        ("[worth]\nshares = []", "shares must be 1 to 64 numbers"),
        ("[worth]\nshares = [1, nan]", "shares must be a number"),
        ("[worth]\neverywhere = -1", "everywhere must be a number from 0"),
        ("[worth]\neverywhere = nan", "everywhere must be a number from 0 to 1e.09, got nan"),
        ("[worth]\neverywhere = inf", "everywhere must be a number"),
        ("[worth]\nmap = 3", "map must be text"),
        ("[worth]\nepochs = [{from = 1890, to = 1880, weight = 1}]", "from must not be after to"),
        ("[worth]\nepochs = [{from = 1890, weight = 1}]", "epochs, entry 1 lacks 'to'"),
        ("[worth]\nepochs = 2", "epochs must be a list"),
        ("[worth]\nfields = [{ra = 400, dec = 0, radius = 1}]", "fields, entry 1: ra must be"),
        ("[worth]\nfields = [{ra = 4, dec = 0, radius = nan}]", "fields, entry 1: radius must"),
        ("[worth]\nfields = [{ra = 4, dec = 0, rad = 1}]", "fields, entry 1 has no key 'rad'"),
        ("[worth]\nfields = [7]", "fields, entry 1 must be a table"),
        ("[worth]\nrequests = [{place = 'Orion'}]", "requests, entry 1: place"),
        ("[worth]\nrequests = [{place = 'all', wanted_by = 'soon'}]", "a date such as 2031-05-01"),
        ("[worth]\nrequests = [{place = 'all', weight = -1}]", "requests, entry 1: weight must"),
        ("[minutes]\nclean = -1", "clean must be a number from 0"),
        ("[minutes]\nscan = []", "scan must be at least one line"),
        ("[minutes]\nscan = [{minutes = 1}, {up_to_mm = 9, minutes = 2}]", "in ascending order"),
        ("[shelves]\nunit_parts = 0", "unit_parts must be a whole number"),
        ("[day]\nhours = 0", "hours must be a number from 0.1"),
        ("[day]\nhours = 25", "hours must be a number from 0.1 to 24"),
        ("[day\n", "not TOML"),
        ("bins = 3", "no section is called 'bins'"),
    ],
)
def test_bad_wishes_name_file_key_and_remedy(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(QueryError, match=message) as caught:
        read_wishes(written(tmp_path, text))
    assert str(caught.value).startswith(str(tmp_path / "wishes.toml"))
    assert caught.value.parameter == "wishes"


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(QueryError, match="cannot be read"):
        read_wishes(tmp_path / "none.toml")
    with pytest.raises(QueryError, match="cannot be read"):
        read_wishes(tmp_path)
    (tmp_path / "latin.toml").write_bytes(b"[worth]\nmap = '\xe9'")
    with pytest.raises(QueryError, match="not TOML"):
        read_wishes(tmp_path / "latin.toml")
