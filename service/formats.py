"""Rows and histograms in the forms that people and programs read."""

import csv
import io
import json
import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import cache
from typing import Any, Protocol

import pyarrow as pa
import pyarrow.compute as pc
from astropy.table import Column, Table

from platecover.coverage.answers import Rows, plain_table
from platecover.coverage.calendar_dates import calendar_date_text
from platecover.coverage.columns import RESULT_COLUMNS
from platecover.service.parquet_pieces import parquet_pieces
from platecover.service.row_texts import Form, WordTexts, row_pieces
from platecover.service.terminal_text import printable
from platecover.service.votable import Field, Heading, Info, results_document, status_info

About = Mapping[str, Any]  # query, truncated, and of `asking.provenance` what there is

_FIELDS = {column.name: Field.of(column) for column in RESULT_COLUMNS}
_DTYPES = {"double": "f8", "float": "f4", "long": "i8", "int": "i4", "short": "i2", "boolean": "?"}
_PROVENANCE = ("edition", "edition_date", "citation")
_NEEDS_QUOTES = re.compile('[",\r\n]')
# What spreadsheets take for the beginning of a formula, behind any marks of ours (common practice).
_LIKE_A_FORMULA = re.compile("'*[=+\\-@\t\r\n\uff1d\uff0b\uff0d\uff20]")
_FIRST_OF_FORMULAS = b"'=+-@\t\r\n\xef"  # the last begins the wide forms in UTF-8
_FIRST_PRINTABLE = 0x20
_SHOWN = 60  # characters of the bar in a histogram on a terminal
_WIDEST = 26  # characters of a cell on a terminal
_MINUTES_PER_DAY = 1440
_SECONDS_PER_MINUTE = 60.0


def _csv_text(text: str) -> str:
    """A text as a cell of CSV, in quotes where it needs them, exactly as it is."""
    if not _NEEDS_QUOTES.search(text):
        return text
    doubled = text.replace('"', '""')
    return f'"{doubled}"'


def _spreadsheet_text(text: str) -> str:
    """A text as a cell of CSV that no spreadsheet takes for a formula.

    What looks like one gets an apostrophe in front. Who wants the text as it was takes one
    apostrophe away where this pattern still matches: that gives back every text.
    """
    return _csv_text(shielded(text))


def shielded(text: str) -> str:
    """A text that no spreadsheet takes for a formula: what looks like one has an apostrophe."""
    return f"'{text}" if _LIKE_A_FORMULA.match(text) else text


def _json_text(text: str) -> str:
    """A text as JSON, in which no tag of HTML can begin."""
    return json.dumps(text, ensure_ascii=False).replace("<", "\\u003c")


@cache
def _json_label(name: str) -> str:
    return f"{_json_text(name)}:"


spreadsheet_text = _spreadsheet_text  # for the tables of other modules

_CSV_ROWS = Form("csv", b'",\r\n', 0, _spreadsheet_text, careful_first=_FIRST_OF_FORMULAS)
_ECSV_ROWS = Form("ecsv", b'",\r\n', 0, _csv_text, end="\n")
_JSON_ROWS = Form(
    "json", b'"\\<', _FIRST_PRINTABLE, lambda text: _json_text(text)[1:-1],
    start="{", between=",", end="}", between_rows=",\n", quote='"',
    label=_json_label,
    null="null", infinite="null", minus_infinite="null",
)  # fmt: skip


def rows_as_csv(
    table: Rows, about: About, words: WordTexts | None = None, heading: Heading | None = None
) -> Iterator[bytes]:
    """CSV with a header (RFC 4180); null is empty, numbers in their shortest exact form.

    A text that a spreadsheet would take for a formula begins with an apostrophe.
    """
    yield f"{','.join(table.column_names)}\r\n".encode()
    yield from row_pieces(table, _CSV_ROWS, words)


def rows_as_json(
    table: Rows, about: About, words: WordTexts | None = None, heading: Heading | None = None
) -> Iterator[bytes]:
    """JSON object of query, edition, count, truncated and exposures; null where not known."""
    said = {name: value for name, value in about.items() if name != "truncated"}
    said |= {"count": len(table), "truncated": about.get("truncated", False), "exposures": []}
    head = json.dumps(said, ensure_ascii=False, allow_nan=False)
    # JSON's own escape for what is no UTF-8
    yield head.removesuffix("]}").replace("<", "\\u003c").encode(errors="backslashreplace")
    yield from row_pieces(table, _JSON_ROWS, words)
    yield b"]}\n"


