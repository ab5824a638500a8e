"""The day's outcome as a table of cells: one line a plate, whatever program wrote it."""

import codecs
import hashlib
import re
from dataclasses import dataclass
from pathlib import Path

from platecover.coverage.errors import LogFileError
from platecover.coverage.text_arrays import shown
from platecover.coverage.text_records import cells_of_any_length, cells_of_records

SEPARATORS = (",", ";", "\t")
LARGEST_BYTES = 50_000_000  # our limit: a day's outcome has some hundred lines
_QUOTED = re.compile(r'"[^"]*"')
_NOTHING = {"nan", "NaN", "None", "null", "<NA>"}  # how programs write an empty cell

# The columns, each with the other names under which it may stand.
COLUMNS: dict[str, tuple[str, ...]] = {
    "designation": ("plate",),
    "outcome": (),
    "scan": ("url", "file", "scan_url", "access_url", "scan_file"),
    "other_plate": ("other", "found", "found_plate", "which"),
    "why": ("reason",),
    "detail": ("value",),
    "date": ("day", "at"),
    "person": ("by", "name"),
}
NEEDED = ("designation", "outcome", "date")
_NAME_OF = {other: name for name, others in COLUMNS.items() for other in (name, *others)}


@dataclass(frozen=True)
class OutcomeLine:
    """One row: the line of the file it starts on, and its cells.

    Attributes
    ----------
    row : int
    cells : dict of str to str
        By the names of COLUMNS; '' where there is none.
    notes : dict of str to str
        Cells of further columns, by the names that the file gives them.
    beyond : tuple of str
        Cells beyond the header.
    clash : str
        Column that two cells of the row state differently; '' for none.
    """

    row: int
    cells: dict[str, str]
    notes: dict[str, str]
    beyond: tuple[str, ...] = ()
    clash: str = ""


@dataclass(frozen=True)
class OutcomeTable:
    """A file of outcomes as it was read."""

    name: str
    sha256: str
    lines: tuple[OutcomeLine, ...]


def form_text() -> str:
    """A form to fill in: the header and an example of each outcome, as CSV."""
    return (
        "designation,outcome,scan,other_plate,why,date,person,notes\n"
        "QN-1,scanned,https://plates.example/qn1.fits,,,2026-11-25,Ida Marsh,\n"
        "QN-2,not found,,,,2026-11-25,Ida Marsh,jacket empty\n"
        "QN-3,broken,,,,2026-11-25,Ida Marsh,in three pieces\n"
        "QN-4,other plate in the jacket,,QN-14,,2026-11-25,Ida Marsh,\n"
        "QN-5,rescan,,,out of focus in the north,2026-11-25,Ida Marsh,\n"
    )


def read_outcome_table(path: Path) -> OutcomeTable:
    """Read a file of outcomes.

    Parameters
    ----------
    path : pathlib.Path
        Commas, semicolons or tabs between cells; UTF-8, UTF-16 or Latin-1. Names of columns match
        in any case; blank lines and lines of empty cells are no rows.

    Raises
    ------
    LogFileError
        If it cannot be read, is empty, too large or no table, or lacks a column.
    """
    try:
        with path.open("rb") as stream:
            data = stream.read(LARGEST_BYTES + 1)
    except (OSError, ValueError) as fault:
        reason = getattr(fault, "strerror", None) or str(fault)
        raise LogFileError(f"{path}: cannot be read ({reason})") from None
    if len(data) > LARGEST_BYTES:
        raise LogFileError(f"{path}: over {LARGEST_BYTES} bytes is no day's outcome")
    sha256 = hashlib.sha256(data).hexdigest()
    return OutcomeTable(path.name, sha256, lines_of(str(path), text_of(str(path), data)))


def text_of(name: str, data: bytes) -> str:
    """Decode a file; LogFileError if it is no text."""
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        text = data.decode("utf-16", errors="replace")
    else:
        try:
            text = data.decode("utf-8")
        except UnicodeDecodeError:
            text = data.decode("latin-1")
    text = text.removeprefix("\ufeff")
    if "\0" in text:
        raise LogFileError(f"{name}: not a table: it is binary; save the sheet as CSV")
    return text.encode("utf-8", "replace").decode()  # a lone half of a character is none


def lines_of(name: str, text: str) -> tuple[OutcomeLine, ...]:
    """Read the rows of a table; LogFileError if it is none."""
    if not text.strip():
        raise LogFileError(
            f"{name}: the file is empty; an outcome starts with a header line"
            " (`platecover outcome --show-form`)"
        )
    first = _QUOTED.sub("", next(line for line in text.splitlines() if line.strip()))
    used = [each for each in SEPARATORS if each in first]
    if len(used) > 1:
        raise LogFileError(f"{name}: two separators in its header; use one throughout")
    with cells_of_any_length():
        records = [
            (at + 1, cells)
            for at, cells in cells_of_records(text, used[0] if used else ",")
            if any(cell.strip() for cell in cells)
        ]
    header = _header(name, records[0][1])
    return tuple(_line(header, row, cells) for row, cells in records[1:])


def _header(name: str, cells: list[str]) -> list[tuple[str, str]]:
    """Our name of each column, or '' for a further one, and its own."""
    header = []
    for cell in cells:
        own = " ".join(cell.split())
        header.append((_NAME_OF.get(own.lower().replace(" ", "_").replace("-", "_"), ""), own))
    own_names = [own.lower() for _, own in header if own]
    twice = next((own for own in own_names if own_names.count(own) > 1), None)
    if twice is not None:
        raise LogFileError(f"{name}: column {shown(twice)} is there twice; rename one")
    ours = {ours for ours, _ in header}
    missing = [each for each in NEEDED if each not in ours]
    if missing:
        raise LogFileError(
            f"{name}: no column {', '.join(missing)}; its header is"
            f" {shown(', '.join(own for _, own in header))}"
            " (`platecover outcome --show-form` prints a form)"
        )
    return header


def _line(header: list[tuple[str, str]], row: int, given: list[str]) -> OutcomeLine:
    cells, notes, clash = dict.fromkeys(COLUMNS, ""), {}, ""
    beyond = tuple(cell for cell in given[len(header) :])
    for at, ((ours, own), cell) in enumerate(zip(header, given, strict=False), start=1):
        text = "" if cell.strip() in _NOTHING else cell.strip()
        if not text:
            continue
        if not ours:
            notes[own or f"column {at}"] = text
        elif not cells[ours]:
            cells[ours] = text
        elif cells[ours] != text:
            clash = ours
    return OutcomeLine(row, cells, notes, beyond, clash)
