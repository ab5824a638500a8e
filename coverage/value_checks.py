"""Checks of argument values, in one place; each names the argument and the value at fault."""

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from platecover.coverage.errors import QueryError

HIGHEST_ORDER = 29  # of HEALPix cell numbers in 64-bit integers (IVOA MOC 2.0, section 3.1)


def number_between(name: str, value: object, low: float, high: float) -> float:
    """Return `value` as a float within [low, high].

    Parameters
    ----------
    name : str
        Name of the argument, for the message.
    value : object
        A number, or text that is one; infinities, NaN and booleans are refused.
    low, high : float
        Limits, both allowed.

    Returns
    -------
    float

    Raises
    ------
    QueryError
        If it is no number (``usage`` set) or not within the limits.
    """
    rule = f"{name} must be a number from {low:g} to {high:g}, got {value!r}"
    number = _as_float(value)
    if number is None:
        raise QueryError(name, value, rule, usage=True)
    if not (low <= number <= high) or not math.isfinite(number):
        raise QueryError(name, value, rule)
    return number


def integer_between(name: str, value: object, low: int, high: int) -> int:
    """Return `value` as an int within [low, high]; errors as for `number_between`."""
    rule = f"{name} must be a whole number from {low} to {high}, got {value!r}"
    number = _as_float(value)
    if number is None:
        raise QueryError(name, value, rule, usage=True)
    if not (low <= number <= high) or number != math.floor(number):
        raise QueryError(name, value, rule)
    return int(number)


def _as_float(value: object) -> float | None:
    """Return the number that `value` is or spells, else None; Python's `1_000` is not one."""
    if isinstance(value, bool) or value is None:
        return None
    if isinstance(value, str) and "_" in value:
        return None
    try:
        return float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return None


def require_all(name: str, values: NDArray[Any], good: NDArray[np.bool_], rule: str) -> None:
    """Raise ValueError naming the first value that is not good."""
    if not good.all():
        at = int(np.argmin(good))
        raise ValueError(f"{name} must be {rule}, got {values[at]} at index {at}")


def unmasked_floats(column: ArrayLike) -> NDArray[np.float64]:
    """Return a column as floats, what is masked as NaN."""
    return np.asarray(np.ma.filled(np.ma.asarray(column, dtype=np.float64), np.nan))
