"""History onwards: each stored reading arrives at least once, whoever is killed; what comes twice is known.

The broker is a real mosquitto that keeps nothing on disk, so that a killed one has lost what it acknowledged.
"""

from __future__ import annotations

import json
import shutil
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from history_arrived import Held, hold_against
from history_receiver import Receiver
from real_broker import MOSQUITTO, RealBroker, publish_once
from real_daemon import Process, status_in, write_settings
from secure_broker import Caller, SecureBroker

from probe_agent.config import Broker
from probe_agent.connection import Asked, Connection
from probe_agent.history import MOST_BYTES, HistoryCourier, Pace, fitting, message_of, read_receipt
from probe_agent.maintenance import copy_to
from probe_agent.migrations import migrate
from probe_agent.store import Going, GoneTo, Store, StoredReading, TickRow

pytestmark = pytest.mark.skipif(not MOSQUITTO, reason="needs mosquitto")

ROOT = Path(__file__).parents[1]
SCHEMA = json.loads((ROOT / "deploy" / "broker" / "history.schema.json").read_text("utf-8"))
START_AT = 1_800_000_000.0
TOPIC = "probe-agent/magpie/history"
NOT_AUTHORIZED, NO_SUBSCRIBER = 0x87, 0x10
PLACES = {"cyl-1": (True, False), "sump": (False, True)}
QUICK = Pace(between_s=0.01, poll_s=0.05, nobody_s=0.1, grace_s=0.3, patience_s=1.0)
PATIENT = replace(QUICK, patience_s=600.0)
"""With it nothing is sent again but what a new connection sends again."""


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "probe-agent.db"
    migrate(path)
    return path


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[RealBroker]:
    with RealBroker(tmp_path) as made:
        yield made


def opened(file: Path, offset_s: float = START_AT, clock_ok: bool = True, boot: str = "boot") -> Store:
    store = Store(file)
    store.begin_boot(boot, offset_s, clock_ok)
    store.describe_places(PLACES)
    return store


def measure(store: Store, count: int, first_s: float = 0.0) -> None:
    """Ticks each 15 s, committed together; each fifth has a fault."""
    for i in range(count):
        fault = "open" if i % 5 == 4 else None
        value = None if fault else round(-12 + i / 10, 3)
        readings = (
            StoredReading("cyl-1", -6.0, None, value, fault),
            StoredReading("sump", 1, None, -3.25, None),
        )
        store.hold(TickRow(store.new_tick(), first_s + 15.0 * i, [None, 0.0, 0.5][i % 3], readings))
    store.commit()


def courier_of(port: int, store: Store, pace: Pace = QUICK) -> HistoryCourier:
    return HistoryCourier(Broker(host="127.0.0.1", port=port), "magpie", store, None, False, pace, 0.05)


@contextmanager
def going(port: int, store: Store, pace: Pace = QUICK) -> Iterator[HistoryCourier]:
    courier = courier_of(port, store, pace)
    courier.start()
    try:
        yield courier
    finally:
        courier.stop()


def wait_until(true: Callable[[], object], timeout_s: float = 30.0) -> None:
    deadline, pause = time.monotonic() + timeout_s, threading.Event()
    while not true():
        assert time.monotonic() < deadline, "never came true"
        pause.wait(0.02)


def came(file: Path, receiver: Receiver) -> Held:
    with receiver.changed:
        return hold_against(file, list(receiver.payloads))


def all_pieces(file: Path, most: int = 120) -> list[dict[str, Any]]:
    """What would be sent of a record, from its beginning."""
    eye, gone, found = Going(file), GoneTo(), []
    while (piece := eye.piece_after(gone, most)) is not None:
        piece, payload = fitting("magpie", piece, START_AT, False)
        found.append(json.loads(payload))
        gone = GoneTo(piece.upto, piece.clock.offset_ms, piece.clock.ok)
    eye.close()
    return found


# -- what is said


