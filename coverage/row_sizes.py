"""Exposed area, scale and margin of rows."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platecover.coverage.log_cells import number_cells, word_cells
from platecover.coverage.log_table import LogTable
from platecover.coverage.observatory import LARGEST_HALF_DIAGONAL_DEG
from platecover.coverage.plate_geometry import half_diagonal_deg
from platecover.coverage.row_centres import LoggedCentres
from platecover.coverage.row_notes import RowNotes
from platecover.coverage.series_defaults import SeriesDefaults
from platecover.coverage.text_arrays import Texts

SKY_ARCSEC_PER_SECOND = 15.041  # at the equator, over a fixed telescope: 360 deg a sidereal day
ARCSEC_PER_DEGREE = 3_600.0
ARCMIN_PER_DEGREE = 60.0
PERCENT = 100.0
LARGEST_MARGIN_DEG = 180.0  # the whole sky

Flags = NDArray[np.bool_]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Sizes:
    """What was exposed; NaN radius = not cut."""

    width_mm: Floats
    height_mm: Floats
    scale_arcsec_per_mm: Floats
    position_angle_deg: Floats
    orientation_known: Flags
    usable_radius_deg: Floats

    def half_diagonal_deg(self) -> Floats:
        """Angle from the centre to a corner, whatever the usable radius."""
        return half_diagonal_deg(self.width_mm, self.height_mm, self.scale_arcsec_per_mm)


def sizes(rows: LogTable, defaults: SeriesDefaults, notes: RowNotes) -> Sizes:
    """Read sizes, scales and orientations; what a row does not say is that of its series."""
    stated = {}
    for column in ("width_mm", "height_mm", "scale_arcsec_per_mm", "position_angle_deg"):
        stated[column], reasons = number_cells(column, rows.text(column))
        notes.bad_cells(column, reasons)
    orientation, reasons = word_cells("orientation_known", rows.text("orientation_known"))
    notes.bad_cells("orientation_known", reasons)

    width, height, scale = _filled(stated, defaults)
    too_wide = ~(half_diagonal_deg(width, height, scale) <= LARGEST_HALF_DIAGONAL_DEG)
    too_wide &= ~notes.faulty
    if too_wide.any():  # the series' own values are never too wide
        for column in ("width_mm", "height_mm", "scale_arcsec_per_mm"):
            notes.remark(
                too_wide & np.isfinite(stated[column]),
                column,
                "sizes and scale reach farther from the centre than a flat plate can see; left out",
            )
            stated[column] = np.where(too_wide, np.nan, stated[column])
    width, height, scale = _filled(stated, defaults, np.ones(len(rows), dtype=np.bool_))
    every = np.ones(len(rows), dtype=np.bool_)
    return Sizes(
        width,
        height,
        scale,
        np.nan_to_num(stated["position_angle_deg"]),
        np.asarray(orientation != "no", dtype=np.bool_),
        defaults.values("usable_radius_deg", np.nan, where=every),
    )


def _filled(
    stated: dict[str, Floats], defaults: SeriesDefaults, noted: Flags | None = None
) -> tuple[Floats, Floats, Floats]:
    """Return width, height and scale, from the series where not stated."""
    no_size = [np.isnan(stated[column]) for column in ("width_mm", "height_mm")]
    no_scale = np.isnan(stated["scale_arcsec_per_mm"])
    either = None if noted is None else noted & (no_size[0] | no_size[1])
    exposed = defaults.values("exposed_mm", (np.nan, np.nan), where=either)
    scale = defaults.values(
        "scale_arcsec_per_mm", np.nan, where=None if noted is None else noted & no_scale
    )
    return (
        np.where(no_size[0], exposed[:, 0], stated["width_mm"]),
        np.where(no_size[1], exposed[:, 1], stated["height_mm"]),
        np.where(no_scale, scale, stated["scale_arcsec_per_mm"]),
    )


def margins_deg(
    rows: LogTable,
    logged: LoggedCentres,
    sized: Sizes,
    tracking: Texts,
    exposure_s: Floats,
    defaults: SeriesDefaults,
    notes: RowNotes,
) -> Floats:
    """Return how far the true edge may lie from the computed one, shape (n,).

    The digits of the logged centre (or the stated error of it), the series' pointing and
    scale tolerances, and half the drift of a telescope that stood still.
    """
    stated_error_arcmin, reasons = number_cells(
        "position_error_arcmin", rows.text("position_error_arcmin")
    )
    notes.bad_cells("position_error_arcmin", reasons)
    every = np.ones(len(rows), dtype=np.bool_)
    tolerance_deg = (
        defaults.values("pointing_tolerance_arcmin", 0.0, where=every) / ARCMIN_PER_DEGREE
    )
    scale_tolerance = defaults.values("scale_tolerance_percent", 0.0, where=every) / PERCENT

    half_diagonal = sized.half_diagonal_deg()
    dec_rad = np.radians(logged.dec_deg)
    by_digits = np.hypot(logged.h_ra_deg * np.cos(dec_rad), logged.h_dec_deg)
    by_digits += logged.h_ra_deg * np.sin(np.abs(dec_rad)) * np.radians(half_diagonal)
    stated_error_deg = stated_error_arcmin / ARCMIN_PER_DEGREE
    of_centre = np.where(np.isnan(stated_error_deg), by_digits, stated_error_deg)
    drift_deg = SKY_ARCSEC_PER_SECOND * exposure_s * np.cos(dec_rad) / 2.0 / ARCSEC_PER_DEGREE
    fixed = np.asarray(tracking == "fixed", dtype=np.bool_) & np.isfinite(exposure_s)
    margin = of_centre + tolerance_deg + half_diagonal * scale_tolerance
    margin += np.where(fixed, drift_deg, 0.0)
    return np.minimum(margin, LARGEST_MARGIN_DEG)
