"""The plan of a departure: its line, all that is said after it, and its messages."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from probe_agent.status import HelpNow, PlanNow, Status, utc_seconds
from probe_agent.words.engine import coldest
from probe_agent.words.parts import (
    ELSE_COLD,
    About,
    Letter,
    Part,
    Unit,
    capital,
    chances,
    delay,
    few,
    heat_ups,
    moment,
    mornings,
    now_of,
    of_sister,
    outward,
    place_name,
    temperature,
)

_WHO = {
    "timer": "Have the timer set before you leave the field.",
    "person": "Have the person at the field switch it on.",
    "pilot": "Switch it on when you arrive.",
    "our-plug": "Have somebody switch the plug: nothing here does it.",
}


def plan_line(plan: PlanNow, zone: str, now_at: float, full: bool = False) -> str:
    """A departure and its plan in one line: what is due, and by when."""

    def when(text: str | None) -> str:
        return "an unknown time" if text is None else moment(utc_seconds(text), zone, now_at)

    start = when(plan.start)
    if plan.state == "did-not-start" and plan.verdict == "late":
        return (
            f"Did not start: heated from {when(plan.switch_on)}, the earliest start is {when(plan.earliest)}."
        )
    if plan.verdict == "making":
        return f"Engine start {start}: the plan is being worked out."
    if plan.verdict == "unknown":
        return f"Engine start {start}: nothing is measured, so whether heat is needed is unclear."
    if plan.verdict == "none" and plan.need == "unclear":
        return f"Engine start {start}: probably no heat is needed, but not all is measured that would tell."
    if plan.verdict == "none":
        return f"No heat is needed for the engine start {start}."
    if plan.verdict == "never":
        return f"Engine start {start} can't be kept: this heat doesn't get there on half of such mornings."
    sure = mornings(plan.at_best or plan.certainty)
    if plan.verdict == "late" and full:
        return (
            f"Engine start {start} can't be kept: at least {delay(plan.late_min or 0.0)} late, and later for "
            "as long as others on its circuit leave no room."
        )
    if plan.verdict == "late":
        return (
            f"Engine start {start} can't be kept on {sure}: "
            f"about {delay(plan.late_min or 0.0)} late, start {when(plan.earliest)}."
        )
    on = when(plan.switch_on)
    if plan.timer is not None or plan.state == "heating":
        what = "it is being heated" if plan.timer is None else f"the timer is set for {when(plan.timer)}"
        return f"Engine start {start}: {what}, and it can be kept on {sure}."
    if plan.attended:
        return f"Engine start {start}: be there {on}, heat about {heat_min(plan)} min."
    if plan.need == "unclear":
        return f"Engine start {start}: whether heat is needed is unclear; to be sure, heat on by {on}."
    at_best = ", which is the most this heat allows" if plan.at_best is not None else ""
    return f"Engine start {start}: heat must be on by {on}, to keep it on {sure}{at_best}."


def heat_min(plan: PlanNow) -> int:
    """How long it is to be heated, from the switch-on until heater and cover come off, in fives [min]."""
    if plan.switch_on is None:
        return 0
    until = utc_seconds(plan.earliest or plan.start) - plan.uncovered_min * 60
    return max(math.ceil((until - utc_seconds(plan.switch_on)) / 300) * 5, 0)


def plan_need(plan: PlanNow, unit: Unit = "C", spoken: bool = False) -> str | None:
    """Whether heat is needed and the chance of it; None where that can't be told yet."""
    if plan.chance is None:
        return None
    limit = temperature(plan.limit_c, unit, (plan.limit_c,), spoken)
    what = "air too cold for too long by the manual" if plan.by_air else f"below the limit of {limit}"
    chance = f"Without heat: {chances(plan.chance)} that it is {what} at the start"
    if plan.cold_c is None:
        return chance + "."
    low, mid, high = (temperature(c, unit, (plan.limit_c,), spoken) for c in plan.cold_c)
    return f"{chance}; coldest point then about {mid}, between {low} and {high}."


def _learned(plan: PlanNow) -> str:
    """Whose heat-ups a plan rests on."""
    if plan.heat_ups:
        return f"{heat_ups(plan.heat_ups)} of this setup"
    return of_sister(plan.sister, "") if plan.sister else "what is usual for such an engine"


