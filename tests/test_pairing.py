"""Codes and sessions: what lets a phone act, and what lets it no longer."""

from __future__ import annotations

import json
import os
import re
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scripted import ScriptedSource, open_agent, warming

from probe_agent import pairing
from probe_agent.config import Page
from probe_agent.migrations import migrate
from probe_agent.orders import Standing
from probe_agent.pairing import Pairings, new_code, read_code, seal, shown_code, token_hash
from probe_agent.store import Batch, Command, Reader, Store, ask
from probe_agent.supervisor import Watch

ROOT = Path(__file__).parent.parent
NOW = 1_800_000_000.0


class Desk:
    """The daemon's side over a real store, at an instant of the test."""

    def __init__(self, file: Path) -> None:
        self.file = file
        migrate(file)
        self.open()
        self.now_at = NOW

    def open(self) -> None:
        self.store = Store(self.file)
        self.pairings = Pairings(self.store, Page(owner_days=30, viewer_days=180), "UTC")

    def restart(self) -> None:
        self.store.close()
        self.open()

    def do(self, act: Callable[..., tuple[bool, str]], body: dict[str, object]) -> tuple[bool, str]:
        batch = Batch()
        answer = act(body, batch, self.now_at)
        self.store.commit(batch)
        return answer

    def offer(self, role: str = "owner") -> str:
        """The code, which the daemon has taken up."""
        code, salt = new_code(), pairing.new_salt()
        body: dict[str, object] = {"role": role, "salt": salt.hex(), "hash": seal(code, salt).hex()}
        ok, text = self.do(self.pairings.offer, body)
        assert ok, text
        return code

    def attempt(self, code: str, most: str = "owner", token: str = "t", **more: object) -> tuple[bool, str]:
        """Try a code as the page does: sealed with the open code's salt."""
        found = self.store.open_code(self.now_at)
        number, salt = (found.number, found.salt) if found else (1, b"0" * 16)
        body: dict[str, object] = {
            "code": number,
            "hash": seal(code, salt).hex(),
            "token": token_hash(token).hex(),
            "most": most,
            "label": "pilot",
        }
        named = {"code" if key == "number" else key: value for key, value in more.items()}
        return self.do(self.pairings.try_code, {**body, **named})

    def roles(self) -> list[tuple[int, str]]:
        return [(s.number, s.role) for s in self.store.sessions(self.now_at)]


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    found = Desk(tmp_path / "store.db")
    yield found
    found.store.close()


def other_than(code: str) -> str:
    return code[:-1] + ("B" if code[-1] != "B" else "C")


# -- codes


def test_a_code_is_eight_capitals_without_vowels_in_two_groups() -> None:
    codes = {new_code() for _ in range(200)}
    assert len(codes) == 200
    assert all(re.fullmatch("[B-DF-HJ-NP-TVWXZ]{8}", c) for c in codes)
    assert shown_code("BCDFGHJK") == "BCDF-GHJK"
    assert len(set(pairing.ALPHABET)) == 20


@pytest.mark.parametrize("typed", ["BCDF-GHJK", "bcdfghjk", " bcdf ghjk ", "bcdf–ghjk", "b c d f g h j k"])
def test_a_code_is_read_as_gloves_type_it(typed: str) -> None:
    assert read_code(typed) == "BCDFGHJK"


@pytest.mark.parametrize("typed", ["", "BCDFGHJ", "BCDFGHJKL", "BCDFGHJA", "BCDFGHJ1", "BCDFGHJÉ"])
def test_what_cannot_be_a_code_is_none(typed: str) -> None:
    assert read_code(typed) is None


@given(st.text(max_size=30))
def test_whatever_is_typed_is_a_code_or_none(typed: str) -> None:
    code = read_code(typed)
    assert code is None or (len(code) == 8 and not set(code) - set(pairing.ALPHABET))


def test_the_seal_is_scrypt() -> None:
    """RFC 7914, section 12, third vector: N = 16384, r = 8, p = 1; its first 32 bytes."""
    told = "7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2"
    assert seal("pleaseletmein", b"SodiumChloride").hex() == told


BARE = "from hashlib import scrypt"
PAGE = """
from pathlib import Path
from probe_agent.config import Settings
from web.app import create_app
from web.source import FileStatusSource
import web.serve
create_app(FileStatusSource(Path("none")), Path("none"), Settings()).test_client().get("/")
from hashlib import scrypt
"""


