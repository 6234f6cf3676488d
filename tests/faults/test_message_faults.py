"""Faults on the way to people (D2, D4, D9, E6): killed, mute, gone for a day, asked again, never a storm."""

from __future__ import annotations

import os
import random
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent.parent))

from real_mail import MailReceiver

from probe_agent.clock import Clock, SimulatedClock, SystemClock
from probe_agent.config import Messages, Recipient
from probe_agent.messages import MessageCourier
from probe_agent.migrations import migrate
from probe_agent.store import Batch, Message, Store

pytestmark = pytest.mark.filterwarnings("ignore:'imghdr' is deprecated:DeprecationWarning")
HERE = Path(__file__).parent
DAY_S = 86_400.0


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    file = tmp_path / "probe-agent.db"
    migrate(file)
    opened = Store(file)
    yield opened
    opened.close()


def put(store: Store, clock: Clock, key: str, valid_s: float, withdrawn: tuple[str, ...] = ()) -> None:
    """A message into the outbox, as a tick does it; it overtakes those of the given heads."""
    now_at = clock.utc()
    message = Message("pilot", key, key, "text", now_at, now_at + valid_s, written=clock.standing())
    store.commit(Batch(messages=[message], withdrawn=[(head, "pilot") for head in withdrawn]))


def rows(store: Store) -> dict[str, sqlite3.Row]:
    db = sqlite3.connect(store.path)
    db.row_factory = sqlite3.Row
    try:
        return {row["dedupe_key"]: row for row in db.execute("SELECT * FROM outbox")}
    finally:
        db.close()


@contextmanager
def running(store: Store, address: str, clock: Clock, timeout_s: float = 5.0) -> Iterator[MessageCourier]:
    settings = Messages(retry_s=0.1, timeout_s=timeout_s)
    made = MessageCourier(store, [Recipient("pilot", address=address)], settings, clock)
    made.start()
    try:
        yield made
    finally:
        made.stop()


def wait_until(true: Callable[[], object], timeout_s: float = 20.0) -> None:
    deadline, pause = time.monotonic() + timeout_s, threading.Event()
    while not true():
        assert time.monotonic() < deadline, "never came true"
        pause.wait(0.01)


# -- D2


KILLED = """
import sys
from pathlib import Path
from probe_agent.clock import SystemClock
from probe_agent.config import Messages, Recipient
from probe_agent.messages import MessageCourier
from probe_agent.store import Store

store = Store(Path(sys.argv[1]))
pilot = Recipient("pilot", address=sys.argv[2])
courier = MessageCourier(store, [pilot], Messages(retry_s=0.1), SystemClock())
courier.start()
sys.stdin.read()
"""


def lose_nothing(store: Store, messages: int, kills: int, seed: int) -> None:
    """kill -9 of the process that delivers, at random instants, again and again."""
    chance, clock = random.Random(seed), SystemClock()
    for n in range(messages):
        put(store, clock, f"word:{n}", 3600.0)
    with MailReceiver() as receiver:
        for _ in range(kills):
            process = subprocess.Popen(
                [sys.executable, "-c", KILLED, str(store.path), receiver.address()],
                env={**os.environ, "PYTHONPATH": str(HERE.parents[1])},
                stdin=subprocess.PIPE,
            )
            before = receiver.seen.qsize()
            wait_until(lambda before=before: receiver.seen.qsize() > before)  # type: ignore[misc]
            threading.Event().wait(chance.uniform(0.0, 0.15))  # the random instant itself
            process.send_signal(signal.SIGKILL)
            process.wait(10)
            assert process.stdin is not None
            process.stdin.close()
        with running(store, receiver.address(), clock):
            wait_until(lambda: all(row["delivered_at"] for row in rows(store).values()))
        got = Counter(mail.subject for mail in list(receiver.seen.queue))
    twice = sum(n - 1 for n in got.values())
    print(f"\n{messages} acknowledged, {kills} kills: 0 lost, {twice} twice")
    assert got.keys() == {f"word:{n}" for n in range(messages)}
    assert twice <= kills


@pytest.mark.long  # in the ordinary run: test_messages.py::test_a_killed_daemon_loses_no_message
def test_killed_again_and_again_while_it_delivers_nothing_is_lost(store: Store) -> None:
    """D2."""
    lose_nothing(store, 120, 20, seed=2)


# -- D4: a day without a mail server, on injected time through the real outbox


DAY = (
    # hours after the begin of the outage, key, valid for hours, overtakes
    (0.0, "probe-missing-cyl-2:1", 12.0, ()),
    (1.0, "above-target:1", 4.0, ("above-target",)),
    (2.0, "too-hot:0", 2.0, ("too-hot",)),
    (2.5, "too-hot:1", 2.0, ("too-hot",)),
    (3.0, "ready:1", 4.0, ("ready", "above-target")),
    (20.0, "cooling:1", 8.0, ("cooling", "ready", "above-target")),
    (21.0, "switch-off:0", 6.0, ("switch-off",)),
    (21.5, "switch-off:1", 6.0, ("switch-off",)),
    (22.0, "switch-off:2", 6.0, ("switch-off",)),
    (23.0, "morning-look:1", 0.5, ("morning-look",)),
    (23.9, "morning-look:2", 2.0, ("morning-look",)),
)


