"""Everything under /api/: the Python API's own answers, and errors that name what is wrong."""

import csv
import io
import json
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import healpy
import numpy as np
import pyarrow.parquet as pq
import pytest
from astropy.io.votable import parse
from astropy.table import Table
from flask.testing import FlaskClient
from mocpy import MOC
from tests.hostile_queries import hostile_api_queries
from tests.small_archive import PLATES, Place
from werkzeug.test import TestResponse

from platecover.coverage.archive import Archive
from platecover.coverage.errors import ArchiveError
from platecover.coverage.filter_table import FILTERS
from platecover.coverage.map_quantities import QUANTITIES
from platecover.coverage.regions import Region
from platecover.service import asking, row_texts
from platecover.service.app import create_app
from platecover.service.questions import ROW_FORMS
from platecover.service.settings import Settings

REGIONS = (
    "all",
    "circle 83.6 22 0",
    "circle 325.68 43.59 2",
    "circle 12 -89.9 20",
    "range 350 10 -5 25",
    "polygon 80 20 90 20 90 30 80 30",
    "constellation Cygnus",
    "moc 3/1-5 4/24",
)
FILTERED: tuple[dict[str, Any], ...] = (
    {},
    {"since": "1900", "until": "1910-06"},
    {"undated": "only"},
    {"technique": ["direct"], "scanned": ["no", "unknown"], "min_exposure": "10"},
    {"observer": "a", "status": ["on shelf"], "max_exposure": "1e3"},
)
HTTP_NAME = {each.keyword: each.name for each in FILTERS}


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Place:
    return Place(tmp_path_factory.mktemp("api")).build()


@pytest.fixture(scope="module")
def client(place: Place) -> Iterator[FlaskClient]:
    yield create_app(place.archive).test_client()


@pytest.fixture(scope="module")
def demo_client(demo_archive: Archive) -> FlaskClient:
    return create_app(demo_archive).test_client()


def question(filters: dict[str, Any], **others: Any) -> dict[str, Any]:
    return {HTTP_NAME[name]: value for name, value in filters.items()} | others


def error_of(answer: TestResponse, status: int = 400) -> dict[str, Any]:
    """The error of an answer, which has the one form that all errors have."""
    assert answer.status_code == status, answer.data[:500]
    assert answer.mimetype == "application/json"
    body = answer.get_json()
    assert list(body) == ["error"]
    error: dict[str, Any] = body["error"]
    assert list(error) == ["status", "parameter", "value", "message"]
    assert error["status"] == status and error["message"]
    assert len(answer.data) < 6000  # whatever was sent
    return error


# --- answers -------------------------------------------------------------------------------


@pytest.mark.parametrize("filters", FILTERED, ids=str)
@pytest.mark.parametrize("text", REGIONS)
def test_exposures_and_epochs_are_those_of_python(
    demo_client: FlaskClient, demo_archive: Archive, text: str, filters: dict[str, Any]
) -> None:
    region = Region.parse(text)
    answer = demo_client.get("/api/exposures", query_string=question(filters, region=text))
    body = answer.get_json()
    expected = demo_archive.rows(region, **filters).to_pylist()
    assert body["exposures"] == expected
    assert list(body) == [
        "query", "edition", "edition_date", "citation", "count", "truncated", "exposures",
    ]  # fmt: skip
    assert (body["count"], body["truncated"], body["edition"]) == (len(expected), False, 1)
    assert body["query"]["region"] == region.text
    asked = question(filters, region=text, bin="decade")
    assert demo_client.get("/api/epochs", query_string=asked).get_json() == demo_archive.epochs(
        region, "decade", **filters
    )


def test_the_demo_is_not_empty_everywhere(demo_archive: Archive) -> None:
    for text in REGIONS:  # else the test before would compare nothing with nothing
        if text != "circle 83.6 22 0":
            assert len(demo_archive.find(Region.parse(text)).numbers) > 0, text


@pytest.mark.parametrize("filters", FILTERED, ids=str)
@pytest.mark.parametrize("quantity", QUANTITIES)
def test_maps_are_those_of_python(
    demo_client: FlaskClient, demo_archive: Archive, quantity: str, filters: dict[str, Any]
) -> None:
    asked = question(filters, show=quantity, order=3)
    body = demo_client.get("/api/map", query_string=asked).get_json()
    values = demo_archive.sky_map(quantity, 3, **filters)
    assert [body[name] for name in ("quantity", "order", "ordering")] == [quantity, 3, "NESTED"]
    assert body["values"] == [None if np.isnan(value) else value for value in values]


