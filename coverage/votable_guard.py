"""A look at a VOTable from a stranger, before a library reads it.

What could make the reader open other files or addresses, or take memory far beyond the length of
the document, is refused: document types and entities, streams and files elsewhere, and room for
rows that are not there.
"""

import math
import re
from collections.abc import Callable
from xml.parsers import expat

_MOST_FIELDS = 1_000  # ours
_DEEPEST, _MOST_ATTRIBUTES = 50, 50  # ours: of elements, of one of them
_MOST_FIXED_BYTES = 200_000_000  # ours: of arrays of fixed sizes, over all rows
_CHARACTER_BYTES, _LARGEST_NUMBER_BYTES = 4, 16  # as numpy keeps them
_ELSEWHERE = ("FITS", "PARQUET")  # elements whose data are of another format
_SIZES = re.compile(r"[0-9]+")


class _Unsound(Exception):
    """A document that must not be read; its text says why."""


def checked_votable(content: bytes, most_rows: int, refusal: Callable[[str], Exception]) -> None:
    """Raise `refusal(reason)` unless a VOTable is sound and small enough to be read.

    Parameters
    ----------
    content : bytes
    most_rows : int
        Of all tables together.
    refusal : callable
        Makes the error of a reason.
    """
    parser = expat.ParserCreate()
    parser.buffer_text = True
    look = _Look(most_rows)
    parser.StartElementHandler = look.at_element
    parser.EndElementHandler = look.at_end
    parser.StartDoctypeDeclHandler = look.at_doctype
    parser.EntityDeclHandler = look.at_doctype
    try:
        parser.Parse(content, True)
        look.check_size()
    except _Unsound as fault:
        raise refusal(str(fault)) from None
    except (expat.ExpatError, LookupError, ValueError) as fault:
        raise refusal(f"the table cannot be read as VOTable: {fault}") from None
    if look.root != "VOTABLE":
        raise refusal(f"not a table of targets: the XML is a {look.root}, not a VOTABLE")


class _Look:
    """What was met so far."""

    def __init__(self, most_rows: int) -> None:
        self.root = ""
        self._most_rows = most_rows
        self._depth = self._rows = self._promised = self._fields = self._row_bytes = 0

    def at_doctype(self, *_: object) -> None:
        raise _Unsound("the VOTable has a document type or entities, which are not read here")

    def at_element(self, tag: str, attributes: dict[str, str]) -> None:
        name = tag.rpartition(":")[2]
        self._depth += 1
        if self._depth > _DEEPEST or len(attributes) > _MOST_ATTRIBUTES:
            raise _Unsound("elements of the VOTable are nested too deeply or have many attributes")
        self.root = self.root or name
        if name == "TR":
            self._rows += 1
            if self._rows > self._most_rows:
                raise _Unsound(f"the table has more than {self._most_rows} rows; send it in parts")
        elif name == "TD":
            return
        elif name == "FIELD":
            self._count_field(attributes.get("datatype", ""), attributes.get("arraysize", ""))
        elif name == "TABLE":
            self._check_promise(attributes.get("nrows", ""))
        elif name in _ELSEWHERE or (name == "STREAM" and "href" in attributes):
            raise _Unsound("data of a VOTable must stand in it, not elsewhere or in other formats")
        elif name == "STREAM" and attributes.get("encoding", "base64").strip() != "base64":
            raise _Unsound("a STREAM of a VOTable must be encoded as base64")

    def at_end(self, _: str) -> None:
        self._depth -= 1

    def _check_promise(self, rows: str) -> None:
        if rows and not (rows.strip().isdecimal() and int(rows[:20]) <= self._most_rows):
            most, given = self._most_rows, rows[:20]
            raise _Unsound(f"nrows of a TABLE must be a whole number up to {most}, got {given!r}")
        self._promised += int(rows or 0)

    def _count_field(self, datatype: str, arraysize: str) -> None:
        self._fields += 1
        if self._fields > _MOST_FIELDS:
            raise _Unsound(f"the VOTable has more than {_MOST_FIELDS} fields")
        sizes = [int(size[:10]) for size in _SIZES.findall(arraysize)[:10]]
        width = _CHARACTER_BYTES if datatype in ("char", "unicodeChar") else _LARGEST_NUMBER_BYTES
        self._row_bytes += width * math.prod(sizes)

    def check_size(self) -> None:
        """Refuse a document that takes too much room for arrays of fixed sizes."""
        if self._row_bytes * max(self._rows, self._promised) > _MOST_FIXED_BYTES:
            raise _Unsound("the VOTable has arrays that are too long; leave them out")
