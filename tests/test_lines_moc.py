"""The rules of IVOA MOC 2.0 (2022), one by one, against a running server; mocpy reads its answers.

Function names begin with the number of the rule in our own list; the section of the standard
stands beside each.
"""

import io
import itertools
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import healpy
import numpy as np
import pytest
from astropy import units as u
from astropy.io import fits
from astropy.time import Time
from mocpy import MOC, STMOC, TimeMOC
from tests.running_server import RunningServer, serving
from tests.small_archive import PLATES, Place

from platecover.coverage.archive import Archive

READERS = {"space": MOC, "time": TimeMOC, "space-time": STMOC}
FORMS = {"fits": "fits", "text": "ascii", "json": "json"}  # of the service, of mocpy
SUFFIXES = {"fits": ".fits", "text": ".txt", "json": ".json"}
ORDER, TIME_ORDER = 6, 24
FLAG = 1 << 63


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Place:
    return Place(tmp_path_factory.mktemp("mocs")).build()


@pytest.fixture(scope="module")
def server(place: Place) -> Iterator[RunningServer]:
    words = ("serve", "--archive", place.archive, "--port", 0, "--workers", 1)
    with serving(place.folder, *words) as running:
        yield running
        assert running.stop() == 0
        assert "Traceback" not in running.complaints.read_text()


def content(server: RunningServer, dimension: str, form: str, **more: Any) -> bytes:
    """A MOC as the server gives it."""
    orders = {"order": ORDER, **({"time_order": TIME_ORDER} if dimension != "space" else {})}
    asked = {"dimension": dimension, "format": form, **orders, **more}
    query = "&".join(f"{name}={value}" for name, value in asked.items())
    answer = server.ask(f"/api/moc?{query}")
    assert answer.status == 200, answer.body
    return answer.body


def header_and_values(body: bytes) -> tuple[Any, list[int]]:
    """Header of the first extension of a FITS file, and the numbers of its one column."""
    with fits.open(io.BytesIO(body)) as parts:
        assert len(parts) == 2 and parts[0].data is None  # section 6: an empty primary part
        values = np.asarray(parts[1].data.field(0)).astype(np.int64).view(np.uint64)
        return parts[1].header.copy(), [int(value) for value in values]


def loaded(body: bytes, dimension: str, form: str, folder: Path) -> Any:
    """The MOC that mocpy reads."""
    path = folder / f"moc{SUFFIXES[form]}"
    path.write_bytes(body)
    return READERS[dimension].load(path, FORMS[form])


def cells_of_text(text: str) -> list[tuple[int, int, int]]:
    """(order, lowest, highest) of each word of an ASCII MOC of one dimension, in sequence."""
    cells, order = [], -1
    for word in text.split():
        opening, _, rest = word.rpartition("/")
        if opening:
            order = int(opening)
        if rest:
            low, _, high = rest.partition("-")
            cells.append((order, int(low), int(high or low)))
    return cells


def held(moc: MOC) -> Any:
    return np.asarray(moc.to_depth29_ranges, dtype=np.int64)


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("dimension", READERS)
def test_mocpy_reads_every_moc(
    server: RunningServer, place: Place, tmp_path: Path, dimension: str, form: str
) -> None:
    moc = loaded(content(server, dimension, form), dimension, form, tmp_path)
    archive = Archive.open(place.archive)
    if dimension == "space":
        assert moc == archive.moc(ORDER) and moc.max_order == ORDER
    elif dimension == "time":
        assert moc == archive.time_moc(TIME_ORDER) and moc.max_order == TIME_ORDER
    else:
        assert moc.max_order == (TIME_ORDER, ORDER)
        everywhere, always = MOC.from_string("0/0-11"), TimeMOC.from_string("0/0-1")
        assert moc.query_by_space(everywhere) == archive.time_moc(TIME_ORDER)
        assert moc.query_by_time(always) == archive.moc(ORDER, undated="no")


