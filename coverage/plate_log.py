"""From plate logs to exposures and plates: nothing lost, everything assumed is said."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.clocks import PRECISIONS, TimeSpans, place_in_time
from platecover.coverage.designation import Designation, DesignationReader
from platecover.coverage.directions import FULL_CIRCLE_DEG
from platecover.coverage.equinox import DAYS_PER_JULIAN_YEAR, J2000_MJD
from platecover.coverage.errors import LogFileError
from platecover.coverage.log_cells import TEXT_COLUMNS, number_cells, word_cells
from platecover.coverage.log_rows import BEYOND_HEADER, LogRows, Progress, read_rows
from platecover.coverage.observatory import Observatory
from platecover.coverage.plate_facts import plate_facts
from platecover.coverage.row_centres import equinoxes, icrs_centres, logged_centres
from platecover.coverage.row_identity import identify
from platecover.coverage.row_notes import RowNotes
from platecover.coverage.row_sizes import margins_deg, sizes
from platecover.coverage.row_times import RowDates, logged_times, read_dates
from platecover.coverage.series_defaults import SeriesDefaults
from platecover.coverage.text_arrays import Texts, as_texts, encode, read_each

J2000_YEAR = 2000.0
_STEPS = 6  # of reading rows, for progress

Columns = dict[str, NDArray[Any]]


@dataclass(frozen=True)
class PlateLogs:
    """All that plate logs say. Text is '' and a number NaN where nothing is known.

    Attributes
    ----------
    exposures : dict of str to array, shape (kept,)
        One exposure a row, in reading order, by column.
    plates : dict of str to array
        Every plate whose designation could be read, also if all its rows are set aside.
    set_aside : dict of str to array
        file, row, column, value, reason, and cells: the whole row as logged, in JSON.
    remarks : dict of str to array
        file, row, column, value, reason.
    logged : dict of str to object array, shape (kept,)
        Every cell of the kept rows as logged, by lower-case column name.
    rows_read, kept, set_aside_count : int
        rows_read = kept + set_aside_count.
    """

    exposures: Columns
    plates: Columns
    set_aside: Columns
    remarks: Columns
    logged: dict[str, Texts]
    rows_read: int
    kept: int
    set_aside_count: int


@dataclass(frozen=True)
class _Designations:
    """Designation of each row, None where unreadable, and its plate as a number, -1 likewise."""

    of_row: list[Designation | None]
    series: Texts
    plates: list[str]
    plate_of_row: NDArray[np.int64]


def read_logs(
    paths: Sequence[str | Path] | str | Path,
    observatory: Observatory,
    progress: Progress | None = None,
) -> PlateLogs:
    """Read plate logs in the order given.

    Parameters
    ----------
    paths : sequence of str or Path, or one of them
        The whole set of logs: CSV, ECSV, VOTable, FITS or Parquet.
    observatory : Observatory
        What holds where the logs say nothing.
    progress : callable, optional
        Called as ``progress(stage, done, total)``.

    Returns
    -------
    PlateLogs

    Raises
    ------
    LogFileError
        If no log is named, or one is no table. What is wrong with single rows is in
        `set_aside` and `remarks`.
    """
    if isinstance(paths, str | Path):
        paths = [paths]
    if not paths:
        raise LogFileError("no plate log named; name at least one")
    tell = progress or (lambda stage, done, total: None)
    rows = read_rows(paths, tell)
    notes = RowNotes(rows)

    def step(done: int) -> None:
        tell("reading rows", len(rows) * done // _STEPS, len(rows))

    step(0)
    overlong = np.zeros(len(rows), dtype=np.bool_)
    overlong[list(rows.overlong)] = True
    notes.fault(overlong, BEYOND_HEADER, "the row has more cells than the header has columns")
    series, designations = _designations(rows, observatory, notes)
    step(1)
    centres = logged_centres(rows, notes)
    step(2)
    dates = _dates(rows, observatory, series, notes)
    defaults = SeriesDefaults(observatory, series, dates.day_mjd, dates.kind)
    named = _plates(designations, series, defaults)
    stations = _stations(rows, observatory, defaults, notes)
    times = logged_times(rows, dates, defaults, stations, observatory, notes)
    spans = place_in_time(times)
    for where, column, reason in spans.notes:
        notes.remark(where, column, reason)
    step(3)
    equinox_texts = equinoxes(rows, series, defaults, notes)
    mid_mjd = (spans.t_min + spans.t_max) / 2.0
    icrs = icrs_centres(centres, equinox_texts, mid_mjd, notes)
    step(4)
    sized = sizes(rows, defaults, notes)
    technique = _words(rows, "technique", "direct", notes, defaults)
    tracking = _words(rows, "tracking", "sidereal", notes, defaults)
    centre_is = _words(rows, "centre_is", "plate", notes)
    margin = margins_deg(rows, centres, sized, tracking, spans.t_exptime_s, defaults, notes)
    never_sure = _never_sure(tracking, centre_is, spans, notes)
    limiting_mag, reasons = number_cells("limiting_mag", rows.text("limiting_mag"))
    notes.bad_cells("limiting_mag", reasons)
    telescope = defaults.fill_text("telescope", rows.text("telescope"), "")
    defaults.remark_on_long_dates(notes)
    step(5)
    facts = plate_facts(rows, named.plate_of_row, len(named.plates), notes)
    identity = identify(rows, named.plate_of_row, spans.t_min, notes)

    kept = np.flatnonzero(~notes.faulty)
    plate_of_kept = named.plate_of_row[kept]
    plate = as_texts(named.plates)[plate_of_kept]
    of_rows: Columns = {
        "exposure": identity.exposure,
        "series": series,
        "telescope": telescope,
        "station": stations,
        "s_ra": icrs.ra_deg,
        "s_dec": icrs.dec_deg,
        "position_angle_deg": np.mod(
            icrs.north_angle_deg + sized.position_angle_deg, FULL_CIRCLE_DEG
        ),
        "width_mm": sized.width_mm,
        "height_mm": sized.height_mm,
        "orientation_known": sized.orientation_known,
        "scale_arcsec_per_mm": sized.scale_arcsec_per_mm,
        "usable_radius_deg": sized.usable_radius_deg,
        "margin": margin,
        "never_sure": never_sure,
        "t_min": spans.t_min,
        "t_max": spans.t_max,
        "time_precision": as_texts(PRECISIONS)[spans.precision],
        "t_exptime": spans.t_exptime_s,
        "epoch": J2000_YEAR + (mid_mjd - J2000_MJD) / DAYS_PER_JULIAN_YEAR,
        "technique": technique,
        "tracking": tracking,
        "centre_is": centre_is,
        "limiting_mag": limiting_mag,
        "remarks": notes.joined(),
        "log_file": rows.files(),
        "log_row": rows.row_numbers,
        "plate_logged": rows.cells["plate"],
        **{column: _as_written(rows, column) for column in TEXT_COLUMNS},
    }
    exposures: Columns = {
        "exposure_id": as_texts(
            identity.exposure_id(name, row)
            for name, row in zip(plate.tolist(), kept.tolist(), strict=True)
        ),
        "plate": plate,
        **{name: values[kept] for name, values in of_rows.items()},
        **{name: values[plate_of_kept] for name, values in facts.items()},
    }
    set_aside = notes.set_aside()
    step(_STEPS)
    return PlateLogs(
        exposures,
        _plate_table(named, plate_of_kept, defaults, facts),
        set_aside,
        notes.remarks(),
        {name: values[kept] for name, values in rows.cells.items()},
        rows_read=len(rows),
        kept=len(kept),
        set_aside_count=len(set_aside["row"]),
    )


def _designations(
    rows: LogRows, observatory: Observatory, notes: RowNotes
) -> tuple[Texts, list[Designation | None]]:
    """Return series code and designation of each row; unreadable ones are set aside."""
    reader = DesignationReader(observatory.series)
    values, reasons, codes = read_each(rows.text("plate"), reader.read)
    notes.bad_rows("plate", as_texts(reasons)[codes])
    series = as_texts(value.series if value else "" for value in values)[codes]
    return series, [values[code] for code in codes.tolist()]


def _plates(
    designations: list[Designation | None], series: Texts, defaults: SeriesDefaults
) -> _Designations:
    """Number the plates in order of first mention."""
    keep_zeros = defaults.values("leading_zeros", False).tolist()
    canonical = [
        one.canonical(leading_zeros=zeros) if one else ""
        for one, zeros in zip(designations, keep_zeros, strict=True)
    ]
    read = np.array([one is not None for one in designations], dtype=np.bool_)
    plates, codes = encode(name for name in canonical if name)
    plate_of_row = np.full(len(canonical), -1, dtype=np.int64)
    plate_of_row[read] = codes
    return _Designations(designations, series, plates, plate_of_row)


def _dates(rows: LogRows, observatory: Observatory, series: Texts, notes: RowNotes) -> RowDates:
    """Read dates, each in the calendar of its row or else of its series."""
    stated, reasons = word_cells("calendar", rows.text("calendar"))
    notes.bad_cells("calendar", reasons)
    texts = rows.text("date")
    likely = np.where(stated == "", "gregorian", stated)
    first = read_dates(texts, likely)
    defaults = SeriesDefaults(observatory, series, first.day_mjd, first.kind)
    calendars = defaults.fill_text("calendar", stated, "gregorian")
    return first if (calendars == likely).all() else read_dates(texts, calendars)


def _stations(
    rows: LogRows, observatory: Observatory, defaults: SeriesDefaults, notes: RowNotes
) -> Texts:
    known = ", ".join(observatory.stations)
    folded = {key.lower(): key for key in observatory.stations}

    def reader(text: str) -> str:
        if text in observatory.stations or not text:
            return text
        if text.lower() not in folded:
            raise ValueError(f"unknown station; known: {known}")
        return folded[text.lower()]

    values, reasons, codes = read_each(rows.text("station"), reader)
    notes.bad_cells("station", as_texts(reasons)[codes])
    return defaults.fill_text("station", as_texts(value or "" for value in values)[codes], "")


def _words(
    rows: LogRows,
    column: str,
    default: str,
    notes: RowNotes,
    defaults: SeriesDefaults | None = None,
) -> Texts:
    """Return the words of a column, where missing those of the series, else `default`."""
    stated, reasons = word_cells(column, rows.text(column))
    notes.bad_cells(column, reasons)
    if defaults is None:
        return np.where(stated == "", default, stated)
    return defaults.fill_text(column, stated, default)


def _never_sure(
    tracking: Texts, centre_is: Texts, spans: TimeSpans, notes: RowNotes
) -> NDArray[np.bool_]:
    """Return the rows whose centre is not that of the plate, or drifted by no known amount."""
    elsewhere = np.asarray(centre_is != "plate", dtype=np.bool_)
    said = as_texts(f"the centre is that of a {what}; never sure" for what in centre_is)
    notes.remark(elsewhere, "centre_is", said)
    drifting = np.asarray(tracking == "fixed", dtype=np.bool_) & np.isnan(spans.t_exptime_s)
    notes.remark(drifting, "tracking", "fixed, and the exposure is not known; never sure")
    return elsewhere | drifting


def _as_written(rows: LogRows, column: str) -> Texts:
    if column not in rows.cells:
        return as_texts([""] * len(rows))
    return np.where(rows.text(column) == "", "", rows.cells[column])


def _plate_table(
    named: _Designations,
    plate_of_kept: NDArray[np.int64],
    defaults: SeriesDefaults,
    facts: dict[str, Texts],
) -> Columns:
    """Return the plates; what their series says is that of the first row that names each."""
    _, rows = np.unique(named.plate_of_row[named.plate_of_row >= 0], return_index=True)
    first = np.flatnonzero(named.plate_of_row >= 0)[rows]
    designations = [one for row in first.tolist() if (one := named.of_row[row]) is not None]
    keep_zeros = defaults.values("leading_zeros", False)[first].tolist()
    glass_mm = defaults.values("glass_mm", (np.nan, np.nan))[first]
    return {
        "plate": as_texts(named.plates),
        "series": named.series[first],
        "number": as_texts(
            one.number(leading_zeros=zeros)
            for one, zeros in zip(designations, keep_zeros, strict=True)
        ),
        "suffix": as_texts(one.suffix for one in designations),
        "exposures": np.bincount(plate_of_kept, minlength=len(named.plates)).astype(np.int64),
        "status": facts["status"],
        "condition": facts["condition"],
        "scanned": facts["scanned"],
        "access_url": facts["access_url"],
        "shelf": facts["shelf"],
        "glass_width_mm": glass_mm[:, 0],
        "glass_height_mm": glass_mm[:, 1],
        "glass_thickness_mm": defaults.values("glass_thickness_mm", np.nan)[first],
        "shelved_by": defaults.values("shelved_by", "")[first],
    }
