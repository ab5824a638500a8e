"""Simple Image Access 2.0 and DALI 1.1 line by line, against a running server.

D01 to D17 are what IVOA REC-DALI-1.1 (2017), REC-SIA-2.0 (2015) and REC-ObsCore-1.1 (2017)
demand, D20 to D25 what they recommend.
"""

import io
import math
import random
import urllib.parse
import warnings
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pandas as pd
import pytest
import pyvo
from astropy import units as u
from astropy.io.votable import parse
from astropy.io.votable.tree import Resource, TableElement
from astropy.time import Time
from pyvo.dal.exceptions import DALOverflowWarning, DALQueryError
from pyvo.dal.sia2 import SIA2Query
from tests.hostile_queries import NOT_NUMBERS, UNKNOWN
from tests.running_server import Answer, RunningServer, serving
from tests.small_archive import GOOD, PLATES, Place
from tests.votable_schema import complaints

from platecover.coverage.edition_build import build
from platecover.coverage.errors import ArchiveError
from platecover.coverage.obscore import OBSCORE_NAMES
from platecover.service import sia
from platecover.service.app import create_app
from platecover.service.settings import Settings

STANDARD_ID = "ivo://ivoa.net/std/SIA#query-2.0"
FORM = "application/x-www-form-urlencoded"
HOSTILE = "<b> & \"q\" 'a' ]]> \xe9 \U0001f52d"
REPEATED = (
    "POS", "BAND", "TIME", "POL", "FOV", "SPATRES", "SPECRP", "EXPTIME", "ID", "COLLECTION",
    "FACILITY", "INSTRUMENT", "DPTYPE", "CALIB", "TARGET", "TIMERES", "FORMAT",
)  # SIA 2.0, sections 2.1.1 to 2.1.17  # fmt: skip
INTERVALS = ("BAND", "TIME", "FOV", "SPATRES", "SPECRP", "EXPTIME", "TIMERES")
NUMBER_OF_IMAGES = 7
WIDE = "WM-4-1"  # scanned; a wide plate about 80 +20


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Place:
    more = [
        {**GOOD, "plate": "QN 6", "technique": "slit spectrum"},
        {**GOOD, "plate": "QN 7", "technique": "objective prism", "object": HOSTILE,
         "observer": "blue", "date": "1911-01-01"},
        {**GOOD, "plate": "QN 8", "ra": "0.5", "dec": "-2", "object": "M 31", "date": "1950-06-07",
         "exposure_min": "90"},
    ]  # fmt: skip
    place = Place(tmp_path_factory.mktemp("sia")).write([*PLATES, *more])
    head, *lines = place.log.read_text(encoding="utf-8").splitlines()
    cells = [",103a-E,red" if line.startswith("QN 8") else ",," for line in lines]
    text = [f"{head},emulsion,filter", *map(str.__add__, lines, cells)]
    place.log.write_text("\n".join(text) + "\n", encoding="utf-8")
    build(place.archive, [place.log], place.observatory)
    return place


@pytest.fixture(scope="module")
def server(place: Place) -> Iterator[RunningServer]:
    with serving(place.folder, "serve", "--archive", place.archive, "--port", 0) as running:
        yield running
        assert "Traceback" not in running.complaints.read_text()


def asked(server: RunningServer, *pairs: tuple[str, str], **single: str) -> Answer:
    query = urllib.parse.urlencode([*pairs, *single.items()])
    return server.ask(f"/sia2/query?{query}")


def results_of(answer: Answer) -> Resource:
    """The one RESOURCE of results of a sound document."""
    assert answer.status == 200, answer.body
    assert answer.headers["Content-Type"] == "text/xml; charset=utf-8"
    assert complaints(answer.body) == ""
    document = parse(io.BytesIO(answer.body), verify="exception")
    (results,) = (each for each in document.resources if each.type == "results")
    assert document.resources[0] is results
    return results


def table_of(answer: Answer) -> TableElement:
    (table,) = results_of(answer).tables
    return table


def ids_of(answer: Answer) -> list[str]:
    return [str(did).rpartition("?")[2] for did in table_of(answer).array["obs_publisher_did"]]


def infos_of(answer: Answer) -> list[tuple[str, str]]:
    return [(info.name, info.value) for info in results_of(answer).infos]


