"""Keeping out what a command would import only because it happens to be installed.

pyarrow imports pandas wherever it finds it, the first time it makes an array: 0.3 s and 40 MB in
each process. It does without where pandas cannot be imported, and nothing of ours needs it.
"""

import sys
from collections.abc import Sequence
from importlib.abc import Loader, MetaPathFinder
from importlib.machinery import ModuleSpec
from types import ModuleType

_UNWANTED = "pandas"


def keep_pandas_out() -> None:
    """Let pandas count as broken in this process, unless it has been imported before."""
    if _UNWANTED not in sys.modules:
        sys.meta_path.insert(0, _Refusal())


class _Refusal(MetaPathFinder, Loader):
    """Finds the package, as those expect who only ask whether it is there; never loads it."""

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> ModuleSpec | None:
        """A specification of the package, None of any other."""
        return ModuleSpec(fullname, self) if fullname == _UNWANTED else None

    def create_module(self, spec: ModuleSpec) -> ModuleType | None:
        """Refuse."""
        raise ImportError(f"{_UNWANTED} is kept out of this process")
