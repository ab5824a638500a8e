"""Reading plate logs: the format of a file is found from its content, not from its name."""

from pathlib import Path

from platecover.coverage.delimited_text import ECSV_MARK, decoded, read_delimited, read_ecsv
from platecover.coverage.errors import LogFileError
from platecover.coverage.log_table import LogTable
from platecover.coverage.record_files import read_fits, read_parquet, read_votable

_FITS_START = b"SIMPLE  ="  # FITS standard 4.0, section 4.4.1.1
_PARQUET_START = b"PAR1"  # Apache Parquet file format
_VOTABLE_ELEMENT = "<votable"
_PROLOGUE = 65_536  # characters of an XML file in which its root element must stand

_NOT_TABLES = {
    b"PK\x03\x04": "a spreadsheet or ZIP file; save the sheet as CSV",
    b"\xd0\xcf\x11\xe0": "an office document; save the sheet as CSV",
    b"\x1f\x8b": "compressed; unpack it first",
    b"%PDF": "a PDF document",
    b"\x89PNG": "an image",
    b"\xff\xd8\xff": "an image",
}
_SUFFIX_FORMATS = {".fits": "FITS", ".fit": "FITS", ".parquet": "Parquet", ".vot": "VOTable"}


def read_table(path: str | Path) -> LogTable:
    """Read one plate log.

    Parameters
    ----------
    path : str or Path
        CSV (comma, semicolon or tab; UTF-8 or Latin-1), ECSV, VOTable, FITS or Parquet.

    Returns
    -------
    LogTable
        Perhaps without rows, if the file has a header only.

    Raises
    ------
    LogFileError
        If there is no such file, it is empty or no table, uses two separators, has no column
        `plate`, or has a column twice; names the file and says what to do.
    """
    name = str(path)
    content = _content(Path(path), name)
    if content.startswith(_FITS_START):
        return read_fits(name, content)
    if content.startswith(_PARQUET_START):
        return read_parquet(name, content)
    for start, what in _NOT_TABLES.items():
        if content.startswith(start):
            raise LogFileError(f"{name}: not a table: it is {what}")
    text = decoded(content)
    beginning = text[:_PROLOGUE].lstrip().lower()
    if not beginning:
        raise LogFileError(f"{name}: the file is empty; a plate log starts with a header line")
    if beginning.startswith("<"):
        if _VOTABLE_ELEMENT in beginning or ":votable" in beginning:
            return read_votable(name, content)
        what = "an HTML page" if "<html" in beginning else "XML but no VOTable"
        raise LogFileError(f"{name}: not a table: it is {what}")
    promised = _SUFFIX_FORMATS.get(Path(path).suffix.lower())
    if promised:
        raise LogFileError(f"{name}: its name promises {promised}, but its content is not")
    if beginning.startswith(ECSV_MARK.lower()):
        return read_ecsv(name, text.lstrip("\ufeff"))
    return read_delimited(name, text)


def _content(path: Path, name: str) -> bytes:
    try:
        content = path.read_bytes()
    except (OSError, ValueError) as error:  # ValueError: a NUL in the path
        reason = getattr(error, "strerror", None) or str(error)
        raise LogFileError(f"{name}: {reason}; name a plate log that can be read") from error
    if not content:
        raise LogFileError(f"{name}: the file is empty; a plate log starts with a header line")
    return content
