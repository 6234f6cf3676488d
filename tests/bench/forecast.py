"""Forecasts of the heat balance beside a straight line, on the simulated engine's known truth.

    python -m tests.bench.forecast --seeds 1 2 --heatups 4

prints, for each setup and all together, the error of the 50 % instant against the metal's true crossing
at 10/25/50/75 % of the warm-up [min], the share of truths inside 10–90 %, the pinball loss [min], "never"
said of heat-ups that got there, and how often the core's range held the simulated core.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from probe_agent.config import NEED_BELOW_C, TARGET_C
from probe_agent.engine_sim import (
    Day,
    EngineDesign,
    Event,
    Happening,
    HeaterKind,
    Layout,
    ProbeDesign,
    SetupDesign,
    SimulatedEngine,
)
from probe_agent.readings import Forecast, Observation, Reading
from probe_agent.thermal.described import observation_of
from probe_agent.thermal.estimator import CAP_S, Estimator
from probe_agent.thermal.heating import HeaterMode
from probe_agent.thermal.memory import Memory
from probe_agent.thermal.prior import Prior, engine_prior

REST_S = 600.0
PROGRESS = (0.1, 0.25, 0.5, 0.75)
QUANTILES = (0.1, 0.5, 0.9)

SETUPS: tuple[tuple[Layout, HeaterKind], ...] = (
    ("opposed-4", "pads-and-bands"),
    ("opposed-4", "fixed-pad"),
    ("opposed-4", "cowl-heater"),
    ("opposed-6", "ducted-air"),
    ("opposed-6", "pads-and-bands"),
    ("in-line-4", "fixed-pad"),
    ("radial-7", "combustion"),
    ("opposed-4", "ducted-air"),
)


@dataclass(frozen=True, slots=True)
class HeatUp:
    """One simulated heat-up and its truth. crossing_s None: not within ten hours of heater-on."""

    observations: tuple[Observation, ...]
    on_s: float
    crossing_s: float | None
    core_c: tuple[float, ...]
    fails_s: float | None = None


@dataclass(frozen=True, slots=True)
class Setup:
    """A described setup with the heat-ups drawn for it."""

    name: str
    prior: Prior
    places: tuple[str, ...]
    required: tuple[str, ...]
    heat_ups: tuple[HeatUp, ...]


def draw_setup(
    number: int, seed: int, heat_ups: int, every_s: float = 15.0, fails_s: float | None = None
) -> Setup:
    """One of SETUPS on an engine drawn from the seed, with its heat-ups; in each the heater fails
    fails_s after heater-on, if given, and stays switched on."""
    layout, heater = SETUPS[number % len(SETUPS)]
    rng = np.random.default_rng([seed, number])
    design = EngineDesign.draw(layout, rng)
    setup = SetupDesign.draw(heater, rng)
    cylinders = tuple(f"cyl-{i + 1}" for i in range(min(4, design.cylinders)))
    required = (*cylinders, "case-top", "case-nose", "oil-tank" if layout == "radial-7" else "sump")
    near = ("sump",) if heater in ("fixed-pad", "pads-and-bands") and layout != "radial-7" else ()
    required = tuple(p for p in required if p not in near)
    measured_air = number % 2 == 0
    probes = [ProbeDesign.draw(p, rng) for p in required]
    probes += [ProbeDesign.draw(p, rng, near_heat=True) for p in near]
    if measured_air:
        probes.append(ProbeDesign.draw("ambient", rng))
    runs = tuple(
        _heat_up(design, setup, probes, required, np.random.default_rng([seed, number, i]), every_s, fails_s)
        for i in range(heat_ups)
    )
    known = {"opposed-4": "opposed-4", "opposed-6": "opposed-6", "in-line-4": "in-line", "radial-7": "radial"}
    places = (*required, *near)
    prior = engine_prior(
        known[layout],
        "air",
        heater,
        round(setup.watts, -1),
        setup.cover,
        setup.plugs,
        setup.hangar,
        places,
        near,
    )
    return Setup(f"{layout} {heater}", prior, places, required, runs)


def _heat_up(
    design: EngineDesign,
    setup: SetupDesign,
    probes: Sequence[ProbeDesign],
    required: Sequence[str],
    rng: np.random.Generator,
    every_s: float,
    fails_s: float | None,
) -> HeatUp:
    day = Day.draw(rng)
    events = [Event(REST_S, Happening.HEATER_ON)]
    if fails_s is not None:
        events.append(Event(REST_S + fails_s, Happening.HEATER_FAILS))
    engine = SimulatedEngine(
        design,
        setup,
        day,
        probes,
        events,
        seed=int(rng.integers(1 << 30)),
    )
    observations: list[Observation] = []
    cores: list[float] = []
    before: tuple[float, float] | None = None
    crossing: float | None = None
    t_s = 0.0
    end_s = REST_S + (CAP_S if fails_s is None else fails_s + 7200)
    while t_s <= end_s and (crossing is None or t_s < crossing + 600):
        scan = engine.read(t_s)
        values = {s.address: s.value_c for s in scan.samples if isinstance(s, Reading)}
        air = values.pop("ambient", None)
        observations.append(observation_of(t_s, dict(values), air, scan.heater))
        cores.append(engine.core_c())
        low = min(engine.place_c(p) for p in required)
        if crossing is None and low >= TARGET_C:
            crossing = t_s if before is None else _between(before, (t_s, low))
        before = (t_s, low)
        t_s += every_s
    return HeatUp(tuple(observations), REST_S, crossing, tuple(cores), fails_s)


def _between(a: tuple[float, float], b: tuple[float, float]) -> float:
    return a[0] + (TARGET_C - a[1]) / (b[1] - a[1]) * (b[0] - a[0])


def straight_line(seen: Sequence[Observation], required: Sequence[str]) -> float | None:
    """When a line through the coldest required point's last 15 minutes passes the target."""
    now = seen[-1].t_s
    points = [
        (o.t_s, min(o.values_c[p] for p in required if p in o.values_c))
        for o in seen
        if o.t_s >= now - 900 and any(p in o.values_c for p in required)
    ]
    t, v = np.array(points).T
    slope, level = np.polyfit(t - now, v, 1)
    if slope <= 0:
        return None
    return float(now + max(0.0, (TARGET_C - level) / slope))


