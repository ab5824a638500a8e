"""Lists of targets sent to a running server and to the command; what comes back, and what not."""

import http.client
import io
import json
import socket
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlencode, urlsplit

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from tests.running_server import Answer, RunningServer, serving
from tests.small_archive import Place, command, run
from tests.test_target_list import FORMS, HOSTILE, parquet_bytes

from platecover.coverage.archive import Archive
from platecover.service.app import create_app
from platecover.service.settings import Settings

PATH = "/api/targets"
FORM = "application/x-www-form-urlencoded"
CSV = "text/csv"
LIST = b"name,ra,dec,radius\nfield,83.6,22.0,\nwide,350,-60,1\nempty,200,80,\n=bad,400,2,\n"
MOST, LARGEST = 500, 200_000  # of this server's settings


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Place:
    return Place(tmp_path_factory.mktemp("targets")).build()


@pytest.fixture(scope="module")
def server(place: Place) -> Iterator[RunningServer]:
    settings = place.folder / "settings.toml"
    settings.write_text(f"most_targets = {MOST}\nlargest_targets_bytes = {LARGEST}\n")
    words = ("serve", "--archive", place.archive, "--port", 0, "--settings", settings)
    with serving(place.folder, *words) as running:
        yield running
        assert running.stop() == 0
        assert "Traceback" not in running.complaints.read_text()


def send(server: RunningServer, body: bytes, kind: str = CSV, query: str = "") -> Answer:
    return server.ask(f"{PATH}{query}", method="POST", body=body, Content_Type=kind)


def multipart(**parts: bytes | tuple[str, bytes]) -> tuple[bytes, str]:
    """A form of fields, and of files where a name goes with the content; with its type."""
    body = b""
    for name, part in parts.items():
        text, content = (f'; filename="{part[0]}"', part[1]) if type(part) is tuple else ("", part)
        head = f'--xBx\r\nContent-Disposition: form-data; name="{name}"{text}\r\n\r\n'
        body += head.encode() + bytes(content) + b"\r\n"  # type: ignore[arg-type]
    return body + b"--xBx--\r\n", "multipart/form-data; boundary=xBx"


def frame(answer: Answer) -> pd.DataFrame:
    assert answer.status == 200, answer.body
    kind = answer.headers["Content-Type"]
    if kind == "application/vnd.apache.parquet":
        return pd.read_parquet(io.BytesIO(answer.body))
    assert kind == "text/csv; charset=utf-8; header=present"
    return pd.read_csv(io.BytesIO(answer.body), keep_default_na=True)


def refused(answer: Answer, status: int = 400, part: str = "") -> dict[str, Any]:
    """A JSON error of a status whose message holds a part."""
    assert answer.status == status, answer.body[:500]
    assert answer.headers["Content-Type"] == "application/json"
    error: dict[str, Any] = json.loads(answer.body)["error"]
    assert error["status"] == status and part in error["message"]
    return error


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_pairs_are_those_of_python(server: RunningServer, place: Place, form: str) -> None:
    answer = send(server, LIST, query=f"?format={form}&radius=0.25")
    assert "Content-Length" not in answer.headers and answer.headers["Platecover-Edition"] == "1"
    rows = frame(answer)
    assert list(rows.columns) == ["target_row", "target_id", "exposure_id", "centre_distance",
                                  "edge_distance", "certainty", "remark"]  # fmt: skip
    archive = Archive.open(place.archive)
    for row, place_of in ((1, (83.6, 22.0, 0.25)), (2, (350.0, -60.0, 1.0))):
        mine, expected = rows[rows.target_row == row], archive.cone(*place_of)
        assert list(mine.exposure_id) == list(expected["exposure_id"]) != []
        for name in ("centre_distance", "edge_distance"):
            assert list(mine[name]) == list(expected[name])
        assert list(mine.certainty) == list(expected["certainty"])
        assert mine.remark.isna().all()
    assert sorted(rows.target_row) == list(rows.target_row)
    empty, bad = rows[rows.target_row == 3], rows[rows.target_row == 4]
    assert len(empty) == len(bad) == 1
    assert empty.exposure_id.isna().all() and list(empty.remark) == ["no exposure shows it"]
    assert bad.exposure_id.isna().all() and "0 to 360" in bad.remark.iloc[0]
    assert set(rows.target_id) >= {"field", "wide", "empty"}


