"""One answer in every form reads back the same by libraries of others."""

import csv
import io
import json
import re
import warnings
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from astropy.io.votable import parse
from astropy.table import Table
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.small_archive import Place

from platecover.coverage.answers import coded_table, plain_table
from platecover.coverage.archive import Archive
from platecover.coverage.columns import RESULT_COLUMNS
from platecover.coverage.regions import Region
from platecover.service import parquet_pieces, row_texts
from platecover.service.formats import (
    EPOCH_FORMATS,
    ROW_FORMATS,
    aligned,
)
from platecover.service.row_texts import WordTexts
from platecover.service.terminal_text import printable

HOSTILE = [
    "a\x00b", "\x1b[31mred\x1b[0m", "</TD></TR>", "]]>", "<!--", "&amp;", "=1+1", "@SUM(A1)",
    "🔭 ü", "q\"u'o,t;e", "line\nand\r\nline\rend", "\x7f\x85\u2028\ufffe\uffff",
    "\u202egnp.exe", "x" * 9000,
]  # fmt: skip
ABOUT: dict[str, Any] = {"query": {"region": "circle 83.6 22 0"}, "edition": 1}


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    return Archive.open(Place(tmp_path_factory.mktemp("formats")).build().archive)


@pytest.fixture(scope="module")
def rows(archive: Archive) -> pa.Table:
    return archive.rows(Region.circle(83.6, 22.0, 0.0))


def text_of(form: str, rows: pa.Table, words: WordTexts | None = None) -> bytes:
    """Rows in a form, whole."""
    return b"".join(ROW_FORMATS[form](rows, ABOUT, words))


def coded_with(rows: pa.Table, **texts: list[str]) -> pa.Table:
    """The rows as the edition would keep them, some columns with other texts; '' is unknown."""
    columns = {}
    for name in rows.column_names:
        values = rows.column(name).combine_chunks()
        if name in texts:
            values = pa.array(texts[name], pa.string())
        if pa.types.is_string(values.type):
            values = values.fill_null("").dictionary_encode()
        elif pa.types.is_floating(values.type):
            values = values.fill_null(float("nan"))
        columns[name] = values
    return pa.table(columns)


