"""Faults of network and broker (section D), on a real mosquitto that is killed, stopped, late or strict."""

from __future__ import annotations

import itertools
import json
import os
import random
import signal
import socket
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import msgspec
import paho.mqtt.client as mqtt
import pytest

sys.path.insert(0, str(Path(__file__).parent.parent))

import status_samples as samples
from homie_rules import complaints
from real_broker import MOSQUITTO, RealBroker, Recorder, publish_once, retained_on
from scripted import SETTINGS

from probe_agent import broker as broker_room
from probe_agent import connecting, connection, listening, switch
from probe_agent.broker import BrokerCourier
from probe_agent.clock import SystemClock, awake_and_asleep_s
from probe_agent.config import Broker, TopicWeather, parse_settings
from probe_agent.connecting import Delays, client_id
from probe_agent.connection import Connection
from probe_agent.readings import Weather
from probe_agent.status import Status
from probe_agent.switch import SwitchCourier
from probe_agent.weather.topic import TopicListener

pytestmark = pytest.mark.skipif(not MOSQUITTO, reason="needs mosquitto")

HERE = Path(__file__).parent
ROOT, DOCUMENT = "homie/5/magpie", "probe-agent/magpie/status"
SWITCH = """
[broker]
host = "127.0.0.1"
[switch]
manual_allows_unattended = true
timer_s = 300
command_topic = "plug/set"
state_topic = "plug/state"
"""


def courier_of(port: int, device: str = "magpie", first_s: float = 0.05, **settings: Any) -> BrokerCourier:
    table = Broker(host="127.0.0.1", port=port, **settings)
    return BrokerCourier(table, device, lambda content: 1, None, "0.1.0", first_delay_s=first_s)


def line_of(port: int, name: str = "the-board") -> SwitchCourier:
    settings = parse_settings((SETTINGS + SWITCH).encode(), "test.toml")
    settings = msgspec.structs.replace(settings, broker=Broker(host="127.0.0.1", port=port))
    assert settings.switch is not None
    return SwitchCourier(settings, settings.switch, name, None)


def listener_of(port: int) -> TopicListener:
    table = Broker(host="127.0.0.1", port=port)
    return TopicListener(table, TopicWeather(topic="weather/field", air="/air"), None, SystemClock())


@contextmanager
def running(made: Any, *first: Any) -> Iterator[Any]:
    made.start(*first)
    try:
        yield made
    finally:
        made.stop()


def wait_until(true: Callable[[], object], timeout_s: float = 30.0) -> float:
    """Poll a real condition until a deadline; the seconds that took."""
    began_s, pause = time.monotonic(), threading.Event()
    while not true():
        assert time.monotonic() - began_s < timeout_s, "never came true"
        pause.wait(0.01)
    return time.monotonic() - began_s


def warmed(c: float) -> Status:
    """A heating engine whose sump has that temperature."""
    status = samples.heating()
    probes = tuple(msgspec.structs.replace(p, c=c) if p.place == "sump" else p for p in status.probes)
    return msgspec.structs.replace(status, probes=probes)


# -- D1, D7: whatever comes first, and whatever a callback does, the connection is there in the end


@contextmanager
def everything(port: int) -> Iterator[tuple[BrokerCourier, SwitchCourier, TopicListener, list[Weather]]]:
    """All that speaks MQTT here, at work."""
    heard: list[Weather] = []
    with (
        running(courier_of(port)) as courier,
        running(line_of(port)) as line,
        running(listener_of(port), heard.append) as listener,
    ):
        courier.publish(samples.heating())
        line.order("off", awake_and_asleep_s())
        yield courier, line, listener, heard


_temperatures = itertools.count()


