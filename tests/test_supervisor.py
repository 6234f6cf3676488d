"""What the readings mean: each state by a small story of facts, and what may never be said."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, is_dataclass, replace
from itertools import pairwise

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from probe_agent import supervisor
from probe_agent.readings import Forecast, Point, Sign, SignKind, State
from probe_agent.supervisor import PREPARE_S, Alert, Announcement, Facts, Missed, Rules, Step, Watch

RULES = Rules(target_c=7.0, need_c=-1.0)
TICK_S = RULES.interval_s
NAMES = ("cyl-1", "cyl-2", "case-nose")

Value = float | None


def points(values: Mapping[str, Value], ambient: Value = -12.0, **others: Value) -> tuple[Point, ...]:
    """Required places with their values, the air, and optional places near heat."""
    out = [Point(p, "open" if v is None else "ok", v) for p, v in values.items()]
    out.append(Point("ambient", "missing" if ambient is None else "ok", ambient, required=False))
    out += [Point(p, "ok", v, required=False, near_heater=True) for p, v in others.items()]
    return tuple(out)


@dataclass
class Story:
    """A run told row by row; every word, transition and heat-up of it is kept."""

    rules: Rules = RULES
    t_s: float = 0.0
    watch: Watch = field(default_factory=Watch)
    states: list[State] = field(default_factory=list)
    said: list[Announcement] = field(default_factory=list)
    steps: list[Step] = field(default_factory=list)
    withdrawn: list[str] = field(default_factory=list)
    departure_at: float | None = None
    look_s: float | None = None
    clock_ok: bool = True
    power: float | None = None
    told_late_s: float | None = None

    def row(
        self,
        c: float | Mapping[str, Value] = -10.0,
        heating: bool | None = False,
        core_c: float | None = 0.0,
        p_reach: float = 0.95,
        trend: float = 0.0,
        ambient: Value = -12.0,
        hot: Mapping[str, Value] | None = None,
        reads: Mapping[str, float] | None = None,
        **forecast: object,
    ) -> Step:
        self.t_s += self.rules.interval_s
        values: Mapping[str, Value] = c if isinstance(c, Mapping) else dict.fromkeys(NAMES, c)
        seen = Forecast(
            self.t_s,
            heating=heating,
            p_reach=p_reach,
            core_c=None if core_c is None else (core_c - 2, core_c, core_c + 2),
            trends_c_per_h=dict.fromkeys(values, trend),
            **forecast,  # type: ignore[arg-type]
        )
        counted = supervisor.less_heater(
            self.watch, points(values, ambient, **(hot or {})), reads or {}, seen
        )
        more = (self.departure_at, self.look_s, self.clock_ok, self.power)
        facts = Facts(self.t_s, counted, seen, *more, told_late_s=self.told_late_s)
        step = supervisor.step(self.watch, facts, self.rules)
        self.watch = step.watch
        assert step.watch.state is not None
        self.states.append(step.watch.state)
        self.said += step.announcements
        self.withdrawn += step.withdrawn
        self.steps.append(step)
        return step

    def rows(self, minutes: float, c: float | Mapping[str, Value] = -10.0, **more: object) -> Step:
        """The same row again and again, at least once."""
        until_s = self.t_s + 60 * minutes
        step = self.row(c, **more)  # type: ignore[arg-type]
        while self.t_s + 1e-6 < until_s:
            step = self.row(c, **more)  # type: ignore[arg-type]
        return step

    def climb(self, start_c: float, end_c: float, minutes: float, **more: object) -> Step:
        steps = max(round(minutes * 60 / self.rules.interval_s), 1)
        for i in range(1, steps + 1):
            step = self.row(start_c + (end_c - start_c) * i / steps, trend=9.0, **more)  # type: ignore[arg-type]
        return step

    def state(self) -> State:
        return self.states[-1]

    def alerts(self) -> tuple[Alert, ...]:
        return self.watch.alerts

    @property
    def passed(self) -> list[State]:
        """The states gone through, each once in a row."""
        return [s for i, s in enumerate(self.states) if i == 0 or s is not self.states[i - 1]]

    def kinds(self) -> list[str]:
        return [a.kind for a in self.said]


def warming(rules: Rules = RULES) -> Story:
    """A cold engine with the heater on for half an hour."""
    story = Story(rules)
    story.rows(5, -10.0)
    story.climb(-10.0, -4.0, 30, heating=True)
    return story


def above(rules: Rules = RULES, core_c: float | None = 0.0) -> Story:
    """Just above the target, the heater on."""
    story = warming(rules)
    story.climb(-4.0, 6.5, 60, heating=True, core_c=core_c)
    story.rows(1, 7.5, heating=True, core_c=core_c)
    return story


def ready(rules: Rules = RULES) -> Story:
    story = above(rules)
    story.rows(rules.soak_s / 60 + 1, 8.0, heating=True)
    assert story.state() is State.READY
    return story


# -- the states


def test_a_cold_engine_without_heat_is_cold_and_says_nothing() -> None:
    story = Story()
    story.rows(30, -10.0)
    assert story.passed == [State.COLD]
    assert story.said == []


def test_a_summer_day_is_off_and_says_nothing() -> None:
    story = Story()
    story.rows(60, 20.0, ambient=20.0)
    story.rows(120, 18.0, ambient=16.0, trend=-1.2)
    assert story.passed == [State.OFF]
    assert story.said == []


def test_an_ordinary_morning() -> None:
    story = ready()
    assert story.passed == [State.COLD, State.HEATING, State.ABOVE_TARGET, State.READY]
    assert story.kinds() == ["above-target", "ready"]
    transitions = [t for s in story.steps for t in s.transitions]
    assert [t.new for t in transitions] == story.passed
    assert all(t.reason for t in transitions)
    assert [t.old for t in transitions] == [None, *story.passed[:-1]]


def test_after_ready_the_engine_cools_and_the_heat_up_ends_with_its_reason() -> None:
    story = ready()
    story.rows(20, 8.0, heating=False, trend=-4.0)
    assert story.state() is State.READY
    story.rows(5, 6.0, heating=False, trend=-4.0)
    assert story.state() is State.COOLING
    assert [s.closed[1] for s in story.steps if s.closed] == ["cooled after ready"]
    story.rows(5, -2.0, heating=False, trend=-4.0)
    assert story.state() is State.COLD


def test_a_cool_down_from_above_target_without_a_heat_up_is_off_then_cooling_then_cold() -> None:
    story = Story()
    c = 30.0
    while c > -3.0:
        story.row(c, trend=-8.0, core_c=20.0, ambient=None)
        c -= 0.1
    assert story.passed == [State.OFF, State.COOLING, State.COLD]
    assert story.said == []


def test_a_trend_that_trembles_around_its_threshold_does_not_flap() -> None:
    story = Story()
    for i in range(60):
        story.row(12.0, trend=-0.6 if i % 2 else -0.4, ambient=None)
    assert story.passed == [State.OFF, State.COOLING]


def test_levelling_off_needs_time_and_clears_with_hysteresis() -> None:
    story = warming()
    story.rows(5, 2.0, heating=True, p_reach=0.05)
    assert story.state() is State.HEATING
    story.rows(10, 2.0, heating=True, p_reach=0.05)
    assert story.state() is State.LEVELLING_OFF
    story.rows(5, 2.5, heating=True, p_reach=0.15)
    assert story.state() is State.LEVELLING_OFF
    story.row(3.0, heating=True, p_reach=0.3)
    assert story.state() is State.HEATING
    assert story.kinds() == ["levelling-off"]


def test_a_heater_that_stops_is_said_after_two_minutes_and_once() -> None:
    story = warming()
    story.rows(1, -4.0, heating=False)
    assert story.state() is State.HEATER_STOPPED
    assert story.said == []
    story.rows(20, -4.5, heating=False)
    assert story.kinds() == ["heater-stopped"]


def test_a_heater_that_resumes_within_half_an_hour_goes_on_with_the_same_heat_up() -> None:
    story = warming()
    began = story.watch.heatup
    assert began is not None
    story.rows(29, -4.5, heating=False)
    story.rows(5, -4.0, heating=True)
    assert story.state() is State.HEATING
    assert story.watch.heatup is not None
    assert story.watch.heatup.on_s == began.on_s
    assert story.watch.heatup.off_s is None
    assert [s.opened is not None for s in story.steps].count(True) == 1
    assert story.alerts() == ()


def test_a_heater_that_stays_away_ends_the_heat_up() -> None:
    story = warming()
    story.rows(61, -6.0, heating=False)
    assert story.state() is State.COLD
    assert [s.closed[1] for s in story.steps if s.closed] == ["heat stopped and did not come back"]
    assert story.alerts() == ()


def test_yesterdays_word_does_not_hide_todays_stop() -> None:
    story = warming()
    story.watch = supervisor.say_heater(story.watch, False, story.t_s)
    story.rows(10 * 60, -10.0, heating=False)
    assert story.state() is State.COLD
    story.climb(-10.0, -4.0, 40, heating=True)
    assert story.state() is State.HEATING
    story.rows(5, -4.0, heating=False)
    assert story.state() is State.HEATER_STOPPED
    assert "heater-stopped" in story.kinds()


def test_too_hot_has_a_way_back_down() -> None:
    story = above()
    story.rows(1, 20.0, heating=True, hot={"sump": 61.0})
    assert story.state() is State.TOO_HOT
    story.rows(1, 20.0, heating=True, hot={"sump": 59.0})
    assert story.state() is State.TOO_HOT
    story.row(20.0, heating=True, hot={"sump": 57.0})
    assert story.state() is State.ABOVE_TARGET


def test_too_hot_stays_one_alert_while_its_hottest_point_changes() -> None:
    story = above()
    for i in range(30):
        story.row(20.0, heating=True, hot={"sump": 61.0 + i % 2, "oil-tank": 61.5})
    assert story.kinds().count("too-hot") == 1
    assert len([a for a in story.alerts() if a.kind == "too-hot"]) == 1


def test_air_and_heater_outlet_are_never_too_hot() -> None:
    story = above()
    story.rows(2, 20.0, heating=True, ambient=70.0, hot={"heater-outlet": 120.0})
    assert story.state() is State.ABOVE_TARGET


def test_after_a_flight_nothing_is_too_hot_nor_announced() -> None:
    story = Story()
    c = 95.0
    while c > 2.0:
        story.row(c, trend=-20.0, core_c=60.0)
        c -= 0.5
    assert story.passed == [State.OFF, State.FLOWN_COOLING, State.COOLING]
    assert story.said == []


def test_a_heater_plugged_in_after_flight_is_not_blamed_for_the_flights_warmth() -> None:
    story = Story()
    story.rows(10, 80.0, trend=-20.0, core_c=60.0)
    story.rows(10, 75.0, trend=-15.0, core_c=60.0, heating=True)
    assert State.TOO_HOT not in story.states
    story.rows(1, 76.0, trend=5.0, core_c=60.0, heating=True)
    assert story.state() is State.TOO_HOT


@pytest.mark.parametrize(("trend", "state"), [(8.0, State.TOO_HOT), (-8.0, State.FLOWN_COOLING)])
def test_a_heater_nobody_told_of_is_seen_too_hot_by_its_hottest_point_alone(
    trend: float, state: State
) -> None:
    """It warms what was taken for a flight's warmth; cooling from a flight is none of it."""
    story = Story()
    story.climb(20.0, 58.0, 30, core_c=20.0)
    story.rows(5, 63.0, trend=trend, core_c=30.0)
    assert story.state() is state


