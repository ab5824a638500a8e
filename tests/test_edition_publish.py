"""Putting an edition in place: at every moment of being killed, the earlier one is in service."""

import hashlib
import json
import multiprocessing
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from tests.small_archive import PLATES, Place

from platecover.coverage import edition_publish
from platecover.coverage.archive import Archive
from platecover.coverage.edition import current_number
from platecover.coverage.edition_build import build
from platecover.coverage.edition_publish import archive_lock, publish
from platecover.coverage.errors import ArchiveError, LogFileError
from platecover.coverage.regions import Region
from platecover.demo_data.make_demo import write_demo

KILL_SEED = 20261125
KILLS = 8
OURS = {"current", "lock", "editions"}


def debris(archive: Path) -> set[str]:
    """Names in an archive that a finished build leaves none of."""
    inner = {path.name for path in (archive / "editions").iterdir() if not path.name.isdecimal()}
    return ({path.name for path in archive.iterdir()} - OURS) | inner


def numbers(archive: Path) -> list[int]:
    """Editions on disk."""
    return sorted(int(path.name) for path in (archive / "editions").iterdir())


@pytest.fixture
def place(tmp_path: Path) -> Place:
    return Place(tmp_path).build()


def test_killed_builds_leave_the_archive_in_service(tmp_path: Path) -> None:
    # Real processes, each killed by signal 9 at a moment drawn over the length of a build. The
    # fork server has the modules loaded, so that the time goes into building.
    files = write_demo(tmp_path / "logs", exposures=200)
    archive = tmp_path / "archive"
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(
        ["platecover.coverage.edition_build", "platecover.coverage.moc_files"]
    )
    arguments = (archive, files.logs, files.observatory)

    def started() -> Any:
        process = context.Process(target=build, args=arguments)
        process.start()
        return process

    process = started()  # loads the server and shows how long a build takes
    process.join()
    process = started()
    begin = time.monotonic()
    process.join()
    length_s = time.monotonic() - begin
    assert process.exitcode == 0

    draw = random.Random(KILL_SEED)
    killed = 0
    for _ in range(KILLS):
        before = current_number(archive)
        answer = Archive.open(archive).cone(325.68, 43.59, 0)["exposure_id"]
        process = started()
        process.join(draw.uniform(0.2, 1.0) * length_s)
        process.kill()
        process.join()
        killed += process.exitcode == -signal.SIGKILL
        after = Archive.open(archive)
        after.verify()
        assert after.edition.number in (before, (before or 0) + 1)
        assert list(after.cone(325.68, 43.59, 0)["exposure_id"]) == list(answer)
    assert killed >= KILLS // 2
    build(*arguments)
    Archive.open(archive).verify()
    assert debris(archive) == set()
    assert current_number(archive) == numbers(archive)[-1]


class Killed(BaseException):
    """Stands for a process that is gone."""


def killed_at(step: int, monkeypatch: pytest.MonkeyPatch, work: Callable[[], object]) -> bool:
    """Stop some work dead before its step-th change of names on disk; False if it has fewer."""
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
            (os, "mkdir"), (os, "rename"), (os, "replace"), (os, "unlink"),
            (os, "rmdir"), (shutil, "rmtree"),
        ):  # fmt: skip
            patch.setattr(owner, name, stop_before(getattr(owner, name)))
        try:
            work()
        except Killed:
            return True
    return False


