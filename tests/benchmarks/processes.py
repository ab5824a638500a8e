"""Time and memory of commands, with all processes that they start (Linux)."""

import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

SAMPLE_S = 0.2
_KB_PER_MB = 1024.0


@dataclass(frozen=True)
class Cost:
    """What a command and all its processes took, and what it printed last.

    `peak_mb` is their highest memory together (PSS: shared pages counted once), as sampled;
    `largest_mb` the highest of any one of them, as the kernel notes it (resident, VmHWM).
    """

    wall_s: float
    cpu_s: float
    peak_mb: float
    largest_mb: float
    last_line: str


def run_measured(command: Sequence[str], environment: Mapping[str, str] | None = None) -> Cost:
    """Run a command to its end.

    Raises
    ------
    RuntimeError
        If it fails; with the end of what it said.
    """
    before = os.times()
    start = time.perf_counter()
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment
    )
    peak_mb, largest_mb, done = 0.0, 0.0, threading.Event()

    def watch() -> None:
        nonlocal peak_mb, largest_mb
        while not done.wait(SAMPLE_S):
            now = tree(process.pid)
            peak_mb = max(peak_mb, sum(map(pss_mb, now)))
            largest_mb = max(largest_mb, *map(highest_resident_mb, now))

    watcher = threading.Thread(target=watch)
    watcher.start()
    try:
        output, errors = process.communicate()
    except BaseException:
        process.kill()
        raise
    finally:
        wall_s = time.perf_counter() - start
        done.set()
        watcher.join()
    if process.returncode != 0:
        raise RuntimeError(f"{' '.join(command[:4])} ...: {errors[-2000:]}")
    after = os.times()
    cpu_s = after.children_user + after.children_system
    cpu_s -= before.children_user + before.children_system
    return Cost(wall_s, cpu_s, peak_mb, largest_mb, (output.strip().splitlines() or [""])[-1])


def tree(pid: int) -> list[int]:
    """A process and its descendants, as they are now."""
    found = [pid]
    for known in found:
        for task in Path(f"/proc/{known}/task").glob("*/children"):
            try:
                found += [int(child) for child in task.read_text().split()]
            except OSError:  # it has just ended
                continue
    return found


@contextmanager
def server(archive: Path, workers: int) -> Iterator[tuple[str, int]]:
    """Serve an archive; its address and process."""
    command = [sys.executable, "-m", "platecover.service.cli", "serve", "--archive", str(archive)]
    process = subprocess.Popen(
        [*command, "--port", "0", "--workers", str(workers)],
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
    )  # fmt: skip
    try:
        assert process.stdout is not None
        address = next((line.strip() for line in process.stdout if line.startswith("http")), "")
        if not address:
            raise RuntimeError("the server did not start")
        yield address, process.pid
    finally:
        process.terminate()
        process.wait()


def memory_mb(pid: int) -> float:
    """Memory of a process and its descendants: what they share is counted once (PSS)."""
    return sum(map(pss_mb, tree(pid)))


def pss_mb(pid: int) -> float:
    """Memory of a process, with its share of what it shares; 0 if it has ended."""
    return _kb(Path(f"/proc/{pid}/smaps_rollup"), "Pss") / _KB_PER_MB


def highest_resident_mb(pid: int) -> float:
    """Most memory that a process has had resident so far; 0 if it has ended."""
    return _kb(Path(f"/proc/{pid}/status"), "VmHWM") / _KB_PER_MB


def _kb(path: Path, name: str) -> float:
    """Return the kilobytes that a line of a file of /proc states."""
    try:
        lines = path.read_text().splitlines()
    except OSError:
        return 0.0
    for line in lines:
        key, _, value = line.partition(":")
        if key == name:
            return float(value.split()[0])
    return 0.0
