"""Building: what is refused, what is reported, and the same bytes from the same logs."""

import shutil
import subprocess
import sys
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from tests.small_archive import GOOD, OBSERVATORY, PLATES, Place

from platecover.coverage.archive import Archive
from platecover.coverage.edition_build import build
from platecover.coverage.errors import ArchiveError, LogFileError, ObservatoryError
from platecover.demo_data.make_demo import write_demo

BAD = {**GOOD, "plate": "QN 8", "dec": "91"}


def same_bytes(one: Path, other: Path) -> None:
    """Check that all files but `edition.json`, which tells the hour, are the same."""
    names, others = (
        {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
        - {"edition.json"}
        for folder in (one, other)
    )
    assert names == others
    assert {"exposures.parquet", "plates.parquet", "geometry.npy"} <= names
    for name in names:
        assert (one / name).read_bytes() == (other / name).read_bytes(), name


def test_same_logs_give_the_same_bytes_from_edition_to_edition(tmp_path: Path) -> None:
    files = write_demo(tmp_path, exposures=300)
    archive = tmp_path / "archive"
    for _ in range(2):
        build(archive, files.logs, files.observatory)
    same_bytes(archive / "editions" / "1", archive / "editions" / "2")


def test_same_logs_give_the_same_bytes_in_another_process(tmp_path: Path) -> None:
    # with other hash seeds, so that no order of a set or dict can hide in the files
    place = Place(tmp_path).build()
    first = tmp_path / "first"
    shutil.copytree(place.edition, first)
    script = (
        "import pathlib, sys\n"
        "from platecover.coverage.edition_build import build\n"
        "archive, log, observatory = map(pathlib.Path, sys.argv[1:])\n"
        "build(archive, [log], observatory)\n"
    )
    words = [place.archive, place.log, place.observatory]
    subprocess.run([sys.executable, "-c", script, *words], check=True, env={"PYTHONHASHSEED": "7"})
    same_bytes(first, place.edition)


def test_report_and_counts_agree(tmp_path: Path) -> None:
    rows = [*PLATES, BAD, PLATES[0]]
    place = Place(tmp_path).write(rows)
    seen: list[tuple[str, int, int]] = []
    report = build(
        place.archive, [place.log], place.observatory, progress=lambda *step: seen.append(step)
    )
    assert (report.rows_read, report.kept, report.set_aside) == (7, 5, 2)
    assert report.edition == 1
    assert report.plates == 6  # a plate whose rows are all set aside is still known
    archive = Archive.open(place.archive)
    aside = archive.set_aside()
    assert list(aside["row"]) == [7, 8]
    assert "repeats" in aside["reason"][1]
    assert len(archive.remarks()) == report.remarks
    stages = list(dict.fromkeys(stage for stage, _, _ in seen))
    assert {"reading logs", "columns", "cell index", "map cells"} <= set(stages)
    for stage in stages:
        done = [step[1] for step in seen if step[0] == stage]
        assert done == sorted(done)
        assert all(0 <= step[1] <= step[2] for step in seen if step[0] == stage)


def test_strict_writes_nothing(tmp_path: Path) -> None:
    place = Place(tmp_path).build()
    place.write([*PLATES, BAD])
    with pytest.raises(LogFileError, match="strict: no edition written; rows read 6, kept 5") as no:
        build(place.archive, [place.log], place.observatory, strict=True)
    (row,) = no.value.rows
    assert (row["row"], row["column"], row["value"]) == (7, "dec", "91")
    assert [path.name for path in (place.archive / "editions").iterdir()] == ["1"]
    build(place.archive, [place.log], place.observatory)  # without it, a new edition


def test_remarks_do_not_count_under_strict(tmp_path: Path) -> None:
    place = Place(tmp_path).write([{**GOOD, "exposure_min": "-3"}])
    report = build(place.archive, [place.log], place.observatory, strict=True)
    assert (report.kept, report.remarks) == (1, 1)


def test_nothing_kept_is_an_error(tmp_path: Path) -> None:
    place = Place(tmp_path).write([BAD] * 7)
    with pytest.raises(LogFileError, match="nothing kept: rows read 7, kept 0, set aside 7"):
        build(place.archive, [place.log], place.observatory)
    place.write([])
    with pytest.raises(LogFileError, match="no rows"):
        build(place.archive, [place.log], place.observatory)
    with pytest.raises(LogFileError, match="name at least one"):
        build(place.archive, [], place.observatory)


def test_bad_observatory_file_comes_before_everything(tmp_path: Path) -> None:
    place = Place(tmp_path).write(observatory=OBSERVATORY.replace("telescope", "telescop"))
    with pytest.raises(ObservatoryError, match="telescop"):
        build(place.archive, [place.log], place.observatory)
    assert not place.archive.exists()


def test_vanishing_plates_are_refused(tmp_path: Path) -> None:
    place = Place(tmp_path).build()
    place.write(PLATES[2:])
    with pytest.raises(ArchiveError, match=r"2 of 5 plates would vanish \(QN-1, QN-2\)") as no:
        build(place.archive, [place.log], place.observatory)
    assert "--allow-removed" in str(no.value)
    assert Archive.open(place.archive).edition.number == 1
    report = build(place.archive, [place.log], place.observatory, allow_removed=True)
    assert (report.edition, report.plates) == (2, 3)


def test_a_plate_that_is_only_set_aside_has_not_vanished(tmp_path: Path) -> None:
    place = Place(tmp_path).build()
    place.write([{**PLATES[0], "dec": "91"}, *PLATES[1:]])
    report = build(place.archive, [place.log], place.observatory)
    assert (report.kept, report.set_aside, report.plates) == (4, 1, 5)


def test_many_vanishing_plates_are_named_in_part(tmp_path: Path) -> None:
    rows = [{**GOOD, "plate": f"QN {number}"} for number in range(1, 21)]
    place = Place(tmp_path).build(rows)
    place.write(rows[:1])
    with pytest.raises(ArchiveError, match=r"19 of 20 plates .*QN-13, QN-14, \.\.\."):
        build(place.archive, [place.log], place.observatory)


def test_hostile_text_is_kept(tmp_path: Path) -> None:
    texts = ["a\x00b", "\x1b[2J", "</TD>]]>", "=1+1", "🔭", "x" * 70_000, 'say "so"\r\nand more']
    rows = [
        {**GOOD, "plate": f"QN {number}", "object": text} for number, text in enumerate(texts, 1)
    ]
    place = Place(tmp_path).build(rows)
    assert pq.read_table(place.edition / "exposures.parquet")["object"].to_pylist() == texts
    assert list(Archive.open(place.archive).cone(83.6, 22.0, 0)["object"]) == texts