def is_all_there(port: int, made: tuple[BrokerCourier, SwitchCourier, TopicListener, list[Weather]]) -> bool:
    """Whether the tree stands, the plug's line is open and the weather is heard."""
    courier, line, listener, heard = made
    c = round(next(_temperatures) % 6000 / 100 - 30, 2)  # an air there can be, and not the one before
    publish_once(port, "weather/field", json.dumps({"air": c}).encode(), retain=False)
    tree = retained_on(port, f"{ROOT}/#")
    state = tree.get(f"{ROOT}/$state")
    line.order("off", awake_and_asleep_s())
    return (
        state is not None
        and state.payload == b"ready"
        and line.seen().connected_s is not None
        and any(w.hours[0].air_c == c for w in heard)
        and courier.trouble is line.trouble is listener.trouble is None
    )


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(switch, "FIRST_DELAY_S", 0.05)
    monkeypatch.setattr(listening, "FIRST_DELAY_S", 0.05)


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize("order", ["broker, daemon", "daemon, broker", "broker, daemon, broker anew"])
def test_the_order_of_starting_does_not_matter(tmp_path: Path, order: str) -> None:
    """D1."""
    broker = RealBroker(tmp_path)
    if order == "daemon, broker":
        with everything(broker.port) as made:
            wait_until(lambda: made[0].trouble is not None)
            with broker:
                wait_until(lambda: is_all_there(broker.port, made))
        return
    with broker, everything(broker.port) as made:
        wait_until(lambda: is_all_there(broker.port, made))
        if order.endswith("anew"):
            broker.kill()
            wait_until(lambda: made[0].trouble is not None)
            broker.start()
            wait_until(lambda: is_all_there(broker.port, made))


