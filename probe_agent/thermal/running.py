"""Whether the engine itself runs, or has just run, with its probes on: from its cylinders alone.

Fire inside heats all cylinders at once and faster than any heater can. On the simulated engine the slowest
cylinder of each kind of heater rises by at most 3.4 K a minute (10 kW of hot air; electric ones, at three
times their watts, 1.5), and by 9 to 14 at a fast idle; FASTER_C_PER_MIN lies between (judgement, no source).
Two cylinders at least must be read: what warms one alone may be a probe.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence

import numpy as np

from probe_agent.config import CYLINDER
from probe_agent.readings import Observation, Sign, SignKind

FASTER_C_PER_MIN = 6.0
_SOON_S, _OVER_S, _LONGEST_S = 28.0, 100.0, 400.0
"""A rate is taken over _OVER_S: longer than a probe's lag, rows no further apart; a hint over _SOON_S."""
_ROWS = 2  # one row may be damaged
_FALLEN_C = 4.0  # below the hottest of the run, and falling on: it has stopped
_FALLS_C_PER_MIN = -0.3
_EVEN_C = 8.0
"""Places no further apart than that are those of an engine that has evened out."""
_LONGEST_AFTER_S = 4 * 3600.0


class Running:
    """Follows one engine row by row.

    sign: the engine runs, or ran, since when; None otherwise. may_run: a minute before that can be told,
    nothing else should be read from a rise.
    """

    def __init__(self, places: Sequence[str]) -> None:
        self._cylinders = tuple(p for p in places if CYLINDER.match(p))
        self._rows: deque[Observation] = deque(maxlen=128)
        self._fast = 0
        self._hottest_c = -math.inf
        self._stopped_s: float | None = None
        self.sign: Sign | None = None
        self.may_run = False

    def take(self, obs: Observation) -> bool:
        """One row; True where the engine starts, stops, or has evened out."""
        before, self._hottest_c = self.sign, max(self._hottest_c, self._middle(obs))
        rate, soon = self._rate(obs, _OVER_S), self._rate(obs, _SOON_S)
        self.may_run = self.sign is not None or (soon is not None and soon > FASTER_C_PER_MIN)
        self._fast = self._fast + 1 if rate is not None and rate > FASTER_C_PER_MIN else 0
        if self._fast >= _ROWS:
            self._starts(obs)
        elif self.sign is not None and self.sign.kind is SignKind.ENGINE_RUNS:
            self._may_stop(obs)
        elif self.sign is not None and self._is_over(obs):
            self.sign = None
        self._rows.append(obs)
        return self.sign != before

    def _starts(self, obs: Observation) -> None:
        if self.sign is not None and self.sign.kind is SignKind.ENGINE_RUNS:
            return
        earlier = self._earlier(obs, _OVER_S)
        self.sign = Sign(SignKind.ENGINE_RUNS, obs.t_s if earlier is None else earlier.t_s)
        self._hottest_c = self._middle(obs)

    def _may_stop(self, obs: Observation) -> None:
        assert self.sign is not None
        now_c = self._middle(obs)
        if not self._hottest_c - now_c >= _FALLEN_C or math.isinf(now_c):
            return
        earlier = self._earlier(obs, _OVER_S)
        then_c = math.inf if earlier is None else self._middle(earlier)  # a gap: nothing says it runs on
        falls_c = _FALLS_C_PER_MIN / 60.0 * (0.0 if earlier is None else obs.t_s - earlier.t_s)
        if now_c - then_c < falls_c:
            self.sign, self._stopped_s = Sign(SignKind.ENGINE_RAN, self.sign.since_s), obs.t_s

    def _is_over(self, obs: Observation) -> bool:
        values = [v for p, v in obs.values_c.items() if p not in obs.sigma_c]
        late = self._stopped_s is not None and obs.t_s - self._stopped_s > _LONGEST_AFTER_S
        return late or (len(values) > 2 and max(values) - min(values) < _EVEN_C)

    def _rate(self, obs: Observation, over_s: float) -> float | None:
        """How fast the slowest cylinder rises [K/min]; None where too few can be compared."""
        earlier = self._earlier(obs, over_s)
        if earlier is None:
            return None
        both = [p for p in self._cylinders if p in obs.values_c and p in earlier.values_c]
        if len(both) < 2 or obs.sigma_c:
            return None
        rise = min(obs.values_c[p] - earlier.values_c[p] for p in both)
        return 60.0 * rise / (obs.t_s - earlier.t_s)

    def _earlier(self, obs: Observation, over_s: float) -> Observation | None:
        """The newest row so far back, to take a rate over."""
        fit = (r for r in reversed(self._rows) if r.t_s <= obs.t_s - over_s and not r.sigma_c)
        found = next(fit, None)
        return found if found is not None and obs.t_s - found.t_s <= _LONGEST_S else None

    def _middle(self, obs: Observation) -> float:
        values = [obs.values_c[p] for p in self._cylinders if p in obs.values_c]
        return float(np.median(values)) if values else -math.inf
