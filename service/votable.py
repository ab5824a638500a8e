"""VOTable documents of the protocols, written as text: one RESOURCE, one TABLE, TABLEDATA.

IVOA VOTable 1.4 (2019). Joining texts is some hundred times as fast as building the document's
tree, and leaves every attribute to us.
"""

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from xml.sax.saxutils import escape, quoteattr

import pyarrow as pa

from platecover.coverage.columns import Column
from platecover.service.row_texts import Form, WordTexts, row_pieces

MEDIA_TYPE = "text/xml; charset=utf-8"  # the one type that all versions of the protocols accept

# Characters that no XML document may hold, not even escaped (W3C XML 1.0, section 2.2).
_NOT_IN_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_HEAD = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<VOTABLE version="1.4" xmlns="http://www.ivoa.net/xml/VOTable/v1.3"'
    ' xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance">\n'
)
_FRAMES = (
    '<COOSYS ID="icrs" system="ICRS"/>\n'
    '<TIMESYS ID="ut" timeorigin="MJD-origin" timescale="UT" refposition="TOPOCENTER"/>\n'
)
_DATATYPES = {"text": "unicodeChar", "float": "double", "int": "long", "bool": "boolean"}
_FIRST_PRINTABLE = 0x20
_FRAME_OF = {"s_ra": "icrs", "s_dec": "icrs", "t_min": "ut", "t_max": "ut"}


@dataclass(frozen=True)
class Field:
    """One FIELD: a column as VOTable describes it; `frame` is the ID of its COOSYS or TIMESYS."""

    name: str
    datatype: str
    unit: str
    ucd: str
    description: str
    frame: str = ""

    @classmethod
    def of(cls, column: Column) -> "Field":
        """The FIELD of a column of ours."""
        return cls(
            column.name, _DATATYPES[column.kind], column.unit, column.ucd, column.description,
            _FRAME_OF.get(column.name, ""),
        )  # fmt: skip

    def but(self, **changes: str) -> "Field":
        """The same with some attributes changed."""
        return replace(self, **changes)

    @cached_property
    def xml(self) -> str:
        """The element."""
        attributes = {"name": self.name, "datatype": self.datatype, "ucd": self.ucd,
                      "unit": self.unit, "ref": self.frame}  # fmt: skip
        if self.datatype in ("char", "unicodeChar"):
            attributes["arraysize"] = "*"
        written = "".join(f" {key}={_attribute(text)}" for key, text in attributes.items() if text)
        return f"<FIELD{written}>\n{_description(self.description)}</FIELD>\n"


@dataclass(frozen=True)
class Info:
    """One INFO: name, value, and further text if there is any."""

    name: str
    value: str
    text: str = ""

    def xml(self) -> str:
        """The element."""
        head = f"<INFO name={_attribute(self.name)} value={_attribute(self.value)}"
        return f"{head}>{_text(self.text)}</INFO>\n" if self.text else f"{head}/>\n"


def results_document(
    description: str,
    infos: Iterable[Info],
    table_description: str,
    fields: Sequence[Field],
    rows: pa.Table,
    words: WordTexts | None = None,
) -> Iterator[bytes]:
    """A VOTable with one RESOURCE of type results, in pieces.

    Parameters
    ----------
    description : str
        Of the document: who answers.
    infos : iterable of Info
        Of the RESOURCE, in order.
    table_description : str
        What one row is.
    fields : sequence of Field
        One for each column of `rows`, in order.
    rows : pyarrow.Table
        Plain or coded. Null becomes an empty cell.
    words : WordTexts, optional
        Of the edition that coded rows are of.
    """
    head = [
        _HEAD,
        _description(description),
        '<RESOURCE type="results">\n',
        *(info.xml() for info in infos),
        _FRAMES,
        "<TABLE>\n",
        _description(table_description),
        *(field.xml for field in fields),
        "<DATA><TABLEDATA>\n",
    ]
    yield "".join(head).encode()
    yield from row_pieces(rows, _ROWS, words)
    yield b"</TABLEDATA></DATA>\n</TABLE>\n</RESOURCE>\n</VOTABLE>\n"


def error_document(message: str) -> bytes:
    """The document that Simple Cone Search 1.03 (section 2, errata 1 and 3) wants for errors.

    The INFO named Error stands where the standard prefers it; QUERY_STATUS says the same to
    clients that follow DALI 1.1.
    """
    return (
        f'{_HEAD}<INFO ID="Error" name="Error" value={_attribute(message)}/>\n'
        f'<RESOURCE type="results">\n{Info("QUERY_STATUS", "ERROR", message).xml()}'
        "</RESOURCE>\n</VOTABLE>\n"
    ).encode()


def _description(text: str) -> str:
    return f"<DESCRIPTION>{_text(text)}</DESCRIPTION>\n"


def _text(text: str) -> str:
    return escape(_NOT_IN_XML.sub("\ufffd", text), {"\r": "&#13;"})


def _attribute(text: str) -> str:
    return quoteattr(_NOT_IN_XML.sub("\ufffd", text))


# 0xEF begins, among others, the last two code points of the first plane, which XML bars;
# VOTable 1.4, section 6, writes infinities so.
_ROWS = Form(
    "votable", b"&<>\xef", _FIRST_PRINTABLE, _text,
    start="<TR><TD>", between="</TD><TD>", end="</TD></TR>\n",
    infinite="+Inf", minus_infinite="-Inf",
)  # fmt: skip
