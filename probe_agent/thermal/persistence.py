"""An air that goes on as it is used to: a level, the day's course, and a rest of a quick and a slow part.

All of it from the hours measured, in one regression (normal and inverse gamma, as in `air`), weighed over a
grid of how long the quick part is remembered, how smoothly it moves, and how large the slow one is. The
quick part is an Ornstein–Uhlenbeck process seen through a first-order lag: an hour's change goes on in the
next one, which without the lag would be taken for chance, and the coming hours called too narrow. The slow
part stands for air masses: without it a few days' mean would count as where the air returns to.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np

from probe_agent.thermal.air import AirForecast, Regression, Stands, gamma, regress
from probe_agent.thermal.network import Array

_HOUR_S = 3600.0
_WARMEST_H = 15.0
_LEVEL_SD_C = 6.0
_MOST_HOURS = 510
_SLOW_S = 240 * _HOUR_S
_FRESH = 0.002
_GRID = np.array(list(product((9.0, 18.0, 36.0), (0.5, 2.0, 4.0, 8.0), (0.5, 2.0, 8.0)))).T
_MEMORY_S, _LAG_S, _SLOW = _GRID[0] * _HOUR_S, _GRID[1] * _HOUR_S, _GRID[2]
"""Memory of the quick part [s], lag through which it is seen [s], variance of the slow part against the quick
one's; _SLOW_S: memory of the slow part [s]; _FRESH: variance of a reading against the quick part's."""
_SEEN = np.array([0.0, 1.0, 1.0])
_LEADS_S = _HOUR_S * np.array([1.0, 3.0, 6.0, 12.0, 18.0, 24.0])
_FORM_COUNTS = 2.0


@dataclass(frozen=True, slots=True)
class _Belief:
    """Prior: half the day's swing with its spread, spread of the rest [°C]. Judgement, no source."""

    swing_c: float
    swing_sd_c: float
    rest_sd_c: float


_BELIEFS: dict[Stands, _Belief] = {
    "outside": _Belief(2.0, 1.5, 4.0),
    "unheated": _Belief(1.2, 1.0, 3.5),
    "heated": _Belief(0.3, 0.5, 1.5),
}


def going_on(
    t_s: Array, air_c: Array, at_s: Array, stands: Stands, first_h: float, samples: int = 256
) -> AirForecast:
    """Paths of an air at at_s (k,), rising, from what was measured at t_s, hourly or so.

    t_s, air_c: (j,), j ≥ 1, rising, not after at_s; gaps stay gaps. first_h: local solar hour at run second
    0. The same arguments give the same paths, and more instants the same beginning.
    """
    t_s, air_c = t_s[-_MOST_HOURS:], air_c[-_MOST_HOURS:]
    fit = _fitted(t_s, air_c, stands, first_h)
    paths = _paths(fit, float(t_s[-1]), at_s, first_h, samples)
    middle = paths.mean(0)
    wider = np.interp(at_s - t_s[-1], np.r_[0.0, _LEADS_S], np.r_[1.0, _borne_out(fit, t_s)])
    return AirForecast(at_s, np.asarray(air_c.mean() + middle + wider * (paths - middle)))


@dataclass(frozen=True, slots=True)
class _Fit:
    """What the hours tell, for each point of the grid (r): weight (r,), the regression; seen (k, 6) air less
    its mean and the day's columns; states (k, r, 3, 6) and a root of the last one's covariance, as from
    `_whiten`."""

    weight: Array
    regression: Regression
    seen: Array
    states: Array
    left: Array


def _fitted(t_s: Array, air_c: Array, stands: Stands, first_h: float) -> _Fit:
    belief = _BELIEFS[stands]
    seen = np.concatenate([(air_c - air_c.mean())[:, None], _day(t_s, first_h)], axis=1)
    white, states, left, log_det = _whiten(t_s, seen)
    mean0 = np.array([0.0, belief.swing_c, 0.0, 0.0, 0.0])
    sd0 = np.array([_LEVEL_SD_C, *(belief.swing_sd_c * np.array([1.0, 1.0, 0.4, 0.4]))])
    found = regress(white[:, :, None], log_det, mean0, sd0, belief.rest_sd_c)
    weight = np.exp(found.log_weight[:, 0] - found.log_weight.max())
    return _Fit(weight / weight.sum(), found, seen, states, left)


def _paths(fit: _Fit, last_s: float, at_s: Array, first_h: float, samples: int) -> Array:
    """Air less its mean at at_s (k,), sampled: (b, k)."""
    rng = np.random.default_rng(20_260_119)
    ranks = (rng.permutation(samples) + 0.5) / samples
    pick = np.minimum(np.searchsorted(np.cumsum(fit.weight), ranks), len(fit.weight) - 1)
    found, terms = fit.regression, fit.seen.shape[1] - 1
    normals = rng.standard_normal((samples, terms + 4))
    size = np.sqrt(found.scale[pick, 0] / gamma(found.shape, normals[:, -1]))
    step = np.einsum("bij,bj->bi", found.factor[pick, 0], normals[:, :terms])
    coefficients = found.mean[pick, 0] + size[:, None] * step
    start = np.einsum("bsp,bp->bs", fit.states[-1, pick], np.c_[np.ones(samples), -coefficients])
    start += size[:, None] * np.einsum("bij,bj->bi", fit.left[pick], normals[:, -4:-1])
    shocks = rng.standard_normal((len(at_s), samples, 3))
    rest = _wandering(start, size, pick, last_s, at_s, shocks)
    return np.asarray(coefficients @ _day(at_s, first_h).T + rest)


