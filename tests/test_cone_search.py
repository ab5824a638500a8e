"""/cone against Simple Cone Search 1.03 (IVOA REC, 2008, errata 1 to 3), line by line."""

import io
import warnings
import xml.etree.ElementTree as ElementTree
from collections.abc import Iterator

import numpy as np
import pytest
from astropy.io.votable import parse
from astropy.io.votable.exceptions import W06
from astropy.io.votable.tree import TableElement, VOTableFile
from flask.testing import FlaskClient
from tests.hostile_queries import hostile_cone_queries
from tests.small_archive import PLATES, Place

from platecover.coverage.archive import Archive
from platecover.coverage.columns import RESULT_COLUMNS
from platecover.service.app import create_app
from platecover.service.settings import Settings
from platecover.service.votable import error_document

ASKED = "/cone?RA=83.6&DEC=22&SR=1"
_OLD_UCDS = "(?s).*Invalid UCD '(ID_MAIN|POS_EQ_(RA|DEC)_MAIN|OBS_ANG-SIZE)'"
HOSTILE = "R\u00e9sum\u00e9 <b>&amp;\"'</b> ]]> \u2028 \U0001f52d"  # and a carriage return


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Place:
    rows = [*PLATES, {**PLATES[0], "plate": "QN 9", "observer": HOSTILE, "object": "a\rb"}]
    return Place(tmp_path_factory.mktemp("cone")).build(rows)


@pytest.fixture(scope="module")
def client(place: Place) -> Iterator[FlaskClient]:
    yield create_app(place.archive).test_client()


def document_of(client: FlaskClient, path: str) -> VOTableFile:
    answer = client.get(path)
    assert answer.status_code == 200
    assert answer.mimetype == "text/xml"
    # the UCDs that Simple Cone Search wants are older than those that astropy knows (W06)
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", _OLD_UCDS, W06)
        return parse(io.BytesIO(answer.data), verify="warn")


def table_of(client: FlaskClient, path: str) -> TableElement:
    document = document_of(client, path)
    assert len(document.resources) == 1 and not document.resources[0].resources
    assert document.resources[0].type == "results"
    (table,) = document.resources[0].tables
    return table


def ids_of(client: FlaskClient, path: str) -> list[str]:
    return [str(each) for each in table_of(client, path).array["exposure_id"]]


def infos_of(client: FlaskClient, path: str) -> dict[str, str]:
    return {info.name: info.value for info in document_of(client, path).resources[0].infos}


def error_of(client: FlaskClient, path: str, status: int = 200) -> str:
    """Message of an error document: one INFO named Error, in a legal place, and a RESOURCE."""
    answer = client.get(path)
    assert answer.status_code == status, path
    assert answer.mimetype == "text/xml"
    document = parse(io.BytesIO(answer.data), verify="exception")
    errors = [info for info in document.infos if info.name == "Error"]
    assert len(errors) == 1 and len(document.resources) == 1
    assert not document.resources[0].tables
    assert errors[0].value
    return str(errors[0].value)


def test_rows_are_those_of_python(client: FlaskClient, place: Place) -> None:
    archive = Archive.open(place.archive)
    for ra, dec, radius in ((83.6, 22.0, 1.0), (350.0, -60.0, 5.0), (0.0, 90.0, 180.0)):
        expected = archive.cone(ra, dec, radius)
        table = table_of(client, f"/cone?RA={ra}&DEC={dec}&SR={radius}&VERB=3").array
        assert table.dtype.names == (*(column.name for column in RESULT_COLUMNS), "s_fov")
        assert len(table) == len(expected) > 0
        for column in RESULT_COLUMNS:
            if column.kind == "text":
                assert list(table[column.name].filled("")) == list(expected[column.name].filled(""))
            else:
                np.testing.assert_array_equal(
                    np.ma.filled(table[column.name].astype(float), np.nan),
                    np.ma.filled(expected[column.name].astype(float), np.nan),
                )


def test_base_address_with_other_arguments_and_empty_pairs(client: FlaskClient) -> None:
    # section 2 (1): GET on a base URL that ends in ? or &
    expected = ids_of(client, ASKED)
    assert expected
    assert ids_of(client, "/cone?cat=plates&&RA=83.6&DEC=22&SR=1") == expected
    assert ids_of(client, "/cone?SR=1&DEC=22&RA=83.6") == expected  # any order
    assert ids_of(client, "/cone?ra=83.6&Dec=22&sR=1") == expected  # DALI 1.1 section 3.1
    assert ids_of(client, f"{ASKED}&frobnicate=9&TIME=1900") == expected  # unknown: ignored
    assert ids_of(client, "/cone?RA=+83.6&DEC=%2B22&SR=1e0") == expected


