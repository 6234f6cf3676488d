"""What the product says: rounding, times, chances, and messages a half-awake pilot can't misread."""

from __future__ import annotations

import contextvars
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from typing import Any, get_args

import msgspec
import pytest
import status_samples as samples
from hypothesis import given, settings
from hypothesis import strategies as st
from word_rules import NOBODY_SAYS, complaints

from probe_agent import words
from probe_agent.config import FAR_PLACES, NAMED_PLACES
from probe_agent.readings import Fault, State
from probe_agent.status import (
    AlertNow,
    LearnedNow,
    MissedNow,
    PlanNow,
    PlugNow,
    ProbeNow,
    StartNow,
    Status,
    utc_seconds,
    utc_text,
)
from probe_agent.switching import Refusal, Why
from probe_agent.words import About, Unit

UNITS: tuple[Unit, Unit] = ("C", "F")
TARGET_C, NEED_C = (45 - 32) / 1.8, (30 - 32) / 1.8


def shown(text: str) -> float:
    """The number in a temperature as said."""
    found = re.fullmatch(r"(minus |−)?(\d+(?:\.\d)?) °[CF]", text)
    assert found is not None, text
    return float(found[2]) * (-1 if found[1] else 1)


# -- temperatures


@settings(max_examples=500, deadline=None)
@given(
    c=st.one_of(st.floats(-60, 300), st.floats(TARGET_C - 1.2, TARGET_C + 1.2), st.floats(-2.5, 0.2)),
    limit_c=st.one_of(st.floats(-60, 300), st.sampled_from([TARGET_C, NEED_C, 7.0, -1.0, 60.0])),
    unit=st.sampled_from(UNITS),
    spoken=st.booleans(),
)
def test_a_temperature_is_never_rounded_up_across_a_limit(
    c: float, limit_c: float, unit: Unit, spoken: bool
) -> None:
    value = shown(words.temperature(c, unit, (limit_c, TARGET_C), spoken))
    limit = words.in_unit(limit_c, unit)
    if c < limit_c:
        assert value < limit
        assert value < shown(words.temperature(limit_c, unit, (limit_c,)))
    assert abs(value - words.in_unit(c, unit)) <= 0.5 + 1e-9


@pytest.mark.parametrize(
    ("c", "unit", "text"),
    [
        (7.2223, "C", "7.2 °C"),
        (7.2221, "C", "7.1 °C"),
        (TARGET_C, "F", "45.0 °F"),
        (TARGET_C - 1e-9, "F", "44.9 °F"),
        (6.0, "C", "6 °C"),
        (-0.04, "C", "minus 0.1 °C"),
        (-11.4, "C", "minus 11 °C"),
        (0.0, "F", "32.0 °F"),
    ],
)
def test_tenths_near_a_limit_whole_degrees_elsewhere(c: float, unit: Unit, text: str) -> None:
    limits = (TARGET_C, 0.0)
    assert words.temperature(c, unit, limits, spoken=True) == text


def test_minus_is_a_word_where_it_is_spoken() -> None:
    assert words.temperature(-6.0, "C") == "−6 °C"
    assert words.temperature(-6.0, "C", spoken=True) == "minus 6 °C"
    assert words.temperature(-0.2, "C") == "0 °C"
    assert words.temperature(None) == "unknown"


def test_differences_convert_without_the_32() -> None:
    assert words.difference(5.0, "F") == "9"
    assert words.difference(-5.0, "C") == "5"


# -- times


@settings(max_examples=300, deadline=None)
@given(
    low=st.integers(1_700_000_000, 1_900_000_000),
    to_mid=st.integers(0, 20_000),
    to_high=st.one_of(st.none(), st.integers(0, 20_000)),
)
def test_a_range_is_rounded_outward(low: int, to_mid: int, to_high: int | None) -> None:
    mid = low + to_mid
    high = None if to_high is None else mid + to_high
    early, middle, late = words.outward(low, mid, high)
    assert early <= low
    assert (late is None) == (high is None)
    if high is not None and late is not None:
        assert late >= high
        width_min = (high - low) / 60
        step = 60 * (1 if width_min < 20 else 5 if width_min <= 90 else 15)
        assert low - early < step
        assert late - high < step
        assert early % step == middle % step == late % step == 0
        assert early <= middle <= late


def test_a_weekday_stands_where_it_is_not_today() -> None:
    now = utc_seconds("2027-01-16T05:50:00Z")
    assert words.moment(now + 3600, "Europe/Oslo", now) == "07:50"
    assert words.moment(now + 20 * 3600, "Europe/Oslo", now) == "Sun 02:50"
    assert words.moment(now - 10 * 3600, "Europe/Oslo", now) == "Fri 20:50"
    assert words.moment(now + 30 * 86400, "Europe/Oslo", now) == "Mon 15 Feb 06:50"


