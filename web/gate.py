"""What the request at hand may do, and the form it sent: access.py's rules on cookies, record and headers."""

from __future__ import annotations

import secrets
import sqlite3
import time
from functools import partial
from hashlib import sha256
from typing import Any

from flask import Response, g, request

from probe_agent import pairing
from probe_agent.config import Page
from probe_agent.store import Session, StoreError
from web.access import (
    SHORT,
    FormTokens,
    Permit,
    Reason,
    Way,
    form_cookie,
    forwarding,
    lack_of,
    permit_of,
    same_origin,
    session_cookie,
    way_of,
)
from web.record import Record


def permit() -> Permit:
    """What the request at hand may do."""
    found: Permit = g.permit
    return found


def way() -> Way:
    """How the request at hand came."""
    found: Way = g.way
    return found


class Gate:
    """Finds out who asks, and judges the forms they send."""

    def __init__(self, page: Page, record: Record) -> None:
        self.page, self.record = page, record
        self.tokens = FormTokens()

    def look(self) -> Permit:
        """Find out how this request came and what it may do; permit() and way() tell it from now on."""
        headers = forwarding(request.environ)
        g.way = way_of(request.remote_addr, request.host, request.scheme, headers, self.page.proxy)
        session, lack = (None, "unpaired") if g.way.local else self._session()
        g.permit = permit_of(g.way, session, self.page, lack)
        return permit()

    def _session(self) -> tuple[Session | None, Reason]:
        """The session of the request's cookie; without one, why there is none."""
        token = request.cookies.get(session_cookie(way().https))
        if not token:
            return None, "unpaired"
        try:
            found = self.record.session(pairing.token_hash(token), time.time())
        except (StoreError, sqlite3.Error):
            return None, "unread"
        return found, "ended"

    def refusal(self, kind: str | None) -> str | None:
        """Why a command of that kind isn't taken of this request, None where it is; kind None: what asks
        for no right."""
        lack = None if kind is None else permit().why_not(kind)
        if lack is not None:
            return f"Nothing was done. {SHORT[lack]}"
        if not same_origin(request.host, dict(request.headers), way().https):
            return "Nothing was done: the request came from another page. Open this page and press there."
        cookie, paired = self._form_key()
        if not self.tokens.fits(cookie, request.form.get("token"), paired):
            return "Nothing was done: the form was too old. This page is fresh; press again."
        return None

    def form_number(self) -> str | None:
        """The number of the form that was sent, a browser's own; None where it came without one."""
        once = request.form.get("once", "")[:64]
        if not once:
            return None
        return sha256(f"{self._form_key()[0]} {once}".encode()).hexdigest()[:32]

    def session_token(self, number: str) -> str:
        """The token of the session that the pairing form with that number begins."""
        return self.tokens.session_token(self._form_key()[0] or "", number)

    def forms(self) -> dict[str, Any]:
        """What the forms of a page need: token, once, why_not. A browser without a cookie for them is given
        one by `give_cookie`."""
        cookie, paired = self._form_key()
        g.fresh_cookie = None if cookie else self.tokens.new_cookie()
        return {
            "token": self.tokens.token(cookie or g.fresh_cookie or "", paired),
            "once": lambda: secrets.token_urlsafe(12),
            "why_not": partial(lack_of, permit()),
        }

    def give_cookie(self, response: Response) -> None:
        """After `forms`: the cookie they rest on, where the browser has none and could act."""
        fresh, https = g.fresh_cookie, way().https
        if fresh and (permit().local or permit().offers) and "X-Unasked" not in request.headers:
            name = form_cookie(https)
            response.set_cookie(name, fresh, samesite="Strict", httponly=True, secure=https)

    def _form_key(self) -> tuple[str | None, bool]:
        """The cookie that this request's forms rest on, and whether it is a session's."""
        https = way().https
        if permit().session is not None:
            return request.cookies.get(session_cookie(https)), True
        return request.cookies.get(form_cookie(https)), False
