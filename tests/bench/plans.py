"""Plans made in the evening against the simulated engine's truth of the morning.

    python -m tests.bench.plans --seeds 1 2 --nights 10

Each night: a setup of the forecast bench, real hourly air of a January (tests/reference/w01), the engine cold
or flown some hours before, a plan from two hours of readings in the evening, a start 10 to 14 h later. The
truth of "heat needed" is the coldest metal at the start if nobody heats; the truth of the latest switch-on is
found by heating the same engine from later and later on. Each night is planned from the air measured at the
aircraft, where a probe tells it, and with a forecast besides, its error included. Prints for each: a
reliability table of the chance that heat is needed; how many starts the told switch-on keeps, on the first
morning and with a memory of three heat-ups, and how much earlier than the truly latest one it was.
"""

from __future__ import annotations

import argparse
import copy
import csv
import itertools
import math
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import median
from typing import Literal

import numpy as np

from probe_agent.config import CERTAINTIES, NEED_BELOW_C, TARGET_C
from probe_agent.engine_sim import Day, Profile, SimulatedEngine
from probe_agent.planning import Departure, Plan, PlanRules, Snapshot, plan
from probe_agent.readings import Reading, Weather, WeatherHour
from probe_agent.thermal.ahead import AirKnown, air_ahead
from probe_agent.thermal.air import wandering
from probe_agent.thermal.answers import ReadyRule, settled, switched_on
from probe_agent.thermal.described import observation_of
from probe_agent.thermal.estimator import Estimator, learn
from probe_agent.thermal.memory import Memory
from tests.bench import heatups
from tests.bench.heatups import Recipe, Setup, default_cache, draw_setup, heat_up

HOUR = 3600.0
SEEN_S = 2 * HOUR
BEFORE_H = 72
EVERY_S = 120.0
SOAK_S, UNCOVERED_S = 1800.0, 1200.0
EARLIEST_S = 10 * HOUR
CLOSE_S = 60.0
LEARNED = 3
AIR = Path(__file__).parents[1] / "reference" / "w01_hourly_airport_weather_jan.csv"
RELIABILITY = (0.0, 0.05, 0.2, 0.4, 0.6, 0.8, 0.95, 1.0 + 1e-9)

Air = Literal["own", "told"]
"""Own air measured for three days, where the setup has a probe for it, or a forecast besides."""

AIRS: tuple[Air, ...] = ("own", "told")


@dataclass(frozen=True, slots=True)
class Morning:
    """One plan and its truth. air: own or told; memory: heat-ups it rests on; needed: whether the coldest
    metal was below the limit at the start; latest_s, told_s: truly latest and told switch-on before the
    start [s], None: none keeps it, or none was told for that certainty; allow: share of the samples that
    keep the start from the truly latest switch-on on, 0.5 in the middle where they are right."""

    setup: str
    air: Air
    memory: int
    chance: float
    need: dict[str, str]
    needed: bool
    coldest_c: float
    band_c: tuple[float, float, float]
    latest_s: float | None
    told_s: dict[str, float | None]
    allow: float | None = None


# -- nights


def january() -> list[float]:
    """Hourly air [°C]."""
    with AIR.open() as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    return [float(row["air_temp"]) for row in rows]


@dataclass(frozen=True, slots=True)
class Night:
    """An engine at t = 0, the evening at which a plan is made and the start [run s], and the outside air by
    the hour from three days before; begins_h: local time of t = 0 [h]."""

    engine: SimulatedEngine
    evening_s: float
    start_s: float
    t_s: tuple[float, ...]
    air_c: tuple[float, ...]
    begins_h: float


