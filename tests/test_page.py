"""The page at `/`: it answers as the API does, in words, and shows hostile text as text."""

import html
import re
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from flask.testing import FlaskClient
from tests.small_archive import GOOD, PLATES, Place

from platecover.coverage.archive import Archive
from platecover.coverage.regions import Region
from platecover.service.app import create_app
from platecover.service.page import ROWS_SHOWN
from platecover.service.page_facts import MODULES
from platecover.service.settings import Settings

HOSTILE = "<script>alert(1)</script>\"'&{{7*7}}"
VOID = {"meta", "link", "input", "img", "br", "source"}


class Page(HTMLParser):
    """Elements of a page; refuses tags that are not closed in order."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.feed(text)
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note an element; html.parser calls this."""
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        """Check that it closes what was opened last; html.parser calls this."""
        assert self.open and self.open.pop() == tag, f"{tag} closed out of order"

    def all(self, tag: str) -> list[dict[str, str | None]]:
        """Attributes of all elements of a kind, in order."""
        return [attributes for name, attributes in self.elements if name == tag]


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Place:
    hostile = {**GOOD, "plate": "QN 77", "observer": HOSTILE, "object": HOSTILE,
               "scan_url": "http://plates.example/77?a=1&b=2"}  # fmt: skip
    return Place(tmp_path_factory.mktemp("page")).build([*PLATES, hostile])


@pytest.fixture(scope="module")
def client(place: Place) -> Iterator[FlaskClient]:
    yield create_app(place.archive).test_client()


def listed(text: str) -> list[str]:
    """Exposures that a page lists, in order."""
    return re.findall(r'<th scope="row"><a href="/plates/[^"]+">([^<]+)</a>', text)


def said_fault(text: str) -> str:
    """The sentence that says what is wrong."""
    found = re.search(r'<p class="fault" role="alert"[^>]*>(.*?)</p>', text, re.S)
    assert found is not None
    return html.unescape(found[1])


@pytest.mark.parametrize(
    ("query", "region"),
    [
        ("place=83.6+22.0", "circle 83.6 22 0"),
        ("place=83.6,22.0", "circle 83.6 22 0"),
        # 5h34m24s is 83.6 deg by definition of the hour (15 degrees)
        ("place=05+34+24+%2B22+00+00", "circle 83.6 22 0"),
        ("place=5h34m24s+%2B22d00m00s", "circle 83.6 22 0"),
        ("place=05:34:24+22:00:00", "circle 83.6 22 0"),
        ("place=5h34m24s%2B22d00m00s", "circle 83.6 22 0"),
        ("place=05+34.4+22+00&radius=2", "circle 83.6 22 2"),
        ("place=350+-60&radius=1", "circle 350 -60 1"),
        ("place=350+%E2%88%9260&radius=1", "circle 350 -60 1"),  # a typographer's minus
        ("place=350+-45&radius=10", "circle 350 -45 10"),  # no plate shows 350 -45 itself
        ("place=constellation+Taurus", "constellation Tau"),
        ("place=taurus", "constellation Tau"),
        ("place=Tau", "constellation Tau"),
        ("place=range+80+90+20+25&radius=", "range 80 90 20 25"),
        ("place=polygon+80+20+90+20+90+30&radius=9", "polygon 80 20 90 20 90 30"),
    ],
)
def test_lists_what_python_finds(
    client: FlaskClient, place: Place, query: str, region: str
) -> None:
    answer = client.get(f"/?{query}")
    assert answer.status_code == 200
    rows = Archive.open(place.archive).search(Region.parse(region))
    assert listed(answer.text) == list(rows["exposure_id"])
    assert len(rows) > 0
    api = client.get("/api/exposures", query_string={"region": region}).get_json()
    assert listed(answer.text) == [row["exposure_id"] for row in api["exposures"]]
    assert f"<b>{len(rows)}</b> exposure" in answer.text


