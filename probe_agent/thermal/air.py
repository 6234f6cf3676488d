"""The aircraft's own air, learned against the station's: offset, hangar lag, clear nights.

Own air = level + gain · (lagged station air less its mean) + clear-night term + a rest that fades over
hours. Lag and memory of the rest lie on small grids; given them everything is a regularised regression in
closed form, and the grids are weighed by how well each explains the pairs (normal and inverse gamma,
conjugate; e.g. Gelman et al., Bayesian Data Analysis, ch. 14). Forecasts are sampled paths.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from probe_agent.thermal.network import Array

Stands = Literal["outside", "unheated", "heated"]

_HOUR_S = 3600.0
_LAGS_S = _HOUR_S * np.array([0.0, 0.5, 1.0, 2.0, 3.0, 4.5, 6.5, 9.0, 13.0])
_RESTS = [(rest_h * _HOUR_S, white) for rest_h in (2.0, 6.0, 18.0) for white in (0.05, 0.3)]
"""Memory of the rest [s] and the share of its variance that is fresh at each reading: rounding, gusts."""
_BACK_S = 21 * 24 * _HOUR_S
_MOST_PAIRS = 510
WHOLE = 2.5  # pairs the prior of the rest's size counts for
_OVER_PERSISTENCE = (0.0, 6.0, 36 * _HOUR_S)
_OF_A_FORECAST = (0.7, 2.2, 36 * _HOUR_S)
"""Error of the station's coming air: sd at once and in the end [°C], time in which it grows [s]. A forecast's
from memory, no source; without one the last value is held, and the spread is of the size of the changes in
tests/reference/w01 (4.8 °C in 12 h, 4.5 in 24, 5.8 in 48)."""


@dataclass(frozen=True, slots=True)
class Station:
    """Air at the nearest station, observed until issued_s and forecast from there on.

    t_s: (k,) strictly increasing; air_c: (k,); clear_night: (k,) from `clear_night`, None: not known.
    told_until_s: where the forecast ends, None for the last instant; what is given for later is a guess,
    such as the day's usual course, with an error that grows faster. Straight between instants; after the
    last one the air is held.
    """

    t_s: Array
    air_c: Array
    issued_s: float
    clear_night: Array | None = None
    told_until_s: float | None = None


@dataclass(frozen=True, slots=True)
class AirForecast:
    """Sampled paths of the aircraft's own air: t_s (k,) run seconds, air_c (b, k) °C, or (1, k) for one."""

    t_s: Array
    air_c: Array

    def at(self, t_s: Array) -> Array:
        """Air at instants (k,) or, each sample at its own, (b, k): (b, k). Held before and after."""
        return between(self.t_s, self.air_c, t_s)


def clear_night(hour: Array, cloud: Array) -> Array:
    """How far an hour is a clear night, 0…1: (k,). hour: local solar time 0…24; cloud: cover 0…1, NaN where
    not told (counts as half). Dark from 18 to 6 with an hour's dusk; the season is neglected, no source."""
    dark = np.clip((np.abs((hour % 24.0) - 12.0) - 5.5), 0.0, 1.0)
    return np.asarray(dark * (1.0 - np.where(np.isnan(cloud), 0.5, cloud)))


@dataclass(frozen=True, slots=True)
class _Belief:
    """Prior of a place to stand: coefficients (level, gain, clear night, start of the lag) and the rest.

    is_level: the level is a temperature, not an offset to the station's. Judgement, no source.
    """

    mean: tuple[float, float, float, float]
    sd: tuple[float, float, float, float]
    rest_sd_c: float
    lag_s: float
    log_lag_sd: float
    is_level: bool = False


_BELIEFS: dict[Stands, _Belief] = {
    "outside": _Belief((0.0, 1.0, -0.5, 0.0), (1.5, 0.05, 0.8, 0.5), 0.7, 0.3 * _HOUR_S, 0.6),
    "unheated": _Belief((1.0, 0.95, 0.0, 0.0), (2.0, 0.15, 0.5, 3.0), 0.7, 3.0 * _HOUR_S, 0.9),
    "heated": _Belief((15.0, 0.1, 0.0, 0.0), (6.0, 0.1, 0.3, 1.0), 1.0, 6.0 * _HOUR_S, 0.9, True),
}


