"""A link from a message: a page with one button. Opening it changes nothing; one press answers once.

The token in the address is a capability of its own: it needs no session, is bound to one alert and one
recipient, ends with the alert, and can say "seen" or "it is off", never on.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path

from flask import Flask, Response, make_response, render_template, request

from probe_agent import words
from probe_agent.config import Settings
from probe_agent.status import AlertNow, Status, StatusError, utc_seconds, utc_text
from probe_agent.store import TEST, Link, Reader, StoreError, link_hash
from web.acts import Commander, Outcome
from web.source import StatusSource

SHORTEST_TOKEN, LONGEST_TOKEN = 20, 64
"""The code of a test message has six digits: typed by who may act, it is one of few; as an address that
anybody may open it could be guessed."""
ENDPOINTS = ("answer_link", "press_link")
"""Pages that ask for no session: their token is what lets them act."""


def connect(
    app: Flask, source: StatusSource, store_path: Path, settings: Settings, commander: Commander
) -> None:
    """Give the app the page behind the links of messages."""
    links = _Links(source, store_path, settings, commander)
    for endpoint, view, method in zip(ENDPOINTS, (links.show, links.press), ("GET", "POST"), strict=True):
        app.add_url_rule("/answer/<token>", endpoint, view, methods=[method])


class _Links:
    def __init__(
        self, source: StatusSource, store_path: Path, settings: Settings, commander: Commander
    ) -> None:
        self.source, self.store_path = source, store_path
        self.settings, self.commander = settings, commander

    def show(self, token: str) -> Response:
        """What the link asks, with its button; or why it has none any more. Changes nothing."""
        try:
            link, status = self._find(token), self._status()
        except (StoreError, sqlite3.Error):
            return self._page("The record can't be read just now. Try again in a minute.", code=503)
        if link is None:
            return self._page("This address is in no message of ours. Copy the whole link.", code=404)
        over = _why_over(link, status)
        if over is not None:
            return self._page(over, code=410)
        return self._page(_question(link, status), button=_button(link), note=_note(link))

    def press(self, token: str) -> Response:
        """The button was pressed."""
        try:
            link = self._find(token)
        except (StoreError, sqlite3.Error):
            return self._page("Nothing was done: the record can't be read. Try again in a minute.", code=503)
        if link is None:
            return self._page("Nothing was done: this address is in no message of ours.", code=404)
        token_hash = link_hash(token).hex()
        said = self.commander.act_once(f"link {token_hash}", "answer-link", {"hash": token_hash})
        return self._said(said)

    def _said(self, said: Outcome) -> Response:
        text = said.text if not said.ok else f"{said.text} You can close this page."
        return self._page(text, code=200 if said.ok else 409)

    def _find(self, token: str) -> Link | None:
        if not SHORTEST_TOKEN <= len(token) <= LONGEST_TOKEN:
            return None
        reader = Reader(self.store_path)
        try:
            return reader.link(link_hash(token))
        finally:
            reader.close()

    def _status(self) -> Status | None:
        try:
            return self.source.read()
        except StatusError:
            return None

    def _page(self, text: str, button: str = "", note: str = "", code: int = 200) -> Response:
        aircraft = self.settings.aircraft.name
        page = render_template(
            "answer.html", aircraft=aircraft, text=text, button=button, note=note, action=request.path
        )
        return make_response(page, code)


def _why_over(link: Link, status: Status | None) -> str | None:
    """Why the link answers nothing any more; None while it does."""
    if link.used_at is not None:
        return "This was answered already. Nothing is left to do here."
    if link.closed_at is not None:
        return "This is over; nothing is left to answer. The page says how things stand."
    if status is not None and utc_seconds(status.now) > link.expires_at:
        return "This link is too old. The page says how things stand."
    return None


def _question(link: Link, status: Status | None) -> str:
    """What is asked, as it stands now."""
    if link.alert.startswith(f"{TEST}:"):
        return f"A test message to {link.recipient}: did it reach you?"
    if status is None:
        return "The daemon gives no status just now; an answer may have to wait."
    found = next((a for a in status.alerts if a.id == link.alert), None)
    since = utc_text(utc_seconds(status.now))
    kind, place = link.kind or "", link.place
    shown = found or AlertNow(link.alert, kind, since, link.harm, place, (), None)
    at = words.stamp(utc_seconds(status.now), status.zone)
    return f"{at}. {words.alert(shown, status)} {words.coldest(status)}"


def _button(link: Link) -> str:
    """The label of the one button."""
    if link.alert.startswith(f"{TEST}:"):
        return words.answer_label("received")
    return words.answer_label(words.link_answer(link.alert.partition(":")[0], link.harm))


def _note(link: Link) -> str:
    """What pressing does, and what it does not."""
    if link.alert.startswith(f"{TEST}:"):
        return "Pressing tells the board that messages reach you. It does nothing else."
    if link.harm:
        return (
            "Press only once you have switched it off or seen it off. Pressing tells the board so and "
            "switches nothing; if the engine goes on warming, it asks again."
        )
    return "Pressing tells the board that somebody has seen this. It changes nothing else."