def test_a_cooler_point_that_soaks_up_the_flights_warmth_is_not_too_hot() -> None:
    story = Story()
    for i in range(20):
        story.row(90.0 - i, trend=-15.0, core_c=60.0)
    hottest, others = NAMES[0], dict.fromkeys(NAMES, 64.0)
    story.rows(3, {**others, hottest: 70.0}, trend=-5.0, core_c=60.0)
    assert State.TOO_HOT not in story.states


# -- a missing place


@pytest.mark.parametrize("make", [above, ready])
def test_a_place_lost_ends_above_target_at_once_and_comes_back_after_two_rows(
    make: Callable[[], Story],
) -> None:
    story = make()
    before = story.state()
    story.row({"cyl-1": 9.0, "cyl-2": None, "case-nose": 9.0}, heating=True)
    assert story.state() is State.PROBE_MISSING
    story.row(9.0, heating=True)
    assert story.state() is State.PROBE_MISSING
    story.row(9.0, heating=True)
    assert story.state() is before


def test_one_damaged_answer_while_warming_does_not_show() -> None:
    story = warming()
    story.row({"cyl-1": None, "cyl-2": -4.0, "case-nose": -4.0}, heating=True)
    story.row(dict.fromkeys(NAMES), heating=True)
    assert story.state() is State.HEATING
    story.rows(1, -4.0, heating=True)
    assert State.PROBE_MISSING not in story.states


def test_a_place_that_comes_and_goes_while_warming_is_missing() -> None:
    story = warming()
    for i in range(40):
        story.row({"cyl-1": None if i % 2 else 9.0, "cyl-2": 9.0, "case-nose": 9.0}, heating=True)
    assert story.state() is State.PROBE_MISSING
    assert story.kinds() == ["probe-missing"]
    assert story.said[0].place == "cyl-1"


def test_a_place_back_is_not_blamed_for_another_that_stays_away() -> None:
    story = warming()
    story.rows(2, {"cyl-1": None, "cyl-2": None, "case-nose": -4.0}, heating=True)
    story.rows(2, {"cyl-1": None, "cyl-2": -4.0, "case-nose": -4.0}, heating=True)
    assert list(story.watch.missing_since_s) == ["cyl-1"]
    assert [a.place for a in story.alerts()] == ["cyl-1"]


def test_a_place_lost_while_the_heater_is_unknown_leaves_no_state_behind() -> None:
    story = above()
    story.rows(2, {"cyl-1": 9.0, "cyl-2": None, "case-nose": 9.0}, heating=None)
    story.rows(2, 4.0, heating=None, trend=-3.0)
    assert story.state() is State.COOLING


@pytest.mark.parametrize("make", [above, ready])
def test_below_the_target_with_an_unknown_heater_is_not_above(make: Callable[[], Story]) -> None:
    story = make()
    story.rows(2, 5.0, heating=None, trend=-3.0)
    assert story.state() is State.COOLING
    story.rows(2, -3.0, heating=None, trend=-3.0)
    assert story.state() is State.COLD


