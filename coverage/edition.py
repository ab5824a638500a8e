"""An edition: one whole, unchanging state of the archive on disk, opened by memory-mapping.

``ARCHIVE/current`` names the edition in use; ``ARCHIVE/editions/<number>/`` holds

- ``exposures.parquet``, ``plates.parquet``, ``set_aside.parquet``, ``remarks.parquet``: the
  archive in an open format;
- ``logged/``: the rows of the logs part by part in reading order, every cell as logged and what
  reading made of it (`logged_rows`); parts that did not change are the last edition's files;
- ``exposures/`` and ``plates/``: the same columns as the searches map them, a file each, text
  as dictionary codes, nothing null ('' and NaN stand for it);
- ``geometry.npy`` and ``index_*.npy``: footprints and the cell index;
- ``map_*.npy``: the cells that each footprint covers, for maps;
- ``time_*.npy``: exposures in the order of mid-exposure, their years, the cells of each year;
- ``coverage.fits``: the MOC of all footprints;
- ``edition.json``: format, counts, digests of every file, digests of the logs read, and what
  the observatory file says of stations and series.

Exposures are in the order of every answer: by t_min, undated last, then by exposure_id.
"""

import hashlib
import json
from collections.abc import Callable, Collection, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from platecover.coverage.arrow_tables import map_columns
from platecover.coverage.cell_index import CellIndex, open_array, open_cell_index
from platecover.coverage.columns import EXPOSURE_COLUMNS, PLATE_COLUMNS, Column
from platecover.coverage.errors import ArchiveError
from platecover.coverage.logged_rows import LoggedRows, RowPart
from platecover.coverage.map_cells import MapCells, open_map_cells
from platecover.coverage.plate_geometry import GEOMETRY, Records
from platecover.coverage.timeline import Timeline, open_timeline
from platecover.coverage.work_force import cores

Arrays = TypeVar("Arrays")

FORMAT_VERSION = 2
CURRENT = "current"
EDITIONS = "editions"
SUMMARY = "edition.json"
EXPOSURES, PLATES, LOGGED = "exposures", "plates", "logged"  # folders of an edition
_READ_BYTES = 1 << 20
_LONGEST_NUMBER = 18  # digits that 64 bits hold
_SUMMARY_FACTS = {  # what `edition.json` has besides the format, and of which kind
    "number": int, "files": dict, "counts": dict, "built": str, "observatory": dict,
    "known": dict, "parts": list,
}  # fmt: skip
_COUNTS = ("rows_read", "exposures", "set_aside", "plates")


