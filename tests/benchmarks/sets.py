"""Sets of logs and their archives, kept in a folder a size so that they are made once.

DIR/600k/ holds `observatory.toml`, `logs/` (never changed), `work/` (links to them: the files
that are built, some of them corrected later) and `archive/`; DIR/600k/broken/ the same with every
tenth row broken.
"""

import os
import shutil
import sys
from pathlib import Path

from tests.benchmarks.figures import tell
from tests.benchmarks.processes import Cost, run_measured
from tests.benchmarks.synthetic_logs import SEED, USUAL_FAULTS, write_set

BROKEN_FAULTS = 0.1


def folder_of(parent: Path, size: int) -> Path:
    """Folder of the set of some size."""
    for unit, letter in ((1_000_000, "m"), (1_000, "k")):
        if size % unit == 0:
            return parent / f"{size // unit}{letter}"
    return parent / str(size)


def make_set(folder: Path, size: int, faults: float = USUAL_FAULTS) -> None:
    """Write the logs of a set unless they are there."""
    mark = folder / "complete"
    said = f"{size} rows, seed {SEED}, faults {faults}\n"
    if not mark.exists() or mark.read_text() != said:
        tell(f"{size:,}: writing logs to {folder}")
        write_set(folder, size, SEED, faults)
        mark.write_text(said)


def working_logs(folder: Path) -> list[Path]:
    """Return fresh links to the logs of a set, to be built and corrected."""
    work = folder / "work"
    shutil.rmtree(work, ignore_errors=True)
    work.mkdir()
    for log in sorted((folder / "logs").glob("*.csv")):
        os.link(log.resolve(), work / log.name)
    return sorted(work.glob("*.csv"))


def build(folder: Path, logs: list[Path]) -> Cost:
    """Build a set's archive with the command, and check that no row was lost.

    Raises
    ------
    RuntimeError
        If the build fails or rows are not all kept or set aside.
    """
    command = [sys.executable, "-m", "platecover.service.cli", "build", *map(str, logs)]
    command += ["--observatory", str(folder / "observatory.toml")]
    cost = run_measured([*command, "--archive", str(folder / "archive")])
    words = cost.last_line.replace(",", "").split()
    if words[:2] != ["rows", "read"] or int(words[2]) != int(words[4]) + int(words[7]):
        raise RuntimeError(f"the build ended with {cost.last_line!r}")
    return cost


def current_edition(folder: Path) -> Path:
    """Folder of the edition in use of a set's archive."""
    archive = folder / "archive"
    return archive / "editions" / (archive / "current").read_text().strip()
