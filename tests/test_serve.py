"""A real server in a process of its own: what it answers, and what it survives."""

import http.client
import io
import json
import os
import re
import signal
import socket
import sys
import threading
import time
import urllib.parse
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import pytest
import pyvo
from astropy import units as u
from astropy.coordinates import SkyCoord
from astropy.io.votable import parse
from tests.hostile_queries import hostile_api_queries, hostile_cone_queries
from tests.running_server import RunningServer, serving
from tests.small_archive import PLATES, Place, run, run_apart

from platecover.coverage.archive import Archive
from platecover.coverage.errors import ArchiveError
from platecover.coverage.regions import Region
from platecover.service.serve import listening_socket

CLIENTS = 6  # that ask at once
FORM = "application/x-www-form-urlencoded"


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Place:
    return Place(tmp_path_factory.mktemp("serve")).build()


@pytest.fixture(scope="module")
def server(place: Place) -> Iterator[RunningServer]:
    """One server for all tests that leave it as it was."""
    with serving(place.folder, "serve", "--archive", place.archive, "--port", 0) as running:
        yield running
        assert running.stop() == 0
        assert "Traceback" not in running.complaints.read_text()


def test_it_answers_as_python_does(server: RunningServer, place: Place) -> None:
    archive = Archive.open(place.archive)
    rows = json.loads(server.ask("/api/exposures?region=circle+83.6+22+1").body)["exposures"]
    assert rows == archive.rows(Region.circle(83.6, 22.0, 1.0)).to_pylist() != []
    epochs = json.loads(server.ask("/api/epochs?bin=decade").body)
    assert epochs == archive.epochs(Region.all(), "decade")
    values = json.loads(server.ask("/api/map?show=plates&order=4").body)["values"]
    assert values == archive.sky_map("plates", 4).tolist()
    for _ in range(4):  # by every worker, forked from one that had used these libraries
        moc = json.loads(server.ask("/api/moc?order=5").body)
        assert moc == json.loads(archive.moc(5).to_string("json"))
    record = json.loads(server.ask("/api/plates/QN%20/%203b").body)
    assert record["plate"]["plate"] == "QN-3b"


def test_pyvo_reads_it(server: RunningServer, place: Place) -> None:
    service = pyvo.dal.SCSService(f"{server.url}cone?")
    expected = Archive.open(place.archive).cone(83.6, 22.0, 1.0)
    found = service.search(pos=SkyCoord(83.6, 22.0, unit="deg"), radius=1.0 * u.deg)
    assert [row.id for row in found] == list(expected["exposure_id"])
    for row, known in zip(found, expected, strict=True):
        assert abs(row.pos.ra.deg - known["s_ra"]) < 1e-12
        assert abs(row.pos.dec.deg - known["s_dec"]) < 1e-12
    few = service.search(pos=(83.6, 22.0), radius=1e-5, verbosity=1, maxrec=2)
    assert len(few) == 2
    assert {"exposure_id", "s_ra", "s_dec"} <= {column.name for column in service.columns}
    assert len(service.search(pos=(200.0, 80.0), radius=0.1)) == 0
    with pytest.raises(pyvo.DALQueryError, match="SR must be a number from 0 to 180"):
        service.search(pos=(200.0, 80.0), radius=181.0)


def test_head_and_reading_from_other_sites(server: RunningServer) -> None:
    for path in ("/api/exposures", "/cone?RA=1&DEC=1&SR=1"):
        head, got = server.ask(path, method="HEAD"), server.ask(path)
        assert head.status == 200 and head.body == b""
        assert head.headers["Content-Length"] == str(len(got.body))
        assert got.headers["Access-Control-Allow-Origin"] == "*"
        again = server.ask(path, If_None_Match=got.headers["ETag"])
        assert again.status == 304 and again.body == b""


def test_hostile_queries(server: RunningServer) -> None:
    for path in hostile_api_queries(150, seed=1921):
        answer = server.ask(path)
        if answer.status in (414, 431):
            assert len(path) > 8000
            continue
        assert answer.status == 400, path[:300]
        assert json.loads(answer.body)["error"]["parameter"] is not None
    for path in hostile_cone_queries(50, seed=1921):
        answer = server.ask(path)
        if answer.status in (414, 431):
            assert len(path) > 8000
            continue
        document = parse(io.BytesIO(answer.body), verify="exception")
        assert [info.name for info in document.infos] == ["Error"], path[:300]


def test_rubbish_instead_of_http(server: RunningServer) -> None:
    host, port = urllib.parse.urlsplit(server.url).netloc.split(":")
    for rubbish in (
        b"\x00\xff\r\n\r\n", b"GET\r\n\r\n", b"GET /cone HTTP/9.9\r\n\r\n",
        b"GET /api/exposures?\xff\xfe HTTP/1.1\r\nHost: x\r\n\r\n",
        b"POST /api/exposures HTTP/1.1\r\nHost: x\r\nContent-Length: -1\r\n\r\n",
        b"POST /api/exposures HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n",
    ):  # fmt: skip
        with socket.create_connection((host, int(port)), timeout=10) as connection:
            connection.sendall(rubbish)
            first_line = connection.recv(4096).split(b"\r\n")[0]
            assert not re.match(rb"HTTP/1.1 5", first_line), (rubbish, first_line)
    assert server.ask("/api/exposures").status == 200


