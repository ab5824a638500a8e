"""What the package reads from the demo's logs, against the truth kept beside them."""

from collections import Counter
from dataclasses import dataclass

import erfa
import numpy as np
import pytest
from numpy.typing import NDArray
from tests.demo_rows import Demo, Row, read_demo
from tests.whole_logs import PlateLogs, read_logs

from platecover.coverage.observatory import read_observatory

EXPOSURES = 5000
MINUTES_PER_DAY = 1440.0
SET_ASIDE = {  # and in which column
    "unknown series": "plate",
    "unreadable designation": "plate",
    "impossible date": "date",
    "impossible declination": "dec",
    "impossible right ascension": "ra",
    "lone hour": "ra",
    "centre missing": "ra",
    "repeated row": "plate",
    "more cells than the header": "beyond the header",
}
REMARKED = {
    "time 25:00": "time",
    "negative exposure": "exposure_min",
    "exposure in seconds": "exposure_min",
    "bare GMT": "clock",
    "unknown clock": "clock",
    "scanned no with URL": "scanned",
    "size as text": "width_mm",
    "second row of one exposure": "exposure",
}
WRONG_PLACE = {"lost minus sign", "wrong hour"}
WRONG_TIME = {
    "last year's date", "wrong decade", "month and day swapped", "evening date for civil",
    "noon day for civil",
}  # fmt: skip
WITHIN_THE_SPAN = {  # the precision read, and t_min <= truth <= t_max
    "time missing": "night",
    "time 25:00": "night",
    "month only": "month",
    "year only": "year",
    "bare GMT": "ambiguous",
}


@dataclass
class Reading:
    """Kept exposures beside their truth, and what was set aside."""

    logs: PlateLogs
    aside: dict[tuple[str, int], str]  # column by place
    demo: Demo
    rows: list[Row]  # of the kept exposures
    slip: NDArray[np.str_]
    apart_deg: NDArray[np.float64]
    off_minutes: NDArray[np.float64]


@pytest.fixture(scope="module", params=[EXPOSURES, 2000])
def reading(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Reading:
    demo = read_demo(tmp_path_factory.mktemp("demo"), request.param)
    logs = read_logs(demo.files.logs, read_observatory(demo.files.observatory))
    at = {(row.log, row.line): row for row in demo.rows}
    found = logs.exposures
    rows = [
        at[place]
        for place in zip(found["log_file"].tolist(), found["log_row"].tolist(), strict=True)
    ]
    true_ra, true_dec = np.radians([(row.ra_deg, row.dec_deg) for row in rows]).T
    apart = erfa.seps(np.radians(found["s_ra"]), np.radians(found["s_dec"]), true_ra, true_dec)
    middle = (found["t_min"] + found["t_max"]) / 2.0
    off = np.abs(middle - np.array([row.mid_mjd for row in rows])) * MINUTES_PER_DAY
    places = zip(logs.set_aside["file"].tolist(), logs.set_aside["row"].tolist(), strict=True)
    aside = dict(zip(places, logs.set_aside["column"].tolist(), strict=True))
    slip = np.array([row.slip for row in rows])
    return Reading(logs, aside, demo, rows, slip, np.degrees(apart), off)


def test_every_row_is_kept_or_set_aside(reading: Reading) -> None:
    logs = reading.logs
    assert logs.rows_read == len(reading.demo.rows) == logs.kept + logs.set_aside_count
    expected = Counter(SET_ASIDE[r.slip] for r in reading.demo.rows if r.slip in SET_ASIDE)
    assert Counter(reading.aside.values()) == expected
    for row in reading.demo.rows:
        assert reading.aside.get((row.log, row.line)) == SET_ASIDE.get(row.slip), row


def test_clean_rows_agree_with_the_truth(reading: Reading) -> None:
    clean = reading.slip == ""
    assert clean.sum() > 0.95 * len(clean)
    assert (reading.apart_deg <= reading.logs.exposures["margin"])[clean].all()
    assert reading.off_minutes[clean].max() < 1.0
    assert set(reading.logs.exposures["time_precision"][clean]) == {"exposure"}
    for name in ("station", "series"):
        expected = [getattr(row, name) for row in reading.rows]
        assert (reading.logs.exposures[name] == expected)[clean].all()


def test_slips_of_place_and_time_are_just_that(reading: Reading) -> None:
    within = reading.apart_deg <= reading.logs.exposures["margin"]
    misplaced = np.isin(reading.slip, sorted(WRONG_PLACE))
    assert misplaced.any() and not within[misplaced].any() and within[~misplaced].all()
    mistimed = np.isin(reading.slip, sorted(WRONG_TIME))
    assert mistimed.any() and (reading.off_minutes[mistimed] > 60.0).all()
    others = (
        ~mistimed
        & ~np.isin(reading.slip, ["exposure 0", "negative exposure", "exposure in seconds"])
        & ~np.isin(reading.slip, ["undated", *WITHIN_THE_SPAN])
    )
    assert reading.off_minutes[others].max() < 1.0


@pytest.mark.parametrize(("slip", "precision"), WITHIN_THE_SPAN.items())
def test_vague_times_hold_the_truth(reading: Reading, slip: str, precision: str) -> None:
    found = reading.logs.exposures
    places = np.flatnonzero(reading.slip == slip)
    assert len(places)
    for i in places:
        assert found["time_precision"][i] == precision
        assert found["t_min"][i] <= reading.rows[i].mid_mjd <= found["t_max"][i]


def test_undated_rows_are_known_to_be(reading: Reading) -> None:
    undated = reading.logs.exposures["time_precision"] == "undated"
    assert np.array_equal(undated, reading.slip == "undated")


def test_faults_are_remarked_on_where_they_are(reading: Reading) -> None:
    remarks = reading.logs.remarks
    told = set(
        zip(
            remarks["file"].tolist(), remarks["row"].tolist(), remarks["column"].tolist(),
            strict=True,
        )
    )  # fmt: skip
    for row in reading.rows:
        if row.slip in REMARKED:
            assert (row.log, row.line, REMARKED[row.slip]) in told, row
    slips = {(row.log, row.line): row.slip for row in reading.demo.rows}
    for file, line, column in told:  # clean rows give rise to two kinds of remark only
        if slips[file, line] == "":
            assert column in ("centre_is", "exposure"), (file, line, column)
