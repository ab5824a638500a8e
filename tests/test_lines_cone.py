"""Simple Cone Search 1.03 line by line, against a running server.

M lines are what IVOA REC-SCS-1.03 (2008, errata 1 to 3) demands, S lines what it, DALI 1.1 or the
validator rules of the IVOA's Registry of Registries recommend, Y lines what is allowed.
"""

import http.client
import io
import random
import urllib.parse
import warnings
from collections.abc import Iterator
from functools import cache
from itertools import permutations
from xml.etree import ElementTree

import numpy as np
import pytest
import pyvo
from astropy import units as u
from astropy.coordinates import SkyCoord
from astropy.io.votable import parse
from astropy.io.votable.exceptions import W06
from astropy.io.votable.tree import TableElement, VOTableFile
from tests.hostile_queries import NOT_NUMBERS, UNKNOWN
from tests.running_server import Answer, RunningServer, serving
from tests.small_archive import PLATES, Place
from tests.votable_schema import complaints

from platecover.coverage.archive import Archive
from platecover.service.app import create_app
from platecover.service.settings import Settings

VOTABLE = "{http://www.ivoa.net/xml/VOTable/v1.3}"
GOOD = {"RA": "83.6", "DEC": "22", "SR": "1"}
FORM = "application/x-www-form-urlencoded"
OLD_UCDS = "(?s).*Invalid UCD '(ID_MAIN|POS_EQ_(RA|DEC)_MAIN|OBS_ANG-SIZE)'"
HOSTILE = "<b> & \"q\" 'a' ]]> \xe9 \U0001f52d"


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Place:
    rows = [*PLATES, {**PLATES[0], "plate": "QN 9", "observer": HOSTILE}]
    return Place(tmp_path_factory.mktemp("lines")).build(rows)


@pytest.fixture(scope="module")
def server(place: Place) -> Iterator[RunningServer]:
    with serving(place.folder, "serve", "--archive", place.archive, "--port", 0) as running:
        yield running
        assert "Traceback" not in running.complaints.read_text()


def asked(server: RunningServer, **changes: str | None) -> Answer:
    """The good question, some parameters changed or (None) left out."""
    pairs = {**GOOD, **changes}
    given = {name: value for name, value in pairs.items() if value is not None}
    return server.ask(f"/cone?{urllib.parse.urlencode(given)}")


def document_of(answer: Answer) -> VOTableFile:
    assert answer.status == 200
    assert answer.headers["Content-Type"] == "text/xml; charset=utf-8"
    assert complaints(answer.body) == ""
    # the UCDs that the standard wants are older than those that astropy knows (W06)
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", OLD_UCDS, W06)
        return parse(io.BytesIO(answer.body), verify="warn")


def table_of(answer: Answer) -> TableElement:
    (resource,) = document_of(answer).resources
    (table,) = resource.tables
    return table


def ids_of(answer: Answer) -> list[str]:
    return [str(each) for each in table_of(answer).array["exposure_id"]]


def infos_of(answer: Answer) -> dict[str, str]:
    return {info.name: info.value for info in document_of(answer).resources[0].infos}


def error_of(answer: Answer) -> str:
    """Message of an answer that must be an error document."""
    document = document_of(answer)
    errors = [info.value for info in document.infos if info.name == "Error"]
    assert len(errors) == 1 and errors[0]
    assert not any(resource.tables for resource in document.resources)
    return str(errors[0])


# --- demanded ------------------------------------------------------------------------------


def test_M01_base_url_ending_in_question_mark_or_ampersand(server: RunningServer) -> None:
    # SCS 1.03, section 2 (1)
    query = urllib.parse.urlencode(GOOD)
    expected = ids_of(asked(server))
    assert len(expected) == 5
    for base in ("/cone?", "/cone?cat=plates&", "/cone?a=b&&", "/cone?&", "/cone?cat=x&a=&"):
        assert ids_of(server.ask(base + query)) == expected, base