def with_texts(rows: pa.Table, texts: list[str], column: str = "object") -> pa.Table:
    """As many rows as texts, with the texts in one column."""
    several = pa.concat_tables([rows] * (len(texts) // len(rows) + 1)).slice(0, len(texts))
    at = several.column_names.index(column)
    return several.set_column(at, column, pa.array(texts, type=pa.string()))


def read_votable(content: bytes) -> Table:
    """Read strictly: what is amiss is an error."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        return parse(io.BytesIO(content), verify="exception").get_first_table().to_table()


def test_json(rows: pa.Table) -> None:
    body = json.loads(text_of("json", rows))
    assert list(body) == ["query", "edition", "count", "truncated", "exposures"]
    assert (body["count"], body["truncated"], body["edition"]) == (4, False, 1)
    assert body["exposures"] == rows.to_pylist()
    assert body["exposures"][3]["t_min"] is None
    assert body["exposures"][0]["object"] is None


def test_csv(rows: pa.Table) -> None:
    read = list(csv.DictReader(io.StringIO(text_of("csv", rows).decode(), newline="")))
    for line, row in zip(read, rows.to_pylist(), strict=True):
        for name, value in row.items():
            if value is None:
                assert line[name] == ""
            elif isinstance(value, str):
                assert line[name] == value
            else:
                assert float(line[name]) == value  # to the last bit


def same_table(read: Table, rows: pa.Table) -> None:
    """Check values, nulls, units and descriptions of a table that was read back."""
    assert read.colnames == rows.column_names
    for column in RESULT_COLUMNS:
        expected = rows.column(column.name).to_pylist()
        given_values = [
            None if value is np.ma.masked or str(value) in ("", "nan") else value
            for value in read[column.name]
        ]
        assert given_values == expected, column.name
        assert str(read[column.name].unit or "") == column.unit
        assert read[column.name].description == column.description


def test_ecsv(rows: pa.Table) -> None:
    read = Table.read(text_of("ecsv", rows).decode(), format="ascii.ecsv")
    same_table(read, rows)
    assert read["s_ra"].meta["ucd"] == "pos.eq.ra;meta.main"
    assert read["t_min"].mask.tolist() == [False, False, False, True]


def test_votable(rows: pa.Table) -> None:
    content = text_of("votable", rows)
    same_table(read_votable(content), rows)
    document = ElementTree.fromstring(content)
    space = "{http://www.ivoa.net/xml/VOTable/v1.3}"
    fields = {field.get("name"): field for field in document.iter(f"{space}FIELD")}
    for column in RESULT_COLUMNS:
        field = fields[column.name]
        assert field.get("ucd") == column.ucd
        assert field.get("unit", "") == column.unit
        datatypes = {"text": "unicodeChar", "float": "double", "int": "long"}
        assert field.get("datatype") == datatypes[column.kind]
        assert field.get("arraysize") == ("*" if column.kind == "text" else None)


READERS: dict[str, Any] = {
    "csv": lambda content: list(csv.DictReader(io.StringIO(content.decode(), newline=""))),
    "json": lambda content: json.loads(content)["exposures"],
    "votable": lambda content: table_rows(read_votable(content)),
    "votable-binary2": lambda content: table_rows(read_votable(content)),
    "ecsv": lambda content: table_rows(Table.read(content.decode(), format="ascii.ecsv")),
}


def table_rows(table: Table) -> list[dict[str, Any]]:
    """Rows of a Table as dicts, None for what is masked, empty or NaN."""
    columns = {name: np.ma.MaskedArray(table[name]).tolist() for name in table.colnames}
    for name, values in columns.items():
        columns[name] = [None if value in (None, "") or value != value else value
                         for value in values]  # fmt: skip
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def as_csv_reads(row: dict[str, Any]) -> dict[str, str]:
    """A row as the csv module gives it, numbers as Python writes them."""
    return {name: "" if value is None else str(value) for name, value in row.items()}


@pytest.mark.parametrize("form", READERS)
def test_every_value_of_many_rows_reads_back_equal(demo_archive: Archive, form: str) -> None:
    hits = demo_archive.find(Region.parse("circle 150 20 60"))
    expected = demo_archive.rows(Region.parse("circle 150 20 60")).to_pylist()
    assert len(expected) > 100
    words = WordTexts()
    coded = coded_table(demo_archive.edition, hits)
    content = text_of(form, coded, words)
    read = READERS[form](content)
    if form == "csv":  # 1e-05 and 0.00001 are one number
        numeric = [column.name for column in RESULT_COLUMNS if column.kind == "float"]
        for row in (*read, *(expected := [as_csv_reads(row) for row in expected])):
            row |= {name: float(row[name]) for name in numeric if row[name]}
    assert read == expected
    assert text_of(form, coded, words) == content  # with the words that were kept
    assert text_of(form, plain_table(coded)) == content


@pytest.mark.parametrize("form", READERS)
def test_the_answer_does_not_depend_on_how_it_is_written(
    rows: pa.Table, form: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = [*HOSTILE, "", "plain"] if form not in ("ecsv",) else ["", "plain", 'a "b", c']
    many = pa.concat_tables([rows] * 10).slice(0, len(kept))
    coded = coded_with(many, object=kept, plate=kept[::-1])
    content = text_of(form, coded, WordTexts())
    monkeypatch.setattr(row_texts, "_MOST_KEPT", 0)  # no words are kept
    assert text_of(form, coded, WordTexts()) == content
    monkeypatch.setattr(row_texts, "PIECE_ROWS", 3)
    pieces = list(ROW_FORMATS[form](coded, ABOUT, WordTexts()))
    assert len(pieces) > len(kept) / 3 and b"".join(pieces) == content
    assert text_of(form, plain_table(coded)) == content


# The awkward ones, and what reads back; JSON has no infinities (RFC 8259, section 6).
NUMBERS = [
    0.0, -0.0, 1e22, 1e-7, 1e-5, 5e-324, 1.7976931348623157e308, 300.0, 1e9, 1e10, 1e15, 0.1,
    123456789012.0, 2.0**53, 1 / 3, -12.5, float("inf"), float("-inf"), float("nan"),
]  # fmt: skip


def numbers_table(rows: pa.Table, numbers: list[float]) -> pa.Table:
    """As many rows as numbers, with the numbers in one column."""
    several = pa.concat_tables([rows] * (len(numbers) // len(rows) + 1)).slice(0, len(numbers))
    at = several.column_names.index("t_exptime")
    return several.set_column(at, "t_exptime", pa.array(numbers, from_pandas=True))


def same_number(read: float | None, number: float) -> bool:
    """Whether a number came back to the last bit, the sign of zero too; None for NaN."""
    if read is None:
        return bool(np.isnan(number))
    return read == number and np.signbit(read) == np.signbit(number)


def numbers_read(form: str, table: pa.Table) -> list[float | None]:
    read = [row["t_exptime"] for row in READERS[form](text_of(form, table))]
    return [None if value in (None, "") else float(value) for value in read]


@pytest.mark.parametrize("form", READERS)
def test_awkward_numbers_read_back(rows: pa.Table, form: str) -> None:
    numbers = NUMBERS if form != "json" else [n for n in NUMBERS if not np.isinf(n)]
    read = numbers_read(form, numbers_table(rows, numbers))
    for value, number in zip(read, numbers, strict=True):
        assert same_number(value, number), (value, number)
    if form == "json":
        content = text_of(form, numbers_table(rows, [300.0, float("inf"), float("nan")]))
        values = [row["t_exptime"] for row in json.loads(content)["exposures"]]
        assert values == [300.0, None, None]
        assert isinstance(values[0], float)  # a column has one type


@settings(max_examples=30, deadline=None)
@given(numbers=st.lists(st.floats(allow_infinity=False), min_size=1, max_size=40))
@pytest.mark.parametrize("form", ["csv", "json", "votable", "votable-binary2"])
def test_any_number_reads_back(rows: pa.Table, form: str, numbers: list[float]) -> None:
    read = numbers_read(form, numbers_table(rows, numbers))
    assert all(same_number(value, n) for value, n in zip(read, numbers, strict=True))


def test_parquet_is_written_group_by_group(rows: pa.Table, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parquet_pieces, "GROUP_ROWS", 3)
    pieces = list(ROW_FORMATS["parquet"](rows, ABOUT))
    assert [bool(piece) for piece in pieces] == [True, True, True]  # two groups and the end
    file = pq.ParquetFile(io.BytesIO(b"".join(pieces)))
    assert file.num_row_groups == 2 and file.read().to_pylist() == rows.to_pylist()


SAID: dict[str, Any] = {
    **ABOUT, "edition_date": "1931-02-03T04:05:06+00:00", "citation": "Fenn & \"Ives\" <1931>",
    "query": {"observer": "<b> \u2028 \x7f: '#\n", "series": ["QN", "WM"]},
}  # fmt: skip


def test_each_form_says_what_was_asked_and_of_which_edition(rows: pa.Table) -> None:
    def content(form: str) -> bytes:
        return b"".join(ROW_FORMATS[form](rows, SAID))

    provenance = {name: str(SAID[name]) for name in ("edition", "edition_date", "citation")}
    body = json.loads(content("json"))
    assert body["query"] == SAID["query"]
    assert {name: str(body[name]) for name in provenance} == provenance
    meta = Table.read(content("ecsv").decode(), format="ascii.ecsv").meta
    assert json.loads(meta.pop("query")) == SAID["query"]
    assert {name: str(value) for name, value in meta.items()} == provenance
    stored = pq.read_schema(io.BytesIO(content("parquet"))).metadata
    assert json.loads(stored[b"query"]) == SAID["query"]
    assert {name: stored[name.encode()].decode() for name in provenance} == provenance
    for form in ("votable", "votable-binary2"):
        infos = parse(io.BytesIO(content(form))).resources[0].infos
        told = {info.name: info.value for info in infos}
        assert json.loads(told["query"].replace("\ufffd", "\x7f")) == SAID["query"]
        assert {name: told[name] for name in provenance} == provenance
        assert told["QUERY_STATUS"] == "OK"


def test_parquet(rows: pa.Table) -> None:
    read = pq.read_table(io.BytesIO(text_of("parquet", rows)))
    assert read.to_pylist() == rows.to_pylist()
    assert read.column("object").null_count == 4
    assert read.schema.field("t_exptime").metadata == {
        b"unit": b"s",
        b"ucd": b"time.duration;obs.exposure",
        b"description": b"Exposure time",
    }


@pytest.mark.parametrize("form", list(ROW_FORMATS))
def test_answer_without_rows(archive: Archive, form: str) -> None:
    none = archive.rows(Region.circle(200.0, -80.0, 0.0), series="QN")
    content = text_of(form, none)
    if form == "json":
        assert json.loads(content)["exposures"] == []
    elif form == "csv":
        assert len(content.decode().splitlines()) == 1
    elif form in ("votable", "votable-binary2"):
        assert len(read_votable(content)) == 0
    elif form == "ecsv":
        assert len(Table.read(content.decode(), format="ascii.ecsv")) == 0
    elif form == "parquet":
        assert pq.read_table(io.BytesIO(content)).num_rows == 0
    else:
        assert content.startswith(b"No exposure")


def test_hostile_text_in_votable_is_well_formed(rows: pa.Table) -> None:
    content = text_of("votable", with_texts(rows, HOSTILE))
    ElementTree.fromstring(content)
    read = list(read_votable(content)["object"])
    for given_text, text in zip(HOSTILE, read, strict=True):
        if given_text.isprintable():
            assert text == given_text
    assert read[0] == "a\ufffdb"  # W3C XML 1.0, section 2.2: no NUL, not even escaped
    assert read[1] == "\ufffd[31mred\ufffd[0m"


def cells_of_csv(table: pa.Table) -> list[str]:
    """Cells of `object` in the CSV of a table, as a spreadsheet gets them."""
    lines = io.StringIO(text_of("csv", table).decode(), newline="")
    return [row["object"] for row in csv.DictReader(lines)]


def without_marks(cells: list[str]) -> list[str]:
    """Texts as they were, by the rule that README gives to programs."""
    return [re.sub("^'(?='*[=+\\-@\t\r\n\uff1d\uff0b\uff0d\uff20])", "", cell) for cell in cells]


def test_no_cell_of_csv_begins_a_formula(rows: pa.Table) -> None:
    # characters that begin a formula in spreadsheets, wide forms included: common practice
    formulas = [
        "=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "\uff1d1", "\uff0b1", "\uff0d1",
        "\uff201", "='a\"b'", "=HYPERLINK(\"https://x.example\",\"a, b\")",
    ]  # fmt: skip
    others = ["'tis", "''", "1-1", "a=b", "\uff01", "caf\xe9", " =1"]
    quoted = ["'=1", "''=1"]
    texts = [*formulas, *others, *quoted]
    for kept in (20_000, 0):  # words made safe beforehand, or text by text
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(row_texts, "_MOST_KEPT", kept)
            many = pa.concat_tables([rows] * 10).slice(0, len(texts))
            cells = cells_of_csv(coded_with(many, object=texts))
        assert cells == [f"'{t}" for t in formulas] + others + [f"'{t}" for t in quoted]
        assert without_marks(cells) == texts
    numbers = rows.slice(0, 1).set_column(
        rows.column_names.index("s_dec"), "s_dec", pa.array([-60.5])
    )
    assert b",-60.5," in text_of("csv", numbers)  # a number stays one


def test_hostile_text_in_csv_json_and_parquet_is_kept(rows: pa.Table) -> None:
    table = with_texts(rows, HOSTILE)
    assert without_marks(cells_of_csv(table)) == HOSTILE
    assert b"<" not in text_of("json", table)  # no tag of HTML, wherever it is pasted
    body = json.loads(text_of("json", table))
    assert [row["object"] for row in body["exposures"]] == HOSTILE
    read = pq.read_table(io.BytesIO(text_of("parquet", table)))
    assert read.column("object").to_pylist() == HOSTILE


def test_hostile_text_in_ecsv_reads_back(rows: pa.Table) -> None:
    kept = [text for text in HOSTILE if text.isprintable()]
    content = text_of("ecsv", with_texts(rows, kept)).decode()
    assert list(Table.read(content, format="ascii.ecsv")["object"]) == kept


def test_terminal_table_controls_no_terminal(rows: pa.Table) -> None:
    for column in ("object", "observer", "exposure_id"):
        shown = text_of("table", with_texts(rows, HOSTILE, column)).decode()
        assert len(shown.split("\n")) == len(HOSTILE) + 3  # head, rows, sum, line end
        assert all(letter.isprintable() for letter in shown.replace("\n", ""))
        assert max(map(len, shown.split("\n"))) < 300


@settings(max_examples=40, deadline=None)
@given(text=st.text(st.characters(exclude_categories=["Cs"]), max_size=30))
def test_any_text_survives(rows: pa.Table, text: str) -> None:
    table = with_texts(rows, [text])
    ElementTree.fromstring(text_of("votable", table))
    body = json.loads(text_of("json", table))
    assert body["exposures"][0]["object"] == text
    (cell,) = cells_of_csv(table)
    assert without_marks([cell]) == [text] and not cell.startswith(tuple("=+-@\t\r"))
    assert printable(text_of("table", table).decode()).isprintable()


def test_terminal_table_sums_up(rows: pa.Table) -> None:
    lines = text_of("table", rows).decode().splitlines()
    assert lines[0].split()[:3] == ["exposure", "UT", "min"]
    assert lines[1].startswith("QN-1-1    1905-03-04 21:30  30.0")
    assert "undated" in lines[4]
    assert lines[-1].startswith("4 exposures on 4 plates: 4 sure, 0 marginal; 1 undated")


def test_aligned_cuts_long_cells_and_ends_numbers_flush() -> None:
    shown = aligned(("a", "n"), [("x" * 99, 5), ("y", 12345)], right=(1,)).splitlines()
    assert shown[1].endswith("~      5")
    assert shown[2].endswith(" 12345")
    assert {len(line) for line in shown} == {len(shown[0])}


def epochs_answer(archive: Archive, **filters: Any) -> dict[str, Any]:
    """An answer of `epochs` over decades."""
    return archive.epochs(Region.circle(83.6, 22.0, 1.0), 10, **filters)


def test_epochs_json_is_the_answer(archive: Archive) -> None:
    answer = epochs_answer(archive)
    assert json.loads(EPOCH_FORMATS["json"](answer)) == answer


def test_epochs_csv_has_a_column_a_series(archive: Archive) -> None:
    answer = epochs_answer(archive)
    read = list(csv.DictReader(io.StringIO(EPOCH_FORMATS["csv"](answer).decode(), newline="")))
    assert [row["from"] for row in read] == ["1900", "1910", "1920"]
    assert [row["exposures"] for row in read] == ["2", "0", "1"]
    assert [(row["QN"], row["WM"]) for row in read] == [("2", "0"), ("0", "0"), ("0", "1")]
    assert [float(row["covered_deg2"]) for row in read] == [
        each["covered_deg2"] for each in answer["bins"]
    ]


def test_epochs_table_shows_bins_gap_and_undated(archive: Archive) -> None:
    lines = EPOCH_FORMATS["table"](epochs_answer(archive)).decode().splitlines()
    assert lines[1].split()[:3] == ["1900-1909", "2", "2"]
    assert lines[1].endswith("#" * 60)
    assert lines[3].endswith(" " + "#" * 30)
    assert any(line.startswith("longest gap 1906.1") for line in lines)
    assert lines[-1] == "undated exposures of the region: 1"


def test_epochs_of_nothing(archive: Archive) -> None:
    answer = epochs_answer(archive, undated="only")
    assert EPOCH_FORMATS["table"](answer).decode().startswith("No dated exposure")
    assert EPOCH_FORMATS["csv"](answer) == b"from,to,exposures,plates,covered_deg2\r\n"
    assert json.loads(EPOCH_FORMATS["json"](answer))["first"] is None
