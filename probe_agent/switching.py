"""Whether the plug may be on: wanted by whom, ended by what, and what of it is alarming. Pure.

Heat is wanted by a person's press, by a plan once, or for a test of the plug's timer. Each end is final:
nothing that has ended comes on again without a new press or another plan. `step` takes one tick; between
ticks people's words come by `ask`, `end` and `lock`. Instants are run seconds.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

from probe_agent.config import NEVER_COLDEST, Settings, Switch
from probe_agent.planning import Departure
from probe_agent.readings import Fault, Point, SignKind

LEASE_S = 30.0
"""An order to be on holds so long from the begin of its tick, real seconds."""
LOST_S = 30.0
"""A required place without a value for so long is lost, without hysteresis; a tick that comes so
late ends heat as well."""
CONFIRM_S = 60.0
"""So long after on the plug may take to say that it is on, or that it draws power."""
NO_POWER_S = 180.0
NO_RISE_S = 2700.0
NO_RISE_C = 1.0
"""Heat that has been on for NO_RISE_S and has warmed no place by so much warms something else, or the probes
don't tell (45 min: judgement; see DEVELOPERS.md for what the slowest heaters do)."""
DRAWN_SHARE = 0.02
"""A plug that tells less than this share of the heater's power draws none."""
STILL_POWER_S = 60.0
STILL_WARMS_S = 1200.0
RISES_C_PER_H = 3.0
"""Off for STILL_WARMS_S, an engine that rises so fast is still being heated."""
UNPLUGGED_S = 45.0
UNHEARD, SILENT = 1.5, 3.0
"""A plug that tells its power and hasn't for so many of its spans is renewed no more, so that nothing waits
for it should somebody have pressed its button; and after so many heat ends."""
MIN_SPAN_S = 15.0
SETTLES_S = 20.0
"""What the plug tells so soon after an order may still be of before it."""
TEST_SLACK_S = 15.0
EARLY_SHARE = 0.5
"""A plug that goes off in less than this share of its timer was switched off by something else."""
READY_NEAR_S = 3 * 3600.0
"""Heat may stay on for a planned start that is no further off than this after ready."""
SHOWN_S = 6 * 3600.0
"""So long it is shown why heat ended, and an end that somebody must answer is asked about."""
PLAN_FRESH_S = 1800.0
"""A plan older than this switches nothing on."""

By = Literal["owner", "plan", "test"]
Order = Literal["on", "hold", "off"]
"""hold: nothing is said, so that the plug's own timer shows itself."""

Why = Literal[
    "owner",
    "said-off",
    "locked",
    "gap",
    "link",
    "oil-out",
    "too-hot",
    "place-lost",
    "time-limit",
    "start-passed",
    "ready-long",
    "not-planned",
    "no-answer",
    "off-at-plug",
    "plug-silent",
    "no-power",
    "no-rise",
    "record",
    "circuit",
    "circuit-beyond",
    "circuit-taken",
    "tested",
]
"""Why heat ended, or is not begun; words has a sentence for each."""
NOBODYS_WISH: tuple[Why, ...] = (
    "gap",
    "link",
    "too-hot",
    "place-lost",
    "time-limit",
    "start-passed",
    "no-answer",
    "off-at-plug",
    "plug-silent",
    "no-power",
    "no-rise",
    "record",
    "circuit",
    "circuit-beyond",
)
ASKED_ABOUT: tuple[Why, ...] = ("no-power", "no-rise")
"""Those of them that somebody must answer, as alarms."""
"""Ends that people are told of, because nobody wanted them."""

Refusal = Literal[
    "untested",
    "testing",
    "on-already",
    "locked",
    "not-measuring",
    "link",
    "plug-silent",
    "oil-out",
    "too-hot",
    "place-lost",
    "start-passed",
    "circuit-full",
]
"""Why heat may not begin now."""


@dataclass(frozen=True, slots=True)
class Plug:
    """What is known of the plug: seconds of the run, watts.

    connected_s: since when there is a connection to the broker; None: there is none. on: what it said of
    itself last, None where it never has; live: whether that was said on this connection and not retained from
    before; on_s, off_s: when it last said, live, that it is on and that it is off; began_s: when it first
    said that it is on since it was last ordered to be. power_w, power_s: what it draws, and when it said so.
    """

    connected_s: float | None = None
    on: bool | None = None
    on_s: float = -math.inf
    live: bool = False
    off_s: float = -math.inf
    began_s: float = math.inf
    power_w: float | None = None
    power_s: float = -math.inf


