"""The page at `/`: it answers as the API does, in words, and shows hostile text as text."""

import html
import re
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path

import pytest
from flask.testing import FlaskClient
from tests.small_archive import GOOD, PLATES, Place

from platecover.coverage.archive import Archive
from platecover.coverage.errors import QueryError
from platecover.coverage.regions import Region
from platecover.service.app import create_app
from platecover.service.page import place_region_text
from platecover.service.settings import Settings

HOSTILE = "<script>alert(1)</script>\"'&{{7*7}}"
VOID = {"meta", "link", "input", "img", "br"}


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


def plates_listed(text: str) -> list[str]:
    return re.findall(r'<th scope="row"><a href="/api/plates/[^"]+">([^<]+)</a>', text)


@pytest.mark.parametrize(
    ("query", "region"),
    [
        ("place=83.6+22.0", "circle 83.6 22 0"),
        ("place=83.6,22.0", "circle 83.6 22 0"),
        # 5h34m24s is 83.6 deg by definition of the hour (15 degrees)
        ("place=05+34+24+%2B22+00+00", "circle 83.6 22 0"),
        ("place=5h34m24s+%2B22d00m00s", "circle 83.6 22 0"),
        ("place=05:34:24+22:00:00", "circle 83.6 22 0"),
        ("place=05+34.4+22+00&radius=2", "circle 83.6 22 2"),
        ("place=350+-60&radius=1", "circle 350 -60 1"),
        ("place=350+%E2%88%9260&radius=1", "circle 350 -60 1"),  # a typographer's minus
        ("place=constellation+Taurus", "constellation Tau"),
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
    assert plates_listed(answer.text) == list(rows["plate"])
    assert len(rows) > 0
    assert f"<b>{len(rows)}</b> exposure" in answer.text


def test_whole_archive_at_a_glance(client: FlaskClient) -> None:
    page = client.get("/")
    assert page.status_code == 200
    assert "Brackwater Observatory (invented)" in page.text
    assert "<b>6</b> exposures on <b>6</b> plates" in page.text
    assert plates_listed(page.text) == []


def test_pictures_and_downloads_answer(client: FlaskClient) -> None:
    page = Page(client.get("/?place=83.6+22&radius=1&show=years&from=1900").text)
    addresses = [image["src"] for image in page.all("img")]
    addresses += [link["href"] for link in page.all("a") if (link["href"] or "").startswith("/api")]
    assert len(addresses) > 8
    for address in addresses:
        assert address is not None
        answer = client.get(address)
        assert answer.status_code == 200, address
    kinds = {client.get(str(image["src"])).mimetype for image in page.all("img")}
    assert kinds == {"image/png", "image/svg+xml"}


def test_no_hits_is_said(client: FlaskClient) -> None:
    page = client.get("/?place=200+80")
    assert page.status_code == 200
    assert "No exposure in this archive shows circle 200 80 0" in page.text


def test_hostile_text_is_text(client: FlaskClient) -> None:
    page = client.get("/", query_string={"place": "83.6 22", "observer": "script"})
    assert html.escape("<script>alert(1)</script>", quote=False) in page.text
    assert "<script" not in page.text
    assert "{{7*7}}" in html.unescape(page.text)
    again = client.get("/", query_string={"place": HOSTILE, "radius": HOSTILE, "from": HOSTILE})
    assert again.status_code == 400
    assert "<script" not in again.text
    for text in (page.text, again.text):
        for _, attributes in Page(text).elements:
            assert not any(name.startswith("on") or name == "style" for name in attributes)


@pytest.mark.parametrize(
    ("query", "message"),
    [
        ("place=abc+def", "place: no RA in 'abc def'"),
        ("place=83.6", "cannot tell where RA ends"),
        ("place=10+95", "place: no Dec in '10 95'"),
        ("place=25+00+00+%2B10+00+00", "place: no RA in"),
        ("place=10+10&radius=-1", "radius must be a number from 0 to 180"),
        ("place=10+10&radius=nan", "radius must be"),
        ("place=10+10&radius=x", "radius must be"),
        ("place=constellation+Foo", "constellation"),
        ("place=circle+1+2", "circle"),
        ("place=moc+/etc/passwd", "moc"),
        ("place=10+10&series=ZZ", "is not known; known: QN, WM"),
        ("place=10+10&from=yesterday", "from must be a year, month or date"),
    ],
)
def test_errors_are_said_in_words(client: FlaskClient, query: str, message: str) -> None:
    answer = client.get(f"/?{query}")
    assert answer.status_code == 400
    page = Page(answer.text)
    fault = re.search(r'<p class="fault" role="alert">(.*?)</p>', answer.text, re.S)
    assert fault is not None and message in html.unescape(fault[1])
    assert "root:" not in answer.text
    assert [each for each in page.all("input") if each.get("id") == "place"]  # to ask again


def test_form_keeps_what_was_asked(client: FlaskClient) -> None:
    query = {"place": "83.6 22", "radius": "2", "series": "WM", "from": "1900", "show": "gap"}
    page = Page(client.get("/", query_string=query).text)
    values = {each["id"]: each.get("value") for each in page.all("input")}
    assert (values["place"], values["radius"], values["from"]) == ("83.6 22", "2", "1900")
    chosen = {each["value"] for each in page.all("option") if "selected" in each}
    assert {"WM", "gap"} <= chosen


def test_everything_has_a_name_for_those_who_hear_it(client: FlaskClient) -> None:
    page = Page(client.get("/?place=83.6+22").text)
    labelled = {each["for"] for each in page.all("label")}
    assert {each["id"] for each in page.all("input") + page.all("select")} <= labelled
    assert all(image["alt"] for image in page.all("img"))
    assert page.all("html")[0]["lang"] == "en"
    assert len(page.all("h1")) == len(page.all("main")) == 1
    assert all("scope" in each for each in page.all("th"))


def test_nothing_comes_from_another_host(client: FlaskClient) -> None:
    answer = client.get("/?place=83.6+22")
    page = Page(answer.text)
    fetched = [each.get("src") or "" for each in page.all("img") + page.all("script")]
    fetched += [each["href"] or "" for each in page.all("link")]
    assert all(address.startswith("/") and not address.startswith("//") for address in fetched)
    with client.get("/static/page.css") as styles:
        assert "url(" not in styles.get_data(as_text=True)
    assert "default-src 'self'" in answer.headers["Content-Security-Policy"]


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
     "/static/%2e%2e/service/app.py", "/static/page.css/x"],
)  # fmt: skip
def test_nothing_else_is_served(client: FlaskClient, path: str) -> None:
    with client.get(path) as answer:
        assert answer.status_code == 404


def test_archive_gone_is_said(tmp_path: Path) -> None:
    place = Place(tmp_path).build()
    client = create_app(place.archive).test_client()
    place.archive.rename(tmp_path / "elsewhere")
    assert client.get("/").status_code == 503
    (tmp_path / "elsewhere").rename(place.archive)
    assert client.get("/").status_code == 200


@pytest.mark.parametrize("place_text", ["", "  "])
def test_no_place_is_the_whole_sky(place: Place, place_text: str) -> None:
    with create_app(place.archive).test_request_context():
        assert place_region_text(place_text, "0") == "all"
        with pytest.raises(QueryError, match="cannot tell where RA ends"):
            place_region_text("1 2 3", "0")
