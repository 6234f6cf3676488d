"""When a cold soak tells what probes are off, rule by rule; fixed points; another's thermometer."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe_agent import words
from probe_agent.corrections import (
    GAP_S,
    READ_S,
    UNHEATED_S,
    Compared,
    Passing,
    Seen,
    Soak,
    agreement,
    boiling_c,
    by_spots,
    field_pressure_hpa,
    fixed_point,
    why_no_soak,
)
from probe_agent.store import Shifted

NOW = 1_800_000_000.0 + 3 * 3600  # Fri 15 Jan 2027, 11:00 UTC
STEP_S = 300.0
OFF_C = {"cyl-1": 0.0, "cyl-2": 0.6, "cyl-3": -0.4, "case-nose": 0.0, "sump": 0.1}


def soak(
    metal: Callable[[float], float] = lambda ago_s: -8.0,
    air: Callable[[float], float | None] = lambda ago_s: -8.2,
    heater: Callable[[float], float | None] = lambda ago_s: None,
    **more: object,
) -> Soak:
    """Twelve hours and a little, nothing but the probes' own offsets in it; the aircraft in a hangar."""
    ago = [UNHEATED_S + 600 - i * STEP_S for i in range(int((UNHEATED_S + 600) / STEP_S) + 1)]
    seen = [
        Seen(NOW - a, {p: metal(a) + c for p, c in OFF_C.items()}, air(a), heater(a))
        for a in ago
        if a <= UNHEATED_S
    ]
    return replace(Soak(NOW, seen), **more)  # type: ignore[arg-type]


def kinds(found: Soak) -> list[str]:
    return [reason.kind for reason in why_no_soak(found)]


def test_twelve_quiet_cold_hours_qualify() -> None:
    assert why_no_soak(soak()) == ()


@pytest.mark.parametrize(("ago_h", "why"), [(11.9, ["heated"]), (12.1, [])])
def test_twelve_hours_without_a_heat_up_of_the_record(ago_h: float, why: list[str]) -> None:
    assert kinds(soak(heated_at=NOW - ago_h * 3600)) == why


@pytest.mark.parametrize(("share", "why"), [(0.2, ["heated"]), (0.0, []), (None, [])])
def test_twelve_hours_without_power_at_the_heater(share: float | None, why: list[str]) -> None:
    assert kinds(soak(heater=lambda ago_s: share if 30_000 < ago_s < 31_000 else 0.0)) == why


@pytest.mark.parametrize(("ago_h", "why"), [(11.9, ["ran"]), (12.1, [])])
def test_twelve_hours_without_a_flight(ago_h: float, why: list[str]) -> None:
    assert kinds(soak(ran_at=NOW - ago_h * 3600)) == why


@pytest.mark.parametrize(("gap_s", "why"), [(GAP_S - STEP_S, []), (GAP_S + STEP_S, ["gap"])])
def test_twelve_hours_without_a_gap_in_which_heat_would_go_unseen(gap_s: float, why: list[str]) -> None:
    whole = soak()
    seen = [s for s in whole.seen if not NOW - 30_000 < s.at < NOW - 30_000 + gap_s]
    assert kinds(replace(whole, seen=seen)) == why


def test_a_record_that_begins_later_is_a_gap_too() -> None:
    whole = soak()
    assert kinds(replace(whole, seen=[s for s in whole.seen if s.at > NOW - 8 * 3600])) == ["gap"]


def test_an_unplugged_harness_is_a_gap_though_the_air_is_read_on() -> None:
    whole = soak()
    seen = [replace(s, values_c={}) if NOW - 30_000 < s.at < NOW - 27_000 else s for s in whole.seen]
    assert kinds(replace(whole, seen=seen)) == ["gap"]


@pytest.mark.parametrize(("moved_c", "why"), [(0.9, []), (1.1, ["air-moved"])])
def test_the_air_was_steady_within_a_degree_for_three_hours(moved_c: float, why: list[str]) -> None:
    assert kinds(soak(air=lambda ago_s: -8.0 + (moved_c if ago_s < 3600 else 0.0))) == why
    before = soak(air=lambda ago_s: -8.0 + (moved_c if ago_s > 4 * 3600 else 0.0))
    assert kinds(before) == []  # what it did earlier doesn't matter


def test_air_that_nobody_measured_was_not_steady() -> None:
    assert kinds(soak(air=lambda ago_s: None)) == ["no-air"]
    assert kinds(soak(air=lambda ago_s: None if 3600 < ago_s < 3600 + GAP_S + 600 else -8.0)) == ["no-air"]


