"""Links in messages: opening one changes nothing, one press answers once, and none says on."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path

import msgspec
import pytest
import status_samples as samples
from answering_daemon import AnsweringDaemon
from flask.testing import FlaskClient

from probe_agent import words
from probe_agent.config import Aircraft, Settings
from probe_agent.status import StatusError, utc_seconds, write_status
from probe_agent.store import Batch, link_hash, open_alert, revoke_links
from web.app import create_app
from web.source import FileStatusSource

NOW = utc_seconds(samples.NOW)
TOKEN = "QkFER0VSLUJBREdFUi1CQQ"
HARM, ASKED, TEST = "switch-off:all:1-1", "probe-missing:cyl-1:1-2", "test:pilot"


@pytest.fixture
def daemon(tmp_path: Path) -> Iterator[AnsweringDaemon]:
    with AnsweringDaemon(tmp_path / "probe-agent.db") as daemon:
        write_status(tmp_path / "status.json", samples.ready())
        daemon.store.commit(
            Batch(
                statements=[
                    open_alert(HARM, "switch-off", None, True, NOW - 600),
                    open_alert(ASKED, "probe-missing", "cyl-1", False, NOW - 600),
                ]
            )
        )
        yield daemon


def link(daemon: AnsweringDaemon, alert: str, token: str = TOKEN, valid_s: float = 3600.0) -> None:
    daemon.store.new_link(token, alert, "pilot", NOW, NOW + valid_s)


def browser(daemon: AnsweringDaemon) -> FlaskClient:
    source = FileStatusSource(daemon.store.path.parent / "status.json")
    settings = Settings(aircraft=Aircraft(name="Magpie"))
    return create_app(source, daemon.store.path, settings, 5.0).test_client(use_cookies=False)


class Controls(HTMLParser):
    """What can be pressed on a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in ("button", "a", "input", "select"):
            self.found.append(tag)


def dump(daemon: AnsweringDaemon) -> list[str]:
    db = sqlite3.connect(daemon.store.path)
    try:
        return list(db.iterdump())
    finally:
        db.close()


@pytest.mark.parametrize(
    ("alert", "label", "says"),
    [
        (HARM, "Say it is off", "switches nothing"),
        (ASKED, "I have seen this", "somebody has seen this"),
        (TEST, "I got it", "messages reach you"),
    ],
)
def test_ten_fetches_change_nothing_and_show_one_button(
    daemon: AnsweringDaemon, alert: str, label: str, says: str
) -> None:
    link(daemon, alert)
    before, page = dump(daemon), browser(daemon)
    for n in range(10):
        method = page.head if n % 3 == 2 else page.get
        shown = method(
            f"/answer/{TOKEN}", headers={"User-Agent": "previewer", "X-Forwarded-For": "203.0.113.9"}
        )
        assert shown.status_code == 200
    shown = page.get(f"/answer/{TOKEN}")
    assert Controls(shown.text).found == ["button"]
    assert re.search(rf"<button[^>]*>{label}</button>", shown.text)
    assert says in shown.text
    assert dump(daemon) == before
    assert daemon.asked == []


def test_one_press_asks_the_daemon_once_and_never_for_on(daemon: AnsweringDaemon) -> None:
    link(daemon, HARM)
    page = browser(daemon)
    first, again = page.post(f"/answer/{TOKEN}"), page.post(f"/answer/{TOKEN}")
    assert (first.status_code, again.status_code) == (200, 200)
    assert [(c.kind, c.body) for c in daemon.asked] == [("answer-link", {"hash": link_hash(TOKEN).hex()})]
    said = {words.link_answer(kind, harm) for kind in words.KINDS for harm in (True, False)}
    assert said == {"it-is-off", "seen", "with-it"}


def test_the_token_is_nowhere_in_the_store(daemon: AnsweringDaemon) -> None:
    link(daemon, HARM)
    browser(daemon).post(f"/answer/{TOKEN}")
    assert TOKEN not in "\n".join(dump(daemon))


def test_a_link_is_over_with_its_alert_its_time_or_its_use(daemon: AnsweringDaemon) -> None:
    page = browser(daemon)
    link(daemon, HARM, "used-0-1234567890123456")
    daemon.store.commit(Batch(statements=[("UPDATE links SET used_at = ?", (NOW,))]))
    link(daemon, HARM, "old-0-12345678901234567", valid_s=-1.0)
    link(daemon, ASKED, "revoked-0-123456789012")
    daemon.store.commit(Batch(statements=[revoke_links(ASKED, NOW - 1)]))
    for token, said in (
        ("used-0-1234567890123456", "answered already"),
        ("old-0-12345678901234567", "too old"),
        ("revoked-0-123456789012", "too old"),
    ):
        shown = page.get(f"/answer/{token}")
        assert shown.status_code == 410
        assert said in shown.text
        assert Controls(shown.text).found == []


@pytest.mark.parametrize("token", ["no-such-token", "x" * 5000, "%00", "'; DROP TABLE links; --"])
def test_an_unknown_token_says_so_and_asks_nobody(daemon: AnsweringDaemon, token: str) -> None:
    page = browser(daemon)
    assert page.get(f"/answer/{token}").status_code == 404
    assert page.post(f"/answer/{token}").status_code == 404
    assert daemon.asked == []


def test_what_the_daemon_refuses_is_said(daemon: AnsweringDaemon) -> None:
    link(daemon, HARM)
    daemon.answers["answer-link"] = (False, "That alert is no longer open.")
    shown = browser(daemon).post(f"/answer/{TOKEN}")
    assert shown.status_code == 409
    assert "That alert is no longer open." in shown.text


def test_without_a_status_the_page_still_stands(daemon: AnsweringDaemon) -> None:
    link(daemon, HARM)
    (daemon.store.path.parent / "status.json").unlink()
    with pytest.raises(StatusError):
        FileStatusSource(daemon.store.path.parent / "status.json").read()
    shown = browser(daemon).get(f"/answer/{TOKEN}")
    assert shown.status_code == 200
    assert "gives no status just now" in shown.text


def test_the_page_says_how_things_stand(daemon: AnsweringDaemon) -> None:
    link(daemon, HARM)
    status = msgspec.structs.replace(
        samples.ready(), alerts=(msgspec.structs.replace(samples.alert("switch-off", -5), id=HARM),)
    )
    write_status(daemon.store.path.parent / "status.json", status)
    text = browser(daemon).get(f"/answer/{TOKEN}").text
    assert "Sat 06:50. Heat was still on at 06:45, long after ready." in text
    assert "Coldest point 14 °C (cylinder 3)." in text
