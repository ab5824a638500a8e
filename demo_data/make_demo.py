"""Writes the demo: untidy plate logs of an invented observatory, and the truth behind them.

The same seed gives the same bytes on every run. `truth.csv` is for tests and for the curious;
the package never reads it.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from platecover.demo_data.invented_observatory import OBSERVATORY_FILE
from platecover.demo_data.keeper_cells import add_keeper_cells
from platecover.demo_data.log_files import LOG_FILES, csv_text, write_log
from platecover.demo_data.log_rows import log_rows
from platecover.demo_data.observing_plan import plan
from platecover.demo_data.planted_slips import plant_slips
from platecover.demo_data.rows_twice import with_rows_written_twice
from platecover.demo_data.scanning_weeks import write_scanning
from platecover.demo_data.true_sky import ra_of_date, true_icrs

DEMO_SEED = 18930301  # the day the invented observatory opened its main station
DEMO_EXPOSURES = 60_000
FEWEST_EXPOSURES = 100  # below, the kinds of slips outnumber the good rows
TRUTH_COLUMNS = (
    "log_file", "row", "true_ra_icrs_deg", "true_dec_icrs_deg", "true_mid_mjd_ut", "slip",
    "series", "station", "programme",
)  # fmt: skip


@dataclass(frozen=True)
class DemoFiles:
    """Where the files of the demo are."""

    logs: list[Path]
    observatory: Path
    truth: Path
    outcome_weeks: Path
    outcome_day: Path


def write_demo(
    folder: Path, *, seed: int = DEMO_SEED, exposures: int = DEMO_EXPOSURES
) -> DemoFiles:
    """Write the demo's logs, observatory file and truth into a folder.

    Parameters
    ----------
    folder : Path
        Made if need be; files of an earlier demo in it are overwritten.
    seed : int, optional
        Not negative; the same seed gives the same bytes.
    exposures : int, optional
        True exposures, at least 100; the logs hold a few rows more, written twice. From 2,000
        on, every series, programme and kind of slip is there.

    Returns
    -------
    DemoFiles

    Raises
    ------
    ValueError
        If `exposures` is too small, or too large for the nights the campaigns lasted.
    """
    if not (exposures >= FEWEST_EXPOSURES):
        raise ValueError(f"exposures must be at least {FEWEST_EXPOSURES}, got {exposures}")
    rng = np.random.default_rng(seed)
    planned = plan(exposures, rng)
    ra_deg, dec_deg = true_icrs(planned, rng)
    mid_mjd = np.array([e.mid_mjd for e in planned])
    rows = log_rows(planned, ra_of_date(ra_deg, dec_deg, mid_mjd))
    add_keeper_cells(rows, rng)
    plant_slips(rows, rng)
    centres = zip(ra_deg.tolist(), dec_deg.tolist(), strict=True)
    truth = {id(e): centre for e, centre in zip(planned, centres, strict=True)}
    rows = with_rows_written_twice(rows, exposures, rng)

    folder.mkdir(parents=True, exist_ok=True)
    table: list[tuple[object, ...]] = [TRUTH_COLUMNS]
    for log in LOG_FILES:
        book = [row for row in rows if row.exposure.station in log.stations]
        for row, line in zip(book, write_log(folder, log, book), strict=True):
            e = row.exposure
            ra, dec = truth[id(e)]
            place = (f"{ra:.6f}", f"{dec:.6f}", f"{e.mid_mjd:.6f}")
            table.append((log.name, line, *place, row.slip, e.series, e.station, e.task))
    files = DemoFiles(
        [folder / log.name for log in LOG_FILES],
        folder / "observatory.toml",
        folder / "truth.csv",
        *write_scanning(folder, rows),
    )
    files.observatory.write_bytes(OBSERVATORY_FILE.read_bytes())
    files.truth.write_bytes(csv_text(table, ",", "\n").encode())
    return files
