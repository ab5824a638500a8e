"""Where the page's own files are, and of which kinds they may be."""

from importlib import resources

STATIC_FOLDER = str(resources.files("platecover") / "static")
STATIC_SUFFIXES = (".css", ".js", ".svg", ".png", ".ico", ".webmanifest")
