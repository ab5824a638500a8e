"""VOSI 1.1 (IVOA, 2017) and VOTable 1.4 (2019) line by line, against a running server.

V lines are VOSI's, T lines VOTable's; where a line is of a schema it says so.
"""

import datetime
import io
import re
import urllib.parse
import warnings
from collections.abc import Iterator
from email.utils import parsedate_to_datetime
from xml.etree import ElementTree

import pytest
import pyvo
from astropy import units as u
from astropy.io.votable import parse
from pyvo.io import vosi
from tests.running_server import Answer, RunningServer, serving
from tests.small_archive import PLATES, Place
from tests.votable_schema import complaints

from platecover.coverage.archive import Archive
from platecover.coverage.errors import QueryError
from platecover.service.app import create_app
from platecover.service.settings import Settings
from platecover.service.votable import Field, Info

XSI = "{http://www.w3.org/2001/XMLSchema-instance}type"
CAPABILITIES = "{http://www.ivoa.net/xml/VOSICapabilities/v1.0}capabilities"
AVAILABILITY = "{http://www.ivoa.net/xml/VOSIAvailability/v1.0}"
VOTABLE = "{http://www.ivoa.net/xml/VOTable/v1.3}"
FOLDERS = ("/", "/sia2/")
CONE = "ivo://ivoa.net/std/ConeSearch"  # of the IVOA's registry
HOSTILE = [
    "</TD></TR>",
    "]]>",
    "&amp;",
    "\x07\x1b",
    "\U0001f52d \xfc",
    "a\rb\tc",
    "\ufffe",
    "<?x?>",
]
ROWS = [
    *PLATES,
    *({**PLATES[0], "plate": f"QN {100 + at}", "object": text} for at, text in enumerate(HOSTILE)),
]
ASKED = "/cone?RA=83.6&DEC=22&SR=1&VERB=3"
DOCUMENTS = (
    ASKED, f"{ASKED}&SR=x", "/cone?RA=83.6&DEC=22&SR=0", "/cone?RA=1&DEC=-88&SR=1",
    f"{ASKED}&MAXREC=2", "/cone?RA=83.6&DEC=22&SR=1&VERB=1",
    f"{ASKED}&RESPONSEFORMAT=votable-binary2",
    "/api/exposures?format=votable", "/api/exposures?format=votable&maxrec=0",
    "/api/exposures?format=votable-binary2", "/api/exposures?format=votable&observer=%3C%26%22%00",
)  # fmt: skip


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Place:
    return Place(tmp_path_factory.mktemp("vosi")).build(ROWS)


@pytest.fixture(scope="module")
def server(place: Place) -> Iterator[RunningServer]:
    with serving(place.folder, "serve", "--archive", place.archive, "--port", 0) as running:
        yield running
        assert "Traceback" not in running.complaints.read_text()


def root_of(answer: Answer) -> ElementTree.Element:
    assert answer.status == 200
    assert answer.headers["Content-Type"] == "text/xml; charset=utf-8"
    return ElementTree.fromstring(answer.body)


def capabilities(server: RunningServer, folder: str = "/") -> ElementTree.Element:
    return root_of(server.ask(f"{folder}capabilities"))


def capability(server: RunningServer, standard_id: str, folder: str = "/") -> ElementTree.Element:
    (found,) = [
        each for each in capabilities(server, folder) if each.get("standardID") == standard_id
    ]
    return found


# --- VOSI, demanded ------------------------------------------------------------------------


@pytest.mark.parametrize("folder", FOLDERS)
def test_V01_anybody_may_ask(server: RunningServer, folder: str) -> None:
    # VOSI 1.1, sections 2 and 4
    for name in ("capabilities", "availability"):
        document = root_of(server.ask(f"{folder}{name}"))
        assert not [each for each in document.iter() if each.tag.endswith("securityMethod")]


@pytest.mark.parametrize("folder", FOLDERS)
def test_V02_root_elements(server: RunningServer, folder: str) -> None:
    # schemas of VOSICapabilities 1.0 and VOSIAvailability 1.0
    assert capabilities(server, folder).tag == CAPABILITIES
    assert root_of(server.ask(f"{folder}availability")).tag == f"{AVAILABILITY}availability"


@pytest.mark.parametrize("folder", FOLDERS)
def test_V03_capabilities_are_in_no_namespace(server: RunningServer, folder: str) -> None:
    # schema: elementFormDefault unqualified
    within = [each.tag for each in capabilities(server, folder).iter()][1:]
    assert within and not any(tag.startswith("{") for tag in within)


