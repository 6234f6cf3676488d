"""The air to come at the aircraft, from whatever is known: its own air so far, a forecast, both, neither.

A forecast that reaches ahead goes through what the aircraft's air was against that station's (`air`).
Without one the air goes on as it is used to: a level, the day's course learned from the hours measured,
and a rest that wanders, all in one regularised regression, so that its width comes from those hours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from probe_agent.readings import Weather, WeatherHour
from probe_agent.thermal.air import (
    AirForecast,
    Stands,
    Station,
    clear_night,
    gamma,
    learn,
    own_air,
    regress,
    wandering,
    whiten,
)
from probe_agent.thermal.network import Array

RestsOn = Literal["forecast", "observed", "own-air", "nothing"]

STALE_S = 12 * 3600.0
"""A forecast issued longer ago than this is said to be old."""
_TOO_OLD_S = 72 * 3600.0
"""One issued longer ago than this is not used: nobody vouches for how its error grows."""
_FRESH_S = 6 * 3600.0
"""What was last measured longer ago than this yields to a station's observation."""
_HOUR_S = 3600.0
_WARMEST_H = 15.0
_LEVEL_SD_C = 6.0
_RESTS = [
    (memory_h * _HOUR_S, fresh) for memory_h in (6.0, 12.0, 24.0, 48.0, 96.0) for fresh in (0.002, 0.02)
]
"""Memory of the rest [s] and its fresh share: rounding, gusts."""


@dataclass(frozen=True, slots=True)
class AirKnown:
    """All that is known about the air, at one instant. Frozen, for asking from any thread.

    own: (run s, °C) of the aircraft's own air, hourly or so, strictly rising, none where it isn't measured;
    weather: what the source in use said last, None for none; past: hours kept of that source, observed or
    told for the hour when heard, rising; offset_s: run s + offset = UTC s; sun_h: hours by which local solar
    time is ahead of UTC.
    """

    own: tuple[tuple[float, float], ...] = ()
    weather: Weather | None = None
    past: tuple[WeatherHour, ...] = ()
    stands: Stands = "outside"
    offset_s: float = 0.0
    sun_h: float = 0.0


@dataclass(frozen=True, slots=True)
class AirAhead:
    """The air to come and what it rests on.

    air: sampled, from now on, for `answers`; rests_on: "forecast" a forecast that reaches ahead, "observed" a
    station's present air, "own-air" the aircraft's measured air alone, "nothing"; source, issued_s,
    reaches_s: of the weather used, None where none is. is_change: nothing tells the level, and `air` is the
    change from now (0 at now): give answers an outlook with air_known=True then.
    """

    air: AirForecast
    rests_on: RestsOn
    source: str | None = None
    issued_s: float | None = None
    reaches_s: float | None = None
    is_change: bool = False

    def band(self) -> Array:
        """10, 50 and 90 % at each of air.t_s: (3, k) [°C]."""
        return np.asarray(np.quantile(self.air.air_c, (0.1, 0.5, 0.9), axis=0))


def air_ahead(known: AirKnown, now_s: float, until_s: float, samples: int = 256) -> AirAhead:
    """The air at the aircraft from now_s to until_s, hourly, in so many sampled paths.

    It widens with the time ahead and with the age of what it rests on; the same arguments give the same
    paths, and later until_s the same beginning. samples: as many as the outlook has.
    Raises ValueError where until_s is not after now_s.
    """
    if until_s <= now_s:
        raise ValueError("the air to come ends after it begins")
    t_s = now_s + _HOUR_S * np.arange(int(np.ceil((until_s - now_s) / _HOUR_S)) + 1)
    own_s, own_c = (
        np.array(column, float) for column in (zip(*known.own, strict=True) if known.own else ((), ()))
    )
    if len(own_s):
        return AirAhead(_going_on(own_s, own_c, t_s, known, samples), "own-air")
    change = _going_on(np.array([now_s]), np.zeros(1), t_s, known, samples)
    from_now = AirForecast(t_s, change.air_c - change.air_c[:, :1])
    return AirAhead(from_now, "nothing", is_change=True)


# -- as it is used to


@dataclass(frozen=True, slots=True)
class _Belief:
    """Prior of the air that goes on: half the day's swing with its spread, spread of the rest [°C].
    Judgement, no source."""

    swing_c: float
    swing_sd_c: float
    rest_sd_c: float


_BELIEFS: dict[Stands, _Belief] = {
    "outside": _Belief(2.0, 1.5, 4.0),
    "unheated": _Belief(1.2, 1.0, 3.5),
    "heated": _Belief(0.3, 0.5, 1.5),
}


def _going_on(t_s: Array, air_c: Array, at_s: Array, known: AirKnown, samples: int) -> AirForecast:
    """Paths at at_s of an air last measured at t_s (k,) ≥ 1: level, the day's course, a rest that fades
    from where it was."""
    belief = _BELIEFS[known.stands]
    first_h = known.offset_s / _HOUR_S + known.sun_h
    centre_c = float(air_c.mean())
    seen = np.concatenate([(air_c - centre_c)[:, None], _day(t_s, first_h)], axis=1)[:, None]
    white, last, left, log_det = whiten(t_s, seen, _RESTS)
    mean0 = np.array([0.0, belief.swing_c, 0.0, 0.0, 0.0])
    sd0 = np.array(
        [_LEVEL_SD_C, belief.swing_sd_c, belief.swing_sd_c, 0.4 * belief.swing_sd_c, 0.4 * belief.swing_sd_c]
    )
    found = regress(white, log_det, mean0, sd0, belief.rest_sd_c)
    weight = np.exp(found.log_weight[:, 0] - found.log_weight.max())
    rng = np.random.default_rng(20_260_119)
    ranks = (rng.permutation(samples) + 0.5) / samples
    pick = np.minimum(np.searchsorted(np.cumsum(weight / weight.sum()), ranks), len(weight) - 1)
    normals = rng.standard_normal((samples, len(mean0) + 2))
    variance = found.scale[pick, 0] / gamma(found.shape, normals[:, -1])
    step = np.einsum("bij,bj->bi", found.factor[pick, 0], normals[:, :-2])
    coefficients = found.mean[pick, 0] + np.sqrt(variance)[:, None] * step
    start = np.einsum("bp,bp->b", last[pick, 0], np.c_[np.ones(samples), -coefficients])
    start += np.sqrt(variance * left[pick]) * normals[:, -2]
    memory_s, fresh = np.array(_RESTS).T[:, pick]
    shocks = rng.standard_normal((len(at_s), samples)).T
    rest = wandering(start, np.sqrt(variance * (1 - fresh)), memory_s, float(t_s[-1]), at_s, shocks)
    return AirForecast(at_s, centre_c + coefficients @ _day(at_s, first_h).T + rest)


def _day(t_s: Array, first_h: float) -> Array:
    """Columns of the level and the day's course at t_s: (k, 5). first_h: solar hour at 0."""
    turn = 2 * np.pi * (t_s / _HOUR_S + first_h - _WARMEST_H) / 24.0
    return np.stack(
        [np.ones(len(t_s)), np.cos(turn), np.sin(turn), np.cos(2 * turn), np.sin(2 * turn)], axis=1
    )