def test_map_files(demo_client: FlaskClient, demo_archive: Archive, tmp_path: Path) -> None:
    answer = demo_client.get("/api/map?show=first&order=4&format=fits&to=1900")
    path = tmp_path / "map.fits"
    path.write_bytes(answer.data)
    read = healpy.read_map(path, nest=True, dtype=np.float64)
    expected = demo_archive.sky_map("first", 4, until="1900")
    np.testing.assert_array_equal(np.where(read == healpy.UNSEEN, np.nan, read), expected)
    assert np.isnan(expected).any() and not np.isnan(expected).all()
    picture = demo_client.get("/api/map?show=plates&order=3&format=png")
    assert picture.data.startswith(b"\x89PNG") and picture.mimetype == "image/png"
    drawing = demo_client.get("/api/map?show=plates&order=3&format=svg&series=VQ")
    assert b"<svg" in drawing.data and drawing.mimetype == "image/svg+xml"
    assert "default-src 'none'" in drawing.headers["Content-Security-Policy"]  # no scripts


@pytest.mark.parametrize("filters", FILTERED, ids=str)
def test_mocs_are_those_of_python(
    demo_client: FlaskClient, demo_archive: Archive, filters: dict[str, Any], tmp_path: Path
) -> None:
    expected = demo_archive.moc(6, **filters)
    for form, name in (("json", "json"), ("text", "ascii"), ("fits", "fits")):
        asked = question(filters, order=6, format=form)
        path = tmp_path / "moc"
        path.write_bytes(demo_client.get("/api/moc", query_string=asked).data)
        assert MOC.load(path, format=name) == expected


def test_default_orders(client: FlaskClient) -> None:
    assert client.get("/api/map?show=plates").get_json()["order"] == 7
    assert max(int(order) for order in client.get("/api/moc").get_json()) == 9


@pytest.mark.parametrize("spelling", ["QN-3b", "qn 3b", "QN_003 B", "qn/3B", "QN.3b", "Qn // 3 b"])
def test_plates_in_any_spelling(client: FlaskClient, place: Place, spelling: str) -> None:
    body = client.get(f"/api/plates/{spelling}").get_json()
    assert body == json.loads(json.dumps(Archive.open(place.archive).plate_record("QN-3b")))
    assert list(body) == ["plate", "exposures", "logged", "remarks", "history"]


def test_rows_in_every_form(client: FlaskClient, place: Place) -> None:
    expected = Archive.open(place.archive).rows(Region.all())
    ids = expected.column("exposure_id").to_pylist()

    def body(form: str) -> bytes:
        return bytes(client.get(f"/api/exposures?format={form}").data)

    lines = list(csv.DictReader(io.StringIO(body("csv").decode(), newline="")))
    assert [line["exposure_id"] for line in lines] == ids
    assert [line["t_min"] == "" for line in lines] == [
        value is None for value in expected.column("t_min").to_pylist()
    ]
    assert pq.read_table(io.BytesIO(body("parquet"))).to_pylist() == expected.to_pylist()
    assert list(Table.read(body("ecsv").decode(), format="ascii.ecsv")["exposure_id"]) == ids
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of VOTables, test_formats
        table = parse(io.BytesIO(body("votable"))).get_first_table()
    assert [str(each) for each in table.array["exposure_id"]] == ids


def test_epochs_as_csv(client: FlaskClient) -> None:
    lines = list(
        csv.DictReader(io.StringIO(client.get("/api/epochs?format=csv&bin=10").data.decode()))
    )
    expected = client.get("/api/epochs?bin=10").get_json()["bins"]
    assert [(int(r["from"]), int(r["exposures"])) for r in lines] == [
        (each["from"], each["exposures"]) for each in expected
    ]


def test_place_by_numbers_is_the_circle(client: FlaskClient) -> None:
    by_numbers = client.get("/api/exposures?ra=83.6&dec=22&radius=0.5").get_json()
    assert by_numbers == client.get("/api/exposures?region=circle+83.6+22+0.5").get_json()
    assert by_numbers["count"] > 0
    assert all(each["centre_distance"] is not None for each in by_numbers["exposures"])