@pytest.mark.parametrize("folder", FOLDERS)
def test_V04_availability_is_in_its_namespace(server: RunningServer, folder: str) -> None:
    document = root_of(server.ask(f"{folder}availability"))
    assert all(each.tag.startswith(AVAILABILITY) for each in document.iter())


@pytest.mark.parametrize("folder", FOLDERS)
def test_V05_available_comes_first(server: RunningServer, folder: str) -> None:
    # schema: a sequence of available, upSince, downAt, backAt, note; xs:boolean, xs:dateTime
    document = root_of(server.ask(f"{folder}availability"))
    names = [each.tag.removeprefix(AVAILABILITY) for each in document]
    assert names == ["available", "upSince", "note"]
    assert document[0].text == "true"
    since = datetime.datetime.fromisoformat(document[1].text or "")
    age = datetime.datetime.now(datetime.UTC) - since
    assert -1.0 <= age.total_seconds() < 600.0
    assert document[2].text


@pytest.mark.parametrize("folder", FOLDERS)
def test_V06_interfaces_say_of_which_type(server: RunningServer, folder: str) -> None:
    # schema of VOResource: the type Interface is abstract; the prefix must be declared
    interfaces = list(capabilities(server, folder).iter("interface"))
    assert len(interfaces) == 3
    assert {each.get(XSI) for each in interfaces} == {"vs:ParamHTTP"}
    text = server.ask(f"{folder}capabilities").body.decode()
    assert 'xmlns:vs="http://www.ivoa.net/xml/VODataService/v1.1"' in text
    assert 'xmlns:cs="http://www.ivoa.net/xml/ConeSearch/v1.0"' in text
    for each in interfaces:  # VODataService 1.2: the order of ParamHTTP's children
        order = ["accessURL", "queryType", "resultType", "param", "testQuery"]
        found = [order.index(child.tag) for child in each]
        assert found == sorted(found)


@pytest.mark.parametrize("folder", FOLDERS)
def test_V07_addresses_of_vosi_are_full(server: RunningServer, folder: str) -> None:
    # VOSI 1.1, section 4
    for name in ("capabilities", "availability"):
        found = capability(server, f"ivo://ivoa.net/std/VOSI#{name}", folder)
        (address,) = found.findall("interface/accessURL")
        assert address.get("use") == "full"
        assert address.text == f"{server.url.rstrip('/')}{folder}{name}"


def test_V08_order_in_the_cone_capability(server: RunningServer) -> None:
    # schema of ConeSearch 1.0: maxSR, maxRecords, verbosity, testQuery behind the interface
    found = capability(server, CONE)
    assert found.get(XSI) == "cs:ConeSearch"
    names = [each.tag for each in found]
    assert names == [
        "description", "interface", "maxSR", "maxRecords", "verbosity", "testQuery",
    ]  # fmt: skip
    assert found.findtext("maxSR") == "180" and found.findtext("maxRecords") == "1000000"
    assert found.findtext("verbosity") == "true"
    assert [each.tag for each in found[-1]] == ["ra", "dec", "sr"]
    assert found.findtext("interface/accessURL") == f"{server.url}cone?"


def test_V08_limits_are_those_of_the_settings(place: Place) -> None:
    settings = Settings(largest_radius_deg=2.5, largest_maxrec=50, default_maxrec=5)
    client = create_app(place.archive, settings).test_client()
    document = ElementTree.fromstring(client.get("/capabilities").data)
    assert document.findtext("capability/maxSR") == "2.5"
    assert document.findtext("capability/maxRecords") == "50"


def test_V09_addresses_are_escaped(place: Place) -> None:
    settings = Settings(public_url="https://plates.example/a&b/")
    client = create_app(place.archive, settings).test_client()
    for path in ("/capabilities", "/sia2/capabilities"):
        text = client.get(path, headers={"Host": "other.example"}).data
        assert b"https://plates.example/a&amp;b/" in text and b"other.example" not in text
        ElementTree.fromstring(text)


@pytest.mark.parametrize("host", ["plates.example:8443", "[::1]:80", 'a"b<c>&d', "\xe9.example"])
def test_V09_addresses_name_the_host_that_was_asked(server: RunningServer, host: str) -> None:
    answer = server.ask("/capabilities", Host=host)
    if answer.status == 200:
        assert all(each.text for each in root_of(answer).iter("accessURL"))
        if "example:" in host:
            assert f'<accessURL use="base">http://{host}/cone?<'.encode() in answer.body
    else:
        assert answer.status == 400 and b"<html" not in answer.body.lower()


