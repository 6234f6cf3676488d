"""Answers beyond the live forecast: against closed forms, and what they must obey among themselves."""

from __future__ import annotations

import math
import time
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.linalg import expm
from scipy.optimize import brentq

from probe_agent.readings import Observation
from probe_agent.thermal.air import AirForecast
from probe_agent.thermal.answers import (
    LONGEST_HEAT_S,
    Exposure,
    Outlook,
    ReadyRule,
    covered,
    flown,
    holds,
    latest_switch_on,
    settled,
    soaked,
    switched_on,
    uncovering,
    unflown,
)
from probe_agent.thermal.estimator import Estimator
from probe_agent.thermal.network import HIDDEN, STAGES, build
from probe_agent.thermal.prior import engine_prior

HOUR = 3600.0
PLACES = tuple(f"cyl-{i}" for i in range(1, 9))
RULE = ReadyRule()
TOLERANCE_S = 35.0  # to which an instant is looked for, and a little


def steady(air_c: float) -> AirForecast:
    return AirForecast(np.array([0.0]), np.array([[air_c]]))


def falling(air_c: float, by_c: float, over_s: float = 12 * HOUR) -> AirForecast:
    """Air that falls straight, and in some futures more than in others."""
    shares = np.linspace(0.5, 1.5, 64)[np.random.default_rng(8).permutation(64)]
    return AirForecast(np.array([0.0, over_s]), np.stack([np.full(64, air_c), air_c - by_c * shares], 1))


def engine(
    start_c: float = -12.0, air_c: float = -12.0, samples: int = 64, n: int = 3, spread: float = 0.4
) -> Outlook:
    """A described engine at one temperature, drawn from a narrowed prior."""
    places = PLACES[:n]
    prior = engine_prior("opposed-4", "air", "pads-and-bands", 650.0, True, True, "outside", places)
    rng = np.random.default_rng(4)
    mean, factor = prior.mean(places), prior.factor(places, [0.1] * n)
    a = build(mean + spread * rng.standard_normal((samples, len(mean))) @ factor.T, n).a
    z = np.zeros((samples, a.shape[1]))
    z[:, STAGES:-2] = start_c - air_c
    normal = rng.standard_normal((3, samples))
    return Outlook(
        0.0,
        a,
        z,
        np.full(samples, 1 / samples),
        np.arange(n),
        7.2,
        air_c,
        np.zeros(samples),
        25.0,
        np.exp(0.05 * normal[0]),
        uncovering(normal[1]),
        log_loss=0.1 * normal[2],
        wander_sd=0.12,
    )


# -- two nodes, solved elsewhere

PLACE_TO_CORE, CORE_TO_PLACE, LOSS, RATE, LAG_S = 1 / 2400, 1 / 1200, 1 / 7200, 25.0 / 3600, 240.0


def two_nodes(start_c: tuple[float, float], air_c: float, factor: float = 2.0, samples: int = 1) -> Outlook:
    """One place that loses heat to the air and is heated, and the core behind it."""
    m = STAGES + 1 + HIDDEN + 2
    a = np.zeros((samples, m, m))
    for stage in range(STAGES):
        a[:, stage, stage] = -STAGES / LAG_S
        a[:, stage, stage - 1 if stage else -2] = STAGES / LAG_S
    place, core = STAGES, STAGES + 1
    a[:, place, place], a[:, place, core] = -(PLACE_TO_CORE + LOSS), PLACE_TO_CORE
    a[:, core, core], a[:, core, place] = -CORE_TO_PLACE, CORE_TO_PLACE
    a[:, place, STAGES - 1], a[:, place, -1] = RATE, LOSS
    z = np.zeros((samples, m))
    z[:, place : core + 1] = np.array(start_c) - air_c
    return Outlook(
        0.0,
        a,
        z,
        np.full(samples, 1 / samples),
        np.array([0]),
        7.2,
        air_c,
        np.zeros(samples),
        0.0,
        1.0,
        np.full(samples, factor),
    )


