"""The page Set up, and a test message that somebody asks for."""

from __future__ import annotations

import re
from html import unescape
from pathlib import Path

import msgspec
import pytest
import status_samples as samples
from answering_daemon import AnsweringDaemon
from scripted import START_UTC, ScriptedSource, open_agent, tick_until, warming
from test_agent import Post, ask_and_answer
from test_web import LOCAL, SETTINGS, Page, plain

from probe_agent.chosen import KEPT, Change, keep_text
from probe_agent.config import Recipient
from probe_agent.status import UnplacedNow
from probe_agent.store import Batch, link_hash, mark_proven, mark_tested, moves, rebind
from web.app import create_app
from web.source import FileStatusSource

PILOT = Recipient(name="Pilot", address="x://nobody")


@pytest.fixture
def page(tmp_path: Path):  # type: ignore[no-untyped-def]
    with AnsweringDaemon(tmp_path / "store.db") as daemon:
        daemon.store.describe_places({p.name: (p.required, p.near_heater) for p in SETTINGS.places})
        settings = msgspec.structs.replace(SETTINGS, recipients=(PILOT,))
        app = create_app(FileStatusSource(tmp_path / "status.json"), tmp_path / "store.db", settings, 5.0)
        client = app.test_client()
        client.environ_base.update(LOCAL)
        shown = Page(tmp_path, client, daemon)
        shown.show(samples.heating())
        yield shown


def test_a_recipient_is_shown_with_what_they_have_proven(page: Page) -> None:
    assert "Not proven: no test has been sent yet." in page.text("/setup")
    page.daemon.store.commit(Batch(statements=[mark_tested("Pilot", START_UTC)]))
    assert "is unanswered. Silence proves nothing." in page.text("/setup")
    page.daemon.store.commit(Batch(statements=[mark_proven("Pilot", START_UTC + 60)]))
    assert "Has answered a test, Fri" in page.text("/setup")


def test_a_test_is_asked_for_and_its_code_typed(page: Page) -> None:
    assert page.press("/act/test-recipient", page="/setup")[0] == 200
    code, text = page.press("/act/received", page="/setup", code="48 29")
    assert code == 422
    assert "has six digits" in text
    assert 'value="48 29"' in page.client.post("/act/received", data={"code": "48 29"}).get_data(as_text=True)
    page.press("/act/received", page="/setup", code=" 482 913 ")
    assert [(c.kind, dict(c.body)) for c in page.daemon.asked] == [
        ("test-recipient", {"to": "Pilot"}),
        ("answer-link", {"hash": link_hash("482913").hex()}),
    ]


def test_a_probe_is_shown_with_its_place_and_what_it_reads(page: Page) -> None:
    page.daemon.store.bind("cyl-3", "one-wire", "3b-0000001921fe", START_UTC)
    text = page.text("/setup?unit=C")
    assert "cylinder 3 −6 °C" in text
    assert "one-wire 3b-0000001921fe" in text
    assert "Target of the coldest point: 7.2 °C" in text
    assert "Readiness waits for" in text


# -- which probe sits where

ONE, TWO, NEW = "3b-0000001921fe", "3b-00000019220a", "3b-000000192333"


def bound(page: Page) -> None:
    page.daemon.store.bind("cyl-3", "one-wire", ONE, START_UTC)
    page.daemon.store.bind("cyl-4", "one-wire", TWO, START_UTC + 1)
    unplaced = (UnplacedNow("one-wire", NEW, 21.25), UnplacedNow("one-wire", "3b-000000192444", fault="open"))
    page.show(msgspec.structs.replace(samples.heating(), unplaced=unplaced))


def choose(page: Page, do: str, **at: str) -> tuple[int, str]:
    """Send the form with its selects as they stand, but for those named."""
    html = page.client.get("/setup").get_data(as_text=True)
    form = next(f for f in re.findall(r"<form.*?</form>", html, re.S) if "Show what would change" in f)
    fields = dict(re.findall(r'name="([\w-]+)" value="([^"]*)"', form))
    selected = re.findall(r'<select id="[^"]*" name="(at-[^"]*)".*?value="([^"]*)" selected', form, re.S)
    sent = {k: unescape(v) for k, v in {**fields, **dict(selected)}.items()} | {"do": do}
    sent |= {f"at-{a}": place for a, place in at.items()}
    answer = page.client.post("/act/bind", data=sent, follow_redirects=True)
    return answer.status_code, plain(answer.get_data(as_text=True))


def test_a_probe_without_a_place_is_shown_with_what_it_reads(page: Page) -> None:
    bound(page)
    text = page.text("/setup?unit=C")
    assert f"No place: reads 21.2 °C one-wire {NEW}" in text
    assert "No place: can't be read (open)" in text


