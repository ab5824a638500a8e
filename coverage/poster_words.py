"""What stands on a poster besides the drawing, and where: titles, figures, source line."""

from dataclasses import dataclass

from platecover.coverage.poster_paper import MARGIN, WIDTH, Sheet, spaced

_OVER_Y, _TITLE_Y, _SUBTITLE_Y = 24.0, 37.0, 46.5
_TITLE_WIDTH, _SUBTITLE_WIDTH = 250.0, 250.0
_FACTS_RIGHT, _FACT_STEP = WIDTH - MARGIN, 9.5
_FACT_WORDS_WIDTH = 31.0
_SOURCE_UP, _RULE_UP = 13.0, 19.5  # from the lower edge


@dataclass(frozen=True)
class PosterWords:
    """Texts of a poster.

    Attributes
    ----------
    over, title, subtitle : str
        Small line above, large line, line below.
    facts : tuple of (str, str)
        Figures and what they are, the weightiest first; at most three.
    source : str
        Citation, edition and date.
    """

    over: str
    title: str
    subtitle: str
    facts: tuple[tuple[str, str], ...]
    source: str


def write_words(sheet: Sheet, words: PosterWords) -> None:
    """Write titles into the upper left corner, figures into the upper right, source below."""
    faint = sheet.inks.faint
    sheet.text(MARGIN, _OVER_Y, spaced(words.over), 11.0, colour=sheet.inks.mark,
               width=_TITLE_WIDTH)  # fmt: skip
    sheet.text(MARGIN, _TITLE_Y, words.title, 32.0, width=_TITLE_WIDTH)
    sheet.text(MARGIN, _SUBTITLE_Y, words.subtitle, 15.0, colour=faint, width=_SUBTITLE_WIDTH,
               style="italic")  # fmt: skip
    y = _OVER_Y + 3.0
    for figure, what in words.facts:
        left = _FACTS_RIGHT - _FACT_WORDS_WIDTH
        sheet.text(left - 2.5, y, figure, 21.0, align="right")
        sheet.text(left, y, what, 13.0, colour=faint, style="italic", width=_FACT_WORDS_WIDTH)
        y += _FACT_STEP
    bottom = sheet.height
    sheet.rule(MARGIN, WIDTH - MARGIN, bottom - _RULE_UP)
    sheet.text(MARGIN, bottom - _SOURCE_UP, words.source, 10.5, colour=faint,
               width=WIDTH - 2.0 * MARGIN)  # fmt: skip
