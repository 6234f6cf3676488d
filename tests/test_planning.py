"""Plans: whether heat is needed, when it goes on, what is said of it and when it is worked out anew."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_answers import engine, falling, steady, two_nodes

from probe_agent import planning
from probe_agent.config import SettingsError, parse_settings
from probe_agent.planning import Departure, Plan, PlanRules, Snapshot, Told
from probe_agent.readings import Weather, WeatherHour
from probe_agent.thermal.ahead import AirAhead, AirKnown
from probe_agent.thermal.air import AirForecast
from probe_agent.thermal.answers import Outlook

HOUR = 3600.0
EVENING = datetime(2026, 12, 4, 20, 0, tzinfo=UTC).timestamp()
"""Friday 20:00 UTC, run second 0; in Oslo it is 21:00."""
ORDER = {"no": 0, "unclear": 1, "yes": 2}
RULES = PlanRules(limit_c=(30 - 32) / 1.8, soak_s=1800.0, core_c=None, core_share=0.5, zone="Europe/Oslo")


@pytest.fixture(autouse=True)
def _told_air(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where a test gives the paths of the coming air itself, these are taken as they are."""
    real = planning.air_ahead

    def ahead(known: AirKnown, now_s: float, until_s: float, samples: int) -> AirAhead:
        if isinstance(known, GivenAir):
            return AirAhead(known.paths, "forecast", issued_s=now_s - HOUR)
        return real(known, now_s, until_s, samples)

    monkeypatch.setattr(planning, "air_ahead", ahead)


@dataclass(frozen=True)
class GivenAir(AirKnown):
    """An air whose coming paths a test gives."""

    paths: AirForecast = field(default_factory=lambda: steady(-12.0))


def snapshot(outlook: Outlook | None, air: AirForecast | AirKnown | None = None, **more: Any) -> Snapshot:
    told = {"coldest": "cyl-3", "coldest_c": -4.0, "heating": False} | more
    own = told.pop("own", ())
    known = GivenAir(own=own, paths=air) if isinstance(air, AirForecast) else air or AirKnown()
    return Snapshot(EVENING, EVENING, outlook, known, **told)


def departure(hours: float = 13.0, **more: Any) -> Departure:
    told = {"by": "timer"} | more
    return Departure(1, EVENING + hours * HOUR, EVENING, **told)


def at(plan: Plan) -> float:
    """The switch-on told; as much before now as the start is late, where it is."""
    if plan.verdict in ("none", "unknown"):
        return math.inf
    if plan.verdict == "heat":
        assert plan.switch_on_at is not None
        return plan.switch_on_at
    return EVENING - (plan.late_s if plan.late_s is not None else math.inf)


# -- whether heat is needed


@pytest.mark.parametrize(("off_c", "need"), [(-0.02, "yes"), (0.02, "no")])
def test_the_limit_is_30_fahrenheit_to_the_hundredth(off_c: float, need: str) -> None:
    """30 °F and 45 °F: the usual limits (common practice, no source). Fahrenheit by its definition: 32 °F is
    0 °C and 212 °F is 100 °C, so 30 °F is −10/9 °C and 45 °F is 65/9 °C."""
    told = parse_settings(b"[limits]\nneed_below_f = 30\ntarget_f = 45\n", "test.toml")
    rules = replace(planning.plan_rules(told, "UTC"), stands="unheated")
    assert rules.limit_c == pytest.approx(-10 / 9, abs=1e-12)
    assert told.limits.target_c == pytest.approx(65 / 9, abs=1e-12)
    cold = engine(start_c=-10 / 9 + off_c, air_c=-10 / 9 + off_c)
    found = planning.plan(departure(), snapshot(cold, steady(-10 / 9 + off_c)), rules)
    assert found.need == need


