"""Which entries of the ledger somebody means who wants them undone."""

import re
from collections.abc import Sequence
from datetime import date

from platecover.coverage.designation import DesignationReader
from platecover.coverage.errors import QueryError
from platecover.coverage.ledger import Entry, LedgerEntry, Posting, Report, undone
from platecover.coverage.outcome_rows import Refused, canonical_names

_NUMBER = re.compile(r"([0-9]{1,12})(?:\.([0-9]{1,12}))?", re.ASCII)
_CONDITIONS = ("date", "person", "plate")
_RULE = (
    "name postings (12), entries (12.3), or conditions date=2026-11-25, person=NAME, plate=QN-1"
    " (`platecover history` lists entries)"
)


def entries_meant(
    postings: Sequence[Posting], words: Sequence[str], reader: DesignationReader
) -> list[str]:
    """Numbers of entries that words name, in the order of the ledger.

    Parameters
    ----------
    postings : sequence of Posting
    words : sequence of str
        Numbers of postings or entries; or conditions, of which all must hold.
    reader : DesignationReader

    Raises
    ------
    QueryError
        If a word cannot be read, names no entry, or one that is undone already.
    """
    numbers = [word for word in words if _NUMBER.fullmatch(word.strip())]
    conditions = [word for word in words if word not in numbers]
    if not words or (numbers and conditions):
        raise QueryError("undo", " ".join(words), _RULE, usage=True)
    meant = (
        _by_number(postings, numbers) if numbers else _by_condition(postings, conditions, reader)
    )
    return list(dict.fromkeys(meant))


def _by_number(postings: Sequence[Posting], words: Sequence[str]) -> list[str]:
    by_number = {posting.number: posting for posting in postings}
    gone = undone(postings)
    meant = []
    for word in words:
        found = _NUMBER.fullmatch(word.strip())
        posting = by_number.get(int(found[1])) if found else None
        names = _names(posting, found[2]) if found and posting else []
        if not names:
            raise QueryError("undo", word, f"there is no entry {word.strip()} in the ledger")
        left = [name for name in names if name not in gone]
        if not left:
            undoing = gone[names[0]]
            by = by_number[int(undoing.partition(".")[0])]
            said = f"by {undoing} ({by.by}, {by.at}, {by.why})"
            raise QueryError("undo", word, f"{word.strip()} is undone already: {said}")
        meant += left
    return sorted(meant, key=lambda name: tuple(map(int, name.split("."))))


def _names(posting: Posting, place: str | None) -> list[str]:
    """Numbers of one entry of a posting, or of all."""
    names = [posting.named(at) for at in range(len(posting.entries))]
    return (
        names
        if place is None
        else [name for name in names if name == posting.named(int(place) - 1)]
    )


def _by_condition(
    postings: Sequence[Posting], words: Sequence[str], reader: DesignationReader
) -> list[str]:
    wanted = {}
    for word in words:
        name, equals, value = word.partition("=")
        name = name.strip().lower()
        if not equals or name not in _CONDITIONS or name in wanted or not value.strip():
            raise QueryError("undo", word, f"{word!r}: {_RULE}", usage=True)
        wanted[name] = value.strip()
    plates: tuple[str, ...] = ()
    try:
        if "date" in wanted:
            wanted["date"] = date.fromisoformat(wanted["date"]).isoformat()
        if "plate" in wanted:
            plates = canonical_names(wanted["plate"], reader, "plate")
    except (Refused, ValueError) as fault:
        raise QueryError("undo", " ".join(words), f"undo: {fault}") from None
    gone = undone(postings)
    meant = [
        posting.named(place)
        for posting in postings
        for place, entry in enumerate(posting.entries)
        if posting.named(place) not in gone and _is_meant(entry, wanted, plates)
    ]
    if not meant:
        said = ", ".join(f"{name}={value}" for name, value in wanted.items())
        raise QueryError("undo", said, f"no entry that counts has {said}")
    return meant


def _is_meant(entry: Entry, wanted: dict[str, str], plates: Sequence[str]) -> bool:
    return (
        isinstance(entry, LedgerEntry | Report)
        and ("date" not in wanted or entry.at.startswith(wanted["date"]))
        and ("person" not in wanted or entry.by.casefold() == wanted["person"].casefold())
        and ("plate" not in wanted or entry.plate in plates)
    )
