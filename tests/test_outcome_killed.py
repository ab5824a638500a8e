"""Outcomes by several at once, and killed in the middle: all of a day counts, or nothing."""

import multiprocessing
import os
import random
import shutil
import signal
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from tests.small_archive import Place
from tests.test_outcome_apply import HEAD, SCAN, TODAY, apply, facts, ledger
from tests.test_rebuild import contents

from platecover.coverage.edition import open_current
from platecover.coverage.ledger import read_postings
from platecover.coverage.outcome_apply import apply_outcomes

KILL_SEED, KILLS = 20261125, 4


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Place:
    return Place(tmp_path_factory.mktemp("built")).build()


@pytest.fixture
def place(built: Place, tmp_path: Path) -> Place:
    shutil.copytree(built.folder, tmp_path / "place")
    return Place(tmp_path / "place")


def _process(archive: Path, day: Path) -> Any:
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["platecover.coverage.outcome_apply"])
    process = context.Process(target=apply_outcomes, args=(archive, day), kwargs={"today": TODAY})
    process.start()
    return process


def test_two_at_once_lose_nothing(place: Place) -> None:
    days = []
    for at, plate in enumerate(("QN 1", "QN 2", "QN 3b", "WM 5")):
        days.append(place.folder / f"day{at}.csv")
        days[-1].write_text(f"{HEAD}{plate},broken,,,,2026-11-20,Person {at},\n")
    processes = [_process(place.archive, day) for day in days]
    for process in processes:
        process.join()
    assert [process.exitcode for process in processes] == [0] * len(days)
    postings = read_postings(place.archive)
    assert [posting.number for posting in postings] == [1, 2, 3, 4]
    assert len({posting.by for posting in postings}) == 4
    for plate in ("QN 1", "QN 2", "QN 3b", "WM 5"):
        assert facts(place, plate)[1] == "broken"
    open_current(place.archive).verify()


DAY = (SCAN, "QN 2,not found,,,,2026-11-20,Ida,", "WM 5,broken,,,,2026-11-20,Bo,")


def assert_whole_or_nothing(place: Place, finished: dict[str, bytes]) -> None:
    """After a kill all or nothing counts; the day sent in again ends where it would have."""
    edition = open_current(place.archive)
    edition.verify()
    postings = read_postings(place.archive)
    assert [len(posting.entries) for posting in postings] in ([], [3])
    assert len(edition.table("history")) in (0, len_history(finished))
    apply(place, *DAY)
    (posting,) = read_postings(place.archive)
    assert len(posting.entries) == 3
    found = contents(place.archive, parts_too=True)
    for name, whole in finished.items():
        assert name == "history.parquet" or found[name] == whole, name
    open_current(place.archive).verify()


def len_history(finished: dict[str, bytes]) -> int:
    return int(pq.read_table(pa.BufferReader(finished["history.parquet"])).num_rows)


class Killed(BaseException):
    """Stands for a process that is gone."""


def killed_at(step: int, monkeypatch: pytest.MonkeyPatch, work: Callable[[], object]) -> bool:
    """Stop some work dead before its step-th call of the disk; False if it has fewer."""
    taken = 0

    def stop_before(real: Callable[..., Any]) -> Callable[..., Any]:
        def wrapped(*args: Any, **named: Any) -> Any:
            nonlocal taken
            taken += 1
            if taken >= step:
                raise Killed  # also from all that would clean up
            return real(*args, **named)

        return wrapped

    with monkeypatch.context() as patch:
        for owner, name in (
            (os, "mkdir"), (os, "rename"), (os, "replace"), (os, "unlink"), (os, "rmdir"),
            (os, "link"), (shutil, "rmtree"),
        ):  # fmt: skip
            patch.setattr(owner, name, stop_before(getattr(owner, name)))
        try:
            work()
        except Killed:
            return True
    return False


def test_killed_before_each_single_step(
    built: Place, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = Place(shutil.copytree(built.folder, tmp_path / "whole"))
    apply(whole, *DAY)
    finished = contents(whole.archive, parts_too=True)
    step, after_ledger = 0, 0
    while True:
        step += 9 if step > 9 else 1  # most steps are links of one file after another
        place = Place(shutil.copytree(built.folder, tmp_path / f"step{step}"))
        if not killed_at(step, monkeypatch, lambda place=place: apply(place, *DAY)):
            break
        after_ledger += bool(read_postings(place.archive))
        assert_whole_or_nothing(place, finished)
        shutil.rmtree(place.folder)
    assert after_ledger > 10


def test_killed_in_the_middle_of_the_line(place: Place, tmp_path: Path) -> None:
    whole = Place(shutil.copytree(place.folder, tmp_path / "whole"))
    apply(whole, *DAY)
    finished, line = contents(whole.archive, parts_too=True), ledger(whole)
    (place.archive / "ledger").mkdir()
    path = place.archive / "ledger" / "entries.jsonl"
    for length in range(0, len(line), 97):
        path.write_bytes(line[:length])
        assert read_postings(place.archive) == []
    path.write_bytes(line[:-1])
    assert_whole_or_nothing(place, finished)
    path.write_bytes(line)  # the line is whole: it counts, though its edition was never made
    assert [len(posting.entries) for posting in read_postings(place.archive)] == [3]


def test_killed_by_signal_9(built: Place, tmp_path: Path) -> None:
    whole = Place(shutil.copytree(built.folder, tmp_path / "whole"))
    apply(whole, *DAY)
    finished = contents(whole.archive, parts_too=True)
    timed = Place(shutil.copytree(built.folder, tmp_path / "timed"))
    for place in (timed, timed):  # the first loads the modules
        day = place.folder / "day.csv"
        day.write_text(HEAD + "".join(f"{row}\n" for row in DAY))
        begin = time.monotonic()
        _process(place.archive, day).join()
        length_s = time.monotonic() - begin
    draw, killed = random.Random(KILL_SEED), 0
    for at in range(KILLS):
        place = Place(shutil.copytree(built.folder, tmp_path / f"kill{at}"))
        day = place.folder / "day.csv"
        day.write_text(HEAD + "".join(f"{row}\n" for row in DAY))
        process = _process(place.archive, day)
        process.join(draw.uniform(0.1, 1.5) * length_s)
        process.kill()
        process.join()
        killed += process.exitcode == -signal.SIGKILL
        assert_whole_or_nothing(place, finished)
    assert killed
