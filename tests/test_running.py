"""Whether the engine itself runs: by drawn curves of its cylinders, and by the simulated engine."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from probe_agent.engine_sim import (
    HEATER_KINDS,
    LAYOUTS,
    Day,
    EngineDesign,
    Event,
    Happening,
    HeaterKind,
    Layout,
    ProbeDesign,
    Profile,
    SetupDesign,
    SimulatedEngine,
)
from probe_agent.readings import Observation, Reading, SignKind
from probe_agent.thermal.running import Running

PLACES = ("cyl-1", "cyl-2", "case-nose", "sump")
COLD = Day(ambient_c=Profile.constant(-15.0))


def seen(curves: dict[str, list[float]], every_s: float = 15.0) -> list[tuple[float, SignKind | None]]:
    """Each change of the sign and when it came."""
    running, out = Running(PLACES), []
    for k in range(len(next(iter(curves.values())))):
        row = {p: values[k] for p, values in curves.items() if values[k] == values[k]}
        if running.take(Observation(every_s * k, row)):
            out.append((every_s * k, running.sign.kind if running.sign else None))
    return out


def line(rate_per_min: float, rows: int = 40, from_row: int = 10) -> list[float]:
    return [-10.0 + rate_per_min * max(0, k - from_row) / 4 for k in range(rows)]


def test_all_cylinders_rising_as_no_heater_can_is_a_run_and_one_alone_is_not() -> None:
    still = line(0.0)
    fast = {"cyl-1": line(10), "cyl-2": line(9), "case-nose": still, "sump": still}
    ((at_s, kind),) = seen(fast)
    assert kind is SignKind.ENGINE_RUNS
    assert at_s - 150.0 < 120.0
    assert seen({**fast, "cyl-2": still}) == []
    assert seen({"cyl-1": line(10), "case-nose": still, "sump": still}) == []
    assert seen({"cyl-1": line(4), "cyl-2": line(4), "case-nose": still, "sump": still}) == []


def test_a_harness_plugged_in_on_a_hot_engine_is_no_run() -> None:
    nan = float("nan")
    hot = [nan] * 10 + [90.0 - 0.1 * k for k in range(30)]
    assert seen({"cyl-1": hot, "cyl-2": hot, "case-nose": hot, "sump": hot}) == []


def test_it_ends_with_the_fall_and_is_over_when_all_places_are_even() -> None:
    rise = line(10, 50)
    top = rise[-1]
    fall = [top - 0.5 * k for k in range(1, 200)]
    even = [20.0] * 249
    changes = seen({"cyl-1": rise + fall, "cyl-2": rise + fall, "case-nose": even, "sump": even})
    assert [kind for _, kind in changes] == [SignKind.ENGINE_RUNS, SignKind.ENGINE_RAN, None]


def by_the_simulated_engine(
    layout: Layout, setup: SetupDesign, events: tuple[Event, ...], hours: float
) -> list[tuple[float, SignKind | None]]:
    rng = np.random.default_rng(3)
    probes = tuple(ProbeDesign.draw(p, rng) for p in PLACES)
    engine = SimulatedEngine(EngineDesign.nominal(layout), setup, COLD, probes, events)
    running, out = Running(PLACES), []
    for t_s in np.arange(0.0, hours * 3600, 15.0).tolist():
        row = {s.address: s.value_c for s in engine.read(t_s).samples if isinstance(s, Reading)}
        if running.take(Observation(t_s, row)):
            out.append((t_s, running.sign.kind if running.sign else None))
    return out


@pytest.mark.parametrize("heater", HEATER_KINDS)
def test_no_heater_at_twice_its_watts_looks_like_a_run(heater: HeaterKind) -> None:
    design = SetupDesign.draw(heater, np.random.default_rng(1))
    twice = 1.0 if heater == "combustion" else 2.0
    strong = replace(design, watts=twice * design.watts, cover=True, plugs=True)
    assert by_the_simulated_engine("opposed-4", strong, (Event(60.0, Happening.HEATER_ON),), 1.0) == []


@pytest.mark.parametrize("layout", LAYOUTS)
def test_a_run_is_seen_within_two_minutes_and_to_its_end(layout: Layout) -> None:
    events = (Event(600.0, Happening.ENGINE_STARTS), Event(1200.0, Happening.ENGINE_STOPS))
    changes = by_the_simulated_engine(layout, SetupDesign(), events, 1.0)
    (runs_s, runs), (ran_s, ran) = changes[:2]
    assert (runs, ran) == (SignKind.ENGINE_RUNS, SignKind.ENGINE_RAN)
    assert 600.0 < runs_s <= 720.0
    assert 1200.0 < ran_s <= 1500.0
