"""Messages of how things stand: above target, ready, holding, cooling, later, the look, board back, test."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from probe_agent.readings import State
from probe_agent.status import Status, utc_seconds
from probe_agent.words.engine import (
    RULES,
    announced,
    changed,
    coldest,
    core,
    hold_end,
    lasting,
    next_action,
    plateau,
    readiness,
    verdict,
)
from probe_agent.words.parts import (
    ELSE_COLD,
    About,
    Letter,
    Unit,
    aloud,
    count,
    delay,
    difference,
    few,
    limits_of,
    moment,
    moment_of,
    now_of,
    outward,
    place_list,
    place_name,
    stamp,
    temperature,
    value_of,
)

LOOK_HOLDS_S = 5400.0
_UNPROVEN = "silence proves nothing: look at the page before the start."


def _above(status: Status, unit: Unit, about: About) -> Letter:
    value = value_of(status, unit)
    required = sum(p.required for p in status.probes)
    by_hand = [p.place for p in status.probes if p.required and p.status == "by-hand"]
    all_of = f", all {required} required points measured" if required > 1 and not status.missing else ""
    parts = [(1, coldest(status, unit, spoken=True)[:-1] + all_of + ".")]
    if by_hand:
        parts.append((3, f"By hand: {few(by_hand)}."))
    if status.unmeasured_far:
        parts.append((1, f"Not measured: {place_list(status.unmeasured_far)}; this heater warms those last."))
    else:
        parts.append((2, "Places without a probe may be colder."))
    if (when := readiness(status, unit, spoken=True)) is not None:
        parts.append((1, when))
    parts += [
        (2, "Leave heat and cover on until then."),
        (1, "Next word when ready; if none comes, count the engine as not ready."),
    ]
    if status.unmeasured_far:
        return (f"above target where measured, {value}",), parts
    return (f"coldest point above target, {value}",), parts


def _ready(status: Status, unit: Unit, about: About) -> Letter:
    holds = lasting(status, now_of(status))
    where = " where measured" if status.unmeasured_far else ""
    parts = [
        (1, f"Ready by rule: {RULES[status.ready_rule]}{where}."),
        (1, coldest(status, unit, spoken=True)),
        (3, core(status, unit, spoken=True)),
        (1, holds if holds is not None else "It holds while heat and cover stay on."),
        (1, "Switch off and unplug before opening the cowl."),
        (2, "Plugs, cover and probes off before the start."),
        (1, f"Next word if it cools or heat stays on; {_UNPROVEN}"),
    ]
    value = value_of(status, unit)
    return (f"ready to start{where}, {value}", f"ready{where}, {value}"), parts


def _holding(status: Status, unit: Unit, about: About) -> Letter:
    since = f" since {moment_of(status, status.heater.since)}" if status.heater.since else ""
    holds = lasting(status, now_of(status))
    until = hold_end(status)
    value = value_of(status, unit)
    parts = [
        (1, f"The heater is off{since}."),
        (1, coldest(status, unit, spoken=True)),
        (1, holds if holds is not None else "How long it holds is open."),
        (1, "Start before then, or heat again."),
        (2, "Plugs, cover and probes off before the start."),
        (1, f"Next word when it falls below the target; {_UNPROVEN}"),
    ]
    when = (f"heater off, above target until about {until}",) if until else ()
    return (*when, f"heater off, {value}"), parts


def _cooling(status: Status, unit: Unit, about: About) -> Letter:
    target = temperature(status.target_c, unit, (status.target_c,), spoken=True)
    parts = [
        (1, coldest(status, unit, spoken=True)),
        (1, f'Below the target of {target} again; "ready" and "above target" no longer hold.'),
        (1, "Heat again if somebody flies, or leave it cold; short heating without flight does harm."),
        (1, f"This holds until I write again: next word when heat has brought it above target; {ELSE_COLD}"),
    ]
    return (f"no longer above target, {value_of(status, unit)}",), parts


def _later(status: Status, unit: Unit, about: About) -> Letter:
    start = status.start
    if start is None or start.late_min is None or start.start_at is None:
        return _look(status, unit, about)
    late, at = delay(start.late_min), _start_about(status, start.start_at)
    parts = [
        (1, coldest(status, unit, spoken=True)),
        (1, f"Start most likely possible about {at}; planned {moment_of(status, start.planned_at)}."),
        (3, _announced_spoken(status, unit)),
        (1, "Have cover and plugs put on if they are off, or plan the later start."),
        (1, f"This holds until I write again: next word when above target; {ELSE_COLD}"),
    ]
    parts = [p for p in parts if p[1]]
    return (f"about {late} late, start about {at}", f"start about {at}"), parts


def _look(status: Status, unit: Unit, about: About) -> Letter:
    """The morning look: whatever the state, enough to decide without the page."""
    until = moment(now_of(status) + LOOK_HOLDS_S, status.zone, now_of(status))
    parts = [
        (1, coldest(status, unit, spoken=True)),
        (2, _trend_words(status, unit)),
        (1 if status.state != State.READY else 2, _what_follows(status, unit)),
        (2, start_words(status)),
        (1, next_action(status)),
        (1, f"This holds until {until}."),
        (1, _next_word(status)),
    ]
    return _look_subjects(status, unit), [p for p in parts if p[1]]


def _look_subjects(status: Status, unit: Unit) -> tuple[str, ...]:
    state, value = State(status.state), value_of(status, unit)
    if state is State.HEATING:
        ready = _expected(status)
        when = (f"warming, {value}, target {ready}",) if ready else ()
        return (*when, f"warming, {value}")
    if state is State.PROBE_MISSING and len(status.missing) == 1:
        return f"{place_name(status.missing[0])} not measured", "a place not measured"
    if state is State.PROBE_MISSING:
        return (f"{count(len(status.missing))} places not measured" if status.missing else "not measured",)
    if state is State.OIL_OUT:
        return f"oil out, not ready, {value}", "oil out, not ready"
    facts = {
        State.COLD: f"cold, {value}, no heat",
        State.OFF: f"no heat, {value}",
        State.READY: f"ready to start, {value}",
        State.ABOVE_TARGET: f"above target, {value}, not ready",
        State.LEVELLING_OFF: f"unlikely to reach the target, {value}",
        State.HEATER_STOPPED: f"heat has stopped, {value}",
        State.TOO_HOT: "too hot, switch the heater off",
        State.COOLING: f"cooling, {value}",
        State.FLOWN_COOLING: f"cooling after flight, {value}",
        State.ENGINE_RUNS: f"engine runs, {value}",
        State.ENGINE_RAN: f"cooling after the engine ran, {value}",
    }
    return facts[state], f"{state.value.replace('-', ' ')}, {value}"


def _expected(status: Status) -> str | None:
    """About when it is above target, where that is ahead."""
    if status.above_p50 is None:
        return None
    low = utc_seconds(status.above_p10 or status.above_p50)
    high = None if status.above_p90 is None else utc_seconds(status.above_p90)
    _, mid, _ = outward(low, utc_seconds(status.above_p50), high)
    return f"about {moment(mid, status.zone, now_of(status))}" if mid > now_of(status) else None


def _what_follows(status: Status, unit: Unit) -> str:
    """What the state means for the next hours, in a sentence or two."""
    state = State(status.state)
    if state is State.LEVELLING_OFF:
        return plateau(status, unit, spoken=True)
    if state is State.HEATING:
        return f"{verdict(status, unit)} {_announced_spoken(status, unit)}".strip()
    if state in (State.ABOVE_TARGET, State.READY):
        follows = readiness(status, unit, spoken=True)
        return f"{verdict(status, unit)} {follows}" if follows else verdict(status, unit)
    if state is State.PROBE_MISSING:
        return "Until all are measured no word on above target or ready."
    return aloud(verdict(status, unit))


def _announced_spoken(status: Status, unit: Unit = "C") -> str:
    """The announced forecast as a message says it; empty where there is none."""
    return aloud(announced(status, unit) or "")


def _trend_words(status: Status, unit: Unit) -> str:
    found = next((p for p in status.probes if p.place == status.coldest), None)
    if found is None or found.trend_c_per_h is None or abs(found.trend_c_per_h) < 0.5:
        return ""
    way = "Up" if found.trend_c_per_h > 0 else "Down"
    return f"{way} {difference(found.trend_c_per_h, unit)} °{unit} an hour."


def start_words(status: Status) -> str:
    """What the planned start can count on."""
    start = status.start
    if start is None:
        return ""
    planned = moment_of(status, start.planned_at)
    if utc_seconds(start.planned_at) <= now_of(status):
        return f"The planned start {planned} has passed."
    if start.late_min is None:
        return f"Planned start {planned}: whether it can be kept is open."
    if start.start_at is None or start.late_min < 5:
        return f"You can most likely keep {planned}."
    at = _start_about(status, start.start_at)
    return f"Planned start {planned}: about {delay(start.late_min)} late, about {at}."


def _start_about(status: Status, text: str) -> str:
    """An instant rounded up to five minutes."""
    at = math.ceil(utc_seconds(text) / 300) * 300
    return moment(at, status.zone, now_of(status))


def _next_word(status: Status) -> str:
    state = State(status.state)
    if state is State.READY:
        return f"Next word if it cools or heat stays on; {_UNPROVEN}"
    if state is State.ABOVE_TARGET:
        return "Next word when ready; if none comes, count the engine as not ready."
    if state is State.TOO_HOT:
        return "Next word while it stays too hot; if none comes, count it as too hot."
    if state is State.PROBE_MISSING:
        return f"Next word when all required points are above target; {ELSE_COLD}"
    return f"Next word when above target; {ELSE_COLD}"


def _back(status: Status, unit: Unit, about: About) -> Letter:
    """Measuring goes on after a gap: what was before it, and what is now."""
    missed = status.missed
    if missed is None:
        return _look(status, unit, about)
    since, until = moment_of(status, missed.since), moment_of(status, missed.until)
    now = coldest(status, unit, spoken=True)
    was = _STATES_THEN.get(missed.state or "", "unknown")
    at = ""
    if missed.coldest is not None and missed.coldest_c is not None:
        then_c = temperature(missed.coldest_c, unit, limits_of(status), spoken=True)
        at = f", {then_c} at {place_name(missed.coldest)}"
    parts = [
        (1, f"Nothing was measured from {since} to {until}; before that: {was}{at}."),
        (1, f"Now: {now[:1].lower()}{now[1:]}"),
        (2, _what_follows(status, unit)),
        (3, start_words(status)),
        (1, "Have mains and board looked at unless somebody cut the power."),
        (1, "This holds until I write again."),
        (1, _next_word(status)),
    ]
    return (f"board is back, missed {since} to {until}", f"board is back since {until}", "board is back"), [
        p for p in parts if p[1]
    ]


_STATES_THEN: Mapping[str, str] = {
    "cold": "cold, no heat",
    "heating": "warming",
    "above-target": "above target",
    "ready": "ready",
    "levelling-off": "leveling off below the target",
    "heater-stopped": "heat had stopped",
    "too-hot": "too hot",
    "probe-missing": "not measured in full",
    "cooling": "cooling",
    "flown-cooling": "cooling after flight",
    "off": "no heat",
}


def _test(status: Status, unit: Unit, about: About) -> Letter:
    now_at = now_of(status)
    how = f"At the board, type: probe-agent received {about.code}." if about.code else ""
    next_at = moment(about.next_at, status.zone, now_at) if about.next_at is not None else None
    if next_at is not None and about.next_at is not None and about.next_at - now_at > 6 * 86_400:
        next_at = f"in a week, {stamp(about.next_at, status.zone)}"
    parts = [
        (1, "A test: it shows that my messages reach you."),
        (2, coldest(status, unit, spoken=True)),
        (1, 'Open the link once and press "I got it".' if about.link else how or "Nothing to do."),
        (1, "Until you have answered one, nobody should count on messages reaching you."),
        (1, f"Next word: the next test {next_at}; " if next_at else "Next word when there is news; "),
    ]
    parts[-1] = (1, parts[-1][1] + "if none comes, messages don't reach you.")
    return ("test message, please answer",), parts


def _changed(status: Status, unit: Unit, about: About) -> Letter:
    parts = [
        (1, changed(status, spoken=True) or "The last heat-up was unlike those before it."),
        (1, coldest(status, unit, spoken=True)),
        (2, "Have heater, cord, cover and plugs looked at before the next cold morning."),
        (3, "If it was meant, nothing need be done: the forecast follows from heat-up to heat-up."),
        (1, f"This is said once and holds until the next heat-up. Next word then; {ELSE_COLD}"),
    ]
    return ("this setup heats unlike before",), parts


LETTERS: Mapping[str, Callable[[Status, Unit, About], Letter]] = {
    "morning-look": _look,
    "later": _later,
    "above-target": _above,
    "ready": _ready,
    "setup-changed": _changed,
    "holding": _holding,
    "cooling": _cooling,
    "board-back": _back,
    "test": _test,
}