def in_run_seconds(plug: Plug, by_s: float) -> Plug:
    """The same with its instants moved by so much, from the line's clock to a run's seconds."""
    opened_s = None if plug.connected_s is None else plug.connected_s + by_s
    return replace(
        plug,
        connected_s=opened_s,
        on_s=plug.on_s + by_s,
        off_s=plug.off_s + by_s,
        began_s=plug.began_s + by_s,
        power_s=plug.power_s + by_s,
    )


@dataclass(frozen=True, slots=True)
class SwitchRules:
    """The owner's limits for the plug: its timer [s], the longest heating [s], the heater's power [W] and the
    engine's limit [°C]; target_c: an engine below it must be seen to warm; tells_state, tells_power: what the
    plug says."""

    timer_s: float
    most_s: float
    watts: float
    too_hot_c: float
    ready_s: float
    target_c: float = -math.inf
    power_every_s: float = 60.0
    thermostat: bool = False
    tells_state: bool = True
    tells_power: bool = True


@dataclass(frozen=True, slots=True)
class SwitchFacts:
    """One tick for the switch.

    points: as the supervisor has them, doubted ones without their value; measured: as the probes gave them.
    plug: what is known of it. ready_s: since when the heat-up is ready; start_s: the planned start ahead or
    just past; planned: numbers of the departures still open; trends: °C/h of each place; signs: what the
    curve shows; heating: whether the heater warms by the curve. since_s: real seconds since the tick before;
    unwritten_s: for how long the record could not be written, or read for commands. circuit_full: others on
    the same circuit leave no room for a plan, pressed_full: nor for a press; circuit_over: its time there is
    over and others need it; circuit_beyond: together they draw more than it may carry, and the others were on
    before; circuit_claim: whether heat that is to begin waits for word of the others, or gave way to them.
    """

    t_s: float
    points: tuple[Point, ...]
    measured: tuple[Point, ...]
    plug: Plug
    oil_out: bool = False
    ready_s: float | None = None
    start_s: float | None = None
    planned: frozenset[int] = frozenset()
    trends: Mapping[str, float] = field(default_factory=dict)
    signs: frozenset[SignKind] = frozenset()
    heating: bool | None = None
    since_s: float = 0.0
    unwritten_s: float = 0.0
    circuit_full: bool = False
    pressed_full: bool = False
    circuit_over: bool = False
    circuit_beyond: bool = False
    circuit_claim: Literal["free", "waits", "lost"] = "free"


@dataclass(frozen=True, slots=True)
class Want:
    """Heat that is wanted: by whom, for which departure; on_s: since which tick it is ordered, None while it
    isn't yet; confirmed_s: when the plug was first heard to be on; no_power_s: since when it draws none, inf:
    that is no matter; began_c: what each place had when it was confirmed, None once any has risen or none
    need be asked."""

    by: By
    asked_s: float
    departure: int | None = None
    on_s: float | None = None
    confirmed_s: float | None = None
    no_power_s: float | None = None
    began_c: Mapping[str, float] | None = None


@dataclass(frozen=True, slots=True)
class Ended:
    """How the last heat ended: why, at which place, when; by whom it had been wanted."""

    why: Why
    at_s: float
    by: By
    place: str | None = None
    departure: int | None = None


@dataclass(frozen=True, slots=True)
class TimerTest:
    """What a test of the plug's timer showed. off_after_s: when the plug went off by itself; why: what was
    wrong, None where it passed: "no-answer", "early", "stays-on", or why the test was ended."""

    passed: bool
    off_after_s: float | None = None
    why: str | None = None


@dataclass(frozen=True, slots=True)
class SwitchWatch:
    """What the switch remembers from tick to tick, and across no restart but `locked_s` and `tested`."""

    want: Want | None = None
    ended: Ended | None = None
    locked_s: float | None = None
    tested: bool = False
    off_s: float = 0.0
    seen_s: Mapping[str, float] = field(default_factory=dict)
    """When each required place last had a value of its probe."""
    rises_s: float | None = None
    open_s: float | None = None
    """Since when every required thermocouple is open."""


