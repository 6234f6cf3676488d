"""The plug through the daemon's heart: plans, presses, people's words, what is kept, told and shown."""

from __future__ import annotations

import json
import math
import sqlite3
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import scripted
from scripted import SETTINGS, ScriptedSource, open_agent, tick_until

from probe_agent.agent import Agent
from probe_agent.clock import awake_and_asleep_s
from probe_agent.config import Recipient, parse_settings
from probe_agent.readings import Fault
from probe_agent.status import PlugNow, utc_seconds
from probe_agent.store import ask, await_answer
from probe_agent.switching import Order, Plug
from probe_agent.switchman import LastTest, print_of

HOUR = 3600.0
STEP_S = 120.0
TEXT = (
    SETTINGS.replace("[[setups]]", "[broker]\nhost = '127.0.0.1'\n[[setups]]")
    + """
switched_by = "our-plug"
[messages]
quiet = "00:00-23:59"
[switch]
manual_allows_unattended = true
timer_s = 300
command_topic = "plug/set"
state_topic = "plug/state"
power_topic = "plug/power"
power_every_s = 600
"""
)


class FakeLine:
    """A line to a plug that does what it is told and says so."""

    trouble = None

    def __init__(self) -> None:
        self.orders: list[Order] = []
        self.plug = Plug(connected_s=-1e9, on=False, live=True)
        self.power_w = 480.0

    def start(self) -> None: ...

    def stop(self) -> None:
        self.off()

    def order(self, what: Order, tick_s: float) -> None:
        self.orders.append(what)
        now_s = awake_and_asleep_s()
        if what == "on":
            self.plug = replace(self.plug, on=True, on_s=now_s, began_s=now_s, off_s=-math.inf)
        elif what == "off":
            self.plug = replace(self.plug, on=False, began_s=math.inf)
        self._tell()

    def off(self) -> None:
        self.order("off", 0.0)

    def _tell(self) -> None:
        self.plug = replace(
            self.plug, power_w=self.power_w if self.plug.on else 0.0, power_s=awake_and_asleep_s()
        )

    def seen(self) -> Plug:
        self._tell()
        return self.plug


class Inbox:
    """A courier that leaves every message in the store."""

    recipients = (Recipient("pilot", "null://"),)
    trouble = None

    def start(self) -> None: ...

    def stop(self) -> None: ...

    def nudge(self) -> None: ...


class Probes:
    """Points that stand at one temperature; `lost` ones give none."""

    def __init__(self) -> None:
        self.c = -6.0
        self.lost: set[str] = set()

    def __call__(self, t_s: float) -> dict[str, float | Fault]:
        found: dict[str, float | Fault] = dict.fromkeys(("cyl-1", "cyl-2", "case-nose"), self.c)
        found |= dict.fromkeys(self.lost, Fault.OPEN)
        return found | {"ambient": -8.0}


class Hangar:
    """A daemon with a plug and probes."""

    def __init__(self, folder: Path, tested: bool = True) -> None:
        self.folder, self.line, self.probes = folder, FakeLine(), Probes()
        self.start_s = 0.0
        self.agent = self._open()
        if tested:
            self.agent.store.keep("plug-timer-tested", json.dumps(passed()))
            self.restart()

    def _open(self) -> Agent:
        return open_agent(
            self.folder,
            ScriptedSource(self.probes),
            scripted.START_UTC + self.start_s,
            self.start_s,
            text=TEXT,
            messages=Inbox(),
            line=self.line,
        )

    def restart(self) -> None:
        """A crash, as far as the daemon can tell: nothing is handed on but what is in the store."""
        self.start_s = self.agent.clock.monotonic()
        self.agent.store.close()
        self.line = FakeLine()
        self.agent = self._open()

    def ticks(self, seconds: float) -> None:
        tick_until(self.agent, self.agent.clock.monotonic() + seconds, STEP_S)

    def ask(self, kind: str, **body: Any) -> tuple[bool, str]:
        file = self.folder / "probe-agent.db"
        command = ask(file, kind, body)
        self.agent.answer_commands()
        told = json.loads(await_answer(file, command) or "{}")
        return told["ok"], told["text"]

    @property
    def plug(self) -> PlugNow:
        assert self.agent.status is not None
        assert self.agent.status.plug is not None
        return self.agent.status.plug

    def words(self, kind: str) -> list[tuple[str, str]]:
        """Subjects and bodies of a kind, delivered or not."""
        db = sqlite3.connect(self.folder / "probe-agent.db")
        rows = db.execute(
            "SELECT payload FROM outbox WHERE dedupe_key LIKE ? || '%' ORDER BY message", (kind,)
        )
        found = [json.loads(payload) for (payload,) in rows]
        db.close()
        return [(text["subject"], text["body"]) for text in found]


