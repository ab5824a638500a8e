"""What may be asked of a MOC over HTTP besides filters and the order of its cells of the sky."""

from platecover.coverage.time_moc import FINEST_TIME_ORDER
from platecover.service.parameters import Parameter
from platecover.service.settings import Settings

SPACE, TIME, SPACE_TIME = DIMENSIONS = ("space", "time", "space-time")


def moc_parameters(settings: Settings) -> tuple[Parameter, ...]:
    """Dimension and time order; none of times where the public may not see them."""
    has_times = settings.is_public("t_min") and settings.is_public("t_max")
    dimension = Parameter(
        "dimension", "word", "what the MOC is of; one of times alone takes no order",
        default=SPACE, words=DIMENSIONS if has_times else (SPACE,),
    )  # fmt: skip
    time_order = Parameter(
        "time_order", "integer",
        "order of the cells of time; if not given, as fine as the times of the selection are known:"
        " 31 to the minute, 25 the night, 20 the month, 16 the year",
        low=0, high=FINEST_TIME_ORDER,
    )  # fmt: skip
    return (dimension, time_order) if has_times else (dimension,)
