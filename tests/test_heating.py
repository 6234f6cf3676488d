"""Whether the heater warms: stops, resumptions, starts found in the curve, and what only looks like one."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from probe_agent.engine_sim import (
    Day,
    EngineDesign,
    Event,
    Happening,
    ProbeDesign,
    SetupDesign,
    SimulatedEngine,
)
from probe_agent.readings import Forecast, Observation, Reading
from probe_agent.thermal.described import observation_of
from probe_agent.thermal.estimator import Estimator
from probe_agent.thermal.evidence import Checkpoint, Evidence, Rows, weigh
from probe_agent.thermal.heating import HeaterMode, Heating
from probe_agent.thermal.prior import engine_prior
from probe_agent.thermal.recognition import is_heaters

PLACES = ("case-nose", "cyl-1", "cyl-2", "sump")
PRIOR = engine_prior("opposed-4", "air", "pads-and-bands", 650.0, True, True, "outside", PLACES, ("sump",))
RNG = np.random.default_rng(11)


# -- the evidence, on responses written down


RATES = np.array([8.0, 12.0, 12.0, 20.0]) / 3600.0


def checkpoint() -> Checkpoint:
    """Places that rise evenly with the heater on, fall slowly with it off, and lose more in wind."""
    at_s = np.linspace(0.0, 3600.0, 49)
    ramp = np.maximum(at_s - 120.0, 0.0)[:, None]
    start = np.array([2.0, 5.0, 5.0, 12.0])
    off = start - 0.0002 * start * at_s[:, None]
    on = off + ramp * RATES
    windy = on - 0.4 * 0.0002 * start * at_s[:, None]
    none = np.zeros(4)
    return Checkpoint(0.0, at_s, on, off, windy, none, none + 0.1, 240.0, 6.0)


def rows_of(curve: Callable[[np.ndarray], np.ndarray], upto_s: float, noise_c: float = 0.1) -> Rows:
    t_s = np.arange(15.0, upto_s, 15.0)
    value = curve(t_s)
    value = np.round((value + noise_c * RNG.standard_normal(value.shape)) * 4) / 4
    return Rows(t_s, value, np.full(value.shape, 0.15))


def weighed(rows: Rows, was_on: bool = True) -> Evidence:
    found = weigh(checkpoint(), rows, np.ones(4), 0.0, was_on)
    assert found is not None
    return found


def test_a_stop_is_found_at_its_instant() -> None:
    point = checkpoint()

    def stopped(t_s: np.ndarray) -> np.ndarray:
        return point.ahead(point.on, t_s) - point.response(t_s, 400.0)

    found = weighed(rows_of(stopped, 1200.0))
    assert found.log_odds > 6
    assert found.changed_s == pytest.approx(400.0, abs=120.0)
    assert found.seen == pytest.approx(1.0, abs=0.25)


def test_a_resumption_is_found_at_its_instant() -> None:
    point = checkpoint()

    def resumed(t_s: np.ndarray) -> np.ndarray:
        return point.ahead(point.off, t_s) + point.response(t_s, 300.0)

    found = weighed(rows_of(resumed, 1200.0), was_on=False)
    assert found.log_odds > 6
    assert found.changed_s == pytest.approx(300.0, abs=120.0)


def test_what_goes_on_is_no_stop() -> None:
    point = checkpoint()
    said = [weighed(rows_of(lambda t_s: point.ahead(point.on, t_s), upto)) for upto in range(120, 2400, 60)]
    assert max(e.log_odds for e in said) < 3


def test_wind_is_no_stop() -> None:
    """Losses that triple bend all places, each by its own loss."""
    point = checkpoint()

    def blown(t_s: np.ndarray) -> np.ndarray:
        return point.ahead(point.on, t_s) + math.log(3.0) / 0.4 * point.ahead(point.windy - point.on, t_s)

    assert weighed(rows_of(blown, 900.0)).log_odds < 3


def test_a_tenth_less_power_is_no_stop() -> None:
    point = checkpoint()

    def weak(t_s: np.ndarray) -> np.ndarray:
        return point.ahead(point.on, t_s) - 0.1 * point.response(t_s, 0.0)

    assert weighed(rows_of(weak, 1500.0)).log_odds < 3


@pytest.mark.parametrize("place", range(4))
def test_a_place_that_comes_off_is_no_stop(place: int) -> None:
    point = checkpoint()

    def loose(t_s: np.ndarray) -> np.ndarray:
        value = point.ahead(point.on, t_s)
        gone = 1 - np.exp(-np.maximum(t_s - 300.0, 0.0) / 60.0)
        value[:, place] -= gone * (value[:, place] + 6.0)
        return value

    assert weighed(rows_of(loose, 1200.0)).log_odds < 3


def test_too_few_rows_say_nothing() -> None:
    point = checkpoint()
    assert weigh(point, rows_of(lambda t_s: point.ahead(point.on, t_s), 40.0), np.ones(4), 0.0, True) is None


# -- what is made of it


def evidence(now_s: float, changed_s: float) -> Evidence:
    return Evidence(changed_s - 300.0, changed_s, 20.0, 1.0, 0.1)


def heating(mode: HeaterMode = "command") -> Heating:
    found = Heating(mode, PRIOR)
    found.take(Observation(0.0, {"cyl-1": 0.0}, heater=1.0), ())
    return found


def test_a_short_pause_is_no_stop_and_pauses_seen_before_are_waited_for() -> None:
    h = heating()
    assert h.judge(evidence(1100.0, 1000.0), 1100.0) is None
    for begin in (1000.0, 2000.0):
        assert h.judge(evidence(begin + 200.0, begin), begin + 200.0) == "changed"
        assert h.heating is False
        assert h.judge(evidence(begin + 450.0, begin + 400.0), begin + 450.0) == "changed"
        assert h.heating is True
    assert h.judge(evidence(3500.0, 3000.0), 3500.0) is None  # such pauses were there before
    assert h.judge(evidence(3700.0, 3000.0), 3700.0) == "changed"


def test_the_curve_does_not_switch_on_what_is_switched_off() -> None:
    h = heating()
    h.take(Observation(600.0, {"cyl-1": 5.0}, heater=0.0), ())
    assert h.judge(evidence(1800.0, 1200.0), 1800.0) is None
    assert h.heating is False


def heated_by(shares: Sequence[float]) -> Heating:
    """A row a minute, the heater's power measured."""
    found = Heating("measured", PRIOR)
    for k, share in enumerate(shares):
        found.take(Observation(60.0 * k, {"cyl-1": 0.1 * k}, heater=share), ())
    return found


