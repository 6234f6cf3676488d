"""How the engine stands and what to do next: verdict, coldest point, forecast, core, signs, cautions."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from probe_agent.config import NEVER_COLDEST
from probe_agent.readings import Fault, SignKind, State
from probe_agent.status import ProbeNow, SignNow, Status, utc_seconds
from probe_agent.words.parts import (
    Unit,
    capital,
    chances,
    difference,
    fault_words,
    first_of,
    heat_ups,
    limits_of,
    moment,
    moment_of,
    now_of,
    outward,
    place_list,
    place_name,
    rests_on_sister,
    spelled,
    temperature,
)

_SIGNS = {
    SignKind.HEATER_ON: "Heater on since {at}.",
    SignKind.HEATER_STOPPED: "Heat stopped at {at}.",
    SignKind.HEATER_RESUMED: "Heat came back at {at}.",
    SignKind.TOO_WEAK: "Warms clearly slower than this setup usually does, seen at {at}.",
    SignKind.LEVELLING_OFF: "Leveling off below the target, seen at {at}.",
    SignKind.ONE_COLD: "{Place} stays behind its neighbors, unlike before, seen at {at}.",
    SignKind.DETACHED: "{Place} leaves what its metal can do since {at}: perhaps its probe came off.",
    SignKind.TOO_HOT: "{Place} too hot since {at}.",
    SignKind.UNPLUGGED: "All required probes open at once at {at}: the harness is unplugged.",
    SignKind.OIL_OUT: "Oil out for warming elsewhere since {at}.",
    SignKind.FLOWN: "Warm as after a flight, seen at {at}; no heater.",
    SignKind.SUN: "Warms beyond its air without the heater, seen at {at}: perhaps the sun.",
    SignKind.WARM_AIR: "The air around it became warm at {at}: perhaps a heated hangar.",
    SignKind.COLD_AIR: "The air around it became colder at {at}: a door open, or pushed outside.",
    SignKind.COVER_OFF: "Cools faster since {at}, the air unchanged: the cover off, or wind.",
    SignKind.WARMED_OTHERWISE: "Something warms it, seen at {at}: heater, sun or warmer air.",
    SignKind.ENGINE_RUNS: "The engine runs since {at}: all cylinders rise as no heater can raise them.",
    SignKind.ENGINE_RAN: "The engine ran, from {at}: its warmth is no heater's.",
    SignKind.COOLS_FASTER: "Cools faster, seen at {at}: a door, the cover or wind; the air is not measured.",
}
OIL_IS_OUT = "Noted: the oil is out. Nothing will be called ready until it is back in, its level checked."
OIL_IS_BACK = "Noted: back in, level checked. The soak begins anew."
RULES = {
    "soak": "soaked above target",
    "core": "estimated core above the preheat limit",
}


def verdict(status: Status, unit: Unit = "C") -> str:
    """The one sentence that says how things stand."""
    said = _VERDICTS[State(status.state)]
    return said if isinstance(said, str) else said(status, unit)


def _verdict_of_missing(status: Status, unit: Unit) -> str:
    if status.missing:
        them = "it" if len(status.missing) == 1 else "them"
        lost = f"Not measured: {place_list(status.missing)}."
        return f"{lost} Without {them} no time is told and nothing is called ready."
    if status.coldest is None:
        return "No required place is measured, so nothing can be said of the engine."
    return "Measured again; two values in a row are needed before they count."


def _verdict_above(status: Status, unit: Unit) -> str:
    where = " where measured" if status.unmeasured_far else ""
    return f"Coldest point above target{where}, not yet ready."


_VERDICTS: Mapping[State, str | Callable[[Status, Unit], str]] = {
    State.PROBE_MISSING: _verdict_of_missing,
    State.TOO_HOT: lambda status, unit: f"Too hot: {hottest(status, unit)}. Switch the heater off.",
    State.ABOVE_TARGET: _verdict_above,
    State.READY: lambda status, unit: f"Ready to start: {RULES[status.ready_rule]}.",
    State.HEATING: "Warming.",
    State.LEVELLING_OFF: lambda status, unit: f"Leveling off below the target of {_target(status, unit)}.",
    State.HEATER_STOPPED: "Heat has stopped.",
    State.COOLING: "Cooling.",
    State.FLOWN_COOLING: "Cooling after flight.",
    State.ENGINE_RUNS: "The engine runs, with its probes on.",
    State.ENGINE_RAN: "Cooling after the engine ran.",
    State.OIL_OUT: "Oil out: not ready until it is back in and its level checked.",
    State.COLD: lambda status, unit: f"Cold, no heat seen. Below the preheat limit of {_need(status, unit)}.",
    State.OFF: lambda status, unit: f"No heat seen. Above the preheat limit of {_need(status, unit)}.",
}


def _target(status: Status, unit: Unit) -> str:
    return temperature(status.target_c, unit, (status.target_c,))


def _need(status: Status, unit: Unit) -> str:
    return temperature(status.need_c, unit, (status.need_c,))


def warm_enough(status: Status) -> str:
    """Whether it is warm enough to start by what is measured, in a clause. Yes is said by the rule of ready,
    or of an engine whose core too is above the target without heat; below the target never."""
    state = State(status.state)
    if status.missing or status.coldest_c is None:
        is_below = status.coldest_c is not None and status.coldest_c < status.target_c
        return "No: too cold." if is_below else "Not known."
    if state in _NOT_WARM:
        return _NOT_WARM[state]
    if state is State.READY:
        return f"Yes: {RULES[status.ready_rule]}."
    if is_above(status):
        return "Yes, while above target." if is_warm_through(status) else _core_doubt(status)
    if status.coldest_c < status.need_c:
        return "No: it needs preheat."
    return "Not ready: below target." if state is State.OFF else "No: below target."


def _core_doubt(status: Status) -> str:
    """Why an engine whose places are all above the target isn't called warm."""
    if status.core_c is None:
        return "Not sure: its core isn't known."
    return (
        "No: its core is colder."
        if status.core_c[2] < status.target_c
        else "Not sure: its core may be colder."
    )


