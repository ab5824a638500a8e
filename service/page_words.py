"""Words of the page where the server writes them: of the same files that JavaScript reads."""

import json
from functools import cache
from importlib import resources

ENGLISH = "en"


@cache
def words_of(piece: str, language: str) -> dict[str, str]:
    """Texts of a piece of the page by key, in English if the language has none.

    Parameters
    ----------
    piece : str
        As `foyer`.
    language : str
        As a stranger asks for it: anything.
    """
    folder = resources.files("platecover") / "static" / "words"
    known = {path.name.partition(".")[0] for path in folder.iterdir()}
    chosen = language if language in known else ENGLISH
    texts: dict[str, str] = json.loads((folder / f"{chosen}.{piece}.json").read_text("utf-8"))
    return {"language": chosen, **texts}
