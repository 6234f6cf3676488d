"""Who may look and act on the page: every way a request can come, with every session it can have.

A real daemon's heart answers; only network and time are left out.
"""

from __future__ import annotations

import json
import re
import threading
import time
from collections.abc import Iterator
from html import unescape
from pathlib import Path
from typing import Any

import msgspec
import pytest
import status_samples as samples
from flask.testing import FlaskClient
from hypothesis import given
from hypothesis import strategies as st
from scripted import SETTINGS, ScriptedSource, open_agent, settings_in, tick_until, warming
from werkzeug.test import TestResponse

from probe_agent import pairing, store
from probe_agent.agent import Agent
from probe_agent.config import Page
from probe_agent.pairing import new_code, seal, shown_code
from probe_agent.status import write_status
from probe_agent.store import Batch, Session
from web.access import ANSWERING, Permit, Reason, Way, permit_of, way_of
from web.acts import CodeForm, Commander
from web.app import create_app
from web.source import FileStatusSource

PHONE = {"REMOTE_ADDR": "192.168.1.20", "HTTP_HOST": "magpie.example:8088"}
PROXIED = {
    "REMOTE_ADDR": "127.0.0.1",
    "HTTP_HOST": "magpie.example",
    "HTTP_X_FORWARDED_FOR": "203.0.113.9",
    "HTTP_X_FORWARDED_PROTO": "https",
}
LOCAL = {"REMOTE_ADDR": "127.0.0.1", "HTTP_HOST": "localhost:8088"}
EVERY_ACT = {
    "/act/alert": {"alert": "none", "answer": "it-is-off"},
    "/act/heater": {"on": "no"},
    "/act/flew": {"what": "not-flown", "outing": "1"},
    "/act/hand-reading": {
        "place": "cyl-1",
        "value": "3",
        "unit": "C",
        "method": "contact",
    },
    "/act/undo": {"id": "1"},
}


class Browser(FlaskClient):
    """Asks under the name that its way has."""

    def open(self, *args: Any, **more: Any) -> TestResponse:
        if args and isinstance(args[0], str):
            more.setdefault("base_url", f"http://{self.environ_base['HTTP_HOST']}")
        return super().open(*args, **more)


class Board:
    """Daemon and page of one aircraft: the daemon answers commands, the page is asked without a network."""

    def __init__(self, folder: Path, page: Page) -> None:
        self.folder, self.page = folder, page
        text = (
            SETTINGS
            + "[page]\n"
            + "".join(
                f"{f} = {json.dumps(getattr(page, f))}\n"
                for f in page.__struct_fields__
                if getattr(page, f) is not None
            )
        )
        self.settings = settings_in(folder, text)
        self.agent: Agent = open_agent(folder, ScriptedSource(warming()), text=text)
        tick_until(self.agent, 60)
        write_status(folder / "shown.json", samples.ready())
        self.start_page()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._answer, name="daemon")
        self._thread.start()

    def _answer(self) -> None:
        while not self._stop.wait(0.02):
            self.agent.answer_commands()

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        self.agent.store.close()

    def start_page(self) -> None:
        """A page process of its own, as after a restart."""
        source = FileStatusSource(self.folder / "shown.json")
        self.app = create_app(source, self.agent.store.path, self.settings, 5.0)
        self.app.test_client_class = Browser

    def browser(self, way: dict[str, str]) -> FlaskClient:
        client = self.app.test_client()
        client.environ_base.update(way)
        return client

    def moved(self, old: FlaskClient, way: dict[str, str] | None = None) -> FlaskClient:
        """The same browser, its cookies kept, at a page that was restarted or by another way."""
        client = self.browser(way or dict(old.environ_base))
        client._cookies = old._cookies
        assert client._cookies is not None
        return client

    def code(self, role: str = "owner") -> str:
        code, salt = new_code(), pairing.new_salt()
        body = {"role": role, "salt": salt.hex(), "hash": seal(code, salt).hex()}
        batch = Batch()
        answer = self.agent._pairings.offer(body, batch, time.time())
        self.agent.store.commit(batch)
        assert answer[0], answer[1]
        return code

    def kinds(self) -> list[str]:
        """What was asked of the daemon, apart from pairing."""
        db = store.connect(self.agent.store.path, read_only=True)
        rows = db.execute("SELECT kind FROM commands ORDER BY made_at, rowid").fetchall()
        db.close()
        return [kind for (kind,) in rows if kind not in (pairing.OFFER, pairing.TRY, pairing.END)]

    def dump(self) -> list[str]:
        """All that the record holds."""
        db = store.connect(self.agent.store.path, read_only=True)
        try:
            return list(db.iterdump())
        finally:
            db.close()

    def sessions(self) -> list[tuple[int, str, str]]:
        return [(s.number, s.role, s.label) for s in self.agent.store.sessions(time.time())]


