"""Plate logs in every format: the same table is read from files that astropy and pyarrow wrote."""

import csv
import io
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from astropy.table import MaskedColumn, Table
from hypothesis import given
from hypothesis import strategies as st
from tests.whole_logs import read_bytes, read_table

from platecover.coverage.errors import LogFileError
from platecover.coverage.log_table import LogTable


def write(folder: Path, content: str | bytes, name: str = "log.csv") -> Path:
    path = folder / name
    path.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
    return path


def cells(table: LogTable) -> dict[str, list[str]]:
    return {name: texts.tolist() for name, texts in table.cells.items()}


# ---- text ----


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_separators_and_line_ends(tmp_path: Path, separator: str, end: str) -> None:
    lines = ["Plate,RA,Notes", "QN 1,05 33.1,", "", 'QN 2,,"a,;\tb"', "   ", "QN 3"]
    text = end.join(line.replace("a,;\tb", "?").replace(",", separator) for line in lines)
    text = text.replace("?", "a,;\tb")
    table = read_table(write(tmp_path, text))
    assert table.names == ("Plate", "RA", "Notes")
    assert table.row_numbers.tolist() == [2, 4, 6]
    assert cells(table) == {
        "plate": ["QN 1", "QN 2", "QN 3"],
        "ra": ["05 33.1", "", ""],
        "notes": ["", "a,;\tb", ""],
    }
    assert not table.typed


def test_row_number_is_the_line_where_a_row_starts(tmp_path: Path) -> None:
    text = '\nplate,notes\nQN 1,"one\ntwo\n\nthree"\n\nQN 2,x\n'
    table = read_table(write(tmp_path, text))
    assert table.row_numbers.tolist() == [3, 8]
    assert table.cells["notes"][0] == "one\ntwo\n\nthree"


@pytest.mark.parametrize(
    "content",
    [
        "plate,observer\nQN 1,Ängström\n".encode(),
        b"\xef\xbb\xbf" + "plate,observer\nQN 1,Ängström\n".encode(),
        "plate,observer\nQN 1,Ängström\n".encode("latin-1"),
        "plate,observer\nQN 1,Ängström\n".encode("utf-16"),
    ],
)
def test_encodings(tmp_path: Path, content: bytes) -> None:
    table = read_table(write(tmp_path, content))
    assert cells(table) == {"plate": ["QN 1"], "observer": ["Ängström"]}


def test_rows_longer_than_the_header_keep_their_cells(tmp_path: Path) -> None:
    table = read_table(write(tmp_path, "plate,ra\nQN 1,5,6,7\nQN 2\n"))
    assert cells(table) == {"plate": ["QN 1", "QN 2"], "ra": ["5", ""]}
    assert table.overlong == {0: ["6", "7"]}


def test_a_stray_quote_swallows_no_rows(tmp_path: Path) -> None:
    text = 'plate,notes\nQN 1,"8 inch lens\nQN 2,x\nQN 3,"9 inch, cracked\nQN 4,"fine, really"\n'
    table = read_table(write(tmp_path, text))
    assert table.cells["plate"].tolist() == ["QN 1", "QN 2", "QN 3", "QN 4"]
    assert table.cells["notes"].tolist() == ['"8 inch lens', "x", '"9 inch', "fine, really"]
    assert table.overlong == {2: [" cracked"]}


def test_huge_and_hostile_cells_are_kept(tmp_path: Path) -> None:
    cell = "x" * 500_000
    limit = csv.field_size_limit()
    table = read_table(
        write(tmp_path, f"plate,notes\nQN 1,{cell}\nQN\x00 2,=1+1\nQN 3,😀\x1b[1m\n")
    )
    assert table.cells["notes"].tolist() == [cell, "=1+1", "😀\x1b[1m"]
    assert table.cells["plate"][1] == "QN\x00 2"
    assert csv.field_size_limit() == limit


def test_header_only_is_a_table_without_rows(tmp_path: Path) -> None:
    table = read_table(write(tmp_path, "plate;ra;dec"))
    assert len(table) == 0
    assert cells(table) == {"plate": [], "ra": [], "dec": []}


def test_nameless_columns_are_named_by_place(tmp_path: Path) -> None:
    assert read_table(write(tmp_path, "plate,,\nQN 1,a,b\n")).names == (
        "plate",
        "column 2",
        "column 3",
    )


