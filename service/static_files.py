"""The page's own files, under /static/: of known kinds only, without asking the archive."""

from importlib import resources
from pathlib import PurePosixPath

from flask import Blueprint, Response, send_from_directory
from werkzeug.exceptions import NotFound

blueprint = Blueprint("static_files", __name__)

_FOLDER = str(resources.files("platecover") / "static")
_MEDIA_TYPES = {
    ".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml", ".png": "image/png",
    ".json": "application/json",
}  # fmt: skip


@blueprint.route("/static/<path:name>")
def static_file(name: str) -> Response:
    """A file of the folder; its ETag lets a browser ask whether it has changed."""
    path = PurePosixPath(name)
    media_type = _MEDIA_TYPES.get(path.suffix)
    if media_type is None or path.name.startswith("."):
        raise NotFound()
    return send_from_directory(_FOLDER, name, mimetype=media_type)
