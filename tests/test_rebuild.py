"""A build gives one answer: whatever the number of processes, parts, or editions before it."""

import csv
import hashlib
import os
import random
import resource
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.small_archive import GOOD, Place, log_text

from platecover.coverage import edition_build
from platecover.coverage.edition import open_current
from platecover.coverage.edition_build import build
from platecover.coverage.errors import ArchiveError
from platecover.demo_data.make_demo import DemoFiles, write_demo

EXPOSURES = 1_500


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> DemoFiles:
    return write_demo(tmp_path_factory.mktemp("demo"), exposures=EXPOSURES)


def contents(archive: Path, *, parts_too: bool) -> dict[str, bytes]:
    """Files of the edition in use, but for the hour it was built and perhaps its parts."""
    folder = open_current(archive).folder
    files = {path.relative_to(folder).as_posix(): path for path in folder.rglob("*.*")}
    del files["edition.json"]
    return {
        name: path.read_bytes()
        for name, path in sorted(files.items())
        if parts_too or not name.startswith("logged/")
    }


@pytest.mark.parametrize(("processes", "part_rows"), [(1, 64), (2, 100), (3, 1_000)])
def test_processes_and_parts_make_no_difference(
    demo: DemoFiles, tmp_path: Path, processes: int, part_rows: int
) -> None:
    build(tmp_path / "plain", demo.logs, demo.observatory, processes=1)
    build(
        tmp_path / "other", demo.logs, demo.observatory, processes=processes, part_rows=part_rows
    )  # fmt: skip
    plain, other = (contents(tmp_path / name, parts_too=False) for name in ("plain", "other"))
    assert plain.keys() == other.keys()
    for name, whole in plain.items():
        assert other[name] == whole, name


def changed(path: Path, draw: random.Random) -> None:
    """Change, remove, repeat and add rows of a log."""
    with path.open(newline="") as stream:
        header, *rows = csv.reader(stream)
    column = {name: at for at, name in enumerate(header)}
    for _ in range(draw.randrange(6)):
        at = draw.randrange(len(rows))
        match draw.randrange(6):
            case 0:
                del rows[at]
            case 1:
                rows.insert(draw.randrange(len(rows)), list(rows[at]))
            case 2:
                rows[at][column["dec"]] = draw.choice(["12.5", "-89.99", "", "91"])
            case 3:
                rows[at][column["date"]] = draw.choice(["1905-03-04", "1899", "", "1905-13-01"])
            case 4:
                rows[at][column["status"]] = draw.choice(["missing", "on shelf", "lost"])
            case 5:
                rows[at][column["ra"]] = draw.choice(["5", "350.25", "05 33.1"])
    with path.open("w", newline="") as stream:
        csv.writer(stream).writerows([header, *rows])


@settings(max_examples=4, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.integers(0, 2**32))
def test_rebuilding_after_changes_is_building_afresh(
    tmp_path_factory: pytest.TempPathFactory, seed: int
) -> None:
    draw = random.Random(seed)
    folder = tmp_path_factory.mktemp("again")
    place = Place(folder)
    rows = [
        {
            **GOOD,
            "plate": f"{draw.choice(['QN', 'WM'])} {draw.randrange(60)}",
            "ra": f"{draw.uniform(0, 360):.3f}",
            "dec": f"{draw.uniform(-90, 90):.3f}",
            "date": f"{draw.randrange(1890, 1930)}-0{draw.randrange(1, 10)}-11",
        }
        for _ in range(80)
    ]
    place.write(rows)
    for turn in range(3):
        build(place.archive, [place.log], place.observatory, allow_removed=True, part_rows=16)
        fresh = folder / f"fresh-{turn}"
        build(fresh, [place.log], place.observatory, part_rows=16)
        again, afresh = contents(place.archive, parts_too=True), contents(fresh, parts_too=True)
        assert again.keys() == afresh.keys()
        for name, whole in afresh.items():
            assert again[name] == whole, name
        changed(place.log, draw)


