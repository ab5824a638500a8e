"""The rows of all plate logs as one table, in the order in which they are read."""

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path, PurePath

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.log_cells import LOG_COLUMNS
from platecover.coverage.log_table import LogTable
from platecover.coverage.table_files import read_table
from platecover.coverage.text_arrays import Texts, as_texts, stripped

Progress = Callable[[str, int, int], None]  # stage, done, total

BEYOND_HEADER = "beyond the header"  # stands for the column of cells that have none


@dataclass(frozen=True)
class LogRows:
    """Rows of all logs.

    Attributes
    ----------
    tables : list of LogTable
        The logs in the order given.
    file_names : list of str
        A name for each, as short as tells them apart.
    table_of_row : int64, shape (n,)
        Index of the row's log.
    row_numbers : int64, shape (n,)
        Line or record in that log.
    cells : dict of str to object array, shape (n,)
        Cells as logged, by lower-case name; '' is missing.
    overlong : dict of int to list of str
        Cells beyond the header, by row.
    """

    tables: list[LogTable]
    file_names: list[str]
    table_of_row: NDArray[np.int64]
    row_numbers: NDArray[np.int64]
    cells: dict[str, Texts]
    overlong: dict[int, list[str]]
    _texts: dict[str, Texts] = field(default_factory=dict)

    def __len__(self) -> int:
        """Return the number of rows."""
        return len(self.row_numbers)

    def text(self, column: str) -> Texts:
        """Return the cells of a known column for reading: trimmed, in its own unit."""
        if column not in self._texts:
            parts = [
                stripped(table.reading(column)) if column in table.cells else table.reading(column)
                for table in self.tables
            ]
            self._texts[column] = np.concatenate(parts)
        return self._texts[column]

    def logged(self, column: str, row: int) -> str:
        """Return one cell as logged, '' if there is no such column."""
        if column == BEYOND_HEADER:
            return ", ".join(self.overlong.get(row, []))
        return str(self.cells[column][row]) if column in self.cells else ""

    def place(self, row: int) -> str:
        """Return where a row stands, for messages."""
        return f"{self.file_names[self.table_of_row[row]]} row {self.row_numbers[row]}"

    def files(self) -> Texts:
        """Return the file name of every row."""
        return as_texts(self.file_names)[self.table_of_row]

    def as_json(self, row: int) -> str:
        """Return a whole row as logged: an object of its log's own column names."""
        table = self.tables[self.table_of_row[row]]
        cells: dict[str, object] = {name: self.logged(name.lower(), row) for name in table.names}
        if row in self.overlong:
            cells[BEYOND_HEADER] = self.overlong[row]
        return json.dumps(cells, ensure_ascii=False)


def read_rows(paths: Sequence[str | Path], progress: Progress) -> LogRows:
    """Read all logs; LogFileError as `read_table`."""
    tables = []
    for place, path in enumerate(paths):
        progress("reading logs", place, len(paths))
        tables.append(read_table(path))
    progress("reading logs", len(paths), len(paths))
    lengths = [len(table) for table in tables]
    starts = np.concatenate([[0], np.cumsum(lengths)]).astype(np.int64)
    names = dict.fromkeys(name for table in tables for name in table.cells)
    known_first = dict.fromkeys([*(name for name in LOG_COLUMNS if name in names), *names])
    cells = {
        name: np.concatenate([table.cells.get(name, table.reading(name)) for table in tables])
        for name in known_first
    }
    overlong = {
        int(start) + row: extra
        for table, start in zip(tables, starts[:-1], strict=True)
        for row, extra in table.overlong.items()
    }
    return LogRows(
        tables,
        _short_names([table.path for table in tables]),
        np.repeat(np.arange(len(tables), dtype=np.int64), lengths),
        np.concatenate([table.row_numbers for table in tables]),
        cells,
        overlong,
    )


def _short_names(paths: Sequence[str]) -> list[str]:
    """Return the last parts of each path, as many as tell it from the others."""
    parts = [PurePath(path).parts for path in paths]
    longest = max(len(one) for one in parts)
    names = list(paths)
    for depth in range(longest, 0, -1):
        shorter = [str(PurePath(*one[-depth:])) for one in parts]
        if len(set(shorter)) < len(set(names)):
            break
        names = shorter
    return [name.encode("utf-8", "replace").decode() for name in names]