def cooled(start_c: tuple[float, float], air_c: float, t_s: float, factor: float = 1.0) -> float:
    """The place after t_s without heat: x' = M x by the eigenvalues from trace and determinant (any linear
    algebra text)."""
    matrix = np.array([[-(PLACE_TO_CORE + factor * LOSS), PLACE_TO_CORE], [CORE_TO_PLACE, -CORE_TO_PLACE]])
    trace, determinant = np.trace(matrix), np.linalg.det(matrix)
    root = math.sqrt(trace * trace / 4 - determinant)
    fast, slow = trace / 2 - root, trace / 2 + root
    parts = (
        math.exp(slow * t_s) * (matrix - fast * np.eye(2))
        - math.exp(fast * t_s) * (matrix - slow * np.eye(2))
    ) / (slow - fast)
    return air_c + float((parts @ (np.array(start_c) - air_c))[0])


@pytest.mark.parametrize("cover_on", [True, False])
def test_how_long_it_holds_is_the_two_node_solution_s_crossing(cover_on: bool) -> None:
    start, factor = (22.0, 9.0), 1.0 if cover_on else 2.0
    exact = brentq(lambda t: cooled(start, -12.0, t, factor) - 7.2, 1.0, 10 * HOUR)
    found = holds(two_nodes(start, -12.0), cover_on)
    assert found == pytest.approx((exact,) * 3, abs=2.0)


def test_a_cold_soak_is_the_two_node_solution() -> None:
    found = soaked(two_nodes((22.0, 9.0), -12.0), steady(-12.0), 6 * HOUR, -1.1)
    assert found.coldest_c == pytest.approx((cooled((22.0, 9.0), -12.0, 6 * HOUR),) * 3, abs=1e-6)
    for t_s, middle_c in zip(found.fan.t_s, found.fan.mid_c, strict=True):
        assert middle_c == pytest.approx(cooled((22.0, 9.0), -12.0, t_s), abs=1e-6)


def test_the_core_s_own_loss_knows_no_cover() -> None:
    outlook = two_nodes((22.0, 9.0), -12.0)
    place, core = STAGES, STAGES + 1
    outlook.a[:, core, core] -= LOSS
    outlook.a[:, core, -1] += LOSS
    matrix = outlook.a[0, place : core + 1, place : core + 1] - np.diag([LOSS, 0.0])

    def place_c(t_s: float) -> float:
        return float((expm(matrix * t_s) @ (np.array([22.0, 9.0]) + 12.0))[0]) - 12.0

    exact = brentq(lambda t: place_c(t) - 7.2, 1.0, 10 * HOUR)
    assert holds(outlook, False) == pytest.approx((exact,) * 3, abs=2.0)


def test_losses_by_free_convection_are_integrated_as_scipy_does() -> None:
    """Losses that grow with the fourth root of the rise, from far above their usual rise down to the air."""
    outlook = replace(two_nodes((60.0, 50.0), -12.0), usual_rise_c=25.0)
    ours = soaked(outlook, steady(-12.0), 6 * HOUR, -1.1).fan

    def slope(_: float, x: np.ndarray) -> list[float]:
        loss = LOSS * min(abs(x[0]) / 25.0, 4.0) ** 0.25
        to_core = x[1] - x[0]
        return [PLACE_TO_CORE * to_core - loss * x[0], -CORE_TO_PLACE * to_core]

    exact = solve_ivp(slope, (0.0, 6 * HOUR), [72.0, 62.0], t_eval=ours.t_s, rtol=1e-9, atol=1e-9).y[0] - 12.0
    assert np.abs(np.array(ours.mid_c) - exact).max() < 0.15


def coldest_from_soak_to_start(on_s: float, departure_s: float, rule: ReadyRule, start_c: float) -> float:
    """The least of the place from the soak's begin to the start, in steps exact by scipy.linalg.expm; the
    air is the zero of the temperatures here."""
    outlook = two_nodes((start_c, start_c), 0.0)
    covered, bare = outlook.a[0], outlook.a[0].copy()
    bare[STAGES, STAGES] -= LOSS
    z = outlook.z[0].copy()
    off_s = departure_s - rule.uncovered_s
    least, begin_s = math.inf, off_s - rule.soak_s
    borders = sorted({on_s, begin_s, off_s, departure_s} | {on_s + 300.0 * k for k in range(4)})
    now = 0.0
    for t_s in (b for b in borders if 0 < b <= departure_s):
        z[-2] = 1.0 if on_s <= now < off_s else 0.0
        z = expm((bare if now >= off_s else covered) * (t_s - now)) @ z
        now = t_s
        if t_s >= begin_s:
            least = min(least, float(z[STAGES]))
    return least