def test_whole_archive_at_a_glance(client: FlaskClient) -> None:
    page = client.get("/")
    assert page.status_code == 200
    assert "Brackwater Observatory (invented)" in page.text
    assert "<b>6</b> exposures on <b>6</b> plates" in page.text
    assert listed(page.text) == []
    assert "taken from 1905 to 1930; 1 of them is undated" in page.text
    series = dict(re.findall(r'<a href="/\?series=([^"]+)">.*<td class="n">(\d+)</td>', page.text))
    assert series == {"QN": "4", "WM": "2"}
    assert "1922–1930" in page.text  # WM: 40 minutes from 23:50 of 31 December 1921, and 1930


def test_pictures_and_downloads_answer(client: FlaskClient) -> None:
    page = Page(client.get("/?place=83.6+22&radius=1&show=years&from=1900").text)
    addresses = [image["src"] for image in page.all("img")]
    addresses += [source["srcset"] for source in page.all("source")]
    addresses += [link["href"] for link in page.all("a") if (link["href"] or "").startswith("/api")]
    assert len(addresses) > 10
    for address in addresses:
        assert address is not None
        answer = client.get(address)
        assert answer.status_code == 200, address
    kinds = {client.get(str(image["src"])).mimetype for image in page.all("img")}
    assert kinds == {"image/png"}


def test_no_hits_is_said(client: FlaskClient) -> None:
    page = client.get("/?place=200+80")
    assert page.status_code == 200
    assert 'No exposure in this archive shows <span class="place">200 +80</span>.' in page.text


def test_hostile_text_is_text(client: FlaskClient) -> None:
    page = client.get("/", query_string={"place": "83.6 22", "observer": "script"})
    assert html.escape("<script>alert(1)</script>", quote=False) in page.text
    assert "<script>" not in page.text
    assert "{{7*7}}" in html.unescape(page.text)
    again = client.get("/", query_string={"place": HOSTILE, "radius": HOSTILE, "from": HOSTILE})
    assert again.status_code == 400
    assert "<script>" not in again.text
    for text in (page.text, again.text):
        for _, attributes in Page(text).elements:
            assert not any(name.startswith("on") or name == "style" for name in attributes)


@pytest.mark.parametrize(
    ("query", "message"),
    [
        ("place=abc+def", "place: no right ascension in 'abc def'"),
        ("place=83.6", "place: '83.6' is not understood"),
        ("place=10+95", "place: no declination in '10 95'"),
        ("place=25+00+00+%2B10+00+00", "place: no right ascension in"),
        ("place=10+10&place=20+20", "place takes one value"),
        ("place=" + "1+" * 300, "more than 200"),
        ("place=polygon+" + "1+" * 31_000, "more than 60000"),
        ("show=beauty", "show must be one of exposures, plates"),
        ("place=10+10&radius=-1", "radius must be a number from 0 to 180"),
        ("place=10+10&radius=nan", "radius must be"),
        ("place=10+10&radius=x", "radius must be"),
        ("place=constellation+Foo", "constellation"),
        ("place=circle+1+2", "circle"),
        ("place=moc+/etc/passwd", "moc"),
        ("place=10+10&series=ZZ", "is not known; known: QN, WM"),
        ("place=10+10&from=yesterday", "from must be a year, month or date"),
        ("undated=perhaps", "undated must be"),
    ],
)
def test_errors_are_said_in_words(client: FlaskClient, query: str, message: str) -> None:
    answer = client.get(f"/?{query}")
    assert answer.status_code == 400
    page = Page(answer.text)
    assert message in said_fault(answer.text)
    assert "root:" not in answer.text
    assert "<img" not in answer.text
    assert [each for each in page.all("input") if each.get("id") == "place"]  # to ask again


def test_form_keeps_what_was_asked(client: FlaskClient) -> None:
    query = {"place": "83.6 22", "radius": "2", "series": "WM", "from": "1900", "show": "gap"}
    page = Page(client.get("/", query_string=query).text)
    values = {each["id"]: each.get("value") for each in page.all("input")}
    assert (values["place"], values["radius"], values["from"]) == ("83.6 22", "2", "1900")
    chosen = {each.get("value") for each in page.all("option") if "selected" in each}
    assert "gap" in chosen
    assert "<option selected>WM</option>" in client.get("/", query_string=query).text


