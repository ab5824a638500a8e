"""What may be asked of a MOC over HTTP besides filters and the order of its cells of the sky."""

from platecover.coverage.space_time_moc import USUAL_ORDER
from platecover.coverage.time_moc import FINEST_TIME_ORDER
from platecover.service.parameters import Parameter
from platecover.service.settings import Settings

SPACE, TIME, SPACE_TIME = DIMENSIONS = ("space", "time", "space-time")


def moc_parameters(settings: Settings) -> tuple[Parameter, ...]:
    """Orders and dimension; none of times where the public may not see them."""
    order = Parameter(
        "order", "integer",
        f"HEALPix order of the MOC; if not given, {usual_order(settings)}, and of space-time the"
        " finest up to that which keeps it small",
        low=0, high=settings.finest_moc_order,
    )  # fmt: skip
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
    return (order, dimension, time_order) if has_times else (order, dimension)


def usual_order(settings: Settings) -> int:
    """Order of a MOC of space where none is asked for."""
    return min(USUAL_ORDER, settings.finest_moc_order)
