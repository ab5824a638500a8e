"""The list by which plates are pulled: in the order in which they stand, by loads one can carry.

Weights are of glass alone: soda-lime glass weighs 2.5 kg a square metre and millimetre of thickness
(density 2500 kg/m3, the usual value). Jackets, boxes and emulsion come on top.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.designation import DesignationReader
from platecover.coverage.edition import Edition
from platecover.coverage.errors import QueryError
from platecover.coverage.plate_history import rescan_reasons
from platecover.coverage.scan_cost import CONSERVATION, SCANNED, TO_SCAN, plate_facts, plate_rows
from platecover.coverage.scan_plan import ScanPlan
from platecover.coverage.scan_wishes import Wishes

GLASS_KG_PER_M2_MM = 2.5
ASSUMED_THICKNESS_MM = 2.0  # dry plates are mostly 1 to 2 mm thick; the thicker is assumed
USUAL_CARRY_KG = 10.0  # common practice, no source: 10 to 12 kg a box
LARGEST_CARRY_KG = 25.0  # more is nobody's to carry, whatever is asked for
MOST_IN_LOAD = 25  # common practice, no source: plates that stand in one box
_MM2_PER_M2 = 1e6
_MOST_APART = 50  # plates for conservation on the list of a plan, the most wanted first
_NAMED = 5  # of what is not known, in a message
_GOOD = ("", "intact")  # conditions that need no word


@dataclass(frozen=True)
class PulledPlate:
    """One line of a pull list.

    Attributes
    ----------
    plate, series, unit, shelf : str
        `shelf` is '' where it is not stated.
    width_mm, height_mm : float
        Of the glass if it is known, else of what was exposed on it; NaN if neither is.
    is_glass : bool
        Whether the size is that of the glass.
    thickness_mm : float
    is_assumed : bool
        Whether the thickness is assumed.
    weight_kg : float
        NaN if the size is not known.
    carry : int
        Load in which it is carried, from 1.
    note : str
        What to heed, in words; '' for nothing.
    """

    plate: str
    series: str
    unit: str
    shelf: str
    width_mm: float
    height_mm: float
    is_glass: bool
    thickness_mm: float
    is_assumed: bool
    weight_kg: float
    carry: int
    note: str


@dataclass(frozen=True)
class PullList:
    """A pull list.

    Attributes
    ----------
    title : str
    edition : int
    carry_kg : float
        Most weight of a load.
    plates : tuple of PulledPlate
        In storage order: by unit, shelf, then designation.
    conservation : tuple of PulledPlate
        Broken and flaking ones, not to be pulled; `carry` is 0.
    away : dict of str to str
        Why plates that were named are not on the list, by designation.
    """

    title: str
    edition: int
    carry_kg: float
    plates: tuple[PulledPlate, ...]
    conservation: tuple[PulledPlate, ...]
    away: dict[str, str]

    @property
    def weight_kg(self) -> float:
        """Weight of all glass of known size."""
        return float(np.nansum([each.weight_kg for each in self.plates]))

    @property
    def carries(self) -> int:
        """How many loads there are."""
        return self.plates[-1].carry if self.plates else 0


def pull_list_of_plan(
    edition: Edition, plan: ScanPlan, carry_kg: float = USUAL_CARRY_KG
) -> PullList:
    """List the plates of a plan; its broken and flaking candidates apart.

    Parameters
    ----------
    edition : Edition
        That the plan was made from.
    plan : ScanPlan
    carry_kg : float, optional

    Raises
    ------
    QueryError
        If the weight is none that a load can have.
    """
    row_of = _rows_by_name(edition)
    rows = np.array([row_of[name] for name in plan.plates.column("plate").to_pylist()], dtype=int)
    apart = [row_of[name] for name in plan.conservation.column("plate").to_pylist()[:_MOST_APART]]
    title = f"Plates to scan: {plan.budget.text}"
    return _listed(edition, plan.wishes, rows, np.array(apart, dtype=int), title, carry_kg, {})


def pull_list_of_plates(
    edition: Edition,
    names: Iterable[str],
    wishes: Wishes | None = None,
    carry_kg: float = USUAL_CARRY_KG,
) -> PullList:
    """List plates by name, in any spelling that a log may have.

    Parameters
    ----------
    edition : Edition
    names : iterable of str
        Blank ones and repeats are left out.
    wishes : Wishes, optional
        How shelf units are read from shelf texts.
    carry_kg : float, optional

    Raises
    ------
    QueryError
        If the weight is none that a load can have, or no plate or an unknown one is named.
    """
    reader = DesignationReader(edition.summary["observatory"]["series"])
    row_of, keys = _rows_by_name(edition), _rows_by_key(edition)
    rows: dict[int, None] = {}
    unknown: list[str] = []
    for name in (each.strip() for each in names):
        if not name:
            continue
        found = row_of.get(name)
        if found is None:
            try:
                read = reader.read(name)
                found = keys.get((read.series, read.number(leading_zeros=False), read.suffix))
            except ValueError:
                found = None
        if found is None:
            unknown.append(name)
        else:
            rows[found] = None
    if unknown:
        named = ", ".join(map(repr, unknown[:_NAMED])) + (", ..." if len(unknown) > _NAMED else "")
        message = f"plates: not in this archive: {named}; correct them or leave them out"
        raise QueryError("plates", unknown[0], message)
    if not rows:
        raise QueryError("plates", "", "plates: none is named; name at least one")
    wishes = wishes or Wishes()
    facts = plate_facts(edition, wishes)
    wanted = np.array(list(rows), dtype=int)
    standing = np.array(facts.standings, dtype=object)[facts.standing[wanted]]
    apart = wanted[standing == CONSERVATION]
    here = wanted[(standing == TO_SCAN) | (standing == SCANNED)]
    designations = edition.plates.column("plate").to_pylist()
    away = {
        designations[row]: str(why)
        for row, why in zip(wanted.tolist(), standing.tolist(), strict=True)
        if why not in (TO_SCAN, SCANNED, CONSERVATION)
    }
    return _listed(edition, wishes, here, apart, "Plates to pull", carry_kg, away)


def weight_kg(
    width_mm: NDArray[np.float64], height_mm: NDArray[np.float64], thickness_mm: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Weight of panes of glass, arrays of one shape; NaN where a measure is.

    Examples
    --------
    >>> weight_kg(np.array([254.0]), np.array([203.2]), np.array([1.5])).round(3).tolist()
    [0.194]
    """
    return GLASS_KG_PER_M2_MM * width_mm * height_mm / _MM2_PER_M2 * thickness_mm


