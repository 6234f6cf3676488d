"""Pairing this phone, and ending that."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable
from contextlib import suppress

from flask import Response, redirect, request, url_for
from werkzeug.wrappers import Response as BaseResponse

from probe_agent import pairing
from probe_agent.store import StoreError
from web.access import session_cookie
from web.acts import CodeForm, Outcome
from web.desk import NO_NUMBER, Desk
from web.gate import permit, way

NO_GAIN = "Nothing was done: from here a pairing would allow nothing more."
NOT_A_CODE = (
    "That can't be a code. It has eight letters and no vowel, such as BCDF-GHJK; capitals, blanks and the "
    "dash don't matter. This was not counted as a try."
)


class PairPages:
    """What stands behind the routes of app.py. page: what is said and its status → the page Now, or the
    closed one."""

    def __init__(self, desk: Desk, page: Callable[[Outcome | None, int], Response]) -> None:
        self.desk, self.page = desk, page

    def show(self) -> Response:
        """What a pairing link opens: the form for its code, which stands behind the # and is not sent.
        Changes nothing."""
        return self.desk.respond({}, "pair.html")

    def pair(self) -> BaseResponse:
        """Try a code; the token of the session it begins goes into a cookie and nowhere else."""
        gate, commander = self.desk.gate, self.desk.commander
        refusal = gate.refusal(None) if permit().offers else NO_GAIN
        number, code = gate.form_number(), pairing.read_code(request.form.get("code", ""))
        if refusal is not None or number is None:
            return self.page(Outcome(False, refusal or NO_NUMBER), 403)
        if code is None:
            return self.page(Outcome(False, NOT_A_CODE), 422)
        token = gate.session_token(number)
        outcome = commander.pair_once(number, _code_form(code, token))
        if not outcome.ok:
            return self.page(outcome, 409)
        return self._with_session(token, redirect(url_for("now", said=number, _anchor="said"), 303))

    def _with_session(self, token: str, response: BaseResponse) -> BaseResponse:
        """The answer with the cookie of a session that has just begun, for as long as it lasts."""
        with suppress(StoreError, sqlite3.Error):
            session = self.desk.record.session(pairing.token_hash(token), time.time())
            if session is not None:
                response.set_cookie(
                    session_cookie(way().https),
                    token,
                    max_age=round(session.expires_at - time.time()),
                    samesite="Lax",  # a link in a mail read on the web has to find the phone paired
                    httponly=True,
                    secure=way().https,
                )
        return response

    def unpair(self) -> BaseResponse:
        """End this phone's own session."""
        gate, session = self.desk.gate, permit().session
        if session is None:
            return self.page(Outcome(False, "This phone is not paired."), 409)
        refusal, number = gate.refusal(None), gate.form_number()
        if refusal is not None or number is None:
            return self.page(Outcome(False, refusal or NO_NUMBER), 403)
        outcome = self.desk.commander.act_once(number, pairing.END, {"session": session.number})
        response = redirect(url_for("now", said=number, _anchor="said"), 303)
        if outcome.ok:
            response.delete_cookie(session_cookie(way().https), secure=way().https, httponly=True)
        return response


def _code_form(code: str, token: str) -> CodeForm:
    session = permit().session
    instead = session.number if session else None
    return CodeForm(code, request.form.get("label", "")[:80], permit().best, token, instead)
