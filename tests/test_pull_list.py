"""Pull lists: weights of glass from tables, storage order, loads, forms, bad input."""

import csv
import io
import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pypdfium2
import pytest
from flask.testing import FlaskClient
from hypothesis import given
from hypothesis import strategies as st
from tests.archives import build_archive
from tests.small_archive import run

from platecover.coverage.archive import Archive
from platecover.coverage.errors import QueryError
from platecover.coverage.pull_list import MOST_IN_LOAD, loads, weight_kg
from platecover.service.app import create_app
from platecover.service.settings import Settings

HOSTILE = "=1+1<script>alert(1)</script>"
SERIES: dict[str, dict[str, object]] = {
    "HB": {"exposed_mm": [160, 160]},
    "WF": {"exposed_mm": [190, 240], "glass_mm": [203.2, 254], "glass_thickness_mm": 1.5},
}
ROWS = [
    {"plate": "HB 2", "shelf": "A2/1/3"},
    {"plate": "HB 10", "shelf": "A10/1/1"},
    {"plate": "WF 1", "shelf": "A2/1/1", "condition": "stained"},
    {"plate": "HB 7", "shelf": "A2/1/20"},
    {"plate": "HB 3", "shelf": "", "scanned": "yes"},
    {"plate": "HB 4", "shelf": "A1/1/1", "condition": "broken"},
    {"plate": "HB 5", "shelf": "A1/1/2", "status": "on loan"},
    {"plate": "HB 6", "shelf": HOSTILE},
]


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    rows = [{"ra": "83.6", "dec": f"{at}.0", "date": "1905-03-04", **row}
            for at, row in enumerate(ROWS)]  # fmt: skip
    return build_archive(tmp_path_factory.mktemp("pull"), rows, SERIES)


@pytest.fixture(scope="module")
def client(archive: Archive) -> FlaskClient:
    return create_app(archive).test_client()


@pytest.mark.parametrize(
    ("width_mm", "height_mm", "thickness_mm", "kg"),
    [
        # soda-lime glass of 2500 kg/m3, the usual value in tables of materials; hand arithmetic
        (203.2, 254.0, 1.5, 0.194), (160.0, 160.0, 2.0, 0.128), (254.0, 304.8, 2.5, 0.484),
        (355.6, 355.6, 1.0, 0.316), (355.6, 431.8, 3.0, 1.152), (431.8, 431.8, 6.0, 2.797),
    ],
)  # fmt: skip
def test_glass_weighs_what_tables_say(
    width_mm: float, height_mm: float, thickness_mm: float, kg: float
) -> None:
    arrays = (np.array([each]) for each in (width_mm, height_mm, thickness_mm))
    assert weight_kg(*arrays)[0] == pytest.approx(kg, abs=0.0006)


def test_as_plates_stand(archive: Archive) -> None:
    named = ["hb10", "HB-2", "HB 2", "WF 001", "", "hb_7", "HB 3", "HB 4", "HB 5", "HB 6"]
    pulled = archive.pull_list(named)
    # natural order of cabinet, shelf, place; what has no shelf last of its series
    assert [each.plate for each in pulled.plates] == [
        "HB-6",
        "WF-1",
        "HB-2",
        "HB-7",
        "HB-10",
        "HB-3",
    ]
    assert [each.plate for each in pulled.conservation] == ["HB-4"]
    assert pulled.away == {"HB-5": "on loan"}
    wide = pulled.plates[1]
    assert (wide.width_mm, wide.thickness_mm, wide.is_glass, wide.is_assumed) == (
        203.2,
        1.5,
        True,
        False,
    )
    assert wide.weight_kg == pytest.approx(0.194, abs=0.001) and wide.note == "stained"
    plain = pulled.plates[2]
    assert (plain.width_mm, plain.is_glass, plain.is_assumed) == (160.0, False, True)
    assert "scanned before" in pulled.plates[-1].note
    assert pulled.weight_kg == pytest.approx(0.194 + 5 * 0.128, abs=0.002)


def test_of_a_plan(archive: Archive) -> None:
    plan = archive.scan_plan("3 plates")
    pulled = archive.pull_list(plan, carry_kg=0.2)
    assert {each.plate for each in pulled.plates} == set(plan.plates.column("plate").to_pylist())
    assert [each.plate for each in pulled.conservation] == ["HB-4"]
    assert pulled.carries == 3  # no two of them together are under 0.2 kg


@given(
    st.lists(st.one_of(st.floats(0.01, 5.0), st.just(math.nan)), max_size=80), st.floats(0.1, 25)
)
def test_no_load_is_too_heavy_or_out_of_order(weights: list[float], carry_kg: float) -> None:
    numbers = loads(weights, carry_kg)
    assert numbers == sorted(numbers) and len(numbers) == len(weights)
    assert sorted(set(numbers)) == list(range(1, (numbers[-1] if numbers else 0) + 1))
    for number in set(numbers):
        load = [w for w, n in zip(weights, numbers, strict=True) if n == number]
        assert len(load) <= MOST_IN_LOAD
        known = [w for w in load if not math.isnan(w)]
        assert sum(known) <= carry_kg + 1e-9 or len(load) == 1


