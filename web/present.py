"""Layout of what words.py says: which sentence stands where, in which order, how loud. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from probe_agent import words
from probe_agent.readings import SignKind, State
from probe_agent.status import (
    AlertNow,
    FlownNow,
    PlanNow,
    PlugNow,
    ProbeNow,
    Status,
    is_stale,
    stale_after_s,
    utc_seconds,
)
from probe_agent.words import Unit

_SAID_BY_HEATER = frozenset({SignKind.HEATER_ON, SignKind.HEATER_STOPPED})
"""Signs the heater's own sentence tells."""
_HARD_TROUBLE = frozenset(
    {
        State.TOO_HOT,
        State.HEATER_STOPPED,
        State.PROBE_MISSING,
        State.LEVELLING_OFF,
        State.OIL_OUT,
        State.ENGINE_RUNS,
    }
)
"""States that ask somebody to act, or in which somebody can be hurt."""


@dataclass(frozen=True, slots=True)
class ProbeView:
    """One place as drawn and listed. value: None where nothing is measured; mark: one word on the drawing."""

    place: str
    name: str
    value: str | None
    mark: str
    phrase: str
    coldest: bool
    by_hand: bool
    required: bool


@dataclass(frozen=True, slots=True)
class AlertView:
    """An open alert with its sentence and the answers as (value, label). lasts: whether what it asks for is
    still right once nothing is heard any more."""

    id: str
    text: str
    harm: bool
    lasts: bool
    answers: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class FlownView:
    """What is asked of an outing, with its number and the answers as (value, label); else what was told of
    the last one, to correct. count: heat-ups without a flight, None where there is none to speak of."""

    outing: int | None
    asked: str | None
    told: str | None
    answers: tuple[tuple[str, str], ...]
    note: str
    count: str | None


@dataclass(frozen=True, slots=True)
class PlugView:
    """The plug: how it stands, and what can be done: switched on, released."""

    sentences: tuple[str, ...]
    may_on: bool
    locked: bool
    caution: str


@dataclass(frozen=True, slots=True)
class NowView:
    """The page Now, in reading order."""

    aircraft: str
    unit: Unit
    old: bool
    age_s: float | None
    stale_after_s: float
    rate: float
    silence: str
    no_contact: str
    """The silence of an address that can't be reached, as a kept copy of the page tells it."""
    silence_next: str
    troubles: tuple[str, ...]
    tone: str
    verdict: str
    verdict_more: tuple[str, ...]
    """What belongs to the verdict and is no headline: what follows from it, and why."""
    warm_enough: str
    at: str
    """When all this was measured."""
    measured_at: float
    """The same [UTC s], for a phone whose clock shows another hour."""
    age: str
    value: str
    where: str
    by_hand: bool
    """Whether the coldest point was read by hand: then it is older than the document."""
    coldest_head: str
    target: str
    announced: str | None
    announced_more: str
    readiness: str | None
    facts: tuple[tuple[str, str], ...]
    """The estimated core, and how long it holds: (name, what is said)."""
    extra: tuple[str, ...]
    next_action: str
    plan: str | None
    alerts: tuple[AlertView, ...]
    flown: FlownView | None
    heater: str
    heater_measured: bool
    signs: tuple[str, ...]
    oil_out: bool
    plug: PlugView | None
    circuit: tuple[str, ...]
    probes: tuple[ProbeView, ...]
    cautions: tuple[str, ...]
    demo: str | None
    air: tuple[str, ...]
    zone: str
    zone_note: str
    zone_ahead_min: int
    """How far the field's clock is ahead of UTC [min]."""
    layout: str
    spoken: str
    """What the live region says: changes only with verdict and announced sentence."""


