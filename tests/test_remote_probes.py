"""Probes that come by the broker: what a message is worth, by its age and its form; on a real mosquitto."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from real_broker import RealBroker, publish_once
from real_daemon import Process, status_in

from probe_agent.config import Broker, Probe, SettingsError, parse_settings
from probe_agent.probes.remote import (
    COLDEST_C,
    HOTTEST_C,
    NotUnderstood,
    RemoteProbes,
    Understood,
    understand,
)
from probe_agent.readings import Fault, ProbeFault, Reading

TOPIC = "shed/nose"
PROBE = Probe(place="case-nose", address="nose", source="mqtt", topic=TOPIC, pointer="/t", expires_s=600)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[RealBroker]:
    with RealBroker(tmp_path) as running:
        yield running


class Counted(RemoteProbes):
    """Remembers the last live message, so that a test can wait for its own."""

    last: bytes | None = None

    def _hear(self, message: Any) -> None:
        super()._hear(message)
        self.last = self.last if message.retain else bytes(message.payload)


class Ear:
    """Context manager: the source on that broker, its clock set by the test."""

    def __init__(self, broker: RealBroker, probe: Probe = PROBE) -> None:
        self.port, self.clock_s = broker.port, 1000.0
        self.source = Counted(
            Broker(host="127.0.0.1", port=broker.port), [probe], None, clock=lambda: self.clock_s
        )

    def __enter__(self) -> Ear:
        self.source.start()
        self.wait_until(True)
        return self

    def __exit__(self, *_: object) -> None:
        self.source.close()

    def wait_until(self, listening: bool) -> None:
        with self.source.changed:
            assert self.source.changed.wait_for(lambda: self.source.is_listening is listening, 20)

    def say(self, text: str, expiry_s: int | None = None) -> None:
        """A live message, heard."""
        self.source.last = None
        publish_once(self.port, TOPIC, text.encode(), retain=False, expiry_s=expiry_s)
        with self.source.changed:
            assert self.source.changed.wait_for(lambda: self.source.last == text.encode(), 10)

    def sample(self) -> Reading | ProbeFault:
        (sample,) = self.source.read(self.clock_s - 900).samples
        return sample


def fault_of(sample: Reading | ProbeFault) -> tuple[Fault, str]:
    assert isinstance(sample, ProbeFault), sample
    return sample.fault, sample.detail


def test_a_message_counts_from_its_arrival_until_it_is_too_old(broker: RealBroker) -> None:
    with Ear(broker) as ear:
        assert fault_of(ear.sample()) == (Fault.NO_ANSWER, "nothing has come on shed/nose yet")
        ear.say('{"t": -11.5}')
        ear.clock_s += 120
        assert ear.sample() == Reading("nose", 100.0, -11.5, -11.5)
        ear.clock_s += 1
        assert fault_of(ear.sample()) == (Fault.STALE, "its last message is 121 s old")
        ear.say('{"t": -11}')
        assert ear.sample() == Reading("nose", 221.0, -11.0, -11.0)


def test_a_retained_message_of_unknown_age_is_no_reading(broker: RealBroker) -> None:
    publish_once(broker.port, TOPIC, b'{"t": 21.0}')  # no expiry: of yesterday, for all we know
    with Ear(broker) as ear:
        ear.say('{"other": 0}')  # the retained one has come before this
        assert fault_of(ear.sample())[0] is Fault.CHECKSUM
        ear.say('{"t": -4}')
        assert isinstance(ear.sample(), Reading)


def test_a_retained_message_is_as_old_as_the_broker_has_counted_down(broker: RealBroker) -> None:
    publish_once(broker.port, TOPIC, b'{"t": 21.0}', expiry_s=550)  # 50 of its 600 s are over
    with Ear(broker) as ear:
        with ear.source.changed:
            assert ear.source.changed.wait_for(
                lambda: isinstance(ear.source.read(0.0).samples[0], Reading), 10
            )
        sample = ear.sample()
        assert sample.t_s == pytest.approx(50.0, abs=2)
        ear.clock_s += 75
        assert fault_of(ear.sample())[0] is Fault.STALE
        ear.say('{"t": 20}', expiry_s=400)  # live, but 200 s on its way: too old as it comes
        assert fault_of(ear.sample())[0] is Fault.STALE
        ear.say('{"t": 20}', expiry_s=900)  # more than the settings know: its arrival counts
        assert isinstance(ear.sample(), Reading)


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("", Fault.CHECKSUM),
        ("-11.5", Fault.CHECKSUM),
        ('{"t": "-11.5"}', Fault.CHECKSUM),
        ('{"t": null}', Fault.CHECKSUM),
        ('{"t": true}', Fault.CHECKSUM),
        ('{"t": [1]}', Fault.CHECKSUM),
        ('{"t": NaN}', Fault.CHECKSUM),
        ('{"t": 1e999}', Fault.CHECKSUM),
        ('{"x": 1}', Fault.CHECKSUM),
        ("[" * 5000, Fault.CHECKSUM),
        ('{"t": 1' + " " * 20000 + "}", Fault.CHECKSUM),
        ('{"t": -127}', Fault.IMPLAUSIBLE),
        ('{"t": 85.0}', Fault.UNCONFIRMED),
    ],
)
def test_what_is_no_temperature_is_a_fault_until_the_next_that_is(
    broker: RealBroker, text: str, fault: Fault
) -> None:
    with Ear(broker) as ear:
        ear.say('{"t": -12}')
        ear.say(text)
        assert fault_of(ear.sample())[0] is fault
        ear.say('{"t": -11}')
        assert isinstance(ear.sample(), Reading)


def test_whatever_comes_is_a_temperature_that_can_be_or_a_fault() -> None:
    kinds = set()

    @given(
        st.binary(max_size=60)
        | st.recursive(st.none() | st.floats() | st.text(), st.lists).map(repr).map(str.encode)
        | st.floats(-200, 700).map(repr).map(str.encode)
    )
    def look(payload: bytes) -> None:
        found = understand(payload, "", "F")
        kinds.add(type(found))
        if isinstance(found, Understood):
            assert COLDEST_C <= found.c <= HOTTEST_C
        else:
            assert isinstance(found, NotUnderstood)
            assert found.detail

    look()
    assert kinds == {Understood, NotUnderstood}, "both came up"


def test_the_units_are_those_of_the_settings() -> None:
    for text, unit in (("14", "F"), ("-10", "C"), ("263.15", "K")):
        found = understand(text.encode(), "", unit)
        assert isinstance(found, Understood)
        assert found.c == pytest.approx(-10.0)
        assert found.raw == float(text)


def test_it_recovers_when_the_broker_comes_back(broker: RealBroker) -> None:
    with Ear(broker) as ear:
        ear.say('{"t": -12}')
        broker.kill()
        ear.wait_until(False)
        assert "Probes on the broker can't be heard" in (ear.source.trouble or "")
        ear.clock_s += 121
        assert fault_of(ear.sample())[0] is Fault.STALE
        broker.start()
        ear.wait_until(True)
        assert ear.source.trouble is None
        assert fault_of(ear.sample())[0] is Fault.STALE
        ear.say('{"t": -10}')
        assert isinstance(ear.sample(), Reading)


SETTINGS = """
[[places]]
name = "case-nose"
required = true
[[probes]]
place = "case-nose"
address = "nose"
source = "mqtt"
"""


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ('[broker]\nhost = "h"', "needs topic"),
        ('topic = "a/b"', "needs a broker"),
        ('topic = "a/#"', "one topic without # and +"),
        ('topic = "a"\npointer = "t"', "not a JSON pointer"),
        ('topic = "a"\nunit = "R"', "Write one of C, F, K"),
        ('topic = "a"\nstale_after_s = 4000', "at most 900"),
    ],
)
def test_settings_that_cant_work_are_refused_with_their_remedy(more: str, said: str) -> None:
    with pytest.raises(SettingsError, match=said):
        parse_settings((SETTINGS + more).encode(), "s.toml")


def test_a_topic_at_another_source_is_refused() -> None:
    text = SETTINGS.replace('"nose"', '"3b-0c98000000a1"').replace('"mqtt"', '"one-wire"') + 'topic = "a"'
    with pytest.raises(SettingsError, match='topic goes with source = "mqtt"'):
        parse_settings(text.encode(), "s.toml")


def test_the_daemon_shows_a_remote_probe_at_its_place(tmp_path: Path, broker: RealBroker) -> None:
    text = SETTINGS + f'topic = "{TOPIC}"\npointer = "/t"\nunit = "F"\n'
    text += f'[broker]\nhost = "127.0.0.1"\nport = {broker.port}\n[sampling]\ninterval_s = 5\n'
    text += f'[one_wire]\ndirectory = "{tmp_path}"\n'
    text += f'[store]\nfile = "{tmp_path}/probe-agent.db"\nruntime_dir = "{tmp_path}"\n'
    file = tmp_path / "settings.toml"
    file.write_text(text, "utf-8")
    with Process("probe_agent.cli", "run", "--settings", str(file), log=tmp_path / "log") as daemon:

        def shown() -> bool:
            publish_once(broker.port, TOPIC, b'{"t": 14.0}', retain=False)
            status = status_in(tmp_path)
            return status is not None and status.probes[0].status == "ok"

        daemon.wait_for(shown)
        status = status_in(tmp_path)
    assert status is not None
    assert status.probes[0].c == pytest.approx(-10.0)