def test_killed_before_each_single_step(
    place: Place, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for _ in range(3):  # so that old editions are to be cleared away as well
        place.build()
    states = set()
    step = 0
    while True:
        step += 1
        archive = tmp_path / f"copy-{step}"
        shutil.copytree(place.archive, archive)
        again = (archive, [place.log], place.observatory)
        if not killed_at(step, monkeypatch, partial(build, *again)):
            break
        opened = Archive.open(archive)
        opened.verify()
        assert len(opened.cone(83.6, 22.0, 0)) == 4
        states.add(opened.edition.number)
        assert build(*again).edition == opened.edition.number + 1
        assert debris(archive) == set()
        assert numbers(archive)[-1] == opened.edition.number + 1
        assert len(numbers(archive)) == 3
        shutil.rmtree(archive)
    assert step > 6
    assert states == {4, 5}


def test_first_build_killed_before_each_single_step(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = Place(tmp_path).write()
    step = 0
    while True:
        step += 1
        archive = tmp_path / f"new-{step}"
        again = (archive, [place.log], place.observatory)
        if not killed_at(step, monkeypatch, partial(build, *again)):
            break
        if current_number(archive) is None:
            with pytest.raises(ArchiveError, match="platecover build"):
                Archive.open(archive)
        build(*again)
        Archive.open(archive).verify()
        assert debris(archive) == set()


def test_failing_write_leaves_nothing_and_keeps_the_number(place: Place) -> None:
    def fails(folder: Path, number: int) -> dict[str, Any]:
        (folder / "half").write_bytes(b"x")
        raise OSError(28, "No space left on device")

    with (
        pytest.raises(ArchiveError, match="could not be written.*No space left"),
        archive_lock(place.archive),
    ):
        publish(place.archive, fails)
    assert numbers(place.archive) == [current_number(place.archive)] == [1]
    assert debris(place.archive) == set()


def test_edition_that_does_not_read_back_is_never_current(
    place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = edition_publish._sync

    def spoils(folder: Path, progress: object) -> None:
        whole = (folder / "exposures.parquet").read_bytes()
        (folder / "exposures.parquet").write_bytes(whole[:-1] + b"?")
        real(folder, None)

    monkeypatch.setattr(edition_publish, "_sync", spoils)
    with pytest.raises(ArchiveError, match="exposures.parquet"):
        place.build()
    assert numbers(place.archive) == [current_number(place.archive)] == [1]


def test_files_are_on_disk_before_they_are_named(
    place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    # what a power cut asks for: sync the files, rename, sync the folder that holds the new
    # name, and only then rename `current` and sync its folder
    log: list[str] = []
    real = {name: getattr(os, name) for name in ("fsync", "rename", "replace")}

    def fsync(handle: int) -> None:
        log.append("sync " + Path(os.readlink(f"/proc/self/fd/{handle}")).name)
        real["fsync"](handle)

    def rename(source: Any, target: Any) -> None:
        log.append(f"rename {Path(target).name}")
        real["rename"](source, target)

    def replace(source: Any, target: Any) -> None:
        log.append(f"rename {Path(target).name}")
        real["replace"](source, target)

    for name, function in (("fsync", fsync), ("rename", rename), ("replace", replace)):
        monkeypatch.setattr(os, name, function)
    place.build()
    first, last = log.index("rename 2"), log.index("rename current")
    synced = {word.removeprefix("sync ") for word in log[:first]}
    assert {path.name for path in place.edition.rglob("*")} <= synced
    assert ".new-2" in synced
    assert log[first + 1 : last] == ["sync editions", "sync .current-new"]
    assert log[last + 1 :] == ["sync archive"]


def test_only_three_editions_stay(place: Place) -> None:
    for _ in range(5):
        place.build()
    assert numbers(place.archive) == [4, 5, 6]
    assert current_number(place.archive) == 6


def test_opened_edition_outlives_its_files(place: Place) -> None:
    archive = Archive.open(place.archive)
    answer = archive.cone(84.0, 22.0, 3.0)
    for _ in range(4):
        place.build(PLATES)
    assert not archive.edition.folder.exists()
    again = archive.cone(84.0, 22.0, 3.0)
    assert list(again["exposure_id"]) == list(answer["exposure_id"])
    assert archive.epochs(Region.circle(83.6, 22.0, 1.0), 10)["bins"]


def test_second_builder_is_told(place: Place) -> None:
    with archive_lock(place.archive), pytest.raises(ArchiveError, match="another build"):
        place.build()
    place.build()  # let go again


def test_lock_of_a_killed_process_is_free(place: Place) -> None:
    script = (
        "import pathlib, sys, time\n"
        "from platecover.coverage.edition_publish import archive_lock\n"
        "with archive_lock(pathlib.Path(sys.argv[1])):\n"
        "    print('held', flush=True)\n"
        "    time.sleep(120)\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", script, str(place.archive)], stdout=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"held\n"
        with pytest.raises(ArchiveError, match="another build"):
            place.build()
        process.kill()
    place.build()


def test_foreign_folders_are_refused(tmp_path: Path) -> None:
    place = Place(tmp_path).write()
    place.archive.mkdir()
    (place.archive / "letters.txt").write_text("mine")
    with pytest.raises(ArchiveError, match="holds other things .letters.txt."):
        place.build()
    assert [path.name for path in place.archive.iterdir()] == ["letters.txt"]


def test_files_and_unwritable_places_are_refused(tmp_path: Path) -> None:
    place = Place(tmp_path).write()
    for archive, word in (
        (place.log, "is a file"),
        (place.log / "inside", "Not a directory"),
        (Path("/proc/nowhere/archive"), "cannot be written"),
    ):
        with pytest.raises(ArchiveError, match=word):
            build(archive, [place.log], place.observatory)


def test_stray_file_in_an_archive_does_not_stop_builds(place: Place) -> None:
    (place.archive / "README").write_text("ours")
    place.build()
    assert (place.archive / "README").read_text() == "ours"


def test_failed_first_build_leaves_no_folder(tmp_path: Path) -> None:
    place = Place(tmp_path).write([{"plate": "unreadable"}])
    with pytest.raises(LogFileError, match="nothing kept"):
        build(place.archive, [place.log], place.observatory)
    assert not place.archive.exists()


def test_failed_build_keeps_an_empty_folder_that_was_there(tmp_path: Path) -> None:
    place = Place(tmp_path).write([{"plate": "unreadable"}])
    place.archive.mkdir()
    with pytest.raises(LogFileError, match="nothing kept"):
        build(place.archive, [place.log], place.observatory)
    assert place.archive.is_dir()


def test_damaged_current_needs_a_word_to_build_over(place: Place) -> None:
    (place.archive / "current").write_text("junk")
    with pytest.raises(ArchiveError, match="--allow-removed"):
        place.build()
    report = build(place.archive, [place.log], place.observatory, allow_removed=True)
    assert report.edition == 2
    Archive.open(place.archive).verify()


def test_damaged_edition_needs_a_word_to_build_over(place: Place) -> None:
    (place.edition / "plates" / "plate.arrow").unlink()
    with pytest.raises(ArchiveError, match=r"plate\.arrow(.|\n)*--allow-removed"):
        place.build()
    build(place.archive, [place.log], place.observatory, allow_removed=True)
    Archive.open(place.archive).verify()


def test_edition_json_names_the_logs_read(place: Place) -> None:
    summary = json.loads((place.edition / "edition.json").read_text())
    digest = hashlib.sha256(place.log.read_bytes()).hexdigest()
    assert summary["logs"] == [{"file": str(place.log), "sha256": digest}]
