"""Opening plate logs: the format of a file is found from its content, not from its name."""

import codecs
import hashlib
import io
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from platecover.coverage.delimited_text import (
    ECSV_MARK,
    TextLog,
    TextPart,
    TextSource,
    open_delimited,
    open_ecsv,
)
from platecover.coverage.errors import LogFileError
from platecover.coverage.log_table import LogTable
from platecover.coverage.record_files import read_fits, read_parquet, read_votable
from platecover.coverage.text_records import is_utf8

PART_ROWS = 16_384  # rows that are read at a time

_RECORD_FORMATS: dict[bytes, Callable[[str, bytes], LogTable]] = {
    b"SIMPLE  =": read_fits,  # FITS standard 4.0, section 4.4.1.1
    b"PAR1": read_parquet,  # Apache Parquet file format
}
_VOTABLE_ELEMENT = "<votable"
_PROLOGUE = 65_536  # of an XML file in which its root element must stand

_NOT_TABLES = {
    b"PK\x03\x04": "a spreadsheet or ZIP file; save the sheet as CSV",
    b"\xd0\xcf\x11\xe0": "an office document; save the sheet as CSV",
    b"\x1f\x8b": "compressed; unpack it first",
    b"%PDF": "a PDF document",
    b"\x89PNG": "an image",
    b"\xff\xd8\xff": "an image",
}
_SUFFIX_FORMATS = {".fits": "FITS", ".fit": "FITS", ".parquet": "Parquet", ".vot": "VOTable"}


@dataclass(frozen=True)
class RecordPart:
    """Some rows of a log of records; `first_row` is the number of the first."""

    rows: LogTable
    first_row: int

    @property
    def size(self) -> int:
        """Characters of its cells."""
        return self.rows.size

    def digest(self) -> str:
        """Text that is the same for parts that read the same."""
        rows = self.rows
        said = [rows.names, sorted(rows.typed), *(
            {name: cells.tolist() for name, cells in columns.items()}
            for columns in (rows.cells, rows.readings)
        )]  # fmt: skip
        return hashlib.sha256(json.dumps(said).encode()).hexdigest()

    def table(self) -> LogTable:
        """Return the rows; their numbers are counted from `first_row`."""
        return replace(self.rows, row_numbers=np.arange(len(self.rows)))


@dataclass(frozen=True)
class RecordLog:
    """A log of records, read whole."""

    table: LogTable
    sha256: str

    @property
    def size(self) -> int:
        """Characters of its cells."""
        return self.table.size

    def parts(self, rows: int) -> Iterator[RecordPart]:
        """Yield the rows in parts of at most `rows`; one empty part if there are none."""
        for start in range(0, max(len(self.table), 1), rows):
            yield RecordPart(self.table.rows(start, start + rows), start + 1)


PlateLog = TextLog | RecordLog
LogPart = TextPart | RecordPart


def open_log(path: str | Path) -> PlateLog:
    """Open one plate log.

    Parameters
    ----------
    path : str or Path
        CSV (comma, semicolon or tab; UTF-8, UTF-16 or Latin-1), ECSV, VOTable, FITS or Parquet.

    Returns
    -------
    TextLog or RecordLog
        Perhaps without rows, if the file has a header only.

    Raises
    ------
    LogFileError
        If there is no such file, it is empty or no table, uses two separators, has no column
        `plate`, or has a column twice; names the file and says what to do.
    """
    name = str(path)
    try:
        # what cannot be read twice, such as a pipe, is read into memory
        file = Path(path) if Path(path).is_file() else Path(path).read_bytes()
        with io.BytesIO(file) if isinstance(file, bytes) else file.open("rb") as stream:
            return _open(name, file, stream)
    except LogFileError:
        raise
    except (OSError, ValueError) as error:  # ValueError: a NUL in the path
        reason = getattr(error, "strerror", None) or str(error)
        raise LogFileError(f"{name}: {reason}; name a plate log that can be read") from error


def _open(name: str, file: Path | bytes, stream: io.BytesIO | io.BufferedReader) -> PlateLog:
    """Open a log by what its file starts with."""
    sha256 = hashlib.file_digest(stream, "sha256").hexdigest()
    size = stream.tell()
    stream.seek(0)
    start = stream.read(_PROLOGUE)
    if not start:
        raise LogFileError(f"{name}: the file is empty; a plate log starts with a header line")
    for mark, read in _RECORD_FORMATS.items():
        if start.startswith(mark):
            return RecordLog(read(name, start + stream.read()), sha256)
    for mark, what in _NOT_TABLES.items():
        if start.startswith(mark):
            raise LogFileError(f"{name}: not a table: it is {what}")
    stream.seek(0)
    if start.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        file = stream.read().decode("utf-16", errors="replace").encode("utf-8", "replace")
        start, encoding = file[:_PROLOGUE], "utf-8"
    else:
        encoding = "utf-8" if is_utf8(stream) else "latin-1"
    origin = len(codecs.BOM_UTF8) if start.startswith(codecs.BOM_UTF8) else 0
    beginning = start.decode(encoding, "replace").lstrip("\ufeff \t\r\n").lower()
    if not beginning:
        raise LogFileError(f"{name}: the file is empty; a plate log starts with a header line")
    if beginning.startswith("<"):
        if _VOTABLE_ELEMENT in beginning or ":votable" in beginning:
            stream.seek(0)
            return RecordLog(read_votable(name, stream.read()), sha256)
        what = "an HTML page" if "<html" in beginning else "XML but no VOTable"
        raise LogFileError(f"{name}: not a table: it is {what}")
    promised = _SUFFIX_FORMATS.get(Path(name).suffix.lower())
    if promised:
        raise LogFileError(f"{name}: its name promises {promised}, but its content is not")
    source = TextSource(file, encoding, origin, size, sha256)
    is_ecsv = beginning.startswith(ECSV_MARK.lower())
    return (open_ecsv if is_ecsv else open_delimited)(name, source)