def error_of(answer: Answer, status: int = 400) -> str:
    """Text of the error document."""
    assert answer.status == status
    assert answer.headers["Content-Type"] == "text/xml; charset=utf-8"
    assert complaints(answer.body) == ""
    (resource,) = parse(io.BytesIO(answer.body), verify="exception").resources
    assert resource.type == "results" and not resource.tables
    (info,) = (each for each in resource.infos if each.name == "QUERY_STATUS")
    assert info.value == "ERROR"
    return str(info.content)


# --- demanded ------------------------------------------------------------------------------


def test_D01_names_in_any_case_values_in_theirs(server: RunningServer) -> None:
    # DALI 1.1, section 3.1
    expected = ids_of(asked(server, COLLECTION="QN", MAXREC="3"))
    assert len(expected) == 3
    assert ids_of(asked(server, collection="QN", maxRec="3")) == expected
    assert ids_of(asked(server, COLLECTION="qn")) == []


@pytest.mark.parametrize("name", ["MAXREC", "RESPONSEFORMAT", "RUNID", "REQUEST"])
def test_D02_repeated_single_values(server: RunningServer, name: str) -> None:
    # DALI 1.1, sections 3.2 and 3.4
    value = {"MAXREC": "1", "RESPONSEFORMAT": "votable"}.get(name, "a")
    assert name in error_of(asked(server, (name, value), (name.lower(), value)))


def test_D03_success_in_the_form_that_was_asked_for(server: RunningServer) -> None:
    # DALI 1.1, section 4.1
    assert len(ids_of(asked(server))) == NUMBER_OF_IMAGES
    frame = pd.read_csv(io.BytesIO(asked(server, RESPONSEFORMAT="csv").body))
    assert tuple(frame.columns) == OBSCORE_NAMES and len(frame) == NUMBER_OF_IMAGES
    binary = asked(server, RESPONSEFORMAT="votable-binary2")
    assert complaints(binary.body) == ""
    read = parse(io.BytesIO(binary.body), verify="exception").get_first_table().array
    plain = table_of(asked(server)).array
    for name in OBSCORE_NAMES:
        assert list(read[name]) == list(plain[name]) or name.startswith(("s_", "t_", "em", "acc"))
    np.testing.assert_array_equal(read["t_min"].mask, plain["t_min"].mask)


def test_D04_one_resource_of_results(server: RunningServer) -> None:
    # DALI 1.1, section 4.4
    document = parse(io.BytesIO(asked(server).body))
    assert float(document.version) >= 1.2
    assert [each.type for each in document.resources] == ["results", "meta"]


def test_D05_query_status_first(server: RunningServer) -> None:
    # DALI 1.1, section 4.4
    assert infos_of(asked(server))[0] == ("QUERY_STATUS", "OK")
    assert infos_of(asked(server, COLLECTION="none"))[0] == ("QUERY_STATUS", "OK")


def test_D06_overflow_is_told(server: RunningServer) -> None:
    # DALI 1.1, section 4.4.1
    answer = asked(server, MAXREC=str(NUMBER_OF_IMAGES - 1))
    assert infos_of(answer)[0] == ("QUERY_STATUS", "OVERFLOW")
    assert "first 6 rows" in table_of(answer).description
    for enough in (NUMBER_OF_IMAGES, 10**12):
        assert infos_of(asked(server, MAXREC=str(enough)))[0] == ("QUERY_STATUS", "OK")


def test_D07_no_more_rows_than_the_limit(server: RunningServer, place: Place) -> None:
    # DALI 1.1, section 3.4.4
    everything = ids_of(asked(server))
    for limit in (1, 2, 5):
        assert ids_of(asked(server, MAXREC=str(limit))) == everything[:limit]
    client = create_app(place.archive, Settings(default_maxrec=2, largest_maxrec=3)).test_client()
    for query, rows in (("", 2), ("?MAXREC=2", 2), ("?MAXREC=900", 3)):
        body = client.get(f"/sia2/query{query}").data
        assert body.count(b"<TR>") == rows and b'value="OVERFLOW"' in body


