"""The register of plates: the glass as a thing, and what people learn of it after the logs.

The logs say where a plate stands, whether it is whole and whether it is scanned; later news
goes to ``ARCHIVE/ledger/entries.jsonl``, dated, signed and only ever added to. Every build
replays the ledger over the logs, so that the two together are the only sources.
"""

import json
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.columns import CONDITIONS, HISTORY_COLUMNS, PLATE_FACTS, STATUSES, YES_NO
from platecover.coverage.errors import ArchiveError

LEDGER = "ledger"
ENTRIES = "entries.jsonl"
FROM_LOGS = "plate logs"  # who says what stands in the logs
_WORDS = {"status": STATUSES, "condition": CONDITIONS, "scanned": YES_NO}  # others: any text


@dataclass(frozen=True)
class LedgerEntry:
    """One piece of news: from `at` on, `fact` of `plate` is `value`.

    Attributes
    ----------
    at : str
        Date and time, ISO 8601.
    by : str
        Who says so.
    plate : str
        Canonical designation.
    fact : str
        One of PLATE_FACTS.
    value : str
        A word of the same column in a plate log, or text; '' for not known.
    why : str
        In words; may be empty.
    """

    at: str
    by: str
    plate: str
    fact: str
    value: str
    why: str = ""


def read_ledger(archive: Path) -> list[LedgerEntry]:
    """All entries in the order in which they were made.

    A last line without its line end was never acknowledged to its writer and is left out.

    Raises
    ------
    ArchiveError
        If a line is no entry.
    """
    path = archive / LEDGER / ENTRIES
    if not path.exists():
        return []
    try:
        lines = path.read_bytes().split(b"\n")[:-1]
    except OSError as fault:
        raise ArchiveError(f"{path}: cannot be read ({fault.strerror})") from None
    entries = []
    for number, line in enumerate(lines, start=1):
        try:
            entry = LedgerEntry(**json.loads(line))
            _check(entry)
        except (ValueError, TypeError, RecursionError) as fault:
            raise ArchiveError(
                f"{path}, line {number}: no ledger entry ({fault}); mend or remove the line"
            ) from None
        entries.append(entry)
    return entries


def append_entries(archive: Path, entries: Iterable[LedgerEntry]) -> None:
    """Add entries to the ledger; the archive's lock must be held.

    Raises
    ------
    ValueError
        If an entry names no fact of a plate or no value that the fact can have, has no name
        under it or no readable date; then nothing is added.
    """
    entries = list(entries)
    for entry in entries:
        _check(entry)
    folder = archive / LEDGER
    folder.mkdir(exist_ok=True)
    text = "".join(json.dumps(asdict(entry), ensure_ascii=False) + "\n" for entry in entries)
    with (folder / ENTRIES).open("ab+") as stream:
        _cut_unfinished_line(stream)
        stream.write(text.encode())
        stream.flush()
        os.fsync(stream.fileno())


def _cut_unfinished_line(stream: Any) -> None:
    """Remove the half line that a killed writer may have left at the end."""
    stream.seek(0)
    whole = stream.read()
    end = whole.rfind(b"\n") + 1
    if end != len(whole):
        stream.truncate(end)
    stream.seek(0, os.SEEK_END)


def _check(entry: LedgerEntry) -> None:
    if not all(isinstance(value, str) for value in asdict(entry).values()):
        raise ValueError("every field must be text")
    if entry.fact not in PLATE_FACTS:
        raise ValueError(f"fact must be one of {', '.join(PLATE_FACTS)}, got {entry.fact!r}")
    words = _WORDS.get(entry.fact)
    if words and entry.value and entry.value not in words:
        raise ValueError(f"{entry.fact} must be one of {', '.join(words)}, got {entry.value!r}")
    if not entry.plate.strip():
        raise ValueError("plate must be a designation, got nothing")
    if not entry.by.strip():
        raise ValueError("by must name a person")
    try:
        datetime.fromisoformat(entry.at)
    except ValueError:
        raise ValueError(f"at must be an ISO 8601 date, got {entry.at!r}") from None


def history(
    plates: Mapping[str, NDArray[Any]], entries: Sequence[LedgerEntry]
) -> dict[str, NDArray[Any]]:
    """What became of the plates that the ledger speaks of: HISTORY_COLUMNS, oldest first.

    Parameters
    ----------
    plates : mapping of arrays
        As the logs have them, before `replay`.
    entries : sequence of LedgerEntry
    """
    spoken_of = {entry.plate for entry in entries}
    said = [
        LedgerEntry("", FROM_LOGS, designation, fact, str(plates[fact][at]))
        for at, designation in enumerate(plates["plate"])
        if designation in spoken_of
        for fact in PLATE_FACTS
        if plates[fact][at]
    ]
    said += [entry for entry in entries if entry.plate in spoken_of]
    names = [column.name for column in HISTORY_COLUMNS]
    columns = {name: np.empty(len(said), dtype=object) for name in names}
    for name, column in columns.items():
        column[:] = [getattr(entry, name) for entry in said]
    return columns


def replay(
    plates: dict[str, NDArray[Any]], entries: Sequence[LedgerEntry]
) -> tuple[dict[str, NDArray[Any]], list[LedgerEntry]]:
    """Apply ledger entries, the later over the earlier, to what the logs say of plates.

    As in the logs, an address of a scan implies that the plate is scanned.

    Parameters
    ----------
    plates : dict of arrays, shape (n,)
        Columns of the plates table; not changed.
    entries : sequence of LedgerEntry

    Returns
    -------
    plates : dict of arrays
    unknown : list of LedgerEntry
        Entries for plates that no log names; kept in the ledger, without effect.
    """
    plates = {name: np.array(column) for name, column in plates.items()}
    place = {designation: at for at, designation in enumerate(plates["plate"])}
    unknown = []
    for entry in entries:
        at = place.get(entry.plate)
        if at is None:
            unknown.append(entry)
        else:
            plates[entry.fact][at] = entry.value
    plates["scanned"][plates["access_url"] != ""] = "yes"
    return plates, unknown
