"""The table of settings: whole, used, and strict with what a keeper writes."""

import re
from dataclasses import FrozenInstanceError, fields
from pathlib import Path

import pytest

from platecover.coverage.errors import QueryError
from platecover.service.settings import SETTINGS, Settings, read_settings

SERVICE = Path(__file__).resolve().parent.parent / "service"


def test_every_setting_has_a_sentence_and_a_default() -> None:
    assert [each.name for each in SETTINGS] == [each.name for each in fields(Settings)]
    for each in SETTINGS:
        assert re.fullmatch(r"[A-Z].+\.", each.meaning), each.name
        assert getattr(Settings(), each.name) == each.default


def test_every_setting_is_used_and_every_used_one_exists() -> None:
    # what the code reads of settings, its own module left out
    source = "".join(
        path.read_text() for path in SERVICE.glob("*.py") if path.name != "settings.py"
    )
    used = set(re.findall(r"\bsettings(?:\(\))?\.([a-z_0-9]+)", source))
    methods = {"is_public", "hides_columns", "digest"}  # through which public_columns is read
    assert methods <= used
    methods |= {"shows_people"}  # and people_are_public
    within = {"public_columns", "people_are_public"}
    assert used - methods - {"py"} == {each.name for each in SETTINGS} - within


def test_settings_do_not_change() -> None:
    with pytest.raises(FrozenInstanceError):
        Settings().default_maxrec = 1  # type: ignore[misc]


def test_a_file_changes_what_it_names(tmp_path: Path) -> None:
    path = tmp_path / "service.toml"
    path.write_text(
        "largest_radius_deg = 10\ncone_errors_are_http_400 = true\n"
        'public_columns = "plate, t_min ,notes"\n'
    )
    settings = read_settings(path)
    assert settings == Settings(
        largest_radius_deg=10.0,
        cone_errors_are_http_400=True,
        public_columns="plate, t_min ,notes",
    )
    assert settings.digest != Settings().digest
    shown = [n for n in ("plate", "t_min", "notes", "observer", "s_ra") if settings.is_public(n)]
    assert shown == ["plate", "t_min", "notes", "s_ra"]  # a cone search cannot do without s_ra
    assert settings.hides_columns and not Settings().hides_columns


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("largest_radius = 1", "unknown setting 'largest_radius'; known: largest_radius_deg"),
        ("largest_radius_deg = nan", "largest_radius_deg: nan must be from 0 to 180"),
        ("largest_radius_deg = 181", "largest_radius_deg: 181.0 must be from 0 to 180"),
        ("largest_radius_deg = '5'", "largest_radius_deg: '5' must be a number"),
        ("default_maxrec = 1.5", "default_maxrec: 1.5 must be a whole number"),
        ("default_maxrec = true", "default_maxrec: True must be a whole number"),
        ("default_maxrec = 2000000", "is above largest_maxrec"),
        ("most_polygon_corners = 0", "most_polygon_corners: 0 must be from 1"),
        ("finest_map_order = 30", "finest_map_order: 30 must be from 0 to 10"),
        ("finest_moc_order = -1", "finest_moc_order: -1 must be from 0 to 29"),
        ("cone_errors_are_http_400 = 1", "must be true or false"),
        ("public_columns = 'plate,sreies'", "'sreies' is no column; known: "),
        ("public_columns", "not TOML"),
    ],
)
def test_bad_input_is_refused_by_name(tmp_path: Path, text: str, message: str) -> None:
    path = tmp_path / "service.toml"
    path.write_text(text)
    with pytest.raises(QueryError, match=f"^{re.escape(str(path))}: .*{re.escape(message)}"):
        read_settings(path)


@pytest.mark.parametrize("content", [None, b"\xff\xfe"])
def test_a_file_that_cannot_be_read(tmp_path: Path, content: bytes | None) -> None:
    path = tmp_path / "service.toml"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(QueryError, match="cannot be read|not TOML"):
        read_settings(path)


def test_readme_lists_every_setting() -> None:
    readme = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
    for each in fields(Settings):
        assert f"| `{each.name}` |" in readme
        assert str(each.metadata["meaning"]) in readme