def test_parquet_tells_units(server: RunningServer) -> None:
    body = send(server, LIST, query="?format=parquet").body
    schema = pq.read_schema(io.BytesIO(body))
    assert schema.field("edge_distance").metadata[b"unit"] == b"deg"
    assert all(field.metadata[b"description"] for field in schema)


@pytest.mark.parametrize("case", FORMS)
def test_every_format_as_body_and_as_file(server: RunningServer, case: str) -> None:
    kinds = {"csv": CSV, "ecsv": "text/plain", "votable": "application/x-votable+xml",
             "parquet": "application/vnd.apache.parquet"}  # fmt: skip
    content, kind = FORMS[case], kinds[case.partition(",")[0]]
    by_body = send(server, content, kind)
    assert len(frame(by_body)) >= 3
    assert send(server, content, "application/octet-stream").body == by_body.body
    body, kind = multipart(targets=("list.dat", content), radius=b"0")
    assert send(server, body, kind).body == by_body.body


def test_as_the_text_of_a_field(server: RunningServer) -> None:
    expected = send(server, LIST, query="?series=QN&certainty=sure").body
    asked = {"targets": LIST.decode(), "series": "QN", "certainty": "sure"}
    assert send(server, urlencode(asked).encode(), FORM).body == expected
    body, kind = multipart(targets=LIST, certainty=b"sure")
    assert send(server, body, kind, "?series=QN").body == expected
    assert b"WM" not in expected and b"marginal" not in expected


