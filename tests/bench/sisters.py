"""How alike sisters are on the simulated engine, and what a sister's memory is worth as a prior.

    python -m tests.bench.sisters measure --seeds 31 32 33    each parameter's share that a kind has in common
    python -m tests.bench.sisters judge --seeds 41 42         first heat-ups: alone, and with a sister
    python -m tests.bench.sisters judge --seeds 41 42 --apart 2.5   sisters less alike than they were measured

A seed gives the eight setups of heatups.py, each with sisters: engine, heater and cover of the same make that
differ as two of a make do, each with probes of her own. How much that is, is judgement (`APART`). Nothing of
`judge` was looked at for `measure`.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import functools
import itertools
import multiprocessing
import statistics
import sys
import time
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from probe_agent.config import NEED_BELOW_C, TARGET_C
from probe_agent.engine_sim import EngineDesign, ProbeDesign, SetupDesign
from probe_agent.thermal.estimator import Estimator
from probe_agent.thermal.memory import OF_THE_DAY, Memory
from probe_agent.thermal.network import parameter_names
from probe_agent.thermal.sister import believing
from tests.bench.heatups import HeatUp, Setup, draw_heat_up, draw_setup
from tests.bench.scoring import Instants, bootstrap, is_inside, mean_pinball

APART = {
    # 1 sigma of the logarithm between two of a make; judgement, no source.
    "capacity": 0.03,
    "link": 0.12,
    "watts": 0.03,
    "contact": 0.20,
    "cover": 0.18,
    "plug gap": 0.3,
}
SISTERS, TAUGHT_BY, FIRST = 4, 4, 3
PROGRESS = (0.1, 0.25, 0.5, 0.75)
EVERY_S = 30.0


def draw_sister(family: Setup, number: int, apart: float = 1.0) -> Setup:
    """One aircraft of a family, apart times as far from its middle as sisters are thought to be."""
    rng = np.random.default_rng([family.seed, family.number, 7000 + number])

    def factor(what: str) -> float:
        return float(np.exp(apart * APART[what] * np.clip(rng.standard_normal(), -2.5, 2.5)))

    design, setup = _engine(family.design, factor), _heater(family.setup, factor, rng)
    probes = tuple(ProbeDesign.draw(p.place, rng, near_heat=p.near_heat > 0) for p in family.probes)
    seed = 100_000 + 100 * family.seed + number
    return replace(family, seed=seed, design=design, setup=setup, probes=probes)


def _engine(design: EngineDesign, factor: object) -> EngineDesign:
    assert callable(factor)
    return replace(
        design,
        j_per_k={mass: c * factor("capacity") for mass, c in design.j_per_k.items()},
        links=tuple(link.scaled(factor("link")) for link in design.links),
    )


def _heater(setup: SetupDesign, factor: object, rng: np.random.Generator) -> SetupDesign:
    assert callable(factor)
    return replace(
        setup,
        watts=setup.watts * factor("watts"),
        contact=setup.contact * factor("contact"),
        lead_loss=float(rng.uniform(0.0, 0.06)),
        pad_share=float(np.clip(setup.pad_share + 0.04 * rng.standard_normal(), 0.25, 0.55)),
        band_spread=tuple(float(np.exp(0.08 * rng.standard_normal())) for _ in setup.band_spread),
        recirculation=float(np.clip(setup.recirculation + 0.08 * rng.standard_normal(), 0.1, 0.8)),
        cover_w_per_k=setup.cover_w_per_k * factor("cover"),
        plug_gap=setup.plug_gap * factor("plug gap"),
    )


# -- following heat-ups


def estimator_of(setup: Setup, memory: Memory | None, sister: Memory | None) -> Estimator:
    prior = setup.prior if sister is None else believing(setup.prior, sister, setup.places)
    return Estimator(setup.places, setup.required, TARGET_C, NEED_BELOW_C, prior, memory)


class Mark(NamedTuple):
    """A forecast at a share of a warm-up, minutes since heater-on."""

    family: tuple[int, int]
    heat_up: int
    progress: float
    truth: float
    instants: Instants


def follow(setup: Setup, heat_up: HeatUp, estimator: Estimator, family: tuple[int, int]) -> list[Mark]:
    """The forecasts at each progress of a heat-up; none where it never crossed."""
    on_s, crossing_s = heat_up.on_s, heat_up.crossing_s
    assert on_s is not None
    due = [] if crossing_s is None else [(on_s + p * (crossing_s - on_s), p) for p in PROGRESS]
    marks: list[Mark] = []
    for row in heat_up.rows:
        while due and row.seen.t_s > due[0][0]:
            _, progress = due.pop(0)
            forecast = estimator.forecast()
            told = (forecast.above_p10, forecast.above_p50, forecast.above_p90)
            low, middle, high = (None if t is None else (t - on_s) / 60 for t in told)
            assert crossing_s is not None
            truth = (crossing_s - on_s) / 60
            marks.append(Mark(family, heat_up.number, progress, truth, (low, middle, high)))
        estimator.observe(row.seen)
    return marks


def taught(setup: Setup, heat_ups: int) -> Memory | None:
    """What so many heat-ups of an aircraft teach."""
    memory: Memory | None = None
    for number in range(heat_ups):
        estimator = estimator_of(setup, memory, None)
        for row in draw_heat_up(setup, number, EVERY_S).rows:
            estimator.observe(row.seen)
        memory = estimator.taught()
    return memory


# -- how alike they are


@dataclass(frozen=True, slots=True)
class Apart:
    """Two sisters' parameter: half their squared distance less what their memories don't know, the prior's
    variance, and what the memories don't know themselves."""

    parameter: str
    between: float
    prior: float
    unknown: float


