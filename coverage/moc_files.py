"""Coverage of footprints as IVOA MOC 2.0 objects and files."""

from pathlib import Path

import numpy as np
from mocpy import MOC
from numpy.typing import NDArray

from platecover.coverage.errors import QueryError
from platecover.coverage.value_checks import HIGHEST_ORDER

MOC_FORMATS = {".fits": "fits", ".txt": "ascii", ".json": "json"}  # by suffix: mocpy's name


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


def write_moc(moc: MOC, path: Path) -> None:
    """Write a MOC in the format that the suffix names: .fits, .txt (ASCII) or .json.

    FITS files pack it as NUNIQ, which readers of either version of the standard know, and say
    that it was built from footprints (MOCTYPE IMAGE).

    Raises
    ------
    QueryError
        If the suffix is another one.
    """
    form = check_moc_path(path)
    keywords = {"MOCTYPE": "IMAGE", "MOCTOOL": "platecover"} if form == "fits" else None
    moc.save(path, form, overwrite=True, v1_compatible=form == "fits", fits_keywords=keywords)