HTML = "<!DOCTYPE html>\n<html><body><table><tr><td>plate</td></tr></table></body></html>"


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("", "the file is empty"),
        ("\n \n\n", "the file is empty"),
        ("\ufeff", "the file is empty"),
        ("ra,dec\n1,2\n", "no column 'plate'.*it has: 'ra, dec'"),
        ("Dear Sir\nthe log is lost\n", "no column 'plate'"),
        ("plate,ra,Plate\n", "column 'Plate' is there twice"),
        ("plate,ra;dec\nQN 1,2;3\n", "two separators in one file: .*commas and semicolons"),
        ("plate,ra,dec\nQN 1,2,3\nQN 2;2;3\n", "two separators.*semicolons on line 3"),
        ("plate;ra;dec\nQN 1\t2\t3\n", "two separators.*tabs on line 2"),
        (HTML, "not a table: it is an HTML page"),
        ("<?xml version='1.0'?><log/>", "XML but no VOTable"),
        (bytes(range(256)), "not a table: its first line is binary"),
        (b"PK\x03\x04rest", "spreadsheet or ZIP"),
        (b"\x1f\x8brest", "compressed"),
        (b"PAR1 and then nothing", "cannot be read as Parquet"),
        (b"SIMPLE  = and then nothing", "FITS"),
        ("<?xml version='1.0'?><VOTABLE><RESOURCE>", "cannot be read as VOTable"),
        ("<VOTABLE></VOTABLE>", "VOTable"),
        ("# %ECSV 1.0\n# ---\n# datatype: 5\nplate\n", "ECSV header cannot be read"),
        ("# %ECSV 1.0\n# ---\n# {[\nplate\n", "ECSV header cannot be read"),
        ("# %ECSV 1.0\n# ---\n# datatype:\n# - {name: plate, datatype: string}\n", "no line of"),
        ("# %ECSV 1.0\n# ---\n# datatype: []\n# delimiter: '|'\nplate\n", "neither blank nor"),
    ],
)
def test_files_that_are_no_plate_log(tmp_path: Path, content: str | bytes, message: str) -> None:
    with pytest.raises(LogFileError, match=message) as caught:
        read_table(write(tmp_path, content))
    assert str(tmp_path / "log.csv") in str(caught.value)
    assert "\n" not in str(caught.value)


def test_names_that_lead_to_no_file(tmp_path: Path) -> None:
    for path, message in (
        (tmp_path / "none.csv", "No such file"),
        (tmp_path, "directory"),
        (Path("a\x00b"), "null byte"),
    ):
        with pytest.raises(LogFileError, match=message):
            read_table(path)
    with pytest.raises(LogFileError, match="promises FITS"):
        read_table(write(tmp_path, "plate\nQN 1\n", "log.fits"))


# ---- typed formats ----


def typed_table() -> Table:
    table = Table(
        {
            "Plate": ["QN 1", "QN 2", ""],
            "ra": [83.28, np.nan, 1e-5],
            "dec": np.array([-5.5, 0.1, 90.0], dtype=np.float32),
            "exposure": MaskedColumn([1, 2, 3], mask=[False, True, False]),
            "scanned": [True, False, True],
            "exposure_min": [3600.0, 0.0, 90.0],
            "date": ["1898-03-04", "", "1898"],
        }
    )
    table["exposure_min"].unit = "s"
    table["ra"].unit = "deg"
    return table


def write_parquet_plainly(table: Table, path: Path) -> None:
    arrays = {
        name: pa.array(
            np.ma.getdata(table[name]).tolist(), mask=np.array(np.ma.getmaskarray(table[name]))
        )
        for name in table.colnames
    }
    arrays["dec"] = pa.array(np.asarray(table["dec"]))
    unit = {"exposure_min": {"unit": "s"}}
    fields = [pa.field(name, array.type, metadata=unit.get(name)) for name, array in arrays.items()]
    pq.write_table(pa.table(list(arrays.values()), schema=pa.schema(fields)), path)


