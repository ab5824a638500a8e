"""Titles of plots: as long as there is room."""

import textwrap

CHARACTERS, NARROW_CHARACTERS = 88, 38  # a line, in large letters, of a wide and a narrow plot
_MOST_LINES = 3


def title_lines(title: str, narrow: bool) -> list[str]:
    """Lines of a title as matplotlib is to draw them, in large letters; at most three."""
    width = NARROW_CHARACTERS if narrow else CHARACTERS
    lines = textwrap.wrap(title, width, max_lines=_MOST_LINES, placeholder=" ...")
    return [line.replace("$", r"\$") for line in lines]
