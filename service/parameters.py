"""The parameters of every question over HTTP, declared once: how each is read and described.

Values arrive as text, from a query string or a form; they leave as Python values, or as a
QueryError that names the parameter at fault.
"""

import difflib
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from werkzeug.datastructures import MultiDict

from platecover.coverage.errors import QueryError
from platecover.coverage.filter_table import FILTERS
from platecover.coverage.regions import Circle, Region
from platecover.coverage.value_checks import number_between

# Decimal numbers as URLs write them: Python alone would let pass 1_000, nan and other digits.
_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?")
_WHOLE_NUMBER = re.compile(r"[+-]?[0-9]+")
_FIRST_WORD = re.compile(r"[\s,]*([a-z]*)", re.IGNORECASE)
_LONGEST_NUMBER = 60  # characters
_LISTED = 30  # names or words in a message
_BLANKS = " \t\r\n"  # an unescaped + arrives as a blank


@dataclass(frozen=True)
class Parameter:
    """One parameter of a question.

    Attributes
    ----------
    name : str
    kind : str
        'number', 'integer', 'word' (one of `words`) or 'text'.
    meaning : str
    default : str, float, int or None
        Used where the parameter is not given; None for nothing.
    required : bool
    single : bool
        False: may be repeated, and its value is a list.
    words : tuple of str
        All values there are, any case; empty where they are not fixed. Of a 'text' they are
        said here but checked by the archive, which knows what a list may look like.
    low, high : float
        Limits of a number, both allowed.
    longest : int
        Most characters of a value.
    """

    name: str
    kind: str
    meaning: str
    default: str | float | int | None = None
    required: bool = False
    single: bool = True
    words: tuple[str, ...] = ()
    low: float = -math.inf
    high: float = math.inf
    longest: int = _LONGEST_NUMBER

    def read(self, given: list[str]) -> Any:
        """Python value of what was given for it, once or several times.

        Raises
        ------
        QueryError
            If it was given twice where one value is wanted, or a value is not possible.
        """
        if self.single and len(given) > 1:
            raise self._refusal(", ".join(given), f"takes one value, got {len(given)}", usage=True)
        values = [self._read_one(text) for text in given]
        return values[0] if self.single else values

    def _read_one(self, text: str) -> Any:
        text = text.strip(_BLANKS)
        if not text:
            raise self._refusal(text, "has no value", usage=True)
        if len(text) > self.longest:
            raise self._refusal(
                text, f"has {len(text)} characters, more than {self.longest}", usage=True
            )
        if self.kind == "number":
            return self._number(text)
        if self.kind == "integer":
            return self._integer(text)
        if self.kind == "word":
            word = text.lower()
            if word not in self.words:
                raise self._refusal(text, f"must be one of {_listed(self.words)}, got {text!r}",
                                    usage=True)  # fmt: skip
            return word
        return text

    def _number(self, text: str) -> float:
        if not _NUMBER.fullmatch(text):
            rule = f"must be a decimal number{self._limits('{:g}')}, got {text!r}"
            raise self._refusal(text, rule, usage=True)
        return number_between(self.name, text, self.low, self.high)

    def _integer(self, text: str) -> int:
        rule = f"must be a whole number{self._limits('{:.0f}')}, got {text!r}"
        if not _WHOLE_NUMBER.fullmatch(text):
            raise self._refusal(text, rule, usage=True)
        number = int(text)
        if not (self.low <= number <= self.high):
            raise self._refusal(text, rule)
        return number

    def _limits(self, form: str) -> str:
        if math.isinf(self.high):
            return "" if math.isinf(self.low) else f" from {form.format(self.low)} up"
        return f" from {form.format(self.low)} to {form.format(self.high)}"

    def _refusal(self, value: str, rule: str, *, usage: bool = False) -> QueryError:
        return QueryError(self.name, value, f"{self.name} {rule}", usage=usage)