@pytest.mark.usefixtures("quick")
def test_a_thread_that_ends_is_begun_anew(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """D7: what ends a thread although its callbacks are wrapped; the next tick begins it anew."""
    monkeypatch.setattr(threading, "excepthook", lambda args: None)
    original, threads = mqtt.Client.loop, {"broker", "switch", "weather topic"}
    ended: set[str] = set()

    def loop(self: mqtt.Client, timeout: float = 1.0) -> int:
        name = threading.current_thread().name
        if name in threads - ended:
            ended.add(name)
            raise SystemExit("a library that leaves")
        return original(self, timeout)

    monkeypatch.setattr(mqtt.Client, "loop", loop)
    with RealBroker(tmp_path) as broker, everything(broker.port) as made:

        def is_there() -> bool:
            made[0].publish(samples.heating())
            made[2].look()
            return is_all_there(broker.port, made)

        wait_until(is_there)
        assert ended == threads


def test_a_thread_that_stands_still_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """D7: a thread that hangs where nothing can wake it."""
    entered, release = threading.Event(), threading.Event()

    def hang(*_: object) -> None:
        entered.set()
        release.wait(20)

    monkeypatch.setattr(broker_room, "STILL_S", 0.2)
    monkeypatch.setattr(Connection, "open", hang)
    with RealBroker(tmp_path) as broker, running(courier_of(broker.port)) as made:
        assert entered.wait(10)
        wait_until(lambda: "has stood still for 0 min" in str(made.trouble))
        release.set()


# -- D3, D4, D10: a broker that dies, stands still, or outlives us


@pytest.mark.parametrize(
    "persistence", ["", "persistence true\nautosave_interval 1\nautosave_on_changes true\n"]
)
def test_a_killed_broker_has_everything_again(tmp_path: Path, persistence: str) -> None:
    """D3: with and without a file of its own, killed while the tree is being said."""
    lines = persistence and f"{persistence}persistence_location {tmp_path}/\n"
    chance, values = random.Random(3), itertools.count()
    broker = RealBroker(tmp_path, lines)
    with broker, running(courier_of(broker.port)) as made:
        for _ in range(4):
            wait_until(lambda: f"{ROOT}/$state" in said(broker, made, next(values)))
            threading.Event().wait(chance.uniform(0.0, 0.2))  # the random instant itself
            broker.kill()
            wait_until(lambda: made.trouble is not None)
            broker.start()
        status = warmed(7.25)
        made.publish(status)
        wanted = broker_room.homie_tree(status, "0.1.0")
        expected = {f"{ROOT}/{t}": p for t, p in (*wanted.values.items(), *wanted.alerts.items())}

        def found() -> dict[str, bytes]:
            return {t: s.payload for t, s in retained_on(broker.port, f"{ROOT}/#").items()}

        wait_until(lambda: {t: p for t, p in found().items() if t in expected} == expected)
        wait_until(lambda: found().get(f"{ROOT}/$state") == b"ready")
        assert found().keys() == {*expected, f"{ROOT}/$state", f"{ROOT}/$description"}


def said(broker: RealBroker, made: BrokerCourier, n: int) -> dict[str, object]:
    made.publish(warmed(n / 4))
    return dict(retained_on(broker.port, f"{ROOT}/#"))


def test_a_broker_that_stood_still_hears_what_holds_now(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """D4, D9: SIGSTOP of mosquitto with ticks going on; after CONT none of the values between arrives."""
    monkeypatch.setattr(broker_room, "ACKNOWLEDGE_S", 0.5)
    monkeypatch.setattr(connection, "ANSWER_S", 0.5)
    monkeypatch.setattr(broker_room, "ROUND_EVERY_S", 0.0)
    with (
        RealBroker(tmp_path) as broker,
        Recorder(broker.port, f"{ROOT}/#") as recorder,
        running(courier_of(broker.port)) as made,
    ):
        made.publish(warmed(1.0))
        ready = recorder.wait_for_message(f"{ROOT}/$state", b"ready")
        broker.signal(signal.SIGSTOP)
        told = itertools.count(100)

        def is_said() -> bool:
            made.publish(warmed(next(told) / 4))
            return made.trouble is not None

        took_s = wait_until(is_said, 20)
        assert took_s < 5
        made.publish(warmed(-5.0))
        broker.signal(signal.SIGCONT)
        topic = f"{ROOT}/sump/temperature"
        last = recorder.wait_for_message(topic, b"-5.00", ready)
        recorder.wait_for_message(f"{ROOT}/$state", b"ready", last)
        between = [s.payload for s in recorder.stream[ready:last] if s.topic == topic]
        assert len(between) <= 1, "at most what was on its way when the broker stopped"
        assert next(told) > 103
        assert [s.payload for s in recorder.stream[last:] if s.topic == topic] == [b"-5.00"]
        assert complaints([s for s in recorder.stream if s.topic.startswith("homie/")]) == []


@pytest.mark.long
def test_a_broker_that_stands_still_is_noticed_in_time(tmp_path: Path) -> None:
    """D9 with the product's own times: half-open, everything sent is taken and nothing answered."""
    values = itertools.count()
    with RealBroker(tmp_path) as broker, running(courier_of(broker.port)) as made:
        made.publish(warmed(0.0))
        wait_until(lambda: made._announced is not None)
        broker.signal(signal.SIGSTOP)

        def is_said() -> bool:
            made.publish(warmed(next(values) / 4))
            return made.trouble is not None

        took_s = wait_until(is_said, 60)
        print(f"\nsaid after {took_s:.1f} s")
        assert took_s <= 40


FROZEN = """
import sys, threading
from probe_agent import broker
from probe_agent.config import Broker
import status_samples
broker.VALUE_EXPIRY_S = 2
made = broker.BrokerCourier(
    Broker(host="127.0.0.1", port=int(sys.argv[1])), "magpie", lambda content: 1, None, "")
made.start()
made.publish(status_samples.heating())
threading.Event().wait()
"""


def test_values_of_a_dead_board_go_and_its_state_says_lost(tmp_path: Path) -> None:
    """D10: a publisher that is frozen, then gone: no number stays that looks alive."""
    path = os.pathsep.join([str(HERE.parent), str(HERE.parents[1])])
    with RealBroker(tmp_path, "max_keepalive 60") as broker, Recorder(broker.port) as recorder:
        process = subprocess.Popen(
            [sys.executable, "-c", FROZEN, str(broker.port)], env={**os.environ, "PYTHONPATH": path}
        )
        try:
            at = recorder.wait_for_message(f"{ROOT}/$state", b"ready")
            process.send_signal(signal.SIGSTOP)
            assert f"{ROOT}/sump/temperature" in retained_on(broker.port, f"{ROOT}/#")
            wait_until(lambda: f"{ROOT}/sump/temperature" not in retained_on(broker.port, f"{ROOT}/#"), 20)
        finally:
            process.send_signal(signal.SIGKILL)
            process.wait(10)
        recorder.wait_for_message(f"{ROOT}/$state", b"lost", at)
        left = retained_on(broker.port, f"{ROOT}/#")
        assert {t for t in left if not t.startswith(f"{ROOT}/$")} == set()
        assert left[f"{ROOT}/$state"].payload == b"lost"


# -- D5: many boards, one broker


def came_back(boards: int, folder: Path, outage_s: float) -> list[float]:
    """How long after a broker's return each board was there again [s], from its own log of connections."""
    broker = RealBroker(folder, "log_timestamp_format %s\nlog_type all\n")
    made = [courier_of(broker.port, f"board-{n}", broker_room.FIRST_DELAY_S) for n in range(boards)]
    with broker:
        for courier in made:
            courier.publish(samples.cold())
            courier.start()
        try:
            wait_until(lambda: all(c._announced is not None for c in made), 60)
            broker.kill()
            threading.Event().wait(outage_s)  # the outage itself
            back_s = time.monotonic()
            broker.start()
            times: dict[int, float] = {}

            def note() -> bool:
                for n, courier in enumerate(made):
                    if n not in times and courier._announced is not None and courier.trouble is None:
                        times[n] = time.monotonic() - back_s
                return len(times) == boards

            wait_until(note, 120)
            return sorted(times.values())
        finally:
            for courier in made:
                courier._stopping.set()
            for courier in made:
                courier.stop()


def storm(boards: int, folder: Path, outage_s: float) -> None:
    times = came_back(boards, folder, outage_s)
    busiest = Counter(int(t_s) for t_s in times).most_common(1)[0][1]
    print(f"\n{boards} boards: first {times[0]:.1f} s, last {times[-1]:.1f} s, at most {busiest} in a second")
    assert times[-1] <= 2 * broker_room.FIRST_DELAY_S + 15
    assert busiest <= 0.6 * boards, "they came back in step"


def test_boards_come_back_one_after_another(tmp_path: Path) -> None:
    """D5, short: twelve boards, the broker killed."""
    storm(12, tmp_path, 0.0)


@pytest.mark.long
def test_fifty_boards_come_back_one_after_another(tmp_path: Path) -> None:
    """D5: fifty boards, the broker away for half a minute."""
    storm(50, tmp_path, 30.0)


def test_waits_differ_from_board_to_board_and_grow() -> None:
    """D5: the delays themselves: never all at once, never longer than the longest."""
    boards = [Delays(5.0, 60.0, random.Random(n)) for n in range(50)]
    for span_s in (5.0, 10.0, 20.0, 40.0, 60.0, 60.0):
        waits = sorted(board.next_s() for board in boards)
        assert 0.2 * span_s <= waits[0]
        assert waits[-1] <= span_s
        assert Counter(int(10 * w / span_s) for w in waits).most_common(1)[0][1] <= 15
    boards[0].begin_again()
    assert boards[0].next_s() <= 5.0


# -- D6: two boards, one name


def test_a_cloned_card_in_another_board_has_an_id_of_its_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """D6: the machine-id comes along with the card, the serial number or network address does not."""
    files = {"_MACHINE_ID": tmp_path / "machine-id", "_SERIAL": tmp_path / "serial"}
    for name, file in files.items():
        monkeypatch.setattr(connecting, name, file)
    monkeypatch.setattr(connecting, "_INTERFACES", tmp_path / "net")
    files["_MACHINE_ID"].write_text("0123456789abcdef0123456789abcdef\n")
    without = client_id("magpie")
    assert without == client_id("magpie")
    assert without != client_id("kestrel")
    assert len(client_id("aircraft-in-hangar-1")) <= 23  # MQTT 3.1.1, 3.1.3.1: what every broker must take
    card = (tmp_path / "net" / "eth0" / "device", tmp_path / "net" / "lo")
    for folder in card:
        folder.mkdir(parents=True)
    (tmp_path / "net" / "lo" / "address").write_text("00:00:00:00:00:00\n")
    found = {without}
    for address in ("02:00:00:00:00:01", "02:00:00:00:00:02"):
        (tmp_path / "net" / "eth0" / "address").write_text(f"{address}\n")
        found.add(client_id("magpie"))
    for serial in ("10000000a1b2c3d4\0", "10000000a1b2c3d5\0"):
        files["_SERIAL"].write_text(serial)
        found.add(client_id("magpie"))
    assert len(found) == 5
    assert all("0123456789" not in one and "a1b2c3d4" not in one for one in found)


TWIN = """
import sys, threading, itertools
from probe_agent import broker
from probe_agent.config import Broker
import status_samples, msgspec
broker.client_id = lambda device: sys.argv[2]
broker.DOCUMENT_EVERY_S = 1.0
made = broker.BrokerCourier(
    Broker(host="127.0.0.1", port=int(sys.argv[1])), "magpie", lambda content: 1, None, "", first_delay_s=0.2)
made.start()
for n in itertools.count():
    status = status_samples.heating()
    made.publish(msgspec.structs.replace(status, coldest_c=n / 4))
    if made.trouble is not None and "Another board or program writes as magpie" in made.trouble:
        open(sys.argv[3], "w").close()
    threading.Event().wait(0.1)
"""


@pytest.mark.parametrize("names", [("one", "one"), ("one", "two")])
def test_two_boards_of_one_name_are_both_told(tmp_path: Path, names: tuple[str, str]) -> None:
    """D6: two processes as one device, with one client ID (they evict each other) and with two."""
    path = os.pathsep.join([str(HERE.parent), str(HERE.parents[1])])
    with RealBroker(tmp_path) as broker:
        twins = [
            subprocess.Popen(
                [sys.executable, "-c", TWIN, str(broker.port), name, str(tmp_path / f"told-{n}")],
                env={**os.environ, "PYTHONPATH": path},
                stderr=subprocess.DEVNULL,
            )
            for n, name in enumerate(names)
        ]
        try:
            wait_until(lambda: all((tmp_path / f"told-{n}").exists() for n in range(2)), 30)
        finally:
            for twin in twins:
                twin.kill()
                twin.wait(10)


@pytest.mark.usefixtures("quick")
def test_two_boards_at_one_plug_are_told_and_keep_it_off(tmp_path: Path) -> None:
    """D6: one wants heat, the other has the same name: each cuts the other off, and the plug stays off."""
    with (
        RealBroker(tmp_path) as broker,
        Recorder(broker.port, "plug/#") as plug,
        running(line_of(broker.port)) as one,
        running(line_of(broker.port)) as two,
    ):

        def is_told() -> bool:
            one.order("on", awake_and_asleep_s())
            two.order("off", awake_and_asleep_s())
            return "another board or program" in str(one.trouble) and "breaks again" in str(two.trouble)

        wait_until(is_told, 20)
        one.order("off", awake_and_asleep_s())
        after = len(plug.stream)
        plug.wait_for_message("plug/set", b"off", after)
        assert not any(s.retain for s in plug.stream)


@pytest.mark.usefixtures("quick")
def test_a_broker_that_says_whose_session_was_taken_is_believed() -> None:
    """D6: mosquitto 2.0.11 closes the socket without a word; by MQTT 5, 3.14.2.1, a broker says 0x8E."""
    with ABrokerThatSays(b"\xe0\x02\x8e\x00") as port:
        with running(courier_of(port)) as made:
            made.publish(samples.heating())
            wait_until(lambda: "Another board or program writes as magpie" in str(made.trouble))
        with running(line_of(port)) as line:
            line.order("off", awake_and_asleep_s())
            wait_until(lambda: "another board or program" in str(line.trouble))


class ABrokerThatSays:
    """Context manager: a listener that takes each connection (CONNACK, MQTT 5, 3.2) and then says this."""

    def __init__(self, words: bytes, first: bytes = b"\x20\x03\x00\x00\x00") -> None:
        self._words, self._first = words, first
        self._stopping = threading.Event()

    def __enter__(self) -> int:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.settimeout(0.1)
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()
        return int(self._listener.getsockname()[1])

    def _serve(self) -> None:
        while not self._stopping.is_set():
            try:
                connection, _ = self._listener.accept()
            except TimeoutError:
                continue
            with connection:
                connection.settimeout(5)
                try:
                    connection.recv(1000)
                    connection.sendall(self._first + self._words)
                    while connection.recv(1000) and not self._stopping.is_set():
                        pass
                except OSError:
                    continue

    def __exit__(self, *_: object) -> None:
        self._stopping.set()
        self._thread.join(10)
        self._listener.close()


# -- D8: a topic that isn't allowed


def test_a_refused_topic_is_not_tried_again_and_again(tmp_path: Path) -> None:
    """D8: each refused topic is said once a connection, whatever its value does (PUBACK 0x87)."""
    rules = tmp_path / "acl"
    allowed = ("readwrite recorder/#", f"readwrite {ROOT}/#", f"deny {ROOT}/sump/temperature", "read #")
    rules.write_text("".join(f"topic {rule}\n" for rule in allowed))
    rules.chmod(0o600)
    with (
        RealBroker(tmp_path, f"acl_file {rules}\nlog_type all\n") as broker,
        Recorder(broker.port, f"{ROOT}/#") as recorder,
        running(courier_of(broker.port)) as made,
    ):
        for n in range(5):
            status = msgspec.structs.replace(warmed(n / 4), coldest_c=n / 4)
            made.publish(status)
            recorder.wait_for_message(f"{ROOT}/engine/coldest-temperature", f"{n / 4:.2f}".encode())
        assert f"refuses the topic {ROOT}/sump/temperature" in str(made.trouble)
        log = (tmp_path / "mosquitto.log").read_text("utf-8")
        denied = [
            line for line in log.splitlines() if "Denied PUBLISH" in line and "sump/temperature" in line
        ]
        assert len(denied) == 1


# -- D9: somebody who listens and never answers, or answers something else


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize("tls", [False, True])
def test_a_mute_listener_holds_up_nothing(monkeypatch: pytest.MonkeyPatch, tls: bool) -> None:
    """D9: with TLS the handshake itself goes unanswered."""
    monkeypatch.setattr(connection, "ANSWER_S", 0.3)
    monkeypatch.setattr(connecting, "CONNECT_S", 0.3)
    with socket.create_server(("127.0.0.1", 0)) as mute:
        with running(courier_of(mute.getsockname()[1], tls=tls)) as made:
            made.publish(samples.heating())
            assert wait_until(lambda: made.trouble is not None) < 5
            assert ("does not answer" in str(made.trouble)) is tls
            began_s = time.monotonic()
            for _ in range(1000):
                made.publish(samples.heating())
            assert time.monotonic() - began_s < 1.0
            began_s = time.monotonic()
        assert time.monotonic() - began_s < 4.0


def test_a_captive_portal_is_no_broker(monkeypatch: pytest.MonkeyPatch) -> None:
    """D9: a network that answers everything with a page of its own."""
    page = b"HTTP/1.1 302 Found\r\nLocation: http://portal.example/\r\nContent-Length: 0\r\n\r\n"
    monkeypatch.setattr(connection, "ANSWER_S", 0.5)
    with ABrokerThatSays(b"", first=page) as port, running(courier_of(port)) as made:
        made.publish(samples.heating())
        wait_until(lambda: made.trouble is not None)
        assert made._announced is None


DEAF = """
import sys, threading, time
from probe_agent import broker
from probe_agent.config import Broker
import status_samples
made = broker.BrokerCourier(
    Broker(host="broker.example"), "magpie", lambda content: 1, None, "", first_delay_s=0.1)
made.start()
began_s = time.monotonic()
while made.trouble is None:
    made.publish(status_samples.heating())
    assert time.monotonic() - began_s < 30
    threading.Event().wait(0.05)
print(made.trouble)
made.stop()
"""


@pytest.mark.skipif(os.geteuid() != 0, reason="a network of its own needs root")
def test_a_name_server_that_never_answers_is_said(tmp_path: Path) -> None:
    """D9: DNS dead: in a network of its own whose only name server takes questions and says nothing."""
    (tmp_path / "resolv.conf").write_text("nameserver 127.0.0.1\noptions timeout:1 attempts:1\n")
    script = (
        f"mount --bind {tmp_path}/resolv.conf /etc/resolv.conf && ip link set lo up && "
        f'exec {sys.executable} -c "$1" "$2"'
    )
    ear = "import socket,subprocess,sys; s=socket.socket(type=socket.SOCK_DGRAM); s.bind(('127.0.0.1', 53)); "
    ear += "sys.exit(subprocess.call([sys.executable, '-c', sys.argv[1]]))"
    path = os.pathsep.join([str(HERE.parent), str(HERE.parents[1])])
    done = subprocess.run(
        ["unshare", "--net", "--mount", "sh", "-c", script, "sh", ear, DEAF],
        env={**os.environ, "PYTHONPATH": path},
        capture_output=True,
        text=True,
        timeout=60,
    )
    if "Operation not permitted" in done.stderr:
        pytest.skip("no network of its own to be had here")
    assert done.returncode == 0, done.stderr
    assert "The broker at broker.example:1883 can't be used" in done.stdout