def rows_as_ecsv(
    table: Rows, about: About, words: WordTexts | None = None, heading: Heading | None = None
) -> Iterator[bytes]:
    """ECSV (astropy writes the header), with units, UCDs, descriptions, query and provenance."""
    text = io.StringIO()
    header = Table(meta=_said(about))
    for field in _heading(table, heading).fields:
        header[field.name] = Column(
            [], dtype=_DTYPES.get(field.datatype, "U"), unit=field.unit or None,
            description=field.description, meta={"ucd": field.ucd} if field.ucd else None,
        )  # fmt: skip
    header.write(text, format="ascii.ecsv", delimiter=",")
    yield text.getvalue().encode()
    yield from row_pieces(table, _ECSV_ROWS, words)


def rows_as_votable(
    table: Rows, about: About, words: WordTexts | None = None, heading: Heading | None = None
) -> Iterator[bytes]:
    """VOTable (IVOA) with TABLEDATA, units, UCDs and descriptions; null text is empty."""
    return results_document(_told(table, about, heading), table, words)


def rows_as_votable_binary2(
    table: Rows, about: About, words: WordTexts | None = None, heading: Heading | None = None
) -> Iterator[bytes]:
    """The same with BINARY2."""
    return results_document(_told(table, about, heading), table, words, binary=True)


def rows_as_parquet(
    table: Rows, about: About, words: WordTexts | None = None, heading: Heading | None = None
) -> Iterator[bytes]:
    """Parquet; unit, UCD and description are metadata of the fields, the rest is the file's."""
    kinds = plain_table(table.slice(0, 0)).schema.types
    fields = [
        pa.field(each.name, kind, metadata={
            "unit": each.unit, "ucd": each.ucd, "description": each.description,
        })
        for each, kind in zip(_heading(table, heading).fields, kinds, strict=True)
    ]  # fmt: skip
    said = {name: str(value).encode(errors="replace") for name, value in _said(about).items()}
    yield from parquet_pieces(table, pa.schema(fields, metadata=said))


def _heading(table: Rows, heading: Heading | None) -> Heading:
    """A heading that was given, or else that of our own columns."""
    return heading or Heading([_FIELDS[name] for name in table.column_names])


def _told(table: Rows, about: About, heading: Heading | None) -> Heading:
    """A heading with status, query and provenance among its INFOs."""
    given = _heading(table, heading)
    status = status_info(len(table), about.get("truncated", False))
    said = [Info(name, str(value)) for name, value in _said(about).items()]
    return replace(given, infos=[status, *given.infos, *said])


def _said(about: About) -> dict[str, Any]:
    """What goes with a table as a whole: the query as JSON text, and provenance."""
    query = json.dumps(about.get("query", {}), ensure_ascii=False)
    query = query.encode(errors="backslashreplace").decode()  # what is no UTF-8, as JSON escapes
    return {"query": query} | {name: about[name] for name in _PROVENANCE if name in about}


def rows_as_table(
    table: Rows, about: About, words: WordTexts | None = None, heading: Heading | None = None
) -> Iterator[bytes]:
    """Aligned columns for a terminal, the most wanted ones, and a line that sums up."""
    table = plain_table(table.slice())
    head = ("exposure", "UT", "min", "known to", "centre", "edge", "certainty", "telescope",
            "observer", "object", "status", "scanned")  # fmt: skip
    rows = [
        (
            row["exposure_id"],
            moment(row["t_min"], row["time_precision"]),
            _number(row["t_exptime"], 1, 1.0 / _SECONDS_PER_MINUTE),
            row["time_precision"],
            _number(row["centre_distance"], 2),
            _number(row["edge_distance"], 2),
            row["certainty"],
            row["telescope"],
            row["observer"],
            row["object"],
            row["status"],
            row["scanned"],
        )
        for row in table.to_pylist()
    ]
    lines = [aligned(head, rows, right=(2, 4, 5))] if rows else []
    undated = table.column("t_min").null_count
    plates = pc.count_distinct(table.column("plate")).as_py()
    sure = pc.sum(pc.equal(table.column("certainty"), "sure")).as_py() or 0
    lines.append(
        f"{len(table)} exposures on {plates} plates: {sure} sure, {len(table) - sure} marginal;"
        f" {undated} undated (distances in degrees; edge: positive inside)"
        if rows
        else "No exposure in this archive shows the place under these filters."
    )
    yield ("\n".join(lines) + "\n").encode()


