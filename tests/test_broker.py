"""MQTT against a real mosquitto: the tree, its order, faults, lost brokers and lost daemons."""

from __future__ import annotations

import itertools
import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import msgspec
import pytest
import status_samples as samples
from homie_rules import Seen, complaints
from hypothesis import given
from hypothesis import strategies as st
from real_broker import RealBroker, Recorder, publish_once, retained_on

from probe_agent import broker as courier
from probe_agent import connection
from probe_agent.broker import BrokerCourier, Tree, document_payload, homie_tree
from probe_agent.config import Broker
from probe_agent.connection import Connection
from probe_agent.readings import Fault, State
from probe_agent.status import Curve, Status, decode_status

ROOT = "homie/5/magpie"
DOCUMENT = "probe-agent/magpie/status"


class Versions:
    """A stored counter that rises with each new content, as the daemon keeps one."""

    def __init__(self) -> None:
        self._content, self._version = "", 0

    def __call__(self, content: str) -> int:
        if content != self._content:
            self._content, self._version = content, self._version + 1
        return self._version


def make_courier(port: int, versions: Callable[[str], int] | None = None, **settings: Any) -> BrokerCourier:
    table = Broker(host="127.0.0.1", port=port, **settings)
    return BrokerCourier(table, "magpie", versions or Versions(), None, "0.1.0", first_delay_s=0.05)


@contextmanager
def running(made: BrokerCourier, status: Status | None = None) -> Iterator[BrokerCourier]:
    made.start()
    try:
        if status is not None:
            made.publish(status)
        yield made
    finally:
        made.stop()


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[RealBroker]:
    with RealBroker(tmp_path) as started:
        yield started


