"""A connection on a real mosquitto: what is refused, what is never answered, what ends in the middle."""

from __future__ import annotations

import gc
import json
import math
import os
import signal
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from real_broker import MOSQUITTO, RealBroker, Recorder, publish_once

from probe_agent import connection
from probe_agent.config import Broker
from probe_agent.connection import Connection

pytestmark = pytest.mark.skipif(not MOSQUITTO, reason="needs mosquitto")

NOT_AUTHORIZED = 0x87
WILL = ("will/magpie", b"lost", False)
RULES = next(Path("/usr/lib").glob("*/mosquitto_dynamic_security.so"), None)
"""Of mosquitto's own package: unlike its file of rules it refuses subscriptions too."""
ONLY_OPEN = {
    "defaultACLAccess": {"unsubscribe": True, "publishClientReceive": True},
    "clients": [],
    "groups": [{"groupname": "all", "roles": [{"rolename": "some"}]}],
    "roles": [
        {
            "rolename": "some",
            "acls": [
                {"acltype": "subscribePattern", "topic": "open/#", "allow": True},
                {"acltype": "publishClientSend", "topic": "open/#", "allow": True},
            ],
        }
    ],
    "anonymousGroup": "all",
}


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[RealBroker]:
    with RealBroker(tmp_path) as started:
        yield started


def to(port: int, heard: Callable[..., None] = lambda message: None, **more: Any) -> Connection:
    return Connection(Broker(host="127.0.0.1", port=port), "magpie", None, "somebody", heard, **more)


@contextmanager
def opened(port: int, heard: Callable[..., None] = lambda message: None, **more: Any) -> Iterator[Connection]:
    made = to(port, heard, **more)
    try:
        made.open()
        yield made
    finally:
        made.close(politely=False)


# -- its beginning


def test_a_broker_that_takes_nobody_is_told_as_one_that_refuses(tmp_path: Path) -> None:
    with RealBroker(tmp_path, "allow_anonymous false") as strict:
        made = to(strict.port, it="the broker")
        with pytest.raises(ConnectionError, match=r"^the broker refuses us \(not authorized\)$"):
            made.open()
        made.close(politely=True)
    assert not made.was_open


def test_one_that_says_nothing_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connection, "ANSWER_S", 0.2)
    with socket.create_server(("127.0.0.1", 0)) as mute:
        made = to(mute.getsockname()[1])
        with pytest.raises(ConnectionError, match=r"^it accepts the connection and says nothing$"):
            made.open()
        made.close(politely=True)


def test_one_that_hangs_up_has_not_said_a_word() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        thread = threading.Thread(target=lambda: server.accept()[0].close())
        thread.start()
        made = to(server.getsockname()[1])
        with pytest.raises(ConnectionError, match=r"^it ends the connection before its first word$"):
            made.open()
        made.close(politely=False)
        thread.join(30)


def test_nothing_of_a_closed_one_waits_for_the_garbage_collector(broker: RealBroker) -> None:
    gc.collect()
    gc.disable()
    try:
        before = sorted(os.listdir("/proc/self/fd"))
        with opened(broker.port) as made:
            assert sorted(os.listdir("/proc/self/fd")) != before
        del made
        assert sorted(os.listdir("/proc/self/fd")) == before
    finally:
        gc.enable()


# -- what is refused


@pytest.mark.skipif(RULES is None, reason="mosquitto comes without rules for subscriptions")
def test_each_topic_is_taken_or_refused(tmp_path: Path) -> None:
    file = tmp_path / "rules.json"
    file.write_text(json.dumps(ONLY_OPEN))
    file.chmod(0o600)
    lines = f"plugin {RULES}\nplugin_opt_config_file {file}\n"
    heard: list[tuple[str, bytes]] = []
    with (
        RealBroker(tmp_path, lines) as strict,
        opened(strict.port, lambda m: heard.append((m.topic, m.payload))) as made,
    ):
        asked = made.subscribe(["open/a", "closed/a"], qos=1)
        assert (asked.codes, asked.refused) == (None, ())
        assert made.answered(asked, 30)
        assert (asked.codes, asked.refused) == ((1, NOT_AUTHORIZED), ("closed/a",))
        told = [made.publish(topic, b"x") for topic in ("open/a", "closed/b")]
        assert not made.idle
        assert made.flush(30)
        assert [a.codes for a in told] == [(0,), (NOT_AUTHORIZED,)]
        assert made.refused == {"closed/b": "Not authorized"}
        assert made.until(lambda: heard == [("open/a", b"x")], 30)