def plain(answer: TestResponse) -> str:
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", answer.get_data(as_text=True))))


def hidden(client: FlaskClient, action: str = "", path: str = "/") -> dict[str, str]:
    """The hidden fields of a page's form; of any, where that act has none here."""
    html = client.get(path).get_data(as_text=True)
    forms = re.findall(r"<form.*?</form>", html, re.S)
    form = next((f for f in forms if f'action="{action}' in f), forms[0] if forms else "")
    found = dict(re.findall(r'type="hidden" name="(token|once)" value="([^"]*)"', form))
    return found or {"token": "0" * 64, "once": "1"}


def pair(client: FlaskClient, typed: str, **more: str) -> TestResponse:
    return client.post("/act/pair", data={**hidden(client, "/act/pair"), "code": typed, **more})


def acts(client: FlaskClient) -> set[str]:
    """Which acts of the page are carried to the daemon."""
    done = set()
    for action, values in EVERY_ACT.items():
        answer = client.post(action, data={**hidden(client, action), **values})
        if answer.status_code == 403:
            assert "Nothing was done" in plain(answer)
        else:
            done.add(action)
    return done


@pytest.fixture
def boards(tmp_path: Path) -> Iterator[Any]:
    made: list[Board] = []

    def make(**page: Any) -> Board:
        folder = tmp_path / str(len(made))
        folder.mkdir()
        made.append(Board(folder, Page(**page)))
        return made[-1]

    yield make
    for board in made:
        board.close()


# -- ways