def apart(task: tuple[int, int, float]) -> list[Apart]:
    """How far the sisters of a family lie apart in each parameter."""
    seed, number, scale = task
    family = draw_setup(seed, number)
    sisters = [draw_sister(family, k, scale) for k in range(SISTERS)]
    memories = [m for m in (taught(s, TAUGHT_BY) for s in sisters) if m is not None]
    names = parameter_names(family.places)
    factor = family.prior.factor(family.places, [0.0] * len(family.places))
    prior = dict(zip(names, np.diag(factor @ factor.T), strict=True))
    found: list[Apart] = []
    for one, other in itertools.combinations(memories, 2):
        for i, name in enumerate(one.names):
            j = other.names.index(name)
            unknown = one.covariance[i][i] + other.covariance[j][j]
            between = ((one.mean[i] - other.mean[j]) ** 2 - unknown) / 2
            found.append(Apart(name.split(":")[0], between, float(prior[name]), unknown / 2))
    return found


def measure(seeds: Sequence[int], setups: Sequence[int], scale: float, jobs: int) -> None:
    rows: dict[str, list[Apart]] = defaultdict(list)
    for found in _spread(apart, [(s, n, scale) for s in seeds for n in setups], jobs):
        for row in found:
            rows[row.parameter].append(row)
    print(f"{'parameter':24s} {'prior sd':>9s} {'apart sd':>9s} {'unknown sd':>10s} {'in common':>9s}")
    for name, each in rows.items():
        if name in OF_THE_DAY:
            continue
        prior, between, unknown = (
            statistics.fmean(getattr(r, what) for r in each) for what in ("prior", "between", "unknown")
        )
        common = 1 - max(0.0, between) / prior
        print(
            f"{name:24s} {prior**0.5:9.3f} {max(0.0, between) ** 0.5:9.3f} {unknown**0.5:10.3f} {common:9.2f}"
        )


# -- what a sister is worth


class Judged(NamedTuple):
    """Marks of the first heat-ups of an aircraft, without and with a sister, and once she knows herself."""

    alone: list[Mark]
    sister: list[Mark]


