"""Heater, relay and what is told of them (section E), on the simulated engine: a plant that knows nothing of
the daemon's model. E1 and E3 are in test_switch_faults.py and test_switch_histories.py, where the relay
itself is looked at; E5 in tests/scenarios/test_nights.py."""

from __future__ import annotations

import json
import sqlite3
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent.parent))

import scripted
from scripted import open_agent, tick_until
from test_switchman import TEXT, FakeLine, Inbox, passed

from probe_agent.agent import Agent
from probe_agent.engine_sim import (
    Day,
    EngineDesign,
    Event,
    Happening,
    ProbeDesign,
    Profile,
    SetupDesign,
    SimulatedEngine,
)
from probe_agent.probes.simulated import SimulatedSource
from probe_agent.store import ask, await_answer

ON_S = 600.0
STEP_S = 240.0
PLACES = ("cyl-1", "cyl-2", "case-nose", "ambient")
ON, OFF, FAILS = Happening.HEATER_ON, Happening.HEATER_OFF, Happening.HEATER_FAILS


def plant(events: Sequence[tuple[float, Happening]], setup: SetupDesign | None = None) -> SimulatedEngine:
    """A cold opposed four at minus ten; what really happens to its heater."""
    calm = Day(ambient_c=Profile((0.0,), (-10.0,)), fit=1.2)
    probes = tuple(ProbeDesign(p) for p in PLACES)
    made = setup or replace(SetupDesign(watts=700.0), lead_loss=0.03, cover_w_per_k=8.0)
    happened = tuple(Event(t_s, what, "") for t_s, what in events)
    return SimulatedEngine(
        EngineDesign.nominal("opposed-4"), made, calm, probes, happened, start="cold", seed=5
    )


class Shed:
    """The daemon on the plant, with a plug that says what its relay was told."""

    def __init__(self, folder: Path, engine: SimulatedEngine, power_w: float | None = 480.0) -> None:
        self.folder, self.line = folder, FakeLine()
        text = TEXT if power_w is not None else TEXT.partition("power_topic")[0]
        if power_w is None:
            self.line._tell = lambda: None  # type: ignore[method-assign]
        else:
            self.line.power_w = power_w
        first = self._open(folder, engine, text)
        first.store.keep("plug-timer-tested", json.dumps(passed_for(text)))
        first.store.close()
        self.agent = self._open(folder, engine, text)

    def _open(self, folder: Path, engine: SimulatedEngine, text: str) -> Agent:
        source: Any = SimulatedSource(engine, heater_measured=False, start_s=0.0)
        return open_agent(
            folder, source, scripted.START_UTC, 0.0, text=text, messages=Inbox(), line=self.line
        )

    def until(self, t_s: float) -> None:
        tick_until(self.agent, t_s, STEP_S)

    def ask(self, kind: str, **body: Any) -> tuple[bool, str]:
        file = self.folder / "probe-agent.db"
        command = ask(file, kind, body)
        self.agent.answer_commands()
        told = json.loads(await_answer(file, command) or "{}")
        return bool(told["ok"]), str(told["text"])

    @property
    def alerts(self) -> list[str]:
        assert self.agent.status is not None
        return [a.kind for a in self.agent.status.alerts]

    def since(self, kind: str, from_s: float, to_s: float) -> float:
        """When an alert is first there, a tick at a time [run s]. Raises AssertionError."""
        t_s = from_s
        while kind not in self.alerts:
            t_s += STEP_S
            assert t_s <= to_s, (self.alerts, self.agent.status)
            self.until(t_s)
        return t_s

    def words(self, kind: str) -> list[str]:
        """Subjects of a kind in the outbox, withdrawn or not."""
        db = sqlite3.connect(self.folder / "probe-agent.db")
        rows = db.execute(
            "SELECT payload FROM outbox WHERE dedupe_key LIKE ? || '%' ORDER BY message", (kind,)
        ).fetchall()
        db.close()
        return [json.loads(payload)["subject"] for (payload,) in rows]


def passed_for(text: str) -> dict[str, object]:
    """The record of a timer test passed under these settings."""
    from probe_agent.config import parse_settings
    from probe_agent.switchman import print_of

    return {**passed(), "print": print_of(parse_settings(text.encode(), "test.toml"))}


def switched_on(shed: Shed) -> None:
    shed.until(ON_S)
    done, text = shed.ask("switch-on")
    assert done, text
    shed.until(ON_S + 2 * STEP_S)
    assert shed.line.orders[-1] == "on"