@pytest.fixture(autouse=True)
def _quick_rounds(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(courier, "ROUND_EVERY_S", 0.05)
    monkeypatch.setattr(courier, "_PUMP_S", 0.05)


def expected(status: Status) -> dict[str, bytes]:
    """All that has to be retained once this document was brought, but for $description."""
    tree = homie_tree(status, "0.1.0")
    values = {f"{ROOT}/{key}": value for key, value in (*tree.values.items(), *tree.alerts.items())}
    return {**values, f"{ROOT}/$state": b"ready", DOCUMENT: document_payload(status)}


def without_description(retained: dict[str, bytes]) -> dict[str, bytes]:
    return {topic: payload for topic, payload in retained.items() if topic != f"{ROOT}/$description"}


def with_probe(status: Status, place: str, /, **changes: Any) -> Status:
    """The same document, one probe changed."""
    probes = tuple(msgspec.structs.replace(p, **changes) if p.place == place else p for p in status.probes)
    return msgspec.structs.replace(status, probes=probes)


def wait_until(true: Callable[[], bool], timeout_s: float = 30.0) -> None:
    """Poll a real condition until a deadline."""
    deadline, pause = time.monotonic() + timeout_s, threading.Event()
    while not true():
        assert time.monotonic() < deadline, "never came true"
        pause.wait(0.01)


# -- the tree, pure


@pytest.mark.parametrize("status", [samples.plugged(), samples.plug_off(says=None, locked=samples.NOW)])
def test_a_plug_has_a_node_of_its_own_and_nothing_of_it_is_settable(status: Status) -> None:
    tree = homie_tree(status, "0.1.0")
    assert complaints(stream_of(tree)) == []
    assert not any("settable" in p for p in tree.description["nodes"]["plug"]["properties"].values())
    wanted = {b"owner"} if status.plug and status.plug.wanted else {b"nobody"}
    assert {tree.values["plug/wanted"]} == wanted
    assert tree.values["plug/state"] in (b"on", b"unknown")
    assert "plug/wanted" not in homie_tree(samples.heating(), "0.1.0").values


def stream_of(tree: Tree) -> list[Seen]:
    return [
        Seen(f"{ROOT}/$state", b"init"),
        Seen(f"{ROOT}/$description", json.dumps({**tree.description, "version": 1}).encode()),
        *(Seen(f"{ROOT}/{key}", value, expiry_s=1200) for key, value in tree.values.items()),
        *(Seen(f"{ROOT}/{key}", value) for key, value in tree.alerts.items()),
        Seen(f"{ROOT}/$state", b"ready"),
    ]


@pytest.mark.parametrize("name", samples.STATES)
def test_every_state_has_a_tree_the_rules_accept(name: str) -> None:
    status = samples.STATES[name]()
    tree = homie_tree(status, "0.1.0")
    assert complaints(stream_of(tree)) == []
    assert tree.values["engine/state"] == name.encode()


@pytest.mark.parametrize("fault", list(Fault))
def test_a_fault_leaves_no_number_and_says_which_it_is(fault: Fault) -> None:
    tree = homie_tree(with_probe(samples.heating(), "cyl-3", c=None, status=fault.value), "0.1.0")
    assert "cyl-3/temperature" not in tree.values
    assert "cyl-3/trend" not in tree.values
    assert tree.values["cyl-3/fault"] == fault.value.encode()
    assert tree.values["cyl-3/status"].decode() in courier.STATUSES
    assert b"Cylinder 3 is not measured" in tree.alerts["$alert/probe-cyl-3"]


def test_the_five_kinds_of_fault_a_stranger_expects_are_told_by_their_own_names() -> None:
    for name in ("stale", "open", "short-gnd", "short-vdd", "missing", "implausible"):
        tree = homie_tree(with_probe(samples.heating(), "cyl-1", c=None, status=name), "0.1.0")
        assert tree.values["cyl-1/status"] == name.encode()


def test_an_optional_place_without_a_value_raises_no_alert() -> None:
    tree = homie_tree(with_probe(samples.heating(), "ambient", c=None, status="open"), "0.1.0")
    assert "ambient/temperature" not in tree.values
    assert tree.alerts == {}


@given(
    c=st.none() | st.floats(allow_nan=True, allow_infinity=True),
    status=st.sampled_from(["ok", "by-hand", "something-later", *Fault]),
    place=st.text(min_size=1, max_size=12),
)
def test_whatever_a_probe_says_the_payloads_keep_to_the_rules(
    c: float | None, status: str, place: str
) -> None:
    odd = msgspec.structs.replace(samples.probe("cyl-1", 1.0), place=place, c=c, status=str(status))
    twins = (odd, msgspec.structs.replace(odd, place=place + "_"), samples.probe("cyl-2", 2.0))
    tree = homie_tree(samples.sample(probes=twins), "0.1.0")
    stream = [
        Seen(f"{ROOT}/$state", b"init"),
        Seen(f"{ROOT}/$description", json.dumps({**tree.description, "version": 1}).encode()),
        *(Seen(f"{ROOT}/{key}", value, expiry_s=1200) for key, value in tree.values.items()),
        *(Seen(f"{ROOT}/{key}", value) for key, value in tree.alerts.items()),
    ]
    assert complaints(stream) == []
    assert len(tree.description["nodes"]) == len(twins) + 2


def test_units_are_the_code_points_of_the_convention() -> None:
    """Homie 5, Units: ° is U+00B0."""
    properties = homie_tree(samples.heating(), "").description["nodes"]["sump"]["properties"]
    assert properties["temperature"]["unit"].encode() == b"\xc2\xb0C"


def test_an_empty_string_travels_as_a_zero_byte() -> None:
    """Homie 5, Payload, String: an empty payload would delete the topic."""
    tree = homie_tree(samples.sample(verdict=""), "0.1.0")
    assert tree.values["engine/verdict"] == b"\0"


def test_minus_zero_is_zero() -> None:
    tree = homie_tree(with_probe(samples.heating(), "sump", c=-0.001), "0.1.0")
    assert tree.values["sump/temperature"] == b"0.00"


@pytest.mark.parametrize("rows", [0, 1, 100, 5000])
def test_the_document_keeps_its_size_and_the_newest_row(rows: int) -> None:
    curve = Curve(("sump", "cyl-1"), tuple((1.8e9 + 60 * i, 1.25, -3.5, None) for i in range(rows)))
    payload = document_payload(msgspec.structs.replace(samples.heating(), curve=curve))
    assert len(payload) <= 16_000
    back = decode_status(payload)
    assert back.coldest == "cyl-3"
    assert back.recent is None
    assert rows == 0 or (back.curve is not None and back.curve.rows[-1] == curve.rows[-1])
    assert rows != 100 or back.curve == curve


# -- a real broker


def wait_for_state(recorder: Recorder, state: str, after: int = 0) -> int:
    """The index of the next message that says this $state."""
    return recorder.wait_for_message(f"{ROOT}/$state", state.encode(), after)


def homie(stream: list[Seen]) -> list[Seen]:
    return [s for s in stream if s.topic.startswith("homie/")]


def test_a_subscriber_sees_a_tree_the_rules_accept_order_included(broker: RealBroker) -> None:
    with Recorder(broker.port) as recorder:
        with running(make_courier(broker.port), samples.heating()) as made:
            wait_for_state(recorder, "ready")
            for name in ("probe-missing", "too-hot", "heater-stopped", "above-target", "ready"):
                made.publish(samples.STATES[name]())
                recorder.wait_for_message(f"{ROOT}/engine/state", name.encode())
            wait_until(lambda: b'"state":"ready"' in recorder.retained().get(DOCUMENT, b""))
        wait_for_state(recorder, "disconnected")
        stream = homie(recorder.stream)
    assert complaints(stream) == []
    states = [s.payload.decode() for s in stream if s.topic.endswith("/$state")]
    assert states == ["init", "ready", "disconnected"]
    assert stream[1].topic == f"{ROOT}/$description"
    assert all(("ts", s.user[0][1]) == s.user[0] for s in stream if s.payload and "/$" not in s.topic)


def test_a_second_run_takes_over_from_the_first(broker: RealBroker) -> None:
    with Recorder(broker.port) as recorder:
        versions = Versions()
        for turn, status in enumerate((samples.probe_missing(), samples.ready())):
            at = len(recorder.stream)
            with running(make_courier(broker.port, versions), status):
                wait_for_state(recorder, "ready", at)
                wait_until(lambda: DOCUMENT in recorder.retained())
            wait_for_state(recorder, "disconnected", at)
            assert turn or f"{ROOT}/$alert/probe-cyl-1" in recorder.retained()
        assert complaints(homie(recorder.stream)) == []
        final = without_description(recorder.retained())
    want = expected(samples.ready()) | {f"{ROOT}/$state": b"disconnected"}
    assert {k: v for k, v in final.items() if k != DOCUMENT} == {
        k: v for k, v in want.items() if k != DOCUMENT
    }


def test_a_killed_broker_misses_nothing_retained_afterwards(broker: RealBroker) -> None:
    status = samples.probe_missing()
    with running(make_courier(broker.port), samples.heating()) as made:
        with Recorder(broker.port) as recorder:
            recorder.wait_for(lambda: f"{ROOT}/$state" in recorder.retained())
        for turn in range(2):
            broker.kill()
            made.publish(status)
            wait_until(lambda: made.trouble is not None)
            broker.start()
            with Recorder(broker.port) as recorder:
                recorder.wait_for(lambda: recorder.retained().get(f"{ROOT}/$state") == b"ready")
                recorder.wait_for(lambda: DOCUMENT in recorder.retained())
                assert without_description(recorder.retained()) == expected(status), turn
                wait_until(lambda: made.trouble is None)
                if not recorder.old:
                    assert complaints(homie(recorder.stream)) == []
        said = retained_on(broker.port)
    assert json.loads(said[f"{ROOT}/$description"].payload)["nodes"].keys() >= {"engine", "cyl-1", "board"}


def test_a_fault_deletes_the_value_and_a_cure_brings_it_back(broker: RealBroker) -> None:
    well, faulty = samples.heating(), samples.probe_missing()
    with Recorder(broker.port) as recorder, running(make_courier(broker.port), well) as made:
        wait_for_state(recorder, "ready")
        at = len(recorder.stream)
        made.publish(faulty)
        gone = recorder.wait_for_message(f"{ROOT}/cyl-1/temperature", b"", at)
        told = recorder.wait_for_message(f"{ROOT}/cyl-1/status", b"open", at)
        recorder.wait_for_message(f"{ROOT}/$alert/probe-cyl-1", None, at)
        assert gone < told, "a number must never stand beside a fault"
        at = len(recorder.stream)
        made.publish(well)
        recorder.wait_for_message(f"{ROOT}/$alert/probe-cyl-1", b"", at)
        well_again = recorder.wait_for_message(f"{ROOT}/cyl-1/status", b"ok", at)
        assert recorder.wait_for_message(f"{ROOT}/cyl-1/temperature", b"-3.50", at) > well_again
        assert complaints(homie(recorder.stream)) == []


def test_a_tick_brings_only_what_changed(broker: RealBroker) -> None:
    status = samples.heating()
    with Recorder(broker.port) as recorder, running(make_courier(broker.port), status) as made:
        wait_for_state(recorder, "ready")
        wait_until(lambda: DOCUMENT in recorder.retained())
        at = len(recorder.stream)
        made.publish(with_probe(status, "cyl-2", c=-4.0))
        recorder.wait_for_message(f"{ROOT}/cyl-2/temperature", b"-4.00", at)
        made.publish(with_probe(status, "cyl-2", c=-3.0))
        recorder.wait_for_message(f"{ROOT}/cyl-2/temperature", b"-3.00", at)
        assert {s.topic for s in recorder.stream[at:]} == {f"{ROOT}/cyl-2/temperature"}


def test_an_unchanged_value_is_said_again_before_it_expires(
    broker: RealBroker, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert courier.REFRESH_S < courier.VALUE_EXPIRY_S
    monkeypatch.setattr(courier, "REFRESH_S", 0.1)
    status = samples.heating()
    with Recorder(broker.port) as recorder, running(make_courier(broker.port), status) as made:
        at = wait_for_state(recorder, "ready")
        same = msgspec.structs.replace(status)

        def again() -> bool:
            made.publish(msgspec.structs.replace(same))
            said = [s.topic for s in recorder.stream[at + 1 :]]
            return {f"{ROOT}/sump/temperature", f"{ROOT}/$state"} <= set(said)

        wait_until(again)


def test_a_daemon_that_hangs_refreshes_nothing_and_is_lost(
    broker: RealBroker, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(courier, "stale_after_s", lambda status: 0.4)
    with Recorder(broker.port) as recorder, running(make_courier(broker.port), samples.heating()) as made:
        wait_for_state(recorder, "ready")
        at = wait_for_state(recorder, "lost")
        made.publish(samples.ready())
        wait_for_state(recorder, "ready", at)
        recorder.wait_for_message(f"{ROOT}/engine/state", b"ready", at)
        assert complaints(homie(recorder.stream)) == []


def test_many_ticks_a_second_become_one_round(broker: RealBroker, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(courier, "ROUND_EVERY_S", 0.4)
    status = samples.heating()
    with Recorder(broker.port) as recorder, running(make_courier(broker.port), status) as made:
        at = wait_for_state(recorder, "ready")
        begin_s, pause, n = time.monotonic(), threading.Event(), 0
        while time.monotonic() - begin_s < 1.0:
            n += 1
            made.publish(with_probe(status, "cyl-2", c=-4.0 + n / 100))
            pause.wait(0.005)
        last = homie_tree(with_probe(status, "cyl-2", c=-4.0 + n / 100), "").values["cyl-2/temperature"]
        recorder.wait_for_message(f"{ROOT}/cyl-2/temperature", last, at)
        rounds = [s for s in recorder.stream[at:] if s.topic == f"{ROOT}/cyl-2/temperature"]
    assert n > 50
    assert 2 <= len(rounds) <= 5


def test_a_new_place_is_described_under_init(broker: RealBroker) -> None:
    status = samples.heating()
    more = msgspec.structs.replace(status, probes=(*status.probes, samples.probe("oil-cooler", -8.0)))
    with Recorder(broker.port) as recorder, running(make_courier(broker.port), status) as made:
        at = wait_for_state(recorder, "ready")
        made.publish(more)
        at = wait_for_state(recorder, "ready", at + 1)
        assert recorder.retained()[f"{ROOT}/oil-cooler/temperature"] == b"-8.00"
        made.publish(status)
        wait_for_state(recorder, "ready", at + 1)
        assert not [t for t in recorder.retained() if "oil-cooler/" in t]
        assert complaints(homie(recorder.stream)) == []
        versions = [
            json.loads(s.payload)["version"] for s in recorder.stream if s.topic.endswith("$description")
        ]
    assert versions == [1, 2, 3]


def test_what_an_earlier_run_left_is_deleted_and_nothing_else(broker: RealBroker) -> None:
    left = (
        "oil-tank/temperature",
        "engine/old-property",
        "$alert/probe-oil-tank",
        "sump/temperature/$target",
    )
    for topic in left:
        publish_once(broker.port, f"{ROOT}/{topic}", b"1")
    publish_once(broker.port, "homie/5/magpie-2/sump/temperature", b"1")
    status = samples.heating()
    with Recorder(broker.port) as recorder, running(make_courier(broker.port), status):
        wait_for_state(recorder, "ready")
        recorder.wait_for(lambda: DOCUMENT in recorder.retained())
        retained = without_description(recorder.retained())
        assert retained.pop("homie/5/magpie-2/sump/temperature") == b"1"
        assert retained == expected(status)
        assert complaints(homie(recorder.stream), recorder.old) == []


def test_a_lost_store_does_not_make_the_version_fall(broker: RealBroker) -> None:
    other = {"homie": "5.0", "version": 41, "nodes": {}}
    publish_once(broker.port, f"{ROOT}/$description", json.dumps(other).encode())
    with Recorder(broker.port) as recorder:
        for _ in range(2):  # the second time the content is the same, and so the version stays
            at = len(recorder.stream)
            with running(make_courier(broker.port), samples.heating()):
                wait_for_state(recorder, "ready", at)
            wait_for_state(recorder, "disconnected", at)
        versions = [
            json.loads(s.payload)["version"] for s in recorder.stream if s.topic.endswith("$description")
        ]
    assert versions == [42, 42]


def test_the_document_comes_at_each_change_of_state_and_not_at_each_tick(broker: RealBroker) -> None:
    cold, heating = samples.cold(), samples.heating()
    with Recorder(broker.port) as recorder, running(make_courier(broker.port), cold) as made:
        wait_for_state(recorder, "ready")
        made.publish(with_probe(cold, "cyl-2", c=-1.25))
        recorder.wait_for_message(f"{ROOT}/cyl-2/temperature", b"-1.25")
        made.publish(heating)
        recorder.wait_for(lambda: sum(s.topic == DOCUMENT for s in recorder.stream) >= 2)
        said = [s for s in recorder.stream if s.topic == DOCUMENT]
    assert [decode_status(s.payload).state for s in said] == [State.COLD, State.HEATING]
    assert {(s.retain, s.qos, s.expiry_s) for s in said} == {(True, 1, 86_400)}


# -- ends and refusals


DAEMON = """
import sys, threading, time
import status_samples
from test_broker import make_courier
made = make_courier(int(sys.argv[1]))
made.start()
while True:
    made.publish(status_samples.heating())
    threading.Event().wait(0.05)
"""


def test_a_killed_daemon_is_lost(broker: RealBroker) -> None:
    here = Path(__file__).parent
    path = os.pathsep.join([str(here), str(here.parent)])
    with Recorder(broker.port) as recorder:
        process = subprocess.Popen(
            [sys.executable, "-c", DAEMON, str(broker.port)], env={**os.environ, "PYTHONPATH": path}
        )
        try:
            at = wait_for_state(recorder, "ready")
        finally:
            process.send_signal(signal.SIGKILL)
            process.wait(10)
        will = recorder.stream[wait_for_state(recorder, "lost", at)]
        assert will.retain
        assert (will.qos, will.expiry_s) == (1, None)
        assert complaints(homie(recorder.stream)) == []


def test_stopping_says_disconnected_and_never_lost(broker: RealBroker) -> None:
    with running(make_courier(broker.port), samples.heating()) as made:
        wait_until(lambda: f"{ROOT}/$state" in retained_on(broker.port))
        wait_until(lambda: made._announced is not None)
    assert retained_on(broker.port)[f"{ROOT}/$state"].payload == b"disconnected"


def test_a_cut_connection_is_made_again(broker: RealBroker, monkeypatch: pytest.MonkeyPatch) -> None:
    opened: list[Connection] = []
    original = Connection.open

    def remember(self: Connection) -> None:
        original(self)
        opened.append(self)

    monkeypatch.setattr(Connection, "open", remember)
    with Recorder(broker.port) as recorder, running(make_courier(broker.port), samples.heating()):
        at = wait_for_state(recorder, "ready")
        assert opened[0].cut()
        at = wait_for_state(recorder, "lost", at)
        wait_for_state(recorder, "ready", at)
        assert complaints(homie(recorder.stream)) == []


def test_without_a_broker_nothing_blocks_and_the_owner_is_told(tmp_path: Path) -> None:
    late = RealBroker(tmp_path)
    with running(make_courier(late.port)) as made:
        begin_s = time.monotonic()
        for _ in range(2000):
            made.publish(samples.cold())
        assert time.monotonic() - begin_s < 2.0
        wait_until(lambda: made.trouble is not None)
        assert made.trouble == f"The broker at 127.0.0.1:{late.port} can't be used: connection refused."
        made.publish(samples.heating())
        with late, Recorder(late.port) as recorder:
            recorder.wait_for(lambda: recorder.retained().get(f"{ROOT}/engine/state") == b"heating")
            wait_until(lambda: made.trouble is None)


def test_a_listener_that_never_answers_holds_nothing_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connection, "ANSWER_S", 0.2)
    with socket.socket() as mute:
        mute.bind(("127.0.0.1", 0))
        mute.listen()
        with running(make_courier(mute.getsockname()[1]), samples.heating()) as made:
            wait_until(lambda: made.trouble is not None)
            assert "says nothing" in str(made.trouble)
            begin_s = time.monotonic()
            made.publish(samples.ready())
            made.stop()
            assert time.monotonic() - begin_s < 3.0


def test_a_host_name_that_leads_nowhere_is_trouble_only() -> None:
    table = Broker(host="nowhere.invalid", port=1883)
    made = BrokerCourier(table, "magpie", Versions(), None, "", first_delay_s=0.05)
    with running(made, samples.heating()):
        wait_until(lambda: made.trouble is not None)
    assert "nowhere.invalid" in str(made.trouble)


def test_a_refused_password_is_said(tmp_path: Path) -> None:
    with RealBroker(tmp_path, "allow_anonymous false") as strict:
        made = make_courier(strict.port, username="magpie")
        with running(made, samples.heating()):
            wait_until(lambda: made.trouble is not None)
            assert "refuses us" in str(made.trouble)
            assert "ot authorized" in str(made.trouble)


def test_a_refused_topic_is_said_and_not_tried_for_ever(tmp_path: Path) -> None:
    rules = tmp_path / "acl"
    allowed = ("readwrite recorder/#", f"readwrite {ROOT}/#", f"deny {ROOT}/sump/temperature", "read #")
    rules.write_text("".join(f"topic {rule}\n" for rule in allowed))
    rules.chmod(0o644)
    status = samples.heating()
    with (
        RealBroker(tmp_path, f"acl_file {rules}\n") as strict,
        Recorder(strict.port) as recorder,
        running(make_courier(strict.port), status) as made,
    ):
        said = f"refuses the topic {ROOT}/sump/temperature and 1 more: Not authorized"
        wait_until(lambda: said in str(made.trouble))
        wait_for_state(recorder, "ready")
        for c in (1.0, 2.0, 3.0):
            made.publish(with_probe(with_probe(status, "sump", c=c), "cyl-1", c=c))
            recorder.wait_for_message(f"{ROOT}/cyl-1/temperature", f"{c:.2f}".encode())
        assert not [s for s in recorder.stream if s.topic == f"{ROOT}/sump/temperature"]


def test_two_programs_under_one_name_are_noticed(broker: RealBroker) -> None:
    with (
        running(make_courier(broker.port), samples.heating()) as one,
        running(make_courier(broker.port), samples.heating()) as two,
    ):
        ticks = itertools.count()

        def noticed() -> bool:
            for made in (one, two):
                made.publish(with_probe(samples.heating(), "sump", c=next(ticks) / 4))
            return "Another board or program writes as magpie" in f"{one.trouble} {two.trouble}"

        wait_until(noticed)


def test_an_exception_in_a_callback_ends_nothing(
    broker: RealBroker, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    original = courier._Connection.hear
    failed = threading.Event()

    def stumble(self: courier._Connection, message: Any) -> None:
        original(self, message)
        failed.set()
        raise RuntimeError("stumbled")

    monkeypatch.setattr(courier._Connection, "hear", stumble)
    with Recorder(broker.port) as recorder, running(make_courier(broker.port), samples.heating()):
        wait_for_state(recorder, "ready")
    assert failed.is_set()
    assert "stumbled" in caplog.text
    assert [s.payload for s in recorder.stream if s.topic == f"{ROOT}/$state"][:2] == [b"init", b"ready"]


def test_a_store_that_cannot_count_versions_is_tried_again(broker: RealBroker) -> None:
    calls = []

    def version_of(content: str) -> int:
        calls.append(content)
        if len(calls) == 1:
            raise OSError(28, "No space left on device")
        return 1

    with Recorder(broker.port) as recorder, running(make_courier(broker.port, version_of), samples.heating()):
        wait_for_state(recorder, "ready")
        assert len(calls) == 2


def test_the_document_of_an_earlier_run_is_no_stranger(broker: RealBroker) -> None:
    for _ in range(2):
        with Recorder(broker.port) as recorder, running(make_courier(broker.port), samples.heating()) as made:
            wait_for_state(recorder, "ready")
            recorder.wait_for(lambda: any(s.topic == DOCUMENT for s in recorder.stream))
            broker.kill()
            wait_until(lambda: made.trouble is not None)
            assert "can't be used" in str(made.trouble)
        broker.start()
        publish_once(broker.port, DOCUMENT, b"{}")
