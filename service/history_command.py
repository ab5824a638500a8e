"""The command that tells who said what of which plate, when."""

import argparse
import sys

from platecover.coverage.edition import open_current
from platecover.coverage.plate_history import history_rows
from platecover.service.history_formats import HISTORY_FORMATS


def history(options: argparse.Namespace) -> None:
    """Print the history of a plate, of all since a day, or of what one person said."""
    plate = " ".join(word.strip() for word in options.plate) or None
    rows = history_rows(open_current(options.archive), plate, options.since, options.by)
    sys.stdout.buffer.write(HISTORY_FORMATS[options.format](rows))