@pytest.mark.parametrize(
    ("now", "at", "text"),
    [
        # Clocks go forward at 01:00 UTC on 28 March 2027 in Oslo, back on 31 October 2027.
        ("2027-03-27T22:30:00Z", "2027-03-28T05:00:00Z", "Sun 07:00"),
        ("2027-03-28T00:30:00Z", "2027-03-28T01:30:00Z", "03:30"),
        ("2027-03-28T21:30:00Z", "2027-03-28T22:30:00Z", "Mon 00:30"),
        ("2027-10-30T21:30:00Z", "2027-10-30T22:30:00Z", "Sun 00:30"),
        ("2027-10-30T12:30:00Z", "2027-10-31T00:30:00Z", "Sun 02:30 (the first)"),
        ("2027-10-31T00:30:00Z", "2027-10-31T01:30:00Z", "02:30 (the second)"),
        ("2027-10-31T05:00:00Z", "2027-10-31T22:30:00Z", "23:30"),
    ],
)
def test_the_fields_day_is_right_where_the_clocks_change(now: str, at: str, text: str) -> None:
    assert words.moment(utc_seconds(at), "Europe/Oslo", utc_seconds(now)) == text


# -- the forecast


def test_the_chance_counts_mornings() -> None:
    assert words.announced(samples.heating()) == (
        "Above target most likely about 08:35; 1 morning in 10 before 08:20, 1 in 10 later than 08:55."
    )


@pytest.mark.parametrize(
    ("state", "said"),
    [
        ("cold", "No: it needs preheat."),
        ("off", "Not ready: below target."),
        ("heating", "Not yet."),
        ("above-target", "Not yet."),
        ("ready", "Yes: soaked above target."),
        ("levelling-off", "No."),
        ("heater-stopped", "No."),
        ("too-hot", "Not judged while too hot."),
        ("probe-missing", "No: too cold."),
        ("cooling", "No: below target."),
        ("flown-cooling", "Yes, while above target."),
        ("engine-ran", "Yes, while above target."),
        ("engine-runs", "It runs already."),
        ("oil-out", "No: oil is out."),
    ],
)
def test_every_state_answers_whether_it_is_warm_enough(state: str, said: str) -> None:
    status = samples.STATES[state]()
    assert words.warm_enough(status) == said
    gone = msgspec.structs.replace(status, missing=("cyl-1",), coldest_c=9.0)
    assert words.warm_enough(gone) == "Not known."
    cold_too = msgspec.structs.replace(gone, coldest_c=4.0)
    assert words.warm_enough(cold_too) == "No: too cold."


def test_warm_by_itself_is_warm_enough_only_with_its_core() -> None:
    status = samples.cooling_above()
    assert words.warm_enough(status) == "No: its core is colder."
    maybe = msgspec.structs.replace(status, core_c=(3.0, 5.0, 8.0))
    assert words.warm_enough(maybe) == "Not sure: its core may be colder."
    assert words.next_action(status) == "Heat again if somebody flies, until it is called ready."
    through = msgspec.structs.replace(status, core_c=(7.0, 8.0, 9.0))
    assert words.warm_enough(through) == "Yes, while above target."
    assert words.next_action(through) == "Start while it is above target, or heat again."
    unknown = msgspec.structs.replace(status, core_c=None)
    assert words.warm_enough(unknown) == "Not sure: its core isn't known."


def test_heat_that_is_due_while_it_is_warm_says_why() -> None:
    warm = msgspec.structs.replace(samples.flown_cooling(), plan=samples.plan())
    assert words.next_action(warm) == (
        "Switch the heater on now, for a start at 09:00: by then it is too cold without heat."
    )
    assert words.next_action(samples.cold()) == "Switch the heater on by 07:10, for the start at 09:00."


def test_no_heat_needed_says_where_that_hangs_on_the_cover() -> None:
    plan = msgspec.structs.replace(samples.no_heat_planned(), start=samples.minutes_after(130))
    warm = msgspec.structs.replace(samples.flown_cooling(), plan=plan, hold_min=(150, 85))
    told = "Nothing to do: no heat is needed for 09:00"
    assert words.next_action(warm) == f"{told} if the cover stays on."
    for hold in ((150, 140), (150, None), None):
        assert words.next_action(msgspec.structs.replace(warm, hold_min=hold)) == f"{told}."


@pytest.mark.parametrize("state", ["flown-cooling", "engine-ran", "cooling", "off", "cold"])
def test_a_plan_whose_start_has_passed_asks_for_no_heat(state: str) -> None:
    for passed in (samples.plan(start=samples.minutes_after(-5)), samples.no_heat_planned()):
        late = msgspec.structs.replace(passed, start=samples.minutes_after(-5))
        said = words.next_action(msgspec.structs.replace(samples.STATES[state](), plan=late))
        assert "09:" not in said
        assert "06:45" not in said


def test_a_plug_that_went_off_by_itself_is_not_looked_for_in_the_cable() -> None:
    stopped = msgspec.structs.replace(samples.heater_stopped(), plug=samples.plug_off().plug)
    assert words.next_action(stopped).startswith("Look under Heater on the page why the plug went off")


def test_ready_says_what_it_leaves_open_of_the_core() -> None:
    assert words.core_beside(samples.ready()) == "Core likely still below target: a soak doesn't wait for it."
    doubtful = msgspec.structs.replace(samples.ready(), core_above_p=0.62)
    told = "Core likely still below target: a soak doesn't wait for it."
    told += " Above the preheat limit on 6 in 10 mornings."
    assert words.core_beside(doubtful) == told
    warm = msgspec.structs.replace(samples.ready(), core_c=(7.0, 9.0, 11.0))
    assert words.core_beside(warm) is None
    assert words.core_beside(samples.above_target()) is None


