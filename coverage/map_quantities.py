"""The quantities of sky maps, declared once for Python, the command line and HTTP alike."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Quantity:
    """One quantity of a map: its name, what it is in words, and its unit ('' for a count)."""

    name: str
    description: str
    unit: str


QUANTITIES: dict[str, Quantity] = {
    each.name: each
    for each in (
        Quantity("exposures", "number of exposures", ""),
        Quantity("plates", "number of plates", ""),
        Quantity("years", "number of calendar years with exposures", ""),
        Quantity("first", "epoch of the first exposure", "yr"),
        Quantity("last", "epoch of the last exposure", "yr"),
        Quantity("gap", "longest gap between neighbouring exposures", "yr"),
        Quantity("unscanned", "number of plates not yet scanned", ""),
        Quantity("scanned_share", "share of the plates that are scanned", ""),
    )
}