@dataclass(slots=True)
class Score:
    """What was forecast at one progress: truth and quantiles, all from heater-on [s]."""

    setup: str
    progress: float
    first: bool
    truth_s: float
    quantiles_s: tuple[float | None, float | None, float | None]
    p_reach: float
    line_s: float | None
    core_inside: bool
    core_width_c: float

    @property
    def error_min(self) -> float:
        middle = self.quantiles_s[1]
        return np.inf if middle is None else (middle - self.truth_s) / 60

    @property
    def inside(self) -> bool:
        p10, _, p90 = self.quantiles_s
        return p10 is not None and p10 <= self.truth_s and (p90 is None or p90 >= self.truth_s)

    def pinball_min(self) -> float:
        """Mean pinball loss of the three quantiles; a missing one counts as the cap."""
        return float(
            np.mean([_pinball(q, x, self.truth_s) for q, x in zip(QUANTILES, self.quantiles_s, strict=True)])
        )

    def line_pinball_min(self) -> float:
        return float(np.mean([_pinball(q, self.line_s, self.truth_s) for q in QUANTILES]))


def _pinball(q: float, x: float | None, truth: float) -> float:
    gap = (truth - min(CAP_S, CAP_S if x is None else x)) / 60
    return max(q * gap, (q - 1) * gap)


@dataclass(slots=True)
class Table:
    """All scores of a bench."""

    scores: list[Score] = field(default_factory=list)
    false_never: int = 0
    of_those_that_got_there: int = 0
    seconds: list[float] = field(default_factory=list)


def judge(setup: Setup, table: Table, remember: bool = True, heater_mode: HeaterMode = "measured") -> None:
    """Forecast each heat-up of a setup with what the ones before taught."""
    memory: Memory | None = None
    for heat_up in setup.heat_ups:
        estimator = Estimator(
            setup.places, setup.required, TARGET_C, NEED_BELOW_C, setup.prior, memory, heater_mode
        )
        _judge_one(setup, heat_up, estimator, table)
        if remember:
            memory = estimator.taught()


