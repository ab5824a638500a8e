"""The words of the page: the same in every language, and none that is asked for is missing."""

import json
import re
from pathlib import Path

import pytest

STATIC = Path(__file__).resolve().parent.parent / "static"
FILES = sorted((STATIC / "words").glob("*.json"))
PLACEHOLDER = re.compile(r"\{(\w+)\}")
ASKED = re.compile(r"\bwords\(\s*(?:\"([^\"]+)\"|'([^']+)'|`([^`]+)`)")
PLURALS = {"one", "other"}  # Unicode CLDR, cardinal numbers of English and German


def listed(name: str) -> list[str]:
    """Members of a list of texts in words.js."""
    found = re.search(rf"export const {name} = \[([^\]]*)\]", (STATIC / "words.js").read_text())
    assert found is not None
    return re.findall(r'"([^"]+)"', found[1])


def read_once(path: Path) -> dict[str, object]:
    """A file of words; a key that stands in it twice is a fault."""

    def pairs(members: list[tuple[str, object]]) -> dict[str, object]:
        assert len(dict(members)) == len(members), f"{path.name}: a key stands twice"
        return dict(members)

    whole: dict[str, object] = json.loads(path.read_text("utf-8"), object_pairs_hook=pairs)
    return whole


def words_of(language: str) -> dict[str, object]:
    """All words of a language; a key belongs to one piece only."""
    whole: dict[str, object] = {}
    for piece in listed("PIECES"):
        part = read_once(STATIC / "words" / f"{language}.{piece}.json")
        assert not whole.keys() & part.keys(), f"{piece} has keys of another piece"
        whole |= part
    return whole


def placeholders(text: object) -> set[str]:
    """Names in braces, of all plural forms."""
    forms = text.values() if isinstance(text, dict) else [text]
    return {name for form in forms for name in PLACEHOLDER.findall(str(form))}


def test_each_language_has_each_piece_and_nothing_else_lies_about() -> None:
    expected = {f"{tag}.{piece}.json" for tag in listed("LANGUAGES") for piece in listed("PIECES")}
    assert {path.name for path in FILES} == expected


@pytest.mark.parametrize("language", listed("LANGUAGES"))
def test_languages_have_the_same_keys_and_placeholders(language: str) -> None:
    english, other = words_of("en"), words_of(language)
    assert other.keys() == english.keys()
    for key, text in other.items():
        assert placeholders(text) == placeholders(english[key]), key
        assert isinstance(text, dict) == isinstance(english[key], dict), key


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_words_are_texts_without_markup(path: Path) -> None:
    for key, text in read_once(path).items():
        assert re.fullmatch(r"[a-z_]+(\.[A-Za-z0-9_]+)+", key), key
        if isinstance(text, dict):
            assert text.keys() == PLURALS, key
            assert "count" in placeholders(text), key
        for form in text.values() if isinstance(text, dict) else [text]:
            assert isinstance(form, str), key
            assert form.strip() == form != "", key
            assert not re.search(r"<\w|&\w+;", form), f"{key}: words are texts, not HTML"


@pytest.mark.parametrize(
    "path", sorted(STATIC.rglob("*.js")), ids=lambda path: str(path.relative_to(STATIC))
)
def test_each_word_that_is_asked_for_exists(path: Path) -> None:
    known = words_of("en")
    for plain, single, pattern in ASKED.findall(path.read_text("utf-8")):
        key = plain or single
        if key:
            assert key in known, f"{path.name} asks for {key}"
        else:  # of several: `series.${code}`
            parts = re.split(r"\$\{[^}]*\}", pattern)
            some = re.compile(r"[A-Za-z0-9_.]+".join(map(re.escape, parts)))
            assert any(some.fullmatch(each) for each in known), f"{path.name} asks for {pattern}"
