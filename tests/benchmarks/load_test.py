"""How many requests a second the service answers, how fast, and whether its memory stays flat.

Run it by hand; client and server share the machine:

    .ci/with-venv python -m tests.benchmarks.load_test --archive DIR [--requests N]

Each client is a process that asks again as soon as it has its answer. Every request is for
another place, drawn at random from the whole sky; half go to /api/exposures (a point), half to
/cone (a hundredth of a degree), at most 100 rows each. A connection serves one request, as the
server wants it.
"""

import argparse
import multiprocessing
import os
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import urlsplit

import numpy as np
from tests.benchmarks.processes import memory_mb, server, tree

SEED = 1893
WARMING = 0.02  # of the requests, before anything is measured
SAMPLE_S = 0.5
PATHS = (
    "/api/exposures?ra={ra:.5f}&dec={dec:.5f}&radius=0&maxrec=100",
    "/cone?RA={ra:.5f}&DEC={dec:.5f}&SR=0.01&MAXREC=100",
)


def random_paths(count: int, seed: int) -> list[str]:
    """Questions at places even over the sky, of both kinds by turns."""
    rng = np.random.default_rng(seed)
    ra = rng.uniform(0.0, 360.0, count).tolist()
    dec = np.degrees(np.arcsin(rng.uniform(-1.0, 1.0, count))).tolist()
    return [PATHS[i % 2].format(ra=ra[i], dec=dec[i]) for i in range(count)]


def ask(address: tuple[str, int], path: str) -> int:
    """One request on a connection of its own; size of the answer in bytes."""
    with socket.create_connection(address) as connection:
        connection.sendall(f"GET {path} HTTP/1.1\r\nHost: {address[0]}\r\n\r\n".encode())
        parts = []
        while part := connection.recv(1 << 16):
            parts.append(part)
    answer = b"".join(parts)
    if not answer.startswith(b"HTTP/1.1 200 "):
        raise RuntimeError(f"{path}: {answer[:300]!r}")
    return len(answer)


def run_client(
    address: tuple[str, int], paths: list[str], results: "multiprocessing.Queue[list[float]]"
) -> None:
    """Ask one question after the other; leave the seconds that each took."""
    seconds = []
    for path in paths:
        start = time.perf_counter()
        ask(address, path)
        seconds.append(time.perf_counter() - start)
    results.put(seconds)


def put_load(address: tuple[str, int], paths: list[str], clients: int) -> tuple[list[float], float]:
    """Ask all questions from several processes; seconds of each, and of the whole."""
    results: multiprocessing.Queue[list[float]] = multiprocessing.Queue()
    processes = [
        multiprocessing.Process(
            target=run_client, args=(address, paths[at::clients], results), daemon=True
        )
        for at in range(clients)
    ]
    start = time.perf_counter()
    for each in processes:
        each.start()
    taken = []
    for _ in processes:
        taken += results.get()
    whole = time.perf_counter() - start
    for each in processes:
        each.join()
    return taken, whole


def processor_s(pid: int) -> float:
    """Seconds of processor time that a process and its children have taken so far."""
    ticks = 0
    for each in tree(pid):
        facts = Path(f"/proc/{each}/stat").read_text().rpartition(")")[2].split()
        ticks += int(facts[11]) + int(facts[12])  # utime and stime, proc(5)
    return ticks / os.sysconf("SC_CLK_TCK")


@contextmanager
def watched_memory(pid: int | None, samples: list[float]) -> Iterator[None]:
    """Note the memory of the server every now and then."""
    done = threading.Event()

    def watch() -> None:
        while pid is not None and not done.wait(SAMPLE_S):
            samples.append(memory_mb(pid))

    watcher = threading.Thread(target=watch)
    watcher.start()
    try:
        yield
    finally:
        done.set()
        watcher.join()


def measure(url: str, pid: int | None, count: int, clients: int) -> None:
    """Put the load on a server and print the figures."""
    parts = urlsplit(url)
    address = (parts.hostname or "127.0.0.1", parts.port or 80)
    put_load(address, random_paths(max(int(WARMING * count), clients), SEED + 1), clients)
    before = memory_mb(pid) if pid is not None else float("nan")
    spent_s = processor_s(pid) if pid is not None else float("nan")
    samples: list[float] = []
    with watched_memory(pid, samples):
        seconds, whole = put_load(address, random_paths(count, SEED), clients)
    spent_s = processor_s(pid) - spent_s if pid is not None else spent_s
    milliseconds = 1e3 * np.array(seconds)
    print(f"{count} requests, {clients} clients at once, each for another place")
    print(f"requests a second  {count / whole:8.0f}")
    for name, share in (("p50", 0.5), ("p99", 0.99)):
        print(f"{name}                {np.quantile(milliseconds, share):8.1f} ms")
    print(f"slowest            {milliseconds.max():8.1f} ms")
    if pid is not None:
        print(f"processor time     {1e3 * spent_s / count:8.2f} ms a request, of the server")
        tenths = [float(np.median(part)) for part in np.array_split(samples, 10) if len(part)]
        print(f"memory before      {before:8.1f} MB (PSS of all processes of the server)")
        print(f"       highest     {max(samples, default=before):8.1f} MB")
        print(f"       after       {memory_mb(pid):8.1f} MB")
        print(f"       by tenths   {' '.join(f'{each:.0f}' for each in tenths)} MB")


def main() -> None:
    """Read the words, start a server unless there is one, measure."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--archive", type=Path, help="folder of the archive to be served")
    parser.add_argument("--url", help="of a server that runs already; its memory is not measured")
    parser.add_argument("--requests", type=int, default=10_000)
    parser.add_argument("--clients", type=int, default=4, help="processes that ask at once")
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    if options.url:
        measure(options.url, None, options.requests, options.clients)
    elif options.archive:
        with server(options.archive, options.workers) as (url, pid):
            measure(url, pid, options.requests, options.clients)
    else:
        parser.error("name an --archive, or the --url of a server")


if __name__ == "__main__":
    main()