def test_a_night_on_the_edge_is_unclear_and_says_its_chance() -> None:
    found = planning.plan(departure(), snapshot(engine(start_c=0.0, air_c=0.0), falling(0.0, 4.0)), RULES)
    assert found.need == "unclear"
    assert found.chance is not None
    assert 0.1 < found.chance < 0.9
    assert found.verdict == "heat"
    assert found.coldest_c is not None
    assert found.coldest_c[0] < RULES.limit_c < found.coldest_c[2]


def test_a_steadily_heated_hangar_needs_no_heat_and_says_what_that_rests_on() -> None:
    rules = replace(RULES, stands="heated")
    own = tuple((HOUR * h, 12.0 + 0.3 * math.sin(h)) for h in range(-48, 1))
    known = AirKnown(own=own, stands="heated")
    found = planning.plan(departure(), snapshot(engine(start_c=12.0, air_c=12.0), known), rules)
    assert (found.need, found.verdict, found.switch_on_at) == ("no", "none", None)
    assert found.rests.heated_hangar


def test_three_hours_after_flight_a_soon_start_needs_none_and_the_morning_does() -> None:
    warm = snapshot(engine(start_c=22.0, air_c=-10.0), steady(-10.0), flown=True, coldest_c=22.0)
    soon = planning.plan(departure(1.0), warm, RULES)
    assert (soon.need, soon.verdict) == ("no", "none")
    assert soon.rests.flown
    assert planning.plan(departure(13.0), warm, RULES).need == "yes"


@given(certainty=st.sampled_from([0.8, 0.9, 0.95]), start_c=st.floats(5.0, 40.0))
@settings(max_examples=15, deadline=None)
def test_a_missing_required_place_never_gives_no(certainty: float, start_c: float) -> None:
    warm = snapshot(engine(start_c=start_c, air_c=start_c), steady(start_c), missing=("cyl-1",))
    found = planning.plan(departure(certainty=certainty), warm, RULES)
    assert found.need != "no"
    assert found.rests.missing == ("cyl-1",)


def test_nothing_measured_is_unclear_and_no_number() -> None:
    found = planning.plan(departure(), snapshot(None, coldest=None, coldest_c=None), RULES)
    assert (found.need, found.chance, found.verdict) == ("unclear", None, "unknown")


def test_the_manual_s_limit_of_air_and_hours_counts_besides() -> None:
    """Air below −7 °C for 2 h or more, as some manuals have it; the metal stays far above its own limit."""
    rules = replace(RULES, air_below_c=-7.0, air_s=2 * HOUR)
    warm = engine(start_c=45.0, air_c=-10.0)
    for past_h, need in ((3.0, "yes"), (0.4, "no")):
        past = tuple((600.0 * k - past_h * HOUR, 1.0 if k == 0 else -10.0) for k in range(3))
        asked = snapshot(warm, steady(-10.0), air_now_c=-10.0, own=past)
        found = planning.plan(departure(1.0), asked, rules)
        assert found.need == need, past_h
        assert found.by_air == (need == "yes")


def test_the_manual_s_limit_is_given_whole_or_not_at_all() -> None:
    with pytest.raises(SettingsError, match="belong together"):
        parse_settings(b"[limits]\nneed_air_below_c = -7\n", "test.toml")


def test_need_rests_near_its_limit_and_doubts_at_once_beyond() -> None:
    def need(chance: float, before: str | None) -> str:
        stood = None if before is None else planning.Plan(0.0, before, None, planning.Rests(), "none")  # type: ignore[arg-type]
        return planning._need(chance, 0.9, stood, False)

    assert [need(c, None) for c in (0.1, 0.101, 0.899, 0.9)] == ["no", "unclear", "unclear", "yes"]
    assert [need(c, "no") for c in (0.13, 0.15)] == ["no", "unclear"]
    assert [need(c, "yes") for c in (0.87, 0.85)] == ["yes", "unclear"]
    assert need(0.13, "unclear") == "unclear"


# -- when heat goes on


