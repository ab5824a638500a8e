"""Exposures of the last edition whose geometry is the same, so that their cells serve again."""

from dataclasses import dataclass
from typing import Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

Before = TypeVar("Before")


@dataclass(frozen=True)
class Kept(Generic[Before]):
    """What the last edition has of its exposures, and which of these are kept.

    Attributes
    ----------
    before : CellIndex or MapCells
        Of the last edition.
    number_of : int32, shape (n_before,)
        Old exposure i is the new exposure number_of[i]; -1 if it is gone or was changed.
        Ascending where it is not -1, without repeats.
    """

    before: Before
    number_of: NDArray[np.int32]

    def require_fitting(self, count_before: int, count: int) -> None:
        """Refuse numbers of other exposures, not ascending, or of no new exposure.

        Parameters
        ----------
        count_before, count : int
            Exposures of the last edition and of the new one.

        Raises
        ------
        ValueError
        """
        number_of = self.number_of
        if number_of.shape != (count_before,):
            raise ValueError(f"number_of must have shape ({count_before},), got {number_of.shape}")
        known = number_of[number_of >= 0]
        if (np.diff(known) <= 0).any() or (number_of < -1).any():
            raise ValueError("number_of must be -1 or ascending without repeats")
        if len(known) and known[-1] >= count:
            raise ValueError(f"number_of must be below the {count} records, got {known[-1]}")
