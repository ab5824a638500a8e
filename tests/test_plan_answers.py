"""Plans over HTTP and on the planner's page: as Python has them; maps before and after."""

import csv
import io
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from flask.testing import FlaskClient
from tests.archives import build_archive
from tests.small_archive import run
from tests.test_scan_plan import SERIES, invented_rows

from platecover.coverage.archive import Archive
from platecover.coverage.sky_map import count_plates
from platecover.service.app import create_app
from platecover.service.settings import Settings


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    return build_archive(tmp_path_factory.mktemp("plans"), invented_rows(), SERIES)


@pytest.fixture(scope="module")
def client(archive: Archive) -> FlaskClient:
    return create_app(archive).test_client()


def test_the_same_plan_everywhere(archive: Archive, client: FlaskClient) -> None:
    plan = archive.scan_plan("9 plates", series="HB")
    names = plan.plates.column("plate").to_pylist()
    assert len(names) == 9
    ask = "budget=9+plates&series=HB"
    facts = client.get(f"/api/plan?{ask}").get_json()
    assert [each["plate"] for each in facts["plates"]] == names
    assert facts["gain"] == pytest.approx(plan.gain) and facts["bound"] >= facts["gain"]
    assert facts["at_least_of_best"] == pytest.approx(plan.at_least)
    table = csv.DictReader(io.StringIO(client.get(f"/api/plan?{ask}&format=csv").text))
    assert [row["plate"] for row in table] == names
    page = client.get(f"/scanning?{ask}")
    assert page.status_code == 200
    assert re.findall(r'<a href="/plates/([^"]+)">', page.text) == names
    assert f"at least {plan.at_least_percent}" in page.text
    pulled = client.get(f"/api/pull-list?{ask}").get_json()
    assert {each["plate"] for each in pulled["plates"]} == set(names)


def test_pictures_and_links_of_the_page_answer(client: FlaskClient) -> None:
    page = client.get("/scanning?budget=9+plates").text
    links = [
        each.replace("&amp;", "&") for each in re.findall(r'(?:src|href)="(/api/[^"]+)"', page)
    ]
    assert len(links) >= 9
    for link in links:
        assert client.get(link).status_code == 200, link
    for form, mark in (("png", b"\x89PNG"), ("svg", b"<?xml")):
        for drawing in ("gain", "maps"):
            answer = client.get(f"/api/plan?budget=5+plates&format={form}&drawing={drawing}")
            assert answer.data.startswith(mark)


def test_maps_before_and_after(archive: Archive) -> None:
    plan = archive.scan_plan("9 plates")
    before, after = archive.scanned_maps(plan)
    np.testing.assert_array_equal(before, archive.sky_map("plates", scanned="yes"))
    chosen = set(plan.plates.column("plate").to_pylist())
    names = archive.edition.exposures.column("plate").to_pylist()
    numbers = np.array([at for at, name in enumerate(names) if name in chosen])
    whole = before + count_plates(archive.edition, numbers, 7)
    np.testing.assert_array_equal(after, whole)  # none of them was scanned before
    assert after.sum() > before.sum()


@pytest.mark.parametrize(
    ("query", "parameter"),
    [
        ("", "budget"), ("budget=0+plates", "budget"), ("budget=-1+days", "budget"),
        ("budget=nan+hours", "budget"), ("budget=1e99+plates", "budget"), ("budget=x", "budget"),
        ("budget=2.5+plates", "budget"), ("budget=2001+plates", "budget"),
        ("budget=3+plates&series=XX", "series"), ("budget=3+plates&format=pdf", "format"),
        ("budget=3+plates&certainty=sure", "certainty"),
        ("budget=3+plates&budget=4+plates", "budget"),
    ],
)  # fmt: skip
def test_bad_questions(client: FlaskClient, query: str, parameter: str) -> None:
    answer = client.get(f"/api/plan?{query}")
    assert answer.status_code == 400
    assert answer.get_json()["error"]["parameter"] == parameter


def test_the_page_says_what_is_wrong(client: FlaskClient) -> None:
    for query, said in (
        ("budget=many", "budget must be"), ("budget=3+plates&from=x", "from"),
        ("budget=%3Cscript%3E", "budget must be"),
    ):  # fmt: skip
        page = client.get(f"/scanning?{query}")
        assert page.status_code == 400 and said in page.text and "<script>" not in page.text
    nothing = client.get("/scanning?budget=3+plates&series=HB&from=2001")
    assert nothing.status_code == 200 and "No plate under these filters" in nothing.text


def test_hidden_shelves_hide_plans(archive: Archive) -> None:
    hiding = create_app(archive, Settings(public_columns="exposure_id,plate,scanned")).test_client()
    assert hiding.get("/api/plan?budget=3+plates").status_code == 403
    page = hiding.get("/scanning")
    assert page.status_code == 403 and "does not tell" in page.text


def test_maps_by_the_command(archive: Archive, tmp_path: Path, capsys: Any) -> None:
    place = archive.edition.folder.parent.parent
    for ending in ("png", "svg", "pdf"):
        out = tmp_path / f"maps.{ending}"
        done = run(capsys, "plan", "--archive", place, "--budget", "5 plates", "--maps", out)
        assert done.status == 0 and out.stat().st_size > 10_000
    done = run(capsys, "plan", "--archive", place, "--budget", "5 plates", "--maps", "x.gif")
    assert done.status == 1 and ".png" in done.err
