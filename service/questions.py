"""The questions that can be asked over HTTP, each with its parameters, under given settings."""

from platecover.coverage.filter_table import FILTERS
from platecover.coverage.map_cells import KEPT_ORDER
from platecover.coverage.map_quantities import QUANTITIES
from platecover.coverage.scan_progress import GROUPINGS
from platecover.service.moc_parameters import moc_parameters
from platecover.service.parameters import Parameter, Question
from platecover.service.poster_parameters import poster_parameters
from platecover.service.pull_list_parameters import pull_list_parameters
from platecover.service.settings import Settings
from platecover.service.sia_parameters import sia_question
from platecover.service.target_parameters import target_parameters

ROW_FORMS = ("json", "csv", "votable", "ecsv", "parquet", "votable-binary2")
EPOCH_FORMS = ("json", "csv", "png", "svg")
MAP_FORMS = ("json", "fits", "png", "svg")
PLAN_FORMS = ("json", "csv", "png", "svg")
MOC_FORMS = ("json", "text", "fits")
HISTORY_FORMS, PROGRESS_FORMS = ("json", "csv"), ("json", "csv", "png", "svg")

# What a filter, or a quantity of a map, lets be seen of which column.
COLUMN_OF_FILTER = {each.name: each.name for each in FILTERS} | {
    "from": "t_min", "to": "t_min", "undated": "t_min",
    "min_exposure": "t_exptime", "max_exposure": "t_exptime",
}  # fmt: skip
COLUMN_OF_QUANTITY = {
    "years": "t_min", "first": "epoch", "last": "epoch", "gap": "epoch",
    "unscanned": "scanned", "scanned_share": "scanned",
}  # fmt: skip

OF_THE_PAGE = ("cells", "place", "outlines", "foyer", "story")  # which programs are not told of
COLUMN_OF_GROUPING = {"series": "series", "epoch": "t_min"}

_ALWAYS = "exposure_id"  # a column that nobody may hide
_USUAL_OUTLINES, _MOST_OUTLINES = 300, 2_000  # of plates, on the page's sky
_MINUTES = ("min_exposure", "max_exposure")
_LONGEST_MIN = 1e9
_FULL_CIRCLE_DEG, _POLE_DEG = 360.0, 90.0
_REGION = (
    "place: circle RA DEC RADIUS, range RA1 RA2 DEC1 DEC2, polygon RA1 DEC1 RA2 DEC2 ...,"
    " constellation NAME, moc and an ASCII MOC such as 3/1-5 4/24, or all; degrees, ICRS"
)
_LAYOUT = Parameter(
    "layout", "word", "wide, or narrow for a small screen held upright; for png and svg",
    default="wide", words=("wide", "narrow"),
)  # fmt: skip


def questions(settings: Settings) -> dict[str, Question]:
    """All questions by name, their limits as the settings say.

    Filters and quantities that would let hidden columns be seen are no parameters.
    """
    place = _place_parameters(settings)
    rows = (*place, *_filter_parameters(settings, with_certainty=True))
    everything = _filter_parameters(settings, with_certainty=False)
    groupings = tuple(
        name for name in GROUPINGS if settings.is_public(COLUMN_OF_GROUPING.get(name, _ALWAYS))
    )
    quantities = tuple(
        name for name in QUANTITIES if settings.is_public(COLUMN_OF_QUANTITY.get(name, _ALWAYS))
    )
    return {
        each.name: each
        for each in (
            Question(
                "exposures",
                "Exposures that show a place, or any part of it.",
                (
                    *rows,
                    _negotiated_format(ROW_FORMS),
                    Parameter(
                        "maxrec", "integer", "most rows of the answer",
                        default=settings.default_maxrec, low=0, high=settings.largest_maxrec,
                    ),
                ),
            ),
            Question(
                "epochs",
                "When a place was photographed: a histogram of calendar years.",
                (
                    *rows,
                    Parameter(
                        "bin", "text", "width of the bins: year, decade or years", default="1"
                    ),
                    _negotiated_format(EPOCH_FORMS),
                    _LAYOUT,
                ),
            ),
            Question(
                "map",
                "A quantity of the exposures that cover each HEALPix cell.",
                (
                    Parameter("show", "word", "what to map", required=True, words=quantities),
                    _order("map", 7, settings.finest_map_order),
                    *everything,
                    _format(MAP_FORMS),
                    _LAYOUT,
                    Parameter(
                        "outline", "text", "a region, to be outlined in a png or svg",
                        longest=settings.longest_region_text,
                    ),
                ),
            ),
            Question(
                "moc",
                "The sky, the times or both that a selection covers, as a MOC.",
                (*everything, *moc_parameters(settings), _format(MOC_FORMS)),
            ),
            Question(
                "cells",
                "The map that the page draws.",
                (
                    Parameter("show", "word", "what to map", required=True, words=quantities),
                    _order("map", 6, KEPT_ORDER),
                    *everything,
                ),
            ),
            Question(
                "poster",
                "A poster for print: a map of the whole sky, or the years of a place.",
                (*poster_parameters(settings, quantities), *rows),
            ),
            Question("foyer", "The archive in a few numbers.", ()),
            Question("story", "The plates of a place, in short.", place),
            Question("place", "What the page takes a place for.", _typed_place(settings)),
            Question(
                "outlines",
                "Outlines of the plates that the page draws.",
                (
                    *_typed_place(settings),
                    *_filter_parameters(settings, with_certainty=True),
                    Parameter(
                        "most", "integer", "most outlines", default=_USUAL_OUTLINES, low=0,
                        high=_MOST_OUTLINES,
                    ),
                ),
            ),
            Question(
                "plan",
                "What to scan next, within a budget.",
                (
                    Parameter("budget", "text", "'300 plates', '6 hours' or '5 days'",
                              required=True, longest=settings.longest_value),
                    *everything,
                    _format(PLAN_FORMS),
                    Parameter("drawing", "word", "what a png or svg shows: worth gained, or maps of"
                              " the scanned sky before and after", default="gain",
                              words=("gain", "maps")),
                ),
            ),
            Question(
                "pull-list",
                "Plates to pull, as they stand, by loads that one can carry.",
                pull_list_parameters(settings, everything),
            ),
            Question("plates", "All that is known of one plate.", ()),
            Question(
                "history", "Who said what of which plate, when.", _history_parameters(settings)
            ),
            Question(
                "progress",
                "How far the scanning has come, by group and day, and when it will be done.",
                (
                    Parameter("by", "word", "series, area (constellation) or epoch (decade)",
                              default=groupings[0], words=groupings),
                    *everything,
                    _format(PROGRESS_FORMS),
                ),
            ),
            Question(
                "targets",
                "Exposures that show each of a list of targets.",
                target_parameters(settings, _filter_parameters(settings, with_certainty=True)),
            ),
            Question("cone", "Simple Cone Search 1.03.", _cone_parameters(settings), lenient=True),
            sia_question(settings),
        )
    }  # fmt: skip


