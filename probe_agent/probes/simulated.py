"""The simulated engine as a source: it stands where probes would be, and nothing else changes."""

from __future__ import annotations

import threading
from dataclasses import replace

from probe_agent.engine_sim import SimulatedEngine
from probe_agent.readings import Scan


class SimulatedSource:
    """Readings of a simulated engine; the address of a probe is its place (sump, cyl-1, …).

    The engine's time 0 is start_s [run seconds], or the first read if that is None. It lives only
    up to the latest read, so a clock that stands still or steps back leaves it as it is, and one
    that jumps finds it as much later. heater_measured: whether a scan tells the heater's power.
    """

    name = "simulated"
    deadline_s = 10.0

    def __init__(
        self, engine: SimulatedEngine, *, heater_measured: bool = True, start_s: float | None = None
    ) -> None:
        self.engine = engine
        self._heater_measured = heater_measured
        self._start_s = start_s
        self._lock = threading.Lock()  # a switch may act from another thread than the one that reads

    def next_at(self, now_s: float) -> float | None:
        return now_s

    def read(self, now_s: float) -> Scan:
        with self._lock:
            scan = self.engine.read(self._engine_s(now_s))
        samples = tuple(replace(sample, t_s=now_s) for sample in scan.samples)
        return Scan(now_s, samples, scan.heater if self._heater_measured else None)

    def set_heater(self, now_s: float, share: float) -> None:
        """Switch the heater at now_s [run seconds]: 0 off, 1 full power."""
        with self._lock:
            self.engine.advance_to(self._engine_s(now_s))
            self.engine.set_heater(share)

    def set_cover(self, now_s: float, on: bool) -> None:
        """Put the cover on or take it off at now_s [run seconds]."""
        with self._lock:
            self.engine.advance_to(self._engine_s(now_s))
            self.engine.set_cover(on)

    def close(self) -> None:
        """Nothing is held open."""

    def _engine_s(self, now_s: float) -> float:
        if self._start_s is None:
            self._start_s = now_s
        return now_s - self._start_s
