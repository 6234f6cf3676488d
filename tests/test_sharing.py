"""A circuit that others share, through the daemon's heart: hearing, an earlier switch-on, waiting, an end."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import pytest
import scripted
from scripted import ScriptedSource, open_agent
from test_switchman import STEP_S, TEXT, Hangar, Inbox

from probe_agent import circuit
from probe_agent.agent import Agent
from probe_agent.circuit import Ask
from probe_agent.config import SettingsError, parse_settings
from probe_agent.sharing import Sharing
from probe_agent.status import utc_seconds

SHARED = TEXT + '[circuit]\nname = "hangar-2"\nlimit_w = 1000\n'
MIN, HOUR = 60.0, 3600.0


class Message:
    """What a broker brings."""

    def __init__(self, topic: str, payload: bytes) -> None:
        self.topic, self.payload = topic, payload


class SharedHangar(Hangar):
    """A daemon with a plug on a circuit that kestrel shares."""

    def _open(self) -> Agent:
        settings = parse_settings(SHARED.encode(), "test.toml")
        self.told_at_once: list[circuit.Said] = []
        self.sharing = Sharing(
            settings, "magpie", None, "UTC", self._bring, lambda: self.agent.clock.monotonic()
        )
        return open_agent(
            self.folder,
            ScriptedSource(self.probes),
            scripted.START_UTC + self.start_s,
            self.start_s,
            text=SHARED,
            messages=Inbox(),
            line=self.line,
            sharing=self.sharing,
        )

    def _bring(self, payload: bytes, expiry_s: int) -> None:
        self.told_at_once.append(msgspec.json.decode(payload, type=circuit.Said))

    def says(self, device: str = "kestrel", name: str = "hangar-2", **what: Any) -> None:
        """Another board's message."""
        ask = Ask(device, **{"power_w": 650.0, "limit_w": 1000.0, **what})
        payload = msgspec.json.encode(circuit.said_of(ask, name, None, True))
        self.sharing._hear(Message(f"probe-agent/{device}/circuit", payload))

    @property
    def now_at(self) -> float:
        return self.agent.clock.utc()

    @property
    def notes(self) -> str:
        assert self.agent.status is not None
        return " ".join(self.agent.status.notes)

    @property
    def switch_on_at(self) -> float:
        plan = self.agent.status.plan if self.agent.status else None
        assert plan is not None
        assert plan.switch_on is not None
        return utc_seconds(plan.switch_on)

    @property
    def told(self) -> circuit.Said:
        return msgspec.json.decode(self.sharing.message[0], type=circuit.Said)


@pytest.fixture
def hangar(tmp_path: Path) -> Iterator[SharedHangar]:
    made = SharedHangar(tmp_path)
    made.ticks(2 * STEP_S)
    yield made
    made.agent._finish()
    made.agent.store.close()


def test_a_press_waits_while_another_is_on_and_is_taken_when_there_is_room(hangar: SharedHangar) -> None:
    hangar.says(on=True, until_at=hangar.now_at + 9 * HOUR)
    hangar.ticks(STEP_S)
    ok, text = hangar.ask("switch-on")
    assert not ok
    assert "leave no room" in text
    assert "on" not in hangar.line.orders
    hangar.says()
    hangar.ticks(STEP_S)
    assert hangar.ask("switch-on")[0]
    hangar.ticks(STEP_S)
    assert hangar.line.orders[-1] == "on"
    assert hangar.told.on
    hangar.says(on=True, until_at=hangar.now_at + 9 * HOUR)
    hangar.ticks(2 * STEP_S)
    assert hangar.line.orders[-1] == "on", "what is on by a person's press isn't ended by another's"
    assert "Too much is on: kestrel and magpie together draw 1300 W on the circuit hangar-2" in hangar.notes
    assert hangar.ask("switch-off")[0], "off is never refused"
    assert hangar.line.orders[-1] == "off"