def passed() -> dict[str, object]:
    """The record of a test of the plug's timer that was passed, under these settings."""
    done = LastTest(1.0, print_of(parse_settings(TEXT.encode(), "test.toml")), True, 290.0)
    return {name: getattr(done, name) for name in done.__struct_fields__}


@pytest.fixture
def hangar(tmp_path: Path) -> Iterator[Hangar]:
    made = Hangar(tmp_path)
    made.ticks(2 * STEP_S)
    yield made
    made.agent._finish()
    made.agent.store.close()


def test_a_press_switches_on_with_the_next_tick_and_says_so(hangar: Hangar) -> None:
    assert "on" not in hangar.line.orders
    ok, text = hangar.ask("switch-on")
    assert ok
    assert "by itself after 6 hours" in text
    assert "on" not in hangar.line.orders
    hangar.ticks(2 * STEP_S)
    assert hangar.line.orders[-2:] == ["on", "on"]
    assert (hangar.plug.wanted, hangar.plug.says, hangar.plug.power_w) == ("owner", "on", 480)
    subject, body = hangar.words("switched-on")[0]
    assert subject.startswith("Magpie: heater switched on ")
    assert subject.endswith("power 480 W")
    assert "it draws 480 W" in body
    assert hangar.agent.status is not None
    assert hangar.agent.status.heater.known_by == "measured"
    hangar.ticks(STEP_S)
    assert len(hangar.words("switched-on")) == 1


def test_what_the_plug_measures_is_the_energy_of_the_record(hangar: Hangar) -> None:
    assert hangar.ask("switch-on")[0]
    hangar.ticks(6 * STEP_S)
    hangar.agent._finish()
    db = sqlite3.connect(hangar.folder / "probe-agent.db")
    row = db.execute("SELECT sum(measured_j), sum(plate_j), sum(untold_s) FROM spells").fetchone()
    db.close()
    # Known on from the second of the ticks: four or five whole steps of 480 W.
    assert 4 * STEP_S * 480.0 <= row[0] <= 5 * STEP_S * 480.0
    assert row[1:] == (0.0, 0.0)


def test_a_plan_switches_on_at_its_time_and_never_again(hangar: Hangar) -> None:
    ok, text = hangar.ask("plan", start="2027-01-15T14:00", certainty="8/10")
    assert ok, text
    assert "the plug switches it on" in text
    plan = hangar.agent.status.plan if hangar.agent.status else None
    assert plan is not None
    assert plan.switch_on is not None
    until_s = utc_seconds(plan.switch_on) - hangar.agent.clock.utc()
    hangar.ticks(until_s - 2 * STEP_S)
    assert "on" not in hangar.line.orders
    hangar.ticks(5 * STEP_S)
    assert hangar.line.orders[-1] == "on"
    assert hangar.plug.wanted == "plan"
    assert hangar.words("switched-on")
    hangar.restart()
    hangar.ticks(10 * STEP_S)
    plan = hangar.agent.status.plan if hangar.agent.status else None
    assert plan is not None
    assert plan.made is not None
    assert utc_seconds(plan.made) > scripted.START_UTC + hangar.start_s  # worked out anew, and due
    assert "on" not in hangar.line.orders  # it had its heat, and the crash ended that
    assert hangar.plug.wanted is None