STALE_MIN = 6 * 60.0
"""An air told of so long ago is said to be old before anything else goes."""


def plan_rests(plan: PlanNow, zone: str, now_at: float, unit: Unit = "C", spoken: bool = False) -> str | None:
    """What a plan rests on; None while there is none. In a message the coldest point is said besides."""
    if plan.made is None:
        return None
    out = []
    if not spoken and plan.coldest_now is not None and plan.coldest_now_c is not None:
        value = temperature(plan.coldest_now_c, unit, (plan.limit_c,), spoken)
        out.append(f"the coldest point now, {value} ({place_name(plan.coldest_now)})")
    out.append(_learned(plan))
    out.append(_air_words(plan))
    text = f"Rests on {', '.join(out[:-1])} and {out[-1]}."
    if plan.missing:
        which = "is" if len(plan.missing) == 1 else "are"
        text += f" {capital(few(plan.missing))} {which} not measured, so it never says no heat for sure."
    if plan.heated_hangar:
        text += " A steadily heated hangar usually needs no heat."
    if plan.flown:
        text += " The engine is still warm from flight."
    return " ".join(
        part for part in (text, _flight(plan, zone, now_at), if_flown(plan, zone, now_at)) if part
    )


def _flight(plan: PlanNow, zone: str, now_at: float) -> str:
    """Whose flight is counted while nothing is measured."""
    if plan.flight is None:
        return ""
    since = moment(utc_seconds(plan.flight), zone, now_at)
    return (
        f"Counts on an engine hot from the flight begun {since}; it is worked out anew when it is plugged in."
    )


def if_flown(plan: PlanNow, zone: str, now_at: float) -> str:
    """What an earlier departure leaves to this one, flown and not."""
    if not plan.after_another:
        return ""
    text = "An earlier departure comes first: counted as heated for it, and not flown."
    if plan.if_flown is None:
        return text
    on = plan.if_flown.switch_on
    if plan.if_flown.need == "no":
        return f"{text} If it flies, no heat is needed."
    if on is None:
        return f"{text} If it flies, {chances(plan.if_flown.chance)} that heat is needed."
    return f"{text} If it flies, heat on by {moment(utc_seconds(on), zone, now_at)}."


def _air_words(plan: PlanNow) -> str:
    old = plan.air_age_min
    age = "" if old is None or old < 90 else f", {round(old / 60)} hours old"
    return {
        "forecast": f"a forecast of the air{age}",
        "observed": f"the air last reported nearby{age}, going on as it usually does",
        "own-air": "the air measured here, going on as it usually does",
    }.get(plan.air, "air nobody measures")


def plan_who(plan: PlanNow, zone: str, now_at: float) -> str | None:
    """Who does what, and when; None where nothing is to be done."""
    if plan.switch_on is None or plan.state == "heating":
        return None
    return " ".join(part for part in (task(plan), reach(plan, zone, now_at)) if part)


def task(plan: PlanNow) -> str:
    """The one thing somebody is to do for a plan."""
    if plan.verdict == "never":
        return "Have cover, plugs or more heat added, or give up this start."
    if plan.state == "heating":
        late = ", and plan the later start" if plan.verdict == "late" else ""
        return f"Leave heat and cover on until then{late}."
    if plan.verdict == "unknown":
        return "Have plug and board looked at."
    if plan.switch_on is None or plan.verdict in ("none", "making"):
        return "Nothing to do."
    if plan.attended:
        return "Combustion: have somebody stay with it from lighting to shutting it off, the hangar open."
    if plan.timer is not None:
        return "Nothing to do: changes now move the start, not the switch-on."
    if plan.verdict == "late" and (plan.by == "timer" or (plan.by == "our-plug" and not plan.plug)):
        return "Have it switched on now."
    if plan.by == "our-plug" and plan.plug:
        return "Nothing to do: the plug switches it on then."
    return _WHO.get(plan.by, "")


def reach(plan: PlanNow, zone: str, now_at: float) -> str:
    """When to set out, and how the person at the field is reached."""
    if plan.switch_on is None or plan.state == "heating" or (plan.timer is not None and not plan.attended):
        return ""
    out = set_out(plan, utc_seconds(plan.switch_on), zone, now_at)
    if plan.by == "person" and plan.contact:
        out += f" Reach them: {plan.contact}."
    return out.strip()


