"""The command line as people and scripts meet it: words, exit status, streams."""

import csv
import io
import json
import os
import pty
import re
import shlex
import signal
import subprocess
import sys
import time
from functools import partial
from pathlib import Path

import pytest
from mocpy import MOC
from tests.small_archive import GOOD, PLACE, PLATES, Outcome, Place, command, run, run_apart

from platecover.coverage.archive import Archive
from platecover.coverage.edition import current_number
from platecover.coverage.filter_table import FILTERS
from platecover.demo_data import make_demo
from platecover.service import cli, formats, parser_parts

Capture = pytest.CaptureFixture[str]


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Place:
    return Place(tmp_path_factory.mktemp("cli")).build()


@pytest.fixture
def cone(built: Place) -> list[str]:
    """The words of a cone search, without the place."""
    return ["cone", "--archive", str(built.archive), "--format", "csv"]


def ids(outcome: Outcome) -> list[str]:
    """Exposures of a CSV answer."""
    assert outcome.status == 0, outcome.err
    return [row["exposure_id"] for row in csv.DictReader(io.StringIO(outcome.out, newline=""))]


def refused(outcome: Outcome, status: int, *parts: str) -> None:
    """Check that a command was refused in one or two lines that hold all the parts."""
    assert (outcome.status, outcome.out) == (status, "")
    lines = outcome.err.splitlines()
    assert 1 <= len(lines) <= 2, outcome.err
    assert lines[0].startswith("platecover: ")
    for part in parts:
        assert part in outcome.err


def test_format_names_are_those_of_the_writers() -> None:
    assert tuple(formats.ROW_FORMATS) == parser_parts.ROW_FORMATS
    assert tuple(formats.EPOCH_FORMATS) == parser_parts.EPOCH_FORMATS


@pytest.mark.parametrize("name", ["", "demo", "build", "cone", "epochs", "moc"])
def test_help(capsys: Capture, name: str) -> None:
    outcome = run(capsys, *name.split(), "--help")
    assert outcome.status == 0
    assert outcome.err == ""
    if name:
        assert f"  platecover {name} " in outcome.out.split("examples:")[1]
    else:
        for command_name in ("demo", "build", "cone", "epochs", "moc"):
            assert f"    {command_name} " in outcome.out


@pytest.mark.parametrize("name", ["demo", "build", "cone", "epochs", "moc"])
def test_examples_of_the_help_are_right_usage(capsys: Capture, name: str) -> None:
    lines = run(capsys, name, "--help").out.split("examples:\n")[1].splitlines()
    assert len(lines) >= 2
    for line in lines:
        words = shlex.split(line.split(" > ")[0])
        assert words[:2] == ["platecover", name]
        cli.parser().parse_args(words[1:])


def test_help_names_every_filter(capsys: Capture) -> None:
    for name in ("cone", "epochs", "moc"):
        text = run(capsys, name, "--help").out
        for each in FILTERS:
            expected = name != "moc" or each.name != "certainty"
            assert (f"--{each.name.replace('_', '-')} " in text) == expected


def test_version(capsys: Capture) -> None:
    assert re.fullmatch(r"\d+\.\d+\.\d+\n", run(capsys, "--version").out)


