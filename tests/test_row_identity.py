"""Which rows are one exposure: the project's own rules (no outside source), on small logs."""

from pathlib import Path

from tests.whole_logs import PlateLogs, read_logs

from platecover.coverage.observatory import observatory_from

OBSERVATORY = observatory_from(
    {
        "stations": {"fell": {"latitude_deg": 51.5, "longitude_deg": 0.0}},
        "series": {
            "QN": {
                "telescope": "Fell camera",
                "station": "fell",
                "scale_arcsec_per_mm": 100.0,
                "exposed_mm": [160, 160],
                "equinox": "B1900",
                "clock": "UT",
            }
        },
    },
    "here",
)


def read(folder: Path, *logs: str) -> PlateLogs:
    paths = []
    for number, text in enumerate(logs, start=1):
        path = folder / f"book{number}.csv"
        path.write_text(text, encoding="utf-8")
        paths.append(path)
    answer = read_logs(paths, OBSERVATORY)
    assert answer.rows_read == answer.kept + answer.set_aside_count
    return answer


def ids(answer: PlateLogs) -> list[str]:
    return list(answer.exposures["exposure_id"])


def test_exposures_are_numbered_by_time_undated_last(tmp_path: Path) -> None:
    answer = read(
        tmp_path,
        "plate,ra,dec,date,time\n"
        "QN 1,5 00,+10 00,,\n"
        "QN 1,5 10,+10 00,1899-03-05,\n"
        "QN 2,5 00,+10 00,1899-03-05,\n"
        "QN 1,5 20,+10 00,1899-03-04,20:00\n"
        "QN 1,5 30,+10 00,,\n",
    )
    assert ids(answer) == ["QN-1-3", "QN-1-2", "QN-2-1", "QN-1-1", "QN-1-4"]
    assert answer.exposures["exposure"].tolist() == [3, 2, 1, 1, 4]


def test_ties_go_by_reading_order_over_all_logs(tmp_path: Path) -> None:
    first = "plate,ra,dec,date\nQN 1,5 10,+10 00,1899-03-05\n"
    second = "plate,ra,dec,date\nQN 1,5 20,+10 00,1899-03-05\nQN 1,5 30,+10 00,1899-03-04\n"
    assert ids(read(tmp_path, first, second)) == ["QN-1-2", "QN-1-3", "QN-1-1"]
    assert ids(read(tmp_path, second, first)) == ["QN-1-2", "QN-1-1", "QN-1-3"]


def test_numbers_that_rows_state_are_skipped(tmp_path: Path) -> None:
    answer = read(
        tmp_path,
        "plate,ra,dec,date,exposure\n"
        "QN 1,5 10,+10 00,1899-03-05,\n"
        "QN 1,5 20,+10 00,1899-03-06,\n"
        "QN 1,5 30,+10 00,1899-03-07,2\n"
        "QN 1,5 40,+10 00,1899-03-07,\n"
        "QN 1,5 50,+95 00,1899-03-07,3\n"
        "QN 1,5 55,+10 00,1899-03-08,second\n",
    )
    assert ids(answer) == ["QN-1-1", "QN-1-4", "QN-1-2", "QN-1-5", "QN-1-6"]
    assert "'second' is not a number" in answer.exposures["remarks"][-1]


def test_equal_rows_are_set_aside_naming_the_first(tmp_path: Path) -> None:
    rows = "plate,ra,dec,date,notes\nQN 1,5 10,+10 00,1899-03-05,a\n"
    answer = read(tmp_path, rows + "QN 1,5 10,+10 00,1899-03-05,a\n", rows)
    assert ids(answer) == ["QN-1-1"]
    assert answer.set_aside["reason"].tolist() == ["repeats book1.csv row 2"] * 2
    assert answer.set_aside["file"].tolist() == ["book1.csv", "book2.csv"]
    assert answer.set_aside["row"].tolist() == [3, 2]
    assert len(answer.remarks["row"]) == 0


def test_differing_rows_of_one_exposure_are_kept_as_versions(tmp_path: Path) -> None:
    answer = read(
        tmp_path,
        "plate,ra,dec,date,notes\n"
        "QN 1,5 10,+10 00,1899-03-05,a\n"
        "QN 1,5 10,+10 00,1899-03-05,b\n"
        "QN 1,5 10,+10 00,1899-03-05,a\n"
        "qn-1,5 10,+10 00,1899-03-05,c\n",
        "plate,ra,dec,date,shelf\nQN 1,5 10,+10 00,1899-03-05,7\n",
    )
    assert ids(answer) == ["QN-1-1", "QN-1-1-v2", "QN-1-1-v3", "QN-1-1-v4"]
    assert answer.set_aside["reason"].tolist() == ["repeats book1.csv row 2"]
    for remark in answer.exposures["remarks"]:
        assert "logged differently in book1.csv row 2, book1.csv row 3, book1.csv row 5" in remark
    assert answer.exposures["exposure"].tolist() == [1, 1, 1, 1]


def test_rows_that_state_the_same_exposure(tmp_path: Path) -> None:
    answer = read(
        tmp_path,
        "plate,exposure,ra,dec\n"
        "QN 1,1,5 10,+10 00\n"
        "QN 1,1,6 10,+10 00\n"
        "QN 1,1,5 10,+10 00\n"
        "QN 2,1,5 10,+10 00\n",
    )
    assert ids(answer) == ["QN-1-1", "QN-1-1-v2", "QN-2-1"]
    assert answer.set_aside["row"].tolist() == [4]


def test_rows_set_aside_are_no_exposures(tmp_path: Path) -> None:
    answer = read(
        tmp_path,
        "plate,ra,dec,date\n"
        "QN 1,5 10,+95 00,1899-03-01\n"
        "QN 1,5 10,+95 00,1899-03-01\n"
        "QN 1,5 10,+10 00,1899-03-05\n",
    )
    assert ids(answer) == ["QN-1-1"]
    assert answer.set_aside["column"].tolist() == ["dec", "dec"]


def test_same_names_in_two_folders_are_told_apart(tmp_path: Path) -> None:
    paths = [tmp_path / year / "book.csv" for year in ("1899", "1900")]
    for path in paths:
        path.parent.mkdir()
        path.write_text("plate,ra,dec\nQN 1,5 10,+10 00\n")
    answer = read_logs(paths, OBSERVATORY)
    assert answer.exposures["log_file"].tolist() == ["1899/book.csv"]
    assert answer.set_aside["reason"].tolist() == ["repeats 1899/book.csv row 2"]
    assert answer.set_aside["file"].tolist() == ["1900/book.csv"]
