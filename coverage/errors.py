"""The errors a user can meet, all of them ValueErrors that carry their facts as attributes.

PlatecoverError
    LogFileError        a plate log that is no readable table, or rows refused under strict reading
    ObservatoryError    an observatory file that cannot be right
    ArchiveError        a folder that is no archive, damaged, locked, or a build that was refused
    QueryError          a question with a value that cannot be answered
"""

from collections.abc import Sequence
from typing import Any


class PlatecoverError(ValueError):
    """Base of all errors raised on purpose; the text says what, where and what to do."""


class LogFileError(PlatecoverError):
    """A plate log that cannot be read as a table, or rows refused under strict reading.

    Parameters
    ----------
    message : str
        What is wrong, where, and what to do.
    rows : sequence of dict, optional
        The refused rows: file, row, column, value, reason.
    """

    def __init__(self, message: str, rows: Sequence[dict[str, Any]] = ()) -> None:
        super().__init__(message)
        self.rows = list(rows)


class ObservatoryError(PlatecoverError):
    """An observatory file that cannot be right: unknown key, missing value, list out of order."""


class ArchiveError(PlatecoverError):
    """A folder that is no archive, is damaged or in use, or a build refused to protect it."""


class QueryError(PlatecoverError):
    """A question that cannot be answered as put.

    Parameters
    ----------
    parameter : str
        Name of the argument at fault (``radius``, ``series``); dates are ``from`` and ``to``,
        as over HTTP and on the command line.
    value : object
        The value given.
    message : str
        Whole sentence: what is wrong and what would be right.
    usage : bool, optional
        True if the value is of the wrong form (text for a number, a word not on a
        fixed list, a missing number) and not merely out of range or unknown.
    """

    def __init__(self, parameter: str, value: object, message: str, *, usage: bool = False) -> None:
        super().__init__(message)
        self.parameter = parameter
        self.value = value
        self.usage = usage
