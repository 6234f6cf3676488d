"""Where readings come from: one file a source, one protocol, one contract test."""

from __future__ import annotations

from typing import Protocol

from probe_agent.readings import Scan


class Source(Protocol):
    """A place temperatures come from.

    `read(now_s)` returns one sample for every address the source knows of, each a Reading or a
    ProbeFault stamped with the run's monotonic seconds; it never raises for a bad probe, returns
    within `deadline_s` real seconds, and one bad address never changes the samples of the others.
    `next_at(now_s)` is the run second at which the next row is due: `now_s` or earlier where the
    source can be asked at any time, None when it has ended for good.
    """

    name: str
    deadline_s: float

    def next_at(self, now_s: float) -> float | None: ...

    def read(self, now_s: float) -> Scan: ...

    def close(self) -> None: ...
