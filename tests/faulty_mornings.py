"""Mornings of the simulated engine with random faults of their probes, for the property test.

The curves are drawn once; each of thousands of heat-ups lays its own faults on one of them. A fault of
status (open, short, missing, implausible) shows itself in its row. A wrong value is bad from when it can be
known: a stuck or detached place once it has read at least KNOWN_C off what its metal reads for KNOWN_ROWS
rows in a row, which is more than the physics' own patience; before that nobody could tell it from metal.
A spike is bad in its own row where it hides metal below the target. Two swapped probes change no minimum.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from probe_agent import supervisor
from probe_agent.config import NEED_BELOW_C, TARGET_C, Settings
from probe_agent.engine_sim import Event, Happening
from probe_agent.readings import Fault, Forecast, Observation, Point, State
from probe_agent.supervisor import Facts, Rules, Watch
from probe_agent.thermal.doubt import Doubt
from probe_agent.thermal.estimator import Estimator
from tests.bench import heatups
from tests.bench.heatups import Row, Setup

Kind = Literal["open", "short-gnd", "missing", "implausible", "stuck", "spike", "detached", "swapped"]
STATUS: tuple[Kind, ...] = ("open", "short-gnd", "missing", "implausible")
VALUE: tuple[Kind, ...] = ("stuck", "detached", "spike")
EVERY_S = 120.0
BEFORE_S, AFTER_S = 1200.0, 2700.0
KNOWN_C, KNOWN_ROWS = 2.6, 5
"""The physics doubts from 2 °C on, against what was usual; and a reading's own error on both sides."""
WARM = (State.ABOVE_TARGET, State.READY)


@dataclass(frozen=True, slots=True)
class Morning:
    """A heat-up from its beginning, and from which row the property is watched. clean: what each place reads
    with a sound probe; air: what it would read off its metal (rows, places); forecasts: a row each."""

    setup: Setup
    rows: tuple[Row, ...]
    first: int
    clean: np.ndarray
    air: np.ndarray
    forecasts: tuple[Forecast, ...]


@dataclass(frozen=True, slots=True)
class ProbeTrouble:
    """One fault: of which column, from row to row (the last one excluded), by how much or with which."""

    kind: Kind
    column: int
    from_row: int
    to_row: int
    size_c: float = 0.0
    other: int = -1


def mornings(numbers: Sequence[int], seed: int = 11) -> list[Morning]:
    """One morning of each of these setups, with a soak long enough for ready and the heater then off."""
    return [_morning(heatups.draw_setup(seed, n)) for n in numbers]


def _morning(setup: Setup) -> Morning:
    plain = heatups.draw_heat_up(setup, 3, EVERY_S, "ordinary")
    assert plain.on_s is not None
    assert plain.crossing_s is not None
    end_s = plain.crossing_s + AFTER_S
    off = Event(plain.crossing_s + 0.8 * AFTER_S, Happening.HEATER_OFF)
    recipe = replace(plain.recipe, events=(*plain.recipe.events, off))
    begin_s = plain.on_s - heatups.REST_S
    rows = heatups.followed(recipe, setup.required, begin_s, end_s, EVERY_S)
    loose = tuple(Event(0.0, Happening.PROBE_DETACHED, p) for p in setup.places)
    hung = replace(recipe, events=tuple(sorted((*loose, *recipe.events), key=lambda e: e.t_s)))
    air = heatups.followed(hung, setup.required, begin_s, end_s, EVERY_S)
    first = next(k for k, r in enumerate(rows) if r.seen.t_s >= max(plain.on_s, plain.crossing_s - BEFORE_S))
    return Morning(setup, rows, first, _table(setup, rows), _table(setup, air), _forecasts(setup, rows))


def _table(setup: Setup, rows: Sequence[Row]) -> np.ndarray:
    return np.array([[r.seen.values_c[p] for p in setup.required] for r in rows])


def _forecasts(setup: Setup, rows: Sequence[Row]) -> tuple[Forecast, ...]:
    """What the physics says on the sound morning, asked every ten minutes."""
    estimator = estimator_of(setup)
    out, forecast = [], Forecast(0.0)
    for k, row in enumerate(rows):
        estimator.observe(row.seen)
        forecast = estimator.forecast() if k % 5 == 0 else estimator.glance(forecast)
        out.append(replace(forecast, fan=type(forecast.fan)()))
    return tuple(out)


def estimator_of(setup: Setup) -> Estimator:
    return Estimator(setup.places, setup.required, TARGET_C, NEED_BELOW_C, setup.prior)


def troubles_of(morning: Morning, rng: np.random.Generator) -> tuple[ProbeTrouble, ...]:
    """One to three faults, at most two of them wrong values, so that most places are sound; or a swap."""
    count, places = len(morning.rows), morning.clean.shape[1]
    columns = rng.permutation(places)
    if rng.random() < 0.1:
        return (ProbeTrouble("swapped", int(columns[0]), morning.first, count, other=int(columns[1])),)
    out = []
    for column in columns[: rng.integers(1, 4)]:
        few = sum(t.kind in VALUE for t in out) < 2 and len(out) < 2
        kinds = (*STATUS, *VALUE, *VALUE) if few else STATUS[:4]
        if any(t.kind in STATUS for t in out) and not few:
            break
        kind = kinds[int(rng.integers(len(kinds)))]
        begin = int(rng.integers(morning.first, count - 4))
        lasts = 1 if kind == "spike" else int(rng.choice([1, 2, 5, 20, 60, count]))
        size_c = float(rng.choice([-1, 1]) * rng.uniform(4, 60))
        out.append(ProbeTrouble(kind, int(column), begin, min(begin + lasts, count), size_c))
    return tuple(out)


