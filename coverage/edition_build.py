"""Building an edition: logs and observatory file in, a servable archive out."""

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from importlib import import_module
from pathlib import Path
from types import ModuleType
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from platecover.coverage.across_rows import PlateLogs, settle
from platecover.coverage.arrow_tables import (
    kept_table,
    map_columns,
    write_kept_columns,
    write_mapped_column,
    write_parquet,
)
from platecover.coverage.carried_over import carried_over
from platecover.coverage.columns import (
    EXPOSURE_COLUMNS,
    HISTORY_COLUMNS,
    PLATE_COLUMNS,
    REMARK_COLUMNS,
    SET_ASIDE_COLUMNS,
    Column,
)
from platecover.coverage.edition import (
    EXPOSURES,
    LOGGED,
    PLATES,
    Edition,
    current_number,
    edition_folder,
    open_edition,
    open_geometry,
)
from platecover.coverage.edition_publish import archive_lock, publish
from platecover.coverage.errors import ArchiveError, LogFileError
from platecover.coverage.footprint_union import union_ranges
from platecover.coverage.growing_array import GrowingArray
from platecover.coverage.index_build import write_cell_index
from platecover.coverage.kept_exposures import Kept
from platecover.coverage.ledger import facts_in_force, read_postings
from platecover.coverage.logged_rows import part_notes
from platecover.coverage.map_cells import open_map_cells, write_map_cells
from platecover.coverage.observatory import Observatory, read_observatory
from platecover.coverage.plate_geometry import GEOMETRY, Records, geometry_records
from platecover.coverage.plate_log import read_logs
from platecover.coverage.plate_register import history, replay
from platecover.coverage.table_files import PART_ROWS
from platecover.coverage.timeline import write_timeline
from platecover.coverage.work_force import cores

Progress = Callable[[str, int, int], None]  # stage, done, total

SUMMARY_MOC_ORDER = 9  # 6.9 arcmin
_NAMED = 5  # plates or rows named in a message
_MOST_REFUSED = 1_000  # rows that an error carries
_GROUPS = 4  # of columns that are read and written together
_TAKEN_OVER = ("geometry", "index_", "map_", f"{EXPOSURES}/exposure_id", f"{EXPOSURES}/t_min")
_SLICE = 100_000  # exposures whose geometry is in memory at once
_GEOMETRY_OF = ("s_ra", "s_dec", "position_angle_deg", "width_mm", "height_mm",
                "scale_arcsec_per_mm", "usable_radius_deg", "margin", "orientation_known",
                "never_sure")  # fmt: skip


@dataclass(frozen=True)
class BuildReport:
    """What a build did: `rows_read` = `kept` + `set_aside`, always."""

    edition: int
    rows_read: int
    kept: int
    set_aside: int
    remarks: int
    plates: int
    unknown_ledger_plates: tuple[str, ...]


