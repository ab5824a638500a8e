"""One plate, whole: its exposures, every fact as logged, remarks, outlines, and its history."""

from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from platecover.coverage.answers import exposures_table
from platecover.coverage.designation import Designation, DesignationReader
from platecover.coverage.edition import Edition
from platecover.coverage.errors import QueryError
from platecover.coverage.plate_geometry import corners_deg

_OFFERED = 5  # plates named when the one asked for is not known


def plate_record(edition: Edition, designation: str) -> dict[str, Any]:
    """All that is known of one plate.

    Parameters
    ----------
    edition : Edition
    designation : str
        In any spelling that a log may use.

    Returns
    -------
    dict
        Plain values: `plate` (the glass: a value each of PLATE_COLUMNS), `exposures` (a dict
        each, with `outline`: the corners as [RA, Dec] pairs, ICRS degrees), `logged` (every
        cell of their rows, by column), `remarks` (file, row, column, value, reason), `history`
        (at, by, fact, value, why and the further HISTORY_COLUMNS; the oldest first).

    Raises
    ------
    QueryError
        If the text is no designation, or no such plate is known; then the nearest are named.
    """
    at, name = known_plate(edition, designation)
    word = pc.index(edition.exposures.column("plate").chunk(0).dictionary, name).as_py()
    numbers = np.flatnonzero(edition.codes("plate") == word)  # none for -1, which no code is
    exposures = exposures_table(edition, numbers).to_pylist()
    ra, dec = corners_deg(edition.geometry[numbers])
    for row, corners in zip(exposures, np.stack([ra, dec], axis=-1).tolist(), strict=True):
        row["outline"] = corners
    return {
        "plate": _plain(edition.plates.slice(at, 1).to_pylist()[0]),
        "exposures": exposures,
        "logged": [_logged_cells(edition, row) for row in exposures],
        "remarks": _rows_of(edition.table("remarks"), exposures),
        "history": _history_of(edition.table("history"), name),
    }


def known_plate(edition: Edition, designation: str) -> tuple[int, str]:
    """Row and canonical designation of a plate; QueryError, naming the nearest, if unknown."""
    series = edition.summary["observatory"]["series"]
    try:
        read = DesignationReader(series).read(designation.strip())
    except ValueError as fault:
        raise QueryError("designation", designation, str(fault)) from None
    names = [read.canonical(leading_zeros=zeros) for zeros in (True, False)]
    plates = edition.plates.column("plate").chunk(0)
    for name in names:
        place = _place_of(plates, name)
        if place is not None:
            return place, name
    raise QueryError(
        "designation",
        designation,
        f"no plate {names[-1]} is known; nearest: {_nearest(edition, read)}",
    )


def _place_of(column: pa.DictionaryArray, text: str) -> int | None:
    """Where a text stands first in a column."""
    code = pc.index(column.dictionary, text).as_py()
    place = pc.index(column.indices, pa.scalar(code, column.indices.type)).as_py()
    return None if place < 0 else int(place)


def _nearest(edition: Edition, asked: Designation) -> str:
    """Known plates of the series whose numbers are nearest, in words."""
    of_series = edition.plates.filter(pc.equal(edition.plates.column("series"), asked.series))
    if not len(of_series):
        return "none in this series"
    away = np.abs(
        pc.cast(of_series.column("number"), pa.string()).cast(pa.float64()).to_numpy()
        - float(asked.digits)
    )
    farthest = np.sort(away)[min(_OFFERED, len(away)) - 1]
    near = np.flatnonzero(away <= farthest)
    names = of_series.column("plate").take(pa.array(near)).to_pylist()
    by_distance = sorted(zip(away[near].tolist(), names, strict=True))
    return ", ".join(name for _, name in by_distance[:_OFFERED])


def _logged_cells(edition: Edition, exposure: dict[str, Any]) -> dict[str, Any]:
    """Cells of an exposure's row by the log's own columns, after the exposure and its place."""
    cells = edition.logged.logged_row(exposure["log_file"], exposure["log_row"])
    return {
        "exposure_id": exposure["exposure_id"],
        "log_file": exposure["log_file"],
        "log_row": exposure["log_row"],
        **{name.lower(): cell for name, cell in cells.items() if cell},
    }


def _rows_of(remarks: pa.Table, exposures: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Remarks on the rows that the exposures were read from."""
    places = {(row["log_file"], row["log_row"]) for row in exposures}
    numbers = pa.array([row for _, row in places], pa.int64())
    same_number = remarks.filter(pc.is_in(remarks.column("row"), numbers))
    return [row for row in same_number.to_pylist() if (row["file"], row["row"]) in places]


def _history_of(history: pa.Table, plate: str) -> list[dict[str, Any]]:
    """What the ledger says of a plate, the oldest first."""
    of_plate = history.filter(pc.equal(history.column("plate"), plate))
    return list(of_plate.drop_columns("plate").to_pylist())


def _plain(row: dict[str, Any]) -> dict[str, Any]:
    """The row with None for '' and NaN."""
    return {name: None if value in ("", None) or value != value else value
            for name, value in row.items()}  # fmt: skip
