"""Progress of long work as bars on a terminal; nothing in a pipe or a file."""

import shutil
import sys
from types import TracebackType
from typing import Any

from tqdm import tqdm


class ProgressBars:
    """One bar a stage, drawn on standard error if that is a terminal.

    Use it as a context manager; the object is called as progress(stage, done, total).
    """

    def __init__(self) -> None:
        self._stage = ""
        self._bar: tqdm[Any] | None = None

    def __enter__(self) -> "ProgressBars":
        """Start without a bar."""
        return self

    def __call__(self, stage: str, done: int, total: int) -> None:
        """Show that `done` of `total` steps of a stage are done."""
        if not sys.stderr.isatty():
            return
        if stage != self._stage or self._bar is None:
            self._close()
            self._stage = stage
            screen = shutil.get_terminal_size()  # 80 by 24 where the terminal does not say
            self._bar = tqdm(
                total=total,
                desc=stage,
                unit="",
                unit_scale=True,
                leave=False,
                ncols=screen.columns,
                nrows=screen.lines,
            )
        self._bar.total = total
        self._bar.update(done - self._bar.n)

    def __exit__(
        self,
        kind: type[BaseException] | None,
        fault: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Clear the last bar away."""
        self._close()

    def _close(self) -> None:
        if self._bar is not None:
            self._bar.close()
            self._bar = None
