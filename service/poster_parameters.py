"""What a poster over HTTP may be asked for besides a place and filters."""

from platecover.service.parameters import Parameter
from platecover.service.settings import Settings

# The names of `poster_paper.POSTER_FORMATS`, `PAPERS` and `GROUNDS`, which are imported with
# matplotlib, on first use; a test compares them.
POSTER_FORMATS = ("svg", "pdf", "png")
PAPERS = ("a4", "a3", "a2", "letter")
GROUNDS = ("paper", "night")
EPOCHS = "epochs"  # what is shown, besides the quantities of maps
LONGEST_TITLE = 100  # characters


def poster_parameters(settings: Settings, quantities: tuple[str, ...]) -> tuple[Parameter, ...]:
    """Parameters of a poster; `quantities` are those of maps that the public may see."""
    shown = (*quantities, EPOCHS) if settings.is_public("epoch") else quantities
    return (
        Parameter("show", "word", "quantity of a map, or epochs for a histogram of years",
                  required=True, words=shown),
        Parameter("paper", "word", "size of the paper", default="a3", words=PAPERS),
        Parameter("ground", "word", "light as paper, or dark as night", default="paper",
                  words=GROUNDS),
        Parameter("title", "text", "large line; if it is not given, the observatory's name",
                  longest=LONGEST_TITLE),
        Parameter("format", "word", "form of the answer", default="svg", words=POSTER_FORMATS),
    )  # fmt: skip