@pytest.mark.parametrize("departure_h", [3.0, 9.0])
def test_the_latest_switch_on_is_the_root_another_integrator_finds(departure_h: float) -> None:
    air_c, departure_s = -12.0, departure_h * HOUR
    exact = brentq(
        lambda on: coldest_from_soak_to_start(on, departure_s, RULE, 0.0) - (7.2 - air_c),
        1.0,
        departure_s - RULE.uncovered_s - 1.0,
    )
    found = latest_switch_on(two_nodes((air_c, air_c), air_c), steady(air_c), departure_s, 0.9, RULE)
    assert found.verdict == "heat"
    assert found.at_s == pytest.approx(exact, abs=TOLERANCE_S)
    assert found.chance == 1.0


def test_a_soak_is_without_a_break() -> None:
    """Above target at the soak's begin and its end, and below between them, is no soak."""
    rule, air_c = ReadyRule(2 * HOUR, 0.0), -12.0
    warm = replace(two_nodes((12.0, 12.0), air_c), above_since_s=-HOUR)
    exact = brentq(
        lambda on: coldest_from_soak_to_start(on, 2.5 * HOUR, rule, 24.0) - (7.2 - air_c), 60.0, 2 * HOUR
    )
    found = latest_switch_on(warm, steady(air_c), 2.5 * HOUR, 0.9, rule)
    assert found.at_s == pytest.approx(exact, abs=2 * TOLERANCE_S)


# -- what the answers obey


@given(
    departure_h=st.floats(1.0, 16.0),
    air_c=st.floats(-25.0, 0.0),
    fall_c=st.floats(0.0, 6.0),
    colder_c=st.floats(0.0, 8.0),
)
@settings(max_examples=25, deadline=None)
def test_more_certainty_or_colder_air_is_never_later(
    departure_h: float, air_c: float, fall_c: float, colder_c: float
) -> None:
    outlook = engine(air_c=air_c, start_c=air_c)
    mild, cold = falling(air_c, fall_c), falling(air_c, fall_c + colder_c)

    def answer(air: AirForecast, certainty: float) -> float:
        """The latest switch-on; where there is none, as much before now as the start is late."""
        found = latest_switch_on(outlook, air, departure_h * HOUR, certainty, RULE)
        late_s = found.late_s if found.late_s is not None else math.inf
        return found.at_s if found.at_s is not None else -late_s

    usual, surer, surest = (answer(mild, certainty) for certainty in (0.8, 0.9, 0.95))
    assert surest <= surer <= usual
    assert answer(cold, 0.9) <= surer + TOLERANCE_S


@given(soak_min=st.floats(0.0, 60.0), bare_min=st.floats(0.0, 40.0), longer_min=st.floats(1.0, 30.0))
@settings(max_examples=20, deadline=None)
def test_a_longer_soak_or_more_minutes_uncovered_is_never_later(
    soak_min: float, bare_min: float, longer_min: float
) -> None:
    outlook, air = engine(), falling(-12.0, 2.0)

    def at_s(soak_min: float, bare_min: float) -> float:
        rule = ReadyRule(60 * soak_min, 60 * bare_min)
        found = latest_switch_on(outlook, air, 11 * HOUR, 0.8, rule).at_s
        return -math.inf if found is None else found

    usual = at_s(soak_min, bare_min)
    assert usual > 0 or bare_min > 20
    assert at_s(soak_min + longer_min, bare_min) <= usual + TOLERANCE_S
    assert at_s(soak_min, bare_min + longer_min) <= usual + TOLERANCE_S