def test_no_required_place_at_all_says_so() -> None:
    story = Story()
    story.row({}, heating=True)
    assert story.state() is State.PROBE_MISSING
    assert story.watch.reason == "no required place has a value"


def test_a_place_the_physics_does_not_believe_is_without_value() -> None:
    forecast = Forecast(0.0, set_aside=("cyl-2",))
    doubted = supervisor.doubt(points({"cyl-1": 1.0, "cyl-2": 30.0}), forecast)
    assert supervisor.missing_places(doubted) == ("cyl-2",)
    assert next(p for p in doubted if p.place == "cyl-2").status == "implausible"
    coldest = supervisor.coldest_of(doubted)
    assert coldest is not None
    assert coldest.place == "cyl-1"


def test_a_place_at_exactly_zero_is_measured() -> None:
    coldest = supervisor.coldest_of(points({"cyl-1": 3.0, "cyl-2": 0.0}))
    assert coldest is not None
    assert coldest.value_c == 0.0


_value = st.one_of(st.none(), st.floats(-15.0, 70.0), st.sampled_from([6.75, 7.0, 7.25]))
_row = st.tuples(
    st.tuples(_value, _value, _value),
    st.sampled_from([True, False, None]),
    st.one_of(st.none(), st.floats(-10.0, 10.0)),
    st.floats(0.0, 1.0),
    st.floats(-20.0, 20.0),
    st.integers(1, 150),
)
_warm = st.floats(6.6, 12.0)
_warm_row = st.tuples(
    st.tuples(_warm, _warm, _warm),
    st.sampled_from([True, None]),
    st.floats(-2.0, 1.0),
    st.floats(0.5, 1.0),
    st.floats(-1.0, 20.0),
    st.integers(20, 150),
)
_rows = st.lists(_row | _warm_row, min_size=1, max_size=25)
"""Of rows drawn blindly none is ever ready: half of them are of an engine about its target."""
UP = {State.ABOVE_TARGET, State.READY}


@pytest.mark.parametrize("rule", ["soak", "core"])
def test_nothing_is_ever_said_above_what_was_measured(rule: str) -> None:
    """On no row is a state above its facts: each required place has a value at or (for a single row)
    just under the target; ready besides has the soak behind it, or the core's certainty."""
    seen: set[State] = set()

    @settings(max_examples=40, deadline=None)
    @given(rows=_rows)
    def live(rows: list[tuple]) -> None:  # type: ignore[type-arg]
        seen.update(lived_within_its_facts(rows, rule))

    live()
    assert seen >= UP


def lived_within_its_facts(rows: list[tuple], rule: str) -> set[State]:  # type: ignore[type-arg]
    """The states of such a run, each held against what was measured."""
    story = Story(replace(RULES, ready_rule=rule))
    whole_since_s: float | None = None
    for values, heating, core_c, p, trend, repeats in rows:
        named = dict(zip(NAMES, values, strict=True))
        known = [v for v in values if v is not None]
        holds = len(known) == 3 and min(known) >= RULES.target_c - supervisor.SLACK_C
        for _ in range(repeats):
            step = story.row(named, heating, core_c, p, trend, core_above_p=p)
            if len(known) < 3:
                assert story.state() not in UP | {State.FLOWN_COOLING}
                assert not {"above-target", "ready"} & {a.kind for a in step.announcements}
            if story.state() in UP:
                assert min(known) >= RULES.target_c - supervisor.SLACK_C
            whole_since_s = (story.t_s if whole_since_s is None else whole_since_s) if holds else None
            if story.state() is State.READY:
                assert ready_by_its_rule(story, rule, whole_since_s, core_c, p)
    assert len({a.key for a in story.said}) == len(story.said)
    return set(story.states)


def ready_by_its_rule(
    story: Story, rule: str, whole_since_s: float | None, core_c: float | None, p: float
) -> bool:
    if rule == "core":
        return p >= RULES.core_certainty
    above_s, whole = story.watch.above_since_s, whole_since_s is not None
    soaked = above_s is not None and story.t_s - above_s >= RULES.soak_s
    return whole and soaked and core_c is not None and core_c >= RULES.need_c


# -- trust and doubt around the target


def test_one_row_above_is_not_yet_above() -> None:
    story = warming()
    story.row(30.0, heating=True)
    assert story.state() is State.HEATING
    story.rows(1, 5.0, heating=True)
    assert State.ABOVE_TARGET not in story.states


def test_clearly_below_the_target_ends_it_in_one_row() -> None:
    story = above()
    story.row(6.0, heating=True)
    assert story.state() is State.HEATING


def test_a_quarter_degree_of_flicker_around_the_target_does_not_flap() -> None:
    story = warming()
    for i in range(400):
        story.row((7.0, 7.0, 6.75, 6.75, 7.0)[i % 5], heating=True)
    assert story.passed.count(State.ABOVE_TARGET) == 1
    assert story.kinds().count("above-target") == 1
    story.rows(6, 7.0, heating=True)
    assert story.state() is State.ABOVE_TARGET


def test_single_dips_of_the_last_digit_do_not_end_it() -> None:
    story = above()
    for i in range(60):
        story.row(6.75 if i % 3 == 0 else 7.0, heating=True)
    assert story.state() is State.ABOVE_TARGET
    assert story.passed.count(State.ABOVE_TARGET) == 1


@settings(max_examples=30, deadline=None)
@given(st.lists(st.sampled_from([6.75, 7.0, 7.25]), min_size=200, max_size=600))
def test_any_flicker_of_the_last_digit_brings_few_messages(values: list[float]) -> None:
    story = warming()
    for c in values:
        story.row(c, heating=True)
    hours = len(values) * TICK_S / 3600
    assert story.kinds().count("above-target") <= 1 + 4 * hours


# -- soak and core


def test_ready_waits_for_the_whole_soak() -> None:
    story = above()
    since = story.watch.above_since_s
    assert since is not None
    while story.t_s - since < RULES.soak_s - TICK_S:
        story.row(8.0, heating=True)
    assert story.state() is State.ABOVE_TARGET
    story.row(8.0, heating=True)
    assert story.state() is State.READY


def test_a_dip_under_the_target_starts_the_soak_anew() -> None:
    story = above()
    story.rows(25, 8.0, heating=True)
    story.rows(2, 6.0, heating=True)
    story.rows(20, 8.0, heating=True)
    assert story.state() is State.ABOVE_TARGET
    story.rows(12, 8.0, heating=True)
    assert story.state() is State.READY


def test_a_long_gap_starts_the_soak_anew_a_damaged_answer_does_not() -> None:
    gap = {"cyl-1": 8.0, "cyl-2": None, "case-nose": 8.0}
    short, long = above(), above()
    for story, minutes in ((short, 0.25), (long, 2.0)):
        story.rows(25, 8.0, heating=True)
        story.rows(minutes, gap, heating=True)
        story.rows(8, 8.0, heating=True)
    assert short.state() is State.READY
    assert long.state() is State.ABOVE_TARGET


