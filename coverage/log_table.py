"""One plate log as a table of cell texts, whatever the format of its file."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from astropy import units as u
from numpy.typing import NDArray

from platecover.coverage.errors import LogFileError
from platecover.coverage.log_cells import LOG_COLUMNS
from platecover.coverage.logged_rows import BEYOND_HEADER, row_json
from platecover.coverage.text_arrays import Texts, as_texts, encode, read_each, stripped

NEEDED_COLUMN = "plate"
_MOST_NAMES_SHOWN = 40

NUMBER, TRUTH, TEXT = "number", "truth", "text"  # kinds of column, as the file declares them


@dataclass(frozen=True)
class FileColumn:
    """A column as its file has it: name, kind, declared unit ('' if none), cell texts."""

    name: str
    kind: str
    unit: str
    cells: Texts


@dataclass(frozen=True)
class LogTable:
    """A plate log, or a part of one.

    Attributes
    ----------
    path : str
        The file, as it was named.
    names : tuple of str
        Column names as written, in order.
    cells : dict of str to object array, shape (n,)
        Cell texts exactly as logged, by lower-case name; '' is missing.
    typed : frozenset of str
        Lower-case names of the columns that the file declares to hold numbers.
    row_numbers : int64, shape (n,)
        Line on which the row starts (text formats), or record, from 1.
    overlong : dict of int to list of str
        Cells beyond the header, by index of the row.
    readings : dict of str to object array, shape (n,)
        Where a column has a unit of its own or holds true and false: its cells in the unit
        and words of a plate log.
    swallowed : dict of int to str
        Rows, by index, of which a quoted cell may hold another row, and that cell's column.
    """

    path: str
    names: tuple[str, ...]
    cells: dict[str, Texts]
    typed: frozenset[str]
    row_numbers: NDArray[np.int64]
    overlong: dict[int, list[str]] = field(default_factory=dict)
    readings: dict[str, Texts] = field(default_factory=dict)
    swallowed: dict[int, str] = field(default_factory=dict)
    _texts: dict[str, Texts] = field(default_factory=dict, compare=False)

    def __len__(self) -> int:
        """Return the number of rows."""
        return len(self.row_numbers)

    @property
    def size(self) -> int:
        """Characters of all cells."""
        return sum(len(cell) for cells in self.cells.values() for cell in cells)

    def reading(self, name: str) -> Texts:
        """Return the cells of a column as they are to be read, '' if there is no such column."""
        if name in self.readings:
            return self.readings[name]
        return self.cells[name] if name in self.cells else np.full(len(self), "", dtype=object)

    def text(self, name: str) -> Texts:
        """Return the cells of a column trimmed for reading, '' if there is no such column."""
        if name not in self._texts:
            reading = self.reading(name)
            self._texts[name] = stripped(reading) if name in self.cells else reading
        return self._texts[name]

    def logged(self, name: str, row: int) -> str:
        """Return one cell as logged, '' if there is no such column."""
        if name == BEYOND_HEADER:
            return ", ".join(self.overlong.get(row, []))
        return str(self.cells[name][row]) if name in self.cells else ""

    def as_json(self, row: int) -> str:
        """Return a whole row as logged: an object of the log's own column names."""
        cells: dict[str, object] = {name: self.logged(name.lower(), row) for name in self.names}
        if row in self.overlong:
            cells[BEYOND_HEADER] = self.overlong[row]
        return row_json(cells)

    def rows(self, first: int, beyond: int) -> "LogTable":
        """Return the rows from place `first` up to `beyond`."""
        some = slice(first, beyond)
        return LogTable(
            self.path,
            self.names,
            {name: cells[some] for name, cells in self.cells.items()},
            self.typed,
            self.row_numbers[some],
            {row - first: extra for row, extra in self.overlong.items() if first <= row < beyond},
            {name: cells[some] for name, cells in self.readings.items()},
        )


