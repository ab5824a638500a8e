"""Lists of targets in every format, written by other libraries; and what is wrong with them."""

import io
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from astropy import units as u
from astropy.io.votable import from_table
from astropy.table import MaskedColumn, Table
from numpy.testing import assert_allclose, assert_array_equal

from platecover.coverage.errors import QueryError
from platecover.coverage.target_list import TargetList, read_targets

RA, DEC, RADIUS = [10.25, 83.6331, 359.9], [-89.5, 22.0145, 0.0], [0.5, 0.0, 2.0]
NAMES = ["alpha", 'naïve, "quoted"', "γ"]


def table(**more: Any) -> Table:
    return Table(
        {"RA": RA, "Dec": DEC, "radius": RADIUS, "name": NAMES, "other": [1, 2, 3], **more}
    )


def votable_bytes(given: Table, form: str = "tabledata") -> bytes:
    stream = io.BytesIO()
    document = from_table(given)
    document.to_xml(stream, tabledata_format=form)
    return stream.getvalue()


def ecsv_bytes(given: Table, delimiter: str = " ") -> bytes:
    stream = io.StringIO()
    given.write(stream, format="ascii.ecsv", delimiter=delimiter)
    return stream.getvalue().encode()


def parquet_bytes(given: pd.DataFrame | pa.Table, **how: Any) -> bytes:
    stream = io.BytesIO()
    arrow = pa.Table.from_pandas(given) if isinstance(given, pd.DataFrame) else given
    pq.write_table(arrow, stream, **how)
    return stream.getvalue()


def csv_bytes(given: Table, **how: Any) -> bytes:
    return bytes(given.to_pandas().to_csv(index=False, **how).encode())


FORMS = {
    "csv": csv_bytes(table()),
    "csv, semicolons, mark": b"\xef\xbb\xbf" + csv_bytes(table(), sep=";"),
    "csv, tabs, returns": csv_bytes(table(), sep="\t", lineterminator="\r\n"),
    "csv, utf-16": csv_bytes(table()).decode().encode("utf-16"),
    "csv, blank lines": b"\n" + csv_bytes(table()).replace(b"\n", b"\n\n"),
    "ecsv": ecsv_bytes(table()),
    "ecsv, commas": ecsv_bytes(table(), ","),
    "votable": votable_bytes(table()),
    "votable, binary": votable_bytes(table(), "binary"),
    "votable, binary2": votable_bytes(table(), "binary2"),
    "parquet, pandas": parquet_bytes(table().to_pandas()),
    "parquet, bare": parquet_bytes(table().to_pandas(), compression="none"),
    "parquet, dictionary": parquet_bytes(
        table().to_pandas().astype({"name": "category"}), row_group_size=2
    ),
}


@pytest.mark.parametrize("form", FORMS)
def test_every_format(form: str) -> None:
    found = read_targets(FORMS[form])
    assert isinstance(found, TargetList) and len(found) == 3
    assert_array_equal(found.ra_deg, RA)
    assert_array_equal(found.dec_deg, DEC)
    assert_array_equal(found.radius_deg, RADIUS)
    assert found.ids == NAMES
    assert not any(found.problems)


def test_astropys_own_parquet_with_masks_and_units(tmp_path: Path) -> None:
    given = table()
    given["radius"] = MaskedColumn([30.0, 60.0, 90.0], mask=[False, True, False], unit=u.arcmin)
    given["RA"].unit = u.deg
    given.write(tmp_path / "targets.parquet", format="parquet")
    found = read_targets((tmp_path / "targets.parquet").read_bytes(), 7.0)
    assert_allclose(found.radius_deg, [0.5, 7.0, 1.5])


@pytest.mark.parametrize("write", [ecsv_bytes, votable_bytes])
def test_units_are_those_of_the_table(write: Any) -> None:
    given = Table({"ra": [1.0, 2.0] * u.hourangle, "dec": [0.5, -0.5] * u.rad,
                   "radius": [60.0, 3600.0] * u.arcsec})  # fmt: skip
    if write is votable_bytes:
        given["ra"].unit = u.hour
    found = read_targets(write(given))
    assert_allclose(found.ra_deg, [15.0, 30.0])
    assert_allclose(found.dec_deg, np.degrees([0.5, -0.5]))
    assert_allclose(found.radius_deg, [1.0 / 60.0, 1.0])


def test_a_unit_that_is_no_angle_is_refused() -> None:
    given = Table({"ra": [1.0], "dec": [0.5] * u.m})
    with pytest.raises(QueryError, match="'dec' is declared in 'm', which cannot be converted"):
        read_targets(ecsv_bytes(given))


def test_sexagesimal_text() -> None:
    # 5h 34m 31.94s = 83.6330833 deg, +22d 0m 52.2s = 22.0145 deg, by hand
    found = read_targets(b"ra,dec\n05 34 31.94,+22 00 52.2\n05:34:31.94,22:00:52.2\n")
    assert_allclose(found.ra_deg, 83.63308333, atol=1e-8)
    assert_allclose(found.dec_deg, 22.0145, atol=1e-8)