def test_warming_says_when_it_is_ready_as_far_as_that_is_announced() -> None:
    assert words.readiness(samples.heating()) == "After a soak ready, most likely about 09:05."
    by_core = msgspec.structs.replace(samples.heating(), ready_rule="core")
    assert words.readiness(by_core) == "Ready by the estimated core, most likely about 09:05."
    assert words.readiness(samples.sample()) == "Ready some time after that; when is open."
    assert words.readiness(samples.sample(p_reach=0.4, ready_at=samples.minutes_after(135))) is None
    assert words.readiness(samples.sample(above_p50=samples.minutes_after(-1))) is None


def test_an_open_end_says_if_it_gets_there() -> None:
    status = samples.sample(above_p90=None, p_reach=0.7)
    assert words.announced(status) == "Above target about 08:35 if it gets there; 3 in 10 that it doesn't."
    barely = samples.sample(above_p90=None, p_reach=0.1)
    told = "9 in 10 that it never gets above target; if it does, most likely about 08:35."
    assert words.announced(barely) == told
    stopped = msgspec.structs.replace(barely, state="heater-stopped")
    assert words.announced(stopped) == "9 in 10 that it never gets above target, unless heat comes back."
    likely = samples.sample(above_p90=None, p_reach=0.93)
    assert words.announced(likely) == "Above target most likely about 08:35; how much later is open."


def test_without_a_middle_it_says_where_it_levels_off_in_the_readers_unit() -> None:
    status = samples.levelling_off()
    assert words.announced(status) == ("Probably levels off near 4 °C, between 3 °C and 5 °C; target 7.2 °C.")
    assert words.announced(status, "F") == (
        "Probably levels off near 39 °F, between 37 °F and 41 °F; target 45.0 °F."
    )


def test_unknown_is_said() -> None:
    unknown = samples.sample(above_p10=None, above_p50=None, above_p90=None, p_reach=0.5)
    assert words.announced(unknown) == "Time unknown as yet."
    unlikely = msgspec.structs.replace(unknown, p_reach=0.0, plateau_c=None)
    assert words.announced(unlikely) == "Probably won't reach the target of 7.2 °C."
    assert "unknown, not measured" in words.core(samples.sample(core_c=None))
    assert "unknown" in words.coldest(unmeasured())


def test_a_past_instant_was_expected() -> None:
    late = samples.sample(
        above_p10=samples.minutes_after(-40),
        above_p50=samples.minutes_after(-20),
        above_p90=samples.minutes_after(15),
    )
    assert words.announced(late) == "Above target was expected about 06:30."
    over = samples.sample(State.READY, 9.0, above_until=(samples.minutes_after(-10), None, None))
    assert "was expected" in (words.readiness(over) or "")


@pytest.mark.parametrize(
    "state", sorted(set(samples.STATES) - {"heating", "levelling-off", "heater-stopped"})
)
def test_no_forecast_is_said_where_there_is_none(state: str) -> None:
    assert words.announced(samples.STATES[state]()) is None


def test_a_soak_that_waits_for_the_core_says_so() -> None:
    waiting = samples.sample(State.ABOVE_TARGET, 8.0, ready_at=None)
    assert words.readiness(waiting) == (
        "Ready only once the estimated core has passed the preheat limit; when is open."
    )
    due = samples.sample(State.ABOVE_TARGET, 8.0, ready_rule="core", ready_at=samples.minutes_after(60))
    assert words.readiness(due) == "Estimated core above the preheat limit about 07:50."


def test_every_verdict_is_whole_where_nothing_is_missing_any_more() -> None:
    back = samples.sample(State.PROBE_MISSING, missing=())
    assert words.verdict(back) == "Measured again; two values in a row are needed before they count."
    assert "No required place is measured" in words.verdict(unmeasured())


def unmeasured() -> Status:
    """A document whose aircraft has no required place."""
    return msgspec.structs.replace(samples.sample(State.PROBE_MISSING), coldest=None, coldest_c=None)


# -- plans

EVENING = {"now": "2027-01-15T18:40:00Z"}
"""Friday 19:40 on the field's clock."""


def told(kind: str, plan: PlanNow) -> tuple[str, str]:
    subject, body = words.message(kind, samples.sample(State.COLD, -6.0, plan=plan, **EVENING))
    check(subject, body)
    return subject, body


def test_the_evening_word_says_what_is_due_by_when_and_who_does_it() -> None:
    subject, body = told("evening", samples.plan())
    assert subject == "Magpie: heat needed for Sat 09:00"
    assert "heat must be on by Sat 05:20, to keep it on 9 mornings in 10" in body
    assert "Have the timer set before you leave the field." in body
    assert "Coldest point minus 6 °C (cylinder 3). Without heat about minus 11 °C by then." in body
    person = samples.plan(by="person", travel_min=30.0, contact="Robin, 555 0134", at_best=0.75)
    _, body = told("evening", person)
    assert "15 mornings in 20, which is the most this heat allows" in body
    assert "Set out by Sat 04:50. Reach them: Robin, 555 0134." in body


def test_unclear_and_none_are_said_as_what_they_are() -> None:
    subject, body = told("evening", samples.plan(need="unclear", chance=0.4))
    assert subject == "Magpie: heat for Sat 09:00: unclear"
    assert "whether heat is needed is unclear; to be sure, heat on by Sat 05:20" in body
    hangar = samples.plan(verdict="none", need="no", chance=0.02, switch_on=None, heated_hangar=True)
    subject, body = told("evening", hangar)
    assert subject == "Magpie: no heat needed for Sat 09:00"
    assert "A steadily heated hangar usually needs no heat." in body


