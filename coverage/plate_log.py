"""Plate logs onto disk, row by row as read: part after part, on several cores.

Parts that the last edition read from the same text in the same way are taken over.
"""

import hashlib
import json
import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path, PurePath
from typing import Any

import pyarrow.parquet as pq

from platecover.coverage.errors import LogFileError
from platecover.coverage.logged_rows import LoggedRows, RowPart
from platecover.coverage.observatory import Observatory
from platecover.coverage.row_reading import read_rows
from platecover.coverage.table_files import PART_ROWS, LogPart, open_log
from platecover.coverage.text_arrays import well_formed
from platecover.coverage.work_force import cores, in_order

Progress = Callable[[str, int, int], None]  # stage, done, total

_FACTS = b"part"  # key of a part's metadata: what is known of it as a whole, JSON
_NAME_DIGITS = 32  # of a part's digest, in its file's name: 128 bits
_WORTH_A_PROCESS_BYTES = 2_000_000  # of logs; less is read before another process is there


@dataclass(frozen=True)
class _Task:
    """A part of a log to be read, and where to."""

    log: int  # place among the logs
    part: LogPart
    observatory: Observatory
    sexagesimal_elsewhere: bool
    path: Path  # named by all that the rows as read depend on
    earlier: Path | None


@dataclass(frozen=True)
class _Done:
    """A part that has been read; `undecided` as `row_reading.read_rows` has it."""

    log: int
    name: str
    first_row: int
    last_row: int
    count: int
    sexagesimal: bool
    undecided: bool


def read_logs(
    paths: Sequence[str | Path],
    observatory: Observatory,
    folder: Path,
    *,
    earlier: Path | None = None,
    processes: int | None = None,
    part_rows: int = PART_ROWS,
    progress: Progress | None = None,
) -> tuple[LoggedRows, list[str]]:
    """Read plate logs in the order given.

    Parameters
    ----------
    paths : sequence of str or Path
        The whole set of logs: CSV, ECSV, VOTable, FITS or Parquet.
    observatory : Observatory
        What holds where the logs say nothing.
    folder : pathlib.Path
        Takes the rows as read; it exists and is empty.
    earlier : pathlib.Path, optional
        Such a folder of an earlier reading, with sound files.
    processes : int, optional
        How many read at once; as many as there are cores unless given.
    part_rows : int, optional
        Most rows that a process has in memory at once.
    progress : callable, optional
        Called as ``progress(stage, done, total)``.

    Returns
    -------
    rows : LoggedRows
    sha256 : list of str
        Digest of each log, hexadecimal.

    Raises
    ------
    LogFileError
        If no log is named, or one is no table. What is wrong with single rows is kept with
        the row.
    """
    if not paths:
        raise LogFileError("no plate log named; name at least one")
    names = _short_names([str(path) for path in paths])
    digest = hashlib.sha256(repr(observatory).encode()).hexdigest()
    logs = [open_log(path) for path in paths]  # a file that is no table stops the work at once
    size = max(sum(log.size for log in logs), 1)
    if processes is None:
        processes = cores() if size >= _WORTH_A_PROCESS_BYTES else 1
    sent = 0

    def tasks(elsewhere: set[int]) -> Iterator[_Task]:
        nonlocal sent
        for at, log in enumerate(logs):
            for part in log.parts(part_rows):
                sent += part.size
                how = (part.digest(), digest, at in elsewhere, _own_digest())
                name = hashlib.sha256(repr(how).encode()).hexdigest()[:_NAME_DIGITS]
                path = folder / f"{name}.parquet"
                yield _Task(at, part, observatory, at in elsewhere, path, earlier)

    found: dict[int, _Done] = {}
    to_read: deque[int] = deque()

    def unread(tasks: Iterable[tuple[int, _Task]]) -> Iterator[_Task]:
        for at, task in tasks:
            known = _read_before(task)
            if known is not None:
                found[at] = known
            else:
                to_read.append(at)
                yield task
            if progress is not None:
                progress("reading logs", min(sent, size - 1), size)

    def read(tasks: Iterable[tuple[int, _Task]]) -> None:
        for one in in_order(_read_part, unread(tasks), processes):
            found[to_read.popleft()] = one

    read(enumerate(tasks(set())))
    elsewhere = {one.log for one in found.values() if one.sexagesimal}
    again = {at for at, one in found.items() if one.undecided and one.log in elsewhere}
    if again:
        read((at, task) for at, task in enumerate(tasks(elsewhere)) if at in again)
    done = [found[at] for at in range(len(found))]
    if again:
        used = {one.name for one in done}  # by any log: equal parts share a file
        for path in folder.iterdir():
            if path.stem not in used:
                path.unlink()
    if progress is not None:
        progress("reading logs", size, size)
    parts = [
        RowPart(one.name, names[one.log], one.first_row, one.last_row, one.count) for one in done
    ]
    return LoggedRows(folder, parts), [log.sha256 for log in logs]


def _read_before(task: _Task) -> _Done | None:
    """What is known of a part that this reading or an earlier one has read already."""
    path = task.path
    if not path.exists() and task.earlier is not None:
        with suppress(OSError):
            os.link(task.earlier / path.name, path)
    if not path.exists():
        return None
    return _done(task, json.loads(pq.read_metadata(path).metadata[_FACTS]))


def _read_part(task: _Task) -> _Done:
    """Read a part and write it; equal parts write the same."""
    rows = task.part.table()
    read, sexagesimal, undecided = read_rows(
        rows, task.observatory, sexagesimal_elsewhere=task.sexagesimal_elsewhere
    )
    last = int(rows.row_numbers[-1]) if len(rows) else 0
    facts = {"rows": len(rows), "last": last, "sexagesimal": sexagesimal, "undecided": undecided}
    read = read.replace_schema_metadata({**read.schema.metadata, _FACTS: json.dumps(facts)})
    beside = task.path.with_suffix(f".{os.getpid()}")
    pq.write_table(read, beside, compression="zstd")
    os.replace(beside, task.path)
    return _done(task, facts)


def _done(task: _Task, facts: dict[str, Any]) -> _Done:
    first = task.part.first_row
    return _Done(task.log, task.path.stem, first, first + facts["last"], facts["rows"],
                 facts["sexagesimal"], facts["undecided"])  # fmt: skip


@cache
def _own_digest() -> str:
    """Digest of the code that reads: what another version has read may have to be read anew."""
    sources = sorted(Path(__file__).parent.glob("*.py"))
    return hashlib.sha256(b"".join(path.read_bytes() for path in sources)).hexdigest()


def _short_names(paths: Sequence[str]) -> list[str]:
    """Return the last parts of each path, as many as tell it from the others."""
    parts = [PurePath(path).parts for path in paths]
    longest = max(len(one) for one in parts)
    names = list(paths)
    for depth in range(longest, 0, -1):
        shorter = [str(PurePath(*one[-depth:])) for one in parts]
        if len(set(shorter)) < len(set(names)):
            break
        names = shorter
    return well_formed(names)
