"""Sampled futures of a heat-up: when all required places are above target together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from probe_agent.thermal.network import HIDDEN, STAGES, Array, effective_air, transition

_STEPS_A_LEVEL = 8


@dataclass(frozen=True, slots=True)
class Futures:
    """Sampled futures on a grid that coarsens with distance.

    t_s: (k,) seconds from now, 0 first; nodes: (b, k, n) places; weight: (b,).
    """

    t_s: Array
    nodes: Array
    weight: Array


def grid(first_step_s: float, horizon_s: float) -> tuple[Array, int]:
    """Times from 0 to at least the horizon, each level of steps twice as long as the one before."""
    levels = max(1, int(np.ceil(np.log2(horizon_s / (first_step_s * _STEPS_A_LEVEL) + 1))))
    steps = np.repeat(first_step_s * 2.0 ** np.arange(levels), _STEPS_A_LEVEL)
    return np.concatenate([[0.0], np.cumsum(steps)]), levels


def sample_futures(
    a: Array,
    z: Array,
    weight: Array,
    t_s: Array,
    heater: Array,
    ambient: Array,
    loss: Array,
    usual_rise_c: float,
) -> Futures:
    """Run every sample forward. a: (b, m, m); z: (b, m); t_s from `grid`; heater, ambient, loss: (b, k−1)
    input of each step."""
    phi = transition(a, float(t_s[1]))
    nodes = np.empty((len(z), len(t_s), z.shape[1] - STAGES - HIDDEN - 2))
    nodes[:, 0] = z[:, STAGES : -HIDDEN - 2]
    state = z[:, :-2, None]
    for step in range(len(t_s) - 1):
        if step % _STEPS_A_LEVEL == 0:
            phi = phi @ phi if step else phi
            inner = np.ascontiguousarray(phi[:, :-2, :-2])
            by_heater, by_air = phi[:, :-2, -2], phi[:, :-2, -1]
        air = effective_air(state[:, STAGES:-HIDDEN, 0], ambient[:, step], usual_rise_c, loss[:, step])
        state = inner @ state
        state[:, :, 0] += by_heater * heater[:, step, None] + by_air * air[:, None]
        nodes[:, step + 1] = state[:, STAGES:-HIDDEN, 0]
    return Futures(t_s, nodes, weight)


def first_passage(t_s: Array, curve: Array, level: float, upward: bool = True) -> Array:
    """First instant at which each curve (b, k) reaches the level, linear between points; inf for never."""
    gap = curve - level if upward else level - curve
    above = gap >= 0
    index = above.argmax(1)
    rows = np.arange(len(curve))
    before = np.maximum(index - 1, 0)
    rise = gap[rows, index] - gap[rows, before]
    share = np.where(rise > 0, gap[rows, index] / np.where(rise > 0, rise, 1.0), 0.0)
    instant = t_s[index] - share * (t_s[index] - t_s[before])
    return np.where(above.any(1), instant, np.inf)


def quantiles(values: Array, weight: Array, q: tuple[float, ...]) -> tuple[float, ...]:
    """Weighted quantiles; a quantile that falls on inf is inf."""
    order = np.argsort(values, kind="stable")
    ranked = values[order]
    rank = np.cumsum(weight[order]) - 0.5 * weight[order]
    total = weight.sum()
    return tuple(_quantile(ranked, rank / total, x) for x in q)


def bands(curves: Array, weight: Array, q: tuple[float, ...]) -> Array:
    """Weighted quantiles of finite values at each of k instants, curves (b, k): (len(q), k)."""
    order = np.argsort(curves, axis=0, kind="stable")
    ranked = np.take_along_axis(curves, order, axis=0)
    part = weight[order]
    rank = (np.cumsum(part, axis=0) - 0.5 * part) / weight.sum()
    found = np.empty((len(q), curves.shape[1]))
    columns = np.arange(curves.shape[1])
    for i, share in enumerate(q):
        right = np.minimum((rank < share).sum(0), len(ranked) - 1)
        left = np.maximum(right - 1, 0)
        begin, end = rank[left, columns], rank[right, columns]
        apart = np.where(end > begin, end - begin, 1.0)
        along = np.where(end > begin, np.clip((share - begin) / apart, 0.0, 1.0), 1.0)
        low = ranked[left, columns]
        found[i] = low + along * (ranked[right, columns] - low)
    return found


def _quantile(ranked: Array, rank: Array, q: float) -> float:
    right = min(int(np.searchsorted(rank, q)), len(ranked) - 1)
    left = max(right - 1, 0)
    if not np.isfinite(ranked[right]) or rank[right] <= rank[left]:
        return float(ranked[right])
    share = min(1.0, max(0.0, (q - rank[left]) / (rank[right] - rank[left])))
    return float(ranked[left] + share * (ranked[right] - ranked[left]))
