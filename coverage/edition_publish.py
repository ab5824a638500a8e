"""Putting a new edition in place: written beside, synced, verified, then made current at once.

Killed at any moment, the edition in use stays in use; what was left behind is cleared away by
the next build. One builder at a time holds the archive's lock.
"""

import fcntl
import json
import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from platecover.coverage.edition import (
    CURRENT,
    EDITIONS,
    FORMAT_VERSION,
    SUMMARY,
    current_number,
    digest,
    edition_folder,
    open_edition,
)
from platecover.coverage.errors import ArchiveError

LOCK = "lock"
_OURS = {LOCK, CURRENT, EDITIONS, "ledger", f".{CURRENT}-new"}
_KEPT_EDITIONS = 3  # the one in use and two that requests in flight may still read


@contextmanager
def archive_lock(archive: Path) -> Iterator[None]:
    """Hold the archive for writing; it is let go even if the process is killed.

    Raises
    ------
    ArchiveError
        If another process holds it, the folder holds other things, or it cannot be written.
    """
    try:
        if archive.is_dir() and (others := {path.name for path in archive.iterdir()} - _OURS):
            raise ArchiveError(
                f"{archive}: holds other things ({', '.join(sorted(others)[:3])});"
                " name an empty or a new folder for the archive"
            )
        archive.mkdir(parents=True, exist_ok=True)
        stream = (archive / LOCK).open("a")
    except OSError as fault:
        raise ArchiveError(f"{archive}: cannot be written ({fault.strerror})") from None
    with stream:
        try:
            fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise ArchiveError(
                f"{archive}: another build or ledger entry is at work; try again when it is done"
            ) from None
        yield


def publish(
    archive: Path, write_files: Callable[[Path], dict[str, Any]], *, keep: int = _KEPT_EDITIONS
) -> int:
    """Write a new edition and make it the current one; the lock must be held.

    Parameters
    ----------
    archive : pathlib.Path
    write_files : callable
        Writes every file into the folder given and returns what ``edition.json`` is to say
        beside the format and the digests.
    keep : int, optional
        How many of the newest editions stay on disk.

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
    in_use = current_number(archive)
    _clear_leftovers(editions)
    numbers = _numbers(editions)
    number = max([*numbers, in_use or 0]) + 1
    staging = editions / f".new-{number}"
    staging.mkdir()
    try:
        summary = write_files(staging)
        _write_summary(staging, number, summary)
        _sync(staging)
        os.rename(staging, edition_folder(archive, number))
        open_edition(edition_folder(archive, number)).verify()
    except BaseException:
        shutil.rmtree(staging, ignore_errors=True)
        shutil.rmtree(edition_folder(archive, number), ignore_errors=True)
        raise
    _point_to(archive, number)
    for old in sorted(_numbers(editions))[:-keep]:
        shutil.rmtree(edition_folder(archive, old), ignore_errors=True)
    return number


def _clear_leftovers(editions: Path) -> None:
    """Remove what a killed build left behind."""
    for leftover in editions.glob(".new-*"):
        shutil.rmtree(leftover, ignore_errors=True)


def _numbers(editions: Path) -> list[int]:
    return [int(path.name) for path in editions.iterdir() if path.name.isdecimal()]


def _write_summary(folder: Path, number: int, summary: dict[str, Any]) -> None:
    """Write ``edition.json`` with sizes and digests of the other files."""
    files = {
        path.name: {"bytes": path.stat().st_size, "sha256": digest(path)}
        for path in sorted(folder.iterdir())
    }
    text = json.dumps({"format": FORMAT_VERSION, "number": number, **summary, "files": files})
    (folder / SUMMARY).write_text(text, encoding="utf-8")


def _sync(folder: Path) -> None:
    """Make sure that files and folder are on disk before anything names them."""
    for path in [*folder.iterdir(), folder, folder.parent]:
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
    handle = os.open(archive, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
