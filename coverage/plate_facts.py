"""What belongs to the plate, not to one exposure: where it is, its state, its scan."""

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from platecover.coverage.logged_rows import LoggedRows
from platecover.coverage.text_arrays import shown

_NONE = -1  # row of a fact that no row states
# The plate's column for each of a log's.
STATED_FACTS = {
    "shelf": "shelf",
    "status": "status",
    "condition": "condition",
    "scanned": "scanned",
    "scan_url": "access_url",
}

Integers = NDArray[np.int64]


@dataclass(frozen=True)
class PlateFacts:
    """Facts by plate ('' = not known), and remarks: row, column, reason."""

    columns: dict[str, pa.Array]
    remarks: list[tuple[int, str, str]]


def plate_facts(rows: LoggedRows, plate_of_row: Integers, n_plates: int) -> PlateFacts:
    """Find status, condition, scanned, access_url and shelf of every plate.

    The last value that is not empty, in reading order, holds; rows that are set aside count
    too, since the plate is known by its designation. An address implies that the plate is
    scanned.

    Parameters
    ----------
    rows : LoggedRows
    plate_of_row : int64, shape (n,)
        A number for each plate; -1 where the designation could not be read.
    n_plates : int

    Returns
    -------
    PlateFacts
        With remarks on rows that disagree.
    """
    remarks: list[tuple[int, str, str]] = []
    known = plate_of_row >= 0
    read = rows.columns([f"stated_{name}" for name in STATED_FACTS])
    addresses = read["stated_scan_url"]
    with_url = np.zeros(n_plates + 1, dtype=np.bool_)  # the last is for rows without a plate
    with_url[plate_of_row[known & _given(addresses)]] = True
    scanned = read["stated_scanned"]
    denied = known & pc.equal(scanned, "no").to_numpy(zero_copy_only=False) & with_url[plate_of_row]
    for row in np.flatnonzero(denied).tolist():
        remarks.append((row, "scanned", "'no', but the plate has a scan_url; taken as yes"))
    yes = pa.scalar("yes", pa.large_string())
    stated = {"scanned": pc.if_else(pa.array(denied), yes, scanned), "scan_url": addresses}
    columns = {}
    for of_log, of_plate in STATED_FACTS.items():
        values = stated[of_log] if of_log in stated else read[f"stated_{of_log}"]
        columns[of_plate] = _last_values(rows, of_log, values, plate_of_row, n_plates, remarks)
    columns["scanned"] = pc.if_else(pa.array(with_url[:-1]), yes, columns["scanned"])
    return PlateFacts(columns, remarks)


def _given(texts: pa.Array) -> NDArray[np.bool_]:
    return np.asarray(pc.not_equal(texts, "").to_numpy(zero_copy_only=False), dtype=np.bool_)


def _last_values(
    rows: LoggedRows,
    column: str,
    values: pa.Array,
    plate_of_row: Integers,
    n_plates: int,
    remarks: list[tuple[int, str, str]],
) -> pa.Array:
    """Return the last value of every plate that is not empty; remark on rows that disagree."""
    stating = np.flatnonzero((plate_of_row >= 0) & _given(values))
    last = np.full(n_plates, _NONE, dtype=np.int64)
    np.maximum.at(last, plate_of_row[stating], stating)
    codes = values.dictionary_encode().indices.to_numpy()
    differing = stating[codes[stating] != codes[last[plate_of_row[stating]]]]
    told: set[int] = set()
    for row in differing.tolist():
        holding = int(last[plate_of_row[row]])
        here, there = shown(values[row].as_py()), shown(values[holding].as_py())
        said = (
            f"{here} here, but {rows.place(holding)} says {there} later, which holds for the plate"
        )
        remarks.append((row, column, said))
        if holding not in told:
            told.add(holding)
            said = f"{there} holds for the plate, but {rows.place(row)} says {here}"
            remarks.append((holding, column, said))
    return pc.fill_null(values.take(pa.array(last, mask=last == _NONE)), "")
