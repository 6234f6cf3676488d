"""Forecasts on the simulated engine's known truth, beside a straight line, one exponential and an oracle.

    python -m tests.bench.forecast --seeds 1 2                 tables of the forecasts, measured signal
    python -m tests.bench.forecast --seeds 1 --setups 2 --heatups 4 --mode command
    python -m tests.bench.forecast --seeds 1 2 --all           every table, every signal

Eight setups of twelve heat-ups a seed (heatups.py). Each is forecast with what the ones before taught.
Errors are those of the 50 % instant against the metal's true crossing at 10/25/50/75 % of the warm-up
[min]; the other columns and tables are explained where they are printed (tables.py).
"""

from __future__ import annotations

import argparse
import math
import multiprocessing
import os
import sys
import time
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import msgspec

from probe_agent import supervisor, words
from probe_agent.config import NEED_BELOW_C, TARGET_C, Settings
from probe_agent.document import Frame, document
from probe_agent.readings import Forecast
from probe_agent.replay import points_of
from probe_agent.status import RunTime, utc_seconds
from probe_agent.thermal.described import prior_of
from probe_agent.thermal.estimator import Estimator
from probe_agent.thermal.memory import Memory
from tests.bench import heatups, oracle, tables
from tests.bench.baselines import one_exponential, straight_line
from tests.bench.course import PROGRESS, Course, Cut, Look, Mark, Shown
from tests.bench.heatups import HeatUp, Row, Setup, Signal, draw_setup, heater_mode
from tests.bench.scoring import Instants, text_changes

_THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS")
SIGNALS: tuple[Signal, ...] = ("measured", "command", "none", "hand")


@dataclass(frozen=True, slots=True)
class Plan:
    """What a run of the bench is asked for. look_every_s: how often a forecast is made besides the marks;
    shown: whether the supervisor hears of them."""

    heat_ups: int = 12
    every_s: float = 15.0
    signal: Signal = "measured"
    described: bool = True
    look_every_s: float = 300.0
    shown: bool = False
    alike: bool = False
    oracle: bool = True
    cuts: int = 0
    cache: Path = field(default_factory=heatups.default_cache)


# -- one setup


def judge_setup(setup: Setup, plan: Plan) -> Iterator[Course]:
    """Each heat-up of a setup, forecast with what the ones before taught; then its look-alikes."""
    memory: Memory | None = None
    for number in range(plan.heat_ups):
        follower = _Follower(setup, heatups.heat_up(setup, number, plan.cache, plan.every_s), plan, memory)
        yield follower.follow()
        memory = follower.estimator.taught()
    for what in heatups.look_alikes_of(setup) if plan.alike else ():
        alike = heatups.look_alike(setup, what, plan.cache, plan.every_s)
        yield _Follower(setup, alike, plan, memory).follow()


def _estimator(setup: Setup, plan: Plan, memory: Memory | None) -> Estimator:
    prior = setup.prior if plan.described else prior_of(None, setup.places)
    mode = heater_mode(plan.signal)
    return Estimator(setup.places, setup.required, TARGET_C, NEED_BELOW_C, prior, memory, mode)


