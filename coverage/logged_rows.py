"""Rows of plate logs as read, kept on disk part after part in reading order.

A part is a few thousand rows of one log in one Parquet file: every cell as logged (columns
``log:<name>``) and what reading made of the row. Parts do not depend on one another, so that
one whose text did not change is taken over from the last edition as it stands.
"""

import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from numpy.typing import NDArray

from platecover.coverage.text_arrays import well_formed
from platecover.coverage.work_force import cores

LOGGED = "log:"  # before the name of a log's own column
BEYOND_HEADER = "beyond the header"  # stands for the column of cells that have none
REMARKS = "remarks on cells"  # lists of column, value, reason
NAMES = b"column names"  # key of a part's metadata: the log's own column names, JSON

Places = NDArray[np.int64]  # of rows, over all logs in reading order


@dataclass(frozen=True)
class RowPart:
    """A part: its file's name, its log, and number (line or record) and count of its rows."""

    name: str
    log_file: str
    first_row: int
    last_row: int
    count: int

    def path(self, folder: Path) -> Path:
        """Where the part is kept."""
        return folder / f"{self.name}.parquet"


class LoggedRows:
    """The rows of all logs, column by column.

    Parameters
    ----------
    folder : pathlib.Path
        Where the parts are.
    parts : sequence of RowPart
        In reading order.

    Attributes
    ----------
    starts : int64, shape (n_parts + 1,)
        Place of each part's first row.
    """

    def __init__(self, folder: Path, parts: Sequence[RowPart]) -> None:
        self.folder = folder
        self.parts = list(parts)
        counts = np.array([part.count for part in self.parts], dtype=np.int64)
        self._held: dict[str, pa.Array] = {}
        self.starts = np.concatenate([np.zeros(1, np.int64), np.cumsum(counts)])

    def __len__(self) -> int:
        """Return the number of rows."""
        return int(self.starts[-1])

    @cached_property
    def _schemas(self) -> list[tuple[Any, pa.Schema]]:
        """Metadata and columns of each file, read once."""
        found = []
        for part in self.parts:
            with pq.ParquetFile(part.path(self.folder)) as file:
                found.append((file.metadata, file.schema_arrow))
        return found

    def _read(self, at: int, names: list[str], *, coded: bool = False) -> pa.Table:
        """Columns of a part; each call opens it anew, since one reader serves one thread."""
        path = self.parts[at].path(self.folder)
        metadata, schema = self._schemas[at]
        texts = [name for name in names if pa.types.is_string(schema.field(name).type)]
        with pq.ParquetFile(
            path, metadata=metadata, read_dictionary=texts if coded else None
        ) as file:
            return file.read(names, use_threads=False)  # parts are small: threads take them whole

    @cached_property
    def logged_names(self) -> list[str]:
        """Lower-case names of the columns of all logs."""
        names: dict[str, None] = {}
        for _, schema in self._schemas:
            for name in schema.names:
                if name.startswith(LOGGED):
                    names[name.removeprefix(LOGGED)] = None
        return list(names)

    def column(self, name: str) -> pa.Array:
        """One column of all rows; '' where a log has no such column. Text is large_string."""
        return self.columns([name])[name]

    def columns(self, names: Sequence[str], *, coded: bool = False) -> dict[str, pa.Array]:
        """Several columns of all rows, sooner than one by one; as `column`.

        With `coded`, text is dictionary-encoded, which is several times faster.
        """
        held = {name: self._held[name] for name in names if name in self._held}
        if not coded:
            held = {name: plain(values) for name, values in held.items()}
        names = [name for name in names if name not in held]
        if not names:
            return held

        there = [self._there(at, names) for at in range(len(self.parts))]

        def of_part(at: int) -> list[pa.Array]:
            read = self._read(at, there[at], coded=coded)
            nothing = pa.repeat(pa.scalar("", pa.large_string()), self.parts[at].count)
            if coded:
                nothing = nothing.cast(pa.string()).dictionary_encode()
            return [_whole(read.column(name)) if name in there[at] else nothing for name in names]

        with ThreadPoolExecutor(cores()) as pool:
            chunks = zip(*pool.map(of_part, range(len(self.parts))), strict=True)
            return held | dict(zip(names, map(pa.concat_arrays, chunks), strict=True))

    @contextmanager
    def holding(self, words: Sequence[str], texts: Sequence[str]) -> Iterator[None]:
        """Keep columns in memory for a while; those that there are not are left out.

        `texts` are those of which nearly every row has another text: coding them takes longer.
        """
        known = set(self._schemas[0][1].names) if self.parts else set()
        self._held = self.columns([name for name in texts if name in known])
        self._held |= self.columns([name for name in words if name in known], coded=True)
        try:
            yield
        finally:
            self._held = {}

    def numbers(self, name: str) -> NDArray[Any]:
        """One numeric column of all rows."""
        return np.asarray(self.column(name).to_numpy(zero_copy_only=False))

    @cached_property
    def row_numbers(self) -> Places:
        """Line or record of every row in its log."""
        firsts = np.array([part.first_row for part in self.parts], dtype=np.int64)
        return self.numbers("row") + np.repeat(firsts, np.diff(self.starts))

    def log_files(self) -> pa.Array:
        """Log of every row, dictionary-encoded."""
        names = list(dict.fromkeys(part.log_file for part in self.parts))
        codes = np.array([names.index(part.log_file) for part in self.parts], dtype=np.int32)
        rows = np.repeat(codes, np.diff(self.starts))
        return pa.DictionaryArray.from_arrays(rows, pa.array(names, pa.large_string()))

    def notes(self) -> tuple[Places, pa.Table]:
        """Remarks of reading: the rows they are on, ascending, and column, value, reason."""
        rows, entries = [], []
        for at, start in enumerate(self.starts[:-1]):
            lists = self._read(at, [REMARKS]).column(0).combine_chunks()
            rows.append(start + pc.list_parent_indices(lists).to_numpy().astype(np.int64))
            entries.append(pa.Table.from_struct_array(pc.list_flatten(lists)))
        if not rows:
            return np.empty(0, np.int64), notes_table([])
        return np.concatenate(rows), pa.concat_tables(entries)

    def place(self, row: int) -> str:
        """Where a row stands, for messages."""
        part = self.parts[int(np.searchsorted(self.starts, row, side="right")) - 1]
        return f"{part.log_file} row {self.row_numbers[row]}"

    def cells(self, rows: Places) -> Iterator[tuple[str, ...]]:
        """Every cell of some rows as logged, in the order of `logged_names`; rows ascend."""
        wanted = [LOGGED + name for name in self.logged_names]
        for _, taken in self._take(rows, lambda at: self._there(at, wanted)):
            columns = [
                taken.column(name).to_pylist() if name in taken.column_names else [""] * len(taken)
                for name in wanted
            ]
            yield from zip(*columns, strict=True)

    def as_json(self, rows: Places) -> Iterator[str]:
        """Some rows whole, as logged: objects of their log's own column names; rows ascend."""

        def names(at: int) -> list[str]:
            return list(json.loads(self._schemas[at][1].metadata[NAMES]))

        for at, taken in self._take(rows, lambda at: [LOGGED + name.lower() for name in names(at)]):
            own = names(at)
            columns = [taken.column(LOGGED + name.lower()).to_pylist() for name in own]
            for cells in zip(*columns, strict=True):
                yield row_json(dict(zip(own, cells, strict=True)))

    def logged_row(self, log_file: str, row: int) -> dict[str, str]:
        """One row as logged, by its log's own column names; empty if there is no such row."""
        for at, part in enumerate(self.parts):
            if part.log_file == log_file and part.first_row <= row <= part.last_row:
                within = self._read(at, ["row"]).column(0).to_numpy()
                place = np.searchsorted(within, row - part.first_row)
                if place < len(within) and within[place] == row - part.first_row:
                    text = next(self.as_json(self.starts[at : at + 1] + place))
                    return dict(json.loads(text))
        return {}

    def _there(self, at: int, names: Iterable[str]) -> list[str]:
        """Those of the columns that a part has."""
        return [name for name in names if name in self._schemas[at][1].names]

    def _take(
        self, rows: Places, names: Callable[[int], list[str]]
    ) -> Iterator[tuple[int, pa.Table]]:
        """Ascending rows part by part, of each the columns that `names` tells."""
        with ThreadPoolExecutor(cores()) as pool:
            yield from pool.map(
                lambda each: (each[0], self._read(each[0], names(each[0])).take(each[1])),
                self._by_part(rows),
            )

    def _by_part(self, rows: Places) -> Iterator[tuple[int, pa.Array]]:
        """Parts that hold ascending rows, each with their places in it."""
        limits = np.searchsorted(rows, self.starts)
        for at in range(len(self.parts)):
            low, high = limits[at : at + 2]
            if low < high:
                yield at, pa.array(rows[low:high] - self.starts[at])


def plain(values: pa.Array) -> pa.Array:
    """A column with its text, if dictionary-encoded, as large_string."""
    return values.cast(pa.large_string()) if pa.types.is_dictionary(values.type) else values


def _whole(values: pa.ChunkedArray) -> pa.Array:
    """A column of a part in one piece; text as large_string."""
    if pa.types.is_string(values.type):
        values = values.cast(pa.large_string())
    return values.combine_chunks()


def row_json(cells: dict[str, Any]) -> str:
    """Text of a whole row."""
    return json.dumps(cells, ensure_ascii=False)


def notes_table(entries: Iterable[tuple[str, str, str]]) -> pa.Table:
    """A table of column, value and reason."""
    columns = list(zip(*entries, strict=True)) or [(), (), ()]
    names = ("column", "value", "reason")
    return pa.table(
        {name: pa.array(well_formed(list(values)), pa.string())
         for name, values in zip(names, columns, strict=True)}
    )  # fmt: skip


def part_notes(parts: Iterable[RowPart]) -> list[dict[str, Any]]:
    """Parts as plain values, such as JSON can hold."""
    return [asdict(part) for part in parts]
