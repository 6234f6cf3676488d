"""What no engine metal can do: values beyond its range, and jumps until they have stood. Pure.

A half-detached wire gives plausible numbers, for one row or for many. What no metal can have is no value.
A place that jumps alone is kept from the physics until a third reading in a row stands by the first (stricter
than two of three), and from what is said until the physics has had the time to set the place aside.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from enum import StrEnum

LOWEST_C, HIGHEST_C = -60.0, 400.0
"""No air an aircraft stands in is colder, no cylinder head or case hotter (judgement)."""
STEP_C, SLEW_C_PER_S = 1.0, 0.1
"""What a place may differ by from its last value, and the more the longer that is ago: 6 °C a minute, which
only an engine that runs exceeds, and then not in one place alone."""
TOGETHER = 0.5
"""A place that moves at least so much of it the same way speaks for a jump."""
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

    def judge(self, t_s: float, c: float, is_borne_out: bool) -> Standing:
        limit_c = STEP_C + SLEW_C_PER_S * max(t_s - self.seen_s, 0.0)
        self.seen_s = t_s
        if abs(c - self.believed_c) <= limit_c or is_borne_out:
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

    def judge(
        self, t_s: float, values_c: Mapping[str, float], free: Collection[str] = ()
    ) -> dict[str, Standing]:
        """How far each value of a row [run s, °C] is to be believed. free: places that are no metal, whose
        values may jump."""
        possible = {p: c for p, c in values_c.items() if LOWEST_C <= c <= HIGHEST_C}
        metal = {p: c for p, c in possible.items() if p not in free}
        steps = {p: c - self._trails[p].believed_c for p, c in metal.items() if p in self._trails}
        found = dict.fromkeys(values_c, Standing.IMPOSSIBLE) | dict.fromkeys(possible, Standing.BELIEVED)
        for place, c in metal.items():
            if place in steps:
                found[place] = self._trails[place].judge(t_s, c, _is_borne_out(place, steps))
            else:
                self._trails[place] = _Trail(c, t_s)
        return found


def _is_borne_out(place: str, steps: Mapping[str, float]) -> bool:
    """Whether another place moves with it, as where the engine runs."""
    mine = steps[place]
    return any(other / mine >= TOGETHER for p, other in steps.items() if p != place) if mine else True
