"""What the memory of one aircraft lets believe of another of the same kind: her sister.

Each parameter of an aircraft is thought of as its kind's value plus her own share. The prior spans both;
`ALIKE` is the kind's share of its variance, as measured between simulated sisters (`tests.bench.sisters`).
So a sister draws the middle towards what she was found to be and narrows the range, never to less than two
aircraft of a kind lie apart.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from probe_agent.thermal.memory import OF_THE_DAY, Memory
from probe_agent.thermal.network import parameter_names
from probe_agent.thermal.prior import Believed, Prior

ALIKE: Mapping[str, float] = {
    "log_time_scale_s": 0.8,
    "log_rate_c_per_s": 0.9,
    "log_lag_s": 0.9,
    "log_hub_time_s": 0.85,
    "log_enclosure_ratio": 0.45,
    "log_air_share": 0.8,
    "log_shell_ratio": 0.8,
    "log_shell_time_s": 0.5,
    "log_core_loss": 0.7,
    "log_case_ratio": 0.3,
    "log_off_loss": 0.6,
    "log_mass": 0.7,
    "log_heat": 0.8,
    "log_film": 0.85,
    "log_hub": 0.35,
}
"""Of the prior's variance so much is the kind's, and so the same in a sister: as measured, rounded down, at
most 0.9, less where heat-ups hardly tell it. Nothing of what isn't named: of the core two sisters told
differently, and what a probe reads too much is the probe's."""
_FARTHEST, _UNSUREST, _ROUNDING = 6.0, 4.5, 1e-3


def believing(prior: Prior, memory: Memory, places: Sequence[str], power: float = 1.0) -> Prior:
    """The prior of an aircraft once a sister's memory is known.

    prior: hers alone, as described; places: those that mean the same in both; power: the watts here against
    the sister's. For one parameter of which the prior says mean m and variance v, the sister mean s and
    variance c, and which is alike by a: mean m + a (s - m), variance (1 - a²) v + a² c.
    """
    names = tuple(n for n in parameter_names(places) if n in memory.names and n not in OF_THE_DAY)
    every = parameter_names(places)
    factor = prior.factor(places, [0.0] * len(places))
    here, there = [every.index(n) for n in names], [memory.names.index(n) for n in names]
    mean, covariance = prior.mean(places)[here], (factor @ factor.T)[np.ix_(here, here)]
    hers, unsure = np.array(memory.mean)[there], np.array(memory.covariance)[np.ix_(there, there)]
    hers[names.index("log_rate_c_per_s")] += math.log(power)
    # After a change for good a memory may know less than a prior.
    sure = np.minimum(1.0, np.sqrt(np.diag(covariance) / np.diag(unsure)))
    unsure = unsure * np.outer(sure, sure)
    alike = np.array([ALIKE.get(name.split(":")[0], 0.0) for name in names])
    own = np.sqrt(1 - alike**2)
    believed = covariance * np.outer(own, own) + unsure * np.outer(alike, alike)
    return replace(prior, sister=Believed(names, np.asarray(mean + alike * (hers - mean)), believed))


def doubt(prior: Prior, memory: Memory, places: Sequence[str]) -> str:
    """What of a memory, read from elsewhere, no aircraft of this prior can have taught; "" where it can be.

    A fit wanders no more than four spreads of its prior from the middle, and what was learned is never less
    sure than that prior.
    """
    every = parameter_names(places)
    names = [n for n in every if n.split(":")[0] not in OF_THE_DAY]
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