def test_truncation_is_told(client: FlaskClient) -> None:
    everything = client.get("/api/exposures").get_json()["exposures"]
    assert len(everything) == len(PLATES)
    for limit in range(len(PLATES) + 2):
        answer = client.get(f"/api/exposures?maxrec={limit}")
        body = answer.get_json()
        assert body["exposures"] == everything[:limit]
        assert body["count"] == min(limit, len(PLATES))
        assert body["truncated"] == (limit < len(PLATES))
        told = client.get(f"/api/exposures?maxrec={limit}&format=csv").headers
        assert told["Platecover-Truncated"] == ("yes" if limit < len(PLATES) else "no")


def test_truncation_by_the_settings(place: Place) -> None:
    client = create_app(place.archive, Settings(default_maxrec=2, largest_maxrec=3)).test_client()
    body = client.get("/api/exposures").get_json()
    assert (body["count"], body["truncated"], body["query"]["maxrec"]) == (2, True, 2)
    assert error_of(client.get("/api/exposures?maxrec=4"))["parameter"] == "maxrec"


def test_the_question_is_repeated(client: FlaskClient) -> None:
    query = client.get("/api/exposures?region=ALL&series=qn,wm&from=1900&maxrec=9").get_json()
    assert query["query"] == {"region": "all", "series": ["qn,wm"], "from": "1900", "maxrec": 9}


def test_forms_by_post(client: FlaskClient) -> None:
    corners = " ".join(f"{80 + at / 100} {20 + at % 2}" for at in range(3))
    for path, form in (
        ("/api/exposures", {"region": f"polygon {corners}", "series": "QN"}),
        ("/api/epochs", {"region": "all", "bin": "5"}),
        ("/api/map", {"show": "plates", "order": "2"}),
        ("/api/moc", {"order": "3"}),
    ):
        posted = client.post(path, data=form)
        assert posted.status_code == 200
        assert posted.data == client.get(path, query_string=form).data
    mixed = client.post("/api/exposures?maxrec=1", data={"region": "all"}).get_json()
    assert mixed["count"] == 1
    many_parts = client.post(
        "/api/exposures", data={"region": "all"}, content_type="multipart/form-data"
    )
    assert many_parts.get_json()["count"] == len(PLATES)


# --- manners -------------------------------------------------------------------------------

EVERY_PATH = (
    "/api/exposures", "/api/epochs", "/api/map?show=years&order=2", "/api/moc?order=3",
    "/api/plates/QN-1",
)  # fmt: skip


@pytest.mark.parametrize("path", EVERY_PATH)
def test_manners(client: FlaskClient, path: str) -> None:
    got = client.get(path)
    assert got.status_code == 200
    assert got.headers["Platecover-Edition"] == "1"
    assert got.headers["X-Content-Type-Options"] == "nosniff"
    assert "default-src 'self'" in got.headers["Content-Security-Policy"]
    assert got.headers["Access-Control-Allow-Origin"] == "*"
    head = client.head(path)
    assert head.data == b""
    assert head.content_length == got.content_length
    assert head.headers["ETag"] == got.headers["ETag"]
    again = client.get(path, headers={"If-None-Match": got.headers["ETag"]})
    assert again.status_code == 304 and again.data == b""
    assert client.get(path, headers={"If-None-Match": 'W/"0"'}).status_code == 200


