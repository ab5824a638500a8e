"""What of a history the public may see: facts by their columns, people where they may be named."""

from typing import Any

from platecover.coverage.columns import PLATE_FACTS
from platecover.service.settings import Settings

_PEOPLE = ("by", "posted_by", "notes")  # notes may name anybody
_UNDO = "undo"


def public_history(rows: list[dict[str, Any]], settings: Settings) -> list[dict[str, Any]]:
    """Rows of a history without what the public may not see.

    What is no single fact, such as an outcome, shows only where all facts may be seen.
    """
    all_facts = all(map(settings.is_public, PLATE_FACTS))
    seen = [
        row
        for row in rows
        if (settings.is_public(row["fact"]) if row["fact"] in PLATE_FACTS else all_facts)
    ]
    return seen if settings.shows_people else [_without_people(row) for row in seen]


def _without_people(row: dict[str, Any]) -> dict[str, Any]:
    """A row that names nobody; what the logs say is signed by no person."""
    if row.get("at") is None:
        return row
    hidden = (*_PEOPLE, "why") if row["fact"] == _UNDO else _PEOPLE
    return {name: None if name in hidden else value for name, value in row.items()}