def build(
    archive: Path,
    logs: Sequence[Path],
    observatory_file: Path,
    *,
    strict: bool = False,
    allow_removed: bool = False,
    processes: int | None = None,
    part_rows: int = PART_ROWS,
    progress: Progress | None = None,
) -> BuildReport:
    """Read the whole set of logs and make it the archive's new edition.

    Parameters
    ----------
    archive : pathlib.Path
        Folder of the archive; made if it does not exist.
    logs : sequence of pathlib.Path
        All logs, in reading order.
    observatory_file : pathlib.Path
    strict : bool, optional
        Write nothing if any row is set aside.
    allow_removed : bool, optional
        Let plates of the current edition vanish.
    processes : int, optional
        How many read the logs at once; as many as there are cores unless given.
    part_rows : int, optional
        Most rows that each of them has in memory; the edition is the same but for the parts
        in which ``logged/`` keeps the rows.
    progress : callable, optional
        Called as progress(stage, done, total).

    Returns
    -------
    BuildReport

    Raises
    ------
    LogFileError
        If a log is no table, nothing was kept, or rows were set aside under `strict`.
    ObservatoryError
        If the observatory file cannot be right.
    ArchiveError
        If plates would vanish, another build is at work, or the archive is damaged.
    """
    tell = progress or (lambda stage, done, total: None)
    observatory = read_observatory(observatory_file)
    reports: list[BuildReport] = []

    def write_files(folder: Path, number: int) -> dict[str, Any]:
        before = _last_edition(archive)
        for name in (LOGGED, EXPOSURES, PLATES):
            (folder / name).mkdir()
        rows, log_digests = read_logs(
            logs, observatory, folder / LOGGED,
            earlier=before.logged.folder if before else None,
            processes=processes, part_rows=part_rows, progress=tell,
        )  # fmt: skip
        with ThreadPoolExecutor(1) as beside:  # not before: it would keep reading on one core
            sound = beside.submit(_is_sound, before)
            # mocpy imports plotting too: half a second, which passes here beside other work
            moc_files = beside.submit(import_module, "platecover.coverage.moc_files")
            read = settle(rows, tell)
            _refuse_if_empty_or_strict(read, strict)
            if not allow_removed:
                _refuse_if_plates_vanish(archive, read)
            postings = read_postings(archive)
            plates, unknown = replay(read.plates, facts_in_force(postings))
            _write_columns(folder, read, plates, tell)
            told = kept_table(history(read.plates, postings), HISTORY_COLUMNS)
            write_parquet(told, folder / "history.parquet")
            exposures = map_columns(folder / EXPOSURES, EXPOSURE_COLUMNS)
            geometry = _write_geometry(folder, exposures, tell)
            others = [
                beside.submit(_write_kept_tables, folder, read),
                beside.submit(_write_coverage, folder, geometry, moc_files.result()),
            ]
            taken_over = before if sound.result() else None
            _write_footprints(folder, exposures, geometry, taken_over, tell)
            for each in others:
                each.result()
        reports.append(
            BuildReport(
                number, len(rows), len(read.kept), len(read.set_aside), len(read.remarks),
                len(plates["plate"]), tuple(sorted({entry.plate for entry in unknown})),
            )
        )  # fmt: skip
        return {
            "counts": {
                "rows_read": len(rows),
                "exposures": len(read.kept),
                "set_aside": len(read.set_aside),
                "plates": len(plates["plate"]),
            },
            "built": datetime.now(UTC).isoformat(timespec="seconds"),
            "logs": [
                {"file": str(path), "sha256": sha256}
                for path, sha256 in zip(logs, log_digests, strict=True)
            ],
            "observatory": observatory.as_plain(),
            "known": _known_values(observatory),
            "postings": len(postings),
            "parts": part_notes(rows.parts),
        }

    with archive_lock(archive):  # before reading, so that a later builder never comes first
        publish(archive, write_files, progress=tell)
    return reports[0]


def _last_edition(archive: Path) -> Edition | None:
    """Open the edition in use, to take over what did not change, if its rows as read are sound."""
    try:
        number = current_number(archive)
        if number is None:
            return None
        edition = open_edition(edition_folder(archive, number))
        edition.verify(only=LOGGED)
        return edition
    except ArchiveError:  # what is damaged is made anew
        return None


def _is_sound(edition: Edition | None) -> bool:
    """Whether there is an edition whose footprints and cells are as they were written."""
    try:
        if edition is not None:
            edition.verify(only=_TAKEN_OVER)
        return edition is not None
    except ArchiveError:
        return False


def _refuse_if_empty_or_strict(read: PlateLogs, strict: bool) -> None:
    """Stop before anything is written if there is nothing to keep, or too much set aside."""
    if not len(read.rows):
        raise LogFileError("nothing kept: the logs have no rows")
    if len(read.kept) and not (strict and len(read.set_aside)):
        return
    named = read.set_aside.select(["file", "row", "column", "value", "reason"])
    rows = named.slice(0, _MOST_REFUSED).to_pylist()
    listed = "; ".join(
        f"{row['file']}, row {row['row']}, {row['column']}: {row['reason']}"
        for row in rows[:_NAMED]
    )
    more = ", ..." if len(named) > _NAMED else ""
    counts = f"rows read {len(read.rows)}, kept {len(read.kept)}, set aside {len(read.set_aside)}"
    if not len(read.kept):
        raise LogFileError(f"nothing kept: {counts} ({listed}{more})", rows)
    raise LogFileError(f"strict: no edition written; {counts} ({listed}{more})", rows)


def _refuse_if_plates_vanish(archive: Path, read: PlateLogs) -> None:
    """Stop if a plate of the current edition is in none of the logs now."""
    try:
        number = current_number(archive)
        if number is None:
            return
        before = open_edition(edition_folder(archive, number)).plates.column("plate")
    except ArchiveError as fault:
        raise ArchiveError(
            f"{fault}\nso nobody can tell whether plates would vanish; say --allow-removed to"
            " build all the same"
        ) from None
    before = before.chunk(0).dictionary
    gone = before.filter(pc.invert(pc.is_in(before, read.plates["plate"].cast(before.type))))
    if len(gone):
        first = sorted(gone.to_pylist())[:_NAMED]
        named = ", ".join(first) + (", ..." if len(gone) > _NAMED else "")
        raise ArchiveError(
            f"{archive}: {len(gone)} of {len(before)} plates would vanish ({named});"
            " name every log, or say --allow-removed"
        )