def test_M02_any_order(server: RunningServer) -> None:
    expected = asked(server).body
    for order in permutations(GOOD):
        query = urllib.parse.urlencode({name: GOOD[name] for name in order})
        assert ids_of(server.ask(f"/cone?{query}")) == ids_of(asked(server))
        assert server.ask(f"/cone?{query}").body == expected


@pytest.mark.parametrize("name", GOOD)
def test_M03_a_missing_parameter_is_an_error(server: RunningServer, name: str) -> None:
    # section 2 (3)
    assert f"{name} is missing" in error_of(asked(server, **{name: None}))


@pytest.mark.parametrize("name", GOOD)
def test_M04_what_is_no_number_is_an_error(server: RunningServer, name: str) -> None:
    for text in ("as3f", *NOT_NUMBERS):
        assert name in error_of(asked(server, **{name: text}))
    for text in ("10.5", "+10.5", " 10.5 ", "1.05e1", "1E1", ".5", "10."):  # numbers all
        assert table_of(asked(server, **{name: text})) is not None


@pytest.mark.parametrize(
    ("name", "text"),
    [("DEC", "91"), ("DEC", "-90.001"), ("DEC", "1e9"), ("RA", "-0.1"), ("RA", "360.01"),
     ("SR", "-1"), ("SR", "180.01"), ("SR", "-1e-300")],
)  # fmt: skip
def test_M05_out_of_range_is_an_error(server: RunningServer, name: str, text: str) -> None:
    assert f"{name} must be a number from" in error_of(asked(server, **{name: text}))
    for edge in ({"RA": "0"}, {"RA": "360"}, {"DEC": "90"}, {"DEC": "-90"}, {"SR": "180"}):
        assert table_of(asked(server, **edge)) is not None
    assert "DEC" in error_of(asked(server, DEC="91", SR="0"))  # before SR=0 is seen


def test_M06_unknown_parameters_are_ignored(server: RunningServer) -> None:
    expected = ids_of(asked(server))
    for name in UNKNOWN:
        if name.lower() not in ("ra", "sr"):  # in any case they are the standard's own
            assert ids_of(asked(server, **{name: "1"})) == expected, name
    assert ids_of(asked(server, TIME="1900", format="json", maxrecs="1")) == expected


def test_M07_no_hits_is_no_error(server: RunningServer) -> None:
    empty, full = table_of(asked(server, DEC="-88")), table_of(asked(server))
    assert len(empty.array) == 0
    assert [field.name for field in empty.fields] == [field.name for field in full.fields]


@pytest.mark.parametrize("radius", ["0", "0.0", "0e0", "-0", "+0"])
def test_M08_radius_zero_is_no_error(server: RunningServer, radius: str) -> None:
    answer = asked(server, SR=radius)
    assert len(table_of(answer).fields) > 3
    infos = infos_of(answer)
    assert infos["QUERY_STATUS"] == "OK"
    # it says how to ask for a point, and that address answers
    assert server.ask(infos["point_search"]).status == 200


def test_M09_one_resource_with_one_table(server: RunningServer) -> None:
    for answer in (asked(server), asked(server, SR="0"), asked(server, MAXREC="1")):
        root = ElementTree.fromstring(answer.body)
        assert len(list(root.iter(f"{VOTABLE}RESOURCE"))) == 1
        assert len(list(root.iter(f"{VOTABLE}TABLE"))) == 1


@pytest.mark.parametrize("verbosity", [None, "1", "2", "3"])
def test_M10_and_M11_the_three_fields(server: RunningServer, verbosity: str | None) -> None:
    # section 2 (2); the datatypes by name: Registry of Registries, rules 2.2.1 to 2.2.3
    answer = asked(server, VERB=verbosity, SR="180")
    table = table_of(answer)
    by_ucd: dict[str, list[ElementTree.Element]] = {}
    for field in ElementTree.fromstring(answer.body).iter(f"{VOTABLE}FIELD"):
        by_ucd.setdefault(field.get("ucd", ""), []).append(field)
    (identity,) = by_ucd["ID_MAIN"]
    assert (identity.get("datatype"), identity.get("arraysize")) == ("char", "*")
    for ucd in ("POS_EQ_RA_MAIN", "POS_EQ_DEC_MAIN"):
        (angle,) = by_ucd[ucd]
        assert (angle.get("datatype"), angle.get("unit")) == ("double", "deg")
        assert angle.get("arraysize") is None
        assert angle.get("ref") == "icrs"
    ids = [str(each) for each in table.array["exposure_id"]]
    assert len(ids) == 6 == len(set(ids)) and all(ids)