def log_table(
    path: str,
    columns: Sequence[FileColumn],
    row_numbers: NDArray[np.int64],
    overlong: dict[int, list[str]] | None = None,
    swallowed: dict[int, str] | None = None,
) -> LogTable:
    """Return a table of the columns of a file; LogFileError if they cannot be a plate log's."""
    names = checked_names(path, [column.name for column in columns])
    cells: dict[str, Texts] = {}
    readings: dict[str, Texts] = {}
    for name, column in zip(names, columns, strict=True):
        key = name.lower()
        cells[key] = column.cells
        if column.kind == TRUTH:
            readings[key] = _yes_no(column.cells)
        elif column.kind == NUMBER:
            readings[key] = _in_plain_unit(path, key, column)
    typed = frozenset(
        name.lower() for name, column in zip(names, columns, strict=True) if column.kind == NUMBER
    )
    return LogTable(
        path, names, cells, typed, row_numbers, overlong or {}, readings, swallowed or {}
    )


def checked_names(path: str, names: Sequence[str]) -> tuple[str, ...]:
    """Return the column names, trimmed; LogFileError if one is twice there or `plate` missing.

    A column without a name is named by its place.
    """
    trimmed = [name.strip() or f"column {place}" for place, name in enumerate(names, start=1)]
    seen: dict[str, str] = {}
    for name in trimmed:
        if name.lower() in seen:
            raise LogFileError(
                f"{path}: column {name!r} is there twice (names match in any case); "
                "rename or remove one"
            )
        seen[name.lower()] = name
    if NEEDED_COLUMN not in seen:
        listed = ", ".join(name[:60] for name in trimmed[:_MOST_NAMES_SHOWN])
        raise LogFileError(
            f"{path}: no column {NEEDED_COLUMN!r}, which every plate log needs; it has: {listed!r}"
        )
    return tuple(trimmed)


def number_texts(values: NDArray[np.generic], missing: NDArray[np.bool_] | None = None) -> Texts:
    """Return numbers as the shortest texts that read back the same; '' where missing or NaN.

    Parameters
    ----------
    values : integer or float array, shape (n,)
        If all are whole, floats are written without decimals, since a column of integers
        with a gap often arrives as floats.
    missing : bool, shape (n,), optional
    """
    gone = np.zeros(values.shape, np.bool_) if missing is None else missing.copy()
    if np.issubdtype(values.dtype, np.floating):
        gone |= np.isnan(values)
        present = np.asarray(values[~gone], dtype=np.float64)
        exact = 2.0**53  # above it, not every whole number is a float64
        if (
            present.size
            and (np.abs(present) < exact).all()
            and (present == np.floor(present)).all()
        ):
            values = np.where(gone, 0, values).astype(np.int64)
    texts = values.astype(str).astype(object)
    texts[gone] = ""
    return texts


def _yes_no(cells: Texts) -> Texts:
    words = {"true": "yes", "false": "no", "1": "yes", "0": "no"}
    return as_texts(words.get(cell.strip().lower(), cell) for cell in cells)


def _in_plain_unit(path: str, key: str, column: FileColumn) -> Texts:
    """Return the cells of a number column in the unit of a plate log; NaN becomes ''."""
    cells = as_texts("" if cell.strip().lower() == "nan" else cell for cell in column.cells)
    expected = LOG_COLUMNS[key].unit if key in LOG_COLUMNS else ""
    if not (expected and column.unit.strip()):
        return cells
    factor = _factor(path, column, "hourangle" if key == "ra" else "", expected)
    if factor == 1.0:
        return cells
    values, _, codes = read_each(cells, lambda cell: float(cell) * factor)
    readable = np.array([value is not None for value in values], dtype=np.bool_)
    numbers = np.array([value for value in values if value is not None], dtype=np.float64)
    texts = as_texts(encode(cells.tolist())[0])  # what cannot be read stays, to be remarked on
    texts[readable] = number_texts(numbers)
    return texts[codes]


def _factor(path: str, column: FileColumn, hours: str, expected: str) -> float:
    """Return by what to multiply a column's numbers; `hours`: what a unit of hours means."""
    try:
        unit = u.Unit(column.unit.strip())
        if hours and unit == u.hour:
            unit = u.Unit(hours)
        return float(unit.to(u.Unit(expected)))
    except (ValueError, TypeError, u.UnitConversionError) as error:
        raise LogFileError(
            f"{path}: column {column.name!r} is declared in {column.unit!r}, which cannot be "
            f"converted to {expected!r}; correct its unit"
        ) from error
