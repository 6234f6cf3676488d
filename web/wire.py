"""Every answer as it leaves: strict headers, how long it may be kept, its short form, and what failed."""

from __future__ import annotations

import gzip
import re
from collections.abc import Callable
from typing import Any

import msgspec
from flask import Flask, Response, current_app, make_response, render_template, request
from werkzeug.exceptions import HTTPException

from web import home

GZIP_FROM_BYTES = 700

HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; "
        "manifest-src 'self'; worker-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}


def connect(app: Flask) -> None:
    """Have every answer of the app leave like that."""
    app.after_request(_finish)
    app.register_error_handler(HTTPException, _refuse)
    app.register_error_handler(Exception, _fail)
    app.wsgi_app = _Guarded(app.wsgi_app)  # type: ignore[method-assign, assignment]


def json_answer(body: dict[str, Any], code: int) -> Response:
    """An answer to a script."""
    response = make_response(msgspec.json.encode(body), code)
    response.mimetype = "application/json"
    return response


def held_tag() -> str:
    """The tag of what the asking page holds; empty where it names none. A proxy that compresses marks a tag
    as weak (RFC 9110, section 8.8.1): it is the same one."""
    return next(iter(request.if_none_match.as_set(include_weak=True)), None) or ""


def _finish(response: Response) -> Response:
    """How long an answer may be kept, and a short form where it pays."""
    if request.endpoint in home.ENDPOINTS:
        response.headers["Cache-Control"] = home.keeps_for()
        response.headers["Vary"] = "Accept-Encoding"
        response.direct_passthrough = False
        response.make_sequence()
    else:
        response.headers["Cache-Control"] = "no-store"
        response.headers["Vary"] = "Accept-Encoding, Cookie"
    _shorten(response)
    return response


class _Guarded:
    """Puts the strict headers on every answer; a page's files, which show and run nothing alone, have few."""

    def __init__(self, app: Callable[..., Any]) -> None:
        self._app = app

    def __call__(self, environ: dict[str, Any], start: Callable[..., Any]) -> Any:
        if not _HOST.fullmatch(environ.get("HTTP_HOST", "localhost")):
            start("400 Bad Request", [("Content-Type", "text/plain; charset=utf-8"), *_ALL])
            return [b"The request names no host that could be this board.\n"]

        def begin(status: str, headers: list[tuple[str, str]], exc_info: Any = None) -> Any:
            used = environ["PATH_INFO"].startswith("/static/") and environ["PATH_INFO"].endswith(_ONLY_USED)
            return start(status, headers + (_FEW if used else _ALL), exc_info)

        return self._app(environ, begin)


_LABEL = r"[A-Za-z0-9_-]{1,63}"
_HOST = re.compile(rf"(\[[0-9A-Fa-f:.]{{2,45}}\]|{_LABEL}(\.{_LABEL}){{0,30}}\.?)(:[0-9]{{1,5}})?")
"""RFC 9110, section 7.2, with the labels of RFC 1035, section 2.3.4. Anything else fails in the framework,
where no page can be made of it."""
_ALL = list(HEADERS.items())
_ONLY_USED = (".css", ".js", ".png")
"""Files that a page uses and that run nothing where they are opened by themselves."""
_FEW = [(name, HEADERS[name]) for name in ("X-Content-Type-Options", "Cross-Origin-Resource-Policy")]


def _shorten(response: Response) -> None:
    if "gzip" not in request.environ.get("HTTP_ACCEPT_ENCODING", ""):
        return
    if response.status_code == 304 or response.is_streamed or not request.accept_encodings["gzip"]:
        return
    body = response.get_data()
    if len(body) >= GZIP_FROM_BYTES:
        response.set_data(gzip.compress(body, 6, mtime=0))
        response.headers["Content-Encoding"] = "gzip"


def _refuse(error: HTTPException) -> Response:
    sentences = {
        404: "There is no such page here.",
        405: "That can't be done from the address line. Use the buttons of the page.",
        413: "That was too much text for one form.",
    }
    code = error.code or 500
    return make_response(
        render_template("error.html", text=sentences.get(code, "That request made no sense.")), code
    )


def _fail(error: Exception) -> Response:
    current_app.logger.exception("page failed", exc_info=error)
    text = (
        "This page has failed; the daemon is not touched by that. Look again; the log on the board says more."
    )
    return make_response(render_template("error.html", text=text), 500)