def test_M11_positions_are_icrs_degrees(server: RunningServer) -> None:
    # logged at J2000 as 83.6 +22.0: FK5 J2000 and ICRS agree within 0.1 arcsec (Hipparcos
    # catalogue, ESA SP-1200, 1997, volume 1, section 1.5.7)
    table = table_of(asked(server)).array
    here = list(table["exposure_id"]).index("QN-1-1")
    assert abs(table["s_ra"][here] - 83.6) < 0.1 / 3600 / np.cos(np.radians(22.0))
    assert abs(table["s_dec"][here] - 22.0) < 0.1 / 3600


def test_M12_version_one(server: RunningServer) -> None:
    assert ElementTree.fromstring(asked(server).body).get("version") == "1.4"


@pytest.mark.parametrize("changes", [{"RA": None}, {"DEC": "91"}, {"SR": "x"}, {"MAXREC": "-1"}])
def test_M13_one_error_in_a_legal_place(
    server: RunningServer, changes: dict[str, str | None]
) -> None:
    # section 2 (3) and erratum 1; INFO below VOTABLE is the place it prefers
    root = ElementTree.fromstring(asked(server, **changes).body)
    everywhere = [each for each in root.iter() if each.get("name") == "Error"]
    assert everywhere == [each for each in root.findall(f"{VOTABLE}INFO")]
    assert len(everywhere) == 1 and everywhere[0].get("value")


def test_M14_error_documents_are_valid(server: RunningServer) -> None:
    # erratum 3: at least one RESOURCE
    for text in ("<b>&amp;\"'", "\x00\x0b", "\ufffe", "]]>", "9" * 5000):
        answer = asked(server, RA=text)
        assert complaints(answer.body) == ""
        assert complaints(answer.body, "1.5") == ""
        assert len(ElementTree.fromstring(answer.body).findall(f"{VOTABLE}RESOURCE")) == 1
        assert len(answer.body) < 6000


def test_M15_verbosity_defaults_to_two(server: RunningServer) -> None:
    @cache
    def names(verbosity: str | None) -> tuple[str, ...]:
        return tuple(field.name for field in table_of(asked(server, VERB=verbosity)).fields)

    assert set(names("1")) == {"exposure_id", "s_ra", "s_dec"}
    assert set(names("1")) < set(names("2")) < set(names("3"))
    for text in (None, "0", "4", "-1"):  # those that mean nothing do not fail
        assert names(text) == names("2")
    assert "VERB" in error_of(asked(server, VERB="some"))


# --- recommended ---------------------------------------------------------------------------


def test_S01_content_type(server: RunningServer) -> None:
    for answer in (asked(server), asked(server, SR="x")):
        assert answer.headers.get_content_type() == "text/xml"


def test_S02_radius_zero_has_no_rows(server: RunningServer) -> None:
    answer = asked(server, SR="0", MAXREC="5")
    assert not list(ElementTree.fromstring(answer.body).iter(f"{VOTABLE}TR"))


def test_S03_every_field_is_described(server: RunningServer) -> None:
    for field in ElementTree.fromstring(asked(server, VERB="3").body).iter(f"{VOTABLE}FIELD"):
        assert field.get("ucd") and field.get("datatype")
        assert (field.findtext(f"{VOTABLE}DESCRIPTION") or "").strip()
        assert field.get("unit") or field.get("datatype") not in ("double", "float")