def test_a_day_without_mail_brings_what_still_holds_once_and_nothing_else(store: Store) -> None:
    """D4, E6: of eleven words of a day three hold; two were overtaken by their own repetition."""
    clock = SimulatedClock(time.time())
    with socket.create_server(("127.0.0.1", 0)) as place:
        port = place.getsockname()[1]  # nobody listens there until the day is over
    address = f"mailto://127.0.0.1:{port}/?from=probe-agent@example.org&to=pilot@example.org"
    never = threading.Event()
    with running(store, address, clock, timeout_s=1.0) as made:
        begin_s = clock.monotonic()
        for hours, key, valid_h, withdrawn in DAY:
            clock.wait_until(begin_s + hours * 3600, never)
            put(store, clock, key, valid_h * 3600, withdrawn)
            made.nudge()
            wait_until(lambda key=key: rows(store)[key]["tries"] >= 1)  # type: ignore[misc]
        assert "Messages to pilot have not got through" in str(made.trouble)
        clock.wait_until(begin_s + DAY_S, never)
    with MailReceiver() as receiver, running(store, receiver.address(), clock):
        wait_until(lambda: all(r["delivered_at"] or r["dropped_reason"] for r in rows(store).values()))
        got = [mail.subject for mail in list(receiver.mails.queue)]
    assert got == ["cooling:1", "switch-off:2", "morning-look:2"]
    why = {key: row["dropped_reason"] for key, row in rows(store).items() if row["dropped_reason"]}
    assert why == {
        "probe-missing-cyl-2:1": "out of date",
        "above-target:1": "overtaken",
        "too-hot:0": "overtaken",
        "too-hot:1": "out of date",
        "ready:1": "overtaken",
        "switch-off:0": "overtaken",
        "switch-off:1": "overtaken",
        "morning-look:1": "overtaken",
    }


def test_what_is_withdrawn_while_another_is_being_sent_is_not_sent(store: Store) -> None:
    """D4: the one before hangs for a while at the mail server; meanwhile the next is true no longer."""
    entered, release = threading.Event(), threading.Event()

    def send_slowly(address: str, message: Message, timeout_s: float) -> str | None:
        sent.append(message.dedupe_key)
        entered.set()
        release.wait(20)
        return None

    sent: list[str] = []
    clock = SystemClock()
    put(store, clock, "morning-look:1", 3600.0)
    put(store, clock, "above-target:1", 3600.0)
    made = MessageCourier(store, [Recipient("pilot", address="x://")], Messages(), clock, send_slowly)
    made.start()
    try:
        assert entered.wait(10)
        store.commit(Batch(withdrawn=[("above-target", None)]))
        release.set()
        wait_until(lambda: rows(store)["morning-look:1"]["delivered_at"])
        put(store, clock, "cooling:1", 3600.0)
        made.nudge()
        wait_until(lambda: rows(store)["cooling:1"]["delivered_at"])
    finally:
        release.set()
        made.stop()
    assert sent == ["morning-look:1", "cooling:1"]


# -- D9: a mail server that takes the connection and says nothing, or something else


@pytest.mark.parametrize("says", [b"", b"HTTP/1.1 302 Found\r\nLocation: http://portal.example/\r\n\r\n"])
def test_a_mute_mail_server_holds_up_nobody_else(store: Store, says: bytes) -> None:
    """D9: mute, or a captive portal: within its timeout it is given up, and another recipient is served."""
    clock = SystemClock()
    with socket.create_server(("127.0.0.1", 0)) as mute, MailReceiver() as receiver:
        stop = threading.Event()

        def answer() -> None:
            mute.settimeout(0.1)
            held = []
            while not stop.is_set():
                try:
                    held.append(mute.accept()[0])
                    held[-1].sendall(says)
                except OSError:
                    continue
            for one in held:
                one.close()

        listener = threading.Thread(target=answer)
        listener.start()
        dead = f"mailto://127.0.0.1:{mute.getsockname()[1]}/?from=a@example.org&to=b@example.org"
        people = [Recipient("pilot", address=dead), Recipient("second", address=receiver.address())]
        made = MessageCourier(store, people, Messages(retry_s=0.1, timeout_s=1.0), clock)
        try:
            put(store, clock, "too-hot:1", 3600.0)
            store.commit(
                Batch(
                    messages=[
                        Message(
                            "second", "too-hot:1", "too-hot:1", "text", 0.0, 9e9, written=clock.standing()
                        )
                    ]
                )
            )
            began_s = time.monotonic()
            made.start()
            assert receiver.next_mail().subject == "too-hot:1"
            wait_until(lambda: made.trouble is not None)
            assert time.monotonic() - began_s < 10
            assert "Messages to pilot have not got through" in str(made.trouble)
            assert "127.0.0.1" not in str(made.trouble)
        finally:
            made.stop()
            stop.set()
            listener.join(5)
    assert rows(store)["too-hot:1"] is not None