@pytest.mark.parametrize(
    ("peer", "host", "scheme", "headers", "proxy", "way"),
    [
        ("127.0.0.1", "localhost", "http", {}, None, Way(True, False, False, None)),
        ("::1", "[::1]:8088", "http", {}, None, Way(True, False, False, None)),
        ("127.0.0.1", "board.local", "http", {}, None, Way(False, False, False, "name")),
        ("127.0.0.1", "127.0.0.1.evil.example", "http", {}, None, Way(False, False, False, "name")),
        ("192.168.1.9", "localhost", "http", {}, None, Way(False, False, True, "plain")),
        ("10.0.0.9", "a", "http", {}, None, Way(False, False, True, "plain")),
        ("172.16.0.9", "a", "http", {}, None, Way(False, False, True, "plain")),
        ("172.32.0.9", "a", "http", {}, None, Way(False, False, False, "plain")),
        ("169.254.3.4", "a", "http", {}, None, Way(False, False, True, "plain")),
        ("fd00::7", "a", "http", {}, None, Way(False, False, True, "plain")),
        ("fe80::7%eth0", "a", "http", {}, None, Way(False, False, True, "plain")),
        ("::ffff:192.168.1.9", "a", "http", {}, None, Way(False, False, True, "plain")),
        ("203.0.113.9", "a", "http", {}, None, Way(False, False, False, "plain")),
        ("2001:db8::1", "a", "http", {}, None, Way(False, False, False, "plain")),
        ("100.64.0.1", "a", "http", {}, None, Way(False, False, False, "plain")),
        ("203.0.113.9", "a", "https", {}, None, Way(False, True, False, None)),
        (None, "localhost", "http", {}, None, Way(False, False, False, "plain")),
        # a proxy nobody named is believed nothing
        (
            "127.0.0.1",
            "localhost",
            "http",
            {"X-Forwarded-Proto": "https"},
            None,
            Way(False, False, False, "proxy"),
        ),
        (
            "192.168.1.9",
            "a",
            "http",
            {"X-Forwarded-Proto": "https", "X-Forwarded-For": "10.0.0.1"},
            "127.0.0.1",
            Way(False, False, False, "proxy"),
        ),
        ("127.0.0.1", "localhost", "http", {"Via": "1.1 x"}, None, Way(False, False, False, "proxy")),
        ("127.0.0.1", "a", "https", {"Forwarded": "for=::1"}, None, Way(False, False, False, "proxy")),
        # a named one is believed what it wrote itself: the last entry
        (
            "127.0.0.1",
            "a",
            "http",
            {"X-Forwarded-Proto": "https", "X-Forwarded-For": "203.0.113.9"},
            "127.0.0.1",
            Way(False, True, False, None),
        ),
        (
            "::ffff:127.0.0.1",
            "a",
            "http",
            {"X-Forwarded-Proto": "HTTPS", "X-Forwarded-For": "1.1.1.1, 10.0.0.1"},
            "127.0.0.1",
            Way(False, True, True, None),
        ),
        (
            "127.0.0.1",
            "localhost",
            "http",
            {"X-Forwarded-Proto": "https, http", "X-Forwarded-For": "10.0.0.1, 203.0.113.9"},
            "127.0.0.1",
            Way(False, False, False, "plain"),
        ),
        (
            "127.0.0.1",
            "localhost",
            "http",
            {"X-Forwarded-For": "unknown"},
            "127.0.0.1",
            Way(False, False, False, "plain"),
        ),
        # what is named is that address alone
        (
            "127.0.0.1",
            "a",
            "http",
            {"X-Forwarded-Proto": "https"},
            "::1",
            Way(False, False, False, "proxy"),
        ),
        # naming one takes nothing from the board itself
        ("127.0.0.1", "localhost", "http", {}, "127.0.0.1", Way(True, False, False, None)),
    ],
)
def test_how_a_request_came(
    peer: str | None, host: str, scheme: str, headers: dict[str, str], proxy: str | None, way: Way
) -> None:
    assert way_of(peer, host, scheme, headers, proxy) == way


HEADERS = st.dictionaries(
    st.sampled_from(
        ["X-Forwarded-For", "X-Forwarded-Proto", "X-Forwarded-Host", "Forwarded", "Via", "X-Real-IP"]
    ),
    st.one_of(st.sampled_from(["https", "127.0.0.1", "10.0.0.1", "localhost"]), st.text(max_size=20)),
    min_size=1,
)


@given(st.sampled_from(["127.0.0.1", "::1", "192.168.1.9"]), st.sampled_from(["localhost", "a"]), HEADERS)
def test_a_forwarding_header_never_makes_a_request_local_secure_or_private(
    peer: str, host: str, headers: dict[str, str]
) -> None:
    assert way_of(peer, host, "http", headers, None) == Way(False, False, False, "proxy")


SECURE, NEAR, FAR = (
    Way(False, True, False, None),
    Way(False, False, True, "plain"),
    Way(False, False, False, "plain"),
)
EVERYTHING = frozenset({*ANSWERING, "heater-said", "made-up"})


def session(role: Any) -> Session | None:
    return None if role is None else Session(1, role, "phone", 0.0, 1.0)


def allowed(permit: Permit) -> frozenset[str]:
    return frozenset(kind for kind in EVERYTHING if permit.why_not(kind) is None)


@pytest.mark.parametrize("viewing", ["anyone", "paired"])
@pytest.mark.parametrize("plain_acts", [False, True])
@pytest.mark.parametrize("role", [None, "viewer", "answers", "owner"])
@pytest.mark.parametrize(
    "way", [Way(True, False, False, None), SECURE, NEAR, FAR, Way(False, False, False, "proxy")]
)
def test_what_may_be_done(way: Way, role: Any, plain_acts: bool, viewing: Any) -> None:
    """The whole table, as the issue words it."""
    permit = permit_of(way, session(role), Page(plain_acts=plain_acts, viewing=viewing))
    if way.local or (way.https and role == "owner"):
        expected = EVERYTHING
    elif way == NEAR and plain_acts and role == "answers":
        expected = ANSWERING
    else:
        expected = frozenset()
    assert allowed(permit) == expected
    assert permit.looks == (way.local or role is not None or viewing == "anyone")
    assert permit.offers == (
        not way.local
        and (
            not permit.looks
            or (way.https and role != "owner")
            or (way == NEAR and plain_acts and role != "answers")
        )
    )