def test_a_start_that_can_t_be_kept_says_by_how_much_and_what_would_help() -> None:
    subject, body = told("plan-late", samples.late_plan())
    assert subject == "Magpie: start Sat 09:00 about 25 min late"
    assert "about 25 min late, start Sat 09:25" in body
    assert "With cover and plugs on, start Sat 09:01" in body
    assert "next time heat 25 min earlier" in body
    subject, body = told("plan-late", samples.plan(verdict="never", switch_on=None))
    assert subject == "Magpie: start Sat 09:00 can't be kept"


def test_the_switch_on_word_is_an_instruction_and_combustion_is_attended() -> None:
    subject, body = told("switch-on", samples.plan(by="person", travel_min=30.0))
    assert subject == "Magpie: heater on at Sat 05:20"
    assert "Switch the heater on at Sat 05:20. Set out by Sat 04:50. Look at cord, cover and plugs" in body
    attended = samples.plan(by="pilot", attended=True, switch_on="2027-01-16T06:50:00Z")
    subject, body = told("switch-on", attended)
    assert subject == "Magpie: be there Sat 07:50, heat 50 min"
    assert "have somebody stay with it from lighting to shutting it off" in body


def test_a_timer_that_is_set_is_told_to_be_final() -> None:
    plan = samples.plan(timer=samples.minutes_after(-90))
    said = words.plan_answer(plan, "Europe/Oslo", utc_seconds(EVENING["now"]))
    assert "the timer is set for Sat 05:20" in said
    assert "changes now move the start, not the switch-on." in said


# -- messages

LINK = "https://magpie.a-club-of-a-long-name.example.org/hangar/page/answer/0123456789012345678901"
ABOUTS = (
    About(),
    About(link=LINK, asked=3, call="Robin at the field, 555 0134"),
    About(code="482913", next_at=utc_seconds(samples.NOW) + 7 * 86_400, asked=11),
    About(next_at=utc_seconds(samples.NOW) + 86_400, link=LINK),
)


def check(subject: str, body: str, name: str = "Magpie") -> None:
    """What holds for every message, whatever the facts."""
    assert complaints(subject, body, name) == []


_EXTREME_C = st.one_of(st.floats(-60, 200), st.sampled_from([-60.0, -0.04, 0.0, 7.22, 200.0]))
_SLUGS = st.sampled_from(
    [
        *NAMED_PLACES,
        *(f"cyl-{n}" for n in range(1, 19)),
        "other-" + "very-long-name-of-a-place-in-the-cowl"[:34],
    ]
)


# What doesn't hang on other draws is made once: hypothesis checks each strategy it meets anew.
_SOME_C = st.one_of(st.none(), _EXTREME_C)
_THREE_C = st.lists(_EXTREME_C, min_size=3, max_size=3)
_SOME_THREE_C = st.one_of(st.none(), st.tuples(*[_EXTREME_C] * 3))
_NAMES = st.lists(_SLUGS, min_size=1, max_size=19, unique=True)
_KINDS = st.sets(st.sampled_from(words.KINDS), max_size=3)
_AT = st.integers(-3000, 3000).map(samples.minutes_after)
_SOME_AT = st.one_of(st.none(), _AT)
_LATER = st.one_of(st.none(), st.integers(-3000, 14400).map(samples.minutes_after))
_SOME_SPAN = st.one_of(st.none(), st.tuples(_LATER, _LATER, _LATER))
_START = st.one_of(st.none(), st.builds(StartNow, _AT, st.one_of(st.none(), st.floats(-600, 600)), _LATER))
_MISSED_SINCE = st.integers(-3000, -20).map(samples.minutes_after)
_MISSED_UNTIL = st.integers(-19, 0).map(samples.minutes_after)
_BEFORE = st.sampled_from([None, *(s.value for s in State)])
_CHANCE = st.one_of(st.none(), st.floats(0, 1))
_SOME_W = st.one_of(st.none(), st.integers(0, 49_999).map(float))
_LATE_MIN = st.one_of(st.none(), st.floats(0, 900))


