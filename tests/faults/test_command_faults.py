"""Commands of people, whatever befalls the record: what listens for them never ends for good (C6, D7)."""

from __future__ import annotations

import json
import sqlite3
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent.parent))

from scripted import ScriptedSource, open_agent, warming

from probe_agent import store
from probe_agent.agent import Agent
from probe_agent.clock import SystemClock
from probe_agent.orders import Orders
from probe_agent.store import ask, await_answer


@pytest.fixture
def agent(tmp_path: Path) -> Iterator[Agent]:
    made = open_agent(tmp_path, ScriptedSource(warming()))
    made.clock = SystemClock()
    yield made
    made.store.close()


def listening(agent: Agent, stop: threading.Event) -> threading.Thread:
    """What listens for commands, as the daemon runs it."""
    thread = threading.Thread(target=agent._poll_commands, args=(stop,))
    thread.start()
    return thread


def answered(agent: Agent, kind: str = "hand-reading", **body: Any) -> dict[str, Any]:
    """A command's answer, which comes within the deadline."""
    said = body or {"place": "cyl-1", "c": -3.0, "method": "contact"}
    answer = await_answer(agent.store.path, ask(agent.store.path, kind, said), 15.0)
    assert answer is not None, "nobody listens any more"
    told: dict[str, Any] = json.loads(answer)
    return told


def wait_until(true: Callable[[], object]) -> None:
    deadline, pause = time.monotonic() + 15, threading.Event()
    while not true():
        assert time.monotonic() < deadline, "never came true"
        pause.wait(0.01)


def when(one: threading.Event, other: threading.Event) -> None:
    """The other follows the one."""
    if one.wait(30):
        other.set()


@pytest.mark.parametrize(
    "error", [sqlite3.OperationalError("disk I/O error"), sqlite3.DatabaseError("malformed"), OSError(5, "x")]
)
def test_a_record_that_can_not_be_read_for_a_while_is_read_again(
    agent: Agent, monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    """The file can't be opened, then can: what was asked meanwhile is answered."""
    original, fails = store.connect, threading.Event()

    def refuse(*args: Any, **more: Any) -> sqlite3.Connection:
        if fails.is_set() and more.get("read_only"):
            raise error
        return original(*args, **more)

    monkeypatch.setattr(store, "connect", refuse)
    watching = Agent._watch_commands

    def break_off(self: Agent, watcher: sqlite3.Connection, stop: threading.Event) -> None:
        if fails.is_set():
            raise error
        broken = threading.Event()
        threading.Thread(target=when, args=(fails, broken)).start()
        watching(self, watcher, broken)
        if fails.is_set():
            raise error

    monkeypatch.setattr(Agent, "_watch_commands", break_off)
    stop = threading.Event()
    thread = listening(agent, stop)
    try:
        assert answered(agent)["ok"]
        fails.set()
        wait_until(lambda: any("What people ask for can't be read" in note for note in agent._notes()))
        monkeypatch.setattr(Agent, "_watch_commands", watching)
        fails.clear()
        assert answered(agent)["ok"]
        wait_until(lambda: not any("What people ask for can't be read" in note for note in agent._notes()))
    finally:
        fails.set()
        stop.set()
        thread.join(5)
    assert not thread.is_alive()


def test_a_locked_record_ends_nothing(agent: Agent, monkeypatch: pytest.MonkeyPatch) -> None:
    """The store refuses what an answer writes (a real lock of another process); later it takes it."""
    agent.store._db.execute("PRAGMA busy_timeout = 100")
    stop = threading.Event()
    other = sqlite3.connect(agent.store.path, isolation_level=None, check_same_thread=False)
    thread = listening(agent, stop)
    try:
        assert answered(agent)["ok"]
        command = ask(agent.store.path, "hand-reading", {"place": "cyl-2", "c": -2.0, "method": "contact"})
        other.execute("BEGIN IMMEDIATE")
        threading.Event().wait(2.5)  # the lock itself: longer than the daemon waits for it
        other.execute("ROLLBACK")
        agent.tick()  # what the disk didn't take is tried again with the next tick
        assert await_answer(agent.store.path, command, 15.0) is not None
        assert answered(agent)["ok"]
    finally:
        stop.set()
        thread.join(5)
        other.close()


def test_a_command_that_fails_stands_in_no_others_way(agent: Agent, monkeypatch: pytest.MonkeyPatch) -> None:
    """D7: an error in the code behind one command is answered, and the next one is heard."""
    original = Orders.carry_out

    def stumble(self: Orders, command: Any, batch: Any, at: Any) -> Any:
        if command.kind == "undo-hand-reading":
            raise RuntimeError("stumbled")
        return original(self, command, batch, at)

    monkeypatch.setattr(Orders, "carry_out", stumble)
    stop = threading.Event()
    thread = listening(agent, stop)
    try:
        failed = answered(agent, "undo-hand-reading", number=1)
        assert not failed["ok"]
        assert "could not be carried out (RuntimeError)" in failed["text"]
        assert answered(agent)["ok"]
    finally:
        stop.set()
        thread.join(5)


def test_the_thread_itself_is_begun_anew_by_the_next_tick(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """D7: whatever ends it."""
    monkeypatch.setattr(threading, "excepthook", lambda args: None)
    made = open_agent(tmp_path, ScriptedSource(warming()))
    original, ended = Agent._poll_commands, threading.Event()

    def leave(self: Agent, stop: threading.Event) -> None:
        if not ended.is_set():
            ended.set()
            raise SystemExit("a library that leaves")
        original(self, stop)

    monkeypatch.setattr(Agent, "_poll_commands", leave)
    stop = threading.Event()
    made.clock = SystemClock()
    daemon = threading.Thread(target=made.run, args=(stop,))
    daemon.start()
    try:
        assert ended.wait(10)
        wait_until(lambda: made._poller is not None and not made._poller._thread.is_alive())  # type: ignore[union-attr]
        made.tick()
        assert answered(made)["text"]
    finally:
        stop.set()
        daemon.join(10)
        made.store.close()