def test_D08_maxrec_0_asks_for_the_columns(server: RunningServer) -> None:
    # DALI 1.1, section 3.4.4
    answer = asked(server, MAXREC="0")
    assert infos_of(answer)[0] == ("QUERY_STATUS", "OVERFLOW")
    table = table_of(answer)
    assert len(table.array) == 0 and len(table.fields) == 30
    nothing = asked(server, MAXREC="0", COLLECTION="none")
    assert infos_of(nothing)[0] == ("QUERY_STATUS", "OVERFLOW")
    assert "POS" in error_of(asked(server, MAXREC="0", POS="CIRCLE"))  # only if all is well


@pytest.mark.parametrize(
    ("name", "value", "says"),
    [
        ("POS", "CIRCLE 10 20", "POS must be CIRCLE"),
        ("POS", "CIRCLE 10 20 1 2", "POS must be CIRCLE"),
        ("POS", "10 20 1", "POS must be CIRCLE"),
        ("POS", "BOX 10 20 1 1", "POS must be CIRCLE"),
        ("POS", "CIRCLE 10 91 1", "from -90 to 90"),
        ("POS", "CIRCLE 361 0 1", "from 0 to 360"),
        ("POS", "CIRCLE 10 20 -1", "from 0 to 180"),
        ("POS", "CIRCLE 10 20 181", "from 0 to 180"),
        ("POS", "CIRCLE 10 20 inf", "from 0 to 180"),
        ("POS", "CIRCLE 10,20,1", "decimal numbers"),
        ("POS", "RANGE 1 2 4 3", "DEC1 must not be above DEC2"),
        ("POS", "RANGE 1 2 3", "POS must be CIRCLE"),
        ("POS", "POLYGON 1 1 2 2", "POS must be CIRCLE"),
        ("POS", "POLYGON 1 1 2 2 3", "POS must be CIRCLE"),
        ("POS", "POLYGON 1 1 2 2 3 inf", "from -90 to 90"),
        ("POS", "POLYGON 0 0 10 10 10 0 0 10", "crosses itself"),
        ("POS", "POLYGON 0 0 120 0 240 0", "hemisphere"),
        ("POS", "POLYGON " + "1 2 " * 2000, "at most 1000 corners"),
        ("POS", "", "POS has no value"),
        ("BAND", "red", "BAND must have decimal numbers"),
        ("BAND", "1 2 3", "BAND must be one number or two"),
        ("TIME", "50000 49999", "lower limit first"),
        ("TIME", "inf inf", "lower limit first"),
        ("TIME", "1900-01-01", "decimal numbers"),
        ("EXPTIME", "10s", "decimal numbers"),
        ("FOV", "1/2", "decimal numbers"),
        ("CALIB", "1.0", "CALIB must be from 0 to 4"),
        ("CALIB", "5", "CALIB must be from 0 to 4"),
        ("DPTYPE", "spectrum", "one of image, cube"),
        ("DPTYPE", "IMAGE", "one of image, cube"),
        ("POL", "W", "one of I, Q, U"),
        ("MAXREC", "-1", "MAXREC must be a whole number from 0 up"),
        ("MAXREC", "1.5", "MAXREC must be a whole number"),
        ("MAXREC", "1_0", "MAXREC must be a whole number"),
        ("RUNID", "r" * 65, "more than 64"),
        ("COLLECTION", "c" * 100_000, "more than 1000"),
    ],
)
def test_D09_errors_are_documents_with_their_status(
    server: RunningServer, name: str, value: str, says: str
) -> None:
    # DALI 1.1, section 4.2; SIA 2.0, section 3.2
    body = urllib.parse.urlencode({name: value}).encode()
    answer = server.ask("/sia2/query", method="POST", body=body, Content_Type=FORM)
    assert says in error_of(answer)
    assert len(answer.body) < 3000


@pytest.mark.parametrize("name", INTERVALS)
def test_D09_numbers_that_are_none(server: RunningServer, name: str) -> None:
    for value in NOT_NUMBERS:
        if value in ("inf", "-inf"):
            continue  # half an interval
        if value == "1 2":
            assert asked(server, (name, value)).status == 200
        else:
            assert error_of(asked(server, (name, value))).startswith(f"UsageFault: {name} ")