@st.composite
def statuses(draw: st.DrawFn) -> Status:
    """Any document the daemon could write, extremes included."""
    names = draw(_NAMES)
    probes = tuple(
        msgspec.structs.replace(
            samples.probe(p, draw(_SOME_C)),
            status=draw(st.sampled_from(["by-hand", "ok"])),
        )
        for p in names
    )
    probes = tuple(
        msgspec.structs.replace(p, status=draw(st.sampled_from([f.value for f in Fault])))
        if p.c is None
        else p
        for p in probes
    )
    known = [p for p in probes if p.c is not None]
    low = min(known, key=lambda p: p.c or 0.0, default=None)
    ends = sorted(draw(_THREE_C))
    changes: dict[str, Any] = {
        "probes": probes,
        "missing": tuple(p.place for p in probes if p.c is None),
        "coldest": low.place if low else None,
        "coldest_c": low.c if low else None,
        "unmeasured_far": draw(st.sampled_from([(), *FAR_PLACES.values()])),
        "plateau_c": draw(st.sampled_from([None, tuple(ends)])),
        "core_c": draw(st.sampled_from([None, tuple(ends)])),
        "p_reach": draw(st.floats(0, 1)),
        "ready_at": draw(_LATER),
        "ready_rule": draw(st.sampled_from(["soak", "core"])),
        "above_until": draw(_SOME_SPAN),
        "state_since": draw(_LATER),
        "zone": draw(st.sampled_from(["Europe/Oslo", "America/Anchorage", "Asia/Kathmandu"])),
        "heater": msgspec.structs.replace(
            samples.sample().heater,
            since=draw(_LATER),
            known_by=draw(st.sampled_from(["measured", "said", "curve", "nothing"])),
        ),
        "alerts": tuple(
            AlertNow(
                f"{k}:1",
                k,
                samples.minutes_after(draw(st.integers(-3000, 0))),
                True,
                p,
                ("seen",),
                asks_at=draw(_LATER),
                denied_at=draw(_LATER),
            )
            for k in draw(_KINDS)
            for p in draw(st.sets(st.one_of(st.none(), st.sampled_from(names)), max_size=2))
        ),
    }
    changes["plan"] = draw(plans(names)) if draw(st.booleans()) else None
    changes["start"] = draw(_START)
    changes["missed"] = None
    if draw(st.booleans()):
        changes["missed"] = MissedNow(
            draw(_MISSED_SINCE),
            draw(_MISSED_UNTIL),
            draw(_BEFORE),
            draw(st.sampled_from([None, *names])),
            draw(_SOME_C),
        )
    changes["plug"] = draw(plugs(names)) if draw(st.booleans()) else None
    state = draw(st.sampled_from(State))
    return msgspec.structs.replace(samples.sample(state), **changes)


@st.composite
def plugs(draw: st.DrawFn, names: tuple[str, ...]) -> PlugNow:
    """Any plug a daemon could tell of."""
    return PlugNow(
        wanted=draw(st.sampled_from([None, "owner", "plan", "test"])),
        on_at=draw(_SOME_AT),
        until=draw(_SOME_AT),
        confirmed=draw(st.booleans()),
        says=draw(st.sampled_from([None, "on", "off", "away"])),
        power_w=draw(_SOME_W),
        locked=draw(_SOME_AT),
        tested=draw(st.booleans()),
        test_failed=draw(st.sampled_from([None, "early", "stays-on", "no-answer", "place-lost"])),
        test_old=draw(st.booleans()),
        ended=draw(st.sampled_from([None, *get_args(Why)])),
        ended_at=draw(_SOME_AT),
        refused=draw(st.sampled_from([None, "record", *get_args(Refusal)])),
        place=draw(st.sampled_from([None, *names])),
    )


@pytest.mark.parametrize(("kind", "said"), [(Why, words.plug_ended), (Refusal, words.not_switched)])
def test_there_is_a_sentence_for_each_end_and_each_refusal(kind: Any, said: Callable[..., str]) -> None:
    for word in get_args(kind):
        sentence = said(word, "cyl-3")
        assert word != sentence
        assert "{" not in sentence
        assert " " in sentence


@settings(max_examples=200, deadline=None)
@given(status=statuses())
def test_how_the_plug_stands_is_said_whole(status: Status) -> None:
    said = words.plug_words(status)
    assert bool(said) is (status.plug is not None)
    for sentence in said:
        assert sentence.endswith(".")
        assert "None" not in sentence
        assert "  " not in sentence


def test_the_plug_is_told_as_it_stands() -> None:
    said = " ".join(words.plug_words(samples.plugged()))
    assert "Heater switched on at 05:20 by a person's press; it draws 480 W." in said
    assert "Off by itself at 11:20 at the latest." in said
    said = " ".join(words.plug_words(samples.plug_off()))
    assert "Off since 06:47: cylinder 3 was not measured for half a minute." in said
    said = " ".join(words.plug_words(samples.plug_off(says="on", locked=samples.minutes_after(-1))))
    assert "The plug says that it is on all the same." in said
    assert "someone is at the aircraft" in said
    said = " ".join(words.plug_words(samples.plug_off(tested=False, says="away")))
    assert "whether it is on isn't known" in said
    assert "Nothing is switched on: its timer is untested" in said


@st.composite
def plans(draw: st.DrawFn, names: tuple[str, ...]) -> PlanNow:
    """Any plan a daemon could make, and many it couldn't."""
    return samples.plan(
        start=draw(_AT),
        state=draw(st.sampled_from(["planned", "heating", "delayed", "did-not-start"])),
        verdict=draw(st.sampled_from(["none", "heat", "late", "never", "unknown", "making"])),
        need=draw(st.sampled_from(["yes", "no", "unclear"])),
        chance=draw(_CHANCE),
        certainty=draw(st.sampled_from([0.8, 0.9, 0.95])),
        at_best=draw(st.sampled_from([None, 0.5, 0.65, 0.8])),
        by=draw(st.sampled_from(["timer", "person", "pilot", "our-plug"])),
        attended=draw(st.booleans()),
        travel_min=draw(st.floats(0, 600)),
        cold_c=draw(_SOME_THREE_C),
        coldest_now=draw(st.one_of(st.none(), st.sampled_from(names))),
        coldest_now_c=draw(_SOME_C),
        missing=names[: draw(st.integers(0, 12))],
        air=draw(st.sampled_from(["forecast", "observed", "own-air", "nothing"])),
        switch_on=draw(_SOME_AT),
        timer=draw(_SOME_AT),
        earliest=draw(_SOME_AT),
        late_min=draw(_LATE_MIN),
        next_word=draw(_SOME_AT),
        contact=draw(st.sampled_from([None, "the club house, 555 0100", "w" * 40])),
        helps=samples.late_plan().helps[: draw(st.integers(0, 3))],
    )