@pytest.mark.parametrize(("warmest_c", "why"), [(2.0, []), (2.1, ["too-warm"])])
def test_it_was_never_above_two_degrees_in_all_twelve_hours(warmest_c: float, why: list[str]) -> None:
    assert kinds(soak(air=lambda ago_s: warmest_c if ago_s > 11 * 3600 else -8.0)) == why
    cold = {p: warmest_c - 0.6 + c for p, c in OFF_C.items()}
    whole = soak()
    seen = [replace(s, values_c=cold) if s.at < NOW - 11 * 3600 else s for s in whole.seen]
    assert kinds(replace(whole, seen=seen)) == why


@pytest.mark.parametrize(("rise_c", "why"), [(0.8, []), (1.2, ["metal-moved"])])
def test_sun_or_warmth_that_leaves_shows_in_the_metal(rise_c: float, why: list[str]) -> None:
    assert kinds(soak(metal=lambda ago_s: -8.0 + rise_c * max(0.0, 1 - ago_s / 7200))) == why


@pytest.mark.parametrize(
    ("sun_h", "why"),
    [
        (None, []),
        (0.0, ["daylight"]),
        (-7.0, []),
        (-5.5, []),
        (-4.0, ["daylight"]),
        (10.5, []),
        (9.0, ["daylight"]),
    ],
)
def test_outside_the_steady_hours_lie_in_the_night(sun_h: float | None, why: list[str]) -> None:
    assert kinds(soak(sun_h=sun_h)) == why


def test_of_two_probes_nobody_can_say_which_is_right() -> None:
    whole = soak()
    seen = [replace(s, values_c={p: s.values_c[p] for p in ("cyl-1", "cyl-2")}) for s in whole.seen]
    assert kinds(replace(whole, seen=seen)) == ["few-probes"]


def test_probes_that_have_fallen_silent() -> None:
    whole = soak()
    assert "silent" in kinds(replace(whole, seen=[s for s in whole.seen if s.at < NOW - GAP_S - 60]))
    assert "silent" in kinds(replace(whole, seen=[]))


def test_each_reason_is_a_sentence_that_says_what_to_do() -> None:
    bad = soak(
        metal=lambda ago_s: 3.0 + (1.5 if ago_s < 3600 else 0.0),
        air=lambda ago_s: 3.0 + (1.5 if ago_s < 3600 else 0.0),
        heated_at=NOW - 7200,
        ran_at=NOW - 9000,
        sun_h=0.0,
    )
    said = [words.why_no_check(r, "UTC", NOW, "C") for r in why_no_soak(bad)]
    assert len(said) == 6
    assert said[0] == "The engine was heated up to 09:00, 2 h ago. It takes 12 hours without heat."
    assert "moved by 1.5 °C" in said[2]
    assert "as warm as 5.1 °C (cylinder 2)" in said[4]
    assert "moved by 2.7 °F" in words.why_no_check(why_no_soak(bad)[2], "UTC", NOW, "F")


# -- agreement


def test_probes_are_brought_to_their_middle() -> None:
    found = {c.place: c for c in agreement(soak(), {"cyl-2": -0.1})}
    assert found["cyl-2"].change_c == pytest.approx(-0.6)
    assert found["cyl-2"].wanted_c == pytest.approx(-0.7)  # what it is corrected by already, and more
    assert found["cyl-3"].wanted_c == pytest.approx(0.4)
    assert found["sump"].change_c == 0.0  # a tenth is less than a converter's step


def test_an_ice_point_is_what_the_others_are_brought_to() -> None:
    found = {c.place: c for c in agreement(soak(), {}, frozenset({"cyl-2"}))}
    assert found["cyl-2"].change_c == 0.0
    assert found["cyl-1"].wanted_c == pytest.approx(0.6)


@given(st.lists(st.floats(-1.9, 1.9), min_size=3, max_size=8), st.floats(-30, 1))
def test_after_an_agreement_all_read_the_same(off: list[float], c: float) -> None:
    seen = [
        Seen(NOW - i * 60.0, {f"cyl-{n + 1}": c + o for n, o in enumerate(off)}, c) for i in range(59, -1, -1)
    ]
    found = agreement(Soak(NOW, seen), {})
    assert {round(f.reads_c + f.wanted_c, 6) for f in found if f.change_c} <= {round(found[0].should_c, 6)}
    assert all(abs(f.reads_c - f.should_c) < 0.15 + 1e-9 for f in found if not f.change_c)


