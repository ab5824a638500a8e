"""Posters: their paper, letters that print anywhere, what they say, and what is refused."""

import io
import xml.etree.ElementTree as ET
from pathlib import Path

import astropy.units as u
import pypdfium2
import pytest
from astropy.coordinates import SkyCoord
from flask.testing import FlaskClient
from PIL import Image
from tests.small_archive import PLATES, Place, run

from platecover.coverage import poster_paper
from platecover.coverage.constellations import names
from platecover.coverage.mollweide import mollweide_ra_dec
from platecover.coverage.poster_constellations import name_places
from platecover.coverage.series_colours import OTHERS, series_inks
from platecover.service import poster_parameters
from platecover.service.app import create_app
from platecover.service.poster_parser import _GROUNDS, _PAPERS
from platecover.service.settings import Settings

SVG = "{http://www.w3.org/2000/svg}"
# Sheets laid across, mm: ISO 216:2007; ANSI/ASME Y14.1, size A.
SHEETS_MM = {"a4": (297, 210), "a3": (420, 297), "a2": (594, 420), "letter": (279.4, 215.9)}
POINTS_PER_MM = 72.0 / 25.4


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Place:
    return Place(tmp_path_factory.mktemp("posters")).build(PLATES)


@pytest.fixture(scope="module")
def client(place: Place) -> FlaskClient:
    return create_app(place.archive).test_client()


def text_of(pdf: bytes) -> str:
    """All text of a PDF, which only embedded fonts with their letters' codes give back."""
    return str(pypdfium2.PdfDocument(pdf)[0].get_textpage().get_text_range())


@pytest.mark.parametrize("paper", SHEETS_MM)
def test_paper_has_its_size(client: FlaskClient, paper: str) -> None:
    asked = f"/api/poster?show=epochs&paper={paper}"
    width, height = (POINTS_PER_MM * length for length in SHEETS_MM[paper])
    pdf = client.get(f"{asked}&format=pdf").data
    assert pypdfium2.PdfDocument(pdf)[0].get_size() == pytest.approx((width, height), abs=0.01)
    root = ET.fromstring(client.get(f"{asked}&format=svg").data)
    sizes = [float(root.attrib[name].removesuffix("pt")) for name in ("width", "height")]
    assert sizes == pytest.approx([width, height], abs=0.01)
    picture = Image.open(io.BytesIO(client.get(f"{asked}&format=png").data))
    assert picture.info["dpi"] == pytest.approx((200, 200), rel=1e-3)
    assert picture.size == pytest.approx([mm / 25.4 * 200 for mm in SHEETS_MM[paper]], abs=1)


def test_a_map_names_all_constellations_and_its_source(client: FlaskClient) -> None:
    answer = client.get("/api/poster?show=plates&paper=a4&format=pdf&series=WM")
    assert answer.content_type == "application/pdf"
    text = text_of(answer.data)
    for short, latin in names().items():
        assert latin in text or short in text, latin
    for words in ("Brackwater Observatory (invented)", "Number of plates · series WM", "edition 1",
                  "ecliptic", "galactic equator", "12ʰ", "+30°", "none", "1922–1930"):  # fmt: skip
        assert words in text, words


def test_letters_need_no_font(client: FlaskClient) -> None:
    drawing = client.get("/api/poster?show=plates&paper=a4")
    root = ET.fromstring(drawing.data)
    assert not list(root.iter(f"{SVG}text"))
    assert b"font-family" not in drawing.data
    assert (
        b"http://127" not in drawing.data and b"https://" not in drawing.data.split(b"</metad")[1]
    )
    pdf = client.get("/api/poster?show=epochs&paper=a4&format=pdf").data
    assert b"/FontFile2" in pdf  # TrueType programs within (ISO 32000-1, 9.9)
    assert pdf.count(b"/FontFile2") == pdf.count(b"/Type /FontDescriptor")


def test_years_of_a_place(client: FlaskClient) -> None:
    # the middle of the exposure that began 1921-12-31 23:50 is in 1922
    asked = "/api/poster?show=epochs&ra=83.6&dec=22&radius=1&format=pdf&title=Deep+$+Taurus"
    text = text_of(client.get(asked).data)
    for words in ("Deep $ Taurus", "QN", "Mill astrograph", "exposures a year", "1905–1922",
                  "When 83.6 +22 within 1° was photographed"):  # fmt: skip
        assert words in text, words


