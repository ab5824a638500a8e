"""A real server in a process of its own, and requests to it without a client's courtesies."""

import http.client
import os
import select
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

from tests.small_archive import command

READY_S = 60.0  # a busy machine takes its time to import and to warm


@dataclass(frozen=True)
class Answer:
    """What came back."""

    status: int
    headers: http.client.HTTPMessage
    body: bytes


@dataclass(frozen=True)
class RunningServer:
    """A server that answers at `url`."""

    process: subprocess.Popen[bytes]
    url: str
    complaints: Path

    def ask(
        self, path: str, *, method: str = "GET", body: bytes | None = None, **headers: str
    ) -> Answer:
        """One request on a connection of its own; an error of the network is raised."""
        parts = urlsplit(self.url)
        connection = http.client.HTTPConnection(parts.hostname or "", parts.port, timeout=30)
        try:
            with suppress(BrokenPipeError):  # who refuses a body need not read it to its end
                connection.request(
                    method, path, body, {name.replace("_", "-"): v for name, v in headers.items()}
                )
            response = connection.getresponse()
            return Answer(response.status, response.headers, response.read())
        finally:
            connection.close()

    def workers(self) -> list[int]:
        """Process ids of the workers, zombies left out."""
        pid = self.process.pid
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
        return [int(child) for child in children if not _is_zombie(int(child))]

    def stop(self, sign: int = signal.SIGTERM) -> int:
        """End it by a signal; the exit status."""
        self.process.send_signal(sign)
        return self.process.wait(timeout=READY_S)


def _is_zombie(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except OSError:
        return True


@contextmanager
def serving(
    folder: Path, *words: object, program: list[str] | None = None
) -> Iterator[RunningServer]:
    """Run `platecover` with these words until the block ends; its last line is the address."""
    complaints = folder / "server.err"
    with complaints.open("wb") as errors:
        process = subprocess.Popen(
            [*(program or command()), *(str(word) for word in words)],
            stdout=subprocess.PIPE,
            stderr=errors,
        )
    try:
        yield RunningServer(process, _address(process, complaints), complaints)
    finally:
        if process.poll() is None:
            process.terminate()
            process.wait(timeout=READY_S)
        assert process.stdout is not None
        process.stdout.close()


def _address(process: subprocess.Popen[bytes], complaints: Path) -> str:
    """The line that a server prints once it answers."""
    assert process.stdout is not None
    read, end = b"", time.monotonic() + READY_S
    while time.monotonic() < end:
        ready, _, _ = select.select([process.stdout], [], [], 0.1)
        if ready:
            part = os.read(process.stdout.fileno(), 65536)
            read += part
            if not part:
                break
            last = read.decode().rstrip("\n").rpartition("\n")[2]
            if last.startswith("http://") and read.endswith(b"\n"):
                return last
    raise AssertionError(f"no server: {read.decode()!r} {complaints.read_text()}")