_NOT_WARM: Mapping[State, str] = {
    State.PROBE_MISSING: "Not known.",
    State.TOO_HOT: "Not judged while too hot.",
    State.ABOVE_TARGET: "Not yet.",
    State.HEATING: "Not yet.",
    State.LEVELLING_OFF: "No.",
    State.HEATER_STOPPED: "No.",
    State.OIL_OUT: "No: oil is out.",
    State.ENGINE_RUNS: "It runs already.",
}


def is_above(status: Status) -> bool:
    """Whether the coldest point is measured and above the target."""
    return status.coldest_c is not None and status.coldest_c >= status.target_c


def is_warm_through(status: Status) -> bool:
    """Whether the core is estimated to be above the target too."""
    return is_above(status) and status.core_c is not None and status.core_c[1] >= status.target_c


def core_beside(status: Status) -> str | None:
    """What ready leaves open of the core; None where it is estimated above the target, and unless ready."""
    if State(status.state) is not State.READY or status.core_c is None or status.core_c[1] >= status.target_c:
        return None
    told = f"Core likely still below target: {_CORE_WAITS[status.ready_rule]}"
    if status.core_above_p > 0.95:
        return f"{told}."
    return f"{told}. Above the preheat limit on {chances(status.core_above_p)} mornings."


_CORE_WAITS: Mapping[str, str] = {
    "soak": "a soak doesn't wait for it",
    "core": "the rule asks for the preheat limit alone",
}


def coldest(status: Status, unit: Unit = "C", spoken: bool = False) -> str:
    """The coldest point, its value and the target, or what is unknown."""
    if status.coldest is None or status.coldest_c is None:
        return "Coldest point unknown: no required place has a value."
    value = temperature(status.coldest_c, unit, limits_of(status), spoken)
    text = f"Coldest point {value} ({place_name(status.coldest)})"
    if status.missing:
        if spoken:  # a message has no room to say it twice
            text += f"; {first_of(status.missing)} not measured"
        else:
            text += f" of those measured; {place_list(status.missing)} not measured"
    return text + "."


