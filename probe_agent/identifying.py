"""Which probe somebody is warming by hand: values tick by tick → the one that rises, or why none is named.

Pure. A hand or warm water around one probe lifts it by degrees within a minute, while the others stay or
drift together; so each is compared with how far the others moved, and with its own noise before.
"""

from __future__ import annotations

import statistics
from collections.abc import Mapping
from dataclasses import dataclass, field

REST_TICKS = 4
"""So many ticks at rest tell where each probe is and how much it wanders."""
RISE_C = 2.0
"""A hand lifts a ring or a washer by more than that within a minute (common practice, no source)."""
NOISES = 6.0
"""A rise counts from so many standard deviations of the probe's own noise at rest."""
SECOND_SHARE = 0.4
"""Another probe that rises by more than this share of the first rises too: neither is named."""
TICKS_TO_BELIEVE = 2
MOST_TICKS = 40


@dataclass(frozen=True, slots=True)
class Outcome:
    """What is known after a tick.

    kind: "resting" (hold no probe yet), "waiting" (warm one now), "found", "several" (two or more rise
    together: begin anew, one alone), "none" (time is up and none rose). addresses: the one that rises, or
    those that rise together. rises_c: by how much each has risen more than the others [°C].
    """

    kind: str
    addresses: tuple[str, ...] = ()
    rises_c: Mapping[str, float] = field(default_factory=dict)


class Round:
    """One probe to be found. Addresses in `passed` have been placed already and are not asked about:
    a probe that cools from its own round neither hides nor stands for another."""

    def __init__(self, passed: frozenset[str] = frozenset()) -> None:
        self._passed = passed
        self._rest: list[dict[str, float]] = []
        self._level_c: dict[str, float] = {}
        self._needed_c: dict[str, float] = {}
        self._candidates: tuple[str, ...] = ()
        self._agreed = 0
        self._ticks = 0

    def take(self, values_c: Mapping[str, float]) -> Outcome:
        """The outcome with this tick. values_c: address → °C, of those that measured."""
        values_c = {a: c for a, c in values_c.items() if a not in self._passed}
        if len(self._rest) < REST_TICKS:
            self._rest.append(dict(values_c))
            if len(self._rest) == REST_TICKS:
                self._settle()
            return Outcome("waiting" if len(self._rest) == REST_TICKS else "resting")
        self._ticks += 1
        rises_c = self._rises(values_c)
        rising = self._rising(rises_c)
        self._agreed = self._agreed + 1 if rising and rising == self._candidates else 1
        self._candidates = rising
        if rising and self._agreed >= TICKS_TO_BELIEVE:
            return Outcome("found" if len(rising) == 1 else "several", rising, rises_c)
        if self._ticks >= MOST_TICKS:
            return Outcome("none", (), rises_c)
        return Outcome("waiting", (), rises_c)

    def _settle(self) -> None:
        """Level and threshold of each probe that measured at rest throughout."""
        for address in set.intersection(*(set(row) for row in self._rest)):
            values = [row[address] for row in self._rest]
            self._level_c[address] = statistics.fmean(values)
            self._needed_c[address] = max(RISE_C, NOISES * statistics.stdev(values))

    def _rises(self, values_c: Mapping[str, float]) -> dict[str, float]:
        """By how much each probe has risen more than the middle one of the others."""
        raw = {a: values_c[a] - level_c for a, level_c in self._level_c.items() if a in values_c}
        rises: dict[str, float] = {}
        for address, rise_c in raw.items():
            others = [r for a, r in raw.items() if a != address]
            rises[address] = rise_c - (statistics.median_low(others) if others else 0.0)
        return rises

    def _rising(self, rises_c: Mapping[str, float]) -> tuple[str, ...]:
        """Those that rise: the first by far, and any that rises beside it; none below the threshold."""
        if not rises_c:
            return ()
        first = max(rises_c, key=lambda a: rises_c[a])
        if rises_c[first] < self._needed_c[first]:
            return ()
        beside = [a for a, r in rises_c.items() if a != first and r > SECOND_SHARE * rises_c[first]]
        return (first, *sorted(beside))
