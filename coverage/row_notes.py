"""What reading has to say of rows: why some are set aside, and remarks on others."""

from collections.abc import Iterator

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from platecover.coverage.log_table import LogTable
from platecover.coverage.logged_rows import notes_table
from platecover.coverage.text_arrays import Texts, as_texts

Flags = NDArray[np.bool_]


class RowNotes:
    """Collects faults, which set a row aside, and remarks, in the order they are found.

    Parameters
    ----------
    rows : LogTable
        What is being read.

    Attributes
    ----------
    faulty : bool, shape (n,)
        Rows with a fault.
    """

    def __init__(self, rows: LogTable) -> None:
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

    def faults(self) -> dict[str, Texts]:
        """Return, '' for sound rows: first fault with its cell, all reasons, whole row (JSON)."""
        columns = {f"fault_{name}": as_texts([""] * len(self._rows))
                   for name in ("column", "value", "reason", "cells")}  # fmt: skip
        for row, column, reason in self._faults:
            if columns["fault_column"][row]:
                columns["fault_reason"][row] += f"; also {column}: {reason}"
                continue
            columns["fault_column"][row] = column
            columns["fault_value"][row] = self._rows.logged(column, row)
            columns["fault_reason"][row] = reason
            columns["fault_cells"][row] = self._rows.as_json(row)
        return columns

    def remarks(self) -> pa.Array:
        """Return the remarks on each sound row: lists of column, value, reason."""
        kept = [entry for entry in self._remarks if not self.faulty[entry[0]]]
        kept.sort(key=lambda entry: entry[0])  # stable: as found, within a row
        counts = np.bincount([row for row, _, _ in kept], minlength=len(self._rows))
        offsets = np.concatenate([[0], np.cumsum(counts)]).astype(np.int32)
        entries = notes_table(
            (column, self._rows.logged(column, row), reason) for row, column, reason in kept
        )
        return pa.ListArray.from_arrays(offsets, entries.to_struct_array().combine_chunks())

    def joined(self) -> Texts:
        """Return the remarks of each row as one text, shape (n,)."""
        texts = [""] * len(self._rows)
        for row, column, reason in self._remarks:
            said = f"{column}: {reason}"
            texts[row] = f"{texts[row]}; {said}" if texts[row] else said
        return as_texts(texts)


def _given(reasons: Texts) -> Flags:
    return np.asarray(reasons != "", dtype=np.bool_)


def _spelled_out(where: Flags, column: str, reasons: str | Texts) -> Iterator[tuple[int, str, str]]:
    for row in np.flatnonzero(where).tolist():
        yield row, column, reasons if isinstance(reasons, str) else reasons[row]
