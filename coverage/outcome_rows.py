"""What a row of the day's outcome says, each row by itself."""

import re
from dataclasses import dataclass, field
from datetime import date, datetime
from urllib.parse import urlsplit

from platecover.coverage.designation import DesignationReader
from platecover.coverage.outcome_table import OutcomeLine
from platecover.coverage.text_arrays import shown

SCANNED, NOT_FOUND, BROKEN = "scanned", "not found", "broken"
OTHER_PLATE, RESCAN = "other plate in the jacket", "rescan"
OUTCOMES = (SCANNED, NOT_FOUND, BROKEN, OTHER_PLATE, RESCAN)
_SHORTER = {
    "scan": SCANNED, "notfound": NOT_FOUND, "other plate in jacket": OTHER_PLATE,
    "other plate": OTHER_PLATE, "wrong plate": OTHER_PLATE, "re scan": RESCAN,
}  # fmt: skip
_BY_LENGTH = sorted([*OUTCOMES, *_SHORTER], key=len, reverse=True)
# The column that says more of an outcome.
_SAYS_MORE = {SCANNED: "scan", OTHER_PLATE: "other_plate", RESCAN: "why"}

_EARLIEST = date(1960, 1, 1)  # our limit: nobody scanned plates before
_DATE = re.compile(r"\d{4}-\d\d-\d\d(?:[T ]\d\d:\d\d(?::\d\d)?(?:Z|[+-]\d\d:\d\d)?)?", re.ASCII)
_LONGEST_ADDRESS, _LONGEST_PERSON, _LONGEST_TEXT = 2_000, 200, 10_000  # characters; our limits
_NO_ADDRESS = re.compile(r"[\s\x00-\x20\x7f\"<>\\^`{|}]")
_SCHEME = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*:")
_SAME = ("outcome", "value", "why")


class Refused(ValueError):
    """A row cannot be taken: column, value, reason."""

    def __init__(self, column: str, value: str, reason: str) -> None:
        super().__init__(reason)
        self.column, self.value, self.reason = column, value, reason


@dataclass(frozen=True)
class Said:
    """What a row says.

    Attributes
    ----------
    row : int
        Line of the file.
    spelt : str
        Designation as written.
    names : tuple of str
        Canonical designations that it may stand for: with and without leading zeros.
    outcome : str
        One of OUTCOMES.
    value : str
        Address or file of the scan, or the other plate as written.
    why : str
    at : datetime.datetime
        Without zone; at 0h if no time is given.
    has_time : bool
    at_text : str
        ISO 8601, as the ledger keeps it.
    person : str
    notes : dict of str to str
    """

    row: int
    spelt: str
    names: tuple[str, ...]
    outcome: str
    value: str
    why: str
    at: datetime
    has_time: bool
    at_text: str
    person: str
    notes: dict[str, str] = field(default_factory=dict)


def read_row(line: OutcomeLine, reader: DesignationReader, by: str, today: date) -> Said:
    """Read one row.

    Parameters
    ----------
    line : OutcomeLine
    reader : DesignationReader
    by : str
        Who says what rows without a person say; may be empty.
    today : datetime.date
        Later dates are refused.

    Raises
    ------
    Refused
        With the column, the value and the reason.
    """
    cells = line.cells
    if line.beyond:
        raise Refused("", ", ".join(line.beyond), "more cells than the header has columns")
    if line.clash:
        raise Refused(line.clash, cells[line.clash], "another cell of the row says otherwise")
    names = canonical_names(cells["designation"], reader, "designation")
    outcome, rest = _outcome(cells["outcome"])
    value, why = _details(outcome, rest, cells)
    at, has_time, at_text = _date(cells["date"], today)
    person = _person(cells["person"] or by)
    for name, text in (*line.notes.items(), ("why", why)):
        if len(text) > _LONGEST_TEXT:
            raise Refused(name, text, f"over {_LONGEST_TEXT} characters")
    return Said(
        line.row, cells["designation"], names, outcome, value, why, at, has_time, at_text, person,
        line.notes,
    )  # fmt: skip


def canonical_names(text: str, reader: DesignationReader, column: str) -> tuple[str, ...]:
    """Canonical designations that a text may stand for; Refused if it is no designation."""
    try:
        read = reader.read(text)
    except ValueError as fault:
        raise Refused(column, text, str(fault)) from None
    return tuple(dict.fromkeys(read.canonical(leading_zeros=zeros) for zeros in (True, False)))