def test_D09_other_refusals(server: RunningServer) -> None:
    refused = server.ask("/sia2/query", method="PUT")
    assert error_of(refused, 405).startswith("UsageFault: ") and "POST" in refused.headers["Allow"]
    assert error_of(server.ask("/sia2/nowhere"), 404).startswith("UsageFault: ")
    assert error_of(
        server.ask("/sia2/query", method="POST", body=b"<a/>", Content_Type="text/xml"), 415
    ).startswith("UsageFault: ")
    large = b"TARGET=" + b"x" * 1_300_000
    assert error_of(
        server.ask("/sia2/query", method="POST", body=large, Content_Type=FORM), 413
    ).startswith("UsageFault: ")


def test_D10_media_types_come_back(server: RunningServer) -> None:
    # DALI 1.1, section 3.4.3
    for media_type in ("text/xml", "application/x-votable+xml", "text/csv"):
        answer = asked(server, RESPONSEFORMAT=media_type)
        assert answer.status == 200
        assert answer.headers["Content-Type"].partition(";")[0] == media_type


@pytest.mark.parametrize("name", REPEATED)
def test_D11_every_parameter_any_number_of_times(server: RunningServer, name: str) -> None:
    # SIA 2.0, section 2.1
    one, other = {
        "POS": ("CIRCLE 83.6 22 1", "CIRCLE 350 -60 1"), "BAND": ("6.5e-7", "1e-7 2e-7"),
        "TIME": ("16908.9", "33439 33440"), "FOV": ("1 5", "30 40"), "EXPTIME": ("1800", "2400"),
        "TIMERES": ("1800", "2400"), "SPATRES": ("1", "2"), "SPECRP": ("1", "2"),
        "ID": ("ivo://unregistered.invalid/plates?QN-1-1",
               "IVO://Unregistered.invalid/plates?wm-4-1"),
        "COLLECTION": ("QN", "WM"), "FACILITY": ("Brackwater Observatory (invented), mill", "x"),
        "INSTRUMENT": ("Mill astrograph", "Wide camera, first"), "DPTYPE": ("image", "cube"),
        "CALIB": ("0", "1"), "TARGET": ("M 31", HOSTILE), "FORMAT": ("image/fits", "image/jpeg"),
        "POL": ("I", "POLA"),
    }[name]  # fmt: skip
    each = [set(ids_of(asked(server, (name, value)))) for value in (one, other)]
    assert set(ids_of(asked(server, (name, one), (name, other)))) == each[0] | each[1]
    if name not in ("POL", "SPATRES", "SPECRP"):  # known of no plate
        assert each[0]
    both = ids_of(asked(server, (name, one), COLLECTION="WM"))  # and
    assert set(both) == {each_id for each_id in each[0] if each_id.startswith("WM")} or (
        name == "COLLECTION" and len(both) == NUMBER_OF_IMAGES
    )


def test_D11_at_most_so_many(server: RunningServer) -> None:
    body = urllib.parse.urlencode([("TARGET", "x")] * 1001).encode()
    answer = server.ask("/sia2/query", method="POST", body=body, Content_Type=FORM)
    assert "at most 1000 values" in error_of(answer)


def test_D12_null_satisfies_nothing(server: RunningServer) -> None:
    # SIA 2.0, section 2.1
    everything = ids_of(asked(server))
    dated = ids_of(asked(server, TIME="-Inf +Inf"))
    assert set(everything) - set(dated) == {"QN-3b-1"}
    assert ids_of(asked(server, BAND="-inf inf")) == ["QN-8-1"]
    for name in ("SPATRES", "SPECRP"):
        assert ids_of(asked(server, (name, "-Inf +Inf"))) == []
    assert ids_of(asked(server, POL="I")) == []


def test_D13_the_thirty_columns(server: RunningServer) -> None:
    # SIA 2.0, section 3.1; ObsCore 1.1, table 4 and appendix C
    fields = {each.name: each for each in table_of(asked(server)).fields}
    assert tuple(fields) == OBSCORE_NAMES and len(fields) == 30
    for each in fields.values():
        assert each.utype.startswith("obscore:") and each.ucd and each.description
    kinds = {
        "char": ("dataproduct_type", "obs_collection", "obs_id", "obs_publisher_did",
                 "access_format", "s_region", "o_ucd", "pol_states"),
        "double": ("s_ra", "s_dec", "s_fov", "s_resolution", "t_min", "t_max", "t_exptime",
                   "t_resolution", "em_min", "em_max", "em_res_power"),
        "long": ("access_estsize", "s_xel1", "s_xel2", "t_xel", "em_xel", "pol_xel"),
        "int": ("calib_level",),
        "unicodeChar": ("access_url", "target_name", "facility_name", "instrument_name"),
    }  # fmt: skip
    for datatype, names in kinds.items():
        for name in names:
            assert fields[name].datatype == datatype, name
            wanted = "*" if datatype in ("char", "unicodeChar") else None
            assert fields[name].arraysize == wanted
    assert fields["s_region"].xtype == "adql:REGION"
    assert fields["t_min"].ref == fields["t_max"].ref == "ut"
    systems = results_of(asked(server)).time_systems
    assert [(each.ID, each.timescale) for each in systems] == [("ut", "UT")]


