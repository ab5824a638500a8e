"""Exposures and plates as the page shows them: in words, dates and short numbers."""

import re
from collections.abc import Mapping
from typing import Any
from urllib.parse import quote, urlsplit

from platecover.coverage import constellations
from platecover.coverage.calendar_dates import calendar_date_text
from platecover.coverage.columns import FURTHER_COLUMNS, PLATE_COLUMNS, RESULT_COLUMNS
from platecover.coverage.regions import Circle, Constellation, Region
from platecover.service.formats import moment

COLUMNS = {
    "exposure_id": "Exposure", "t_min": "Start (UT)", "t_exptime": "Minutes",
    "certainty": "Shows the place", "centre_distance": "To centre (°)",
    "edge_distance": "To edge (°)", "telescope": "Telescope", "observer": "Observer",
    "object": "Object", "shelf": "Shelf", "status": "Where it is", "scan": "Scan",
}  # fmt: skip
_CERTAINTY = {"sure": "surely", "marginal": "perhaps"}
_SCANNED = {"yes": "scanned", "no": "not scanned"}
_SECONDS_PER_MINUTE = 60.0
_UNITS = {"deg": "°", "s": " s", "mm": " mm", "arcsec/mm": " arcsec/mm", "mag": " mag"}
_LABELS = {
    "exposure_id": "exposure", "exposure": "which on the plate", "exposures": "exposures kept",
    "plate_logged": "designation as logged", "s_ra": "centre, right ascension",
    "s_dec": "centre, declination", "t_min": "earliest start", "t_max": "latest end",
    "time_precision": "time known to", "t_exptime": "exposure time", "margin": "margin of error",
    "status": "where it is", "access_url": "scan", "scale_arcsec_per_mm": "scale",
    "outline": "corners",
}  # fmt: skip
_UNIT_IN_NAME = re.compile(r"_(deg|mm)$")
_UNIT = {
    each.name: _UNITS.get(each.unit, "")
    for each in (*RESULT_COLUMNS, *FURTHER_COLUMNS, *PLATE_COLUMNS)
}
_DECIMALS = 5


def place_words(region: Region) -> str:
    """A region in short words."""
    if isinstance(region, Circle):
        ra, dec = round(region.ra_deg, _DECIMALS), round(region.dec_deg, _DECIMALS)
        centre = f"{ra:.10g} {dec:+.10g}".replace("-", "\u2212")
        return f"{centre} within {region.radius_deg:g}°" if region.radius_deg else centre
    if isinstance(region, Constellation):
        return constellations.names()[region.abbreviation]
    return "the sky" if region.kind == "all" else region.text


def row_shown(row: Mapping[str, Any]) -> dict[str, str]:
    """One exposure as the list shows it: texts by column; what is not known is left out."""
    shown = {name: str(row[name]) for name in COLUMNS if row.get(name) is not None}
    if row.get("plate"):
        shown["plate_link"] = f"/plates/{quote(row['plate'])}"
    if "t_min" in row:
        shown["t_min"] = when(row)
    if row.get("t_exptime") is not None:
        shown["t_exptime"] = f"{row['t_exptime'] / _SECONDS_PER_MINUTE:.4g}"
    for name in ("centre_distance", "edge_distance"):
        if row.get(name) is not None:
            shown[name] = f"{row[name]:.2f}".replace("-", "\u2212")
    if "certainty" in shown:
        error = f" (±{row['margin']:.2g}°)" if row.get("margin") is not None else ""
        sure = row["certainty"] == "sure"
        shown["certainty"] = _CERTAINTY[row["certainty"]] + ("" if sure else error)
    if row.get("scanned") in _SCANNED:
        shown["scan"] = _SCANNED[row["scanned"]]
    if link := web_address(row.get("access_url")):
        shown["scan"], shown["scan_link"] = "scan", link
    return shown


def when(row: Mapping[str, Any]) -> str:
    """Start of an exposure, as closely as it is known."""
    if row["t_min"] is None:
        return "undated"
    precision = row.get("time_precision")
    date = calendar_date_text(row["t_min"])
    if precision == "year":
        return date[: len("1898")]
    if precision == "month":
        return date[: len("1898-03")]
    if precision == "night" and row.get("t_max") is not None:
        return f"{date} to {calendar_date_text(row['t_max'])[len('1898-') :]}"
    text = moment(row["t_min"], precision or "night")
    return f"{text} (ambiguous)" if precision == "ambiguous" else text


def facts_shown(row: Mapping[str, Any]) -> dict[str, str]:
    """All known facts of an exposure or plate in words, numbers short and with their unit."""
    shown = {}
    for column, value in row.items():
        name = _LABELS.get(column, _UNIT_IN_NAME.sub("", column).replace("_", " "))
        if column in ("t_min", "t_max") and value is not None:
            shown[name] = f"{moment(value, 'exposure')} (MJD {value:.5f})"
        elif column == "outline":
            shown[name] = "; ".join(f"{ra:.3f} {dec:+.3f}" for ra, dec in value)
        elif isinstance(value, bool):
            shown[name] = "yes" if value else "no"
        elif isinstance(value, float):
            shown[name] = f"{round(value, _DECIMALS):.10g}{_UNIT.get(column, '')}"
        elif value not in (None, ""):
            shown[name] = str(value)
    return shown


def web_address(text: str | None) -> str | None:
    """The text if it is an address on the web; None for anything else a log may hold."""
    try:
        parts = urlsplit((text or "").strip())
    except ValueError:
        return None
    return (text or "").strip() if parts.scheme in ("http", "https") and parts.netloc else None
