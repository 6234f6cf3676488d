"""The line to the service manager: what is said, when nothing is, and that nothing of it blocks."""

from __future__ import annotations

import logging
import os
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from probe_agent import pulse
from probe_agent.broker import BrokerCourier
from probe_agent.clock import SystemClock
from probe_agent.config import Broker, Messages, Recipient, TopicWeather
from probe_agent.messages import MessageCourier
from probe_agent.pulse import Pulse
from probe_agent.service import Service, kick_every_s, service_of, tell
from probe_agent.weather.courier import WeatherCourier
from probe_agent.weather.topic import TopicListener


@pytest.fixture(params=["path", "abstract"])
def manager(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[socket.socket, str]]:
    """A real datagram socket, and its address as NOTIFY_SOCKET has it."""
    name = str(tmp_path / "notify") if request.param == "path" else f"@probe-agent-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as there:
        there.bind(f"\0{name[1:]}" if name.startswith("@") else name)
        there.settimeout(5)
        yield there, name


def test_lines_arrive_as_one_datagram(manager: tuple[socket.socket, str]) -> None:
    there, address = manager
    assert tell(address, "READY=1", "STATUS=Kald: −3 °C")
    assert there.recv(4096).decode() == "READY=1\nSTATUS=Kald: −3 °C"


def test_a_full_socket_and_none_at_all_are_no_reason_to_wait(
    manager: tuple[socket.socket, str], tmp_path: Path
) -> None:
    _, address = manager
    began_s = time.monotonic()
    assert not all(tell(address, "WATCHDOG=1") for _ in range(10_000))
    assert not tell(str(tmp_path / "nobody"), "WATCHDOG=1")
    assert time.monotonic() - began_s < 5


@pytest.mark.parametrize(
    ("environ", "every_s"),
    [
        ({}, None),
        ({"WATCHDOG_USEC": "90000000"}, 30.0),
        ({"WATCHDOG_USEC": "90000000", "WATCHDOG_PID": "17"}, 30.0),
        ({"WATCHDOG_USEC": "90000000", "WATCHDOG_PID": "18"}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
    ],
)
def test_the_watchdog_is_kicked_where_it_is_wanted_of_this_process(
    environ: dict[str, str], every_s: float | None
) -> None:
    assert kick_every_s(environ, 17) == every_s


def test_without_a_manager_there_is_no_line() -> None:
    assert service_of({}, [Pulse("sampling")], str) is None
    assert service_of({"NOTIFY_SOCKET": "vsock:2:1"}, [Pulse("sampling")], str) is None


def test_it_is_up_with_the_first_tick_and_says_how_it_is(manager: tuple[socket.socket, str]) -> None:
    there, address = manager
    ticks = Pulse("sampling")
    service = Service(address, 0.01, [ticks], lambda: "Cold:\nno heat seen.")
    service.start()
    there.settimeout(0.3)
    with pytest.raises(TimeoutError):
        there.recv(4096)
    ticks.beat(60.0)
    there.settimeout(5)
    assert there.recv(4096).decode().split("\n") == [
        "STATUS=Cold: no heat seen.",
        "WATCHDOG=1",
        "READY=1",
        "WATCHDOG_USEC=30000",
    ]
    assert there.recv(4096).decode() == "STATUS=Cold: no heat seen.\nWATCHDOG=1"
    service.stop()
    assert said_last(there) == "STOPPING=1"


def test_beginning_anew_is_no_end_and_gets_time(manager: tuple[socket.socket, str]) -> None:
    there, address = manager
    service = Service(address, 30.0, [Pulse("sampling")], str)
    service.begin_anew()
    service.stop()
    assert said_last(there) == "STATUS=Begins anew.\nWATCHDOG=1\nWATCHDOG_USEC=900000000"


def said_last(there: socket.socket) -> str:
    """The last datagram that waits."""
    last = there.recv(4096)
    there.setblocking(False)
    try:
        while True:
            last = there.recv(4096)
    except BlockingIOError:
        return last.decode()


def test_what_hangs_is_named_with_its_place_once(
    manager: tuple[socket.socket, str], caplog: pytest.LogCaptureFixture
) -> None:
    there, address = manager
    ticks, courier, go_on, begun = Pulse("sampling"), Pulse("broker"), threading.Event(), threading.Event()

    def hang_here() -> None:
        courier.beat(-1.0)
        begun.set()
        go_on.wait(20)

    thread = threading.Thread(target=hang_here)
    thread.start()
    begun.wait(5)
    ticks.beat(60.0)
    service = Service(address, 0.01, [ticks, courier], str)
    with caplog.at_level(logging.ERROR):
        service.start()
        heard = [there.recv(4096).decode() for _ in range(5)]
    service.stop()
    go_on.set()
    thread.join(5)
    assert not any("WATCHDOG=1" in lines for lines in heard)
    assert all("STATUS=Hangs: broker." in lines for lines in heard)
    assert caplog.text.count("broker hangs") == 1
    assert "hang_here" in caplog.text


def test_a_thread_at_rest_is_not_late_until_it_was_woken_long_ago() -> None:
    lane = Pulse("messages")
    lane.beat(-1.0)
    assert lane.is_late()
    lane.rest()
    assert not lane.is_late()
    lane.expect(60.0)
    assert not lane.is_late()
    lane.expect(-1.0)
    assert lane.is_late()
    lane.expect(60.0)
    assert lane.is_late(), "woken again, it is no fresher"


def test_a_courier_that_never_comes_round_even_once_is_late(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(threading.Thread, "start", lambda thread: None)  # as one that hangs at its first line
    monkeypatch.setattr(pulse, "NETWORK_S", -1.0)
    broker, topic = Broker(host="127.0.0.1"), TopicWeather(topic="weather", air="/air")
    listener = TopicListener(broker, topic, None, SystemClock())
    couriers = (
        BrokerCourier(broker, "magpie", lambda content: 1, None, "test"),
        MessageCourier(None, [Recipient("pilot", "null://")], Messages(), SystemClock()),  # type: ignore[arg-type]
        WeatherCourier([], SystemClock(), 60.0, listener),
    )
    for courier in couriers:
        assert not any(p.is_late() for p in courier.pulses)
        courier.start()
        assert any(p.is_late() for p in courier.pulses), courier
