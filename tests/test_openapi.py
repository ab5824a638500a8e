"""The description of the service against the service itself and OpenAPI 3.1's own schema."""

import json
import re
import shlex
import subprocess
from html import unescape
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from flask import Flask
from flask.testing import FlaskClient
from tests.running_server import RunningServer, serving
from tests.small_archive import Place

from platecover.coverage.columns import RESULT_COLUMNS
from platecover.service.app import create_app
from platecover.service.endpoints import ENDPOINTS
from platecover.service.questions import OF_THE_PAGE
from platecover.service.settings import Settings


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Place:
    return Place(tmp_path_factory.mktemp("openapi")).build()


@pytest.fixture(scope="module")
def app(place: Place) -> Flask:
    return create_app(place.archive)


@pytest.fixture
def client(app: Flask) -> FlaskClient:
    return app.test_client()


def described(client: FlaskClient) -> dict[str, Any]:
    return dict(client.get("/api/openapi.json").json or {})


def test_it_is_valid_openapi_3_1(app: Flask, client: FlaskClient) -> None:
    # The schema of the OpenAPI Initiative, as schemathesis carries it.
    assert described(client)["openapi"].startswith("3.1")
    schemathesis.openapi.from_wsgi("/api/openapi.json", app).validate()


def test_every_route_for_programs_is_described(app: Flask, client: FlaskClient) -> None:
    paths = described(client)["paths"]
    for rule in app.url_map.iter_rules():
        if rule.endpoint.startswith(("page.", "page_", "static_files.")) or rule.defaults:
            continue
        path = re.sub(r"<(?:path:)?(\w+)>", r"{\1}", rule.rule)
        if path == "/api/":  # the page of the description
            continue
        methods = {each.upper() for each in paths[path] if each != "parameters"}
        assert methods == set(rule.methods or ()) - {"HEAD", "OPTIONS"}, path


def test_parameters_are_those_that_are_validated(app: Flask, client: FlaskClient) -> None:
    paths, questions = described(client)["paths"], app.extensions["platecover"].questions
    for endpoint in ENDPOINTS:
        if not endpoint.question or "GET" not in endpoint.methods:
            continue
        told = {each["name"]: each for each in paths[endpoint.path]["get"]["parameters"]}
        declared = {each.name: each for each in questions[endpoint.question].parameters}
        assert set(told) == set(declared)
        for name, each in declared.items():
            assert told[name]["required"] == each.required
            if each.kind == "word":
                assert told[name]["schema"]["enum"] == list(each.words)
            if each.default is not None and each.single:
                assert told[name]["schema"]["default"] == each.default
    assert {each.question for each in ENDPOINTS if each.question} == set(questions) - {*OF_THE_PAGE}


def test_a_parameter_that_is_not_described_is_refused(client: FlaskClient) -> None:
    for path in ("exposures", "epochs", "moc"):
        assert client.get(f"/api/{path}?invented=1").status_code == 400


def test_columns_are_the_one_table_s(place: Place) -> None:
    whole = described(create_app(place.archive).test_client())
    names = [column.name for column in RESULT_COLUMNS]
    assert list(whole["components"]["schemas"]["Exposure"]["properties"]) == names
    hiding = create_app(place.archive, Settings(public_columns="exposure_id,plate,t_min"))
    document = json.dumps(described(hiding.test_client()))
    assert '"observer"' not in document and '"shelf"' not in document


def test_every_example_of_the_page_runs(client: FlaskClient, without: tuple[str, ...] = ()) -> None:
    page = client.get("/api/").text
    shown = [each.path for each in ENDPOINTS if each.path not in without]
    links = [unescape(link) for link in re.findall(r'Try <a href="([^"]+)"', page)]
    assert len(links) >= len(shown) - 1  # a list of targets is sent, not linked
    for link in links:
        answer = client.get(link)
        assert answer.status_code == 200 and b'name="Error"' not in answer.data, link
    assert re.findall(r"<h2[^>]*><code>(.*?)</code>", page) == shown


def test_the_page_tells_limits(client: FlaskClient) -> None:
    page = client.get("/api/").text
    right_ascension = page[page.index("<code>ra</code>") :].partition("</tr>")[0]
    assert "number, 0 to 360</td><td></td>" in right_ascension
    technique = page[page.index("<code>technique</code>") :].partition("</tr>")[0]
    assert "objective prism, grating" in technique and "; or several</td>" in technique


def test_examples_of_the_document_run(client: FlaskClient) -> None:
    for path, item in described(client)["paths"].items():
        for told in item.get("parameters", []):
            path = path.replace(f"{{{told['name']}}}", told["example"])
        if "get" in item:
            given = {
                told["name"]: told["example"]
                for told in item["get"]["parameters"]
                if "example" in told
            }
            assert given or not any(told["required"] for told in item["get"]["parameters"])
            assert client.get(path, query_string=given).status_code == 200, path
        if "post" in item:
            forms = item["post"]["requestBody"]["content"]
            given = forms["application/x-www-form-urlencoded"]["example"]
            assert client.post(path, data=given).status_code == 200, path


NARROW = Settings(
    largest_radius_deg=0.1, largest_maxrec=1, default_maxrec=1, finest_map_order=1,
    finest_moc_order=2, public_columns="exposure_id,plate", public_url="https://plates.example/p/",
)  # fmt: skip


def test_under_narrow_settings(place: Place) -> None:
    app = create_app(place.archive, NARROW)
    client = app.test_client()
    schemathesis.openapi.from_wsgi("/api/openapi.json", app).validate()
    document = described(client)
    assert document["servers"] == [{"url": "https://plates.example/p"}]
    hidden = ("/api/epochs", "/api/pull-list", "/api/plan", "/api/progress")
    for path in hidden[:3]:  # 403 whatever is asked
        assert path not in document["paths"]
    for path in hidden:
        assert (
            client.get(
                path, query_string={"budget": "1 plate"} if "plan" in path else {}
            ).status_code
            == 403
        )
    test_every_example_of_the_page_runs(client, without=hidden)
    test_examples_of_the_document_run(client)


def test_the_description_takes_no_parameters(client: FlaskClient) -> None:
    answer = client.get("/api/openapi.json?version=2")
    assert answer.status_code == 400 and answer.json is not None
    assert answer.json["error"]["parameter"] == "version"


@pytest.fixture(scope="module")
def server(place: Place, tmp_path_factory: pytest.TempPathFactory) -> Any:
    with serving(
        tmp_path_factory.mktemp("served"), "serve", "--archive", place.archive, "--port", "0"
    ) as running:
        yield running


def test_the_lines_for_shell_and_python_run(server: RunningServer, tmp_path: Path) -> None:
    page = server.ask("/api/").body.decode()
    section = page[page.index('id="api-targets"') :]
    shell, python = (
        unescape(text) for text in re.findall(r"<p><code>(.*?)</code></p>", section)[:2]
    )
    assert shell.startswith("printf ") and " curl " in shell
    answer = subprocess.run(
        ["python3", "-c", python], capture_output=True, text=True, check=True, timeout=60
    ).stdout
    assert answer.startswith("target_row,")
    address = shlex.split(shell)[-1]
    sent = server.ask(
        address.partition("//")[2].partition("/")[2].join(("/", "")),
        method="POST", body=b"ra,dec\n83.63,22.01\n", Content_Type="text/csv",
    )  # fmt: skip
    assert sent.status == 200 and sent.body.decode().startswith("target_row,")