@pytest.mark.parametrize(
    ("way", "role", "plain_acts", "kind", "reason"),
    [
        (SECURE, None, False, "heater-said", "unpaired"),
        (SECURE, "viewer", False, "heater-said", "viewer"),
        (NEAR, "viewer", False, "answer-alert", "plain"),
        (NEAR, None, True, "answer-alert", "unpaired"),
        (NEAR, None, True, "heater-said", "rest"),
        (NEAR, "answers", True, "heater-said", "rest"),
        (NEAR, "viewer", True, "hand-reading", "viewer"),
        (FAR, "answers", True, "answer-alert", "far"),
        (Way(False, False, False, "proxy"), None, True, "answer-alert", "proxy"),
        (Way(False, False, False, "name"), None, True, "answer-alert", "name"),
    ],
)
def test_the_reason_is_the_one_that_lies_in_the_way(
    way: Way, role: Any, plain_acts: bool, kind: str, reason: Reason
) -> None:
    assert permit_of(way, session(role), Page(plain_acts=plain_acts)).why_not(kind) == reason


def test_a_session_that_ended_is_told_from_none() -> None:
    assert permit_of(SECURE, None, Page(), "ended").why_not("heater-said") == "ended"


# -- pairing


def test_a_phone_is_paired_and_acts_over_https(boards: Any) -> None:
    board = boards(proxy="127.0.0.1")
    phone = board.browser(PROXIED)
    assert "Only a paired phone can do this." in plain(phone.get("/"))
    assert acts(phone) == set()
    answer = pair(phone, board.code().lower(), label="Pilot's")
    assert answer.status_code == 303
    cookies = answer.headers.getlist("Set-Cookie")
    (cookie,) = [c for c in cookies if c.startswith("__Host-session=")]
    for part in ("Secure", "HttpOnly", "SameSite=Lax", "Path=/"):
        assert part in cookie
    assert int(re.findall(r"Max-Age=(\d+)", cookie)[0]) == pytest.approx(180 * 86_400, abs=60)
    told = plain(phone.get(answer.headers["Location"]))
    assert "Done. This phone may act, until" in told
    assert board.sessions() == [(1, "owner", "Pilot's")]
    assert acts(phone) == set(EVERY_ACT)
    assert board.kinds() == ["answer-alert", "heater-said", "flew", "hand-reading", "undo-hand-reading"]


def test_a_pairing_link_opened_many_times_uses_nothing_up_and_one_press_pairs(boards: Any) -> None:
    board = boards(proxy="127.0.0.1", viewing="paired")
    code, phone = board.code("viewer"), board.browser(PROXIED)
    before = board.dump()
    for _ in range(10):
        opened = board.browser(PROXIED).get("/pair")
        assert opened.status_code == 200
        assert "Opening it changes nothing" in plain(opened)
        assert code not in opened.get_data(as_text=True)
        assert "Magpie" not in plain(opened), "who may not look is told nothing of the aircraft"
        assert "°C" not in plain(opened)
    assert phone.head("/pair").status_code == 200
    assert board.dump() == before
    fields = hidden(phone, "/act/pair", "/pair")
    assert phone.post("/act/pair", data={**fields, "code": shown_code(code)}).status_code == 303
    assert "Nothing was done" in plain(phone.post("/act/pair", data={**fields, "code": shown_code(code)}))
    assert [role for _, role, _ in board.sessions()] == ["viewer"]
    other = board.browser(PROXIED)
    again = other.post("/act/pair", data={**hidden(other, "/act/pair", "/pair"), "code": code})
    assert again.status_code == 409
    assert "No code is open" in plain(again)
    assert [role for _, role, _ in board.sessions()] == ["viewer"]