def test_a_plan_that_may_not_switch_says_why_and_does_when_it_may(hangar: Hangar) -> None:
    assert hangar.ask("switch-lock")[0]
    assert hangar.ask("plan", start="2027-01-15T14:00", certainty="8/10")[0]
    plan = hangar.agent.status.plan if hangar.agent.status else None
    assert plan is not None
    assert plan.switch_on is not None
    hangar.ticks(utc_seconds(plan.switch_on) - hangar.agent.clock.utc() + 4 * STEP_S)
    assert "on" not in hangar.line.orders
    told = hangar.words("not-switched")
    assert len(told) == 1
    assert told[0][0] == "Magpie: heat not switched on: someone is there"
    assert hangar.ask("switch-unlock", nobody_there=True)[0]
    assert "on" not in hangar.line.orders
    hangar.ticks(2 * STEP_S)
    assert hangar.line.orders[-1] == "on"


def test_off_by_a_person_is_off_for_a_plan_whose_time_had_come_too(hangar: Hangar) -> None:
    assert hangar.ask("plan", start="2027-01-15T14:00", certainty="8/10")[0]
    plan = hangar.agent.status.plan if hangar.agent.status else None
    assert plan is not None
    assert plan.switch_on is not None
    assert hangar.ask("switch-on")[0]
    hangar.ticks(STEP_S)
    ok, text = hangar.ask("switch-off")
    assert ok
    assert "What is planned goes on at its time" in text
    assert hangar.ask("switch-on")[0]
    hangar.ticks(2 * STEP_S)
    hangar.probes.c += 2.0  # it warms
    hangar.ticks(utc_seconds(plan.switch_on) - hangar.agent.clock.utc() + 3 * STEP_S)
    assert hangar.plug.wanted == "owner"
    assert hangar.ask("switch-off")[0]
    orders = len(hangar.line.orders)
    hangar.ticks(1800.0)
    assert "on" not in hangar.line.orders[orders:]
    assert hangar.words("not-switched") == []
    hangar.restart()
    hangar.ticks(1800.0)
    assert "on" not in hangar.line.orders


def test_not_flying_ends_a_planned_heating(hangar: Hangar) -> None:
    assert hangar.ask("plan", start="2027-01-15T14:00", certainty="8/10")[0]
    plan = hangar.agent.status.plan if hangar.agent.status else None
    assert plan is not None
    assert plan.switch_on is not None
    hangar.ticks(utc_seconds(plan.switch_on) - hangar.agent.clock.utc() + 4 * STEP_S)
    assert hangar.line.orders[-1] == "on"
    assert hangar.ask("cancel-departure", departure=1)[0]
    hangar.ticks(STEP_S)
    assert hangar.line.orders[-1] == "off"
    assert hangar.plug.ended == "not-planned"


@pytest.mark.parametrize(
    ("kind", "body", "why"),
    [
        ("switch-off", {}, "owner"),
        ("switch-lock", {}, "locked"),
        ("heater-said", {"on": False}, "said-off"),
        ("oil-out", {}, "oil-out"),
    ],
)
def test_a_persons_word_ends_it_between_two_ticks(
    hangar: Hangar, kind: str, body: dict[str, Any], why: str
) -> None:
    assert hangar.ask("switch-on")[0]
    hangar.ticks(STEP_S)
    assert hangar.line.orders[-1] == "on"
    assert hangar.ask(kind, **body)[0]
    assert hangar.line.orders[-1] == "off"
    assert hangar.plug.ended == why
    hangar.ticks(3 * STEP_S)
    assert hangar.line.orders[-1] == "off"
    assert hangar.words("switched-off") == []  # nobody is told what somebody wished