@dataclass(frozen=True, slots=True)
class Alarm:
    """Something wrong with plug or heater that can hurt somebody; kind as words has it."""

    kind: Literal["still-warming", "no-power", "no-rise", "power-unplugged"]
    since_s: float


@dataclass(frozen=True, slots=True)
class SwitchStep:
    """The next watch, the order of this tick, and what happened: heat that began to be confirmed, one that
    ended, a test that was over, alarms that hold."""

    watch: SwitchWatch
    order: Order
    confirmed: Want | None = None
    ended: Ended | None = None
    test: TimerTest | None = None
    alarms: tuple[Alarm, ...] = ()


def switch_rules(settings: Settings, switch: Switch) -> SwitchRules:
    """The rules of a settings file with a switch."""
    setup, limits = settings.setup, settings.limits
    return SwitchRules(
        timer_s=switch.timer_s,
        most_s=switch.most_hours * 3600,
        watts=setup.watts if setup is not None else 0.0,
        too_hot_c=limits.too_hot_c,
        ready_s=limits.switch_off_after_ready_min * 60,
        target_c=limits.target_c,
        power_every_s=switch.power_every_s,
        thermostat=switch.thermostat,
        tells_state=switch.homie is not None or switch.state_topic is not None,
        tells_power=switch.homie_power is not None or switch.power_topic is not None,
    )


# -- what people and plans ask


def refusal(
    watch: SwitchWatch, facts: SwitchFacts | None, rules: SwitchRules, by: By, now_s: float
) -> tuple[Refusal, str | None] | None:
    """Why heat can't begin at now_s, and at which place; None where it can. facts: the last tick's."""
    if watch.locked_s is not None:
        return "locked", None
    if watch.want is not None:
        return ("testing" if watch.want.by == "test" else "on-already"), None
    if not watch.tested and by != "test":
        return "untested", None
    if facts is None or not 0 <= now_s - facts.t_s < LOST_S:
        return "not-measuring", None
    if facts.plug.connected_s is None:
        return "link", None
    if rules.tells_power and _unheard_s(facts) > UNHEARD * max(rules.power_every_s, MIN_SPAN_S):
        return "plug-silent", None
    if facts.oil_out:
        return "oil-out", None
    if (hot := _too_hot(facts, rules)) is not None:
        return "too-hot", hot
    if (lost := _without_value(facts)) is not None:
        return "place-lost", lost
    if facts.circuit_full if by == "plan" else facts.pressed_full:
        return "circuit-full", None
    return None


def ask(watch: SwitchWatch, by: By, now_s: float, departure: int | None = None) -> SwitchWatch:
    """The watch with heat wanted from the next tick on; only where `refusal` says nothing."""
    return replace(watch, want=Want(by, now_s, departure), ended=None)


def has_ended(watch: SwitchWatch, now_s: float) -> bool:
    """Whether it is still shown how the last heat ended."""
    return watch.ended is not None and now_s - watch.ended.at_s < SHOWN_S


def end(
    watch: SwitchWatch, why: Why, now_s: float, place: str | None = None
) -> tuple[SwitchWatch, Ended | None]:
    """The watch with no heat wanted, from now on; what ended, if there was any."""
    want = watch.want
    if want is None:
        return watch, None
    over = Ended(why, now_s, want.by, place, want.departure)
    return replace(watch, want=None, ended=over, off_s=now_s), over


def lock(watch: SwitchWatch, now_s: float) -> tuple[SwitchWatch, Ended | None]:
    """The watch while someone is at the aircraft: heat ends, and none begins."""
    watch, ended = end(watch, "locked", now_s)
    return replace(watch, locked_s=now_s if watch.locked_s is None else watch.locked_s), ended


def unlock(watch: SwitchWatch) -> SwitchWatch:
    """The watch when nobody is at the aircraft any more. Nothing comes on by that."""
    return replace(watch, locked_s=None)


def plan_is_due(departure: Departure, now_at: float, began_at: float) -> bool:
    """Whether a plan switches the heater on now, unless it has done so before. Instants UTC.

    began_at: the begin of this run: what an earlier one planned switches nothing. Only its own time counts:
    from the switch-on of the latest plan until heater and cover come off.
    """
    made = departure.plan
    if departure.by != "our-plug" or departure.attended or departure.state not in ("planned", "delayed"):
        return False
    if made is None or made.verdict not in ("heat", "late") or made.switch_on_at is None:
        return False
    is_fresh = made.made_at >= began_at and 0 <= now_at - made.made_at <= PLAN_FRESH_S
    return is_fresh and made.switch_on_at <= now_at < departure.off_at