def coldest_place(status: Status) -> str:
    """Which place is the coldest point, and when somebody read it, where it was read by hand."""
    found = next((p for p in status.probes if p.place == status.coldest), None)
    if found is None:
        return ""
    if found.status != "by-hand" or found.age_s is None:
        return place_name(found.place)
    read_at = moment(now_of(status) - found.age_s, status.zone, now_of(status))
    return f"{place_name(found.place)}, read at {read_at}"


def announced(status: Status, unit: Unit = "C") -> str | None:
    """The announced forecast with its range; None when there is nothing to announce."""
    if _only_grown_old(status) and status.heater.heating is not None:
        kept = _range(status, unit)
        return f"By the last readings by hand, if nothing has changed since: {kept[:1].lower()}{kept[1:]}"
    if State(status.state) not in (State.HEATING, State.LEVELLING_OFF, State.HEATER_STOPPED):
        return None
    return _range(status, unit)


def _only_grown_old(status: Status) -> bool:
    """Whether nothing is wrong but that whoever measures by hand has not done so for a while."""
    lost = {p.place: p.status for p in status.probes if p.place in status.missing}
    return status.unprobed and bool(lost) and set(lost.values()) == {Fault.STALE.value}


def _range(status: Status, unit: Unit) -> str:
    """When the coldest point is above target, as far as that can be told."""
    now_at = now_of(status)
    if status.above_p50 is None or status.above_p10 is None:
        return plateau(status, unit) if status.p_reach < 0.1 else "Time unknown as yet."
    late = None if status.above_p90 is None else utc_seconds(status.above_p90)
    low, mid, high = outward(utc_seconds(status.above_p10), utc_seconds(status.above_p50), late)
    about = moment(mid, status.zone, now_at)
    if mid < now_at:
        return f"Above target was expected about {about}."
    if high is None:
        if status.p_reach < 0.9:
            misses = min(max(1, round((1 - status.p_reach) * 10)), 9)
            if misses >= 5 and State(status.state) is State.HEATER_STOPPED:
                return f"{misses} in 10 that it never gets above target, unless heat comes back."
            if misses >= 5:
                return (
                    f"{misses} in 10 that it never gets above target; if it does, most likely about {about}."
                )
            return f"Above target about {about} if it gets there; {misses} in 10 that it doesn't."
        return f"Above target most likely about {about}; how much later is open."
    return (
        f"Above target most likely about {about}; 1 morning in 10 before "
        f"{moment(low, status.zone, now_at)}, 1 in 10 later than {moment(high, status.zone, now_at)}."
    )


def plateau(status: Status, unit: Unit = "C", spoken: bool = False) -> str:
    target = temperature(status.target_c, unit, (status.target_c,), spoken)
    if status.plateau_c is None:
        return f"Probably won't reach the target of {target}."
    low, mid, high = (temperature(c, unit, limits_of(status), spoken) for c in status.plateau_c)
    return f"Probably levels off near {mid}, between {low} and {high}; target {target}."


def core(status: Status, unit: Unit = "C", spoken: bool = False) -> str:
    """The unprobed core with its range."""
    if status.core_c is None:
        return "Core (crankshaft and bearings): unknown, not measured."
    low, mid, high = (temperature(c, unit, limits_of(status), spoken) for c in status.core_c)
    return f"Core (crankshaft and bearings) about {mid}, between {low} and {high}: estimated, not measured."


def core_shown(status: Status, unit: Unit = "C") -> str:
    """The unprobed core with its range, where its name stands before it: about −10 °C, −12 to −8."""
    if status.core_c is None:
        return "unknown"
    low, mid, high = (temperature(c, unit, limits_of(status)) for c in status.core_c)
    low, high = (text.removesuffix(f" °{unit}") for text in (low, high))
    return f"about {mid}, {low} to {high}"


def holds_if(status: Status) -> str:
    """What `holding` tells, and on what it rests."""
    may_heat = State(status.state) in (State.ABOVE_TARGET, State.READY) and status.heater.heating is not False
    return "Above target if heat stops now" if may_heat else "Above target without heat"