def test_a_list_without_names_has_no_such_column(server: RunningServer) -> None:
    rows = frame(send(server, b"dec;ra\n22.0;83.6\n"))
    assert list(rows.columns)[:2] == ["target_row", "exposure_id"] and len(rows) > 1


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_it_ends_at_maxrec_and_says_so(server: RunningServer, form: str) -> None:
    content = b"ra,dec,radius\n200,80,0\n83.6,22.0,0\n83.6,22.0,0\n"
    whole = frame(send(server, content, query=f"?format={form}"))
    pairs = int(whole.exposure_id.notna().sum())
    for most in range(pairs + 2):
        rows = frame(send(server, content, query=f"?format={form}&maxrec={most}"))
        found = rows.exposure_id.notna()
        assert found.sum() == min(most, pairs)
        ended = rows.remark.astype(str).str.contains(f"ends here, after {most} pairs")
        assert ended.sum() == (most < pairs)
        if most < pairs:
            assert ended.iloc[-1] and rows.target_row.iloc[-1] == 2 + (most >= pairs // 2)
        assert list(rows.exposure_id[found]) == list(whole.exposure_id[1:][:most])


def test_targets_that_cannot_be_read_alone(server: RunningServer) -> None:
    rows = frame(send(server, b"ra,dec\n400,2\nx,3\n"))
    assert list(rows.target_row) == [1, 2] and rows.exposure_id.isna().all()
    assert rows.remark.notna().all()


@pytest.mark.parametrize("case", HOSTILE)
@pytest.mark.parametrize("as_file", [False, True])
def test_hostile_lists_are_refused(server: RunningServer, case: str, as_file: bool) -> None:
    content, _ = HOSTILE[case]
    if case in ("too many rows", "many rows", "parquet, rows", "blank lines"):
        return  # fewer than this server allows
    kind = "application/octet-stream"
    if as_file:
        content, kind = multipart(targets=("x", content))
    answer = send(server, content, kind)
    status = 413 if len(content) > LARGEST else 400
    error = refused(answer, status)
    assert status == 413 or error["parameter"] == "targets"
    assert b"root:" not in answer.body


def test_one_row_too_many(server: RunningServer) -> None:
    assert send(server, b"ra,dec\n" + b"1,2\n" * MOST).status == 200
    refused(send(server, b"ra,dec\n" + b"1,2\n" * (MOST + 1)), part=f"more than {MOST} rows")
    frame_ = pd.DataFrame({"ra": np.zeros(MOST + 1), "dec": np.zeros(MOST + 1)})
    kind = "application/vnd.apache.parquet"
    refused(send(server, parquet_bytes(frame_), kind), part=f"more than {MOST} rows")


@pytest.mark.parametrize(
    ("query", "parameter"),
    [
        ("?radius=-1", "radius"), ("?radius=181", "radius"), ("?radius=nan", "radius"),
        ("?radius=1_0", "radius"), ("?radius=1&radius=2", "radius"), ("?series=QQ", "series"),
        ("?format=votable", "format"), ("?maxrec=-1", "maxrec"), ("?maxrec=1e3", "maxrec"),
        ("?region=all", "region"), ("?from=soon", "from"), ("?targets=1,2", "targets"),
    ],
)  # fmt: skip
def test_bad_parameters(server: RunningServer, query: str, parameter: str) -> None:
    assert refused(send(server, LIST, query=query))["parameter"] == parameter


def test_other_bodies(server: RunningServer) -> None:
    refused(send(server, LIST, "application/json"), 415, "text/csv")
    refused(send(server, LIST, "image/png"), 415, "Content-Type")
    refused(send(server, LIST, ""), 415)
    refused(send(server, LIST, FORM), 400)  # what curl --data-binary calls a list by default
    refused(send(server, b"", FORM), 400, "send one list")
    body, kind = multipart(targets=LIST, other=("x", b"y"))
    assert refused(send(server, body, kind))["parameter"] == "other"
    body, kind = multipart(targets=("x", LIST), radius=b"x")
    assert refused(send(server, body, kind))["parameter"] == "radius"
    twice = urlencode([("targets", "ra,dec\n1,2"), ("targets", "ra,dec\n1,2")]).encode()
    refused(send(server, twice, FORM), 400, "got 2")
    refused(send(server, body[:80], kind), 400)  # a form that is cut off
    for method in ("GET", "PUT", "DELETE"):
        answer = server.ask(PATH, method=method)
        refused(answer, 405)
        assert "POST" in answer.headers["Allow"]


def test_a_body_too_long_is_not_read(server: RunningServer) -> None:
    refused(send(server, b"ra,dec\n" + b"1" * LARGEST), 413, str(LARGEST))
    body, kind = multipart(targets=("x", b"1" * LARGEST))
    refused(send(server, body, kind), 413)
    refused(send(server, b"targets=" + b"1" * LARGEST, FORM), 413)
    parts = urlsplit(server.url)
    for length in (str(LARGEST + 1), "5000000000", "99999999999999999999"):
        connection = http.client.HTTPConnection(parts.hostname or "", parts.port, timeout=20)
        connection.putrequest("POST", PATH)
        connection.putheader("Content-Type", CSV)
        connection.putheader("Content-Length", length)
        connection.endheaders(b"ra,dec\n1,2\n")  # and no more: an answer must not wait for it
        assert connection.getresponse().status == 413
        connection.close()


def test_chunks_without_end_are_cut_off(server: RunningServer) -> None:
    parts = urlsplit(server.url)
    with socket.create_connection((parts.hostname or "", parts.port or 0), timeout=20) as wire:
        wire.sendall(
            f"POST {PATH} HTTP/1.1\r\nHost: x\r\nContent-Type: {CSV}\r\n"
            "Transfer-Encoding: chunked\r\n\r\n".encode()
        )
        sent = 0
        chunk = b"10000\r\n" + b"1" * 0x10000 + b"\r\n"
        try:
            while sent < 100 * LARGEST:
                wire.sendall(chunk)
                sent += len(chunk)
        except OSError:  # refused while we were still sending
            pass
        assert sent < 100 * LARGEST
    assert send(server, LIST).status == 200


def test_an_upload_that_is_cut_off(server: RunningServer) -> None:
    parts = urlsplit(server.url)
    with socket.create_connection((parts.hostname or "", parts.port or 0), timeout=20) as wire:
        wire.sendall(
            f"POST {PATH} HTTP/1.1\r\nHost: x\r\nContent-Type: {CSV}\r\n"
            "Content-Length: 1000\r\n\r\nra,dec\n1,2\n".encode()
        )
        wire.shutdown(socket.SHUT_WR)
        said = b""
        while part := wire.recv(65536):
            said += part
    assert said.startswith(b"HTTP/1.1 400 "), said
    assert b'"error"' in said
    assert send(server, LIST).status == 200


def test_many_at_once(server: RunningServer) -> None:
    expected = send(server, LIST).body
    found: list[bytes] = []
    threads = [
        threading.Thread(target=lambda: found.append(send(server, LIST).body)) for _ in range(8)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert found == [expected] * 8


def test_hidden_columns_stay_hidden(place: Place) -> None:
    client = create_app(place.archive, Settings(public_columns="plate,edge_distance")).test_client()
    answer = client.post(PATH, data=LIST, content_type=CSV)
    header = answer.get_data(as_text=True).partition("\r\n")[0]
    assert header == "target_row,target_id,exposure_id,edge_distance,remark"
    assert client.post(f"{PATH}?series=QN", data=LIST, content_type=CSV).status_code == 400


def test_on_the_command_line(
    capsys: pytest.CaptureFixture[str], server: RunningServer, place: Place, tmp_path: Path
) -> None:
    table = tmp_path / "list.csv"
    table.write_bytes(LIST)
    for form in ("csv", "parquet"):
        out = tmp_path / f"pairs.{form}"
        words = ("--radius", "0.25", "--certainty", "sure", "--format", form, "--out", out)
        outcome = run(capsys, "targets", "--archive", place.archive, table, *words)
        assert outcome.status == 0 and outcome.out == ""
        assert "targets: 2 shown, 1 not shown, 1 unreadable" in outcome.err
        asked = f"?radius=0.25&certainty=sure&format={form}"
        expected = frame(send(server, LIST, query=asked))
        read = pd.read_csv if form == "csv" else pd.read_parquet
        pd.testing.assert_frame_equal(read(out), expected)
    to_screen = subprocess.run(
        command("targets", "--archive", place.archive, table), capture_output=True, timeout=60
    )
    assert to_screen.stdout == send(server, LIST).body and b" pairs; targets: " in to_screen.stderr


@pytest.mark.parametrize(
    ("content", "words", "status", "part"),
    [
        (b"ra,dec\n", [], 1, "list.csv: the table has no rows"),
        (b"ra,dec\n" + b"1,2\n" * 100_001, [], 1, "more than 100000 rows"),
        (LIST, ["--radius", "181"], 1, "radius"),
        (LIST, ["--radius", "x"], 2, "radius"),
        (LIST, ["--series", "QQ"], 1, "series"),
        (LIST, ["--format", "votable"], 2, "--format"),
        (LIST, ["--out", "/nowhere/pairs.csv"], 1, "/nowhere/pairs.csv"),
        (None, [], 1, "list.csv: No such file"),
    ],
)
def test_bad_words(
    capsys: pytest.CaptureFixture[str],
    place: Place,
    tmp_path: Path,
    content: bytes | None,
    words: list[str],
    status: int,
    part: str,
) -> None:
    table = tmp_path / "list.csv"
    if content is not None:
        table.write_bytes(content)
    outcome = run(capsys, "targets", "--archive", place.archive, table, *words)
    assert outcome.status == status and part in outcome.err and outcome.out == ""
