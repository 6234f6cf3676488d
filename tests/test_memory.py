"""What heat-ups teach of a setup, two levels apart: what belongs to it, and what to the day."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from probe_agent.readings import Observation
from probe_agent.thermal.estimator import Estimator
from probe_agent.thermal.memory import Memory, absorb, day_spread, setup_prior, usual_power
from probe_agent.thermal.network import SHARED, parameter_names
from probe_agent.thermal.prior import engine_prior

PLACES = ("cyl-1", "cyl-2", "case-nose")
NAMES = parameter_names(PLACES)
PRIOR = engine_prior("opposed-4", "air", "pads-and-bands", 650.0, True, True, "outside", PLACES, ())
RATE = SHARED.index("log_rate_c_per_s")


def taught(memory: Memory | None, rate_shift: float) -> tuple[Memory, str]:
    """A heat-up that tells the rate, shifted by so much from the prior's, and nothing else."""
    mean, covariance = setup_prior(PRIOR, memory, PLACES)
    found = mean.copy()
    found[RATE] = PRIOR.mean(PLACES)[RATE] + rate_shift
    spread = covariance + np.diag(day_spread(NAMES, memory) ** 2)
    spread[RATE] = spread[:, RATE] = 0.0
    spread[RATE, RATE] = 1e-4
    return absorb(memory, PRIOR, PLACES, found, spread)


def rate_of(memory: Memory) -> tuple[float, float]:
    i = memory.names.index("log_rate_c_per_s")
    return memory.mean[i], memory.covariance[i][i] ** 0.5


def after(shifts: list[float]) -> tuple[Memory, list[str]]:
    memory, said = None, []
    for shift in shifts:
        memory, changed = taught(memory, shift)
        said.append(changed)
    assert memory is not None
    return memory, said


def test_heat_ups_draw_the_setup_to_what_they_tell_and_narrow_it() -> None:
    prior = PRIOR.mean(PLACES)[RATE]
    one, three = (after([0.2] * n)[0] for n in (1, 3))
    assert rate_of(one)[0] == pytest.approx(prior + 0.2, abs=0.02)
    assert rate_of(three)[1] < rate_of(one)[1] < PRIOR.shared_factor[RATE, RATE]
    assert (one.heat_ups, three.heat_ups) == (1, 3)


def test_days_far_apart_widen_the_next_one() -> None:
    steady, apart = after([0.0] * 6)[0], after([0.3, -0.3] * 3)[0]
    assert day_spread(NAMES, steady)[RATE] < day_spread(NAMES, None)[RATE] < day_spread(NAMES, apart)[RATE]


def test_three_days_in_a_row_far_to_one_side_are_a_change_for_good_said_once() -> None:
    _, said = after([0.0, 0.01, -0.01, 0.0, -0.5, -0.7, -0.9, -0.9])
    assert [bool(s) for s in said].count(True) == 1
    assert "the heater warms more slowly than before" in said


def test_one_odd_day_is_no_change() -> None:
    assert not any(after([0.0, 0.01, -0.01, 0.0, -0.5, 0.0, 0.01])[1])


def test_a_place_the_memory_does_not_know_has_its_prior() -> None:
    memory = after([0.1])[0]
    mean, covariance = setup_prior(PRIOR, memory, (*PLACES, "sump"))
    names = parameter_names((*PLACES, "sump"))
    new = names.index("log_heat:sump")
    assert mean[new] == 0.0
    assert covariance[new, new] == pytest.approx(PRIOR.place_sd[1] ** 2)
    assert mean[RATE] == pytest.approx(rate_of(memory)[0])


# -- with what power it is heated


def test_the_next_heat_up_is_heated_as_the_last_ones_were() -> None:
    log_power, sd = usual_power([0.88, 0.9, 0.86])
    assert math.exp(log_power) == pytest.approx(0.88, abs=0.002)
    assert usual_power([0.88])[1] > sd > usual_power([0.88] * 10)[1] > 0.01
    assert usual_power([1.0, 0.7, 0.9, 0.75])[1] > 2 * usual_power([0.84] * 4)[1]
    with pytest.raises(ValueError, match="no heat-up"):
        usual_power([])


def test_the_spread_of_the_next_power_is_as_wide_as_it_really_is() -> None:
    """Of days as far apart as believed nine in ten lie within 1.64 spreads, after one heat-up and six."""
    rng = np.random.default_rng(5)
    for known in (1, 6):
        inside = 0
        for _ in range(1000):
            logs = -0.1 + 0.045 * rng.standard_normal(known + 1)
            middle, sd = usual_power(np.exp(logs[:-1]).tolist())
            inside += abs(logs[-1] - middle) < 1.645 * sd
        assert 870 <= inside <= 930


def test_a_memory_keeps_the_last_ten_powers_and_none_nobody_told() -> None:
    memory: Memory | None = None
    mean, covariance = setup_prior(PRIOR, None, PLACES)
    for power in (None, *(0.8 + 0.01 * k for k in range(12)), None):
        memory, _ = absorb(memory, PRIOR, PLACES, mean, covariance, power)
    assert memory is not None
    assert memory.heat_ups == 14
    assert memory.powers == pytest.approx([0.8 + 0.01 * k for k in range(2, 12)])


def test_a_memory_of_before_gives_an_outlook_of_full_power_and_one_of_after_its_own() -> None:
    def level_with(powers: tuple[float, ...] | None) -> tuple[float, float]:
        physics = Estimator(PLACES, PLACES, 7.0, -1.0, PRIOR, replace(after([0.0])[0], powers=powers))
        physics.observe(Observation(0.0, dict.fromkeys(PLACES, -10.0), -10.0, 0.0))
        outlook = physics.outlook()
        assert outlook is not None
        logs = np.log(np.broadcast_to(outlook.level, len(outlook.weight)))
        return math.exp(float(logs.mean())), float(logs.std())

    assert level_with(None) == level_with(()) == pytest.approx((1.0, PRIOR.power_sd), rel=0.15)
    assert level_with((0.7, 0.72, 0.71)) == pytest.approx((0.71, usual_power((0.7, 0.72, 0.71))[1]), rel=0.15)