def test_S04_documents_and_tables_are_described(server: RunningServer) -> None:
    document = document_of(asked(server))
    assert "Brackwater" in document.description
    text = document.get_first_table().description
    # what a row is, and what a match means for a plate
    assert "Exposures" in text and "exposed area" in text and "meets the cone" in text
    assert infos_of(asked(server))["match_semantics"] == "footprint-overlaps-cone"


def test_S05_maxrec(server: RunningServer) -> None:
    # DALI 1.1, section 3.4.4
    everything = ids_of(asked(server))
    for limit in (0, 1, 4, 5, 10**12):
        assert ids_of(asked(server, MAXREC=str(limit))) == everything[:limit]
    assert len(table_of(asked(server, MAXREC="0")).fields) > 3
    for text in ("-1", "few", "1.5", "1e3", "", "1_0"):
        assert "MAXREC" in error_of(asked(server, MAXREC=text))


def test_S06_responseformat(server: RunningServer) -> None:
    # DALI 1.1, section 3.4.3; all forms are tried in tests/test_negotiation.py
    answer = asked(server, RESPONSEFORMAT="CSV")
    assert answer.headers.get_content_type() == "text/csv"
    assert len(answer.body.splitlines()) == 6
    named = asked(server, RESPONSEFORMAT="application/x-votable+xml;serialization=BINARY2")
    assert named.headers["Content-Type"] == "application/x-votable+xml; serialization=BINARY2"
    assert complaints(named.body) == ""
    assert "RESPONSEFORMAT" in error_of(asked(server, RESPONSEFORMAT="fits"))


def test_S07_truncation_is_told(server: RunningServer) -> None:
    # DALI 1.1, section 4.4.1; and in words, for clients that do not look
    cut = asked(server, MAXREC="4")
    assert infos_of(cut)["QUERY_STATUS"] == "OVERFLOW"
    assert "Only the first 4 rows" in table_of(cut).description
    assert infos_of(asked(server, MAXREC="0"))["QUERY_STATUS"] == "OVERFLOW"
    assert infos_of(asked(server, MAXREC="5"))["QUERY_STATUS"] == "OK"
    assert cut.headers["Platecover-Truncated"] == "yes"


def test_S08_results_are_the_first_resource(server: RunningServer) -> None:
    first = ElementTree.fromstring(asked(server).body).find(f"{VOTABLE}RESOURCE")
    assert first is not None and first.get("type") == "results"


def test_S09_names_in_any_case(server: RunningServer) -> None:
    # DALI 1.1, section 3.1
    expected = ids_of(asked(server))
    assert ids_of(server.ask("/cone?ra=83.6&dEc=22&Sr=1&verb=1&maxRec=9")) == expected
    assert "takes one value" in error_of(server.ask("/cone?RA=1&ra=1&DEC=1&SR=1"))


# --- allowed -------------------------------------------------------------------------------


def test_Y01_footprints_that_meet_the_cone(server: RunningServer, place: Place) -> None:
    # section 2 (2): what lies outside may be returned; here the centre may, the plate may not
    archive = Archive.open(place.archive)
    for ra, dec, radius in ((83.6, 22.0, 0.01), (82.0, 21.0, 0.5), (350.0, -60.0, 30.0)):
        expected = archive.cone(ra, dec, radius)
        answer = asked(server, RA=str(ra), DEC=str(dec), SR=str(radius), VERB="3")
        assert ids_of(answer) == list(expected["exposure_id"])
        found = table_of(answer).array
        assert np.all(found["edge_distance"] >= -radius - found["margin"])
    outside = table_of(asked(server, RA="82.0", DEC="21.0", SR="0.1")).array
    assert len(outside) and outside["centre_distance"].max() > 0.1


