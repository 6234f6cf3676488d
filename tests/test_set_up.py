"""The page Set up, and a test message that somebody asks for."""

from __future__ import annotations

from pathlib import Path

import msgspec
import pytest
import status_samples as samples
from answering_daemon import AnsweringDaemon
from scripted import START_UTC, ScriptedSource, open_agent, tick_until, warming
from test_agent import Post, ask_and_answer
from test_web import LOCAL, SETTINGS, Page

from probe_agent.config import Recipient
from probe_agent.store import Batch, link_hash, mark_proven, mark_tested
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
    assert "7.2 °C [limits] target_c or target_f" in text


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
