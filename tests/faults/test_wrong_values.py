"""Wrong values on the simulated engine's heat-ups (rows A7, A8, A13): whatever befalls the probes, nothing is
called above target or ready while a required place is bad."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from probe_agent import supervisor
from probe_agent.config import TARGET_C, Settings
from probe_agent.jumps import Jumps, Standing
from probe_agent.readings import Fault, Point, State
from probe_agent.supervisor import Watch
from probe_agent.thermal.doubt import Doubt
from tests import faulty_mornings
from tests.bench.heatups import Row
from tests.faulty_mornings import EVERY_S, WARM, Morning, ProbeTrouble, Troubled, lay, troubles_of

HEAT_UPS, LONG = 2_000, 10_000
BY_PHYSICS, LONG_BY_PHYSICS = 12, 160
FALSE_WARMTH_C = 3.2
"""What a wrong value may hide before the physics can know it, and a dip of the last digit."""

STEP_S = 15.0
Way = Callable[[Morning, Troubled], list[tuple[int, State, tuple[str, ...], bool]]]


@pytest.fixture(scope="module")
def mornings() -> Sequence[Morning]:
    return faulty_mornings.mornings((0, 1, 3, 4, 6, 7))


def faults(
    morning: Morning, troubles: Sequence[ProbeTrouble], way: Way, patient: bool
) -> tuple[list[str], bool, bool]:
    """What a troubled heat-up said against the rule, in words; whether it was warm, and bad, at any row.

    patient: wrong values count from when the physics set them aside, for it, not the test, has to find out
    what is usual.
    """
    troubled = lay(morning, troubles)
    said: list[str] = []
    before: State | None = None
    was_warm = False
    for k, state, kinds, doubted in way(morning, troubled):
        without = bool(np.isnan(troubled.value_c[k]).any())
        bad = (without or doubted) if patient else bool(troubled.bad[k])
        warm = state in WARM or any(kind in ("above-target", "ready", "holding") for kind in kinds)
        if warm and bad:
            said.append(f"row {k}: {state}, {kinds} with {troubles}")
        cold = morning.clean[k].min() < TARGET_C
        if warm and troubled.spiked[k] and before not in WARM and cold:
            said.append(f"row {k}: {state} by a spike, {troubles}")
        if warm and not patient and morning.clean[k].min() < TARGET_C - FALSE_WARMTH_C:
            said.append(f"row {k}: {state} at {morning.clean[k].min():.1f} °C, {troubles}")
        before, was_warm = state, was_warm or warm
    return said, was_warm, bool(troubled.bad.any())


def count(mornings: Sequence[Morning], number: int, way: Way, patient: bool, seed: int) -> tuple[int, int]:
    """Runs that many heat-ups; how many were called warm at some row, and how many rows were bad."""
    rng = np.random.default_rng(seed)
    warm = bad = 0
    for k in range(number):
        morning = mornings[k % len(mornings)]
        troubles = troubles_of(morning, rng)
        said, was_warm, was_bad = faults(morning, troubles, way, patient)
        assert said == []
        warm, bad = warm + was_warm, bad + was_bad
    return warm, bad


def test_nothing_is_called_warm_while_a_required_place_is_bad(mornings: Sequence[Morning]) -> None:
    """A13: two thousand heat-ups with random faults."""
    warm, bad = count(mornings, HEAT_UPS, faulty_mornings.watched, False, 1)
    # The test would be empty if nothing were ever warm, or nothing bad.
    assert warm > HEAT_UPS / 4
    assert bad > HEAT_UPS / 2


def test_nor_through_the_whole_physics(mornings: Sequence[Morning]) -> None:
    """A13, the physics finding out by itself what is wrong."""
    count(mornings, BY_PHYSICS, faulty_mornings.watched_by_physics, True, 2)


@pytest.mark.long
def test_nor_in_ten_thousand(mornings: Sequence[Morning]) -> None:
    """A13, as above."""
    count(mornings, LONG, faulty_mornings.watched, False, 3)
    count(mornings, LONG_BY_PHYSICS, faulty_mornings.watched_by_physics, True, 4)


def test_swapped_probes_make_nothing_warm_that_is_not(mornings: Sequence[Morning]) -> None:
    """A11, A13: a minimum over all required places doesn't change with their order."""
    for morning in mornings:
        sound = faulty_mornings.watched(morning, lay(morning, ()))
        swap = (ProbeTrouble("swapped", 0, morning.first, len(morning.rows), other=1),)
        swapped = faulty_mornings.watched(morning, lay(morning, swap))
        pairs = zip(swapped, sound, strict=True)
        assert not [k for (k, now, _, _), (_, was, _, _) in pairs if now in WARM and was not in WARM]


# -- A7


def test_samples_handed_out_twice_hardly_move_a_forecast(mornings: Sequence[Morning]) -> None:
    """A7: the kernel hands back the sample before, each place one time in four. The middle of the forecast
    moves by less than four minutes in the median and no place is set aside."""
    clean, doubled = _lived(mornings[3], 0.0), _lived(mornings[3], 0.25)
    both = [(a, b) for (a, _), (b, _) in zip(clean, doubled, strict=True) if a is not None and b is not None]
    assert len(both) > 5
    assert float(np.median([abs(a - b) for a, b in both])) < 240.0
    assert not [aside for _, aside in doubled if aside]


