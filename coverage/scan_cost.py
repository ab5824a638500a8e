"""What it costs to scan a plate, where it stands, and which plates can be had at all."""

import re
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from platecover.coverage.edition import Edition
from platecover.coverage.scan_wishes import SizeMinutes, Wishes

# What a plate is to a plan; anything but the first is not asked for.
TO_SCAN, SCANNED, CONSERVATION = "to scan", "scanned", "conservation"
AWAY = ("being scanned", "on loan", "transferred", "missing", "discarded")  # statuses
FRAGILE = ("broken", "flaking")  # conditions: for a conservator first
_DIGITS = re.compile(r"(\d+)")


@dataclass(frozen=True)
class PlateFacts:
    """Plates as far as a plan is concerned; every array has an element a plate of the edition.

    Attributes
    ----------
    plate_of : int32, shape (n_exposures,)
        Row of each exposure's plate.
    standing : int64
        Place in `standings`.
    standings : list of str
        TO_SCAN, SCANNED, CONSERVATION, and the statuses of AWAY.
    minutes : float64
        To scan it, its shelf unit being open.
    unit : int64
        Place of its shelf unit in `units`.
    units : list of str
        In natural order.
    shelf_rank, rank : int64
        Place in storage order (by shelf text, then designation) and in the order of designations.
    """

    plate_of: NDArray[np.int32]
    standing: NDArray[np.int64]
    standings: list[str]
    minutes: NDArray[np.float64]
    unit: NDArray[np.int64]
    units: list[str]
    shelf_rank: NDArray[np.int64]
    rank: NDArray[np.int64]


def plate_facts(edition: Edition, wishes: Wishes) -> PlateFacts:
    """Look up what a plan needs to know of every plate."""
    plate_of = plate_rows(edition)
    standings = [TO_SCAN, SCANNED, CONSERVATION, *AWAY]
    standing = np.zeros(len(edition.plates), dtype=np.int64)
    standing[_is(edition, "condition", *FRAGILE)] = standings.index(CONSERVATION)
    for status in AWAY:
        standing[_is(edition, "status", status)] = standings.index(status)
    standing[_is(edition, "scanned", "yes")] = standings.index(SCANNED)
    rank = _designation_ranks(edition.plates)
    unit, units, shelf = _units(edition, wishes)
    shelf_rank = np.empty(len(rank), dtype=np.int64)
    shelf_rank[np.lexsort((rank, shelf))] = np.arange(len(rank))
    minutes = wishes.photograph + wishes.clean + scanner_minutes(
        longer_sides_mm(edition, plate_of), wishes.scan
    )  # fmt: skip
    return PlateFacts(plate_of, standing, standings, minutes, unit, units, shelf_rank, rank)


def plate_rows(edition: Edition) -> NDArray[np.int32]:
    """Row of each exposure's plate in the table of plates, shape (n_exposures,)."""
    plates = edition.plates.column("plate").chunk(0)
    row_of_code = np.empty(len(plates.dictionary), dtype=np.int32)
    row_of_code[plates.indices.to_numpy()] = np.arange(len(plates), dtype=np.int32)
    words = edition.exposures.column("plate").chunk(0).dictionary
    codes = pc.index_in(words, value_set=plates.dictionary).to_numpy()
    return np.asarray(row_of_code[codes][edition.codes("plate")])


def longer_sides_mm(edition: Edition, plate_of: NDArray[np.int32]) -> NDArray[np.float64]:
    """Longer side of each plate: of the glass if known, else of what was exposed; else NaN."""
    width, height = (
        np.asarray(edition.plates.column(f"glass_{side}_mm").chunk(0).to_numpy())
        for side in ("width", "height")
    )
    glass = np.maximum(width, height)
    exposed = np.full(len(glass), -np.inf)
    sides = np.fmax(edition.floats("width_mm"), edition.floats("height_mm"))
    np.fmax.at(exposed, plate_of, sides)
    return np.where(np.isnan(glass), np.where(exposed > 0.0, exposed, np.nan), glass)


