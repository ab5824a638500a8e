"""What each row of a plate log says by itself, a few thousand rows at a time.

What depends on other rows - plates, exposure numbers, repeats - is settled afterwards, in
`across_rows`.
"""

import json
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from platecover.coverage.clocks import PRECISIONS, TimeSpans, place_in_time
from platecover.coverage.designation import Designation, DesignationReader
from platecover.coverage.directions import FULL_CIRCLE_DEG
from platecover.coverage.equinox import DAYS_PER_JULIAN_YEAR, J2000_MJD
from platecover.coverage.log_cells import TEXT_COLUMNS, link_cells, number_cells, word_cells
from platecover.coverage.log_table import LogTable
from platecover.coverage.logged_rows import BEYOND_HEADER, LOGGED, NAMES, REMARKS
from platecover.coverage.observatory import Observatory
from platecover.coverage.row_centres import equinoxes, icrs_centres, logged_centres
from platecover.coverage.row_notes import RowNotes
from platecover.coverage.row_sizes import margins_deg, sizes
from platecover.coverage.row_times import RowDates, logged_times, read_dates
from platecover.coverage.series_defaults import SeriesDefaults
from platecover.coverage.sexagesimal import LONE_INTEGER, SEXAGESIMAL
from platecover.coverage.text_arrays import Texts, as_texts, encode, read_each, well_formed

J2000_YEAR = 2000.0
# Rows of one plate that agree in these are one exposure, unless the log numbers it.
SAME_EXPOSURE = ("ra", "dec", "equinox", "date", "time", "clock")
_SWALLOWED = (
    "a quoted cell with a line end may hold another row; if its quote is a ditto mark, write the"
    " word in full"
)
_BETWEEN_CELLS = "\x1f"  # the unit separator of ASCII

Columns = dict[str, NDArray[Any]]


def read_rows(
    rows: LogTable, observatory: Observatory, *, sexagesimal_elsewhere: bool = False
) -> tuple[pa.Table, bool, bool]:
    """Read rows of one log.

    Parameters
    ----------
    rows : LogTable
    observatory : Observatory
        What holds where the log says nothing.
    sexagesimal_elsewhere : bool, optional
        Whether right ascensions in other parts of the same log are sexagesimal.

    Returns
    -------
    read : pyarrow.Table
        One row each: cells as logged, what was read, faults and remarks. Text is '' and a
        number NaN where nothing is known.
    sexagesimal : bool
        Whether any right ascension here is.
    undecided : bool
        Whether any is a whole number that sexagesimal ones elsewhere would make ambiguous.
    """
    notes = RowNotes(rows)
    overlong = np.zeros(len(rows), dtype=np.bool_)
    overlong[list(rows.overlong)] = True
    notes.fault(overlong, BEYOND_HEADER, "the row has more cells than the header has columns")
    for row, column in rows.swallowed.items():
        notes.remark_at(row, column, _SWALLOWED)
    series, designations = _designations(rows, observatory, notes)
    centres, right_ascensions = logged_centres(
        rows, notes, sexagesimal_elsewhere=sexagesimal_elsewhere
    )
    dates = _dates(rows, observatory, series, notes)
    defaults = SeriesDefaults(observatory, series, dates.day_mjd, dates.kind)
    keep_zeros = defaults.values("leading_zeros", False)
    stations = _stations(rows, observatory, defaults, notes)
    times = logged_times(rows, dates, defaults, stations, observatory, notes)
    spans = place_in_time(times)
    for where, column, reason in spans.notes:
        notes.remark(where, column, reason)
    equinox_texts = equinoxes(rows, series, defaults, notes)
    mid_mjd = (spans.t_min + spans.t_max) / 2.0
    icrs = icrs_centres(centres, equinox_texts, mid_mjd, notes)
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
    facts = _facts_stated(rows, notes)
    exposure, reasons = number_cells("exposure", rows.text("exposure"))
    notes.bad_cells("exposure", reasons)
    glass_mm = defaults.values("glass_mm", (np.nan, np.nan))

    columns: dict[str, NDArray[Any]] = {
        "row": rows.row_numbers,
        **_plate_names(designations, keep_zeros),
        "exposure_stated": np.where(np.isnan(exposure), 0, exposure).astype(np.int64),
        "same_exposure": as_texts(
            map(_BETWEEN_CELLS.join, zip(*map(rows.text, SAME_EXPOSURE), strict=True))
        ),
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
        "plate_logged": rows.cells["plate"],
        **{column: _as_written(rows, column) for column in TEXT_COLUMNS},
        **{f"stated_{name}": values for name, values in facts.items()},
        "glass_width_mm": glass_mm[:, 0],
        "glass_height_mm": glass_mm[:, 1],
        "glass_thickness_mm": defaults.values("glass_thickness_mm", np.nan),
        "shelved_by": defaults.values("shelved_by", ""),
        **notes.faults(),
    }
    columns |= {LOGGED + name: cells for name, cells in rows.cells.items()}
    read = pa.table({name: _arrow(values) for name, values in columns.items()})
    read = read.append_column(REMARKS, notes.remarks())
    read = read.replace_schema_metadata({NAMES: json.dumps(rows.names)})
    sexagesimal = bool((right_ascensions.form == SEXAGESIMAL).any())
    lone = bool((right_ascensions.form == LONE_INTEGER).any())
    return read, sexagesimal, lone and not (sexagesimal or sexagesimal_elsewhere)


