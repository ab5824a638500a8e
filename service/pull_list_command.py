"""The command that lists plates to pull."""

import argparse
from pathlib import Path

from platecover.coverage.archive import Archive
from platecover.coverage.errors import QueryError
from platecover.coverage.wish_reading import read_wishes
from platecover.service.commands import filters_given, source_of
from platecover.service.pull_list_formats import (
    labels_pdf,
    own_style,
    pull_list_csv,
    pull_list_html,
    pull_list_pdf,
    summary_text,
)

_FORMS = (".html", ".pdf", ".csv")
_LARGEST_LIST_BYTES = 10_000_000  # of designations; a million of them


def pull_list(options: argparse.Namespace) -> None:
    """Write a pull list, and labels if asked."""
    form = options.out.suffix.lower()
    if form not in _FORMS:
        what = f"{options.out}: a pull list is written to a file ending in {', '.join(_FORMS)}"
        raise QueryError("out", str(options.out), what)
    if options.labels is not None and options.labels.suffix.lower() != ".pdf":
        what = f"{options.labels}: labels are written to a file ending in .pdf"
        raise QueryError("labels", str(options.labels), what)
    carry_kg = _weight(options.carry_kg.strip())
    archive, filters = Archive.open(options.archive), filters_given(options)
    if options.plates is not None:
        if filters:
            message = "filters go with --budget; a list of plates is taken as it is"
            raise QueryError(next(iter(filters)), "", message, usage=True)
        wishes = read_wishes(options.wishes) if options.wishes is not None else None
        pulled = archive.pull_list(_designations(options.plates), carry_kg, wishes)
    else:
        plan = archive.scan_plan(options.budget, options.wishes, **filters)
        pulled = archive.pull_list(plan, carry_kg)
    source = f"{source_of(archive)}."
    if form == ".html":
        content = pull_list_html(pulled, source, style=own_style())
    else:
        content = pull_list_pdf(pulled, source) if form == ".pdf" else pull_list_csv(pulled)
    _write(options.out, content)
    print(f"wrote {options.out}: {summary_text(pulled)}")
    if options.labels is not None:
        _write(options.labels, labels_pdf(pulled, source))
        print(f"wrote {options.labels}: {len(pulled.plates)} labels")


def _weight(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        message = f"carry-kg must be a number, got {text!r}"
        raise QueryError("carry_kg", text, message, usage=True) from None


def _designations(path: Path) -> list[str]:
    """Lines of a file; of a table the first column, a header `plate` left out."""
    try:
        if path.stat().st_size > _LARGEST_LIST_BYTES:
            raise QueryError("plates", str(path), f"{path}: too large for a list of designations")
        text = path.read_text(encoding="utf-8-sig")
    except OSError as fault:
        what = f"{path}: cannot be read ({fault.strerror or fault})"
        raise QueryError("plates", str(path), what) from None
    except UnicodeDecodeError:
        what = f"{path}: is not UTF-8 text; give one designation a line"
        raise QueryError("plates", str(path), what) from None
    names = [line.split(",")[0].strip().strip('"') for line in text.splitlines()]
    return names[1:] if names and names[0].lower() == "plate" else names


def _write(path: Path, content: bytes) -> None:
    try:
        path.write_bytes(content)
    except OSError as fault:
        what = f"{path}: cannot be written ({fault.strerror or fault})"
        raise QueryError("out", str(path), what) from None