class _Follower:
    """Feeds one heat-up row by row and keeps what was forecast on the way."""

    def __init__(self, setup: Setup, heat_up: HeatUp, plan: Plan, memory: Memory | None) -> None:
        self._setup, self._heat_up, self._plan, self._memory = setup, heat_up, plan, memory
        self.estimator = _estimator(setup, plan, memory)
        self._rows = heat_up.seen(plan.signal)
        self._on_s = heat_up.on_s if heat_up.on_s is not None else self._rows[0].seen.t_s
        self._due = _mark_rows(self._rows, heat_up)
        self._cut_at = _cut_rows(setup, heat_up, plan)
        people = plan.shown and heat_up.on_s is not None
        self._audience = _Audience(setup, heat_up) if people else None
        self._marks: list[Mark] = []
        self._looks: list[Look] = []
        self._heating: list[tuple[float, bool | None]] = []
        self._cuts: list[Cut] = []
        self._asked: set[int] = set()
        self._looked_s = -math.inf
        self._observe_s, self._forecast_ms = 0.0, list[float]()

    def follow(self) -> Course:
        """The whole heat-up."""
        forecast = Forecast(self._rows[0].seen.t_s)
        for k, row in enumerate(self._rows):
            began = time.perf_counter()
            self.estimator.observe(row.seen)
            self._observe_s += time.perf_counter() - began
            forecast = self._ask(k) if self._is_asked(k) else self.estimator.glance(forecast)
            self._note(k, forecast)
            if self._audience is not None:
                self._audience.see(row, forecast)
        return self._course()

    def _is_asked(self, k: int) -> bool:
        is_due = self._rows[k].seen.t_s - self._looked_s >= self._plan.look_every_s - 1e-6
        if is_due:
            self._looked_s = self._rows[k].seen.t_s
        return is_due or k in self._due or k in self._cut_at

    def _ask(self, k: int) -> Forecast:
        began = time.perf_counter()
        forecast = self.estimator.forecast()
        self._forecast_ms.append(1000 * (time.perf_counter() - began))
        self._asked.add(k)
        instants = _since(forecast, self._on_s)
        self._looks.append(Look(self._minute(k), forecast.heating, forecast.p_reach, instants))
        return forecast

    def _note(self, k: int, forecast: Forecast) -> None:
        if not self._heating or self._heating[-1][1] is not forecast.heating:
            self._heating.append((self._minute(k), forecast.heating))
        rows = self._rows[: k + 1]
        for progress in self._due.get(k, ()):
            self._marks.append(_mark(self._setup, self._heat_up, progress, forecast, rows))
        if k in self._cut_at:
            alike = (
                _last_forecast(_estimator(self._setup, self._plan, self._memory), rows, asked) == forecast
                for asked in (self._asked, ())
            )
            self._cuts.append(Cut(self._minute(k), *alike))

    def _minute(self, k: int) -> float:
        return (self._rows[k].seen.t_s - self._on_s) / 60

    def _since(self, t_s: float | None) -> float | None:
        return None if t_s is None else (t_s - self._on_s) / 60

    def _course(self) -> Course:
        setup, heat_up = self._setup, self._heat_up
        return Course(
            seed=setup.seed,
            setup_number=setup.number,
            setup=setup.name,
            heat_up=heat_up.number,
            kind=heat_up.kind,
            signal=self._plan.signal,
            described=self._plan.described,
            learned=0 if self._memory is None else self._memory.heat_ups,
            crossing=self._since(heat_up.crossing_s),
            end=self._minute(-1),
            fails=self._since(heat_up.fails_s),
            mends=self._since(heat_up.mends_s),
            thermostat=setup.setup.thermostat is not None,
            alike=heat_up.on_s is None,
            marks=tuple(self._marks),
            looks=tuple(self._looks),
            heating=tuple(self._heating),
            shown=self._audience.shown() if self._audience is not None else None,
            forecast_ms=tuple(self._forecast_ms),
            observe_ms=1000 * self._observe_s / len(self._rows),
            cuts=tuple(self._cuts),
        )


def _cut_rows(setup: Setup, heat_up: HeatUp, plan: Plan) -> tuple[int, ...]:
    """Rows at which a run is cut short: one heat-up a setup, spread over its length."""
    if plan.cuts == 0 or heat_up.on_s is None or heat_up.number != setup.seed % min(plan.heat_ups, 5):
        return ()
    count = len(heat_up.seen(plan.signal))
    return tuple(int(count * (k + 0.5) / plan.cuts) for k in range(plan.cuts))


def _last_forecast(estimator: Estimator, rows: Sequence[Row], asked: Collection[int]) -> Forecast:
    """The forecast at the last of these rows, with forecasts asked at others before."""
    for k, row in enumerate(rows):
        estimator.observe(row.seen)
        if k in asked and k < len(rows) - 1:
            estimator.forecast()
    return estimator.forecast()