def test_no_local_keeps_our_own_words_away_and_brings_those_of_others(broker: RealBroker) -> None:
    heard: list[bytes] = []
    with opened(broker.port, lambda m: heard.append(m.payload)) as made:
        assert made.answered(made.subscribe(["plug"], 1, no_local=True), 30)
        made.publish("plug", b"ours")
        assert made.flush(30)
        publish_once(broker.port, "plug", b"theirs", retain=False)
        assert made.until(lambda: bool(heard), 30)
        made.unsubscribe("plug")
    assert heard == [b"theirs"]


# -- its end


@pytest.mark.parametrize(
    ("broke", "said"), [(None, "^the connection broke$"), ("over ({})", r"^over \(unspecified error\)$")]
)
def test_a_broker_killed_in_the_middle_of_a_wait_ends_it(
    broker: RealBroker, broke: str | None, said: str
) -> None:
    def kill() -> bool:
        if broker.is_up:
            broker.kill()
        return False

    with opened(broker.port, broke=broke) as made:
        with pytest.raises(ConnectionError, match=said):
            made.until(kill, 30)
        with pytest.raises(ConnectionError, match=said):
            made.pump(0.0)
        assert not made.cut()
        assert not made.taken_over


def test_a_message_that_nobody_acknowledges_ends_it(broker: RealBroker) -> None:
    with opened(broker.port, acknowledge_s=0.3) as made:
        broker.signal(signal.SIGSTOP)
        sent = made.publish("a", b"x")
        with pytest.raises(ConnectionError, match="takes messages and does not acknowledge them"):
            made.answered(sent, math.inf)
        assert sent.codes is None


def test_a_wait_ends_when_we_are_to_stop(broker: RealBroker) -> None:
    stopping = threading.Event()
    with opened(broker.port, stopping=stopping) as made:
        timer = threading.Timer(0.1, stopping.set)
        timer.start()
        began_s = time.monotonic()
        assert not made.until(lambda: False, 60)
        assert time.monotonic() - began_s < 30
        timer.join()


@pytest.mark.parametrize("end", ["politely", "rudely", "cut"])
def test_the_will_is_published_unless_the_end_was_polite(broker: RealBroker, end: str) -> None:
    with Recorder(broker.port, "will/#", "after") as recorder, opened(broker.port, will=WILL) as made:
        if end == "cut":
            assert made.cut()
            with pytest.raises(ConnectionError):
                made.until(lambda: False, 30)
        else:
            made.close(end == "politely")
        if end != "politely":
            recorder.wait_for_message(*WILL[:2])
        publish_once(broker.port, "after", b"", retain=False)
        recorder.wait_for_message("after")
        assert [s.topic for s in recorder.stream] == ([] if end == "politely" else [WILL[0]]) + ["after"]


@pytest.mark.parametrize("strict", [False, True])
def test_what_hearing_raises_is_logged_and_ends_only_a_strict_one(
    broker: RealBroker, caplog: pytest.LogCaptureFixture, strict: bool
) -> None:
    heard: list[bytes] = []

    def stumble(message: Any) -> None:
        heard.append(message.payload)
        raise RuntimeError("stumbled")

    with opened(broker.port, stumble, strict=strict) as made:
        made.subscribe(["a"], qos=1)
        for _ in range(2):
            made.publish("a", b"x")
        if strict:
            with pytest.raises(ConnectionError, match=r"^RuntimeError$"):
                made.until(lambda: len(heard) == 2, 30)
        else:
            assert made.until(lambda: len(heard) == 2, 30)
    assert "somebody: _on_message failed" in caplog.text