@settings(max_examples=800, deadline=None)
@given(
    status=statuses(),
    kind=st.sampled_from(words.KINDS),
    unit=st.sampled_from(UNITS),
    which=st.integers(0, 20),
    about=st.sampled_from(ABOUTS),
)
def test_every_message_keeps_to_the_rules(
    status: Status, kind: str, unit: Unit, which: int, about: About
) -> None:
    if kind == "probe-missing" and which < len(status.probes):
        about = replace(about, place=status.probes[which].place)
    check(*words.message(kind, status, unit, about))


@pytest.mark.parametrize("unit", UNITS)
@pytest.mark.parametrize("kind", words.KINDS)
def test_the_longest_facts_fit(kind: str, unit: Unit) -> None:
    names = (*NAMED_PLACES, *(f"cyl-{n}" for n in range(10, 19)), "other-" + "w" * 34)
    status = msgspec.structs.replace(
        samples.ready(),
        aircraft="Magpie of the long valley behind the hill"[:40],
        missing=names,
        unmeasured_far=FAR_PLACES["cowl-heater"],
        coldest=names[-1],
        core_c=(-21.0, -20.0, -19.0),
        plateau_c=(-21.0, -20.0, -19.0),
        probes=tuple(samples.probe(n, -20.0, status="by-hand") for n in names),
    )
    core = msgspec.structs.replace(status, state="above-target", ready_rule="core")
    for about in ABOUTS:
        check(*words.message(kind, status, unit, about), status.aircraft)
        check(*words.message(kind, core, unit, about), status.aircraft)


@pytest.mark.parametrize("kind", words.KINDS)
@pytest.mark.parametrize("name", ["M", "Magpie", "Magpie of the long valley behind the hill"[:40]])
def test_the_fact_is_whole_however_long_the_name(kind: str, name: str) -> None:
    status = samples.sample(
        State.ABOVE_TARGET, -21.0, aircraft=name, missing=("cyl-1",), unmeasured_far=FAR_PLACES["fixed-pad"]
    )
    subject, body = words.message(kind, status, "F", About(place="accessory-case"))
    check(subject, body, name)
    begins, fact = subject.split(": ")
    assert name.startswith(begins)
    assert fact in {
        "above target where measured, minus 6 °F",
        "ready to start where measured, minus 6 °F",
        "ready where measured, minus 6 °F",
        "switch the heater off",
        "heat has stopped, minus 6 °F",
        "too hot, switch the heater off",
        "accessory case not measured",
        "unlikely to reach the target, minus 6 °F",
        "below target, minus 6 °F",
        "this setup heats unlike before",
        "heat needed for 09:00",
        "heater on at 05:20",
        "above target, minus 6 °F, not ready",
        "heater off, minus 6 °F",
        "no longer above target, minus 6 °F",
        "all points lost at 06:50, unplugged?",
        "test message, please answer",
        "warming slower than usual",
        "accessory case stays cold",
        "is somebody with the heater?",
        "off was said, still heating",
        "heater on, no power drawn, now off",
        "heater on, no probe warmer, now off",
        "unplugged, heater still on",
        "heater on, power unknown",
        "heater switched on just now, power unknown",
        "heat ended",
        "heat ended just now, switched off",
        "heat ended, switched off",
        "heat not switched on",
        "heat not switched on: the plug's timer is untested",
        "still measured, record not written",
        "still measured, record was damaged",
        "still measured, card keeps nothing",
    }


@pytest.mark.parametrize("unit", UNITS)
@pytest.mark.parametrize("state", samples.STATES)
def test_nothing_on_the_page_says_what_nobody_says(state: str, unit: Unit) -> None:
    status = samples.STATES[state]()
    said = [
        words.verdict(status, unit),
        words.coldest(status, unit),
        words.announced(status, unit) or "",
        words.core(status, unit),
        words.readiness(status, unit) or "",
        words.unmeasured(status) or "",
        words.next_action(status),
        words.heater_words(status),
        *words.cautions(status),
        *(words.alert(a, status, unit) for a in status.alerts),
        *(words.probe_words(p, status, unit) for p in status.probes),
    ]
    for text in said:
        assert not NOBODY_SAYS.search(text), text
        assert "None" not in text
        assert "evelling" not in text  # the product spells as in the US
    assert "estimated, not measured" in words.core(status, unit)


def test_an_unknown_kind_is_refused() -> None:
    with pytest.raises(ValueError, match="no message of kind tea"):
        words.message("tea", samples.ready())


def test_above_target_says_what_follows_and_what_silence_means() -> None:
    subject, body = words.message("above-target", samples.above_target())
    assert subject == "Magpie: coldest point above target, 7.4 °C"
    assert body.startswith("Sat 06:50. Coldest point 7.4 °C (cylinder 3), all 6 required points measured.")
    assert "Places without a probe may be colder." in body
    assert "Soak until 07:12, then ready." in body
    assert body.endswith("Next word when ready; if none comes, count the engine as not ready.")