@dataclass(frozen=True)
class Edition:
    """An opened edition; read-only and safe to share between threads and forked workers.

    Attributes
    ----------
    number : int
    folder : pathlib.Path
    summary : dict
        What ``edition.json`` says.
    exposures, plates : pyarrow.Table
        Memory-mapped; one chunk a column.
    geometry : dtype GEOMETRY, shape (n,)
    index : CellIndex
    map_cells : MapCells
        Of order `map_cells.KEPT_ORDER`.
    timeline : Timeline
    """

    number: int
    folder: Path
    summary: dict[str, Any]
    exposures: pa.Table
    plates: pa.Table
    geometry: Records
    index: CellIndex
    map_cells: MapCells
    timeline: Timeline

    def floats(self, name: str) -> NDArray[np.float64]:
        """A numeric column of the exposures, without copying; NaN where null."""
        return np.asarray(self.exposures.column(name).chunk(0).to_numpy(zero_copy_only=True))

    def codes(self, name: str) -> NDArray[np.int32]:
        """Dictionary codes of a text column, without copying; `words` tells what they mean."""
        return np.asarray(self.exposures.column(name).chunk(0).indices.to_numpy())

    def words(self, name: str) -> list[str]:
        """The different texts of a text column, by code; '' stands for an empty cell."""
        return list(self.exposures.column(name).chunk(0).dictionary.to_pylist())

    @cached_property
    def middle_mjd(self) -> NDArray[np.float64]:
        """Mid-exposures, MJD in UT, NaN where undated."""
        return 0.5 * (self.floats("t_min") + self.floats("t_max"))

    def table(self, name: str, columns: Sequence[str] | None = None) -> pa.Table:
        """Read one of the .parquet tables: 'set_aside', 'remarks', 'history', ...; all columns."""
        path = self.folder / f"{name}.parquet"
        if not self.folder.is_dir():
            raise ArchiveError(
                f"{self.folder}: newer editions have taken its place; open the archive again"
            )
        try:
            return pq.read_table(path, columns=columns)
        except (OSError, pa.ArrowException) as fault:
            raise _damaged(path, str(fault)) from None

    @cached_property
    def logged(self) -> LoggedRows:
        """The rows of the logs as read."""
        return LoggedRows(self.folder / LOGGED, [RowPart(**part) for part in self.summary["parts"]])

    def verify(
        self,
        progress: Callable[[int, int], None] | None = None,
        *,
        only: str | tuple[str, ...] = "",
        without: Collection[str] = (),
    ) -> None:
        """Compare the digest of every file with the one noted when it was written.

        Parameters
        ----------
        only : str or tuple of str, optional
            Of the files whose names, from the edition's folder on, begin with one of these.
        without : collection of str, optional
            Names of files that are left out.
        progress : callable, optional
            Called with the bytes done and those of all files.

        Raises
        ------
        ArchiveError
            Naming the first file that is missing or differs.
        """
        noted = self.summary["files"].items()
        facts = {n: facts for n, facts in noted if n.startswith(only) and n not in without}
        paths = [self.folder / name for name in facts]
        found_now = digests(paths, progress)
        for path, expected, found in zip(paths, facts.values(), found_now, strict=True):
            if found != expected["sha256"]:
                raise _damaged(path, "its contents differ from what was written")


def digest(path: Path) -> str:
    """SHA-256 of a file, as hexadecimal text."""
    sha = hashlib.sha256()
    with path.open("rb") as stream:
        while block := stream.read(_READ_BYTES):
            sha.update(block)
    return sha.hexdigest()


def digests(paths: Sequence[Path], progress: Callable[[int, int], None] | None = None) -> list[str]:
    """SHA-256 of files, on several cores; '' for one that is missing.

    `progress` is called with the bytes done and those of all files.
    """
    sizes = [path.stat().st_size if path.is_file() else 0 for path in paths]
    found: list[str] = []
    with ThreadPoolExecutor(cores()) as pool:
        for each in pool.map(lambda path: digest(path) if path.is_file() else "", paths):
            found.append(each)
            if progress is not None:
                progress(sum(sizes[: len(found)]), sum(sizes))
    return found


def current_number(archive: Path) -> int | None:
    """Number of the edition in use, or None if the archive has none yet.

    Raises
    ------
    ArchiveError
        If ``current`` is unreadable.
    """
    path = archive / CURRENT
    if not path.exists():
        return None
    try:
        text = path.read_text(encoding="ascii").strip()
    except (OSError, ValueError):
        text = ""
    if not text.isdecimal() or len(text) > _LONGEST_NUMBER:
        raise _damaged(path, "it should hold the number of an edition")
    return int(text)


def edition_folder(archive: Path, number: int) -> Path:
    """Folder of an edition."""
    return archive / EDITIONS / str(number)


def open_current(archive: Path) -> Edition:
    """Open the edition in use.

    Parameters
    ----------
    archive : pathlib.Path
        Folder of the archive.

    Raises
    ------
    ArchiveError
        If the folder is no archive, or a file is missing or has the wrong format or size.
    """
    if not archive.exists():
        raise ArchiveError(f"{archive}: no such folder; `platecover build` makes an archive")
    if not archive.is_dir():
        raise ArchiveError(f"{archive}: is a file; an archive is a folder")
    number = current_number(archive)
    if number is None:
        raise ArchiveError(
            f"{archive}: not a platecover archive (it has no file '{CURRENT}');"
            " make one with `platecover build`"
        )
    return open_edition(edition_folder(archive, number))


