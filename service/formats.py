"""Rows and histograms in the forms that people and programs read."""

import csv
import io
import json
import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import cache
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from platecover.coverage.answers import Rows, astropy_table, plain_table
from platecover.coverage.arrow_tables import column_facts
from platecover.coverage.calendar_dates import calendar_date_text
from platecover.coverage.columns import RESULT_COLUMNS
from platecover.service.row_texts import Form, WordTexts, row_pieces
from platecover.service.terminal_text import printable
from platecover.service.votable import Field, Info, results_document

About = Mapping[str, Any]  # query, edition, truncated

_DECLARED = {column.name: column for column in RESULT_COLUMNS}
_FIELDS = {column.name: Field.of(column) for column in RESULT_COLUMNS}
_ROW = "Exposures on photographic plates, one a row"
_NEEDS_QUOTES = re.compile('[",\r\n]')
_FIRST_PRINTABLE = 0x20
_SHOWN = 60  # characters of the bar in a histogram on a terminal
_WIDEST = 26  # characters of a cell on a terminal
_MINUTES_PER_DAY = 1440
_SECONDS_PER_MINUTE = 60.0


def _csv_text(text: str) -> str:
    """A text as a cell of CSV, in quotes where it needs them."""
    if not _NEEDS_QUOTES.search(text):
        return text
    doubled = text.replace('"', '""')
    return f'"{doubled}"'


def _json_text(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


@cache
def _json_label(name: str) -> str:
    return f"{_json_text(name)}: "


_CSV_ROWS = Form("csv", b'",\r\n', 0, _csv_text)
_ECSV_ROWS = replace(_CSV_ROWS, name="ecsv", end="\n")
_JSON_ROWS = Form(
    "json", b'"\\', _FIRST_PRINTABLE, lambda text: _json_text(text)[1:-1],
    start="{", between=", ", end="}", between_rows=",\n", quote='"',
    label=_json_label,
    null="null", infinite="null", minus_infinite="null",
)  # fmt: skip


def rows_as_csv(table: Rows, about: About, words: WordTexts | None = None) -> Iterator[bytes]:
    """CSV with a header (RFC 4180); null is empty, numbers in their shortest exact form."""
    yield f"{','.join(table.column_names)}\r\n".encode()
    yield from row_pieces(table, _CSV_ROWS, words)


def rows_as_json(table: Rows, about: About, words: WordTexts | None = None) -> Iterator[bytes]:
    """JSON object of query, edition, count, truncated and exposures; null where not known."""
    counts = {"count": len(table), "truncated": about.get("truncated", False)}
    head = json.dumps({**about, **counts, "exposures": []}, ensure_ascii=False, allow_nan=False)
    # JSON's own escape for what is no UTF-8
    yield head.removesuffix("]}").encode(errors="backslashreplace")
    yield from row_pieces(table, _JSON_ROWS, words)
    yield b"]}\n"


def rows_as_ecsv(table: Rows, about: About, words: WordTexts | None = None) -> Iterator[bytes]:
    """ECSV (astropy writes the header), with units and descriptions."""
    text = io.StringIO()
    header = plain_table(table.slice(0, 0))
    astropy_table(header).write(text, format="ascii.ecsv", delimiter=",")
    yield text.getvalue().encode()
    yield from row_pieces(table, _ECSV_ROWS, words)


def rows_as_votable(table: Rows, about: About, words: WordTexts | None = None) -> Iterator[bytes]:
    """VOTable (IVOA), with units, UCDs and descriptions; null text is empty."""
    truncated = about.get("truncated", False)
    status = Info("QUERY_STATUS", "OVERFLOW" if truncated else "OK", f"{len(table)} rows")
    asked = json.dumps(about.get("query", {}), ensure_ascii=False)
    infos = [status, Info("query", asked), Info("edition", str(about.get("edition", "")))]
    fields = [_FIELDS[name] for name in table.column_names]
    yield from results_document("Photographic plates", infos, _ROW, fields, table, words)


def rows_as_parquet(table: Rows, about: About, words: WordTexts | None = None) -> Iterator[bytes]:
    """Parquet; unit, UCD and description are metadata of the fields."""
    table = plain_table(table.slice())
    fields = [field.with_metadata(column_facts(_DECLARED[field.name])) for field in table.schema]
    stream = io.BytesIO()
    pq.write_table(table.cast(pa.schema(fields)), stream)
    yield stream.getvalue()


def rows_as_table(table: Rows, about: About, words: WordTexts | None = None) -> Iterator[bytes]:
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


# From rows (plain or coded), what else is to be said, and the word texts of coded rows' edition
# to the whole in pieces.
RowWriter = Callable[[Rows, About, WordTexts | None], Iterator[bytes]]
ROW_FORMATS: dict[str, RowWriter] = {
    "table": rows_as_table,
    "csv": rows_as_csv,
    "ecsv": rows_as_ecsv,
    "votable": rows_as_votable,
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
