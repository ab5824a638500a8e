"""Cells for the page: the map's own numbers at order 7, brought together below."""

from collections.abc import Iterator

import healpy
import numpy as np
import pytest
from flask.testing import FlaskClient
from numpy.typing import NDArray
from tests.small_archive import PLATES, Place

from platecover.coverage.archive import Archive
from platecover.coverage.coarser_map import coarser
from platecover.coverage.map_quantities import QUANTITIES
from platecover.service.app import create_app
from platecover.service.settings import Settings


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Place:
    return Place(tmp_path_factory.mktemp("cells")).build(PLATES)


@pytest.fixture(scope="module")
def client(place: Place) -> Iterator[FlaskClient]:
    yield create_app(place.archive).test_client()


def cells(client: FlaskClient, query: str) -> NDArray[np.float32]:
    answer = client.get(f"/page/cells?{query}")
    assert answer.status_code == 200 and answer.mimetype == "application/octet-stream"
    return np.frombuffer(answer.data, "<f4")


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_order_7_is_the_map(client: FlaskClient, place: Place, quantity: str) -> None:
    expected = Archive.open(place.archive).sky_map(quantity, 7, until=1922)
    if QUANTITIES[quantity].unit == "" and quantity != "scanned_share":
        expected = np.where(expected > 0, expected, np.nan)
    found = cells(client, f"show={quantity}&order=7&to=1922")
    np.testing.assert_array_equal(found, expected.astype(np.float32))
    assert np.isfinite(found).any() == (quantity != "gap" or np.isfinite(expected).any())


@pytest.mark.parametrize("levels", [1, 2, 4])
def test_coarser_cells_are_healpy_s_mean(levels: int) -> None:
    values = np.random.default_rng(7).uniform(1.0, 9.0, healpy.nside2npix(16))
    values[::7] = np.nan
    missing = np.where(np.isnan(values), healpy.UNSEEN, values)
    expected = healpy.ud_grade(missing, 16 >> levels, order_in="NESTED", order_out="NESTED")
    found = coarser(values, "plates", levels)
    np.testing.assert_allclose(found, np.where(expected == healpy.UNSEEN, np.nan, expected))


def test_epochs_come_together_as_first_last_and_longest() -> None:
    values = np.full(48, np.nan)  # order 1
    values[4:8] = [1900.0, np.nan, 1890.5, 1910.0]
    for quantity, expected in (("first", 1890.5), ("last", 1910.0), ("gap", 1910.0)):
        found = coarser(values, quantity, 1)
        assert found[1] == expected and np.isnan(np.delete(found, 1)).all()


@pytest.mark.parametrize(
    "query", ["", "show=x", "show=plates&order=8", "show=plates&order=-1", "show=plates&order=nan",
              "show=plates&series=XX", "show=plates&show=years", "show=plates&certainty=sure",
              "show=plates&invented=1"],
)  # fmt: skip
def test_bad_input(client: FlaskClient, query: str) -> None:
    answer = client.get(f"/page/cells?{query}")
    assert answer.status_code == 400 and len(answer.text) > 10


def test_what_is_hidden_stays_hidden(place: Place) -> None:
    hiding = Settings(public_columns="exposure_id,plate,series")
    client = create_app(place.archive, hiding).test_client()
    assert client.get("/page/cells?show=plates").status_code == 200
    for query in ("show=first", "show=unscanned", "show=plates&from=1900"):
        assert client.get(f"/page/cells?{query}").status_code == 400
    page = client.get("/")
    assert page.status_code == 200 and '"years": [0, 0]' in page.text


def test_the_same_cells_are_not_sent_again(client: FlaskClient) -> None:
    first = client.get("/page/cells?show=plates")
    again = client.get("/page/cells?show=plates", headers={"If-None-Match": first.headers["ETag"]})
    assert again.status_code == 304 and again.data == b""


def test_lines_are_kept_for_a_day(client: FlaskClient) -> None:
    answer = client.get("/page/lines")
    assert answer.headers["Cache-Control"] == "public, max-age=86400"
    known = {"If-None-Match": answer.headers["ETag"]}
    assert client.get("/page/lines", headers=known).status_code == 304