def test_c01_cells_are_nested(server: RunningServer, tmp_path: Path) -> None:
    # MOC 2.0, 4.1.1. The cell of a plate's centre by healpy; WM-5 is there alone.
    moc = loaded(content(server, "space", "json"), "space", "json", tmp_path)
    cell = int(healpy.ang2pix(1 << ORDER, 350.0, -60.0, nest=True, lonlat=True))
    assert cell in moc.flatten()
    assert moc.contains_lonlat(350.0 * u.deg, -60.0 * u.deg).all()
    assert not moc.contains_lonlat(350.0 * u.deg, 60.0 * u.deg).any()


def test_c02_c07_header_cards(server: RunningServer) -> None:
    # MOC 2.0, table 3.
    space = {"MOCDIM": "SPACE", "COORDSYS": "C", "MOCORD_S": ORDER, "ORDERING": "NUNIQ"}
    time = {"MOCDIM": "TIME", "TIMESYS": "TCB", "MOCORD_T": TIME_ORDER, "ORDERING": "RANGE"}
    both = {**space, **time, "MOCDIM": "TIME.SPACE", "ORDERING": "RANGE"}
    for dimension, cards in (("space", space), ("time", time), ("space-time", both)):
        header, _ = header_and_values(content(server, dimension, "fits"))
        assert header["MOCVERS"] == "2.0"
        assert {key: header[key] for key in cards} == cards
        for key in {*both} - {*cards}:
            assert key not in header, (dimension, key)