def test_only_the_last_hour_is_averaged() -> None:
    whole = soak()
    earlier = dict.fromkeys(OFF_C, -20.0)
    other = [replace(s, values_c=earlier) if s.at < NOW - READ_S else s for s in whole.seen]
    assert agreement(replace(whole, seen=other), {}) == agreement(whole, {})


# -- fixed points and thermometers


def test_a_probe_in_ice_that_has_settled() -> None:
    found = fixed_point("cyl-1", [0.5, 0.75] * 6, 0.0, 0.2)
    assert found == Compared("cyl-1", 0.625, 0.0, 0.2)
    assert isinstance(found, Compared)
    assert found.wanted_c == pytest.approx(-0.425)


def test_a_probe_still_on_its_way_or_hardly_read_says_nothing() -> None:
    assert fixed_point("cyl-1", [1.0, 0.75, 0.5, 0.25, 0.0, 0.0, 0.0, 0.0], 0.0, 0.0) == "unsteady"
    assert fixed_point("cyl-1", [0.0] * 3, 0.0, 0.0) == "few"


@pytest.mark.parametrize(
    ("pa", "c"),
    # ASHRAE Fundamentals 2017, ch. 1 table 3: 100 °C; the others are steam-table values from memory.
    [(101_418, 100.0), (101_325, 99.974), (84_609, 95.0), (70_182, 90.0)],
)
def test_water_boils_at_the_field_s_pressure(pa: float, c: float) -> None:
    assert boiling_c(pa / 100) == pytest.approx(c, abs=0.02)


def test_a_pressure_no_field_has_is_refused() -> None:
    for hpa in (499.0, 1101.0, math.inf):
        with pytest.raises(ValueError, match="hPa"):
            boiling_c(hpa)


@pytest.mark.parametrize(
    ("altimeter", "m", "hpa"),
    # ICAO standard atmosphere, Doc 7488: 0, 500, 1000 and 2000 m (from memory).
    [(1013.25, 0, 1013.25), (1013.25, 500, 954.61), (1013.25, 1000, 898.75), (1013.25, 2000, 794.95)],
)
def test_the_field_s_pressure_from_its_altimeter_setting(altimeter: float, m: float, hpa: float) -> None:
    assert field_pressure_hpa(altimeter, m) == pytest.approx(hpa, abs=0.05)


def test_what_a_round_of_spots_has_in_common_is_the_thermometer_s() -> None:
    reads = {"cyl-1": (-8.0, 0.0), "cyl-2": (-8.0, 0.0), "cyl-3": (-8.0, 0.0), "sump": (-5.5, 0.3)}
    found = {c.place: c for c in by_spots(reads, dict.fromkeys(reads, -4.0))}
    assert found["cyl-1"].change_c == 0.0  # 4 °C, but all alike
    assert found["sump"].wanted_c == pytest.approx(0.3 - 2.5)
    with pytest.raises(ValueError, match="spots"):
        by_spots(reads, {"cyl-1": 1.0, "cyl-2": 1.0, "oil-tank": 3.0})


def test_a_thermometer_s_own_error_corrects_nothing() -> None:
    assert Compared("sump", -8.0, -6.1, 0.0, 1.0).change_c == 0.0
    assert Compared("sump", -8.0, -5.9, 0.0, 1.0).change_c == pytest.approx(2.1)


# -- what would have been


@given(st.lists(st.floats(-5, 15), min_size=2, max_size=40), st.floats(0, 4))
def test_a_colder_reading_never_passes_earlier(values: list[float], less_c: float) -> None:
    def above(by_c: float) -> float:
        passing = Passing(("cyl-1",), 7.0)
        for i, c in enumerate(values):
            passing.add(float(i), {"cyl-1": c - by_c})
        return math.inf if passing.above_at is None else passing.above_at

    assert above(less_c) >= above(0.0)


def test_it_takes_all_required_places_twice() -> None:
    passing = Passing(("cyl-1", "cyl-2"), 7.0, {"cyl-2": 1.0})
    rows = [(8.0, 9.0), (8.0, 7.9), (8.0, 8.0), (8.0, None), (8.0, 8.0), (7.0, 8.0)]
    for i, (one, two) in enumerate(rows):
        assert passing.above_at is None
        passing.add(float(i), {"cyl-1": one} | ({} if two is None else {"cyl-2": two}))
    assert passing.above_at == 4.0


def test_a_shift_is_told_in_minutes() -> None:
    said = words.shift_sentence(Shifted(10, 240.0, 120.0, 360.0, 1))
    assert said == (
        "The last ten heat-ups would have been above target 4 min later, from 2 min later to 6 min later. "
        "One would not have been above target at all."
    )
    assert words.shift_sentence(Shifted()).startswith("No heat-up")
