"""Whether the heater warms: believed where measured, tested where only commanded, found where unknown."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np

from probe_agent.readings import Observation
from probe_agent.thermal.network import Array
from probe_agent.thermal.prior import Prior

_ON = 0.01  # share below which a measured heater counts as off
_RETURN_S = 1800.0  # an interruption is over after half an hour or stays


class Heating:
    """Share of full power through the run, heater-on and heater-off.

    heating: True, False, None unknown. on_at: start of this heat-up; off_at: when the heating ended.
    share: what holds from the last observation on. rewritten_from: set by `take` when the past was
    another than assumed.
    """

    def __init__(self, mode: Literal["measured", "command", "none"], prior: Prior) -> None:
        self._mode = mode
        self._prior = prior
        self.heating: bool | None = None
        self.share = 0.0
        self.on_at: float | None = None
        self.on_sd_s = 0.0
        self.off_at: float | None = None
        self.rewritten_from: float | None = None
        self._levels: list[float] = []

    def take(self, obs: Observation, recent: Sequence[Observation]) -> Literal["new", "change"] | None:
        """Take one observation; "new" where a heat-up begins, "change" where the heater changed."""
        self.rewritten_from = None
        if self._mode == "none" or obs.heater is None:
            return self._infer(obs, recent)
        return self._believe(obs, obs.heater)

    def share_at(self, row: Observation, last: bool) -> float:
        """Share that holds after a row that was taken before."""
        if last:
            return self.share
        if self._mode == "none" or row.heater is None:
            return self.share if self.on_at is not None and row.t_s >= self.on_at else 0.0
        return row.heater if row.heater > _ON else 0.0

    def _believe(self, obs: Observation, share: float) -> Literal["new", "change"] | None:
        on = share > _ON
        change: Literal["new", "change"] | None = None
        if on and self.heating is not True:
            change = "new" if self._is_new(obs.t_s) else "change"
            if change == "new":
                self.on_at = obs.t_s
                self._levels = []
            self.off_at = None
        elif not on and self.heating is True:
            self.off_at = obs.t_s
            change = "change"
        self.heating = on
        self.share = share if on else 0.0
        if on:
            self._levels.append(share)
            del self._levels[:-2000]
        return change

    def _is_new(self, t_s: float) -> bool:
        """Whether heating at t_s begins another heat-up: never before, or off for long."""
        if self.on_at is None or self.off_at is None:
            return True
        on_for, off_for = self.off_at - self.on_at, t_s - self.off_at
        longest = 3600.0 if self._prior.is_engine else 1800.0
        return off_for > min(longest, max(60.0, on_for))

    def _infer(self, obs: Observation, recent: Sequence[Observation]) -> Literal["new", "change"] | None:
        """Without a signal: a rise of several reading errors over the coldest rest is a heater."""
        if self.on_at is not None:
            return None
        rows = [*recent, obs]
        rise = _clear_rise(rows, self._prior.reading_sd_c)
        if rise is None:
            return None
        self.on_at, self.on_sd_s = rise
        self.heating, self.share = True, 1.0
        return "new"

    def level(self) -> float:
        """Share at which heating goes on, were it to go on."""
        if self.heating is True:
            return self.share
        return self._levels[-1] if self._levels else 0.0

    def coming(self, t_s: Array, now_s: float, uniforms: Array) -> Array:
        """Heater share of each future in each step that begins t_s from now: (b, k)."""
        shape = (len(uniforms), len(t_s))
        if self.heating is True:
            return np.full(shape, self.share) if self._steady() else self._modulated(t_s, uniforms)
        if self.off_at is None or not self._levels:
            return np.zeros(shape)
        off_for = now_s - self.off_at
        chance = self._prior.comes_back * np.exp(-off_for / _RETURN_S)
        back_in = -np.log(np.maximum(uniforms[:, 1], 1e-9)) * max(120.0, min(off_for, 1200.0))
        returns = uniforms[:, 0] < chance
        return np.where(returns[:, None] & (t_s >= back_in[:, None]), self.level(), 0.0)

    def _steady(self) -> bool:
        return len(self._levels) < 2 or float(np.std(self._levels)) < 0.05

    def _modulated(self, t_s: Array, uniforms: Array) -> Array:
        """A heat that was modulated stays so: each future leaves the present share for one seen before."""
        seen = np.array(self._levels)
        chosen = seen[(uniforms[:, 2] * len(seen)).astype(int)]
        return np.where(t_s > 0, 0.5 * self.share + 0.5 * chosen[:, None], self.share)


def _clear_rise(rows: Sequence[Observation], sd_c: float) -> tuple[float, float] | None:
    """Start of a steady rise and its uncertainty [s]; None where there is none."""
    if len(rows) < 5:
        return None
    places = set(rows[-1].values_c)
    best: tuple[float, float] | None = None
    for place in places:
        points = [(r.t_s, r.values_c[place]) for r in rows if place in r.values_c]
        if len(points) < 5:
            continue
        t, v = np.array(points).T
        base = float(np.median(v[: max(2, len(v) // 3)]))
        risen = v - base
        if np.median(risen[-3:]) < max(4 * sd_c, 0.6) or risen[-1] < risen[-3] - sd_c:
            continue
        above = np.flatnonzero(risen < max(2 * sd_c, 0.3))
        start = float(t[above[-1]]) if len(above) else float(t[0])
        if best is None or start < best[0]:
            best = (start, max(0.3 * (float(t[-1]) - start), 1.0))
    return best
