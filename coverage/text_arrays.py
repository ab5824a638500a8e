"""Arrays of cell texts: each different text is read once, however often it occurs."""

from collections.abc import Callable, Hashable, Iterable
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Texts = NDArray[np.object_]
Value = TypeVar("Value")
Key = TypeVar("Key", bound=Hashable)


def as_texts(values: Iterable[str]) -> Texts:
    """Return `values` as an object array of str, one-dimensional whatever they hold."""
    listed = values if isinstance(values, list) else list(values)
    texts = np.empty(len(listed), dtype=object)
    texts[:] = listed
    return texts


def encode(values: Iterable[Key]) -> tuple[list[Key], NDArray[np.int64]]:
    """Return the different values in order of first use, and for each value its place there."""
    listed = values if isinstance(values, list) else list(values)
    places = {value: place for place, value in enumerate(dict.fromkeys(listed))}
    return list(places), np.fromiter(map(places.__getitem__, listed), np.int64, len(listed))


def well_formed(texts: list[str]) -> list[str]:
    """Return texts that UTF-8 can hold: a lone surrogate, which it cannot, becomes "?"."""
    try:
        "".join(texts).encode()
    except UnicodeEncodeError:
        return [text.encode("utf-8", "replace").decode() for text in texts]
    return texts


def stripped(texts: Texts) -> Texts:
    """Return the texts without white space around them."""
    return as_texts(list(map(str.strip, texts.tolist())))


def read_each(
    texts: Texts, reader: Callable[[str], Value]
) -> tuple[list[Value | None], list[str], NDArray[np.int64]]:
    """Read every different text once.

    Parameters
    ----------
    texts : object, shape (n,)
        Cell texts.
    reader : callable
        Turns one text into a value or raises ValueError with the reason.

    Returns
    -------
    values : list, one for each different text
        None where the reader refused.
    reasons : list of str, likewise
        Why it refused, else ''.
    codes : int64, shape (n,)
        Place of each text in the two lists.
    """
    different, codes = encode(texts.tolist())
    values: list[Value | None] = []
    reasons: list[str] = []
    for text in different:
        try:
            values.append(reader(text))
            reasons.append("")
        except ValueError as error:
            values.append(None)
            reasons.append(str(error))
    return values, reasons, codes


def shown(text: str, longest: int = 60) -> str:
    """Return `text` quoted for a message: control characters escaped, long texts cut."""
    short = text if len(text) <= longest else text[:longest] + "..."
    return repr(short)
