"""MOC files read back by mocpy, and their FITS headers against IVOA MOC 2.0."""

from pathlib import Path

import healpy
import numpy as np
import pytest
from astropy.io import fits
from mocpy import MOC
from numpy.testing import assert_array_equal
from numpy.typing import NDArray
from tests.awkward_sky import AWKWARD_PLATES, records_of

from platecover.coverage.errors import QueryError
from platecover.coverage.footprint_union import union_ranges
from platecover.coverage.moc_files import MOC_FORMATS, check_moc_path, moc_of_ranges, write_moc

# IVOA MOC 2.0, section 4.3.2, the example of a space MOC: order 1: 1, 2, 4; order 2: 12-14, 21,
# 23, 25; MOC order 8. As ranges at order 2, computed by hand: order 1 cell n is 4 n to 4 n + 3.
EXAMPLE = "1/1 2 4 2/12-14 21 23 25 8/"
EXAMPLE_RANGES_AT_2 = [[4, 15], [16, 20], [21, 22], [23, 24], [25, 26]]
EXAMPLE_UNIQ = [17, 18, 20, 76, 77, 78, 85, 87, 89]  # 4 x 4^order + cell, by hand


def ranges(pairs: list[list[int]]) -> NDArray[np.uint64]:
    """Ranges as the program holds them."""
    return np.array(pairs, dtype=np.uint64).reshape(-1, 2)


def example_at_order_8() -> MOC:
    """The standard's example made by us, of ranges at its order."""
    return moc_of_ranges(ranges(EXAMPLE_RANGES_AT_2) << np.uint64(2 * (8 - 2)), 8)


CASES = {
    "nothing": (ranges([]), 9),
    "all": (ranges([[0, 12]]), 0),
    "all, finest": (ranges([[0, 12 * 4**29]]), 29),
    "one cell": (ranges([[3145727, 3145728]]), 9),
    "example": (ranges(EXAMPLE_RANGES_AT_2), 2),
    "plates": (union_ranges(records_of(AWKWARD_PLATES), 6), 6),
    "last cell of the finest": (ranges([[12 * 4**29 - 1, 12 * 4**29]]), 29),
}


@pytest.mark.parametrize("suffix", [".fits", ".txt", ".json", ".FITS"])
@pytest.mark.parametrize("case", CASES)
def test_written_and_read_back_by_mocpy_it_is_the_same(
    case: str, suffix: str, tmp_path: Path
) -> None:
    pairs, order = CASES[case]
    moc = moc_of_ranges(pairs, order)
    path = tmp_path / f"coverage{suffix}"
    write_moc(moc, path)
    again = MOC.load(path, MOC_FORMATS[suffix.lower()])
    assert again == moc
    assert again.max_order == order  # of an empty one, too
    shift = np.uint64(2 * (29 - order))
    assert_array_equal(again.to_depth29_ranges, pairs << shift)
    cells = sum(int(high - low) for low, high in pairs)
    assert again.sky_fraction == pytest.approx(cells / healpy.nside2npix(1 << order), abs=1e-15)


def test_standards_example() -> None:
    moc = example_at_order_8()
    assert moc == MOC.from_string(EXAMPLE)
    assert moc.max_order == 8
    assert moc.sky_fraction == 18 / 192  # hand: 3 cells of 4 and 6 of 1, among 192
    assert sorted(moc.uniq_hpx.tolist()) == EXAMPLE_UNIQ


def test_standards_example_as_text_names_its_order(tmp_path: Path) -> None:
    path = tmp_path / "example.txt"
    write_moc(example_at_order_8(), path)
    text = path.read_text(encoding="ascii")
    # Equal but for "1-2" in place of "1 2", which the standard's grammar allows alike.
    assert " ".join(text.split()) == EXAMPLE.replace("1/1 2 4", "1/1-2 4")


def test_standards_example_as_fits_holds_its_uniq_numbers(tmp_path: Path) -> None:
    path = tmp_path / "example.fits"
    write_moc(example_at_order_8(), path)
    with fits.open(path) as parts:
        assert sorted(parts[1].data.field(0).tolist()) == EXAMPLE_UNIQ


@pytest.mark.parametrize("case", CASES)
def test_fits_header_has_what_the_standard_demands(case: str, tmp_path: Path) -> None:
    # IVOA MOC 2.0, section 4.3.1 and table 3.
    pairs, order = CASES[case]
    path = tmp_path / "coverage.fits"
    write_moc(moc_of_ranges(pairs, order), path)
    with fits.open(path) as parts:
        assert len(parts) == 2 and parts[0].data is None
        header = parts[1].header
        assert header["MOCVERS"] == "2.0"
        assert header["MOCDIM"] == "SPACE"
        assert header["ORDERING"] == "NUNIQ"
        assert header["COORDSYS"] == "C"
        assert header["MOCORD_S"] == order
        assert header["MOCTYPE"] == "IMAGE"
        assert header["MOCTOOL"] == "platecover"
        assert header["MOCORDER"] == order  # for readers of version 1.1
        assert header["TFIELDS"] == 1 and header["TFORM1"] in ("K", "1K")
        assert "PIXTYPE" not in header  # section 6: left out in version 2


@pytest.mark.parametrize(
    ("pairs", "order", "text"),
    [
        ([[0, 4]], 3, "2/0 3/"),  # canonical form: no four siblings (section 7.1), by hand
        ([[0, 4]], 1, "0/0 1/"),
    ],
)
def test_four_siblings_become_their_parent(pairs: list[list[int]], order: int, text: str) -> None:
    assert " ".join(moc_of_ranges(ranges(pairs), order).to_string().split()) == text


def test_an_existing_file_is_replaced(tmp_path: Path) -> None:
    for suffix in MOC_FORMATS:
        path = tmp_path / f"coverage{suffix}"
        path.write_text("an older file, longer than the new one" * 100, encoding="ascii")
        write_moc(example_at_order_8(), path)
        assert MOC.load(path, MOC_FORMATS[suffix]) == example_at_order_8()


@pytest.mark.parametrize("name", ["coverage.png", "coverage", "coverage.fits.gz", ".fits"])
def test_another_ending_is_refused_and_nothing_is_written(name: str, tmp_path: Path) -> None:
    path = tmp_path / name
    message = r"a MOC is written to a file ending in \.fits, \.txt, \.json"
    with pytest.raises(QueryError, match=message) as caught:
        write_moc(example_at_order_8(), path)
    assert caught.value.parameter == "out" and caught.value.value == str(path)
    with pytest.raises(QueryError, match=message):
        check_moc_path(path)
    assert not path.exists()


def test_a_folder_that_is_not_there_is_an_error_that_names_it(tmp_path: Path) -> None:
    for suffix in MOC_FORMATS:
        path = tmp_path / "nowhere" / f"coverage{suffix}"
        with pytest.raises(OSError, match="nowhere|No such file"):
            write_moc(example_at_order_8(), path)
