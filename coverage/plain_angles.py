"""Angles in the plainest forms of all, read by one compiled pass.

``05 33.1``, ``-10 19 05``, ``23:39:06.5``, ``+22.01``: digits, a sign, single blanks or colons, one
point. What a text means is said in `sexagesimal`, which reads all others; both agree to the bit.
"""

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from platecover.coverage.compiled import compiled
from platecover.coverage.text_arrays import Texts, well_formed

NOT_PLAIN = 0
_MOST_PARTS = 3  # whole, minutes, seconds
_MOST_DIGITS = 9  # of a part: below 2**53 with its decimals, so that one division rounds it right
_ZERO, _NINE, _PLUS, _MINUS, _POINT, _BLANK, _COLON = b"09+-. :"
_TEN = 10

Bytes = NDArray[np.int8]
Floats = NDArray[np.float64]


def plain_angles(texts: Texts) -> tuple[Bytes, NDArray[np.bool_], Floats, Bytes]:
    """Read the plain ones among cells.

    Parameters
    ----------
    texts : object, shape (n,)

    Returns
    -------
    written : int8, shape (n,)
        How many parts: 1 (a number with a point) to 3 (with seconds), or NOT_PLAIN, and then
        nothing else of the cell counts.
    negative : bool, shape (n,)
    parts : float64, shape (3, n)
        Whole, minutes and seconds as written, without the sign; 0 where there is none.
    decimals : int8, shape (n,)
        Digits after the point.
    """
    _, offsets, text = pa.array(well_formed(texts.tolist()), pa.string()).buffers()
    if text is None:
        text = b""
    return _read(np.frombuffer(text, np.uint8), np.frombuffer(offsets, np.int32, len(texts) + 1))


@compiled
def _read(
    text: NDArray[np.uint8], offsets: NDArray[np.int32]
) -> tuple[Bytes, NDArray[np.bool_], Floats, Bytes]:
    count = len(offsets) - 1
    written, decimals = np.zeros(count, np.int8), np.zeros(count, np.int8)
    negative, parts = np.zeros(count, np.bool_), np.zeros((_MOST_PARTS, count))
    for row in range(count):
        at, end = offsets[row], offsets[row + 1]
        if at < end and text[at] in (_PLUS, _MINUS):
            negative[row] = text[at] == _MINUS
            at += 1
        part = 0
        while part < _MOST_PARTS:
            at, digits, after, number = _number(text, at, end)
            if not 0 < digits <= _MOST_DIGITS:
                break
            parts[part, row] = number
            part += 1
            if at == end and (part > 1 or after >= 0):
                written[row], decimals[row] = part, max(after, 0)
            if at == end or after >= 0 or text[at] not in (_BLANK, _COLON):
                break
            at += 1
    return written, negative, parts, decimals


@compiled
def _number(text: NDArray[np.uint8], at: int, end: int) -> tuple[int, int, int, float]:
    """Read digits with at most one point among or after them.

    Returns where they end, how many there are, how many after the point (-1: none is there), and
    the number.
    """
    whole, digits, after, scale = 0, 0, -1, 1
    while at < end and digits <= _MOST_DIGITS:
        byte = text[at]
        if _ZERO <= byte <= _NINE:
            whole = whole * _TEN + int(byte - _ZERO)
            digits += 1
            if after >= 0:
                after, scale = after + 1, scale * _TEN
        elif byte == _POINT and after < 0 and digits > 0:
            after = 0
        else:
            break
        at += 1
    return at, digits, after, whole / scale
