"""What is wrong in real logs, put into rows that were right; and rows that a keeper corrects.

A fault changes cells of the chosen rows in place. Some make a row that must be set aside, some
one that is kept with a remark, some only a line that is hard to read.
"""

import csv
import io
import os
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Texts = NDArray[np.object_]  # of str

# Cells that cannot be, by column: each text is one kind of fault.
WRONG_CELLS: tuple[tuple[str, str], ...] = (
    ("plate", "no number"),
    ("plate", "??-12"),
    ("plate", "OBQ-417"),  # a series that the observatory file has not
    ("ra", ""),
    ("ra", "25 10"),
    ("ra", "05 73.2"),
    ("ra", "O5 1l"),
    ("dec", ""),
    ("dec", "+95 12"),
    ("dec", "-12 6x"),
    ("date", "1911-02-30"),
    ("date", "03/04/1911"),
    ("date", "1934-13-01"),
    ("equinox", "B19OO"),
    ("time", "25:00"),
    ("time", "late"),
    ("clock", "tower clock"),
    ("exposure_min", "-20"),
    ("exposure_min", "20?"),
    ("exposure_min", "2000"),
    ("width_mm", "0"),
    ("position_angle_deg", "about 10"),
    ("status", "at the carpenter's"),
    ("condition", "wet"),
    ("scanned", "maybe"),
    ("limiting_mag", "faint"),
    ("object", '"unfinished'),  # one stray quote, which must not swallow the rows after it
    ("notes", '4" from the edge'),
    ("notes", "one,cell,too,many"),
)
# Rows that repeat the one before: every cell, or all but one.
REPEATS: tuple[tuple[str, str] | None, ...] = (
    None,
    ("notes", "copied from the night book"),
    ("exposure_min", "33"),
)


def spoil(rng: np.random.Generator, columns: dict[str, Texts], share: float) -> None:
    """Put one fault into about `share` of the rows, all kinds equally often."""
    count = len(columns["plate"])
    rows = np.flatnonzero(rng.random(count) < share)
    kind = rng.integers(0, len(WRONG_CELLS) + len(REPEATS), len(rows))
    for at, (column, text) in enumerate(WRONG_CELLS):
        columns[column][rows[kind == at]] = text
    for at, change in enumerate(REPEATS, len(WRONG_CELLS)):
        some = rows[(kind == at) & (rows > 0)]
        for texts in columns.values():
            texts[some] = texts[some - 1]
        if change is not None:
            columns[change[0]][some] = change[1]


def correct_rows(logs: list[Path], count: int, seed: int) -> list[str]:
    """Change declination or time of some rows in place, as a keeper's corrections do.

    Parameters
    ----------
    logs : list of pathlib.Path
        CSV files; those with changed rows are replaced (what is hard-linked to them stays).
    count : int
        Rows to change.
    seed : int

    Returns
    -------
    list of str
        What was changed: file, line, before and after.
    """
    rng = np.random.default_rng([seed, count])
    told: list[str] = []
    wanted = rng.multinomial(count, np.full(len(logs), 1.0 / len(logs)))
    for path, some in zip(logs, wanted.tolist(), strict=True):
        if some == 0:
            continue
        lines = path.read_bytes().decode("utf-8").split("\n")
        header = lines[0].split(",")
        for line in rng.permutation(np.arange(1, len(lines) - 1)).tolist():
            column = ("dec", "time")[int(rng.integers(2))]
            changed = _corrected(lines[line], header, column, rng)
            if changed != lines[line]:
                told.append(f"{path.name} line {line + 1}: {lines[line]} -> {changed}")
                lines[line] = changed
                some -= 1
            if some == 0:
                break
        beside = path.with_suffix(".new")
        beside.write_bytes("\n".join(lines).encode("utf-8"))
        os.replace(beside, path)
    return told


def _corrected(line: str, header: list[str], column: str, rng: np.random.Generator) -> str:
    """Return the line with other minutes in a cell; as it is if the cell has not the usual form."""
    cells = next(csv.reader([line]), [])
    mark = {"dec": " ", "time": ":"}[column]
    if len(cells) != len(header):
        return line
    at = header.index(column)
    whole, found, minutes = cells[at].partition(mark)
    if not found or not minutes[:2].isdigit() or minutes[:2] >= "60":
        return line
    other = (int(minutes[:2]) + int(rng.integers(1, 60))) % 60
    cells[at] = f"{whole}{mark}{other:02d}{minutes[2:]}"
    text = io.StringIO()
    csv.writer(text, lineterminator="").writerow(cells)
    return text.getvalue()