def _place_parameters(settings: Settings) -> tuple[Parameter, ...]:
    return (
        Parameter("region", "text", _REGION, longest=settings.longest_moc_text),
        Parameter("ra", "number", "right ascension, ICRS degrees", low=0.0, high=_FULL_CIRCLE_DEG),
        Parameter("dec", "number", "declination, ICRS degrees", low=-_POLE_DEG, high=_POLE_DEG),
        Parameter(
            "radius", "number", "degrees; 0 asks for the point itself", low=0.0,
            high=settings.largest_radius_deg,
        ),
    )  # fmt: skip


def _typed_place(settings: Settings) -> tuple[Parameter, ...]:
    """The two fields of the page's form."""
    return (
        Parameter(
            "place", "text", "position, name or region", longest=settings.longest_region_text
        ),
        _place_parameters(settings)[-1],
    )


def _history_parameters(settings: Settings) -> tuple[Parameter, ...]:
    longest = settings.longest_value
    by = Parameter("by", "text", "who said it or sent it in", longest=longest)
    return (
        Parameter("plate", "text", "designation, in any spelling of the logs", longest=longest),
        Parameter("since", "text", "of that day or later: 2026-11-25"),
        *((by,) if settings.shows_people else ()),
        Parameter("maxrec", "integer", "most rows of the answer", default=settings.default_maxrec,
                  low=0, high=settings.largest_maxrec),
        _format(HISTORY_FORMS),
    )  # fmt: skip


def _filter_parameters(settings: Settings, *, with_certainty: bool) -> tuple[Parameter, ...]:
    """A parameter for every filter that the public may use."""
    return tuple(
        Parameter(each.name, "number", each.help, low=0.0, high=_LONGEST_MIN)
        if each.name in _MINUTES
        else Parameter(
            each.name, "text", each.help, single=each.single, words=each.words,
            longest=settings.longest_value,
        )
        for each in FILTERS
        if (with_certainty or each.name != "certainty")
        and settings.is_public(COLUMN_OF_FILTER[each.name])
    )  # fmt: skip


def _cone_parameters(settings: Settings) -> tuple[Parameter, ...]:
    """Those of the standard; RA, DEC and SR in degrees, ICRS."""
    return (
        Parameter("RA", "number", "right ascension of the centre", required=True, low=0.0,
                  high=_FULL_CIRCLE_DEG),
        Parameter("DEC", "number", "declination of the centre", required=True, low=-_POLE_DEG,
                  high=_POLE_DEG),
        Parameter("SR", "number", "radius; 0 asks for the columns alone", required=True, low=0.0,
                  high=settings.largest_radius_deg),
        Parameter("VERB", "integer", "how many columns: 1 few, 2 most, 3 all", default=2),
        Parameter("MAXREC", "integer", "most rows of the answer", default=settings.default_maxrec,
                  low=0),
        Parameter("RESPONSEFORMAT", "text", "form of the answer: votable, votable-binary2, csv,"
                  " ecsv, json, parquet or a media type", longest=settings.longest_value),
    )  # fmt: skip


def _order(what: str, default: int, finest: int) -> Parameter:
    return Parameter("order", "integer", f"HEALPix order of the {what}",
                     default=min(default, finest), low=0, high=finest)  # fmt: skip


def _format(words: tuple[str, ...]) -> Parameter:
    return Parameter("format", "word", "form of the answer", default=words[0], words=words)


def _negotiated_format(words: tuple[str, ...]) -> Parameter:
    meaning = f"form of the answer; if it is not given, what Accept asks for, else {words[0]}"
    return Parameter("format", "word", meaning, words=words)
