"""A budget as people put it: '300 plates', '6 hours', '5 days'."""

import math
import re
from dataclasses import dataclass

from platecover.coverage.errors import QueryError

_FORM = re.compile(r"\s*([^\s]+)\s+(plates?|minutes?|hours?|days?)\s*", re.IGNORECASE)
_MINUTES_PER_HOUR = 60.0
_MOST = 1e9
_RULE = "budget must be a number of plates, hours or days, such as '300 plates' or '6 hours'"


@dataclass(frozen=True)
class Budget:
    """A budget.

    Attributes
    ----------
    text : str
        As it was given.
    plates : int or None
        How many plates; None if time is what counts.
    minutes : float or None
        Minutes of work; None if plates are what counts.
    """

    text: str
    plates: int | None
    minutes: float | None

    @property
    def amount(self) -> float:
        """Plates or minutes."""
        return float(self.plates) if self.plates is not None else float(self.minutes or 0.0)


def parse_budget(text: str, hours_a_day: float) -> Budget:
    """Read a budget.

    Parameters
    ----------
    text : str
        A number above zero, and `plates`, `minutes`, `hours` or `days`.
    hours_a_day : float
        Hours of work in a day.

    Raises
    ------
    QueryError
        If it is not of this form, or not above zero, or endless.

    Examples
    --------
    >>> parse_budget("2 days", 6.0).minutes
    720.0
    """
    form = _FORM.fullmatch(text) if isinstance(text, str) else None
    try:
        number = float(form[1]) if form and "_" not in form[1] else None
    except ValueError:
        number = None
    if form is None or number is None:
        raise QueryError("budget", text, f"{_RULE}, got {text!r}", usage=True)
    if not (0.0 < number <= _MOST):
        raise QueryError("budget", text, f"{_RULE}, above 0 and not endless; got {text!r}")
    unit = form[2].lower().rstrip("s")
    if unit == "plate":
        if number != math.floor(number):
            raise QueryError("budget", text, f"{_RULE}; plates are whole, got {text!r}")
        return Budget(text.strip(), int(number), None)
    factor = {"minute": 1.0, "hour": _MINUTES_PER_HOUR, "day": _MINUTES_PER_HOUR * hours_a_day}
    return Budget(text.strip(), None, number * factor[unit])