def _lived(morning: Morning, share: float) -> list[tuple[float | None, tuple[str, ...]]]:
    """The middle of "above target" and the places set aside, every ten minutes, with so many samples old."""
    rng = np.random.default_rng(7)
    estimator = faulty_mornings.estimator_of(morning.setup)
    before: dict[str, float] = {}
    out = []
    for k, row in enumerate(morning.rows):
        values = {
            p: before[p] if p in before and rng.random() < share else v for p, v in row.seen.values_c.items()
        }
        before = dict(row.seen.values_c)
        estimator.observe(replace(row.seen, values_c=values))
        if k % 5 == 0 and k >= morning.first:
            forecast = estimator.forecast()
            out.append((forecast.above_p50, forecast.set_aside))
    return out


# -- A8


def fine(morning: Morning) -> Morning:
    """The rows about the crossing, one each 15 s."""
    rows, every = morning.rows, round(EVERY_S / STEP_S)
    coarse = np.arange(morning.first, len(rows))
    at = np.arange(morning.first * every, (len(rows) - 1) * every) / every
    clean = np.array(
        [np.interp(at, coarse, morning.clean[coarse, i]) for i in range(morning.clean.shape[1])]
    ).T
    t_s = np.interp(at, coarse, [rows[k].seen.t_s for k in coarse])
    seen = tuple(SimpleNamespace(seen=SimpleNamespace(t_s=float(t))) for t in t_s)
    forecasts = tuple(morning.forecasts[int(k)] for k in at)
    return Morning(morning.setup, cast("tuple[Row, ...]", seen), 0, clean, clean, forecasts)


def nonsense(rng: np.random.Generator, clean: np.ndarray) -> tuple[np.ndarray, int]:
    """The same with one place that gives nonsense for a while, off by so much or anything; and which."""
    value_c, rows = clean.copy(), len(clean)
    place = int(rng.integers(clean.shape[1])) if rng.random() < 0.4 else int(clean.min(0).argmin())
    begin, lasts = int(rng.integers(4, rows - 4)), int(rng.choice([1, 2, 3, 4, 6, 10, 40, rows]))
    span = slice(begin, min(begin + lasts, rows))
    if rng.random() < 0.7:
        value_c[span, place] += rng.choice([-1, 1]) * rng.uniform(4, 60)
    else:
        value_c[span, place] = rng.uniform(-110, 150, len(value_c[span, place]))
    return value_c, place


def warm_rows(morning: Morning, value_c: np.ndarray) -> list[int]:
    """The rows called above target or ready, through jumps, doubt and supervisor as in a tick."""
    jumps, doubt, watch, places = Jumps(), Doubt(), Watch(), morning.setup.required
    rules = supervisor.rules_of(Settings())
    doubt.settle(dict.fromkeys(places, 0.0))
    out = []
    for k, row in enumerate(morning.rows):
        t_s, values = row.seen.t_s, dict(zip(places, map(float, value_c[k]), strict=True))
        standing = jumps.judge(t_s, values)
        seen = {p for p in places if standing[p] in (Standing.BELIEVED, Standing.TRIED)}
        gaps = dict(zip(places, value_c[k] - morning.clean[k], strict=True))
        doubt.take(t_s, {p: float(gaps[p]) for p in sorted(seen)}, {})
        forecast = replace(morning.forecasts[k], t_s=t_s, set_aside=tuple(sorted(doubt.set_aside)))
        points = tuple(
            supervisor_point(p, values[p] if standing[p] is Standing.BELIEVED else None) for p in places
        )
        facts = supervisor.Facts(t_s, supervisor.doubt(points, forecast), forecast)
        watch = supervisor.step(watch, facts, rules).watch
        if watch.state in WARM:
            out.append(k)
    return out


def supervisor_point(place: str, value_c: float | None) -> Point:
    status = "ok" if value_c is not None else Fault.UNCONFIRMED.value
    return Point(place, status, value_c)


def falsely_warm(mornings: Sequence[Morning], number: int, seed: int) -> tuple[list[str], int]:
    """Rows called warm while the metal is colder than a wrong value may hide, and heat-ups called warm."""
    rng, wrong, warm = np.random.default_rng(seed), [], 0
    for k in range(number):
        morning = mornings[k % len(mornings)]
        value_c, place = nonsense(rng, morning.clean)
        rows = warm_rows(morning, value_c)
        warm += bool(rows)
        cold = [r for r in rows if morning.clean[r].min() < TARGET_C - 3.2]
        wrong += [f"{k}: place {place}, row {r} at {morning.clean[r].min():.1f} °C" for r in cold]
    return wrong, warm


def test_nonsense_of_one_place_calls_no_cold_engine_warm(mornings: Sequence[Morning]) -> None:
    """A8: heat-ups of the simulated engine, one place off by 4 to 60 °C or anywhere for 1 row to all."""
    wrong, warm = falsely_warm([fine(m) for m in mornings[:2]], 40, 8)
    assert wrong == []
    assert warm > 12


@pytest.mark.long
def test_nor_in_two_thousand_heat_ups(mornings: Sequence[Morning]) -> None:
    """A8, as above."""
    wrong, warm = falsely_warm([fine(m) for m in mornings], 2_000, 9)
    assert wrong == []
    assert warm > 500
