"""Whether the heater warms: believed where measured, tested where only commanded, found where unknown."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

import numpy as np

from probe_agent.readings import Observation
from probe_agent.thermal.evidence import Evidence
from probe_agent.thermal.network import SHARED, Array
from probe_agent.thermal.prior import Prior
from probe_agent.thermal.recognition import is_heaters

HeaterMode = Literal["measured", "command", "none"]
Change = Literal["new", "changed"]

_ON = 0.01  # share below which a heater counts as off
_RETURN_S = 1150.0  # an interruption is over after twenty minutes or so, or stays (judgement)
_SURE = 6.0  # log odds at which the curve is believed
_WHOLE = (0.6, 1.6)  # share of the heating that came or went: less is another supply, more no heater
_LEVELS = 2000
_SHORTEST_S, _LONGEST_S = 240.0, 1200.0  # of an interruption that ends by itself
_PAUSE_S, _PAUSES = 180.0, 1.5


class Heating:
    """Share of full power through the run, heater-on and heater-off.

    heating: True, False, None unknown. on_at: start of this heat-up; off_at: when the heating ended.
    share: what holds from the last observation on. rewritten_from: set where the past turned out
    another than assumed, share then holds from there on. recognised: without a signal, whether the rise
    is a heater's; until then heating is None, and what is expected is expected if this goes on.
    """

    def __init__(self, mode: HeaterMode, prior: Prior) -> None:
        self._mode = mode
        self._prior = prior
        self._command = 0.0
        self._levels: list[float] = []
        self._told = False
        self._pauses_s: list[float] = []
        self._heated_s = self._rested_s = 0.0
        self._rests = 0
        self._followed_s: float | None = None
        self.heating: bool | None = None
        self.share = 0.0
        self.on_at: float | None = None
        self.on_sd_s = 0.0
        self.recognised = False
        self.off_at: float | None = None
        self.rewritten_from: float | None = None

    @property
    def is_tested(self) -> bool:
        """Whether the curve has a say: the heater's power is not measured and a heat-up was begun."""
        return self.on_at is not None and (self._mode != "measured" or not self._told)

    @property
    def told(self) -> bool:
        """Whether the heater's signal was ever heard of."""
        return self._told

    @property
    def told_on(self) -> bool:
        """Whether the heater's signal says that it warms; False without a signal."""
        return self._told and self._command > _ON

    @property
    def expected(self) -> float:
        """Share that would hold if the heater worked."""
        return self._command if self._mode == "command" and self._told else 1.0

    def take(self, obs: Observation, recent: Sequence[Observation], looks: bool = True) -> Change | None:
        """Take one observation; "new" where a heat-up begins, "changed" where the heater changed. looks:
        whether a rise may be a heater's, where no signal tells."""
        self.rewritten_from = None
        if self._mode == "none" or obs.heater is None:
            # A signal that was there and is missing in this row holds on.
            return None if self._told or not looks else self._look_for(obs, recent)
        self._told = True
        return self._follow(obs.t_s, obs.heater)

    def judge(self, evidence: Evidence, now_s: float) -> Change | None:
        """Stop or resume where the curve leaves little doubt."""
        if evidence.log_odds < _SURE or not _WHOLE[0] < evidence.seen < _WHOLE[1]:
            return None
        if self.heating is not False:
            if now_s - evidence.changed_s < self._patience_s():
                return None
            self.off_at = self.rewritten_from = evidence.changed_s
            self.heating, self.share = False, 0.0
            return "changed"
        if self._mode == "command" and self._command <= _ON:
            return None
        self.rewritten_from = evidence.changed_s
        if self.off_at is not None:
            self._pauses_s.append(evidence.changed_s - self.off_at)
        self.off_at = None
        self.heating, self.share = (True if self._told or self.recognised else None), self.expected
        return "changed"

    def disown(self, since_s: float) -> None:
        """The engine has run since since_s: from there on its warmth is no heater's. What the heater's own
        signal says stands."""
        self.rewritten_from = None
        if self._told:
            return
        was = self.recognised and self.heating is True and self.on_at is not None and self.on_at < since_s
        if was or (self.heating is False and self.on_at is not None):
            self.off_at = since_s if was else self.off_at
            self.heating, self.share = False, 0.0
        else:
            self.on_at = self.off_at = self.heating = None
            self.recognised, self.share = False, 0.0

    def _patience_s(self) -> float:
        """How long the heat must have been gone to count as stopped: longer than a thermostat's pause, and
        than the pauses this heat-up had already. One alone tells of no thermostat."""
        if not self._prior.is_engine:
            return 0.0
        usual_s = _PAUSES * max(self._pauses_s) if len(self._pauses_s) > 1 else 0.0
        return min(max(_PAUSE_S, usual_s), _RETURN_S)

    def share_at(self, row: Observation) -> float:
        """Share that held after a row that was taken before."""
        if self._told and row.heater is not None:
            return row.heater if row.heater > _ON else 0.0
        return self.expected if self.on_at is not None and row.t_s >= self.on_at else 0.0

    @property
    def _goes_on(self) -> bool:
        """Whether something warms, a heater or not."""
        return self.heating is True or (self.heating is None and self.on_at is not None)

    def level(self) -> float:
        """Share at which heating goes on, were it to go on."""
        if self._goes_on:
            return self.share
        return self._levels[-1] if self._levels else (1.0 if self.on_at is not None else 0.0)

    def mean_share(self) -> float | None:
        """Share of full power this heat-up was heated with, in the mean; None where none was told.

        A thermostat's pauses count, so that this is what went into the engine; one pause alone is an
        interruption, and what it was heated with is the rest.
        """
        if not self._levels or self._heated_s <= 0:
            return None
        rested_s = self._rested_s if self._rests > 1 else 0.0
        return float(np.mean(self._levels)) * self._heated_s / (self._heated_s + rested_s)

    def coming(self, t_s: Array, now_s: float, uniforms: Array) -> Array:
        """Heater share of each future in each step that begins t_s from now: (b, k).

        A heater that stopped comes back in some futures, the fewer the longer it has been off; one that
        was modulated goes on so.
        """
        shape = (len(uniforms), len(t_s))
        if self._goes_on:
            steady = np.full(shape, self.share) if self._is_steady() else self._modulated(t_s, uniforms)
            return steady * self._uninterrupted(t_s, uniforms)
        if self.off_at is None or self.level() <= 0:
            return np.zeros(shape)
        off_for = max(0.0, now_s - self.off_at)
        chance = self._prior.comes_back * np.exp(-((off_for / _RETURN_S) ** 2))
        back_in = -np.log(np.maximum(uniforms[:, 1], 1e-9)) * np.clip(off_for, 120.0, 1200.0)
        returns = uniforms[:, 0] < chance
        return np.where(returns[:, None] & (t_s >= back_in[:, None]), self.level(), 0.0)

    def _follow(self, t_s: float, share: float) -> Change | None:
        """The heater's own signal: power where measured, wish where commanded."""
        on, was_on = share > _ON, self._command > _ON
        self._command = share if on else 0.0
        if was_on and self._followed_s is not None:
            self._heated_s += t_s - self._followed_s
        self._followed_s = t_s
        change: Change | None = None
        if on and not was_on:
            change = "changed"
            if self._is_new(t_s):
                change, self.on_at, self._levels, self._pauses_s = "new", t_s, [], []
                self._heated_s, self._rested_s, self._rests = 0.0, 0.0, 0
            elif self.off_at is not None:
                self._rested_s, self._rests = self._rested_s + t_s - self.off_at, self._rests + 1
            self.heating, self.off_at = True, None
        elif was_on and not on:
            change = "changed"
            self.off_at = t_s if self.heating is not False else self.off_at
            self.heating = False
        elif self.heating is None:
            self.heating = on
        self.share = self._command if self.heating else 0.0
        if on:
            self._levels.append(share)
            del self._levels[:-_LEVELS]
        return change

    def _is_new(self, t_s: float) -> bool:
        """Whether heating at t_s begins another heat-up: never before, or off for long."""
        if self.on_at is None or self.off_at is None:
            return True
        on_for, off_for = self.off_at - self.on_at, t_s - self.off_at
        longest = 3600.0 if self._prior.is_engine else 1800.0
        return off_for > min(longest, max(60.0, on_for))

    def _look_for(self, obs: Observation, recent: Sequence[Observation]) -> Change | None:
        """Without a signal: a heat-up that begins, or what was unknown turns out a heater's."""
        if self.heating is None and self.on_at is not None:
            if is_heaters([*recent, obs], self.on_at, self.on_sd_s, self._prior.reading_sd_c):
                self.heating = self.recognised = True
            return None
        return self._find_start(obs, recent)

    def _find_start(self, obs: Observation, recent: Sequence[Observation]) -> Change | None:
        """Without a signal: a clear rise over the rest before it."""
        over = self.off_at is not None and obs.t_s - self.off_at > 3600.0
        if self.on_at is not None and not over:
            return None
        rows = [r for r in recent if not self._prior.is_engine or r.t_s > obs.t_s - 1500.0]
        rise = _clear_rise([*rows, obs], self._prior)
        if rise is None:
            return None
        self.on_at, self.on_sd_s = rise
        self.off_at, self._pauses_s = None, []
        # Of what is not described nothing but its heater is known to warm it.
        self.recognised = not self._prior.is_engine
        self.heating, self.share = self.recognised or None, 1.0
        return "new"

    def _uninterrupted(self, t_s: Array, uniforms: Array) -> Array:
        """Share of each step in which heat is not interrupted: in few futures once, for some minutes."""
        if self._prior.interrupted_per_h == 0:
            return np.ones((len(uniforms), len(t_s)))
        begins = -np.log(np.maximum(uniforms[:, 0], 1e-9)) * 3600 / self._prior.interrupted_per_h
        ends = begins + _SHORTEST_S + (_LONGEST_S - _SHORTEST_S) * uniforms[:, 1]
        borders = np.append(t_s, 2 * t_s[-1] - t_s[-2] if len(t_s) > 1 else t_s[-1] + 60.0)
        late, early = np.minimum(borders[1:], ends[:, None]), np.maximum(borders[:-1], begins[:, None])
        return np.asarray(1.0 - np.maximum(late - early, 0.0) / np.diff(borders))

    def _is_steady(self) -> bool:
        return len(self._levels) < 2 or float(np.std(self._levels)) < 0.05

    def _modulated(self, t_s: Array, uniforms: Array) -> Array:
        """Each future leaves the present share halfway for one seen before."""
        seen = np.array(self._levels)
        chosen = seen[(uniforms[:, 2] * len(seen)).astype(int)]
        return np.where(t_s > 0, 0.5 * self.share + 0.5 * chosen[:, None], self.share)


