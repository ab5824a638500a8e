"""How far the scanning has come: by series, area of sky or epoch, day by day, and when it ends.

What was scanned before the ledger is the start; from then on every entry that counts has its day.
The record ends with the last day of which the ledger tells an outcome, whatever day it is today, so
that an edition has one answer.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from platecover.coverage.constellations import names, numbers_at
from platecover.coverage.edition import Edition
from platecover.coverage.errors import QueryError
from platecover.coverage.filters import Selection
from platecover.coverage.plate_history import history_table, rescan_reasons
from platecover.coverage.scan_cost import plate_rows
from platecover.coverage.scan_forecast import Forecast, forecast
from platecover.coverage.timeline import UNDATED

SERIES, AREA, EPOCH = "series", "area", "epoch"
GROUPINGS = (SERIES, AREA, EPOCH)
OUT_OF_REACH = ("missing", "transferred", "discarded")  # statuses: nobody can scan these here
_ALL = "all"
_YEARS = 10
_YES = "yes"

Places = NDArray[np.int64]


@dataclass(frozen=True)
class GroupProgress:
    """How far a group of plates has come.

    Attributes
    ----------
    name : str
    plates : int
    scanned_at_start, scanned : int
        Before the ledger, and now.
    out_of_reach : int
        Not scanned, and missing, transferred or discarded.
    rescans : int
        Not scanned, since somebody asked for a new scan.
    forecast : Forecast
    """

    name: str
    plates: int
    scanned_at_start: int
    scanned: int
    out_of_reach: int
    rescans: int
    forecast: Forecast

    @property
    def to_scan(self) -> int:
        """Plates that are not scanned and can be."""
        return self.plates - self.scanned - self.out_of_reach

    @property
    def share(self) -> float:
        """Scanned plates of all, 0 to 1."""
        return self.scanned / self.plates if self.plates else 0.0


@dataclass(frozen=True)
class ScanProgress:
    """How far the scanning has come.

    Attributes
    ----------
    by : str
        One of GROUPINGS.
    edition : int
    total : GroupProgress
    groups : list of GroupProgress
        Series in their order, areas by name, epochs in time, 'undated' last.
    first_day : datetime.date or None
        Of the record; None if the ledger tells of no scan.
    daily : int64, shape (n_groups, n_days)
        Plates newly scanned, less those to be scanned anew, on each day from `first_day`.
    """

    by: str
    edition: int
    total: GroupProgress
    groups: list[GroupProgress]
    first_day: date | None
    daily: NDArray[np.int64]

    @property
    def last_day(self) -> date | None:
        """Of the record."""
        return self.first_day and self.first_day + timedelta(days=self.daily.shape[1] - 1)

    def as_plain(self) -> dict[str, Any]:
        """Plain values, as JSON has them."""
        days: list[dict[str, Any]] = []
        scanned = self.total.scanned_at_start
        for at in np.flatnonzero(self.daily.any(axis=0)).tolist() if self.first_day else []:
            changed = np.flatnonzero(self.daily[:, at]).tolist()
            scanned += int(self.daily[:, at].sum())
            day = (self.first_day + timedelta(days=at)).isoformat() if self.first_day else ""
            change = {self.groups[each].name: int(self.daily[each, at]) for each in changed}
            days.append({"date": day, "scanned": scanned, "change": change})
        return {
            "by": self.by,
            "edition": self.edition,
            "first_day": self.first_day and self.first_day.isoformat(),
            "last_day": self.last_day and self.last_day.isoformat(),
            "total": _plain(self.total),
            "groups": [_plain(each) for each in self.groups],
            "days": days,
        }


def scan_progress(edition: Edition, by: str, filters: Mapping[str, Any]) -> ScanProgress:
    """Tell how far the scanning has come.

    Parameters
    ----------
    edition : Edition
    by : str
        'series', 'area' (constellation of the first exposure's centre) or 'epoch' (decade of the
        first dated exposure).
    filters : mapping
        By the keywords of `filter_table.FILTERS`, but not `certainty`: plates any of whose
        exposures passes them all. `scanned`, `status` and `condition` are as they are now.

    Raises
    ------
    QueryError
        If `by` or a filter is at fault.
    """
    if by not in GROUPINGS:
        what = f"by must be one of {', '.join(GROUPINGS)}, got {by!r}"
        raise QueryError("by", by, what, usage=True)
    if filters.get("certainty") is not None:
        raise QueryError("certainty", filters["certainty"], "certainty goes with a region only")
    plate_of = plate_rows(edition)
    n_plates = len(edition.plates)
    asked = np.ones(n_plates, dtype=np.bool_)
    if any(value is not None for value in filters.values()):
        passes = Selection(edition, filters).mask(np.arange(len(plate_of)))
        asked = np.bincount(plate_of[passes], minlength=n_plates) > 0
    group, labels = _groups(edition, by, plate_of)
    used = np.unique(group[asked])
    labels = [labels[at] for at in used.tolist()]
    group = np.searchsorted(used, group)

    scanned = _is(edition, "scanned", (_YES,))
    table = history_table(edition)
    plates, days, steps = _steps(edition, table)
    mine = asked[plates]
    plates, days, steps = plates[mine], days[mine], steps[mine]
    last = _last_day(table)
    first = int(days.min()) if len(days) else None
    n_days = last - first + 1 if first is not None and last is not None else 0
    daily = np.zeros((len(labels), n_days), dtype=np.int64)
    if first is not None:
        np.add.at(daily, (group[plates], days - first), steps)
    gone = _is(edition, "status", OUT_OF_REACH) & ~scanned
    rescans = np.zeros(n_plates, dtype=np.bool_)
    rescans[_rows_of(edition, list(rescan_reasons(edition)))] = True

    def told(name: str, mask: NDArray[np.bool_], record: NDArray[np.int64]) -> GroupProgress:
        n, done, lost = (int(each.sum()) for each in (mask, mask & scanned, mask & gone))
        ends = date.fromordinal(last) if last is not None else date.min
        return GroupProgress(
            name, n, done - int(record.sum()), done, lost, int((mask & rescans).sum()),
            forecast(record, n - done - lost, ends),
        )  # fmt: skip

    groups = [told(label, asked & (group == at), daily[at]) for at, label in enumerate(labels)]
    return ScanProgress(
        by,
        edition.number,
        told(_ALL, asked, daily.sum(axis=0)),
        groups,
        date.fromordinal(first) if first is not None else None,
        daily,
    )


def _plain(group: GroupProgress) -> dict[str, Any]:
    said = group.forecast
    days = {
        name: value and value.isoformat()
        for name, value in (("early", said.early), ("middle", said.middle), ("late", said.late))
    }
    return {
        "name": group.name,
        "plates": group.plates,
        "scanned_at_start": group.scanned_at_start,
        "scanned": group.scanned,
        "share": group.share,
        "to_scan": group.to_scan,
        "out_of_reach": group.out_of_reach,
        "rescans": group.rescans,
        "forecast": {
            **days,
            "days": said.days,
            "working_days": said.working_days,
            "per_week": said.per_week,
            "why_not": said.why_not or None,
        },
    }


def _groups(edition: Edition, by: str, plate_of: NDArray[np.int32]) -> tuple[Places, list[str]]:
    """Group of each plate, and the groups' names in their order."""
    if by == SERIES:
        column = edition.plates.column("series").chunk(0)
        words = column.dictionary.to_pylist()
        order = list(edition.summary["observatory"]["series"])
        labels = [*order, *sorted(set(words) - set(order))]
        place = np.array([labels.index(word) for word in words], dtype=np.int64)
        return place[column.indices.to_numpy()], labels
    if by == AREA:
        first = _first_of_plate(plate_of, np.arange(len(plate_of)), len(edition.plates))
        latin = list(names().values())
        place = np.full(len(first), len(latin), dtype=np.int64)
        has = first >= 0
        place[has] = numbers_at(edition.geometry["centre"][first[has]])
        return place, [*latin, "no exposure kept"]
    dated = np.flatnonzero(edition.timeline.year != UNDATED)
    first = _first_of_plate(plate_of[dated], dated, len(edition.plates))
    has = first >= 0
    decade = edition.timeline.year[np.maximum(first, 0)].astype(np.int64) // _YEARS
    decades = np.unique(decade[has])
    place = np.where(has, np.searchsorted(decades, decade), len(decades))
    spans = [f"{each * _YEARS}-{each * _YEARS + _YEARS - 1}" for each in decades.tolist()]
    return place, [*spans, "undated"]