def test_far_places_nobody_measures_are_named_in_subject_and_body() -> None:
    status = msgspec.structs.replace(samples.above_target(), unmeasured_far=FAR_PLACES["cowl-heater"])
    subject, body = words.message("above-target", status)
    assert subject == "Magpie: above target where measured, 7.4 °C"
    assert "crankcase top, crankcase nose and accessory case" in body
    assert "where measured" in words.verdict(status)


def test_readings_by_hand_are_named() -> None:
    status = msgspec.structs.replace(samples.by_hand(), state="above-target", coldest_c=8.0)
    assert "By hand: cylinder 2." in words.message("above-target", status)[1]


def test_ready_names_its_rule_and_the_cores_range() -> None:
    _, body = words.message("ready", samples.ready())
    assert "Ready by rule: soaked above target." in body
    assert "about 6 °C, between 4 °C and 8.0 °C: estimated, not measured." in body
    core = msgspec.structs.replace(samples.ready(), ready_rule="core")
    assert "Ready by rule: estimated core above the preheat limit." in words.message("ready", core)[1]


def test_a_heater_that_is_still_on_is_asked_about_again_at_a_named_time() -> None:
    status = samples.ready()
    assert "Ready since 05:20, and heat is still on." in words.message("switch-off", status)[1]
    asks = msgspec.structs.replace(status.alerts[0], asks_at=samples.minutes_after(15))
    body = words.message("switch-off", msgspec.structs.replace(status, alerts=(asks,)))[1]
    assert "I ask again, next at 07:05" in body


def test_a_heater_left_on_while_a_probe_is_lost_is_not_called_ready() -> None:
    status = msgspec.structs.replace(samples.probe_missing(), heater=samples.ready().heater)
    body = words.message("switch-off", status)[1]
    assert "Heat is still on, past its time." in body
    assert "cylinder 1 not measured" in body


def test_heat_that_our_plug_ended_sends_nobody_to_the_breaker() -> None:
    ours = msgspec.structs.replace(samples.heater_stopped(), plug=samples.plug_off(ended="oil-out").plug)
    supply = msgspec.structs.replace(samples.heater_stopped(), plug=samples.plug_off(ended="no-power").plug)
    assert words.alert(ours.alerts[0], ours).endswith("the oil is out.")
    assert "The plug went off: the oil is out." in words.message("heater-stopped", ours)[1]
    assert "breaker" not in words.message("heater-stopped", ours)[1]
    for status in (supply, samples.heater_stopped()):
        assert "breaker looked at" in words.alert(status.alerts[0], status)
        assert "breaker" in words.message("heater-stopped", status)[1]


def test_a_socket_without_power_is_only_said_where_it_is_measured() -> None:
    seen = samples.heater_stopped()
    heater = msgspec.structs.replace(seen.heater, known_by="measured", share=0.0)
    measured = msgspec.structs.replace(seen, heater=heater)
    assert "draws no power" not in words.message("heater-stopped", seen)[1]
    assert "since 06:20 and the socket draws no power." in words.message("heater-stopped", measured)[1]


def test_a_lost_place_says_since_when_and_why() -> None:
    subject, body = words.message("probe-missing", samples.probe_missing(), about=About(place="cyl-1"))
    assert subject == "Magpie: cylinder 1 not measured since 06:12"
    assert "Cylinder 1: its thermocouple is open." in body
    flickers = samples.sample(State.PROBE_MISSING)
    assert "its values come and go" in words.message("probe-missing", flickers, about=About(place="cyl-1"))[1]


@pytest.mark.parametrize("fault", Fault)
def test_every_fault_is_a_clause_of_its_own(fault: Fault) -> None:
    text = words.fault_words(fault.value)
    assert text != fault.value
    assert " " in text


def test_places_are_called_as_people_do() -> None:
    assert words.place_name("cyl-12") == "cylinder 12"
    assert words.place_name("other-left-mag") == "left mag"
    assert all("-" not in words.place_name(p) for p in NAMED_PLACES)
    assert words.place_list([]) == ""
    assert words.place_list(["sump"]) == "sump"
    assert words.place_list(["cyl-1", "cyl-2", "sump"]) == "cylinder 1, cylinder 2 and sump"


def test_a_probe_near_heat_says_that_it_does_not_count() -> None:
    near: ProbeNow = samples.sample().probes[0]
    assert words.probe_words(near, samples.sample()) == "6 °C, near heat, not counted, up 14 an hour"


def test_the_documents_instant_is_its_own() -> None:
    assert utc_text(words.now_of(samples.heating())) == samples.NOW


# -- what was learned


def test_a_probe_that_reads_the_heater_says_what_it_counts_as_and_why() -> None:
    status = samples.sample()
    place = samples.probe("cyl-3", 8.0, counted_c=6.0, reads_heater_c=2.0, trend_c_per_h=None)
    assert (
        words.probe_words(place, status)
        == "8.0 °C, counted as 6 °C: it read the heater by 2 °C at the last heater-off"
    )
    assert (
        words.probe_words(msgspec.structs.replace(place, c=20.0, counted_c=18.0), status, "F")
        == "68 °F, counted as 64 °F: it read the heater by 4 °F at the last heater-off"
    )