def test_unchanged_rows_are_not_read_or_cut_again(
    demo: DemoFiles, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    archive = tmp_path / "archive"
    how = {"processes": 1, "part_rows": 100}
    build(archive, demo.logs, demo.observatory, **how)
    first = open_current(archive)
    kept: list[np.ndarray] = []
    real = edition_build.carried_over

    def noted(*args: object) -> np.ndarray:
        kept.append(real(*args))
        return kept[-1]

    monkeypatch.setattr(edition_build, "carried_over", noted)
    text = demo.logs[0].read_text("latin-1")
    place, changed_text = text.index("\n", len(text) // 2) + 1, tmp_path / demo.logs[0].name
    line = text[place:].splitlines(keepends=True)[3]
    changed_text.write_text(text[:place] + line + text[place:], "latin-1")
    build(archive, [changed_text, *demo.logs[1:]], demo.observatory, **how)
    second = open_current(archive)
    assert (kept[0] >= 0).sum() >= len(first.geometry) - 2
    before, after = (
        {path.stat().st_ino for path in edition.logged.folder.iterdir()}
        for edition in (first, second)
    )
    assert 0 < len(after - before) <= 2


def test_a_lone_hour_is_found_out_from_another_part(tmp_path: Path) -> None:
    # a whole right ascension is degrees until some other of the same log is sexagesimal
    rows = [{**GOOD, "plate": f"QN {n}", "ra": "7", "date": f"1905-03-{n:02}"} for n in range(1, 9)]
    place = Place(tmp_path).write(rows)
    report = build(place.archive, [place.log], place.observatory, part_rows=2)
    assert (report.kept, report.set_aside) == (8, 0)
    place.write([*rows, {**GOOD, "plate": "QN 9", "ra": "05 33.1"}])
    for archive in (place.archive, tmp_path / "fresh"):
        report = build(archive, [place.log], place.observatory, part_rows=2)
        assert (report.kept, report.set_aside) == (1, 8)
        used = {part.name for part in open_current(archive).logged.parts}
        assert {path.stem for path in open_current(archive).logged.folder.iterdir()} == used


def test_killed_build_leaves_no_process_and_no_debris(tmp_path: Path) -> None:
    place = Place(tmp_path).write([GOOD])
    place.build()
    rows = ({**GOOD, "plate": f"QN {n}", "notes": "x" * 60} for n in range(60_000))
    place.log.write_text(log_text(list(rows)))
    script = (
        "import pathlib, sys\n"
        "from platecover.coverage.edition_build import build\n"
        "archive, log, observatory = map(pathlib.Path, sys.argv[1:])\n"
        "build(archive, [log], observatory, processes=2)\n"
    )
    words = [str(place.archive), str(place.log), str(place.observatory)]
    with subprocess.Popen([sys.executable, "-c", script, *words]) as process:
        deadline = time.monotonic() + 60
        while not list(place.archive.glob("editions/.new-*/logged/*")):
            assert process.poll() is None and time.monotonic() < deadline
            time.sleep(0.01)
        process.send_signal(signal.SIGKILL)
    deadline = time.monotonic() + 10
    while running(str(place.archive)):
        assert time.monotonic() < deadline, "a process outlives the build that was killed"
        time.sleep(0.05)
    assert open_current(place.archive).number == 1
    place.write([GOOD])
    while True:  # a process that is ending may hold the lock a moment longer than its name
        try:
            place.build()
            break
        except ArchiveError:
            assert time.monotonic() < deadline, "the lock outlives the build that was killed"
            time.sleep(0.05)
    assert {path.name for path in (place.archive / "editions").iterdir()} == {"1", "2"}


def running(word: str) -> list[str]:
    """Processes that have a word on their command line."""
    found = []
    for number in filter(str.isdecimal, os.listdir("/proc")):
        try:
            words = Path(f"/proc/{number}/cmdline").read_bytes().decode().split("\0")
            state = Path(f"/proc/{number}/stat").read_text().rpartition(")")[2].split()[0]
        except OSError:
            continue
        if word in words and state != "Z":
            found.append(number)
    return found


def test_logs_that_share_a_part_are_each_read_in_their_own_way(tmp_path: Path) -> None:
    # the same rows are ambiguous in a log with a sexagesimal right ascension, degrees without
    rows = [{**GOOD, "plate": f"QN {n}", "ra": str(n), "dec": "10"} for n in (5, 6)]
    place = Place(tmp_path).write([*rows, {**GOOD, "plate": "QN 7", "ra": "05 30"}])
    other = tmp_path / "other.csv"
    other.write_text(log_text(rows))
    for logs in ([place.log, other], [other, place.log]):
        report = build(place.archive, logs, place.observatory, part_rows=2)
        assert (report.rows_read, report.kept, report.set_aside) == (5, 3, 2)


def test_a_pipe_is_read_once_and_its_digest_is_of_what_was_read(tmp_path: Path) -> None:
    place = Place(tmp_path).write([GOOD])
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    with subprocess.Popen(["sh", "-c", 'cat "$0" > "$1"', str(place.log), str(pipe)]):
        build(place.archive, [pipe], place.observatory)
    summary = open_current(place.archive).summary
    assert summary["logs"][0]["sha256"] == hashlib.sha256(place.log.read_bytes()).hexdigest()


def test_more_logs_than_files_that_may_be_open(tmp_path: Path) -> None:
    place = Place(tmp_path).write([GOOD])
    logs = [tmp_path / f"log{n}.csv" for n in range(150)]
    for n, log in enumerate(logs):
        log.write_text(log_text([{**GOOD, "plate": f"QN {n}"}]))
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    used = len(os.listdir("/proc/self/fd"))
    resource.setrlimit(resource.RLIMIT_NOFILE, (used + 100, hard))
    try:
        assert build(place.archive, logs, place.observatory).kept == len(logs)
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


def test_a_ditto_mark_that_opens_a_quoted_cell_is_remarked_on(tmp_path: Path) -> None:
    place = Place(tmp_path)
    place.write([GOOD])
    text = 'plate,object,ra,dec\nQN 1,Crab,83.6,22\nQN 2,",84.5,10.5\nQN 3,",85.5,10.5\n'
    place.log.write_text(text)
    report = build(place.archive, [place.log], place.observatory)
    assert (report.rows_read, report.kept, report.set_aside) == (2, 2, 0)
    said = open_current(place.archive).table("remarks").to_pylist()
    assert any(row["row"] == 3 and "ditto mark" in row["reason"] for row in said)