@pytest.mark.parametrize(("start", "most_mb"), [(BARE, 32), (PAGE, 60)], ids=["bare", "page"])
def test_the_memory_of_a_try_is_16_mb_and_given_back(start: str, most_mb: float) -> None:
    program = f"""
{start}
import time
def mb(key):
    return next(int(l.split()[1]) for l in open("/proc/self/status") if l.startswith(key)) / 1024
before, began = mb("VmRSS"), time.perf_counter()
scrypt(b"BCDFGHJK", salt=bytes(16), n=2**14, r=8, p=1, dklen=32)
print(before, mb("VmHWM"), mb("VmRSS"), 1000 * (time.perf_counter() - began))
"""
    done = subprocess.run(
        [sys.executable, "-c", program],
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    before, peak, after, ms = map(float, done.stdout.split())
    print(f"{before:.1f} MB before, {peak:.1f} at the peak, {after:.1f} after; {ms:.0f} ms")
    assert 14 <= peak - before <= 20
    assert peak <= most_mb
    assert after - before <= 3


# -- a code opens one session


def test_a_code_opens_one_session_and_no_second(desk: Desk) -> None:
    code = desk.offer()
    ok, text = desk.attempt(code)
    assert (ok, text) == (True, "This phone may act, until 14 Feb 2027.")
    assert desk.roles() == [(1, "owner")]
    again, text = desk.attempt(code, token="u")
    assert not again
    assert "No code is open" in text
    assert desk.roles() == [(1, "owner")]


def test_two_right_tries_before_the_disk_took_the_first_open_one_session(desk: Desk) -> None:
    code = desk.offer()
    found = desk.store.open_code(NOW)
    assert found is not None
    batches = []
    for token in ("a", "b"):
        body = {
            "code": found.number,
            "hash": seal(code, found.salt).hex(),
            "token": token_hash(token).hex(),
            "most": "owner",
            "label": token,
        }
        batches.append(Batch())
        assert desk.pairings.try_code(body, batches[-1], NOW)[0]
    for batch in batches:
        desk.store.commit(batch)
    assert [s.label for s in desk.store.sessions(NOW)] == ["a"]


@pytest.mark.parametrize(
    ("offered", "most", "role"),
    [
        ("owner", "owner", "owner"),
        ("owner", "answers", "answers"),
        ("owner", "viewer", "viewer"),
        ("viewer", "owner", "viewer"),
        ("viewer", "answers", "viewer"),
    ],
)
def test_a_session_is_never_more_than_code_and_way_give(
    desk: Desk, offered: str, most: str, role: str
) -> None:
    assert desk.attempt(desk.offer(offered), most)[0]
    assert desk.roles() == [(1, role)]


def test_sessions_last_as_the_settings_say(desk: Desk) -> None:
    desk.attempt(desk.offer("viewer"), token="a")
    desk.attempt(desk.offer("owner"), token="b")
    desk.now_at = NOW + 30 * 86_400 - 1
    assert desk.roles() == [(1, "viewer"), (2, "owner")]
    desk.now_at += 2
    assert desk.roles() == [(1, "viewer")]
    desk.now_at = NOW + 180 * 86_400 + 1
    assert desk.roles() == []


@pytest.mark.parametrize(("after_s", "holds"), [(899, True), (901, False), (-61, False), (-30, True)])
def test_a_code_holds_for_a_quarter_of_an_hour(desk: Desk, after_s: float, holds: bool) -> None:
    """A clock set back by more than a minute ends it: how old it is can't be told."""
    code = desk.offer()
    desk.now_at += after_s
    assert desk.attempt(code)[0] == holds


def test_a_code_printed_later_ends_the_one_before(desk: Desk) -> None:
    first, second = desk.offer(), desk.offer("viewer")
    assert not desk.attempt(first)[0]
    assert desk.attempt(second)[0]
    assert desk.roles() == [(1, "viewer")]


def test_a_try_of_an_earlier_code_that_comes_late_is_not_counted(desk: Desk) -> None:
    early = desk.offer()
    number = desk.store.open_code(NOW)
    assert number is not None
    desk.offer()
    assert not desk.attempt(early, number=number.number)[0]
    found = desk.store.open_code(NOW)
    assert found is not None
    assert found.tries == 0


def test_pairing_anew_ends_the_phones_earlier_session(desk: Desk) -> None:
    desk.attempt(desk.offer("viewer"), token="a")
    desk.attempt(desk.offer("owner"), token="b", instead=1)
    assert desk.roles() == [(2, "owner")]


def test_a_session_ends_by_its_number(desk: Desk) -> None:
    desk.attempt(desk.offer())
    assert desk.do(desk.pairings.end, {"session": 2}) == (
        False,
        "There is no session 2. probe-agent sessions shows their numbers.",
    )
    assert desk.do(desk.pairings.end, {"session": 1})[0]
    assert desk.roles() == []
    assert not desk.do(desk.pairings.end, {"session": 1})[0]


# -- trying


def test_wrong_tries_are_counted_over_restarts_and_end_the_code(desk: Desk) -> None:
    code = desk.offer()
    said = []
    for _ in range(5):
        ok, text = desk.attempt(other_than(code))
        assert not ok
        said.append(text)
        desk.restart()
    assert "Four tries are left" in said[0]
    assert "One try is left" in said[3]
    assert "it has ended" in said[4]
    assert desk.attempt(code) == (False, pairing.NO_CODE)
    assert desk.roles() == []


def test_many_codes_cannot_be_tried(desk: Desk) -> None:
    for _ in range(2):
        code = desk.offer()
        for _ in range(5):
            desk.attempt(other_than(code))
        desk.now_at += 60
    desk.restart()
    salt = pairing.new_salt()
    body: dict[str, object] = {"role": "owner", "salt": salt.hex(), "hash": seal("BCDFGHJK", salt).hex()}
    ok, text = desk.do(desk.pairings.offer, body)
    assert not ok
    assert "pairing rests until 09:00" in text
    desk.now_at = NOW + 3599
    assert not desk.do(desk.pairings.offer, body)[0]
    desk.now_at = NOW + 3601
    assert desk.attempt(desk.offer())[0]


def test_tries_spread_over_codes_lock_the_one_that_is_open(desk: Desk) -> None:
    for wrong in (4, 4):
        code = desk.offer()
        for _ in range(wrong):
            desk.attempt(other_than(code))
    code = desk.offer()
    for _ in range(2):
        desk.attempt(other_than(code))
    ok, text = desk.attempt(code)
    assert not ok
    assert "pairing rests" in text


@pytest.mark.parametrize(
    "body",
    [
        {},
        {"role": "king", "salt": "00" * 16, "hash": "00" * 32},
        {"role": "owner", "salt": "00", "hash": "00" * 32},
        {"role": "owner", "salt": "00" * 16, "hash": ""},
        {"role": "owner", "salt": "xx", "hash": "00" * 32},
    ],
)
def test_an_incomplete_offer_is_refused(desk: Desk, body: dict[str, object]) -> None:
    with pytest.raises((KeyError, TypeError, ValueError)):
        desk.do(desk.pairings.offer, body)
    assert desk.store.open_code(NOW) is None


def test_the_empty_hash_of_an_ended_code_opens_nothing(desk: Desk) -> None:
    desk.offer()
    desk.offer()
    assert not desk.attempt("", hash="", number=1)[0]
    assert not desk.attempt("", hash="")[0]
    assert desk.roles() == []


@pytest.mark.parametrize(
    ("label", "kept"),
    [
        ("pilot", "pilot"),
        ("", "phone"),
        (" \x1b[31mred\r\n ", "[31mred"),
        ("a" * 100, "a" * 40),
        ("\u202eright", "right"),
    ],
)
def test_a_phones_name_cannot_steer_a_terminal(desk: Desk, label: str, kept: str) -> None:
    desk.attempt(desk.offer(), label=label)
    assert [s.label for s in desk.store.sessions(NOW)] == [kept]


def test_nothing_stored_tells_code_or_token(desk: Desk) -> None:
    code, token = desk.offer(), "a-token-of-a-phone"
    desk.attempt(other_than(code))
    desk.attempt(code, token=token)
    for file in desk.file.parent.iterdir():
        kept = file.read_bytes()
        for secret in (code, shown_code(code), other_than(code), token):
            assert secret.encode() not in kept
    db = sqlite3.connect(desk.file)
    assert db.execute("SELECT salt, hash, ended_at FROM pairings").fetchall() == [(b"", b"", NOW)]
    db.close()


# -- through the daemon


def test_a_viewer_of_the_store_finds_a_session_by_its_token(desk: Desk) -> None:
    desk.attempt(desk.offer(), token="right")
    reader = Reader(desk.file)
    found = reader.session(token_hash("right"), NOW)
    assert found is not None
    assert (found.number, found.role, found.label) == (1, "owner", "pilot")
    assert reader.session(token_hash("wrong"), NOW) is None
    assert reader.session(token_hash("right"), NOW + 31 * 86_400) is None
    reader.close()


@pytest.mark.parametrize(
    ("page", "link", "known"),
    [
        (Page(public_url="https://magpie.example.org"), "https://magpie.example.org/pair#BCDF-GHJK", True),
        (Page(proxy="127.0.0.1"), "https://hangar/pair#BCDF-GHJK", False),
        (Page(listen="0.0.0.0", port=80), "http://hangar:80/pair#BCDF-GHJK", False),
        (Page(listen="::"), "http://hangar:8088/pair#BCDF-GHJK", False),
        (Page(listen="192.168.1.5"), "http://192.168.1.5:8088/pair#BCDF-GHJK", True),
        (Page(listen="fd00::7"), "http://[fd00::7]:8088/pair#BCDF-GHJK", True),
        (Page(listen="magpie.lan"), "http://magpie.lan:8088/pair#BCDF-GHJK", True),
    ],
)
def test_a_link_has_the_address_of_the_page_and_says_where_it_is_guessed(
    page: Page, link: str, known: bool
) -> None:
    found, said = pairing.link_of(page, "hangar", "BCDFGHJK")
    assert found == link
    assert ("host name and may need another" in said) is not known


@pytest.mark.parametrize("listen", ["127.0.0.1", "::1", "localhost"])
def test_a_link_to_a_page_nobody_else_reaches_says_so(listen: str) -> None:
    assert "only the board itself" in pairing.link_of(Page(listen=listen), "hangar", "BCDFGHJK")[1]


def test_commands_of_pairing_leave_no_body(tmp_path: Path) -> None:
    agent = open_agent(tmp_path, ScriptedSource(warming()))
    code, salt = new_code(), pairing.new_salt()
    ask(
        agent.store.path,
        pairing.OFFER,
        {"role": "owner", "salt": salt.hex(), "hash": seal(code, salt).hex()},
    )
    agent.answer_commands()
    found = agent.store.open_code(time.time())
    assert found is not None
    body = {
        "code": found.number,
        "hash": seal(code, found.salt).hex(),
        "token": token_hash("t").hex(),
        "most": "owner",
        "label": "pilot",
    }
    ask(agent.store.path, pairing.TRY, body)
    ask(agent.store.path, pairing.TRY, {"hash": "not hex"})
    agent.answer_commands()
    db = sqlite3.connect(agent.store.path)
    kept = db.execute("SELECT body, answer FROM commands ORDER BY made_at, rowid").fetchall()
    db.close()
    agent.store.close()
    assert [b for b, _ in kept] == ["{}"] * 3
    assert [json.loads(a)["ok"] for _, a in kept] == [True, True, False]


def test_a_command_left_twice_under_one_id_is_done_once(desk: Desk) -> None:
    for on in (True, False):
        assert ask(desk.file, "heater-said", {"on": on}, command="form-7") == "form-7"
    assert [c.body for c in desk.store.waiting_commands()] == [{"on": True}]


def test_a_code_offered_while_the_clock_is_not_set_says_what_that_means(tmp_path: Path) -> None:
    agent = open_agent(tmp_path, ScriptedSource(warming()))
    salt = pairing.new_salt()
    body = {"role": "owner", "salt": salt.hex(), "hash": seal("BCDFGHJK", salt).hex()}
    for known in (True, False):
        command = Command("1", pairing.OFFER, body, time.time(), time.time() + 60.0)
        done, text = agent._orders.carry_out(command, Batch(), Standing(Watch(), 0.0, 0.0, known))
        assert done
        assert ("clock is not set" in text) is not known
    agent.store.close()