def test_a_soak_full_of_gaps_is_none() -> None:
    story = above()
    for _ in range(200):
        story.row({"cyl-1": 8.0, "cyl-2": None, "case-nose": 8.0}, heating=True)
        story.row(8.0, heating=True)
    story.rows(1, 8.0, heating=True)
    assert State.READY not in story.states
    assert story.state() is State.ABOVE_TARGET


@pytest.mark.parametrize("core_c", [None, -1.01, -8.0])
def test_a_soak_over_a_cold_core_is_not_ready(core_c: float | None) -> None:
    story = above(core_c=core_c)
    story.rows(120, 12.0, heating=True, core_c=core_c)
    assert story.state() is State.ABOVE_TARGET


def test_under_rule_soak_the_cores_middle_at_the_need_limit_is_enough() -> None:
    story = above(core_c=-1.0)
    story.rows(31, 8.0, heating=True, core_c=-1.0)
    assert story.state() is State.READY


def test_a_core_that_trembles_around_the_need_limit_does_not_flap() -> None:
    story = above()
    story.rows(31, 8.0, heating=True)
    for i in range(100):
        story.row(8.0, heating=True, core_c=-0.95 if i % 2 else -1.05)
    assert story.passed.count(State.READY) == 1
    story.rows(1, 8.0, heating=True, core_c=0.0)
    assert story.state() is State.READY


def test_rule_core_asks_for_its_certainty_and_for_no_soak() -> None:
    rules = replace(RULES, ready_rule="core", core_certainty=0.9)
    story = above(rules)
    story.rows(60, 9.0, heating=True, core_above_p=0.89)
    assert story.state() is State.ABOVE_TARGET
    quick = above(rules)
    quick.row(9.0, heating=True, core_above_p=0.9)
    assert quick.state() is State.READY


def test_ready_at_is_the_end_of_the_soak_or_when_the_core_is_due() -> None:
    story = above()
    since = story.watch.above_since_s
    assert since is not None
    up = Forecast(story.t_s, core_c=(-2.0, 0.0, 2.0))
    assert supervisor.ready_at(story.watch, RULES, up) == since + RULES.soak_s
    late = Forecast(story.t_s, core_c=(-9.0, -8.0, -7.0), core_above_p50=story.t_s + 9000)
    assert supervisor.ready_at(story.watch, RULES, late) == story.t_s + 9000
    never = Forecast(story.t_s, core_c=(-9.0, -8.0, -7.0))
    assert supervisor.ready_at(story.watch, RULES, never) is None
    assert supervisor.ready_at(warming().watch, RULES, up) is None
    done = ready()
    assert supervisor.ready_at(done.watch, RULES, up) == done.watch.since_s


# -- answers and repeats


def test_harm_is_asked_again_at_15_and_30_minutes_and_then_each_60() -> None:
    story = ready()
    story.rows(6 * 60, 15.0, heating=True, core_c=5.0)
    asked = _said_at(story, "switch-off")
    assert [round((b - a) / 60) for a, b in pairwise(asked)] == [15, 15, 60, 60, 60, 60, 60]
    ready_s = next(t.t_s for s in story.steps for t in s.transitions if t.new is State.READY)
    assert asked[0] - ready_s == pytest.approx(RULES.switch_off_after_s, abs=TICK_S)


def _said_at(story: Story, kind: str) -> list[float]:
    return [s.watch.t_s or 0.0 for s in story.steps for a in s.announcements if a.kind == kind]


def test_it_is_off_closes_the_alert_and_a_curve_that_contradicts_asks_again() -> None:
    story = ready()
    story.rows(31, 15.0, heating=True, core_c=5.0)
    (alert,) = story.alerts()
    watch = supervisor.answer_alert(story.watch, alert.id, "it-is-off", story.t_s)
    assert watch is not None
    story.watch = watch
    step = story.row(15.0, heating=True, core_c=5.0)
    assert step.gone == ((watch.alerts[0], "answer"),)
    assert alert.id in step.withdrawn
    assert story.watch.heating is False
    story.rows(19, 15.0, heating=True, core_c=5.0)
    assert story.alerts() == ()
    story.rows(3, 16.0, heating=True, core_c=5.0)
    (again,) = story.alerts()
    assert again.kind == "switch-off"
    assert again.id != alert.id
    assert story.kinds().count("switch-off") == 2
    assert len({a.key for a in story.said}) == len(story.said)


def test_a_contradicted_answer_to_too_hot_asks_again() -> None:
    story = above()
    story.rows(1, 20.0, heating=True, hot={"sump": 65.0})
    (alert,) = story.alerts()
    watch = supervisor.answer_alert(story.watch, alert.id, "it-is-off", story.t_s)
    assert watch is not None
    story.watch = watch
    story.rows(18, 20.0, heating=True, hot={"sump": 65.0})
    assert story.kinds().count("too-hot") == 1
    story.rows(5, 20.0, heating=True, hot={"sump": 65.0})
    assert story.kinds().count("too-hot") == 2


def test_evidence_closes_an_alert_too() -> None:
    story = ready()
    story.rows(31, 15.0, heating=True, core_c=5.0)
    step = story.row(15.0, heating=False, core_c=5.0)
    assert [(a.kind, by) for a, by in step.gone] == [("switch-off", "evidence")]


ATTENDED = replace(RULES, attended=True)


def test_somebody_is_with_a_combustion_heater_or_is_asked_every_ten_minutes() -> None:
    story = warming(ATTENDED)
    story.rows(1, -4.0, heating=True)
    heatup = story.watch.heatup
    assert heatup is not None
    asked = [a for a in story.said if a.kind == "attended"]
    assert [a.asked for a in asked] == [0, 1, 2], "of one recipient more each time"
    assert all(a.harm and a.at_once is False for a in asked)
    (alert,) = [a for a in story.alerts() if a.kind == "attended"]
    assert alert.opened_s == heatup.on_s + 600
    answered = supervisor.answer_alert(story.watch, alert.id, "with-it", story.t_s)
    assert answered is not None
    story.watch, told_s = answered, story.t_s
    story.rows(9, -3.0, heating=True)
    assert not any(a.kind == "attended" for a in story.alerts())
    assert [(a.kind, by) for step in story.steps for a, by in step.gone] == [("attended", "answer")]
    story.rows(2, -3.0, heating=True)
    (again,) = [a for a in story.alerts() if a.kind == "attended"]
    assert (again.opened_s, again.told) == (told_s + 600, 1)
    assert again.id != alert.id
    story.rows(5, -3.0, heating=False, heater_off_at=story.t_s)
    assert not any(a.kind == "attended" for a in story.alerts()), "the heat is seen off"
    assert [by for step in story.steps for a, by in step.gone if a.kind == "attended"][1:] == ["evidence"]
    assert "attended" not in warming().kinds()


def test_an_attended_session_keeps_its_words_of_trust() -> None:
    """Asked and answered every ten minutes for two hours: the engine still gets its words."""
    story = Story(ATTENDED)
    story.rows(5, -10.0)
    for k in range(130):
        story.rows(1, min(-10.0 + 0.15 * k, 8.0), heating=True, trend=9.0)
        for a in story.alerts():
            if a.kind == "attended":
                story.watch = supervisor.answer_alert(story.watch, a.id, "with-it", story.t_s) or story.watch
    story.rows(60, 8.0, heating=True)
    assert len({a.alert for a in story.said if a.kind == "attended"}) >= 12
    assert {"above-target", "ready"} <= set(story.kinds())


