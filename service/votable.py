"""VOTable documents, written as text: one RESOURCE of results with one TABLE.

IVOA VOTable 1.4 (2019), rows as TABLEDATA or BINARY2. Joining texts is some hundred times as fast
as building the document's tree, and leaves every attribute to us.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any
from xml.sax.saxutils import escape, quoteattr

from platecover.coverage.answers import Rows
from platecover.coverage.columns import Column
from platecover.service.row_texts import Form, WordTexts, row_pieces
from platecover.service.votable_binary import binary_rows

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
_TABLEDATA = ("<TABLEDATA>", "</TABLEDATA>")
_BINARY = ('<BINARY2><STREAM encoding="base64">', "</STREAM></BINARY2>")
_DATATYPES = {"text": "unicodeChar", "float": "double", "int": "long", "bool": "boolean"}
_FIRST_PRINTABLE = 0x20
_FRAME_OF = {"s_ra": "icrs", "s_dec": "icrs", "t_min": "ut", "t_max": "ut"}


@dataclass(frozen=True)
class Field:
    """One FIELD: a column as VOTable describes it.

    Attributes
    ----------
    name, datatype, unit, ucd, description : str
        Texts have datatype 'char' (ASCII) or 'unicodeChar', and any length.
    frame : str
        ID of its COOSYS ('icrs') or TIMESYS ('ut'); '' for none.
    utype, xtype : str
        '' for none.
    """

    name: str
    datatype: str
    unit: str
    ucd: str
    description: str
    frame: str = ""
    utype: str = ""
    xtype: str = ""

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
                      "unit": self.unit, "ref": self.frame, "utype": self.utype,
                      "xtype": self.xtype}  # fmt: skip
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
        return f"{head}>{xml_text(self.text)}</INFO>\n" if self.text else f"{head}/>\n"


@dataclass(frozen=True)
class Heading:
    """What stands before the rows of a table.

    Attributes
    ----------
    fields : sequence of Field
        One for each column of the rows, in order.
    description : str
        Of the document: who answers.
    row_text : str
        What one row is.
    infos : sequence of Info
        Of the RESOURCE, in order.
    further : str
        Further RESOURCEs, of type meta, as XML; they stand behind the results.
    """

    fields: Sequence[Field]
    description: str = "Photographic plates"
    row_text: str = "Exposures on photographic plates, one a row"
    infos: Sequence[Info] = ()
    further: str = ""


def status_info(count: int, truncated: bool) -> Info:
    """QUERY_STATUS, which stands first (DALI 1.1, section 4.4)."""
    if truncated:
        return Info("QUERY_STATUS", "OVERFLOW", f"only the first {count} rows; see MAXREC")
    return Info("QUERY_STATUS", "OK", f"{count} rows")


def parameter_infos(query: Mapping[str, Any]) -> list[Info]:
    """The parameters of a request, each as an INFO (DALI 1.1, section 4.4.3); None is left out."""
    return [
        Info(name, str(each))
        for name, value in query.items()
        if value is not None
        for each in (value if isinstance(value, list) else [value])
    ]


def results_document(
    heading: Heading, rows: Rows, words: WordTexts | None = None, *, binary: bool = False
) -> Iterator[bytes]:
    """A VOTable with one RESOURCE of type results, in pieces.

    Parameters
    ----------
    heading : Heading
    rows : pyarrow.Table or HitRows
        Plain or coded. Null becomes an empty cell, or a flag in BINARY2.
    words : WordTexts, optional
        Of the edition that coded rows are of.
    binary : bool, optional
        True for BINARY2, False for TABLEDATA.
    """
    start, end = _BINARY if binary else _TABLEDATA
    head = [
        _HEAD,
        _description(heading.description),
        '<RESOURCE type="results">\n',
        *(info.xml() for info in heading.infos),
        _FRAMES,
        "<TABLE>\n",
        _description(heading.row_text),
        *(field.xml for field in heading.fields),
        f"<DATA>{start}\n",
    ]
    yield "".join(head).encode()
    if binary:
        yield from binary_rows(rows, [field.datatype for field in heading.fields], words)
    else:
        yield from row_pieces(rows, _ROWS, words)
    yield f"{end}</DATA>\n</TABLE>\n</RESOURCE>\n{heading.further}</VOTABLE>\n".encode()


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
    return f"<DESCRIPTION>{xml_text(text)}</DESCRIPTION>\n"


def xml_text(text: str) -> str:
    """A text between tags; what no XML may hold is replaced."""
    return escape(_NOT_IN_XML.sub("\ufffd", text), {"\r": "&#13;"})


def _attribute(text: str) -> str:
    return quoteattr(_NOT_IN_XML.sub("\ufffd", text))


# 0xEF begins, among others, the last two code points of the first plane, which XML bars;
# VOTable 1.4, section 6, writes infinities so.
_ROWS = Form(
    "votable", b"&<>\xef", _FIRST_PRINTABLE, xml_text,
    start="<TR><TD>", between="</TD><TD>", end="</TD></TR>\n",
    infinite="+Inf", minus_infinite="-Inf",
)  # fmt: skip