def test_help_comes_without_heavy_imports() -> None:
    script = (
        "import sys; from platecover.service.cli import parser; parser();"
        "print([m for m in ('numpy', 'astropy', 'numba', 'matplotlib') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, check=True)
    assert done.stdout == b"[]\n"


def test_commands_never_import_pandas() -> None:
    # pandas is installed here, and pyarrow would import it; astropy only asks whether it is there
    script = (
        "import sys; from platecover.service.lean_imports import keep_pandas_out;"
        "keep_pandas_out();"
        "import pyarrow, numpy, astropy.table; pyarrow.array(numpy.arange(3.0));"
        "print('pandas' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, check=True)
    assert done.stdout == b"False\n"


@pytest.mark.parametrize(
    "words",
    [
        "", "plates", "cone", "cone 1 2 3", "cone --archive A 1 2", "cone --archive A 1 2 3 4",
        "cone --archive A 1 2 3 --format pdf", "cone --archive A 1 2 3 --colour red", "build",
        "build log.csv --archive A", "build --observatory o.toml --archive A", "epochs --archive A",
        "moc --archive A", "cone --arch A 1 2 3", "moc --archive A --out x.fits --certainty sure",
        "demo --dir", "--nonsense",
    ],
)  # fmt: skip
def test_wrong_usage(capsys: Capture, words: str) -> None:
    refused(run(capsys, *words.split()), 2, "--help")


@pytest.mark.parametrize(
    ("words", "status", "parts"),
    [
        (["x", "22", "1"], 2, ["'x'"]),
        (["83", "", "1"], 2, ["DEC"]),
        (["1_0", "22", "1"], 2, ["'1_0'"]),
        (["5h", "22", "1"], 2, ["'5h'"]),
        (["361", "22", "1"], 1, ["360", "'361'"]),
        (["-1e-5", "22", "1"], 1, ["'-1e-5'"]),
        (["83", "-90.1", "1"], 1, ["'-90.1'"]),
        (["83", "22", "-1"], 1, ["'-1'"]),
        (["83", "22", "200"], 1, ["180", "'200'"]),
        (["nan", "22", "1"], 1, ["'nan'"]),
        (["83", "-nan", "1"], 1, ["'-nan'"]),
        (["83", "22", "-inf"], 1, ["'-inf'"]),
        (["83", "22", "1e999"], 1, ["'1e999'"]),
        (["83", "22", "1", "--series", "ZZ"], 1, ["'ZZ'", "QN, WM"]),
        (["83", "22", "1", "--station", "peak"], 1, ["'peak'", "mill"]),
        (["83", "22", "1", "--telescope", "x"], 1, ["Mill astrograph"]),
        (["83", "22", "1", "--status", "lost"], 2, ["'lost'", "on shelf"]),
        (["83", "22", "1", "--technique", "x"], 2, ["objective prism"]),
        (["83", "22", "1", "--scanned", "maybe"], 2, ["yes, no"]),
        (["83", "22", "1", "--certainty", "x"], 2, ["sure, marginal"]),
        (["83", "22", "1", "--undated", "x"], 2, ["yes, no, only"]),
        (["83", "22", "1", "--from", "soon"], 2, ["'soon'", "1898-03"]),
        (["83", "22", "1", "--from", "1898-13"], 1, ["'1898-13'"]),
        (["83", "22", "1", "--to", "1900-02-30"], 1, ["'1900-02-30'"]),
        (["83", "22", "1", "--from", "1900", "--from", "1901"], 2, ["one value"]),
        (["83", "22", "1", "--min-exposure", "long"], 2, ["'long'"]),
        (["83", "22", "1", "--min-exposure", "-5"], 1, ["'-5'"]),
        (["83", "22", "1", "--max_exposure", "nan"], 1, ["'nan'"]),
    ],
)
def test_bad_values_of_cone(
    capsys: Capture, cone: list[str], words: list[str], status: int, parts: list[str]
) -> None:
    refused(run(capsys, *cone, *words), status, *parts)


@pytest.mark.parametrize(
    ("words", "status", "part"),
    [
        ("circle 83 22", 2, "circle"),
        ("circle 83 22 1 1", 2, "circle"),
        ("circle 83 22 -1", 1, "'-1'"),
        ("circle 83 nan 1", 1, "'nan'"),
        ("circle a b c", 2, "'a'"),
        ("range 10 20 5 -5", 1, "DEC"),
        ("polygon 10 20 30 40", 1, "polygon"),
        ("polygon 10 20 30 40 50", 2, "polygon"),
        ("polygon 0 0 10 10 10 0 0 10", 1, "cross"),
        ("polygon 0 0 120 0 240 0", 1, "hemisphere"),
        ("constellation Zzz", 1, "Zzz"),
        ("constellation", 2, "constellation"),
        ("moc nowhere.fits", 1, "nowhere.fits"),
        ("moc 1/99", 1, "99"),
        ("square 1 2 3", 1, "square"),
        ("circle 83 22 1 --bin 0", 1, "'0'"),
        ("circle 83 22 1 --bin -5", 1, "'-5'"),
        ("circle 83 22 1 --bin 2.5", 1, "'2.5'"),
        ("circle 83 22 1 --bin century", 2, "'century'"),
        ("circle 83 22 1 --format votable", 2, "votable"),
        ("circle 83 22 1 --plot plot.gif", 1, ".png, .svg, .pdf"),
        ("circle 83 22 1 --plot /nowhere/plot.png", 1, "/nowhere/plot.png"),
    ],
)
def test_bad_values_of_epochs(
    capsys: Capture, built: Place, words: str, status: int, part: str
) -> None:
    refused(run(capsys, "epochs", "--archive", built.archive, *words.split()), status, part)


@pytest.mark.parametrize(
    ("words", "status", "part"),
    [
        ("--out x.gif", 1, ".fits, .txt, .json"),
        ("--out x.fits --order 30", 1, "'30'"),
        ("--out x.fits --order -1", 1, "'-1'"),
        ("--out x.fits --order fine", 2, "'fine'"),
        ("--out x.fits --order 29", 1, "lower order"),
        ("--out x.fits --series ZZ", 1, "'ZZ'"),
        ("--out /nowhere/x.fits --order 3", 1, "/nowhere/x.fits: cannot be written (No such"),
        ("--out /nowhere/x.txt --order 3", 1, "/nowhere/x.txt: cannot be written"),
        ("--out /nowhere/x.json --order 3", 1, "/nowhere/x.json: cannot be written"),
    ],
)
def test_bad_values_of_moc(
    capsys: Capture, built: Place, words: str, status: int, part: str
) -> None:
    refused(run(capsys, "moc", "--archive", built.archive, *words.split()), status, part)


def test_archives_at_fault(capsys: Capture, tmp_path: Path) -> None:
    for asked in (["cone", *PLACE], ["epochs", "all"], ["moc", "--out", "x.fits"]):
        words = [asked[0], "--archive", tmp_path / "nowhere", *asked[1:]]
        refused(run(capsys, *words), 1, "nowhere", "platecover build")
    place = Place(tmp_path).build()
    (place.edition / "geometry.npy").write_bytes(b"")
    words = ["cone", "--archive", place.archive, *PLACE]
    refused(run(capsys, *words), 1, "geometry.npy", "build the archive again")


def test_cone_in_every_format(capsysbinary: pytest.CaptureFixture[bytes], built: Place) -> None:
    for form, start in (
        ("table", b"exposure "),
        ("csv", b"exposure_id,"),
        ("ecsv", b"# %ECSV"),
        ("votable", b"<?xml"),
        ("json", b'{"query": {"region": "circle 83.6 22 0", "series": ["QN"]}, "edition": 1,'),
        ("parquet", b"PAR1"),
    ):
        words = ["cone", "--archive", str(built.archive), *PLACE, "--series=QN", "--format", form]
        with pytest.raises(SystemExit) as leaving:
            cli.main(words)
        assert leaving.value.code == 0
        assert capsysbinary.readouterr().out.startswith(start)


def test_answer_without_rows_is_no_error(capsys: Capture, cone: list[str], built: Place) -> None:
    assert ids(run(capsys, *cone, "200", "-80", "0")) == []
    outcome = run(capsys, "cone", "--archive", built.archive, "200", "-80", "0")
    assert (outcome.status, outcome.err) == (0, "")
    assert outcome.out.startswith("No exposure")
    outcome = run(capsys, "epochs", "--archive", built.archive, "circle 200 80 0")
    assert (outcome.status, outcome.err) == (0, "")
    outcome = run(capsys, *cone, *PLACE, "--observer", "nobody")
    assert ids(outcome) == []


@pytest.mark.parametrize(
    "words", [["-5.4", "1"], ["-1e-5", "1"], ["-.5", "1"], ["-5", "1"], ["-0", "0"]]
)
def test_negative_numbers_are_values(capsys: Capture, cone: list[str], words: list[str]) -> None:
    assert run(capsys, *cone, "83.6", *words).status == 0


def test_options_stand_anywhere(capsys: Capture, built: Place) -> None:
    for words in (
        [*PLACE, "--archive", built.archive, "--format", "csv"],
        ["--format=csv", *PLACE, f"--archive={built.archive}"],
        [PLACE[0], "--archive", built.archive, *PLACE[1:], "--format", "csv"],
    ):
        assert ids(run(capsys, "cone", *words)) == ["QN-1-1", "QN-2-1", "WM-4-1", "QN-3b-1"]


@pytest.mark.parametrize(
    ("words", "found"),
    [
        (["--series", "QN,WM"], "QN-1-1 QN-2-1 WM-4-1 QN-3b-1"),
        (["--series", "qn", "--series", "wm"], "QN-1-1 QN-2-1 WM-4-1 QN-3b-1"),
        (["--series", " wm "], "WM-4-1"),
        (["--telescope", "Wide camera, first"], "WM-4-1"),  # a comma in a name
        (["--telescope", "wide camera, first,MILL ASTROGRAPH", "--series", "QN"], None),
        (["--status", "unknown,on shelf", "--from", "1900"], "QN-1-1 QN-2-1 WM-4-1"),
        (["--status", "ON SHELF"], "QN-1-1"),
        (["--scanned", "yes"], "WM-4-1"),
        (["--undated", "only"], "QN-3b-1"),
        (["--undated", "no"], "QN-1-1 QN-2-1 WM-4-1"),
        (["--from", "1906-03-05", "--to", "1906-03-05"], "QN-2-1"),
        (["--from", "1905", "--to", "1906-03-04"], "QN-1-1"),
        (["--to", "1921"], "QN-1-1 QN-2-1"),  # WM-4 ends in 1922, its middle too: 23:50 + 20 min
        (["--min-exposure", "40"], "QN-2-1 WM-4-1"),
        (["--min_exposure", "40", "--max_exposure", "40"], "WM-4-1"),
        (["--observer", "ada"], "QN-1-1"),
        (["--certainty", "marginal"], ""),
    ],
)
def test_filters(capsys: Capture, cone: list[str], words: list[str], found: str | None) -> None:
    outcome = run(capsys, *cone, *PLACE, *words)
    if found is None:
        assert outcome.status == 1
        assert "'wide camera'" in outcome.err
    else:
        assert ids(outcome) == found.split()


@pytest.mark.parametrize(
    "region",
    [
        ["circle 83.6 22 1"],
        ["circle", "83.6", "22", "1"],
        ["CIRCLE", "83.6", "22.0", "1e0"],
        ["Circle 83.6", "22 1"],
    ],
)
def test_region_as_one_word_or_several(capsys: Capture, built: Place, region: list[str]) -> None:
    outcome = run(capsys, "epochs", "--archive", built.archive, *region, "--format", "json")
    answer = json.loads(outcome.out)
    assert [each["from"] for each in answer["bins"]] == list(range(1905, 1923))
    assert answer["undated"] == 1


@pytest.mark.parametrize(
    "region",
    [
        "range 350 10 -5 5", "range 0 360 -90 -80", "polygon 80 -1 90 -1 85 -.5e1",
        "constellation ORI", "Constellation canis major", "all", "ALL", "moc 3/1-9",
    ],
)  # fmt: skip
def test_every_kind_of_region(capsys: Capture, built: Place, region: str) -> None:
    for words in ([region], region.split()):
        outcome = run(capsys, "epochs", "--archive", built.archive, *words)
        assert (outcome.status, outcome.err) == (0, "")


def test_epochs_with_plot(capsys: Capture, built: Place, tmp_path: Path) -> None:
    plot = tmp_path / "plot.svg"
    words = ["circle 83.6 22 1", "--bin", "DECADE", "--plot", plot, "--series", "QN,WM"]
    outcome = run(capsys, "epochs", "--archive", built.archive, *words)
    assert outcome.status == 0
    assert outcome.out.splitlines()[0].split() == ["years", "exposures", "plates", "deg2"]
    assert outcome.err == f"wrote {plot}\n"
    assert "Plates of circle 83.6 22 1, series QN,WM" in plot.read_text()
    assert "Brackwater Observatory (invented), edition 1 of" in plot.read_text()


def test_moc_in_every_format(capsys: Capture, built: Place, tmp_path: Path) -> None:
    expected = Archive.open(built.archive).moc(order=7, series="WM")
    for suffix, form in ((".fits", "fits"), (".txt", "ascii"), (".json", "json")):
        out = tmp_path / f"-1{suffix}"  # a name that looks like a number
        os.chdir(tmp_path)
        words = ["--order", "7", "--series", "wm", "--out", out.name]
        outcome = run(capsys, "moc", "--archive", built.archive, *words)
        assert outcome.status == 0
        assert outcome.out.startswith(f"wrote -1{suffix}: order 7, ")
        assert MOC.load(str(out), format=form) == expected


def test_build_says_what_it_did(capsys: Capture, tmp_path: Path) -> None:
    place = Place(tmp_path).write([*PLATES, {**GOOD, "plate": "QN 8", "dec": "91"}])
    outcome = run(capsys, *place.build_words())
    assert outcome.status == 0
    lines = outcome.out.splitlines()
    assert lines[0].startswith(f"edition 1 of {place.archive}: 5 exposures on 6 plates")
    assert lines[-1] == "rows read 6, kept 5, set aside 1"
    (aside,) = outcome.err.splitlines()
    assert aside.startswith("set aside: log.csv, row 7, dec: '91'")
    outcome = run(capsys, *place.build_words(), "--strict")
    assert (outcome.status, outcome.out) == (1, "")
    assert "row 7, dec" in outcome.err
    assert current_number(place.archive) == 1


def test_build_names_ten_rows_and_where_the_others_are(capsys: Capture, tmp_path: Path) -> None:
    bad = [{**GOOD, "plate": f"ZZ\x1b[2J{number}"} for number in range(12)]
    place = Place(tmp_path).write([*PLATES, *bad])
    lines = run(capsys, *place.build_words()).err.splitlines()
    assert len(lines) == 11
    assert lines[-1].startswith("... 2 more")
    assert "set_aside.parquet" in lines[-1]
    assert all(line.isprintable() for line in lines)


def test_build_takes_several_logs(capsys: Capture, tmp_path: Path) -> None:
    place = Place(tmp_path).write(PLATES[:3])
    other = Place(tmp_path / "other").write(PLATES[2:])
    words = place.build_words()
    outcome = run(capsys, words[0], other.log, *words[1:])
    assert outcome.out.splitlines()[-1] == "rows read 6, kept 5, set aside 1"
    assert "repeats" in outcome.err


def test_build_refuses_plates_to_vanish(capsys: Capture, tmp_path: Path) -> None:
    place = Place(tmp_path).build()
    place.write(PLATES[1:])
    refused(run(capsys, *place.build_words()), 1, "QN-1", "--allow-removed")
    assert run(capsys, *place.build_words(), "--allow-removed").status == 0


def test_demo(capsys: Capture, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(make_demo, "write_demo", partial(make_demo.write_demo, exposures=150))
    folder = tmp_path / "demo"
    outputs = []
    for edition in (1, 2):  # an earlier demo is rebuilt
        outcome = run(capsys, "demo", "--dir", folder, "--no-serve")
        assert outcome.status == 0
        lines = outcome.out.splitlines()
        (at,) = (at for at, line in enumerate(lines) if line.startswith("$ platecover cone"))
        assert re.fullmatch(r"rows read \d+, kept \d+, set aside \d+", lines[at - 2])
        answer = run(capsys, *shlex.split(lines[at])[2:])
        assert answer.out.splitlines() == lines[at + 1 :]
        assert current_number(folder / "archive") == edition
        outputs.append(lines[at:])
    assert outputs[0] == outputs[1]


def test_demo_refuses_other_folders(capsys: Capture, tmp_path: Path) -> None:
    (tmp_path / "letters.txt").write_text("mine")
    refused(run(capsys, "demo", "--dir", tmp_path, "--no-serve"), 1, "holds other things")
    assert [path.name for path in tmp_path.iterdir()] == ["letters.txt"]
    refused(run(capsys, "demo", "--dir", tmp_path / "letters.txt", "--no-serve"), 1, "is a file")
    refused(run(capsys, "demo", "--dir", "/proc/nowhere/demo", "--no-serve"), 1, "/proc/nowhere")


def test_names_of_any_letters(capsys: Capture, tmp_path: Path) -> None:
    place = Place(tmp_path / "ü\nad \x1b[2J").build()
    assert run(capsys, *place.build_words()).status == 0
    words = ["cone", "--archive", place.archive, *PLACE, "--format", "json"]
    assert json.loads(run(capsys, *words).out)["count"] == 4
    refused(run(capsys, "cone", "--archive", place.folder, *PLACE), 1, "not a platecover archive")


def test_bytes_that_are_no_text(capsys: Capture, tmp_path: Path, built: Place) -> None:
    # a log may have any name, what is to be written may not
    place = Place(tmp_path / "\udcff").write()
    words = ["build", place.log, "--observatory", place.observatory, "--archive"]
    outcome = run(capsys, *words, tmp_path / "archive")
    assert (outcome.status, outcome.err) == (0, "")
    refused(run(capsys, *words, place.archive), 2, "not UTF-8")
    words = ["cone", "--archive", built.archive, *PLACE, "--observer", "\udcff"]
    for form in formats.ROW_FORMATS:
        if form != "parquet":
            assert run(capsys, *words, "--format", form).status == 0


def test_in_a_pipe_nothing_is_drawn(tmp_path: Path) -> None:
    place = Place(tmp_path).write()
    done = run_apart(*place.build_words())
    assert done.returncode == 0
    assert done.stderr == b""
    assert done.stdout.decode().splitlines()[-1] == "rows read 5, kept 5, set aside 0"
    assert not re.search(rb"[\x00-\x09\x0b-\x1f\x7f]", done.stdout)


def test_on_a_terminal_bars_are_drawn_and_cleared(tmp_path: Path) -> None:
    rows = [{**GOOD, "plate": f"QN {number}"} for number in range(1, 3000)]
    place = Place(tmp_path).write(rows)
    leader, follower = pty.openpty()
    try:
        with subprocess.Popen(
            command(*place.build_words()), stdout=subprocess.PIPE, stderr=follower
        ) as process:
            assert process.stdout is not None
            out = process.stdout.read()
        os.set_blocking(leader, False)
        drawn = os.read(leader, 1_000_000).decode()
    finally:
        os.close(leader)
        os.close(follower)
    assert process.returncode == 0
    assert out.decode().splitlines()[-1] == "rows read 2999, kept 2999, set aside 0"
    for stage in ("plates and repeats", "cell index", "map cells"):
        assert stage in drawn
    assert drawn.rstrip(" ").endswith("\r")  # the last bar is gone


def test_reader_that_has_seen_enough(built: Place) -> None:
    words = ["cone", "--archive", built.archive, *PLACE, "--format", "votable"]
    line = f"{shlex.join(command(*words))} | head -c 10; echo ${{PIPESTATUS[0]}}"
    done = subprocess.run(["bash", "-c", line], capture_output=True, timeout=120)
    assert done.stdout == b"<?xml vers0\n"
    assert done.stderr == b""


def test_output_that_takes_no_more(built: Place) -> None:
    words = ["cone", "--archive", built.archive, *PLACE]
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(command(*words), stdout=full, stderr=subprocess.PIPE, timeout=120)
    assert done.returncode == 1
    assert done.stderr == b"platecover: output: No space left on device\n"
    line = f"{shlex.join(command(*words))} >&-"
    closed = subprocess.run(["bash", "-c", line], capture_output=True, timeout=120)
    assert (closed.returncode, closed.stderr) == (0, b"")


def test_ctrl_c_leaves_the_old_edition(tmp_path: Path) -> None:
    place = Place(tmp_path).build()
    place.write([*PLATES, *({**GOOD, "plate": f"WM {number}"} for number in range(6, 20_000))])
    with subprocess.Popen(
        command(*place.build_words()), stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        deadline = time.monotonic() + 60
        while not list((place.archive / "editions").glob(".new-*")):
            assert time.monotonic() < deadline
            assert process.poll() is None
            time.sleep(0.02)
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=60)
    assert process.returncode == 130
    assert out == b""
    assert err == b"platecover: interrupted; what was in place before is unchanged\n"
    assert {path.name for path in (place.archive / "editions").iterdir()} == {"1"}
    assert Archive.open(place.archive).edition.number == 1