def test_the_earliest_start_can_be_kept_by_switching_on_now_and_no_earlier_one() -> None:
    outlook, air = engine(), falling(-12.0, 2.0)
    late = latest_switch_on(outlook, air, 1.2 * HOUR, 0.9, RULE)
    assert late.verdict == "late"
    assert late.chance < 0.9
    assert late.start_s is not None
    assert late.late_s == late.start_s - 1.2 * HOUR
    kept = latest_switch_on(outlook, air, late.start_s + 60.0, 0.9, RULE)
    assert kept.verdict == "heat"
    assert kept.at_s is not None
    assert kept.at_s < 60.0 + TOLERANCE_S
    assert latest_switch_on(outlook, air, late.start_s - 60.0, 0.9, RULE).verdict == "late"


def test_the_chance_of_an_answer_is_the_certainty_asked_for() -> None:
    outlook, air = engine(), falling(-12.0, 2.0)
    for certainty in (0.8, 0.9, 0.95):
        found = latest_switch_on(outlook, air, 9 * HOUR, certainty, RULE)
        assert certainty <= found.chance < certainty + 2 / 64
        assert found.above is not None
        assert found.at_s is not None
        assert found.at_s < found.above[0] <= found.above[1] <= found.above[2]


def test_a_heater_too_weak_never_gets_there() -> None:
    outlook = replace(engine(), level=0.1)
    found = latest_switch_on(outlook, steady(-12.0), 10 * HOUR, 0.8, RULE)
    assert (found.verdict, found.at_s, found.start_s, found.late_s) == ("never", None, None, None)
    assert found.chance < 0.8
    assert found.above is not None
    assert found.above[1] == math.inf


def test_a_start_that_could_have_been_kept_earlier_only_is_never_kept() -> None:
    """A weak heater lifts it above target in the mild evening and loses it in the cold of the night."""
    weak = replace(two_nodes((3.0, 3.0), 3.0), level=0.15)
    air = AirForecast(np.array([0.0, 4 * HOUR, 6 * HOUR]), np.array([[3.0, 3.0, -20.0]]))
    rule = ReadyRule(600.0, 0.0)
    assert latest_switch_on(weak, air, 4 * HOUR, 0.9, rule).verdict == "heat"
    assert latest_switch_on(weak, air, 9 * HOUR, 0.9, rule).verdict == "never"


def test_two_questions_meet_the_same_futures() -> None:
    warm, air = engine(start_c=30.0), steady(-12.0)
    four, eight = (soaked(warm, air, hours * HOUR, -1.1).fan for hours in (4, 8))
    assert four.t_s[12] == eight.t_s[12] == 4 * HOUR
    assert four.low_c[12] == pytest.approx(eight.low_c[12], abs=1e-9)


def test_an_engine_still_warm_from_flight_needs_no_heat_until_it_does() -> None:
    warm = replace(engine(start_c=70.0), above_since_s=-HOUR)
    assert latest_switch_on(warm, steady(-12.0), 0.6 * HOUR, 0.9, RULE).verdict == "none"
    assert latest_switch_on(warm, steady(-12.0), 14 * HOUR, 0.9, RULE).verdict == "heat"


def test_a_soak_that_began_before_now_counts_and_one_that_did_not_does_not() -> None:
    warm = engine(start_c=40.0)
    soon = latest_switch_on(warm, steady(-12.0), 0.5 * HOUR, 0.9, RULE)
    assert soon.verdict == "late"
    assert soon.start_s == pytest.approx(RULE.soak_s + RULE.uncovered_s)
    half = latest_switch_on(replace(warm, above_since_s=-900.0), steady(-12.0), 0.5 * HOUR, 0.9, RULE)
    assert half.start_s == pytest.approx(RULE.soak_s - 900.0 + RULE.uncovered_s)
    since = replace(warm, above_since_s=-RULE.soak_s)
    assert latest_switch_on(since, steady(-12.0), 0.5 * HOUR, 0.9, RULE).verdict == "none"


def test_the_colder_of_two_required_places_decides_in_each_sample() -> None:
    outlook, air = engine(), falling(-12.0, 2.0)
    joint = latest_switch_on(outlook, air, 9 * HOUR, 0.9, RULE).at_s
    alone = [
        latest_switch_on(replace(outlook, needed=np.array([i])), air, 9 * HOUR, 0.9, RULE).at_s
        for i in range(3)
    ]
    assert joint is not None
    assert all(one is not None for one in alone)
    assert joint < min(one for one in alone if one is not None)


