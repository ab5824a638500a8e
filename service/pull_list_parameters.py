"""What may be asked of a pull list over HTTP."""

from platecover.coverage.pull_list import LARGEST_CARRY_KG, USUAL_CARRY_KG
from platecover.service.parameters import Parameter
from platecover.service.settings import Settings

PULL_LIST_FORMS = ("json", "csv", "html", "pdf", "labels")
_LEAST_CARRY_KG = 0.1


def pull_list_parameters(
    settings: Settings, filters: tuple[Parameter, ...]
) -> tuple[Parameter, ...]:
    """Plates by name, or a budget and filters; the load; the form."""
    return (
        Parameter(
            "budget", "text", "plan it: '300 plates', '6 hours' or '5 days'",
            longest=settings.longest_value,
        ),
        Parameter(
            "plates", "text", "designations, parted by commas", longest=settings.longest_region_text
        ),
        Parameter(
            "carry_kg", "number", "most weight of glass in a load", default=USUAL_CARRY_KG,
            low=_LEAST_CARRY_KG, high=LARGEST_CARRY_KG,
        ),
        *filters,
        Parameter(
            "format", "word", "form of the answer; labels are a PDF", default=PULL_LIST_FORMS[0],
            words=PULL_LIST_FORMS,
        ),
    )  # fmt: skip
