"""Everything a keeper may set of the service, in one table: name, default, meaning.

`platecover serve --settings FILE` reads a TOML file of `name = value` lines.
"""

import hashlib
import re
import tomllib
from dataclasses import dataclass, field, fields
from functools import cached_property
from pathlib import Path
from typing import Any, NamedTuple

from platecover.coverage.columns import EXPOSURE_COLUMNS, PLATE_COLUMNS, RESULT_COLUMNS
from platecover.coverage.errors import QueryError
from platecover.coverage.log_cells import LOG_COLUMNS
from platecover.coverage.sky_map import FINEST_MAP_ORDER
from platecover.coverage.target_list import MOST_TARGETS
from platecover.coverage.value_checks import HIGHEST_ORDER

ALWAYS_PUBLIC = ("exposure_id", "s_ra", "s_dec")  # Simple Cone Search cannot do without them
HALF_CIRCLE_DEG = 180.0
_AUTHORITY = re.compile(r"[A-Za-z0-9][A-Za-z0-9.-]{2,}")
_ADDRESS = re.compile(r"https?://[^\s/?#<>\"]+(/[^\s?#<>\"]*)?")


def _setting(default: Any, meaning: str) -> Any:
    return field(default=default, metadata={"meaning": meaning})


@dataclass(frozen=True)
class Settings:
    """The settings of a service; each field's meaning stands beside it.

    Raises
    ------
    QueryError
        If a value is of the wrong kind, out of range, or names a column that there is not.
    """

    largest_radius_deg: float = _setting(
        HALF_CIRCLE_DEG, "Largest radius of a cone or circle, degrees."
    )
    default_maxrec: int = _setting(100_000, "Rows in an answer when the question sets no limit.")
    largest_maxrec: int = _setting(1_000_000, "Most rows that a question may ask for.")
    most_polygon_corners: int = _setting(1000, "Most corners of a polygon.")
    longest_region_text: int = _setting(60_000, "Longest text of a region, in characters.")
    longest_moc_text: int = _setting(1_000_000, "Longest text of a MOC region, in characters.")
    longest_value: int = _setting(1000, "Longest value of any other parameter, in characters.")
    finest_map_order: int = _setting(9, "Finest HEALPix order of a map.")
    finest_moc_order: int = _setting(11, "Finest HEALPix order of a MOC.")
    largest_body_bytes: int = _setting(
        1_200_000, "Largest body of a POST: a MOC of the longest text and the rest of a form."
    )
    largest_targets_bytes: int = _setting(20_000_000, "Largest body that holds a list of targets.")
    most_targets: int = _setting(MOST_TARGETS, "Most rows of a list of targets.")
    most_target_pairs: int = _setting(
        20_000_000, "Most pairs of target and exposure in the answer to a list."
    )
    most_planned_plates: int = _setting(
        2_000, "Most plates of a plan or pull list that is asked for over HTTP."
    )
    cone_errors_are_http_400: bool = _setting(
        False, "Whether errors of /cone have HTTP status 400; the protocol's old clients want 200."
    )
    citation: str = _setting(
        "", "How to cite the archive, one line; empty for one made of the observatory's name."
    )
    public_url: str = _setting(
        "",
        "Address under which the public reaches the service, such as https://plates.example/;"
        " empty for the one that a request names.",
    )
    publisher_authority: str = _setting(
        "unregistered.invalid",
        "Authority in the identifiers of images, ivo://AUTHORITY/plates?EXPOSURE; a placeholder"
        " until one is registered with the IVOA.",
    )
    public_columns: str = _setting(
        "", "Columns that the public may see, parted by commas; empty for all."
    )

    people_are_public: bool = _setting(
        True,
        "Whether the public may see who reported what of a plate; never where public_columns leaves"
        " out observer.",
    )

    def __post_init__(self) -> None:
        """Refuse values that cannot be."""
        for each in fields(self):
            value, kind = getattr(self, each.name), type(each.default)
            if kind is float and type(value) is int:
                object.__setattr__(self, each.name, float(value))
            elif type(value) is not kind:
                raise _refusal(each.name, value, f"must be {_KINDS[kind]}")
        self._check_range("largest_radius_deg", 0, HALF_CIRCLE_DEG)
        self._check_range("finest_map_order", 0, FINEST_MAP_ORDER)
        self._check_range("finest_moc_order", 0, HIGHEST_ORDER)
        for each in fields(self):
            if type(each.default) is int and each.name not in _ORDERS:
                self._check_range(each.name, 1, _LARGEST_WHOLE_NUMBER)
        if self.default_maxrec > self.largest_maxrec:
            raise _refusal("default_maxrec", self.default_maxrec, "is above largest_maxrec")
        if self.public_url and not _ADDRESS.fullmatch(self.public_url):
            rule = "must be an address such as https://plates.example/"
            raise _refusal("public_url", self.public_url, rule)
        if not _AUTHORITY.fullmatch(self.publisher_authority):
            rule = "must be at least three letters, digits, points, hyphens: plates.example"
            raise _refusal("publisher_authority", self.publisher_authority, rule)
        unknown = [name for name in self._named_columns() if name not in _KNOWN_COLUMNS]
        if unknown:
            known = ", ".join(sorted(_KNOWN_COLUMNS))
            raise _refusal("public_columns", unknown[0], f"is no column; known: {known}")

    def _check_range(self, name: str, low: float, high: float) -> None:
        value = getattr(self, name)
        if not (low <= value <= high):
            raise _refusal(name, value, f"must be from {low:g} to {high:g}")

    def _named_columns(self) -> list[str]:
        return [name.strip() for name in self.public_columns.split(",") if name.strip()]

    def is_public(self, column: str) -> bool:
        """Whether the public may see a column."""
        named = self._public
        return not named or column in named or column in ALWAYS_PUBLIC

    @property
    def shows_people(self) -> bool:
        """Whether the public may see who reported what."""
        return self.people_are_public and self.is_public("observer")

    @cached_property
    def _public(self) -> frozenset[str]:
        return frozenset(self._named_columns())

    @property
    def hides_columns(self) -> bool:
        """Whether there is any column that the public may not see."""
        return bool(self._public)

    @cached_property
    def digest(self) -> str:
        """A text that differs where answers under other settings may differ."""
        return hashlib.sha256(repr(self).encode()).hexdigest()


