"""Editions on disk: what opens, what is refused, and by which name."""

import json
import random
import re
import shutil
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from mocpy import MOC
from tests.small_archive import PLATES, Place, change_json

from platecover.coverage.archive import Archive
from platecover.coverage.columns import EXPOSURE_COLUMNS, PLATE_COLUMNS
from platecover.coverage.edition import FORMAT_VERSION, open_current
from platecover.coverage.errors import ArchiveError

FILES = (
    "coverage.fits", "exposures.parquet", "geometry.npy",
    "map_offsets.npy", "map_ranges.npy",
    "time_by_middle.npy", "time_year.npy", "time_years.npy", "time_covered.npy",
    "history.parquet",
    "index_cells.npy", "index_entries.npy", "index_offsets.npy",
    "plates.parquet", "remarks.parquet", "set_aside.parquet",
    *(f"exposures/{column.name}.arrow" for column in EXPOSURE_COLUMNS),
    *(f"plates/{column.name}.arrow" for column in PLATE_COLUMNS),
)  # fmt: skip
SOME = [*(name for name in FILES if "/" not in name), "exposures/s_ra.arrow",
        "exposures/remarks.arrow", "plates/plate.arrow", "logged/*.parquet"]  # fmt: skip
MAPPED = [name for name in SOME if name.endswith((".arrow", ".npy"))]


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Place:
    return Place(tmp_path_factory.mktemp("built")).build()


@pytest.fixture
def place(built: Place, tmp_path: Path) -> Place:
    shutil.copytree(built.archive, tmp_path / "archive")
    return Place(tmp_path)


def refused(archive: Path, *parts: str) -> str:
    """The message with which an archive is refused, which holds all the parts."""
    with pytest.raises(ArchiveError) as fault:
        open_current(archive)
    for part in parts:
        assert part in str(fault.value)
    return str(fault.value)


def file_of(place: Place, name: str) -> Path:
    """The one file of that name or pattern."""
    (path,) = place.edition.glob(name)
    return path


def test_holds_the_promised_files(built: Place) -> None:
    files = {path for path in built.edition.rglob("*") if path.is_file()}
    names = {path.relative_to(built.edition).as_posix() for path in files}
    logged = {name for name in names if name.startswith("logged/")}
    assert names - logged == {*FILES, "edition.json"}
    assert len(logged) == 1
    summary = open_current(built.archive).summary
    assert set(summary["files"]) == {*FILES, *logged}
    assert summary["counts"] == {"rows_read": 5, "exposures": 5, "set_aside": 0, "plates": 5}
    assert MOC.from_fits(built.edition / "coverage.fits").sky_fraction > 0


def test_kept_tables_have_nulls_units_and_order(built: Place) -> None:
    table = pq.read_table(built.edition / "exposures.parquet")
    assert table.column("exposure_id").to_pylist() == [
        "QN-1-1", "QN-2-1", "WM-4-1", "WM-5-1", "QN-3b-1",  # by t_min, undated last
    ]  # fmt: skip
    assert table.column("t_min").to_pylist()[-1] is None
    assert table.column("observer").to_pylist()[1] is None
    assert table.schema.field("s_ra").metadata[b"unit"] == b"deg"
    assert table.schema.field("s_ra").metadata[b"ucd"] == b"pos.eq.ra;meta.main"


def test_every_cell_as_logged_is_kept(built: Place) -> None:
    rows = pq.read_table(built.edition / "logged").to_pylist()
    by_plate = {row["log:plate"]: row for row in rows}
    logged = open_current(built.archive).logged
    for line, written in enumerate(PLATES, start=2):
        kept = by_plate[written["plate"]]
        assert {name: kept[f"log:{name}"] for name in written} == written
        found = logged.logged_row(built.log.name, line)
        assert {name: found[name] for name in written} == written
    assert logged.logged_row(built.log.name, line + 1) == {}