def set_out(plan: PlanNow, on_at: float, zone: str, now_at: float) -> str:
    """When whoever switches must be on the way; nothing where they need no time for it."""
    if plan.by not in ("person", "pilot") or not plan.travel_min:
        return ""
    return f" Set out by {moment(on_at - plan.travel_min * 60, zone, now_at)}."


def plan_above(plan: PlanNow, zone: str, now_at: float) -> str | None:
    """When the coldest point is above target then; None where there is no such range."""
    if plan.above is None or plan.above[0] is None or plan.above[1] is None:
        return None
    late = None if plan.above[2] is None else utc_seconds(plan.above[2])
    low, mid, high = outward(utc_seconds(plan.above[0]), utc_seconds(plan.above[1]), late)
    begin, end = moment(low, zone, now_at), "open" if high is None else moment(high, zone, now_at)
    return f"Above target then about {moment(mid, zone, now_at)}, between {begin} and {end}."


def plan_helps(plan: PlanNow, zone: str, now_at: float) -> str | None:
    """How a late start stands as wished, and what would help it; None where neither is known."""
    return " ".join(s for s in (as_wished(plan), would_help(plan, zone, now_at)) if s) or None


def as_wished(plan: PlanNow) -> str:
    if plan.verdict != "late" or plan.state == "did-not-start" or plan.kept is None or plan.kept < 0.05:
        return ""
    return f"As wished it is kept in {chances(plan.kept)}."


def would_help(plan: PlanNow, zone: str, now_at: float) -> str:
    said = [_help(h, plan, zone, now_at) for h in plan.helps]
    return f"{capital('; or '.join(said))}." if said else ""


def _help(h: HelpNow, plan: PlanNow, zone: str, now_at: float) -> str:
    start = "" if h.start is None else moment(utc_seconds(h.start), zone, now_at)
    if h.kind == "cover":
        return f"with cover and plugs on, start {start}"
    if h.kind == "certainty":
        return f"content with 8 mornings in 10, start {start}"
    return f"next time heat {round(h.by_min or 0)} min earlier"


def plan_next_word(plan: PlanNow, zone: str, now_at: float) -> str:
    """When the next word of a plan comes, and what silence means."""
    if plan.next_word is None:
        return "This holds until I write again: next word if it changes; if none comes, look at the page."
    at = moment(utc_seconds(plan.next_word), zone, now_at)
    return f"This holds until the next word, {at}; {ELSE_COLD}"


CLOCK_NOT_SET = "The board's clock is not set: its times may be wrong, and no word comes until it is."
NOTHING_REPEATS = (
    "A plan belongs to one departure and nothing repeats by itself: heat without a flight drives water out "
    "of the oil onto cold metal, so a daily timer is worse than none."
)


def plan_sentences(plan: PlanNow, zone: str, now_at: float, unit: Unit = "C") -> tuple[str, ...]:
    """All that is to be said of a plan after its line, in order."""
    found = (
        plan_helps(plan, zone, now_at),
        plan_who(plan, zone, now_at),
        plan_need(plan, unit),
        plan_above(plan, zone, now_at),
        plan_rests(plan, zone, now_at, unit),
    )
    return tuple(sentence for sentence in found if sentence)


def plan_answer(plan: PlanNow, zone: str, now_at: float, unit: Unit = "C") -> str:
    """The answer to a question or a new plan."""
    return " ".join((plan_line(plan, zone, now_at), *plan_sentences(plan, zone, now_at, unit)))


def soonest_answer(plan: PlanNow, zone: str, now_at: float, unit: Unit = "C") -> str:
    """The answer to a question for the earliest start."""
    if plan.verdict == "none" and plan.need != "unclear":
        first = "No heat is needed for a start now."
    elif plan.earliest is None or plan.switch_on is None:
        return plan_answer(plan, zone, now_at, unit)
    else:
        on, start = (moment(utc_seconds(t), zone, now_at) for t in (plan.switch_on, plan.earliest))
        first = f"Heated from {on}, the earliest start on {mornings(plan.certainty)} is {start}."
    above, rests = plan_above(plan, zone, now_at), plan_rests(plan, zone, now_at, unit)
    found = (plan_need(plan, unit), above, rests)
    return " ".join((first, *(sentence for sentence in found if sentence)))


