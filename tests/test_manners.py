"""Manners of HTTP against a running server (RFC 9110, 8631, 9651; WHATWG Fetch for other sites)."""

import gzip
import json
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlencode

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.running_server import RunningServer, serving
from tests.small_archive import Place

from platecover.service.app import create_app
from platecover.service.manners import display_string
from platecover.service.settings import Settings

EXPOSURES = "/api/exposures?region=all"
FORM = "application/x-www-form-urlencoded"
EVERYTHING = (
    EXPOSURES, "/api/epochs?region=all", "/api/map?show=plates&order=1", "/api/moc?order=3",
    "/api/plates/QN-1", "/api/openapi.json", "/cone?RA=83&DEC=22&SR=5", "/sia2/query?MAXREC=2",
)  # fmt: skip


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Place:
    return Place(tmp_path_factory.mktemp("manners")).build()


@pytest.fixture(scope="module")
def server(place: Place, tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningServer]:
    folder = tmp_path_factory.mktemp("served")
    with serving(folder, "serve", "--archive", place.archive, "--port", "0") as running:
        yield running


@pytest.mark.parametrize("path", EVERYTHING)
def test_head_is_get_without_a_body(server: RunningServer, path: str) -> None:
    # RFC 9110, section 9.3.2
    got, head = server.ask(path), server.ask(path, method="HEAD")
    assert (got.status, head.status, head.body) == (200, 200, b"")
    for name in ("Content-Type", "ETag", "Platecover-Edition", "Content-Length"):
        assert head.headers[name] == got.headers[name]


def test_head_tells_what_get_would_pack(server: RunningServer) -> None:
    got = server.ask(EXPOSURES, Accept_Encoding="gzip")
    head = server.ask(EXPOSURES, method="HEAD", Accept_Encoding="gzip")
    assert head.body == b"" and got.headers["Content-Encoding"] == "gzip"
    without = {"Date"}
    assert [each for each in head.headers.items() if each[0] not in without] == [
        each for each in got.headers.items() if each[0] not in without
    ]


@pytest.mark.parametrize("path", EVERYTHING)
def test_answers_tell_where_they_come_from(server: RunningServer, place: Place, path: str) -> None:
    headers = server.ask(path).headers
    assert headers["Platecover-Edition"] == "1"
    assert headers["Platecover-Edition-Date"].endswith("+00:00")
    assert headers["Platecover-Citation"].startswith('%"Brackwater Observatory (invented)')
    assert headers["Content-Location"].partition("?")[0] == path.partition("?")[0]
    # RFC 8631: where a service is described, for programs and for people
    assert '</api/openapi.json>; rel="service-desc"' in headers["Link"]
    assert '</api/>; rel="service-doc"' in headers["Link"]


def test_content_location_asks_a_post_again_with_get(server: RunningServer) -> None:
    fields = {"ra": "83.63", "dec": "22.01", "radius": "5", "observer": "Ü & co"}
    posted = server.ask(
        "/api/exposures", method="POST", body=urlencode(fields).encode(), Content_Type=FORM
    )
    again = server.ask(posted.headers["Content-Location"])
    assert again.status == posted.status == 200
    assert json.loads(again.body) == json.loads(posted.body)


@pytest.mark.parametrize("path", EVERYTHING)
def test_what_has_not_changed_is_not_sent_again(server: RunningServer, path: str) -> None:
    # RFC 9110, section 13.1.2
    tag = server.ask(path).headers["ETag"]
    assert tag.startswith('W/"')
    for given_tags in (tag, f'"other", {tag}', tag.removeprefix("W/"), f'{tag} , W/"x"'):
        again = server.ask(path, If_None_Match=given_tags)
        assert (again.status, again.body) == (304, b"")
        assert again.headers["ETag"] == tag
    assert server.ask(path, If_None_Match='W/"other"').status == 200


@pytest.mark.parametrize("path", EVERYTHING)
def test_not_modified_says_what_a_cache_needs(server: RunningServer, path: str) -> None:
    # RFC 9110, section 15.4.5: what 200 would have said of these
    got = server.ask(path)
    again = server.ask(path, If_None_Match=got.headers["ETag"])
    for name in ("Cache-Control", "Content-Location", "ETag", "Platecover-Edition"):
        assert again.headers[name] == got.headers[name]
    varies = {each.strip() for each in got.headers.get("Vary", "").split(",")} - {""}
    assert varies <= {each.strip() for each in again.headers["Vary"].split(",")}


def test_any_answer_will_do(server: RunningServer) -> None:
    # RFC 9110, section 13.1.2: * is met by whatever there is
    for method in ("GET", "HEAD"):
        answer = server.ask(EXPOSURES, method=method, If_None_Match="*")
        assert (answer.status, answer.body) == (304, b"")
    assert server.ask("/api/exposures?region=x", If_None_Match="*").status == 400
    assert server.ask("/api/plates/QN-99", If_None_Match="*").status == 404


def test_packed_files_of_the_page(server: RunningServer) -> None:
    # RFC 9110, section 8.8.3.3: other bytes must not have the same strong tag
    plain = server.ask("/static/page.css")
    packed = server.ask("/static/page.css", Accept_Encoding="gzip")
    assert gzip.decompress(packed.body) == plain.body
    assert packed.headers["ETag"] == f"W/{plain.headers['ETag']}"
    assert "Accept-Ranges" not in packed.headers
    for tag in (plain.headers["ETag"], packed.headers["ETag"]):
        assert server.ask("/static/page.css", If_None_Match=tag).status == 304
    part = server.ask("/static/page.css", Accept_Encoding="gzip", Range="bytes=0-9")
    assert (part.status, part.body) == (206, plain.body[:10])


