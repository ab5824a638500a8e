"""What may be asked of a list of targets over HTTP, besides the list itself."""

from platecover.service.parameters import Parameter
from platecover.service.settings import Settings

FIELD = "targets"  # of a form, that holds the list
TARGET_FORMS = ("csv", "parquet")
TABLE_TYPES = (
    "text/csv", "text/plain", "text/tab-separated-values", "application/x-votable+xml", "text/xml",
    "application/xml", "application/vnd.apache.parquet", "application/octet-stream",
)  # fmt: skip


def target_parameters(settings: Settings, filters: tuple[Parameter, ...]) -> tuple[Parameter, ...]:
    """Radius, filters, form and most pairs of a list search."""
    return (
        Parameter(
            "radius", "number",
            "degrees, of the targets that have none of their own; 0 asks for points",
            default=0.0, low=0.0, high=settings.largest_radius_deg,
        ),
        *filters,
        Parameter(
            "format", "word", "form of the answer", default=TARGET_FORMS[0], words=TARGET_FORMS
        ),
        Parameter(
            "maxrec", "integer", "most pairs of target and exposure in the answer",
            default=settings.most_target_pairs, low=0, high=settings.most_target_pairs,
        ),
    )  # fmt: skip