def test_D14_never_null(server: RunningServer) -> None:
    # ObsCore 1.1, table 4
    array = table_of(asked(server)).array
    for name in ("obs_collection", "obs_id", "obs_publisher_did"):
        assert all(array[name]), name
    assert not np.ma.getmaskarray(array["calib_level"]).any()
    assert len(set(array["obs_publisher_did"])) == NUMBER_OF_IMAGES
    assert all(str(did).startswith("ivo://") for did in array["obs_publisher_did"])


def test_D15_images_alone(server: RunningServer) -> None:
    # ObsCore 1.1, sections 1.4.1 and 2.1: objective prisms are images, slit spectra are not
    array = table_of(asked(server)).array
    assert set(array["dataproduct_type"]) == {"image"}
    ids = ids_of(asked(server))
    assert "QN-7-1" in ids and "QN-6-1" not in ids


def test_D16_errors_begin_with_their_kind(
    server: RunningServer, place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    # SIA 2.0, section 3.2; in text, where the answer was to be text
    assert error_of(asked(server, POS="here")).startswith("UsageFault: POS must be")
    for form in ("csv", "text/csv", "json", "ecsv"):
        answer = asked(server, POS="here", RESPONSEFORMAT=form)
        assert answer.status == 400
        assert answer.headers["Content-Type"] == "text/plain; charset=utf-8"
        assert answer.body.startswith(b"UsageFault: POS must be")
    client = create_app(place.archive).test_client()
    for fault, status, text in (
        (ArchiveError("/srv/archive: gone"), 503, b"TransientFault: the archive cannot be read"),
        (RuntimeError("a slip"), 500, b"FatalFault: something went wrong"),
    ):
        monkeypatch.setattr(sia, "selected_images", _raising(fault))
        answer = client.get("/sia2/query")
        assert answer.status_code == status and complaints(answer.data) == ""
        assert text in answer.data and b"slip" not in answer.data and b"srv" not in answer.data


def _raising(fault: Exception) -> Callable[..., None]:
    def fail(*arguments: object) -> None:
        raise fault

    return fail


def test_D17_capabilities_beside_the_query(server: RunningServer) -> None:
    # DALI 1.1, section 2; SIA 2.0, section 2
    answer = server.ask("/sia2/capabilities")
    assert answer.status == 200 and STANDARD_ID.encode() in answer.body
    assert f"{server.url}sia2/query".encode() in answer.body


# --- recommended -----------------------------------------------------------------------------


def test_D20_unsupported_formats(server: RunningServer) -> None:
    # DALI 1.1, section 3.4.3
    for value in ("fits", "html", "image/fits", "application/pdf", "x", "votable;serialization=q"):
        assert "RESPONSEFORMAT must be one of" in error_of(asked(server, RESPONSEFORMAT=value))
    tsv = asked(server, RESPONSEFORMAT="tsv")  # text: so is the error
    assert tsv.status == 400 and tsv.headers["Content-Type"] == "text/plain; charset=utf-8"


def test_D21_parameters_and_standard_are_echoed(server: RunningServer) -> None:
    # DALI 1.1, section 4.4.3
    answer = asked(server, ("POS", "CIRCLE 1 2 3"), ("POS", "CIRCLE 4 5 6"), TARGET=HOSTILE)
    infos = infos_of(answer)
    for pair in (
        ("standardID", STANDARD_ID), ("POS", "CIRCLE 1 2 3"), ("POS", "CIRCLE 4 5 6"),
        ("TARGET", HOSTILE), ("edition", "1"),
    ):  # fmt: skip
        assert pair in infos
    assert any(name == "citation" and "Brackwater" in value for name, value in infos)


def test_D22_status_is_fit_to_be_shown(server: RunningServer) -> None:
    # DALI 1.1, section 4.4
    (status, *_) = results_of(asked(server, MAXREC="2")).infos
    assert status.content == "only the first 2 rows; see MAXREC"
    assert "\n" not in error_of(asked(server, POS="here"))


def test_D23_runid_is_taken(server: RunningServer) -> None:
    # DALI 1.1, section 3.4.6
    assert ids_of(asked(server, RUNID="r" * 64)) == ids_of(asked(server))


def test_D24_headers(server: RunningServer) -> None:
    # DALI 1.1, section 4.1
    answer = asked(server, MAXREC="1")
    assert int(answer.headers["Content-Length"]) == len(answer.body)
    assert answer.headers["ETag"]


def test_D25_the_service_describes_itself(server: RunningServer) -> None:
    # SIA 2.0, section 3.1.2
    resource = parse(io.BytesIO(asked(server, MAXREC="1").body), verify="exception").resources[1]
    assert (resource.type, resource.utype, resource.name) == ("meta", "adhoc:service", "this")
    values = {each.name: each.value for each in resource.params}
    assert values == {"standardID": STANDARD_ID, "accessURL": f"{server.url}sia2/query"}
    (group,) = resource.groups
    assert group.name == "inputParams"
    names = {each.name for each in group.entries}
    assert names >= {*REPEATED, "MAXREC", "RESPONSEFORMAT"}


# --- values -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "found"),
    [
        ("CIRCLE 350 -60 1", ["WM-5-1"]),
        ("circle 350 -60 1", ["WM-5-1"]),
        ("Circle  350\t-60 0", ["WM-5-1"]),
        ("CIRCLE +350 -6.0e1 1.", ["WM-5-1"]),
        ("CIRCLE 0 -2 0.1", ["QN-8-1"]),
        ("CIRCLE 360 -2 0.1", ["QN-8-1"]),
        ("RANGE 359.5 0.5 -3 -1", ["QN-8-1"]),  # over RA 0h: DALI 1.2, section 3.9
        ("RANGE 0 360 -5 -1", ["QN-8-1"]),
        ("RANGE -Inf +Inf -Inf -40", ["WM-5-1"]),
        ("range -inf 30 -5 INF", ["QN-8-1"]),
        ("POLYGON 359 -3 1 -3 1 -1 359 -1", ["QN-8-1"]),
        ("POLYGON 359 -1 1 -1 1 -3 359 -3", ["QN-8-1"]),  # the other way round
        ("POLYGON 359 -3 1 -3 0 -1", ["QN-8-1"]),
    ],
)
def test_places(server: RunningServer, value: str, found: list[str]) -> None:
    # SIA 2.0, section 2.1.1
    assert ids_of(asked(server, POS=value)) == found


