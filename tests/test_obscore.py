"""Rows of images: the columns against ObsCore 1.1, the values against a small invented archive."""

from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from astropy import units as u
from astropy.io.votable.ucd import parse_ucd
from tests.archives import build_archive, write_log
from tests.awkward_sky import Plate, sky_of_mm
from tests.small_archive import OBSERVATORY, PLATES, Place

from platecover.coverage.answers import plain_table
from platecover.coverage.archive import Archive
from platecover.coverage.columns import TECHNIQUES
from platecover.coverage.edition_build import build
from platecover.coverage.errors import ObservatoryError
from platecover.coverage.obscore import OBSCORE_COLUMNS, OBSCORE_NAMES, ObsCoreRows, is_image
from platecover.coverage.observatory import read_observatory

PUBLISHER = "ivo://plates.example/plates?"

# ObsCore 1.1 (IVOA REC, 2017), appendix C, tables of the mandatory fields: name, unit, UCD, utype.
# Its slips are mended: two utypes that table 6 garbles, and no capital in Instrument.
MANDATORY = """
dataproduct_type|-|meta.code.class|ObsDataset.dataProductType
calib_level|-|meta.code;obs.calib|ObsDataset.calibLevel
obs_collection|-|meta.id|DataID.collection
obs_id|-|meta.id|DataID.observationID
obs_publisher_did|-|meta.ref.ivoid|Curation.publisherDID
access_url|-|meta.ref.url|Access.reference
access_format|-|meta.code.mime|Access.format
access_estsize|kbyte|phys.size;meta.file|Access.size
target_name|-|meta.id;src|Target.name
s_ra|deg|pos.eq.ra|Char.SpatialAxis.Coverage.Location.Coord.Position2D.Value2.C1
s_dec|deg|pos.eq.dec|Char.SpatialAxis.Coverage.Location.Coord.Position2D.Value2.C2
s_fov|deg|phys.angSize;instr.fov|Char.SpatialAxis.Coverage.Bounds.Extent.diameter
s_region|-|pos.outline;obs.field|Char.SpatialAxis.Coverage.Support.Area
s_resolution|arcsec|pos.angResolution|Char.SpatialAxis.Resolution.Refval.value
s_xel1|-|meta.number|Char.SpatialAxis.numBins1
s_xel2|-|meta.number|Char.SpatialAxis.numBins2
t_min|d|time.start;obs.exposure|Char.TimeAxis.Coverage.Bounds.Limits.StartTime
t_max|d|time.end;obs.exposure|Char.TimeAxis.Coverage.Bounds.Limits.StopTime
t_exptime|s|time.duration;obs.exposure|Char.TimeAxis.Coverage.Support.Extent
t_resolution|s|time.resolution|Char.TimeAxis.Resolution.Refval.value
t_xel|-|meta.number|Char.TimeAxis.numBins
em_min|m|em.wl;stat.min|Char.SpectralAxis.Coverage.Bounds.Limits.LoLimit
em_max|m|em.wl;stat.max|Char.SpectralAxis.Coverage.Bounds.Limits.HiLimit
em_res_power|-|spect.resolution|Char.SpectralAxis.Resolution.ResolPower.refVal
em_xel|-|meta.number|Char.SpectralAxis.numBins
o_ucd|-|meta.ucd|Char.ObservableAxis.ucd
pol_states|-|meta.code;phys.polarization|Char.PolarizationAxis.stateList
pol_xel|-|meta.number|Char.PolarizationAxis.numBins
facility_name|-|meta.id;instr.tel|Provenance.ObsConfig.Facility.name
instrument_name|-|meta.id;instr|Provenance.ObsConfig.Instrument.name
"""


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    place = Place(tmp_path_factory.mktemp("obscore")).build(PLATES)
    return Archive.open(place.archive)


def rows_of(archive: Archive, **how: object) -> dict[str, dict[str, object]]:
    """Every row as a dict, by the exposure's id."""
    numbers = np.arange(len(archive.edition.geometry))
    rows = ObsCoreRows(archive.edition, numbers, PUBLISHER, **how)  # type: ignore[arg-type]
    table = plain_table(rows.slice())
    return {str(row["obs_publisher_did"]).removeprefix(PUBLISHER): row for row in table.to_pylist()}


def test_the_mandatory_columns_are_those_of_the_standard() -> None:
    found = [
        (each.name, each.unit or "-", each.ucd, each.utype.removeprefix("obscore:"))
        for each in OBSCORE_COLUMNS
    ]
    assert found == [tuple(line.split("|")) for line in MANDATORY.split()]
    assert len(found) == 30
    for each in OBSCORE_COLUMNS:
        assert each.utype.startswith("obscore:") and each.description
        parse_ucd(each.ucd, check_controlled_vocabulary=True)
        u.Unit(each.unit)