def present_now(status: Status, unit: Unit) -> NowView:
    """The page for a document whose age_s has been filled in, in the reader's unit."""
    at = words.moment(words.now_of(status), status.zone, run_now(status))
    verdict = words.verdict(status, unit)
    announced = words.announced(status, unit)
    head, more = _headline(verdict, State(status.state))
    about, range_ = _announced(announced)
    return NowView(
        aircraft=status.aircraft,
        unit=unit,
        old=is_stale(status),
        age_s=status.age_s,
        stale_after_s=stale_after_s(status),
        rate=status.run.rate,
        silence=f"Nothing heard from the aircraft since {at}.",
        no_contact=f"No contact since {at}.",
        silence_next=_silence_next(status),
        troubles=_troubles(status),
        tone=_tone(status),
        verdict=head,
        verdict_more=(*more, *_why(status)),
        warm_enough=words.warm_enough(status),
        at=_stamp(status),
        measured_at=words.now_of(status),
        age=_age(status.age_s),
        value=words.temperature(status.coldest_c, unit, words.limits_of(status)),
        where=words.coldest_place(status),
        by_hand=any(p.place == status.coldest and p.status == "by-hand" for p in status.probes),
        coldest_head="Coldest measured" if status.missing else "Coldest point",
        target=words.temperature(status.target_c, unit, (status.target_c,)),
        announced=about,
        announced_more=range_,
        readiness=None if State(status.state) is State.READY else words.readiness(status, unit),
        facts=_facts(status, unit),
        extra=_extra(status),
        next_action=words.next_action(status),
        plan=_plan_line(status),
        alerts=tuple(_alert(a, status, unit) for a in sorted(status.alerts, key=lambda a: not a.harm)),
        flown=None if status.flown is None else _flown(status.flown, status.zone, run_now(status)),
        heater=words.heater_words(status),
        heater_measured=status.heater.known_by == "measured",
        signs=tuple(words.sign(s, status) for s in status.signs if s.kind not in _SAID_BY_HEATER),
        oil_out=status.oil_out,
        plug=None if status.plug is None else _plug(status.plug, status),
        circuit=status.circuit,
        probes=tuple(_probe(p, status, unit) for p in status.probes),
        cautions=words.cautions(status),
        demo=_demo(status),
        air=_air(status, unit),
        zone=status.zone,
        zone_note=f"Times are the field's ({status.zone.replace('_', ' ')}).",
        zone_ahead_min=_ahead_min(status),
        layout=status.layout,
        spoken=" ".join(s for s in (verdict, announced) if s),
    )


def _headline(verdict: str, state: State) -> tuple[str, tuple[str, ...]]:
    """The verdict's first sentence, and what follows from it, where that doesn't stand beside it already: the
    rule of ready in the answer to whether it is warm enough, the coldest point by name, the order as next."""
    if state is State.READY:
        return f"{verdict.partition(':')[0]}.", ()
    verdict = _capital(verdict.removeprefix("Coldest point "))
    if state is State.TOO_HOT:
        return f"{verdict.partition('. ')[0]}.", ()
    head, _, more = verdict.partition(". ")
    return (f"{head}.", (more,)) if more else (verdict, ())


def _age(age_s: float | None) -> str:
    """How long ago it was measured, in real time; page.js goes on counting the same way."""
    if age_s is None or not math.isfinite(age_s):
        return "an unknown time ago"
    if age_s < 10:
        return "just now"
    if age_s < 90:
        return f"{int(age_s / 10) * 10} s ago"
    return f"{int(age_s / 60)} min ago" if age_s < 5400 else f"{int(age_s / 3600)} h ago"


def _silence_next(status: Status) -> str:
    """The one thing to do where nothing is heard any more: heat that was to go off comes first."""
    if any(_is_off_due(a) for a in status.alerts) or State(status.state) is State.TOO_HOT:
        return "Have the heater switched off at the socket: it was to go off and may still be on."
    return "Have the measuring board, its power and its network looked at, or measure by hand."


def _is_off_due(a: AlertNow) -> bool:
    return a.harm and a.answered is None and "it-is-off" in a.answers


def _announced(told: str | None) -> tuple[str | None, str]:
    """The announced sentence as a headline, and its range below. What makes the time doubtful (an open late
    end, a chance that it never comes) stays beside it; one that most likely never comes is no headline. The
    target stands beside the value already."""
    head, _, rest = (told or "").partition("; ")
    if rest.startswith("target"):
        return f"{head}.", ""
    return (f"{head}.", _capital(rest)) if "later than" in rest or rest.startswith("if it") else (told, "")


def _stamp(status: Status) -> str:
    """When it was measured, with its day: Sat 06:50, or Sat 3 Jan 06:50 once that is past."""
    told = words.moment(words.now_of(status), status.zone, run_now(status))
    return told if told[0].isalpha() else words.stamp(words.now_of(status), status.zone)


