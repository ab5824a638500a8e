"""Which rows are the same exposure: numbers on the plate, repeats, and differing versions."""

from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from platecover.coverage.logged_rows import LoggedRows

_MOST_PLACES = 5  # rows named in a remark

Integers = NDArray[np.int64]


@dataclass(frozen=True)
class Identity:
    """What is found of rows, shape (n,), and of some of them by place.

    Attributes
    ----------
    exposure : int64, shape (n,)
        Number on the plate; 0 where set aside.
    version : int64, shape (n,)
        From 1; 0 where set aside.
    repeats : dict of int to str
        Why a row that repeats another is set aside.
    differing : dict of int to str
        Remark on a row of one exposure that is logged differently elsewhere.
    """

    exposure: Integers
    version: Integers
    repeats: dict[int, str] = field(default_factory=dict)
    differing: dict[int, str] = field(default_factory=dict)


def identify(
    rows: LoggedRows, plate_of_row: Integers, faulty: NDArray[np.bool_], t_min: NDArray[np.float64]
) -> Identity:
    """Number the exposures of every plate and tell repeated rows from differing ones.

    Parameters
    ----------
    rows : LoggedRows
    plate_of_row : int64, shape (n,)
        A number for each plate; -1 where the designation could not be read.
    faulty : bool, shape (n,)
        Rows set aside by themselves; numbers that they state are taken all the same.
    t_min : float64, shape (n,)
        NaN = undated.

    Returns
    -------
    Identity
    """
    exposure = rows.numbers("exposure_stated").astype(np.int64)
    count = np.bincount(plate_of_row[plate_of_row >= 0], minlength=1)
    shared = np.flatnonzero((plate_of_row >= 0) & (count[plate_of_row] > 1))
    alone = ~faulty & (exposure == 0)
    alone[shared] = False
    exposure[alone] = 1
    loose = shared[~faulty[shared] & (exposure[shared] == 0)]
    if len(loose):
        stated = shared[exposure[shared] > 0]
        taken: dict[int, set[int]] = {}
        pairs = zip(plate_of_row[stated].tolist(), exposure[stated].tolist(), strict=True)
        for plate, number in pairs:
            taken.setdefault(plate, set()).add(number)
        same = _codes(rows.column("same_exposure").take(pa.array(loose)))
        exposure[loose] = _numbers(loose, plate_of_row[loose], same, t_min, taken)
    found = Identity(np.where(faulty, 0, exposure), np.where(faulty, 0, 1).astype(np.int64))
    kept = shared[~faulty[shared]]
    _tell_versions(rows, kept, plate_of_row[kept], found)
    return found


def _codes(texts: pa.Array) -> Integers:
    """Numbers that are equal where the texts are."""
    return np.asarray(texts.dictionary_encode().indices.to_numpy(), dtype=np.int64)


def _numbers(
    loose: Integers,
    plate: Integers,
    same: Integers,
    t_min: NDArray[np.float64],
    taken: dict[int, set[int]],
) -> Integers:
    """Number, by t_min, the exposures that the log does not number; one a row of `loose`.

    `same` is equal for rows of one plate that are one exposure.
    """
    key = plate * (int(same.max()) + 1) + same
    different, group_of = np.unique(key, return_inverse=True)
    first = np.full(len(different), len(t_min), dtype=np.int64)
    np.minimum.at(first, group_of, loose)
    plate_of_group = different // (int(same.max()) + 1)
    order = np.lexsort((first, t_min[first], plate_of_group))  # NaN sorts last
    in_order = plate_of_group[order]
    starts = np.flatnonzero(np.concatenate([[True], in_order[1:] != in_order[:-1]]))
    lengths = np.diff(np.concatenate([starts, [len(order)]]))
    numbers = np.empty(len(order), dtype=np.int64)
    numbers[order] = np.arange(len(order)) - np.repeat(starts, lengths) + 1
    if taken:
        for start, length in zip(starts.tolist(), lengths.tolist(), strict=True):
            used = taken.get(int(in_order[start]))
            if used:
                numbers[order[start : start + length]] = _free_numbers(used, length)
    return np.asarray(numbers[group_of])


def _free_numbers(used: set[int], count: int) -> list[int]:
    free: list[int] = []
    number = 1
    while len(free) < count:
        if number not in used:
            free.append(number)
        number += 1
    return free


def _tell_versions(rows: LoggedRows, kept: Integers, plate: Integers, found: Identity) -> None:
    """Find versions from 1, repeats and differing rows among rows that are kept so far."""
    order = np.lexsort((kept, found.exposure[kept], plate))
    key = np.stack([plate, found.exposure[kept]])[:, order]
    joined = np.zeros(len(order) + 1, dtype=np.bool_)
    joined[1:-1] = (key[:, 1:] == key[:, :-1]).all(axis=0)
    often = np.flatnonzero(joined[1:] | joined[:-1])
    group = np.cumsum(~joined[:-1])[often]
    members = kept[order[often]]
    ascending = np.argsort(members)
    cells: dict[int, tuple[str, ...]] = {}
    read = rows.cells(members[ascending])
    for row, of_row in zip(members[ascending].tolist(), read, strict=True):
        cells[row] = tuple(cell.strip() for cell in of_row)
    for each in np.split(members, np.flatnonzero(np.diff(group)) + 1) if len(members) else []:
        _tell_versions_of_one(rows, each.tolist(), cells, found)


def _tell_versions_of_one(
    rows: LoggedRows, members: list[int], cells: dict[int, tuple[str, ...]], found: Identity
) -> None:
    """The same among the rows of one exposure, in reading order."""
    seen: dict[tuple[str, ...], int] = {}
    for row in members:
        if cells[row] in seen:
            found.repeats[row] = f"repeats {rows.place(seen[cells[row]])}"
            found.version[row] = found.exposure[row] = 0
        else:
            seen[cells[row]] = row
            found.version[row] = len(seen)
    if len(seen) > 1:
        places = [rows.place(row) for row in list(seen.values())[:_MOST_PLACES]]
        more = ", ..." if len(seen) > _MOST_PLACES else ""
        said = f"logged differently in {', '.join(places)}{more}; all kept"
        found.differing.update(dict.fromkeys(seen.values(), said))