_NO_PLAN: Letter = (
    ("no start is planned",),
    [
        (1, "The plan has gone meanwhile, and with it what was due. Nothing to do."),
        (1, "Until another is made nothing is due: next word then; if none comes, count the engine as cold."),
    ],
)


def _evening(status: Status, unit: Unit, about: About) -> Letter:
    plan = status.plan
    if plan is None:
        return _NO_PLAN[0], [(1, coldest(status, unit, spoken=True)), *_NO_PLAN[1]]
    zone, now_at = status.zone, now_of(status)
    start = moment(utc_seconds(plan.start), zone, now_at)
    full = is_full(status)
    parts = [
        (1, plan_line(plan, zone, now_at, full)),
        (1, task(plan)),
        (4, as_wished(plan)),
        (2, would_help(plan, zone, now_at)),
        (3, reach(plan, zone, now_at)),
        *_by_then(status, plan, unit),
        (3, _first_time(plan)),
        (
            2 if (plan.air_age_min or 0.0) >= STALE_MIN else 5,
            plan_rests(plan, zone, now_at, unit, spoken=True),
        ),
        (1, plan_next_word(plan, zone, now_at)),
    ]
    return plan_subjects(plan, start, full), [(rank, text) for rank, text in parts if text]


def is_full(status: Status) -> bool:
    """Whether the plug waits for room on a circuit that others share."""
    return status.plug is not None and status.plug.refused == "circuit-full"


def _first_time(plan: PlanNow) -> str:
    """How little a plan rests on before this setup has taught anything."""
    if plan.heat_ups or plan.switch_on is None:
        return ""
    but = f", only {of_sister(plan.sister, '')}" if plan.sister else ""
    return f"No heat-up of this setup is known yet{but}: early on purpose, and wide."


def _by_then(status: Status, plan: PlanNow, unit: Unit) -> list[Part]:
    """The coldest point now, and without heat at the start."""
    now: Part = (1, coldest(status, unit, spoken=True))
    if plan.cold_c is None:
        return [now]
    then = temperature(plan.cold_c[1], unit, (plan.limit_c,), spoken=True)
    return [now, (4, f"Without heat about {then} by then.")]


def plan_subjects(plan: PlanNow, start: str, full: bool = False) -> tuple[str, ...]:
    if plan.verdict == "late" and full:
        return (f"start {start} late, circuit full", "start late, circuit full")
    if plan.verdict == "late":
        return (f"start {start} about {delay(plan.late_min or 0.0)} late", "start can't be kept")
    if plan.verdict == "never":
        return (f"start {start} can't be kept", "start can't be kept")
    if plan.verdict == "none" and plan.need != "unclear":
        return (f"no heat needed for {start}",)
    if plan.need == "yes":
        return (f"heat needed for {start}", "heat needed")
    return (f"heat for {start}: unclear", "heat: unclear")


def _switch_on(status: Status, unit: Unit, about: About) -> Letter:
    plan = status.plan
    if plan is None or plan.switch_on is None:
        return _NO_PLAN[0], [(1, coldest(status, unit, spoken=True)), *_NO_PLAN[1]]
    zone, now_at = status.zone, now_of(status)
    on = moment(utc_seconds(plan.switch_on), zone, now_at)
    if plan.attended:
        orders = [task(plan), "Never aimed at hoses, wiring, fuel lines or fabric."]
    else:
        orders = [f"Switch the heater on at {on}.", "Look at cord, cover and plugs first."]
    parts: list[Part] = [
        (1, plan_line(plan, zone, now_at)),
        (1, orders[0]),
        (1, set_out(plan, utc_seconds(plan.switch_on), zone, now_at).strip()),
        (2, orders[1]),
        (3, would_help(plan, zone, now_at)),
        *_by_then(status, plan, unit),
        (2, "Propeller: treat it as live."),
        (1, f"This holds until the next word, when above target; {ELSE_COLD}"),
    ]
    parts = [p for p in parts if p[1]]
    if plan.verdict == "late" and not plan.attended:
        return plan_subjects(plan, moment(utc_seconds(plan.start), zone, now_at)), parts
    return ((f"be there {on}, heat {heat_min(plan)} min" if plan.attended else f"heater on at {on}"),), parts


PLAN_LETTERS: Mapping[str, Callable[[Status, Unit, About], Letter]] = {
    "evening": _evening,
    "plan-late": _evening,
    "switch-on": _switch_on,
}
