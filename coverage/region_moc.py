"""MOCs that users give: read strictly, as ranges of the finest cells.

Text, JSON and FITS forms as IVOA MOC 2.0 (2022) has them, sections 4.3.1, 4.3.2 and appendix F.
A MOC is held as its order and its half-open ranges of order-29 NESTED cells, ascending and apart.
"""

import io
import json
import re
import warnings
from pathlib import Path
from typing import NamedTuple

import numpy as np
from astropy.io import fits
from mocpy import MOC
from numpy.typing import NDArray

from platecover.coverage.errors import QueryError
from platecover.coverage.healpix_cells import BASE_CELLS, WHOLE_SKY_DEG2
from platecover.coverage.region_cells import INSIDE, OUTSIDE, PARTLY
from platecover.coverage.value_checks import HIGHEST_ORDER

EXAMPLE = "1/1 2 4 2/12-14 8/"
LARGEST_FILE_BYTES = 200_000_000  # ours: a MOC of ten million cells; larger is a slip
LONGEST_QUOTE = 40  # characters of a bad word shown in a message

_ASCII_MOC = re.compile(r"[st]?\s*[0-9]+\s*/[-0-9/,\s]*")
_ORDER, _VALUE = re.compile(r"([0-9]{1,9})/"), re.compile(r"([0-9]{1,19})(?:-([0-9]{1,19}))?")
_FITS_MAGIC = (b"SIMPLE", b"\x1f\x8b")  # plain, gzipped