def _clear_rise(rows: Sequence[Observation], prior: Prior) -> tuple[float, float] | None:
    """Start of a steady rise of any place and its uncertainty [s]; None where there is none."""
    if len(rows) < 5:
        return None
    needed = max(4 * prior.reading_sd_c, 1.0 if prior.is_engine else 0.6)
    starts = []
    for place in rows[-1].values_c:
        points = [(r.t_s, r.values_c[place]) for r in rows if place in r.values_c]
        if len(points) < 5:
            continue
        t, v = np.array(points).T
        risen = v - np.median(v[: max(2, len(v) // 3)])
        if np.median(risen[-3:]) < needed or risen[-1] < risen[-3] - prior.reading_sd_c:
            continue
        low = np.flatnonzero(risen < needed / 2)
        start = float(t[low[-1]]) if len(low) else float(t[0])
        starts.append((start, max(0.3 * (float(t[-1]) - start), 1.0)))
    if not starts:
        return None
    start, sd = min(starts)
    if prior.is_engine:
        # The rise comes after its heater's lag, and the later the weaker it is.
        lag_s = math.exp(float(prior.shared_mean[SHARED.index("log_lag_s")]))
        wait_s = float(t[-1]) - start
        start, sd = start - 0.5 * wait_s, math.hypot(0.5 * wait_s, 0.3 * lag_s)
    return start, sd