# -- a tick


def step(watch: SwitchWatch, facts: SwitchFacts, rules: SwitchRules) -> SwitchStep:
    """One tick. Facts must not go back in time."""
    watch = _see(watch, facts)
    confirmed: Want | None = None
    ended: Ended | None = None
    test: TimerTest | None = None
    if watch.want is not None:
        before = watch.want
        want = _follow(before, facts, rules)
        watch = replace(watch, want=want)
        found = _why_off(watch, want, facts, rules)
        if want.by == "test":
            test = _tested(want, facts, rules) if found is None else TimerTest(False, None, found[0])
            found = ("tested", None) if test is not None and found is None else found
        if found is not None:
            why, place = found
            watch, ended = end(watch, why, facts.t_s, place)
        elif want.confirmed_s is not None and before.confirmed_s is None:
            confirmed = want
    alarms = tuple(_alarms(watch, facts, rules))
    return SwitchStep(watch, _order(watch, facts, rules), confirmed, ended, test, alarms)


def _order(watch: SwitchWatch, facts: SwitchFacts, rules: SwitchRules) -> Order:
    want = watch.want
    if want is None or want.on_s is None:
        return "off"
    if want.by == "test":
        return "hold" if facts.t_s > want.on_s else "on"
    return "hold" if _spans_unheard(want, facts, rules) > UNHEARD else "on"


def _spans_unheard(want: Want, facts: SwitchFacts, rules: SwitchRules) -> float:
    """For how many of the spans in which it tells its power the plug was silent; 0 where it tells none."""
    if not rules.tells_power or want.confirmed_s is None:
        return 0.0
    return _unheard_s(facts) / max(rules.power_every_s, MIN_SPAN_S)


def _unheard_s(facts: SwitchFacts) -> float:
    """How long ago the plug said anything."""
    return facts.t_s - max(facts.plug.on_s, facts.plug.off_s, facts.plug.power_s)


def _see(watch: SwitchWatch, facts: SwitchFacts) -> SwitchWatch:
    """When each required place was measured last, whether all are open, since when the engine rises."""
    required = [p for p in facts.points if p.required]
    seen = {p.place: watch.seen_s.get(p.place, facts.t_s) for p in required}
    seen |= {p.place: facts.t_s - (p.age_s or 0.0) for p in required if _is_measured(p)}
    is_open = bool(required) and all(p.status == Fault.OPEN.value for p in required)
    rates = [facts.trends.get(p.place, 0.0) for p in required if p.usable]
    rises = bool(rates) and sum(rates) / len(rates) >= RISES_C_PER_H
    return replace(
        watch,
        seen_s=seen,
        open_s=(facts.t_s if watch.open_s is None else watch.open_s) if is_open else None,
        rises_s=(facts.t_s if watch.rises_s is None else watch.rises_s) if rises else None,
    )


def _is_measured(p: Point) -> bool:
    """By its probe: what a person typed in holds no heat on."""
    return p.usable and p.status == "ok"


def _without_value(facts: SwitchFacts) -> str | None:
    return next((p.place for p in facts.points if p.required and not _is_measured(p)), None)


def _follow(want: Want, facts: SwitchFacts, rules: SwitchRules) -> Want:
    """The want after this tick's word of the plug."""
    if want.on_s is None:
        return want if facts.circuit_claim != "free" else replace(want, on_s=facts.t_s)
    plug = facts.plug
    confirmed_s = want.confirmed_s
    if confirmed_s is None:
        drawn = _draws(plug, rules) is True
        told = ((plug.began_s, True), (plug.power_s, drawn and not rules.tells_state))
        times = [s for s, heard in told if heard and want.on_s <= s < math.inf]
        confirmed_s = min(times) if times else None
    drawn_at_all = _draws(plug, rules)
    no_power_s = want.no_power_s
    if drawn_at_all is True:
        no_power_s = (
            math.inf if rules.thermostat else None
        )  # a thermostat that has once let it through may rest
    elif drawn_at_all is False and plug.power_s >= want.on_s + SETTLES_S and no_power_s is None:
        no_power_s = plug.power_s
    heats = confirmed_s is not None and want.confirmed_s is None
    began_c = _cold_places(facts, rules) if heats else _not_risen(want.began_c, facts)
    return replace(want, confirmed_s=confirmed_s, no_power_s=no_power_s, began_c=began_c)


