"""Putting a new edition in place: written beside, synced, verified, then made current at once.

Killed at any moment, the edition in use stays in use; what was left behind is cleared away by
the next build. One builder at a time holds the archive's lock.
"""

import fcntl
import json
import os
import shutil
import time
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from functools import partial
from pathlib import Path
from typing import IO, Any

from platecover.coverage.edition import (
    CURRENT,
    EDITIONS,
    FORMAT_VERSION,
    SUMMARY,
    Edition,
    current_number,
    digests,
    edition_folder,
    open_edition,
)
from platecover.coverage.errors import ArchiveError

LOCK = "lock"
_OURS = {LOCK, CURRENT, EDITIONS, "ledger", f".{CURRENT}-new"}
_LOOK_AGAIN_S = 0.05  # whether who holds the lock has let it go
_SYNCS_AT_ONCE = 8
_ROOM_LEFT_BYTES = 1 << 22  # with less, what failed failed for want of room
_NAMED = 3  # other things named in a message
_KEPT_EDITIONS = 3  # the one in use and two that requests in flight may still read


@contextmanager
def archive_lock(archive: Path, wait_s: float = 0.0) -> Iterator[None]:
    """Hold the archive for writing; it is let go even if the process is killed.

    A folder that was made for it goes away again if the work fails before any edition.

    Parameters
    ----------
    archive : pathlib.Path
    wait_s : float, optional
        How long to wait for another that holds it.

    Raises
    ------
    ArchiveError
        If another process holds it, the folder holds other things, or it cannot be written.
    """
    try:
        if archive.exists() and not archive.is_dir():
            raise ArchiveError(f"{archive}: is a file; name an empty or a new folder")
        _refuse_foreign_folder(archive)
        made = not archive.exists()
        archive.mkdir(parents=True, exist_ok=True)
        stream = (archive / LOCK).open("a")
    except OSError as fault:
        raise ArchiveError(f"{archive}: cannot be written ({fault.strerror})") from None
    with stream:
        try:
            _lock(stream, wait_s)
            if os.fstat(stream.fileno()).st_nlink == 0:
                raise BlockingIOError  # who held it has just taken the whole folder away
        except BlockingIOError:
            raise ArchiveError(
                f"{archive}: another build or ledger entry is at work; try again when it is done"
            ) from None
        except OSError as fault:
            raise ArchiveError(f"{archive}: cannot be locked ({fault.strerror})") from None
        try:
            yield
        except BaseException:
            if made:
                _remove_empty_archive(archive)
            raise


def _lock(stream: IO[str], wait_s: float) -> None:
    """Lock a file; BlockingIOError if another holds it for longer than we wait."""
    deadline = time.monotonic() + wait_s
    while True:
        try:
            fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return
        except BlockingIOError:
            if not (time.monotonic() < deadline):
                raise
        time.sleep(_LOOK_AGAIN_S)


def _remove_empty_archive(archive: Path) -> None:
    """Remove an archive that holds nothing; if it does hold something, leave it alone."""
    with suppress(OSError):
        if (archive / EDITIONS).exists():
            (archive / EDITIONS).rmdir()
        if {path.name for path in archive.iterdir()} <= {LOCK}:
            (archive / LOCK).unlink(missing_ok=True)
            archive.rmdir()


def _refuse_foreign_folder(archive: Path) -> None:
    """Stop if a folder holds things of others and is no archive yet."""
    if not archive.is_dir() or (archive / CURRENT).is_file():
        return
    others = sorted({path.name for path in archive.iterdir()} - _OURS)
    if others:
        named = ", ".join(others[:_NAMED]) + (", ..." if len(others) > _NAMED else "")
        raise ArchiveError(
            f"{archive}: holds other things ({named}); name an empty or a new folder"
        )