def holding(status: Status) -> str | None:
    """Until when it stays above target, for 9 mornings in 10, if heat goes off or is off, with and without
    the cover; None where nothing is known of it."""
    standing, bare = status.hold_min or (None, None)
    if status.above_until is not None and status.above_until[0] is not None:
        standing = int((utc_seconds(status.above_until[0]) - now_of(status)) / 60)
    if standing is None:
        return None
    until = f"until {_after(status, standing)}"
    if standing < 5:
        return f"was expected {until}; look again"
    if bare is None:
        return until
    uncovered = f"until {_after(status, bare)} with it off" if bare >= 5 else "not with it off"
    return f"{until} with the cover on, {uncovered}"


def _after(status: Status, minutes: int) -> str:
    """The instant so many minutes from now, rounded down to five."""
    return moment(math.floor((now_of(status) + 60 * minutes) / 300) * 300, status.zone, now_of(status))


def _about(status: Status, text: str) -> str:
    """An instant as the middle of a forecast tells it, to five minutes, never before now."""
    at = max(round(utc_seconds(text) / 300) * 300, now_of(status))
    return moment(at, status.zone, now_of(status))


def readiness(status: Status, unit: Unit = "C", spoken: bool = False) -> str | None:
    """When it will be ready, by which rule; or how long it holds; None when neither is the matter."""
    state, now_at = State(status.state), now_of(status)
    if state is State.READY:
        return lasting(status, now_at)
    if state is State.HEATING:
        return _ready_later(status)
    if state is not State.ABOVE_TARGET:
        return None
    if status.ready_rule == "soak":
        if status.ready_at is None:
            return "Ready only once the estimated core has passed the preheat limit; when is open."
        return f"Soak until {moment(utc_seconds(status.ready_at), status.zone, now_at)}, then ready."
    if status.ready_at is None:
        need = temperature(status.need_c, unit, (status.need_c,), spoken)
        return f"Waits for the estimated core to pass {need}."
    return f"Estimated core above the preheat limit about {moment_of(status, status.ready_at)}."


def _ready_later(status: Status) -> str | None:
    """When it will be ready, of an engine that warms, as far as that is announced."""
    if status.above_p50 is None or status.p_reach < 0.5 or utc_seconds(status.above_p50) < now_of(status):
        return None
    if status.ready_at is None:
        return "Ready some time after that; when is open."
    how = "After a soak ready" if status.ready_rule == "soak" else "Ready by the estimated core"
    return f"{how}, most likely about {_about(status, status.ready_at)}."


def hold_end(status: Status) -> str | None:
    """Until when it stays above target for 9 mornings in 10, where that is ahead."""
    low = status.above_until[0] if status.above_until is not None else None
    if low is None:
        return None
    until_at = math.floor(utc_seconds(low) / 300) * 300
    return moment(until_at, status.zone, now_of(status)) if until_at > now_of(status) else None


def lasting(status: Status, now_at: float) -> str | None:
    if status.above_until is None:
        return None
    low, _, _ = status.above_until
    if low is None:
        return None
    until_at = math.floor(utc_seconds(low) / 300) * 300
    until = moment(until_at, status.zone, now_at)
    if until_at <= now_at:
        return f"With heat off it was expected to stay above target until about {until}; look again."
    return f"Above target until about {until} with the cover on, if heat stays off."


def unmeasured(status: Status) -> str | None:
    """What this heater's far places would tell and nobody measures."""
    if not status.unmeasured_far:
        return None
    return (
        f"Above target can only be said where measured; {place_list(status.unmeasured_far)} not measured, "
        "and this heater warms those last."
    )


def rests_on(status: Status) -> str | None:
    """On how many heat-ups of this setup the range rests; None where there is no range or no setup."""
    if State(status.state) not in (State.HEATING, State.LEVELLING_OFF, State.HEATER_STOPPED):
        return None
    earlier = status.learned.heat_ups if status.learned is not None else 0
    if status.learned is not None and status.learned.sister:
        return rests_on_sister(earlier, status.learned.sister, status.learned.sister_called)
    if status.first_of_setup:
        return "First heat-up of this setup: the range is wide on purpose."
    return f"The range rests on {heat_ups(earlier)} of this setup." if earlier else None


