"""Colours of series: one assignment, by their order in the observatory file, for every drawing."""

from collections.abc import Iterable
from typing import NamedTuple


class SeriesInk(NamedTuple):
    """How a series is drawn; a hatch is matplotlib's, '' for none."""

    code: str
    colour: str
    hatch: str


# Seven colours that colour-blind people tell apart, and grey for what is left (Okabe & Ito 2008,
# "Color Universal Design"); beyond seven they come again, hatched.
_COLOURS = ("#0072B2", "#E69F00", "#009E73", "#D55E00", "#56B4E9", "#CC79A7", "#F0E442")
_HATCHES = ("", "////")
OTHERS = SeriesInk("other series", "#8C8C8C", "")


def series_inks(series: Iterable[str]) -> dict[str, SeriesInk]:
    """Ink of each series, given in the observatory file's order; too many share the last one."""
    inks = {}
    for at, code in enumerate(series):
        turn, place = divmod(at, len(_COLOURS))
        inks[code] = SeriesInk(code, _COLOURS[place], _HATCHES[turn]) if turn < 2 else OTHERS
    return inks
