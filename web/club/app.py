"""Puts a club's page together, and says who may look at it. It takes nothing: every address is for GET."""

from __future__ import annotations

import hmac
import ipaddress
from typing import Any

from flask import Flask, Response, g, make_response, render_template, request
from werkzeug.wrappers import Response as BaseResponse

from probe_agent import words
from probe_agent.config import Settings, SettingsError
from probe_agent.words import place_name
from web import choices, home, wire
from web.access import forwarding, way_of
from web.club.pages import NOW, ClubPages
from web.club.source import ClubSource, secret_in

SHORTEST_PASSWORD = 16
"""So that trying passwords leads nowhere."""


def create_club_app(source: ClubSource, settings: Settings) -> Flask:
    """The WSGI application. Raises SettingsError."""
    app = Flask("web.app")
    app.config.update(MAX_CONTENT_LENGTH=1_024)
    app.jinja_env.filters["place"] = place_name
    app.jinja_env.globals["club"] = True
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    password = viewing_password(settings)
    app.before_request(lambda: _admit(settings.page.proxy, password))
    app.url_defaults(_of_this_aircraft)
    boards = settings.club.boards if settings.club is not None else ()
    pages, add = ClubPages(app, source, boards), app.add_url_rule
    add("/", "club", pages.show)
    add("/rows", "rows", pages.rows)
    add("/a/<device>", "now", pages.now)
    add("/a/<device>/now", "now_part", pages.part)
    add("/a/<device>/curve", "curve_part", pages.curve_part)
    home.connect(app, "Aircraft")
    wire.connect(app)
    return app


def viewing_password(settings: Settings) -> str | None:
    """What is asked of those who look; None where this machine alone is listened to. Raises SettingsError."""
    file = settings.club.password_file if settings.club is not None else None
    if file is None:
        if not _is_loopback(settings.page.listen):
            raise SettingsError(
                f"page.listen: {settings.page.listen} is reached by others, and the page tells when nobody "
                f"is near an aircraft. Set club.password_file, or leave 127.0.0.1 with a proxy before it."
            )
        return None
    password = secret_in(file, "club.password_file")
    if len(password) < SHORTEST_PASSWORD:
        raise SettingsError(
            f"club.password_file: {file} holds fewer than {SHORTEST_PASSWORD} characters. Write a longer one."
        )
    return password


def _is_loopback(listen: str) -> bool:
    try:
        return listen == "localhost" or ipaddress.ip_address(listen).is_loopback
    except ValueError:
        return False


def _admit(proxy: str | None, password: str | None) -> BaseResponse | None:
    """Turn away who may not look."""
    headers = forwarding(request.environ)
    g.way = way_of(request.remote_addr, request.host, request.scheme, headers, proxy)
    words.show_clock(choices.clock())
    if request.endpoint in home.ENDPOINTS:
        return None
    if password is not None:
        given = request.authorization.password if request.authorization is not None else None
        right = hmac.compare_digest((given or "").encode(), password.encode())
        return None if right else _ask_for_password()
    by_proxy = bool(headers) and g.way.less in (None, "plain")
    if g.way.local or by_proxy:
        return None
    text = "Shown on this machine itself, and through the proxy that the settings name under page.proxy."
    return _said(text, 403)


def _ask_for_password() -> Response:
    response = _said("This page asks for its password.", 401)
    response.headers["WWW-Authenticate"] = 'Basic realm="probe-agent", charset="UTF-8"'
    return response


def _said(text: str, code: int) -> Response:
    return make_response(render_template("error.html", text=text), code)


def _of_this_aircraft(endpoint: str, values: dict[str, Any]) -> None:
    """Links on an aircraft's page lead to its own."""
    if endpoint in NOW:
        values.setdefault("device", g.get("device", "-"))
