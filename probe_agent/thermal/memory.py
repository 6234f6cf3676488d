"""What earlier heat-ups of a setup taught: two levels, what belongs to the setup and what to the day."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from probe_agent.thermal.network import SHARED, Array, parameter_names
from probe_agent.thermal.prior import MODEL_VERSION, Believed, Prior

_DAY_SD: Mapping[str, float] = {
    # Scatter from day to day: losses, cover fit and supply vary, masses hardly. Judgement, no source.
    "log_time_scale_s": 0.18,
    "log_rate_c_per_s": 0.07,
    "log_lag_s": 0.1,
    "log_core_ratio": 0.02,
    "log_core_time_s": 0.05,
    "log_hub_time_s": 0.05,
    "log_enclosure_ratio": 0.2,
    "log_air_share": 0.15,
    "log_mass": 0.02,
    "log_heat": 0.04,
    "log_film": 0.07,
    "log_hub": 0.04,
    "log_shell_ratio": 0.05,
    "log_shell_time_s": 0.07,
    "log_core_loss": 0.08,
    "log_case_ratio": 0.02,
    "log_off_loss": 0.1,
    "plume_c": 0.06,
    "offset_c": 0.02,
}
_POWER_DAY_SD = 0.045  # mains 2 % up or down are twice that of power; judgement, no source
_POWERS = 10
_LATELY, _FAR_OFF = 3, 1.5
_TELLS = {
    "log_rate_c_per_s": ("the heater warms faster than before", "the heater warms more slowly than before"),
    "log_time_scale_s": ("the engine loses less heat than before", "the engine loses more heat than before"),
}
_BELIEF = 4.0
_FAR = 9.0  # a day further apart than this tells of something else
OF_THE_DAY = frozenset({"ambient_offset_c", "core_offset_c", "on_shift", "start_offset_c"})
"""Parameters that each day starts anew."""


@dataclass(frozen=True, slots=True)
class Memory:
    """Normal distribution of a setup's parameters after `heat_ups` of them. Plain data.

    names: parameters in order; mean: (p,); covariance: (p, p) as rows; scatter: for each shared parameter
    how far the days lay apart, squared and in units of what was expected, summed, and how many told of it.
    """

    names: tuple[str, ...]
    mean: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    heat_ups: int = 0
    model_version: int = MODEL_VERSION
    scatter: Mapping[str, tuple[float, int]] = field(default_factory=dict)
    lately: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    """How far the last few days lay from the setup's middle, in their own spreads, latest last."""
    powers: tuple[float, ...] | None = None
    """Share of full power the last heat-ups were heated with, latest last: mains, lead, plate and thermostat.
    What they taught of the rate is for full power. None: learned before this was looked at."""


@dataclass(frozen=True, slots=True)
class Fall:
    """The heater-off test of one probe: how far it fell in the first minutes after heater-off at off_s,
    and the middle of its neighbours. reads_heater: so much faster than they that it was reading the
    heater, not the metal."""

    place: str
    off_s: float
    fall_c: float
    neighbours_c: float
    reads_heater: bool


@dataclass(frozen=True, slots=True)
class Lesson:
    """What one heat-up taught. memory: with it where it was clean, else as before; why: in words, why
    it was not clean; censored: stopped before the target; falls: its heater-off tests; changed: in
    words, what of the setup seems to have changed for good."""

    memory: Memory | None
    clean: bool
    why: str = ""
    censored: bool = False
    falls: tuple[Fall, ...] = ()
    changed: str = ""


def day_spread(names: Sequence[str], memory: Memory | None) -> Array:
    """Spread of each parameter from one day to another; 0 for what each day starts anew.

    The days seen so far have a say, against a belief worth _BELIEF of them.
    """
    spread = np.array([_DAY_SD.get(name.split(":")[0], 0.0) for name in names])
    for i, name in enumerate(names):
        apart, days = (memory.scatter if memory is not None else {}).get(name, (0.0, 0))
        spread[i] *= math.sqrt((_BELIEF + apart) / (_BELIEF + days))
    return spread


def usual_power(powers: Sequence[float]) -> tuple[float, float]:
    """Logarithm of the share of full power the next heat-up is heated with, where the last ones were with
    `powers`, and its spread.

    Of a normal distribution whose spread from day to day is believed to be _POWER_DAY_SD, worth _BELIEF days.
    Raises ValueError where there is none.
    """
    if not powers:
        raise ValueError("no heat-up has told its power")
    logs = np.log(powers)
    apart = float(((logs - logs.mean()) ** 2).sum())
    day = (_BELIEF * _POWER_DAY_SD**2 + apart) / (_BELIEF + len(logs) - 1)
    return float(logs.mean()), math.sqrt(day * (1 + 1 / len(logs)))