@given(
    hours=st.floats(1.0, 15.0),
    air_c=st.floats(-22.0, 4.0),
    fall_c=st.floats(0.0, 6.0),
    start_c=st.floats(-5.0, 25.0),
    travel_min=st.floats(0.0, 90.0),
)
@settings(max_examples=30, deadline=None)
def test_more_certainty_is_never_later_nor_less_need(
    hours: float, air_c: float, fall_c: float, start_c: float, travel_min: float
) -> None:
    asked = snapshot(engine(start_c=air_c + max(start_c, 0.0), air_c=air_c), falling(air_c, fall_c))
    plans = [
        planning.plan(departure(hours, certainty=c, by="pilot", travel_s=60 * travel_min), asked, RULES)
        for c in (0.8, 0.9, 0.95)
    ]
    needs = [ORDER[p.need] for p in plans if p.need != "yes"]
    assert needs == sorted(needs)
    assert sorted(map(at, plans), reverse=True) == [at(p) for p in plans]


def test_whoever_switches_must_get_there_first() -> None:
    """The pilot, an hour away and asking too late, is told the earliest start, heated from the arrival on."""
    cold = snapshot(engine(), steady(-12.0))
    at_field = planning.plan(departure(2.0, by="timer"), cold, RULES)
    away = planning.plan(departure(2.0, by="pilot", travel_s=HOUR), cold, RULES)
    assert at_field.verdict == away.verdict == "late"
    assert away.switch_on_at == EVENING + HOUR
    assert away.start_at is not None
    assert at_field.start_at is not None
    assert away.start_at == pytest.approx(at_field.start_at + HOUR, abs=120.0)
    assert away.late_s == pytest.approx(away.start_at - departure(2.0).start_at, abs=61.0)


def test_what_would_help_is_worked_out() -> None:
    rules = replace(RULES, cover_missing=True, plugs_missing=True)
    found = planning.plan(departure(2.0, certainty=0.95), snapshot(engine(), steady(-12.0)), rules)
    helps = {h.kind: h for h in found.helps}
    assert found.start_at is not None
    assert helps["earlier"].by_s == pytest.approx(found.late_s, abs=planning.STEP_S)
    for kind in ("cover", "certainty"):
        if kind in helps:
            assert helps[kind].start_at is not None
            assert departure(2.0).start_at <= helps[kind].start_at < found.start_at - planning.LATE_S
    assert "cover" in helps
    covered = planning.plan(departure(2.0, certainty=0.95), snapshot(engine(), steady(-12.0)), RULES)
    assert "cover" not in {h.kind for h in covered.helps}


def test_a_certainty_that_can_t_be_had_is_answered_by_the_best_that_can() -> None:
    """A heater too weak on a third of the mornings: nothing keeps 9 in 10, 13 in 20 can be had."""
    weak = engine()
    weak = replace(weak, level=np.where(np.arange(64) < 21, 0.05, 1.0))
    found = planning.plan(departure(), snapshot(weak, steady(-12.0)), RULES)
    assert found.verdict == "heat"
    assert found.at_best == 0.65
    none = planning.plan(departure(), snapshot(replace(weak, level=0.05), steady(-12.0)), RULES)
    assert (none.verdict, none.switch_on_at) == ("never", None)


def test_a_timer_that_is_set_stays_and_the_start_moves() -> None:
    cold = snapshot(engine(), steady(-12.0))
    wished = departure()
    first = planning.plan(wished, cold, RULES)
    assert first.switch_on_at is not None
    left = replace(wished, timer_at=first.switch_on_at, plan=first)
    same = planning.plan(left, cold, RULES)
    assert (same.verdict, same.switch_on_at) == ("heat", first.switch_on_at)
    sooner = planning.plan(planning.moved(left, left.start_at - 1.5 * HOUR, EVENING), cold, RULES)
    assert (sooner.verdict, sooner.switch_on_at) == ("late", first.switch_on_at)
    assert sooner.start_at == pytest.approx(left.start_at, abs=900.0)
    colder = planning.plan(left, replace(cold, air=GivenAir(paths=falling(-12.0, 10.0))), RULES)
    assert (colder.verdict, colder.switch_on_at) == ("late", first.switch_on_at)