def test_messages_are_as_the_schema_says(file: Path) -> None:
    for boot in ("one", "two"):
        store = opened(file, boot=boot)
        measure(store, 130)
        store.close()
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    valid = jsonschema.Draft202012Validator(SCHEMA)
    messages = all_pieces(file)
    assert [(m["sequence"], m["upto"]) for m in messages] == [(1, 120), (121, 130), (131, 250), (251, 260)]
    for message in messages:
        valid.validate(message)
    assert messages[0]["after"] is None
    assert [m["after"]["tick"] for m in messages[1:]] == [120, 130, 250]
    assert messages[0]["ticks"][4] == {
        "tick": 5,
        "at": "2027-01-15T08:01:00.000Z",
        "mono_ms": 60_000,
        "heater": 0.0,
        "places": {"cyl-1": "open", "sump": -3.25},
    }
    for member in SCHEMA["required"]:
        with pytest.raises(jsonschema.ValidationError):
            valid.validate({k: v for k, v in messages[0].items() if k != member})


def test_the_same_record_says_the_same_again_and_never_mixes_two_runs(file: Path) -> None:
    store = opened(file)
    measure(store, 7)
    store.close()
    before = all_pieces(file)
    store = opened(file, boot="next")
    measure(store, 3)
    store.close()
    again = all_pieces(file)
    assert again[: len(before)] == before
    assert len({m["run"] for m in again}) == 2
    assert hold_against(file, [json.dumps(m) for m in again]).is_whole


def test_a_message_stays_within_its_bytes_however_many_places_there_are(file: Path) -> None:
    names = [f"place-with-a-long-name-{n}" for n in range(40)]
    store = opened(file)
    store.describe_places(dict.fromkeys(names, (True, False)))
    for i in range(120):
        readings = tuple(StoredReading(name, 1.0, None, -12.345, None) for name in names)
        store.hold(TickRow(store.new_tick(), 15.0 * i, None, readings))
    store.commit()
    store.close()
    eye = Going(file)
    whole = eye.piece_after(GoneTo(), 120)
    assert whole is not None
    assert len(message_of("magpie", whole, START_AT, False)) > MOST_BYTES
    piece, payload = fitting("magpie", whole, START_AT, False)
    assert len(payload) <= MOST_BYTES
    assert piece.upto == piece.ticks[-1].tick == len(piece.ticks)
    eye.close()


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"null",
        b"\xff",
        b"[" * 100_000,
        b'{"version":2,"arrived":[]}',
        b'{"version":1}',
        b'{"version":1,"arrived":[{"run":"a","tick":-1}]}',
        b'{"version":1,"arrived":[{"run":"a","tick":1e400}]}',
        b'{"version":1,"arrived":[{"run":"a","tick":99999999999999999999}]}',
        b'{"version":1,"arrived":[{"run":7,"tick":1}]}',
    ],
)
def test_what_is_no_receipt_is_none(payload: bytes) -> None:
    assert read_receipt(payload) is None


# -- with a broker


def test_what_is_stored_arrives_once_and_what_is_stored_later_follows(file: Path, broker: RealBroker) -> None:
    store = opened(file)
    measure(store, 300)
    with Receiver(broker.port) as receiver, going(broker.port, store) as courier:
        receiver.wait_for(lambda: list(receiver.upto.values()) == [300])
        measure(store, 4, 4500)
        receiver.wait_for(lambda: list(receiver.upto.values()) == [304])
        assert courier.trouble is None
    held = came(file, receiver)
    assert held.is_whole, held
    assert not held.twice
    store.close()


def test_a_broker_killed_again_and_again_loses_nothing(file: Path, broker: RealBroker) -> None:
    store = opened(file)
    measure(store, 2000)
    pace = replace(QUICK, between_s=0.05)
    with Receiver(broker.port) as receiver, going(broker.port, store, pace):
        for upto in (100, 700, 1300):
            receiver.wait_for(lambda upto=upto: max(receiver.upto.values(), default=0) > upto)
            broker.kill()
            broker.start()
        receiver.wait_for(lambda: list(receiver.upto.values()) == [2000])
    assert came(file, receiver).is_whole
    store.close()


