"""Coverage of footprints as IVOA MOC 2.0 objects and files: of space, of time, of both."""

import re
import tempfile
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
from mocpy import MOC, STMOC, TimeMOC
from numpy.typing import NDArray

from platecover.coverage.errors import QueryError
from platecover.coverage.value_checks import HIGHEST_ORDER

MOC_FORMATS = {".fits": "fits", ".txt": "ascii", ".json": "json"}  # by suffix: mocpy's name
AnyMoc: TypeAlias = MOC | TimeMOC | STMOC

_LAST_ORDER = re.compile(r"([0-9]+)/[^/]*$")  # of a group of the ASCII form


def moc_of_ranges(ranges: NDArray[np.uint64], order: int) -> MOC:
    """Make a MOC of half-open ranges of cells of one order.

    Parameters
    ----------
    ranges : uint64, shape (m, 2)
    order : int
        The ranges' order, and the MOC's.
    """
    shift = np.uint64(2 * (HIGHEST_ORDER - order))
    return MOC.from_depth29_ranges(order, ranges << shift)


def check_moc_path(path: Path) -> str:
    """Format that a file name's ending asks for, as mocpy calls it; QueryError for another."""
    form = MOC_FORMATS.get(path.suffix.lower())
    if form is None:
        known = ", ".join(MOC_FORMATS)
        raise QueryError("out", str(path), f"{path}: a MOC is written to a file ending in {known}")
    return form


def write_moc(moc: AnyMoc, path: Path, **keywords: Any) -> None:
    """Write a MOC in the format that the suffix names: .fits, .txt (ASCII) or .json.

    FITS files say that the MOC was built from footprints (MOCTYPE IMAGE). Those of space are
    packed as NUNIQ, which readers of either version of the standard know.

    Parameters
    ----------
    moc : mocpy.MOC, mocpy.TimeMOC or mocpy.STMOC
    path : pathlib.Path
    **keywords
        Further cards of a FITS header.

    Raises
    ------
    QueryError
        If the suffix is another one.
    """
    form = check_moc_path(path)
    if form == "fits":
        cards = {"MOCTYPE": "IMAGE", "MOCTOOL": "platecover", **keywords}
        oldest = isinstance(moc, MOC)
        moc.save(path, form, overwrite=True, v1_compatible=oldest, fits_keywords=cards)
    elif form == "ascii" and isinstance(moc, STMOC):
        path.write_text(_space_time_text(moc), encoding="ascii")
    else:
        moc.save(path, form, overwrite=True)


def moc_bytes(moc: AnyMoc, suffix: str, **keywords: Any) -> bytes:
    """What `write_moc` writes to a file of that suffix."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"moc{suffix}"
        write_moc(moc, path, **keywords)
        return path.read_bytes()


def _space_time_text(moc: STMOC) -> str:
    """ASCII form of a space-time MOC, such as ``t61/1 s29/0-2 t60/2 61/6 s29/2 5``.

    The library ends it with a pair of orders that have no cells. The standard's grammar (MOC
    2.0, section 5.1) has no such pair, but lets each group end with its order: so the last two do.
    """
    time_order, order = moc.max_order
    text = str(moc.to_string()).strip()
    body = text.removesuffix(f"t{time_order}/ s{order}/").strip()
    if not body:
        return text  # the grammar has no empty MOC
    times_at, spaces_at = body.rindex("t"), body.rindex("s")
    times = _ending_with_order(body[times_at:spaces_at], time_order)
    return f"{body[:times_at]}{times} {_ending_with_order(body[spaces_at:], order)}"


def _ending_with_order(group: str, order: int) -> str:
    """A group of the ASCII form that lists cells of an order, or else names it at its end."""
    group = group.strip()
    deepest = _LAST_ORDER.search(group)
    return group if deepest and int(deepest[1]) == order else f"{group} {order}/"