def test_heat_that_is_on_moves_the_start_alone() -> None:
    """Heat is seen two hours before the start: from now on, whatever was planned."""
    found = planning.plan(departure(2.0), snapshot(engine(), steady(-12.0), heating=True), RULES)
    assert found.switch_on_at == EVENING
    assert found.verdict == "late"


def test_a_start_that_passed_is_planned_as_soon_as_may_be() -> None:
    gone = replace(departure(-0.5), state="did-not-start", changed_at=EVENING)
    found = planning.plan(gone, snapshot(engine(), steady(-12.0)), RULES)
    assert found.verdict == "late"
    assert found.start_at is not None
    assert found.late_s == pytest.approx(found.start_at - gone.start_at, abs=61.0)
    assert "earlier" not in {h.kind for h in found.helps}


@pytest.mark.parametrize(
    ("before_h", "wanted_h", "told_h"),
    [
        (5.0, 4.95, 5.0),  # three minutes sooner: it rests
        (5.0, 4.9, 4.8333),  # six minutes sooner: at once, on its step
        (5.0, 5.2, 5.0),  # twelve minutes later: it rests
        (5.0, 5.34, 5.3333),  # twenty minutes later
        (0.9, 1.4, 0.9),  # somebody is on the way already
        (None, 5.0, 5.0),
    ],
)
def test_a_switch_on_rests(before_h: float | None, wanted_h: float, told_h: float) -> None:
    now = planning.STEP_S * 1000
    before = None if before_h is None else now + before_h * HOUR
    assert planning.settled(before, now + wanted_h * HOUR, now, now) == pytest.approx(
        now + told_h * HOUR, abs=1.0
    )


def test_a_plan_costs_little() -> None:
    """A whole plan of 256 samples and eight places stays below half a second of processor time."""
    import time

    asked = snapshot(engine(samples=256, n=8, spread=0.6), steady(-12.0))
    costs = []
    for _ in range(3):
        begin = time.process_time()
        planning.plan(departure(), asked, RULES)
        costs.append(time.process_time() - begin)
    assert min(costs) <= 0.5


# -- when it is worked out anew


def test_it_is_worked_out_anew_at_the_quarter_hour_on_news_and_when_the_curve_leaves_it() -> None:
    quarter = EVENING // 900 * 900
    cold = replace(snapshot(engine(), steady(-12.0)), now_at=quarter, basis="a")
    planned = departure()
    assert planning.is_due(planned, quarter, -12.0, "a")
    planned = replace(planned, plan=planning.plan(planned, cold, RULES))
    assert not planning.is_due(planned, quarter + 899, -12.0, "a")
    assert planning.is_due(planned, quarter + 900, -12.0, "a")
    assert planning.is_due(planned, quarter + 60, -12.0, "b")
    assert planning.is_due(planned, quarter + 60, -10.5, "a")
    assert planning.is_due(planned, quarter - 3600, -12.0, "a")
    assert not planning.is_due(planned, quarter + 60, None, "a")
    hour = EVENING // 3600 * 3600
    assert planned.plan is not None
    far = replace(planned, start_at=hour + 3 * 86_400, plan=replace(planned.plan, made_at=hour))
    assert not planning.is_due(far, hour + 3599, None, "a")
    assert planning.is_due(far, hour + 3600, None, "a")


def test_the_ready_rule_of_the_settings_counts() -> None:
    soak = planning.plan_rules(parse_settings(b"[limits]\nsoak_min = 45\n", "t"), "UTC").ready(1200.0)
    assert (soak.soak_s, soak.core_share, soak.uncovered_s) == (2700.0, 0.5, 1200.0)
    text = b'[limits]\nready_rule = "core"\ncore_certainty = 0.8\n'
    core = planning.plan_rules(parse_settings(text, "t"), "UTC").ready(600.0)
    assert (core.soak_s, core.core_share, core.uncovered_s) == (0.0, 0.8, 600.0)
    assert core.core_c == soak.core_c == pytest.approx(-10 / 9)


