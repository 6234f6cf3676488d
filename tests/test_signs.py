"""The named signs by drawn curves, and the bench's short form against its stored figures."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from probe_agent.readings import Observation, Sign, SignKind
from probe_agent.thermal.evidence import Rows, rises_again, rises_on
from probe_agent.thermal.signs import Heard, Signs
from tests.bench import signs_short
from tests.bench.signs import interval

PLACES = ("case-nose", "cyl-1", "cyl-2", "sump")
Curve = Callable[[float], float]
OFF = Heard(False, None, None, -math.inf, ())


def told(curve: Curve, air: Curve | None, hours: float, heard: Heard = OFF) -> list[tuple[float, Sign]]:
    """Each sign with the minute it was first said, of an engine whose places all follow one curve [°C by
    minutes]."""
    signs, said, seen = Signs(PLACES, True), [], set[SignKind]()
    for k in range(int(hours * 240)):
        minute = k / 4
        air_c = None if air is None else air(minute)
        signs.take(Observation(15.0 * k, dict.fromkeys(PLACES, curve(minute)), air_c), heard)
        said += [(minute, s) for s in signs.now if s.kind not in seen]
        seen |= {s.kind for s in signs.now}
    return said


def cooling(minute: float, from_c: float = 30.0, hours: float = 4.0, air_c: float = -10.0) -> float:
    return air_c + (from_c - air_c) * math.exp(-minute / 60 / hours)


def test_a_body_that_cools_in_the_same_air_shows_nothing() -> None:
    assert told(cooling, lambda _: -10.0, 4) == []
    assert told(cooling, None, 4) == []


def off_at_100(minute: float) -> float:
    """Twice as fast from minute 100 on."""
    return cooling(minute) if minute < 100 else cooling(minute - 100, cooling(100), 2.0)


def test_cooling_that_becomes_faster_is_the_cover_or_the_wind_and_unmeasured_air_leaves_it_open() -> None:
    ((minute, sign),) = told(off_at_100, lambda _: -10.0, 4)
    assert sign.kind is SignKind.COVER_OFF
    assert 100 < minute < 120
    ((_, sign),) = told(off_at_100, None, 4)
    assert sign.kind is SignKind.COOLS_FASTER


def test_air_that_steps_is_a_warm_hangar_or_an_open_door() -> None:
    ((minute, sign),) = told(lambda _: -8.0, lambda m: -8.0 if m < 60 else 12.0, 2)
    assert sign.kind is SignKind.WARM_AIR
    assert 60 < minute < 66
    ((_, sign),) = told(lambda _: 12.0, lambda m: 12.0 if m < 60 else -2.0, 1.4)
    assert sign.kind is SignKind.COLD_AIR
    assert told(lambda _: -8.0, lambda m: -8.0 + m / 60 * 3, 2) == [], "a mild morning is no hangar"


def test_a_slow_rise_is_named_only_where_the_heater_is_known_to_be_off() -> None:
    def rises(minute: float) -> float:
        return -5.0 + max(0.0, minute - 30) / 60 * 3

    ((_, sign),) = told(rises, lambda _: -6.0, 2.5)
    assert sign.kind is SignKind.SUN
    unknown = Heard(None, None, None, -math.inf, ())
    ((_, sign),) = told(rises, lambda _: -6.0, 2.5, unknown)
    assert sign.kind is SignKind.WARMED_OTHERWISE
    on = Heard(True, 0.0, None, 0.0, ())
    assert {s.kind for _, s in told(rises, lambda _: -6.0, 2.5, on)} == {SignKind.HEATER_ON}


def test_the_heater_stops_and_comes_back_and_places_are_set_aside() -> None:
    signs = Signs(PLACES, True)
    row = dict.fromkeys(PLACES, 0.0)
    for k, heard in enumerate(
        (
            Heard(True, 5.0, None, 5.0, ()),
            Heard(False, 5.0, 20.0, 20.0, ("cyl-1",)),
            Heard(True, 5.0, None, 40.0, ("cyl-1",)),
        )
    ):
        signs.take(Observation(15.0 * (k + 1), row), heard)
        if k == 1:
            assert signs.now[0] == Sign(SignKind.HEATER_STOPPED, 20.0)
    assert signs.now == (Sign(SignKind.HEATER_RESUMED, 40.0), Sign(SignKind.DETACHED, 30.0, "cyl-1"))


def test_interval_of_a_share_by_hand() -> None:
    """0 of 300: 1 - 0.025^(1/300) = 1.222 % (the exact bound's closed form); all of n mirrors none of n."""
    assert interval(0, 300) == pytest.approx((0.0, 0.01222), abs=1e-5)
    low, high = interval(1, 1)
    assert (low, high) == pytest.approx((0.025, 1.0))


@pytest.mark.long
def test_the_short_form_is_no_worse_than_stored() -> None:
    assert signs_short.worse(signs_short.measured(), signs_short.stored()) == []


def test_no_heater_stopped_where_the_fastest_place_rises_on_and_none_resumed_where_it_falls_on() -> None:
    t_s = np.arange(0.0, 1200.0, 15.0)
    far = 0.002 * t_s

    def rows(before_per_min: float, after_per_min: float) -> Rows:
        near = np.where(
            t_s < 900, before_per_min * t_s / 60, before_per_min * 15 + after_per_min * (t_s - 900) / 60
        )
        return Rows(t_s, np.stack([far, near], axis=1), np.full((len(t_s), 2), 0.15))

    both = np.ones(2)
    assert rises_on(rows(1.0, 0.9), both, 900.0)
    assert not rises_on(rows(1.0, 0.1), both, 900.0)
    assert not rises_on(rows(0.1, 0.1), both, 900.0), "too little to tell"
    assert not rises_on(rows(1.0, 0.9), np.array([1.0, 0.0]), 900.0), "that place is not believed"
    assert rises_again(rows(-0.3, 0.5), 1, 900.0)
    assert not rises_again(rows(-0.5, -0.1), 1, 900.0), "it only cools more slowly"
    assert not rises_again(rows(0.5, 0.2), 1, 900.0), "it has risen all the time"


def test_an_uneven_engine_is_not_said_to_cool_faster() -> None:
    """Heads 25 K above the case, as after a flight: what falls together later has only evened out."""

    def uneven(minute: float, apart_c: float) -> dict[str, float]:
        middle = off_at_100(minute)
        return {p: middle + (apart_c if p.startswith("cyl") else 0.0) for p in PLACES}

    for apart_c, found in ((2.0, {SignKind.COVER_OFF}), (25.0, set[SignKind]())):
        signs, seen = Signs(PLACES, True), set[SignKind]()
        for k in range(4 * 240):
            signs.take(Observation(15.0 * k, uneven(k / 4, apart_c), -10.0), OFF)
            seen |= {s.kind for s in signs.now}
        assert seen == found


def test_a_thermostats_pauses_are_no_stop_once_they_are_known() -> None:
    signs, kinds = Signs(PLACES, True), []
    for k in range(200):
        off = (k >= 40 and (k % 20 < 4)) or k > 150
        since = 15.0 * (k - k % 20) if k <= 150 else 15.0 * 151
        signs.take(
            Observation(15.0 * k, dict.fromkeys(PLACES, 0.0)),
            Heard(not off, 0.0, since if off else None, 0.0, ()),
        )
        kinds.append(signs.now[0].kind)
    stopped = [k for k, kind in enumerate(kinds) if kind is SignKind.HEATER_STOPPED]
    assert {k for k in stopped if k < 80} == {*range(40, 44), *range(60, 64)}, (
        "two pauses tell of a thermostat"
    )
    assert not [k for k in stopped if 80 <= k <= 150]
    assert min(k for k in stopped if k > 150) <= 158
