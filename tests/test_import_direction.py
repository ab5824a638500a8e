"""Who may import whom: data flows one way, and each module stays on its floor."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent

# Floors from the ground up. A module may import its own floor and those named.
FLOORS: dict[str, set[str]] = {
    "foundations": {
        "arrow_tables", "columns", "compiled", "designation", "directions", "errors",
        "filter_table", "logged_rows", "map_quantities", "spectral_bands", "text_arrays",
        "value_checks", "work_force",
    },
    "sky": {
        "barycentric_time", "bright_stars", "calendar_dates", "clocks", "equinox", "object_names",
        "sky_bodies",
    },
    "geometry": {
        "cell_of_direction", "cell_place", "constellations", "edge_decision", "edge_distance",
        "footprint", "footprint_union", "healpix_cells", "outlines", "plate_geometry",
        "region_arcs", "region_cells", "region_moc", "region_overlap", "region_polygon",
        "region_text", "region_witnesses", "regions",
    },
    "reading": {
        "across_rows", "delimited_text", "ecsv_header", "log_cells", "log_table", "observatory",
        "observatory_values", "plate_facts", "plain_angles", "plate_log", "record_files",
        "row_centres", "row_identity", "row_notes", "row_reading", "row_sizes", "row_times",
        "series_defaults", "record_cuts", "sexagesimal", "table_files", "target_list",
        "target_tables", "text_records", "votable_guard",
        "outcome_rows", "outcome_table",
    },
    "keeping": {
        "cell_bits", "cell_entries", "cell_index", "edition", "edition_publish", "growing_array",
        "index_build", "index_runs", "kept_exposures", "map_cells", "moc_files", "plate_register",
        "timeline",
        "ledger",
    },
    "building": {
        "carried_over", "edition_build",
        "facts_edition", "outcome_apply", "outcome_changes", "outcome_checks", "outcome_undo",
    },
    "asking": {
        "answers", "coarser_map", "covered_area", "epochs", "filters", "folded_words", "map_counts",
        "map_epochs", "obscore", "per_edition", "plate_record", "region_hits", "search",
        "sia_selection", "sky_map", "space_time_moc", "target_pairs", "target_search", "time_moc",
        "union_moc",
        "plate_history",
    },
    "planning": {
        "handling_cautions", "pull_list",
        "scan_areas", "scan_bins", "scan_bound", "scan_budget", "scan_classes", "scan_cost",
        "scan_greedy",
        "scan_maps", "scan_plan", "scan_weights", "scan_wishes", "scan_worth", "wish_reading",
        "scan_forecast", "scan_progress",
    },
    "using": {
        "map_files", "map_plots", "map_scale", "mollweide", "plot_titles", "plots", "png_palette",
        "poster_constellations", "poster_legend", "poster_paper", "poster_sky", "poster_words",
        "poster_years", "scan_plots", "series_colours",
        "progress_plots", "scan_map_plots",
    },
    "face": {"archive"},
}  # fmt: skip
MAY_IMPORT: dict[str, set[str]] = {
    "foundations": set(),
    "sky": {"foundations"},
    "geometry": {"foundations", "sky"},
    "reading": {"foundations", "sky", "geometry"},
    "keeping": {"foundations", "sky", "geometry"},
    "building": {"foundations", "geometry", "reading", "keeping"},
    "asking": {"foundations", "sky", "geometry", "keeping"},
    "planning": {"foundations", "sky", "geometry", "keeping", "asking"},
    "using": {"foundations", "sky", "geometry", "keeping", "asking", "planning"},
    "face": {"foundations", "sky", "geometry", "keeping", "asking", "planning"},
}
FLOOR_OF = {module: floor for floor, modules in FLOORS.items() for module in modules}
MAY_PLOT = {
    "api.py",
    "commands.py",
    "page.py",
    "plan_answers.py",
    "plan_command.py",
    "poster_drawing.py",
    "progress_command.py",
    "progress_api.py",
}  # on first use, so that workers stay small
PLANNING_PLOTS = ("scan_plots", "scan_map_plots", "progress_plots")
POSTERS = ("poster_legend", "poster_paper", "poster_sky", "poster_words", "poster_years")
BARRED_IN_COVERAGE = {"flask", "argparse", "tqdm", "logging"}


def imports_of(path: Path) -> set[str]:
    """Dotted names that a file imports."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}: imports are absolute"
            module = node.module or ""
            names.add(module)
            if module in ("platecover.coverage", "platecover.service"):
                names |= {f"{module}.{alias.name}" for alias in node.names}
    return names


@pytest.mark.parametrize("path", sorted((ROOT / "coverage").glob("*.py")), ids=lambda p: p.stem)
def test_coverage_module_stays_on_its_floor(path: Path) -> None:
    floor = FLOOR_OF[path.stem]
    for name in imports_of(path):
        assert name.split(".")[0] not in BARRED_IN_COVERAGE, f"{path.name} imports {name}"
        assert not name.startswith(("platecover.service", "platecover.demo_data")), name
        if name.startswith("platecover.coverage."):
            other = name.split(".")[2]
            allowed = MAY_IMPORT[floor] | {floor}
            assert FLOOR_OF[other] in allowed, f"{path.name} ({floor}) imports {other}"


@pytest.mark.parametrize("path", sorted((ROOT / "coverage").glob("*.py")), ids=lambda p: p.stem)
def test_coverage_prints_nothing_and_reads_no_environment(path: Path) -> None:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            assert node.func.id not in ("print", "input"), f"{path.name} talks to the terminal"
        if isinstance(node, ast.Attribute):
            assert node.attr not in ("environ", "getenv"), f"{path.name} reads the environment"


def test_demo_imports_foundations_only() -> None:
    for path in (ROOT / "demo_data").glob("*.py"):
        for name in imports_of(path):
            if name.startswith("platecover.coverage."):
                assert FLOOR_OF[name.split(".")[2]] == "foundations", f"{path.name}: {name}"
            assert not name.startswith("platecover.service"), f"{path.name}: {name}"


def test_plots_are_imported_by_few() -> None:
    for folder in ("coverage", "service"):
        for path in (ROOT / folder).glob("*.py"):
            names = (
                "plots",
                "map_plots",
                "map_scale",
                "scan_plots",
                "scan_map_plots",
                "progress_plots",
                *POSTERS,
            )
            plots = {f"platecover.coverage.{name}" for name in names}
            if imports_of(path) & plots and path.stem not in names:
                assert path.name in MAY_PLOT


def test_every_floor_lists_modules_that_exist() -> None:
    existing = {path.stem for path in (ROOT / "coverage").glob("*.py")}
    assert set(FLOOR_OF) == existing