def _arrow(values: NDArray[Any]) -> pa.Array:
    if values.dtype == object:
        return pa.array(well_formed(values.tolist()), pa.string())
    return pa.array(values)


def _designations(
    rows: LogTable, observatory: Observatory, notes: RowNotes
) -> tuple[Texts, list[Designation | None]]:
    """Return series code and designation of each row; unreadable ones are set aside."""
    reader = DesignationReader(observatory.series)
    values, reasons, codes = read_each(rows.text("plate"), reader.read)
    notes.bad_rows("plate", as_texts(reasons)[codes])
    series = as_texts(value.series if value else "" for value in values)[codes]
    return series, [values[code] for code in codes.tolist()]


def _plate_names(
    designations: list[Designation | None], keep_zeros: NDArray[np.bool_]
) -> dict[str, Texts]:
    """Return canonical designation, number and suffix of each row's plate."""
    pairs, codes = encode(zip(designations, keep_zeros.tolist(), strict=True))
    return {
        "plate": as_texts(
            one.canonical(leading_zeros=zeros) if one else "" for one, zeros in pairs
        )[codes],
        "number": as_texts(one.number(leading_zeros=zeros) if one else "" for one, zeros in pairs)[
            codes
        ],
        "suffix": as_texts(one.suffix if one else "" for one, _ in pairs)[codes],
    }


def _dates(rows: LogTable, observatory: Observatory, series: Texts, notes: RowNotes) -> RowDates:
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
    rows: LogTable, observatory: Observatory, defaults: SeriesDefaults, notes: RowNotes
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
    rows: LogTable,
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
    if elsewhere.any():
        said = as_texts(f"the centre is that of a {what}; never sure" for what in centre_is)
        notes.remark(elsewhere, "centre_is", said)
    drifting = np.asarray(tracking == "fixed", dtype=np.bool_) & np.isnan(spans.t_exptime_s)
    notes.remark(drifting, "tracking", "fixed, and the exposure is not known; never sure")
    return elsewhere | drifting


def _facts_stated(rows: LogTable, notes: RowNotes) -> dict[str, Texts]:
    """Return what each row says of its plate, '' where nothing."""
    stated: dict[str, Texts] = {"shelf": rows.text("shelf")}
    for column in ("status", "condition", "scanned"):
        stated[column], reasons = word_cells(column, rows.text(column))
        notes.bad_cells(column, reasons)
    stated["scan_url"], reasons = link_cells(rows.text("scan_url"))
    notes.bad_cells("scan_url", reasons)
    return stated


def _as_written(rows: LogTable, column: str) -> Texts:
    if column not in rows.cells:
        return as_texts([""] * len(rows))
    return np.where(rows.text(column) == "", "", rows.cells[column])
