"""Which form an answer takes, and rows answered in it.

Under /api/ `format` decides, on the protocols' paths RESPONSEFORMAT (DALI 1.1, section 3.4.3);
where it is not given, an Accept header that prefers one of our forms to all others; else the
default.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from flask import Response, after_this_request, request
from werkzeug.http import parse_options_header

from platecover.coverage.answers import Rows
from platecover.coverage.errors import QueryError
from platecover.service.asking import TRUNCATED_HEADER, word_texts, written
from platecover.service.formats import ROW_FORMATS
from platecover.service.row_texts import WordTexts
from platecover.service.votable import MEDIA_TYPE as XML_TYPE
from platecover.service.votable import Heading

# Of each form: the Content-Type where none was named.
MEDIA_TYPES = {
    "json": "application/json",
    "csv": "text/csv; charset=utf-8; header=present",
    "votable": "application/x-votable+xml",
    "votable-binary2": "application/x-votable+xml; serialization=BINARY2",
    "ecsv": "text/plain; charset=utf-8",  # it has no registered type of its own
    "parquet": "application/vnd.apache.parquet",
    "png": "image/png",
    "svg": "image/svg+xml",
}
PROTOCOL_FORMS = ("votable", "votable-binary2", "csv", "ecsv", "json", "parquet")
_FORM_OF_TYPE = {
    "application/json": "json",
    "text/csv": "csv",
    "application/x-votable+xml": "votable",
    "text/xml": "votable",
    "text/plain": "ecsv",
    "text/ecsv": "ecsv",
    "text/x-ecsv": "ecsv",
    "application/vnd.apache.parquet": "parquet",
    "image/png": "png",
    "image/svg+xml": "svg",
}
# What a parameter of a media type may say of our answers.
_ONLY = {"charset": "utf-8", "header": "present", "content": "x-votable"}
_ANYTHING = "*"
_ENDINGS = {"votable": "vot", "votable-binary2": "vot"}  # of file names, where not the form's name


@dataclass(frozen=True)
class AnswerForm:
    """A form, by its word in `formats.ROW_FORMATS` (or png, svg), and its Content-Type."""

    word: str
    content_type: str


def api_form(word: str | None, words: Sequence[str]) -> AnswerForm:
    """Form of an answer under /api/.

    Parameters
    ----------
    word : str or None
        Value of `format`, if it was given.
    words : sequence of str
        Forms that there are, the default first.
    """
    if word is not None:
        return AnswerForm(word, MEDIA_TYPES[word])
    return _accepted(words) or AnswerForm(words[0], MEDIA_TYPES[words[0]])


def protocol_form(responseformat: str | None) -> AnswerForm:
    """Form of an answer on /cone or /sia2/query.

    Parameters
    ----------
    responseformat : str or None
        Value of RESPONSEFORMAT, if it was given: a short form or a media type, any case.

    Raises
    ------
    QueryError
        If there is no such form.
    """
    if responseformat is None:
        return _accepted(PROTOCOL_FORMS) or AnswerForm("votable", XML_TYPE)
    word = responseformat.strip().lower()
    if word == "votable":
        return AnswerForm("votable", XML_TYPE)
    if word in PROTOCOL_FORMS:
        return AnswerForm(word, MEDIA_TYPES[word])
    named = _named(responseformat, PROTOCOL_FORMS)
    if named is None:
        known = ", ".join((*PROTOCOL_FORMS, *_types_of(PROTOCOL_FORMS)))
        message = f"RESPONSEFORMAT must be one of {known}; got {responseformat!r}"
        raise QueryError("RESPONSEFORMAT", responseformat, message, usage=True)
    return named


def row_answer(
    form: AnswerForm,
    rows: Rows,
    about: Mapping[str, Any],
    name: str,
    heading: Heading | None = None,
    words: WordTexts | None = None,
) -> Response:
    """Rows in a form.

    Parameters
    ----------
    form : AnswerForm
        Of `api_form` or `protocol_form`.
    rows : pyarrow.Table or HitRows
        Plain, or coded as `answers.coded_table` has it.
    about : mapping
        `query` (parameters as understood), `truncated`, and what `asking.provenance` gives.
    name : str
        Under which the answer can be saved, without `platecover-` and ending.
    heading : Heading, optional
        Where the columns are not those of `columns.RESULT_COLUMNS` or there is more to say.
        QUERY_STATUS, query, edition and citation are added to its INFOs.
    words : WordTexts, optional
        Where the dictionaries of coded rows are not the edition's own.
    """
    words = word_texts() if words is None else words
    pieces = ROW_FORMATS[form.word](rows, about, words, heading)
    response = written(pieces, len(rows), form.content_type)
    ending = _ENDINGS.get(form.word, form.word)
    response.headers["Content-Disposition"] = f'inline; filename="platecover-{name}.{ending}"'
    response.headers[TRUNCATED_HEADER] = "yes" if about["truncated"] else "no"
    return response


def _accepted(words: Sequence[str]) -> AnswerForm | None:
    """The form that the Accept header prefers to all others; None where it has no such wish."""
    after_this_request(_vary_by_accept)
    best: dict[str, AnswerForm] = {}
    quality, of_anything = 0.0, 0.0
    for text, each_quality in request.accept_mimetypes:
        if text.endswith(_ANYTHING):
            of_anything = max(of_anything, each_quality)
        named = _named(text, words)
        if named is None or each_quality < quality or not each_quality > 0.0:
            continue
        if each_quality > quality:
            best, quality = {}, each_quality
        best.setdefault(named.word, named)
    if len(best) != 1 or quality < of_anything:
        return None
    return next(iter(best.values()))


def _vary_by_accept(response: Response) -> Response:
    response.vary.add("Accept")
    return response


def _named(text: str, words: Sequence[str]) -> AnswerForm | None:
    """Form of a media type with its parameters; None if we have none such.

    The same type comes back, since a client may compare (DALI 1.1, section 3.4.3).
    """
    media_type, options = parse_options_header(text.lower().strip())
    media_type = media_type.replace(" ", "+")  # as an unescaped + of an address arrives
    word = _FORM_OF_TYPE.get(media_type)
    serialization = options.get("serialization", "tabledata")
    if word == "votable" and serialization == "binary2":
        word = "votable-binary2"
    elif word == "votable" and serialization != "tabledata":
        return None
    possible = all(options.get(name, value) == value for name, value in _ONLY.items())
    if word is None or word not in words or not possible:
        return None
    if media_type == "text/xml" and word == "votable":
        return AnswerForm(word, XML_TYPE)
    written_options = MEDIA_TYPES[word].partition(";")[2]
    return AnswerForm(word, f"{media_type};{written_options}" if written_options else media_type)


def _types_of(words: Sequence[str]) -> list[str]:
    return [media_type for media_type, word in _FORM_OF_TYPE.items() if word in words]
