"""Which form an answer takes, and every form as other people's libraries read it."""

import csv
import io
import json
import warnings
from collections.abc import Iterator
from typing import Any
from urllib.parse import quote, unquote

import pandas
import pyarrow.parquet as pq
import pytest
from astropy.io.votable import parse
from astropy.table import Table
from flask.testing import FlaskClient
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.small_archive import PLATES, Place
from werkzeug.test import TestResponse

from platecover.coverage.archive import Archive
from platecover.service.app import create_app
from platecover.service.questions import ROW_FORMS

CONE = "/cone?RA=83.6&DEC=22&SR=1&VERB=3"
ROWS = "/api/exposures?ra=83.6&dec=22&radius=1"
XML = "text/xml; charset=utf-8"
BINARY2 = "application/x-votable+xml; serialization=BINARY2"
CSV = "text/csv; charset=utf-8; header=present"
PARQUET = "application/vnd.apache.parquet"
# What browsers and libraries send when nobody chose anything (from memory).
NO_CHOICE = (
    "*/*", "", "text/html,application/xhtml+xml,application/xml;q=0.9,image/avif,*/*;q=0.8",
    "text/html,application/xhtml+xml,application/xml;q=0.9,image/webp,image/apng,*/*;q=0.8,"
    "application/signed-exchange;v=b3;q=0.7", "text/*", "application/*;q=0.5",
    "application/json, text/plain, */*",  # two of ours
)  # fmt: skip


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Place:
    rows = [*PLATES, {**PLATES[0], "plate": "QN 9", "observer": "=Ä\"'<b>", "object": "-16 1591"}]
    return Place(tmp_path_factory.mktemp("forms")).build(rows)


@pytest.fixture(scope="module")
def client(place: Place) -> Iterator[FlaskClient]:
    yield create_app(place.archive).test_client()


def accepting(client: FlaskClient, path: str, accept: str) -> TestResponse:
    return client.get(path, headers={"Accept": accept})


@pytest.mark.parametrize(
    ("asked", "content_type"),
    [
        ("votable", XML), ("VOTable", XML), ("text/xml", XML), ("TEXT/XML", XML),
        ("application/x-votable+xml", "application/x-votable+xml"),
        ("application/x-votable%2Bxml", "application/x-votable+xml"),  # with its + escaped
        ("Application/X-VOTable%2BXML", "application/x-votable+xml"),
        ("application/x-votable+xml;serialization=TABLEDATA", "application/x-votable+xml"),
        ("application/x-votable%2Bxml;%20serialization=binary2", BINARY2),
        ("text/xml;serialization=BINARY2", "text/xml; serialization=BINARY2"),
        ("text/xml;content=x-votable", XML), ("votable-binary2", BINARY2),
        ("csv", CSV), ("CSV", CSV), ("text/csv", CSV), ("text/csv;header=present", CSV),
        ("json", "application/json"), ("application/json", "application/json"),
        ("ecsv", "text/plain; charset=utf-8"), ("text/ecsv", "text/ecsv; charset=utf-8"),
        ("parquet", PARQUET), (PARQUET, PARQUET),
    ],
)  # fmt: skip
def test_responseformat(client: FlaskClient, asked: str, content_type: str) -> None:
    # DALI 1.1, section 3.4.3: short forms and media types; the type that was named comes back
    answer = client.get(f"{CONE}&RESPONSEFORMAT={asked}")
    assert answer.status_code == 200
    assert answer.headers["Content-Type"] == content_type
    assert "Accept" not in answer.vary  # no header was looked at
    form = {"RA": "83.6", "DEC": "22", "SR": "1", "VERB": "3", "responseformat": unquote(asked)}
    posted = client.post("/cone", data=form)
    assert posted.headers["Content-Type"] == content_type
    again = accepting(client, f"{CONE}&RESPONSEFORMAT={asked}", "text/csv")
    assert again.data == answer.data


