"""A setup's memory in figures a person can use: how fast it warms, how high, how far apart its places end."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from probe_agent.thermal.memory import Memory, setup_prior
from probe_agent.thermal.network import HIDDEN, SHARED, STAGES, Array, build
from probe_agent.thermal.passage import quantiles
from probe_agent.thermal.prior import Prior

SAMPLES = 512
_DECILES = (0.1, 0.5, 0.9)

Band = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Figures:
    """Ranges (10, 50, 90 %) of the setup itself; a single day scatters more.

    rate_c_per_h: all of the metal at full heat, nothing lost; plateau_k: where the coldest required place
    levels off above the air; spread_k: the warmest required place above the coldest, there; coldest: which
    is the coldest there most often.
    """

    rate_c_per_h: Band
    plateau_k: Band
    spread_k: Band
    coldest: str


def figures(prior: Prior, memory: Memory, places: Sequence[str], required: Sequence[str]) -> Figures:
    """What a memory says of the required ones among its places; always the same for the same memory."""
    return _figures(prior, memory, places, required)


def believed(prior: Prior, places: Sequence[str], required: Sequence[str]) -> tuple[Band, Band]:
    """What a prior alone says: the rate [K/h] and the plateau [K]."""
    found = _figures(prior, None, places, required)
    return found.rate_c_per_h, found.plateau_k


def _figures(prior: Prior, memory: Memory | None, places: Sequence[str], required: Sequence[str]) -> Figures:
    mean, covariance = setup_prior(prior, memory, places)
    values, vectors = np.linalg.eigh((covariance + covariance.T) / 2)
    normals = np.random.default_rng(20_261_127).standard_normal((SAMPLES, len(mean)))
    theta = mean + normals @ (vectors * np.sqrt(np.maximum(values, 0.0))).T
    names = [p for p in places if p in required]
    rises = plateau_rises(theta, len(places), prior.usual_rise_c)[:, [places.index(p) for p in names]]
    return Figures(
        _band(np.exp(theta[:, SHARED.index("log_rate_c_per_s")]) * 3600),
        _band(rises.min(axis=1)),
        _band(rises.max(axis=1) - rises.min(axis=1)),
        statistics.mode(names[i] for i in rises.argmin(axis=1)),
    )


def plateau_rises(theta: Array, n: int, usual_rise_c: float) -> Array:
    """Where n places level off above the air at full heat [K], for each parameter vector: (b, n).

    The steady state of `network.build`. Losses that grow with the fourth root of the mean rise, as in
    `network.effective_air`, shift all places alike: rise · (rise / usual)^¼ is what constant ones give.
    """
    a = build(theta, n).a
    inner = slice(STAGES, a.shape[1] - 2)
    # At rest the lagged heat is the heater's share, 1, and the air is 0.
    linear = np.linalg.solve(a[:, inner, inner], -a[:, inner, STAGES - 1][:, :, None])[:, :, 0]
    places = linear[:, : linear.shape[1] - HIDDEN]
    if not usual_rise_c:
        return np.asarray(places)
    mean = np.maximum(places.mean(axis=1), 0.0)
    bent = (mean * usual_rise_c**0.25) ** 0.8
    bounded = np.where(bent > 4 * usual_rise_c, mean / 4**0.25, bent)
    return np.asarray(places + (bounded - mean)[:, None])


def _band(values: Array) -> Band:
    low, middle, high = quantiles(values, np.full(len(values), 1 / len(values)), _DECILES)
    return low, middle, high