def test_a_link_that_gives_nothing_more_says_so_and_stays_good(boards: Any) -> None:
    board = boards(proxy="127.0.0.1", viewing="paired")
    owner = board.browser(PROXIED)
    pair(owner, board.code())
    code = board.code("viewer")
    told = owner.get("/pair")
    assert "It was not used up." in plain(told)
    assert 'id="code"' not in told.get_data(as_text=True)
    assert "which needs no pairing" in plain(board.browser(LOCAL).get("/pair"))
    guest = board.browser(PROXIED)
    assert guest.post("/act/pair", data={**hidden(guest, "/act/pair"), "code": code}).status_code == 303


def test_the_form_cookie_is_secure_too(boards: Any) -> None:
    board = boards(proxy="127.0.0.1")
    cookies = board.browser(PROXIED).get("/").headers.getlist("Set-Cookie")
    (cookie,) = [c for c in cookies if c.startswith("__Host-form=")]
    for part in ("Secure", "HttpOnly", "SameSite=Strict", "Path=/"):
        assert part in cookie


def test_a_viewers_phone_looks_and_cannot_act(boards: Any) -> None:
    board = boards(proxy="127.0.0.1", viewing="paired")
    phone = board.browser(PROXIED)
    closed = phone.get("/")
    assert closed.status_code == 403
    assert "Shown to paired phones only." in plain(closed)
    assert "Magpie" not in plain(closed)
    for path in ("/now", "/curve", "/api/status", "/api/curve"):
        answer = phone.get(path)
        assert answer.status_code == 403
        assert "°C" not in plain(answer)
    assert pair(phone, board.code("viewer")).status_code == 303
    assert "Ready to start" in plain(phone.get("/"))
    assert phone.get("/api/status").status_code == 200
    assert "This phone is paired to look, not to act." in plain(phone.get("/"))
    assert acts(phone) == set()
    assert board.kinds() == []


def test_who_may_not_look_may_not_act_either(boards: Any) -> None:
    board = boards(proxy="127.0.0.1", viewing="paired")
    phone = board.browser(PROXIED)
    for action, values in EVERY_ACT.items():
        answer = phone.post(action, data={**hidden(phone, action), **values})
        assert answer.status_code == 403
        assert "Shown to paired phones only." in plain(answer)
    assert board.kinds() == []
    assert phone.get("/nowhere").status_code == 403
    with phone.get("/static/page.css") as answer:
        assert answer.status_code == 200


def test_the_board_itself_looks_and_acts_without_pairing(boards: Any) -> None:
    board = boards(viewing="paired", proxy="127.0.0.1")
    here = board.browser(LOCAL)
    assert acts(here) == set(EVERY_ACT)
    html = here.get("/").get_data(as_text=True)
    assert 'id="phone"' not in html
    answer = pair(here, board.code())
    assert answer.status_code == 403
    assert "nothing more" in plain(answer)
    assert board.sessions() == []


def test_a_code_used_twice_is_refused(boards: Any) -> None:
    board = boards(proxy="127.0.0.1")
    code = board.code()
    assert pair(board.browser(PROXIED), code).status_code == 303
    second = board.browser(PROXIED)
    answer = pair(second, code)
    assert answer.status_code == 409
    assert "No code is open" in plain(answer)
    assert acts(second) == set()
    assert len(board.sessions()) == 1


def test_wrong_codes_lock_out_and_the_right_one_then_does_nothing(boards: Any) -> None:
    board = boards(proxy="127.0.0.1")
    code = board.code()
    wrong = code[::-1] if code != code[::-1] else "BCDFGHJK"
    phone = board.browser(PROXIED)
    said = [plain(pair(phone, wrong)) for _ in range(5)]
    assert "Four tries are left." in said[0]
    assert "One try is left." in said[3]
    assert "it has ended" in said[4]
    board.start_page()
    phone = board.moved(phone)
    assert pair(phone, code).status_code == 409
    assert board.sessions() == []


def test_what_cannot_be_a_code_costs_no_try(boards: Any) -> None:
    board = boards(proxy="127.0.0.1")
    code = board.code()
    phone = board.browser(PROXIED)
    for typed in ("", "BCDF", "OIUE-AAAA", "x" * 5000):
        answer = pair(phone, typed)
        assert answer.status_code == 422
        assert "not counted as a try" in plain(answer)
    assert pair(phone, f" {code[:4].lower()} {code[4:]} ").status_code == 303