def test_a_plan_goes_on_earlier_ends_for_the_other_and_never_comes_on_again(hangar: SharedHangar) -> None:
    ok, text = hangar.ask("plan", start="2027-01-15T14:00", certainty="8/10")
    assert ok, text
    hangar.ticks(STEP_S)
    alone_at, off_at = hangar.switch_on_at, utc_seconds("2027-01-15T13:40:00Z")
    starts_at = off_at - 30 * MIN
    hangar.says(wanted_at=starts_at, off_at=off_at + 2 * HOUR)
    hangar.ticks(STEP_S)
    earlier_s = alone_at - hangar.switch_on_at
    assert earlier_s == pytest.approx(1.5 * 31 * MIN, abs=1.0)
    assert "46 min earlier than alone: the circuit hangar-2 is shared with kestrel" in hangar.notes
    assert hangar.told.wanted is not None
    assert utc_seconds(hangar.told.wanted) == pytest.approx(alone_at, abs=1.0), "what it wants, not its slot"
    hangar.ticks(hangar.switch_on_at - hangar.now_at - 2 * STEP_S)
    assert "on" not in hangar.line.orders
    hangar.ticks(4 * STEP_S)
    assert hangar.line.orders[-1] == "on"
    assert hangar.now_at < alone_at
    assert hangar.told.until is not None
    warm(hangar, starts_at - hangar.now_at - 4 * STEP_S)
    assert hangar.line.orders[-1] == "on"
    warm(hangar, 4 * STEP_S)
    assert hangar.line.orders[-1] == "off"
    assert hangar.plug.ended == "circuit"
    assert hangar.words("switched-off")
    hangar.says()
    warm(hangar, 6 * STEP_S)
    assert hangar.line.orders[-1] == "off", "nothing that ended comes on again"


def warm(hangar: SharedHangar, seconds: float) -> None:
    """Time passes, and the heater warms."""
    until_s = hangar.agent.clock.monotonic() + seconds
    while hangar.agent.clock.monotonic() < until_s:
        hangar.probes.c += 0.3
        hangar.ticks(STEP_S)


def test_a_plan_without_room_waits_says_so_and_the_owner_is_told(hangar: SharedHangar) -> None:
    assert hangar.ask("plan", start="2027-01-15T14:00", certainty="8/10")[0]
    hangar.ticks(STEP_S)
    due_at = hangar.switch_on_at
    hangar.says(on=True, until_at=due_at + 12 * HOUR)
    hangar.ticks(STEP_S)
    assert "there is no room for magpie" in hangar.notes
    hangar.ticks(due_at - hangar.now_at + 4 * STEP_S)
    assert "on" not in hangar.line.orders
    told = hangar.words("not-switched")
    assert [subject for subject, _ in told] == ["Magpie: heat not switched on: circuit full"]
    hangar.says()
    hangar.ticks(2 * STEP_S)
    assert hangar.line.orders[-1] == "on"


def test_a_board_that_fell_silent_counts_for_as_long_as_it_said(hangar: SharedHangar) -> None:
    hangar.says(wanted_at=hangar.now_at + STEP_S, off_at=hangar.now_at + HOUR)
    hangar.ticks(3 * STEP_S)
    assert not hangar.ask("switch-on")[0], "it is its time, and nobody said that it is off"
    hangar.ticks(HOUR)
    assert hangar.ask("switch-on")[0]


def test_other_circuits_and_broken_messages_count_for_nothing(hangar: SharedHangar) -> None:
    hangar.says(on=True, until_at=hangar.now_at + HOUR)
    hangar.sharing._hear(Message("probe-agent/kestrel/circuit", b""))
    hangar.says("heron", "workshop", on=True, until_at=hangar.now_at + HOUR)
    hangar.says("magpie", on=True, until_at=hangar.now_at + HOUR)
    hangar.sharing._hear(Message("probe-agent/rook/circuit", json.dumps({"circuit": 1}).encode()))
    hangar.ticks(STEP_S)
    assert hangar.ask("switch-on")[0]


def test_limits_that_differ_are_said_and_the_lowest_counts(hangar: SharedHangar) -> None:
    hangar.says(limit_w=900.0)
    hangar.ticks(STEP_S)
    assert "the lowest counts, 900 W" in hangar.notes


def test_without_a_circuit_nothing_is_asked(tmp_path: Path) -> None:
    plain = Hangar(tmp_path)
    plain.ticks(2 * STEP_S)
    assert plain.ask("switch-on")[0]
    plain.agent._finish()
    plain.agent.store.close()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (SHARED.replace("limit_w = 1000", "limit_w = 600"), "less than the heater alone draws"),
        (SHARED.replace("host = '127.0.0.1'", ""), "host"),
    ],
)
def test_a_circuit_that_cannot_be_is_refused(text: str, said: str) -> None:
    with pytest.raises(SettingsError, match=said):
        parse_settings(text.encode(), "test.toml")
