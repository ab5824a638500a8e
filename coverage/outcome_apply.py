"""The day's outcome into the ledger, and a new edition that knows it; and undoing of both.

The ledger comes first, whole and synced; then the edition. Killed between the two, the outcome is
safe, and the next one, the same file again, or a build makes the edition.
"""

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc

from platecover.coverage.designation import DesignationReader
from platecover.coverage.edition import Edition, open_current
from platecover.coverage.edition_publish import archive_lock
from platecover.coverage.errors import ArchiveError, QueryError
from platecover.coverage.facts_edition import Progress, is_behind, publish_facts
from platecover.coverage.ledger import (
    OUTCOMES,
    UNDO,
    Posting,
    Report,
    Undo,
    append_posting,
    facts_in_force,
    next_number,
    read_postings,
)
from platecover.coverage.outcome_changes import changes_of
from platecover.coverage.outcome_checks import SetAside, check_together, known_reports
from platecover.coverage.outcome_rows import (
    OTHER_PLATE,
    SCANNED,
    Refused,
    Said,
    canonical_names,
    is_address,
    read_row,
)
from platecover.coverage.outcome_table import OutcomeTable, read_outcome_table
from platecover.coverage.outcome_undo import entries_meant
from platecover.coverage.text_arrays import shown

WAIT_S = 20.0  # for another who holds the archive; a day's outcome takes some seconds
_MOST_SHOWN = 200  # characters of a value that is set aside
_NAMED = 3  # people in the signature of a posting
_STRICT = "nothing is applied, since other rows are at fault (--strict)"

Facts = dict[tuple[str, str], str]  # value by plate and fact


@dataclass(frozen=True)
class OutcomeReport:
    """What came of applying or undoing: `rows_read` = `applied` + `set_aside`, always.

    Attributes
    ----------
    rows_read, applied : int
    set_aside : tuple of SetAside
        In the order of the file.
    posting : int or None
        Number in the ledger; None if nothing was added.
    edition : int
        Number of the edition in use now.
    is_new_edition : bool
    outcomes : dict of str to int
        Rows applied, by outcome.
    without_address : int
        Scans applied of which no address is known.
    unknown_others : tuple of str
        Plates in other plates' jackets that the archive does not know, as written.
    """

    rows_read: int
    applied: int
    set_aside: tuple[SetAside, ...]
    posting: int | None
    edition: int
    is_new_edition: bool
    outcomes: Mapping[str, int]
    without_address: int = 0
    unknown_others: tuple[str, ...] = ()

    @property
    def repeats(self) -> int:
        """Rows set aside since nothing of them is new."""
        return len(self.set_aside) - self.faults

    @property
    def faults(self) -> int:
        """Rows set aside that are no mere repeats."""
        return sum(not each.repeat for each in self.set_aside)


