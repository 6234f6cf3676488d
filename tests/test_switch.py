"""What is said to a plug and heard of it: topics, payloads, leases. On a real broker: tests/faults."""

from __future__ import annotations

import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from real_broker import MOSQUITTO, RealBroker, Recorder, publish_once
from test_config import PLUG, load, switched

from probe_agent.clock import awake_and_asleep_s
from probe_agent.config import Settings
from probe_agent.switch import Line, Saying, SwitchCourier, wiring_of

ON, OFF = Saying("p/set", b"on", 30), Saying("p/set", b"off")


def line(keys: str = PLUG, now_s: float = 0.0) -> Line:
    found = load(switched(keys)).switch
    assert found is not None
    made = Line(wiring_of(found, "homie"), 15.0, now_s)
    made.opened(now_s)
    return made


def said(made: Line, now_s: float) -> list[Saying]:
    return made.to_say(now_s)


def test_a_connection_begins_with_off_and_off_is_said_again_and_again() -> None:
    made = line()
    assert said(made, 0.0) == [OFF]
    assert said(made, 5.0) == []
    assert said(made, 15.0) == [OFF]


def test_an_order_is_said_once_and_expires_with_its_lease() -> None:
    made = line()
    said(made, 0.0)
    made.order("on", 10.0, 12.0)
    assert said(made, 12.0) == [Saying("p/set", b"on", 28)]
    assert said(made, 13.0) == []
    made.order("on", 25.0, 26.0)
    assert said(made, 26.0) == [Saying("p/set", b"on", 29)]
    assert said(made, 54.9) == []
    assert said(made, 55.0) == [OFF]
    assert not made.holds(55.0)
    assert said(made, 56.0) == []


def test_an_order_of_a_tick_that_took_too_long_is_none() -> None:
    made = line()
    said(made, 0.0)
    made.order("on", 10.0, 41.0)
    assert said(made, 41.0) == [OFF]


def test_after_a_reconnect_only_a_new_order_is_said() -> None:
    made = line()
    said(made, 0.0)
    made.order("on", 10.0, 10.0)
    made.closed()
    assert said(made, 11.0) == []
    made.opened(12.0)
    assert said(made, 12.0) == [OFF]
    assert said(made, 13.0) == []
    made.order("on", 15.0, 15.0)
    assert said(made, 15.0) == [ON]


def test_off_is_said_at_once_and_where_the_plug_contradicts() -> None:
    made = line()
    said(made, 0.0)
    made.order("on", 10.0, 10.0)
    assert said(made, 10.0) == [ON]
    made.off(11.0)
    assert said(made, 11.0) == [OFF]
    made.hear("p/state", b"on", False, 12.0)
    assert said(made, 12.0) == []  # said just now
    made.hear("p/state", b"on", False, 14.5)
    assert said(made, 14.5) == [OFF]


def test_holding_says_nothing_while_ticks_are_fresh() -> None:
    made = line()
    said(made, 0.0)
    made.order("on", 10.0, 10.0)
    said(made, 10.0)
    for t_s in range(25, 300, 15):
        made.order("hold", float(t_s), float(t_s))
        assert said(made, float(t_s)) == []
    assert said(made, 330.0) == [OFF]


def test_a_retained_command_is_removed_and_answered_with_off() -> None:
    made = line()
    said(made, 0.0)
    made.hear("p/set", b"on", True, 1.0)
    assert said(made, 1.0) == [Saying("p/set", b"", None, True), OFF]
    made.hear("p/set", b"on", False, 2.0)
    assert said(made, 2.0) == [OFF]
    made.hear("p/set", b"off", False, 3.0)
    assert said(made, 3.0) == []


def test_ticks_that_stay_out_are_late() -> None:
    made = line()
    made.order("on", 10.0, 11.0)
    assert not made.is_late(54.9)
    assert made.is_late(55.0)