@pytest.mark.parametrize(
    ("named", "carry_kg", "message"),
    [
        (["HB 999"], 10.0, "not in this archive: 'HB 999'"),
        (["nonsense"] * 9, 10.0, "'nonsense', ..."),
        ([], 10.0, "none is named"),
        ([" "], 10.0, "none is named"),
        (["HB 2"], 0.0, "carry_kg must be above 0"),
        (["HB 2"], -1.0, "carry_kg"),
        (["HB 2"], math.nan, "carry_kg"),
        (["HB 2"], math.inf, "carry_kg"),
    ],
)
def test_bad_input(archive: Archive, named: list[str], carry_kg: float, message: str) -> None:
    with pytest.raises(QueryError, match=message):
        archive.pull_list(named, carry_kg)


def text_of(pdf: bytes) -> str:
    """All text of a PDF."""
    document = pypdfium2.PdfDocument(pdf)
    return "\n".join(page.get_textpage().get_text_bounded() for page in document)


def test_forms_say_the_same(client: FlaskClient) -> None:
    ask = "/api/pull-list?plates=HB+2,WF+1,HB+4,HB+5,HB+6"
    facts = client.get(ask).get_json()
    names = [each["plate"] for each in facts["plates"]]
    assert names == ["HB-6", "WF-1", "HB-2"] and len(facts["cautions"]) >= 9
    table = list(csv.DictReader(io.StringIO(client.get(f"{ask}&format=csv").text)))
    assert [row["plate"] for row in table] == [*names, "HB-4"]
    assert table[0]["shelf"] == f"'{HOSTILE}"  # no formula for a spreadsheet
    page = client.get(f"{ask}&format=html")
    assert "<script>" not in page.text and "&lt;script&gt;" in page.text
    assert page.text.count('type="checkbox"') == 3 and "style=" not in page.text
    pdf = client.get(f"{ask}&format=pdf")
    said = text_of(pdf.data)
    for word in (*names, "HB-4", "HB-5: on loan", "nitrate", "opposite edges", "203 \u00d7 254"):
        assert word in said
    labels = text_of(client.get(f"{ask}&format=labels").data)
    assert all(name in labels for name in names) and "HB-4" not in labels


def test_cautions_name_every_danger(client: FlaskClient) -> None:
    # topics that a conservator's checklist has: common practice, no source
    said = " ".join(client.get("/api/pull-list?plates=HB+2").get_json()["cautions"]).lower()
    for word in ("local rules", "conservator", "edges", "both hands", "long edge", "stack",
                 "gloves", "ladder", "nitrate", "specialist", "chemicals", "ink",
                 "splinters"):  # fmt: skip
        assert word in said


@pytest.mark.parametrize(
    ("query", "parameter"),
    [
        ("", "budget"), ("budget=3+plates&plates=HB+2", "budget"), ("budget=0+plates", "budget"),
        ("budget=-3+plates", "budget"), ("budget=inf+hours", "budget"), ("budget=many", "budget"),
        ("budget=9999999+plates", "budget"), ("plates=HB+999", "plates"), ("plates=,", "plates"),
        ("plates=HB+2&series=HB", "series"), ("plates=HB+2&carry_kg=nan", "carry_kg"),
        ("plates=HB+2&carry_kg=30", "carry_kg"), ("budget=3+plates&series=XX", "series"),
        ("plates=HB+2&format=xml", "format"), ("plates=HB+2&invented=1", "invented"),
    ],
)  # fmt: skip
def test_bad_questions(client: FlaskClient, query: str, parameter: str) -> None:
    answer = client.get(f"/api/pull-list?{query}")
    assert answer.status_code == 400
    assert answer.get_json()["error"]["parameter"] == parameter


def test_not_where_shelves_are_hidden(archive: Archive) -> None:
    hiding = create_app(archive, Settings(public_columns="exposure_id,plate,scanned")).test_client()
    assert hiding.get("/api/pull-list?plates=HB+2").status_code == 403


def test_command(archive: Archive, tmp_path: Path, capsys: Any) -> None:
    place = archive.edition.folder.parent.parent
    listed = tmp_path / "wanted.csv"
    listed.write_text('plate,why\n"HB 2",x\nWF 1\n')
    for name in ("a.html", "a.pdf", "a.csv"):
        out, labels = tmp_path / name, tmp_path / "labels.pdf"
        said = run(capsys, "pull-list", "--archive", str(place), "--plates", str(listed), "--out",
                   str(out), "--labels", str(labels)).out  # fmt: skip
        assert f"wrote {out}: 2 plates" in said and "2 labels" in said
    assert "<style>" in (tmp_path / "a.html").read_text()
    assert "HB-2" in text_of((tmp_path / "labels.pdf").read_bytes())
    run(capsys, "pull-list", "--archive", str(place), "--budget", "2 plates", "--out",
        str(tmp_path / "b.csv"))  # fmt: skip
    assert len((tmp_path / "b.csv").read_text().splitlines()) == 1 + 2 + 1  # HB-4 comes last
    for words, status in (
        (["--budget", "2 plates", "--out", "x.doc"], 1),
        (["--out", "x.pdf"], 2),
        (["--plates", str(tmp_path / "none"), "--out", "x.pdf"], 1),
        (["--plates", str(listed), "--carry-kg", "heavy", "--out", "x.pdf"], 2),
        (["--plates", str(listed), "--series", "HB", "--out", "x.pdf"], 2),
    ):
        assert run(capsys, "pull-list", "--archive", str(place), *words).status == status


def test_json_of_the_api_is_its_schema(client: FlaskClient) -> None:
    facts = client.get("/api/pull-list?budget=2+plates").get_json()
    schema = client.get("/api/openapi.json").get_json()["components"]["schemas"]["PullList"]
    assert set(facts) == set(schema["properties"])
    json.dumps(facts, allow_nan=False)