def _metal_c(facts: SwitchFacts) -> dict[str, float]:
    """What the probes say of each place of the engine."""
    return {
        p.place: p.value_c
        for p in facts.measured
        if p.place not in NEVER_COLDEST and _is_measured(p) and p.value_c is not None
    }


def _cold_places(facts: SwitchFacts, rules: SwitchRules) -> Mapping[str, float] | None:
    """What each place has as heat begins; None where no rise need be seen: the engine is warm already or has
    just flown, or a thermostat may let it rest."""
    found = _metal_c(facts)
    if (
        rules.thermostat
        or SignKind.FLOWN in facts.signs
        or min(found.values(), default=math.inf) >= rules.target_c
    ):
        return None
    return found


def _not_risen(began_c: Mapping[str, float] | None, facts: SwitchFacts) -> Mapping[str, float] | None:
    """The same while no place has risen; a place that had no value then begins with its first."""
    if began_c is None:
        return None
    now_c = _metal_c(facts)
    if any(c - began_c.get(place, c) >= NO_RISE_C for place, c in now_c.items()):
        return None
    return {**now_c, **began_c}


def _draws(plug: Plug, rules: SwitchRules) -> bool | None:
    """Whether it draws power; None where it hasn't said."""
    return None if plug.power_w is None else plug.power_w > DRAWN_SHARE * rules.watts


def _why_off(
    watch: SwitchWatch, want: Want, facts: SwitchFacts, rules: SwitchRules
) -> tuple[Why, str | None] | None:
    """Why heat must end at this tick, and at which place; None while it may go on."""
    now_s, plug = facts.t_s, facts.plug
    on_s = now_s if want.on_s is None else want.on_s
    if watch.locked_s is not None:
        return "locked", None
    if facts.since_s > LOST_S:
        return "gap", None
    if facts.unwritten_s >= LOST_S:
        return "record", None
    if _is_cut(plug, on_s):
        return "link", None
    if facts.oil_out:
        return "oil-out", None
    if (hot := _too_hot(facts, rules)) is not None:
        return "too-hot", hot
    if (lost := next((p for p, s in watch.seen_s.items() if now_s - s >= LOST_S), None)) is not None:
        return "place-lost", lost
    if now_s - on_s >= rules.most_s:
        return "time-limit", None
    if want.on_s is None and facts.circuit_claim == "lost":
        return "circuit-taken", None
    if facts.circuit_over or facts.circuit_beyond:
        return ("circuit" if facts.circuit_over else "circuit-beyond"), None
    if (over := _plan_is_over(want, on_s, facts, rules)) is not None:
        return over, None
    return _plug_says_no(want, on_s, facts, rules)


def _is_cut(plug: Plug, on_s: float) -> bool:
    """Whether the connection was lost since heat is on: then the will has switched the plug off already, and
    what came later would be no renewal."""
    return plug.connected_s is None or plug.connected_s > on_s


def _too_hot(facts: SwitchFacts, rules: SwitchRules) -> str | None:
    """The hottest point of the engine that is too hot, believed or not."""
    hot = [
        (p.value_c, p.place)
        for p in (*facts.measured, *facts.points)
        if p.place not in NEVER_COLDEST and p.value_c is not None and p.value_c >= rules.too_hot_c
    ]
    return max(hot)[1] if hot else None


def _plan_is_over(want: Want, on_s: float, facts: SwitchFacts, rules: SwitchRules) -> Why | None:
    """Whether nobody needs the heat any more."""
    now_s, start_s = facts.t_s, facts.start_s
    if want.departure is not None and want.departure not in facts.planned:
        return "not-planned"
    if start_s is not None and max(on_s, start_s) <= now_s and want.asked_s < start_s:
        return "start-passed"
    if facts.ready_s is None or want.by == "test":
        return None
    off_s = max(facts.ready_s, on_s) + rules.ready_s
    if start_s is not None and off_s < start_s <= facts.ready_s + READY_NEAR_S:
        off_s = start_s
    return "ready-long" if now_s >= off_s else None