def apply_outcomes(
    archive: str | os.PathLike[str],
    file: str | os.PathLike[str],
    *,
    by: str = "",
    strict: bool = False,
    scans: str = "",
    today: date | None = None,
    wait_s: float = WAIT_S,
    progress: Progress | None = None,
) -> OutcomeReport:
    """Check a file of outcomes, add it to the ledger and make an edition that knows it.

    Parameters
    ----------
    archive : path
        Folder of the archive.
    file : path
        Table with columns designation, outcome, date, person and more (`outcome_table`).
    by : str, optional
        Who sends it in, and says what rows without a person say.
    strict : bool, optional
        Apply nothing if any row is at fault; a repeat is no fault.
    scans : str, optional
        Address of the folder to which files of scans are relative.
    today : datetime.date, optional
        Later dates are refused; the computer's date if not given.
    wait_s : float, optional
        How long to wait for another who changes the archive.
    progress : callable, optional
        Called as progress(stage, done, total).

    Returns
    -------
    OutcomeReport

    Raises
    ------
    LogFileError
        If the file is no such table.
    ArchiveError
        If the archive is damaged, or another changes it all the while.
    QueryError
        If `by` or `scans` cannot be.
    """
    folder = Path(archive)
    if scans and not is_address(scans):
        raise QueryError("scans", scans, f"scans must be an http or https address, got {scans!r}")
    if by and (not by.strip() or not by.isprintable()):
        raise QueryError("by", by, f"by must be a name of printable characters, got {by!r}")
    by = " ".join(by.split())
    table = read_outcome_table(Path(file))
    open_current(folder)  # an archive before anything is locked
    with archive_lock(folder, wait_s):
        edition, postings = open_current(folder), read_postings(folder)
        register = _Register(edition, postings)
        taken, aside = _sort_out(table, register, postings, by, today or date.today())
        if strict and any(not each.repeat for each in aside):
            aside += [SetAside(table.name, s.row, "", "", _STRICT, True) for _, s in taken]
            taken = []
        reports = [register.report(plate, said, scans) for plate, said in taken]
        posting = None
        if reports:
            people = list(dict.fromkeys(report.by for report in reports))
            more = f" and {len(people) - _NAMED} more" if len(people) > _NAMED else ""
            posting = Posting(
                next_number(postings), OUTCOMES, _now(), by or ", ".join(people[:_NAMED]) + more,
                tuple(reports), source=table.name, sha256=table.sha256,
            )  # fmt: skip
            append_posting(folder, posting)
        number, is_new = _edition_that_knows(folder, edition, postings, posting, progress)
    outcomes = [report.outcome for report in reports]
    return OutcomeReport(
        len(table.lines),
        len(reports),
        tuple(sorted(aside, key=lambda each: each.row)),
        posting.number if posting else None,
        number,
        is_new,
        {name: outcomes.count(name) for name in dict.fromkeys(outcomes)},
        sum(
            report.outcome == SCANNED and all(fact != "access_url" for _, fact, _ in report.changes)
            for report in reports
        ),
        tuple(
            said.value
            for _, said in taken
            if said.outcome == OTHER_PLATE and register.other(said) is None
        ),
    )


def undo_outcomes(
    archive: str | os.PathLike[str],
    words: Sequence[str],
    *,
    by: str,
    why: str,
    wait_s: float = WAIT_S,
    progress: Progress | None = None,
) -> OutcomeReport:
    """Let entries of the ledger count no more, by an entry of its own.

    Parameters
    ----------
    archive : path
    words : sequence of str
        Numbers of postings (12) or entries (12.3), or conditions of which all must hold:
        ``date=2026-11-25``, ``person=Ida Marsh``, ``plate=QN 1``.
    by, why : str
        Who undoes it, and what for.
    wait_s, progress
        As for `apply_outcomes`.

    Raises
    ------
    QueryError
        If there is no such entry, or it is undone already; then nothing is undone.
    ArchiveError
        As for `apply_outcomes`.
    """
    folder = Path(archive)
    for name, text in (("by", by), ("why", why)):
        if not text.strip() or not text.isprintable():
            what = f"{name} must be text of printable characters, got {text!r}"
            raise QueryError(name, text, what)
    open_current(folder)
    with archive_lock(folder, wait_s):
        edition, postings = open_current(folder), read_postings(folder)
        reader = DesignationReader(edition.summary["observatory"]["series"])
        entries = entries_meant(postings, words, reader)
        posting = Posting(
            next_number(postings), UNDO, _now(), " ".join(by.split()),
            tuple(Undo(name) for name in entries), why=why.strip(),
        )  # fmt: skip
        append_posting(folder, posting)
        number, is_new = _edition_that_knows(folder, edition, postings, posting, progress)
    done = len(entries)
    return OutcomeReport(done, done, (), posting.number, number, is_new, {"undone": done})