def test_a_lost_place_ends_it_and_is_told_in_quiet_hours_too(hangar: Hangar) -> None:
    assert hangar.ask("switch-on")[0]
    hangar.ticks(2 * STEP_S)
    hangar.probes.lost.add("cyl-2")
    hangar.ticks(STEP_S)
    assert hangar.line.orders[-1] == "off"
    subject, body = hangar.words("switched-off")[0]
    assert "cylinder 2 not measured" in subject
    assert "doesn't come on again by itself" in body
    hangar.probes.lost.clear()
    hangar.ticks(3 * STEP_S)
    assert hangar.line.orders[-1] == "off"


def test_heat_after_off_is_asked_about_as_harm_without_a_heat_up(hangar: Hangar) -> None:
    hangar.line.plug = replace(hangar.line.plug, on=True)
    hangar.line.order = lambda what, tick_s: hangar.line._tell()  # type: ignore[method-assign]
    hangar.ticks(2 * STEP_S)
    assert hangar.agent.status is not None
    alert = next(a for a in hangar.agent.status.alerts if a.kind == "still-warming")
    assert alert.harm
    subject, body = hangar.words("still-warming")[0]
    assert subject == "Magpie: off was said, still heating"
    assert "480 W" in body
    hangar.ticks(900.0)
    assert len(hangar.words("still-warming")) == 2


def test_nothing_is_switched_before_the_plugs_timer_was_tested(tmp_path: Path) -> None:
    made = Hangar(tmp_path, tested=False)
    made.ticks(2 * STEP_S)
    ok, text = made.ask("switch-on")
    assert not ok
    assert "test-plug-timer" in text
    made.agent.store.keep("plug-timer-tested", json.dumps({**passed(), "print": "of other settings"}))
    made.restart()
    made.ticks(2 * STEP_S)
    assert not made.ask("switch-on")[0]
    assert made.plug.test_old
    made.agent._finish()
    made.agent.store.close()


@pytest.mark.parametrize("kept", ["1800000000.0", '"of another version"', "{"])
def test_a_lock_outlives_a_restart_even_one_that_cant_be_read(hangar: Hangar, kept: str) -> None:
    hangar.agent.store.keep("switch-locked", kept)
    hangar.restart()
    hangar.ticks(2 * STEP_S)
    ok, text = hangar.ask("switch-on")
    assert not ok
    assert "someone is at the aircraft" in text
    assert hangar.plug.locked is not None
    assert not hangar.ask("switch-unlock")[0]
    assert hangar.ask("switch-unlock", nobody_there=True)[0]
    hangar.restart()
    hangar.ticks(STEP_S)
    assert hangar.plug.locked is None


@pytest.mark.parametrize("age_s", [61.0, -2.0])
def test_a_press_of_another_time_is_not_carried_out(hangar: Hangar, age_s: float) -> None:
    db = sqlite3.connect(hangar.folder / "probe-agent.db")
    made_at = time.time() - age_s
    row = ("late", made_at, "switch-on", "{}", time.time() + 3600)
    db.execute("INSERT INTO commands (id, made_at, kind, body, expires_at) VALUES (?, ?, ?, ?, ?)", row)
    db.commit()
    db.close()
    hangar.agent.answer_commands()
    hangar.ticks(STEP_S)
    assert "on" not in hangar.line.orders


def test_a_record_that_takes_nothing_lets_no_plan_switch(
    hangar: Hangar, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert hangar.ask("plan", start="2027-01-15T14:00", certainty="8/10")[0]
    plan = hangar.agent.status.plan if hangar.agent.status else None
    assert plan is not None
    assert plan.switch_on is not None

    def refuse(name: str, value: str) -> None:
        raise sqlite3.OperationalError("disk full")

    monkeypatch.setattr(hangar.agent.store, "keep", refuse)
    hangar.ticks(utc_seconds(plan.switch_on) - hangar.agent.clock.utc() + 3 * STEP_S)
    assert "on" not in hangar.line.orders
    assert hangar.words("not-switched")