def test_Y01_sizes_of_footprints(server: RunningServer) -> None:
    # SCS 1.03, section 2 (2): OBS_ANG-SIZE. 160 mm at 60 arcsec/mm: each half-side has the
    # tangent 80 x 60 / 206264.8, and the circle goes through the corners
    answer = asked(server, VERB="3")
    (field,) = [each for each in table_of(answer).fields if each.ucd == "OBS_ANG-SIZE"]
    assert (field.datatype, str(field.unit)) == ("double", "deg")
    table = table_of(answer).array
    sizes = dict(zip(table["exposure_id"], table["s_fov"], strict=True))
    tangent = np.hypot(80.0, 80.0) * 60.0 / 206264.806
    assert sizes["QN-1-1"] == pytest.approx(2.0 * np.degrees(np.arctan(tangent)), rel=1e-8)


def test_Y02_largest_radius(place: Place) -> None:
    client = create_app(place.archive, Settings(largest_radius_deg=2.0)).test_client()
    answer = client.get("/cone?RA=83.6&DEC=22&SR=2.5")
    assert b'name="Error"' in answer.data and b"from 0 to 2" in answer.data
    assert b"<TR>" in client.get("/cone?RA=83.6&DEC=22&SR=2").data


def test_Y03_post(server: RunningServer) -> None:
    for body in (GOOD, {name.lower(): value for name, value in GOOD.items()}):
        posted = server.ask("/cone", method="POST", body=urllib.parse.urlencode(body).encode(),
                            Content_Type=FORM)  # fmt: skip
        assert posted.body == asked(server).body
    assert server.ask("/cone", method="DELETE").status == 405


# --- beyond the lines ----------------------------------------------------------------------


def test_pyvo(server: RunningServer, place: Place) -> None:
    service = pyvo.dal.SCSService(f"{server.url}cone?")
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", OLD_UCDS, W06)
        found = service.search(pos=SkyCoord(83.6, 22.0, unit="deg"), radius=1.0 * u.deg)
        columns = {column.name for column in service.columns}
        tiny = service.search(pos=(83.6, 22.0), radius=1e-5, verbosity=3)
    expected = Archive.open(place.archive).cone(83.6, 22.0, 1.0)
    assert [row.id for row in found] == list(expected["exposure_id"])
    assert [row.pos.ra.deg for row in found] == pytest.approx(list(expected["s_ra"]), abs=1e-12)
    assert {"exposure_id", "s_ra", "s_dec"} <= columns
    assert len(tiny) == 5 and HOSTILE in list(tiny["observer"])
    for bad in (181.0, -1.0):
        with pytest.raises(pyvo.DALQueryError, match="SR must be a number from 0 to 180"):
            service.search(pos=(83.6, 22.0), radius=bad)


def test_doubled_parameters_are_errors(server: RunningServer) -> None:
    # DALI 1.1, section 3.2
    for name, value in {**GOOD, "VERB": "1", "MAXREC": "1", "RESPONSEFORMAT": "csv"}.items():
        query = urllib.parse.urlencode([*GOOD.items(), (name, value)])
        if name not in GOOD:
            query += f"&{name}={value}"
        assert f"{name} takes one value" in error_of(server.ask(f"/cone?{query}"))


def test_long_values(server: RunningServer) -> None:
    megabyte = b"x" * 1_048_576
    for name in ("RA", "DEC", "SR", "VERB", "MAXREC", "RESPONSEFORMAT"):
        rest = {key: value for key, value in GOOD.items() if key != name}
        body = urllib.parse.urlencode(rest).encode() + b"&" + name.encode() + b"=" + megabyte
        answer = server.ask("/cone", method="POST", body=body, Content_Type=FORM)
        assert "1048576 characters" in error_of(answer) and len(answer.body) < 3000
    ignored = urllib.parse.urlencode(GOOD).encode() + b"&other=" + megabyte
    assert len(ids_of(server.ask("/cone", method="POST", body=ignored, Content_Type=FORM))) == 5


def test_rubbish_in_addresses(server: RunningServer) -> None:
    rng = random.Random(1931)
    for _ in range(60):
        raw = bytes(rng.choices(range(0x21, 0x7F), k=rng.randint(1, 60))).decode()
        try:
            answer = server.ask(f"/cone?{raw}")
        except http.client.HTTPException:
            continue
        assert error_of(answer)
