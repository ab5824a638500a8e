"""Rows as a Parquet file in pieces, so that many take little memory."""

import io
from collections.abc import Iterator
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from platecover.coverage.answers import Rows, plain_table

GROUP_ROWS = 65_536  # of a row group, which is in memory at once


def parquet_pieces(rows: Rows, schema: pa.Schema) -> Iterator[bytes]:
    """A Parquet file in pieces.

    Parameters
    ----------
    rows : pyarrow.Table or HitRows
        Plain or coded.
    schema : pyarrow.Schema
        Of the file, with its metadata; the columns are those of `rows`.
    """
    written = _Written()
    with pq.ParquetWriter(pa.PythonFile(written, "w"), schema) as writer:
        for first in range(0, len(rows), GROUP_ROWS):
            writer.write_table(plain_table(rows.slice(first, GROUP_ROWS)).cast(schema))
            yield written.taken()
    yield written.taken()


class _Written(io.RawIOBase):
    """What a writer of files has written since it was last taken."""

    def __init__(self) -> None:
        self._pieces: list[bytes] = []
        self._length = 0

    def writable(self) -> bool:
        """Whether it can be written to."""
        return True

    def write(self, piece: Any) -> int:
        """Take a piece; its length."""
        self._pieces.append(bytes(piece))
        self._length += len(self._pieces[-1])
        return len(self._pieces[-1])

    def tell(self) -> int:
        """Bytes written from the beginning."""
        return self._length

    def taken(self) -> bytes:
        """Everything since the last time."""
        pieces, self._pieces = self._pieces, []
        return b"".join(pieces)
