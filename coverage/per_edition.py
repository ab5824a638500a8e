"""Values worked out once for an edition, such as its words in lower case."""

import weakref
from collections.abc import Callable
from typing import Generic, TypeVar

from platecover.coverage.edition import Edition

Value = TypeVar("Value")


class PerEdition(Generic[Value]):
    """A value for each open edition, made when it is first wanted and dropped with the edition.

    Safe to share between threads: two that want it at once may both make it.

    Parameters
    ----------
    make : callable
        Makes the value of an edition; the value must not hold the edition itself.
    """

    def __init__(self, make: Callable[[Edition], Value]) -> None:
        self._make = make
        self._kept: dict[int, Value] = {}

    def of(self, edition: Edition) -> Value:
        """The value of an edition."""
        key = id(edition)  # editions hold dicts and arrays, so they have no hash
        try:
            return self._kept[key]
        except KeyError:
            value = self._kept[key] = self._make(edition)
            weakref.finalize(edition, self._kept.pop, key, None).atexit = False
            return value