WRITERS: dict[str, Callable[[Table, Path], None]] = {
    "blanks.ecsv": lambda table, path: table.write(path, format="ascii.ecsv"),
    "commas.ecsv": lambda table, path: table.write(path, format="ascii.ecsv", delimiter=","),
    "text.vot": lambda table, path: table.write(path, format="votable"),
    "binary2.xml": lambda table, path: table.write(
        path, format="votable", tabledata_format="binary2"
    ),
    "table.fits": lambda table, path: table.write(path, format="fits"),
    "astropy.parquet": lambda table, path: table.write(path, format="parquet"),
    "pyarrow.parquet": write_parquet_plainly,
    "no suffix": lambda table, path: table.write(path, format="fits"),
}


@pytest.mark.parametrize("name", WRITERS)
def test_the_same_table_from_every_typed_format(tmp_path: Path, name: str) -> None:
    WRITERS[name](typed_table(), tmp_path / name)
    table = read_table(tmp_path / name)
    assert table.names == tuple(typed_table().colnames)
    assert table.typed == {"ra", "dec", "exposure", "exposure_min"}
    read = {key: table.reading(key).tolist() for key in table.cells}
    assert read["plate"] == ["QN 1", "QN 2", ""]
    assert read["ra"] == ["83.28", "", "1e-05"]
    assert read["dec"] == ["-5.5", "0.1", "90.0"]
    assert read["exposure"] == ["1", "", "3"]
    assert read["scanned"] == ["yes", "no", "yes"]
    assert read["exposure_min"] in (["60", "0", "1.5"], ["60.0", "0.0", "1.5"])  # from seconds
    assert read["date"] == ["1898-03-04", "", "1898"]
    assert table.cells["exposure_min"][0] in ("3600", "3600.0")  # as logged
    text_format = name.endswith("ecsv")
    expected = [15, 16, 17] if text_format else [1, 2, 3]
    offset = table.row_numbers[0] - expected[0] if text_format else 0
    assert (table.row_numbers - offset).tolist() == expected


def test_ecsv_rows_are_numbered_by_line(tmp_path: Path) -> None:
    text = (
        "# %ECSV 1.0\n# ---\n# datatype:\n# - {name: plate, datatype: string}\n"
        "# - {name: ra, datatype: float64, unit: deg}\n# schema: astropy-2.0\n"
        'plate ra\n"QN 1" 83.280\n\n"QN 2" nan\n"QN 3" ""\n"QN 4" x\n"QN 5" 1 2\n'
    )
    table = read_table(write(tmp_path, text))
    assert table.row_numbers.tolist() == [8, 10, 11, 12, 13]
    assert table.cells["ra"].tolist() == ["83.280", "nan", "", "x", "1"]
    assert table.reading("ra").tolist() == ["83.280", "", "", "x", "1"]
    assert table.overlong == {4: ["2"]}


def test_whole_floats_are_written_as_integers(tmp_path: Path) -> None:
    # so pandas and others store integers with gaps
    path = tmp_path / "log.parquet"
    columns = {"plate": ["QN 1", "QN 2"], "exposure": [2.0, None], "jd": [2414511.0, 2414512.25]}
    pq.write_table(pa.table(columns), path)
    table = read_table(path)
    assert table.cells["exposure"].tolist() == ["2", ""]
    assert table.cells["jd"].tolist() == ["2414511.0", "2414512.25"]


def test_dates_times_and_nested_values_of_parquet(tmp_path: Path) -> None:
    path = tmp_path / "log.parquet"
    table = pa.table(
        {
            "plate": pa.array(["QN 1"]).dictionary_encode(),
            "date": pa.array(np.array(["1898-03-04"], dtype="datetime64[D]")),
            "stamp": pa.array(np.array(["1898-03-04T20:15"], dtype="datetime64[ms]")),
            "midnight": pa.array(np.array(["1898-03-04T00:00"], dtype="datetime64[ms]")),
            "fine": pa.array(np.array(["1898-03-04T00:00:01.5"], dtype="datetime64[ns]")),
            "finer": pa.array([20 * 3600 * 10**9 + 1], pa.time64("ns")),
            "list": pa.array([[1, 2]]),
            "bytes": pa.array([b"\xc4ngstr\xf6m"]),
            "nothing": pa.nulls(1),
        }
    )
    pq.write_table(table, path)
    assert cells(read_table(path)) == {
        "plate": ["QN 1"],
        "date": ["1898-03-04"],
        "stamp": ["1898-03-04 20:15:00"],
        "midnight": ["1898-03-04"],
        "fine": ["1898-03-04 00:00:01.500000"],
        "finer": ["20:00:00"],
        "list": ["[1, 2]"],
        "bytes": ["Ängström"],
        "nothing": [""],
    }


