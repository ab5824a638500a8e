"""Sky maps as HEALPix FITS files, which every HEALPix program reads."""

import tempfile
import unicodedata
from datetime import UTC, datetime
from pathlib import Path

import healpy
import numpy as np
from numpy.typing import NDArray

from platecover.coverage.map_quantities import QUANTITIES


def map_fits(values: NDArray[np.float64], quantity: str, selection: str, edition: str) -> bytes:
    """A map as the bytes of a FITS file.

    Parameters
    ----------
    values : float64, shape (12 * 4**order,)
        NESTED, ICRS; NaN becomes healpy's UNSEEN.
    quantity : str
        A key of `map_quantities.QUANTITIES`.
    selection : str
        The filters, in words.
    edition : str
        Which archive and edition it was made of.
    """
    described = QUANTITIES[quantity]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "map.fits"
        healpy.write_map(
            path,
            np.where(np.isnan(values), healpy.UNSEEN, values),
            nest=True,
            coord="C",
            dtype=np.float64,
            column_names=[quantity.upper()],
            column_units=described.unit,
            extra_header=[
                ("QUANTITY", described.description, ""),
                ("SELECT", _printable_ascii(selection), ""),
                ("EDITION", _printable_ascii(edition), ""),
                ("DATE", datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S"), "when made, UTC"),
                ("RADESYS", "ICRS", "frame of the cells"),
                ("CREATOR", "platecover", ""),
            ],
        )
        return path.read_bytes()


def _printable_ascii(text: str) -> str:
    """Text as a FITS header can hold it: accents dropped, anything else unfit as '?'."""
    plain = (
        letter
        for letter in unicodedata.normalize("NFKD", text)
        if not unicodedata.combining(letter)
    )
    return "".join(letter if " " <= letter <= "~" else "?" for letter in plain)