def test_filters_that_the_form_has_no_choice_for_are_kept(client: FlaskClient) -> None:
    page = client.get(
        "/?place=83.6+22&radius=5&series=QN&series=WM&technique=direct&max_exposure=0"
    )
    assert "<option selected>QN, WM</option>" in page.text
    values = {each["id"]: each.get("value") for each in Page(page.text).all("input")}
    assert values["technique"] == "direct" and values["max_exposure"] == "0"
    assert "(series QN, WM; technique direct; max_exposure 0)" not in listed(page.text)
    assert "under these conditions: series QN, WM; technique direct; max_exposure 0" in page.text
    again = client.get("/?place=83.6+22&radius=5&series=QN,+WM&technique=direct")
    assert len(listed(again.text)) == 5


def test_what_is_left_aside_is_said(client: FlaskClient) -> None:
    page = client.get("/?place=constellation+Tau&radius=3&serie=QN&<b>=1")
    assert page.status_code == 200
    assert "The radius goes with a position, and was left aside." in page.text
    assert "Not known here, and left aside: serie, &lt;b&gt;." in page.text


def test_first_rows_of_many_and_all_of_them_in_the_files(tmp_path: Path) -> None:
    rows = [{**GOOD, "plate": f"QN {number}"} for number in range(1, ROWS_SHOWN + 2)]
    client = create_app(Place(tmp_path).build(rows).archive).test_client()
    page = client.get("/?place=83.6+22")
    assert len(listed(page.text)) == ROWS_SHOWN
    assert f"The first {ROWS_SHOWN} of {len(rows)} exposures" in page.text
    link = next(each["href"] for each in Page(page.text).all("a") if "format=csv" in str(each))
    assert len(client.get(str(link)).text.splitlines()) == 1 + len(rows)
    # a limit below the number of rows is lifted as far as the settings let it
    few = create_app(Place(tmp_path).archive, Settings(default_maxrec=10)).test_client()
    assert len(few.get(str(link)).text.splitlines()) == 1 + 10
    page = few.get("/?place=83.6+22")
    link = next(each["href"] for each in Page(page.text).all("a") if "format=csv" in str(each))
    assert len(few.get(str(link)).text.splitlines()) == 1 + len(rows)


def test_times_are_shown_as_closely_as_they_are_known(client: FlaskClient) -> None:
    page = client.get("/?undated=yes&from=1800&series=QN,WM")
    assert ">1905-03-04 21:30</td>" in page.text
    assert ">1930-01-01</td>" not in page.text and ">1930</td>" in page.text
    assert ">undated</td>" in client.get("/?undated=only").text


def test_page_of_a_plate(client: FlaskClient) -> None:
    record = client.get("/api/plates/QN-1").get_json()
    page = client.get("/plates/qn 1")
    assert page.status_code == 200
    Page(page.text)
    for cells in record["logged"]:
        for text in cells.values():
            assert html.escape(str(text)) in page.text
    for corner in record["exposures"][0]["outline"]:
        assert f"{corner[0]:.3f} {corner[1]:+.3f}" in page.text
    hostile = client.get("/plates/QN-77")
    assert "<script" not in hostile.text and "&lt;script&gt;" in hostile.text


def test_unknown_plate_is_said(client: FlaskClient) -> None:
    page = client.get("/plates/QN-4")
    assert page.status_code == 404
    assert "nearest: QN-3b" in said_fault(page.text)
    assert client.get("/plates/<b>").status_code == 404


def test_everything_has_a_name_for_those_who_hear_it(client: FlaskClient) -> None:
    page = Page(client.get("/?place=83.6+22").text)
    labelled = {each["for"] for each in page.all("label")}
    assert {each["id"] for each in page.all("input") + page.all("select")} == labelled
    assert all(image["alt"] for image in page.all("img"))
    assert page.all("html")[0]["lang"] == "en"
    assert len(page.all("h1")) == len(page.all("main")) == 1
    assert all("scope" in each for each in page.all("th"))


