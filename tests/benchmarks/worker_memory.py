"""What a further worker of the real server takes."""

import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from urllib.parse import urlencode
from urllib.request import urlopen

from tests.benchmarks.figures import Figure, tell
from tests.benchmarks.processes import memory_mb, server
from tests.benchmarks.query_costs import random_positions
from tests.benchmarks.synthetic_logs import SEED

FEWER, MORE = 2, 6  # workers, whose memory is compared
CLIENTS = 8
CONES_A_WORKER, HEAVY_A_WORKER = 100, 8  # the second: as many maps, as many histograms
SETTLE_S = 2.0


def worker_figures(folder: Path, size: int) -> list[Figure]:
    """Memory of the server with more workers than before, after each has answered."""
    taken_mb = {}
    for workers in (FEWER, MORE):
        tell(f"{size:,}: memory of a server with {workers} workers")
        with server(folder / "archive", workers) as (address, pid):
            _ask_much(address, workers)
            time.sleep(SETTLE_S)
            taken_mb[workers] = memory_mb(pid)
    added = (taken_mb[MORE] - taken_mb[FEWER]) / (MORE - FEWER)
    note = f"PSS; all of {FEWER} workers {taken_mb[FEWER]:.0f} MB; cones, epochs, maps answered"
    return [Figure("worker_mb", "a further worker adds", added, "MB", note=note)]


def _ask_much(address: str, workers: int) -> None:
    """Ask so often that every worker has answered every kind of question."""
    ras, decs = random_positions(CONES_A_WORKER * workers, SEED + 2)
    queries = [
        "api/exposures?" + urlencode({"ra": ra, "dec": dec, "radius": 0, "maxrec": 100})
        for ra, dec in zip(ras.tolist(), decs.tolist(), strict=True)
    ]
    for at in range(HEAVY_A_WORKER * workers):
        queries.append(f"api/epochs?region=circle+{7 * at}+20+5")
        queries.append(f"api/map?show=exposures&order=7&from={1895 + at}")
    with ThreadPoolExecutor(CLIENTS) as clients:
        for _ in clients.map(lambda query: urlopen(address + query).read(), queries):
            pass