def setup_prior(prior: Prior, memory: Memory | None, places: Sequence[str]) -> tuple[Array, Array]:
    """Mean (p,) and covariance (p, p) of the setup's own parameters, from the memory where it knows a
    place, else from a sister, and from the prior where neither does."""
    names = parameter_names(places)
    mean = prior.mean(places)
    factor = prior.factor(places, [0.0] * len(places))
    covariance = factor @ factor.T
    if prior.sister is not None:
        _lay_over(names, mean, covariance, prior.sister)
    if memory is not None:
        known = Believed(memory.names, np.array(memory.mean), np.array(memory.covariance))
        _lay_over(names, mean, covariance, known)
    return mean, covariance


def _lay_over(names: Sequence[str], mean: Array, covariance: Array, known: Believed) -> None:
    """Put what is known in place of what these parameters were believed to be."""
    at = {name: i for i, name in enumerate(known.names)}
    shared = [(i, at[n]) for i, n in enumerate(names) if n in at and n not in OF_THE_DAY]
    here, there = (np.array(x) for x in zip(*shared, strict=True))
    mean[here] = known.mean[there]
    covariance[np.ix_(here, here)] = known.covariance[np.ix_(there, there)]
    new = np.setdiff1d(np.arange(len(names)), here)
    covariance[np.ix_(new, here)] = covariance[np.ix_(here, new)] = 0.0


def absorb(
    memory: Memory | None,
    prior: Prior,
    places: Sequence[str],
    found: Array,
    spread: Array,
    power: float | None = None,
) -> tuple[Memory, str]:
    """The memory after one more heat-up with fitted parameters `found` (p,) of covariance `spread`, heated
    with `power` of full power (None: not told), and in words what seems to have changed for good.

    `spread` must be that of the curve together with today's prior, as the fit gives it; the prior's
    share is taken out again before the day's scatter is added.
    """
    names = parameter_names(places)
    mean, covariance = setup_prior(prior, memory, places)
    day = np.diag(np.maximum(day_spread(names, memory), 1e-3) ** 2)
    stable = [i for i, n in enumerate(names) if n.split(":")[0] not in OF_THE_DAY]
    pick = np.ix_(stable, stable)
    before = covariance[pick] + day[pick]  # today's prior: the setup and the day
    after = (spread[pick] + spread[pick].T) / 2
    # What the heat-up told of the day's parameters, as a shift of today's prior passed on to the setup.
    gain = covariance[pick] @ np.linalg.inv(before)
    middle = mean[stable] + gain @ (found[stable] - mean[stable])
    rest = covariance[pick] - gain @ covariance[pick] + gain @ after @ gain.T
    kept = tuple(names[i] for i in stable)
    scatter = dict(memory.scatter) if memory is not None else {}
    lately = dict(memory.lately) if memory is not None else {}
    if memory is not None:
        for row, name in enumerate(kept):
            told = before[row, row] - after[row, row]
            if name in SHARED and told > 0.5 * before[row, row]:
                apart, days = scatter.get(name, (0.0, 0))
                far = min(_FAR, float(found[stable[row]] - mean[stable[row]]) ** 2 / told)
                scatter[name] = (apart + far, days + 1)
                shift = float((found[stable[row]] - mean[stable[row]]) / math.sqrt(told))
                lately[name] = (*lately.get(name, ()), shift)[-_LATELY:]
    changed = "; ".join(filter(None, (_changed(name, lately.get(name, ())) for name in _TELLS)))
    if changed:  # what was learned before tells less of the setup as it is now
        rest, lately = 4 * rest, {}
    after_it = Memory(
        kept,
        tuple(map(float, middle)),
        tuple(tuple(map(float, row)) for row in (rest + rest.T) / 2),
        (memory.heat_ups if memory else 0) + 1,
        MODEL_VERSION,
        scatter,
        lately,
        _powers(memory, power),
    )
    return after_it, changed


def _powers(memory: Memory | None, power: float | None) -> tuple[float, ...]:
    before = (memory.powers if memory is not None else None) or ()
    return (*before, power)[-_POWERS:] if power is not None else before


def _changed(name: str, shifts: Sequence[float]) -> str:
    """What three days in a row far to one side tell, in words."""
    if len(shifts) < _LATELY or not (min(shifts) > _FAR_OFF or max(shifts) < -_FAR_OFF):
        return ""
    return _TELLS[name][0 if shifts[0] > 0 else 1]
