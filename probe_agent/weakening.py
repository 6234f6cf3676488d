"""Whether the heater, or its share at one place, has become weaker over the heat-ups of a setup. Pure.

Looked at is how fast each place warms from ten to forty minutes after heater-on, at full heat: late
enough that the heat has come through, early enough that losses are small.
"""

from __future__ import annotations

import statistics
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from probe_agent import words

FROM_S, TO_S = 600.0, 2400.0
_AROUND_S = 300.0
_LEAST_SHARE = 0.3
_LIKE_COLD_C = 6.0
_LAST, _BEFORE = 3, 3
_MONTH_S = 30 * 86_400.0
_HEATER_LESS = 0.15
"""Voltage, wind and fit scatter such a rate by some 5 % (simulated engine); the median of three by less."""
_PLACE_LESS = 0.25


class Row(Protocol):
    """One instant: UTC seconds, °C a place, heater share."""

    @property
    def at(self) -> float: ...

    @property
    def values_c(self) -> Mapping[str, float]: ...

    @property
    def heater(self) -> float | None: ...


@dataclass(frozen=True, slots=True)
class Warming:
    """How a heat-up began: its place's temperatures at the start in the middle [°C], and how fast each
    place warmed at full heat [°C/h]."""

    at: float
    cold_c: float
    rates_c_per_h: Mapping[str, float]


class WarmingSeen:
    """Collects a heat-up's warming from its rows as they come, without keeping them."""

    def __init__(self, on_at: float, places: Iterable[str]) -> None:
        self._on_at = on_at
        self._places = tuple(places)
        self._sums: dict[tuple[str, float], list[float]] = {}
        self._start: dict[str, float] = {}
        self._shares: list[float] = []

    def add(self, row: Row) -> None:
        """Take the next row."""
        since_s = row.at - self._on_at
        values = {p: row.values_c[p] for p in self._places if p in row.values_c}
        if since_s <= 0:
            self._start |= values
        for mark_s in (FROM_S, TO_S):
            if abs(since_s - mark_s) <= _AROUND_S:
                for place, c in values.items():
                    total = self._sums.setdefault((place, mark_s), [0.0, 0.0, 0.0])
                    total[0] += c
                    total[1] += since_s
                    total[2] += 1
        if 0 <= since_s <= TO_S:
            self._shares.append(1.0 if row.heater is None else row.heater)

    def result(self) -> Warming | None:
        """The warming; None where the heat didn't last, or too little was read."""
        share = statistics.mean(self._shares) if self._shares else 0.0
        rates = {p: r for p in self._places if (r := self._rate_c_per_h(p)) is not None}
        if not self._start or not rates or share < _LEAST_SHARE or min(self._shares[-3:]) <= 0:
            return None
        cold_c = statistics.median(self._start.values())
        return Warming(self._on_at, cold_c, {p: rate / share for p, rate in rates.items()})

    def _rate_c_per_h(self, place: str) -> float | None:
        early, late = self._sums.get((place, FROM_S)), self._sums.get((place, TO_S))
        if early is None or late is None:
            return None
        span_s = late[1] / late[2] - early[1] / early[2]
        return (late[0] / late[2] - early[0] / early[2]) / span_s * 3600


def weakened(warmings: Sequence[Warming]) -> tuple[str, ...]:
    """What has become weaker, in words: the last three against earlier ones at like cold.

    warmings: of one setup, oldest first. The heater as a whole is compared with three or more at least a
    month before, one place's part of the heat with three or more at any time before.
    """
    last = warmings[-_LAST:]
    if len(last) < _LAST:
        return ()
    cold_c = statistics.median(w.cold_c for w in last)
    before = [w for w in warmings[:-_LAST] if abs(w.cold_c - cold_c) <= _LIKE_COLD_C]
    if any(abs(w.cold_c - cold_c) > _LIKE_COLD_C for w in last):
        return ()
    found = [_heater([w for w in before if w.at <= last[0].at - _MONTH_S], last), _places(before, last)]
    return tuple(text for text in found if text)


def _heater(before: Sequence[Warming], last: Sequence[Warming]) -> str:
    if len(before) < _BEFORE:
        return ""
    places = _common(before, last)
    now, then = ([_mean(w, places) for w in group] for group in (last, before)) if places else ([], [])
    less = _lost(now, then)
    if less < _HEATER_LESS:
        return ""
    return f"at like cold everything warms {100 * less:.0f} % slower than it did a month or more before"


def _places(before: Sequence[Warming], last: Sequence[Warming]) -> str:
    """Places whose part of the heat has shrunk; named with the largest loss."""
    if len(before) < _BEFORE or len(places := _common(before, last)) < 2:
        return ""
    lost = {}
    for place in places:
        others = [p for p in places if p != place]
        now, then = ([w.rates_c_per_h[place] / _mean(w, others) for w in group] for group in (last, before))
        if (less := _lost(now, then)) >= _PLACE_LESS:
            lost[place] = less
    if not lost or len(lost) > len(places) / 2:
        return ""
    many = "s" if len(lost) == 1 else ""
    return f"{words.place_list(lost)} get{many} {100 * max(lost.values()):.0f} % less of the heat than before"


def _common(before: Sequence[Warming], last: Sequence[Warming]) -> list[str]:
    """Places that clearly warmed in all of them."""
    groups = [*before, *last]
    return [p for p in groups[-1].rates_c_per_h if all(w.rates_c_per_h.get(p, 0.0) > 1.0 for w in groups)]


def _mean(warming: Warming, places: Sequence[str]) -> float:
    return statistics.mean(warming.rates_c_per_h[p] for p in places)


def _lost(now: Sequence[float], then: Sequence[float]) -> float:
    """By what share the best of the last ones lies under the middle of those before, at least; 0 where
    any of them is no weaker."""
    if not now or not then:
        return 0.0
    middle = statistics.median(then)
    spread = statistics.median(abs(t - middle) for t in then) / middle
    less = 1 - statistics.median(now) / middle
    return less if less > 3 * spread and max(now) < middle * (1 - less / 2) else 0.0
