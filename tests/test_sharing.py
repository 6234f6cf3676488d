"""A circuit that others share, through the daemon's heart: hearing, an earlier switch-on, waiting, an end."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
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

    def __init__(self, topic: str, payload: bytes, expiry_s: float = 1e9) -> None:
        self.topic, self.payload = topic, payload
        self.properties = SimpleNamespace(MessageExpiryInterval=expiry_s)


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

    def comes_back(self) -> None:
        """Our own message, from the broker."""
        self.sharing._hear(Message("probe-agent/magpie/circuit", self.sharing.message[0]))

    def says(
        self, device: str = "kestrel", name: str = "hangar-2", expiry_s: float = 1e9, **what: Any
    ) -> None:
        """Another board's message."""
        ask = Ask(device, **{"power_w": 650.0, "limit_w": 1000.0, **what})
        payload = msgspec.json.encode(circuit.said_of(ask, name, None, True))
        self.sharing._hear(Message(f"probe-agent/{device}/circuit", payload, expiry_s))

    @property
    def now_at(self) -> float:
        return self.agent.clock.utc()

    @property
    def notes(self) -> str:
        assert self.agent.status is not None
        return " ".join((*self.agent.status.notes, *self.agent.status.circuit))

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
    claim = next(said for said in hangar.told_at_once if said.claim is not None)
    assert claim.until is not None
    assert utc_seconds(claim.until) == pytest.approx(starts_at - MIN, abs=1.0), (
        "its slot's end, from the first"
    )
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


def test_a_press_is_told_at_once_and_gives_way_to_whoever_claimed_before(hangar: SharedHangar) -> None:
    ok, text = hangar.ask("switch-on")
    assert ok
    assert "unless another board on its circuit was first" in text
    claim = hangar.told_at_once[-1]
    assert claim.on
    assert claim.claim is not None, "told before any tick, as a claim"
    hangar.says(on=True, claim="theirs", until_at=hangar.now_at + HOUR)
    hangar.comes_back()
    assert (hangar.told_at_once[-1].on, hangar.told_at_once[-1].claim) == (False, None), "taken back at once"
    hangar.ticks(STEP_S)
    assert "on" not in hangar.line.orders
    assert (hangar.plug.wanted, hangar.plug.ended) == (None, "circuit-taken")
    told = hangar.words("not-switched")
    assert [subject for subject, _ in told] == ["Magpie: heat not switched on: circuit taken"]
    assert "It is not tried again by itself." in told[0][1]
    hangar.says()
    hangar.ticks(3 * STEP_S)
    assert "on" not in hangar.line.orders, "a press that was lost doesn't come on later"
    assert hangar.ask("switch-on")[0]
    hangar.comes_back()
    hangar.ticks(STEP_S)
    assert hangar.line.orders[-1] == "on"
    assert (hangar.told.on, hangar.told.claim) == (True, None)
    assert hangar.told.since is not None


def test_a_press_goes_by_what_was_heard_since_the_last_tick(hangar: SharedHangar) -> None:
    hangar.says(on=True, claim="theirs", until_at=hangar.now_at + HOUR)
    ok, text = hangar.ask("switch-on")
    assert not ok
    assert "leave no room" in text
    hangar.says()
    assert hangar.ask("switch-on")[0]
    assert hangar.ask("switch-off")[0]
    assert (hangar.told_at_once[-1].on, hangar.told_at_once[-1].claim) == (False, None)


def test_a_plan_that_gave_way_waits_for_room_and_is_switched_on_then(hangar: SharedHangar) -> None:
    assert hangar.ask("plan", start="2027-01-15T14:00", certainty="8/10")[0]
    while not hangar.told.on:
        hangar.ticks(STEP_S)
    hangar.says(on=True, until_at=hangar.now_at + HOUR)
    hangar.comes_back()
    hangar.ticks(2 * STEP_S)
    assert "on" not in hangar.line.orders
    assert "kestrel leaves no room for this heater now, until" in hangar.notes
    assert hangar.words("not-switched")[0][0] == "Magpie: heat not switched on: circuit full"
    hangar.says()
    hangar.ticks(2 * STEP_S)
    hangar.comes_back()
    hangar.ticks(STEP_S)
    assert hangar.line.orders[-1] == "on"


def test_of_two_that_are_on_beyond_the_limit_the_later_one_yields(hangar: SharedHangar) -> None:
    assert hangar.ask("switch-on")[0]
    hangar.ticks(2 * STEP_S)
    hangar.says(on=True, since_at=hangar.now_at, until_at=hangar.now_at + HOUR)
    hangar.ticks(STEP_S)
    assert hangar.line.orders[-1] == "on"
    assert "Too much is on" in hangar.notes
    hangar.says(on=True, since_at=hangar.now_at - HOUR, until_at=hangar.now_at + HOUR)
    hangar.ticks(STEP_S)
    assert (hangar.line.orders[-1], hangar.plug.ended) == ("off", "circuit-beyond")
    assert hangar.words("switched-off")[0][0].endswith("circuit overloaded")


def test_what_is_on_and_silent_counts_no_longer_than_its_message_holds(hangar: SharedHangar) -> None:
    hangar.says(on=True, until_at=hangar.now_at + HOUR, expiry_s=HOUR + 600)
    hangar.ticks(HOUR + 400)
    assert not hangar.ask("switch-on")[0]
    hangar.ticks(3 * STEP_S)
    assert hangar.ask("switch-on")[0]


def test_heat_that_is_done_asks_for_no_room_any_more(hangar: SharedHangar) -> None:
    assert hangar.ask("plan", start="2027-01-15T14:00", certainty="8/10")[0]
    hangar.ticks(STEP_S)
    hangar.ticks(hangar.switch_on_at - hangar.now_at + 3 * STEP_S)
    assert hangar.line.orders[-1] == "on"
    assert hangar.ask("switch-off")[0]
    hangar.ticks(STEP_S)
    assert (hangar.told.on, hangar.told.wanted) == (False, None)


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