def test_a_plate_that_is_scanned(archive: Archive) -> None:
    row = rows_of(archive)["WM-4-1"]
    assert list(row) == list(OBSCORE_NAMES)
    expected = {
        "dataproduct_type": "image", "calib_level": 1, "obs_collection": "WM", "obs_id": "WM-4",
        "obs_publisher_did": "ivo://plates.example/plates?WM-4-1",
        "access_url": "https://plates.example/wm4.fits", "access_format": "image/fits",
        "access_estsize": None, "target_name": None, "s_resolution": None, "s_xel1": None,
        "s_xel2": None, "t_exptime": 2400.0, "t_resolution": 2400.0, "t_xel": 1,
        "em_res_power": None, "em_xel": 1, "o_ucd": None, "pol_states": None, "pol_xel": 0,
        "facility_name": "Brackwater Observatory (invented), mill",
        "instrument_name": "Wide camera, first",
    }  # fmt: skip
    assert {name: row[name] for name in expected} == expected
    # 1921-12-31 23:50 UT is MJD 23054 + 1430/1440: calendar arithmetic
    assert row["t_min"] == pytest.approx(23054 + 1430 / 1440, abs=1e-9)
    assert row["t_max"] == pytest.approx(23055 + 30 / 1440, abs=1e-9)
    # the diagonal of 200 x 250 mm at 400 arcsec/mm, by hand: 2 atan(160.078 x 400 / 206264.806)
    assert row["s_fov"] == pytest.approx(34.492, abs=1e-3)


def test_a_plate_that_is_not_scanned_and_undated(archive: Archive) -> None:
    row = rows_of(archive)["QN-3b-1"]
    assert row["calib_level"] == 0 and row["obs_id"] == "QN-3b"
    for name in ("access_url", "access_format", "t_min", "t_max", "t_exptime", "t_resolution"):
        assert row[name] is None, name
    assert row["em_min"] is None and row["em_max"] is None  # no emulsion is logged


def test_the_outline_is_the_plate(archive: Archive) -> None:
    row = rows_of(archive)["QN-1-1"]
    corners = np.array(str(row["s_region"]).split()[2:], dtype=float)
    plate = Plate("", float(str(row["s_ra"])), float(str(row["s_dec"])), 160, 160, 60)
    expected = np.transpose(sky_of_mm(plate, [80, 80, -80, -80], [80, -80, -80, 80]))
    np.testing.assert_allclose(corners.reshape(-1, 2), expected, atol=1e-5)


def test_exposures_of_a_plate_share_its_id_and_have_their_own(tmp_path: Path) -> None:
    row = {"plate": "HB 7", "ra": "10.0", "dec": "20.0", "date": "1901-01-02"}
    archive = build_archive(tmp_path, [{**row, "exposure": "1"}, {**row, "exposure": "2"}])
    rows = rows_of(archive)
    assert {each["obs_id"] for each in rows.values()} == {"HB-7"}
    assert set(rows) == {"HB-7-1", "HB-7-2"}


ADDRESSES = {
    "https://p.example/a.fits": "image/fits",
    "http://p.example/a.FIT": "image/fits",
    "https://p.example/a.fits.fz?size=9": "image/fits",
    "ftp://p.example/a.fits.gz#x": "image/fits",
    "https://p.example/a.jpg": "image/jpeg",
    "https://p.example/a.JPEG": "image/jpeg",
    "https://p.example/a.png": "image/png",
    "https://p.example/a.tif": "image/tiff",
    "https://p.example/a.tiff": "image/tiff",
    "https://p.example/a": None,
    "https://p.example/show?file=a.fits": None,  # what comes back is not known
    "https://p.example/a.fits/": None,
    "": None,
}


def test_formats_of_scans(tmp_path: Path) -> None:
    archive = build_archive(tmp_path, [
        {"plate": f"HB {number}", "ra": "10.0", "dec": "20.0", "scan_url": address,
         "scanned": "yes"}
        for number, address in enumerate(ADDRESSES)
    ])  # fmt: skip
    rows = rows_of(archive)
    for number, (address, media_type) in enumerate(ADDRESSES.items()):
        row = rows[f"HB-{number}-1"]
        assert (row["access_url"], row["access_format"]) == (address or None, media_type)
        assert row["calib_level"] == 1  # scanned, with or without an address


def test_slit_spectra_alone_are_no_images(tmp_path: Path) -> None:
    # objective prisms and gratings make images: ObsCore 1.1, section 1.4.1
    techniques = ("", *TECHNIQUES)
    archive = build_archive(tmp_path, [
        {"plate": f"HB {number}", "ra": "10.0", "dec": "20.0", "technique": technique}
        for number, technique in enumerate(techniques)
    ])  # fmt: skip
    assert list(is_image(archive.edition)) == [each != "slit spectrum" for each in techniques]