def _outcome(text: str) -> tuple[str, str]:
    """The outcome that a cell names, and what follows it there."""
    plain = " ".join(re.sub(r"[_\s-]+", " ", text).split()).lower()
    for word in _BY_LENGTH:
        if plain == word:
            return _SHORTER.get(word, word), ""
    for word in _BY_LENGTH:
        spelt = re.compile(r"[_\s-]+".join(map(re.escape, word.split())), re.IGNORECASE)
        found = spelt.match(text.strip())
        rest = text.strip()[found.end() :] if found else ""
        if rest[:1] in (":", " ", ",", "("):
            more = rest.lstrip(":, ").rstrip()
            in_brackets = more[:1] == "(" and more[-1:] == ")"
            return _SHORTER.get(word, word), (more[1:-1].strip() if in_brackets else more)
    raise Refused("outcome", text, f"must be one of: {', '.join(OUTCOMES)}")


def _details(outcome: str, rest: str, cells: dict[str, str]) -> tuple[str, str]:
    """Value and reason of an outcome, wherever in the row they stand."""
    column = _SAYS_MORE.get(outcome, "why")
    given = list(dict.fromkeys(t for t in (cells[column], cells["detail"], rest) if t))
    if len(given) > 1:
        raise Refused(column, given[1], f"the row says {shown(given[0])} as well")
    said = given[0] if given else ""
    for other, what in (("scan", SCANNED), ("other_plate", OTHER_PLATE)):
        if cells[other] and other != column:
            raise Refused(other, cells[other], f"goes with '{what}', but the row says '{outcome}'")
    if outcome == SCANNED:
        return (checked_scan(said) if said else ""), cells["why"]
    if outcome == OTHER_PLATE:
        if not said:
            raise Refused(column, "", "say which plate, or what can be read on it")
        if len(said) > _LONGEST_PERSON:
            raise Refused(column, said, f"over {_LONGEST_PERSON} characters")
        return said, cells["why"]
    if outcome == RESCAN and not said:
        raise Refused("why", "", "say why it is to be scanned again")
    return "", said


def checked_scan(text: str) -> str:
    """Address or relative file of a scan; Refused if it is neither, or not safe to follow."""
    if len(text) > _LONGEST_ADDRESS:
        raise Refused("scan", text, f"over {_LONGEST_ADDRESS} characters")
    if text.lower().startswith(("http://", "https://")):
        try:
            parts = urlsplit(text)
            host, _ = parts.hostname, parts.port
        except ValueError:
            host = None
        if not host or parts.username is not None or _NO_ADDRESS.search(text):
            raise Refused("scan", text, "is no plain http or https address")
        return text
    if _SCHEME.match(text):
        raise Refused("scan", text, "an address must be http or https")
    if (
        text.startswith("/")
        or any(part in ("..", ".", "") for part in text.split("/"))
        or "\\" in text
        or any(not each.isprintable() for each in text)
        or any(each in '"<>?#*|' for each in text)
    ):
        raise Refused("scan", text, "a file must be named relative to the scans' folder")
    return text


def is_address(scan: str) -> bool:
    """Whether a checked scan is an address on the web, and not a file."""
    return scan.lower().startswith(("http://", "https://"))


def _date(text: str, today: date) -> tuple[datetime, bool, str]:
    if not text:
        raise Refused("date", "", "the date is missing")
    try:
        if not _DATE.fullmatch(text):
            raise ValueError
        found = datetime.fromisoformat(text)
    except ValueError:
        raise Refused("date", text, "unreadable; write 2026-11-25, or 2026-11-25 14:30") from None
    if found.date() > today:
        raise Refused("date", text, f"is in the future (today is {today.isoformat()})")
    if found.date() < _EARLIEST:
        raise Refused("date", text, f"is before {_EARLIEST.isoformat()}")
    has_time = len(text) > len("2026-11-25")
    return found.replace(tzinfo=None), has_time, text.replace(" ", "T")


def _person(text: str) -> str:
    person = " ".join(text.split())
    if not person:
        raise Refused("person", text, "the person is missing; fill it in, or say --by PERSON")
    if len(person) > _LONGEST_PERSON or not person.isprintable():
        raise Refused("person", text, f"must be at most {_LONGEST_PERSON} printable characters")
    return person


def same_words(said: Said, other: object) -> bool:
    """Whether a row says the same as another, or as a report of the ledger."""
    return all(getattr(said, name) == getattr(other, name) for name in _SAME)