def test_a_pairing_form_pressed_twice_gives_both_presses_the_same_session(boards: Any) -> None:
    board = boards(proxy="127.0.0.1")
    phone = board.browser(PROXIED)
    data = {**hidden(phone, "/act/pair"), "code": board.code()}
    cookie = phone.get_cookie("__Host-form", "magpie.example")
    assert cookie is not None
    answers = []
    for _ in range(2):
        again = board.browser(PROXIED)
        again.set_cookie("__Host-form", cookie.value, domain="magpie.example")
        answers.append(again.post("/act/pair", data=data))
    cookies = [a.headers["Set-Cookie"].partition(";")[0] for a in answers]
    assert cookies[0] == cookies[1]
    assert len(board.sessions()) == 1
    someone = board.browser(PROXIED)
    hidden(someone)
    assert someone.post("/act/pair", data=data).status_code == 403


def test_one_code_at_a_time_is_tried(boards: Any) -> None:
    board = boards(proxy="127.0.0.1")
    code = board.code()
    commander = Commander(board.agent.store.path, 5.0)
    with commander._trying:
        outcome = commander.pair_once("1", CodeForm(code, "", "owner", "t", None))
    assert not outcome.ok
    assert "Another code is being tried" in outcome.text
    assert commander.pair_once("2", CodeForm(code, "", "owner", "t", None)).ok


def test_an_owners_code_makes_a_viewer_an_owner_in_one_row(boards: Any) -> None:
    board = boards(proxy="127.0.0.1")
    phone = board.browser(PROXIED)
    pair(phone, board.code("viewer"))
    assert pair(phone, board.code("owner")).status_code == 303
    assert board.sessions() == [(2, "owner", "phone")]
    assert acts(phone) == set(EVERY_ACT)


# -- the end of a pairing


def test_a_phone_ends_its_own_pairing(boards: Any) -> None:
    board = boards(proxy="127.0.0.1")
    phone = board.browser(PROXIED)
    pair(phone, board.code())
    stolen = phone.get_cookie("__Host-session", "magpie.example")
    assert stolen is not None
    answer = phone.post("/act/unpair", data=hidden(phone, "/act/unpair"))
    assert answer.status_code == 303
    assert phone.get_cookie("__Host-session", "magpie.example") is None
    assert board.sessions() == []
    phone.set_cookie("__Host-session", stolen.value, domain="magpie.example")
    assert "This phone's pairing has ended." in plain(phone.get("/"))
    assert acts(phone) == set()


def test_unpairing_from_another_page_or_without_a_token_is_refused(boards: Any) -> None:
    board = boards(proxy="127.0.0.1")
    phone = board.browser(PROXIED)
    pair(phone, board.code())
    data = hidden(phone, "/act/unpair")
    other = {"Origin": "https://elsewhere.example"}
    assert phone.post("/act/unpair", data=data, headers=other).status_code == 403
    assert phone.post("/act/unpair", data={**data, "token": "é"}).status_code == 403
    assert len(board.sessions()) == 1


def test_a_session_ended_at_the_console_acts_no_more(boards: Any) -> None:
    board = boards(proxy="127.0.0.1")
    phone = board.browser(PROXIED)
    pair(phone, board.code())
    data = {**hidden(phone, "/act/heater"), "on": "no"}
    batch = Batch()
    board.agent._pairings.end({"session": 1}, batch, time.time())
    board.agent.store.commit(batch)
    answer = phone.post("/act/heater", data=data)
    assert answer.status_code == 403
    assert "This phone's pairing has ended." in plain(answer)
    assert board.kinds() == []


def test_pairing_and_forms_outlive_a_restart_of_the_page(boards: Any) -> None:
    board = boards(proxy="127.0.0.1")
    phone = board.browser(PROXIED)
    pair(phone, board.code())
    data = {**hidden(phone, "/act/heater"), "on": "no"}
    board.start_page()
    phone = board.moved(phone)
    assert phone.post("/act/heater", data=data).status_code == 303
    board.start_page()
    phone = board.moved(phone)
    assert phone.post("/act/heater", data=data).status_code == 303
    assert board.kinds() == ["heater-said"], "a form sent again after a restart acts once"