def test_nothing_comes_from_another_host(client: FlaskClient) -> None:
    answer = client.get("/?place=83.6+22")
    page = Page(answer.text)
    scripts = [each for each in page.all("script") if each.get("type") != "application/json"]
    fetched = [each.get("src") or "" for each in page.all("img") + scripts]
    fetched += [each["srcset"] or "" for each in page.all("source")]
    fetched += [each["href"] or "" for each in page.all("link")]
    assert all(address.startswith("/") and not address.startswith("//") for address in fetched)
    for name in ("page.css", "board.css", "sky/sky.css"):
        with client.get(f"/static/{name}") as styles:
            assert "url(" not in styles.get_data(as_text=True)
    assert "default-src 'self'" in answer.headers["Content-Security-Policy"]


def test_no_other_addresses_than_those_of_the_web(tmp_path: Path) -> None:
    addresses = ("javascript:alert(1)", "data:text/html,x", "ftp://plates.example/1", "http:",
                 "//plates.example/2", "http://[", "https://plates.example/3")  # fmt: skip
    rows = [{**GOOD, "plate": f"QN {at}", "scan_url": each} for at, each in enumerate(addresses, 1)]
    client = create_app(Place(tmp_path).build(rows).archive).test_client()
    text = client.get("/?place=83.6+22").text
    assert len(listed(text)) == len(addresses)
    links = [each["href"] for each in Page(text).all("a") if "noopener" in (each.get("rel") or "")]
    assert links == ["https://plates.example/3"]


def test_only_scans_on_the_web_are_linked(client: FlaskClient) -> None:
    page = Page(client.get("/?place=83.6+22&observer=script").text)
    links = [each for each in page.all("a") if "noopener" in (each.get("rel") or "")]
    assert [each["href"] for each in links] == ["http://plates.example/77?a=1&b=2"]


def test_hidden_columns_stay_hidden(place: Place) -> None:
    settings = Settings(public_columns="plate, t_min, series, certainty")
    page = create_app(place.archive, settings).test_client().get("/?place=83.6+22&radius=1")
    assert page.status_code == 200
    assert "Ada Fenn" not in page.text and "on shelf" not in page.text
    assert "QN-1" in page.text
    client = create_app(place.archive, Settings(public_columns="exposure_id")).test_client()
    for path in ("/", "/?place=83.6+22", "/plates/QN-1"):
        page = client.get(path)
        assert page.status_code == 200
        for hidden in ("1905", "Ada Fenn", "Mill astrograph", "on shelf", "surely", "undated"):
            assert hidden not in page.text


@pytest.mark.parametrize("name", ["page.css", "icon.svg"])
def test_static_files_are_served_and_kept(client: FlaskClient, name: str) -> None:
    with client.get(f"/static/{name}") as answer:
        assert answer.status_code == 200
        tag = answer.headers["ETag"]
    with client.head(f"/static/{name}") as answer:
        assert answer.status_code == 200 and answer.data == b""
    with client.get(f"/static/{name}", headers={"If-None-Match": tag}) as answer:
        assert answer.status_code == 304


@pytest.mark.parametrize(
    "path",
    ["/static/", "/static/none.css", "/static/../pyproject.toml", "/static/..%2fapp.py",
     "/static/%2e%2e/service/app.py", "/static/page.css/x", "/static/.page.css",
     "/static//etc/passwd.css", "/static/page.css%00.css", "/static"],
)  # fmt: skip
def test_nothing_else_is_served(client: FlaskClient, path: str) -> None:
    with client.get(path, follow_redirects=True) as answer:
        assert answer.status_code == 404


def test_archive_gone_is_said(tmp_path: Path) -> None:
    place = Place(tmp_path).build()
    client = create_app(place.archive).test_client()
    place.archive.rename(tmp_path / "elsewhere")
    for path in ("/", "/plates/QN-1"):
        page = client.get(path)
        assert page.status_code == 503
        assert page.headers["Retry-After"]
        assert "cannot be read just now" in said_fault(page.text)
        assert str(tmp_path) not in page.text
        Page(page.text)
    with client.get("/static/page.css") as styles:
        assert styles.status_code == 200
    (tmp_path / "elsewhere").rename(place.archive)
    assert client.get("/").status_code == 200


