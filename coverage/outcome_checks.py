"""Which rows of the day's outcome can be taken, given each other and the ledger.

Whatever is not taken is set aside with its reason; a row that says what is known already is set
aside as a repeat, which is no fault.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby

from platecover.coverage.ledger import Posting, Report, undone
from platecover.coverage.outcome_rows import Said, same_words
from platecover.coverage.text_arrays import shown

_MOST_SHOWN = 200  # characters of a value that an error carries
_DATE_CHARACTERS = len("2026-11-25")


@dataclass(frozen=True)
class SetAside:
    """A row that was not applied; `repeat`: because nothing of it is new."""

    file: str
    row: int
    column: str
    value: str
    reason: str
    repeat: bool = False


@dataclass(frozen=True)
class Known:
    """A report that the ledger has of a plate and that counts."""

    entry: str
    outcome: str
    value: str
    why: str
    by: str
    at: datetime
    has_time: bool

    def __str__(self) -> str:
        """Number, outcome, day and person, for a message."""
        return f"{self.entry} ({self.outcome}, {self.at.date().isoformat()}, {self.by})"


def known_reports(postings: Sequence[Posting], plates: Collection[str]) -> dict[str, list[Known]]:
    """Reports of some plates that count, by plate, in the order in which they were sent in."""
    gone = undone(postings)
    known: dict[str, list[Known]] = {}
    for posting in postings:
        for place, entry in enumerate(posting.entries):
            if not isinstance(entry, Report) or entry.plate not in plates:
                continue
            name = posting.named(place)
            if name not in gone:
                known.setdefault(entry.plate, []).append(
                    Known(
                        name, entry.outcome, entry.value, entry.why, entry.by,
                        datetime.fromisoformat(entry.at).replace(tzinfo=None),
                        len(entry.at) > _DATE_CHARACTERS,
                    )
                )  # fmt: skip
    return known


def check_together(
    file: str, rows: Iterable[tuple[str, Said]], known: Mapping[str, Sequence[Known]]
) -> tuple[list[tuple[str, Said]], list[SetAside]]:
    """Sort out rows that repeat or contradict each other or the ledger.

    Parameters
    ----------
    file : str
        Name of the file, for what is set aside.
    rows : iterable of (str, Said)
        Canonical designation of a known plate, and what the row says.
    known : mapping of str to sequence of Known
        As `known_reports` gives them.

    Returns
    -------
    taken : list of (str, Said)
        By date, those of a date in the order of the file.
    set_aside : list of SetAside
    """
    taken: list[tuple[str, Said]] = []
    aside: list[SetAside] = []

    def put_aside(said: Said, column: str, value: str, reason: str, *, repeat: bool) -> None:
        aside.append(SetAside(file, said.row, column, value[:_MOST_SHOWN], reason, repeat))

    new = []
    for plate, said in rows:
        repeated = _repeated(said, known.get(plate, ()))
        if repeated is None:
            new.append((plate, said))
        else:
            reason = f"is in the ledger already: {repeated}"
            put_aside(said, "designation", said.spelt, reason, repeat=True)
    in_order = sorted(new, key=lambda row: (row[0], row[1].at.date(), row[1].row))
    for (plate, _), group in groupby(in_order, key=lambda row: (row[0], row[1].at.date())):
        different: list[Said] = []
        for _, said in group:
            first = next(
                (o for o in different if same_words(said, o) and _may_be_one(said, o)), None
            )
            if first is None:
                different.append(said)
            else:
                reason = f"repeats row {first.row}"
                put_aside(said, "designation", said.spelt, reason, repeat=True)
        at_odds = len({said.at for said in different if said.has_time}) < len(different) > 1
        for said in different:
            if at_odds:
                other = next(each for each in different if each is not said)
                reason = (
                    f"row {other.row} says {shown(other.outcome)} of {plate} on the same day;"
                    " give both their times, or correct one"
                )
                put_aside(said, "outcome", said.outcome, reason, repeat=False)
            else:
                fault = _fault_of(said, known.get(plate, ()))
                if fault is None:
                    taken.append((plate, said))
                else:
                    put_aside(said, *fault, repeat=False)
    return sorted(taken, key=lambda row: (row[1].at.date(), _time_key(row[1]), row[1].row)), aside


def _time_key(said: Said) -> tuple[str, datetime]:
    """Rows of one plate that have times go by them; others stay in the order of the file."""
    return ("", said.at) if not said.has_time else ("t", said.at)


def _repeated(said: Said, known: Sequence[Known]) -> Known | None:
    """The report of the ledger that says what a row says, if there is one."""
    same = (each for each in known if same_words(said, each) and _may_be_one(said, each))
    return next(same, None)


def _fault_of(said: Said, known: Sequence[Known]) -> tuple[str, str, str] | None:
    """Column, value and reason of a row at odds with the ledger."""
    for each in known:
        if _may_be_one(said, each):
            reason = f"the ledger has another outcome of that day: {each}; undo that if it is wrong"
            return "outcome", said.outcome, reason
    later = [each for each in known if said.at < each.at]
    if later:
        last = max(later, key=lambda each: each.at)
        return "date", said.at_text, f"is older than the last outcome of the plate: {last}"
    return None


def _may_be_one(said: Said, other: Said | Known) -> bool:
    """Whether two rows of a plate can be of one moment: a day without a time is any of it."""
    if said.at.date() != other.at.date():
        return False
    return said.at == other.at or not (said.has_time and other.has_time)