def test_a_core_that_must_be_warm_puts_the_heat_forward_and_its_middle_then_is() -> None:
    outlook, air = engine(), steady(-12.0)
    plain = latest_switch_on(outlook, air, 10 * HOUR, 0.8, ReadyRule(0.0, 0.0))
    asked = latest_switch_on(outlook, air, 10 * HOUR, 0.8, ReadyRule(0.0, 0.0, core_c=9.0))
    assert plain.at_s is not None
    assert asked.at_s is not None
    assert asked.at_s < plain.at_s - HOUR / 4
    seen = []

    def cores(t_s: np.ndarray, places: np.ndarray, between: np.ndarray) -> np.ndarray:
        seen.append((t_s[0], t_s[-1], places.shape, between.shape))
        return np.full(places.shape[:2], 20.0)

    bank = replace(outlook, core=cores)
    assert latest_switch_on(bank, air, 10 * HOUR, 0.8, ReadyRule(0.0, 0.0, core_c=9.0)).at_s == plain.at_s
    for first_s, last_s, places, between in seen:
        assert (first_s, last_s) == (0.0, 10 * HOUR)
        assert places == (64, between[1] + 1, 3)


def test_without_cover_it_holds_shorter_and_colder_air_makes_it_shorter() -> None:
    warm = engine(start_c=15.0)
    covered, bare = holds(warm, True), holds(warm, False)
    assert all(b < c for b, c in zip(bare, covered, strict=True))
    colder = holds(warm, True, falling(-12.0, 10.0, 3 * HOUR))
    assert all(c < u for c, u in zip(colder, covered, strict=True))


def test_what_is_cold_holds_for_no_time_and_what_the_air_keeps_warm_for_ever() -> None:
    assert holds(engine(start_c=0.0), True) == (0.0, 0.0, 0.0)
    assert holds(replace(engine(start_c=20.0, air_c=9.0)), False) == (math.inf,) * 3


def test_widths_come_from_the_samples_alone() -> None:
    same = two_nodes((22.0, 9.0), -12.0, samples=16)
    low, _, high = holds(same, True)
    assert low == high
    fan = soaked(same, steady(-12.0), 12 * HOUR, -1.1).fan
    assert fan.low_c == fan.high_c
    assert len(fan.t_s) == 25


def test_a_night_s_uncertain_air_is_in_the_soak_s_width_and_chance() -> None:
    outlook = engine(start_c=2.0, air_c=2.0)
    air = falling(2.0, 6.0)
    late = soaked(outlook, air, 14 * HOUR, -1.1)
    assert late.coldest_c[2] - late.coldest_c[0] > 2.0
    assert 0.02 < soaked(outlook, air, 10 * HOUR, -1.1).chance_below < late.chance_below
    assert soaked(outlook, air, 14 * HOUR, 5.0).chance_below == pytest.approx(1.0)


def test_an_air_nobody_measured_is_what_forecast_and_curve_say_by_their_widths() -> None:
    """A curve that tells nothing of it, and one that tells as much as a forecast 10 °C colder."""
    outlook = engine(start_c=-5.0, air_c=-5.0, samples=256)

    def soaks_to(outlook: Outlook, air: AirForecast) -> float:
        return soaked(settled(outlook, air, outside=False), air, 48 * HOUR, -1.1).coldest_c[1]

    assert soaks_to(outlook, steady(-15.0)) == pytest.approx(-5.0, abs=0.1)
    untold = replace(outlook, air_known=False)
    assert soaks_to(untold, steady(-15.0)) == pytest.approx(-15.0, abs=0.5)
    shocks = np.random.default_rng(6).standard_normal((2, 256))
    wide = replace(untold, ambient_c=1.5 * shocks[0])
    told = AirForecast(np.array([0.0]), -15.0 + 1.5 * shocks[1][:, None])
    assert soaks_to(wide, told) == pytest.approx(-10.0, abs=0.7)