def first_heat_ups(task: tuple[int, int, float], first: int = FIRST) -> Judged:
    """Two sisters of a family: one taught, the other forecast in her first heat-ups without and with that."""
    seed, number, scale = task
    family = draw_setup(seed, number)
    judged = Judged([], [])
    for of, to in ((0, 1), (2, 3)):
        memory = taught(draw_sister(family, of, scale), TAUGHT_BY)
        here = draw_sister(family, to, scale)
        for marks, known in ((judged.alone, None), (judged.sister, memory)):
            own: Memory | None = None
            for n in range(first):
                estimator = estimator_of(here, own, known)
                marks += follow(here, draw_heat_up(here, n, EVERY_S), estimator, (seed, number))
                own = estimator.taught()
    return judged


def judge(seeds: Sequence[int], setups: Sequence[int], scale: float, jobs: int, first: int = FIRST) -> None:
    alone: list[Mark] = []
    sister: list[Mark] = []
    for found in _spread(
        functools.partial(first_heat_ups, first=first), [(s, n, scale) for s in seeds for n in setups], jobs
    ):
        alone += found.alone
        sister += found.sister
    print(f"{'heat-up':8s} {'at':>5s} {'n':>4s}  {'prior':24s} {'a sister':24s} pinball ratio, 90 %")
    for n, p in [(n, None) for n in range(first)] + [(0, p) for p in PROGRESS]:
        pairs = [
            (a, s)
            for a, s in zip(alone, sister, strict=True)
            if a.heat_up == n and (p is None or a.progress == p)
        ]
        low, high = bootstrap(pairs, lambda pair: pair[0].family, _ratio)
        said = [_said(marks) for marks in zip(*pairs, strict=True)]
        at = "all" if p is None else f"{p:.0%}"
        print(
            f"{n + 1:<8d} {at:>5s} {len(pairs):4d}  {said[0]:24s} {said[1]:24s} "
            f"{_ratio(pairs):.2f} ({low:.2f}-{high:.2f})"
        )


def _ratio(pairs: Sequence[tuple[Mark, Mark]]) -> float:
    lost = [sum(mean_pinball(m.instants, m.truth) for m in marks) for marks in zip(*pairs, strict=True)]
    return lost[1] / lost[0]


def _said(marks: Iterable[Mark]) -> str:
    each = list(marks)
    inside = statistics.fmean(is_inside(m.instants, m.truth) for m in each)
    return (
        f"{statistics.fmean(mean_pinball(m.instants, m.truth) for m in each):5.1f} min, {inside:.2f} inside"
    )


def _spread(work: object, tasks: Sequence[tuple[int, int, float]], jobs: int) -> Iterator[object]:
    assert callable(work)
    began = time.monotonic()
    with multiprocessing.get_context("spawn").Pool(jobs) as pool:
        for done, found in enumerate(pool.imap(work, tasks), 1):
            end = "\n" if done == len(tasks) else ""
            print(f"\r{done} of {len(tasks)}, {time.monotonic() - began:.0f} s ", end=end, file=sys.stderr)
            yield found


def main(arguments: Sequence[str]) -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("what", choices=("measure", "judge"))
    parser.add_argument("--seeds", type=int, nargs="+", default=[41])
    parser.add_argument("--setups", type=int, nargs="+", default=list(range(8)))
    parser.add_argument("--apart", type=float, default=1.0, help="times as far apart as sisters are thought")
    parser.add_argument("--first", type=int, default=FIRST, help="so many first heat-ups are judged")
    parser.add_argument("--jobs", type=int, default=1)
    asked = parser.parse_args(arguments)
    if asked.what == "measure":
        measure(asked.seeds, asked.setups, asked.apart, asked.jobs)
    else:
        judge(asked.seeds, asked.setups, asked.apart, asked.jobs, asked.first)


if __name__ == "__main__":
    main(sys.argv[1:])
