"""Readings a person took with an infrared or contact thermometer, handed in by the agent."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable

from probe_agent.readings import Fault, Method, ProbeFault, Reading, Scan


class HandEntries:
    """The hand readings of this run as a source; its addresses are the places' slugs.

    Kept in memory only: the agent stores them and hands them in again after a start.
    """

    name = "hand"
    deadline_s = 1.0

    def __init__(self, max_age_s: float = 1200.0, expected: Iterable[str] = ()) -> None:
        """No entry yet.

        Args:
            max_age_s: run seconds after which an entry no longer counts [s].
            expected: places reported from the start, as missing until someone enters a value.
        """
        if max_age_s <= 0:
            raise ValueError("max_age_s must be above 0")
        self._max_age_s = max_age_s
        self._places: dict[str, dict[int, Reading]] = {place: {} for place in expected}
        self._ids = itertools.count(1)

    @property
    def addresses(self) -> tuple[str, ...]:
        """Every place expected or ever entered."""
        return tuple(self._places)

    def enter(self, place: str, t_s: float, value_c: float, method: Method) -> int:
        """The id of a new entry, for `undo`.

        Args:
            place: slug of the place.
            t_s: run second at which it was taken; may lie before this run began (negative) [s].
            value_c: the thermometer's number [°C].
            method: INFRARED or CONTACT.

        Raises ValueError for a value or time that isn't finite, or a method that isn't a person's.
        """
        if not (math.isfinite(value_c) and math.isfinite(t_s)):
            raise ValueError(f"{place}: {value_c} °C at {t_s} s is not a reading")
        if method not in (Method.INFRARED, Method.CONTACT):
            raise ValueError(f"{place}: a hand reading is infrared or contact, not {method}")
        entry = next(self._ids)
        self._places.setdefault(place, {})[entry] = Reading(place, t_s, value_c, value_c, method=method)
        return entry

    def undo(self, entry: int) -> bool:
        """Whether there was such an entry; it is gone now, and the one before it counts again."""
        return any(entries.pop(entry, None) is not None for entries in self._places.values())

    def next_at(self, now_s: float) -> float | None:
        return now_s

    def read(self, now_s: float) -> Scan:
        """The latest entry of each place, stamped with the second it was taken; one older than
        max_age_s is STALE, none at all MISSING. An entry from after now_s doesn't count yet."""
        return Scan(now_s, tuple(self._sample(place, now_s) for place in self._places))

    def close(self) -> None:
        """Nothing is held open."""

    def _sample(self, place: str, now_s: float) -> Reading | ProbeFault:
        taken = [(r.t_s, entry, r) for entry, r in self._places[place].items() if r.t_s <= now_s]
        if not taken:
            return ProbeFault(place, now_s, Fault.MISSING, "nobody has entered a value")
        t_s, _, latest = max(taken)
        if now_s - t_s > self._max_age_s:
            age_min = (now_s - t_s) / 60
            return ProbeFault(place, now_s, Fault.STALE, f"entered {age_min:.0f} min ago")
        return latest