def scanner_minutes(
    side_mm: NDArray[np.float64], lines: tuple[SizeMinutes, ...]
) -> NDArray[np.float64]:
    """Minutes on the scanner by the longer side; NaN and what is too long take the last line."""
    line = np.searchsorted([each.up_to_mm for each in lines], side_mm, side="left")
    minutes = np.array([each.minutes for each in lines])
    return np.asarray(minutes[np.minimum(line, len(lines) - 1)])


def unit_of_shelf(shelf: str, parts: int, separators: str) -> str:
    """Leading parts of a shelf text, as they are written there.

    Examples
    --------
    >>> unit_of_shelf("A07/3/12", 2, "/. ")
    'A07/3'
    """
    if not separators:
        return shelf.strip()
    found = re.finditer(f"[^{re.escape(separators)}]+", shelf)
    ends = [each.end() for each, _ in zip(found, range(parts), strict=False)]
    return shelf[: ends[-1]].strip() if ends else shelf.strip()


def natural_key(text: str) -> tuple[tuple[bool, int, str], ...]:
    """Key by which B2 comes before B10."""
    return tuple(
        (not part.isdecimal(), int(part) if part.isdecimal() else 0, part)
        for part in _DIGITS.split(text)
        if part
    )


def _is(edition: Edition, name: str, *words: str) -> NDArray[np.bool_]:
    """Which plates have one of some words in a column."""
    column = edition.plates.column(name).chunk(0)
    return np.asarray(np.isin(column.dictionary.to_pylist(), words)[column.indices.to_numpy()])


def _designation_ranks(plates: pa.Table) -> NDArray[np.int64]:
    """Place of each plate by series, number and suffix, whatever order the logs were read in."""
    texts = {name: plates.column(name).chunk(0).cast(pa.string()) for name in _DESIGNATION}
    digits = pc.utf8_ltrim(texts["number"], characters="0")
    keys = pa.table(
        {"series": texts["series"], "length": pc.utf8_length(digits), "digits": digits,
         "suffix": texts["suffix"], "plate": texts["plate"]}
    )  # fmt: skip
    order = pc.sort_indices(keys, [(name, "ascending") for name in keys.column_names]).to_numpy()
    ranks = np.empty(len(order), dtype=np.int64)
    ranks[order] = np.arange(len(order))
    return ranks


_DESIGNATION = ("plate", "series", "number", "suffix")


def _units(
    edition: Edition, wishes: Wishes
) -> tuple[NDArray[np.int64], list[str], NDArray[np.int64]]:
    """Unit of each plate, the units, and place of each plate's shelf text in natural order."""
    shelf, series = (edition.plates.column(name).chunk(0) for name in ("shelf", "series"))
    shelf_words, series_words = shelf.dictionary.to_pylist(), series.dictionary.to_pylist()
    unit_words = [unit_of_shelf(w, wishes.unit_parts, wishes.separators) for w in shelf_words]
    without = [f"{code}, no shelf stated" for code in series_words]
    names = sorted({*unit_words, *without} - {""}, key=natural_key)
    place = {name: at for at, name in enumerate(names)}
    of_shelf = np.array([place.get(word, -1) for word in unit_words], dtype=np.int64)
    of_series = np.array([place[word] for word in without], dtype=np.int64)
    unit = of_shelf[shelf.indices.to_numpy()]
    unit = np.where(unit < 0, of_series[series.indices.to_numpy()], unit)
    in_order = sorted(range(len(shelf_words)), key=lambda at: natural_key(shelf_words[at]))
    rank = np.empty(len(in_order), dtype=np.int64)
    rank[in_order] = np.arange(len(in_order))
    rank = np.where(np.array(unit_words, dtype=object) == "", len(rank), rank)  # unstated: last
    return unit, names, rank[shelf.indices.to_numpy()]