@dataclass(frozen=True)
class Question:
    """A question over HTTP and all parameters it takes.

    Attributes
    ----------
    name, meaning : str
    parameters : tuple of Parameter
    lenient : bool
        True: names match in any case and unknown ones are ignored, as Simple Cone Search wants;
        False: an unknown parameter is an error, so that no slip goes unseen.
    """

    name: str
    meaning: str
    parameters: tuple[Parameter, ...]
    lenient: bool = False

    def read(self, given: MultiDict[str, str]) -> dict[str, Any]:
        """Python values by parameter name; None where neither given nor defaulted.

        Raises
        ------
        QueryError
            Naming the parameter at fault: unknown, missing, doubled, or with a value that is
            not possible.
        """
        texts = self._sorted_by_parameter(given)
        values: dict[str, Any] = {}
        for each in self.parameters:
            if each.name in texts:
                values[each.name] = each.read(texts[each.name])
            elif each.required:
                words = f": one of {_listed(each.words)}" if each.words else ""
                message = f"{each.name} is missing{words} ({each.meaning})"
                raise QueryError(each.name, None, message, usage=True)
            else:
                values[each.name] = each.default
        return values

    def _sorted_by_parameter(self, given: MultiDict[str, str]) -> dict[str, list[str]]:
        """Texts given for each parameter, in order; QueryError for an unknown name."""
        names = {each.name.lower() if self.lenient else each.name: each.name
                 for each in self.parameters}  # fmt: skip
        texts: dict[str, list[str]] = {}
        for name, values in given.lists():
            known = names.get(name.lower() if self.lenient else name)
            if known is not None:
                texts.setdefault(known, []).extend(values)
            elif not self.lenient:
                raise self._unknown(name, values[0])
        return texts

    def _unknown(self, name: str, value: str) -> QueryError:
        known = [each.name for each in self.parameters]
        near = difflib.get_close_matches(name[:_LONGEST_NUMBER].lower(), known, n=1)
        meant = f"did you mean {near[0]}? " if near else ""
        listed = f"known: {_listed(known)}" if known else "it takes none"
        message = f"{self.name} has no parameter {name!r}; {meant}{listed}"
        return QueryError(name, value, message, usage=True)


def filters_of(values: Mapping[str, Any]) -> dict[str, Any]:
    """The filters among read values, by Python keyword; those not given are left out."""
    return {
        each.keyword: values[each.name] for each in FILTERS if values.get(each.name) is not None
    }


def region_of(
    values: Mapping[str, Any], *, most_corners: int, longest_text: int, largest_radius_deg: float
) -> Region:
    """Region that `region` or `ra`, `dec`, `radius` ask for; the whole sky if neither is given.

    Parameters
    ----------
    values : mapping
        As `Question.read` gives them.
    most_corners, longest_text : int
        Limits of a polygon, and of the text of anything but a MOC.
    largest_radius_deg : float
        Of a circle.

    Raises
    ------
    QueryError
        If both ways are used, one is used in part, or the region is not possible.
    """
    place = {name: values[name] for name in ("ra", "dec", "radius")}
    given = [name for name, value in place.items() if value is not None]
    text = values["region"]
    if text is not None and given:
        message = f"give either region or ra, dec and radius, not both region and {given[0]}"
        raise QueryError("region", text, message, usage=True)
    if text is not None:
        return _parsed_region(text, most_corners, longest_text, largest_radius_deg)
    for name in place:
        if given and name not in given:
            message = f"{name} is missing: ra, dec and radius (degrees, ICRS) go together"
            raise QueryError(name, None, message, usage=True)
    if not given:
        return Region.all()
    return Region.circle(place["ra"], place["dec"], place["radius"])


def _parsed_region(
    text: str, most_corners: int, longest_text: int, largest_radius_deg: float
) -> Region:
    """Region of a stranger's text: limited in size, and without the names of files."""
    keyword = _FIRST_WORD.match(text)[1].lower()  # type: ignore[index]  # matches anything
    if keyword != "moc" and len(text) > longest_text:
        message = f"region has {len(text)} characters, more than {longest_text}"
        raise QueryError("region", text, message)
    if keyword == "polygon":
        corners = len(text.replace(",", " ").split()) // 2
        if corners > most_corners:
            message = f"the polygon has {corners} corners, more than {most_corners}"
            raise QueryError("region", text, message)
    region = Region.parse(text, files=False)
    if isinstance(region, Circle) and not (region.radius_deg <= largest_radius_deg):
        message = (
            f"circle RADIUS must not be above {largest_radius_deg:g}, got {region.radius_deg:g}"
        )
        raise QueryError("region", text, message)
    return region


def _listed(words: tuple[str, ...] | list[str]) -> str:
    return ", ".join(words[:_LISTED]) + (", ..." if len(words) > _LISTED else "")
