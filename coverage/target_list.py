"""A list of targets: places on the sky, read from a table that anyone may have written.

Columns, in any case: `ra` and `dec` (ICRS; decimal degrees, or sexagesimal text with hours of RA),
`radius` if each has its own (degrees, or the unit that the table declares), and `id` or else
`name`. A row that cannot be read is kept with the reason, so that it is told and not lost.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from astropy import units as u
from numpy.typing import NDArray

from platecover.coverage.sexagesimal import declinations, right_ascensions
from platecover.coverage.target_tables import (
    NAMING,
    Floats,
    TargetColumn,
    TargetTable,
    read_table,
    refusal,
)
from platecover.coverage.text_arrays import Texts, as_texts, read_each, shown

MOST_TARGETS = 100_000  # ours: rows of a table
LONGEST_ID = 200  # characters
FULL_CIRCLE_DEG, POLE_DEG, HALF_CIRCLE_DEG = 360.0, 90.0, 180.0
_NEEDED = ("ra", "dec")


@dataclass(frozen=True)
class TargetList:
    """Targets, one for each row of a table, in its order.

    Attributes
    ----------
    ra_deg, dec_deg, radius_deg : float64, shape (n,)
        ICRS; NaN where the row cannot be read.
    ids : list of str, length n, or None
        What the table calls them, if it does.
    problems : object array of str, shape (n,)
        Why a row cannot be read, else ''.
    """

    ra_deg: Floats
    dec_deg: Floats
    radius_deg: Floats
    ids: list[str] | None
    problems: Texts

    def __len__(self) -> int:
        """Return the number of targets."""
        return len(self.ra_deg)


def read_targets(
    content: bytes,
    radius_deg: float = 0.0,
    *,
    largest_radius_deg: float = HALF_CIRCLE_DEG,
    most_targets: int = MOST_TARGETS,
) -> TargetList:
    """Read a list of targets.

    Parameters
    ----------
    content : bytes
        CSV (comma, semicolon or tab), ECSV, VOTable or Parquet.
    radius_deg : float, optional
        Of the targets that have none of their own; 0 asks for points.
    largest_radius_deg : float, optional
    most_targets : int, optional

    Raises
    ------
    QueryError
        If it is no such table, lacks `ra` or `dec`, has no or too many rows, or a column twice.
    """
    table = read_table(content, (*_NEEDED, "radius", *NAMING), most_targets)
    for name in _NEEDED:
        if name not in table.columns:
            raise refusal(f"the table has no column {name!r}; it needs ra and dec, ICRS degrees")
    if not table.n_rows:
        raise refusal("the table has no rows; it needs one for each target")
    problems = as_texts([""] * table.n_rows)
    for row, fault in table.faults.items():
        problems[row] = fault
    columns = table.columns
    ra = _angles("ra", columns["ra"], problems)
    dec = _angles("dec", columns["dec"], problems)
    radius = np.full(table.n_rows, radius_deg)
    if "radius" in columns:
        own, given = _radii(columns["radius"], largest_radius_deg, problems)
        radius = np.where(given, own, radius)
    bad = problems != ""
    ra, dec, radius = (np.where(bad, math.nan, values) for values in (ra, dec, radius))
    return TargetList(ra, dec, radius, _ids(table), problems)


def _angles(name: str, column: TargetColumn, problems: Texts) -> Floats:
    """One coordinate in degrees; what is wrong goes to the rows' problems."""
    values = _plain_numbers(column)
    if values is None:
        assert column.texts is not None
        angles = (right_ascensions if name == "ra" else declinations)(column.texts)
        _note(problems, angles.reasons != "", lambda row: f"{name}: {angles.reasons[row]}")
        return angles.deg
    degrees = values * _degrees_in(name, column.unit)
    low, high = (0.0, FULL_CIRCLE_DEG) if name == "ra" else (-POLE_DEG, POLE_DEG)
    rule = f"{name} must be from {low:g} to {high:g} degrees, got"
    missing = _is_missing(column)
    _note(problems, missing, lambda row: f"{name} is missing")
    wrong = ~((degrees >= low) & (degrees <= high))
    _note(problems, wrong, lambda row: f"{rule} {_as_given(column, row)}")
    return degrees


def _radii(
    column: TargetColumn, largest_deg: float, problems: Texts
) -> tuple[Floats, NDArray[np.bool_]]:
    """Radii in degrees, and which rows have one."""
    values = _plain_numbers(column)
    if values is None:
        assert column.texts is not None
        read, _, codes = read_each(column.texts, _number)
        values = np.array([math.nan if each is None else each for each in read])[codes]
    degrees = values * _degrees_in("radius", column.unit)
    given = ~_is_missing(column)
    wrong = given & ~((degrees >= 0.0) & (degrees <= largest_deg))
    rule = f"radius must be from 0 to {largest_deg:g} degrees, got"
    _note(problems, wrong, lambda row: f"{rule} {_as_given(column, row)}")
    return degrees, given


def _note(problems: Texts, rows: NDArray[np.bool_], said: Callable[[int], str]) -> None:
    """Note what is wrong with rows of which nothing is noted yet."""
    for row in np.flatnonzero(rows & (problems == "")):
        problems[row] = said(int(row))


def _plain_numbers(column: TargetColumn) -> Floats | None:
    """The numbers of a column, NaN where missing; None if any cell is a text but no number."""
    if column.texts is None:
        return column.numbers
    texts = [text or None for text in column.texts]
    try:
        numbers = pa.array(texts, pa.string()).cast(pa.float64())
    except pa.ArrowInvalid:
        return None
    return np.array(numbers.fill_null(math.nan).to_numpy(zero_copy_only=False))


def _number(text: str) -> float:
    if "_" in text:
        raise ValueError(text)
    return float(text)


def _is_missing(column: TargetColumn) -> NDArray[np.bool_]:
    if column.texts is not None:
        return np.asarray(column.texts == "", dtype=np.bool_)
    return np.isnan(_numbers(column))


def _numbers(column: TargetColumn) -> Floats:
    assert column.numbers is not None
    return column.numbers


def _as_given(column: TargetColumn, row: int) -> str:
    if column.texts is not None:
        return shown(column.texts[row])
    return f"{_numbers(column)[row]:g}"


def _degrees_in(name: str, unit: str) -> float:
    """By what to multiply a column to have degrees."""
    if not unit.strip():
        return 1.0
    try:
        declared = u.Unit(unit.strip())
        if name == "ra" and declared == u.hour:
            declared = u.hourangle
        return float(declared.to(u.deg))
    except (ValueError, TypeError, u.UnitConversionError):
        raise refusal(
            f"column {name!r} is declared in {unit[:40]!r}, which cannot be converted to degrees"
        ) from None


def _ids(table: TargetTable) -> list[str] | None:
    """What the table calls its rows."""
    name = next((name for name in NAMING if name in table.columns), None)
    if name is None:
        return None
    column = table.columns[name]
    if column.texts is not None:
        ids = [str(text) for text in column.texts]
    else:
        ids = ["" if math.isnan(number) else f"{number:.17g}" for number in _numbers(column)]
    for row, text in enumerate(ids):
        if len(text) > LONGEST_ID:
            raise refusal(f"{name} of row {row + 1} is longer than {LONGEST_ID} characters")
    return ids
