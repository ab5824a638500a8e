"""A .npy file written from front to back, its length known only at the end."""

from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray


class GrowingArray:
    """A .npy file of one dimension, to be used in a `with` statement.

    Attributes
    ----------
    length : int
        Values written so far.
    """

    def __init__(self, path: Path, dtype: DTypeLike) -> None:
        self._stream = path.open("wb")
        self._dtype = np.dtype(dtype)
        self.length = 0
        self._write_header()

    def append(self, values: NDArray[Any]) -> None:
        """Write more values, of the file's dtype or of one that casts to it."""
        values.astype(self._dtype, copy=False).tofile(self._stream)
        self.length += len(values)

    def _write_header(self) -> None:
        """Write the header at the front; numpy leaves room in it for a longer number."""
        descr = np.lib.format.dtype_to_descr(self._dtype)
        facts = {"descr": descr, "fortran_order": False, "shape": (self.length,)}
        np.lib.format.write_array_header_1_0(self._stream, facts)

    def __enter__(self) -> "GrowingArray":
        """Return the open file."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        fault: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Write the length into the header and close."""
        self._stream.seek(0)
        self._write_header()
        self._stream.close()