@pytest.mark.parametrize("query", ["", "place=", "place=++&radius=&series=", "radius=0"])
def test_nothing_asked_is_the_whole_archive(client: FlaskClient, query: str) -> None:
    assert "Name a place" in client.get(f"/?{query}").text


def test_methods(client: FlaskClient) -> None:
    head = client.head("/")
    assert head.status_code == 200 and head.data == b""
    assert client.post("/").status_code == 405
    tag = head.headers["ETag"]
    assert client.get("/", headers={"If-None-Match": tag}).status_code == 304


@pytest.mark.parametrize(
    ("query", "parameter"),
    [
        ("map?show=plates&format=png&outline=circle+1", "outline"),
        ("map?show=plates&format=png&outline=moc+/etc/passwd", "outline"),
        ("map?show=plates&format=png&layout=tall", "layout"),
        ("epochs?format=png&layout=tall", "layout"),
    ],
)
def test_bad_wishes_for_pictures_are_named(client: FlaskClient, query: str, parameter: str) -> None:
    answer = client.get(f"/api/{query}")
    assert answer.status_code == 400
    assert answer.get_json()["error"]["parameter"] == parameter


def test_modules_that_are_fetched_at_once_are_those_imported() -> None:
    # all that static/app.js imports, and what these import
    folder = Path(__file__).parents[1] / "static"
    found, left = set(), ["app.js"]
    while left:
        name = left.pop()
        if name in found:
            continue
        found.add(name)
        for path in re.findall(r'from "(\./[^"]+|\.\./[^"]+)"', (folder / name).read_text()):
            left.append(
                (folder / name).parent.joinpath(path).resolve().relative_to(folder).as_posix()
            )
    assert sorted(found) == sorted(MODULES)


@pytest.mark.parametrize(
    ("text", "ra", "dec"),
    [
        # SIMBAD's positions of M 31, of theta 1 Orionis and of Sirius, from memory, to an arcmin
        ("M31", 10.685, 41.269), ("ngc 224", 10.685, 41.269), ("Andromeda Galaxy", 10.685, 41.269),
        ("Orion Nebula", 83.82, -5.39), ("sirius", 101.287, -16.716),
    ],
)  # fmt: skip
def test_names_of_things(client: FlaskClient, text: str, ra: float, dec: float) -> None:
    found = client.get("/page/place", query_string={"place": text}).get_json()
    assert found["ra"] == pytest.approx(ra, abs=0.02)
    assert found["dec"] == pytest.approx(dec, abs=0.02)
    assert found["named"] and found["takes_radius"]
    page = client.get("/", query_string={"place": text})
    assert page.status_code == 200 and "Taken for" in page.text


@pytest.mark.parametrize("text", ["Mars", "the moon", "nothing of this name", "M 999999", "NGC"])
def test_names_of_nothing_that_stands(client: FlaskClient, text: str) -> None:
    answer = client.get("/page/place", query_string={"place": text})
    assert answer.status_code == 400 and text.split()[-1] in answer.text
    assert client.get("/", query_string={"place": text}).status_code == 400


def test_outlines_are_those_of_the_hits(client: FlaskClient, place: Place) -> None:
    found = client.get("/page/outlines", query_string={"place": "83.6 22", "radius": 1}).get_json()
    rows = Archive.open(place.archive).cone(83.6, 22.0, 1.0)
    assert [each["id"] for each in found["outlines"]] == list(rows["exposure_id"])
    record = client.get("/api/plates/QN-77").get_json()
    whole = next(each for each in record["exposures"] if each["exposure_id"] == "QN-77-1")
    drawn = next(each for each in found["outlines"] if each["id"] == "QN-77-1")
    # either way round
    np.testing.assert_allclose(sorted(drawn["corners"]), sorted(whole["outline"]), atol=6e-4)
    few = client.get("/page/outlines", query_string={"place": "83.6 22", "most": 1}).get_json()
    assert len(few["outlines"]) == 1 < few["total"]
