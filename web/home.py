"""What a phone keeps: stylesheet and script under names that change with them, an icon and a window of its
own, and, where browsers allow one (on this board itself, or over HTTPS they trust), a worker that shows the
last state when nothing answers. Over plain HTTP there is no worker, and nothing is promised."""

from __future__ import annotations

from hashlib import sha256
from pathlib import Path

import msgspec
from flask import Flask, Response, make_response, request, send_from_directory, url_for

STATIC = Path(__file__).parent / "static"
ENDPOINTS = ("static", "worker")
"""What is the same for everybody, paired or not."""
YEAR_S = 365 * 24 * 3600
_CONTENT = {f.name: sha256(f.read_bytes()).hexdigest()[:8] for f in sorted(STATIC.iterdir()) if f.is_file()}


def connect(app: Flask, name: str) -> None:
    """Give the app the addresses of these. name: under the icon on a home screen."""
    app.jinja_env.globals["asset"] = asset
    app.add_url_rule("/worker.js", "worker", _worker)
    app.add_url_rule("/manifest.webmanifest", "manifest", lambda: _manifest(name))


def asset(filename: str) -> str:
    """The address of a static file, which changes with what is in it."""
    return url_for("static", filename=filename, v=_CONTENT[filename])


def keeps_for() -> str:
    """Cache-Control of a static file: for good under the address that tells its content."""
    content = _CONTENT.get((request.view_args or {}).get("filename", ""))
    named = content is not None and request.args.get("v") == content
    return f"public, max-age={YEAR_S}, immutable" if named else "no-cache"


def _worker() -> Response:
    return send_from_directory(STATIC, "worker.js", mimetype="text/javascript")


def _manifest(name: str) -> Response:
    """Its own window, begun at Now."""
    told = {
        "name": name,
        "short_name": name[:12],
        "id": "/",
        "start_url": "/",
        "scope": "/",
        "display": "standalone",
        "background_color": "#0f1617",
        "theme_color": "#0f1617",
        "icons": [
            {"src": asset("icon.svg"), "sizes": "any", "type": "image/svg+xml"},
            {
                "src": asset("icon-512.png"),
                "sizes": "512x512",
                "type": "image/png",
                "purpose": "any maskable",
            },
        ],
    }
    response = make_response(msgspec.json.encode(told))
    response.mimetype = "application/manifest+json"
    return response
