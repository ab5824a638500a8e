"""Who said what of which plate, when: the ledger of an edition, as a table."""

from datetime import date
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from platecover.coverage.columns import HISTORY_COLUMNS
from platecover.coverage.edition import Edition
from platecover.coverage.errors import QueryError
from platecover.coverage.plate_record import known_plate

_OUTCOME, _RESCAN = "outcome", "rescan"
_DATE_CHARACTERS = len("2026-11-25")


def history_table(edition: Edition) -> pa.Table:
    """The whole history, with every column that this program knows; null where nothing is."""
    table = edition.table("history")
    for column in HISTORY_COLUMNS:
        if column.name not in table.column_names:  # an edition of an earlier program
            table = table.append_column(column.name, pa.nulls(len(table), pa.string()))
    return table.select([column.name for column in HISTORY_COLUMNS])


def history_rows(
    edition: Edition, plate: str | None = None, since: str | None = None, by: str | None = None
) -> pa.Table:
    """Part of the history, the oldest first.

    Parameters
    ----------
    edition : Edition
    plate : str, optional
        Designation in any spelling of the logs; with it, what the logs say is there as well.
    since : str, optional
        Date: what is of that day or later, or was sent in then.
    by : str, optional
        Who said it or sent it in; any case.

    Returns
    -------
    pyarrow.Table
        HISTORY_COLUMNS.

    Raises
    ------
    QueryError
        If no such plate is known or the date cannot be read.
    """
    table = history_table(edition)
    if plate is None:
        keep = pc.is_valid(table.column("at"))
    else:
        keep = pc.equal(table.column("plate"), known_plate(edition, plate)[1])
    if since is not None:
        first = _checked_date(since)
        days = [
            pc.utf8_slice_codeunits(table.column(name), 0, _DATE_CHARACTERS)
            for name in ("at", "posted")
        ]
        later = [pc.fill_null(pc.greater_equal(day, first), False) for day in days]
        keep = pc.and_(keep, pc.or_(*later))
    if by is not None:
        wanted = pc.utf8_lower(pa.scalar(" ".join(by.split())))
        named = [pc.equal(pc.utf8_lower(table.column(name)), wanted) for name in _SIGNED]
        keep = pc.and_(keep, pc.or_(*[pc.fill_null(each, False) for each in named]))
    return table.filter(keep)


_SIGNED = ("by", "posted_by")


def rescan_reasons(edition: Edition) -> dict[str, str]:
    """Plates of which somebody asked for a new scan that there is none of yet, and why."""
    table = history_table(edition)
    counts = table.filter(
        pc.and_(pc.equal(table.column("fact"), _OUTCOME), pc.is_null(table.column("undone")))
    )
    last: dict[str, dict[str, Any]] = {row["plate"]: row for row in counts.to_pylist()}
    wanted = {plate: row["why"] or "" for plate, row in last.items() if row["value"] == _RESCAN}
    if not wanted:
        return {}
    names = edition.plates.column("plate").chunk(0).cast(pa.string())
    places = pc.indices_nonzero(pc.is_in(names, pa.array(list(wanted), pa.string())))
    unscanned = edition.plates.select(["plate", "scanned"]).take(places).to_pylist()
    return {row["plate"]: wanted[row["plate"]] for row in unscanned if row["scanned"] != "yes"}


def _checked_date(text: str) -> str:
    try:
        return date.fromisoformat(text.strip()).isoformat()
    except ValueError:
        raise QueryError(
            "since", text, f"since must be a date such as 2026-11-25, got {text!r}"
        ) from None
