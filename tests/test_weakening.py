"""A heater, or its part at one place, that became weaker: seen on the simulated engine, and not seen
where only the days differ."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from probe_agent.archive import TickValues
from probe_agent.engine_sim import (
    DEMO_REQUIRED,
    Day,
    EngineDesign,
    Event,
    Happening,
    ProbeDesign,
    SetupDesign,
    SimulatedEngine,
)
from probe_agent.readings import Reading
from probe_agent.weakening import Warming, WarmingSeen, weakened

DAY_S = 86_400.0
EVEN = (1.0, 1.0, 1.0, 1.0)


class Aircraft:
    """One engine and harness, drawn by a seed, warmed on one day after the other."""

    def __init__(self, seed: int) -> None:
        self.rng = np.random.default_rng(seed)
        self.engine = EngineDesign.draw("opposed-4", self.rng)
        self.probes = tuple(ProbeDesign.draw(p, self.rng) for p in ("sump", *DEMO_REQUIRED, "ambient"))

    def warm(self, at: float, watts: float = 600.0, bands: Sequence[float] = EVEN) -> Warming:
        """The first 45 minutes of a heat-up of that day's weather, begun at `at`, a row a minute."""
        day = Day.draw(self.rng, ambient_c=float(self.rng.uniform(-12, -8)))
        setup = SetupDesign(watts=watts, band_spread=tuple(bands))
        on = Event(600.0, Happening.HEATER_ON)
        engine = SimulatedEngine(
            self.engine, setup, day, self.probes, (on,), seed=int(self.rng.integers(1 << 30))
        )
        seen = WarmingSeen(at, [p.place for p in self.probes if p.place != "ambient"])
        for t_s in range(0, 3300, 60):
            scan = engine.read(float(t_s))
            values = {s.address: s.value_c for s in scan.samples if isinstance(s, Reading)}
            seen.add(TickValues(t_s, at + t_s - 600.0, values, scan.heater))
        found = seen.result()
        assert found is not None
        return found

    def winter(self, mornings: int) -> list[Warming]:
        return [self.warm(i * 5 * DAY_S) for i in range(mornings)]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_heater_that_gives_a_fifth_less_is_seen_after_three_mornings(seed: int) -> None:
    aircraft = Aircraft(seed)
    good = aircraft.winter(12)
    for k in range(len(good) + 1):
        assert weakened(good[:k]) == (), "days differ, the heater does not"
    weak = [aircraft.warm((12 + i) * 5 * DAY_S, watts=0.78 * 600) for i in range(3)]
    assert weakened([*good, *weak[:2]]) == ()
    (said,) = weakened([*good, *weak])
    assert said.startswith("at like cold everything warms ")
    percent = int(said.split(" % ")[0].split()[-1])
    assert 15 <= percent <= 29
    colder = [replace(w, cold_c=w.cold_c - 10) for w in weak]
    assert weakened([*good, *colder]) == (), "another cold can't be compared"
    soon = [replace(w, at=i * DAY_S) for i, w in enumerate([*good, *weak])]
    assert weakened(soon) == (), "nothing of a month ago to compare with"


@pytest.mark.parametrize("seed", [4, 5])
def test_a_band_that_comes_loose_is_named(seed: int) -> None:
    aircraft = Aircraft(seed)
    good = aircraft.winter(5)
    loose = [aircraft.warm((5 + i) * DAY_S, bands=(1.0, 1.0, 0.2, 1.0)) for i in range(3)]
    (said,) = weakened([*good, *loose])
    assert said.startswith("cylinder 3 gets ")
    side = [aircraft.warm((8 + i) * DAY_S, bands=(0.15, 1.0, 0.15, 1.0)) for i in range(3)]
    (said,) = weakened([*good, *side])
    assert said.startswith("cylinder 1 and cylinder 3 get ")


def test_a_warming_needs_heat_that_lasts_and_readings_at_both_ends() -> None:
    def seen(
        shares: Sequence[float], lost_after_s: float = 1e9, places: Sequence[str] = ("a",)
    ) -> Warming | None:
        found = WarmingSeen(0.0, places)
        for i, share in enumerate(shares):
            t_s = 60.0 * i - 120.0
            values = {"a": -10.0 + max(t_s, 0.0) / 360 * share} if t_s <= lost_after_s else {}
            found.add(TickValues(i, t_s, values, share))
        return found.result()

    full = seen([1.0] * 60)
    assert full is not None
    assert full.cold_c == -10.0
    assert full.rates_c_per_h == {"a": pytest.approx(10.0)}
    half = seen([0.5] * 60)
    assert half is not None
    assert half.rates_c_per_h == {"a": pytest.approx(10.0)}, "told at full heat"
    assert seen([1.0] * 30 + [0.0] * 30) is None, "it stopped"
    assert seen([1.0] * 60, lost_after_s=1500.0) is None
    assert seen([1.0] * 60, places=("b",)) is None
    assert seen([]) is None
