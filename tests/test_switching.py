"""Whether the plug may be on: what begins and ends heat, what a test of its timer shows, what is alarming.

Histories of faults against the plug's own relay: tests/test_switch_histories.py.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import pytest

from probe_agent.planning import Departure, Plan, Rests
from probe_agent.readings import Point, SignKind
from probe_agent.switching import (
    Alarm,
    Plug,
    SwitchFacts,
    SwitchRules,
    SwitchStep,
    SwitchWatch,
    ask,
    end,
    lock,
    plan_is_due,
    refusal,
    step,
    unlock,
)

RULES = SwitchRules(timer_s=120, most_s=3600, watts=500, too_hot_c=60, ready_s=1800, power_every_s=30)
WARM = {"cyl-1": 5.0, "cyl-2": 6.0}
CONNECTED = Plug(connected_s=-100.0, on=False, off_s=-5.0, power_w=0.0, power_s=-5.0)


def points(
    values: Mapping[str, float | None] = WARM, age_s: float = 0.0, status: str = ""
) -> tuple[Point, ...]:
    return tuple(
        Point(p, status or ("ok" if c is not None else "open"), c, None if c is None else age_s)
        for p, c in values.items()
    )


def facts(t_s: float, plug: Plug = CONNECTED, **changes: Any) -> SwitchFacts:
    seen = changes.pop("points", points())
    return replace(SwitchFacts(t_s, seen, changes.pop("measured", seen), plug), **changes)


def heard(on_s: float, power_w: float = 480.0, at_s: float | None = None, **changes: Any) -> Plug:
    """A plug that went on at on_s and told its power at at_s."""
    plug = Plug(-100.0, True, on_s, True, -math.inf, on_s, power_w, on_s if at_s is None else at_s)
    return replace(plug, **changes)


def wanted(by: str = "owner", t_s: float = 0.0, departure: int | None = None) -> SwitchWatch:
    """Heat ordered at t_s and seen to be on."""
    watch = ask(SwitchWatch(tested=True), by, t_s, departure)  # type: ignore[arg-type]
    return step(watch, facts(t_s, planned=frozenset({3})), RULES).watch


def lived(watch: SwitchWatch, until_s: float, plug: Plug | None = None, **changes: Any) -> SwitchStep:
    """Ticks each 15 s from 15 to until_s; the last step, or the first that ended it."""
    t_s = 15.0
    while True:
        seen = plug if plug is not None else heard(1.0, at_s=t_s - 1)
        found = step(watch, facts(t_s, seen, **changes), RULES)
        watch = found.watch
        if found.ended is not None or t_s >= until_s:
            return found
        t_s += 15.0


# -- beginning


def test_heat_goes_on_with_a_tick_and_is_confirmed_by_the_plug() -> None:
    watch = ask(SwitchWatch(tested=True), "owner", 0.0)
    first = step(watch, facts(0.0), RULES)
    assert (first.order, first.confirmed) == ("on", None)
    second = step(first.watch, facts(15.0, heard(1.0)), RULES)
    assert second.order == "on"
    assert second.confirmed is not None
    assert second.confirmed.confirmed_s == 1.0


@pytest.mark.parametrize(
    ("changes", "why", "place"),
    [
        ({"points": points({"cyl-1": 5.0, "cyl-2": None})}, "place-lost", "cyl-2"),
        ({"points": points(status="by-hand")}, "place-lost", "cyl-1"),
        ({"points": points({"cyl-1": 61.0, "cyl-2": 5.0})}, "too-hot", "cyl-1"),
        ({"measured": (Point("sump", "ok", 75.0, 0.0, None, False, True),)}, "too-hot", "sump"),
        ({"oil_out": True}, "oil-out", None),
        ({"plug": Plug(None)}, "link", None),
        ({"plug": replace(CONNECTED, off_s=-90.0, power_s=-46.0)}, "plug-silent", None),
        ({"plug": Plug(-100.0)}, "plug-silent", None),
    ],
)
def test_heat_is_not_begun_where_anything_speaks_against_it(
    changes: dict[str, Any], why: str, place: str | None
) -> None:
    watch = SwitchWatch(tested=True)
    assert refusal(watch, facts(0.0), RULES, "owner", 5.0) is None
    assert refusal(watch, facts(0.0, **changes), RULES, "owner", 5.0) == (why, place)


def test_heat_is_not_begun_untested_locked_twice_or_without_readings() -> None:
    watch, now = SwitchWatch(tested=True), facts(0.0)
    assert refusal(SwitchWatch(), now, RULES, "owner", 0.0) == ("untested", None)
    assert refusal(SwitchWatch(), now, RULES, "plan", 0.0) == ("untested", None)
    assert refusal(SwitchWatch(), now, RULES, "test", 0.0) is None
    assert refusal(lock(watch, 0.0)[0], now, RULES, "owner", 0.0) == ("locked", None)
    assert refusal(lock(SwitchWatch(), 0.0)[0], now, RULES, "test", 0.0) == ("locked", None)
    assert refusal(unlock(lock(watch, 0.0)[0]), now, RULES, "owner", 0.0) is None
    assert refusal(wanted(), now, RULES, "owner", 0.0) == ("on-already", None)
    assert refusal(watch, now, RULES, "owner", 31.0) == ("not-measuring", None)
    assert refusal(watch, None, RULES, "owner", 0.0) == ("not-measuring", None)


# -- ending


@pytest.mark.parametrize(
    ("changes", "why", "place", "by_s"),
    [
        ({"points": points({"cyl-1": None, "cyl-2": 5.0})}, "place-lost", "cyl-1", 30.0),
        ({"points": points({"cyl-1": 5.0, "cyl-2": 6.0}, age_s=31.0)}, "place-lost", "cyl-1", 15.0),
        ({"points": points({"cyl-1": 5.0, "cyl-2": 60.0})}, "too-hot", "cyl-2", 15.0),
        ({"oil_out": True}, "oil-out", None, 15.0),
        ({"since_s": 31.0}, "gap", None, 15.0),
        ({"unwritten_s": 30.0}, "record", None, 15.0),
        ({"start_s": 100.0}, "start-passed", None, 105.0),
        ({"ready_s": 0.0}, "ready-long", None, 1800.0),
        ({"ready_s": 0.0, "start_s": 2500.0}, "start-passed", None, 2505.0),
        ({"plug": Plug(None)}, "link", None, 15.0),
        ({"plug": heard(1.0, connected_s=5.0)}, "link", None, 15.0),
        ({"plug": CONNECTED}, "no-answer", None, 60.0),
        ({"plug": heard(1.0, off_s=9.0)}, "off-at-plug", None, 15.0),
        ({"plug": heard(1.0, on=False, off_s=9.0)}, "off-at-plug", None, 15.0),
        ({"plug": heard(1.0)}, "plug-silent", None, 105.0),
        ({}, "time-limit", None, 3600.0),
    ],
)
def test_heat_ends(changes: dict[str, Any], why: str, place: str | None, by_s: float) -> None:
    plug = changes.pop("plug", None)
    found = lived(wanted(), 4000.0, plug, **changes)
    assert found.ended is not None
    assert (found.ended.why, found.ended.place, found.ended.at_s) == (why, place, by_s)
    assert found.order == "off"
    assert step(found.watch, facts(by_s + 15.0, heard(1.0)), RULES).order == "off"


def test_a_plug_that_falls_silent_is_not_renewed() -> None:
    watch = wanted()
    orders = []
    for t_s in (15.0, 30.0, 45.0, 60.0, 75.0):
        found = step(watch, facts(t_s, heard(1.0)), RULES)
        watch, orders = found.watch, [*orders, found.order]
    assert orders == ["on", "on", "on", "hold", "hold"]


def test_a_planned_heating_ends_when_its_departure_is_planned_no_more() -> None:
    watch = wanted("plan", departure=3)
    assert lived(watch, 60.0, planned=frozenset({3})).ended is None
    found = lived(watch, 60.0, planned=frozenset({4}))
    assert found.ended is not None
    assert found.ended.why == "not-planned"


def test_peoples_words_end_it_at_once() -> None:
    for watch in (end(wanted(), "owner", 20.0)[0], lock(wanted(), 20.0)[0]):
        assert watch.want is None
        assert watch.ended is not None
        assert step(watch, facts(30.0), RULES).order == "off"


def test_drawing_no_power_ends_it_and_is_an_alarm_until_it_is_on_again() -> None:
    watch, found = wanted(), None
    for t_s in range(15, 400, 15):
        found = step(watch, facts(float(t_s), heard(1.0, 3.0, float(t_s - 1))), RULES)
        watch = found.watch
        if found.ended is not None:
            break
    assert found is not None
    assert found.ended is not None
    assert found.ended.why == "no-power"
    assert 180 <= found.ended.at_s <= 225
    later = step(watch, facts(500.0, heard(1.0, 0.0)), RULES)
    assert [a.kind for a in later.alarms] == ["no-power"]
    again = step(ask(watch, "owner", 510.0), facts(515.0), RULES)
    assert again.alarms == ()


def test_a_thermostat_may_rest_once_it_has_let_power_through() -> None:
    rules = replace(RULES, thermostat=True)
    watch = wanted()
    for t_s in range(15, 600, 15):
        power_w = 480.0 if t_s < 60 else 0.0
        found = step(watch, facts(float(t_s), heard(1.0, power_w, float(t_s - 1))), rules)
        watch = found.watch
        assert found.ended is None
    watch = wanted()
    for t_s in range(15, 240, 15):
        watch = step(watch, facts(float(t_s), heard(1.0, 0.0, float(t_s - 1))), rules).watch
    assert watch.ended is not None
    assert watch.ended.why == "no-power"


@pytest.mark.parametrize(
    ("rise_c", "begin_c", "changes", "ends"),
    [
        (0.0, -6.0, {}, True),
        (0.75, -6.0, {}, True),
        (1.0, -6.0, {}, False),
        (0.0, 8.0, {}, False),  # no heat was needed
        (0.0, -6.0, {"signs": frozenset({SignKind.FLOWN})}, False),  # it cools from a flight
    ],
)
def test_heat_without_a_rise_ends_and_is_an_alarm(
    rise_c: float, begin_c: float, changes: dict[str, Any], ends: bool
) -> None:
    rules = replace(RULES, target_c=7.0, most_s=9 * 3600.0)
    watch = step(ask(SwitchWatch(tested=True), "owner", 0.0), facts(0.0), rules).watch
    for t_s in range(15, 3000, 15):
        seen = points({"cyl-1": begin_c + (rise_c if t_s > 2400 else 0.0), "cyl-2": begin_c})
        found = step(watch, facts(float(t_s), heard(1.0, at_s=t_s - 1.0), points=seen, **changes), rules)
        watch = found.watch
        if found.ended is not None:
            break
    assert (found.ended is not None) is ends
    if ends:
        assert found.ended is not None
        assert (found.ended.why, found.order) == ("no-rise", "off")
        assert 2700 <= found.ended.at_s <= 2730
        assert [a.kind for a in step(watch, facts(2800.0), rules).alarms] == ["no-rise"]


def test_a_place_that_was_silent_counts_from_its_first_value_and_a_thermostat_may_rest() -> None:
    for rules, ends in (
        (replace(RULES, target_c=7.0), True),
        (replace(RULES, target_c=7.0, thermostat=True), False),
    ):
        rules = replace(rules, most_s=9 * 3600.0)
        watch = step(ask(SwitchWatch(tested=True), "owner", 0.0), facts(0.0), rules).watch
        for t_s in range(15, 2800, 15):
            late = -6.0 if t_s < 600 else -5.75
            seen = (*points({"cyl-1": -6.0, "cyl-2": -6.0}), Point("sump", "ok", late, 0.0, required=False))
            seen = seen if t_s >= 300 else seen[:-1]
            watch = step(watch, facts(float(t_s), heard(1.0, at_s=t_s - 1.0), points=seen), rules).watch
        assert (watch.want is None) is ends


# -- the plan


MADE = Plan(1000.0, "yes", 1.0, Rests(), "heat", switch_on_at=2000.0)
PLANNED = Departure(1, 9000.0, 900.0, by="our-plug", plan=MADE)


def planned(**changes: Any) -> Departure:
    made = {k: changes.pop(k) for k in ("verdict", "switch_on_at", "made_at") if k in changes}
    return replace(PLANNED, plan=replace(MADE, **made), **changes)


@pytest.mark.parametrize(
    ("departure", "now_at", "due"),
    [
        (PLANNED, 1999.0, False),
        (PLANNED, 2000.0, True),
        (PLANNED, 2801.0, False),  # worked out half an hour ago: not the latest
        (planned(made_at=7700.0), 7799.0, True),
        (planned(made_at=7700.0), 7800.0, False),  # heater and cover come off
        (planned(made_at=400.0), 2000.0, False),  # of an earlier run
        (planned(by="timer"), 2000.0, False),
        (planned(by="person"), 2000.0, False),
        (planned(attended=True), 2000.0, False),
        (planned(state="did-not-start"), 2000.0, False),
        (planned(state="heating"), 2000.0, False),
        (planned(state="delayed"), 2000.0, True),
        (planned(state="not-flying"), 2000.0, False),
        (planned(verdict="late"), 2000.0, True),
        (planned(verdict="none"), 2000.0, False),
        (planned(verdict="never"), 2000.0, False),
        (planned(verdict="unknown"), 2000.0, False),
        (planned(switch_on_at=None), 2000.0, False),
        (replace(PLANNED, plan=None), 2000.0, False),
    ],
)
def test_a_plan_is_due_at_its_own_time_alone(departure: Departure, now_at: float, due: bool) -> None:
    assert plan_is_due(departure, now_at, began_at=500.0) is due


# -- the timer's test


def timer_tried(plugs: Mapping[float, Plug], until_s: float = 400.0) -> tuple[SwitchStep, list[str]]:
    """A test; plugs: what is known of the plug from an instant on."""
    watch, orders, t_s = ask(SwitchWatch(), "test", 0.0), [], 0.0
    while True:
        plug = [p for s, p in plugs.items() if s <= t_s][-1]
        found = step(watch, facts(t_s, plug), RULES)
        watch, orders = found.watch, [*orders, found.order]
        if found.test is not None or t_s >= until_s:
            return found, orders
        t_s += 15.0


def test_a_plug_that_goes_off_by_itself_in_time_passes() -> None:
    off = heard(1.0, 0.0, 122.0, on=False, off_s=121.0)
    found, orders = timer_tried({0.0: CONNECTED, 15.0: heard(1.0), 135.0: off})
    assert found.test is not None
    assert found.test.passed
    assert found.test.off_after_s == 121.0
    assert orders[0] == "on"
    assert set(orders[1:-1]) == {"hold"}
    assert orders[-1] == "off"


@pytest.mark.parametrize(
    ("plugs", "why"),
    [
        ({0.0: CONNECTED}, "no-answer"),
        ({0.0: CONNECTED, 15.0: heard(1.0)}, "stays-on"),
        ({0.0: CONNECTED, 15.0: heard(1.0), 30.0: heard(1.0, 0.0, 31.0, on=False, off_s=30.0)}, "early"),
        ({0.0: CONNECTED, 15.0: heard(1.0), 135.0: heard(1.0, on=False, off_s=121.0)}, "stays-on"),
        ({0.0: CONNECTED, 15.0: heard(1.0), 60.0: Plug(None)}, "link"),
        ({0.0: CONNECTED, 15.0: heard(1.0), 165.0: heard(1.0, 0.0, 161.0, off_s=160.0)}, "stays-on"),
    ],
)
def test_a_test_that_is_not_passed_says_why(plugs: Mapping[float, Plug], why: str) -> None:
    found, _ = timer_tried(plugs)
    assert found.test is not None
    assert not found.test.passed
    assert found.test.why == why
    assert found.order == "off"


# -- alarms


def alarms(watch: SwitchWatch, t_s: float, plug: Plug, **changes: Any) -> list[str]:
    return [a.kind for a in step(watch, facts(t_s, plug, **changes), RULES).alarms]


OFF = SwitchWatch(tested=True, off_s=0.0)


def test_power_after_off_is_an_alarm() -> None:
    assert alarms(OFF, 90.0, heard(-50.0, 480.0, 59.0, on=False)) == []  # may be of before
    assert alarms(OFF, 90.0, heard(-50.0, 480.0, 61.0, on=False)) == ["still-warming"]
    assert alarms(OFF, 90.0, heard(-50.0, 5.0, 61.0, on=False)) == []
    assert alarms(OFF, 200.0, heard(-50.0, 480.0, 61.0, on=False)) == []  # too old to say


def test_a_plug_that_says_it_is_on_after_off_is_an_alarm() -> None:
    assert alarms(OFF, 90.0, Plug(-100.0, True, 61.0, True)) == ["still-warming"]
    assert alarms(OFF, 90.0, Plug(-100.0, True, 61.0, False)) == []


def test_an_engine_that_warms_on_after_off_is_an_alarm_unless_something_else_warms_it() -> None:
    rises = {"cyl-1": 6.0, "cyl-2": 5.0}

    def kinds(signs: frozenset[SignKind], heating: bool | None, trends: Mapping[str, float]) -> list[str]:
        watch = OFF
        for t_s in range(0, 1500, 15):
            found = step(watch, facts(float(t_s), trends=trends, signs=signs, heating=heating), RULES)
            watch = found.watch
        return [a.kind for a in found.alarms]

    assert kinds(frozenset(), False, rises) == ["still-warming"]
    assert kinds(frozenset(), True, {}) == ["still-warming"]
    assert kinds(frozenset(), False, {"cyl-1": 1.0}) == []
    assert kinds(frozenset({SignKind.SUN}), False, rises) == []


def test_power_with_the_harness_unplugged_is_an_alarm() -> None:
    bare = points({"cyl-1": None, "cyl-2": None})
    watch = OFF
    for t_s in range(0, 60, 15):
        watch = step(watch, facts(float(t_s), heard(-50.0), points=bare), RULES).watch
    told = step(watch, facts(60.0, heard(-50.0, 480.0, 59.0), points=bare), RULES).alarms
    assert Alarm("power-unplugged", 0.0) in told
    assert alarms(watch, 60.0, heard(-50.0, 0.0, 59.0), points=bare) == []
    one = points({"cyl-1": None, "cyl-2": 5.0})
    assert "power-unplugged" not in alarms(watch, 60.0, heard(-50.0, 480.0, 59.0), points=one)
