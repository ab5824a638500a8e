"""What holds for a row whose log says nothing: the value of its series on its date."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.calendar_dates import MONTH, YEAR
from platecover.coverage.observatory import Observatory
from platecover.coverage.row_notes import RowNotes
from platecover.coverage.text_arrays import Texts

Flags = NDArray[np.bool_]
Floats = NDArray[np.float64]


class SeriesDefaults:
    """Values of the observatory file for whole columns of rows.

    Parameters
    ----------
    observatory : Observatory
    series : object, shape (n,)
        Series code of each row, '' if unknown.
    day_mjd : float64, shape (n,)
        First day of the logged date; NaN = undated.
    date_kind : int8, shape (n,)
        Kinds of `calendar_dates`.
    """

    def __init__(
        self,
        observatory: Observatory,
        series: Texts,
        day_mjd: Floats,
        date_kind: NDArray[np.int8],
    ) -> None:
        self._series = [
            (observatory.series[code], np.flatnonzero(series == code))
            for code in dict.fromkeys(series.tolist())
            if code
        ]
        self._day_mjd = day_mjd
        self._long_date = (date_kind == MONTH) | (date_kind == YEAR)
        self._by_first_day: dict[int, list[str]] = {}  # keys that a long date decided, by row

    def values(self, key: str, default: Any, *, where: Flags | None = None) -> NDArray[Any]:
        """Return the series' values of `key`, shape (n,) or (n, 2).

        Parameters
        ----------
        key : str
            Key of the observatory file.
        default : object
            Where the file gives none.
        where : bool, shape (n,), optional
            Rows that will use the value; of these, `remark_on_long_dates` tells of the ones
            with a month or year as date, if the value changes with the date.
        """
        shape = (len(self._day_mjd), *np.shape(default))
        answer = np.full(shape, default, dtype=object if isinstance(default, str) else None)
        for series, rows in self._series:
            answer[rows] = series.values(key, self._day_mjd[rows], default)
            if where is not None and series.changes(key):
                for row in rows[self._long_date[rows] & where[rows]].tolist():
                    self._by_first_day.setdefault(row, []).append(key)
        return answer

    def fill_text(self, key: str, stated: Texts, default: str) -> Texts:
        """Return stated texts, where '' those of the series, else `default`."""
        missing = np.asarray(stated == "", dtype=np.bool_)
        return np.where(missing, self.values(key, default, where=missing), stated)

    def remark_on_long_dates(self, notes: RowNotes) -> None:
        """Remark on rows whose month or year was taken by its first day."""
        for row, keys in self._by_first_day.items():
            what = ", ".join(dict.fromkeys(keys))
            notes.remark_at(
                row, "date", f"{what}: the value of the series on the first day of this date"
            )