def loads(weights_kg: Sequence[float], carry_kg: float) -> list[int]:
    """Number of the load, from 1, in which each plate is carried; in the order given.

    A load is full when it holds MOST_IN_LOAD plates, or the next would make it heavier than
    `carry_kg`; a plate that is heavier by itself goes alone. What has no weight counts as the
    heaviest of the list.
    """
    heaviest = max((each for each in weights_kg if not np.isnan(each)), default=carry_kg)
    numbers: list[int] = []
    load, count, held = 1, 0, 0.0
    for each in weights_kg:
        weight = heaviest if np.isnan(each) else each
        if count == MOST_IN_LOAD or (count and held + weight > carry_kg):
            load, count, held = load + 1, 0, 0.0
        numbers.append(load)
        count, held = count + 1, held + weight
    return numbers


def _listed(
    edition: Edition,
    wishes: Wishes,
    rows: NDArray[np.int64],
    apart: NDArray[np.int64],
    title: str,
    carry_kg: float,
    away: dict[str, str],
) -> PullList:
    if not 0.0 < carry_kg <= LARGEST_CARRY_KG:
        message = f"carry_kg must be above 0 and at most {LARGEST_CARRY_KG:g}, got {carry_kg}"
        raise QueryError("carry_kg", carry_kg, message)
    facts = plate_facts(edition, wishes)
    order = np.lexsort((facts.shelf_rank[rows], facts.unit[rows]))
    rows, apart = rows[order], apart[np.argsort(facts.shelf_rank[apart], kind="stable")]
    made = _lines(edition, facts.unit, facts.units, np.concatenate([rows, apart]))
    pulled, left = made[: len(rows)], made[len(rows) :]
    numbers = loads([each.weight_kg for each in pulled], carry_kg)
    plates = tuple(
        PulledPlate(**{**vars(each), "carry": number})
        for each, number in zip(pulled, numbers, strict=True)
    )
    return PullList(title, edition.number, carry_kg, plates, tuple(left), away)


def _lines(
    edition: Edition, unit: NDArray[np.int64], units: list[str], rows: NDArray[np.int64]
) -> list[PulledPlate]:
    """Lines of plates, without their loads."""
    taken = edition.plates.take(rows).to_pydict()
    width, height, is_glass = _sizes(edition, rows)
    stated = np.array(taken["glass_thickness_mm"], dtype=float)
    thickness = np.where(np.isnan(stated), ASSUMED_THICKNESS_MM, stated)
    weights = weight_kg(width, height, thickness)
    wanted_again = rescan_reasons(edition)
    lines = []
    for at, row in enumerate(rows.tolist()):
        condition, scanned = taken["condition"][at] or "", taken["scanned"][at] or ""
        notes = [] if condition in _GOOD else [condition]
        if (why := wanted_again.get(taken["plate"][at])) is not None:
            notes.append(f"to be scanned again: {why}")
        if scanned == "yes":
            notes.append("has been scanned before")
        if np.isnan(weights[at]):
            notes.append("size not known")
        lines.append(
            PulledPlate(
                taken["plate"][at], taken["series"][at], units[unit[row]], taken["shelf"][at] or "",
                float(width[at]), float(height[at]), bool(is_glass[at]), float(thickness[at]),
                bool(np.isnan(stated[at])), float(weights[at]), 0, "; ".join(notes),
            )
        )  # fmt: skip
    return lines


def _sizes(
    edition: Edition, rows: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
    """Width and height of plates in mm, of the glass or else of the largest exposure."""
    plates = edition.plates
    glass = [
        np.asarray(plates.column(f"glass_{side}_mm").chunk(0).to_numpy())[rows]
        for side in ("width", "height")
    ]
    exposed = []
    plate_of = plate_rows(edition)
    for side in ("width_mm", "height_mm"):
        largest = np.full(len(plates), -np.inf)
        np.fmax.at(largest, plate_of, edition.floats(side))
        exposed.append(np.where(largest[rows] > 0.0, largest[rows], np.nan))
    is_glass = ~np.isnan(glass[0]) & ~np.isnan(glass[1])
    width, height = (np.where(is_glass, g, e) for g, e in zip(glass, exposed, strict=True))
    return width, height, is_glass


def _rows_by_name(edition: Edition) -> dict[str, int]:
    return {name: row for row, name in enumerate(edition.plates.column("plate").to_pylist())}


def _rows_by_key(edition: Edition) -> dict[tuple[str, str, str], int]:
    """Rows by series, number without leading zeros, and suffix."""
    read = {
        name: edition.plates.column(name).to_pylist() for name in ("series", "number", "suffix")
    }
    triples = zip(read["series"], read["number"], read["suffix"], strict=True)
    return {
        (series or "", (number or "").lstrip("0") or "0", suffix or ""): row
        for row, (series, number, suffix) in enumerate(triples)
    }
