"""How long a list of targets takes over HTTP, and whether the server's memory stays flat.

Run it by hand; client and server share the machine:

    .ci/with-venv python -m tests.benchmarks.list_search --archive DIR [--targets 10000 100000]

Targets are points, and circles of half a degree, even over the whole sky; the answer is read as
it comes and thrown away. Beside it the same points one by one, in Python.
"""

import argparse
import http.client
import time
from pathlib import Path
from urllib.parse import urlsplit

import numpy as np
from tests.benchmarks.processes import highest_resident_mb, server, tree

from platecover.coverage.archive import Archive

SEED = 1893
PATH = "/api/targets?format={form}&radius={radius}"
READ_BYTES = 1 << 20
SAMPLED = 300  # points that are asked one by one


def places(count: int) -> tuple[list[float], list[float]]:
    """Right ascensions and declinations, even over the sky."""
    rng = np.random.default_rng(SEED)
    dec = np.degrees(np.arcsin(rng.uniform(-1.0, 1.0, count)))
    return rng.uniform(0.0, 360.0, count).tolist(), dec.tolist()


def list_text(count: int) -> bytes:
    """A list of targets as CSV."""
    rows = zip(*places(count), strict=True)
    return ("name,ra,dec\n" + "".join(f"t,{ra:.6f},{dec:.6f}\n" for ra, dec in rows)).encode()


def ask(url: str, path: str, body: bytes) -> int:
    """Send a list and read the answer to its end; its bytes."""
    parts = urlsplit(url)
    connection = http.client.HTTPConnection(parts.hostname or "", parts.port)
    connection.request("POST", path, body, {"Content-Type": "text/csv"})
    response = connection.getresponse()
    if response.status != 200:
        raise RuntimeError(response.read(300).decode())
    size = 0
    while piece := response.read(READ_BYTES):
        size += len(piece)
    return size


def main() -> None:
    """Measure and print a line for each case."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--archive", type=Path, required=True)
    parser.add_argument("--targets", type=int, nargs="+", default=[10_000, 100_000])
    options = parser.parse_args()
    with server(options.archive, workers=1) as (url, pid):
        ask(url, PATH.format(form="csv", radius=0), list_text(10))  # warm
        for count in options.targets:
            body = list_text(count)
            for radius in (0.0, 0.5):
                for form in ("csv", "parquet"):
                    start = time.perf_counter()
                    size = ask(url, PATH.format(form=form, radius=radius), body)
                    took = time.perf_counter() - start
                    memory = max(map(highest_resident_mb, tree(pid)))
                    print(
                        f"{count:,} targets, radius {radius:g}, {form}: {took:.2f} s,"
                        f" {size / 1e6:.0f} MB; highest memory of the server {memory:.0f} MB"
                    )
    archive = Archive.open(options.archive)
    ra, dec = places(SAMPLED)
    start = time.perf_counter()
    for each in zip(ra, dec, strict=True):
        archive.cone(*each, 0.0)
    alone_ms = 1e3 * (time.perf_counter() - start) / SAMPLED
    print(f"one by one in Python: {alone_ms:.2f} ms a point")


if __name__ == "__main__":
    main()