class Moc(NamedTuple):
    """Order of a MOC, and its ranges [from, to) of order-29 cells: int64, shape (n, 2)."""

    order: int
    ranges: NDArray[np.int64]

    def ascii_text(self) -> str:
        """Return the ASCII form, its order at the end where the cells do not show it."""
        moc = MOC.from_depth29_ranges(self.order, self.ranges.astype(np.uint64))
        return str(moc.to_string())

    def area_deg2(self) -> float:
        """Solid angle of the cells."""
        finest_cells = int(np.sum(self.ranges[:, 1] - self.ranges[:, 0]))
        return WHOLE_SKY_DEG2 * finest_cells / (BASE_CELLS << (2 * HIGHEST_ORDER))

    def holds(self, finest_cells: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Whether order-29 cells belong to the MOC."""
        at = np.searchsorted(self.ranges[:, 0], finest_cells, side="right") - 1
        return np.asarray((at >= 0) & (finest_cells < self.ranges[np.maximum(at, 0), 1]))

    def cell_status(self, order: int, cells: NDArray[np.int64]) -> NDArray[np.int8]:
        """OUTSIDE, PARTLY or INSIDE of cells of an order."""
        shift = 2 * (HIGHEST_ORDER - order)
        low, high = cells << shift, (cells + 1) << shift
        # the first range that ends after the cell begins is the only one that can hold it all
        at = np.searchsorted(self.ranges[:, 1], low, side="right")
        some = at < len(self.ranges)
        begin, end = self.ranges[np.where(some, at, 0)].T
        whole = some & (begin <= low) & (end >= high)
        touched = some & (begin < high)
        return np.where(whole, INSIDE, np.where(touched, PARTLY, OUTSIDE)).astype(np.int8)


def is_ascii_moc(text: str) -> bool:
    """Whether text is meant as the ASCII form of a MOC, not as the name of a file."""
    return _ASCII_MOC.fullmatch(text.strip()) is not None


def read_moc(path: Path) -> Moc:
    """Read a MOC from a FITS, JSON or ASCII file.

    Raises
    ------
    QueryError
        If there is no such file, or it holds no sound and non-empty MOC of the sky.
    """
    try:
        if not path.is_file():
            raise _refusal(f"there is no such file, and it is no ASCII MOC (such as {EXAMPLE})")
        if path.stat().st_size > LARGEST_FILE_BYTES:
            raise _refusal(f"larger than {LARGEST_FILE_BYTES} bytes")
        content = path.read_bytes()
        if content.startswith(_FITS_MAGIC):
            return _from_fits(content)
        text = content.decode("utf-8-sig").strip()
        return _from_json(text) if text.startswith("{") else parse_ascii_moc(text)
    except UnicodeDecodeError:
        problem = "neither a FITS, JSON nor ASCII MOC"
    except (OSError, ValueError) as error:  # QueryError, too
        problem = str(error)
    raise QueryError("region", str(path), f"MOC file {path}: {problem}")


def _refusal(message: str) -> QueryError:
    return QueryError("region", "moc", message)


def parse_ascii_moc(text: str) -> Moc:
    """Read the ASCII form of a MOC, such as ``1/1 2 4 2/12-14 21 23 25 8/``.

    Commas between values are let pass, as older files have them.

    Raises
    ------
    QueryError
        If it is malformed, out of range, empty, or a MOC of times.
    """
    if text.startswith("t"):
        raise _refusal("a MOC of times (t...) is no region of the sky")
    words = re.sub(r"\s*/", "/ ", text.removeprefix("s")).replace(",", " ").split()
    order = -1
    cells: list[tuple[int, int, int]] = []
    for word in words:
        if opening := _ORDER.fullmatch(word):
            previous, order = order, _order(int(opening[1]))
            if order <= previous:
                raise _refusal(f"orders of a MOC must ascend, got {order}/ after {previous}/")
        elif (value := _VALUE.fullmatch(word)) and order >= 0:
            cells.append((order, int(value[1]), int(value[2] or value[1])))
        else:
            raise _refusal(f"cannot read {word[:LONGEST_QUOTE]!r} in an ASCII MOC ({EXAMPLE})")
    return _moc_of_cells(order, cells)


def _from_json(text: str) -> Moc:
    """Read ``{"1": [1, 2], "8": []}``, or the same within ``{"s": ...}``."""
    try:
        groups = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise _refusal(f"not JSON: {error}") from None
    if isinstance(groups, dict) and set(groups) == {"s"}:
        groups = groups["s"]
    if not isinstance(groups, dict) or not all(
        isinstance(cells, list) and all(type(cell) is int for cell in cells)
        for cells in groups.values()
    ):
        raise _refusal('a JSON MOC must be {"order": [cells, ...], ...}')
    wrong = [key for key in groups if not re.fullmatch("[0-9]{1,9}", key)]
    if wrong:
        raise _refusal(f"{wrong[0][:LONGEST_QUOTE]!r} is no order of a MOC of the sky")
    cells = [
        (_order(int(order)), cell, cell) for order, members in groups.items() for cell in members
    ]
    return _moc_of_cells(max((_order(int(order)) for order in groups), default=-1), cells)


def _order(order: int) -> int:
    if not 0 <= order <= HIGHEST_ORDER:
        raise _refusal(f"orders of a MOC must be from 0 to {HIGHEST_ORDER}, got {order}")
    return order


def _moc_of_cells(order: int, cells: list[tuple[int, int, int]]) -> Moc:
    """Check (order, lowest, highest cell) of each group and join them."""
    for depth, low, high in cells:
        count = BASE_CELLS << (2 * depth)
        if not low <= high:
            raise _refusal(f"range {low}-{high} at order {depth} of the MOC runs backwards")
        if not (0 <= low and high < count):
            wrong = high if high >= count else low
            raise _refusal(
                f"cells of order {depth} run from 0 to {count - 1}, got {wrong} in the MOC"
            )
    shifts = [2 * (HIGHEST_ORDER - depth) for depth, _, _ in cells]
    ranges = [(low << n, (high + 1) << n) for n, (_, low, high) in zip(shifts, cells, strict=True)]
    return Moc(order, joined(np.array(ranges, dtype=np.int64).reshape(-1, 2)))


def joined(ranges: NDArray[np.int64]) -> NDArray[np.int64]:
    """Sort ranges [from, to) and join those that touch; refuse none at all."""
    if not len(ranges):
        raise _refusal("the MOC is empty: it holds no cell of the sky")
    ranges = ranges[np.argsort(ranges[:, 0], kind="stable")]
    reach = np.maximum.accumulate(ranges[:, 1])
    opens = np.concatenate([[True], ranges[1:, 0] > reach[:-1]])
    return np.stack([ranges[opens, 0], reach[np.append(opens[1:], True)]], axis=1)


def _from_fits(content: bytes) -> Moc:
    """Read the first extension of a FITS file, packed as NUNIQ or RANGE."""
    try:
        with warnings.catch_warnings():  # of odd cards elsewhere in the file
            warnings.simplefilter("ignore")
            with fits.open(io.BytesIO(content)) as extensions:
                header = extensions[1].header
                values = np.asarray(extensions[1].data.field(0))
    except (OSError, IndexError, KeyError, AttributeError, TypeError, ValueError) as error:
        raise _refusal(f"no table in the first FITS extension ({error})") from None
    for key, only in (("MOCDIM", "SPACE"), ("COORDSYS", "C")):
        found = str(header.get(key, only)).strip()
        if found != only:
            raise _refusal(f"{key} must be {only} for a MOC of the sky in ICRS, got {found!r}")
    if values.dtype.kind not in "iu" or values.ndim != 1:
        raise _refusal("the first column of a FITS MOC must hold one whole number a row")
    values = values.astype(np.int64)
    packing = str(header.get("ORDERING", "")).strip()
    if packing == "NUNIQ":
        deepest, ranges = _nuniq_ranges(values)
    elif packing == "RANGE":
        deepest, ranges = _plain_ranges(values)
    else:
        raise _refusal(f"ORDERING of a FITS MOC must be NUNIQ or RANGE, got {packing!r}")
    stated = header.get("MOCORD_S", header.get("MOCORDER", deepest))
    if type(stated) is not int or not deepest <= _order(stated):
        raise _refusal(f"MOCORD_S must be a whole number from {deepest}, got {stated!r}")
    return Moc(stated, joined(ranges))


def _nuniq_ranges(values: NDArray[np.int64]) -> tuple[int, NDArray[np.int64]]:
    """Deepest order and ranges of cells packed as 4 * 4**order + cell (MOC 2.0, 4.3.1)."""
    first_of_order = 4 << (2 * np.arange(HIGHEST_ORDER + 2, dtype=np.int64))
    wrong = (values < first_of_order[0]) | (values >= first_of_order[-1])
    if wrong.any():
        raise _refusal(f"{values[wrong][0]} is no cell in NUNIQ packing")
    order = np.searchsorted(first_of_order, values, side="right") - 1
    shift = 2 * (HIGHEST_ORDER - order)
    low = (values - first_of_order[order]) << shift
    return int(order.max(initial=0)), np.stack([low, low + (np.int64(1) << shift)], axis=1)


def _plain_ranges(values: NDArray[np.int64]) -> tuple[int, NDArray[np.int64]]:
    """Deepest order and ranges of a list of from, to, from, to, ... at the highest order."""
    if len(values) % 2:
        raise _refusal(f"a FITS MOC of ranges must have an even number of rows, got {len(values)}")
    ranges = values.reshape(-1, 2)
    last = BASE_CELLS << (2 * HIGHEST_ORDER)
    wrong = ~((ranges[:, 0] >= 0) & (ranges[:, 0] < ranges[:, 1]) & (ranges[:, 1] <= last))
    if wrong.any():
        low, high = ranges[wrong][0]
        raise _refusal(f"{low} to {high} is no range of cells of order {HIGHEST_ORDER}")
    return _deepest_order(ranges), ranges


def _deepest_order(ranges: NDArray[np.int64]) -> int:
    """Return the coarsest order whose cells can express the ranges."""
    bits = int(np.bitwise_or.reduce(ranges, axis=None)) if len(ranges) else 0
    if bits == 0:
        return 0
    return max(0, HIGHEST_ORDER - ((bits & -bits).bit_length() - 1) // 2)
