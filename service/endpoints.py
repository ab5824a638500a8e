"""Every path that answers a question, told once for the description and for the page of it."""

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from urllib.parse import parse_qsl

from werkzeug.datastructures import MultiDict

from platecover.coverage.errors import QueryError
from platecover.service.parameters import Question
from platecover.service.settings import Settings
from platecover.service.target_parameters import FIELD, TABLE_TYPES

JSON, CSV, VOTABLE = "application/json", "text/csv", "application/x-votable+xml"
XML, TEXT, FITS = "text/xml", "text/plain", "application/fits"
PARQUET, PNG, SVG = "application/vnd.apache.parquet", "image/png", "image/svg+xml"
PDF, HTML = "application/pdf", "text/html"
FORMS = ("application/x-www-form-urlencoded", "multipart/form-data")

_ROWS = (JSON, CSV, VOTABLE, TEXT, PARQUET)
_PROTOCOL_ROWS = (XML, VOTABLE, CSV, TEXT, JSON, PARQUET)
SOME_TARGETS = "ra,dec\n83.63,22.01\n"  # a list, for examples
_EXAMPLE_PLACE = "ra=83.63&dec=22.01"


@dataclass(frozen=True)
class Endpoint:
    """One path.

    Attributes
    ----------
    question : str
        Name among `questions.questions`; '' where nothing can be asked.
    path : str
        As OpenAPI writes it, with {designation} where the name of a plate stands.
    meaning : str
        What it is, where there is no question to say so.
    answers : tuple of str
        Media types of what is found.
    errors : str
        Media type of errors.
    statuses : tuple of int
        Of HTTP, besides 200.
    examples : tuple of str
        Queries that run on any archive.
    methods : tuple of str
    bodies : tuple of str
        Media types of a POST.
    schema : str
        Of the JSON answer, by its name in `answer_schemas.SCHEMAS`.
    field : str
        Of a form, that holds the table of a POST; '' where there is none.
    notes : str
        What the parameters do not say.
    needs : str
        A column without which there is no answer; '' for none.
    """

    question: str
    path: str
    answers: tuple[str, ...]
    meaning: str = ""
    errors: str = JSON
    statuses: tuple[int, ...] = (304, 400, 503)
    examples: tuple[str, ...] = ("",)
    methods: tuple[str, ...] = ("GET", "POST")
    bodies: tuple[str, ...] = FORMS
    schema: str = ""
    field: str = ""
    notes: str = ""
    needs: str = ""

    @property
    def has_rows(self) -> bool:
        """Whether it answers with rows, of which there may be more."""
        return self.answers in (_ROWS, _PROTOCOL_ROWS)

    def running(self, question: Question | None) -> list[str]:
        """The examples that a question takes under its settings; its path alone if none.

        Parameters
        ----------
        question : Question or None
            None where nothing can be asked.
        """
        found = []
        for text in self.examples:
            with suppress(QueryError):  # of a parameter, word or number that is not allowed here
                if question is not None and "GET" in self.methods:
                    question.read(MultiDict(parse_qsl(text)))
                found.append(text)
        return found or [""]

    def addresses(self, fillings: Mapping[str, str], question: Question | None) -> list[str]:
        """Running examples as addresses; `fillings` are what stands for names in braces."""
        path = self.path.format(**fillings)
        return [path + (f"?{text}" if text else "") for text in self.running(question)]