@pytest.mark.parametrize(
    "asked",
    ["fits", "tsv", "text/html", "application/xml", "image/png", "xml", "csv,json", "votable csv",
     "application/x-votable+xml;serialization=FITS", "text/csv;header=absent", "../csv", "%00",
     "text/csv;charset=latin-1", "png", "table", "x" * 900, "x" * 5000, "%3Cb%3E", "text/xml;="
     "application/x-votable+xml;content=datalink", "", "%20"],
)  # fmt: skip
def test_unknown_responseformats_are_errors(client: FlaskClient, asked: str) -> None:
    # DALI 1.1, section 3.4.3, with the error document of the path
    answer = client.get(f"{CONE}&RESPONSEFORMAT={asked}")
    document = parse(io.BytesIO(answer.data), verify="exception")
    assert "RESPONSEFORMAT" in document.infos[0].value and len(answer.data) < 3000


@pytest.mark.parametrize("path", [CONE, ROWS, "/api/epochs?bin=decade"])
@pytest.mark.parametrize("accept", NO_CHOICE)
def test_no_choice_gives_the_default(client: FlaskClient, path: str, accept: str) -> None:
    answer = accepting(client, path, accept)
    assert answer.mimetype == ("text/xml" if path == CONE else "application/json")
    assert "Accept" in answer.vary


@pytest.mark.parametrize(
    ("accept", "content_type"),
    [
        ("text/csv", CSV), ("text/csv, */*;q=0.1", CSV), ("TEXT/CSV; q=0.3", CSV),
        ("image/png, text/csv;q=0.2", CSV), ("text/csv;q=0.5, application/json;q=0.2", CSV),
        ("application/json;q=0, text/csv", CSV), ("text/html, text/csv;header=present", CSV),
        ("application/json, */*;q=0.01", "application/json"),
        ("application/x-votable+xml", "application/x-votable+xml"), ("text/xml", XML),
        ("application/x-votable+xml;serialization=BINARY2", BINARY2),
        ("text/ecsv", "text/ecsv; charset=utf-8"), (PARQUET, PARQUET),
        ("application/x-votable+xml, text/xml;q=0.8", "application/x-votable+xml"),
    ],
)  # fmt: skip
@pytest.mark.parametrize("path", [CONE, ROWS])
def test_accept_chooses(client: FlaskClient, path: str, accept: str, content_type: str) -> None:
    # RFC 9110, section 12.5.1
    answer = accepting(client, path, accept)
    assert answer.headers["Content-Type"] == content_type
    assert "Accept" in answer.vary
    tagged = client.get(path, headers={"Accept": "*/*", "If-None-Match": answer.headers["ETag"]})
    assert tagged.status_code == 200  # what another Accept got is not this answer


@pytest.mark.parametrize(
    "accept", ["text/csv, application/json", "text/csv;q=0", "text/csv;q=0.1, */*", "image/png",
               "text/csv;header=absent", ";;;,,q=", "\xff", "text/csv;q=nan", "a" * 5000],
)  # fmt: skip
def test_what_chooses_nothing(client: FlaskClient, accept: str) -> None:
    assert accepting(client, ROWS, accept).mimetype == "application/json"


def test_format_goes_before_accept(client: FlaskClient) -> None:
    answer = accepting(client, f"{ROWS}&format=csv", "application/json")
    assert answer.mimetype == "text/csv" and "Accept" not in answer.vary
    picture = accepting(client, "/api/epochs?region=all", "image/svg+xml")
    assert picture.mimetype == "image/svg+xml" and b"<svg" in picture.data
    assert accepting(client, "/api/epochs", PARQUET).mimetype == "application/json"


def read_votable(content: bytes) -> Table:
    with warnings.catch_warnings():
        # the UCDs that Simple Cone Search wants are older than those that astropy knows (W06)
        warnings.filterwarnings("ignore", "(?s).*Invalid UCD")
        return parse(io.BytesIO(content), verify="warn").get_first_table().to_table()


def rows_of(table: Table) -> list[dict[str, Any]]:
    return [
        {
            name: None if str(cell) in ("--", "nan", "") else cell
            for name, cell in zip(table.colnames, row, strict=True)
        }
        for row in table
    ]


