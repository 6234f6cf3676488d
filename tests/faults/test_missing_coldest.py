"""A13: whatever befalls the probes, nothing says above target or ready while a required place is bad."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pytest

from probe_agent.config import TARGET_C
from probe_agent.readings import State
from tests import faulty_mornings
from tests.faulty_mornings import WARM, Morning, ProbeTrouble, Troubled, lay, troubles_of

HEAT_UPS, LONG = 2_000, 10_000
BY_PHYSICS, LONG_BY_PHYSICS = 12, 160
FALSE_WARMTH_C = 3.2
"""What a wrong value may hide before the physics can know it, and a dip of the last digit."""

Way = Callable[[Morning, Troubled], list[tuple[int, State, tuple[str, ...], bool]]]


@pytest.fixture(scope="module")
def mornings() -> Sequence[Morning]:
    return faulty_mornings.mornings((0, 1, 3, 4, 6, 7))


def faults(
    morning: Morning, troubles: Sequence[ProbeTrouble], way: Way, patient: bool
) -> tuple[list[str], bool, bool]:
    """What a troubled heat-up said against the rule, in words; whether it was warm, and bad, at any row.

    patient: wrong values count from when the physics set them aside, for it, not the test, has to find out
    what is usual.
    """
    troubled = lay(morning, troubles)
    said: list[str] = []
    before: State | None = None
    was_warm = False
    for k, state, kinds, doubted in way(morning, troubled):
        without = bool(np.isnan(troubled.value_c[k]).any())
        bad = (without or doubted) if patient else bool(troubled.bad[k])
        warm = state in WARM or any(kind in ("above-target", "ready", "holding") for kind in kinds)
        if warm and bad:
            said.append(f"row {k}: {state}, {kinds} with {troubles}")
        cold = morning.clean[k].min() < TARGET_C
        if warm and troubled.spiked[k] and before not in WARM and cold:
            said.append(f"row {k}: {state} by a spike, {troubles}")
        if warm and not patient and morning.clean[k].min() < TARGET_C - FALSE_WARMTH_C:
            said.append(f"row {k}: {state} at {morning.clean[k].min():.1f} °C, {troubles}")
        before, was_warm = state, was_warm or warm
    return said, was_warm, bool(troubled.bad.any())


def count(mornings: Sequence[Morning], number: int, way: Way, patient: bool, seed: int) -> tuple[int, int]:
    """Runs that many heat-ups; how many were called warm at some row, and how many rows were bad."""
    rng = np.random.default_rng(seed)
    warm = bad = 0
    for k in range(number):
        morning = mornings[k % len(mornings)]
        troubles = troubles_of(morning, rng)
        said, was_warm, was_bad = faults(morning, troubles, way, patient)
        assert said == []
        warm, bad = warm + was_warm, bad + was_bad
    return warm, bad


def test_nothing_is_called_warm_while_a_required_place_is_bad(mornings: Sequence[Morning]) -> None:
    warm, bad = count(mornings, HEAT_UPS, faulty_mornings.watched, False, 1)
    # The test would be empty if nothing were ever warm, or nothing bad.
    assert warm > HEAT_UPS / 4
    assert bad > HEAT_UPS / 2


def test_nor_through_the_whole_physics(mornings: Sequence[Morning]) -> None:
    count(mornings, BY_PHYSICS, faulty_mornings.watched_by_physics, True, 2)


@pytest.mark.long
def test_nor_in_ten_thousand(mornings: Sequence[Morning]) -> None:
    count(mornings, LONG, faulty_mornings.watched, False, 3)
    count(mornings, LONG_BY_PHYSICS, faulty_mornings.watched_by_physics, True, 4)


def test_swapped_probes_make_nothing_warm_that_is_not(mornings: Sequence[Morning]) -> None:
    """A minimum over all required places doesn't change with their order."""
    for morning in mornings:
        sound = faulty_mornings.watched(morning, lay(morning, ()))
        swap = (ProbeTrouble("swapped", 0, morning.first, len(morning.rows), other=1),)
        swapped = faulty_mornings.watched(morning, lay(morning, swap))
        pairs = zip(swapped, sound, strict=True)
        assert not [k for (k, now, _, _), (_, was, _, _) in pairs if now in WARM and was not in WARM]