# -- what becomes of it


def test_what_becomes_of_a_departure() -> None:
    planned = departure(1.0)
    assert planning.followed(planned, EVENING, False, False, True) is planned
    assert planning.followed(planned, EVENING, True, True, True).state == "heating"
    assert planning.followed(planned, EVENING, True, True, False).state == "planned"
    heated = replace(planned, state="heating")
    assert planning.followed(heated, EVENING, False, True, True) is heated, "its heat-up may go on"
    assert planning.followed(heated, EVENING, False, False, True).state == "planned"
    late = planned.start_at + planning.PASSED_AFTER_S
    assert planning.followed(planned, late - 1, False, False, True).state == "planned"
    assert planning.followed(planned, late, False, False, True).state == "passed"
    assert planning.followed(planned, late, True, True, True).state == "heating"
    again = replace(planned, state="did-not-start", changed_at=late)
    assert planning.followed(again, late + 60, False, False, True).state == "did-not-start"
    over = replace(planned, state="started")
    assert planning.followed(over, late, True, True, True) is over


def test_the_next_departure_is_the_open_one_that_comes_first() -> None:
    first, second = departure(2.0), replace(departure(1.0), number=2)
    assert planning.next_of([first, second]) is second
    assert planning.next_of([first, replace(second, state="started")]) is first
    assert planning.next_of([]) is None


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ({"hours": -0.1}, "past"),
        ({"hours": 15 * 24.0}, "two weeks"),
        ({"attended": True, "by": "timer"}, "never left alone"),
        ({"attended": True, "by": "our-plug"}, "never left alone"),
    ],
)
def test_what_can_t_be_planned_is_refused_with_a_sentence(more: dict[str, Any], says: str) -> None:
    refusal = planning.wished(departure(**more), EVENING)
    assert refusal is not None
    assert says in refusal


# -- what is told


def planned(hours: float, switch_on_h: float | None = None, **more: Any) -> Departure:
    """A departure with a plan that nobody worked out: for when words are due."""
    told = {"by": "person", "travel_s": 1800.0} | more
    on = None if switch_on_h is None else EVENING + switch_on_h * HOUR
    made = Plan(EVENING, "yes", 0.97, planning.Rests(), "heat", switch_on_at=on)
    return Departure(1, EVENING + hours * HOUR, EVENING, plan=made, **told)


def said(departure: Departure, hours: float, heated: bool = False) -> tuple[Departure, list[str]]:
    if heated:
        departure = replace(departure, state="heating")
    departure, found = planning.words_due(departure, EVENING + hours * HOUR, RULES)
    return departure, [word.kind for word in found]


def test_the_evening_word_goes_out_once_at_the_evening_s_time_on_the_field_s_clock() -> None:
    """Start Sunday 10:00 in Oslo: the word is due Saturday 19:30 there, 18:30 UTC."""
    sunday = planned(37.0, 33.5)
    due_h = 22.5
    assert planning.evening_at(sunday, RULES) == EVENING + due_h * HOUR
    sunday, kinds = said(sunday, due_h - 0.01)
    assert kinds == []
    sunday, kinds = said(sunday, due_h)
    assert kinds == ["evening"]
    for minutes in range(1, 30):
        sunday, kinds = said(sunday, due_h + minutes / 60)
        assert kinds == []


def test_a_plan_made_after_the_evening_s_time_is_told_at_once() -> None:
    _, kinds = said(planned(13.0, 9.0), 0.0)
    assert kinds == ["evening"]


