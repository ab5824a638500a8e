"""What the rows of all logs say together: plates, exposure numbers, repeats, and the order.

Everything is held as one number a row or left on disk, so that memory stays small however long
the logs are.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from platecover.coverage.arrow_tables import with_replaced
from platecover.coverage.columns import PLATE_FACTS
from platecover.coverage.logged_rows import LOGGED, LoggedRows, plain
from platecover.coverage.plate_facts import STATED_FACTS, plate_facts
from platecover.coverage.row_identity import Identity, identify

# Columns that are needed to settle what rows say together, read at once for speed.
_NEEDED = (
    "row", "series", "number", "suffix", "exposure_stated", "t_min",
    "glass_width_mm", "glass_height_mm", "glass_thickness_mm", "shelved_by",
    *(f"stated_{name}" for name in STATED_FACTS),
    *(f"fault_{name}" for name in ("column", "value", "reason", "cells")),
)  # fmt: skip
_NEEDED_TEXTS = ("plate", "same_exposure")
_STEPS = 4  # of which progress is told

Integers = NDArray[np.int64]


@dataclass(frozen=True)
class PlateLogs:
    """All that plate logs say. Text is '' and a number NaN where nothing is known.

    Attributes
    ----------
    rows : LoggedRows
        Rows as read, each by itself.
    plates : dict of str to pyarrow.Array
        Every plate whose designation could be read, also if all its rows are set aside; in
        order of first mention.
    plate_of_row : int64, shape (n,)
        -1 where the designation could not be read.
    identity : Identity
    kept : int64, shape (kept,)
        Rows that are exposures, by t_min (undated last), then exposure_id.
    set_aside, remarks : pyarrow.Table
        file, row, column, value, reason; of `set_aside` also cells, the whole row as logged.
    """

    rows: LoggedRows
    plates: dict[str, pa.Array]
    plate_of_row: Integers
    identity: Identity
    kept: Integers
    set_aside: pa.Table
    remarks: pa.Table
    _remarked: dict[int, str]  # more remarks by row than reading has put there

    def exposure_columns(self, names: Sequence[str]) -> dict[str, pa.Array]:
        """Some of `columns.EXPOSURE_COLUMNS` for the kept rows, in their order."""
        places = pa.array(self.kept)
        plate_places = pa.array(self.plate_of_row[self.kept])
        columns = {}
        for name in names:
            if name == "exposure_id":
                columns[name] = _exposure_ids(
                    self.kept, self.plates["plate"], self.plate_of_row, self.identity
                )
            elif name == "plate" or name in PLATE_FACTS:
                columns[name] = self.plates[name].take(plate_places)
            elif name == "exposure":
                columns[name] = pa.array(self.identity.exposure[self.kept])
            elif name == "log_file":
                columns[name] = self.rows.log_files().take(places).cast(pa.large_string())
            elif name == "log_row":
                columns[name] = pa.array(self.rows.row_numbers[self.kept])
        read = self.rows.columns([name for name in names if name not in columns], coded=True)
        if "remarks" in read:
            texts = read["remarks"].cast(pa.large_string())
            read["remarks"] = _with_more(texts, self._remarked)
        return columns | {name: values.take(places) for name, values in read.items()}


def settle(rows: LoggedRows, progress: Callable[[str, int, int], None] | None = None) -> PlateLogs:
    """Find what the rows of all logs say together.

    Parameters
    ----------
    rows : LoggedRows
    progress : callable, optional
        Called as ``progress(stage, done, total)``.

    Returns
    -------
    PlateLogs
    """
    with rows.holding(_NEEDED, _NEEDED_TEXTS):
        return _settled(rows, progress)


def _settled(rows: LoggedRows, progress: Callable[[str, int, int], None] | None) -> PlateLogs:
    """As `settle`, of rows that hold what is needed of them."""

    def step(done: int) -> None:
        if progress is not None:
            progress("plates and repeats", len(rows) * done // _STEPS, len(rows))

    step(0)
    names = rows.column("plate")
    encoded = pc.if_else(pc.equal(names, ""), None, names).dictionary_encode()
    plate_of_row = pc.fill_null(encoded.indices, -1).to_numpy().astype(np.int64)
    plates = {"plate": encoded.dictionary.cast(pa.large_string())}
    facts = plate_facts(rows, plate_of_row, len(plates["plate"]))
    step(1)
    fault_columns = rows.column("fault_column")
    faulty = np.asarray(pc.not_equal(fault_columns, "").to_numpy(zero_copy_only=False), np.bool_)
    t_min = rows.numbers("t_min")
    identity = identify(rows, plate_of_row, faulty, t_min)
    step(2)
    kept = np.flatnonzero(identity.version > 0)
    kept = _in_edition_order(kept, t_min, plates["plate"], plate_of_row, identity)
    step(3)
    found = [*facts.remarks, *((row, "exposure", said) for row, said in identity.differing.items())]
    found = [entry for entry in found if identity.version[entry[0]] > 0]
    found.sort(key=lambda entry: entry[0])  # stable: as found, within a row
    set_aside, remarks = _set_aside(rows, faulty, identity), _remarks(rows, found, identity)
    step(_STEPS)
    return PlateLogs(
        rows,
        plates | _plate_columns(rows, plate_of_row, kept, len(plates["plate"])) | facts.columns,
        plate_of_row,
        identity,
        kept,
        set_aside,
        remarks,
        _joined(found),
    )


def _exposure_ids(
    places: Integers, plates: pa.Array, plate_of_row: Integers, identity: Identity
) -> pa.Array:
    """Return the ids of rows: plate, number, and a version from the second on."""
    version = identity.version[places]
    suffix = pc.if_else(
        pa.array(version > 1),
        pc.binary_join_element_wise("-v", pa.array(version).cast(pa.string()), ""),
        "",
    )
    numbers = pa.array(identity.exposure[places]).cast(pa.string())
    of_plates = plates.take(pa.array(plate_of_row[places])).cast(pa.string())
    numbered = pc.binary_join_element_wise(of_plates, numbers, "-")
    return pc.binary_join_element_wise(numbered, suffix, "").cast(pa.large_string())


def _in_edition_order(
    kept: Integers,
    t_min: NDArray[np.float64],
    plates: pa.Array,
    plate_of_row: Integers,
    identity: Identity,
) -> Integers:
    """Order rows by t_min, undated last, then by exposure_id."""
    kept = kept[np.argsort(t_min[kept], kind="stable")]  # NaN sorts last
    times = t_min[kept]
    same = np.zeros(len(kept) + 1, dtype=np.bool_)  # as the row before
    same[1:-1] = (times[1:] == times[:-1]) | (np.isnan(times[1:]) & np.isnan(times[:-1]))
    tied = np.flatnonzero(same[1:] | same[:-1])
    if len(tied):
        ids = _exposure_ids(kept[tied], plates, plate_of_row, identity)
        group = pa.array(np.cumsum(~same[:-1])[tied])
        keys = pa.table({"group": group, "id": ids})
        order = pc.sort_indices(keys, [("group", "ascending"), ("id", "ascending")])
        kept[tied] = kept[tied][order.to_numpy()]
    return kept


def _plate_columns(
    rows: LoggedRows, plate_of_row: Integers, kept: Integers, n_plates: int
) -> dict[str, pa.Array]:
    """Return what belongs to plates; of the series, what holds for the first row of each."""
    known = np.flatnonzero(plate_of_row >= 0)
    first = np.full(n_plates, len(plate_of_row), dtype=np.int64)
    np.minimum.at(first, plate_of_row[known], known)
    counts = np.bincount(plate_of_row[kept], minlength=n_plates)
    of_first = ("series", "number", "suffix", "glass_width_mm", "glass_height_mm",
                "glass_thickness_mm", "shelved_by")  # fmt: skip
    read = rows.columns(of_first, coded=True)
    columns = {name: plain(read[name].take(pa.array(first))) for name in of_first}
    return columns | {"exposures": pa.array(counts.astype(np.int64))}


def _set_aside(rows: LoggedRows, faulty: NDArray[np.bool_], identity: Identity) -> pa.Table:
    """Return the rows set aside, by themselves or as repeats, in reading order."""
    of_reading = np.flatnonzero(faulty)
    repeats = np.array(sorted(identity.repeats), dtype=np.int64)
    places = np.concatenate([of_reading, repeats])
    designations = rows.column(LOGGED + "plate").take(pa.array(repeats))
    texts = {
        "column": ["plate"] * len(repeats),
        "value": designations,
        "reason": [identity.repeats[row] for row in repeats.tolist()],
        "cells": list(rows.as_json(repeats)),
    }
    read = rows.columns([f"fault_{name}" for name in texts], coded=True)
    columns = {
        name: pa.concat_arrays([
            plain(read[f"fault_{name}"].take(pa.array(of_reading))),
            more if isinstance(more, pa.Array) else pa.array(more, pa.large_string()),
        ])
        for name, more in texts.items()
    }  # fmt: skip
    order = np.argsort(places, kind="stable")
    return pa.table(_places(rows, places) | columns).take(pa.array(order))


def _remarks(rows: LoggedRows, found: list[tuple[int, str, str]], identity: Identity) -> pa.Table:
    """Return the remarks on kept rows in reading order: those of reading, then those found."""
    places, entries = rows.notes()
    values = {
        column: rows.column(LOGGED + column)
        for column in {column for _, column, _ in found}
        if column in rows.logged_names
    }
    texts: list[list[str]] = [[], [], []]
    for row, column, reason in found:
        value = values[column][row].as_py() if column in values else ""
        for listed, text in zip(texts, (column, value, reason), strict=True):
            listed.append(text)
    more = [pa.array(listed, pa.string()) for listed in texts]
    columns = {
        name: pa.concat_arrays([*entries.column(name).chunks, extra])
        for name, extra in zip(("column", "value", "reason"), more, strict=True)
    }
    all_places = np.concatenate([places, np.array([row for row, _, _ in found], dtype=np.int64)])
    order = np.argsort(all_places, kind="stable")
    order = order[identity.version[all_places[order]] > 0]
    return pa.table(_places(rows, all_places) | columns).take(pa.array(order))


def _places(rows: LoggedRows, places: Integers) -> dict[str, pa.Array]:
    """Return file and row of rows."""
    taken = pa.array(places)
    return {
        "file": rows.log_files().take(taken).cast(pa.large_string()),
        "row": pa.array(rows.row_numbers[places]),
    }


def _joined(found: list[tuple[int, str, str]]) -> dict[int, str]:
    """Return remarks as one text a row."""
    texts: dict[int, str] = {}
    for row, column, reason in found:
        said = f"{column}: {reason}"
        texts[row] = f"{texts[row]}; {said}" if row in texts else said
    return texts


def _with_more(values: pa.Array, more: dict[int, str]) -> pa.Array:
    """Return the texts with some added to."""
    before = values.take(pa.array(list(more), pa.int64())).to_pylist()
    pairs = zip(more.items(), before, strict=True)
    return with_replaced(
        values, {row: f"{old}; {new}" if old else new for (row, new), old in pairs}
    )
