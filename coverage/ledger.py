"""The ledger: what people report of plates after the logs, dated, signed and only ever added to.

``ARCHIVE/ledger/entries.jsonl`` holds a line of JSON for each posting: what one person sent in
at once. A line without its end was never acknowledged and is left out, so that of a posting
either all counts or nothing, whenever its writer was killed. A posting has

- ``posting``: its number, by which people name it; its entries are 12.1, 12.2, ...;
- ``kind``: what its entries are (KINDS): ``outcomes`` are reports of plates, ``undo`` names
  entries that are not to count any more;
- ``at``, ``by``, ``why``: when it was sent in, by whom, and what for; ``source`` and ``sha256``
  tell the file;
- ``entries``.

A line that is a single fact (`LedgerEntry`) is a posting of that one entry; its number is its
line's. A new kind needs a class with `of_plain`, a line in KINDS, and a reader that applies it;
undo and numbering serve it as they are.
"""

import json
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from platecover.coverage.columns import CONDITIONS, PLATE_FACTS, STATUSES, YES_NO
from platecover.coverage.errors import ArchiveError

LEDGER = "ledger"
ENTRIES = "entries.jsonl"
FACT, OUTCOMES, UNDO = "fact", "outcomes", "undo"  # kinds of posting; the first is a bare line
_WORDS = {"status": STATUSES, "condition": CONDITIONS, "scanned": YES_NO}  # others: any text
_LARGEST_NUMBER = 10**12


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

    def check(self) -> None:
        """Raise ValueError with the reason if this cannot be."""
        _check_texts(asdict(self))
        _check_signature(self.at, self.by)
        _check_fact(self.plate, self.fact, self.value)

    @property
    def facts(self) -> "tuple[LedgerEntry, ...]":
        """What it changes: itself."""
        return (self,)


@dataclass(frozen=True)
class Report:
    """What became of one plate on a day, and which facts follow from it.

    Attributes
    ----------
    at : str
        Date, or date and time, ISO 8601.
    by : str
        Who says so.
    plate : str
        Canonical designation.
    outcome : str
        In words, such as 'scanned'.
    value : str
        What goes with it: where the scan is, which other plate; may be empty.
    why : str
        In words; may be empty.
    changes : tuple of (plate, fact, value)
        In canonical designations; the last of one fact holds.
    notes : dict of str to str
        Whatever else was said, by the name of its column.
    other : str
        Canonical designation of a second plate that it speaks of; '' for none.
    """

    at: str
    by: str
    plate: str
    outcome: str
    value: str = ""
    why: str = ""
    changes: tuple[tuple[str, str, str], ...] = ()
    notes: Mapping[str, str] = field(default_factory=dict)
    other: str = ""

    @classmethod
    def of_plain(cls, plain: Mapping[str, Any]) -> "Report":
        """The report that a ledger holds, not yet checked; ValueError or TypeError if none."""
        changes = tuple([(plate, fact, value) for plate, fact, value in plain.get("changes", ())])
        return cls(**{**plain, "changes": changes, "notes": dict(plain.get("notes", {}))})

    def check(self) -> None:
        """Raise ValueError with the reason if this cannot be."""
        _check_reports([self])

    @property
    def facts(self) -> tuple[LedgerEntry, ...]:
        """The changes, each as an entry of its own."""
        return tuple(
            LedgerEntry(self.at, self.by, plate, fact, value, self.why or self.outcome)
            for plate, fact, value in self.changes
        )


@dataclass(frozen=True)
class Undo:
    """An entry that is not to count any more, by its number (such as 12.3)."""

    entry: str

    @classmethod
    def of_plain(cls, plain: Mapping[str, Any]) -> "Undo":
        """The undoing that a ledger holds, not yet checked; TypeError if it is none."""
        return cls(**plain)

    def check(self) -> None:
        """Raise ValueError with the reason if this cannot be."""
        _check_texts(vars(self))
        posting, _, entry = self.entry.partition(".")
        if not (posting.isdecimal() and entry.isdecimal()):
            raise ValueError(f"entry must be a number such as 12.3, got {self.entry!r}")

    @property
    def facts(self) -> tuple[LedgerEntry, ...]:
        """None: it takes facts away."""
        return ()


