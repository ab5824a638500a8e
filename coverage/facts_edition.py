"""A new edition after news of plates alone: what depends on facts is written, the rest linked.

The same logs and ledger give the same files, byte for byte, as a build; but no log is read and
no footprint touched.
"""

import os
import shutil
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from platecover.coverage.arrow_tables import (
    kept_table,
    map_columns,
    write_kept_columns,
    write_mapped_column,
    write_parquet,
)
from platecover.coverage.columns import (
    EXPOSURE_COLUMNS,
    HISTORY_COLUMNS,
    PLATE_COLUMNS,
    PLATE_FACTS,
)
from platecover.coverage.edition import EXPOSURES, PLATES, SUMMARY, Edition, open_current
from platecover.coverage.edition_publish import publish
from platecover.coverage.ledger import Posting, facts_in_force, read_postings
from platecover.coverage.plate_register import facts_of_logs, history, replay

Progress = Callable[[str, int, int], None]  # stage, done, total

_POSTINGS = "postings"  # in `edition.json`: how many were replayed
_HISTORY = "history.parquet"
_TABLES = ((EXPOSURES, EXPOSURE_COLUMNS), (PLATES, PLATE_COLUMNS))
_COLUMN = {column.name: column for column in PLATE_COLUMNS}


def is_behind(edition: Edition, n_postings: int) -> bool:
    """Whether the ledger has postings that an edition does not know."""
    return bool(edition.summary.get(_POSTINGS, 0) != n_postings)


def publish_facts(
    archive: Path,
    progress: Progress | None = None,
    *,
    before: Edition | None = None,
    postings: Sequence[Posting] | None = None,
) -> int:
    """Make an edition that knows all of the ledger; the archive's lock must be held.

    Parameters
    ----------
    archive : pathlib.Path
    progress : callable, optional
        Called as progress(stage, done, total).
    before : Edition, optional
        The edition in use, if it is open already.
    postings : sequence of Posting, optional
        All of the ledger, if it has been read already.

    Returns
    -------
    int
        Number of the new edition.

    Raises
    ------
    ArchiveError
        If the edition in use or the ledger is damaged, or the new one cannot be written.
    """
    last = open_current(archive) if before is None else before
    known = read_postings(archive) if postings is None else postings

    def write_files(folder: Path, number: int) -> dict[str, Any]:
        told = last.table("history", ["plate", "at", "fact", "value"])
        of_logs = facts_of_logs(last.plates, told)
        facts, _ = replay(of_logs, facts_in_force(known))
        written = _write_facts(folder, last, facts)
        said = kept_table(history(of_logs, known), HISTORY_COLUMNS)
        write_parquet(said, folder / _HISTORY)
        _link_others(folder, last, written | {_HISTORY, SUMMARY})
        if written:
            for name, columns in _TABLES:
                mapped = map_columns(folder / name, columns)
                write_kept_columns(mapped, columns, folder / f"{name}.parquet")
        kept = {name: v for name, v in last.summary.items() if name not in _OF_PUBLISHING}
        now = datetime.now(UTC).isoformat(timespec="seconds")
        return kept | {"built": now, _POSTINGS: len(known)}

    return publish(archive, write_files, before=last, progress=progress)


_OF_PUBLISHING = ("format", "number", "files")  # in `edition.json`, told by `publish`


def _write_facts(folder: Path, before: Edition, facts: Mapping[str, pa.Array]) -> set[str]:
    """Write the columns that changed; names of all files that are not to be linked."""
    for name in (EXPOSURES, PLATES):
        (folder / name).mkdir()
    plate_of: pa.Array | None = None
    written: set[str] = set()
    for fact in PLATE_FACTS:
        if facts[fact].equals(before.plates.column(fact).chunk(0).cast(pa.large_string())):
            continue
        if plate_of is None:
            plate_of = _plate_places(before)
        write_mapped_column(facts[fact], _COLUMN[fact], folder / PLATES)
        write_mapped_column(facts[fact].take(plate_of), _COLUMN[fact], folder / EXPOSURES)
        written |= {f"{table}/{fact}.arrow" for table in (PLATES, EXPOSURES)}
    return written | {f"{table}.parquet" for table, _ in _TABLES} if written else written


def _plate_places(edition: Edition) -> pa.Array:
    """Row of each exposure's plate in the table of plates."""
    of_exposures = edition.exposures.column("plate").chunk(0)
    names = edition.plates.column("plate").chunk(0).cast(pa.string())
    place = pc.index_in(of_exposures.dictionary, value_set=names).to_numpy()
    return pa.array(place[of_exposures.indices.to_numpy()].astype(np.int64))


def _link_others(folder: Path, before: Edition, written: set[str]) -> None:
    """Give the new edition the files of the last one but those written anew."""
    for name in before.summary["files"]:
        if name in written:
            continue
        path = folder / name
        path.parent.mkdir(exist_ok=True)
        try:
            os.link(before.folder / name, path)
        except FileNotFoundError:
            raise
        except OSError:  # a disk that knows no links
            shutil.copyfile(before.folder / name, path)
