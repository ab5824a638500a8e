"""Words of an edition's text columns without regard to case, for filters that match in any case."""

import pyarrow as pa
import pyarrow.compute as pc

from platecover.coverage.edition import Edition
from platecover.coverage.per_edition import PerEdition

MOST_KEPT = 20_000  # words of a column that are kept; more are folded each time (600,000: 4 ms)


def _none_yet(edition: Edition) -> dict[str, pa.StringArray]:
    return {}


_KEPT = PerEdition(_none_yet)


def folded_words(edition: Edition, name: str) -> pa.StringArray:
    """The different texts of a text column, by code, case-folded; '' stands for an empty cell."""
    kept = _KEPT.of(edition)
    if name in kept:
        return kept[name]
    words = edition.exposures.column(name).chunk(0).dictionary
    folded = fold(words)
    if len(words) <= MOST_KEPT:
        kept[name] = folded
    return folded


def fold(words: pa.StringArray) -> pa.StringArray:
    """Texts case-folded as `str.casefold` does it; one by one only what is not plain ASCII."""
    lower = pc.ascii_lower(words)
    other = pc.invert(pc.string_is_ascii(words))
    if not pc.any(other).as_py():
        return lower
    folded = [word.casefold() for word in words.filter(other).to_pylist()]
    return pc.replace_with_mask(lower, other, pa.array(folded, pa.string()))


def is_utf8(text: str) -> bool:
    """Whether a text has no lone surrogates; words never have them, and Arrow refuses them."""
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True