# -- E2


@pytest.mark.long  # in the ordinary run: test_switchman.py and test_switching.py, -k "after_off"
@pytest.mark.parametrize("power_w", [480.0, None])
def test_a_welded_relay_is_an_alarm_and_an_open_one_is_none(tmp_path: Path, power_w: float | None) -> None:
    """E2: off is said, the plug says off, and the engine warms on: seen by its power at once, else by the
    curve. The same with a relay that opens raises nothing."""
    off_s = ON_S + 1800.0
    (tmp_path / "welded").mkdir()
    welded = Shed(tmp_path / "welded", plant([(ON_S, ON)]), power_w)
    switched_on(welded)
    welded.until(off_s)
    assert welded.ask("switch-off")[0]
    if power_w is not None:
        welded.line._tell = lambda: keep_drawing(welded.line, power_w)  # type: ignore[method-assign]
    at_s = welded.since("still-warming", off_s, off_s + 1800.0)
    took_s = at_s - off_s
    print(f"\nstill warming: said {took_s / 60:.0f} min after off")
    assert took_s <= (2 * STEP_S if power_w is not None else 1800.0)
    assert welded.line.orders[-1] == "off"
    assert welded.words("still-warming") == ["Magpie: off was said, still heating"]
    (tmp_path / "opens").mkdir()
    opens = Shed(tmp_path / "opens", plant([(ON_S, ON), (off_s, OFF)]), power_w)
    switched_on(opens)
    opens.until(off_s)
    assert opens.ask("switch-off")[0]
    opens.until(off_s + 3600.0)
    assert "still-warming" not in opens.alerts
    assert opens.words("still-warming") == []


def keep_drawing(line: FakeLine, power_w: float) -> None:
    from probe_agent.clock import awake_and_asleep_s

    line.plug = replace(line.plug, power_w=power_w, power_s=awake_and_asleep_s() + 120.0)


# -- E4


@pytest.mark.parametrize("power_w", [480.0, pytest.param(None, marks=pytest.mark.long)])
def test_heat_that_warms_no_probe_is_ended_and_asked_about(tmp_path: Path, power_w: float | None) -> None:
    """E4: the plug is on, and no probe rises: heater beside the engine, or probes that don't tell."""
    shed = Shed(tmp_path, plant([(ON_S, FAILS), (ON_S, ON)]), power_w)
    switched_on(shed)
    at_s = shed.since("no-rise", shed.agent.clock.monotonic(), ON_S + 3600.0)
    print(f"\nno rise: said {(at_s - ON_S) / 60:.0f} min after on")
    assert 2700.0 <= at_s - ON_S <= 2700.0 + 5 * STEP_S
    assert shed.line.orders[-1] == "off"
    assert shed.agent.status is not None
    assert shed.agent.status.plug is not None
    assert shed.agent.status.plug.ended == "no-rise"
    shed.until(at_s + 1000.0)
    assert shed.words("no-rise") == ["Magpie: heater on, no probe warmer, now off"] * 2
    (alert,) = [a for a in shed.agent.status.alerts if a.kind == "no-rise"]
    assert shed.ask("answer-alert", alert=alert.id, answer="seen")[0]
    shed.until(at_s + 3600.0)
    assert len(shed.words("no-rise")) == 2, "answered: not asked again"
    assert shed.words("switched-off") == []


@pytest.mark.long  # in the ordinary run: test_switching.py, -k rise
@pytest.mark.parametrize(
    "setup",
    [SetupDesign("cowl-heater", 250.0), SetupDesign("fixed-pad", 150.0), SetupDesign("fixed-pad", 100.0)],
)
def test_a_small_heater_that_warms_is_no_alarm(tmp_path: Path, setup: SetupDesign) -> None:
    """E4, the other side: heaters far too small for this engine still raise some probe in time."""
    shed = Shed(tmp_path, plant([(ON_S, ON)], setup))
    switched_on(shed)
    shed.until(ON_S + 3600.0)
    assert shed.agent.status is not None
    rise_c = max(p.c for p in shed.agent.status.probes if p.c is not None) + 10.0
    print(f"\n{setup.heater} of {setup.watts:.0f} W: {rise_c:.1f} °C in an hour")
    assert "no-rise" not in shed.alerts
    assert shed.words("no-rise") == []