def _plug_says_no(
    want: Want, on_s: float, facts: SwitchFacts, rules: SwitchRules
) -> tuple[Why, str | None] | None:
    """Whether the plug did not go on, was switched off by hand or by itself, or draws nothing."""
    now_s, plug = facts.t_s, facts.plug
    if want.confirmed_s is None:
        return ("no-answer", None) if now_s - on_s >= CONFIRM_S else None
    if want.by == "test":
        return None
    if plug.off_s > want.confirmed_s:  # a renewal may have crossed somebody's press: off is meant
        return "off-at-plug", None
    if _spans_unheard(want, facts, rules) > SILENT:
        return "plug-silent", None
    if want.no_power_s is not None and now_s - want.no_power_s >= NO_POWER_S:
        return "no-power", None
    if want.began_c is not None and now_s - want.confirmed_s >= NO_RISE_S:
        return "no-rise", None
    return None


def _tested(want: Want, facts: SwitchFacts, rules: SwitchRules) -> TimerTest | None:
    """What a test of the timer shows; None while it goes on."""
    if want.on_s is None:
        return None
    slack_s = TEST_SLACK_S + (0.0 if rules.tells_state else rules.power_every_s)
    off_s = _went_off_s(want, facts.plug, rules)
    if off_s is not None:
        after_s = off_s - want.on_s
        if after_s < EARLY_SHARE * rules.timer_s:
            return TimerTest(False, after_s, "early")
        return TimerTest(True, after_s) if after_s <= rules.timer_s + slack_s else _STAYS_ON
    waits_s = rules.timer_s + slack_s + (rules.power_every_s if rules.tells_power else 0.0)
    return _STAYS_ON if facts.t_s - want.on_s > waits_s else None


_STAYS_ON = TimerTest(False, None, "stays-on")


def _went_off_s(want: Want, plug: Plug, rules: SwitchRules) -> float | None:
    """When the plug went off by itself, by all that it tells."""
    if want.confirmed_s is None:
        return None
    is_off = plug.off_s > want.confirmed_s
    since_s = plug.off_s if rules.tells_state else want.confirmed_s
    draws_none = _draws(plug, rules) is False and plug.power_s >= since_s
    if rules.tells_state and not is_off:
        return None
    if rules.tells_power and not draws_none:
        return None
    return plug.off_s if rules.tells_state else plug.power_s


# -- alarms


def _alarms(watch: SwitchWatch, facts: SwitchFacts, rules: SwitchRules) -> Iterable[Alarm]:
    """What is wrong with plug or heater at this tick."""
    plug, now_s = facts.plug, facts.t_s
    fresh = now_s - plug.power_s <= 3 * rules.power_every_s
    draws = _draws(plug, rules) is True and fresh
    if watch.want is None and (since_s := _still_warms_s(watch, facts, draws)) is not None:
        yield Alarm("still-warming", since_s)
    ended = watch.ended
    if ended is not None and ended.why in ASKED_ABOUT and now_s - ended.at_s < SHOWN_S:
        yield Alarm("no-power" if ended.why == "no-power" else "no-rise", ended.at_s)
    if watch.open_s is not None and draws:
        off_s = max(watch.open_s, watch.off_s)
        if now_s - watch.open_s >= UNPLUGGED_S and plug.power_s >= off_s + SETTLES_S:
            yield Alarm("power-unplugged", watch.open_s)


def _still_warms_s(watch: SwitchWatch, facts: SwitchFacts, draws: bool) -> float | None:
    """Since when heat goes on that was commanded off: by its power, by its own word, or by the curve."""
    plug, off_s = facts.plug, watch.off_s
    if (draws and plug.power_s >= off_s + STILL_POWER_S) or (
        plug.live and plug.on is True and plug.on_s >= off_s + STILL_POWER_S
    ):
        return off_s
    warms = facts.heating is True or watch.rises_s is not None
    explained = facts.signs & _WARM_OTHERWISE
    since_s = max(off_s, watch.rises_s or off_s)
    if warms and not explained and facts.t_s - since_s >= STILL_WARMS_S:
        return off_s
    return None


_WARM_OTHERWISE = frozenset(
    {SignKind.SUN, SignKind.WARM_AIR, SignKind.WARMED_OTHERWISE, SignKind.FLOWN, SignKind.OIL_OUT}
)
"""Warming that is no heater's."""