def test_radius_of_ones_own_and_for_all() -> None:
    found = read_targets(b"ra,dec,radius\n1,2,0.5\n1,2,\n1,2\n1,2,0\n", 3.0)
    assert_array_equal(found.radius_deg, [0.5, 3.0, 3.0, 0.0])
    assert_array_equal(read_targets(b"ra,dec\n1,2\n").radius_deg, [0.0])


def test_what_a_target_is_called() -> None:
    assert read_targets(b"name,id,ra,dec\na,7,1,2\na,7,1,2\n").ids == ["7", "7"]
    assert read_targets(b"ra,dec\n1,2\n").ids is None
    frame = pd.DataFrame({"ID": [2**53 + 1, 3], "ra": [1.0, 2.0], "dec": [0.0, 0.0]})
    assert read_targets(parquet_bytes(frame)).ids == ["9007199254740993", "3"]


@pytest.mark.parametrize(
    ("row", "part"),
    [
        ("", None), (",5", "ra is missing"), ("5,", "dec is missing"), ("360.1,5", "0 to 360"),
        ("-0.1,5", "0 to 360"), ("5,90.01", "-90 to 90"), ("nan,5", "ra must be"),
        ("5,inf", "dec must be"), ("1e999,5", "ra must be"), ("x,5", "not an angle"),
        ("5,1_0", "not an angle"), ("5,5,-1", "radius must be from 0 to 10"),
        ("5,5,10.5", "radius must be from 0 to 10"), ("5,5,wide", "radius must be"),
        ("5,5,nan", "radius must be"), ("5,5,1_0", "radius must be"),
        ("5,5,1,extra", "4 cells, 3 in the header"), ("5", "dec is missing"),
    ],
)  # fmt: skip
def test_a_bad_row_is_kept_with_its_reason(row: str, part: str | None) -> None:
    text = f"ra,dec,radius\n1,2,3\n{row}\n4,5,6\n"
    found = read_targets(text.encode(), largest_radius_deg=10.0)
    if part is None:  # a blank line is no row
        assert len(found) == 2
        return
    assert len(found) == 3
    assert part in found.problems[1].replace("dec: missing", "dec is missing").replace(
        "ra: missing", "ra is missing"
    )
    assert [bool(problem) for problem in found.problems] == [False, True, False]
    assert np.isnan([found.ra_deg[1], found.dec_deg[1], found.radius_deg[1]]).all()
    assert_array_equal(found.ra_deg[[0, 2]], [1.0, 4.0])


@pytest.mark.parametrize("write", [votable_bytes, ecsv_bytes,
                                   lambda given: parquet_bytes(given.to_pandas())])  # fmt: skip
def test_masked_and_nan_rows_are_kept_with_their_reason(write: Any) -> None:
    given = Table(
        {"ra": MaskedColumn([1.0, 2.0, np.nan, 400.0], mask=[False, True, False, False]),
         "dec": [0.0, 0.0, 0.0, 0.0]}
    )  # fmt: skip
    found = read_targets(write(given))
    assert [bool(problem) for problem in found.problems] == [False, True, True, True]
    assert "missing" in found.problems[1] and "400" in found.problems[3]


DOCUMENT = votable_bytes(table()).decode()
BOMB = (
    '<?xml version="1.0"?><!DOCTYPE lolz [<!ENTITY a "aaaaaaaaaa">'
    + "".join(
        f'<!ENTITY {b} "{f"&{a};" * 10}">' for a, b in zip("abcdefgh", "bcdefghi", strict=True)
    )
    + "]><VOTABLE>&i;</VOTABLE>"
)


def changed(old: str, new: str) -> bytes:
    assert old in DOCUMENT
    return DOCUMENT.replace(old, new, 1).encode()