_KINDS = {float: "a number", int: "a whole number", bool: "true or false", str: "text"}
_ORDERS = ("finest_map_order", "finest_moc_order")
_LARGEST_WHOLE_NUMBER = 1_000_000_000
_KNOWN_COLUMNS = {
    *(column.name for column in (*RESULT_COLUMNS, *EXPOSURE_COLUMNS, *PLATE_COLUMNS)),
    *LOG_COLUMNS,
}


class Setting(NamedTuple):
    """One line of the table of settings."""

    name: str
    default: Any
    meaning: str


SETTINGS: tuple[Setting, ...] = tuple(
    Setting(each.name, each.default, each.metadata["meaning"]) for each in fields(Settings)
)


def read_settings(path: Path) -> Settings:
    """Read settings from a TOML file; those it does not name keep their defaults.

    Raises
    ------
    QueryError
        If the file cannot be read, or names a setting that there is not, or a value is wrong.
    """
    try:
        given = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as fault:
        raise QueryError(
            "settings", str(path), f"{path}: cannot be read ({fault.strerror})"
        ) from None
    except ValueError as fault:  # no UTF-8 or no TOML
        raise QueryError("settings", str(path), f"{path}: not TOML ({fault})") from None
    names = [each.name for each in SETTINGS]
    for name in given:
        if name not in names:
            raise QueryError(
                "settings", name, f"{path}: unknown setting {name!r}; known: {', '.join(names)}"
            )
    try:
        return Settings(**given)
    except QueryError as fault:
        raise QueryError("settings", fault.value, f"{path}: {fault}") from None


def _refusal(name: str, value: object, rule: str) -> QueryError:
    return QueryError(name, value, f"setting {name}: {value!r} {rule}")