# -- ways that are not enough


def test_over_plain_http_nothing_is_done_and_no_code_is_asked_for(boards: Any) -> None:
    board = boards()
    phone = board.browser(PHONE)
    html = phone.get("/").get_data(as_text=True)
    assert "<form" not in html
    assert "could be read on the way" in html
    assert acts(phone) == set()
    assert pair(phone, board.code()).status_code == 403
    assert board.sessions() == []


def test_where_the_owner_allowed_it_plain_http_takes_answers_and_readings(boards: Any) -> None:
    board = boards(plain_acts=True)
    phone = board.browser(PHONE)
    assert acts(phone) == set()
    answer = pair(phone, board.code())
    assert answer.status_code == 303
    cookie = next(c for c in answer.headers.getlist("Set-Cookie") if c.startswith("session="))
    assert "HttpOnly" in cookie
    assert "Secure" not in cookie
    assert board.sessions() == [(1, "answers", "phone")]
    assert acts(phone) == {"/act/alert", "/act/flew", "/act/hand-reading", "/act/undo"}
    assert "heater-said" not in board.kinds()
    told = plain(phone.get("/"))
    assert "Not over plain HTTP, where only answers and readings by hand are taken. How to get it" in told
    far = board.moved(phone, {**PHONE, "REMOTE_ADDR": "203.0.113.9"})
    assert acts(far) == set()
    assert "from private addresses only" in plain(far.get("/"))


def test_a_pairing_read_on_the_way_is_worth_nothing_over_https(boards: Any) -> None:
    board = boards(plain_acts=True, proxy="127.0.0.1")
    phone = board.browser(PHONE)
    pair(phone, board.code())
    read = phone.get_cookie("session", domain="magpie.example")
    assert read is not None
    thief = board.browser(PROXIED)
    thief.set_cookie("session", read.value, domain="magpie.example")
    assert acts(thief) == set()
    thief.set_cookie("__Host-session", read.value, domain="magpie.example")
    assert acts(thief) == set()


def test_a_secure_pairing_does_not_act_over_plain_http(boards: Any) -> None:
    board = boards(plain_acts=True, proxy="127.0.0.1")
    phone = board.browser(PROXIED)
    pair(phone, board.code())
    token = phone.get_cookie("__Host-session", "magpie.example")
    assert token is not None
    plainly = board.browser(PHONE)
    for name in ("session", "__Host-session"):
        plainly.set_cookie(name, token.value, domain="magpie.example")
    assert acts(plainly) == set()


def test_over_plain_http_an_owners_code_lets_look_where_looking_is_paired(boards: Any) -> None:
    board = boards(viewing="paired")
    phone = board.browser(PHONE)
    assert "--viewer" in plain(phone.get("/"))
    assert pair(phone, board.code("owner")).status_code == 303
    assert board.sessions() == [(1, "viewer", "phone")]
    assert phone.get("/").status_code == 200
    assert acts(phone) == set()


@pytest.mark.parametrize(
    "changes",
    [
        {"REMOTE_ADDR": "192.168.1.20"},
        {"HTTP_X_FORWARDED_PROTO": "http"},
        {"HTTP_X_FORWARDED_PROTO": "https, http"},
        {"HTTP_X_FORWARDED_PROTO": ""},
        {"HTTP_SEC_FETCH_SITE": "cross-site"},
        {"HTTP_SEC_FETCH_SITE": "same-site"},
        {"HTTP_ORIGIN": "https://elsewhere.example"},
        {"HTTP_ORIGIN": "http://magpie.example"},
        {"HTTP_ORIGIN": "null"},
    ],
)
def test_an_owners_request_by_another_way_or_from_another_page_does_nothing(
    boards: Any, changes: dict[str, str]
) -> None:
    board = boards(proxy="127.0.0.1")
    phone = board.browser(PROXIED)
    pair(phone, board.code())
    data = {**hidden(phone, "/act/heater"), "on": "no"}
    right = {"HTTP_ORIGIN": "https://magpie.example", "HTTP_SEC_FETCH_SITE": "same-origin"}
    environ = {**PROXIED, **right, **changes}
    assert phone.post("/act/heater", data=data, environ_overrides=environ).status_code == 403
    assert board.kinds() == []
    assert phone.post("/act/heater", data=data, environ_overrides={**PROXIED, **right}).status_code == 303