ENDPOINTS: tuple[Endpoint, ...] = (
    Endpoint(
        "exposures", "/api/exposures", _ROWS, schema="Exposures",
        examples=(
            f"{_EXAMPLE_PLACE}&radius=1&maxrec=5",
            "region=constellation+Ori&from=1900&to=1910&maxrec=5&format=csv",
        ),
        notes="Name a place by region, or by ra, dec and radius together; without any, all of the"
        " sky is meant. A filter may be repeated or hold a comma list: any of the values will do.",
    ),
    Endpoint(
        "epochs", "/api/epochs", (JSON, CSV, PNG, SVG), schema="Epochs",
        examples=(f"{_EXAMPLE_PLACE}&radius=5&bin=10", "region=constellation+Cyg&format=png"),
        notes="Name a place as for exposures.", needs="epoch",
    ),
    Endpoint(
        "map", "/api/map", (JSON, FITS, PNG, SVG), schema="Map",
        examples=("show=plates&order=3", "show=plates&format=png"),
    ),
    Endpoint(
        "moc", "/api/moc", (JSON, TEXT, FITS), schema="Moc",
        examples=("order=5", "order=4&dimension=space-time&format=text"),
    ),
    Endpoint(
        "poster", "/api/poster", (SVG, PDF, PNG), methods=("GET",),
        examples=("show=plates&paper=a4", "show=epochs&region=constellation+Cyg&format=pdf"),
        notes="Paper lies across; letters are outlines or come with their fonts. A place, named as"
        " for exposures, and certainty go with show=epochs.",
    ),
    Endpoint(
        "plan", "/api/plan", (JSON, CSV, PNG, SVG), methods=("GET",),
        statuses=(304, 400, 403, 503), schema="Plan", needs="shelf",
        examples=("budget=5+plates", "budget=2+hours&format=csv"),
        notes="With the usual wishes; `platecover plan` takes others from a file. Minutes for"
        " opening shelf units are counted: the bound, not a theorem, says how good the plan is.",
    ),
    Endpoint(
        "pull-list", "/api/pull-list", (JSON, CSV, HTML, PDF), methods=("GET",),
        statuses=(304, 400, 403, 503), schema="PullList", needs="shelf",
        examples=("budget=5+plates", "budget=1+hour&format=csv"),
        notes="Either plates, in any logged spelling, or budget and, if wanted, filters: then what"
        " is not scanned yet is planned with the usual wishes. Nothing is changed by asking.",
    ),
    Endpoint(
        "targets", "/api/targets", (CSV, PARQUET), methods=("POST",), bodies=(*FORMS, *TABLE_TYPES),
        statuses=(400, 503), field=FIELD,
        notes="The list is the body itself, or the field targets of a form: a table with columns ra"
        " and dec (degrees, ICRS) and, if it has them, radius and id or name. The parameters stand"
        " in the address or in the form.",
    ),
    Endpoint(
        "plates", "/api/plates/{designation}", (JSON,), schema="Plate",
        statuses=(304, 400, 404, 503), methods=("GET",),
        notes="The designation may be spelt as any log spells it.",
    ),
    Endpoint(
        "history", "/api/history", (JSON, CSV), schema="History", methods=("GET",),
        examples=("", "since=2026-01-01&format=csv"),
        notes="The oldest first; with a plate, what the logs say is there as well. What was undone"
        " says by which entry. People are named only where the archive lets the public see them.",
    ),
    Endpoint(
        "progress", "/api/progress", (JSON, CSV, PNG, SVG), schema="Progress", methods=("GET",),
        examples=("by=epoch", "by=series&format=csv"), needs="scanned",
        notes="The record ends with the last day that was reported. The forecast draws weeks from"
        " it at random (block bootstrap, Künsch 1989): done by middle, in 8 of 10 cases between"
        " early and late; null beyond a century, or where why_not says why.",
    ),
    Endpoint(
        "cone", "/cone", _PROTOCOL_ROWS, errors=XML,
        examples=("RA=83.63&DEC=22.01&SR=0.5&MAXREC=5", "RA=83.63&DEC=22.01&SR=0"),
        notes="IVOA Simple Cone Search 1.03. Errors are documents with status 200, unless the"
        " settings of the service say 400. Names of parameters match in any case, and unknown ones"
        " are ignored.",
    ),
    Endpoint(
        "sia", "/sia2/query", _PROTOCOL_ROWS, errors=XML,
        examples=("POS=RANGE+83+84+21+23&MAXREC=5",),
        notes="IVOA Simple Image Access 2.0: rows of ObsCore 1.1, of plates scanned or not. A"
        " parameter may be repeated: any of its values will do. Names match in any case, and"
        " unknown ones are ignored.",
    ),
    Endpoint(
        "", "/capabilities", (XML,), "What the cone search can do: VOSI 1.1.",
        statuses=(304, 503), errors=XML, methods=("GET",),
    ),
    Endpoint(
        "", "/availability", (XML,), "Whether the archive can be asked just now: VOSI 1.1.",
        statuses=(), errors=XML, methods=("GET",),
    ),
    Endpoint(
        "", "/sia2/capabilities", (XML,), "What the image service can do: VOSI 1.1.",
        statuses=(304, 503), errors=XML, methods=("GET",),
    ),
    Endpoint(
        "", "/sia2/availability", (XML,), "The same of the image service: VOSI 1.1.",
        statuses=(), errors=XML, methods=("GET",),
    ),
    Endpoint(
        "", "/api/openapi.json", (JSON,), "This description: OpenAPI 3.1.", methods=("GET",),
        schema="Description",
    ),
)  # fmt: skip


def endpoints(settings: Settings) -> list[Endpoint]:
    """Those that answer under given settings."""
    return [each for each in ENDPOINTS if not each.needs or settings.is_public(each.needs)]