def test_under_the_open_sky_an_engine_nobody_has_seen_settle_is_expected_below_its_air() -> None:
    """One that has been seen to keeps what it showed, and less surely as the night goes on."""
    air = steady(-5.0)
    seen = engine(start_c=-5.0, air_c=-5.0, samples=256)
    normal = np.random.default_rng(7).standard_normal(256)
    unseen = replace(seen, ambient_c=0.7 * normal)

    def soaks_to(outlook: Outlook, outside: bool) -> tuple[float, float, float]:
        return soaked(settled(outlook, air, outside), air, 24 * HOUR, -1.1).coldest_c

    assert soaks_to(unseen, True)[1] < soaks_to(unseen, False)[1] - 0.4
    assert soaks_to(seen, True)[1] == pytest.approx(soaks_to(seen, False)[1], abs=0.2)
    early, late = (np.ptp(soaked(settled(seen, air, True), air, h * HOUR, -1.1).coldest_c) for h in (3, 12))
    assert late > early + 0.3


def test_a_start_that_comes_first_and_isn_t_flown_leaves_the_two_node_solution() -> None:
    """No heat but twenty minutes bare, then covered again: two closed forms one after the other."""
    outlook, air = two_nodes((22.0, 9.0), -12.0), steady(-12.0)
    left = unflown(outlook, air, None, 2 * HOUR, 2 * HOUR + 1200.0)
    assert left.t_s == 2 * HOUR + 1200.0
    matrix = np.array([[-(PLACE_TO_CORE + LOSS), PLACE_TO_CORE], [CORE_TO_PLACE, -CORE_TO_PLACE]])
    bare = matrix - np.diag([LOSS, 0.0])
    end = expm(matrix * 3 * HOUR) @ expm(bare * 1200.0) @ expm(matrix * 2 * HOUR) @ np.array([34.0, 21.0])
    found = soaked(left, air, left.t_s + 3 * HOUR, -1.1).coldest_c
    assert found == pytest.approx((end[0] - 12.0,) * 3, abs=1e-6)
    heated = unflown(outlook, air, HOUR, 2 * HOUR, 2 * HOUR + 1200.0)
    assert soaked(heated, air, left.t_s + 3 * HOUR, -1.1).coldest_c[1] > found[1] + 2.0
    assert (left.above_since_s, heated.above_since_s) == (None, 2 * HOUR)


def test_a_flight_makes_it_hot_whatever_it_was() -> None:
    outlook, air = engine(samples=240), steady(-12.0)
    left = flown(outlook, air, HOUR, 3 * HOUR)
    here = soaked(left, air, 3 * HOUR + 60.0, -1.1)
    assert here.coldest_c[0] > 10.0
    assert here.coldest_c[2] < 110.0
    with pytest.raises(ValueError, match="first before last"):
        flown(outlook, air, 3 * HOUR, HOUR)


def test_uncovering_grows_with_wind_and_is_nothing_where_nothing_comes_off() -> None:
    normals = np.random.default_rng(2).standard_normal(2000)
    assert np.all(uncovering(normals, cover=False, plugs=False) == 1.0)
    still, light, gale = (float(np.median(uncovering(normals, wind))) for wind in (0.0, 2.0, 10.0))
    assert 1.0 < still < light < gale < 6.0
    spread = [np.ptp(np.quantile(np.log(uncovering(normals, wind)), (0.1, 0.9))) for wind in (2.0, None)]
    assert spread[0] < spread[1]


def test_an_engine_that_was_blown_through_holds_longer_than_its_heating_tells() -> None:
    spread = np.exp(0.3 * np.random.default_rng(6).standard_normal(64))
    warm = engine(start_c=20.0)
    blown = holds(replace(warm, stopping=0.6 * spread), True)
    same = holds(replace(warm, stopping=np.ones(64)), True)
    assert same == pytest.approx(holds(warm, True))
    assert blown[1] > 1.2 * same[1]
    assert blown[2] - blown[0] > same[2] - same[0]


def test_losses_that_stop_with_the_heater_don_t_touch_the_heating() -> None:
    outlook, air = engine(), steady(-12.0)
    less = replace(outlook, stopping=np.full(64, 0.5))
    soak, minutes_bare = ReadyRule(RULE.soak_s, 0.0), ReadyRule(0.0, RULE.uncovered_s)
    first, second = (latest_switch_on(each, air, 9 * HOUR, 0.9, soak) for each in (outlook, less))
    assert first.at_s == pytest.approx(second.at_s, abs=TOLERANCE_S)
    longer = latest_switch_on(less, air, 9 * HOUR, 0.9, minutes_bare).at_s
    usual = latest_switch_on(outlook, air, 9 * HOUR, 0.9, minutes_bare).at_s
    assert longer is not None
    assert usual is not None
    assert longer > usual + 60.0


