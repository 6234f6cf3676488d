"""Which probe is warmed by hand: eight noisy ones placed, a round each; two that rise together refused."""

from __future__ import annotations

import random

import pytest

from probe_agent.identifying import MOST_TICKS, REST_TICKS, Outcome, Round

ADDRESSES = tuple(f"3b-0c98000000a{n}" for n in range(1, 9))


class Bench:
    """Eight probes at the bench, quantised as converters are, with noise and a common drift. What was
    warmed falls back slowly."""

    def __init__(self, seed: int, noise_c: float = 0.35, drift_c: float = 0.03) -> None:
        self._random = random.Random(seed)
        self._noise_c, self._drift_c = noise_c, drift_c
        self._excess_c = dict.fromkeys(ADDRESSES, 0.0)
        self._base_c = {a: 18.0 + self._random.uniform(-1.5, 1.5) for a in ADDRESSES}

    def tick(self, warmed: tuple[str, ...] = (), by_c: float = 1.6) -> dict[str, float]:
        """One tick later: a held probe goes toward a hand some 14 °C warmer."""
        values = {}
        for a in ADDRESSES:
            self._base_c[a] += self._drift_c
            target = 14.0 if a in warmed else 0.0
            self._excess_c[a] += (target - self._excess_c[a]) * (by_c / 14.0 if target else 0.05)
            raw = self._base_c[a] + self._excess_c[a] + self._random.gauss(0.0, self._noise_c)
            values[a] = round(raw * 4) / 4
        return values


def go(bench: Bench, round_: Round, warmed: tuple[str, ...], by_c: float = 1.6) -> Outcome:
    for _ in range(REST_TICKS):
        outcome = round_.take(bench.tick())
    while outcome.kind in ("resting", "waiting"):
        outcome = round_.take(bench.tick(warmed, by_c))
    return outcome


@pytest.mark.parametrize("seed", range(25))
def test_eight_noisy_probes_are_placed_one_round_each(seed: int) -> None:
    bench, order = Bench(seed), list(ADDRESSES)
    random.Random(seed + 100).shuffle(order)
    placed: list[str] = []
    for address in order:
        outcome = go(bench, Round(frozenset(placed)), (address,))
        assert (outcome.kind, outcome.addresses) == ("found", (address,))
        placed.append(address)


@pytest.mark.parametrize("seed", range(25))
def test_two_that_rise_together_are_refused(seed: int) -> None:
    pair = tuple(random.Random(seed).sample(ADDRESSES, 2))
    outcome = go(Bench(seed), Round(), pair)
    assert outcome.kind == "several"
    assert set(outcome.addresses) == set(pair)


@pytest.mark.parametrize("seed", range(10))
def test_nobody_warms_any_and_the_room_drifts(seed: int) -> None:
    outcome = go(Bench(seed, drift_c=0.15), Round(), ())
    assert outcome == Outcome("none", (), outcome.rises_c)


def test_a_hand_that_comes_late_is_seen() -> None:
    bench, round_ = Bench(3), Round()
    for _ in range(REST_TICKS + MOST_TICKS // 2):
        round_.take(bench.tick())
    kinds = []
    while not kinds or kinds[-1] == "waiting":
        kinds.append(round_.take(bench.tick((ADDRESSES[4],))).kind)
    assert kinds[-1] == "found"


def test_one_probe_alone_and_one_that_falls_silent() -> None:
    round_ = Round()
    for _ in range(REST_TICKS):
        round_.take({"a": 10.0})
    assert round_.take({}).kind == "waiting"
    round_.take({"a": 13.0})
    assert round_.take({"a": 14.0}).kind == "found"