@pytest.mark.parametrize(
    ("shares", "mean"),
    [
        ([0.0] * 30, None),
        ([0.0] * 30 + [0.86] * 60, 0.86),
        ([0.9] * 40 + [0.8] * 40 + [0.0] * 60, 0.85),
        ([0.9] * 40 + [0.0] * 10 + [0.9] * 40, 0.9),  # interrupted once: no thermostat
        ([0.9] * 30 + ([0.0] * 10 + [0.9] * 20) * 3, 0.9 * 0.75),
        ([0.9] * 30 + [0.0] * 120 + [0.7] * 30, 0.7),  # another heat-up
    ],
)
def test_what_a_heat_up_was_heated_with_counts_a_thermostats_pauses(
    shares: list[float], mean: float | None
) -> None:
    found = heated_by(shares).mean_share()
    assert found == (None if mean is None else pytest.approx(mean, rel=0.01))


def test_part_of_the_heating_gone_is_no_stop() -> None:
    h = heating()
    assert h.judge(replace(evidence(2000.0, 1000.0), seen=0.4), 2000.0) is None


# -- is it a heater's


def rows(
    curve: Callable[[float], Sequence[float]], upto_s: float, ambient_c: float | None
) -> list[Observation]:
    return [
        Observation(t, dict(zip(PLACES, curve(t), strict=True)), ambient_c)
        for t in np.arange(-900.0, upto_s, 15.0)
    ]


def test_a_place_far_ahead_of_others_that_follow_is_heated() -> None:
    def pad(t_s: float) -> Sequence[float]:
        t = max(0.0, t_s)
        return -10 + 0.0008 * t, -10 + 0.001 * t, -10 + 0.001 * t, -10 + 10 * (1 - math.exp(-t / 300))

    assert is_heaters(rows(pad, 600.0, None), 0.0, 60.0, 0.15)


def test_one_place_alone_is_not() -> None:
    """It may have come off into warmer air, or stand in the sun."""

    def alone(t_s: float) -> Sequence[float]:
        return -10, -10, -10, -10 + 10 * (1 - math.exp(-max(0.0, t_s) / 300))

    assert not is_heaters(rows(alone, 1500.0, -10.0), 0.0, 60.0, 0.15)