def test_what_would_change_is_shown_first_and_then_asked_of_the_daemon_as_it_was_seen(page: Page) -> None:
    bound(page)
    code, text = choose(page, "preview", **{ONE: "", NEW: "cyl-3"})
    assert code == 200
    assert f"{ONE}: at cylinder 3, from now on at no place" in text
    assert f"{NEW}: at no place, from now on at cylinder 3" in text
    assert "Raw readings stay with the places they were taken at" in text
    assert page.daemon.asked == [], "looking changes nothing"
    assert "Cylinder 3: no probe any more." in choose(page, "preview", **{ONE: ""})[1]
    assert choose(page, "bind", **{ONE: "", NEW: "cyl-3"})[0] == 200
    body = page.daemon.asked[0].body
    assert page.daemon.asked[0].kind == "bind-probes"
    assert body["seen"] == {ONE: "cyl-3", TWO: "cyl-4"}
    assert (body["places"][ONE], body["places"][TWO], body["places"][NEW]) == ("", "cyl-4", "cyl-3")


def test_two_probes_at_one_place_are_refused_at_the_form_and_what_was_chosen_stays(page: Page) -> None:
    bound(page)
    code, text = choose(page, "preview", **{ONE: "cyl-4"})
    assert code == 422
    assert "Two probes at cylinder 4." in text
    assert page.daemon.asked == []


def test_the_last_change_of_places_is_undone(page: Page) -> None:
    bound(page)
    moved = moves({TWO: ("cyl-4", "one-wire")}, {TWO: "cyl-2"}, {})
    page.daemon.store.commit(Batch(statements=rebind(moved, START_UTC + 60.125)))
    assert f"{TWO} from cylinder 4 to cylinder 2" in page.text("/setup")
    html = page.client.get("/setup").get_data(as_text=True)
    assert html.count("Undo the change of") == 1, "only the last one"
    at = re.findall(r'name="at" value="([^"]*)" aria-label="Undo', html)[0]
    page.press("/act/unbind", page="/setup", at=at)
    assert dict(page.daemon.asked[0].body) == {"at": START_UTC + 60.125}


# -- settings


def test_a_setting_is_changed_and_what_the_file_says_stands_beside_it(page: Page) -> None:
    page.press("/act/choose", page="/setup?unit=F", label="target_c", text="50", do="change")
    asked = page.daemon.asked[0]
    assert (asked.kind, dict(asked.body)) == (
        "choose-setting",
        {"name": "target_c", "text": "50", "unit": "F", "as_file": False},
    )
    changes = (Change(START_UTC, "uncovered_min", 35.0), Change(START_UTC, "evening", "20:15"))
    page.daemon.store.keep(KEPT, keep_text(changes))
    text = page.text("/setup")
    assert "engine start: 35 min The file says 20 min; changed Fri" in text
    assert 'value="35"' in page.client.get("/plan").get_data(as_text=True), "a new plan starts from it"


def test_a_refused_setting_says_so_at_its_field_and_keeps_what_was_typed(page: Page) -> None:
    page.daemon.answers["choose-setting"] = (False, "Write minutes, 0 to 180.", "uncovered_min")
    code, text = page.press("/act/choose", page="/setup", label='"uncovered_min"', text="many", do="change")
    assert code == 409
    assert text.count("Write minutes, 0 to 180.") == 1
    once = {"name": "uncovered_min", "text": "many <b>", "token": "", "once": "x"}
    html = page.client.post("/act/choose", data=once).get_data(as_text=True)
    assert "<b>" not in html


def test_a_setting_is_put_back(page: Page) -> None:
    page.daemon.store.keep(KEPT, keep_text([Change(START_UTC + 0.5, "evening", "20:15")]))
    page.press("/act/choose", page="/setup", label='"evening"', do="as-file")
    page.press("/act/unchoose", page="/setup", at=str(START_UTC + 0.5))
    assert [dict(c.body) for c in page.daemon.asked] == [
        {"name": "evening", "text": "", "unit": "C", "as_file": True},
        {"at": START_UTC + 0.5, "unit": "C"},
    ]


def test_only_who_may_act_moves_probes_or_changes_settings(page: Page) -> None:
    bound(page)
    page.client.environ_base.update({"REMOTE_ADDR": "192.168.1.20"})
    html = page.client.get("/setup").get_data(as_text=True)
    assert "/act/bind" not in html
    assert "/act/choose" not in html
    for address in ("/act/bind", "/act/unbind", "/act/choose", "/act/unchoose"):
        assert page.client.post(address, data={"do": "preview"}).status_code == 403
    assert page.daemon.asked == []


def test_a_test_that_was_asked_for_goes_to_that_recipient_with_the_next_tick(tmp_path: Path) -> None:
    agent = open_agent(tmp_path, ScriptedSource(warming()), messages=Post())
    tick_until(agent, 30)
    before = len(agent.store.due_messages(["pilot"]))
    assert not ask_and_answer(agent, "test-recipient", to="nobody")["ok"]
    assert ask_and_answer(agent, "test-recipient", to="pilot")["ok"]
    tick_until(agent, 60)
    tests = [m for m in agent.store.due_messages(["pilot"]) if m.dedupe_key.startswith("test:")]
    assert len(tests) == 1, "the one before it, undelivered, is overtaken"
    assert tests[0].dedupe_key.endswith(str(round(START_UTC + 45)))
    assert before <= 1
    agent.store.close()
