"""The four top-level folders are one package, and nothing gets lost on the way into a wheel."""

import importlib.util
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
FOLDERS = ("coverage", "service", "static", "demo_data")


def tracked(*folders: str) -> list[str]:
    listed = subprocess.run(
        ["git", "ls-files", "--", *folders], cwd=ROOT, capture_output=True, text=True, check=True
    )
    return listed.stdout.splitlines()


def test_top_level_is_as_agreed() -> None:
    expected = {"README.md", "DEVELOPERS.md", "pyproject.toml", "tests", *FOLDERS}
    assert {name.split("/")[0] for name in tracked() if not name.startswith(".")} <= expected


@pytest.mark.parametrize("folder", FOLDERS)
def test_folders_are_no_packages_of_their_own(folder: str) -> None:
    assert not (ROOT / folder / "__init__.py").exists()


def test_coverage_py_is_not_hidden() -> None:
    # python -m puts the working folder, with our coverage/, first on the path
    script = "import coverage; coverage.Coverage"
    subprocess.run([sys.executable, "-c", script], cwd=ROOT, check=True)


@pytest.mark.parametrize("folder", FOLDERS)
def test_links_lead_to_the_folders(folder: str) -> None:
    link = ROOT / ".src" / "platecover" / folder
    assert link.is_symlink()
    assert link.resolve() == (ROOT / folder).resolve()


def test_every_module_is_found() -> None:
    for folder in ("coverage", "service", "demo_data"):
        for path in (ROOT / folder).glob("*.py"):
            assert importlib.util.find_spec(f"platecover.{folder}.{path.stem}") is not None


def test_wheel_holds_what_git_tracks(tmp_path: Path) -> None:
    subprocess.run(
        [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", tmp_path, ROOT],
        check=True,
        capture_output=True,
    )
    (wheel,) = tmp_path.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        names = set(archive.namelist())
    assert {f"platecover/{name}" for name in tracked(*FOLDERS)} <= names
    outside = {name for name in names if not name.startswith("platecover/")}
    assert all(".dist-info/" in name for name in outside)