def test_columns_are_mapped_not_copied(built: Place) -> None:
    edition = open_current(built.archive)
    for array in (edition.geometry, edition.index.entries, edition.floats("s_ra")):
        assert not array.flags.owndata
        assert not array.flags.writeable


@pytest.mark.parametrize("name", SOME)
@pytest.mark.parametrize("harm", ["missing", "truncated", "longer", "a folder"])
def test_harmed_file_is_named(place: Place, name: str, harm: str) -> None:
    path = file_of(place, name)
    whole = path.read_bytes()
    path.unlink()
    if harm == "truncated":
        path.write_bytes(whole[: len(whole) // 2])
    elif harm == "longer":
        path.write_bytes(whole + b"\0")
    elif harm == "a folder":
        path.mkdir()
    assert "build the archive again" in refused(place.archive, str(path), "damaged")


@pytest.mark.parametrize("name", MAPPED)
def test_foreign_contents_of_the_right_size_are_named(place: Place, name: str) -> None:
    path = place.edition / name
    path.write_bytes(b"\x55" * path.stat().st_size)
    refused(place.archive, str(path), "damaged")


@pytest.mark.parametrize("name", MAPPED)
def test_damaged_heads_never_crash(place: Place, name: str) -> None:
    # opening looks at heads and sizes alone: it refuses by name, or all digests tell
    path = place.edition / name
    whole = path.read_bytes()
    draw = random.Random(name)
    for _ in range(30):
        harmed = bytearray(whole)
        at = draw.randrange(min(len(whole), 256))
        harmed[at] ^= 1 << draw.randrange(8)
        path.write_bytes(harmed)
        with pytest.raises(ArchiveError, match=re.escape(name)):
            open_current(place.archive).verify()


@pytest.mark.parametrize("name", SOME)
def test_one_flipped_bit_fails_the_digest(place: Place, name: str) -> None:
    Archive.open(place.archive).verify()
    path = file_of(place, name)
    harmed = bytearray(path.read_bytes())
    harmed[len(harmed) * 2 // 3] ^= 1
    edition = open_current(place.archive)
    path.write_bytes(harmed)
    with pytest.raises(ArchiveError, match=re.escape(str(path))):
        edition.verify()


def test_arrays_of_another_kind_are_named(place: Place) -> None:
    for name, array in (
        ("index_cells.npy", np.zeros(3)),
        ("index_offsets.npy", np.zeros(4, dtype=np.int64)),
        ("geometry.npy", np.zeros(3)),
        ("map_offsets.npy", np.zeros(4, dtype=np.int64)),
        ("map_ranges.npy", np.zeros(3, dtype=np.uint32)),
        ("time_year.npy", np.zeros(3)),
        ("time_years.npy", np.zeros(1)),
    ):
        path = place.edition / name
        whole = path.read_bytes()
        np.save(path, array)
        files = open_summary(place)["files"]
        files[name]["bytes"] = path.stat().st_size
        change_json(place.edition / "edition.json", files=files)
        refused(place.archive, name.rsplit("_", 1)[0], "damaged")
        path.write_bytes(whole)
        files[name]["bytes"] = len(whole)
        change_json(place.edition / "edition.json", files=files)
    open_current(place.archive)


def test_tables_of_other_columns_or_lengths_are_named(place: Place) -> None:
    name = "plates/plate.arrow"
    path = place.edition / name
    for table in (pa.table({"plat": ["QN-1"]}), pa.table({"plate": ["QN-1"]})):
        with pa.OSFile(str(path), "wb") as sink, pa.ipc.new_file(sink, table.schema) as writer:
            writer.write_table(table)
        files = open_summary(place)["files"]
        files[name]["bytes"] = path.stat().st_size
        change_json(place.edition / "edition.json", files=files)
        refused(place.archive, str(path) if "plat" in table.column_names else "plates", "damaged")


def open_summary(place: Place) -> dict[str, dict[str, dict[str, object]]]:
    """What `edition.json` says, as it stands."""
    summary: dict[str, dict[str, dict[str, object]]] = json.loads(
        (place.edition / "edition.json").read_text()
    )
    return summary


@pytest.mark.parametrize(
    "text", ["", "{", "[]", "null", '"edition"', "{}", "\x00", "[" * 100_000, '{"format": "1"}']
)
def test_summary_that_is_none(place: Place, text: str) -> None:
    (place.edition / "edition.json").write_text(text)
    refused(place.archive, str(place.edition / "edition.json"), "damaged")


def test_summary_missing_or_of_another_format(place: Place) -> None:
    path = place.edition / "edition.json"
    change_json(path, format=FORMAT_VERSION + 1)
    refused(place.archive, str(path), f"format {FORMAT_VERSION + 1}", "build the archive again")
    path.unlink()
    refused(place.archive, str(path), "missing")


@pytest.mark.parametrize("name", ["files", "counts", "observatory", "known", "built", "number"])
@pytest.mark.parametrize("value", [None, 3.5, [1]])
def test_summary_with_a_part_missing_or_wrong(place: Place, name: str, value: object) -> None:
    path = place.edition / "edition.json"
    change_json(path, **{name: value})
    refused(place.archive, str(path), f"'{name}'")


def test_summary_with_inner_parts_wrong(place: Place) -> None:
    path = place.edition / "edition.json"
    whole = path.read_text()
    for change, word in (
        ({"counts": {"exposures": "5"}}, "'counts'"),
        ({"files": {"geometry.npy": 7}}, "'files'"),
        ({"files": {}}, ""),  # the files themselves are still there and sound
    ):
        change_json(path, **change)
        if word:
            refused(place.archive, word)
        else:
            open_current(place.archive)
        path.write_text(whole)


@pytest.mark.parametrize("junk", [b"", b"x", b"-1", b"1 2", b"1.0", b"\xff\xfe", b"9" * 5000])
def test_current_with_junk(place: Place, junk: bytes) -> None:
    (place.archive / "current").write_bytes(junk)
    refused(place.archive, str(place.archive / "current"), "number of an edition")


def test_current_of_an_edition_that_is_not_there(place: Place) -> None:
    (place.archive / "current").write_text("77\n")
    refused(place.archive, str(place.archive / "editions" / "77" / "edition.json"))


def test_current_that_is_a_folder(place: Place) -> None:
    (place.archive / "current").unlink()
    (place.archive / "current").mkdir()
    refused(place.archive, "current", "damaged")


def test_folders_that_are_no_archives(place: Place, tmp_path: Path) -> None:
    refused(tmp_path / "nowhere", str(tmp_path / "nowhere"), "no such folder")
    refused(place.edition / "edition.json", "is a file")
    (tmp_path / "empty").mkdir()
    refused(tmp_path / "empty", "not a platecover archive", "platecover build")
    (place.archive / "current").unlink()  # as a first build that was killed leaves it
    refused(place.archive, "not a platecover archive", "platecover build")


def test_pruned_edition_keeps_answering_but_says_why_tables_are_gone(place: Place) -> None:
    archive = Archive.open(place.archive)
    before = archive.cone(83.6, 22.0, 0)
    shutil.rmtree(place.edition)
    assert list(archive.cone(83.6, 22.0, 0)["exposure_id"]) == list(before["exposure_id"])
    assert archive.moc(order=6).sky_fraction > 0
    with pytest.raises(ArchiveError, match="open the archive again"):
        archive.remarks()


def test_whole_archive_can_be_moved(place: Place, tmp_path: Path) -> None:
    moved = shutil.move(place.archive, tmp_path / "elsewhere")
    assert len(Archive.open(moved).cone(83.6, 22.0, 0)) == 4


def test_repr_names_folder_and_counts(built: Place) -> None:
    assert repr(Archive.open(str(built.archive))) == (
        f"<Archive {built.edition}: 5 exposures on 5 plates>"
    )
