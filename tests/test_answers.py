"""Rows of an answer: nulls, units, UCDs, and as many rows as were found."""

import numpy as np
import pytest
from astropy import units as u
from astropy.io.votable.ucd import parse_ucd
from astropy.table import MaskedColumn, Table
from tests.small_archive import Place

from platecover.coverage import columns
from platecover.coverage.archive import Archive
from platecover.coverage.columns import RESULT_COLUMNS
from platecover.coverage.regions import Region

NAMES = [
    "exposure_id", "plate", "plate_logged", "exposure", "series", "telescope", "station", "s_ra",
    "s_dec", "t_min", "t_max", "time_precision", "t_exptime", "epoch", "centre_distance",
    "edge_distance", "margin", "certainty", "technique", "status", "condition", "scanned",
    "access_url", "shelf", "observer", "object", "limiting_mag", "remarks",
]  # fmt: skip
ALL_COLUMNS = [
    column
    for group in ("RESULT", "FURTHER", "PLATE", "SET_ASIDE", "REMARK")
    for column in getattr(columns, f"{group}_COLUMNS")
]


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    return Archive.open(Place(tmp_path_factory.mktemp("answers")).build().archive)


@pytest.fixture(scope="module")
def rows(archive: Archive) -> Table:
    return archive.cone(83.6, 22.0, 0)


def test_columns_are_the_promised_ones(rows: Table) -> None:
    assert rows.colnames == NAMES


def test_rows_are_in_order_undated_last(rows: Table) -> None:
    assert list(rows["exposure_id"]) == ["QN-1-1", "QN-2-1", "WM-4-1", "QN-3b-1"]


def test_known_values_stand_and_unknown_ones_are_masked(rows: Table) -> None:
    first, last = rows[0], rows[3]
    assert first["observer"] == "Ada Fenn"
    assert first["t_exptime"] == 1800.0
    assert first["plate_logged"] == "QN 1"
    assert first["exposure"] == 1
    assert rows["t_min"].unit == u.d
    for name in ("t_min", "t_max", "t_exptime", "epoch", "object", "status", "limiting_mag"):
        assert last[name] is np.ma.masked, name
    assert last["time_precision"] == "undated"
    assert last["shelf"] == "C3"
    assert all(isinstance(column, MaskedColumn) for column in rows.columns.values())


def test_instants_are_those_of_the_log(rows: Table) -> None:
    # 1905-03-04 is MJD 16908: from 1858-11-17 (MJD 0) 46 years and 107 days (by the calendar)
    assert rows["t_min"][0] == pytest.approx(16908 + 21.5 / 24, abs=1e-9)
    assert rows["t_max"][0] == pytest.approx(16908 + 22.0 / 24, abs=1e-9)


def test_columns_carry_unit_ucd_and_description(rows: Table) -> None:
    for column in RESULT_COLUMNS:
        shown = rows[column.name]
        assert str(shown.unit or "") == (u.Unit(column.unit).to_string() if column.unit else "")
        assert shown.description
        assert shown.meta["ucd"] == column.ucd


def test_numbers_and_texts_have_plain_types(rows: Table) -> None:
    for column in RESULT_COLUMNS:
        kind = {"text": "U", "float": "f", "int": "i"}[column.kind]
        assert rows[column.name].dtype.kind == kind


@pytest.mark.parametrize("column", ALL_COLUMNS, ids=lambda c: c.name)
def test_ucds_are_of_the_controlled_vocabulary(column: columns.Column) -> None:
    # The UCD list (IVOA, "The UCD1+ controlled vocabulary") as astropy holds it
    assert parse_ucd(column.ucd, check_controlled_vocabulary=True, has_colon=False)


@pytest.mark.parametrize("column", ALL_COLUMNS, ids=lambda c: c.name)
def test_units_are_units_of_votable(column: columns.Column) -> None:
    u.Unit(column.unit, format="vounit", parse_strict="raise")


def test_main_identifier_and_position_are_marked_once() -> None:
    # Simple Cone Search 1.03 (IVOA 2008), section 2.2.2, in the UCD1+ of today
    ucds = [column.ucd for column in RESULT_COLUMNS]
    for ucd in ("meta.id;meta.main", "pos.eq.ra;meta.main", "pos.eq.dec;meta.main"):
        assert ucds.count(ucd) == 1


def test_regions_that_are_no_circles_have_no_distances(archive: Archive) -> None:
    rows = archive.search(Region.parse("range 80 90 10 30"))
    assert len(rows) == 4
    assert rows["centre_distance"].mask.all()
    assert rows["edge_distance"].mask.all()
    assert set(rows["certainty"]) <= {"sure", "marginal"}


def test_empty_answer_has_all_columns(archive: Archive) -> None:
    rows = archive.cone(200.0, -80.0, 0.0, series="QN")
    assert len(rows) == 0
    assert rows.colnames == NAMES


def test_set_aside_and_remarks_are_tables(archive: Archive) -> None:
    assert archive.set_aside().colnames == ["file", "row", "column", "value", "reason", "cells"]
    assert archive.remarks().colnames == ["file", "row", "column", "value", "reason"]