@pytest.mark.parametrize(
    ("c_per_h", "ambient_c", "is_one"), [(13, None, False), (13, -8, True), (13, 12, False)]
)
def test_all_places_alike_may_be_the_air(c_per_h: float, ambient_c: float | None, is_one: bool) -> None:
    def all_alike(t_s: float) -> Sequence[float]:
        return [-10 + c_per_h / 3600 * max(0.0, t_s)] * 4

    said = any(is_heaters(rows(all_alike, upto, ambient_c), 0.0, 60.0, 0.15) for upto in range(300, 3000, 60))
    assert said is is_one


def test_what_warmer_metal_feeds_is_not() -> None:
    """After landing the sump rises while the cylinders fall."""

    def landed(t_s: float) -> Sequence[float]:
        t = max(0.0, t_s)
        return 40 + 0.003 * t, 90 - 0.01 * t, 92 - 0.01 * t, 30 + 0.01 * t

    assert not is_heaters(rows(landed, 1200.0, 5.0), 0.0, 60.0, 0.15)


# -- on the simulated engine


ON_S, FAILS_S, MENDS_S, END_S = 900.0, 4500.0, 5400.0, 7200.0


@cache
def simulated(what: str) -> tuple[Observation, ...]:
    """Two hours with a row in 30 s; the row's heater is what is commanded."""
    events: tuple[Event, ...] = (Event(ON_S, Happening.HEATER_ON),)
    if what in ("stop", "pause"):
        events += (Event(FAILS_S, Happening.HEATER_FAILS),)
    if what == "dead":
        events += (Event(ON_S, Happening.HEATER_FAILS),)
    if what == "pause":
        events += (Event(MENDS_S, Happening.HEATER_MENDS),)
    if what == "hangar":
        events = (Event(ON_S, Happening.TO_HEATED),)
    rng = np.random.default_rng(4)
    probes = tuple(ProbeDesign.draw(p, rng, near_heat=p == "sump") for p in PLACES)
    engine = SimulatedEngine(EngineDesign.nominal(), SetupDesign(), Day(), probes, events, seed=3)
    found = []
    for t_s in np.arange(0.0, END_S, 30.0):
        scan = engine.read(float(t_s))
        values = {s.address: s.value_c for s in scan.samples if isinstance(s, Reading)}
        found.append(observation_of(float(t_s), values, None, 1.0 if engine.heater_on else 0.0))
    return tuple(found)


@cache
def run_through(what: str, mode: HeaterMode) -> tuple[Estimator, list[tuple[float, bool | None]]]:
    """The physics after all rows, and instants at which another thing was thought of the heater, and what."""
    physics = Estimator(PLACES, PLACES[:3], 7.0, -1.0, PRIOR, None, mode)
    said: list[tuple[float, bool | None]] = []
    for obs in simulated(what):
        physics.observe(obs if mode == "command" else replace(obs, heater=None))
        forecast = physics.glance(Forecast(obs.t_s))
        if not said or said[-1][1] is not forecast.heating:
            said.append((obs.t_s, forecast.heating))
    return physics, said


@pytest.mark.parametrize("mode", ["command", "none"])
def test_a_heater_that_fails_is_noticed(mode: HeaterMode) -> None:
    physics, said = run_through("stop", mode)
    *before, on, stop = said
    assert [x for _, x in before] == [False if mode == "command" else None]
    assert on[1] is True
    assert on[0] <= ON_S + 900
    assert physics.forecast().heater_on_at == pytest.approx(ON_S, abs=120.0)
    assert stop[1] is False
    assert FAILS_S < stop[0] <= FAILS_S + 600


def test_a_heater_that_never_warms_is_noticed() -> None:
    *_, on, stop = run_through("dead", "command")[1]
    assert (on, stop[1]) == ((ON_S, True), False)
    assert ON_S + 300 < stop[0] <= ON_S + 1200


def test_a_heater_that_comes_back_is_noticed() -> None:
    *_, stop, back = run_through("pause", "command")[1]
    assert (stop[1], back[1]) == (False, True)
    assert FAILS_S < stop[0] < MENDS_S < back[0] <= MENDS_S + 600


def test_a_heated_hangar_is_never_called_a_heater_and_still_forecast() -> None:
    physics, said = run_through("hangar", "none")
    assert True not in [x for _, x in said]
    forecast = physics.forecast()
    assert forecast.heating is None
    assert forecast.heater_on_at is not None
    assert physics.taught() is None
