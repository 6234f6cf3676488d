"""What no engine metal can do: values beyond its range, and jumps until they have stood. Pure.

A half-detached wire gives plausible numbers, for one row or for many. What no metal can have is no value.
A jump is kept from the physics until a third reading in a row stands by the first (stricter than two of
three), and from what is said until the physics has had the time to set the place aside.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

LOWEST_C, HIGHEST_C = -60.0, 400.0
"""No air an aircraft stands in is colder, no cylinder head or case hotter (judgement)."""
STEP_C, SLEW_C_PER_S = 5.0, 0.2
"""What a reading may differ by from the one before, and the faster the longer that is ago: 12 °C a minute,
more than any heater warms a cylinder by (3.4 on the simulated engine) and than that engine running (9)."""
AGREEING_ROWS = 3
TRIED_S, TRIED_ROWS = 60.0, 4
"""Longer than the physics needs to set a place aside (thermal.doubt: 45 s, three rows)."""


class Standing(StrEnum):
    """How far a value is to be believed."""

    BELIEVED = "believed"
    TRIED = "tried"  # for the physics, which may set the place aside; not yet for what is said
    WITHHELD = "withheld"
    IMPOSSIBLE = "impossible"  # no metal can have it


@dataclass(slots=True)
class _Trail:
    """One place: the last value believed, when any was last seen, and the jump that waits."""

    believed_c: float
    seen_s: float
    jump: list[tuple[float, float]] = field(default_factory=list)

    def judge(self, t_s: float, c: float) -> Standing:
        limit_c = STEP_C + SLEW_C_PER_S * max(t_s - self.seen_s, 0.0)
        self.seen_s = t_s
        if abs(c - self.believed_c) <= limit_c:
            return self._believe(c)
        if self.jump and abs(c - self.jump[-1][1]) > limit_c:
            self.jump.clear()
        self.jump.append((t_s, c))
        tried = self.jump[AGREEING_ROWS - 1 :]
        if not tried:
            return Standing.WITHHELD
        is_over = len(tried) > TRIED_ROWS and t_s - tried[0][0] >= TRIED_S
        return self._believe(c) if is_over else Standing.TRIED

    def _believe(self, c: float) -> Standing:
        self.believed_c = c
        self.jump.clear()
        return Standing.BELIEVED


class Jumps:
    """Follows what each place reads. After a gap in its readings a place may read what it likes."""

    def __init__(self) -> None:
        self._trails: dict[str, _Trail] = {}

    def judge(self, place: str, t_s: float, c: float, may_jump: bool = False) -> Standing:
        """How far a new value of a place is to be believed [run s, °C]. may_jump: it is no metal."""
        if not LOWEST_C <= c <= HIGHEST_C:
            return Standing.IMPOSSIBLE
        trail = self._trails.get(place)
        if trail is None or may_jump:
            self._trails[place] = _Trail(c, t_s)
            return Standing.BELIEVED
        return trail.judge(t_s, c)