def changed(status: Status, spoken: bool = False) -> str | None:
    """What the last heat-up showed to be changed for good; None where nothing is new."""
    if status.learned is None or not status.learned.changed:
        return None
    what = spelled(status.learned.changed).rstrip(".")
    if spoken:
        what = what.replace(" %", " percent")
    return f"The last heat-up was unlike those before it: {what}."


def _heat_due(status: Status) -> str | None:
    """By when heat must be on for the planned start, and why where it is warm enough now; None where no plan
    asks for any, or its start has passed."""
    plan, now_at = status.plan, now_of(status)
    if plan is None or plan.switch_on is None or plan.verdict not in ("heat", "late"):
        return None
    start_at = utc_seconds(plan.earliest or plan.start)
    if start_at <= now_at:
        return None
    start = moment(start_at, status.zone, now_at)
    at = moment(utc_seconds(plan.timer or plan.switch_on), status.zone, now_at)
    if plan.timer is not None:
        is_past = utc_seconds(plan.timer) < now_at
        return f"Have the timer looked at: it was to switch on at {at}." if is_past else None
    warm_now = status.coldest_c is not None and status.coldest_c >= status.need_c
    why = ": by then it is too cold without heat" if warm_now else ""
    if utc_seconds(plan.switch_on) <= now_at:
        return f"Switch the heater on now, for a start at {start}{why}."
    return f"Switch the heater on by {at}, for the start at {start}{why}."


def _by_plan(status: Status) -> str | None:
    """What the plan asks for; None where there is none to go by."""
    plan = status.plan
    if plan is not None and plan.verdict == "none" and utc_seconds(plan.start) > now_of(status):
        cover = " if the cover stays on" if _needs_cover(status, utc_seconds(plan.start)) else ""
        return f"Nothing to do: no heat is needed for {moment_of(status, plan.start)}{cover}."
    return _heat_due(status)


def _needs_cover(status: Status, start_at: float) -> bool:
    """Whether it stays above target until then with the cover on, and not with it off."""
    if status.hold_min is None or status.hold_min[1] is None:
        return False
    left_min = (start_at - now_of(status)) / 60
    return status.hold_min[1] < left_min <= status.hold_min[0]


def next_action(status: Status) -> str:
    """The one thing to do next, for somebody who may be in bed."""
    state = State(status.state)
    if state in _COOLS_OR_COLD and (told := _by_plan(status)) is not None:
        return told
    if status.unprobed and state in _NEXT_BY_HAND:
        return _NEXT_BY_HAND[state]
    if state is State.READY and status.heater.heating is False:
        return "Before the start: heater, cowl plugs, cover, probes and streamer off the aircraft."
    if state in _COOLS_OR_COLD and is_warm_through(status):
        return "Start while it is above target, or heat again."
    if state is State.HEATER_STOPPED and status.plug is not None and status.plug.ended is not None:
        return "Look under Heater on the page why the plug went off; then switch on anew."
    return _NEXT[state]


_COOLS_OR_COLD = frozenset({State.COLD, State.OFF, State.COOLING, State.FLOWN_COOLING, State.ENGINE_RAN})
"""States in which no heat is on, so that a plan says what comes next."""
_NEXT_BY_HAND: Mapping[State, str] = {
    State.PROBE_MISSING: "Measure each required place by hand and enter the readings.",
    State.HEATING: "Measure the next round in about half an hour and enter it.",
}
_NEXT: Mapping[State, str] = {
    State.PROBE_MISSING: "Have the connector at the cowl looked at, or enter a reading by hand.",
    State.TOO_HOT: "Switch the heater off, at the socket or through the person at the field.",
    State.READY: "Switch off and unplug the heater; cowl plugs, cover, probes off.",
    State.ABOVE_TARGET: "Let it soak; leave heat and cover on.",
    State.HEATER_STOPPED: "Have someone look at the heater's plug, its cable and the breaker. "
    "A breaker that trips again stays off.",
    State.LEVELLING_OFF: "Have cover, cowl plugs or more heat added, or give up this start.",
    State.HEATING: "Nothing to do now; leave the heat on.",
    State.ENGINE_RUNS: "Leave the harness alone until the engine is shut down: keep clear of the propeller.",
    State.OIL_OUT: "Have the oil poured back in and its level checked, then say so on the page.",
    State.COLD: "Switch the heater on in time, if somebody flies.",
    State.COOLING: "Heat again if somebody flies, until it is called ready.",
    State.FLOWN_COOLING: "Heat again if somebody flies, until it is called ready.",
    State.ENGINE_RAN: "Heat again if somebody flies, until it is called ready.",
    State.OFF: "Nothing to do; if somebody flies, heat until it is called ready.",
}


