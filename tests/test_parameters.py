"""Parameters of questions over HTTP: text in, Python values out, or an error that names one."""

import re

import pytest
from werkzeug.datastructures import MultiDict

from platecover.coverage.errors import QueryError
from platecover.coverage.filter_table import FILTERS
from platecover.coverage.regions import Region
from platecover.service.parameters import Parameter, Question, filters_of, region_of
from platecover.service.questions import questions
from platecover.service.settings import Settings

ASKED = questions(Settings())
SMALL = questions(Settings(largest_radius_deg=5.0, longest_value=20, longest_moc_text=100))


def given(*pairs: tuple[str, str]) -> MultiDict[str, str]:
    return MultiDict(list(pairs))


def test_defaults() -> None:
    values = ASKED["exposures"].read(given())
    assert values["format"] is None  # an Accept header may decide
    assert values["maxrec"] == Settings().default_maxrec
    assert values["region"] is None and values["series"] is None
    assert ASKED["map"].read(given(("show", "plates")))["order"] == 7
    assert ASKED["moc"].read(given())["order"] is None  # 9, or what keeps space-time small
    assert ASKED["epochs"].read(given())["bin"] == "1"


def test_values_are_read_by_kind() -> None:
    values = ASKED["exposures"].read(
        given(("ra", " 10.5"), ("dec", "-1e-05"), ("radius", "+.5"), ("format", "CSV"),
              ("maxrec", "0"), ("series", "QN,WM"), ("series", "X"), ("from", "1898-03"))
    )  # fmt: skip
    assert (values["ra"], values["dec"], values["radius"]) == (10.5, -1e-05, 0.5)
    assert (values["format"], values["maxrec"], values["from"]) == ("csv", 0, "1898-03")
    assert filters_of(values) == {"series": ["QN,WM", "X"], "since": "1898-03"}


def test_every_filter_is_a_parameter_where_it_means_something() -> None:
    names = {each.name for each in FILTERS}
    for question, left_out in (("exposures", set()), ("epochs", set()), ("map", {"certainty"}),
                               ("moc", {"certainty"})):  # fmt: skip
        parameters = {each.name for each in ASKED[question].parameters}
        assert names - parameters == left_out


def test_every_parameter_says_what_it_means() -> None:
    for question in ASKED.values():
        assert question.meaning
        for each in question.parameters:
            assert each.meaning, each.name
            assert each.kind in ("number", "integer", "word", "text")


NUMBERS = ("nan", "inf", "-inf", "Infinity", "1_000", "1e", "0x10", "1,5", "--1", "1 2", "ten",
           "\uff11\uff12", "\u0661", "1e400", "-1e400", "9" * 61, "", "  ", "\x00", "True",
           "10j")  # fmt: skip


@pytest.mark.parametrize("name", ["ra", "dec", "radius", "min_exposure", "max_exposure"])
@pytest.mark.parametrize("text", [*NUMBERS, "-91", "1e10"])
def test_bad_numbers_are_refused_by_name(name: str, text: str) -> None:
    with pytest.raises(QueryError, match=f"^{name} ") as refusal:
        ASKED["exposures"].read(given((name, text)))
    assert refusal.value.parameter == name


@pytest.mark.parametrize("text", [*NUMBERS, "1.0", "1e1", "-1", "30", "9" * 40])
def test_bad_orders_are_refused_by_name(text: str) -> None:
    for question, needed in (("map", [("show", "plates")]), ("moc", [])):
        with pytest.raises(QueryError) as refusal:
            ASKED[question].read(given(*needed, ("order", text)))
        assert refusal.value.parameter == "order"


