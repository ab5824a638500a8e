"""The register of plates: the glass as a thing, and what people learn of it after the logs.

The logs say where a plate stands, whether it is whole and whether it is scanned; later news
goes to the ledger. Every build replays the ledger over the logs, so that the two together are
the only sources. What the logs say can be had back from an edition (`facts_of_logs`), so that
news alone need no build.
"""

import json
from collections.abc import Mapping, Sequence

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from platecover.coverage.arrow_tables import with_put, with_replaced
from platecover.coverage.columns import HISTORY_COLUMNS, PLATE_FACTS
from platecover.coverage.ledger import (
    ENTRIES,
    LEDGER,
    Entry,
    LedgerEntry,
    Posting,
    Undo,
    append_entries,
    read_ledger,
    undone,
)

__all__ = ["ENTRIES", "LEDGER", "LedgerEntry", "append_entries", "facts_of_logs", "history",
           "read_ledger", "replay"]  # fmt: skip

FROM_LOGS = "plate logs"  # who says what stands in the logs
# Facts of a history that are no column of the plate.
OUTCOME, SEEN, UNDO_FACT = "outcome", "seen", "undo"
_NAMES = tuple(column.name for column in HISTORY_COLUMNS)

Row = tuple[str, ...]  # in the order of HISTORY_COLUMNS


def history(plates: Mapping[str, pa.Array], postings: Sequence[Posting]) -> dict[str, pa.Array]:
    """What became of the plates that the ledger speaks of: HISTORY_COLUMNS, oldest first.

    What was undone is there too, and says by which entry.

    Parameters
    ----------
    plates : mapping of str to pyarrow.Array
        As the logs have them, before `replay`.
    postings : sequence of Posting
    """
    rows = _ledger_rows(postings)
    of_ledger = {
        name: pa.array([row[at] for row in rows], pa.string()) for at, name in enumerate(_NAMES)
    }
    of_logs = _log_rows(plates, pc.unique(of_ledger["plate"]).cast(pa.large_string()))
    blank = pa.array(np.full(len(of_logs["plate"]), ""), pa.string())
    return {
        name: pa.concat_arrays([of_logs.get(name, blank), array])
        for name, array in of_ledger.items()
    }


def _log_rows(plates: Mapping[str, pa.Array], spoken_of: pa.Array) -> dict[str, pa.Array]:
    """Rows of a history that the logs give: a plate's facts, in their order, plate by plate."""
    places = pc.indices_nonzero(pc.is_in(plates["plate"], spoken_of))
    facts = [plates[fact].take(places).cast(pa.string()) for fact in PLATE_FACTS]
    given = np.stack([pc.not_equal(each, "").to_numpy(zero_copy_only=False) for each in facts])
    plate, fact = np.nonzero(given.T)
    return {
        "plate": plates["plate"].take(places).cast(pa.string()).take(pa.array(plate)),
        "by": pa.array(np.full(len(plate), FROM_LOGS), pa.string()),
        "fact": pa.array(PLATE_FACTS, pa.string()).take(pa.array(fact)),
        "value": pa.concat_arrays(facts).take(pa.array(fact * len(places) + plate)),
    }


def _row(
    plate: str, at: str, by: str, fact: str, value: str, why: str = "", entry: str = "",
    posted: str = "", posted_by: str = "", undone_by: str = "", notes: str = "",
) -> Row:  # fmt: skip
    """A row of a history, in the order of HISTORY_COLUMNS."""
    return (plate, at, by, fact, value, why, entry, posted, posted_by, undone_by, notes)


def _ledger_rows(postings: Sequence[Posting]) -> list[Row]:
    """Rows of a history that the ledger gives."""
    gone = undone(postings)
    named = {e.entry for posting in postings for e in posting.entries if isinstance(e, Undo)}
    plates_of: dict[str, tuple[str, ...]] = {}  # that the entries named in undoings speak of
    rows: list[Row] = []
    for posting in postings:
        for place, entry in enumerate(posting.entries):
            name = posting.named(place)
            signature = (name, posting.at, posting.by, gone.get(name, ""))
            own = _rows_of(entry, posting, signature, plates_of)
            if name in named:
                plates_of[name] = tuple(dict.fromkeys(row[0] for row in own))
            rows += own
    return rows


def _rows_of(
    entry: Entry,
    posting: Posting,
    signature: tuple[str, str, str, str],
    plates_of: Mapping[str, Sequence[str]],
) -> list[Row]:
    """Rows of one entry: a report's outcome and then each fact that follows."""
    if isinstance(entry, Undo):
        said = (posting.at, posting.by, UNDO_FACT, entry.entry, posting.why, *signature)
        return [_row(plate, *said) for plate in plates_of[entry.entry]]
    if isinstance(entry, LedgerEntry):
        said = (entry.at, entry.by, entry.fact, entry.value, entry.why, *signature)
        return [_row(entry.plate, *said)]
    outcome = f"{entry.outcome}: {entry.value}" if entry.value else entry.outcome
    notes = json.dumps(dict(entry.notes), ensure_ascii=False) if entry.notes else ""
    at, by, because = entry.at, entry.by, entry.why or entry.outcome
    rows = [_row(entry.plate, at, by, OUTCOME, outcome, entry.why, *signature, notes)]
    if entry.other:
        seen = f"in the jacket of {entry.plate}"
        rows.append(_row(entry.other, at, by, SEEN, seen, entry.why, *signature))
    rows += [
        _row(plate, at, by, fact, value, because, *signature)
        for plate, fact, value in entry.changes
    ]
    return rows


def facts_of_logs(plates: pa.Table, told: pa.Table) -> dict[str, pa.Array]:
    """What the logs alone say of plates, from an edition into which a ledger was replayed.

    Parameters
    ----------
    plates : pyarrow.Table, shape (n,)
        Of an edition.
    told : pyarrow.Table
        The edition's table 'history'.

    Returns
    -------
    dict of str to pyarrow.Array
        `plate` and PLATE_FACTS.
    """
    names = plates.column("plate").chunk(0).cast(pa.large_string())
    told = told.combine_chunks()
    spoken_of = pc.unique(told.column("plate")).cast(pa.large_string())
    places = pc.indices_nonzero(pc.is_in(names, spoken_of))
    of_logs = told.filter(pc.is_null(told.column("at")))
    facts = {}
    for fact in PLATE_FACTS:
        said = of_logs.filter(pc.equal(of_logs.column("fact"), fact)).combine_chunks()
        stated, values = (
            pa.concat_arrays(said.column(name).chunks or [pa.array([], pa.string())]).cast(
                pa.large_string()
            )
            for name in ("plate", "value")
        )
        own = values.take(pc.index_in(names.take(places), value_set=stated))
        plain = plates.column(fact).chunk(0).cast(pa.large_string())
        facts[fact] = with_put(plain, places.to_numpy(), pc.fill_null(own, ""))
    return {"plate": names, **facts}


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