def test_bands_of_classes_and_of_the_observatory_file(tmp_path: Path) -> None:
    observatory = tmp_path / "observatory.toml"
    observatory.write_text(
        OBSERVATORY + '[emulsions."Norvell fine"]\nmax_nm = 610\n'
        "[filters.dark]\nmin_nm = 450\nmax_nm = 500.0\n",
        encoding="utf-8",
    )
    log = write_log(tmp_path / "log.csv", [
        {"plate": f"QN {number}", "ra": "10.0", "dec": "20.0", "emulsion": emulsion, "filter": dark}
        for number, (emulsion, dark) in enumerate(
            [("IIa-O", ""), ("norvell FINE 2", ""), ("norvell fine", "very dark"), ("fine", "")], 1
        )
    ])  # fmt: skip
    build(tmp_path / "archive", [log], observatory)
    rows = rows_of(Archive.open(tmp_path / "archive"))
    found = [(rows[f"QN-{number}-1"]["em_min"], rows[f"QN-{number}-1"]["em_max"]) for number in
             range(1, 5)]  # fmt: skip
    # metres (ObsCore 1.1, section 2.17)
    assert found[0] == (pytest.approx(320e-9), pytest.approx(500e-9))
    assert found[1] == (pytest.approx(320e-9), pytest.approx(610e-9))
    assert found[2] == (pytest.approx(450e-9), pytest.approx(500e-9))
    assert found[3] == (None, None)


@pytest.mark.parametrize(
    ("table", "says"),
    [
        ("[emulsions.fine]\nmax = 610", r"\[emulsions.fine\]: unknown key 'max'"),
        ("[emulsions.fine]\nmin_nm = 300", r"\[emulsions.fine\]: needs max_nm"),
        ("[emulsions.fine]\nmax_nm = 'red'", "max_nm must be a number above 0 to 2000, got 'red'"),
        ("[emulsions.fine]\nmax_nm = nan", "max_nm must be a number"),
        ("[emulsions.fine]\nmax_nm = -1", "max_nm must be a number"),
        ("[filters.dark]", r"\[filters.dark\]: needs min_nm or max_nm"),
        ("[filters.dark]\nmin_nm = 600\nmax_nm = 500", "min_nm 600 not below max_nm 500"),
        ('[filters." "]\nmin_nm = 600', "needs a name"),
        ("[filters]\ndark = 3", r"filters.dark must be a table \[filters.dark\]"),
        ("[emulsion.fine]\nmax_nm = 610", "unknown key 'emulsion'"),
    ],
)  # fmt: skip
def test_bad_tables_of_bands(tmp_path: Path, table: str, says: str) -> None:
    path = tmp_path / "observatory.toml"
    path.write_text(OBSERVATORY + table + "\n", encoding="utf-8")
    with pytest.raises(ObservatoryError, match=says):
        read_observatory(path)


@pytest.mark.parametrize(
    ("hidden", "nulls", "instead"),
    [
        ("t_exptime", ("t_exptime", "t_resolution"), {}),
        ("telescope", ("instrument_name",), {}),
        ("station", ("facility_name",), {}),
        ("width_mm", ("s_fov", "s_region"), {}),
        ("access_url", ("access_url", "access_format"), {"calib_level": 1}),
        ("scanned", (), {"calib_level": 1}),  # the address tells
        ("series", (), {"obs_collection": "plates"}),
        ("plate", (), {"obs_id": "WM-4-1"}),
    ],
)
def test_hidden_columns_are_null(
    archive: Archive, hidden: str, nulls: tuple[str, ...], instead: dict[str, object]
) -> None:
    whole = rows_of(archive)["WM-4-1"]
    row = rows_of(archive, is_public=lambda name: name != hidden)["WM-4-1"]
    assert row == whole | dict.fromkeys(nulls) | instead
    assert all(whole[name] is not None for name in nulls)


def test_scanned_and_address_hidden_leave_no_trace(archive: Archive) -> None:
    rows = rows_of(archive, is_public=lambda name: name not in ("scanned", "access_url"))
    assert {row["calib_level"] for row in rows.values()} == {0}


def test_slices_are_parts_of_the_whole(archive: Archive) -> None:
    rows = ObsCoreRows(archive.edition, np.array([3, 0, 1, 4]), PUBLISHER)
    assert len(rows) == 4
    whole = plain_table(rows.slice())
    parts = [plain_table(rows.slice(first, 3)) for first in (0, 3)]
    assert pa.concat_tables(parts).to_pylist() == whole.to_pylist()
    assert len(rows.slice(4, 10)) == 0
