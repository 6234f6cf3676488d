"""What the memory of one aircraft lets believe of another of the same kind: her sister.

Each parameter of an aircraft is taken as its kind's value plus her own share and the day's; the prior spans
all three, and `ALIKE` is the kind's part of its variance. So a sister draws the middle towards what she was
found to be and narrows the range, never to less than two aircraft of a kind lie apart. One share for all of
them: what a fit knows are combinations, and drawing each parameter by its own share would take those apart.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from probe_agent.thermal.memory import OF_THE_DAY, Memory
from probe_agent.thermal.network import parameter_names
from probe_agent.thermal.prior import Believed, Prior

ALIKE = 0.6
"""Simulated sisters have more in common, 0.82 to 0.93 of what heat-ups tell well. With 0.85 too few
crossings lay inside the range (`python -m tests.bench.sisters`: measure, judge)."""
OF_PROBES = frozenset({"plume_c", "offset_c"})
"""What a probe reads too much is the probe's: another's tell nothing of it."""
_FARTHEST, _UNSUREST, _ROUNDING = 6.0, 4.5, 1e-3


def believing(prior: Prior, memory: Memory, places: Sequence[str], power: float = 1.0) -> Prior:
    """The prior of an aircraft once a sister's memory is known.

    prior: hers alone, as described; places: those that mean the same in both; power: the watts here against
    the sister's. For one parameter of which the prior says mean m and variance v, the sister mean s and
    variance c, and which is alike by a: mean m + a (s - m), variance (1 - a²) v + a² c.
    """
    every = parameter_names(places)
    names = tuple(n for n in every if n in memory.names and not _kind(n) & (OF_THE_DAY | OF_PROBES))
    factor = prior.factor(places, [0.0] * len(places))
    here, there = [every.index(n) for n in names], [memory.names.index(n) for n in names]
    mean, covariance = prior.mean(places)[here], (factor @ factor.T)[np.ix_(here, here)]
    hers, unsure = np.array(memory.mean)[there], np.array(memory.covariance)[np.ix_(there, there)]
    hers[names.index("log_rate_c_per_s")] += math.log(power)
    # After a change for good a memory may know less than a prior.
    sure = np.minimum(1.0, np.sqrt(np.diag(covariance) / np.diag(unsure)))
    believed = (1 - ALIKE**2) * covariance + ALIKE**2 * unsure * np.outer(sure, sure)
    return replace(prior, sister=Believed(names, np.asarray(mean + ALIKE * (hers - mean)), believed))


def _kind(name: str) -> set[str]:
    """A parameter's name without its place."""
    return {name.split(":")[0]}


def doubt(prior: Prior, memory: Memory, places: Sequence[str]) -> str:
    """What of a memory, read from elsewhere, no aircraft of this prior can have taught; "" where it can be.

    A fit wanders no more than four spreads of its prior from the middle, and what was learned is never less
    sure than that prior.
    """
    every = parameter_names(places)
    names = [n for n in every if not _kind(n) & OF_THE_DAY]
    if missing := [n for n in names if n not in memory.names]:
        return f"without {missing[0]}"
    here, there = [every.index(n) for n in names], [memory.names.index(n) for n in names]
    mean, factor = prior.mean(places)[here], prior.factor(places, [0.0] * len(places))
    variance = (factor @ factor.T)[here, here]
    far = np.abs(np.array(memory.mean)[there] - mean) / np.sqrt(variance)
    spread = np.array(memory.covariance)[np.ix_(there, there)]
    unsure = np.diag(spread) / variance
    if far.max() > _FARTHEST or unsure.max() > _UNSUREST or unsure.min() <= 0:
        return names[int(np.argmax(np.maximum(far / _FARTHEST, unsure / _UNSUREST)))]
    scale = 1 / np.sqrt(np.diag(spread))
    if np.linalg.eigvalsh(spread * np.outer(scale, scale)).min() < -_ROUNDING:
        return "no spread that can be"
    return ""
