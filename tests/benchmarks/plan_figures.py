"""How long planning takes and how much memory, how good plans are, and one plot for the README.

Run it by hand, the index being at hand:

    .ci/with-venv python -m tests.benchmarks.plan_figures --demo DIR [--large DIR] [--plot FILE]

Each time is the best of several processes of their own: opening the archive, the plan and, apart
from it, the whole command with its start. Worth is set against shelf order and random choice with
the same budget.
"""

import argparse
import json
import sys
import tempfile
from pathlib import Path
from typing import Any

from tests.benchmarks.processes import run_measured

from platecover.coverage.archive import Archive
from platecover.coverage.scan_plots import plot_plan

RUNS = 3
DEMO_BUDGETS = ("500 plates", "5 days")
LARGE_BUDGET = "10000 plates"
AIMS = {"demo": (2.0, None), "large": (8.0, 3072.0)}  # seconds, MB

PLANNING = """
import sys, time
from platecover.coverage.archive import Archive
archive = Archive.open(sys.argv[1])
start = time.perf_counter()
archive.scan_plan(sys.argv[2])
print(time.perf_counter() - start)
"""


def figures(name: str, archive: Path, budget: str) -> dict[str, Any]:
    """Times, memory and quality of one plan; printed as they come."""
    inside = [
        run_measured([sys.executable, "-c", PLANNING, str(archive), budget]) for _ in range(RUNS)
    ]
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "plan.json"
        whole = run_measured(
            [sys.executable, "-m", "platecover.service.cli", "plan", "--archive", str(archive),
             "--budget", budget, "--format", "json", "--out", str(out)]
        )  # fmt: skip
        plan = json.loads(out.read_text(encoding="utf-8"))
    plan_s = min(float(each.last_line) for each in inside)
    most_mb = max(each.largest_mb for each in [*inside, whole])
    aim_s, aim_mb = AIMS[name]
    kept = plan_s < aim_s and (aim_mb is None or most_mb < aim_mb)
    aims = f"{aim_s:g} s" + (f" and {aim_mb:g} MB" if aim_mb else "")
    print(
        f"{name}, {budget} of {plan['candidates']:,}: plan {plan_s:.2f} s, whole command"
        f" {whole.wall_s:.2f} s, {most_mb:.0f} MB (aim {aims}: {'kept' if kept else 'MISSED'})\n"
        f"  at least {plan['at_least_of_best']:.1%} of the best possible; series {plan['series']}"
    )
    for other, worth in plan["others"].items():
        print(f"  {other} adds {worth / plan['gain']:.1%} of what the plan adds")
    return {"kept": kept}


def main() -> None:
    """Measure, print, and draw if asked."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--demo", type=Path, required=True, help="folder of the demo's archive")
    parser.add_argument("--large", type=Path, help="folder of an archive of 600,000 exposures")
    parser.add_argument("--plot", type=Path, help="gain curve of the demo's plan, .png or .svg")
    options = parser.parse_args()
    found = [figures("demo", options.demo, budget) for budget in DEMO_BUDGETS]
    if options.large:
        found.append(figures("large", options.large, LARGE_BUDGET))
    if options.plot:
        archive = Archive.open(options.demo)
        plan = archive.scan_plan(DEMO_BUDGETS[0])
        title = f"What to scan next: {len(plan.plates)} of {plan.candidates:,} plates of the demo"
        source = f"Invented observatory of the demo, edition {plan.edition}."
        plot_plan(plan, title, source, options.plot)
    sys.exit(0 if all(each["kept"] for each in found) else 1)


if __name__ == "__main__":
    main()
