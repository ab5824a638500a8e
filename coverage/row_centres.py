"""Logged centres of rows: from cells and equinoxes to ICRS, with what the digits tell."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.equinox import SYSTEM_CODES, parse_equinox, to_icrs
from platecover.coverage.log_table import LogTable
from platecover.coverage.row_notes import RowNotes
from platecover.coverage.row_times import short
from platecover.coverage.series_defaults import SeriesDefaults
from platecover.coverage.sexagesimal import Angles, declinations, right_ascensions
from platecover.coverage.text_arrays import Texts, as_texts, encode, read_each

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class LoggedCentres:
    """Centres as logged, degrees; h = half the unit of the last digit written."""

    ra_deg: Floats
    dec_deg: Floats
    h_ra_deg: Floats
    h_dec_deg: Floats


@dataclass(frozen=True)
class IcrsCentres:
    """Centres in ICRS, and the position angle there of the old equinox's north; degrees."""

    ra_deg: Floats
    dec_deg: Floats
    north_angle_deg: Floats


def logged_centres(
    rows: LogTable, notes: RowNotes, *, sexagesimal_elsewhere: bool
) -> tuple[LoggedCentres, Angles]:
    """Read the centres of rows; those without a possible one are set aside.

    Parameters
    ----------
    rows : LogTable
    notes : RowNotes
    sexagesimal_elsewhere : bool
        Whether right ascensions in other parts of the same log are sexagesimal.

    Returns
    -------
    centres : LoggedCentres
    right_ascensions : Angles
        As they are written.
    """
    ra = right_ascensions(
        rows.reading("ra"),
        typed="ra" in rows.typed,
        sexagesimal_elsewhere=sexagesimal_elsewhere,
    )
    dec = declinations(rows.reading("dec"), typed="dec" in rows.typed)
    notes.bad_rows("ra", ra.reasons)
    notes.bad_rows("dec", dec.reasons)
    return LoggedCentres(ra.deg, dec.deg, ra.half_unit_deg, dec.half_unit_deg), ra


def equinoxes(rows: LogTable, series: Texts, defaults: SeriesDefaults, notes: RowNotes) -> Texts:
    """Return the equinox of every row as text; rows without any are set aside.

    Rows of no known series are set aside for that alone: theirs might have one.
    """
    values, reasons, codes = read_each(
        rows.text("equinox"), lambda text: text and short(parse_equinox)(text) and text
    )
    notes.bad_cells("equinox", as_texts(reasons)[codes])
    stated = as_texts(value or "" for value in values)[codes]
    texts = defaults.fill_text("equinox", stated, "")
    refused = as_texts(reasons)[codes]
    missing = np.asarray((texts == "") & (series != ""), dtype=np.bool_)
    if missing.any():
        why = as_texts(
            f"{reason}, and the series gives none"
            if reason
            else "no equinox, nor one of the series"
            for reason in refused
        )
        notes.fault(missing, "equinox", why)
    return texts


def icrs_centres(
    logged: LoggedCentres, equinox_texts: Texts, mid_mjd: Floats, notes: RowNotes
) -> IcrsCentres:
    """Carry centres and norths to ICRS.

    Parameters
    ----------
    logged : LoggedCentres
        Shape (n,).
    equinox_texts : object, shape (n,)
        Of `equinoxes`.
    mid_mjd : float64, shape (n,)
        Middle of the exposure, month or year; NaN = undated.
    notes : RowNotes
        Undated rows in the equinox of date are set aside.
    """
    different, codes = encode(equinox_texts.tolist())
    read = [parse_equinox(text or "ICRS") for text in different]
    system = np.array([SYSTEM_CODES[one.system] for one in read], dtype=np.int8)[codes]
    year = np.array([one.year for one in read], dtype=np.float64)[codes]
    of_date = system == SYSTEM_CODES["DATE"]
    notes.fault(
        of_date & np.isnan(mid_mjd), "equinox", "the equinox is that of date, and there is no date"
    )
    answer = np.full((3, len(codes)), math.nan)
    good = ~notes.faulty
    answer[:, good] = to_icrs(
        logged.ra_deg[good], logged.dec_deg[good], system[good], year[good], mid_mjd[good]
    )
    return IcrsCentres(*answer)
