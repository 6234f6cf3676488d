"""What anybody would try first: a straight line, and one exponential. The forecasts stand beside them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from probe_agent.readings import Observation

_RATES_PER_S = np.geomspace(1 / (50 * 3600.0), 1 / 600.0, 60)


def coldest_curve(seen: Sequence[Observation], required: Sequence[str], from_s: float) -> np.ndarray:
    """Times and values of the place that is the coldest required one now, from from_s on: (2, n)."""
    last = next(o for o in reversed(seen) if any(p in o.values_c for p in required))
    coldest = min((last.values_c[p], p) for p in required if p in last.values_c)[1]
    points = [(o.t_s, o.values_c[coldest]) for o in seen if o.t_s >= from_s and coldest in o.values_c]
    return np.array(points, dtype=np.float64).T.reshape(2, -1)


def straight_line(seen: Sequence[Observation], required: Sequence[str], target_c: float) -> float | None:
    """When a line through the coldest place's last 15 minutes, or last two values, passes the target."""
    now_s = seen[-1].t_s
    t_s, c = coldest_curve(seen, required, -np.inf)
    recent = t_s >= now_s - 900.0
    recent[-2:] = True
    if recent.sum() < 2:
        return None
    slope, level = np.polyfit(t_s[recent] - now_s, c[recent], 1)
    return float(now_s + max(0.0, (target_c - level) / slope)) if slope > 0 else None


def one_exponential(
    seen: Sequence[Observation], required: Sequence[str], target_c: float, on_s: float
) -> float | None:
    """When an exponential to a plateau, fitted to the coldest place since heater-on, passes the target."""
    t_s, c = coldest_curve(seen, required, on_s)
    if len(t_s) < 4:
        return None
    thin = max(1, len(t_s) // 200)
    t_s, c = t_s[::thin] - on_s, c[::thin]
    left = 1 - np.exp(-np.outer(_RATES_PER_S, t_s))
    middle, mean = left.mean(1, keepdims=True), c.mean()
    rise = ((left - middle) * (c - mean)).sum(1) / ((left - middle) ** 2).sum(1)
    start = mean - rise * middle[:, 0]
    miss = ((start[:, None] + rise[:, None] * left - c) ** 2).sum(1)
    best = int(np.argmin(miss))
    share = (target_c - start[best]) / rise[best] if rise[best] > 0 else np.inf
    if share >= 1:
        return None
    return float(on_s + max(0.0, -np.log(1 - share) / _RATES_PER_S[best]))