def test_long_requests(server: RunningServer) -> None:
    up_to_the_limit = server.ask("/api/exposures?region=" + "x" * 8000)
    assert json.loads(up_to_the_limit.body)["error"]["parameter"] == "region"
    assert server.ask("/api/exposures?region=" + "x" * 9000).status in (414, 431)
    megabyte = server.ask("/api/exposures", method="POST", body=b"series=" + b"x" * 1_048_576,
                          Content_Type=FORM)  # fmt: skip
    assert json.loads(megabyte.body)["error"]["parameter"] == "series"
    beyond = server.ask("/api/exposures", method="POST", body=b"series=" + b"x" * 1_500_000,
                        Content_Type=FORM)  # fmt: skip
    assert beyond.status == 413 and json.loads(beyond.body)["error"]["status"] == 413
    assert (
        server.ask("/cone", method="POST", body=b"x" * 1_500_000, Content_Type=FORM).status == 413
    )


def test_port_in_use(server: RunningServer, place: Place) -> None:
    port = server.url.rstrip("/").rpartition(":")[2]
    outcome = run_apart("serve", "--archive", place.archive, "--port", port)
    assert outcome.returncode == 1 and outcome.stdout == b""
    message = outcome.stderr.decode()
    assert f"port {port} of 127.0.0.1" in message and "--port" in message
    assert "Traceback" not in message and message.count("\n") <= 2


def test_the_next_free_port_is_found() -> None:
    with listening_socket("127.0.0.1", None) as first:
        with listening_socket("127.0.0.1", None) as second:
            assert second.getsockname()[1] > first.getsockname()[1] >= 8080
        with pytest.raises(ArchiveError, match="in use"):
            listening_socket("127.0.0.1", first.getsockname()[1])


@pytest.mark.parametrize(
    ("words", "status", "says"),
    [
        (["--port", "65536"], 1, "port must be a whole number from 0 to 65535"),
        (["--port", "nan"], 1, "port"),
        (["--port", "http"], 2, "port"),
        (["--workers", "0"], 1, "workers must be a whole number from 1 to 64"),
        (["--workers", "many"], 2, "workers"),
        (["--host", "no.such.host.invalid", "--port", "0"], 1, "no.such.host.invalid"),
        (["--host", "192.0.2.1", "--port", "0"], 1, "192.0.2.1"),  # RFC 5737: nobody's address
        (["--settings", "/nowhere/service.toml", "--port", "0"], 1, "/nowhere/service.toml"),
        (["--colour", "red"], 2, "--colour"),
    ],
)
def test_bad_words(
    capfd: pytest.CaptureFixture[str], place: Place, words: list[str], status: int, says: str
) -> None:
    outcome = run(capfd, "serve", "--archive", place.archive, *words)
    assert outcome.status == status
    assert says in outcome.err and outcome.out == ""