@pytest.mark.parametrize(
    ("column", "unit", "value", "expected"),
    [
        ("ra", "hourangle", 5.5, 82.5),
        ("ra", "h", 5.5, 82.5),
        ("ra", "rad", np.pi, 180.0),
        ("dec", "arcmin", 90.0, 1.5),
        ("width_mm", "cm", 16.0, 160.0),
        ("scale_arcsec_per_mm", "arcmin/cm", 10.0, 60.0),
        ("position_error_arcmin", "arcsec", 30.0, 0.5),
    ],
)
def test_declared_units_are_converted(
    tmp_path: Path, column: str, unit: str, value: float, expected: float
) -> None:
    table = Table({"plate": ["QN 1"], column: [value]})
    table[column].unit = unit
    table.write(tmp_path / "log.ecsv")
    read = read_table(tmp_path / "log.ecsv")
    assert float(read.reading(column)[0]) == pytest.approx(expected, rel=1e-15)
    assert read.cells[column][0] == str(value)


@pytest.mark.parametrize("unit", ["s", "furlong", "%%"])
def test_units_that_cannot_be_converted_are_an_error(tmp_path: Path, unit: str) -> None:
    text = (
        "# %ECSV 1.0\n# ---\n# datatype:\n# - {name: plate, datatype: string}\n"
        f"# - {{name: width_mm, datatype: float64, unit: '{unit}'}}\nplate width_mm\nQN1 160\n"
    )
    with pytest.raises(LogFileError, match="column 'width_mm' is declared in .*correct its unit"):
        read_table(write(tmp_path, text, "log.ecsv"))


@pytest.mark.parametrize("name", ["text.vot", "table.fits", "pyarrow.parquet"])
def test_typed_formats_need_a_plate_column_too(tmp_path: Path, name: str) -> None:
    table = typed_table()
    table.rename_column("Plate", "glass")
    WRITERS[name](table, tmp_path / name)
    with pytest.raises(LogFileError, match="no column 'plate'.*glass, ra"):
        read_table(tmp_path / name)


@pytest.mark.parametrize(
    ("name", "share"),
    [
        *((name, share) for name in WRITERS if not name.endswith("ecsv") for share in (0.3, 0.6)),
        ("text.vot", 0.97),
        ("pyarrow.parquet", 0.97),  # the end of a FITS file is padding
    ],
)
def test_cut_files_are_a_clear_error(tmp_path: Path, name: str, share: float) -> None:
    WRITERS[name](typed_table(), tmp_path / name)
    content = (tmp_path / name).read_bytes()
    (tmp_path / name).write_bytes(content[: int(len(content) * share)])
    with pytest.raises(LogFileError):
        read_table(tmp_path / name)


def test_a_column_twice_in_parquet(tmp_path: Path) -> None:
    columns = [pa.array(["QN 1"]), pa.array(["a"]), pa.array(["b"])]
    pq.write_table(pa.table(columns, names=["plate", "ra", "RA"]), tmp_path / "log.parquet")
    with pytest.raises(LogFileError, match="column 'RA' is there twice"):
        read_table(tmp_path / "log.parquet")


# ---- properties ----

CELL = st.text(st.characters(exclude_categories=["Cs"]), max_size=8)


@given(st.lists(st.tuples(CELL, CELL, CELL), max_size=6), st.sampled_from([",", ";", "\t"]))
def test_what_csv_writes_is_read_back(rows: list[tuple[str, str, str]], separator: str) -> None:
    out = io.StringIO()
    writer = csv.writer(out, delimiter=separator, quoting=csv.QUOTE_ALL)
    writer.writerows([("plate", "b", "c"), *rows])
    table = read_bytes(out.getvalue().encode())
    read = list(zip(*(table.cells[name].tolist() for name in ("plate", "b", "c")), strict=True))
    assert read == rows


@given(st.binary(max_size=200))
def test_any_bytes_are_a_table_or_an_error(junk: bytes) -> None:
    try:
        read_bytes(b"plate,ra\n" + junk)
    except LogFileError as error:
        assert "two separators" in str(error)
    try:
        read_bytes(junk)
    except LogFileError as error:
        assert "here.csv: " in str(error)