@pytest.mark.parametrize(
    "address", ["plates.example", "ftp://x/", "https://a b/", "https://x/?q", "https://<x>/", "//x"]
)
def test_an_address_that_is_none_is_refused(address: str) -> None:
    with pytest.raises(QueryError, match="public_url"):
        Settings(public_url=address)


# --- VOSI, recommended ---------------------------------------------------------------------


@pytest.mark.parametrize("folder", FOLDERS)
def test_V10_last_modified(server: RunningServer, place: Place, folder: str) -> None:
    # VOSI 1.1, section 3.1: when the edition was built
    told = parsedate_to_datetime(server.ask(f"{folder}capabilities").headers["Last-Modified"])
    built = Archive.open(place.archive).edition.summary["built"]
    assert told == datetime.datetime.fromisoformat(built)


def test_V11_availability_asks_the_archive(tmp_path_factory: pytest.TempPathFactory) -> None:
    # VOSI 1.1, section 3.2
    place = Place(tmp_path_factory.mktemp("gone")).build()
    client = create_app(place.archive).test_client()
    assert b"<available>true</available>" in client.get("/availability").data
    pointer = place.archive / "current"
    pointer.rename(place.folder / "aside")
    for path in ("/availability", "/sia2/availability"):
        answer = client.get(path)
        assert answer.status_code == 200  # it is this document that tells
        assert b"<available>false</available>" in answer.data
        assert str(place.folder).encode() not in answer.data
        ElementTree.fromstring(answer.data)
    gone = client.get("/capabilities")
    assert gone.status_code == 503 and gone.headers["Retry-After"]
    (place.folder / "aside").rename(pointer)
    assert b"<available>true</available>" in client.get("/availability").data


@pytest.mark.parametrize("folder", FOLDERS)
def test_V12_other_methods_are_refused(server: RunningServer, folder: str) -> None:
    # VOSI 1.1, section 2
    for name in ("capabilities", "availability"):
        for method in ("POST", "PUT", "DELETE", "PATCH"):
            answer = server.ask(f"{folder}{name}", method=method)
            assert answer.status == 405 and "GET" in answer.headers["Allow"]
            assert b"<html" not in answer.body.lower()
        head = server.ask(f"{folder}{name}", method="HEAD")
        assert head.status == 200 and head.body == b""


@pytest.mark.parametrize("folder", FOLDERS)
def test_V13_the_vosi_resources_are_listed(server: RunningServer, folder: str) -> None:
    # VOSI 1.1, section 3.1; and the service itself by the identifier of its standard
    own = {"/": CONE, "/sia2/": "ivo://ivoa.net/std/SIA#query-2.0"}[folder]
    found = [each.get("standardID") for each in capabilities(server, folder)]
    assert found == [
        "ivo://ivoa.net/std/VOSI#capabilities", "ivo://ivoa.net/std/VOSI#availability", own,
    ]  # fmt: skip


def test_V14_the_test_query_finds_something(server: RunningServer, demo_archive: Archive) -> None:
    # common practice: at least one row, and few
    query = capability(server, CONE).find("testQuery")
    assert query is not None
    ra, dec, sr = (query.findtext(name) for name in ("ra", "dec", "sr"))
    answer = server.ask(f"/cone?RA={ra}&DEC={dec}&SR={sr}")
    assert answer.body.count(b"<TR>") == 1  # WM 5 stands alone
    demo = create_app(demo_archive).test_client()
    document = ElementTree.fromstring(demo.get("/capabilities").data)
    ra, dec, sr = (
        document.findtext(f"capability/testQuery/{name}") for name in ("ra", "dec", "sr")
    )
    assert 1 <= demo.get(f"/cone?RA={ra}&DEC={dec}&SR={sr}").data.count(b"<TR>") <= 20


def test_pyvo_reads_capabilities_and_availability(server: RunningServer) -> None:
    for folder, standard_id in (("/sia2/", "ivo://ivoa.net/std/SIA#query-2.0"), ("/", CONE)):
        with warnings.catch_warnings():
            # pyvo does not know what a cone search adds to a capability, and goes on
            warnings.filterwarnings("ignore", "Unknown xsi:type cs:ConeSearch ignored")
            added = "(maxSR|maxRecords|verbosity|testQuery|ra|dec|sr)"
            warnings.filterwarnings("ignore", f".*Unknown element {added}")
            content = io.BytesIO(server.ask(f"{folder}capabilities").body)
            read = {
                each.standardid: each for each in vosi.parse_capabilities(content, pedantic=False)
            }
        (interface,) = read[standard_id].interfaces
        assert interface.role == "std" and interface.accessurls[0].content.startswith(server.url)
    found = pyvo.dal.SCSService(interface.accessurls[0].content)
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", "(?s).*Invalid UCD")
        assert len(found.search((350.0, -60.0), 1.0 * u.deg)) == 1
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # pyvo calls its own reader of availability deprecated
        read = vosi.parse_availability(io.BytesIO(server.ask("/availability").body), pedantic=True)
    assert read.available is True and read.upsince and read.notes


