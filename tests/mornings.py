"""Several mornings of one simulated aircraft, lived by the daemon's heart over a real store."""

from __future__ import annotations

import math
import threading
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import msgspec

from probe_agent.agent import Agent, plan_from_settings
from probe_agent.cli import demo_settings
from probe_agent.clock import SimulatedClock
from probe_agent.config import Settings
from probe_agent.engine_sim import (
    DEMO_REQUIRED,
    Day,
    EngineDesign,
    Event,
    Happening,
    ProbeDesign,
    Profile,
    SetupDesign,
    SimulatedEngine,
)
from probe_agent.migrations import migrate
from probe_agent.probes.simulated import SimulatedSource
from probe_agent.store import Store

START_UTC = 1_800_000_000.0
DAY_S = 86_400.0
ON_S, OFF_S = 3600.0, 3600.0 + 80 * 60.0
"""Heater on and off, from the start of each morning; the target is passed after some 70 to 75 min."""


def engine(
    mornings: int,
    more: Sequence[Event] = (),
    probes: Sequence[ProbeDesign] = (),
    off_s: float = OFF_S,
) -> SimulatedEngine:
    """Pads and bands on an opposed four under cover and plugs at some minus 10 °C, heated once a day."""
    events = [
        Event(day * DAY_S + at, what)
        for day in range(mornings)
        for at, what in ((ON_S, Happening.HEATER_ON), (off_s, Happening.HEATER_OFF))
    ]
    hours = [3600.0 * h for h in range(24 * mornings + 1)]
    air = Profile(tuple(hours), tuple(-10 + 3 * math.sin(h / 13_751) for h in hours))
    weather = Day(ambient_c=air, wind_m_s=Profile.constant(2.0), fit=1.4)
    own = {p.place: p for p in probes}
    drawn = [own.get(p, ProbeDesign(p)) for p in ("sump", *DEMO_REQUIRED, "ambient")]
    setup = SetupDesign(watts=700.0, lead_loss=0.05, cover_w_per_k=8.0)
    plain = EngineDesign.nominal("opposed-4")
    events = sorted([*events, *more], key=lambda e: e.t_s)
    return SimulatedEngine(replace(plain), setup, weather, tuple(drawn), tuple(events), seed=5)


def settings_in(folder: Path) -> Settings:
    """The demo's aircraft, its data in a folder."""
    settings = demo_settings(folder)
    sampling = msgspec.structs.replace(settings.sampling, interval_s=60.0)
    return msgspec.structs.replace(settings, sampling=sampling)


def open_agent(
    folder: Path,
    source: SimulatedSource,
    start_s: float = 0.0,
    settings: Settings | None = None,
    **more: object,
) -> Agent:
    """The daemon's heart on that source, its clock jumping from tick to tick."""
    settings = settings or settings_in(folder)
    file = Path(settings.store.file)
    migrate(file)
    clock = SimulatedClock(START_UTC + start_s, math.inf, start_s)
    return Agent(settings, plan_from_settings(settings), clock, [source], Store(file), **more)  # type: ignore[arg-type]


def live_until(agent: Agent, until_s: float, step_s: float = 60.0) -> None:
    """Tick each step_s up to a run second."""
    never = threading.Event()
    while agent.clock.monotonic() < until_s:
        agent.clock.wait_until(agent.clock.monotonic() + step_s, never)
        agent.tick()


def live_mornings(agent: Agent, days: Sequence[int], span_s: float = OFF_S + 75 * 60.0) -> None:
    """These days: a tick in three minutes around the heat-up, one in two hours for the rest of the day."""
    for day in days:
        live_until(agent, day * DAY_S + ON_S - 900.0, 900.0)
        live_until(agent, day * DAY_S + span_s, 180.0)
        live_until(agent, (day + 1) * DAY_S - 1800.0, 10_800.0)


def close(agent: Agent) -> None:
    """Commit what is held and end, as at the daemon's end."""
    agent._finish()
    agent.store.close()