@pytest.mark.parametrize("dimension", ["space", "time"])
def test_c03_c04_c05_canonical_form(server: RunningServer, dimension: str) -> None:
    # MOC 2.0, 7.1, 3.1, 3.2: ascending, no cell within another, no complete set of siblings.
    children, highest = (4, 29) if dimension == "space" else (2, 61)
    bits = 2 if dimension == "space" else 1
    cells = cells_of_text(content(server, dimension, "text").decode())
    assert [order for order, _, _ in cells] == sorted(order for order, _, _ in cells)
    ranges = []
    for order, group in itertools.groupby(cells, lambda each: each[0]):
        members = [cell for _, low, high in group for cell in range(low, high + 1)]
        assert 0 <= order <= highest and members == sorted(set(members))
        if order > 0:
            parents = [cell // children for cell in members]
            assert max(map(parents.count, set(parents))) < children
        shift = bits * (highest - order)
        ranges += [(cell << shift, (cell + 1) << shift) for cell in members]
    ranges.sort()
    assert len(ranges) > 10
    assert all(before[1] <= after[0] for before, after in itertools.pairwise(ranges))


def test_c06_c20_nuniq_of_space(server: RunningServer) -> None:
    # MOC 2.0, 4.3.1: 4 * 4^order + cell, ascending; NUNIQ for older readers.
    header, values = header_and_values(content(server, "space", "fits"))
    assert header["TFORM1"] in ("K", "1K") and header["TTYPE1"] == "UNIQ"
    cells = cells_of_text(content(server, "space", "text").decode())
    expected = [4 * 4**order + cell for order, low, high in cells for cell in range(low, high + 1)]
    assert values == sorted(expected)
    for value, (order, cell) in zip(values, map(_cell_of_uniq, values), strict=True):
        assert value == 4 * 4**order + cell and 0 <= cell < 12 * 4**order


def _cell_of_uniq(uniq: int) -> tuple[int, int]:
    order = (uniq.bit_length() - 3) // 2
    return order, uniq - 4 * 4**order


def test_c08_ranges_of_times_are_half_open_at_the_deepest_order(
    server: RunningServer, place: Place
) -> None:
    # MOC 2.0, 4.3.1: 64-bit rows, from and to, at order 61 whatever MOCORD_T says.
    header, values = header_and_values(content(server, "time", "fits"))
    assert header["TFORM1"] in ("K", "1K") and len(values) % 2 == 0
    assert all(before < after for before, after in itertools.pairwise(values))
    shift = 61 - TIME_ORDER
    assert all(value % (1 << shift) == 0 for value in values)
    ranges = Archive.open(place.archive).time_moc(TIME_ORDER).to_depth61_ranges
    assert values == [int(value) for value in np.asarray(ranges).ravel()]


def test_c09_times_of_space_time_are_flagged_and_first(server: RunningServer) -> None:
    # MOC 2.0, 5.2: bit 63 set on times, other bits untouched; times before their cells.
    _, values = header_and_values(content(server, "space-time", "fits"))
    pairs = list(zip(values[::2], values[1::2], strict=True))
    assert pairs[0][0] & FLAG and not pairs[-1][0] & FLAG
    for low, high in pairs:
        assert (low & FLAG) == (high & FLAG) and low < high
        if low & FLAG:
            assert (low ^ FLAG) < 1 << 62
        else:
            assert high <= 12 << 58


def test_c10_text_tells_its_order(server: RunningServer, tmp_path: Path) -> None:
    # MOC 2.0, 4.3.2: a final `order/` without cells where no cell is of the order.
    text = content(server, "space", "text", series="QN", order=0).decode()
    assert cells_of_text(text)[-1][0] == 0 and MOC.from_string(text).max_order == 0
    whole = content(server, "time", "text", time_order=16, **{"from": "1930", "to": "1930"})
    assert TimeMOC.from_string(whole.decode()).max_order == 16
    empty = content(server, "space", "text", order=7, min_exposure=10_000).decode()
    assert empty.split() == ["7/"]
    both = content(server, "space-time", "text").decode()
    # each group is written as the grammar has it (5.1), so that no group is without cells
    groups = re.findall(r"([ts])([^ts]+)", both)
    assert [kind for kind, _ in groups] == ["t", "s"] * (len(groups) // 2)
    assert all(cells_of_text(group) for _, group in groups)
    orders = {"t": 0, "s": 0}
    for kind, group in groups:
        orders[kind] = max(orders[kind], *(int(order) for order in re.findall(r"(\d+)/", group)))
    assert orders == {"t": TIME_ORDER, "s": ORDER}


def test_c11_text_ranges_hold_both_ends(server: RunningServer) -> None:
    # MOC 2.0, 4.3.2, example: 12-14 is 12, 13 and 14.
    cells = cells_of_text(content(server, "space", "text").decode())
    listed = json.loads(content(server, "space", "json"))
    expected = {(int(order), cell) for order, some in listed.items() for cell in some}
    found = {(order, cell) for order, low, high in cells for cell in range(low, high + 1)}
    assert any(high > low for _, low, high in cells) and found == expected


def test_c12_times_are_tcb_microseconds_from_jd_0(server: RunningServer) -> None:
    # MOC 2.0, 4.2. QN-1 was taken 1905 March 4, 21:30 UT for 30 minutes; TT - UT1 was then 3.9 s
    # (Astronomical Almanac K8: -2.7 in 1900, 10.5 in 1910; straight between).
    asked = {"from": "1905-03-04", "to": "1905-03-04", "time_order": 31}
    _, values = header_and_values(content(server, "time", "fits", **asked))
    mjd = Time("1905-03-04T21:30:00", scale="tt").mjd
    tcb_less_tt_s = (mjd - 43144.0) * 86400 * 1.550519768e-8  # IAU 2006, resolution B3
    start_us = (mjd + 2_400_000.5) * 86_400e6 + (3.9 + tcb_less_tt_s) * 1e6
    cell_us = 1 << 30
    assert values[0] <= start_us < values[0] + cell_us
    end_us = start_us + 30 * 60e6
    assert values[-1] - cell_us <= end_us < values[-1]


def test_c13_equal_neighbours_are_one_entry(server: RunningServer) -> None:
    # MOC 2.0, 5.2. QN-1 and QN-2 show the same field on different nights: one entry, two times.
    asked = {"series": "QN", "undated": "no"}
    _, values = header_and_values(content(server, "space-time", "fits", **asked))
    flags = [bool(value & FLAG) for value in values[::2]]
    assert flags[:2] == [True, True] and not any(flags[2:])
    entries = json.loads(content(server, "space-time", "json"))
    spaces = [entry["s"] for entry in entries]
    assert all(before != after for before, after in itertools.pairwise(spaces))


@pytest.mark.parametrize("dimension", READERS)
def test_c14_round_trip_keeps_cells_and_order(
    server: RunningServer, tmp_path: Path, dimension: str
) -> None:
    # MOC 2.0, table 3 and 4.3.2: by way of FITS, ASCII and JSON.
    for more in ({}, {"order": 9, "time_order": 28}, {"order": 1, "time_order": 3}):
        if dimension == "space":
            more.pop("time_order", None)
        bodies = {form: content(server, dimension, form, **more) for form in FORMS}
        mocs = {form: loaded(bodies[form], dimension, form, tmp_path) for form in FORMS}
        assert len({str(moc.max_order) for moc in mocs.values()}) == 1
        if dimension == "space-time":  # mocpy takes equal ones with other endings for different
            texts = {re.sub(r"\s*\b\d+/(?=\s|$)", "", moc.to_string()) for moc in mocs.values()}
            assert len(texts) == 1
        else:
            assert mocs["fits"] == mocs["text"] == mocs["json"]


def test_c21_no_pixtype(server: RunningServer) -> None:
    # MOC 2.0, section 6: PIXTYPE left out, MOCORDER for old readers alone, who read NUNIQ.
    for dimension in READERS:
        header, _ = header_and_values(content(server, dimension, "fits"))
        assert "PIXTYPE" not in header
        assert ("MOCORDER" in header) == (dimension == "space")


def test_c22_time_orders_up_to_31(server: RunningServer) -> None:
    # MOC 2.0, 4.2: without a known reference position no finer than order 31.
    assert server.ask("/api/moc?dimension=time&time_order=32").status == 400
    assert server.ask("/api/moc?dimension=space-time&order=3&time_order=61").status == 400
    answer = server.ask("/api/moc?dimension=time&format=fits")
    assert header_and_values(answer.body)[0]["MOCORD_T"] == 31
    answer = server.ask("/api/moc?dimension=time&format=fits&from=1930&to=1930")
    assert header_and_values(answer.body)[0]["MOCORD_T"] == 16  # a plate of which the year is known


def test_c24_built_from_footprints(server: RunningServer) -> None:
    # MOC 2.0, table 3.
    for dimension in READERS:
        header, _ = header_and_values(content(server, dimension, "fits"))
        assert header["MOCTYPE"] == "IMAGE" and header["MOCTOOL"] == "platecover"


def test_undated_exposures_are_counted(server: RunningServer) -> None:
    undated = sum(not plate["date"] for plate in PLATES)
    for dimension, expected in (("time", str(undated)), ("space-time", str(undated))):
        answer = server.ask(f"/api/moc?dimension={dimension}&order=5&format=fits")
        assert answer.headers["Platecover-Undated"] == expected
        assert header_and_values(answer.body)[0]["UNDATED"] == undated
    assert "Platecover-Undated" not in server.ask("/api/moc?order=5").headers


@pytest.mark.parametrize(
    ("query", "parameter"),
    [
        ("dimension=frequency", "dimension"),
        ("dimension=time&dimension=space", "dimension"),
        ("time_order=3", "time_order"),
        ("dimension=time&time_order=-1", "time_order"),
        ("dimension=time&time_order=1_0", "time_order"),
        ("dimension=time&time_order=nan", "time_order"),
        ("dimension=space-time&order=99", "order"),
        ("dimension=time&certainty=sure", "certainty"),
    ],
)
def test_bad_questions(server: RunningServer, query: str, parameter: str) -> None:
    answer = server.ask(f"/api/moc?{query}")
    assert answer.status == 400
    assert json.loads(answer.body)["error"]["parameter"] == parameter


def test_standards_example_is_a_region(server: RunningServer) -> None:
    # MOC 2.0, 4.3.2, example 1, given to the service as a region in every spelling of it.
    example = "1/1 2 4 2/12-14 21 23 25 8/"
    found = [
        server.ask("/api/exposures", method="POST", body=f"region=moc+{text}".encode(),
                   Content_Type="application/x-www-form-urlencoded").body
        for text in (example, f"s{example}", f"s {example}", example.replace("2/", "2/ "))
    ]  # fmt: skip
    rows = [json.loads(body)["exposures"] for body in found]
    assert rows[0] and all(each == rows[0] for each in rows)
    again = MOC.from_string(example)
    assert held(again)[0].tolist() == [72057594037927936, 270215977642229760]