def test_a_proxy_nobody_named_is_said(boards: Any) -> None:
    board = boards()
    phone = board.browser(PROXIED)
    told = plain(phone.get("/"))
    assert "a proxy the settings don't name" in told
    assert "proxy under [page]" in told
    assert acts(phone) == set()


def test_the_board_under_another_name_is_sent_to_its_own(boards: Any) -> None:
    board = boards()
    here = board.browser({**LOCAL, "HTTP_HOST": "magpie.example"})
    assert "open http://localhost" in plain(here.get("/"))
    assert acts(here) == set()


@pytest.mark.parametrize("token", ["", "x", "\xe9", "\xff\xc3\xa9", "a" * 9000])
def test_a_strange_cookie_is_no_session(boards: Any, token: str) -> None:
    board = boards(proxy="127.0.0.1")
    environ = {**PROXIED, "HTTP_COOKIE": f"__Host-session={token}; __Host-form={token}"}
    phone = board.app.test_client(use_cookies=False)
    phone.environ_base.update(PROXIED)
    assert phone.get("/", environ_overrides=environ).status_code == 200
    refused = phone.post("/act/heater", data={"on": "no"}, environ_overrides=environ)
    assert refused.status_code == 403


def test_without_a_record_nobody_is_paired_and_it_says_why(boards: Any, tmp_path: Path) -> None:
    board = boards(proxy="127.0.0.1")
    source = FileStatusSource(board.folder / "shown.json")
    app = create_app(source, tmp_path / "none.db", board.settings, 0.5)
    phone = app.test_client()
    phone.set_cookie("__Host-session", "something")
    answer = phone.get("/", environ_overrides={**PROXIED, "HTTP_HOST": "localhost"})
    assert "Which phones are paired can't be read now." in plain(answer)


# -- secrets


def test_code_and_token_are_in_no_log_page_or_file(
    boards: Any, caplog: pytest.LogCaptureFixture, capfd: pytest.CaptureFixture[str]
) -> None:
    caplog.set_level(0)
    board = boards(proxy="127.0.0.1")
    code = board.code()
    phone = board.browser(PROXIED)
    wrong = ("B" if code[0] != "B" else "C") + code[1:]
    shown = [pair(phone, wrong), pair(phone, f"{code[:4]}-{code[4:]}"), phone.get("/")]
    cookie = phone.get_cookie("__Host-session", "magpie.example")
    assert cookie is not None
    shown.append(phone.post("/act/unpair", data=hidden(phone, "/act/unpair"), follow_redirects=True))
    said = caplog.text + "".join(capfd.readouterr()) + "".join(a.get_data(as_text=True) for a in shown)
    kept = b"".join(f.read_bytes() for f in board.folder.iterdir())
    for secret in (code, wrong, f"{code[:4]}-{code[4:]}", cookie.value):
        assert secret not in said
        assert secret.encode() not in kept


def test_every_state_of_the_phone_is_without_style_or_script(boards: Any) -> None:
    for page, way in (
        ({"viewing": "paired"}, PHONE),
        ({"plain_acts": True}, PHONE),
        ({"proxy": "127.0.0.1"}, PROXIED),
        ({}, PROXIED),
    ):
        html = boards(**page).browser(way).get("/").get_data(as_text=True)
        assert not re.search(r"\sstyle=|<style|\son\w+=|<script(?![^>]*src=)", html)
        assert "None" not in html


def test_settings_are_those_of_the_file(boards: Any) -> None:
    board = boards(plain_acts=True, owner_days=7)
    assert board.settings.page == msgspec.structs.replace(Page(), plain_acts=True, owner_days=7)
    pair(phone := board.browser(PHONE), board.code())
    (found,) = board.agent.store.sessions(time.time())
    assert found.expires_at - found.made_at == pytest.approx(7 * 86_400)
    assert phone.get("/").status_code == 200
