"""The real daemon on the simulated engine with a clock that jumps, as a process of its own.

    python night_daemon.py SPEC.json

It lives from one instant to the next as it is told on standard input: "until SECONDS" (of the engine's
time; it answers "at SECONDS" once it is there) and "end" (a planned stop). While it waits it answers
commands; before each jump it lets the couriers try what waits.
"""

from __future__ import annotations

import json
import math
import sqlite3
import sys
import threading
import time
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal

from probe_agent.agent import plan_from_settings
from probe_agent.cli import assemble
from probe_agent.clock import SimulatedClock
from probe_agent.config import load_settings
from probe_agent.engine_sim import (
    DEMO_REQUIRED,
    Day,
    EngineDesign,
    Event,
    Flown,
    Happening,
    ProbeDesign,
    Profile,
    SetupDesign,
    SimulatedEngine,
)
from probe_agent.probes.simulated import SimulatedSource


class LedClock(SimulatedClock):
    """Jumps from tick to tick, and stands still where it was told to."""

    def __init__(self, spec: dict[str, Any], store: Path) -> None:
        super().__init__(spec["start_utc"], math.inf, 0.0)
        self._engine_s, self._store = spec["engine_s"], store
        self._wrong: tuple[float, float] = spec["wrong"] or (-math.inf, 0.0)
        self._believed: bool = spec["believed"]
        self._until_s = -math.inf
        self._ended = threading.Event()

    def _is_right(self) -> bool:
        return self.monotonic() + self._engine_s >= self._wrong[0]

    def utc_is_known(self) -> bool:
        return self._believed or self._is_right()

    def utc_offset_s(self) -> float:
        return super().utc_offset_s() + (0.0 if self._is_right() else self._wrong[1])

    def utc(self) -> float:
        return self.monotonic() + self.utc_offset_s()

    def wait_until(self, t_s: float, wake: threading.Event) -> None:
        while not wake.is_set() and t_s > self._until_s:
            self._settle()
            if self._until_s > -math.inf:
                super().wait_until(self._until_s, wake)
                print(f"at {self._until_s + self._engine_s:.0f}", flush=True)
            word, _, number = sys.stdin.readline().partition(" ")
            if word != "until":
                wake.set()
                return
            self._until_s = float(number) - self._engine_s
        self._settle()
        super().wait_until(t_s, wake)

    def _settle(self) -> None:
        """Wait until each message in the outbox was tried."""
        if not self._store.exists():
            return
        db = sqlite3.connect(self._store)
        try:
            deadline, pause = time.monotonic() + 20, threading.Event()
            while (
                time.monotonic() < deadline
                and db.execute(
                    "SELECT 1 FROM outbox WHERE delivered_at IS NULL AND dropped_reason IS NULL AND tries = 0"
                ).fetchone()
            ):
                pause.wait(0.01)
        finally:
            db.close()


def engine(spec: dict[str, Any]) -> SimulatedEngine:
    """Strong pads and bands on an opposed four under cover and plugs, where the spec says nothing else."""
    events = tuple(Event(t_s, Happening(what), place) for t_s, what, place in spec["events"])
    weather = Day(
        ambient_c=course(spec["air_c"]),
        wind_m_s=course(spec["wind_m_s"]),
        sun_w=course(spec["sun_w"]),
        fit=1.2,
    )
    probes = tuple(ProbeDesign(p) for p in ("sump", *DEMO_REQUIRED, "ambient"))
    setup = replace(SetupDesign(watts=spec["watts"], lead_loss=0.03, cover_w_per_k=8.0), **spec["setup"])
    design = EngineDesign.nominal("opposed-4")
    start: Literal["cold"] | Flown = "cold" if spec["flown_h"] is None else Flown(spec["flown_h"])
    return SimulatedEngine(design, setup, weather, probes, events, start=start, seed=spec["seed"])


def course(points: list[tuple[float, float]]) -> Profile:
    """A quantity over the engine's time."""
    return Profile(tuple(t_s for t_s, _ in points), tuple(value for _, value in points))


def main() -> None:
    spec = json.loads(Path(sys.argv[1]).read_text("utf-8"))
    settings = load_settings(Path(spec["settings"]))
    source = SimulatedSource(engine(spec), heater_measured=spec["measured"], start_s=-spec["engine_s"])
    clock = LedClock(spec, Path(settings.store.file))
    agent = assemble(settings, plan_from_settings(settings), clock, [source])
    agent.run(threading.Event())
    agent.store.close()


if __name__ == "__main__":
    main()
