"""What the forecasts of a setup would be without one of its heat-ups, or with it again.

Worked out as leaving it out would work it out: what the heat-ups teach anew, one after the other. Then
the last heat-ups are seen twice up to a quarter of the way, upon either memory. It writes nothing.
"""

from __future__ import annotations

import statistics
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from probe_agent.archive import Archive, StoredHeatup
from probe_agent.learning import LEAD_S, Course, Stopped, knowledge_of, learn_heatup, observed
from probe_agent.thermal.estimator import Estimator
from probe_agent.thermal.memory import Memory

JUDGED_SHARE = 0.25
"""How far a warm-up has come when forecasts are compared: later the curve says more than any memory."""
LAST = 10


@dataclass(frozen=True, slots=True)
class Difference:
    """Forecasts upon the memory there is and upon the other one. said: of each heat-up compared its number
    and by how much the middle was later than the truth [s], now and then; None where it said no time."""

    heat_ups_now: int
    heat_ups_then: int
    said: tuple[tuple[int, float | None, float | None], ...]

    @property
    def judged(self) -> list[tuple[float, float]]:
        """(now, then) [s] of those with a time both ways."""
        return [(now, then) for _, now, then in self.said if now is not None and then is not None]

    @property
    def shift_s(self) -> tuple[float, float, float]:
        """Least, median and most by which the forecasts would have been later [s]."""
        shifts = sorted(then - now for now, then in self.judged)
        return shifts[0], statistics.median(shifts), shifts[-1]

    @property
    def off_s(self) -> tuple[float, float]:
        """By how much the forecasts were off in half of them [s], now and then."""
        judged = self.judged
        return (
            statistics.median_high(abs(now) for now, _ in judged),
            statistics.median_high(abs(then) for _, then in judged),
        )


def difference(
    file: Path,
    course: Course,
    heatup: int,
    excluded: bool,
    tell: Callable[[int, int], None] = lambda done, of: None,
    stop: threading.Event | None = None,
) -> Difference:
    """What would change if a heat-up were left out (excluded), or counted again.

    tell: told of steps done and to do. Raises Stopped, StoreError, LookupError with the reason where it
    can't be told.
    """
    stop = stop or threading.Event()
    with Archive(file, read_only=True) as archive:
        setups = archive.alike(course.setup)
        heatups = archive.heatups(setups) if setups else []
        if heatup not in {h.heatup for h in heatups}:
            raise LookupError(f"heat-up {heatup} isn't over yet, or is of another setup")
        known = knowledge_of(archive, course)
        if known.outdated or known.waiting:
            raise LookupError("what the heat-ups teach is being worked out at this moment; ask again later")
        taught = [h for h in heatups if (h.excluded if h.heatup != heatup else excluded) is False]
        compared = [h for h in heatups if h.heatup != heatup and h.above_at is not None][-LAST:]
        steps = _Steps(len(taught) + len(compared), tell)
        then = _taught_by(archive, course, taught, steps, stop)
        said = tuple(_both(archive, course, h, (known.memory, then), steps, stop) for h in compared)
    return Difference(_heat_ups(known.memory), _heat_ups(then), said)


@dataclass(slots=True)
class _Steps:
    of: int
    tell: Callable[[int, int], None]
    done: int = 0

    def next(self) -> None:
        self.done += 1
        self.tell(self.done, self.of)


def _heat_ups(memory: Memory | None) -> int:
    return memory.heat_ups if memory is not None else 0


def _taught_by(
    archive: Archive, course: Course, heatups: Sequence[StoredHeatup], steps: _Steps, stop: threading.Event
) -> Memory | None:
    """What these heat-ups teach, one upon the other."""
    memory: Memory | None = None
    for heatup in heatups:
        _, memory = learn_heatup(archive, course, heatup, memory, stop)
        steps.next()
    return memory


def _both(
    archive: Archive,
    course: Course,
    heatup: StoredHeatup,
    memories: tuple[Memory | None, Memory | None],
    steps: _Steps,
    stop: threading.Event,
) -> tuple[int, float | None, float | None]:
    now, then = (_off_s(archive, course, heatup, memory, stop) for memory in memories)
    steps.next()
    return heatup.heatup, now, then


def _off_s(
    archive: Archive, course: Course, heatup: StoredHeatup, memory: Memory | None, stop: threading.Event
) -> float | None:
    """By how much the forecast a quarter of the way is later than the truth; None where it says no time."""
    assert heatup.above_at is not None
    truth_s = heatup.above_at - heatup.started_at
    first, last, _ = archive.span(heatup, LEAD_S, heatup.ended_at)
    estimator = Estimator(
        course.places, course.required, heatup.target_c, course.need_c, course.prior, memory
    )
    hand = archive.hand_values(heatup.started_at - LEAD_S, heatup.ended_at)
    rows = archive.curve(first, last, course.thermocouples)
    for _, obs in observed(rows, hand, -heatup.started_at, course.places):
        if stop.is_set():
            raise Stopped
        if obs.t_s > JUDGED_SHARE * truth_s:
            break
        estimator.observe(obs)
    middle_s = estimator.forecast().above_p50
    return None if middle_s is None else middle_s - truth_s
