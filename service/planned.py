"""Plans that are asked for over HTTP: made one at a time, the last few kept for a while."""

from collections import OrderedDict
from typing import Any

from platecover.coverage.errors import QueryError
from platecover.coverage.scan_budget import parse_budget
from platecover.coverage.scan_plan import ScanPlan
from platecover.coverage.scan_wishes import Wishes
from platecover.service.asking import archive, service
from platecover.service.drawing_lock import one_at_a_time

# Columns by which a plan chooses or that it shows; where one is hidden, so are plans.
NEEDED = ("shelf", "plate", "status", "condition", "scanned", "t_min")
_KEPT = 4  # a page asks for the same plan as words, as a picture and as a list

_plans: "OrderedDict[tuple[str, str, str], ScanPlan]" = OrderedDict()


def plans_are_public() -> bool:
    """Whether the public may see all that a plan tells."""
    return all(service().settings.is_public(name) for name in NEEDED)


def planned(budget: str, filters: dict[str, Any]) -> ScanPlan:
    """The plan for a budget under filters, with the usual wishes.

    Raises
    ------
    QueryError
        If the budget or a filter is at fault, or more plates are asked for than the service
        plans.
    """
    most = service().settings.most_planned_plates
    counted = parse_budget(budget, Wishes().hours)
    if counted.plates is not None:
        refuse_many("budget", counted.plates, most)
    key = (str(archive().edition.folder), budget, repr(sorted(filters.items())))
    with one_at_a_time:  # a plan takes every core and much memory
        plan = _plans.get(key)
        if plan is None:
            plan = archive().scan_plan(budget, **filters)
            _plans[key] = plan
            while len(_plans) > _KEPT:
                _plans.popitem(last=False)
    refuse_many("budget", len(plan.plates), most)
    return plan


def refuse_many(parameter: str, count: int, most: int) -> None:
    """Refuse what is more than the service lists."""
    if count > most:
        message = f"{parameter} asks for {count:,} plates; this service lists at most {most:,}"
        raise QueryError(parameter, count, message)