@pytest.mark.parametrize(
    "path", [*(f"/api/exposures?format={form}" for form in ROW_FORMS), "/cone?RA=9&DEC=9&SR=180"]
)
def test_long_answers_are_sent_while_they_are_written(
    demo_client: FlaskClient, path: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = demo_client.get(path)
    assert whole.content_length == len(whole.data)
    monkeypatch.setattr(asking, "_MANY_ROWS", 1000)
    monkeypatch.setattr(row_texts, "PIECE_ROWS", 300)
    sent = demo_client.get(path)
    assert sent.data == whole.data and sent.content_length is None
    head = demo_client.head(path)
    assert head.data == b"" and head.status_code == 200 and head.content_length is None
    assert head.headers["ETag"] == sent.headers["ETag"] == whole.headers["ETag"]
    again = demo_client.get(path, headers={"If-None-Match": whole.headers["ETag"]})
    assert again.status_code == 304 and again.data == b""


def test_tags_tell_answers_apart(client: FlaskClient, place: Place) -> None:
    other = create_app(place.archive, Settings(public_columns="plate")).test_client()
    tags = [
        asked.get(path).headers["ETag"]
        for asked in (client, other)
        for path in ("/api/exposures", "/api/exposures?maxrec=1", "/api/moc?order=2")
    ]
    assert len(set(tags)) == len(tags)
    refused = client.get("/api/exposures?ra=1", headers={"If-None-Match": "*"})
    assert refused.status_code == 400 and "ETag" not in refused.headers


def test_options(client: FlaskClient) -> None:
    answer = client.options("/api/exposures")
    assert answer.status_code == 200 and "POST" in answer.headers["Allow"]


# --- errors --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("path", "parameter", "value", "message"),
    [
        ("/api/exposures?radius=nan&ra=1&dec=2", "radius", "nan", "from 0 to 180, got 'nan'"),
        ("/api/exposures?ra=1&dec=2", "radius", None, "radius is missing"),
        ("/api/exposures?region=all&ra=1", "region", "all", "either region or ra"),
        ("/api/exposures?ra=1&ra=1&dec=0&radius=1", "ra", "1, 1", "takes one value, got 2"),
        ("/api/exposures?format=fits", "format", "fits", "one of json, csv, votable"),
        ("/api/exposures?series=ZZ", "series", "ZZ", "'ZZ' is not known; known: QN, WM"),
        ("/api/exposures?series=", "series", "", "has no value"),
        ("/api/exposures?from=1898-13", "from", "1898-13", "year, month or date"),
        ("/api/exposures?to=then", "to", "then", "year, month or date"),
        ("/api/exposures?since=1900", "since", "1900", "no parameter 'since'"),
        ("/api/exposures?certainty=quite", "certainty", "quite", "sure, marginal"),
        ("/api/epochs?bin=0", "bin", "0", "from 1 to 1000"),
        ("/api/epochs?region=disc+1+2+3", "region", "disc 1 2 3", "unknown region 'disc'"),
        ("/api/epochs?maxrec=1", "maxrec", "1", "epochs has no parameter 'maxrec'"),
        ("/api/map", "show", None, "show is missing"),
        ("/api/map?show=beauty", "show", "beauty", "one of exposures, plates"),
        ("/api/map?show=plates&order=30", "order", "30", "from 0 to 9"),
        ("/api/map?show=plates&format=gif", "format", "gif", "one of json, fits, png, svg"),
        ("/api/map?show=plates&certainty=sure", "certainty", "sure", "no parameter"),
        ("/api/moc?order=30", "order", "30", "from 0 to 11"),
        ("/api/moc?region=all", "region", "all", "no parameter"),
        ("/api/plates/QN-1?format=csv", "format", "csv", "it takes none"),
    ],
)  # fmt: skip
def test_errors_name_the_parameter(
    client: FlaskClient, path: str, parameter: str, value: str | None, message: str
) -> None:
    error = error_of(client.get(path))
    assert (error["parameter"], error["value"]) == (parameter, value)
    assert message in error["message"]


@pytest.mark.parametrize(
    ("designation", "message"),
    [
        ("QN-77", "nearest: QN-3b, QN-2, QN-1"),
        ("ZZ-1", "unknown series"),
        ("nonsense", "QN, WM"),
        ("", "designation"),
        ("..%2f..%2fetc%2fpasswd", "QN, WM"),
        ("QN-" + "9" * 500, "too long"),
        ("%00", "QN, WM"),
        ("QN 1/exposures", "QN, WM"),
    ],
)
def test_unknown_plates(client: FlaskClient, designation: str, message: str) -> None:
    error = error_of(client.get(f"/api/plates/{designation}"), 404)
    assert error["parameter"] == "designation"
    assert message in error["message"]


def test_paths_and_methods_that_there_are_not(client: FlaskClient) -> None:
    for path in ("/api/exposure", "/api/exposures/", "/api/EPOCHS", "/api/../x"):
        error = error_of(client.get(path), 404)
        assert error["parameter"] is None and "/api/exposures" in error["message"]
    page = client.get("/api", follow_redirects=True)  # how to ask, for people
    assert page.status_code == 200 and page.mimetype == "text/html"
    for method in ("PUT", "DELETE", "PATCH"):
        answer = client.open("/api/exposures", method=method)
        error_of(answer, 405)
        assert "GET" in answer.headers["Allow"]
    error_of(client.post("/api/plates/QN-1"), 405)
    elsewhere = client.get("/nowhere")
    assert elsewhere.status_code == 404 and elsewhere.mimetype == "text/plain"