def draw_night(setup: Setup, number: int) -> Night:
    """Night `number` of a setup."""
    rng = np.random.default_rng([setup.seed, setup.number, 7000 + number])
    air = np.array(january())
    begin = 24 * int(rng.integers(BEFORE_H // 24, len(air) // 24 - 2)) + int(rng.integers(15, 19))
    shift_c = float(rng.uniform(-8, 4)) - float(air.mean())
    times = np.arange(0, 34) * HOUR
    path = Profile(tuple(times.tolist()), tuple((air[begin : begin + 34] + shift_c).tolist()))
    day = replace(Day.draw(rng), ambient_c=path)
    hours = float(rng.uniform(1, 6)) if rng.random() < 0.5 else None
    recipe = Recipe(setup.design, setup.setup, day, setup.probes, flown_h=hours, seed=number)
    engine = recipe.build()
    every = np.arange(-BEFORE_H, 34)
    around = air[begin - BEFORE_H : begin + 34] + shift_c
    start_s = SEEN_S + float(rng.uniform(10, 14)) * HOUR
    t_s, air_c = tuple((every * HOUR).tolist()), tuple(around.tolist())
    return Night(engine, SEEN_S, start_s, t_s, air_c, float(begin % 24))


def seen(engine: SimulatedEngine, until_s: float, estimators: Sequence[Estimator]) -> float | None:
    """Let the physics see the probes up to an instant; the air then [°C], where a probe tells it."""
    air_c: float | None = None
    for t_s in np.arange(0.0, until_s + 1, EVERY_S).tolist():
        scan = engine.read(t_s)
        values = {s.address: s.value_c for s in scan.samples if isinstance(s, Reading)}
        air_c = values.pop("ambient", None)
        for estimator in estimators:
            estimator.observe(observation_of(t_s, values, air_c, scan.heater))
    return air_c


def known_air(setup: Setup, night: Night, measured: bool, told: int | None) -> AirKnown:
    """What is known of the air in the evening: own air where a probe measures it; told, a seed: a station's
    past, and its forecast with an error of 0.7 °C at once and 2.2 in the end (judgement, `thermal.air`)."""
    now_s = night.evening_s
    past = [(t, c) for t, c in zip(night.t_s, night.air_c, strict=True) if t <= now_s]
    weather = None
    if told is not None:
        coming = np.array([t for t in night.t_s if t > now_s])
        rng = np.random.default_rng([setup.seed, setup.number, told, 8000])
        shocks, start = rng.standard_normal((1, len(coming))), 0.7 * rng.standard_normal(1)
        error = wandering(start, np.array([2.2]), np.array([36 * HOUR]), now_s, coming, shocks)[0]
        ahead = np.interp(coming, night.t_s, night.air_c) + error
        hours = [*past, *zip(coming.tolist(), ahead.tolist(), strict=True)]
        weather = Weather("hourly", now_s, now_s, tuple(WeatherHour(t, c) for t, c in hours))
    own = tuple(past) if measured else ()
    return AirKnown(own, weather, (), setup.setup.hangar, 0.0, night.begins_h)


# -- truth


def coldest_c(engine: SimulatedEngine, required: Iterable[str]) -> float:
    return min(engine.place_c(p) for p in required)


def is_kept(engine: SimulatedEngine, required: Sequence[str], on_s: float, start_s: float) -> bool:
    """Whether the coldest metal is above target from the soak's begin to the start, heated from on_s. The
    engine must not be past on_s; it is left as it is."""
    lived = copy.deepcopy(engine)
    off_s = start_s - UNCOVERED_S
    lived.advance_to(on_s)
    lived.set_heater(1.0)
    t_s = max(off_s - SOAK_S, on_s)
    lived.advance_to(t_s)
    while True:
        if coldest_c(lived, required) < TARGET_C:
            return False
        if t_s >= start_s:
            return True
        step_s = 120.0 if t_s >= off_s else min(120.0, off_s - t_s)
        t_s = min(t_s + step_s, start_s)
        lived.advance_to(t_s)
        if abs(t_s - off_s) < 1e-6:
            lived.set_heater(0.0)
            lived.set_cover(False)


def truly_latest_s(engine: SimulatedEngine, required: Sequence[str], start_s: float) -> float | None:
    """The latest switch-on that keeps the start [s before it]; None where the earliest one does not."""
    low_s = max(start_s - EARLIEST_S, engine.t_s)
    high_s = start_s - UNCOVERED_S - 60.0
    lived = copy.deepcopy(engine)
    lived.advance_to(low_s)
    if not is_kept(lived, required, low_s, start_s):
        return None
    while high_s - low_s > CLOSE_S:
        middle_s = (low_s + high_s) / 2
        if is_kept(lived, required, middle_s, start_s):
            low_s = middle_s
            lived.advance_to(low_s)
        else:
            high_s = middle_s
    return start_s - low_s


# -- plans


def memories(setup: Setup, cache: Path) -> dict[int, Memory | None]:
    """What no and what three heat-ups of the setup taught."""
    memory: Memory | None = None
    number = 0
    while (memory is None or memory.heat_ups < LEARNED) and number < 3 * LEARNED:
        rows = heat_up(setup, number, cache, 60.0).seen("measured")
        memory = learn(
            memory, (r.seen for r in rows), setup.places, setup.required, TARGET_C, setup.prior, "measured"
        )
        number += 1
    return {0: None, memory.heat_ups if memory is not None else 0: memory}


def live_night(setup: Setup, number: int, known: dict[int, Memory | None]) -> list[Morning]:
    """One night, planned with each memory and each kind of air."""
    night = draw_night(setup, number)
    engine, evening_s, start_s = night.engine, night.evening_s, night.start_s
    estimators = {
        n: Estimator(setup.places, setup.required, TARGET_C, NEED_BELOW_C, setup.prior, memory)
        for n, memory in known.items()
    }
    air_c = seen(engine, evening_s, list(estimators.values()))
    measured = air_c is not None
    latest_s = truly_latest_s(engine, setup.required, start_s)
    cold = copy.deepcopy(engine)
    cold.advance_to(start_s)
    truth_c = coldest_c(cold, setup.required)
    out = []
    for heat_ups, estimator in estimators.items():
        outlook = estimator.outlook(setup.setup.cover, setup.setup.plugs)
        for air in AIRS:
            of_air = known_air(setup, night, measured, told=number if air == "told" else None)
            coldest, now_c = setup.required[0], coldest_c(engine, setup.required)
            snapshot = Snapshot(evening_s, 0.0, outlook, of_air, air_c, coldest, now_c)
            out.append(_judge(setup, heat_ups, air, snapshot, start_s, truth_c, latest_s))
    return out


def _judge(
    setup: Setup,
    heat_ups: int,
    air: Air,
    snapshot: Snapshot,
    start_s: float,
    truth_c: float,
    latest_s: float | None,
) -> Morning:
    plans = {c: _plans(snapshot, start_s, share) for c, share in CERTAINTIES.items()}
    decided = plans["9/10"][0]
    assert decided.chance is not None
    assert decided.coldest_c is not None
    return Morning(
        setup.name,
        air,
        heat_ups,
        decided.chance,
        {c: found.need for c, (found, _) in plans.items()},
        truth_c < NEED_BELOW_C,
        truth_c,
        decided.coldest_c,
        latest_s,
        {c: _told_s(heated, start_s) for c, (_, heated) in plans.items()},
        None if latest_s is None else _allow(setup, snapshot, start_s, latest_s),
    )


def _allow(setup: Setup, snapshot: Snapshot, start_s: float, latest_s: float) -> float:
    """The share of the samples that keep the start, heated from the truly latest switch-on on."""
    assert snapshot.outlook is not None
    ahead = air_ahead(snapshot.air, snapshot.now_at, start_s, len(snapshot.outlook.weight))
    asked = settled(snapshot.outlook, ahead.air, setup.setup.hangar == "outside", ahead.is_change)
    rule = ReadyRule(SOAK_S, UNCOVERED_S)
    return switched_on(asked, ahead.air, start_s - latest_s, start_s, 0.5, rule).chance


def _plans(snapshot: Snapshot, start_s: float, certainty: float) -> tuple[Plan, Plan]:
    """The decision by the limit, and the switch-on as if heat were needed anyway."""
    departure = Departure(1, start_s, snapshot.now_at, certainty, UNCOVERED_S, by="timer")
    rules = PlanRules(NEED_BELOW_C, SOAK_S, None, 0.5, "UTC")
    return plan(departure, snapshot, rules), plan(departure, snapshot, replace(rules, limit_c=99.0))


def _told_s(made: Plan, start_s: float) -> float | None:
    if made.verdict == "none":
        return 0.0
    if made.verdict != "heat" or made.at_best is not None or made.switch_on_at is None:
        return None
    return start_s - made.switch_on_at


# -- tables


def interval(hits: int, of: int) -> str:
    """A share with its 90 % interval (Wilson)."""
    if not of:
        return "-"
    z, p = 1.645, hits / of
    middle = (p + z * z / (2 * of)) / (1 + z * z / of)
    half = z * math.sqrt(p * (1 - p) / of + z * z / (4 * of * of)) / (1 + z * z / of)
    return f"{p:.2f} ({middle - half:.2f}-{middle + half:.2f}), {of}"


def reliability(mornings: Sequence[Morning]) -> list[str]:
    """Chance told, share of mornings on which heat was needed."""
    out = ["chance told | heat was needed (90 % interval), mornings"]
    for low, high in itertools.pairwise(RELIABILITY):
        found = [m for m in mornings if low <= m.chance < high]
        out.append(f"{low:.2f}-{min(high, 1.0):.2f}   | {interval(sum(m.needed for m in found), len(found))}")
    inside = [m.band_c[0] <= m.coldest_c <= m.band_c[2] for m in mornings]
    out.append(f"coldest at the start inside the told 10-90 %: {interval(sum(inside), len(inside))}")
    brier = float(np.mean([(m.chance - m.needed) ** 2 for m in mornings]))
    rate = float(np.mean([m.needed for m in mornings]))
    out.append(f"Brier score {brier:.3f}; {rate * (1 - rate):.3f} for always telling the rate {rate:.2f}")
    return out


def decisions(mornings: Sequence[Morning]) -> list[str]:
    """How often each word was said, and how often heat was needed then."""
    out = ["certainty | no: needed | unclear: needed | yes: needed"]
    for c in CERTAINTIES:
        cells = []
        for need in ("no", "unclear", "yes"):
            found = [m for m in mornings if m.need[c] == need]
            cells.append(interval(sum(m.needed for m in found), len(found)))
        out.append(f"{c:9} | " + " | ".join(cells))
    return out


def switch_ons(mornings: Sequence[Morning]) -> list[str]:
    """How many starts the told switch-on kept, how early it was, and how many got none."""
    out = [
        "certainty | starts kept (90 % interval), mornings | min earlier than needed (median, 90 %) | none"
    ]
    for c in CERTAINTIES:
        could = [m for m in mornings if m.latest_s is not None]
        told = [(m.told_s[c], m.latest_s) for m in could]
        pairs = [(t, x) for t, x in told if t is not None and x is not None]
        spare = sorted((t - x) / 60 for t, x in pairs)
        kept = sum(t >= x - CLOSE_S for t, x in pairs)
        early = f"{median(spare):.0f}, {spare[int(0.9 * (len(spare) - 1))]:.0f}" if spare else "-"
        out.append(f"{c:9} | {interval(kept, len(pairs))} | {early} | {len(could) - len(pairs)}")
    allow = [m.allow for m in mornings if m.allow is not None]
    if allow:
        many = interval(sum(a > 0.95 for a in allow), len(allow))
        out.append(f"samples content with the truly latest: mean {np.mean(allow):.2f}; above 0.95 on {many}")
    never = sum(m.latest_s is None for m in mornings)
    out.append(f"{never} mornings no switch-on in the last {EARLIEST_S / HOUR:g} h would have kept")
    return out


def judge(
    seeds: Sequence[int], setups: Sequence[int], nights: int, cache: Path, learned: bool = False
) -> list[Morning]:
    """All mornings of these setups; learned: without those of a first heat-up."""
    out = []
    for seed in seeds:
        for number in setups:
            setup = draw_setup(seed, number)
            known = {n: m for n, m in memories(setup, cache).items() if n or not learned}
            for night in range(nights):
                out += live_night(setup, night, known)
    return out


def report(mornings: Sequence[Morning]) -> list[str]:
    """The tables of all mornings, by what is known of the air and those of the first heat-up apart."""
    out = []
    for air, is_first in itertools.product(AIRS, (True, False)):
        found = [m for m in mornings if m.air == air and (m.memory < LEARNED) == is_first]
        if found:
            rests = "first heat-up of the setup" if is_first else f"with a memory of {LEARNED}"
            out += [f"\n== air {air}, {rests}, {len(found)} mornings", *reliability(found), ""]
            out += [*decisions(found), "", *switch_ons(found)]
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--seeds", type=int, nargs="+", default=[1])
    parser.add_argument("--setups", type=int, nargs="+", default=list(range(len(heatups.SETUPS))))
    parser.add_argument("--nights", type=int, default=10)
    parser.add_argument(
        "--learned", action="store_true", help="no mornings of a first heat-up: half the time"
    )
    chosen = parser.parse_args()
    begin = time.monotonic()
    found = judge(chosen.seeds, chosen.setups, chosen.nights, default_cache(), chosen.learned)
    print("\n".join(report(found)))
    print(f"\n{time.monotonic() - begin:.0f} s")


if __name__ == "__main__":
    main()
