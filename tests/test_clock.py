"""Clocks: the board's, one at a rate, and one that jumps."""

from __future__ import annotations

import math
import threading
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe_agent.clock import Clock, SimulatedClock, SystemClock, boot_id

START_UTC = 1_800_000_000.0


@pytest.fixture(params=["system", "rate", "jump"])
def clock(request: pytest.FixtureRequest) -> Clock:
    made: dict[str, Clock] = {
        "system": SystemClock(),
        "rate": SimulatedClock(START_UTC, 200.0),
        "jump": SimulatedClock(START_UTC),
    }
    return made[request.param]


def test_the_offset_of_a_hurried_clock_does_not_tremble() -> None:
    clock = SimulatedClock(1_800_000_000.0, rate=100_000.0, start_t_s=50.0)
    assert {clock.utc_offset_s() for _ in range(100)} == {1_800_000_000.0 - 50.0}


def test_a_wait_ends_at_its_instant_not_before(clock: Clock) -> None:
    wake = threading.Event()
    due_s = clock.monotonic() + 0.05 * min(clock.rate, 200.0)
    clock.wait_until(due_s, wake)
    assert clock.monotonic() >= due_s


def test_a_past_instant_is_not_waited_for_and_time_does_not_go_back(clock: Clock) -> None:
    wake = threading.Event()
    clock.wait_until(clock.monotonic() + 0.01, wake)
    before = clock.monotonic()
    clock.wait_until(before - 1000.0, wake)
    assert before <= clock.monotonic() < before + 1000.0


def test_utc_and_monotonic_run_together(clock: Clock) -> None:
    offset = clock.utc() - clock.monotonic()
    clock.wait_until(clock.monotonic() + 0.02 * min(clock.rate, 200.0), threading.Event())
    assert clock.utc() - clock.monotonic() == pytest.approx(offset, abs=0.5)


def test_who_is_woken_does_not_wait_on(clock: Clock) -> None:
    wake = threading.Event()
    wake.set()
    before, began = clock.monotonic(), time.monotonic()
    clock.wait_until(before + 1e6, wake)
    assert time.monotonic() - began < 5.0
    assert clock.monotonic() < before + 1e6


@pytest.mark.parametrize("rate", [1.0, 60.0])
def test_a_sleeper_is_woken_from_another_thread(rate: float) -> None:
    clock, wake = SimulatedClock(START_UTC, rate), threading.Event()
    sleeper = threading.Thread(target=clock.wait_until, args=(clock.monotonic() + 1e6, wake))
    sleeper.start()
    wake.set()
    sleeper.join(10.0)
    assert not sleeper.is_alive()


def test_a_simulated_clock_starts_where_it_is_told() -> None:
    clock = SimulatedClock(START_UTC, start_t_s=500.0)
    assert clock.monotonic() == 500.0
    assert clock.utc() == START_UTC
    clock.wait_until(560.0, threading.Event())
    assert clock.utc() == START_UTC + 60.0
    assert clock.utc_is_known()


def test_a_rate_runs_as_many_seconds_as_it_says() -> None:
    clock = SimulatedClock(START_UTC, 1000.0)
    real, run = time.monotonic(), clock.monotonic()
    clock.wait_until(run + 100.0, threading.Event())
    real_after, run_after = time.monotonic(), clock.monotonic()
    assert run_after - run == pytest.approx((real_after - real) * 1000.0, abs=50.0)


@given(st.lists(st.floats(0, 1e6), max_size=30))
def test_jumps_never_go_back_and_always_repeat(instants: list[float]) -> None:
    wake = threading.Event()
    seen = []
    for _ in range(2):
        clock = SimulatedClock(START_UTC)
        track = []
        for t_s in instants:
            clock.wait_until(t_s, wake)
            track.append(clock.monotonic())
        assert track == sorted(track)
        seen.append(track)
    assert seen[0] == seen[1]


@pytest.mark.parametrize("rate", [0.0, -1.0, math.nan])
def test_a_clock_that_stands_or_runs_back_is_refused(rate: float) -> None:
    with pytest.raises(ValueError, match="above 0"):
        SimulatedClock(START_UTC, rate)


def test_a_clock_from_before_this_product_is_not_believed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(time, "time", lambda: 1_500_000_000.0)
    assert not SystemClock().utc_is_known()


def test_the_boot_id_is_the_kernels_and_stays() -> None:
    assert boot_id() == Path("/proc/sys/kernel/random/boot_id").read_text("ascii").strip()