def test_bodies_that_are_no_forms(client: FlaskClient) -> None:
    error_of(client.post("/api/exposures", json={"region": "all"}), 415)
    error_of(client.post("/api/exposures", data=b"x", content_type="text/plain"), 415)
    upload = {"region": (io.BytesIO(b"3/1"), "m.txt")}
    assert error_of(client.post("/api/exposures", data=upload))["parameter"] == "region"
    assert client.post("/api/exposures").get_json()["count"] == len(PLATES)  # nothing at all
    broken = client.post(
        "/api/moc", data=b"--x\r\nConte", content_type="multipart/form-data; boundary=x"
    )
    assert broken.status_code < 500


@pytest.mark.parametrize("name", ["region", "ra", "series", "observer", "format", "nonsense"])
def test_a_value_of_a_megabyte(client: FlaskClient, name: str) -> None:
    for megabyte in ("x" * 1_000_000, "9" * 1_048_576, "\x00" * 300_000):
        assert error_of(client.post("/api/exposures", data={name: megabyte}))["parameter"] == name


def test_a_megabyte_of_names_and_beyond(client: FlaskClient) -> None:
    form = "application/x-www-form-urlencoded"
    names = "&".join(f"n{at}=" for at in range(90_000))
    assert error_of(client.post("/api/epochs", data=names, content_type=form))["parameter"] == "n0"
    doubled = "&".join(["ra=1"] * 150_000)
    assert (
        error_of(client.post("/api/epochs", data=doubled, content_type=form))["parameter"] == "ra"
    )
    beyond = client.post("/api/exposures", data=b"x" * 1_300_000, content_type=form)
    assert "1200000 bytes" in error_of(beyond, 413)["message"]
    many = client.post("/api/exposures", data={f"n{at}": "" for at in range(2000)},
                       content_type="multipart/form-data")  # fmt: skip
    error_of(many, 413)


def test_a_long_moc_is_answered(client: FlaskClient) -> None:
    moc = "moc 12/" + " ".join(str(cell) for cell in range(0, 500_000, 5))
    assert 600_000 < len(moc) < 1_000_000
    answer = client.post("/api/exposures", data={"region": moc, "format": "csv"})
    assert answer.status_code == 200


def test_the_names_of_files_are_not_read(client: FlaskClient, place: Place) -> None:
    Archive.open(place.archive).moc(3).save(place.folder / "m.fits", "fits", overwrite=True)
    for text in (f"moc {place.folder}/m.fits", "moc m.fits", "moc file:///etc/passwd"):
        error = error_of(client.get("/api/exposures", query_string={"region": text}))
        assert error["parameter"] == "region" and "files are not read" in error["message"]


def test_hostile_queries_get_errors_that_name_a_parameter(client: FlaskClient) -> None:
    for path in hostile_api_queries(1000, seed=1893):
        answer = client.get(path)
        assert answer.status_code == 400, path[:300]
        assert error_of(answer)["parameter"] is not None, path[:300]


