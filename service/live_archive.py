"""The archive as it is now: new editions are picked up, and damage is noticed, without a restart.

Every question looks at the names, sizes and times of the files first (some tens of
microseconds). Nothing of a memory-mapped file is touched that has changed since it was opened:
reading a map of a file that was cut short would kill the process.
"""

import os
import threading
from pathlib import Path

from platecover.coverage.archive import Archive
from platecover.coverage.edition import (
    CURRENT,
    EXPOSURES,
    PLATES,
    current_number,
    edition_folder,
)
from platecover.coverage.errors import ArchiveError

Mark = tuple[int, int, int]  # inode, size in bytes, time of change in ns
Picture = dict[str, Mark]  # by path; empty where nothing can be seen


class LiveArchive:
    """An archive folder that is watched; safe to share between threads and forked workers.

    Parameters
    ----------
    folder : path
        What `platecover build --archive` was given.

    Raises
    ------
    ArchiveError
        If there is no sound archive to begin with.
    """

    def __init__(self, folder: str | os.PathLike[str]) -> None:
        self.folder = Path(folder)
        self._lock = threading.Lock()
        self._picture = _picture_of(self.folder)
        self._found: Archive | ArchiveError = Archive.open(self.folder)
        self._sound, self._sound_picture = self._found, self._picture

    def current(self) -> Archive:
        """The archive with the edition in use; who holds an earlier one may go on with it.

        Raises
        ------
        ArchiveError
            If the archive is gone or damaged, until it is back.
        """
        with self._lock:
            # of what is sound nothing may change; to what is not, something may be added
            if not (isinstance(self._found, Archive) and _is_as_before(self._picture)):
                picture = _picture_of(self.folder)
                if picture != self._picture:
                    self._found = self._look_again(picture)
                    self._picture = picture
            if isinstance(self._found, ArchiveError):
                raise ArchiveError(str(self._found))
            return self._found

    def _look_again(self, picture: Picture) -> Archive | ArchiveError:
        """Open what is there now; an edition that was changed in place has to prove itself."""
        if picture == self._sound_picture:
            return self._sound
        try:
            archive = Archive.open(self.folder)
            if archive.edition.folder == self._sound.edition.folder:
                archive.verify()
        except ArchiveError as fault:
            return fault
        except OSError as fault:
            return ArchiveError(f"{self.folder}: cannot be read ({fault.strerror})")
        self._sound, self._sound_picture = archive, picture
        return archive


def _picture_of(folder: Path) -> Picture:
    """Marks of the file that names the current edition, and of all files of that edition."""
    try:
        pointer = folder / CURRENT
        picture = {str(pointer): _mark(pointer.stat())}  # before it is read: a later change shows
        number = current_number(folder)
        if number is not None:
            edition = edition_folder(folder, number)
            for place in (edition, edition / EXPOSURES, edition / PLATES):  # all that is mapped
                with os.scandir(place) as entries:
                    picture |= {entry.path: _mark(entry.stat()) for entry in entries}
        return picture
    except (OSError, ArchiveError):
        return {}


def _is_as_before(picture: Picture) -> bool:
    """Whether all files of a picture still look as they do there."""
    try:
        return bool(picture) and all(_mark(os.stat(path)) == mark for path, mark in picture.items())
    except OSError:
        return False


def _mark(status: os.stat_result) -> Mark:
    return status.st_ino, status.st_size, status.st_mtime_ns