@dataclass(frozen=True, slots=True)
class Site:
    """What is known of the aircraft's air against the station's, for each point of the grids (g).

    weight, lag_s, rest_s, white: (g,); mean (g, p) and factor (g, p, p) of the coefficients, the factor for
    a rest of variance 1; shape, scale (g,): inverse gamma of that variance; last_s: last pair; the rest at
    last_s is carried · (1, −coefficients) with variance left (g,) of the rest's. centre_c: the station's
    mean; begin_s: where the lag starts.
    """

    weight: Array
    lag_s: Array
    rest_s: Array
    white: Array
    mean: Array
    factor: Array
    shape: float
    scale: Array
    carried: Array
    left: Array
    pairs: int
    last_s: float = -math.inf
    centre_c: float = 0.0
    begin_s: float = 0.0
    is_level: bool = False

    def offset_c(self) -> tuple[float, float]:
        """Mean and spread of own air less the station's, lag left out; in a heated hangar of its level."""
        mean = float(self.weight @ self.mean[:, 0])
        variance = (self.factor[:, 0] ** 2).sum(1) * self.scale / (self.shape - 1)
        return mean, math.sqrt(float(self.weight @ (variance + (self.mean[:, 0] - mean) ** 2)))

    def lag_range_s(self) -> tuple[float, float, float]:
        """10, 50 and 90 % of the lag, on its grid [s]."""
        order = np.argsort(self.lag_s, kind="stable")
        rank = np.cumsum(self.weight[order])
        low, middle, high = (
            float(self.lag_s[order][min(int(np.searchsorted(rank, q)), len(rank) - 1)])
            for q in (0.1, 0.5, 0.9)
        )
        return low, middle, high


def learn(station: Station, t_s: Array, own_c: Array, stands: Stands) -> Site:
    """What pairs of own and station air teach; with none, the prior of that place to stand.

    Args:
        station: its past covers the pairs; some hours before the first one help to know a lag.
        t_s, own_c: (k,) own air, hourly or so, without gaps filled; those of the last three weeks count.
        stands: where the aircraft stands.
    """
    belief = _BELIEFS[stands]
    t_s, own_c = _recent(t_s, own_c)
    past = station.t_s <= station.issued_s
    centre_c = float(station.air_c[past].mean() if past.any() else station.air_c[0])
    begin_s = float(station.t_s[0])
    base, columns = _terms(_inputs(station), station.t_s, _LAGS_S, centre_c, begin_s, belief.is_level)
    seen = np.empty((len(t_s), len(_LAGS_S), 1 + len(columns)))  # own air and what explains it
    for lag in range(len(_LAGS_S)):
        seen[:, lag, 0] = own_c - np.interp(t_s, station.t_s, base[lag])
        for term, column in enumerate(columns[:, lag], 1):
            seen[:, lag, term] = np.interp(t_s, station.t_s, column)
    site = _regress(*whiten(t_s, seen), belief)
    return replace(
        site,
        last_s=float(t_s[-1]) if len(t_s) else -math.inf,
        centre_c=centre_c,
        begin_s=begin_s,
        is_level=belief.is_level,
    )