def test_whoever_switches_is_told_in_time_to_get_there() -> None:
    """Half an hour's way and a quarter of an hour to set out: 45 min before the switch-on; a timer is not
    spoken to, and the person alone is."""
    morning, _ = said(planned(13.0, 9.0), 0.0)
    morning, kinds = said(morning, 8.24)
    assert kinds == []
    told, found = planning.words_due(morning, EVENING + 8.25 * HOUR, RULES)
    assert [(w.kind, w.to) for w in found] == [("switch-on", "person")]
    assert said(told, 8.3)[1] == []
    assert said(morning, 8.3, heated=True)[1] == []
    timer, _ = said(planned(13.0, 9.0, by="timer"), 0.0)
    assert said(timer, 8.5)[1] == []
    at_once, found = planning.words_due(planned(13.0, 0.5), EVENING, RULES)
    assert [(w.kind, w.to) for w in found] == [("switch-on", "all")]
    assert said(at_once, 0.1)[1] == []
    pilot, _ = said(planned(13.0, 9.0, by="pilot"), 0.0)
    _, found = planning.words_due(pilot, EVENING + 8.25 * HOUR, RULES)
    assert [(w.kind, w.to) for w in found] == [("switch-on", "all")]


def test_a_change_that_matters_is_told_and_others_aren_t() -> None:
    evening, _ = said(planned(13.0, 9.0), 0.0)
    assert evening.plan is not None

    def changed(**to: Any) -> list[str]:
        assert evening.plan is not None
        return said(replace(evening, plan=replace(evening.plan, **to)), 1.0)[1]

    assert changed(switch_on_at=EVENING + 8.8 * HOUR) == []
    assert changed(switch_on_at=EVENING + 8.3 * HOUR) == []
    assert changed(switch_on_at=EVENING + 8.25 * HOUR) == ["evening"]
    assert changed(switch_on_at=EVENING + 10.4 * HOUR) == []
    assert changed(switch_on_at=EVENING + 10.5 * HOUR) == ["evening"]
    assert changed(need="unclear") == []
    assert changed(need="no", verdict="none", switch_on_at=None) == ["evening"]
    assert changed(verdict="late", late_s=1200.0) == ["plan-late"]
    assert changed(verdict="late", late_s=600.0) == []
    assert changed(verdict="never", switch_on_at=None) == ["plan-late"]
    assert changed(verdict="late", late_s=600.0, switch_on_at=EVENING + 2 * HOUR) == [], "as soon as may be"
    warm = replace(evening, plan=replace(evening.plan, need="no", verdict="none", switch_on_at=None))
    assert said(warm, 1.0, heated=True)[1] == [], "while it is heated, the heat-up's own words say more"
    left = replace(evening, timer_at=EVENING + 9 * HOUR)
    assert left.plan is not None
    moved_on = replace(left, plan=replace(left.plan, switch_on_at=EVENING + 8 * HOUR))
    assert said(moved_on, 1.0)[1] == []


def test_a_start_that_slips_on_and_on_is_told_a_few_times_at_most() -> None:
    slipping, _ = said(planned(13.0, 9.0, by="timer"), 0.0)
    kinds: list[str] = []
    for quarter in range(1, 48):
        assert slipping.plan is not None
        late = replace(slipping.plan, verdict="late", late_s=900.0 * quarter)
        slipping, more = said(replace(slipping, plan=late), quarter / 4)
        kinds += more
    assert kinds == ["plan-late"] * (planning.MOST_WORDS - 1)


def test_words_have_keys_of_their_own() -> None:
    told = planned(13.0, 9.0)
    told, first = planning.words_due(told, EVENING, RULES)
    _, second = planning.words_due(told, EVENING + 8.5 * HOUR, RULES)
    keys = [w.key for w in (*first, *second)]
    assert len(set(keys)) == len(keys) == 2
    assert all(k.startswith("plan-1:") for k in keys)
    assert told.told.words == 1
    assert told.told != Told()


# -- local time

OSLO = "Europe/Oslo"


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("2026-12-05T09:00", "2026-12-05T08:00"),
        ("2026-12-05 09:00", "2026-12-05T08:00"),
        ("2026-07-05T09:00", "2026-07-05T07:00"),
        ("2026-12-05T09:00+00:00", "2026-12-05T09:00"),
    ],
)
def test_local_time_is_the_field_s(text: str, utc: str) -> None:
    found = planning.field_instant(text, OSLO)
    assert found.at == datetime.fromisoformat(utc).replace(tzinfo=UTC).timestamp()
    assert found.note == ""


