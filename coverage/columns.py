"""Every column of an answer, once: name, kind, unit, UCD, description.

UCDs are of the IVOA UCD1+ controlled vocabulary; names that ObsCore has are ObsCore's.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class Column:
    """One column: `kind` is 'text', 'float', 'int' or 'bool'; `unit` an astropy unit or ''."""

    name: str
    kind: str
    unit: str
    ucd: str
    description: str


RESULT_COLUMNS: tuple[Column, ...] = (
    Column(
        "exposure_id", "text", "", "meta.id;meta.main", "Exposure: plate designation and number"
    ),
    Column("plate", "text", "", "meta.id.part", "Designation of the plate that carries it"),
    Column("plate_logged", "text", "", "meta.id.part", "Designation as the log writes it"),
    Column("exposure", "int", "", "meta.number", "Which exposure on the plate, from 1"),
    Column("series", "text", "", "meta.id.parent", "Plate series code"),
    Column("telescope", "text", "", "meta.id;instr.tel", "Telescope"),
    Column("station", "text", "", "meta.id;instr.obsty", "Station of the observatory"),
    Column("s_ra", "float", "deg", "pos.eq.ra;meta.main", "ICRS right ascension of the centre"),
    Column("s_dec", "float", "deg", "pos.eq.dec;meta.main", "ICRS declination of the centre"),
    Column(
        "t_min", "float", "d", "time.start;obs.exposure", "Earliest start, MJD in UT (UT1 < 1960)"
    ),
    Column("t_max", "float", "d", "time.end;obs.exposure", "Latest end, MJD in UT (UT1 < 1960)"),
    Column("time_precision", "text", "", "meta.code;time", "How closely the time is known"),
    Column("t_exptime", "float", "s", "time.duration;obs.exposure", "Exposure time"),
    Column("epoch", "float", "yr", "time.epoch", "Julian epoch of the middle of t_min and t_max"),
    Column("centre_distance", "float", "deg", "pos.angDistance", "Angle from place to centre"),
    Column(
        "edge_distance",
        "float",
        "deg",
        "pos.angDistance",
        "Angle from place to the edge of the exposed area, positive inside",
    ),
    Column("margin", "float", "deg", "stat.error;pos", "How far the true edge may lie off"),
    Column("certainty", "text", "", "meta.code.qual", "sure or marginal, given the margin"),
    Column("technique", "text", "", "meta.code;instr.setup", "direct, objective prism, ..."),
    Column("status", "text", "", "meta.code.status", "Where the plate is"),
    Column("condition", "text", "", "meta.code.status", "State of the glass and emulsion"),
    Column("scanned", "text", "", "meta.code", "yes, no, or not known"),
    Column("access_url", "text", "", "meta.ref.url", "Where the scan is"),
    Column("shelf", "text", "", "meta.note", "Where the plate stands"),
    Column("observer", "text", "", "obs.observer", "Who took it, as logged"),
    Column("object", "text", "", "meta.id;src", "What it was taken of, as logged"),
    Column("limiting_mag", "float", "mag", "phot.mag;stat.max", "Limiting magnitude, if stated"),
    Column("remarks", "text", "", "meta.note", "What was assumed or set to nothing in reading"),
)

# Kept of every exposure beside the columns above; not in the rows of an answer.
FURTHER_COLUMNS: tuple[Column, ...] = (
    Column("position_angle_deg", "float", "deg", "pos.posAng", "Of +y in ICRS, north to east"),
    Column("width_mm", "float", "mm", "phys.size", "Exposed size along +x"),
    Column("height_mm", "float", "mm", "phys.size", "Exposed size along +y"),
    Column("scale_arcsec_per_mm", "float", "arcsec/mm", "instr.scale", "Scale at the centre"),
    Column("usable_radius_deg", "float", "deg", "phys.angSize", "Radius of the usable circle"),
    Column("orientation_known", "bool", "", "meta.code", "False: width and height may be swapped"),
    Column("never_sure", "bool", "", "meta.code", "True: the centre itself is not trusted"),
    Column("tracking", "text", "", "meta.code", "sidereal, object or fixed"),
    Column("centre_is", "text", "", "meta.code", "What the logged centre is"),
    Column("emulsion", "text", "", "meta.note;instr.plate.emulsion", "Emulsion, as logged"),
    Column("filter", "text", "", "meta.id;instr.filter", "Filter, as logged"),
    Column("jacket", "text", "", "meta.note", "Writing on the jacket"),
    Column("marks", "text", "", "meta.note", "Marks on the glass"),
    Column("log_page", "text", "", "meta.note", "Page of the log book"),
    Column("log_url", "text", "", "meta.ref.url", "Where the page of the log book is"),
    Column("notes", "text", "", "meta.note", "Notes, as logged"),
    Column("log_file", "text", "", "meta.id;meta.file", "Log that the exposure was read from"),
    Column("log_row", "int", "", "meta.record", "Its row there"),
)

EXPOSURE_COLUMNS: tuple[Column, ...] = tuple(
    column
    for column in RESULT_COLUMNS + FURTHER_COLUMNS
    if column.name not in ("centre_distance", "edge_distance", "certainty")
)

PLATE_COLUMNS: tuple[Column, ...] = (
    Column("plate", "text", "", "meta.id;meta.main", "Designation of the plate"),
    Column("series", "text", "", "meta.id.parent", "Plate series code"),
    Column("number", "text", "", "meta.id.part", "Number in the series"),
    Column("suffix", "text", "", "meta.id.part", "Letters after the number"),
    Column("exposures", "int", "", "meta.number", "Exposures kept of it"),
    Column("status", "text", "", "meta.code.status", "Where the plate is"),
    Column("condition", "text", "", "meta.code.status", "State of the glass and emulsion"),
    Column("scanned", "text", "", "meta.code", "yes, no, or not known"),
    Column("access_url", "text", "", "meta.ref.url", "Where the scan is"),
    Column("shelf", "text", "", "meta.note", "Where the plate stands"),
    Column("glass_width_mm", "float", "mm", "phys.size", "Glass, side along +x"),
    Column("glass_height_mm", "float", "mm", "phys.size", "Glass, side along +y"),
    Column("glass_thickness_mm", "float", "mm", "phys.size", "Thickness of the glass"),
    Column("shelved_by", "text", "", "meta.code", "date, number or region"),
)

SET_ASIDE_COLUMNS: tuple[Column, ...] = (
    Column("file", "text", "", "meta.id;meta.file", "Log"),
    Column("row", "int", "", "meta.record", "Line of a text log, else the record, from 1"),
    Column("column", "text", "", "meta.id", "Column at fault"),
    Column("value", "text", "", "meta.note", "What stands there"),
    Column("reason", "text", "", "meta.note", "Why"),
    Column("cells", "text", "", "meta.note", "The whole row as logged, JSON"),
)

REMARK_COLUMNS: tuple[Column, ...] = SET_ASIDE_COLUMNS[:-1]

HISTORY_COLUMNS: tuple[Column, ...] = (
    Column("plate", "text", "", "meta.id", "Designation of the plate"),
    Column("at", "text", "", "time", "Since when, ISO 8601; empty: as the logs have it"),
    Column("by", "text", "", "meta.id", "Who says so"),
    Column("fact", "text", "", "meta.id", "Which column of the plate; or outcome, or undo"),
    Column("value", "text", "", "meta.note", "What it became"),
    Column("why", "text", "", "meta.note", "Why, in words"),
    Column("entry", "text", "", "meta.id", "Number in the ledger; empty: as the logs have it"),
    Column("posted", "text", "", "time", "When it was sent in, ISO 8601"),
    Column("posted_by", "text", "", "meta.id", "Who sent it in"),
    Column("undone", "text", "", "meta.id", "Number of the entry that undid it; empty: it counts"),
    Column("notes", "text", "", "meta.note", "Whatever else was said of it, JSON"),
)

# Facts that belong to the plate, not to one exposure of it.
PLATE_FACTS = ("status", "condition", "scanned", "access_url", "shelf")

# The words that a cell of these columns may hold.
TECHNIQUES = ("direct", "objective prism", "grating", "slit spectrum", "test", "trail")
STATUSES = ("on shelf", "on loan", "being scanned", "transferred", "missing", "discarded")
CONDITIONS = ("intact", "cracked", "broken", "flaking", "stained")
YES_NO = ("yes", "no")