def test_payloads_and_pointers_are_the_owners() -> None:
    keys = PLUG + (
        '\non = \'{"on": true, "for": {timer_s}}\'\ntimer_topic = "p/timer"\nstate_pointer = "/relay/0"\n'
        'state_on = "true"\nstate_off = "false"\npower_topic = "p/power"\npower_pointer = "/w~1h/now"'
    )
    made = line(keys)
    said(made, 0.0)
    made.order("on", 1.0, 1.0)
    assert said(made, 1.0) == [
        Saying("p/timer", b"300", 30),
        Saying("p/set", b'{"on": true, "for": 300}', 30),
    ]
    made.hear("p/state", b'{"relay": [true]}', False, 2.0)
    made.hear("p/power", b'{"w/h": {"now": "481.5"}}', False, 3.0)
    seen = made.seen()
    assert (seen.on, seen.on_s, seen.live) == (True, 2.0, True)
    assert (seen.power_w, seen.power_s) == (481.5, 3.0)


def test_a_homie_plug_is_known_by_its_properties() -> None:
    made = line(
        'timer_s = 300\nmanual_allows_unattended = true\nhomie = "p1/relay/on"\nhomie_power = "p1/relay/w"'
    )
    assert said(made, 0.0) == [Saying("homie/5/p1/relay/on/set", b"false")]
    made.order("on", 1.0, 1.0)
    assert said(made, 1.0) == [Saying("homie/5/p1/relay/on/set", b"true", 30)]
    made.hear("homie/5/p1/relay/on", b"true", False, 2.0)
    assert made.seen().on is None  # its device has not said that it is ready
    made.hear("homie/5/p1/$state", b"ready", True, 2.0)
    assert made.seen().on is True
    made.hear("homie/5/p1/$state", b"lost", True, 3.0)
    assert made.seen().on is None
    made.hear("homie/5/p1/$state", b"ready", False, 4.0)
    assert made.seen().on is True


@given(st.binary(max_size=60), st.booleans(), st.sampled_from(["p/set", "p/state", "p/power", "p/else"]))
def test_no_payload_confuses_it(payload: bytes, retained: bool, topic: str) -> None:
    made = line(PLUG + '\npower_topic = "p/power"\npower_pointer = "/a/0"')
    made.hear(topic, payload, retained, 1.0)
    watts = made.seen().power_w
    assert watts is None or 0 <= watts < 1e5


@pytest.mark.parametrize(
    "payload", [b"nan", b"inf", b"-3", b"1e9", b"on", b"", b"{}", b"[1]", b"true", b"\xff", b"null"]
)
def test_what_is_no_power_is_none(payload: bytes) -> None:
    made = line(PLUG + '\npower_topic = "p/power"')
    made.hear("p/power", payload, False, 1.0)
    assert made.seen().power_w is None
    made.hear("p/power", b"12", True, 1.0)
    assert made.seen().power_w is None  # retained: of any age


# -- on a real broker


def courier(port: int) -> SwitchCourier:
    text = switched().replace('host = "127.0.0.1"', f'host = "127.0.0.1"\nport = {port}')
    settings: Settings = load(text)
    assert settings.switch is not None
    return SwitchCourier(settings, settings.switch, "plug-test", None)


@pytest.mark.skipif(not MOSQUITTO, reason="needs mosquitto")
def test_on_is_published_with_qos_1_an_expiry_and_never_retained(tmp_path: Path) -> None:
    with RealBroker(tmp_path) as broker, Recorder(broker.port, "p/#") as recorder:
        made = courier(broker.port)
        made.start()
        try:
            recorder.wait_for_message("p/set", b"off")
            publish_once(broker.port, "p/state", b"off", retain=False)
            made.order("on", awake_and_asleep_s())
            found = recorder.stream[recorder.wait_for_message("p/set", b"on")]
            assert (found.qos, found.retain) == (1, False)
            assert found.expiry_s is not None
            assert 20 <= found.expiry_s <= 30
        finally:
            made.stop()
        after = recorder.wait_for_message("p/set", b"off", after=recorder.wait_for_message("p/set", b"on"))
        assert not recorder.stream[after].retain
        assert made.trouble is None


@pytest.mark.skipif(not MOSQUITTO, reason="needs mosquitto")
def test_a_broker_that_refuses_is_told_to_the_owner(tmp_path: Path) -> None:
    with RealBroker(tmp_path, "allow_anonymous false") as broker:
        made = courier(broker.port)
        made.start()
        try:
            deadline = time.monotonic() + 15
            pause = made._stopping
            while made.trouble is None:
                assert time.monotonic() < deadline
                pause.wait(0.1)
            assert "Nothing can be switched" in made.trouble
        finally:
            made.stop()