@pytest.mark.parametrize("certainty", [0.0, 1.0])
def test_no_answer_to_a_question_out_of_bounds(certainty: float) -> None:
    outlook, air = engine(), steady(-12.0)
    with pytest.raises(ValueError, match="certainty"):
        latest_switch_on(outlook, air, HOUR, certainty, RULE)
    with pytest.raises(ValueError, match="departure"):
        latest_switch_on(outlook, air, 0.0, 0.9, RULE)
    with pytest.raises(ValueError, match="soak"):
        soaked(outlook, air, 0.0, -1.1)


def test_a_plan_costs_at_most_half_a_second() -> None:
    """256 samples, eight places, a night's cold soak, and a departure that needs the longest window."""
    outlook = engine(samples=256, n=8, spread=0.6)
    costs = []
    for _ in range(3):
        begin = time.process_time()
        latest_switch_on(outlook, steady(-12.0), LONGEST_HEAT_S + 8 * HOUR, 0.98, RULE)
        costs.append(time.process_time() - begin)
    assert min(costs) <= 0.5


# -- from the estimator


def test_the_estimator_s_outlook_answers_alike() -> None:
    """Warm and heated: it holds for a while, longer under its cover; at rest in the cold: heat by a time
    before the start that leaves room for the warm-up of this heater."""
    places = ("cyl-1", "cyl-2", "case-nose")
    prior = engine_prior("opposed-4", "air", "pads-and-bands", 650.0, True, True, "outside", places, ())
    warmed, rested = (Estimator(places, places, 7.0, -1.1, prior) for _ in range(2))
    assert warmed.outlook() is None
    for k in range(150):
        rise = 45.0 * (1 - np.exp(-max(60.0 * k - 720.0, 0.0) / 9000.0))
        values = {p: round(4 * (-10 + rise * (1 - 0.1 * i))) / 4 for i, p in enumerate(places)}
        warmed.observe(Observation(60.0 * k, values, -10.0, float(k >= 10)))
        rested.observe(Observation(60.0 * k, dict.fromkeys(places, -10.0), -10.0, 0.0))
    warm, cold = warmed.outlook(), rested.outlook()
    assert warm is not None
    assert cold is not None
    covered, bare = holds(warm, True), holds(warm, False)
    assert 0.0 < bare[1] < covered[1] < np.inf
    assert holds(cold, True) == (0.0, 0.0, 0.0)
    departure_s = cold.t_s + 12 * HOUR
    answer = latest_switch_on(cold, steady(-10.0), departure_s, 0.8, RULE)
    assert answer.verdict == "heat"
    assert answer.at_s is not None
    assert HOUR < departure_s - answer.at_s < 10 * HOUR


# -- heat at a given instant, air that stays, limits of air, a cover put on


def test_heat_at_the_latest_instant_keeps_the_start_and_later_heat_is_late_by_what_it_says() -> None:
    outlook, air = engine(), falling(-12.0, 2.0)
    latest = latest_switch_on(outlook, air, 9 * HOUR, 0.9, RULE)
    assert latest.at_s is not None
    kept = switched_on(outlook, air, latest.at_s - TOLERANCE_S, 9 * HOUR, 0.9, RULE)
    assert (kept.verdict, kept.at_s) == ("heat", latest.at_s - TOLERANCE_S)
    assert kept.chance >= 0.9
    late = switched_on(outlook, air, latest.at_s + 1800.0, 9 * HOUR, 0.9, RULE)
    assert late.verdict == "late"
    assert late.chance < 0.9
    assert late.start_s is not None
    again = switched_on(outlook, air, latest.at_s + 1800.0, late.start_s + 60.0, 0.9, RULE)
    assert again.verdict == "heat"