def open_edition(folder: Path) -> Edition:
    """Open an edition by its folder; errors as for `open_current`."""
    summary = _read_summary(folder)
    for name, facts in summary["files"].items():
        path = folder / name
        if not path.is_file():
            raise _damaged(path, "the file is missing")
        if path.stat().st_size != facts["bytes"]:
            raise _damaged(path, f"{path.stat().st_size} bytes, {facts['bytes']} were written")
    counts = summary["counts"]
    return Edition(
        int(folder.name),
        folder,
        summary,
        _map_table(folder / EXPOSURES, EXPOSURE_COLUMNS, counts["exposures"]),
        _map_table(folder / PLATES, PLATE_COLUMNS, counts["plates"]),
        open_geometry(folder / "geometry.npy", counts["exposures"]),
        _opened(folder, open_cell_index, counts["exposures"]),
        _opened(folder, open_map_cells, counts["exposures"]),
        _opened(folder, open_timeline, counts["exposures"]),
    )


def _read_summary(folder: Path) -> dict[str, Any]:
    """Read and check ``edition.json``."""
    path = folder / SUMMARY
    try:
        summary = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        raise _damaged(path, "it is missing or cannot be read") from None
    version = summary.get("format") if isinstance(summary, dict) else None
    if not isinstance(version, int):
        raise _damaged(path, "it is not the summary of an edition")
    if version != FORMAT_VERSION:
        raise ArchiveError(
            f"{path}: format {version}, this program reads {FORMAT_VERSION};"
            " build the archive again from its logs, with --allow-removed"
        )
    for name, kind in _SUMMARY_FACTS.items():
        if not isinstance(summary.get(name), kind):
            raise _damaged(path, f"'{name}' is missing or is no {kind.__name__}")
    if not all(isinstance(summary["counts"].get(name), int) for name in _COUNTS):
        raise _damaged(path, f"'counts' lacks a number for one of {', '.join(_COUNTS)}")
    if not all(_is_file_note(facts) for facts in summary["files"].values()):
        raise _damaged(path, "'files' lacks a size or a digest")
    return dict(summary)


def _is_file_note(facts: object) -> bool:
    """Whether this is what ``edition.json`` says of a file."""
    return (
        isinstance(facts, dict)
        and isinstance(facts.get("bytes"), int)
        and isinstance(facts.get("sha256"), str)
    )


def open_geometry(path: Path, count: int) -> Records:
    """Memory-map the geometry records."""
    try:
        geometry = open_array(path, GEOMETRY)
    except ValueError as fault:
        raise _damaged(path, str(fault)) from None
    if len(geometry) != count:
        raise _damaged(path, f"{len(geometry)} records, {count} were written")
    # a file forgets that the records are aligned, and numba takes that for another type
    return geometry.view(GEOMETRY)


def _opened(folder: Path, open_arrays: Callable[[Path, int], Arrays], count: int) -> Arrays:
    """Memory-map what `open_arrays` opens of a folder, for `count` exposures."""
    try:
        return open_arrays(folder, count)
    except ValueError as fault:
        name, _, what = str(fault).partition(": ")
        raise _damaged(folder / name, what) from None


def _map_table(folder: Path, declared: Sequence[Column], count: int) -> pa.Table:
    """Memory-map the declared columns, each of `count` rows."""
    try:
        table = map_columns(folder, declared)
        if len(table) != count:
            raise OSError(f"{declared[0].name}.arrow: {len(table)} rows, {count} were written")
    except (OSError, ValueError) as fault:
        name, _, what = str(fault).partition(": ")
        raise _damaged(folder / name, what) from None
    return table


def _damaged(path: Path, what: str) -> ArchiveError:
    return ArchiveError(
        f"{path}: damaged ({what}); build the archive again from its logs or restore the file"
    )
