"""The WSGI application: blueprints, error answers and headers over one watched archive."""

import os

from flask import Flask

from platecover.coverage.archive import Archive
from platecover.service import (
    api,
    cone_search,
    foyer,
    guide,
    page,
    page_cells,
    page_place,
    plan_answers,
    poster,
    progress_api,
    pull_list_answers,
    sia,
    static_files,
    target_answers,
    vosi,
)
from platecover.service.asking import Service
from platecover.service.error_answers import register_error_answers
from platecover.service.live_archive import LiveArchive
from platecover.service.manners import register_manners
from platecover.service.questions import questions
from platecover.service.settings import Settings

_COMMON_ANSWER_BYTES = 8 << 20
_BLUEPRINTS = (
    api.blueprint, guide.blueprint, cone_search.blueprint, vosi.capabilities_blueprint,
    vosi.availability_blueprint, sia.blueprint, target_answers.blueprint, page.blueprint,
    page_cells.blueprint, page_cells.lines_blueprint,
    page_place.blueprint, poster.blueprint, foyer.blueprint, pull_list_answers.blueprint,
    plan_answers.blueprint, plan_answers.page_blueprint,
    static_files.blueprint,
    progress_api.blueprint,
)  # fmt: skip


def create_app(
    archive: str | os.PathLike[str] | Archive | LiveArchive, settings: Settings | None = None
) -> Flask:
    """Make the application that serves an archive.

    Parameters
    ----------
    archive : path, Archive or LiveArchive
        An archive's folder, or the archive opened; new editions are picked up in any case.
    settings : Settings, optional

    Raises
    ------
    ArchiveError
        If there is no sound archive.
    """
    settings = settings or Settings()
    _keep_memory_for_answers()
    if isinstance(archive, Archive):
        archive = archive.edition.folder.parent.parent
    live = archive if isinstance(archive, LiveArchive) else LiveArchive(archive)

    app = Flask("platecover", static_folder=None)
    app.config["MAX_CONTENT_LENGTH"] = settings.largest_body_bytes
    app.config["MAX_FORM_MEMORY_SIZE"] = settings.largest_body_bytes
    Service(live, settings, questions(settings)).attach_to(app.extensions)
    for blueprint in _BLUEPRINTS:
        app.register_blueprint(blueprint)
    register_error_answers(app)
    register_manners(app)
    return app


def _keep_memory_for_answers() -> None:
    """Let the C library keep freed blocks of an answer's size for the next answer.

    glibc takes the size of a large block that is freed for what it need not give back at once
    (mallopt(3), M_MMAP_THRESHOLD); asking the system again costs 1 ms for each 2 MB.
    """
    bytes(_COMMON_ANSWER_BYTES)