def own_air(site: Site, station: Station, t_s: Array, samples: int = 256) -> AirForecast:
    """Paths of the aircraft's own air at t_s (k,), strictly increasing, from the last pair on.

    The error of the station's forecast, known better where air was measured since it was issued, what isn't
    known of the site, and the rest that fades from where it was at the last pair are all in the paths. The
    same arguments give the same paths. station: as in `learn`, with its forecast.
    """
    rng = np.random.default_rng(20_260_117)
    ranks = (rng.permutation(samples) + 0.5) / samples
    pick = np.minimum(np.searchsorted(np.cumsum(site.weight), ranks), len(site.weight) - 1)
    half = rng.standard_normal((-(-samples // 2), site.mean.shape[1] + 2))
    normals = np.vstack([half, -half])[:samples]
    variance = site.scale[pick] / gamma(site.shape, normals[:, -1])
    step = np.einsum("bij,bj->bi", site.factor[pick], normals[:, :-2])
    coefficients = site.mean[pick] + np.sqrt(variance)[:, None] * step
    last_s = site.last_s if site.last_s > station.issued_s else t_s[0]
    times = np.union1d(np.union1d(station.t_s, t_s), last_s)
    shocks = rng.standard_normal((samples, 2, len(times) + 1))

    def through(inputs: tuple[Array, Array]) -> Array:
        lags = site.lag_s[pick]
        base, columns = _terms(inputs, times, lags, site.centre_c, site.begin_s, site.is_level)
        return np.asarray(base + np.einsum("pbk,bp->bk", columns, coefficients))

    paths = through(_station_paths(station, times, shocks))
    start = np.einsum("bp,bp->b", site.carried[pick], np.c_[np.ones(samples), -coefficients])
    start += np.sqrt(variance * site.left[pick]) * normals[:, -2]
    rest_sd = np.sqrt(variance * (1 - site.white[pick]))
    first_s = site.last_s if math.isfinite(site.last_s) else float(t_s[0])
    if site.last_s > station.issued_s:
        error = paths - through(_station_paths(station, times, 0 * shocks))
        found = _share(error[:, np.searchsorted(times, last_s)], start, rest_sd, rng)
        fading = np.exp(-np.maximum(times - last_s, 0.0) / _OF_A_FORECAST[2])
        paths += found[:, None] * fading
        start = start - error[:, np.searchsorted(times, last_s)] - found
    wanted = np.searchsorted(times, t_s)
    shocks = rng.standard_normal((samples, len(t_s)))
    rest = wandering(start, rest_sd, site.rest_s[pick], first_s, t_s, shocks)
    rest += np.sqrt(variance * site.white[pick])[:, None] * rng.standard_normal(rest.shape)
    return AirForecast(t_s, np.asarray(paths[:, wanted] + rest))


def _share(error: Array, left_over: Array, rest_sd: Array, rng: np.random.Generator) -> Array:
    """What to add to each path's error of the forecast (b,), so that error and rest together are what the
    last pair left over: a pair measured after the forecast was issued tells of both, by their variances
    (Matheron's rule; e.g. Wilson et al., Pathwise Conditioning of Gaussian Processes, 2021; from memory)."""
    variance = float((error**2).mean())
    rest = rest_sd * rng.standard_normal(len(error))
    return np.asarray(variance / (variance + rest_sd**2) * (left_over - error - rest))


def _recent(t_s: Array, own_c: Array) -> tuple[Array, Array]:
    """The last three weeks, thinned evenly, the last pair always among them."""
    if not len(t_s):
        return t_s, own_c
    kept = np.flatnonzero(t_s >= t_s[-1] - _BACK_S)
    kept = kept[:: -max(1, -(-len(kept) // _MOST_PAIRS))][::-1]
    return t_s[kept], own_c[kept]


def _inputs(station: Station) -> tuple[Array, Array]:
    """Air and clear night at the station's own instants: (1, k) each. A sky not told counts as none clear:
    the level then learns the average night."""
    clear = station.clear_night if station.clear_night is not None else np.zeros(len(station.t_s))
    return station.air_c[None], clear[None]


def _terms(
    inputs: tuple[Array, Array], t_s: Array, lag_s: Array, centre_c: float, begin_s: float, is_level: bool
) -> tuple[Array, Array]:
    """What own air is before any coefficient (b, k), and what multiplies the coefficients (p, b, k).

    inputs: (b, k) or (1, k) each; lag_s: (b,).
    """
    air, clear = (_lagged(t_s, x, lag_s) for x in inputs)
    start = np.exp(-np.maximum(t_s - begin_s, 0.0) / np.maximum(lag_s, 60.0)[:, None])
    base = np.zeros_like(air) if is_level else np.full_like(air, centre_c)
    return base, np.stack([np.ones_like(air), air - centre_c, clear, start])


def _lagged(t_s: Array, x: Array, lag_s: Array) -> Array:
    """First-order response (b, k) to x (b, k) or (1, k), straight between instants, starting at its first
    value. Exact. lag_s: (b,)."""
    lag = np.maximum(lag_s, 1e-3)
    dt = np.maximum(np.diff(t_s), 1e-3)[:, None]  # instants that differ by rounding alone
    keep = np.exp(-dt / lag)
    behind = np.diff(x.T, axis=0) / dt * lag
    new = x.T[1:] - behind - keep * (x.T[:-1] - behind)
    out = np.empty((len(t_s), len(lag)))
    out[0] = x[:, 0]
    for k in range(len(dt)):
        out[k + 1] = keep[k] * out[k] + new[k]
    return out.T


def whiten(
    t_s: Array, seen: Array, rests: Sequence[tuple[float, float]] = _RESTS
) -> tuple[Array, Array, Array, Array]:
    """The columns seen (k, l, c) at t_s as the innovations of each kind of rest (r): white (k, r, l, c), what
    the rest at the last instant is of them (r, l, c), its variance then (r,), and the log determinant (r,).
    rests: memory [s] and fresh share of each kind.

    The Kalman filter of an Ornstein–Uhlenbeck rest of variance 1, part of it fresh at each reading; being
    linear, it may be given the columns one by one (e.g. Durbin and Koopman, Time Series Analysis by State
    Space Methods, ch. 6; from memory).
    """
    memory_s, fresh = np.array(rests).T
    lasting = 1.0 - fresh
    state = np.zeros((len(rests), *seen.shape[1:]))
    left = lasting.copy()
    log_det = np.zeros(len(rests))
    white = np.empty((len(t_s), *state.shape))
    for k, dt in enumerate(np.diff(t_s, prepend=t_s[:1])):
        keep = np.exp(-dt / memory_s)
        state *= keep[:, None, None]
        left = keep**2 * left + lasting * (1 - keep**2)
        variance = left + fresh
        news = seen[k] - state
        white[k] = news / np.sqrt(variance)[:, None, None]
        state += (left / variance)[:, None, None] * news
        left = left * fresh / variance
        log_det += np.log(variance)
    return white, state, left, log_det


@dataclass(frozen=True, slots=True)
class Regression:
    """Conjugate regressions for kinds of rest (r) and inputs (l): mean (r, l, p), factor (r, l, p, p) of the
    covariance for a rest of variance 1; shape, scale (r, l): inverse gamma of that variance; log_weight
    (r, l): log evidence up to a constant."""

    mean: Array
    factor: Array
    shape: float
    scale: Array
    log_weight: Array


def regress(white: Array, log_det: Array, mean0: Array, sd0: Array, rest_sd_c: float) -> Regression:
    """white (k, r, l, 1 + p), log_det (r,) as from `whiten`, what is explained first; prior of the
    coefficients mean0, sd0 (p,) and of the rest's size [°C]."""
    variance = rest_sd_c**2
    precision0 = np.diag(variance / sd0**2)
    products = np.einsum("krlc,krld->rlcd", white, white)
    precision = precision0 + products[:, :, 1:, 1:]
    covariance = np.linalg.inv(precision)
    mean = np.einsum("rlcd,rld->rlc", covariance, precision0 @ mean0 + products[:, :, 1:, 0])
    misfit = products[:, :, 0, 0] + mean0 @ precision0 @ mean0
    misfit = misfit - np.einsum("rlc,rlcd,rld->rl", mean, precision, mean)
    shape = WHOLE + len(white) / 2
    scale = (WHOLE - 1) * variance + np.maximum(misfit, 0.0) / 2
    log_weight = -0.5 * np.linalg.slogdet(precision)[1] - shape * np.log(scale) - 0.5 * log_det[:, None]
    return Regression(mean, np.linalg.cholesky(covariance), shape, scale, log_weight)


def _regress(white: Array, last: Array, left: Array, log_det: Array, belief: _Belief) -> Site:
    """The regression for each kind of rest and each lag; arguments as from `whiten`."""
    rests, lags, columns = last.shape
    found = regress(white, log_det, np.array(belief.mean), np.array(belief.sd), belief.rest_sd_c)
    far = np.log((_LAGS_S + 600.0) / (belief.lag_s + 600.0)) / belief.log_lag_sd
    log_weight = found.log_weight - 0.5 * far**2
    weight = np.exp(log_weight - log_weight.max()).ravel()
    memory_s, fresh = np.array(_RESTS).T
    both = rests * lags
    return Site(
        weight / weight.sum(),
        np.tile(_LAGS_S, rests),
        np.repeat(memory_s, lags),
        np.repeat(fresh, lags),
        found.mean.reshape(both, columns - 1),
        found.factor.reshape(both, columns - 1, columns - 1),
        found.shape,
        found.scale.ravel(),
        last.reshape(both, columns),
        np.repeat(left, lags),
        len(white),
    )


def gamma(shape: float, normal: Array) -> Array:
    """A gamma variate of this shape for each standard normal (Wilson and Hilferty's cube)."""
    return np.asarray(shape * np.maximum(1 - 1 / (9 * shape) + normal / (3 * math.sqrt(shape)), 0.05) ** 3)


def _station_paths(station: Station, t_s: Array, shocks: Array) -> tuple[Array, Array]:
    """Sampled air and clear night of the station at t_s: (b, k) each. shocks: (b, 2, k + 1)."""
    air, clear = (np.interp(t_s, station.t_s, x[0]) for x in _inputs(station))
    end_s = float(station.t_s[-1]) if station.told_until_s is None else station.told_until_s
    error = np.zeros((len(shocks), len(t_s)))
    for begin_s, until_s, (first, last, memory_s), shock in (
        (station.issued_s, end_s, _OF_A_FORECAST, shocks[:, 0]),
        (max(end_s, station.issued_s), math.inf, _OVER_PERSISTENCE, shocks[:, 1]),
    ):
        inside = (t_s > begin_s) & (t_s <= until_s)
        if not inside.any():
            continue
        index = np.flatnonzero(inside)
        start = error[:, index[0] - 1] if index[0] else np.zeros(len(shocks))
        start = start + first * shock[:, -1]
        sd = np.full(len(shocks), last)
        memory = np.full(len(shocks), memory_s)
        error[:, index] = wandering(start, sd, memory, begin_s, t_s[index], shock[:, index])
    return air + error, np.broadcast_to(clear, error.shape)


def wandering(start: Array, sd: Array, memory_s: Array, begin_s: float, t_s: Array, shocks: Array) -> Array:
    """Ornstein–Uhlenbeck paths (b, k) at t_s (k,) from start (b,) at begin_s, in the end of spread sd (b,).

    memory_s: (b,); shocks: (b, k) standard normals."""
    out = np.empty(shocks.shape)
    state = start
    for k, dt in enumerate(np.maximum(np.diff(t_s, prepend=begin_s), 0.0)):
        keep = np.exp(-dt / memory_s)
        state = state * keep + sd * np.sqrt(1 - keep**2) * shocks[:, k]
        out[:, k] = state
    return out


def between(t_s: Array, paths: Array, at_s: Array) -> Array:
    """Paths (b, k), or (1, k) for all, straight between t_s (k,) and held outside: (b, j).

    at_s: instants (j,), or (b, j), each sample at its own."""
    if len(t_s) == 1:
        return np.broadcast_to(paths, (len(paths), at_s.shape[-1]))
    after = np.clip(np.searchsorted(t_s, at_s, side="right"), 1, len(t_s) - 1)
    share = np.clip((at_s - t_s[after - 1]) / (t_s[after] - t_s[after - 1]), 0.0, 1.0)
    rows = np.arange(len(paths))[:, None]  # of a single path: the same for all
    first, second = paths[rows, after - 1], paths[rows, after]
    return np.asarray(first + share * (second - first))