def test_nothing_dated_is_said(client: FlaskClient) -> None:
    answer = client.get("/api/poster?show=epochs&undated=only&format=pdf")
    assert "no dated exposures" in text_of(answer.data)


@pytest.mark.parametrize(
    ("asked", "parameter"),
    [
        ("", "show"),
        ("show=depth", "show"),
        ("show=plates&paper=a0", "paper"),
        ("show=plates&format=tiff", "format"),
        ("show=plates&ground=pink", "ground"),
        ("show=plates&region=constellation+Ori", "region"),
        ("show=plates&certainty=sure", "certainty"),
        (f"show=plates&title={'x' * 101}", "title"),
        ("show=plates&title=a%0Ab", "title"),
        ("show=epochs&region=circle+1+2+x", "region"),
        ("show=epochs&series=ZZ", "series"),
    ],
)
def test_wrong_questions_name_their_parameter(
    client: FlaskClient, asked: str, parameter: str
) -> None:
    answer = client.get(f"/api/poster?{asked}")
    assert answer.status_code == 400
    assert answer.get_json()["error"]["parameter"] == parameter


def test_hidden_columns_stay_hidden(place: Place) -> None:
    columns = "exposure_id, plate, s_ra, s_dec"
    client = create_app(place.archive, Settings(public_columns=columns)).test_client()
    assert client.get("/api/poster?show=epochs").status_code == 400
    text = text_of(client.get("/api/poster?show=plates&paper=a4&format=pdf").data)
    assert "1905" not in text and "year" not in text


def test_the_command(place: Place, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "years.pdf"
    words = ["poster", "--archive", place.archive, "--show", "epochs", "--out"]
    assert run(capsys, *words, out, "constellation", "Tau", "--paper", "letter").status == 0
    assert "When Taurus was photographed" in text_of(out.read_bytes())
    for wrong, status, said in (
        ([tmp_path / "a.gif"], 1, "a poster is written to a file ending in .svg, .pdf, .png"),
        ([tmp_path / "no" / "a.pdf"], 1, "cannot be written"),
        ([out, "--title", ""], 1, "title has 0 characters"),
        ([out, "--paper", "a1"], 2, "--paper"),
        ([out, "--series", "ZZ"], 1, "ZZ"),
    ):
        outcome = run(capsys, *words, *wrong)
        assert (outcome.status, said in outcome.err) == (status, True), outcome.err
    apart = ["poster", "--archive", place.archive, "--show", "plates", "all", "--out", out]
    assert run(capsys, *apart).status == 0  # of all the sky is what a map is of
    outcome = run(capsys, *apart[:-3], "constellation", "Tau", "--out", out)
    assert (outcome.status, "a map shows the whole sky" in outcome.err) == (2, True)


def test_names_stand_in_their_constellations() -> None:
    places = name_places()
    ra, dec = mollweide_ra_dec([each.x for each in places], [each.y for each in places])
    judged = SkyCoord(ra * u.deg, dec * u.deg).get_constellation(short_name=True)
    assert list(judged) == [each.short for each in places] == list(names())


def test_a_series_keeps_its_colour() -> None:
    codes = [f"S{i}X" for i in range(16)]
    inks = series_inks(codes)
    assert inks == series_inks(codes[:9]) | {code: inks[code] for code in codes[9:]}
    assert len({(ink.colour, ink.hatch) for ink in inks.values()} - {OTHERS[1:]}) == 14
    assert inks["S14X"] == inks["S15X"] == OTHERS


def test_words_are_the_same_everywhere() -> None:
    papers, grounds = tuple(poster_paper.PAPERS), tuple(poster_paper.GROUNDS)
    assert poster_parameters.PAPERS == _PAPERS == papers
    assert poster_parameters.GROUNDS == _GROUNDS == grounds
    assert poster_parameters.POSTER_FORMATS == poster_paper.POSTER_FORMATS
