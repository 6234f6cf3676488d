"""The points of a tick: those not believed, those that read the heater, the missing, the coldest."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from probe_agent.config import NEVER_COLDEST, may_be_coldest
from probe_agent.readings import Fault, Forecast, Point, Sign, SignKind
from probe_agent.supervisor.watch import Facts, Watch

HEATER_READ_FOR_S = 600.0
"""So long after heater-off a probe beside a heater part still reads some of its warmth (judgement; the
heater-off test measures by how much)."""


def doubt(points: Iterable[Point], forecast: Forecast) -> tuple[Point, ...]:
    """The same points, those the physics does not believe without their value."""
    return tuple(
        replace(p, status=Fault.IMPLAUSIBLE.value, value_c=None)
        if p.place in forecast.set_aside and p.usable
        else p
        for p in points
    )


def less_heater(
    watch: Watch, points: Iterable[Point], reads_heater_c: Mapping[str, float], forecast: Forecast
) -> tuple[Point, ...]:
    """The same points, those that read the heater counting for less while it warms and ten minutes on.

    After heater-off such a probe falls by itself: then it counts as no more than it did at the last
    warming, so that nothing is taken off twice.

    reads_heater_c: places and by how much they read it [K].
    """
    off_s = forecast.heater_off_at
    cooling = forecast.heating is False
    if cooling and (off_s is None or forecast.t_s - off_s >= HEATER_READ_FOR_S):
        return tuple(points)
    if forecast.heating is None and forecast.heater_on_at is None:
        return tuple(points)

    def counted(p: Point) -> Point:
        fall_c = reads_heater_c.get(p.place, 0.0)
        if p.status != "ok" or p.value_c is None or fall_c <= 0:
            return p
        less_c = fall_c
        if cooling and (held_c := watch.counted_c.get(p.place)) is not None:
            less_c = min(max(p.value_c - held_c, 0.0), fall_c)
        return replace(p, reads_heater_c=fall_c, less_c=less_c)

    return tuple(counted(p) for p in points)


def missing_places(points: Iterable[Point]) -> tuple[str, ...]:
    """Required places without a value."""
    return tuple(p.place for p in points if p.required and not p.usable)


def coldest_of(points: Iterable[Point]) -> Point | None:
    """The coldest of the required points that have a value."""
    counted = [p for p in points if p.required and p.usable and may_be_coldest(p.place, p.near_heater)]
    return min(counted, key=lambda p: p.counted_c if p.counted_c is not None else 0.0, default=None)


def engine_points(points: Iterable[Point]) -> tuple[Point, ...]:
    return tuple(p for p in points if p.place not in NEVER_COLDEST)


def run_of(facts: Facts) -> Sign | None:
    """The engine itself, seen to run or to have run; None where it didn't."""
    found = (s for s in facts.forecast.signs if s.kind in (SignKind.ENGINE_RUNS, SignKind.ENGINE_RAN))
    return next(found, None)