# --- VOTable -------------------------------------------------------------------------------


@pytest.mark.parametrize("path", DOCUMENTS)
def test_T01_to_T13_documents_are_valid(server: RunningServer, path: str) -> None:
    # VOTable 1.4, section 3: namespace, version, at least one RESOURCE; T03 to T06 and T08 to
    # T12 (order of elements, attributes, IDs, COOSYS, TIMESYS, type, ucd) are of the schema
    answer = server.ask(path)
    for version in ("1.4", "1.5"):
        assert complaints(answer.body, version) == ""
    root = ElementTree.fromstring(answer.body)
    assert root.tag == f"{VOTABLE}VOTABLE" and root.get("version") == "1.4"
    assert root.findall(f"{VOTABLE}RESOURCE")


def test_T02_the_schema_finds_faults(server: RunningServer) -> None:
    content = server.ask(ASKED).body
    for good, bad in (
        (b"<COOSYS", b"<TABLE/><COOSYS"), (b' ID="icrs"', b""), (b'timescale="UT"', b""),
        (b'ID="ut"', b'ID="icrs"'), (b'type="results"', b'type="rows"'),
        (b'ucd="meta.note"', b'ucd="meta. note"'), (b"</RESOURCE>", b""),
    ):  # fmt: skip
        assert good in content
        assert complaints(content.replace(good, bad, 1)) != "", good


@pytest.mark.parametrize("path", DOCUMENTS)
def test_T03_order_in_a_resource(server: RunningServer, path: str) -> None:
    root = ElementTree.fromstring(server.ask(path).body)
    for resource in root.iter(f"{VOTABLE}RESOURCE"):
        names = [child.tag.removeprefix(VOTABLE) for child in resource]
        order = ["DESCRIPTION", "INFO", "COOSYS", "TIMESYS", "TABLE"]
        assert [order.index(name) for name in names] == sorted(map(order.index, names))
        assert names[0] == "INFO" and resource[0].get("name") == "QUERY_STATUS"
        assert resource.get("type") == "results"  # T11
        for table in resource.iter(f"{VOTABLE}TABLE"):  # T04
            within = [child.tag.removeprefix(VOTABLE) for child in table]
            assert within == ["DESCRIPTION", *["FIELD"] * (len(within) - 2), "DATA"]


@pytest.mark.parametrize("path", DOCUMENTS)
def test_T06_and_T10_identifiers(server: RunningServer, path: str) -> None:
    # sections 3.2 and 3.5: unique, well-formed, and before what refers to them
    seen: set[str] = set()
    for element in ElementTree.fromstring(server.ask(path).body).iter():
        if "ID" in element.keys():
            identifier = element.get("ID", "")
            assert re.fullmatch("[A-Za-z_][A-Za-z0-9_.-]*", identifier)
            assert identifier not in seen
            seen.add(identifier)
        if "ref" in element.keys():
            assert element.get("ref") in seen


def test_T05_elements_have_their_attributes() -> None:
    text = Field("a<b", "double", "deg", "pos;meta.main", 'say "&"').xml
    assert ElementTree.fromstring(text).attrib == {
        "name": "a<b", "datatype": "double", "unit": "deg", "ucd": "pos;meta.main",
    }  # fmt: skip
    info = ElementTree.fromstring(Info("n", "\"'<&\x00\r\n", "<text>").xml())
    assert info.get("name") == "n" and info.get("value") == "\"'<&\ufffd\r\n"
    assert info.text == "<text>"


def test_T07_a_cell_for_every_field(server: RunningServer) -> None:
    # section 5.1; whatever the texts are
    root = ElementTree.fromstring(server.ask(ASKED).body)
    fields = len(list(root.iter(f"{VOTABLE}FIELD")))
    rows = list(root.iter(f"{VOTABLE}TR"))
    assert len(rows) == 4 + len(HOSTILE)
    assert {len(row) for row in rows} == {fields}


