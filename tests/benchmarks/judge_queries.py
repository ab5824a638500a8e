"""Judges searches at length: every plate asked in turn, and astropy's projection.

Run it by hand from the top folder (some minutes); it prints counts and disagreements, and ends
with status 1 if there are any:

    .ci/with-venv python -m tests.benchmarks.judge_queries [QUESTIONS] [CIRCLES]

Archives: the invented demo, and awkward and mixed plates all over the sky. QUESTIONS (10,000)
regions of every kind, half of them awkward, are compared with the same geometry without the
index; CIRCLES (1,000) with astropy, leaving out what is within 1 arcsec of a limit.
"""

import sys
import tempfile
import time
from itertools import islice
from pathlib import Path

import numpy as np
from tests.archives import build_plates, never_sure_of, plates_of
from tests.awkward_sky import AWKWARD_PLATES, Plate, mixed_plates
from tests.questions import circles, regions
from tests.wcs_judge import WcsJudge
from tqdm import tqdm

from platecover.coverage.archive import Archive
from platecover.coverage.edition_build import build
from platecover.coverage.region_overlap import overlap
from platecover.coverage.regions import Region
from platecover.demo_data.make_demo import write_demo

SEED = 1887
DEMO_EXPOSURES, MIXED_PLATES = 5000, 2000


def against_every_plate(archive: Archive, plates: list[Plate], count: int) -> int:
    """Compare answers with those of all plates asked in turn; the number that differ."""
    kinds: dict[str, int] = {}
    rows = sure_rows = differing = 0
    for region in tqdm(islice(regions(SEED, plates), count), total=count, disable=None):
        hits = archive.find(region)
        match, sure = overlap(region, archive.edition.geometry)
        kinds[region.kind] = kinds.get(region.kind, 0) + 1
        rows += len(hits.numbers)
        sure_rows += int(hits.sure.sum())
        same = np.array_equal(hits.numbers, np.flatnonzero(match))
        if not same or not np.array_equal(hits.sure, sure[match]):
            differing += 1
            print(f"    differs: {region.text}")
    listed = ", ".join(f"{number} {kind}" for kind, number in sorted(kinds.items()))
    print(f"  every plate in turn: {count} questions ({listed}),")
    print(f"    {rows} rows, {sure_rows} sure; {differing} answers differ")
    return differing


def against_astropy(archive: Archive, plates: list[Plate], count: int) -> int:
    """Compare answers with astropy's; the number of plates misjudged."""
    judge = WcsJudge(plates, never_sure_of(archive))
    rows = undecided = differing = 0
    for circle in tqdm(islice(circles(SEED, plates), count), total=count, disable=None):
        verdict = judge.verdict(*circle)
        hits = archive.find(Region.circle(*circle))
        match, sure = np.zeros((2, len(plates)), dtype=bool)
        match[hits.numbers], sure[hits.numbers] = True, hits.sure
        wrong = (match != verdict.match) & verdict.match_decided
        wrong |= (sure != verdict.sure) & verdict.sure_decided
        rows += int(match.sum())
        undecided += int((~verdict.match_decided | ~verdict.sure_decided).sum())
        differing += int(wrong.sum())
        for number in np.flatnonzero(wrong):
            print(f"    differs: circle {circle}, {plates[number]}")
    print(f"  astropy WCS: {count} circles, {count * len(plates)} verdicts, {rows} rows;")
    print(f"    {undecided} within 1 arcsec of a limit left out; {differing} verdicts differ")
    return differing


def main() -> None:
    """Judge both archives."""
    questions = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    rounds = int(sys.argv[2]) if len(sys.argv) > 2 else 1_000
    differing = 0
    with tempfile.TemporaryDirectory() as name:
        demo, mixed = Path(name) / "demo", Path(name) / "mixed"
        files = write_demo(demo, exposures=DEMO_EXPOSURES)
        build(demo / "archive", files.logs, files.observatory)
        mixed.mkdir()
        archives = {
            "demo": Archive.open(demo / "archive"),
            "mixed": build_plates(mixed, AWKWARD_PLATES + mixed_plates(MIXED_PLATES, SEED)),
        }
        for title, archive in archives.items():
            plates = plates_of(archive)
            print(f"{title}: {len(plates)} exposures, seed {SEED}", flush=True)
            start = time.perf_counter()
            differing += against_every_plate(archive, plates, questions)
            differing += against_astropy(archive, plates, rounds)
            print(f"  {time.perf_counter() - start:.0f} s", flush=True)
    sys.exit(1 if differing else 0)


if __name__ == "__main__":
    main()