def _why(status: Status) -> tuple[str, ...]:
    """Why a required place has no value, where that is the verdict; which places nobody measures, where it
    speaks of those measured; what ready leaves open of the core."""
    state = State(status.state)
    if state is State.PROBE_MISSING:
        return _lost(status)
    if state not in (State.ABOVE_TARGET, State.READY):
        return ()
    return tuple(said for said in (words.unmeasured(status), words.core_beside(status)) if said)


def _lost(status: Status) -> tuple[str, ...]:
    return tuple(
        f"{_capital(words.place_name(p.place))}: {words.fault_words(p.status)}."
        for p in status.probes
        if p.c is None and p.place in status.missing
    )


def _facts(status: Status, unit: Unit) -> tuple[tuple[str, str], ...]:
    holds = words.holding(status)
    told = [("Core, estimated", words.core_shown(status, unit))]
    return tuple(told if holds is None else [*told, (words.holds_if(status), holds)])


def _air(status: Status, unit: Unit) -> tuple[str, ...]:
    """The air at the aircraft, what is known of the air to come, and the wind told for now."""
    found = next((p for p in status.probes if p.place == "ambient"), None)
    here = (
        "The air at the aircraft isn't measured."
        if found is None
        else f"At the aircraft {words.probe_words(found, status, unit)}."
    )
    if status.air is None:
        return (here,)
    wind = words.wind(status.air.wind_m_s)
    said = (here, wind, words.air_basis(status.air, status.zone, run_now(status)))
    return tuple(s for s in said if s)


def _ahead_min(status: Status) -> int:
    shift = datetime.fromtimestamp(words.now_of(status), ZoneInfo(status.zone)).utcoffset()
    return round(shift.total_seconds() / 60) if shift else 0


@dataclass(frozen=True, slots=True)
class PlanView:
    """One planned departure, in reading order. acts: what can be said of it, as (word, label)."""

    number: int
    start: str
    line: str
    sentences: tuple[str, ...]
    next_word: str
    made: str | None
    timer: bool
    acts: tuple[tuple[str, str], ...]


def _plan_line(status: Status) -> str | None:
    if status.plan is None:
        return None
    return words.plan_line(status.plan, status.zone, run_now(status), words.is_full(status))


def present_plan(plan: PlanNow, zone: str, now_at: float, unit: Unit) -> PlanView:
    """A departure as the page lays it out."""
    begun = plan.state in ("heating", "did-not-start") or utc_seconds(plan.start) <= now_at
    acts = [("started", "Started"), ("did-not-start", "Did not start")] if begun else []
    return PlanView(
        plan.departure,
        words.moment(utc_seconds(plan.start), zone, now_at),
        words.plan_line(plan, zone, now_at),
        words.plan_sentences(plan, zone, now_at, unit),
        words.plan_next_word(plan, zone, now_at),
        None if plan.made is None else words.moment(utc_seconds(plan.made), zone, now_at),
        plan.by == "timer" and not plan.attended and plan.timer is None and plan.switch_on is not None,
        (*acts, ("not-flying", "Not flying")),
    )


def _plug(plug: PlugNow, status: Status) -> PlugView:
    may_on = plug.tested and plug.wanted is None and plug.locked is None and plug.says != "away"
    return PlugView(tuple(words.plug_words(status)), may_on, plug.locked is not None, words.PLUG_CAUTION)


def run_now(status: Status) -> float:
    """The run's instant at this moment [UTC s]: the document's, moved on where its rate is constant."""
    rate = status.run.rate
    moving = status.age_s is not None and math.isfinite(rate) and rate > 0
    return words.now_of(status) + (status.age_s or 0.0) * (rate if moving else 0.0)


def _troubles(status: Status) -> tuple[str, ...]:
    out = []
    if not status.clock_ok:
        out.append(
            "The clock of the measuring board is not set: clock times may be wrong, spans of time hold. "
            "It sets itself once the board reaches a time server."
        )
    if status.missing and State(status.state) is not State.PROBE_MISSING:
        out.append(f"Not measured: {words.place_list(status.missing)}.")
        out.extend(_lost(status))
    out.extend(status.notes)
    return tuple(out)