def test_no_archive(capfd: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    outcome = run(capfd, "serve", "--archive", tmp_path / "none", "--port", 0)
    assert outcome.status == 1 and "no such folder" in outcome.err


# --- under load ----------------------------------------------------------------------------


class Load:
    """Clients that ask without pause; what failed, and which editions answered."""

    def __init__(self, server: RunningServer) -> None:
        self._server = server
        self._ended = threading.Event()
        self.answered = 0
        self.failures: list[str] = []
        self.editions: set[str] = set()
        self._threads = [threading.Thread(target=self._ask) for _ in range(CLIENTS)]

    def __enter__(self) -> "Load":
        """Start asking."""
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        """Stop, and wait for the last answers."""
        self._ended.set()
        for thread in self._threads:
            thread.join()

    def _ask(self) -> None:
        paths = ("/api/exposures", "/cone?RA=83.6&DEC=22&SR=1", "/api/plates/QN-1",
                 "/api/epochs?bin=decade")  # fmt: skip
        while not self._ended.is_set():
            path = paths[self.answered % len(paths)]
            try:
                answer = self._server.ask(path)
                if answer.status != 200:
                    self.failures.append(f"{path}: {answer.status} {answer.body[:200]!r}")
                self.editions.add(answer.headers["Platecover-Edition"])
            except (OSError, http.client.HTTPException) as fault:  # the second: cut in the middle
                self.failures.append(f"{path}: {fault!r}")
            self.answered += 1

    def wait_for(self, more: int) -> None:
        """Wait until so many more requests were answered."""
        goal = self.answered + more
        until(lambda: self.answered >= goal)


def has_changed(server: RunningServer, worker: int) -> bool:
    """Whether a worker has gone and another has come."""
    workers = server.workers()
    return worker not in workers and len(workers) == 2


def until(holds: Callable[[], bool], seconds: float = 30.0) -> float:
    """Wait until something holds; how long that took."""
    start = time.monotonic()
    while not holds():
        assert time.monotonic() - start < seconds, "it never came to be"
        time.sleep(0.005)
    return time.monotonic() - start


def test_nothing_is_lost_and_all_comes_back(tmp_path: Path) -> None:
    place = Place(tmp_path).build()
    with serving(tmp_path, "serve", "--archive", place.archive, "--port", 0) as server:
        until(lambda: len(server.workers()) == 2)

        # SIGTERM of a worker under load: no request is lost
        with Load(server) as load:
            for _ in range(3):
                load.wait_for(30)
                told = server.workers()[0]
                os.kill(told, signal.SIGTERM)
                until(partial(has_changed, server, told))
            load.wait_for(30)
        assert load.failures == []

        # a new edition under load: picked up, no request is lost
        with Load(server) as load:
            load.wait_for(20)
            place.build([*PLATES, {**PLATES[0], "plate": "QN 11"}])
            until(lambda: "2" in load.editions)
            load.wait_for(20)
        assert load.failures == []
        assert load.editions == {"1", "2"}

        # SIGKILL of a worker: it is replaced within 2 s, and loses at most what it held
        with Load(server) as load:
            load.wait_for(30)
            killed = server.workers()[0]
            os.kill(killed, signal.SIGKILL)
            others = {killed, *server.workers()}
            assert until(lambda: bool(set(server.workers()) - others)) < 2.0
            load.wait_for(50)
            lost = len(load.failures)
            load.wait_for(100)
        assert len(load.failures) == lost <= CLIENTS

        # the archive disappears while it is served, is damaged, and comes back
        workers = server.workers()
        place.archive.rename(tmp_path / "away")
        gone = server.ask("/api/exposures")
        assert gone.status == 503 and json.loads(gone.body)["error"]["status"] == 503
        assert b'name="Error"' in server.ask("/cone?RA=1&DEC=1&SR=1").body
        (tmp_path / "away").rename(place.archive)
        assert server.ask("/api/exposures").status == 200
        table = place.edition / "exposures" / "s_ra.arrow"
        whole = table.read_bytes()
        os.truncate(table, 100)  # under a memory map that workers hold
        for _ in range(8):
            assert server.ask("/api/exposures").status == 503
        table.write_bytes(whole)
        for _ in range(8):
            assert server.ask("/api/exposures").status == 200
        assert server.workers() == workers  # none of them died of it

        assert server.stop(signal.SIGINT) == 0
        with pytest.raises(OSError):
            server.ask("/api/exposures")


def test_stopping_ends_what_was_begun(tmp_path: Path) -> None:
    place = Place(tmp_path).build()
    with serving(
        tmp_path, "serve", "--archive", place.archive, "--port", 0, "--workers", 1
    ) as server:
        host, port = urllib.parse.urlsplit(server.url).netloc.split(":")
        with socket.create_connection((host, int(port)), timeout=20) as connection:
            connection.sendall(
                b"POST /api/exposures HTTP/1.1\r\nHost: x\r\nContent-Length: 10\r\n"
                b"Content-Type: application/x-www-form-urlencoded\r\n\r\nregion"
            )
            time.sleep(0.3)  # until a worker holds it
            server.process.send_signal(signal.SIGTERM)
            time.sleep(0.3)
            connection.sendall(b"=all")
            answer = b"".join(iter(lambda: connection.recv(65536), b""))
        assert answer.startswith(b"HTTP/1.1 200") and answer.rstrip().endswith(b"]}")
        assert server.process.wait(timeout=30) == 0


DEMO = """
import sys
import platecover.demo_data.make_demo as made
write_demo = made.write_demo
made.write_demo = lambda folder: write_demo(folder, exposures=200)  # a small one
from platecover.service.cli import main
main(sys.argv[1:])
"""


def test_demo_serves(tmp_path: Path) -> None:
    program = [sys.executable, "-c", DEMO]
    with serving(tmp_path, "demo", "--dir", tmp_path / "demo", program=program) as server:
        assert re.fullmatch(r"http://127\.0\.0\.1:\d+/", server.url)
        assert 8080 <= int(server.url.rstrip("/").rpartition(":")[2]) < 8180
        assert json.loads(server.ask("/api/exposures").body)["count"] > 100
        assert json.loads(server.ask("/api/moc?order=4").body)
        assert server.stop() == 0


def test_demo_on_a_port_in_use(capfd: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    with listening_socket("127.0.0.1", 0) as taken:
        port = taken.getsockname()[1]
        outcome = run(capfd, "demo", "--dir", tmp_path / "demo", "--port", port)
    assert outcome.status == 1 and f"port {port}" in outcome.err
    assert not (tmp_path / "demo").exists()  # told before anything was built