def probe_words(probe: ProbeNow, status: Status, unit: Unit = "C") -> str:
    """One place in a phrase: its value, or why there is none, and its trend."""
    if probe.c is None and status.unprobed:
        old = probe.status == Fault.STALE.value
        return "not measured: its last reading is more than 20 min old" if old else "not measured yet"
    if probe.c is None:
        return f"not measured: {fault_words(probe.status)}"
    limits = limits_of(status) if probe.counts else ()
    text = temperature(probe.c, unit, limits)
    if probe.counted_c is not None and probe.reads_heater_c is not None:
        text += (
            f", counted as {temperature(probe.counted_c, unit, limits)}: it read the heater by "
            f"{difference(probe.reads_heater_c, unit)} °{unit} at the last heater-off"
        )
    if probe.status == "by-hand":
        text += ", by hand"
    if probe.near_heater:
        text += ", near heat, not counted"
    if probe.trend_c_per_h is not None and abs(probe.trend_c_per_h) >= 0.5:
        way = "up" if probe.trend_c_per_h > 0 else "down"
        text += f", {way} {difference(probe.trend_c_per_h, unit)} an hour"
    return text


def heater_words(status: Status) -> str:
    """What is known of the heater and how."""
    h = status.heater
    known = {"measured": "measured", "said": "as said", "curve": "seen from the curve"}.get(h.known_by, "")
    if h.heating is None:
        return "Heater: unknown."
    since = f" since {moment(utc_seconds(h.since), status.zone, now_of(status))}" if h.since else ""
    return f"Heater {'on' if h.heating else 'off'}{since}{', ' + known if known else ''}."


def sign(s: SignNow, status: Status) -> str:
    """A sign as a sentence with its time."""
    at = moment(utc_seconds(s.since), status.zone, now_of(status))
    where = place_name(s.place) if s.place else ""
    return _SIGNS[SignKind(s.kind)].format(at=at, Place=capital(where))


def cautions(status: Status) -> tuple[str, ...]:
    """The cautions that belong to the step at hand."""
    state = State(status.state)
    out: list[str] = []
    if status.heater.kind == "combustion":
        out.append(
            "Combustion heater: never alone, never in a closed hangar, refuel it cold, not aimed at hoses, "
            "wiring, fuel lines or fabric. Carbon monoxide."
        )
    if state in (State.READY, State.ABOVE_TARGET, State.COOLING):
        out.append("Off and unplugged before the start: heater, cowl plugs, cover, probes, streamer.")
        out.append(
            "Temperature is not airworthiness: look at frost, snow in cowl and tail, breather, oil cooler, "
            "pitot and static, fuel drains, controls. No oil pressure in the manual's time: shut down."
        )
    if state in (State.HEATING, State.HEATER_STOPPED, State.LEVELLING_OFF, State.TOO_HOT):
        out.append(
            "Fire: look at heater cord, cover and cowl plugs; extinguisher at hand. Mains outdoors: "
            "residual-current protection, dry connectors."
        )
    out.append(
        "Propeller: reaching through the inlets puts your arms in its arc. Switches off, key out, "
        "mixture at cut-off, chocks; treat it as live."
    )
    out.append("Engine and heater manuals, local codes and licensed people come first.")
    return tuple(out)


def hottest(status: Status, unit: Unit, spoken: bool = False) -> str:
    engine = [p for p in status.probes if p.c is not None and p.place not in NEVER_COLDEST]
    if not engine:
        return "no engine point measured"
    hot = max(engine, key=lambda p: p.c if p.c is not None else -math.inf)
    return f"{place_name(hot.place)} at {temperature(hot.c, unit, (), spoken)}"
