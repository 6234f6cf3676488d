"""Layout of what words.py says: which sentence stands where, in which order, how loud. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

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
_HARD_TROUBLE = frozenset({State.TOO_HOT, State.HEATER_STOPPED, State.PROBE_MISSING})


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
    """An open alert with its sentence and the answers as (value, label)."""

    id: str
    text: str
    harm: bool
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
    silence_next: str
    troubles: tuple[str, ...]
    tone: str
    verdict: str
    measured: str
    value: str
    where: str
    coldest_head: str
    target: str
    announced: str | None
    readiness: str | None
    rule: str | None
    core: str
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
    probes: tuple[ProbeView, ...]
    cautions: tuple[str, ...]
    demo: str | None
    zone: str
    zone_note: str
    layout: str
    spoken: str
    """What the live region says: changes only with verdict and announced sentence."""


def present_now(status: Status, unit: Unit) -> NowView:
    """The page for a document whose age_s has been filled in, in the reader's unit."""
    at = words.moment(words.now_of(status), status.zone, run_now(status))
    verdict = words.verdict(status, unit)
    announced = words.announced(status, unit)
    coldest = words.temperature(status.coldest_c, unit, words.limits_of(status))
    return NowView(
        aircraft=status.aircraft,
        unit=unit,
        old=is_stale(status),
        age_s=status.age_s,
        stale_after_s=stale_after_s(status),
        rate=status.run.rate,
        silence=f"No word from the board since {at}.",
        silence_next=(
            "Count the engine as cold. Look at the board, its supply and its network, "
            "or have someone measure by hand."
        ),
        troubles=_troubles(status),
        tone=_tone(status),
        verdict=verdict,
        measured=f"Measured {words.stamp(words.now_of(status), status.zone)}",
        value=coldest,
        where=words.place_name(status.coldest) if status.coldest else "no required place has a value",
        coldest_head="Coldest point of those measured" if status.missing else "Coldest point",
        target=words.temperature(status.target_c, unit, (status.target_c,)),
        announced=announced,
        readiness=words.readiness(status, unit),
        rule=_rule(status),
        core=words.core(status, unit),
        extra=_extra(status),
        next_action=words.next_action(status),
        plan=None if status.plan is None else words.plan_line(status.plan, status.zone, run_now(status)),
        alerts=tuple(_alert(a, status, unit) for a in status.alerts),
        flown=None if status.flown is None else _flown(status.flown, status.zone, run_now(status)),
        heater=words.heater_words(status),
        heater_measured=status.heater.known_by == "measured",
        signs=tuple(words.sign(s, status) for s in status.signs if s.kind not in _SAID_BY_HEATER),
        oil_out=status.oil_out,
        plug=None if status.plug is None else _plug(status.plug, status),
        probes=tuple(_probe(p, status, unit) for p in status.probes),
        cautions=words.cautions(status),
        demo=_demo(status),
        zone=status.zone,
        zone_note=f"Times are the field's ({status.zone.replace('_', ' ')}).",
        layout=status.layout,
        spoken=" ".join(s for s in (verdict, announced) if s),
    )


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
            "The board's clock is not set: clock times may be wrong, spans of time hold. "
            "It sets itself once the board reaches a time server."
        )
    if status.missing and State(status.state) is not State.PROBE_MISSING:
        out.append(f"Not measured: {words.place_list(status.missing)}.")
    missing = set(status.missing)
    out.extend(
        f"{_capital(words.place_name(p.place))}: {words.fault_words(p.status)}."
        for p in status.probes
        if p.c is None and p.place in missing
    )
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
        return "Ready by rule: the estimated core above the need-limit."
    return (
        "Ready by rule: a soak without a break above target, and the estimated core not below the need-limit."
    )


def _extra(status: Status) -> tuple[str, ...]:
    """What else belongs to the numbers: where nothing is measured, on what the range rests, how it was
    borne out, what has changed."""
    said = [words.unmeasured(status), words.rests_on(status)]
    if status.learned is not None and said[-1] is not None:
        learned = status.learned
        said.append(words.borne_out(learned.judged, learned.within_min, learned.inside))
    said.append(words.changed(status))
    return tuple(s for s in said if s)


def _demo(status: Status) -> str | None:
    rate = status.run.rate
    told = ["a simulated engine"] if status.demo else []
    if rate > 0 and rate != 1 and math.isfinite(rate):
        told.append(f"time runs {rate:g} times as fast")
    return f"Demonstration: {', '.join(told)}." if told else None


def _alert(a: AlertNow, status: Status, unit: Unit) -> AlertView:
    answers = () if a.answered else tuple((word, words.answer_words(word)) for word in a.answers)
    return AlertView(a.id, words.alert(a, status, unit), a.harm, answers)


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
            "text": f"{words.place_name(h['place'])} {words.temperature(h['c'], unit)}, {h['method']}, "
            f"{words.stamp(h['at'], zone)}",
        }
        for h in readings
    )
