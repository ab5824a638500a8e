"""Every path and parameter asked by nobody who means well: the right document, never a 5xx.

The paths and parameters are those that the service declares, so that new ones are asked as well.
"""

import json
import re
import socket
from collections.abc import Iterator
from typing import Any
from urllib.parse import quote_from_bytes, urlencode, urlsplit
from xml.etree import ElementTree

import pytest
from tests.running_server import Answer, RunningServer, serving
from tests.small_archive import Place

from platecover.service.endpoints import ENDPOINTS, Endpoint
from platecover.service.parameters import Parameter
from platecover.service.questions import questions
from platecover.service.settings import Settings

FORM = "application/x-www-form-urlencoded"
MULTIPART = "multipart/form-data; boundary=xBx"
MEGABYTE = 1_048_576
LONG_LINE, LONG_HEADER = 9_000, 20_000  # characters, more than are read
QUESTIONS = questions(Settings())
ASKED = [each for each in ENDPOINTS if each.question]
NUMBERS = ("number", "integer")
TABLE = "ra,dec\n83.6,22\n"  # where a table must be sent
RIGHT = {
    "ra": "83.6", "dec": "22", "radius": "1", "RA": "83.6", "DEC": "22", "SR": "1",
    "show": "plates", "budget": "2 plates", "maxrec": "2", "MAXREC": "2", "order": "2",
}  # fmt: skip
NEVER_RIGHT = ("", "\x00", "\ufffd\ud7ff", "]]>", "${7*7}", "1\r\nSet-Cookie: a=b", "<b>", "\u202e")
NO_NUMBERS = (*NEVER_RIGHT, "nan", "NaN", "inf", "-inf", "1_000", "1e999", "0x10", "\uff11", "1,5",
              "1 2", "--1", "one")  # fmt: skip
NO_UTF8 = (b"\xff", b"\xc3\x28", b"\xed\xa0\x80", b"\x80\x00")
UNKNOWN = ("invented", "", "region[]", "__class__", "<b>", "\x00", "x" * 3000)


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningServer]:
    place = Place(tmp_path_factory.mktemp("hostile")).build()
    with serving(place.folder, "serve", "--archive", place.archive, "--port", 0) as running:
        yield running
        assert running.stop() == 0
        assert "Traceback" not in running.complaints.read_text()


def path_of(endpoint: Endpoint) -> str:
    return endpoint.path.format(designation="QN-1")


def needed(endpoint: Endpoint, but: str = "") -> list[tuple[str, str]]:
    """What must be asked for an answer, one parameter left out."""
    asked = [
        (each.name, RIGHT[each.name])
        for each in QUESTIONS[endpoint.question].parameters
        if each.name != but and (each.required or each.name in ("maxrec", "MAXREC", "order"))
    ]
    if but in ("ra", "dec", "radius"):
        asked += [(name, RIGHT[name]) for name in ("ra", "dec", "radius") if name != but]
    return asked


def send(
    server: RunningServer, endpoint: Endpoint, pairs: list[tuple[str, Any]], method: str
) -> Answer:
    """Ask with some parameters, in the address or as a form."""
    if endpoint.field:
        pairs = [*pairs, (endpoint.field, TABLE)]
    if method == "GET":
        return server.ask(f"{path_of(endpoint)}?{urlencode(pairs)}")
    body, kind = urlencode(pairs).encode(), FORM
    if method == "multipart":
        body, kind = multipart(pairs), MULTIPART
    return server.ask(path_of(endpoint), method="POST", body=body, Content_Type=kind)


def multipart(pairs: list[tuple[str, Any]]) -> bytes:
    """A form in parts; names without what would end a line."""
    body = b""
    for name, value in pairs:
        shown = re.sub(r'[\r\n"\x00]', "?", name).encode()
        content = value if isinstance(value, bytes) else value.encode(errors="surrogatepass")
        body += b'--xBx\r\nContent-Disposition: form-data; name="' + shown + b'"\r\n\r\n'
        body += content + b"\r\n"
    return body + b"--xBx--\r\n"


def is_error(answer: Answer, endpoint: Endpoint) -> bool:
    """Whether it is an error; in any case it must be of the form that the path speaks."""
    kind = answer.headers["Content-Type"].partition(";")[0]
    assert answer.status < 500 and "Set-Cookie" not in answer.headers
    assert answer.headers["Access-Control-Allow-Origin"] == "*"
    if endpoint.path.startswith("/api/"):
        if answer.status == 200:
            assert kind in endpoint.answers
            return False
        assert kind == "application/json"
        error = json.loads(answer.body)["error"]
        assert error["status"] == answer.status and error["message"]
        assert list(error) == ["status", "parameter", "value", "message"]
        return True
    if kind != "text/xml":
        assert answer.status == 200 and kind in endpoint.answers
        return False
    document = ElementTree.fromstring(answer.body)
    names = [each.get("name") for each in document.iter() if each.tag.endswith("INFO")]
    values = [each.get("value") for each in document.iter() if each.tag.endswith("INFO")]
    assert ("Error" in names) == ("ERROR" in values)
    assert answer.status == 200 or "Error" in names
    return "Error" in names