def _judge_one(setup: Setup, heat_up: HeatUp, estimator: Estimator, table: Table) -> None:
    seen: list[Observation] = []
    marks = (
        [heat_up.on_s + p * (heat_up.crossing_s - heat_up.on_s) for p in PROGRESS]
        if heat_up.crossing_s
        else []
    )
    said_never = False
    due = iter([*zip(PROGRESS, marks, strict=True)] if marks else [])
    following = next(due, None)
    for obs, core in zip(heat_up.observations, heat_up.core_c, strict=True):
        estimator.observe(obs)
        seen.append(obs)
        if following is not None and obs.t_s >= following[1]:
            began = time.perf_counter()
            forecast = estimator.forecast()
            table.seconds.append(time.perf_counter() - began)
            table.scores.append(
                _score(setup, heat_up, following[0], forecast, seen, core, estimator.memory is None)
            )
            said_never |= forecast.p_reach < 0.1
            following = next(due, None)
    if heat_up.crossing_s is not None:
        table.of_those_that_got_there += 1
        table.false_never += said_never


def _score(
    setup: Setup,
    heat_up: HeatUp,
    progress: float,
    forecast: Forecast,
    seen: Sequence[Observation],
    core: float,
    first: bool,
) -> Score:
    def since_on(x: float | None) -> float | None:
        return None if x is None else x - heat_up.on_s

    assert heat_up.crossing_s is not None
    low, _, high = forecast.core_c or (np.nan, np.nan, np.nan)
    return Score(
        setup.name,
        progress,
        first,
        heat_up.crossing_s - heat_up.on_s,
        (since_on(forecast.above_p10), since_on(forecast.above_p50), since_on(forecast.above_p90)),
        forecast.p_reach,
        since_on(straight_line(seen, setup.required)),
        low <= core <= high,
        high - low,
    )


def rows(table: Table) -> Iterator[str]:
    """The printed table."""
    yield f"{'setup':28} {'median |error| min 10/25/50/75 %':34} {'line':30} inside pinball line core"
    for name in [*dict.fromkeys(s.setup for s in table.scores), "first of a setup", "all"]:
        picked = [
            s
            for s in table.scores
            if name == "all" or s.setup == name or (name.startswith("first") and s.first)
        ]
        if picked:
            yield _row(name, picked)
    yield (
        f"never said of {table.false_never} of {table.of_those_that_got_there} that got there; "
        f"forecast {1000 * float(np.median(table.seconds)):.1f} ms median, "
        f"{1000 * float(np.quantile(table.seconds, 0.95)):.1f} ms at 95 %"
    )


def _row(name: str, scores: Sequence[Score]) -> str:
    ours = " / ".join(f"{median_error(scores, p):5.1f}" for p in PROGRESS)
    line = " / ".join(f"{median_line_error(scores, p):5.1f}" for p in PROGRESS)
    inside = np.mean([s.inside for s in scores])
    pinball, line_pinball = (
        np.mean(x) for x in zip(*((s.pinball_min(), s.line_pinball_min()) for s in scores), strict=True)
    )
    core = np.mean([s.core_inside for s in scores])
    width = np.median([s.core_width_c for s in scores])
    losses = f"{pinball:7.1f} {line_pinball:5.1f}"
    return f"{name:28} {ours:34} {line:30} {inside:5.2f} {losses} {core:4.2f} ({width:.1f} °C)"


def median_error(scores: Sequence[Score], progress: float) -> float:
    """Median absolute error of the 50 % instant [min]."""
    return float(np.median([abs(s.error_min) for s in scores if s.progress == progress]))


def median_line_error(scores: Sequence[Score], progress: float) -> float:
    """The same of the straight line, a line that never gets there counting as the cap [min]."""
    return float(
        np.median(
            [
                abs((CAP_S if s.line_s is None else min(s.line_s, CAP_S)) - s.truth_s) / 60
                for s in scores
                if s.progress == progress
            ]
        )
    )


def run(seeds: Sequence[int], setups: int, heat_ups: int, every_s: float = 15.0) -> Table:
    """The bench on these seeds."""
    table = Table()
    for seed in seeds:
        for number in range(setups):
            judge(draw_setup(number, seed, heat_ups, every_s), table)
    return table


def main(arguments: Sequence[str]) -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", type=int, nargs="+", default=[1])
    parser.add_argument("--setups", type=int, default=len(SETUPS))
    parser.add_argument("--heatups", type=int, default=4)
    parser.add_argument("--every", type=float, default=15.0)
    options = parser.parse_args(arguments)
    for line in rows(run(options.seeds, options.setups, options.heatups, options.every)):
        print(line)


if __name__ == "__main__":
    main(sys.argv[1:])