def test_gzip_for_those_who_take_it(server: RunningServer) -> None:
    # RFC 9110, section 12.5.3
    plain = server.ask(EXPOSURES)
    packed = server.ask(EXPOSURES, Accept_Encoding="br, gzip;q=0.5")
    assert "Content-Encoding" not in plain.headers
    assert packed.headers["Content-Encoding"] == "gzip"
    assert gzip.decompress(packed.body) == plain.body
    assert len(packed.body) == int(packed.headers["Content-Length"]) < len(plain.body)
    for answer in (plain, packed):
        assert "Accept-Encoding" in answer.headers["Vary"]
    assert "Content-Encoding" not in server.ask(EXPOSURES, Accept_Encoding="gzip;q=0").headers
    picture = "/api/map?show=plates&order=1&format=png"
    assert "Content-Encoding" not in server.ask(picture, Accept_Encoding="gzip").headers


def test_long_answers_are_packed_while_they_are_sent(
    place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("platecover.service.asking._MANY_ROWS", 1)
    client = create_app(place.archive).test_client()
    packed = client.get(EXPOSURES, headers={"Accept-Encoding": "gzip"}, buffered=False)
    assert packed.is_streamed and "Content-Length" not in packed.headers
    assert gzip.decompress(packed.data) == client.get(EXPOSURES).data


def test_other_sites_may_read(server: RunningServer) -> None:
    # WHATWG Fetch, section 3.2 (CORS protocol)
    answer = server.ask(EXPOSURES, Origin="https://elsewhere.example")
    assert answer.headers["Access-Control-Allow-Origin"] == "*"
    shown = answer.headers["Access-Control-Expose-Headers"].split(", ")
    assert {"Platecover-Edition", "Platecover-Citation", "ETag", "Link"} <= set(shown)
    preflight = server.ask(
        "/api/exposures", method="OPTIONS", Origin="https://elsewhere.example",
        Access_Control_Request_Method="POST", Access_Control_Request_Headers="content-type",
    )  # fmt: skip
    assert preflight.status == 200 and preflight.body == b""
    assert "Content-Type" not in preflight.headers
    assert "POST" in preflight.headers["Access-Control-Allow-Methods"]
    targets = server.ask("/api/targets", method="OPTIONS").headers["Access-Control-Allow-Methods"]
    assert "POST" in targets and "GET" not in targets
    assert "content-type" in preflight.headers["Access-Control-Allow-Headers"].lower()


@pytest.mark.parametrize("path", EVERYTHING)
def test_methods_that_are_not_answered(server: RunningServer, path: str) -> None:
    # RFC 9110, section 15.5.6
    for method in ("PUT", "DELETE", "PATCH"):
        answer = server.ask(path, method=method)
        assert answer.status == 405 and "GET" in answer.headers["Allow"]
        assert "html" not in answer.headers["Content-Type"]


def test_bodies_that_are_not_read(server: RunningServer) -> None:
    sent = server.ask("/api/exposures", method="POST", body=b"{}", Content_Type="application/json")
    assert sent.status == 415 and json.loads(sent.body)["error"]["status"] == 415
    long = b"region=" + b"x" * 3_000_000
    assert server.ask("/api/exposures", method="POST", body=long, Content_Type=FORM).status == 413
    assert server.ask("/api/exposures?region=" + "x" * 9_000).status == 414


def test_a_part_of_a_form_without_a_name(server: RunningServer) -> None:
    body = b"--x\r\nContent-Disposition: form-data\r\n\r\n1\r\n--x--\r\n"
    kind = "multipart/form-data; boundary=x"
    for path, status in (("/api/exposures", 400), ("/sia2/query", 200), ("/api/targets", 400)):
        assert server.ask(path, method="POST", body=body, Content_Type=kind).status == status


def test_preflight_asks_no_archive(place: Place, tmp_path: Path) -> None:
    client = create_app(place.archive).test_client()
    place.archive.rename(tmp_path / "away")
    try:  # else a browser would hide the 503 from the page that asks
        assert client.options("/api/exposures").status_code == 200
        assert client.get("/api/exposures").status_code == 503
    finally:
        (tmp_path / "away").rename(place.archive)


def test_below_a_path_of_a_public_address(place: Place) -> None:
    settings = Settings(public_url="https://plates.example/old sky/".replace(" ", "%20"))
    headers = create_app(place.archive, settings).test_client().get(EXPOSURES).headers
    assert headers["Content-Location"] == f"/old%20sky{EXPOSURES}"
    assert '</old%20sky/api/openapi.json>; rel="service-desc"' in headers["Link"]


def test_a_citation_of_any_letters_is_one_line(place: Place) -> None:
    settings = Settings(citation='Obs. "Füße"\r\nSet-Cookie: a=1, 100 %')
    answer = create_app(place.archive, settings).test_client().get(EXPOSURES)
    assert answer.headers["Platecover-Citation"] == (
        '%"Obs. %22F%c3%bc%c3%9fe%22%0d%0aSet-Cookie: a=1, 100 %25"'
    )
    assert "Set-Cookie" not in answer.headers
    assert answer.json is not None and answer.json["citation"] == settings.citation


@given(st.text())
def test_display_strings(text: str) -> None:
    # RFC 9651, section 4.1.11: printable ASCII, with % and " and all other bytes as lower-case hex
    shown = display_string(text)
    assert shown[:2] == '%"' and shown[-1] == '"' and '"' not in shown[2:-1]
    assert all(0x20 <= ord(letter) < 0x7F for letter in shown)
    read = bytearray()
    rest = shown[2:-1]
    while rest:
        taken = 3 if rest[0] == "%" else 1
        read += bytes.fromhex(rest[1:3]) if taken == 3 else rest[0].encode()
        rest = rest[taken:]
    assert bytes(read) == text.encode(errors="replace")