def _mark_rows(rows: Sequence[Row], heat_up: HeatUp) -> dict[int, list[float]]:
    """Progress by the row at which it is asked: the last row that is not later than it."""
    found: dict[int, list[float]] = {}
    if heat_up.crossing_s is None or heat_up.on_s is None:
        return found
    for progress in PROGRESS:
        at_s = heat_up.on_s + progress * (heat_up.crossing_s - heat_up.on_s)
        k = max(k for k, row in enumerate(rows) if row.seen.t_s <= at_s)
        found.setdefault(k, []).append(progress)
    return found


def _mark(setup: Setup, heat_up: HeatUp, progress: float, forecast: Forecast, rows: Sequence[Row]) -> Mark:
    assert heat_up.crossing_s is not None
    assert heat_up.on_s is not None
    on_s = heat_up.on_s
    seen = [row.seen for row in rows]

    def since(t_s: float | None) -> float | None:
        return None if t_s is None else (t_s - on_s) / 60

    return Mark(
        progress,
        (heat_up.crossing_s - on_s) / 60,
        _since(forecast, on_s),
        forecast.p_reach,
        since(straight_line(seen, setup.required, TARGET_C)),
        since(one_exponential(seen, setup.required, TARGET_C, on_s)),
        forecast.core_c,
        rows[-1].core_c,
    )


def _since(forecast: Forecast, on_s: float) -> Instants:
    low, middle, high = (
        None if t_s is None else (t_s - on_s) / 60
        for t_s in (forecast.above_p10, forecast.above_p50, forecast.above_p90)
    )
    return low, middle, high


# -- what people see


class _Audience:
    """The supervisor, the status document and the words, as in the daemon; counts what changes."""

    def __init__(self, setup: Setup, heat_up: HeatUp) -> None:
        settings = Settings()
        self._setup, self._heat_up = setup, heat_up
        self._rules = supervisor.rules_of(settings)
        self._frame = Frame(settings, self._rules, "bench", "UTC", False, True)
        self._watch = supervisor.Watch()
        self._texts: list[tuple[float, str]] = []
        self._ranges = self._held = 0

    def see(self, row: Row, forecast: Forecast) -> None:
        """One row with the forecast of that row, or the last one brought up to it."""
        t_s = row.seen.t_s
        values = {p: row.seen.values_c.get(p) for p in self._setup.places}
        points = supervisor.doubt(points_of(values, self._setup.required, forecast), forecast)
        facts = supervisor.Facts(t_s, points, forecast)
        self._watch = supervisor.step(self._watch, facts, self._rules).watch
        crossing_s, on_s = self._heat_up.crossing_s, self._heat_up.on_s
        assert on_s is not None
        if t_s < on_s or (crossing_s is not None and t_s > crossing_s):
            return
        run = RunTime(t_s, 1.0, 15.0, t_s, "bench")
        status = document(self._frame, run, 0.0, self._watch, facts, row.seen.heater, ())
        text = words.announced(status)
        if text is None:
            return
        self._texts.append((t_s, text))
        if status.above_p10 is None or status.above_p50 is None:
            return
        late = None if status.above_p90 is None else utc_seconds(status.above_p90)
        low, _, high = words.outward(utc_seconds(status.above_p10), utc_seconds(status.above_p50), late)
        truth_s = math.inf if crossing_s is None else crossing_s
        self._ranges += 1
        self._held += low <= truth_s and (high is None or truth_s <= high)

    def shown(self) -> Shown:
        return Shown(*text_changes(self._texts), self._ranges, self._held)


# -- the whole bench


def judge(seeds: Sequence[int], setups: Sequence[int], plan: Plan, jobs: int = 1) -> list[Course]:
    """All courses of these seeds and setups, `jobs` setups at a time, progress on stderr."""
    tasks = [(seed, number, plan) for seed in seeds for number in setups]
    began, courses = time.monotonic(), []
    for done, found in enumerate(_spread(tasks, jobs), 1):
        courses += found
        spent = time.monotonic() - began
        print(
            f"\r{plan.signal}{'' if plan.described else ', not described'}: {done} of {len(tasks)} setups, "
            f"{spent:.0f} s, about {spent * (len(tasks) - done) / done:.0f} s left   ",
            end="\n" if done == len(tasks) else "",
            file=sys.stderr,
            flush=True,
        )
    return sorted(courses, key=lambda c: (c.seed, c.setup_number, c.alike, c.heat_up))


