"""Serving an archive over HTTP with gunicorn: several workers, forked from one warm process.

The application is made, and its compiled code loaded, before the fork, so that workers share
the memory-mapped edition and a replaced worker answers at once. Connections are not kept open
between requests: a worker that is told to stop can then answer all that it has accepted.
"""

import ctypes
import gc
import os
import socket
import struct
import sys
from contextlib import suppress
from pathlib import Path
from typing import Any

import pyarrow as pa
from flask import Flask
from gunicorn.app.base import BaseApplication

from platecover.coverage.errors import ArchiveError
from platecover.service.app import create_app
from platecover.service.settings import Settings
from platecover.service.worker import LONGEST_REQUEST_LINE, Worker

DEFAULT_PORT = 8080
_PORTS_TRIED = 100  # from the default on, where any free one will do

_WAITING = 2048  # connections that may wait to be accepted
_THREADS = 8  # of a worker; slow readers wait for the network, not for each other
_SILENCE_S = 20  # a client that neither sends nor reads for so long is dropped
_WORKER_TIMEOUT_S = 60  # a worker that gives no sign of life for so long is replaced
_GRACE_S = 30  # to finish requests in, when told to stop
_MEMORY_FOLDER = "/dev/shm"  # where signs of life cost no disk

_M_ARENA_MAX = -8  # a name of glibc's malloc.h
_ARENAS = 2

# One question of each kind, so that all compiled code and modules are there before the fork.
_WARMING = (
    "/cone?RA=10&DEC=10&SR=1&MAXREC=1",
    "/api/exposures?ra=10&dec=10&radius=0&maxrec=1",
    "/api/exposures?region=constellation+Cru&maxrec=1&format=csv",
    "/api/exposures?region=moc+6/1&maxrec=1&format=votable",
    "/api/epochs?ra=10&dec=10&radius=0.1",
    "/api/epochs?region=circle+10+10+5&from=1900&to=1900",
    "/api/map?show=exposures&order=0&from=1900&to=1900",
    "/api/map?show=last&order=0&from=1900&to=1900",
    "/api/moc?order=0&from=1900&to=1900",
    "/sia2/query?POS=CIRCLE+10+10+0.1&MAXREC=1",
)


def listening_socket(host: str, port: int | None) -> socket.socket:
    """Take a port; connections wait until the server answers.

    Parameters
    ----------
    host : str
        Name or address of this machine.
    port : int or None
        0 takes any free one; None takes 8080 or the next free one.

    Raises
    ------
    ArchiveError
        If it is in use, or the host is not one of this machine.
    """
    wanted = range(DEFAULT_PORT, DEFAULT_PORT + _PORTS_TRIED) if port is None else [port]
    for each in wanted:
        try:
            family, kind, protocol, _, address = socket.getaddrinfo(
                host, each, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
            )[0]
            taken = socket.socket(family, kind, protocol)
        except (OSError, UnicodeError) as fault:
            what = getattr(fault, "strerror", None) or fault
            raise ArchiveError(f"host {host!r}: cannot be served ({what})") from None
        try:
            taken.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            taken.bind(address)
            taken.listen(_WAITING)  # two sockets can have one port until one of them listens
            return taken
        except OSError as fault:
            taken.close()
            problem = fault.strerror
    several = f"ports {wanted[0]} to {wanted[-1]}" if len(wanted) > 1 else f"port {wanted[0]}"
    raise ArchiveError(
        f"{several} of {host}: {problem}; choose another with --port, or stop what uses it"
    )


def serve(archive: Path, taken: socket.socket, workers: int, settings: Settings) -> None:
    """Serve an archive until SIGTERM or SIGINT, then leave the process.

    Prints the address, alone on a line, once it answers.

    Parameters
    ----------
    archive : pathlib.Path
        Folder of the archive.
    taken : socket
        Of `listening_socket`.
    workers : int
        Processes that answer.
    settings : Settings

    Raises
    ------
    ArchiveError
        If there is no sound archive.
    """
    _spare_memory()
    app = create_app(archive, settings)
    _warm(app)
    gc.collect()
    gc.freeze()  # what is there is not looked at again, so that workers go on sharing it
    sys.stdout.flush()  # else each worker would print again what waits in the buffer
    _Server(app, taken, workers).run()


def _spare_memory() -> None:
    """Let threads share what they free.

    Arrow's own allocator and the C library keep a store for every thread: 20 MB more for a
    worker that answers cones, 200 MB more for one that answers for 100,000 rows.
    """
    pa.set_memory_pool(pa.system_memory_pool())
    with suppress(AttributeError, OSError):  # other C libraries than glibc
        ctypes.CDLL(None).mallopt(_M_ARENA_MAX, _ARENAS)


def _warm(app: Flask) -> None:
    client = app.test_client()
    for address in _WARMING:
        client.get(address)


def _address(taken: socket.socket) -> str:
    host, port = taken.getsockname()[:2]
    return f"http://[{host}]:{port}/" if ":" in host else f"http://{host}:{port}/"


class _Server(BaseApplication):  # type: ignore[misc]  # gunicorn has no types
    """gunicorn without its command line, files of settings and environment variables."""

    def __init__(self, app: Flask, taken: socket.socket, workers: int) -> None:
        self._app = app
        self._url = _address(taken)
        # accepted connections inherit these: no thread waits for ever for a silent client
        silence = struct.pack("@ll", _SILENCE_S, 0)
        taken.setsockopt(socket.SOL_SOCKET, socket.SO_RCVTIMEO, silence)
        taken.setsockopt(socket.SOL_SOCKET, socket.SO_SNDTIMEO, silence)
        self._options: dict[str, Any] = {
            "bind": f"fd://{taken.detach()}",
            "workers": workers,
            "worker_class": Worker,
            "threads": _THREADS,
            "keepalive": 0,
            "preload_app": True,
            "timeout": _WORKER_TIMEOUT_S,
            "graceful_timeout": _GRACE_S,
            "limit_request_line": LONGEST_REQUEST_LINE,
            "worker_tmp_dir": _MEMORY_FOLDER if os.path.isdir(_MEMORY_FOLDER) else None,
            "loglevel": "warning",
            "proc_name": "platecover",
            "control_socket_disable": True,
            "post_worker_init": self._announce,
        }
        super().__init__()

    def load_config(self) -> None:
        """Set our options; gunicorn calls this."""
        for name, value in self._options.items():
            self.cfg.set(name, value)

    def load(self) -> Flask:
        """The application; gunicorn calls this."""
        return self._app

    def _announce(self, worker: Any) -> None:
        """Print the address when the first worker is ready to answer."""
        if worker.age == 1:
            with suppress(OSError):  # nobody may be reading
                print(self._url, flush=True)