def test_an_answer_nobody_asked_for_is_refused() -> None:
    story = ready()
    story.rows(31, 15.0, heating=True, core_c=5.0)
    (alert,) = story.alerts()
    assert supervisor.answer_alert(story.watch, "switch-off:all:9", "it-is-off", 0.0) is None
    assert supervisor.answer_alert(story.watch, alert.id, "seen", 0.0) is None


def test_said_off_ends_the_heat_up_below_target() -> None:
    story = warming()
    story.watch = supervisor.say_heater(story.watch, False, story.t_s)
    story.rows(1, -4.0, heating=False)
    assert [s.closed[1] for s in story.steps if s.closed] == ["switched off, as said"]
    assert story.state() is State.COLD


def test_a_stop_stays_one_alert_while_a_place_is_lost_meanwhile() -> None:
    story = warming()
    story.rows(5, -4.0, heating=False)
    story.rows(5, {"cyl-1": None, "cyl-2": -4.0, "case-nose": -4.0}, heating=False)
    assert story.state() is State.PROBE_MISSING
    story.rows(5, -4.5, heating=False)
    assert story.kinds() == ["heater-stopped", "probe-missing"]


# -- messages that no longer hold


def test_messages_are_withdrawn_when_they_are_no_longer_true() -> None:
    story = above()
    assert story.withdrawn == ["cooling", "later"]
    story.rows(1, 5.0, heating=True)
    assert story.withdrawn[2:] == ["above-target", "ready", "holding"]
    assert ready().withdrawn[2:] == ["above-target"], "ready overtakes it"


def test_an_alerts_messages_are_withdrawn_with_it_and_no_others() -> None:
    story = warming()
    lost = {"cyl-1": None, "cyl-2": None, "case-nose": -4.0}
    story.rows(2, lost, heating=True)
    ids = {a.place: a.id for a in story.alerts()}
    story.rows(2, {**lost, "cyl-2": -4.0}, heating=True)
    assert story.withdrawn == [ids["cyl-2"]]
    assert all(a.key.startswith((ids["cyl-1"], ids["cyl-2"])) for a in story.said)


def test_outside_a_heat_up_nobody_is_woken() -> None:
    story = Story()
    story.rows(30, dict.fromkeys(NAMES))
    assert story.state() is State.PROBE_MISSING
    assert story.said == []
    assert {a.kind for a in story.alerts()} == {"probe-missing"}


# -- the announced forecast


def announced_after(changes: Iterable[Mapping[str, object]]) -> list[bool]:
    story = warming()
    base = {"above_p10": 8000.0, "above_p50": 9000.0, "above_p90": 10400.0}
    story.row(-4.0, heating=True, **base)  # type: ignore[arg-type]
    return [story.row(-4.0, heating=True, **{**base, **c}).newly_announced for c in changes]  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("change", "fresh"),
    [
        ({}, False),
        ({"above_p50": 10300.0}, False),
        ({"above_p50": 10500.0}, True),
        ({"above_p10": 8590.0}, False),
        ({"above_p10": 8610.0}, True),
        ({"above_p90": 11010.0}, True),
        ({"above_p90": None}, True),
        ({"above_p10": None, "above_p50": None, "above_p90": None}, True),
    ],
)
def test_a_forecast_is_announced_anew_when_it_left_the_shown_one(
    change: Mapping[str, object], fresh: bool
) -> None:
    assert announced_after([change]) == [fresh]


def test_a_narrow_range_moves_by_three_minutes_before_it_is_announced_anew() -> None:
    narrow = {"above_p10": 8940.0, "above_p50": 9000.0, "above_p90": 9060.0}
    moved = {"above_p10": 8940.0, "above_p50": 9000.0, "above_p90": 9200.0}
    assert announced_after([narrow, narrow, moved, {**moved, "above_p90": 9390.0}]) == [
        True,
        False,
        False,
        True,
    ]


def test_a_forecast_is_announced_anew_after_a_quarter_of_an_hour() -> None:
    fresh = announced_after([{}] * 130)
    assert [i for i, f in enumerate(fresh, 1) if f] == [60, 120]


def test_what_still_holds_after_a_quarter_of_an_hour_is_said_again_as_it_was() -> None:
    story = warming()
    shown = {"above_p10": 8000.0, "above_p50": 9000.0, "above_p90": 9900.0}
    for k in range(61):
        moved = {**shown, "above_p50": 9100.0} if k else shown
        step = story.row(-4.0, heating=True, **moved)
    assert step.watch.announced is not None
    assert step.watch.announced.above_p50 == 9000.0
    for _ in range(61):
        step = story.row(-4.0, heating=True, **{**shown, "above_p50": 9300.0})
    assert step.watch.announced.above_p50 == 9300.0


def test_a_change_of_state_announces() -> None:
    story = warming()
    story.row(-4.0, heating=True, above_p10=8000.0, above_p50=9000.0, above_p90=9900.0)
    step = story.row(-4.0, heating=False, above_p10=8000.0, above_p50=9000.0, above_p90=9900.0)
    assert step.transitions
    assert step.newly_announced


# -- what is kept


def full_watch() -> Watch:
    """A watch with something in every field."""
    story = ready()
    story.rows(31, 15.0, heating=True, core_c=5.0, above_p10=1.0, above_p50=2.0, above_p90=3.0)
    (alert,) = story.alerts()
    watch = supervisor.answer_alert(story.watch, alert.id, "it-is-off", story.t_s)
    assert watch is not None
    assert watch.heatup is not None
    return msgspec.structs.replace(
        watch,
        born=3,
        doubted_since_s=10.0,
        left_above_s=11.0,
        never_since_s=12.0,
        missing_since_s={"cyl-1": 13.0},
        back_rows={"cyl-1": 1},
        heatup=replace(watch.heatup, off_s=14.0),
        missed=Missed(15.0, 16.0, State.HEATING, "cyl-1", -4.0),
        denied_s=17.0,
        look_s=18.0,
        late_since_s=19.0,
    )


def test_a_watch_survives_the_store_unchanged() -> None:
    watch = full_watch()
    text = msgspec.json.encode((12.5, watch))
    assert msgspec.json.decode(text, type=tuple[float, Watch]) == (12.5, watch)
    assert msgspec.json.decode(msgspec.json.encode(Watch()), type=Watch) == Watch()


def _instants(value: object, name: str = "") -> dict[str, float]:
    """Every field ending in _s, however deep, by its path; counts of seconds aren't among them."""
    out: dict[str, float] = {}
    if isinstance(value, float) and (name.split(".")[1] in _INSTANTS or name.rsplit(".", 1)[-1] in _INSTANTS):
        out[name] = value
    elif isinstance(value, dict):
        for k, v in value.items():
            out |= _instants(v, f"{name}.{k}")
    elif isinstance(value, tuple):
        for i, v in enumerate(value):
            out |= _instants(v, f"{name}.{i}")
    elif isinstance(value, Watch) or is_dataclass(value):
        for f in type(value).__match_args__:
            out |= _instants(getattr(value, f), f"{name}.{f}")
    return out


