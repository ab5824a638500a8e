"""What reading has to say of rows: why some are set aside, and remarks on others."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.log_rows import LogRows
from platecover.coverage.text_arrays import Texts, as_texts

Flags = NDArray[np.bool_]


class RowNotes:
    """Collects faults, which set a row aside, and remarks, in the order they are found.

    Parameters
    ----------
    rows : LogRows
        What is being read.

    Attributes
    ----------
    faulty : bool, shape (n,)
        Rows with a fault.
    """

    def __init__(self, rows: LogRows) -> None:
        self._rows = rows
        self.faulty: Flags = np.zeros(len(rows), dtype=np.bool_)
        self._faults: list[tuple[int, str, str]] = []
        self._remarks: list[tuple[int, str, str]] = []

    def fault(self, where: Flags, column: str, reasons: str | Texts) -> None:
        """Set rows aside for a cell; `reasons`: one for all, or an array of one each."""
        self._faults.extend(_spelled_out(where, column, reasons))
        self.faulty |= where

    def remark(self, where: Flags, column: str, reasons: str | Texts) -> None:
        """Remark on a cell of rows."""
        self._remarks.extend(_spelled_out(where, column, reasons))

    def fault_at(self, row: int, column: str, reason: str) -> None:
        """Set one row aside."""
        self._faults.append((row, column, reason))
        self.faulty[row] = True

    def remark_at(self, row: int, column: str, reason: str) -> None:
        """Remark on a cell of one row."""
        self._remarks.append((row, column, reason))

    def bad_cells(self, column: str, reasons: Texts) -> None:
        """Remark on the cells that have a reason not to be used."""
        where = _given(reasons)
        if where.any():
            said = as_texts(f"{reason}; left out" if reason else "" for reason in reasons)
            self.remark(where, column, said)

    def bad_rows(self, column: str, reasons: Texts) -> None:
        """Set aside the rows whose cell has a reason not to be used."""
        self.fault(_given(reasons), column, reasons)

    def set_aside(self) -> dict[str, NDArray[np.int64] | Texts]:
        """Return one entry a row set aside: first fault, further ones added to its reason."""
        first: dict[int, tuple[str, str]] = {}
        for row, column, reason in self._faults:
            if row in first:
                column_before, so_far = first[row]
                first[row] = (column_before, f"{so_far}; also {column}: {reason}")
            else:
                first[row] = (column, reason)
        entries = [(row, *first[row]) for row in sorted(first)]
        answer = self._columns(entries)
        answer["cells"] = as_texts(self._rows.as_json(row) for row, _, _ in entries)
        return answer

    def remarks(self) -> dict[str, NDArray[np.int64] | Texts]:
        """Return the remarks by row; those on rows set aside are left out."""
        return self._columns(self._kept_remarks())

    def joined(self) -> Texts:
        """Return the remarks of each row as one text, shape (n,)."""
        texts = [""] * len(self._rows)
        for row, column, reason in self._kept_remarks():
            said = f"{column}: {reason}"
            texts[row] = f"{texts[row]}; {said}" if texts[row] else said
        return as_texts(texts)

    def _kept_remarks(self) -> list[tuple[int, str, str]]:
        kept = (entry for entry in self._remarks if not self.faulty[entry[0]])
        return sorted(kept, key=lambda entry: entry[0])  # stable: as found, within a row

    def _columns(self, entries: list[tuple[int, str, str]]) -> dict[str, NDArray[np.int64] | Texts]:
        rows = np.array([row for row, _, _ in entries], dtype=np.int64)
        return {
            "file": self._rows.files()[rows],
            "row": self._rows.row_numbers[rows],
            "column": as_texts(column for _, column, _ in entries),
            "value": as_texts(self._rows.logged(column, row) for row, column, _ in entries),
            "reason": as_texts(reason for _, _, reason in entries),
        }


def _given(reasons: Texts) -> Flags:
    return np.asarray(reasons != "", dtype=np.bool_)


def _spelled_out(where: Flags, column: str, reasons: str | Texts) -> Iterator[tuple[int, str, str]]:
    for row in np.flatnonzero(where).tolist():
        yield row, column, reasons if isinstance(reasons, str) else reasons[row]