def from_pandas(frame: pandas.DataFrame) -> list[dict[str, Any]]:
    rows = frame.astype(object).where(frame.notna(), None).to_dict("records")
    return [{str(name): value for name, value in row.items()} for row in rows]


def csv_by_pandas(content: bytes) -> list[dict[str, Any]]:
    rows = from_pandas(pandas.read_csv(io.BytesIO(content), engine="python"))
    for row in rows:  # the rule that README gives to programs
        for name in ("observer", "object"):
            row[name] = row[name] and row[name].removeprefix("'")
    return rows


READERS: dict[str, Any] = {
    "votable": lambda content: rows_of(read_votable(content)),
    "votable-binary2": lambda content: rows_of(read_votable(content)),
    "ecsv": lambda content: rows_of(Table.read(content.decode(), format="ascii.ecsv")),
    "json": lambda content: json.loads(content)["exposures"],
    "csv": csv_by_pandas,
    "parquet": lambda content: from_pandas(pandas.read_parquet(io.BytesIO(content))),
}


@pytest.mark.parametrize("form", READERS)
def test_libraries_read_every_form(client: FlaskClient, place: Place, form: str) -> None:
    assert set(READERS) == set(ROW_FORMS)
    expected = rows_of_python(place)
    assert len(expected) == 5
    assert READERS[form](client.get(f"{ROWS}&format={form}").data) == expected
    of_cone = READERS[form](client.get(f"{CONE}&RESPONSEFORMAT={form}").data)
    for row in of_cone:
        assert row.pop("s_fov") > 0
    assert of_cone == expected


def rows_of_python(place: Place) -> list[dict[str, Any]]:
    table = Archive.open(place.archive).cone(83.6, 22.0, 1.0)
    return rows_of(table)


def test_astropy_and_csv_alone_read_csv(client: FlaskClient) -> None:
    text = client.get(f"{ROWS}&format=csv").data.decode()
    table = Table.read(text, format="ascii.csv")
    assert len(table) == 5 == len(list(csv.reader(io.StringIO(text, newline="")))) - 1
    assert "'-16 1591" in list(table["object"])


def test_parquet_says_what_its_columns_are(client: FlaskClient) -> None:
    schema = pq.read_schema(io.BytesIO(client.get(f"{ROWS}&format=parquet").data))
    facts = schema.field("s_ra").metadata
    assert (facts[b"unit"], facts[b"ucd"]) == (b"deg", b"pos.eq.ra;meta.main")
    assert json.loads(schema.metadata[b"query"])["region"] == "circle 83.6 22 1"
    assert b"Brackwater" in schema.metadata[b"citation"]


def test_a_cut_answer_says_so_in_every_form(client: FlaskClient) -> None:
    for form in READERS:
        for path in (f"{CONE}&MAXREC=2&RESPONSEFORMAT={form}", f"{ROWS}&maxrec=2&format={form}"):
            answer = client.get(path)
            assert answer.headers["Platecover-Truncated"] == "yes"
            assert len(READERS[form](answer.data)) == 2


@settings(max_examples=150, deadline=None)
@given(
    text=st.one_of(
        st.text(st.characters(min_codepoint=32, max_codepoint=255), max_size=60),
        st.lists(
            st.sampled_from(
                ["text/csv", "text/xml", "*/*", "q=0.5", ";", ",", "=", '"', " ", "serialization",
                 "BINARY2", "charset*=utf-8''x", "application/json", "q=", "1e9", "-1"]
            ),
            max_size=12,
        ).map("".join),
    )
)  # fmt: skip
def test_any_text_is_answered(client: FlaskClient, text: str) -> None:
    for path in (ROWS, CONE):
        answer = accepting(client, path, text)
        assert answer.status_code == 200 and b'name="Error"' not in answer.data
    answer = client.get(f"{CONE}&RESPONSEFORMAT={quote(text)}")
    assert answer.status_code == 200 and "text/html" not in answer.headers["Content-Type"]