@dataclass(frozen=True, slots=True)
class Troubled:
    """What is read with the faults: value_c (rows, places), nan where there is none; status of such;
    bad (rows,): whether a required place is bad; spiked (rows,)."""

    value_c: np.ndarray
    status: Mapping[tuple[int, int], str]
    bad: np.ndarray
    spiked: np.ndarray


def lay(morning: Morning, troubles: Sequence[ProbeTrouble]) -> Troubled:
    """The faults on the sound readings."""
    value_c = morning.clean.copy()
    status: dict[tuple[int, int], str] = {}
    spiked = np.zeros(len(value_c), dtype=bool)
    for t in troubles:
        span = slice(t.from_row, t.to_row)
        if t.kind in STATUS:
            value_c[span, t.column] = np.nan
            status |= {(k, t.column): Fault(t.kind).value for k in range(t.from_row, t.to_row)}
        elif t.kind == "stuck":
            value_c[span, t.column] = value_c[t.from_row, t.column]
        elif t.kind == "detached":
            value_c[span, t.column] = _coming_off(morning, t)
        elif t.kind == "spike":
            value_c[span, t.column] += t.size_c
            spiked[span] = True
        else:
            value_c[span, [t.column, t.other]] = value_c[span, [t.other, t.column]]
    return Troubled(value_c, status, _is_bad(morning, troubles, value_c), spiked)


def _coming_off(morning: Morning, t: ProbeTrouble) -> np.ndarray:
    """From metal to air with a time constant of a minute and a half."""
    span = slice(t.from_row, t.to_row)
    lasting = np.exp(-EVERY_S * np.arange(t.to_row - t.from_row) / 90.0)
    air = morning.air[span, t.column]
    return air + (morning.clean[span, t.column] - air) * lasting


def _is_bad(morning: Morning, troubles: Sequence[ProbeTrouble], value_c: np.ndarray) -> np.ndarray:
    bad = np.isnan(value_c).any(1)
    for t in troubles:
        if t.kind in ("stuck", "detached"):
            off = np.abs(value_c[:, t.column] - morning.clean[:, t.column]) > KNOWN_C
            off[t.to_row :] = False
            for k in range(KNOWN_ROWS, len(off)):
                bad[k] |= off[k - KNOWN_ROWS + 1 : k + 1].all()
    return bad


def watched(morning: Morning, troubled: Troubled) -> list[tuple[int, State, tuple[str, ...], bool]]:
    """Row, state, kinds of messages, whether any required place is not believed: through doubt and
    supervisor, the physics expecting what the sound morning reads."""
    doubt, watch, rules = Doubt(), Watch(), _rules()
    places = morning.setup.required
    out = []
    for k in range(morning.first, len(morning.rows)):
        gaps = troubled.value_c[k] - morning.clean[k]
        read = {p: float(g) for p, g in zip(places, gaps, strict=True) if not np.isnan(g)}
        if k == morning.first:
            doubt.settle(dict.fromkeys(places, 0.0))
        doubt.take(morning.rows[k].seen.t_s, read, {})
        forecast = replace(morning.forecasts[k], set_aside=tuple(sorted(doubt.set_aside)))
        watch, kinds = _stepped(watch, rules, _points(morning, troubled, k), forecast)
        assert watch.state is not None
        out.append((k, watch.state, kinds, bool(doubt.set_aside)))
    return out


def watched_by_physics(
    morning: Morning, troubled: Troubled
) -> list[tuple[int, State, tuple[str, ...], bool]]:
    """The same, all through the real estimator, which knows nothing of the sound morning."""
    estimator, watch, rules = estimator_of(morning.setup), Watch(), _rules()
    forecast, out = Forecast(0.0), []
    for k, row in enumerate(morning.rows):
        estimator.observe(_observed(morning, troubled, k, row.seen))
        forecast = estimator.forecast() if k % 5 == 0 else estimator.glance(forecast)
        watch, kinds = _stepped(watch, rules, _points(morning, troubled, k), forecast)
        assert watch.state is not None
        out.append((k, watch.state, kinds, bool(forecast.set_aside)))
    return out


def _rules() -> Rules:
    return replace(supervisor.rules_of(Settings()), interval_s=EVERY_S)


def _points(morning: Morning, troubled: Troubled, k: int) -> tuple[Point, ...]:
    return tuple(
        Point(p, troubled.status.get((k, i), "ok"), None if np.isnan(v) else float(v))
        for i, (p, v) in enumerate(zip(morning.setup.required, troubled.value_c[k], strict=True))
    )


def _observed(morning: Morning, troubled: Troubled, k: int, seen: Observation) -> Observation:
    required = morning.setup.required
    values = {p: v for p, v in seen.values_c.items() if p not in required}
    row = zip(required, troubled.value_c[k], strict=True)
    return replace(seen, values_c=values | {p: float(v) for p, v in row if not np.isnan(v)})


def _stepped(
    watch: Watch, rules: Rules, points: tuple[Point, ...], forecast: Forecast
) -> tuple[Watch, tuple[str, ...]]:
    facts = Facts(forecast.t_s, supervisor.doubt(points, forecast), forecast)
    step = supervisor.step(watch, facts, rules)
    return step.watch, tuple(a.kind for a in step.announcements)