class RowWriter(Protocol):
    """From rows, what else is to be said, and what their columns are to the whole in pieces."""

    def __call__(
        self,
        table: Rows,
        about: About,
        words: WordTexts | None = None,
        heading: Heading | None = None,
    ) -> Iterator[bytes]:
        """Write rows, plain or coded; `words` are those of coded rows' edition."""  # fmt: skip


ROW_FORMATS: dict[str, RowWriter] = {
    "table": rows_as_table,
    "csv": rows_as_csv,
    "ecsv": rows_as_ecsv,
    "votable": rows_as_votable,
    "votable-binary2": rows_as_votable_binary2,
    "json": rows_as_json,
    "parquet": rows_as_parquet,
}
BINARY_FORMATS = ("parquet",)


def epochs_as_json(answer: Mapping[str, Any]) -> bytes:
    """JSON of the whole answer."""
    return (json.dumps(answer, allow_nan=False) + "\n").encode()


def epochs_as_csv(answer: Mapping[str, Any]) -> bytes:
    """CSV of the bins, with a column of exposures for each series."""
    codes = sorted({code for each in answer["bins"] for code in each["series"]})
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(["from", "to", "exposures", "plates", "covered_deg2", *codes])
    for each in answer["bins"]:
        facts = [each[name] for name in ("from", "to", "exposures", "plates", "covered_deg2")]
        writer.writerow([*facts, *(each["series"].get(code, 0) for code in codes)])
    return text.getvalue().encode()


def epochs_as_table(answer: Mapping[str, Any]) -> bytes:
    """Aligned bins with a bar each for a terminal, and lines that sum up."""
    bins = answer["bins"]
    most = max((each["exposures"] for each in bins), default=0)
    rows = [
        (
            str(each["from"]) if each["to"] - each["from"] == 1 else
            f"{each['from']}-{each['to'] - 1}",
            each["exposures"],
            each["plates"],
            _number(each["covered_deg2"], 1),
            "#" * math.ceil(_SHOWN * each["exposures"] / most),
        )
        for each in bins
    ]  # fmt: skip
    lines = [aligned(("years", "exposures", "plates", "deg2", ""), rows, right=(1, 2, 3))]
    if not bins:
        lines = ["No dated exposure in this archive shows the region under these filters."]
    if answer["first"] is not None:
        lines.append(f"first {answer['first']:.2f}, last {answer['last']:.2f}")
    if (gap := answer["longest_gap"]) is not None:
        years = gap["to"] - gap["from"]
        lines.append(f"longest gap {gap['from']:.2f} to {gap['to']:.2f} ({years:.2f} years)")
    if answer["region_deg2"] is not None:
        lines.append(
            f"region {answer['region_deg2']:.6g} deg2; covered area counted in HEALPix cells of"
            f" order {answer['order']}"
        )
    lines.append(f"undated exposures of the region: {answer['undated']}")
    return ("\n".join(lines) + "\n").encode()


EPOCH_FORMATS: dict[str, Callable[[Mapping[str, Any]], bytes]] = {
    "table": epochs_as_table,
    "csv": epochs_as_csv,
    "json": epochs_as_json,
}


def aligned(head: Sequence[str], rows: Sequence[Sequence[Any]], right: Sequence[int] = ()) -> str:
    """Lay out cells in columns under a head; long ones are cut, those in `right` end flush."""
    cells = [[_cell(cell) for cell in row] for row in (head, *rows)]
    widths = [max(len(row[at]) for row in cells) for at in range(len(head))]
    return "\n".join(
        "  ".join(
            cell.rjust(width) if at in right else cell.ljust(width)
            for at, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in cells
    )


def _cell(value: Any) -> str:
    """Text of a cell without control characters, cut at a readable width."""
    text = "" if value is None else printable(str(value))
    limit = _SHOWN if set(text) == {"#"} else _WIDEST
    return text if len(text) <= limit else text[: limit - 1] + "~"


def _number(value: float | None, decimals: int, factor: float = 1.0) -> str:
    return "" if value is None else f"{value * factor:.{decimals}f}"


def moment(mjd: float | None, precision: str) -> str:
    """Start of an exposure as a date, to the minute where it is known so well."""
    if mjd is None:
        return ""
    day = math.floor(mjd)
    minute = round((mjd - day) * _MINUTES_PER_DAY)
    if minute == _MINUTES_PER_DAY:
        day, minute = day + 1, 0
    date = calendar_date_text(float(day))
    if precision not in ("exposure", "ambiguous"):
        return date
    return f"{date} {minute // 60:02d}:{minute % 60:02d}"
