"""Map files read back by healpy."""

from pathlib import Path

import healpy
import numpy as np

from platecover.coverage.map_files import map_fits


def test_healpy_reads_the_same_map_back(tmp_path: Path) -> None:
    values = np.arange(768.0)
    values[10] = np.nan
    path = tmp_path / "map.fits"
    path.write_bytes(map_fits(values, "gap", "series HB", "Hill Observatory (invented), edition 3"))
    read, header = healpy.read_map(path, nest=None, h=True, dtype=np.float64)
    header = dict(header)
    assert read[10] == healpy.UNSEEN
    np.testing.assert_array_equal(np.delete(read, 10), np.delete(values, 10))
    # keywords as the HEALPix facility's own FITS files have them
    assert (header["PIXTYPE"], header["ORDERING"], header["NSIDE"]) == ("HEALPIX", "NESTED", 8)
    assert (header["COORDSYS"], header["TUNIT1"]) == ("C", "yr")
    assert header["SELECT"] == "series HB"
    assert header["EDITION"] == "Hill Observatory (invented), edition 3"
    assert "longest gap" in header["QUANTITY"]


def test_long_and_foreign_text_does_not_break_the_header(tmp_path: Path) -> None:
    path = tmp_path / "map.fits"
    path.write_bytes(map_fits(np.zeros(12), "plates", "observer Ödön " * 20, "édition\n1"))
    read, header = healpy.read_map(path, nest=True, h=True)
    assert (read == 0.0).all()
    assert dict(header)["EDITION"] == "edition?1"