def _first_of_plate(plate_of: NDArray[np.int32], numbers: Places, n_plates: int) -> Places:
    """The lowest of some exposures' numbers on each plate; -1 where there is none."""
    first = np.full(n_plates, -1, dtype=np.int64)
    first[plate_of[::-1]] = numbers[::-1]  # the last to be written is the first exposure
    return first


def _steps(edition: Edition, table: pa.Table) -> tuple[Places, Places, Places]:
    """Each time that a plate became scanned (1) or is to be again (-1): plate, day, step."""
    facts = pc.is_in(table.column("fact"), pa.array(["scanned", "access_url"]))
    counts = pc.and_(facts, pc.is_null(table.column("undone")))
    state: dict[str, dict[str, str]] = {}
    found: list[tuple[str, int, int]] = []
    columns = ["plate", "at", "fact", "value"]
    told = [each.to_pylist() for each in table.filter(counts).select(columns).columns]
    for plate, at, fact, value in zip(*told, strict=True):
        facts_of = state.setdefault(plate, {})
        before = _is_scanned(facts_of)
        facts_of[fact] = value or ""
        after = _is_scanned(facts_of)
        if at and before != after:
            found.append((plate, _day_of(at), 1 if after else -1))
    rows = _rows_of(edition, [plate for plate, _, _ in found])
    known = rows >= 0
    days = np.array([day for _, day, _ in found], dtype=np.int64)
    steps = np.array([step for _, _, step in found], dtype=np.int64)
    return rows[known], days[known], steps[known]


def _is_scanned(facts: Mapping[str, str]) -> bool:
    """Whether facts make a plate scanned, as `plate_register.replay` has it."""
    return bool(facts.get("access_url")) or facts.get("scanned") == _YES


def _last_day(table: pa.Table) -> int | None:
    """The last day of which an entry that counts tells."""
    counts = pc.and_(pc.is_null(table.column("undone")), pc.not_equal(table.column("fact"), "undo"))
    moments = pc.unique(table.filter(counts).column("at")).to_pylist()
    return max((_day_of(each) for each in moments if each), default=None)


def _day_of(at: str) -> int:
    """Number of the day of a date and time, ISO 8601."""
    return datetime.fromisoformat(at).toordinal()


def _rows_of(edition: Edition, plates: list[str]) -> Places:
    """Rows of plates by designation; -1 for those that there are not."""
    known = edition.plates.column("plate").chunk(0).cast(pa.string())
    found = pc.index_in(pa.array(plates, pa.string()), value_set=known)
    return np.asarray(pc.fill_null(found, -1).to_numpy(zero_copy_only=False), dtype=np.int64)


def _is(edition: Edition, name: str, words: tuple[str, ...]) -> NDArray[np.bool_]:
    """Which plates have one of some words in a column."""
    column = edition.plates.column(name).chunk(0)
    return np.asarray(np.isin(column.dictionary.to_pylist(), words)[column.indices.to_numpy()])