@pytest.mark.parametrize(
    ("pairs", "parameter", "message"),
    [
        ([("ra", "1"), ("ra", "1")], "ra", "ra takes one value, got 2"),
        ([("format", "csv"), ("format", "csv")], "format", "format takes one value"),
        ([("observer", "a"), ("observer", "b")], "observer", "observer takes one value"),
        ([("sreies", "QN")], "sreies", "did you mean series?"),
        ([("RA", "1")], "RA", "did you mean ra?"),
        ([("since", "1900")], "since", "known: region, ra"),
        ([("", "")], "", "no parameter ''"),
        ([("series", "")], "series", "series has no value"),
        ([("region", "\t ")], "region", "region has no value"),
        ([("format", "xml")], "format", "must be one of json, csv, votable, ecsv, parquet"),
        ([("maxrec", "-1")], "maxrec", "from 0 to 1000000, got '-1'"),
        ([("radius", "5.1")], "radius", "from 0 to 5"),
        ([("ra", "360.1")], "ra", "ra must be a number from 0 to 360, got '360.1'"),
        ([("dec", "90.001")], "dec", "from -90 to 90"),
        ([("observer", "x" * 21)], "observer", "has 21 characters, more than 20"),
        ([("region", "x" * 101)], "region", "has 101 characters, more than 100"),
    ],
)
def test_bad_input_is_refused_by_name(
    pairs: list[tuple[str, str]], parameter: str, message: str
) -> None:
    with pytest.raises(QueryError, match=re.escape(message)) as refusal:
        SMALL["exposures"].read(given(*pairs))
    assert refusal.value.parameter == parameter


def test_a_needed_parameter_is_asked_for() -> None:
    with pytest.raises(QueryError, match="show is missing: one of exposures, plates, years"):
        ASKED["map"].read(given())


def test_a_lenient_question_takes_names_in_any_case_and_ignores_others() -> None:
    question = Question("q", "", (Parameter("RA", "number", ""),), lenient=True)
    assert question.read(given(("ra", "1"), ("frobnicate", "2"), ("", ""))) == {"RA": 1.0}
    with pytest.raises(QueryError, match="RA takes one value, got 2"):
        question.read(given(("ra", "1"), ("Ra", "1")))


def region(**values: object) -> Region:
    nothing = {"region": None, "ra": None, "dec": None, "radius": None}
    return region_of(nothing | values, most_corners=4, longest_text=60, largest_radius_deg=5.0)


def test_regions() -> None:
    assert region().kind == "all"
    assert region(ra=10.0, dec=-20.0, radius=0.0).text == "circle 10 -20 0"
    assert region(region="Range 350 10 -5 5").text == "range 350 10 -5 5"
    assert region(region="moc 3/1-5 4/24").kind == "moc"
    assert region(region="moc 9/" + " ".join(map(str, range(200)))).kind == "moc"  # long is fine


@pytest.mark.parametrize(
    ("values", "parameter", "message"),
    [
        ({"region": "all", "dec": 1.0}, "region", "not both region and dec"),
        ({"ra": 1.0}, "dec", "dec is missing"),
        ({"ra": 1.0, "dec": 1.0}, "radius", "radius is missing"),
        ({"radius": 0.0}, "ra", "ra is missing"),
        ({"region": "circle 1 1 6"}, "region", "RADIUS must not be above 5, got 6"),
        ({"region": "polygon 1 1 2 1 2 2 1 2 1 1.5"}, "region", "5 corners, more than 4"),
        ({"region": "polygon,1,1,2,1,2,2,1,2,1,1.5"}, "region", "5 corners, more than 4"),
        ({"region": "circle" + " " * 60}, "region", "66 characters, more than 60"),
        ({"region": "moc /etc/passwd"}, "region", "files are not read here"),
        ({"region": "moc 2/1,../../x"}, "region", "files are not read here"),
        ({"region": "\x0b"}, "region", "region"),
        ({"region": ",,"}, "region", "no region given"),
        ({"region": "circle 1 1 nan"}, "region", "circle RADIUS must be"),
        ({"region": "circle 1_0 1 1"}, "region", "circle RA must be"),
    ],
)
def test_bad_regions_are_refused(values: dict[str, object], parameter: str, message: str) -> None:
    with pytest.raises(QueryError, match=re.escape(message)) as refusal:
        region(**values)
    assert refusal.value.parameter == parameter


def test_hidden_columns_are_no_filters_and_no_maps() -> None:
    hidden = questions(Settings(public_columns="plate,series"))
    names = {each.name for each in hidden["exposures"].parameters}
    assert names & {each.name for each in FILTERS} == {"series"}
    (show,) = (each for each in hidden["map"].parameters if each.name == "show")
    assert show.words == ("exposures", "plates")