def test_a_time_that_comes_twice_is_the_first_and_says_so() -> None:
    """Clocks in Norway go back on the last Sunday of October at 03:00 to 02:00 (EU directive 2000/84/EC, from
    memory): on 2026-10-25 02:30 is 00:30 UTC and again 01:30 UTC."""
    found = planning.field_instant("2026-10-25T02:30", OSLO)
    assert datetime.fromtimestamp(found.at, UTC).strftime("%H:%M") == "00:30"
    assert "comes twice" in found.note
    second = planning.field_instant("2026-10-25T02:30+01:00", OSLO)
    assert second.at == found.at + 3600
    assert second.note == ""


def test_a_time_that_doesn_t_exist_is_refused_with_what_it_would_be() -> None:
    """Clocks go forward on 2026-03-29 at 02:00 to 03:00."""
    with pytest.raises(planning.NoSuchTime, match=r"02:30 doesn't exist.*03:30"):
        planning.field_instant("2026-03-29T02:30", OSLO)


@pytest.mark.parametrize("text", ["", "tomorrow", "2026-13-05T09:00", "2026-12-05T25:00", "x" * 500])
def test_what_is_no_time_is_refused(text: str) -> None:
    with pytest.raises(planning.NoSuchTime, match="Write it like 2026-12-05T09:00"):
        planning.field_instant(text, OSLO)


def test_the_evening_before_a_clock_change_keeps_the_field_s_clock() -> None:
    """Start on the Sunday of the change: the word still goes out at 19:30 on Saturday's clock, 17:30 UTC."""
    start = planning.field_instant("2026-10-25T09:00", OSLO).at
    due = planning.evening_at(Departure(1, start, start - 86_400), RULES)
    assert datetime.fromtimestamp(due, UTC).strftime("%a %H:%M") == "Sat 17:30"


def test_the_two_node_engine_gives_the_switch_on_that_heats_it_in_time() -> None:
    """One sample, no doubt: the told switch-on keeps the start, a quarter of an hour later one does not."""
    asked = snapshot(two_nodes((-12.0, -12.0), -12.0), steady(-12.0))
    wished = departure(9.0)
    found = planning.plan(wished, asked, RULES)
    assert found.switch_on_at is not None
    kept = planning.plan(replace(wished, timer_at=found.switch_on_at), asked, RULES)
    late = planning.plan(replace(wished, timer_at=found.switch_on_at + 900.0), asked, RULES)
    assert (kept.verdict, kept.kept) == ("heat", 1.0)
    assert (late.verdict, late.kept) == ("late", 0.0)


# -- a second one that day


def first_of(snapshot: Snapshot, hours: float = 6.0, **more: Any) -> Departure:
    """An earlier departure with its plan."""
    wished = departure(hours, **more)
    return replace(wished, plan=planning.plan(wished, snapshot, RULES))


def test_a_second_departure_starts_from_what_the_first_leaves() -> None:
    """Two hours after the first nothing is needed, six hours after it some; flown, nothing."""
    asked = snapshot(engine(samples=128), steady(-12.0), coldest_c=-12.0)
    first, second = first_of(asked), replace(departure(12.0), number=2)
    assert planning.plan(departure(8.0), asked, RULES, [first]).verdict == "none"
    alone = planning.plan(second, asked, RULES)
    after = planning.plan(second, asked, RULES, [first])
    assert (alone.verdict, after.verdict) == ("heat", "heat")
    assert at(after) > at(alone) + 600.0
    assert at(after) >= first.start_at, "its own heat comes after the first start"
    assert (after.rests.after_another, after.counted.at) == (True, ())
    assert after.if_flown is not None
    assert after.if_flown.need == "no"
    assert alone.if_flown is None


