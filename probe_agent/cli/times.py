"""When housekeeping is due under the wall's clock, which a board without one of its own sets by decades."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

from apscheduler.triggers.base import BaseTrigger

DAY_S = 86_400.0
LATE_S = 3600
"""A time of the week that was missed by more, as by a clock that was set, is left out."""


class Instants(BaseTrigger):  # type: ignore[misc]  # the package has no types
    """Due at instants worked out from the present alone: a clock set decades ahead passes one of them, not
    each of the thousands between, and a local time that comes twice is one of them.

    next_at: the first such instant after an instant, both in UTC seconds.
    """

    def __init__(self, next_at: Callable[[float], float | None]) -> None:
        self._next_at = next_at

    def get_next_fire_time(self, previous: datetime | None, now: datetime) -> datetime | None:
        at = self._next_at(now.timestamp())
        return None if at is None else datetime.fromtimestamp(at, UTC)


def daily(utc_hour: int) -> Callable[[float], float]:
    """Each day at an hour of UTC."""

    def next_at(now_at: float) -> float:
        return (now_at - utc_hour * 3600) // DAY_S * DAY_S + DAY_S + utc_hour * 3600

    return next_at


def rearm(scheduler: Any) -> None:
    """The wall's clock was set: what is due is worked out from where it stands now. Else a clock that went
    back by years would have to catch up first."""
    for job in scheduler.get_jobs():
        scheduler.reschedule_job(job.id, trigger=job.trigger)
