"""The unprobed core: what lies between the crankcase's walls, estimated from what surrounds it.

A bank of possible cores follows the probed metal, each with its own lag and its own loss through the
propeller. No probe sees the core, so nothing here is fitted: the range stays what the prior makes it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from probe_agent.thermal.network import Array
from probe_agent.thermal.prior import Prior

AROUND = ("case-nose", "case-top", "accessory-case")
"""Places whose metal holds the core."""
_LOG_LAG_SD = 0.7  # wide on purpose: engines differ, and nothing measures it; judgement, no source
_LOGIT_LOST, _LOGIT_LOST_SD = -2.0, 0.8  # some 5 to 30 % of the rise goes out by the propeller (judgement)


class CoreBank:
    """Possible cores, as many as there are samples.

    Args:
        places: names of the places, in the order of the values given later.
        normals: (b, 5) standard normals that draw the bank.
        start_sd_c: spread of the core's start against the metal around it [°C].
        sump_share: middle share of the sump in what surrounds the core: its warmth reaches the bearings
            through the case's bottom, where no probe is.
    """

    def __init__(
        self, places: Sequence[str], normals: Array, start_sd_c: float, sump_share: float = 0.0
    ) -> None:
        around = [i for i, p in enumerate(places) if p in AROUND]
        self._mean_of = np.array(around or range(len(places)))
        self._values_c: dict[int, float] = {}
        self._lag_of = np.exp(_LOG_LAG_SD * normals[:, 0])
        self._lost = 1 / (1 + np.exp(-(_LOGIT_LOST + _LOGIT_LOST_SD * normals[:, 1])))
        self._weigh_coldest = 1 / (1 + np.exp(-normals[:, 2]))
        self._start_c = start_sd_c * normals[:, 3]
        self._sump = places.index("sump") if "sump" in places else None
        self._sump_share = 2 * sump_share / (1 + np.exp(-1.5 * normals[:, 4]))
        self.core_c: Array | None = None

    def _towards(self, around: Array, air_c: Array | float) -> Array:
        """Where each core would settle: short of the metal by what the propeller carries off."""
        return np.asarray(around - self._lost * (around - air_c))

    def follow(self, values_c: Mapping[int, float], air_c: float, dt_s: float, lag_s: float) -> None:
        """Live dt_s under these probed temperatures (by column) and this air; lag_s: median lag."""
        self._values_c.update(values_c)
        if not self._values_c:
            return
        every = self._values_c
        picked = [every[i] for i in self._mean_of.tolist() if i in every] or list(every.values())
        mean, coldest = float(np.mean(picked)), min(every.values())
        around = mean + self._weigh_coldest * (coldest - mean)
        if self._sump in every:
            around = around + self._sump_share * max(every[self._sump] - mean, 0.0)
        if self.core_c is None:
            self.core_c = around + self._start_c * (1 + max(every.values()) - coldest)
            return
        goal = self._towards(around, min(air_c, coldest))
        self.core_c = goal + (self.core_c - goal) * np.exp(-dt_s / (lag_s * self._lag_of))

    def coming(self, t_s: Array, nodes: Array, air_c: Array, lag_s: float) -> Array:
        """The cores in sampled futures: (b, k). nodes: (b, k, n); air_c: (b, k−1)."""
        if self.core_c is None:
            raise ValueError("no temperature was seen yet")
        mean = nodes[:, :, self._mean_of].mean(2)
        coldest = nodes.min(2)
        around = mean + self._weigh_coldest[:, None] * (coldest - mean)
        if self._sump is not None:
            around += self._sump_share[:, None] * np.maximum(nodes[:, :, self._sump] - mean, 0.0)
        out = np.empty(around.shape)
        out[:, 0] = core = self.core_c
        middle = (around[:, :-1] + around[:, 1:]) / 2
        goal = middle - self._lost[:, None] * np.maximum(middle - air_c, 0.0)
        keep = np.exp(-np.diff(t_s) / (lag_s * self._lag_of[:, None]))
        for k in range(len(t_s) - 1):
            core = goal[:, k] + (core - goal[:, k]) * keep[:, k]
            out[:, k + 1] = core
        return out


_SAMPLES = 256
_LAG_S = 2400.0
_START_SD_C = 0.4


class AloneCore:
    """The core followed through stored temperatures, without the rest of the physics: for the record of what
    was measured before it was watched. Its range is that of a bank of the same prior."""

    def __init__(self, places: Sequence[str], prior: Prior) -> None:
        normals = np.random.default_rng(20_130_102).standard_normal((_SAMPLES, 5))
        self._columns = {place: i for i, place in enumerate(places)}
        self._bank = CoreBank(tuple(places), normals, _START_SD_C, prior.core_sump_share)
        self._lag_s = _LAG_S if prior.core_lag_s is None else prior.core_lag_s
        self._t_s: float | None = None
        self._air_c: float | None = None

    def follow(
        self, t_s: float, values_c: Mapping[str, float], air_c: float | None
    ) -> tuple[float, float, float] | None:
        """The core at t_s [°C], 10, 50, 90 %; None before anything was measured."""
        seen = {self._columns[p]: c for p, c in values_c.items() if p in self._columns}
        self._air_c = self._air_c if air_c is None else air_c
        coldest = min(seen.values(), default=0.0)
        dt_s = 0.0 if self._t_s is None else max(0.0, t_s - self._t_s)
        self._bank.follow(seen, coldest if self._air_c is None else self._air_c, dt_s, self._lag_s)
        self._t_s = t_s
        if self._bank.core_c is None:
            return None
        low, middle, high = (float(q) for q in np.quantile(self._bank.core_c, (0.1, 0.5, 0.9)))
        return low, middle, high