def test_a_mistake_of_ours_tells_nothing(
    place: Place, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def breaks(self: Archive, *_: object, **__: object) -> None:
        raise RuntimeError("secret inside")

    monkeypatch.setattr(Archive, "epochs", breaks)
    client = create_app(place.archive).test_client()
    error = error_of(client.get("/api/epochs"), 500)
    assert "secret" not in error["message"]
    number = error["message"].split()[-1]
    assert number in caplog.text and "secret inside" in caplog.text


# --- what the public may see ---------------------------------------------------------------


def test_hidden_columns_stay_hidden(tmp_path: Path) -> None:
    # a remark repeats the cell that it is about
    place = Place(tmp_path).build([{**PLATES[0], "limiting_mag": "bright"}, *PLATES[1:]])
    assert b"bright" in create_app(place.archive).test_client().get("/api/plates/QN-1").data
    settings = Settings(public_columns="plate,series,t_min")
    client = create_app(place.archive, settings).test_client()
    shown = {"exposure_id", "s_ra", "s_dec", "plate", "series", "t_min"}
    body = client.get("/api/exposures").get_json()
    assert all(set(each) == shown for each in body["exposures"])
    for form in ("csv", "votable", "ecsv", "parquet"):
        text = client.get(f"/api/exposures?format={form}").data
        assert b"Ada Fenn" not in text and b"plates.example" not in text
        assert b"observer" not in text and b"access_url" not in text
    for filtered in ("observer=Ada", "scanned=yes", "status=on+shelf", "min_exposure=5"):
        error = error_of(client.get(f"/api/exposures?{filtered}"))
        assert error["parameter"] == filtered.partition("=")[0]
    assert error_of(client.get("/api/map?show=unscanned"))["parameter"] == "show"
    record = client.get("/api/plates/QN-1").get_json()
    assert list(record) == ["plate", "exposures", "logged", "remarks", "history"]
    for hidden in (b"Ada Fenn", b"bright"):
        assert hidden not in client.get("/api/plates/QN-1").data
    assert set(record["plate"]) == {"plate", "series"}
    assert set(record["exposures"][0]) == shown | {"outline"}
    assert client.get("/api/exposures?from=1900&series=QN").status_code == 200
    error_of(client.get("/api/epochs"), 403)


def test_without_the_setting_everything_is_seen(client: FlaskClient) -> None:
    assert b"Ada Fenn" in client.get("/api/exposures").data
    assert b"Ada Fenn" in client.get("/api/plates/QN-1").data


# --- the archive as it changes -------------------------------------------------------------


def test_new_editions_are_picked_up(tmp_path: Path) -> None:
    place = Place(tmp_path).build()
    client = create_app(place.archive).test_client()
    before = client.get("/api/exposures")
    place.build([*PLATES, {**PLATES[0], "plate": "QN 11"}])
    after = client.get("/api/exposures", headers={"If-None-Match": before.headers["ETag"]})
    assert after.get_json()["edition"] == before.get_json()["edition"] + 1 == 2
    assert after.get_json()["count"] == before.get_json()["count"] + 1
    assert after.headers["ETag"] != before.headers["ETag"]


def test_an_archive_that_goes_and_comes_back(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    place = Place(tmp_path).build()
    client = create_app(place.archive).test_client()
    away = tmp_path / "away"
    place.archive.rename(away)
    for path in EVERY_PATH:
        answer = client.get(path)
        error = error_of(answer, 503)
        assert error["parameter"] is None
        assert str(tmp_path) not in error["message"]  # strangers need not know
        assert answer.headers["Retry-After"]
    assert str(tmp_path) in caplog.text  # the keeper does
    cone = client.get("/cone?RA=1&DEC=1&SR=1")
    assert cone.status_code == 503 and b'name="Error"' in cone.data
    error_of(client.get("/api/nowhere"), 404)
    away.rename(place.archive)
    for path in EVERY_PATH:
        assert client.get(path).status_code == 200


def test_damage_is_noticed_and_repair_too(tmp_path: Path) -> None:
    place = Place(tmp_path).build()
    client = create_app(place.archive).test_client()
    for name in ("exposures/s_ra.arrow", "geometry.npy", "edition.json", "index_cells.npy"):
        path = place.edition / name
        whole = path.read_bytes()
        for damaged in (whole[: len(whole) // 2], whole[:-1] + bytes([whole[-1] ^ 1]), b""):
            path.write_bytes(damaged)  # cut short, or another byte, or nothing
            error_of(client.get("/api/exposures"), 503)
            error_of(client.get("/api/exposures"), 503)
        path.unlink()
        error_of(client.get("/api/exposures"), 503)
        path.write_bytes(whole)
        assert client.get("/api/exposures").get_json()["count"] == len(PLATES), name
    current = place.archive / "current"
    for text in ("99\n", "", "one"):
        current.write_text(text)
        error_of(client.get("/api/exposures"), 503)
    current.write_text("1\n")
    assert client.get("/api/exposures").status_code == 200


def test_an_application_needs_an_archive(tmp_path: Path) -> None:
    with pytest.raises(ArchiveError, match="no such folder"):
        create_app(tmp_path / "none")


def test_a_histogram_where_series_are_hidden(place: Place) -> None:
    hiding = Settings(public_columns="exposure_id,plate,t_min,epoch")
    client = create_app(place.archive, hiding).test_client()
    for form in ("png", "svg"):
        answer = client.get("/api/epochs", query_string={"format": form})
        assert answer.status_code == 200 and answer.data