@pytest.mark.parametrize(
    ("first", "heat_ups", "said"),
    [
        (True, 0, "First heat-up of this setup: the range is wide on purpose."),
        (False, 1, "The range rests on one heat-up of this setup."),
        (False, 12, "The range rests on 12 heat-ups of this setup."),
        (False, 0, None),
    ],
)
def test_the_range_says_on_what_it_rests(first: bool, heat_ups: int, said: str | None) -> None:
    learned = LearnedNow(heat_ups=heat_ups)
    status = samples.sample(first_of_setup=first, learned=learned)
    assert words.rests_on(status) == said
    assert words.rests_on(msgspec.structs.replace(status, state="ready")) is None


@pytest.mark.parametrize(
    ("judged", "within_min", "inside", "said"),
    [
        (0, None, 0, None),
        (
            10,
            3.2,
            8,
            "In the last ten heat-ups, halfway: within 4 min in half of them, eight inside the range.",
        ),
        (
            2,
            0.4,
            0,
            "In the last two heat-ups, halfway: within 1 min in half of them, none inside the range.",
        ),
        (
            3,
            None,
            1,
            "In the last three heat-ups, halfway: off more than can be said in half of them, "
            "one inside the range.",
        ),
        (1, 12.0, 1, "In the last heat-up, halfway: off by 12 min, the truth inside the range."),
        (1, None, 0, "In the last heat-up, halfway: the forecast said never, the truth outside the range."),
    ],
)
def test_how_forecasts_were_borne_out(
    judged: int, within_min: float | None, inside: int, said: str | None
) -> None:
    assert words.borne_out(judged, within_min, inside) == said


def test_a_change_is_said_whole_and_only_where_there_is_one() -> None:
    changed = LearnedNow(changed="the heater gives 14 % less than a month ago")
    status = samples.sample(learned=changed)
    assert words.changed(status) == (
        "The last heat-up was unlike those before it: the heater gives 14 % less than a month ago."
    )
    assert words.changed(samples.sample(learned=LearnedNow())) is None
    assert words.changed(samples.sample()) is None
    subject, body = words.message("setup-changed", status)
    check(subject, body)
    assert "the heater gives 14 percent less than a month ago. " in body


def test_word_of_what_is_being_worked_out() -> None:
    assert words.relearning((3, 12), True) == (
        "What earlier heat-ups taught is being worked out again (3 of 12); "
        "until then the range is as wide as for a first one."
    )
    assert words.relearning(None, False).endswith("again; until then the old holds.")
    assert words.exclusion(7, True, False).startswith("Heat-up 7 no longer counts.")
    assert words.exclusion(7, True, True) == "Heat-up 7 is left out already."
    assert words.exclusion(7, False, True).startswith("Heat-up 7 counts again.")


class Lesson:
    """What one heat-up taught."""

    def __init__(self, clean: bool, censored: bool = False, why: str = "", changed: str = "") -> None:
        self.clean, self.censored, self.why, self.changed = clean, censored, why, changed


@pytest.mark.parametrize(
    ("lesson", "excluded", "said"),
    [
        (None, False, "not yet"),
        (None, True, "left out"),
        (Lesson(True), True, "left out"),
        (Lesson(True), False, "learned"),
        (Lesson(True, censored=True), False, "learned, up to where it was stopped"),
        (Lesson(True, changed="a band is loose"), False, "learned; a band is loose"),
        (Lesson(False, why="nothing rose by 5 °C"), False, "not learned from: nothing rose by 5 °C"),
        (Lesson(False, why="cyl-3 was not believed"), False, "not learned from: cylinder 3 was not believed"),
        (Lesson(False), False, "not learned from"),
    ],
)
def test_what_a_heat_up_taught(lesson: Lesson | None, excluded: bool, said: str) -> None:
    assert words.taught(lesson, excluded) == said


def test_the_clock_of_twelve_hours_is_the_pages_own_and_messages_keep_theirs() -> None:
    def by_twelve() -> list[str]:
        words.show_clock("12")
        at = [utc_seconds(f"2027-01-16T{hour}:05:00Z") for hour in ("23", "11", "05")]
        return [words.moment(t, "UTC", at[2]) for t in at] + [words.stamp(at[0], "UTC")]

    told = contextvars.copy_context().run(by_twelve)
    assert told == ["11:05 pm", "11:05 am", "5:05 am", "Sat 11:05 pm"]
    noon, midnight = (datetime(2027, 1, 16, hour, 0) for hour in (12, 0))  # noqa: DTZ001

    def ends() -> tuple[str, str]:
        words.show_clock("12")
        return words.hour(noon), words.hour(midnight)

    assert contextvars.copy_context().run(ends) == ("12:00 pm", "12:00 am")
    assert words.moment(utc_seconds("2027-01-16T23:05:00Z"), "UTC", 0).endswith("23:05")


@pytest.mark.parametrize(
    ("place", "short"),
    [("cyl-3", "cyl 3"), ("case-top", "case top"), ("ambient", "air"), ("accessory-case", "accessories")],
)
def test_short_names_fit_the_end_of_a_line(place: str, short: str) -> None:
    assert words.place_short(place) == short


def test_an_answer_that_the_curve_contradicted_is_told_with_its_time() -> None:
    asked = samples.alert("switch-off", -5, harm=True)
    denied = msgspec.structs.replace(asked, denied_at=samples.minutes_after(-1))
    assert words.alert(denied, samples.heating()).endswith(
        '"It is off" was said at 06:49, but it still warms.'
    )
    answered = msgspec.structs.replace(denied, answered="it-is-off")
    assert "still warms" not in words.alert(answered, samples.heating())