_INSTANTS = {
    *(name for name in Watch.__struct_fields__ if name.endswith("_s")),
    "on_s",
    "above_s",
    "ready_s",
    "off_s",
    "opened_s",
    "answered_s",
    "told_s",
    "since_s",
    "until_s",
    "above_p10",
    "above_p50",
    "above_p90",
}


def test_shifted_moves_every_instant_and_keeps_all_else() -> None:
    watch = full_watch()
    before = _instants(watch)
    after = _instants(supervisor.shifted(watch, 1000.0))
    assert len(before) >= 18
    assert after == {k: v + 1000.0 for k, v in before.items()}
    assert supervisor.shifted(supervisor.shifted(watch, 1000.0), -1000.0) == watch


def test_a_restart_in_other_run_seconds_changes_nothing_that_is_said() -> None:
    straight, restarted = ready(), ready()
    restarted.watch = supervisor.shifted(restarted.watch, -restarted.t_s)
    restarted.t_s = 0.0
    for story in (straight, restarted):
        story.rows(60, 15.0, heating=True, core_c=5.0)
    assert [a.key for a in straight.said] == [a.key for a in restarted.said]
    assert straight.states == restarted.states
    assert [a.id for a in straight.alerts()] == [a.id for a in restarted.alerts()]


def test_two_mornings_in_the_same_run_seconds_have_different_messages() -> None:
    first = ready()
    second = Story(watch=Watch(born=first.watch.born, count=first.watch.count))
    second.rows(5, -10.0)
    second.climb(-10.0, 6.5, 90, heating=True)
    second.rows(1, 7.5, heating=True)
    assert second.kinds() == ["above-target"]
    assert not {a.key for a in first.said} & {a.key for a in second.said}


def test_a_heat_up_that_went_off_in_run_second_zero_keeps_it() -> None:
    story = Story(t_s=-TICK_S)
    story.row(-10.0, heating=True, heater_on_at=-600.0)
    story.row(-10.0, heating=False, heater_off_at=0.0)
    assert story.watch.heatup is not None
    assert story.watch.heatup.off_s == 0.0


def test_the_first_row_may_be_anything() -> None:
    for heating in (True, False, None):
        for c in (-10.0, 3.0, 20.0, 80.0):
            story = Story()
            story.row(c, heating=heating)
            assert story.state() not in UP


# -- a probe that reads the heater


READS = {"cyl-2": 2.0}


def beside_a_band(c: float) -> dict[str, Value]:
    """Cylinder 2 shows that many degrees, everything else is well above the target."""
    return {"cyl-1": 12.0, "cyl-2": c, "case-nose": 12.0}


def test_a_probe_that_reads_the_heater_is_above_target_only_with_what_it_counts_as() -> None:
    story = Story()
    story.rows(30, heating=False)
    story.rows(60, beside_a_band(8.9), heating=True, reads=READS, heater_on_at=1800.0)
    assert story.states[-1] is State.HEATING
    story.rows(5, beside_a_band(9.1), heating=True, reads=READS, heater_on_at=1800.0)
    assert story.states[-1] is State.ABOVE_TARGET
    assert "cyl-2" in story.watch.counted_c


def test_after_heater_off_its_own_fall_is_not_taken_off_twice() -> None:
    """Counted as 8 when the heat went off; it shows 8 as well once it has fallen by its 2 °C."""
    story = Story()
    story.rows(30, heating=False)
    story.rows(40, beside_a_band(10.0), heating=True, reads=READS, heater_on_at=1800.0)
    off_s = story.t_s
    for minute in range(9):
        c = 8.0 + 2.0 * 0.6**minute
        story.rows(1, beside_a_band(c), heating=False, reads=READS, heater_on_at=1800.0, heater_off_at=off_s)
    assert set(story.states[-36:]) == {State.READY}
    story.rows(1, beside_a_band(6.5), heating=False, reads=READS, heater_on_at=1800.0, heater_off_at=off_s)
    assert story.states[-1] not in (State.ABOVE_TARGET, State.READY)


def test_too_hot_is_what_the_probe_shows() -> None:
    story = Story()
    story.rows(30, heating=False)
    story.rows(5, beside_a_band(RULES.too_hot_c + 0.5), heating=True, reads=READS, heater_on_at=1800.0)
    assert story.states[-1] is State.TOO_HOT


@pytest.mark.parametrize(
    ("heating", "on_s", "off_s", "less_c"),
    [
        (True, 100.0, None, 2.0),
        (None, 100.0, None, 2.0),
        (None, None, None, 0.0),
        (False, None, None, 0.0),
        (False, 100.0, 900.0, 2.0),
        (False, 100.0, 401.0, 2.0),
        (False, 100.0, 400.0, 0.0),
    ],
)
def test_it_counts_for_less_from_heater_on_to_ten_minutes_after_heater_off(
    heating: bool | None, on_s: float | None, off_s: float | None, less_c: float
) -> None:
    seen = Forecast(1000.0, heating=heating, heater_on_at=on_s, heater_off_at=off_s)
    counted = supervisor.less_heater(Watch(), points({"cyl-1": 5.0, "cyl-2": 5.0}), READS, seen)
    assert [p.counted_c for p in counted[:2]] == [5.0, 5.0 - less_c]
    by_hand = replace(counted[1], status="by-hand", less_c=0.0)
    assert supervisor.less_heater(Watch(), [by_hand], READS, seen)[0].counted_c == 5.0
    lost = Point("cyl-2", "open", None)
    assert supervisor.less_heater(Watch(), [lost], READS, seen) == (lost,)


@given(
    c=st.floats(-40, 80),
    fall_c=st.floats(0, 20),
    held_c=st.one_of(st.none(), st.floats(-60, 80)),
    heating=st.sampled_from([True, False, None]),
    off_s=st.floats(0, 1000),
)
def test_what_is_taken_off_is_never_more_than_the_fall_nor_less_than_nothing(
    c: float, fall_c: float, held_c: float | None, heating: bool | None, off_s: float
) -> None:
    watch = Watch(counted_c={} if held_c is None else {"cyl-1": held_c})
    seen = Forecast(1000.0, heating=heating, heater_on_at=0.0, heater_off_at=None if heating else off_s)
    (point,) = supervisor.less_heater(watch, [Point("cyl-1", "ok", c)], {"cyl-1": fall_c}, seen)
    assert point.counted_c is not None
    assert c - fall_c - 1e-9 <= point.counted_c <= c


def test_a_heat_up_is_above_from_the_first_row_of_those_that_made_it_sure() -> None:
    story = Story()
    story.rows(30, heating=False)
    story.rows(10, 6.0, heating=True, heater_on_at=1800.0)
    first = story.row(7.5, heating=True, heater_on_at=1800.0)
    assert first.watch.heatup is not None
    assert first.watch.heatup.above_s is None
    second = story.row(7.5, heating=True, heater_on_at=1800.0)
    assert second.watch.heatup is not None
    assert second.watch.heatup.above_s == first.watch.t_s


# -- words of a morning


def start_in(story: Story, minutes: float) -> float:
    return story.t_s + 60 * minutes