def test_the_longer_after_the_first_the_less_is_left_of_it() -> None:
    asked = snapshot(engine(samples=128), steady(-12.0), coldest_c=-12.0)
    first, gains = first_of(asked), []
    for hours in (11.0, 14.0, 20.0):
        second = departure(hours)
        gains.append(
            at(planning.plan(second, asked, RULES, [first])) - at(planning.plan(second, asked, RULES))
        )
    assert gains[0] > gains[1] >= gains[2] > -600.0
    assert gains[2] < 1800.0


def test_a_flight_that_is_said_counts_while_nothing_is_measured() -> None:
    away = snapshot(engine(samples=128), steady(-12.0), coldest=None, coldest_c=None, missing=("cyl-1",))
    gone = replace(departure(1.0), state="started", changed_at=EVENING - 600.0)
    soon = planning.plan(departure(4.5), away, RULES, [gone])
    assert (soon.rests.flight_at, soon.verdict, soon.need) == (gone.changed_at, "none", "unclear")
    assert soon.chance is not None
    assert soon.chance < 0.05
    assert planning.plan(departure(4.5), away, RULES).verdict == "unknown"
    back = replace(away, coldest="cyl-1", coldest_c=-12.0, missing=())
    assert planning.plan(departure(4.5), back, RULES, [gone]).rests.flight_at is None
    long_ago = replace(gone, changed_at=EVENING - planning.AWAY_S - 60.0)
    assert planning.plan(departure(4.5), away, RULES, [long_ago]).verdict == "unknown"


def test_nobody_is_asked_to_stand_by_a_combustion_heater_for_more_than_two_hours() -> None:
    """An engine known so little that nine mornings in ten would ask for more."""
    asked = snapshot(engine(samples=128, spread=1.0), steady(-12.0), coldest_c=-12.0)
    left_alone = planning.plan(departure(by="pilot"), asked, RULES)
    session = departure(by="pilot", attended=True)
    found = planning.plan(session, asked, RULES)
    assert left_alone.switch_on_at is not None
    assert left_alone.switch_on_at < session.off_at - planning.LONGEST_SESSION_S - 600.0
    assert found.switch_on_at is not None
    assert found.switch_on_at >= session.off_at - planning.LONGEST_SESSION_S
    assert found.verdict == "late" or found.at_best is not None


# -- the air to come


def test_a_plan_says_what_is_known_of_the_air_and_widens_where_it_is_little() -> None:
    """An own air measured for two days, and none at all: the same engine, a wider morning."""
    own = tuple((HOUR * h, -4.0 + 0.5 * math.sin(h / 4)) for h in range(-48, 1))
    cold = engine(start_c=-4.0, air_c=-4.0, samples=128)
    measured = planning.plan(departure(), snapshot(cold, AirKnown(own=own)), RULES)
    unknown = planning.plan(departure(), snapshot(replace(cold, air_known=False)), RULES)
    assert (measured.rests.air, unknown.rests.air) == ("own-air", "nothing")
    assert measured.coldest_c is not None
    assert unknown.coldest_c is not None
    assert unknown.coldest_c[2] - unknown.coldest_c[0] > measured.coldest_c[2] - measured.coldest_c[0]
    assert unknown.coldest_c[1] == pytest.approx(-4.0, abs=2.0)


def test_a_forecast_is_used_and_its_age_is_said() -> None:
    """A source that tells of a fall to −15 °C by morning, three hours old."""
    hours = tuple(WeatherHour(EVENING + HOUR * h, -4.0 - 0.9 * max(h, 0)) for h in range(-12, 20))
    told = Weather("hourly", EVENING - 2 * HOUR, EVENING - 3 * HOUR, hours)
    own = tuple((HOUR * h, -4.0) for h in range(-12, 1))
    asked = snapshot(engine(start_c=-4.0, air_c=-4.0), AirKnown(own, told, offset_s=EVENING))
    found = planning.plan(departure(), asked, RULES)
    assert (found.rests.air, found.rests.air_age_s) == ("forecast", 3 * HOUR)
    assert found.coldest_c is not None
    assert found.coldest_c[1] < -8.0
    assert found.need == "yes"