def test_a_plus_that_arrives_as_a_blank(server: RunningServer) -> None:
    plain = ids_of(server.ask("/sia2/query?TIME=23000%20%2BInf"))
    assert plain and ids_of(server.ask("/sia2/query?TIME=23000+%2BInf")) == plain
    assert ids_of(server.ask("/sia2/query?TIME=23000%20+Inf")) == plain
    assert ids_of(server.ask("/sia2/query?POS=CIRCLE+350+-60++1")) == ["WM-5-1"]


def test_place_meets_the_plate_itself_not_its_margin(server: RunningServer) -> None:
    # 22.0 as text is known to 3 arcmin only; the plate ends near Dec 23.333
    answer = asked(server, POS="CIRCLE 83.6 23.36 0.001")
    assert ids_of(answer) == [WIDE]
    assert b"QN-1-1" in server.ask("/cone?RA=83.6&DEC=23.36&SR=0.001").body


def test_unknown_parameters_are_ignored(server: RunningServer) -> None:
    rng = random.Random(3)
    expected = ids_of(asked(server, COLLECTION="WM"))
    for name in UNKNOWN:
        query = [(name, rng.choice(NOT_NUMBERS)), ("COLLECTION", "WM")]
        assert ids_of(asked(server, *query)) == expected


def test_get_post_and_head_agree(server: RunningServer) -> None:
    got = asked(server, POS="CIRCLE 83.6 22 1")
    body = urllib.parse.urlencode({"POS": "CIRCLE 83.6 22 1"}).encode()
    posted = server.ask("/sia2/query", method="POST", body=body, Content_Type=FORM)
    assert posted.body == got.body
    head = server.ask("/sia2/query?POS=CIRCLE+83.6+22+1", method="HEAD")
    assert head.status == 200 and head.body == b""


