"""The filters of every question, declared once for Python, the command line and HTTP alike."""

from dataclasses import dataclass

from platecover.coverage.columns import CONDITIONS, STATUSES, TECHNIQUES, YES_NO

UNKNOWN = "unknown"  # asks for empty cells
CERTAINTIES = ("sure", "marginal")
UNDATED = ("yes", "no", "only")


@dataclass(frozen=True)
class Filter:
    """One filter.

    Attributes
    ----------
    name : str
        On the command line and over HTTP.
    keyword : str
        In Python; differs where the name is a reserved word.
    words : tuple of str
        All values there are; empty where they depend on the archive.
    single : bool
        True if it takes one value, not a list.
    help : str
    """

    name: str
    keyword: str
    words: tuple[str, ...]
    single: bool
    help: str


FILTERS: tuple[Filter, ...] = (
    Filter("series", "series", (), False, "plate series code"),
    Filter("station", "station", (), False, "station key of the observatory file"),
    Filter("telescope", "telescope", (), False, "telescope"),
    Filter("observer", "observer", (), True, "part of the observer's name"),
    Filter("technique", "technique", (*TECHNIQUES, UNKNOWN), False, "how it was taken"),
    Filter("from", "since", (), True, "first year, month or date (1898, 1898-03, 1898-03-04), UT"),
    Filter("to", "until", (), True, "last year, month or date, to its end, UT"),
    Filter("min_exposure", "min_exposure", (), True, "shortest exposure, minutes"),
    Filter("max_exposure", "max_exposure", (), True, "longest exposure, minutes"),
    Filter("status", "status", (*STATUSES, UNKNOWN), False, "where the plate is"),
    Filter("condition", "condition", (*CONDITIONS, UNKNOWN), False, "state of the plate"),
    Filter("scanned", "scanned", (*YES_NO, UNKNOWN), False, "whether it is scanned"),
    Filter("certainty", "certainty", CERTAINTIES, False, "how surely it shows the place"),
    Filter("undated", "undated", UNDATED, True, "undated exposures as well, left out, or only"),
)