def _spread(tasks: Sequence[tuple[int, int, Plan]], jobs: int) -> Iterator[list[Course]]:
    """Each task in a process of its own, with one thread: more only get into each other's way."""
    before = {name: os.environ.get(name) for name in _THREADS}
    os.environ.update(dict.fromkeys(_THREADS, "1"))
    try:
        pool = multiprocessing.get_context("spawn").Pool(jobs)
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value
    with pool:
        yield from pool.imap_unordered(_judge_task, tasks)


def _judge_task(task: tuple[int, int, Plan]) -> list[Course]:
    seed, number, plan = task
    setup = draw_setup(seed, number)
    courses = list(judge_setup(setup, plan))
    return [_beside_oracle(setup, course, plan) for course in courses] if plan.oracle else courses


def _beside_oracle(setup: Setup, course: Course, plan: Plan) -> Course:
    if not course.marks:
        return course
    heat_up = heatups.heat_up(setup, course.heat_up, plan.cache, plan.every_s)
    found = oracle.instants(setup, heat_up, plan.cache)
    return replace(course, marks=tuple(replace(m, oracle=found[m.progress]) for m in course.marks))


def main(arguments: Sequence[str]) -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", type=int, nargs="+", default=[1])
    parser.add_argument("--setups", type=int, default=len(heatups.SETUPS), help="how many of a seed's setups")
    parser.add_argument("--only", type=int, nargs="+", metavar="N", help="only the setups of these numbers")
    parser.add_argument("--heatups", type=int, default=12)
    parser.add_argument("--every", type=float, default=15.0, help="seconds between rows")
    parser.add_argument("--mode", choices=SIGNALS, help="the heater's signal; measured, with --all each")
    parser.add_argument("--described", choices=("yes", "no"), default="yes", help="no: without settings")
    parser.add_argument(
        "--looks", type=float, help="seconds between forecasts on the way; 300, with --all 120 if not given"
    )
    parser.add_argument("--no-oracle", action="store_true", help="leave the oracle out (2 s a heat-up once)")
    parser.add_argument(
        "--all",
        action="store_true",
        help="every table and, without --mode, every signal, a forecast each 120 s",
    )
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--out", type=Path, help="file for all courses as JSON lines")
    parser.add_argument(
        "--read", type=Path, nargs="+", help="print the tables of files written with --out, run nothing"
    )
    parser.add_argument("--cache", type=Path, default=heatups.default_cache())
    asked = parser.parse_args(arguments)
    setups = asked.only if asked.only is not None else list(range(asked.setups))
    courses = [c for file in asked.read or () for c in read_courses(file)]
    for plan in _plans(asked) if not asked.read else ():
        courses += judge(asked.seeds, setups, plan, asked.jobs)
        if asked.out is not None:
            asked.out.write_bytes(b"".join(msgspec.json.encode(c) + b"\n" for c in courses))
    for line in tables.everything(courses):
        print(line)


def read_courses(file: Path) -> list[Course]:
    """What --out wrote."""
    return [msgspec.json.decode(line, type=Course) for line in file.read_bytes().splitlines()]


def _plans(asked: argparse.Namespace) -> Iterator[Plan]:
    plain = Plan(
        heat_ups=asked.heatups,
        every_s=asked.every,
        signal=asked.mode or "measured",
        described=asked.described == "yes",
        look_every_s=asked.looks or (120.0 if asked.all else 300.0),
        oracle=not asked.no_oracle,
        cache=asked.cache,
    )
    if not asked.all:
        yield plain
        return
    for signal in SIGNALS if asked.mode is None else (asked.mode,):
        full = signal != "hand"
        cuts = 2 if signal == "measured" else 0
        yield replace(plain, signal=signal, described=True, shown=full, alike=full, cuts=cuts)
    if asked.mode is None:
        yield replace(plain, signal="measured", described=False)


if __name__ == "__main__":
    main(sys.argv[1:])
