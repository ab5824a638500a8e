"""Text of any origin as a terminal may show it."""


def printable(text: str) -> str:
    """The text with blanks for white space and "?" for what would control a terminal."""
    return "".join(
        " " if letter.isspace() else letter if letter.isprintable() else "?" for letter in text
    )
