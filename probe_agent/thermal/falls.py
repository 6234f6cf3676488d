"""The heater-off test: how far each probe falls in the first minutes after heater-off.

Metal under a heater cools slowly; a probe that falls at once was reading the heater (common practice, no
source). What counts as much faster than the neighbours is judgement, no source.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence

import numpy as np

from probe_agent.readings import Observation
from probe_agent.thermal.memory import Fall

_LASTS_S, _AT_LEAST_S = 600.0, 300.0
_MUCH_C, _MUCH = 0.75, 2.0


class FallTest:
    """Watches for heater-off, and keeps each test that came to an end."""

    def __init__(self) -> None:
        self.done: list[Fall] = []
        self._before: tuple[float, Mapping[str, float]] | None = None
        self._rows: deque[Observation] = deque(maxlen=256)

    def take(self, obs: Observation, warms: bool, warmed: bool) -> None:
        """One observation; warms, warmed: whether the heater's signal says it warms now and before."""
        if self._before is not None and (warms or obs.t_s >= self._before[0] + _LASTS_S):
            self._finish()
        if warmed and not warms:
            self._before = obs.t_s, _middle([*list(self._rows)[-3:]])
            self._rows.clear()
        self._rows.append(obs)

    def _finish(self) -> None:
        assert self._before is not None
        off_s, before = self._before
        self._before = None
        rows = [r for r in self._rows if r.t_s > off_s + _AT_LEAST_S]
        after = _middle(rows[-3:])
        falls = {p: before[p] - after[p] for p in before if p in after}
        if len(falls) < 3:
            return
        for place, fall in falls.items():
            neighbours = float(np.median([f for p, f in falls.items() if p != place]))
            much = fall - neighbours > _MUCH_C and fall > _MUCH * max(neighbours, 0.25)
            self.done.append(Fall(place, off_s, fall, neighbours, much))


def _middle(rows: Sequence[Observation]) -> dict[str, float]:
    """Median of each place over these rows [°C]; places read by hand left out."""
    places = {p for r in rows for p in r.values_c if p not in r.sigma_c}
    return {p: float(np.median([r.values_c[p] for r in rows if p in r.values_c])) for p in places}