def _tone(status: Status) -> str:
    state = State(status.state)
    if state in _HARD_TROUBLE:
        return "trouble"
    return "reached" if state is State.READY else "plain"


def _rule(status: Status) -> str | None:
    """Which rule decides readiness, where readiness is near enough to matter."""
    if State(status.state) not in (State.HEATING, State.ABOVE_TARGET, State.LEVELLING_OFF):
        return None
    if status.ready_rule == "core":
        return "Ready by rule: the estimated core above the preheat limit."
    return "Ready by rule: an unbroken soak above target, the estimated core not below the preheat limit."


def _extra(status: Status) -> tuple[str, ...]:
    """What else belongs to the numbers: where nothing is measured, on what the range rests, how it was
    borne out, what has changed."""
    said = [words.rests_on(status)]
    if status.learned is not None and said[-1] is not None:
        learned = status.learned
        said.append(words.borne_out(learned.judged, learned.within_min, learned.inside))
    said += [words.changed(status), _rule(status), "Core: crankshaft and bearings. No probe sees them."]
    if State(status.state) not in (State.ABOVE_TARGET, State.READY):
        said.insert(0, words.unmeasured(status))
    return tuple(s for s in said if s)


def _demo(status: Status) -> str | None:
    rate = status.run.rate
    told = ["a simulated engine"] if status.demo else []
    if rate > 0 and rate != 1 and math.isfinite(rate):
        told.append(f"time runs {rate:g} times as fast")
    return f"Demonstration: {', '.join(told)}." if told else None


def _alert(a: AlertNow, status: Status, unit: Unit) -> AlertView:
    answers = () if a.answered else tuple((word, words.answer_label(word)) for word in a.answers)
    return AlertView(a.id, words.alert(a, status, unit), a.harm, _is_off_due(a), answers)


def _flown(flown: FlownNow, zone: str, now_at: float) -> FlownView | None:
    """None where nothing is to be asked, corrected or counted."""
    asked, told = flown.asked, flown.told
    count = None
    if flown.without or flown.unknown:
        hot_at = None if flown.hot is None else utc_seconds(flown.hot)
        count = words.since_flight(hot_at, flown.without, flown.unknown, now_at)
    meant = asked or told
    if meant is None and count is None:
        return None
    return FlownView(
        outing=None if meant is None else meant.outing,
        asked=None if asked is None else words.was_it_flown(asked, zone, now_at),
        told=None if told is None else words.flown_told(told, zone, now_at),
        answers=tuple(words.FLEW_ANSWERS.items()),
        note=words.OIL_NOTE,
        count=count,
    )


def _probe(p: ProbeNow, status: Status, unit: Unit) -> ProbeView:
    shown = None if p.c is None else words.temperature(p.c, unit, words.limits_of(status) if p.counts else ())
    return ProbeView(
        place=p.place,
        name=words.place_name(p.place),
        value=shown,
        mark=_mark(p, status, unit),
        phrase=words.probe_words(p, status, unit),
        coldest=p.place == status.coldest and p.c is not None,
        by_hand=p.status == "by-hand",
        required=p.required,
    )


def _mark(p: ProbeNow, status: Status, unit: Unit) -> str:
    if p.c is None:
        return "not measured"
    if p.place == status.coldest:
        return "coldest seen" if status.missing else "coldest"
    if p.status == "by-hand":
        return "by hand"
    if p.near_heater:
        return "near heat"
    if p.trend_c_per_h is not None and abs(p.trend_c_per_h) >= 0.5:
        way = "up" if p.trend_c_per_h > 0 else "down"
        return f"{way} {words.difference(p.trend_c_per_h, unit)}/h"
    return "steady" if p.trend_c_per_h is not None else ""


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def present_taken(readings: Iterable[Mapping[str, Any]], unit: Unit, zone: str) -> tuple[dict[str, Any], ...]:
    """Readings by hand (as Reader.hand_readings gives them) as id and text."""
    return tuple(
        {
            "id": h["id"],
            "place": h["place"],
            "text": f"{words.place_name(h['place'])} {words.as_typed(h['c'], unit)}, {h['method']}, "
            f"{words.stamp(h['at'], zone)}",
        }
        for h in readings
    )