Entry = LedgerEntry | Report | Undo
KINDS: dict[str, type[Report] | type[Undo]] = {OUTCOMES: Report, UNDO: Undo}


@dataclass(frozen=True)
class Posting:
    """What one person sent in at once; see the module."""

    number: int
    kind: str
    at: str
    by: str
    entries: tuple[Entry, ...]
    why: str = ""
    source: str = ""
    sha256: str = ""

    def named(self, place: int) -> str:
        """Number of one of its entries, counted from 0."""
        return f"{self.number}.{place + 1}"


def read_postings(archive: Path) -> list[Posting]:
    """All postings in the order in which they were made.

    A last line without its line end was never acknowledged to its writer and is left out.

    Raises
    ------
    ArchiveError
        If a line is no posting, a number occurs twice, or an undoing names what there is not.
    """
    path = archive / LEDGER / ENTRIES
    if not path.exists():
        return []
    try:
        lines = path.read_bytes().split(b"\n")[:-1]
    except OSError as fault:
        raise ArchiveError(f"{path}: cannot be read ({fault.strerror})") from None
    postings: list[Posting] = []
    lengths: dict[int, int] = {}  # entries by number of posting
    for number, line in enumerate(lines, start=1):
        try:
            posting = _posting_of(json.loads(line), number)
            if posting.number in lengths:
                raise ValueError(f"posting {posting.number} is there already")
            for entry in posting.entries:
                if isinstance(entry, Undo):
                    of, place = (int(part) for part in entry.entry.split("."))
                    if not (0 < place <= lengths.get(of, 0)):
                        raise ValueError(f"there is no entry {entry.entry} before it")
        except (ValueError, TypeError, AttributeError, RecursionError) as fault:
            raise ArchiveError(
                f"{path}, line {number}: no ledger entry ({fault}); mend or remove the line"
            ) from None
        lengths[posting.number] = len(posting.entries)
        postings.append(posting)
    return postings


def _posting_of(plain: Any, number: int) -> Posting:
    """The posting that a line holds; `number` is the line's."""
    if "posting" not in plain:
        entry = LedgerEntry(**plain)
        entry.check()
        return Posting(number, FACT, entry.at, entry.by, (entry,), entry.why)
    kind = plain["kind"]
    if kind not in KINDS:
        raise ValueError(f"kind {kind!r} is not known to this program; known: {', '.join(KINDS)}")
    facts = {name: value for name, value in plain.items() if name not in ("posting", "entries")}
    entries = tuple([KINDS[kind].of_plain(each) for each in plain["entries"]])
    posting = Posting(plain["posting"], entries=entries, **facts)
    _check_posting(posting)
    return posting


def next_number(postings: Sequence[Posting]) -> int:
    """Number of the posting that comes after these."""
    return max([len(postings), *(posting.number for posting in postings)]) + 1


def append_posting(archive: Path, posting: Posting) -> None:
    """Add a posting to the ledger, all of it or nothing; the archive's lock must be held.

    Raises
    ------
    ValueError
        If it or an entry of it cannot be; then nothing is added.
    """
    _check_posting(posting)
    plain = {
        "posting": posting.number,
        **{name: value for name, value in vars(posting).items() if name != "number" and value},
        "entries": [_plain(entry) for entry in posting.entries],
    }
    _append(archive, [json.dumps(plain, ensure_ascii=False)])


def append_entries(archive: Path, entries: Iterable[LedgerEntry]) -> None:
    """Add single facts to the ledger, a line each; the archive's lock must be held.

    Raises
    ------
    ValueError
        If an entry names no fact of a plate or no value that the fact can have, has no name
        under it or no readable date; then nothing is added.
    """
    entries = list(entries)
    for entry in entries:
        entry.check()
    _append(archive, [json.dumps(asdict(entry), ensure_ascii=False) for entry in entries])


def _append(archive: Path, lines: Sequence[str]) -> None:
    """Add whole lines, synced, with the names of file and folder."""
    data = "".join(f"{line}\n" for line in lines).encode()
    folder = archive / LEDGER
    is_new = not (folder / ENTRIES).exists()
    folder.mkdir(exist_ok=True)
    with (folder / ENTRIES).open("ab+") as stream:
        _cut_unfinished_line(stream)
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())
    if is_new:
        for each in (folder, archive):
            handle = os.open(each, os.O_RDONLY)
            try:
                os.fsync(handle)
            finally:
                os.close(handle)