def _write_columns(
    folder: Path, read: PlateLogs, plates: Mapping[str, pa.Array], tell: Progress
) -> None:
    """Write the columns of exposures and plates, as searches map them."""
    step = _counter(tell, "columns", len(PLATE_COLUMNS) + len(EXPOSURE_COLUMNS))
    for column in PLATE_COLUMNS:
        write_mapped_column(plates[column.name], column, folder / PLATES)
        step(1)
    of_exposures = replace(read, plates=dict(plates))  # the ledger's word on them included

    def write_some(some: Sequence[Column]) -> None:
        columns = of_exposures.exposure_columns([column.name for column in some])
        for column in some:
            write_mapped_column(columns.pop(column.name), column, folder / EXPOSURES)

    groups = [EXPOSURE_COLUMNS[at::_GROUPS] for at in range(_GROUPS)]
    with ThreadPoolExecutor(cores()) as pool:
        for some, _ in zip(groups, pool.map(write_some, groups), strict=True):
            step(len(some))


def _write_kept_tables(folder: Path, read: PlateLogs) -> None:
    """Write the tables for keeping."""
    for name, columns in ((EXPOSURES, EXPOSURE_COLUMNS), (PLATES, PLATE_COLUMNS)):
        write_kept_columns(map_columns(folder / name, columns), columns, folder / f"{name}.parquet")
    for table, declared, name in (
        (read.set_aside, SET_ASIDE_COLUMNS, "set_aside"),
        (read.remarks, REMARK_COLUMNS, "remarks"),
    ):
        whole = {each: table.column(each).combine_chunks() for each in table.column_names}
        write_parquet(kept_table(whole, declared), folder / f"{name}.parquet")


def _write_coverage(folder: Path, geometry: Records, moc_files: ModuleType) -> None:
    """Write the MOC of all footprints."""
    ranges = union_ranges(geometry, SUMMARY_MOC_ORDER)
    moc = moc_files.moc_of_ranges(ranges, SUMMARY_MOC_ORDER)
    moc_files.write_moc(moc, folder / "coverage.fits")


def _write_footprints(
    folder: Path, exposures: pa.Table, geometry: Records, before: Edition | None, tell: Progress
) -> None:
    """Write cell index, cells for maps and timeline."""
    total = len(exposures)
    kept = kept_map = None
    if before is not None:
        number_of = carried_over(before, exposures, geometry, partial(tell, "unchanged"))
        kept = Kept(before.index, number_of)
        kept_map = Kept(before.map_cells, number_of)
    write_cell_index(
        geometry,
        folder,
        _counter(tell, "cell index", total),
        kept=kept,
        merging=partial(tell, "merging"),
    )
    write_map_cells(geometry, folder, _counter(tell, "map cells", total), kept=kept_map)
    middle_mjd = 0.5 * (exposures.column("t_min").to_numpy() + exposures.column("t_max").to_numpy())
    write_timeline(open_map_cells(folder, total), middle_mjd, folder, partial(tell, "years"))


def _write_geometry(folder: Path, exposures: pa.Table, tell: Progress) -> Records:
    """Write the footprints, some at a time; memory-mapped."""
    step = _counter(tell, "footprints", len(exposures))
    path = folder / "geometry.npy"
    with GrowingArray(path, GEOMETRY) as geometry:
        for start in range(0, len(exposures), _SLICE):
            some = {
                name: exposures.column(name).slice(start, _SLICE).to_numpy()
                for name in _GEOMETRY_OF
            }
            records = geometry_records(
                some["s_ra"],
                some["s_dec"],
                some["position_angle_deg"],
                some["width_mm"],
                some["height_mm"],
                some["scale_arcsec_per_mm"],
                usable_radius_deg=some["usable_radius_deg"],
                margin_deg=some["margin"],
                orientation_known=some["orientation_known"],
                never_sure=some["never_sure"],
            )
            geometry.append(records)
            step(len(records))
    return open_geometry(path, len(exposures))


def _counter(tell: Progress, stage: str, total: int) -> Callable[[int], None]:
    """Turn steps done into progress of a stage."""
    done = 0

    def step(more: int) -> None:
        nonlocal done
        done += more
        tell(stage, done, total)

    return step


def _known_values(observatory: Observatory) -> dict[str, list[str]]:
    """Values of filters that the observatory file names, with or without rows."""
    telescopes: set[str] = set()
    for series in observatory.series.values():
        telescopes.update(series.given["telescope"].values)
    return {
        "series": sorted(observatory.series),
        "station": sorted(observatory.stations),
        "telescope": sorted(telescopes),
    }
