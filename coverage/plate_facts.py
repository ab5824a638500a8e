"""What belongs to the plate, not to one exposure: where it is, its state, its scan."""

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.log_cells import link_cells, word_cells
from platecover.coverage.log_rows import LogRows
from platecover.coverage.row_notes import RowNotes
from platecover.coverage.text_arrays import Texts, as_texts, shown

_NONE = -1  # row of a fact that no row states


def plate_facts(
    rows: LogRows, plate_of_row: NDArray[np.int64], n_plates: int, notes: RowNotes
) -> dict[str, Texts]:
    """Return status, condition, scanned, access_url and shelf of every plate.

    The last value that is not empty, in reading order, holds; rows that are set aside count
    too, since the plate is known by its designation. An address implies that the plate is
    scanned.

    Parameters
    ----------
    rows : LogRows
    plate_of_row : int64, shape (n,)
        A number for each plate; -1 where the designation could not be read.
    n_plates : int
    notes : RowNotes
        Takes remarks on bad cells and on rows that disagree.

    Returns
    -------
    dict of str to object array, shape (n_plates,)
        '' = not known.
    """
    read: dict[str, Texts] = {"shelf": rows.text("shelf")}
    for column in ("status", "condition", "scanned"):
        read[column], reasons = word_cells(column, rows.text(column))
        notes.bad_cells(column, reasons)
    read["scan_url"], reasons = link_cells(rows.text("scan_url"))
    notes.bad_cells("scan_url", reasons)

    known = plate_of_row >= 0
    with_url = np.zeros(n_plates + 1, dtype=np.bool_)  # the last is for rows without a plate
    with_url[plate_of_row[known & (read["scan_url"] != "")]] = True
    denied = known & (read["scanned"] == "no") & with_url[plate_of_row]
    notes.remark(denied, "scanned", "'no', but the plate has a scan_url; taken as yes")
    read["scanned"] = np.where(denied, "yes", read["scanned"])

    facts = {
        "access_url" if column == "scan_url" else column: _last_values(
            rows, column, values, plate_of_row, n_plates, notes
        )
        for column, values in read.items()
    }
    facts["scanned"] = np.where(with_url[:-1], "yes", facts["scanned"])
    return facts


def _last_values(
    rows: LogRows,
    column: str,
    values: Texts,
    plate_of_row: NDArray[np.int64],
    n_plates: int,
    notes: RowNotes,
) -> Texts:
    """Return the last value of every plate that is not empty; remark on rows that disagree."""
    stating = np.flatnonzero((plate_of_row >= 0) & (values != ""))
    last = np.full(n_plates, _NONE, dtype=np.int64)
    np.maximum.at(last, plate_of_row[stating], stating)
    differing = stating[values[stating] != values[last[plate_of_row[stating]]]]
    told: set[int] = set()
    for row in differing.tolist():
        holding = int(last[plate_of_row[row]])
        notes.remark_at(
            row,
            column,
            f"{shown(values[row])} here, but {rows.place(holding)} says {shown(values[holding])} "
            "later, which holds for the plate",
        )
        if holding not in told:
            told.add(holding)
            notes.remark_at(
                holding,
                column,
                f"{shown(values[holding])} holds for the plate, but {rows.place(row)} says "
                f"{shown(values[row])}",
            )
    facts = as_texts([""] * n_plates)
    stated = last != _NONE
    facts[stated] = values[last[stated]]
    return facts
