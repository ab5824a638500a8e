"""What every answer does whatever was asked: headers, where it comes from, gzip, other sites.

Anyone may read from any site: there is nothing here but the public archive, and no cookies.
"""

import zlib
from collections.abc import Iterator
from urllib.parse import quote, urlencode, urlsplit

from flask import Flask, Response, g, request

from platecover.service.asking import (
    CITATION_HEADER,
    EDITION_DATE_HEADER,
    EDITION_HEADER,
    TRUNCATED_HEADER,
    UNDATED_HEADER,
    provenance,
    service,
)

DESCRIPTION_PATH, GUIDE_PATH = "/api/openapi.json", "/api/"

_HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "Content-Security-Policy": (
        "default-src 'self'; object-src 'none'; base-uri 'none'; form-action 'self';"
        " frame-ancestors 'none'"
    ),
    "Referrer-Policy": "same-origin",
    "Access-Control-Allow-Origin": "*",
    "Access-Control-Expose-Headers": ", ".join((
        EDITION_HEADER, EDITION_DATE_HEADER, CITATION_HEADER, TRUNCATED_HEADER,
        UNDATED_HEADER, "Content-Disposition", "Content-Location", "ETag", "Link",
    )),
}  # fmt: skip
_PREFLIGHT = {
    "Access-Control-Allow-Headers": "Accept, Content-Type, If-None-Match",
    "Access-Control-Max-Age": "86400",  # seconds; a day
}
_LONGEST_LOCATION = 8000  # characters of an address that servers and proxies take (RFC 9110, 4.1)
_TEXTS = (
    "text/",
    "application/json",
    "application/x-votable+xml",
    "image/svg+xml",
    "application/octet-stream",
)
_FIRST_SHOWN, _BEYOND_SHOWN = 0x20, 0x7F  # of ASCII
_LEAST_GZIP_BYTES = 1_000  # less fits a packet or two as it is
_GZIP_LEVEL = 1  # three times as fast as the usual 6, a fifth larger
_GZIP_WINDOW = 31  # zlib's way to ask for gzip's header with the largest window


def register_manners(app: Flask) -> None:
    """Give all answers of an application their headers, and those who ask for it gzip."""
    app.after_request(_finish)


def _finish(response: Response) -> Response:
    for name, value in _HEADERS.items():
        response.headers.setdefault(name, value)
    root = public_root()
    response.headers["Link"] = (  # relations of RFC 8631
        f'<{root}{DESCRIPTION_PATH}>; rel="service-desc", <{root}{GUIDE_PATH}>; rel="service-doc"'
    )
    if request.method == "OPTIONS":
        _answer_preflight(response)
    elif "archive" in g and response.status_code in (200, 304):
        _say_where_from(response, root)
    if (response.mimetype or "").startswith(_TEXTS):
        response.vary.add("Accept-Encoding")
        if _wants_gzip(response):
            _gzip(response)
    return response


def public_root() -> str:
    """Path under which the public finds our own `/`, without the slash; mostly ''."""
    return quote(urlsplit(service().settings.public_url).path.rstrip("/"), safe="/%")


def _answer_preflight(response: Response) -> None:
    """Tell a browser what a page of another site may send to this path."""
    response.headers.update(_PREFLIGHT)
    if "Allow" in response.headers:
        response.headers["Access-Control-Allow-Methods"] = response.headers["Allow"]
        response.headers.pop("Content-Type", None)  # there is no body that could have one


def _say_where_from(response: Response, root: str) -> None:
    """Edition, date and citation, and the address at which GET asks the same question."""
    said = provenance()
    response.headers[EDITION_DATE_HEADER] = said["edition_date"]
    response.headers[CITATION_HEADER] = display_string(said["citation"])
    if request.url_rule is None or "GET" not in (request.url_rule.methods or ()):
        return
    asked = [*request.args.items(multi=True), *request.form.items(multi=True)]
    query = urlencode(asked, errors="replace")
    location = root + quote(request.path) + (f"?{query}" if query else "")
    if len(location) <= _LONGEST_LOCATION:
        response.headers["Content-Location"] = location


def display_string(text: str) -> str:
    """Text of any letters in a header, as a Display String of RFC 9651, section 3.3.8."""
    shown = (
        chr(byte) if _FIRST_SHOWN <= byte < _BEYOND_SHOWN and byte not in b'%"' else f"%{byte:02x}"
        for byte in text.encode(errors="replace")
    )
    return f'%"{"".join(shown)}"'


def _wants_gzip(response: Response) -> bool:
    """Whether the client takes gzip and the answer is worth it."""
    if response.status_code != 200 or "Content-Encoding" in response.headers:
        return False
    if request.accept_encodings["gzip"] <= 0:
        return False
    return response.is_streamed or _length(response) >= _LEAST_GZIP_BYTES


def _length(response: Response) -> int:
    return response.calculate_content_length() or 0


def _gzip(response: Response) -> None:
    """Send the body packed, piece by piece as it is written."""
    pieces = response.iter_encoded()

    def packed() -> Iterator[bytes]:
        packer = zlib.compressobj(_GZIP_LEVEL, zlib.DEFLATED, _GZIP_WINDOW)
        for piece in pieces:
            if some := packer.compress(piece):
                yield some
        yield packer.flush()

    if response.is_streamed:
        response.response = packed()
        response.headers.pop("Content-Length", None)
    else:
        response.response = list(packed())
        response.headers["Content-Length"] = str(_length(response))
    response.headers["Content-Encoding"] = "gzip"
    response.headers.pop("Accept-Ranges", None)
    tag, _ = response.get_etag()
    if tag is not None:  # of the same content in other bytes
        response.set_etag(tag, weak=True)
