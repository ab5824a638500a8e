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

import pyarrow as pa
import pyarrow.compute as pc

from platecover.coverage.arrow_tables import with_replaced
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


def history(plates: Mapping[str, pa.Array], entries: Sequence[LedgerEntry]) -> dict[str, pa.Array]:
    """What became of the plates that the ledger speaks of: HISTORY_COLUMNS, oldest first.

    Parameters
    ----------
    plates : mapping of str to pyarrow.Array
        As the logs have them, before `replay`.
    entries : sequence of LedgerEntry
    """
    spoken_of = pa.array(sorted({entry.plate for entry in entries}), pa.large_string())
    places = pc.indices_nonzero(pc.is_in(plates["plate"], spoken_of))
    told = {name: plates[name].take(places).to_pylist() for name in ("plate", *PLATE_FACTS)}
    said = [
        LedgerEntry("", FROM_LOGS, designation, fact, told[fact][at])
        for at, designation in enumerate(told["plate"])
        for fact in PLATE_FACTS
        if told[fact][at]
    ]
    said += entries
    return {
        column.name: pa.array([getattr(entry, column.name) for entry in said], pa.string())
        for column in HISTORY_COLUMNS
    }


def replay(
    plates: Mapping[str, pa.Array], entries: Sequence[LedgerEntry]
) -> tuple[dict[str, pa.Array], list[LedgerEntry]]:
    """Apply ledger entries, the later over the earlier, to what the logs say of plates.

    As in the logs, an address of a scan implies that the plate is scanned.

    Parameters
    ----------
    plates : mapping of str to pyarrow.Array, shape (n,)
        Columns of the plates table; not changed.
    entries : sequence of LedgerEntry

    Returns
    -------
    plates : dict of str to pyarrow.Array
    unknown : list of LedgerEntry
        Entries for plates that no log names; kept in the ledger, without effect.
    """
    named = pa.array([entry.plate for entry in entries], plates["plate"].type)
    places = pc.index_in(named, value_set=plates["plate"]).to_pylist()
    latest: dict[str, dict[int, str]] = {fact: {} for fact in PLATE_FACTS}
    for entry, place in zip(entries, places, strict=True):
        if place is not None:
            latest[entry.fact][place] = entry.value
    after = dict(plates) | {
        fact: with_replaced(plates[fact], values) for fact, values in latest.items()
    }
    has_scan = pc.not_equal(after["access_url"], "")
    after["scanned"] = pc.if_else(has_scan, "yes", after["scanned"])
    unknown = [entry for entry, place in zip(entries, places, strict=True) if place is None]
    return after, unknown
