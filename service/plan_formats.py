"""Scanning plans in the forms that people and programs read."""

import csv
import io
import json
from collections.abc import Callable
from typing import Any

import pyarrow as pa

from platecover.coverage.scan_areas import areas_gaining_most
from platecover.coverage.scan_plan import ScanPlan
from platecover.service.formats import aligned, shielded

_FEW = 5  # fragile plates named on a terminal
_HEAD = ("order", "day", "unit", "plate", "minutes", "gain", "running worth")
_MINUTES_PER_HOUR = 60.0


def plan_as_csv(plan: ScanPlan) -> bytes:
    """CSV of the plates in working order."""
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(plan.plates.column_names)
    for row in zip(*plan.plates.to_pydict().values(), strict=True):
        writer.writerow([shielded(cell) if isinstance(cell, str) else cell for cell in row])
    return text.getvalue().encode()


def plan_as_json(plan: ScanPlan) -> bytes:
    """JSON of the whole plan."""
    return (json.dumps(plan_facts(plan), ensure_ascii=False, allow_nan=False) + "\n").encode()


def plan_facts(plan: ScanPlan) -> dict[str, Any]:
    """A plan as plain values."""
    return {
        "budget": plan.budget.text,
        "edition": plan.edition,
        "candidates": plan.candidates,
        "left_out": plan.left_out,
        "gain": plan.gain,
        "bound": plan.bound,
        "at_least_of_best": plan.at_least,
        "theorem": plan.theorem,
        "others": plan.others,
        "series": plan.series,
        "areas": areas_gaining_most(plan),
        "plates": _rows(plan.plates),
        "conservation": _rows(plan.conservation),
    }


def plan_as_table(plan: ScanPlan) -> bytes:
    """Aligned plates for a terminal, and lines that sum up."""
    rows = [
        (
            row["order"],
            row["day"],
            row["unit"],
            row["plate"],
            f"{row['minutes']:.1f}",
            f"{row['gain']:.4g}",
            f"{row['running_worth']:.6g}",
        )
        for row in plan.plates.to_pylist()
    ]
    lines = [aligned(_HEAD, rows, right=(0, 1, 4, 5, 6)), ""] if rows else []
    return ("\n".join([*lines, *plan_in_words(plan)]) + "\n").encode()


def plan_in_words(plan: ScanPlan) -> list[str]:
    """Lines that say what a plan is, how good it is and what it adds, with a table of areas."""
    lines = plan_in_sentences(plan)
    if not len(plan.plates):
        return lines
    areas = [
        (at, each["constellation"], each["place"], each["years"], f"{each['gain']:.4g}",
         f"{100.0 * each['share']:.1f} %")
        for at, each in enumerate(areas_gaining_most(plan), 1)
    ]  # fmt: skip
    return [*lines, "", aligned(("", "gains most", "about", "years", "gain", ""), areas,
                                right=(0, 4, 5))]  # fmt: skip


def plan_in_sentences(plan: ScanPlan) -> list[str]:
    """Lines that say what a plan is, how good it is, and what is not in it."""
    if not len(plan.plates):
        return [_why_nothing(plan), *_left_out_lines(plan)]
    minutes = plan.plates.column("running_minutes")[-1].as_py()
    units = len(set(plan.plates.column("unit").to_pylist()))
    days = plan.plates.column("day")[-1].as_py()
    against = ", ".join(f"{name} {worth:.4g}" for name, worth in plan.others.items())
    mix = ", ".join(f"{code} {count}" for code, count in plan.series.items())
    lines = [
        f"{len(plan.plates)} plates of {plan.candidates} from {units} shelf units:"
        f" {minutes / _MINUTES_PER_HOUR:.1f} hours, {_counted(days, 'day')}",
        f"adds {plan.gain:.6g} weighted square degrees: at least {plan.at_least_percent} of"
        f" the best possible (bound {plan.bound:.6g})",
        f"in general: {plan.theorem}",
        f"the same budget otherwise: {against}",
        f"series: {mix}",
    ]
    return [*lines, *_left_out_lines(plan)]


def _why_nothing(plan: ScanPlan) -> str:
    if not plan.candidates:
        return "No plate under these filters is there to be scanned."
    if plan.bound > 0.0:
        return "The budget is too small for any plate that adds worth."
    return "No plate under these filters adds any worth: its bins are full, or weigh nothing."


def _left_out_lines(plan: ScanPlan) -> list[str]:
    reasons = ", ".join(f"{name} {count}" for name, count in plan.left_out.items() if count)
    lines = [f"not planned: {reasons}"] if reasons else []
    if len(plan.conservation):
        first = plan.conservation.slice(0, _FEW).to_pylist()
        named = ", ".join(f"{row['plate']} ({row['condition']})" for row in first)
        more = ", ..." if len(plan.conservation) > _FEW else ""
        lines.append(f"for a conservator first, most wanted: {named}{more}")
    return lines


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _rows(table: pa.Table) -> list[dict[str, Any]]:
    return [
        {name: None if value == "" else value for name, value in row.items()}
        for row in table.to_pylist()
    ]


PLAN_FORMATS: dict[str, Callable[[ScanPlan], bytes]] = {
    "table": plan_as_table,
    "csv": plan_as_csv,
    "json": plan_as_json,
}