def publish(
    archive: Path,
    write_files: Callable[[Path, int], dict[str, Any]],
    *,
    keep: int = _KEPT_EDITIONS,
    before: Edition | None = None,
    progress: Callable[[str, int, int], None] | None = None,
) -> int:
    """Write a new edition and make it the current one; the lock must be held.

    Parameters
    ----------
    archive : pathlib.Path
    write_files : callable
        Called with a folder and the new edition's number; writes every file there and returns
        what ``edition.json`` is to say beside the format and the digests.
    keep : int, optional
        How many of the newest editions stay on disk.
    before : Edition, optional
        Files that are this edition's own, under another name, are not digested again.
    progress : callable, optional
        Called as ``progress(stage, done, total)``.

    Returns
    -------
    int
        Number of the new edition.

    Raises
    ------
    ArchiveError
        If what was written does not read back.
    """
    editions = archive / EDITIONS
    editions.mkdir(exist_ok=True)
    in_use = _number_in_use(archive)
    _clear_leftovers(editions, in_use)
    number = max([*_numbers(editions), in_use or 0]) + 1
    staging = editions / f".new-{number}"
    staging.mkdir()
    try:
        summary = write_files(staging, number)
        same = _same_files(staging, before)
        _write_summary(staging, number, summary, same, _stage(progress, "digests"))
        _sync(staging, _stage(progress, "to disk"))
        os.rename(staging, edition_folder(archive, number))
        _sync_one(editions)
        written = open_edition(edition_folder(archive, number))
        written.verify(_stage(progress, "checking"), without=same)
    except BaseException as fault:
        full = isinstance(fault, OSError) and shutil.disk_usage(archive).free < _ROOM_LEFT_BYTES
        shutil.rmtree(staging, ignore_errors=True)
        shutil.rmtree(edition_folder(archive, number), ignore_errors=True)
        if isinstance(fault, OSError):
            why = "the disk is full; make room and build again" if full else str(fault)
            raise ArchiveError(
                f"{archive}: the new edition could not be written: {why}"
                " (what was in use is unchanged)"
            ) from fault
        raise
    _point_to(archive, number)
    for old in sorted(_numbers(editions))[:-keep]:
        shutil.rmtree(edition_folder(archive, old), ignore_errors=True)
    return number


def _number_in_use(archive: Path) -> int | None:
    """Number of the edition in use; None if there is none or nobody can tell."""
    try:
        return current_number(archive)
    except ArchiveError:  # whoever gets here has allowed plates to vanish
        return None


def _clear_leftovers(editions: Path, in_use: int | None) -> None:
    """Remove what killed builds left behind: half-written editions, and those never in use."""
    for leftover in editions.glob(".new-*"):
        shutil.rmtree(leftover, ignore_errors=True)
    if in_use is not None:
        for number in _numbers(editions):
            if number > in_use:
                shutil.rmtree(editions / str(number), ignore_errors=True)


def _numbers(editions: Path) -> list[int]:
    return [int(path.name) for path in editions.iterdir() if path.name.isdecimal()]


def _stage(
    progress: Callable[[str, int, int], None] | None, name: str
) -> Callable[[int, int], None] | None:
    """Progress of one stage."""
    return partial(progress, name) if progress is not None else None


def _same_files(folder: Path, before: Edition | None) -> dict[str, Any]:
    """What the last edition notes of those of its files that a new one shares with it."""
    if before is None:
        return {}
    noted = before.summary["files"].items()
    return {
        name: facts
        for name, facts in noted
        if (folder / name).is_file() and (folder / name).samefile(before.folder / name)
    }


def _write_summary(
    folder: Path,
    number: int,
    summary: dict[str, Any],
    same: Mapping[str, Any],
    progress: Callable[[int, int], None] | None,
) -> None:
    """Write ``edition.json`` with sizes and digests of the other files."""
    names = sorted(
        path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()
    )
    paths = [folder / name for name in names if name not in same]
    written = {
        path.relative_to(folder).as_posix(): {"bytes": path.stat().st_size, "sha256": sha256}
        for path, sha256 in zip(paths, digests(paths, progress), strict=True)
    }
    files = {name: same[name] if name in same else written[name] for name in names}
    text = json.dumps({"format": FORMAT_VERSION, "number": number, **summary, "files": files})
    (folder / SUMMARY).write_text(text, encoding="utf-8")


def _sync(folder: Path, progress: Callable[[int, int], None] | None) -> None:
    """Make sure that a folder and its files are on disk before anything names them."""
    paths = [*folder.rglob("*"), folder]
    with ThreadPoolExecutor(_SYNCS_AT_ONCE) as pool:  # each waits for the disk, not for us
        for done, _ in enumerate(pool.map(_sync_one, paths), start=1):
            if progress is not None:
                progress(done, len(paths))


def _sync_one(path: Path) -> None:
    """Wait until a file, or a folder's list of names, is on disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _point_to(archive: Path, number: int) -> None:
    """Make an edition the current one, in a single rename."""
    beside = archive / f".{CURRENT}-new"
    with beside.open("w", encoding="ascii") as stream:
        stream.write(f"{number}\n")
        stream.flush()
        os.fsync(stream.fileno())
    os.replace(beside, archive / CURRENT)
    _sync_one(archive)
