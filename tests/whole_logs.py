"""Plate logs read whole into memory, in reading order, for tests of reading."""

import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from platecover.coverage.across_rows import settle
from platecover.coverage.columns import EXPOSURE_COLUMNS
from platecover.coverage.log_table import LogTable
from platecover.coverage.logged_rows import LOGGED
from platecover.coverage.observatory import Observatory
from platecover.coverage.plate_log import read_logs as read_logs_to_disk
from platecover.coverage.table_files import PART_ROWS, open_log

Columns = dict[str, NDArray[Any]]


@dataclass(frozen=True)
class PlateLogs:
    """What plate logs say, column by column; exposures and their cells in reading order."""

    exposures: Columns
    plates: Columns
    set_aside: Columns
    remarks: Columns
    logged: dict[str, NDArray[np.object_]]
    rows_read: int
    kept: int
    set_aside_count: int


def read_logs(
    paths: Sequence[str | Path],
    observatory: Observatory,
    progress: Callable[[str, int, int], None] | None = None,
    *,
    part_rows: int = PART_ROWS,
    processes: int | None = None,
) -> PlateLogs:
    """Read logs; as `plate_log.read_logs` and `across_rows.settle` together."""
    with tempfile.TemporaryDirectory() as folder:
        rows, _ = read_logs_to_disk(
            paths, observatory, Path(folder),
            progress=progress, part_rows=part_rows, processes=processes,
        )  # fmt: skip
        logs = settle(rows)
        back = np.argsort(logs.kept)
        columns = logs.exposure_columns([column.name for column in EXPOSURE_COLUMNS])
        exposures = {name: _array(values)[back] for name, values in columns.items()}
        kept = logs.kept[back]
        return PlateLogs(
            exposures,
            {name: _array(values) for name, values in logs.plates.items()},
            _columns(logs.set_aside),
            _columns(logs.remarks),
            {name: _array(rows.column(LOGGED + name))[kept] for name in rows.logged_names},
            len(rows),
            len(logs.kept),
            len(logs.set_aside),
        )


def _columns(table: pa.Table) -> Columns:
    return {name: _array(table.column(name).combine_chunks()) for name in table.column_names}


def _array(values: pa.Array) -> NDArray[Any]:
    return np.asarray(values.to_numpy(zero_copy_only=False))


def read_table(path: str | Path, part_rows: int = PART_ROWS) -> LogTable:
    """Read one log whole; as `table_files.open_log` and all its parts."""
    parts = list(open_log(path).parts(part_rows))
    tables, firsts = [part.table() for part in parts], [part.first_row for part in parts]
    starts = np.cumsum([0, *map(len, tables)])

    def joined(columns: list[dict[str, Any]]) -> dict[str, Any]:
        return {name: np.concatenate([each[name] for each in columns]) for name in columns[0]}

    return LogTable(
        str(path),
        tables[0].names,
        joined([table.cells for table in tables]),
        tables[0].typed,
        np.concatenate([table.row_numbers + at for table, at in zip(tables, firsts, strict=True)]),
        {int(start) + row: extra for table, start in zip(tables, starts[:-1], strict=True)
         for row, extra in table.overlong.items()},
        joined([table.readings for table in tables]),
    )  # fmt: skip


def read_bytes(content: bytes) -> LogTable:
    """Read a log of that content; in small parts, which must not matter."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "here.csv"
        path.write_bytes(content)
        return read_table(path, part_rows=2)