def test_heat_from_now_answers_as_the_question_for_the_latest_one_does_where_it_is_late() -> None:
    outlook, air = engine(), falling(-12.0, 2.0)
    rule = replace(RULE, core_c=-1.1)
    asked = latest_switch_on(outlook, air, 1.2 * HOUR, 0.9, rule)
    given_now = switched_on(outlook, air, 0.0, 1.2 * HOUR, 0.9, rule)
    assert given_now.verdict == asked.verdict == "late"
    assert given_now.start_s == pytest.approx(asked.start_s, abs=1.0)
    with pytest.raises(ValueError, match="certainty"):
        switched_on(outlook, air, 0.0, HOUR, 1.0, rule)


def test_heat_after_heater_and_cover_should_be_off_keeps_nothing() -> None:
    found = switched_on(engine(), steady(-12.0), 9 * HOUR, 9 * HOUR, 0.9, RULE)
    assert (found.verdict, found.chance) == ("late", 0.0)
    assert found.start_s is not None
    assert found.start_s > 9 * HOUR + RULE.soak_s


def test_a_core_rests_until_heat_comes_on() -> None:
    """Ready by the core's limit: heat six hours from now finds a core six hours colder than now's."""
    rule, warm = ReadyRule(0.0, 0.0, core_c=25.0), engine(start_c=20.0)
    now, later = (switched_on(warm, steady(-12.0), on, 0.1 * HOUR, 0.8, rule) for on in (0.0, 6 * HOUR))
    assert now.start_s is not None
    assert later.start_s is not None
    assert later.start_s - 6 * HOUR > now.start_s


def test_too_cold_for_too_long_is_counted_from_the_last_warm_air() -> None:
    """Air that falls through −7 °C an hour from now; exposed after two hours below: from three hours on."""
    outlook = engine(start_c=30.0, air_c=-6.0)
    air = AirForecast(np.array([0.0, 2 * HOUR]), np.array([[-6.0, -8.0]]))
    limit = Exposure(-7.0, 2 * HOUR, now_c=-6.0)
    for until_h, chance in ((2.8, 0.0), (3.4, 1.0)):
        found = soaked(outlook, air, until_h * HOUR, -100.0, limit)
        assert (found.chance_exposed, found.chance_needed, found.chance_below) == (chance, chance, 0.0)
    assert soaked(outlook, air, 3.4 * HOUR, -100.0).chance_exposed is None
    unknown = Exposure(-5.0, 2 * HOUR, now_c=-6.0)
    assert soaked(outlook, air, 0.5 * HOUR, -100.0, unknown).chance_exposed == 1.0
    known = Exposure(-5.0, 2 * HOUR, (-0.5 * HOUR,), (-4.0,), -6.0)
    assert soaked(outlook, air, 0.5 * HOUR, -100.0, known).chance_exposed == 0.0


def test_a_cover_put_on_keeps_warmth_and_comes_off_again() -> None:
    bare = replace(engine(start_c=20.0), uncovering=np.ones(64))
    warmer = covered(bare, True, True)
    assert all(c > b for c, b in zip(holds(warmer, True), holds(bare, True), strict=True))
    assert np.all(warmer.uncovering >= 1.0)
    assert np.median(warmer.uncovering) > 1.5
    for on, off in zip(holds(warmer, False), holds(bare, True), strict=True):
        assert off == pytest.approx(on, abs=5.0)


def test_an_outlook_does_not_move_with_later_readings() -> None:
    """Asked from another thread while readings go on: the same question has the same answer."""
    places = ("cyl-1", "case-nose")
    prior = engine_prior("opposed-4", "air", "pads-and-bands", 650.0, True, True, "outside", places, ())
    estimator = Estimator(places, places, 7.0, -1.1, prior)
    for k in range(60):
        estimator.observe(Observation(60.0 * k, dict.fromkeys(places, -10.0), -10.0, 0.0))
    frozen = estimator.outlook()
    assert frozen is not None
    rule = replace(RULE, core_c=-1.1)
    before = latest_switch_on(frozen, steady(-10.0), 12 * HOUR, 0.8, rule)
    for k in range(60, 120):
        estimator.observe(Observation(60.0 * k, dict.fromkeys(places, 30.0), -10.0, 1.0))
    assert latest_switch_on(frozen, steady(-10.0), 12 * HOUR, 0.8, rule) == before