@pytest.mark.parametrize(
    ("query", "says"),
    [
        ("DEC=22&SR=1", "RA is missing"),
        ("RA=83.6&SR=1", "DEC is missing"),
        ("RA=83.6&DEC=22", "SR is missing"),
        ("", "RA is missing"),
        ("RA=as3f&DEC=22&SR=1", "RA must be a decimal number from 0 to 360, got 'as3f'"),
        ("RA=&DEC=22&SR=1", "RA has no value"),
        ("RA=nan&DEC=22&SR=1", "got 'nan'"),
        ("RA=83.6&DEC=inf&SR=1", "got 'inf'"),
        ("RA=83.6&DEC=22&SR=1_0", "got '1_0'"),
        ("RA=83.6&DEC=91&SR=1", "DEC must be a number from -90 to 90, got '91'"),
        ("RA=83.6&DEC=-90.001&SR=1", "from -90 to 90"),
        ("RA=360.01&DEC=22&SR=1", "RA must be a number from 0 to 360"),
        ("RA=-1&DEC=22&SR=0", "RA must be a number from 0 to 360"),  # checked before SR=0
        ("RA=83.6&DEC=22&SR=-1", "SR must be a number from 0 to 180"),
        ("RA=83.6&DEC=22&SR=181", "SR must be a number from 0 to 180"),
        ("RA=83.6&DEC=22&SR=1&RA=83.6", "RA takes one value, got 2"),
        ("RA=83.6&DEC=22&SR=1&sr=1", "SR takes one value, got 2"),
        ("RA=83.6&DEC=22&SR=1&MAXREC=-1", "MAXREC must be a whole number from 0 up"),
        ("RA=83.6&DEC=22&SR=1&MAXREC=few", "MAXREC must be a whole number"),
        ("RA=83.6&DEC=22&SR=1&VERB=lots", "VERB must be a whole number"),
        ("RA=%22%3E%3Cb%3E%00&DEC=22&SR=1", "RA must be"),
    ],
)
def test_errors_are_documents(client: FlaskClient, query: str, says: str) -> None:
    # section 2 (3) with errata 1 and 3
    assert says in error_of(client, f"/cone?{query}")


def test_error_documents_hold_any_text() -> None:
    text = "<b> & \"quoted\" 'too' \x00\x0b\ud800\r\n end"
    document = parse(io.BytesIO(error_document(text)), verify="exception")
    (error,) = document.infos
    assert error.value.startswith("<b> & \"quoted\" 'too' ") and error.value.endswith(" end")


def test_a_setting_makes_errors_http_400(place: Place) -> None:
    client = create_app(place.archive, Settings(cone_errors_are_http_400=True)).test_client()
    assert "DEC is missing" in error_of(client, "/cone?RA=1&SR=1", 400)


def test_a_setting_limits_the_radius(place: Place) -> None:
    client = create_app(place.archive, Settings(largest_radius_deg=2.0)).test_client()
    assert "from 0 to 2" in error_of(client, "/cone?RA=1&DEC=1&SR=2.5")


def test_other_refusals_are_documents_too(client: FlaskClient) -> None:
    answer = client.delete("/cone")
    assert answer.status_code == 405 and "POST" in answer.headers["Allow"]
    assert b'name="Error"' in answer.data
    error_of(client, "/cone/", 404)


def test_no_hits_is_no_error(client: FlaskClient) -> None:
    empty, full = table_of(client, "/cone?RA=200&DEC=80&SR=0.1"), table_of(client, ASKED)
    assert len(empty.array) == 0
    assert [each.name for each in empty.fields] == [each.name for each in full.fields]


@pytest.mark.parametrize("radius", ["0", "0.0", "0e0", "-0"])
def test_radius_zero_asks_for_the_columns(client: FlaskClient, radius: str) -> None:
    path = f"/cone?RA=83.6&DEC=22&SR={radius}"
    table = table_of(client, path)
    assert len(table.array) == 0 and len(table.fields) > 3
    infos = infos_of(client, path)
    assert infos["QUERY_STATUS"] == "OK"
    # the address it offers for the point itself answers
    rows = client.get(infos["point_search"]).get_json()
    assert rows["query"]["region"] == "circle 83.6 22 0"
    assert sorted(each["exposure_id"] for each in rows["exposures"]) == sorted(
        ids_of(client, "/cone?RA=83.6&DEC=22&SR=1e-6")
    )


