"""Plate designations: from what a log writes to one canonical name for each plate."""

import re
from collections.abc import Iterable
from dataclasses import dataclass

from platecover.coverage.text_arrays import shown

CODE_FORM = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9-]*[A-Za-z])?", re.ASCII)
_AFTER_CODE = re.compile(r"[\s\-_./]*([0-9]+)\s*([A-Za-z]*)")
_LOOKS_LIKE_ONE = re.compile(r"([^\W\d_]+(?:-[^\W\d_]+)*)[\s\-_./]*[0-9]+\s*[A-Za-z]*")
_LONGEST_DESIGNATION = 100  # characters; our limit


@dataclass(frozen=True)
class Designation:
    """One plate: code of its series, digits as written, suffix in lower case."""

    series: str
    digits: str
    suffix: str

    def number(self, *, leading_zeros: bool) -> str:
        """Return the number as text, with its leading zeros if the series keeps them."""
        return self.digits if leading_zeros else self.digits.lstrip("0") or "0"

    def canonical(self, *, leading_zeros: bool) -> str:
        """Return `CODE-NUMBERsuffix`."""
        return f"{self.series}-{self.number(leading_zeros=leading_zeros)}{self.suffix}"


def is_series_code(code: str) -> bool:
    """Whether `code` is ASCII letters, digits and inner hyphens, not ending in a digit."""
    return CODE_FORM.fullmatch(code) is not None and not code[-1].isdigit()


class DesignationReader:
    """Reads designations of an archive with known series.

    A designation is the longest series code that the text starts with, any spaces or
    `-_./`, digits, any spaces, letters, and nothing else. Codes match in any case; codes
    that differ by case alone match exactly only.

    Parameters
    ----------
    codes : iterable of str
        Series codes of the observatory file.

    Examples
    --------
    >>> DesignationReader(["QN", "QN-A"]).read("qn 0123 B")
    Designation(series='QN', digits='0123', suffix='b')
    >>> DesignationReader(["QN", "QN-A"]).read("QN-A_7").canonical(leading_zeros=False)
    'QN-A-7'
    """

    def __init__(self, codes: Iterable[str]) -> None:
        self.codes = tuple(codes)
        folded = [code.lower() for code in self.codes]
        # Longest first, so that the first that fits is the longest.
        self._order = sorted(
            ((code, code.lower(), folded.count(code.lower()) > 1) for code in self.codes),
            key=lambda entry: -len(entry[0]),
        )

    def read(self, text: str) -> Designation:
        """Return the designation that `text` spells.

        Raises
        ------
        ValueError
            With the reason: empty, unknown series (the known ones are listed), or not a
            designation.
        """
        plain = text.strip()
        if plain == "":
            raise ValueError("no designation")
        if len(plain) > _LONGEST_DESIGNATION:
            raise ValueError(f"{shown(text)} is too long for a designation")
        code = self._code_of(plain)
        if code is not None:
            match = _AFTER_CODE.fullmatch(plain, len(code))
            if match:
                return Designation(code, match[1], match[2].lower())
        likely = _LOOKS_LIKE_ONE.fullmatch(plain)
        known = ", ".join(self.codes)
        if likely and (code is None or likely[1].lower() != code.lower()):
            raise ValueError(f"unknown series {shown(likely[1])}; known: {known}")
        rule = "a series code, a number and, if any, letters"
        raise ValueError(f"{shown(text)} is not a designation: {rule}; known series: {known}")

    def _code_of(self, text: str) -> str | None:
        folded = text.lower()
        for code, lower, exact in self._order:
            if text.startswith(code) if exact else folded.startswith(lower):
                return code
        return None