def _borne_out(fit: _Fit, t_s: Array) -> Array:
    """How much wider than told the errors were of forecasts made from each hour measured, at _LEADS_S.

    Real air is not of the form assumed: fronts, clouds, a sea that keeps a night mild. Its own record says by
    how much; _FORM_COUNTS independent forecasts as told count for the form. 1 or more.
    """
    best = int(fit.weight.argmax())
    found = fit.regression
    parts = np.r_[1.0, -found.mean[best, 0]]
    variance = float(found.scale[best, 0]) / (found.shape - 1)
    rest, lived = fit.seen @ parts, fit.states[:, best] @ parts
    out = np.ones(len(_LEADS_S))
    for i, lead_s in enumerate(_LEADS_S):
        phi, new = (m[best] for m in _moved(lead_s))
        after = np.searchsorted(t_s, t_s + lead_s - 900.0)
        made = np.flatnonzero(after < len(t_s))
        made = made[t_s[after[made]] - t_s[made] < lead_s + 900.0]
        if not len(made):
            continue
        error = rest[after[made]] - lived[made] @ phi.T @ _SEEN
        apart_s = min(float(np.median(np.diff(t_s))), lead_s)
        alone = len(made) * apart_s / lead_s  # forecasts that overlap count as one
        told = variance * (_SEEN @ new @ _SEEN + _FRESH)
        out[i] = np.sqrt((_FORM_COUNTS + alone * (error**2).mean() / told) / (_FORM_COUNTS + alone))
    return np.maximum(out, 1.0)


def _day(t_s: Array, first_h: float) -> Array:
    """Columns of the level and the day's course at t_s: (k, 5)."""
    turn = 2 * np.pi * (t_s / _HOUR_S + first_h - _WARMEST_H) / 24.0
    return np.stack([np.ones(len(t_s)), np.cos(turn), np.sin(turn), np.cos(2 * turn), np.sin(2 * turn)], 1)


# -- the rest: state (what drives the quick part, the quick part of variance 1, the slow part)


def _settled() -> Array:
    """Covariance of the state when nothing is known: (r, 3, 3)."""
    out = np.zeros((len(_LAG_S), 3, 3))
    out[:, 0, 0] = 1 + _LAG_S / _MEMORY_S
    out[:, 0, 1] = out[:, 1, 0] = out[:, 1, 1] = 1.0
    out[:, 2, 2] = _SLOW
    return out


def _moved(dt_s: float) -> tuple[Array, Array]:
    """Transition (r, 3, 3) of the state over dt_s and the covariance of what comes new. Exact."""
    driving, seen = np.exp(-dt_s / _MEMORY_S), np.exp(-dt_s / _LAG_S)
    phi = np.zeros((len(_LAG_S), 3, 3))
    phi[:, 0, 0], phi[:, 1, 1], phi[:, 2, 2] = driving, seen, np.exp(-dt_s / _SLOW_S)
    phi[:, 1, 0] = _MEMORY_S / (_MEMORY_S - _LAG_S) * (driving - seen)
    settled = _settled()
    return phi, settled - phi @ settled @ phi.transpose(0, 2, 1)


def _whiten(t_s: Array, seen: Array) -> tuple[Array, Array, Array, Array]:
    """The columns seen (k, c) as innovations of each kind of rest: white (k, r, c), the states they leave
    (k, r, 3, c), a root of the last one's covariance (r, 3, 3), and the log determinant (r,)."""
    state = np.zeros((len(_LAG_S), 3, seen.shape[1]))
    states = np.empty((len(t_s), *state.shape))
    covariance = _settled()
    log_det = np.zeros(len(_LAG_S))
    white = np.empty((len(t_s), len(_LAG_S), seen.shape[1]))
    for k, dt_s in enumerate(np.diff(t_s, prepend=t_s[:1])):
        phi, new = _moved(float(dt_s))
        state = phi @ state
        covariance = phi @ covariance @ phi.transpose(0, 2, 1) + new
        across = covariance @ _SEEN
        variance = across @ _SEEN + _FRESH
        news = seen[k] - _SEEN @ state
        white[k] = news / np.sqrt(variance)[:, None]
        state = state + across[:, :, None] * (news / variance[:, None])[:, None]
        covariance = covariance - across[:, :, None] * across[:, None] / variance[:, None, None]
        log_det += np.log(variance)
        states[k] = state
    return white, states, _root(covariance), log_det


def _root(covariance: Array) -> Array:
    """A root of each (…, 3, 3), what rounding has made negative taken for zero."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0))[..., None, :])


def _wandering(start: Array, size: Array, pick: Array, begin_s: float, at_s: Array, shocks: Array) -> Array:
    """The rest seen at at_s: (b, k), from states start (b, 3) at begin_s. shocks: (k, b, 3)."""
    out = np.empty((len(start), len(at_s)))
    state = start
    for k, dt_s in enumerate(np.maximum(np.diff(at_s, prepend=begin_s), 0.0)):
        phi, new = _moved(float(dt_s))
        fresh = np.einsum("bij,bj->bi", _root(new)[pick], shocks[k])
        state = np.einsum("bij,bj->bi", phi[pick], state) + size[:, None] * fresh
        out[:, k] = state @ _SEEN
    return out