def _edition_that_knows(
    folder: Path,
    edition: Edition,
    postings: Sequence[Posting],
    posting: Posting | None,
    progress: Progress | None,
) -> tuple[int, bool]:
    """Number of an edition that knows all of the ledger, and whether it was made now."""
    if posting is None and not is_behind(edition, len(postings)):
        return edition.number, False
    try:
        known = [*postings, posting] if posting else postings
        return publish_facts(folder, progress, before=edition, postings=known), True
    except ArchiveError as fault:
        safe = "" if posting is None else f"\nposting {posting.number} is safe in the ledger:"
        raise ArchiveError(f"{fault}{safe} the next outcome or build makes the edition") from None


def _sort_out(
    table: OutcomeTable, register: "_Register", postings: Sequence[Posting], by: str, today: date
) -> tuple[list[tuple[str, Said]], list[SetAside]]:
    """Rows that can be taken, with their plates, and the others."""
    readable: list[Said] = []
    aside: list[SetAside] = []
    for line in table.lines:
        try:
            readable.append(read_row(line, register.reader, by, today))
        except Refused as fault:
            value = fault.value[:_MOST_SHOWN]
            aside.append(SetAside(table.name, line.row, fault.column, value, fault.reason))
    register.look_up(readable)
    rows = []
    for said in readable:
        plate = register.plate(said.names)
        reason = ""
        if plate is None:
            reason = f"no plate {said.names[-1]} is known"
        elif said.outcome == OTHER_PLATE and register.other(said) == plate:
            reason = f"{shown(said.value)} is the plate itself"
        if plate is not None and not reason:
            rows.append((plate, said))
        else:
            value = said.spelt[:_MOST_SHOWN]
            aside.append(SetAside(table.name, said.row, "designation", value, reason))
    taken, at_odds = check_together(
        table.name, rows, known_reports(postings, {plate for plate, _ in rows})
    )
    return taken, aside + at_odds


class _Register:
    """Plates that a file speaks of, and their facts, which change row by row."""

    def __init__(self, edition: Edition, postings: Sequence[Posting]) -> None:
        self.reader = DesignationReader(edition.summary["observatory"]["series"])
        self._edition, self._postings = edition, postings
        self._facts: Facts = {}
        self._known: set[str] = set()

    def look_up(self, rows: Sequence[Said]) -> None:
        """Look for the plates that rows may name, and what is known of them."""
        names = {name for said in rows for name in (*said.names, *self._others(said))}
        column = self._edition.plates.column("plate").chunk(0).cast(pa.string())
        places = pc.indices_nonzero(pc.is_in(column, pa.array(sorted(names), pa.string())))
        for row in self._edition.plates.take(places).to_pylist():
            self._known.add(row["plate"])
            for fact in ("status", "shelf"):
                self._facts[row["plate"], fact] = row[fact]
        if is_behind(self._edition, len(self._postings)):
            for entry in facts_in_force(self._postings):
                self._facts[entry.plate, entry.fact] = entry.value

    def plate(self, names: Sequence[str]) -> str | None:
        """The plate that one of some designations names."""
        return next((name for name in names if name in self._known), None)

    def other(self, said: Said) -> str | None:
        """The archive's plate that was found in the jacket of another."""
        return self.plate(self._others(said))

    def _others(self, said: Said) -> tuple[str, ...]:
        if said.outcome != OTHER_PLATE:
            return ()
        try:
            return canonical_names(said.value, self.reader, "other_plate")
        except Refused:  # a remark then: what is on the glass, as somebody read it
            return ()

    def report(self, plate: str, said: Said, scans: str) -> Report:
        """The report that a row makes; its changes count for the rows after it."""
        other = self.other(said)
        changes = changes_of(plate, said, other, lambda *at: self._facts.get(at, ""), scans)
        for changed, fact, value in changes:
            self._facts[changed, fact] = value
        report = Report(said.at_text, said.person, plate, said.outcome, said.value, said.why)
        return replace(report, changes=changes, notes=said.notes, other=other or "")


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")