def _cut_unfinished_line(stream: Any) -> None:
    """Remove the half line that a killed writer may have left at the end."""
    stream.seek(0)
    whole = stream.read()
    end = whole.rfind(b"\n") + 1
    if end != len(whole):
        stream.truncate(end)
    stream.seek(0, os.SEEK_END)


def undone(postings: Sequence[Posting]) -> dict[str, str]:
    """Entries that do not count, each with the number of the undoing that took it away.

    An undoing may itself be undone; then what it took away counts again.
    """
    by: dict[str, str] = {}
    for posting in reversed(postings):  # an undoing speaks of what came before it
        if posting.kind != UNDO:
            continue
        for place, entry in enumerate(posting.entries):
            name = posting.named(place)
            if isinstance(entry, Undo) and name not in by:
                by[entry.entry] = name
    return by


def facts_in_force(postings: Sequence[Posting]) -> list[LedgerEntry]:
    """What the ledger says of plates, the later over the earlier, without what was undone."""
    gone = undone(postings)
    return [
        fact
        for posting in postings
        for place, entry in enumerate(posting.entries)
        if posting.named(place) not in gone
        for fact in entry.facts
    ]


def read_ledger(archive: Path) -> list[LedgerEntry]:
    """`facts_in_force` of an archive's ledger; errors as for `read_postings`."""
    return facts_in_force(read_postings(archive))


def _plain(entry: Entry) -> dict[str, Any]:
    """An entry as JSON holds it, without what is empty."""
    return {name: value for name, value in vars(entry).items() if value}


def _check_posting(posting: Posting) -> None:
    if type(posting.number) is not int or not (0 < posting.number < _LARGEST_NUMBER):
        raise ValueError(f"posting must be a number from 1, got {posting.number!r}")
    _check_texts({n: v for n, v in vars(posting).items() if n not in ("number", "entries")})
    _check_signature(posting.at, posting.by)
    if not posting.entries:
        raise ValueError("a posting must have entries")
    _check_reports([entry for entry in posting.entries if isinstance(entry, Report)])
    for entry in posting.entries:
        if not isinstance(entry, Report):
            entry.check()


def _check_reports(reports: Sequence[Report]) -> None:
    """Check reports together, what they share only once: a ledger has hundreds of thousands."""
    for each in reports:
        _check_text(
            each.at, each.by, each.plate, each.outcome, each.value, each.why, each.other,
            *[text for change in each.changes for text in change],
            *each.notes.keys(), *each.notes.values(),
        )  # fmt: skip
        if not (each.plate.strip() and each.outcome.strip()):
            raise ValueError("plate and outcome must be named")
    for at, by in {(each.at, each.by) for each in reports}:
        _check_signature(at, by)
    changes = [change for each in reports for change in each.changes]
    for fact, value in {(fact, v if fact in _WORDS else "") for _, fact, v in changes}:
        _check_fact("any", fact, value)
    if not all(plate.strip() for plate, _, _ in changes):
        raise ValueError("plate must be a designation, got nothing")


def _check_texts(values: Mapping[str, object]) -> None:
    _check_text(*values.values())


def _check_text(*texts: Any) -> None:
    try:
        "".join(texts).encode()  # a lone half of a character is no text: ValueError
    except TypeError:
        raise ValueError("every field must be text") from None


def _check_signature(at: str, by: str) -> None:
    if not by.strip():
        raise ValueError("by must name a person")
    try:
        datetime.fromisoformat(at)
    except ValueError:
        raise ValueError(f"at must be an ISO 8601 date, got {at!r}") from None


def _check_fact(plate: str, fact: str, value: str) -> None:
    if fact not in PLATE_FACTS:
        raise ValueError(f"fact must be one of {', '.join(PLATE_FACTS)}, got {fact!r}")
    words = _WORDS.get(fact)
    if words and value and value not in words:
        raise ValueError(f"{fact} must be one of {', '.join(words)}, got {value!r}")
    if not plate.strip():
        raise ValueError("plate must be a designation, got nothing")