def test_an_authority_of_the_keeper(place: Place) -> None:
    settings = Settings(publisher_authority="plates.example")
    client = create_app(place.archive, settings).test_client()
    body = client.get("/sia2/query?ID=ivo://plates.example/plates?QN-1-1").data
    assert body.count(b"<TR>") == 1
    assert b"<TD>ivo://plates.example/plates?QN-1-1</TD>" in body


def test_hidden_columns(place: Place) -> None:
    client = create_app(place.archive, Settings(public_columns="plate,t_min,t_max")).test_client()
    frame = pd.read_csv(io.BytesIO(client.get("/sia2/query?RESPONSEFORMAT=csv").data))
    shown = {name for name in frame.columns if frame[name].notna().any()}
    assert shown == {
        "dataproduct_type", "calib_level", "obs_collection", "obs_id", "obs_publisher_did", "s_ra",
        "s_dec", "t_min", "t_max", "t_xel", "em_xel", "pol_xel",
    }  # fmt: skip
    assert set(frame["calib_level"]) == {0} and set(frame["obs_collection"]) == {"plates"}
    assert client.get("/sia2/query?EXPTIME=0 1e9").data.count(b"<TR>") == 0
    assert client.get("/sia2/query?POS=CIRCLE 350 -60 1").data.count(b"<TR>") == 1


# --- pyvo ---------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def service(server: RunningServer) -> Any:
    return pyvo.dal.SIA2Service(f"{server.url}sia2")


def names_of(results: Any) -> list[str]:
    return [str(each["obs_publisher_did"]).rpartition("?")[2] for each in results]


def test_pyvo_searches(service: Any) -> None:
    circle = service.search(pos=(83.6, 22.0, 1.0))
    assert len(circle) == 5 and WIDE in names_of(circle)
    box = service.search(pos=(340.0, 355.0, -65.0, -55.0))
    assert names_of(box) == ["WM-5-1"]
    polygon = service.search(pos=(345.0, -65.0, 355.0, -65.0, 350.0, -55.0))
    assert names_of(polygon) == ["WM-5-1"]
    assert names_of(
        service.search(time=(Time(23050, format="mjd"), Time(23060, format="mjd")))
    ) == [WIDE]
    assert names_of(service.search(exptime=[(35.0, 45.0) * u.min])) == [WIDE]
    assert names_of(service.search(band=[(600.0, 700.0) * u.nm])) == ["QN-8-1"]
    assert names_of(service.search(collection="WM", calib_level=1)) == [WIDE]
    assert names_of(service.search(res_format="image/fits")) == [WIDE]
    assert len(service.search()) == NUMBER_OF_IMAGES


def test_pyvo_reads_records(service: Any) -> None:
    (record,) = service.search(pos=(70.0, 20.0, 0.1))
    assert record.dataproduct_type == "image" and record.calib_level == 1
    assert record.obs_id == "WM-4" and record.obs_collection == "WM"
    assert record.access_url == "https://plates.example/wm4.fits"
    assert record.access_format == "image/fits"
    assert record.instrument_name == "Wide camera, first"
    assert record.t_exptime == 2400 * u.s
    assert math.isclose(record.s_ra.to_value(u.deg), 80.0, abs_tol=1e-4)
    assert record.s_region.startswith("Polygon ICRS ")


def test_pyvo_warns_of_overflow_and_tells_errors(service: Any) -> None:
    query = SIA2Query(service.query_ep)
    query["MAXREC"] = "2"  # a cut by maxrec= pyvo takes for expected
    with pytest.warns(DALOverflowWarning):
        assert len(query.execute()) == 2
    query = SIA2Query(service.query_ep)
    query["POS"] = "CIRCLE 10 95 1"
    with pytest.raises(DALQueryError, match="UsageFault: POS circle DEC must be a number"):
        query.execute()


def test_hostile_names_come_through(service: Any) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        (record,) = service.search(target_name=HOSTILE)
    assert record.target_name == HOSTILE