def methods_of(endpoint: Endpoint) -> list[str]:
    return [
        how
        for method in endpoint.methods
        for how in (("POST", "multipart") if method == "POST" else (method,))
    ]


CASES = [
    pytest.param(endpoint, how, id=f"{endpoint.path} {how}")
    for endpoint in ASKED
    for how in methods_of(endpoint)
]


@pytest.mark.parametrize(("endpoint", "how"), CASES)
def test_values_that_no_parameter_can_have(
    server: RunningServer, endpoint: Endpoint, how: str
) -> None:
    for parameter in QUESTIONS[endpoint.question].parameters:
        for value in NO_NUMBERS if parameter.kind in NUMBERS else NEVER_RIGHT:
            answer = send(server, endpoint, [*needed(endpoint, parameter.name),
                                             (parameter.name, value)], how)  # fmt: skip
            failed = is_error(answer, endpoint)
            if parameter.kind in (*NUMBERS, "word") or not value:
                assert failed, (parameter.name, value)


@pytest.mark.parametrize(("endpoint", "how"), CASES)
def test_bytes_that_are_no_text(server: RunningServer, endpoint: Endpoint, how: str) -> None:
    for parameter in QUESTIONS[endpoint.question].parameters:
        for value in NO_UTF8:
            pairs: list[tuple[str, Any]] = [*needed(endpoint, parameter.name)]
            pairs.append((parameter.name, value))
            failed = is_error(send(server, endpoint, pairs, how), endpoint)
            assert failed or parameter.kind == "text"
    raw = quote_from_bytes(NO_UTF8[0])
    is_error(server.ask(f"{path_of(endpoint)}?{raw}={raw}"), endpoint)


@pytest.mark.parametrize(("endpoint", "how"), CASES)
def test_missing_doubled_and_out_of_range(
    server: RunningServer, endpoint: Endpoint, how: str
) -> None:
    for parameter in QUESTIONS[endpoint.question].parameters:
        name, others = parameter.name, needed(endpoint, parameter.name)
        if parameter.required:
            assert is_error(send(server, endpoint, others, how), endpoint)
        if parameter.single:
            value = RIGHT.get(name) or (parameter.words or ("1900",))[0]
            twice = [*others, (name, value), (name, value)]
            assert is_error(send(server, endpoint, twice, how), endpoint), name
        for beyond in too_far(parameter):
            assert is_error(send(server, endpoint, [*others, (name, beyond)], how), endpoint)


def too_far(parameter: Parameter) -> Iterator[str]:
    """Numbers just beyond the limits, and far."""
    if parameter.kind in NUMBERS:
        for limit, step in ((parameter.low, -1), (parameter.high, 1)):
            if abs(limit) < float("inf"):
                yield f"{limit + step:.0f}"
                yield f"{step * 10**30}"


@pytest.mark.parametrize(("endpoint", "how"), CASES)
def test_unknown_names(server: RunningServer, endpoint: Endpoint, how: str) -> None:
    for name in UNKNOWN:
        failed = is_error(send(server, endpoint, [*needed(endpoint), (name, "1")], how), endpoint)
        assert failed != QUESTIONS[endpoint.question].lenient, name


@pytest.mark.parametrize(("endpoint", "how"), [each for each in CASES if each.values[1] != "GET"])
def test_a_megabyte_of_text(server: RunningServer, endpoint: Endpoint, how: str) -> None:
    for parameter in QUESTIONS[endpoint.question].parameters:
        for letter in "1x":
            pairs = [*needed(endpoint, parameter.name), (parameter.name, letter * MEGABYTE)]
            answer = send(server, endpoint, pairs, how)
            assert is_error(answer, endpoint) and len(answer.body) < 3_000
            assert answer.status in (200, 400)


@pytest.mark.parametrize("endpoint", ASKED, ids=lambda each: each.path)
def test_bodies_that_are_no_forms(server: RunningServer, endpoint: Endpoint) -> None:
    if "POST" not in endpoint.methods:
        return
    for kind, body in (
        ("application/json", b"{}"), ("text/html", b"<b>"), ("image/png", b"\x89PNG"),
        ("multipart/form-data", b"--x\r\n"), (MULTIPART, b"--xBx\r\n\r\n"), (MULTIPART, b""),
        (MULTIPART, b"--xBx\r\nContent-Disposition: form-data; name*=utf-9''%ff\r\n\r\n1"),
        (FORM, b"&&==%%%&" * 99), (FORM, b"\xff\xfe\x00"), (FORM + "; charset=utf-7", b"a=+AGE-"),
        ("\xff", b"x"), (FORM, b"a=1&" * 5_000),
    ):  # fmt: skip
        answer = server.ask(path_of(endpoint), method="POST", body=body, Content_Type=kind)
        is_error(answer, endpoint)
        assert answer.status in (200, 400, 413, 415), (kind, body[:40])
    sent = server.ask(path_of(endpoint), method="POST", body=b"{}", Content_Type="application/json")
    assert sent.status == 415