def test_T08_and_T24_frame(server: RunningServer) -> None:
    root = ElementTree.fromstring(server.ask(ASKED).body)
    (frame,) = root.iter(f"{VOTABLE}COOSYS")
    assert (frame.get("ID"), frame.get("system")) == ("icrs", "ICRS")
    refer = {each.get("name") for each in root.iter(f"{VOTABLE}FIELD") if each.get("ref") == "icrs"}
    assert refer == {"s_ra", "s_dec"}


def test_T09_times(server: RunningServer) -> None:
    # section 3.5: days since the origin of MJD need it; UT since most plates are older than 1972
    root = ElementTree.fromstring(server.ask(ASKED).body)
    (scale,) = root.iter(f"{VOTABLE}TIMESYS")
    assert dict(scale.attrib) == {
        "ID": "ut", "timeorigin": "MJD-origin", "timescale": "UT", "refposition": "TOPOCENTER",
    }  # fmt: skip
    by_name = {each.get("name"): each for each in root.iter(f"{VOTABLE}FIELD")}
    for name in ("t_min", "t_max"):
        assert (by_name[name].get("ref"), by_name[name].get("unit")) == ("ut", "d")
    # a Julian epoch carries its calendar year, so that it may not refer to an origin
    assert by_name["epoch"].get("ref") is None and by_name["epoch"].get("unit") == "yr"


def test_T12_and_T25_ucds(server: RunningServer) -> None:
    # section 4.5: UCD1+ but for those that Simple Cone Search wants
    for path in (ASKED, "/api/exposures?format=votable"):
        for field in ElementTree.fromstring(server.ask(path).body).iter(f"{VOTABLE}FIELD"):
            assert re.fullmatch(r"[A-Za-z0-9._;-]+", field.get("ucd", "")), field.attrib
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # astropy knows the words of UCD1+
        parse(io.BytesIO(server.ask("/api/exposures?format=votable").body), verify="exception")


def test_T13_and_T21_arraysizes(server: RunningServer) -> None:
    # section 2.2: texts have one, single numbers none
    for field in ElementTree.fromstring(server.ask(ASKED).body).iter(f"{VOTABLE}FIELD"):
        is_text = field.get("datatype") in ("char", "unicodeChar")
        assert field.get("arraysize") == ("*" if is_text else None)


def test_T14_char_is_ascii(server: RunningServer) -> None:
    # section 6
    root = ElementTree.fromstring(server.ask(ASKED).body)
    kinds = [each.get("datatype") for each in root.iter(f"{VOTABLE}FIELD")]
    cells = [row[kinds.index("char")].text or "" for row in root.iter(f"{VOTABLE}TR")]
    assert kinds.count("char") == 1 and all(cells) and "".join(cells).isascii()


def test_T20_names_are_unique(server: RunningServer) -> None:
    # section 3.2
    for path in DOCUMENTS:
        root = ElementTree.fromstring(server.ask(path).body)
        names = [(each.get("name") or "").lower() for each in root.iter(f"{VOTABLE}FIELD")]
        assert len(set(names)) == len(names)


def test_T22_nulls(server: RunningServer) -> None:
    # section 5.5: empty cells, flags in BINARY2, no magic values
    for form in ("votable", "votable-binary2"):
        content = server.ask(f"/api/exposures?format={form}").body
        assert b"VALUES" not in content and b"NaN" not in content
        table = parse(io.BytesIO(content)).get_first_table().array
        at = list(table["exposure_id"]).index("QN-3b-1")
        assert table["t_min"].mask[at] or table["t_min"][at] != table["t_min"][at]
        assert str(table["observer"][at]) in ("", "--")


def test_T23_units(server: RunningServer) -> None:
    # section 4.4: VOUnits
    for field in ElementTree.fromstring(server.ask(ASKED).body).iter(f"{VOTABLE}FIELD"):
        if unit := field.get("unit"):
            u.Unit(unit, format="vounit", parse_strict="raise")
            assert " " not in unit


def test_text_that_xml_cannot_hold(server: RunningServer) -> None:
    # W3C XML 1.0, section 2.2; BINARY2 can hold it
    for form in ("votable", "votable-binary2"):
        query = urllib.parse.urlencode({"format": form, "series": "QN"})
        content = server.ask(f"/api/exposures?{query}").body
        read = list(parse(io.BytesIO(content)).get_first_table().array["object"])
        found = [text for text in read if text]
        expected = HOSTILE
        if form == "votable":
            expected = [re.sub("[\x07\x1b\ufffe]", "\ufffd", text) for text in HOSTILE]
        assert sorted(found) == sorted(expected)
