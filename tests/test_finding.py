"""A round of finding a probe by warming it, begun on the page: the ticks feed it, the page shows who
rises and offers its place."""

from __future__ import annotations

import re
from collections.abc import Mapping
from html import unescape
from pathlib import Path

import msgspec
import pytest
import status_samples as samples
from scripted import START_UTC, ScriptedSource, open_agent, tick_until
from test_agent import ask_and_answer
from test_binding import BOUND, NEW, NOSE, ONE, TEXT, TWO
from test_set_up import page  # noqa: F401
from test_web import Page, plain

from probe_agent.finding import LASTS_S
from probe_agent.readings import Fault
from probe_agent.status import IdentifyNow, core_of, encode_status
from web.set_up import with_found


class Hands:
    """Four probes and the air; who holds which, and since when [run s]."""

    def __init__(self) -> None:
        self.held: dict[str, float] = {}

    def __call__(self, t_s: float) -> Mapping[str, float | Fault]:
        rest = {ONE: 18.0, TWO: 17.5, NOSE: 18.5, NEW: 18.0, "ambient": 17.0}
        return {a: c + min(0.1 * (t_s - self.held.get(a, t_s)), 12.0) for a, c in rest.items()}


def begun(folder: Path):  # type: ignore[no-untyped-def]
    """A daemon's heart in the middle of a round that waits for somebody to warm a probe."""
    hands = Hands()
    agent = open_agent(folder, ScriptedSource(hands), text=TEXT)
    tick_until(agent, 60)
    assert ask_and_answer(agent, "identify", do="begin")["ok"]
    assert agent.status is not None
    assert agent.status.identify == IdentifyNow("resting")
    tick_until(agent, 120)
    assert agent.status.identify is not None
    assert agent.status.identify.stage == "waiting"
    return agent, hands


def test_ticks_find_the_probe_that_is_warmed_and_its_place_is_bound(tmp_path: Path) -> None:
    agent, hands = begun(tmp_path)
    hands.held[NEW] = 120.0
    tick_until(agent, 240)
    told = agent.status.identify
    assert told is not None
    assert (told.stage, told.addresses) == ("found", (NEW,))
    assert told.rises_k[NEW] > 2
    wanted = with_found(BOUND, NEW, "cyl-2")
    assert wanted == {ONE: "cyl-1", TWO: "", NOSE: "case-nose", NEW: "cyl-2"}
    assert ask_and_answer(agent, "bind-probes", places=wanted, seen=BOUND)["ok"]

    hands.held.clear()
    ask_and_answer(agent, "identify", do="begin")
    tick_until(agent, 300)
    hands.held |= {NEW: 300.0, NOSE: 300.0}  # the placed one is held still: it stands for no other
    tick_until(agent, 420)
    told = agent.status.identify
    assert told is not None
    assert (told.stage, told.addresses) == ("found", (NOSE,))
    agent.store.close()


def test_two_together_are_not_named_and_a_round_ends_by_word_or_by_itself(tmp_path: Path) -> None:
    agent, hands = begun(tmp_path)
    hands.held |= {ONE: 120.0, TWO: 120.0}
    tick_until(agent, 240)
    told = agent.status.identify
    assert told is not None
    assert (told.stage, set(told.addresses)) == ("several", {ONE, TWO})
    assert ask_and_answer(agent, "identify", do="end")["ok"]
    assert agent.status.identify is None
    assert not ask_and_answer(agent, "identify", do="maybe")["ok"]
    ask_and_answer(agent, "identify", do="begin")
    tick_until(agent, agent.clock.monotonic() + LASTS_S + 30, 60)
    assert agent.status.identify is None
    assert {a: p for a, (p, _) in agent.store.bound().items()} == BOUND
    agent.store.close()


def test_the_core_document_tells_nothing_of_it() -> None:
    status = samples.heating()
    looking = msgspec.structs.replace(status, identify=IdentifyNow("waiting", (), {ONE: 1.0}))
    assert encode_status(core_of(looking)) == encode_status(core_of(status))
    assert b"identify" not in encode_status(status)


@pytest.fixture
def shown(page: Page) -> Page:  # noqa: F811
    for place, address in {"cyl-3": ONE, "cyl-4": TWO}.items():
        page.daemon.store.bind(place, "one-wire", address, START_UTC)
    return page


def looking(page: Page, told: IdentifyNow) -> str:  # noqa: F811
    page.show(msgspec.structs.replace(samples.heating(), identify=told))
    return page.text("/setup?unit=C")


def test_the_page_begins_a_round_and_shows_how_it_stands(shown: Page) -> None:
    assert "Begin a round" in shown.text("/setup")
    code, _ = shown.press("/act/identify", page="/setup", do="begin")
    assert code == 200
    assert [(c.kind, dict(c.body)) for c in shown.daemon.asked] == [("identify", {"do": "begin"})]
    assert "At rest: touch no probe." in looking(shown, IdentifyNow("resting"))
    text = looking(shown, IdentifyNow("waiting", (), {ONE: 1.25, TWO: -0.25}))
    assert "Warm one probe now" in text
    assert re.search(r"\+1\.2 °C, cylinder 3.*−0\.2 °C, cylinder 4", text)
    assert "Look again" in text
    text = looking(shown, IdentifyNow("several", (ONE, TWO), {ONE: 4.0, TWO: 3.5}))
    assert "rise together, so neither is named" in text
    assert "Next probe" in text


def test_the_page_offers_the_place_of_the_one_that_rises(shown: Page) -> None:
    assert f"{TWO} (cylinder 4) rises" in looking(shown, IdentifyNow("found", (TWO,), {TWO: 4.0, ONE: 0.0}))
    html = shown.client.get("/setup").get_data(as_text=True)
    form = next(f for f in re.findall(r"<form.*?</form>", html, re.S) if 'name="found"' in f)
    sent = {k: unescape(v) for k, v in re.findall(r'name="([\w-]+)" value="([^"]*)"', form)}
    answer = shown.client.post("/act/bind", data=sent | {"do": "preview", f"at-{TWO}": "cyl-3"})
    text = plain(answer.get_data(as_text=True))
    assert answer.status_code == 200
    assert f"{TWO}: at cylinder 4, from now on at cylinder 3" in text
    assert f"{ONE}: at cylinder 3, from now on at no place" in text
    html = answer.get_data(as_text=True)
    form = next(f for f in re.findall(r"<form.*?</form>", html, re.S) if "So from now on" in f)
    sent = {k: unescape(v) for k, v in re.findall(r'name="([\w-]+)" value="([^"]*)"', form)}
    assert shown.client.post("/act/bind", data=sent).status_code == 303
    assert dict(shown.daemon.asked[-1].body)["places"] == {ONE: "", TWO: "cyl-3"}
