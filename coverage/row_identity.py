"""Which rows are the same exposure: numbers on the plate, repeats, and differing versions."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.log_cells import number_cells
from platecover.coverage.log_rows import LogRows
from platecover.coverage.row_notes import RowNotes
from platecover.coverage.text_arrays import encode

# Rows of one plate that agree in these are one exposure, unless the log numbers it.
SAME_EXPOSURE = ("ra", "dec", "equinox", "date", "time", "clock")
_MOST_PLACES = 5  # rows named in a remark


@dataclass(frozen=True)
class Identity:
    """Exposure number and version of each row, shape (n,); 0 where set aside."""

    exposure: NDArray[np.int64]
    version: NDArray[np.int64]

    def exposure_id(self, plate: str, row: int) -> str:
        """Return the id of a row's exposure, from the canonical designation of its plate."""
        version = f"-v{self.version[row]}" if self.version[row] > 1 else ""
        return f"{plate}-{self.exposure[row]}{version}"


def identify(
    rows: LogRows, plate_of_row: NDArray[np.int64], t_min: NDArray[np.float64], notes: RowNotes
) -> Identity:
    """Number the exposures of every plate and tell repeated rows from differing ones.

    Parameters
    ----------
    rows : LogRows
    plate_of_row : int64, shape (n,)
        A number for each plate; -1 where the designation could not be read.
    t_min : float64, shape (n,)
        NaN = undated.
    notes : RowNotes
        Rows that repeat an earlier one in every cell are set aside; rows of one exposure
        that differ get a remark.

    Returns
    -------
    Identity
    """
    stated, reasons = number_cells("exposure", rows.text("exposure"))
    notes.bad_cells("exposure", reasons)
    exposure = np.where(np.isnan(stated), 0, stated).astype(np.int64)
    taken: dict[int, set[int]] = {}
    for row in np.flatnonzero((plate_of_row >= 0) & (exposure > 0)).tolist():
        taken.setdefault(int(plate_of_row[row]), set()).add(int(exposure[row]))
    loose = np.flatnonzero(~notes.faulty & (exposure == 0))
    exposure[loose] = _numbers(rows, loose, plate_of_row, t_min, taken)
    return Identity(exposure, _versions(rows, plate_of_row, exposure, notes))


def _numbers(
    rows: LogRows,
    loose: NDArray[np.int64],
    plate_of_row: NDArray[np.int64],
    t_min: NDArray[np.float64],
    taken: dict[int, set[int]],
) -> NDArray[np.int64]:
    """Number, by t_min, the exposures that the log does not number; one a row of `loose`."""
    if not len(loose):
        return np.empty(0, dtype=np.int64)
    cells = [rows.text(column)[loose].tolist() for column in SAME_EXPOSURE]
    different, group_of = encode(zip(plate_of_row[loose].tolist(), *cells, strict=True))
    first = np.full(len(different), len(rows), dtype=np.int64)
    np.minimum.at(first, group_of, loose)
    plate = plate_of_row[first]
    order = np.lexsort((first, t_min[first], plate))  # NaN sorts last
    in_order = plate[order]
    starts = np.flatnonzero(np.concatenate([[True], in_order[1:] != in_order[:-1]]))
    lengths = np.diff(np.concatenate([starts, [len(order)]]))
    numbers = np.empty(len(order), dtype=np.int64)
    numbers[order] = np.arange(len(order)) - np.repeat(starts, lengths) + 1
    for start, length in zip(starts.tolist(), lengths.tolist(), strict=True):
        used = taken.get(int(in_order[start]))
        if used:
            numbers[order[start : start + length]] = _free_numbers(used, length)
    return np.asarray(numbers[group_of])


def _free_numbers(used: set[int], count: int) -> list[int]:
    free: list[int] = []
    number = 1
    while len(free) < count:
        if number not in used:
            free.append(number)
        number += 1
    return free


def _versions(
    rows: LogRows,
    plate_of_row: NDArray[np.int64],
    exposure: NDArray[np.int64],
    notes: RowNotes,
) -> NDArray[np.int64]:
    """Return versions from 1; set repeats aside and remark on rows that differ."""
    version = np.where(notes.faulty, 0, 1).astype(np.int64)
    kept = np.flatnonzero(~notes.faulty)
    _, same = encode(zip(plate_of_row[kept].tolist(), exposure[kept].tolist(), strict=True))
    often = np.flatnonzero(np.bincount(same, minlength=1)[same] > 1)
    members: dict[int, list[int]] = {}
    for at in often.tolist():
        members.setdefault(int(same[at]), []).append(int(kept[at]))
    columns = list(rows.cells.values())
    for group in members.values():
        seen: dict[tuple[str, ...], int] = {}
        for row in group:
            cells = tuple(column[row].strip() for column in columns)
            if cells in seen:
                notes.fault_at(row, "plate", f"repeats {rows.place(seen[cells])}")
            else:
                seen[cells] = row
                version[row] = len(seen)
        if len(seen) > 1:
            places = [rows.place(row) for row in seen.values()]
            more = ", ..." if len(places) > _MOST_PLACES else ""
            said = f"logged differently in {', '.join(places[:_MOST_PLACES])}{more}; all kept"
            for row in seen.values():
                notes.remark_at(row, "exposure", said)
    version[notes.faulty] = 0
    return version
