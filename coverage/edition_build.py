"""Building an edition: logs and observatory file in, a servable archive out."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.arrow_tables import (
    kept_table,
    logged_table,
    mapped_table,
    write_arrow,
    write_parquet,
)
from platecover.coverage.cell_index import build_cell_index, save_cell_index
from platecover.coverage.columns import (
    EXPOSURE_COLUMNS,
    HISTORY_COLUMNS,
    PLATE_COLUMNS,
    PLATE_FACTS,
    REMARK_COLUMNS,
    SET_ASIDE_COLUMNS,
)
from platecover.coverage.edition import current_number, digest, edition_folder, open_edition
from platecover.coverage.edition_publish import archive_lock, publish
from platecover.coverage.errors import ArchiveError, LogFileError
from platecover.coverage.footprint_union import union_ranges
from platecover.coverage.map_cells import KEPT_ORDER, map_cells, save_map_cells
from platecover.coverage.moc_files import moc_of_ranges, write_moc
from platecover.coverage.observatory import Observatory, read_observatory
from platecover.coverage.plate_geometry import Records, geometry_records
from platecover.coverage.plate_log import PlateLogs, read_logs
from platecover.coverage.plate_register import history, read_ledger, replay

Progress = Callable[[str, int, int], None]  # stage, done, total

SUMMARY_MOC_ORDER = 9  # 6.9 arcmin
_NAMED = 5  # plates or rows named in a message


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
    with archive_lock(archive):  # before reading, so that a later builder never comes first
        read = read_logs(logs, observatory, progress=tell)
        _refuse_if_empty_or_strict(read, strict)
        if not allow_removed:
            _refuse_if_plates_vanish(archive, read)
        entries = read_ledger(archive)
        plates, unknown = replay(read.plates, entries)
        exposures, logged = _in_edition_order(read)
        _copy_plate_facts(exposures, plates)
        geometry = geometry_records(
            exposures["s_ra"],
            exposures["s_dec"],
            exposures["position_angle_deg"],
            exposures["width_mm"],
            exposures["height_mm"],
            exposures["scale_arcsec_per_mm"],
            usable_radius_deg=exposures["usable_radius_deg"],
            margin_deg=exposures["margin"],
            orientation_known=exposures["orientation_known"],
            never_sure=exposures["never_sure"],
        )

        def write_files(folder: Path) -> dict[str, Any]:
            _write_tables(folder, read, exposures, logged, plates)
            told = kept_table(history(read.plates, entries), HISTORY_COLUMNS)
            write_parquet(told, folder / "history.parquet")
            _write_geometry(folder, geometry, tell)
            return {
                "counts": {
                    "rows_read": read.rows_read,
                    "exposures": len(geometry),
                    "set_aside": read.set_aside_count,
                    "plates": len(plates["plate"]),
                },
                "built": datetime.now(UTC).isoformat(timespec="seconds"),
                "logs": [{"file": str(path), "sha256": digest(path)} for path in logs],
                "observatory": observatory.as_plain(),
                "known": _known_values(observatory),
            }

        number = publish(archive, write_files)
    return BuildReport(
        number,
        read.rows_read,
        len(geometry),
        read.set_aside_count,
        len(read.remarks["file"]),
        len(plates["plate"]),
        tuple(sorted({entry.plate for entry in unknown})),
    )


def _refuse_if_empty_or_strict(read: PlateLogs, strict: bool) -> None:
    """Stop before anything is written if there is nothing to keep, or too much set aside."""
    if read.rows_read == 0:
        raise LogFileError("nothing kept: the logs have no rows")
    rows = [
        {name: read.set_aside[name][at] for name in ("file", "row", "column", "value", "reason")}
        for at in range(read.set_aside_count)
    ]
    named = "; ".join(
        f"{row['file']}, row {row['row']}, {row['column']}: {row['reason']}"
        for row in rows[:_NAMED]
    )
    more = ", ..." if len(rows) > _NAMED else ""
    counts = f"rows read {read.rows_read}, kept {read.kept}, set aside {read.set_aside_count}"
    if read.kept == 0:
        raise LogFileError(f"nothing kept: {counts} ({named}{more})", rows)
    if strict and rows:
        raise LogFileError(f"strict: no edition written; {counts} ({named}{more})", rows)


def _refuse_if_plates_vanish(archive: Path, read: PlateLogs) -> None:
    """Stop if a plate of the current edition is in none of the logs now."""
    try:
        number = current_number(archive)
        if number is None:
            return
        before = open_edition(edition_folder(archive, number)).plates.column("plate").to_pylist()
    except ArchiveError as fault:
        raise ArchiveError(
            f"{fault}\nso nobody can tell whether plates would vanish; say --allow-removed to"
            " build all the same"
        ) from None
    gone = sorted(set(before) - set(read.plates["plate"].tolist()))
    if gone:
        named = ", ".join(gone[:_NAMED]) + (", ..." if len(gone) > _NAMED else "")
        raise ArchiveError(
            f"{archive}: {len(gone)} of {len(before)} plates would vanish ({named});"
            " name every log, or say --allow-removed"
        )


def _in_edition_order(
    read: PlateLogs,
) -> tuple[dict[str, NDArray[Any]], dict[str, NDArray[np.object_]]]:
    """Order exposures by t_min, undated last, then by exposure_id; logged cells likewise."""
    ids = read.exposures["exposure_id"].astype(np.str_)
    order = np.lexsort((ids, read.exposures["t_min"]))  # NaN sorts last
    return (
        {name: values[order] for name, values in read.exposures.items()},
        {name: values[order] for name, values in read.logged.items()},
    )


def _copy_plate_facts(exposures: dict[str, NDArray[Any]], plates: dict[str, NDArray[Any]]) -> None:
    """Give every exposure what is known of its plate."""
    place = {designation: at for at, designation in enumerate(plates["plate"])}
    rows = np.array([place[designation] for designation in exposures["plate"]])
    for name in PLATE_FACTS:
        exposures[name] = plates[name][rows]


def _write_tables(
    folder: Path,
    read: PlateLogs,
    exposures: dict[str, NDArray[Any]],
    logged: dict[str, NDArray[np.object_]],
    plates: dict[str, NDArray[Any]],
) -> None:
    """Write every table of an edition."""
    for name, columns, declared in (
        ("exposures", exposures, EXPOSURE_COLUMNS),
        ("plates", plates, PLATE_COLUMNS),
    ):
        write_parquet(kept_table(columns, declared), folder / f"{name}.parquet")
        write_arrow(mapped_table(columns, declared), folder / f"{name}.arrow")
    write_parquet(kept_table(read.set_aside, SET_ASIDE_COLUMNS), folder / "set_aside.parquet")
    write_parquet(kept_table(read.remarks, REMARK_COLUMNS), folder / "remarks.parquet")
    write_parquet(logged_table(exposures, logged), folder / "logged.parquet")


def _write_geometry(folder: Path, geometry: Records, tell: Progress) -> None:
    """Write footprints, cell index and the MOC of all footprints."""
    np.save(folder / "geometry.npy", geometry)
    total = len(geometry)
    save_cell_index(build_cell_index(geometry, _counter(tell, "cell index", total)), folder)
    save_map_cells(map_cells(geometry, KEPT_ORDER, _counter(tell, "map cells", total)), folder)
    ranges = union_ranges(geometry, SUMMARY_MOC_ORDER, _counter(tell, "coverage", total))
    write_moc(moc_of_ranges(ranges, SUMMARY_MOC_ORDER), folder / "coverage.fits")


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