def test_a_fall_below_the_target_overtakes_ready_and_is_said_once() -> None:
    story = ready()
    story.rows(40, 12.0, heating=False, trend=-3.0)
    assert story.kinds() == ["above-target", "ready"]
    story.rows(60, 6.0, heating=False, trend=-3.0)
    assert story.kinds() == ["above-target", "ready", "cooling"]
    assert "ready" in story.said[-1].overtakes
    assert "ready" in story.withdrawn


def test_after_a_flight_nobody_hears_that_it_is_no_longer_above_target() -> None:
    story = ready()
    story.departure_at = start_in(story, 30)
    story.rows(5, 15.0, heating=False, core_c=5.0)
    story.rows(90, dict.fromkeys(NAMES), heating=False)
    story.departure_at = None
    story.rows(100, 60.0, heating=False, trend=-5.0)
    story.rows(60, 20.0, heating=False, trend=-5.0)
    story.rows(60, 4.0, heating=False, trend=-5.0)
    assert "cooling" not in story.kinds()


def test_an_engine_nobody_called_above_target_cools_in_silence() -> None:
    story = warming()
    story.rows(90, -4.0, heating=False, trend=-2.0)
    assert "cooling" not in story.kinds()


def test_holding_is_said_once_heat_is_off_after_ready() -> None:
    story = ready()
    below = {"below_p10": story.t_s + 5000, "heater_off_at": story.t_s}
    story.rows(4, 12.0, heating=False, **below)
    assert "holding" not in story.kinds()
    story.rows(30, 12.0, heating=False, **below)
    assert story.kinds().count("holding") == 1
    off_before = ready()
    off_before.rows(30, 12.0, heating=False, below_p10=9e5, heater_off_at=0.0)
    assert "holding" not in off_before.kinds(), "ready itself said until when it holds"


def late_story(minutes: float, then_minutes: float) -> Story:
    """A start that is to be kept, but above target is due so many minutes too late; and then so many."""
    story = warming()
    wanted_s = story.t_s + 3600
    story.departure_at = wanted_s + RULES.soak_s + PREPARE_S
    for slip_min in (minutes, then_minutes):
        due_s = wanted_s + 60 * slip_min
        for _ in range(40):
            story.row(-4.0, heating=True, above_p10=due_s - 300, above_p50=due_s, above_p90=due_s + 300)
    return story


@pytest.mark.parametrize(("minutes", "said"), [(0.0, 0), (8.0, 0), (25.0, 1)])
def test_a_start_that_slips_is_said_once_it_is_sure(minutes: float, said: int) -> None:
    assert late_story(minutes, minutes).kinds().count("later") == said


def test_a_start_that_slips_further_is_said_again_only_by_twenty_minutes() -> None:
    assert late_story(25.0, 35.0).kinds().count("later") == 1
    assert late_story(25.0, 60.0).kinds().count("later") == 2


def test_the_morning_look_is_sent_once_whatever_the_state_and_not_hours_late() -> None:
    story = Story()
    story.rows(10, 15.0, ambient=14.0)
    story.look_s = story.t_s
    story.rows(30, 15.0, ambient=14.0)
    assert story.kinds() == ["morning-look"]
    late = Story()
    late.look_s = -3 * 3600.0
    late.rows(10, 15.0)
    assert late.kinds() == []


def test_the_board_says_what_it_missed_once_it_has_looked_twice() -> None:
    story = warming()
    before_s = story.t_s
    story.t_s += 3600.0
    story.rows(10, 2.0, heating=True)
    assert story.kinds() == ["board-back"]
    missed = story.watch.missed
    assert missed is not None
    assert (missed.since_s, missed.state, missed.coldest_c) == (before_s, State.HEATING, -4.0)
    story.rows(90, 2.0, heating=True)
    assert story.watch.missed is None


def test_a_gap_that_nobody_waited_through_is_not_said() -> None:
    story = Story()
    story.rows(10, -10.0)
    story.t_s += 7200.0
    story.rows(10, -10.0)
    assert story.kinds() == []
    story.departure_at = start_in(story, 300)
    story.t_s += 7200.0
    story.rows(10, -10.0)
    assert story.kinds() == ["board-back"]


def test_while_the_clock_is_unknown_the_board_waits_with_its_word() -> None:
    story = warming()
    story.t_s += 3600.0
    story.clock_ok = False
    story.rows(10, 2.0, heating=True)
    assert story.kinds() == []
    story.clock_ok = True
    story.row(2.0, heating=True)
    assert story.kinds() == ["board-back"]


def test_heat_for_a_planned_start_may_stay_on_until_then() -> None:
    story = ready()
    story.departure_at = start_in(story, 120)
    story.rows(118, 15.0, heating=True, core_c=5.0)
    assert "switch-off" not in story.kinds()
    story.rows(5, 15.0, heating=True, core_c=5.0)
    assert story.kinds().count("switch-off") == 1


def test_what_the_plan_said_of_a_late_start_is_not_said_again() -> None:
    story = warming()
    wanted_s = story.t_s + 3600
    story.departure_at = wanted_s + RULES.soak_s + PREPARE_S
    story.told_late_s = 2000.0
    due_s = wanted_s + 2400
    for minutes in (2400, 2000 + supervisor.LATER_S + 120):
        due_s = wanted_s + minutes
        for _ in range(40):
            story.row(-4.0, heating=True, above_p10=due_s - 300, above_p50=due_s, above_p90=due_s + 300)
        assert ("later" in story.kinds()) == (minutes > 2400)


def test_a_start_waits_for_as_long_as_the_plan_gives_for_uncovering() -> None:
    facts = Facts(0.0, (), Forecast(0.0), departure_at=7200.0)
    watch = msgspec.structs.replace(Watch(), above=True, above_since_s=0.0, state=State.READY, since_s=3600.0)
    shown = [supervisor.late_s(watch, replace(facts, prepare_s=s), RULES) for s in (600.0, 4800.0)]
    assert shown == [-3000.0, 1200.0]


def test_a_start_that_passed_with_heat_on_is_asked_about_though_never_ready() -> None:
    story = warming()
    story.departure_at = start_in(story, 10)
    story.rows(39, -4.0, heating=True)
    assert "switch-off" not in story.kinds()
    story.rows(5, -4.0, heating=True)
    assert story.kinds().count("switch-off") == 1


def test_unplugged_with_the_heater_still_drawing_power_is_harm() -> None:
    story = ready()
    story.departure_at, story.power = start_in(story, 20), 1.0
    story.rows(3, 15.0, heating=True, core_c=5.0)
    story.rows(20, dict.fromkeys(NAMES), heating=True)
    assert story.kinds() == ["above-target", "ready", "switch-off", "switch-off"]
    assert all(a.harm for a in story.alerts() if a.kind == "switch-off")


def test_a_forgotten_start_does_not_end_the_asking_and_a_new_one_does() -> None:
    story = warming()
    story.departure_at = start_in(story, 10)
    story.rows(45, -4.0, heating=True)
    story.departure_at = None
    story.rows(30, -4.0, heating=True)
    assert [a.kind for a in story.alerts()] == ["switch-off"]
    story.departure_at = start_in(story, 60)
    story.rows(1, -4.0, heating=True)
    assert story.alerts() == ()


