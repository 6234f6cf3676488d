"""How a forecast is judged: pure arithmetic, in minutes since heater-on. None is never."""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Iterable, Sequence
from typing import TypeVar

import numpy as np

CAP_MIN = 600.0
"""A crossing later than this after heater-on is never; a missing instant costs as if it were this late."""
QUANTILES = (0.1, 0.5, 0.9)

T = TypeVar("T")
Instants = tuple[float | None, float | None, float | None]


def error_min(middle: float | None, truth: float) -> float:
    """Absolute error of the 50 % instant [min]; infinite where it was called never."""
    return math.inf if middle is None else abs(middle - truth)


def is_inside(instants: Instants, truth: float) -> bool:
    """Whether the truth lies in 10–90 %: a missing 90 % is an open end, a missing 10 % holds nothing."""
    low, _, high = instants
    return low is not None and low <= truth and (high is None or truth <= high)


def pinball(share: float, instant: float | None, truth: float) -> float:
    """Loss of one quantile [min]: share times what it was early, 1 − share times what it was late."""
    early = min(truth, CAP_MIN) - min(CAP_MIN if instant is None else instant, CAP_MIN)
    return max(share * early, (share - 1) * early)


def mean_pinball(instants: Instants, truth: float) -> float:
    """Mean of the three quantiles' losses [min]."""
    return sum(pinball(q, x, truth) for q, x in zip(QUANTILES, instants, strict=True)) / len(QUANTILES)


def text_changes(texts: Iterable[tuple[float, str]], soon_s: float = 900.0) -> tuple[int, int]:
    """How often a text shown over time [s] changes, and how often it goes back to the one before within
    soon_s of having left it (A, B, A)."""
    shown: list[tuple[float, str]] = []
    back = 0
    for t_s, text in texts:
        if shown and shown[-1][1] == text:
            continue
        back += len(shown) > 1 and shown[-2][1] == text and t_s - shown[-1][0] <= soon_s
        shown.append((t_s, text))
    return max(0, len(shown) - 1), back


def bootstrap(
    items: Sequence[T],
    cluster: Callable[[T], Hashable],
    figure: Callable[[Sequence[T]], float],
    rounds: int = 1000,
    share: float = 0.90,
) -> tuple[float, float]:
    """The interval that holds `share` of the figure over resampled clusters, all items of one together.

    Percentiles of the resampled figure (Efron & Tibshirani, An Introduction to the Bootstrap, ch. 13),
    clusters drawn whole. (nan, nan) without items.
    """
    groups: dict[Hashable, list[T]] = {}
    for item in items:
        groups.setdefault(cluster(item), []).append(item)
    if not groups:
        return math.nan, math.nan
    rng = np.random.default_rng(90)
    held = list(groups.values())
    figures = []
    for _ in range(rounds):
        drawn = rng.integers(len(held), size=len(held))
        figures.append(figure([item for k in drawn for item in held[k]]))
    found = [x for x in figures if not math.isnan(x)]
    if not found:
        return math.nan, math.nan
    low, high = np.quantile(found, [(1 - share) / 2, (1 + share) / 2], method="inverted_cdf")
    return float(low), float(high)