@pytest.mark.parametrize("endpoint", ENDPOINTS, ids=lambda each: each.path)
def test_hostile_headers(server: RunningServer, endpoint: Endpoint) -> None:
    method = endpoint.methods[0]
    for name, value in (
        ("Accept", "\xff;q=\xb2"), ("Accept", "," * 4000), ("Accept", "text/csv;q=nan"),
        ("Accept-Encoding", "gzip;q=1e999, *;q=-1"), ("Accept-Encoding", "gzip;q="),
        ("If-None-Match", '"' * 4000), ("If-None-Match", "W/"), ("If-None-Match", "\xff"),
        ("If-Modified-Since", "Sat, 99 Foo 99999 99:99:99 GMT"), ("Range", "bytes=9-1,-,x"),
        ("Origin", "null"), ("Cookie", "=" * 4000), ("Content-Length", "0"), ("Host", "a b<c>"),
        ("X-Forwarded-Host", "evil.example"), ("X-HTTP-Method-Override", "DELETE"),
    ):  # fmt: skip
        answer = server.ask(path_of(endpoint), method=method, **{name: value})
        assert answer.status < 500
        assert "html" not in answer.headers["Content-Type"]
        assert b"evil.example" not in answer.body


@pytest.mark.parametrize("endpoint", ENDPOINTS, ids=lambda each: each.path)
def test_what_is_too_long_to_be_read(server: RunningServer, endpoint: Endpoint) -> None:
    # RFC 9110, section 15.5.15; RFC 6585, section 5
    path, method = path_of(endpoint), endpoint.methods[0]
    line = server.ask(f"{path}?x={'x' * LONG_LINE}", method=method)
    header = server.ask(path, method=method, X_Long="x" * LONG_HEADER)
    assert (line.status, header.status) == (414, 431)
    for answer in (line, header):
        assert answer.headers["Content-Type"].startswith("text/plain")
        assert answer.headers["Access-Control-Allow-Origin"] == "*"
    assert b"POST" in line.body


def test_what_is_no_http(server: RunningServer) -> None:
    parts = urlsplit(server.url)
    for rubbish, status in (
        (b"GET /cone\r\n\r\n", 400),
        (b"GET /cone HTTP/1.1\r\nHost: x\r\nA\x00b: 1\r\n\r\n", 400),
        (b"GET /cone HTTP/9.1\r\nHost: x\r\n\r\n", 400),
        (b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03\r\n\r\n", 400),  # TLS
        (b"GET /cone HTTP/1.1\r\nHost: x\r\nExpect: tea\r\n\r\n", 417),
        (b"POST /cone HTTP/1.1\r\nHost: x\r\nContent-Length: x\r\n\r\n", 400),
        (b"GET /cone HTTP/1.1\r\nHost: x\r\n" + b"A: 1\r\n" * 500 + b"\r\n", 431),
    ):
        with socket.create_connection((parts.hostname, parts.port), timeout=10) as connection:
            connection.sendall(rubbish)
            answer = b"".join(iter(lambda: connection.recv(65536), b""))  # noqa: B023
        assert answer.startswith(b"HTTP/1.1 %d " % status), (rubbish[:40], answer[:80])
        assert b"text/plain" in answer and b"<" not in answer


def test_forms_that_are_cut_off(server: RunningServer) -> None:
    parts = urlsplit(server.url)
    for endpoint in ASKED:
        if "POST" not in endpoint.methods:
            continue
        for kind, body in ((FORM, urlencode(needed(endpoint)).encode() + b"&x="),
                           (MULTIPART, multipart(needed(endpoint)))):  # fmt: skip
            request = (
                f"POST {endpoint.path} HTTP/1.1\r\nHost: x\r\nContent-Type: {kind}\r\n"
                f"Content-Length: {len(body) + 100}\r\n\r\n"
            )
            with socket.create_connection((parts.hostname, parts.port), timeout=10) as connection:
                connection.sendall(request.encode() + body)
                connection.shutdown(socket.SHUT_WR)
                answer = b"".join(iter(lambda: connection.recv(65536), b""))  # noqa: B023
            assert answer.startswith(b"HTTP/1.1 400 "), answer[:200]
            assert b"html" not in answer and b" bytes" in answer


def test_chunks_that_are_none(server: RunningServer) -> None:
    parts = urlsplit(server.url)
    for endpoint in ASKED:
        if "POST" not in endpoint.methods:
            continue
        for chunks in (b"zz\r\n", b"5\r\nab", b"-5\r\nabcde\r\n0\r\n\r\n", b"ffffffffffff\r\nab"):
            request = (
                f"POST {endpoint.path} HTTP/1.1\r\nHost: x\r\nContent-Type: {FORM}\r\n"
                "Transfer-Encoding: chunked\r\n\r\n"
            )
            with socket.create_connection((parts.hostname, parts.port), timeout=10) as connection:
                connection.sendall(request.encode() + chunks)
                connection.shutdown(socket.SHUT_WR)
                answer = b"".join(iter(lambda: connection.recv(65536), b""))  # noqa: B023
            assert re.match(rb"HTTP/1\.1 [24]\d\d ", answer) or not answer, (chunks, answer[:200])
            assert b"html" not in answer