def test_places_lost_together_are_one_word_and_unplugging_for_the_start_is_none() -> None:
    nothing = dict.fromkeys(NAMES)
    cold = warming()
    cold.rows(5, {**nothing, "cyl-1": -4.0}, heating=True)
    assert cold.kinds() == ["probe-missing"]
    gone = ready()
    gone.rows(5, nothing, heating=None)
    assert gone.kinds() == ["above-target", "ready", "unplugged"]
    leaving = ready()
    leaving.departure_at = start_in(leaving, 20)
    leaving.rows(3, 15.0, heating=False, core_c=5.0)
    leaving.rows(30, nothing, heating=False)
    assert leaving.kinds() == ["above-target", "ready"]


def test_too_hot_alone_asks_for_the_switch() -> None:
    story = ready()
    story.rows(20, 15.0, heating=True, core_c=5.0)
    story.rows(40, 15.0, heating=True, core_c=5.0, hot={"sump": 65.0})
    assert story.kinds().count("too-hot") == 3
    assert "switch-off" not in story.kinds()


def test_off_is_contradicted_in_minutes_where_power_is_measured() -> None:
    story = ready()
    story.rows(31, 15.0, heating=True, core_c=5.0)
    (alert,) = story.alerts()
    watch = supervisor.answer_alert(story.watch, alert.id, "it-is-off", story.t_s)
    assert watch is not None
    story.watch, story.power = watch, 1.0
    said_s = story.t_s
    story.rows(4, 15.0, heating=True, core_c=5.0)
    (again,) = story.alerts()
    assert (again.kind, again.denied_s) == ("switch-off", said_s)


@settings(max_examples=60, deadline=None)
@given(
    spans=st.lists(
        st.tuples(st.sampled_from(["low", "high", "gap", "lost", "off", "hot"]), st.floats(1.0, 70.0)),
        min_size=5,
        max_size=40,
    )
)
def test_nobody_gets_more_than_eight_words_a_night_repeats_for_harm_apart(
    spans: list[tuple[str, float]],
) -> None:
    story = warming()
    for what, minutes in spans:
        lost = {"cyl-1": None, "cyl-2": 9.0, "case-nose": 9.0}
        hot = {"sump": 65.0} if what == "hot" else None
        c: float | Mapping[str, Value] = lost if what == "lost" else 5.0 if what == "low" else 12.0
        if what == "gap":
            story.t_s += 60 * minutes + 1000
            story.row(9.0, heating=True, core_c=5.0)
        else:
            story.rows(minutes, c, heating=what != "off", core_c=5.0, trend=0.0, hot=hot)
        if story.look_s is None:
            story.look_s = story.t_s
    harm_first = {a.alert for a in story.said if a.harm and a.asked == 0}
    first_words = [a for a in story.said if a.asked == 0]
    times = [s.watch.t_s or 0.0 for s in story.steps for a in s.announcements if a.asked == 0]
    assert len(times) == len(first_words)
    for begin in times:
        night = [t for t in times if begin <= t < begin + supervisor.WORDS_SPAN_S]
        assert len(night) <= 8 + len(harm_first)


# -- signs


def signs(story: Story) -> set[tuple[SignKind, str | None]]:
    return {(s.kind, s.place) for s in story.watch.signs}


def test_while_the_oil_is_out_nothing_is_above_target_and_the_soak_begins_anew() -> None:
    story = ready()
    story.watch = supervisor.say_oil(story.watch, True, story.t_s)
    story.rows(1, 9.0, heating=True)
    assert story.state() is State.OIL_OUT
    assert (SignKind.OIL_OUT, None) in signs(story)
    assert {"ready", "above-target"} <= set(story.withdrawn)
    story.rows(60, 9.0, heating=True)
    assert State.READY not in story.states[-200:]
    story.watch = supervisor.say_oil(story.watch, False, story.t_s)
    story.rows(2, 9.0, heating=True)
    assert story.state() is State.ABOVE_TARGET
    story.rows(RULES.soak_s / 60 + 1, 9.0, heating=True)
    assert story.state() is State.READY


def test_oil_that_is_out_hides_no_harm() -> None:
    story = warming()
    story.watch = supervisor.say_oil(story.watch, True, story.t_s)
    story.rows(5, -4.0, heating=False)
    assert story.state() is State.HEATER_STOPPED
    story.rows(1, 62.0, heating=True)
    assert story.state() is State.TOO_HOT
    assert (SignKind.TOO_HOT, "cyl-1") in signs(story)


def test_all_required_places_open_at_once_is_an_unplugged_harness() -> None:
    story = warming()
    began_s = story.t_s + TICK_S
    story.rows(1, dict.fromkeys(NAMES), heating=True)
    (sign,) = (s for s in story.watch.signs if s.kind is SignKind.UNPLUGGED)
    assert sign.since_s == began_s
    assert story.state() is State.PROBE_MISSING


def test_places_that_open_one_after_the_other_are_no_unplugged_harness() -> None:
    story = warming()
    story.rows(3, {"cyl-1": None, "cyl-2": -4.0, "case-nose": -4.0}, heating=True)
    story.rows(3, dict.fromkeys(NAMES), heating=True)
    assert (SignKind.UNPLUGGED, None) not in signs(story)


def test_unplugged_on_the_way_with_the_heater_drawing_power_is_harm() -> None:
    story = warming()
    story.power = 0.9
    story.rows(3, dict.fromkeys(NAMES), heating=True)
    assert any(a.kind == "switch-off" and a.harm for a in story.alerts())


def test_a_weak_heater_and_a_cold_cylinder_are_asked_about_once() -> None:
    story = warming()
    seen = (Sign(SignKind.TOO_WEAK, story.t_s), Sign(SignKind.ONE_COLD, story.t_s, "cyl-2"))
    story.rows(30, -3.0, heating=True, signs=seen)
    assert story.kinds().count("too-weak") == 1
    assert story.kinds().count("one-cold") == 1
    story.rows(5, -3.0, heating=False)
    assert not {"too-weak", "one-cold"} & {a.kind for a in story.alerts()}


def test_an_engine_that_runs_is_neither_too_hot_nor_ready_and_ends_the_heat_up() -> None:
    story = warming()
    runs = (Sign(SignKind.ENGINE_RUNS, story.t_s),)
    story.rows(20, 90.0, heating=False, signs=runs)
    assert story.state() is State.ENGINE_RUNS
    assert story.watch.heatup is None
    ran = (Sign(SignKind.ENGINE_RAN, story.t_s),)
    story.rows(20, 80.0, heating=False, signs=ran)
    story.rows(20, 40.0, heating=False)
    assert story.state() is State.ENGINE_RAN
    story.rows(20, 3.0, heating=False, trend=-6.0)
    assert story.state() is State.COOLING
    assert not {"too-hot", "above-target", "ready", "heater-stopped"} & set(story.kinds())
    assert (SignKind.FLOWN, None) not in signs(story)


def test_what_a_heater_makes_too_hot_is_said_though_the_engine_ran_before() -> None:
    story = warming()
    ran = (Sign(SignKind.ENGINE_RAN, story.t_s),)
    story.rows(5, 50.0, heating=True, signs=ran, trend=30.0)
    assert story.state() is State.ENGINE_RAN
    story.rows(5, {"cyl-1": 70.0, "cyl-2": 50.0, "case-nose": 50.0}, heating=True, signs=ran, trend=30.0)
    assert story.state() is State.TOO_HOT
