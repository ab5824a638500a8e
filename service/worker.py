"""The process that answers: gunicorn's own, but what it refuses is told as plain text.

What is no sound HTTP never reaches the application; gunicorn would answer it with a page of HTML,
which no program that asked for XML or JSON expects.
"""

from contextlib import suppress
from http import HTTPStatus
from typing import Any

from gunicorn.http.errors import (
    ExpectationFailed,
    InvalidResponseHeader,
    InvalidResponseHeaderName,
    LimitRequestHeaders,
    LimitRequestLine,
    ParseException,
    UnsupportedTransferCoding,
)
from gunicorn.workers.gthread import ThreadWorker

from platecover.service.terminal_text import printable

LONGEST_REQUEST_LINE = 8190  # bytes; gunicorn's own most, and that of one header
_LONGEST_FAULT = 200  # characters shown of what is wrong

_OURS = (InvalidResponseHeader, InvalidResponseHeaderName)  # no fault of who asks
_STATUSES: tuple[tuple[type[Exception], HTTPStatus], ...] = (
    (LimitRequestLine, HTTPStatus.REQUEST_URI_TOO_LONG),
    (LimitRequestHeaders, HTTPStatus.REQUEST_HEADER_FIELDS_TOO_LARGE),
    (UnsupportedTransferCoding, HTTPStatus.NOT_IMPLEMENTED),  # RFC 9112, section 6.1
    (ExpectationFailed, HTTPStatus.EXPECTATION_FAILED),
    (ParseException, HTTPStatus.BAD_REQUEST),
)
_MESSAGES = {
    HTTPStatus.REQUEST_URI_TOO_LONG: f"the address is longer than {LONGEST_REQUEST_LINE} bytes;"
    " send its parameters as the form of a POST",
    HTTPStatus.REQUEST_HEADER_FIELDS_TOO_LARGE: "there are too many headers, or one is longer than"
    f" {LONGEST_REQUEST_LINE} bytes",
    HTTPStatus.INTERNAL_SERVER_ERROR: "something went wrong in the server; it is logged",
}


class Worker(ThreadWorker):  # type: ignore[misc]  # gunicorn has no types
    """A worker with threads."""

    def handle_error(self, req: Any, client: Any, addr: Any, exc: Exception) -> None:
        """Answer a request that gunicorn could not read; gunicorn calls this."""
        status = HTTPStatus.INTERNAL_SERVER_ERROR
        if not isinstance(exc, _OURS):
            status = next((own for kind, own in _STATUSES if isinstance(exc, kind)), status)
        if status is HTTPStatus.INTERNAL_SERVER_ERROR:
            self.log.error("request of %s", addr, exc_info=exc)
        else:
            self.log.warning("request of %s refused: %s", addr, printable(str(exc)))
        with suppress(OSError):  # who has gone need not be told
            client.sendall(_refusal(status, str(exc)))


def _refusal(status: HTTPStatus, fault: str) -> bytes:
    """A whole answer."""
    shown = printable(fault)[:_LONGEST_FAULT]
    message = _MESSAGES.get(status, f"this is no request that can be read: {shown}")
    body = f"{message}\n".encode()
    head = (
        f"HTTP/1.1 {status.value} {status.phrase}\r\n"
        "Connection: close\r\n"
        "Content-Type: text/plain; charset=utf-8\r\n"
        f"Content-Length: {len(body)}\r\n"
        "X-Content-Type-Options: nosniff\r\n"
        "Access-Control-Allow-Origin: *\r\n"
        "\r\n"
    )
    return head.encode() + body