HOSTILE = {
    "nothing": (b"", "the table is empty"),
    "blanks": (b" \r\n\r\n", "the table is empty"),
    "header only": (b"ra,dec\n", "has no rows"),
    "no dec": (b"ra,de\n1,2\n", "no column 'dec'"),
    "no columns": (b"1 2\n3 4\n", "no column 'ra'"),
    "ra twice": (b"ra,dec,RA\n1,2,3\n", "'ra' is there twice"),
    "id twice": (b"ra,dec,id,Id\n1,2,3,4\n", "'id' is there twice"),
    "too many rows": (b"ra,dec\n" + b"1,2\n" * 101, "more than 100 rows"),
    "too many columns": (b"ra,dec" + b",x" * 1500 + b"\n1,2\n", "columns, more than 1000"),
    "long id": (b"ra,dec,id\n1,2," + b"x" * 300 + b"\n", "longer than 200"),
    "long cell": (b"ra,dec\n1," + b"2" * 200_000 + b"\n", "CSV"),
    "open quote": (b'ra,dec\n1,"' + b"2\n" * 100_000, "CSV"),
    "zip": (b"PK\x03\x04abc", "ZIP"),
    "gzip": (b"\x1f\x8b\x08abc", "compressed"),
    "fits": (b"SIMPLE  =   T", "FITS"),
    "html": (b"<html><body/></html>", "html, not a VOTABLE"),
    "entities": (BOMB.encode(), "document type or entities"),
    "entities, utf-16": (BOMB.replace('"1.0"', '"1.0" encoding="utf-16"').encode("utf-16"),
                         "document type or entities"),
    "doctype": (b"<!DOCTYPE VOTABLE SYSTEM 'file:///etc/passwd'>" + DOCUMENT[22:].encode(),
                "document type|VOTable"),
    "cut off": (DOCUMENT[: len(DOCUMENT) // 2].encode(), "VOTable"),
    "no table": (b"<VOTABLE version='1.4'><RESOURCE/></VOTABLE>", "no table"),
    "stream elsewhere": (
        votable_bytes(table(), "binary").replace(b"<STREAM", b'<STREAM href="file:///etc/passwd"'),
        "not elsewhere",
    ),
    "fits elsewhere": (changed("<TABLEDATA>", "<FITS><STREAM/></FITS><TABLEDATA>"), "elsewhere"),
    "rows promised": (changed("<TABLE", '<TABLE nrows="2000000000"'), "nrows of a TABLE"),
    "rows promised, more": (changed("<TABLE", '<TABLE nrows="1e9"'), "nrows of a TABLE"),
    "wide arrays": (
        changed("<FIELD", '<FIELD name="w" datatype="double" arraysize="100000000"/><FIELD'),
        "arrays that are too long",
    ),
    "deep elements": (b"<VOTABLE>" + b"<A>" * 100_000, "nested too deeply"),
    "many attributes": (
        b"<VOTABLE " + b" ".join(b"a%d='1'" % n for n in range(60)) + b"/>", "many attributes",
    ),
    "blank lines": (b"ra,dec\n" + b"\n" * 10_000, "lines, mostly blank"),
    "many rows": (changed("<TR>", "<TR/>" * 200 + "<TR>"), "more than 100 rows"),
    "yaml aliases": (
        b"# %ECSV 1.0\n# ---\n# a: &a [x, x]\n# b: &b [*a, *a]\n# datatype:\n"
        b"# - {name: ra, unit: *b, datatype: float64}\nra,dec\n1,2\n", "YAML aliases",
    ),
    "yaml, long": (b"# %ECSV 1.0\n# ---\n" + b"# x\n" * 30_000 + b"ra,dec\n1,2\n", "ECSV header"),
    "yaml, broken": (b"# %ECSV 1.0\n# ---\n# {[\nra dec\n1 2\n", "ECSV"),
    "yaml, deep": (b"# %ECSV 1.0\n# ---\n# " + b"[" * 20_000 + b"\nra dec\n1 2\n", "nested"),
    "ecsv without end": (b"# %ECSV 1.0\n# ---\n# datatype: []", "no column|ECSV"),
    "parquet, cut off": (FORMS["parquet, pandas"][:-20], "Parquet"),
    "parquet, garbled": (FORMS["parquet, pandas"][:60] + b"\xff" * 400, "Parquet"),
    "parquet, rows": (
        parquet_bytes(pa.table({"ra": np.zeros(101), "dec": np.zeros(101)})), "more than 100 rows",
    ),
    "parquet, zstd": (
        parquet_bytes(pa.table({"ra": np.zeros(10), "dec": np.zeros(10)}), compression="zstd"),
        "packed by ZSTD",
    ),
    "parquet, lists": (parquet_bytes(pa.table({"ra": [[1.0]], "dec": [2.0]})), "holds list"),
    "parquet, long text": (
        parquet_bytes(pa.table({"ra": ["1" * 5000], "dec": [2.0]})), "longer than 1000",
    ),
    "parquet, bytes": (parquet_bytes(pa.table({"ra": [b"\xff\xfe"], "dec": [2.0]})), "Parquet"),
    "noise": (bytes(range(256)) * 20, "no column|CSV"),
}  # fmt: skip


@pytest.mark.parametrize("case", HOSTILE)
def test_what_is_no_list_is_refused(case: str) -> None:
    content, part = HOSTILE[case]
    with pytest.raises(QueryError, match=part) as caught:
        read_targets(content, most_targets=100)
    assert caught.value.parameter == "targets"
    assert len(str(caught.value)) < 600 and "\n" not in str(caught.value)


def test_a_hundred_thousand_rows_and_no_more() -> None:
    rows = b"1.5,2.5\n" * 100_000
    assert len(read_targets(b"ra,dec\n" + rows)) == 100_000
    with pytest.raises(QueryError, match="more than 100000 rows"):
        read_targets(b"ra,dec\n" + rows + b"1,2\n")