def test_what_the_broker_had_acknowledged_and_lost_is_sent_again(file: Path, broker: RealBroker) -> None:
    """The receiver is away, the broker takes all for it, is killed, and knows nothing any more."""
    store = opened(file)
    measure(store, 10)
    receiver = Receiver(broker.port)
    with receiver, going(broker.port, store, PATIENT) as courier:
        receiver.wait_for(lambda: list(receiver.upto.values()) == [10])
        receiver.stop()
        measure(store, 500, 150)
        wait_until(lambda: courier._sent is not None and courier._sent.tick == 510)
        broker.kill()
        broker.start()
        receiver.start()
        receiver.wait_for(lambda: list(receiver.upto.values()) == [510])
    assert came(file, receiver).is_whole
    store.close()


def test_a_receiver_that_lost_everything_gets_everything_again(file: Path, broker: RealBroker) -> None:
    store = opened(file)
    measure(store, 250)
    with Receiver(broker.port) as receiver, going(broker.port, store):
        receiver.wait_for(lambda: list(receiver.upto.values()) == [250])
        receiver.forget()
        measure(store, 1, 9000)
        receiver.wait_for(lambda: list(receiver.upto.values()) == [251])
    assert came(file, receiver).is_whole
    store.close()


def test_nothing_counts_as_gone_while_nobody_listens(
    file: Path, broker: RealBroker, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = opened(file)
    measure(store, 20)
    said: list[Asked] = []
    publish = Connection.publish
    monkeypatch.setattr(Connection, "publish", lambda *a, **b: said.append(publish(*a, **b)) or said[-1])
    with going(broker.port, store):
        wait_until(lambda: sum(a.codes is not None for a in said) >= 3)
        assert {a.codes for a in said[:3]} == {(NO_SUBSCRIBER,)}
        with Receiver(broker.port, receipts=False) as receiver:
            receiver.wait_for(lambda: sum(len(m["ticks"]) for m in receiver.messages()) == 20)
    assert [len(m["ticks"]) for m in receiver.messages()] == [1, 19]
    assert came(file, receiver).is_whole
    store.close()


def test_without_receipts_what_the_broker_took_is_not_sent_again_after_a_restart(
    file: Path, broker: RealBroker
) -> None:
    with Receiver(broker.port, receipts=False) as receiver:
        for first in (0, 1000):
            store = opened(file)
            measure(store, 30, first)
            with going(broker.port, store) as courier:
                tick = 30 if first == 0 else 60
                wait_until(lambda tick=tick, courier=courier: courier._sent and courier._sent.tick == tick)
            store.close()
        receiver.wait_for(lambda: len(receiver.payloads) >= 2)
    held = came(file, receiver)
    assert held.is_whole
    assert not held.twice


def test_a_receipt_counts_after_a_restart_and_not_what_was_kept(file: Path, broker: RealBroker) -> None:
    store = opened(file)
    measure(store, 40)
    with Receiver(broker.port) as receiver:
        with going(broker.port, store):
            receiver.wait_for(lambda: list(receiver.upto.values()) == [40])
        run = next(iter(receiver.upto))
        told = {
            "version": 1,
            "arrived": [{"run": run, "tick": 25, "offset_ms": 1_800_000_000_000, "clock_ok": True}],
        }
        publish_once(broker.port, f"{TOPIC}/arrived", json.dumps(told).encode())
        with going(broker.port, store, PATIENT):
            receiver.wait_for(lambda: len(receiver.payloads) >= 2)
    assert [m["sequence"] for m in receiver.messages()] == [1, 26]
    assert set(came(file, receiver).twice) == {(run, tick) for tick in range(26, 41)}
    store.close()


def test_a_clock_that_is_set_later_mends_what_has_gone(file: Path, broker: RealBroker) -> None:
    store = opened(file, offset_s=0.0, clock_ok=False)
    measure(store, 5)
    with Receiver(broker.port) as receiver, going(broker.port, store):
        receiver.wait_for(lambda: list(receiver.upto.values()) == [5])
        assert receiver.messages()[0]["clock"]["ok"] is False
        assert not receiver.messages()[0]["ticks"][0]["at"].startswith("2027")
        store.commit(store.clock_was_set(START_AT, True))
        receiver.wait_for(lambda: len(receiver.payloads) >= 2)
        mended = receiver.messages()[-1]
        jsonschema.Draft202012Validator(SCHEMA).validate(mended)
        assert (mended["ticks"], mended["sequence"], mended["upto"]) == ([], 5, 5)
        assert mended["clock"] == {"ok": True, "offset_ms": 1_800_000_000_000, "as_of": 5}
    assert came(file, receiver).is_whole
    store.close()


def test_a_clock_set_just_before_the_end_of_a_run_comes_with_the_next_one(file: Path) -> None:
    store = opened(file, offset_s=0.0, clock_ok=False)
    measure(store, 5)
    first = all_pieces(file)
    store.commit(store.clock_was_set(START_AT, True))
    store.close()
    store = opened(file, boot="next")
    measure(store, 5)
    store.close()
    messages = [*first, *all_pieces(file)[1:]]
    assert hold_against(file, [json.dumps(m) for m in messages]).is_whole
    assert not hold_against(file, [json.dumps(m) for m in first]).is_whole


def test_a_record_put_back_from_a_copy_gives_no_other_reading_a_name_that_is_taken(
    file: Path, tmp_path: Path, broker: RealBroker
) -> None:
    copy = tmp_path / "copy.db"
    with Receiver(broker.port) as receiver:
        store = opened(file)
        measure(store, 20)
        with going(broker.port, store):
            receiver.wait_for(lambda: list(receiver.upto.values()) == [20])
        copy_to(file, copy, lambda done, of: None)
        store.close()
        store = opened(
            file
        )  # the same boot of the kernel, and the number that the run after the copy will have
        measure(store, 10, 300)
        with going(broker.port, store):
            receiver.wait_for(lambda: list(receiver.upto.values()) == [20, 30])
        store.close()
        for tail in ("", "-wal", "-shm"):
            file.with_name(file.name + tail).unlink(missing_ok=True)
        shutil.copyfile(copy, file)
        store = opened(file)
        measure(store, 10, 900)
        with going(broker.port, store):
            receiver.wait_for(lambda: sorted(receiver.upto.values()) == [20, 30, 30])
        store.close()
    held = came(file, receiver)
    assert held.is_whole, held
    assert not held.twice
    assert sorted(tick for _, tick in held.strange) == list(range(21, 31))


def test_a_record_that_does_not_answer_is_told_and_waited_for(file: Path, broker: RealBroker) -> None:
    store = opened(file)
    measure(store, 10)
    hidden = file.with_name("hidden.db")
    with Receiver(broker.port) as receiver:
        courier = courier_of(broker.port, store)
        file.rename(hidden)
        courier.start()
        wait_until(lambda: "the record does not answer" in (courier.trouble or ""))
        hidden.rename(file)
        receiver.wait_for(lambda: list(receiver.upto.values()) == [10])
        wait_until(lambda: courier.trouble is None)
        courier.stop()
    store.close()


def test_access_rules_that_refuse_it_are_told(file: Path, tmp_path: Path) -> None:
    rules = tmp_path / "acl"
    rules.write_text("topic read probe-agent/+/history/arrived\n")
    rules.chmod(0o600)
    store = opened(file)
    measure(store, 10)
    with RealBroker(tmp_path, f"acl_file {rules}") as broker, going(broker.port, store) as courier:
        wait_until(lambda: "refuses topic probe-agent/magpie/history;" in (courier.trouble or ""))
    store.close()


def test_a_receipt_that_is_none_changes_nothing_and_holds_up_nothing(file: Path, broker: RealBroker) -> None:
    store = opened(file)
    measure(store, 10)
    publish_once(broker.port, f"{TOPIC}/arrived", b'{"version":1,"arrived":[{"run":1}]}')
    with Receiver(broker.port) as receiver, going(broker.port, store):
        receiver.wait_for(lambda: list(receiver.upto.values()) == [10])
        publish_once(broker.port, f"{TOPIC}/arrived", b"\xff")
        measure(store, 5, 300)
        receiver.wait_for(lambda: list(receiver.upto.values()) == [15])
    assert not came(file, receiver).twice
    store.close()


def test_a_history_and_its_receipts_are_the_boards_and_the_hubs_alone(tmp_path: Path) -> None:
    with SecureBroker(tmp_path) as broker:
        with Caller(broker.port, broker.as_("hub")) as hub, broker.recorder("magpie", f"{TOPIC}/#") as magpie:
            assert hub.publish(f"{TOPIC}/arrived", b"receipt") < 0x80
            magpie.wait_for_message(f"{TOPIC}/arrived", b"receipt")
            for topic in (TOPIC, "probe-agent/magpie/status", "homie/5/magpie/$state"):
                assert hub.publish(topic, b"not mine") == NOT_AUTHORIZED
        with Caller(broker.port, broker.as_("kestrel")) as kestrel:
            for topic in (TOPIC, f"{TOPIC}/arrived"):
                assert kestrel.publish(topic, b"not mine") == NOT_AUTHORIZED
        with broker.recorder("kestrel", "probe-agent/+/history/#") as kestrel_sees:
            assert kestrel_sees.old == {}


def test_the_shipped_agent_keeps_its_session_and_reaches_all_boards() -> None:
    """What any receiver must do; that this one does is tried in test_history_database."""
    flow = {node["id"]: node for node in json.loads((ROOT / "deploy/history/flow.json").read_text("utf-8"))}
    line = flow["broker"]
    assert (line["cleansession"], line["autoUnsubscribe"], line["protocolVersion"]) == (False, False, "5")
    assert int(line["sessionExpiry"]) == 30 * 86_400
    assert line["clientid"]
    assert (flow["in"]["topic"], flow["in"]["qos"]) == ("probe-agent/+/history", "1")
    assert (flow["out"]["qos"], flow["out"]["retain"]) == ("1", "true")
    assert flow["tls"]["verifyservercert"] is True


def test_the_daemon_killed_while_it_sends_loses_nothing(tmp_path: Path, broker: RealBroker) -> None:
    table = f'[broker]\nhost = "127.0.0.1"\nport = {broker.port}\ndevice = "magpie"\nhistory = true\n'
    settings = write_settings(tmp_path, table, interval_s=5.0)
    file = tmp_path / "probe-agent.db"
    with Receiver(broker.port) as receiver:
        with daemon(tmp_path, settings) as process:
            process.wait_for(lambda: max(receiver.upto.values(), default=0) >= 50, 150)
            process.end(signal.SIGKILL)
        with daemon(tmp_path, settings) as process:
            process.wait_for(lambda: len(receiver.upto) >= 2, 150)
            broker.kill()
            broker.start()
            upto = max(receiver.upto.values())
            process.wait_for(lambda: max(receiver.upto.values()) > upto, 150)
            assert process.end() == 0
        with daemon(tmp_path, settings) as process:  # the end's commit goes with the next start
            process.wait_for(lambda: came(file, receiver).is_whole, 150)
    valid = jsonschema.Draft202012Validator(SCHEMA)
    for message in receiver.messages():
        valid.validate(message)
        assert message["simulated"]
    assert len(receiver.upto) >= 3


@contextmanager
def daemon(folder: Path, settings: Path) -> Iterator[Process]:
    (folder / "status.json").unlink(missing_ok=True)
    arguments = ("try", "--settings", str(settings), "--speed", "100")
    with Process("probe_agent.cli", *arguments, log=folder / "daemon.log") as process:
        process.wait_for(lambda: status_in(folder) is not None, 150)
        yield process
