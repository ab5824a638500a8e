"""History of plates and progress of scanning in the forms that people and programs read."""

import json
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import pyarrow as pa

from platecover.coverage.scan_progress import GroupProgress, ScanProgress
from platecover.service.formats import aligned, spreadsheet_text

_HISTORY = ("at", "plate", "fact", "value", "by", "why", "entry", "undone")
_GROUP = ("", "plates", "scanned", "share", "at start", "to scan", "out of reach", "again", "done")
_NUMBERS = (1, 2, 3, 4, 5, 6, 7)
_OF_GROUP = ("name", "plates", "scanned_at_start", "scanned", "share", "to_scan", "out_of_reach",
             "rescans")  # fmt: skip
_OF_FORECAST = ("early", "middle", "late", "days", "working_days", "per_week", "why_not")


def history_as_table(rows: pa.Table) -> bytes:
    """Aligned rows for a terminal."""
    listed = [[row[name] or "" for name in _HISTORY] for row in rows.to_pylist()]
    count = f"{len(listed)} line{'' if len(listed) == 1 else 's'}"
    lines = [aligned(_HISTORY, listed), ""] if listed else []
    return ("\n".join([*lines, count]) + "\n").encode()


def history_as_csv(rows: pa.Table) -> bytes:
    """CSV, every column."""
    return _csv(rows.column_names, (row.values() for row in rows.to_pylist()))


def history_as_json(rows: pa.Table) -> bytes:
    """JSON, every column."""
    return _json({"count": len(rows), "history": rows.to_pylist()})


def progress_as_table(found: ScanProgress) -> bytes:
    """Aligned groups for a terminal, and lines that sum up."""
    rows = [_group_cells(each) for each in [*found.groups, found.total]]
    lines = [aligned(_GROUP, rows, right=_NUMBERS), "", *progress_in_words(found)]
    return ("\n".join(lines) + "\n").encode()


def _group_cells(group: GroupProgress) -> Sequence[Any]:
    middle = group.forecast.middle
    return (
        group.name, group.plates, group.scanned, f"{100.0 * group.share:.1f} %",
        group.scanned_at_start, group.to_scan, group.out_of_reach, group.rescans,
        middle.isoformat() if middle else "",
    )  # fmt: skip


def progress_in_words(found: ScanProgress) -> list[str]:
    """Lines that say how far the scanning has come and when it will be done."""
    total, said = found.total, found.total.forecast
    lines = [
        f"{total.scanned} of {total.plates} plates are scanned ({100.0 * total.share:.1f} %);"
        f" {total.to_scan} are to be scanned, {total.out_of_reach} are out of reach"
    ]
    if found.first_day is not None:
        lines.append(
            f"on record from {found.first_day} to {found.last_day}: {said.days} days,"
            f" {said.working_days} of them with scans, {said.per_week:.1f} plates a week"
        )
    if said.why_not:
        return [*lines, f"no forecast: {said.why_not}"]
    dates = [each.isoformat() if each else "in over a century" for each in
             (said.early, said.middle, said.late)]  # fmt: skip
    return [
        *lines,
        f"if it goes on as in these {said.days} days: done by {dates[1]}; in 8 of 10 cases between"
        f" {dates[0]} and {dates[2]} (weeks drawn from the record: Künsch 1989)",
    ]


def progress_as_csv(found: ScanProgress) -> bytes:
    """CSV of the groups, the last line all together."""
    plain = found.as_plain()
    rows = [
        [*(row[name] for name in _OF_GROUP), *(row["forecast"][name] for name in _OF_FORECAST)]
        for row in (*plain["groups"], plain["total"])
    ]
    return _csv([*_OF_GROUP, *_OF_FORECAST], rows)


def progress_as_json(found: ScanProgress) -> bytes:
    """JSON of all of it, day by day."""
    return _json(found.as_plain())


def _csv(head: Sequence[str], rows: Iterable[Iterable[Any]]) -> bytes:
    texts = [",".join(head)]
    texts += [
        ",".join("" if v is None else spreadsheet_text(v) if isinstance(v, str) else str(v)
                 for v in row)
        for row in rows
    ]  # fmt: skip
    return ("\r\n".join(texts) + "\r\n").encode()


def _json(value: Any) -> bytes:
    text = json.dumps(value, ensure_ascii=False, allow_nan=False).replace("<", "\\u003c")
    return (text + "\n").encode()


HISTORY_FORMATS: dict[str, Callable[[pa.Table], bytes]] = {
    "table": history_as_table,
    "csv": history_as_csv,
    "json": history_as_json,
}
PROGRESS_FORMATS: dict[str, Callable[[ScanProgress], bytes]] = {
    "table": progress_as_table,
    "csv": progress_as_csv,
    "json": progress_as_json,
}