@pytest.mark.parametrize("verbosity", ["", "&VERB=1", "&VERB=2", "&VERB=3"])
def test_mandatory_fields(client: FlaskClient, verbosity: str) -> None:
    table = table_of(client, ASKED + verbosity)
    by_ucd: dict[str, list[str]] = {}
    for each in table.fields:
        by_ucd.setdefault(each.ucd, []).append(each.name)
        assert each.description and each.datatype
        assert each.unit is not None or each.datatype != "double", each.name
    assert by_ucd["ID_MAIN"] == ["exposure_id"]
    assert by_ucd["POS_EQ_RA_MAIN"] == ["s_ra"]
    assert by_ucd["POS_EQ_DEC_MAIN"] == ["s_dec"]
    field = {each.name: each for each in table.fields}
    assert field["exposure_id"].datatype == "char" and field["exposure_id"].arraysize == "*"
    for name in ("s_ra", "s_dec"):
        assert field[name].datatype == "double" and field[name].arraysize is None
        assert str(field[name].unit) == "deg"
        assert field[name].ref == "icrs"
    ids = [str(each) for each in table.array["exposure_id"]]
    assert len(set(ids)) == len(ids)


def test_verbosity(client: FlaskClient) -> None:
    counts = [len(table_of(client, f"{ASKED}&VERB={verb}").fields) for verb in (1, 2, 3)]
    assert counts[0] == 3 < counts[1] < counts[2] == len(RESULT_COLUMNS) + 1
    for verb in ("", "&VERB=0", "&VERB=7", "&verb=2"):  # none, and those that mean nothing
        assert len(table_of(client, ASKED + verb).fields) == counts[1]


def test_version_and_descriptions(client: FlaskClient) -> None:
    document = document_of(client, ASKED)
    assert document.version.startswith("1.")
    assert "Brackwater" in document.description
    table = document.get_first_table()
    assert "exposed area" in table.description and "meets the cone" in table.description
    times = [each for each in document.resources[0].time_systems]
    assert [each.timescale for each in times] == ["UT"]
    assert {each.name: each.ref for each in table.fields}["t_min"] == times[0].ID
    assert infos_of(client, ASKED)["edition"] == "1"


def test_truncation_is_told(client: FlaskClient) -> None:
    everything = ids_of(client, ASKED)
    for limit in (0, 1, len(everything) - 1):
        path = f"{ASKED}&MAXREC={limit}"
        assert ids_of(client, path) == everything[:limit]
        assert infos_of(client, path)["QUERY_STATUS"] == "OVERFLOW"
        assert f"first {limit} rows" in table_of(client, path).description
    for limit in (len(everything), 10**12):
        path = f"{ASKED}&MAXREC={limit}"
        assert ids_of(client, path) == everything
        assert infos_of(client, path)["QUERY_STATUS"] == "OK"


def test_hostile_text_comes_through(client: FlaskClient) -> None:
    table = table_of(client, f"{ASKED}&VERB=3").array
    assert HOSTILE in list(table["observer"])
    assert "a\rb" in list(table["object"])


def test_get_post_and_head_agree(client: FlaskClient) -> None:
    got = client.get(ASKED)
    assert client.post("/cone", data={"RA": "83.6", "DEC": "22", "SR": "1"}).data == got.data
    head = client.head(ASKED)
    assert head.data == b"" and head.status_code == 200
    assert head.content_length == got.content_length


def test_hidden_columns_stay_hidden(place: Place) -> None:
    client = create_app(place.archive, Settings(public_columns="plate")).test_client()
    names = [each.name for each in table_of(client, f"{ASKED}&VERB=3").fields]
    assert names == ["exposure_id", "plate", "s_ra", "s_dec"]


def test_hostile_queries_get_error_documents(client: FlaskClient) -> None:
    for path in hostile_cone_queries(300, seed=1908):
        error_of(client, path)


def test_the_document_has_its_elements_in_order(client: FlaskClient) -> None:
    # VOTable 1.4, schema: a RESOURCE holds INFO, then COOSYS and TIMESYS, then TABLE
    root = ElementTree.fromstring(client.get(ASKED).data)
    names = [child.tag.rpartition("}")[2] for child in root]
    assert names == ["DESCRIPTION", "RESOURCE"]
    within = [child.tag.rpartition("}")[2] for child in root[1]]
    infos = within.count("INFO")
    assert within == ["INFO"] * infos + ["COOSYS", "TIMESYS", "TABLE"]
