"""Nothing leaks in from outside a test run, and no stale machine code is used."""

import os
import tempfile
from pathlib import Path

# Before astropy is imported: own configuration and cache, and no download of Earth rotation data.
_FOLDER = tempfile.mkdtemp(prefix="platecover-tests-")
os.environ["XDG_CONFIG_HOME"] = _FOLDER
os.environ["XDG_CACHE_HOME"] = _FOLDER
(Path(_FOLDER) / "astropy").mkdir(exist_ok=True)

import pytest  # noqa: E402
from astropy.utils import iers  # noqa: E402
from hypothesis import settings  # noqa: E402
from tests.archives import build_demo  # noqa: E402

from platecover.coverage.archive import Archive  # noqa: E402

iers.conf.auto_download = False
iers.conf.auto_max_age = None

# The same drawn examples on every run that decides whether a change lands; others elsewhere.
settings.register_profile("landing", derandomize=True)
if os.environ.get("CI"):
    settings.load_profile("landing")

_COVERAGE = Path(__file__).resolve().parent.parent / "coverage"


def pytest_configure() -> None:
    """Drop compiled code if any source is newer: it keeps old copies of what it calls."""
    kept = [*(_COVERAGE / "__pycache__").glob("*.nb[ic]")]
    if not kept or os.environ.get("PYTEST_XDIST_WORKER"):
        return
    sources = [path for path in _COVERAGE.glob("*.py") if "@compiled" in path.read_text()]
    newest_source = max(path.stat().st_mtime for path in sources)
    if min(path.stat().st_mtime for path in kept) < newest_source:
        for path in kept:
            path.unlink(missing_ok=True)


@pytest.fixture(scope="session")
def demo_archive(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    """Open the invented demo, built once a run."""
    return build_demo(tmp_path_factory)
