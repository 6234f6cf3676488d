"""A source that follows a script, for tests of the daemon: it honours the protocol and nothing else."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Mapping
from pathlib import Path

import msgspec

from probe_agent.agent import Agent, plan_from_settings
from probe_agent.clock import SimulatedClock
from probe_agent.config import Settings, parse_settings
from probe_agent.migrations import migrate
from probe_agent.readings import Fault, ProbeFault, Reading, Scan
from probe_agent.store import Store

START_UTC = 1_800_000_000.0
INTERVAL_S = 15.0

Script = Callable[[float], Mapping[str, float | Fault]]

SETTINGS = """
[aircraft]
name = "Magpie"
zone = "UTC"
[limits]
need_below_c = -1.0
target_c = 7.0
[[places]]
name = "cyl-1"
required = true
[[places]]
name = "cyl-2"
required = true
[[places]]
name = "case-nose"
required = true
[[places]]
name = "ambient"
[[setups]]
name = "winter"
heater = "pads-and-bands"
watts = 650
cover = true
cowl_plugs = true
"""


class ScriptedSource:
    """Temperatures, or faults, of each address as a function of run seconds."""

    name = "simulated"
    deadline_s = 1.0

    def __init__(self, script: Script, heater: Callable[[float], float | None] = lambda t_s: None) -> None:
        self.script, self.heater = script, heater
        self.closed = False

    def next_at(self, now_s: float) -> float | None:
        return now_s

    def read(self, now_s: float) -> Scan:
        samples = tuple(
            ProbeFault(address, now_s, value)
            if isinstance(value, Fault)
            else Reading(address, now_s, raw_c=value, value_c=value)
            for address, value in self.script(now_s).items()
        )
        return Scan(now_s, samples, self.heater(now_s))

    def close(self) -> None:
        self.closed = True


def settings_in(folder: Path, text: str = SETTINGS) -> Settings:
    """Settings whose store and status document lie in a folder of the test."""
    settings = parse_settings(text.encode(), "test.toml")
    place = msgspec.structs.replace(
        settings.store, file=str(folder / "probe-agent.db"), runtime_dir=str(folder)
    )
    return msgspec.structs.replace(settings, store=place)


def open_agent(
    folder: Path,
    source: ScriptedSource,
    start_utc: float = START_UTC,
    start_s: float = 0.0,
    text: str = SETTINGS,
    **more: object,
) -> Agent:
    """A daemon's heart over a real store, its clock jumping from tick to tick."""
    settings = settings_in(folder, text)
    file = Path(settings.store.file)
    migrate(file)
    clock = SimulatedClock(start_utc, math.inf, start_s)
    return Agent(settings, plan_from_settings(settings), clock, [source], Store(file), **more)  # type: ignore[arg-type]


def warming(rate_c_per_h: float = 9.0, start_c: float = -10.0, on_s: float = 600.0) -> Script:
    """Three points and the air: at rest until on_s, then rising in a slowing curve."""

    def script(t_s: float) -> Mapping[str, float | Fault]:
        since_h = max(t_s - on_s, 0.0) / 3600
        rise = 30.0 * (1 - math.exp(-since_h * rate_c_per_h / 30.0))
        return {
            "cyl-1": round(4 * (start_c + rise)) / 4,
            "cyl-2": round(4 * (start_c + 0.9 * rise)) / 4,
            "case-nose": round(4 * (start_c + 0.85 * rise)) / 4,
            "ambient": start_c,
        }

    return script


def tick_until(agent: Agent, until_s: float, step_s: float = INTERVAL_S) -> None:
    """Tick each step_s until a run second."""
    never = threading.Event()
    while agent.clock.monotonic() < until_s:
        agent.clock.wait_until(agent.clock.monotonic() + step_s, never)
        agent.tick()
