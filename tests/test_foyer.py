"""What the server tells the page for a foyer, and what it keeps to itself."""

from typing import Any

import pytest
from flask.testing import FlaskClient
from tests.small_archive import GOOD, PLATES, Place

from platecover.service.app import create_app
from platecover.service.page_words import words_of
from platecover.service.settings import Settings

ROWS = (
    *PLATES,
    {**GOOD, "plate": "QN 9", "date": "1912-05", "time": "", "observer": "Bo Marsh"},
    {**GOOD, "plate": "QN 10", "date": "1913-05-06", "observer": "Ada Fenn"},
)
HERE = {"ra": 83.6, "dec": 22.0, "radius": 0}


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Place:
    return Place(tmp_path_factory.mktemp("foyer")).build(ROWS)


@pytest.fixture(scope="module")
def client(place: Place) -> FlaskClient:
    return create_app(place.archive).test_client()


def told(client: FlaskClient, path: str, **asked: object) -> dict[str, Any]:
    answer = client.get(path, query_string={name: str(value) for name, value in asked.items()})
    assert answer.status_code == 200, answer.text
    return dict(answer.get_json())


def test_the_archive_in_numbers(client: FlaskClient) -> None:
    facts = told(client, "/page/foyer")
    assert (facts["edition"], facts["plates"], facts["exposures"]) == (1, 7, 7)
    assert facts["name"] == "Brackwater Observatory (invented)"
    years = dict(facts["years"])
    assert years == {1905: 1, 1906: 1, 1912: 1, 1913: 1, 1922: 1, 1930: 1}  # QN 3b is undated


def test_the_story_of_a_place(client: FlaskClient) -> None:
    story = told(client, "/page/story", **HERE)
    assert (story["plates"], story["exposures"], story["constellation"]) == (6, 6, "Taurus")
    first, last = story["first"], story["last"]
    assert (first["plate"], first["date"], first["observer"]) == ("QN-1", "1905-03-04", "Ada Fenn")
    assert (last["plate"], last["date"], last["observer"]) == ("WM-4", "1921-12-31", None)
    assert last["telescope"] == "Wide camera, first"
    assert len(first["outline"]) == 4
    assert all(abs(dec - 22.0) < 1.5 for _, dec in first["outline"])  # 2.67 degrees square
    assert story["observers"] == ["Ada Fenn", "Bo Marsh"]


def test_a_date_is_told_as_closely_as_it_is_known(client: FlaskClient) -> None:
    story = told(client, "/page/story", ra=350.0, dec=-60.0, radius=0)
    assert story["first"] == story["last"]
    assert (story["first"]["plate"], story["first"]["date"]) == ("WM-5", "1930")


def test_a_place_that_nobody_photographed(client: FlaskClient) -> None:
    story = told(client, "/page/story", ra=200.0, dec=80.0, radius=0)
    assert (story["plates"], story["perhaps"], story["first"]) == (0, 0, None)


def test_a_constellation_has_its_name(client: FlaskClient) -> None:
    story = told(client, "/page/story", region="constellation tau")
    assert story["constellation"] == "Taurus" and story["plates"] == 6


@pytest.mark.parametrize(
    "asked", [{"ra": 83.6}, {"region": "circle 1 2 x"}, {"invented": 1}, {**HERE, "ra": "nan"}]
)
def test_wrong_questions_are_refused(client: FlaskClient, asked: dict[str, object]) -> None:
    query = {name: str(value) for name, value in asked.items()}
    assert client.get("/page/story", query_string=query).status_code == 400


def test_hidden_columns_are_not_told(place: Place) -> None:
    client = create_app(place.archive, Settings(public_columns="exposure_id, plate")).test_client()
    assert told(client, "/page/foyer")["years"] == []
    story = told(client, "/page/story", **HERE)
    assert (story["first"], story["last"], story["observers"]) == (None, None, [])
    partly = Settings(public_columns="exposure_id, plate, epoch, t_min")
    story = told(create_app(place.archive, partly).test_client(), "/page/story", **HERE)
    assert (story["first"]["observer"], story["first"]["telescope"]) == (None, None)


def test_the_page_speaks_a_language_and_knows_its_root(place: Place) -> None:
    settings = Settings(public_url="https://plates.example/deep/sky/")
    page = create_app(place.archive, settings).test_client().get("/?foyer=1&language=de").text
    assert '<html lang="de" data-root="/deep/sky">' in page
    assert "Was ist eine Platte?" in page
    assert 'src="/deep/sky/static/foyer.js"' in page


@pytest.mark.parametrize("language", ["", "xx", "../../etc/passwd", "en", "a" * 500])
def test_an_unknown_language_is_english(client: FlaskClient, language: str) -> None:
    page = client.get("/", query_string={"foyer": "1", "language": language})
    assert page.status_code == 200
    assert "What is a plate?" in page.text
    assert words_of("foyer", language)["language"] == "en"
