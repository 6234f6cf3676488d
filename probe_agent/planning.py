"""Whether heat is needed for an engine start, when it must go on, and what to say of it. Pure.

A plan belongs to one departure and is worked out from one tick, frozen as a `Snapshot`. Instants are UTC
seconds here; the run's seconds of the samples appear only where they are asked.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, time, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

from probe_agent.config import Settings, SwitchedBy
from probe_agent.readings import Fan
from probe_agent.thermal.ahead import AirAhead, AirKnown, RestsOn, air_ahead
from probe_agent.thermal.air import AirForecast
from probe_agent.thermal.answers import (
    Band,
    Exposure,
    Outlook,
    ReadyRule,
    Soaked,
    SwitchOn,
    covered,
    flown,
    latest_switch_on,
    soaked,
    switched_on,
    unflown,
)
from probe_agent.thermal.answers import (
    settled as settled_at,
)

Need = Literal["yes", "no", "unclear"]
State = Literal["planned", "heating", "delayed", "did-not-start", "started", "not-flying", "passed"]
OPEN: tuple[State, ...] = ("planned", "heating", "delayed", "did-not-start")
"""States in which a departure is still watched."""

QUARTER_S = 900.0
FAR_S = 86_400.0
"""A start further away than this is planned anew each hour, not each quarter of one."""
EARLIER_S = 300.0
"""A switch-on moves to an earlier instant only by so much or more,"""
LATER_S = 900.0
"""to a later one by so much, and not at all once it is near:"""
SETTLED_S = 3600.0
STEP_S = 300.0
"""Switch-ons are told in whole steps, rounded to the earlier side."""
LATE_S = 300.0
"""A start counts as late from here on; once late, only when nothing is left of it does it count as kept."""
PASSED_AFTER_S = 7200.0
"""So long after its start a departure nobody spoke of has passed."""
FURTHEST_S = 14 * 86_400.0
CHANGED_S = 900.0
"""A start that is late by so much more than was told is told,"""
SOONER_S, MUCH_LATER_S = 2700.0, 5400.0
"""and a switch-on that is sooner or later by so much: less is the answers' own scatter from hour to hour."""
MOST_WORDS = 4
"""Of a plan; after them only the switch-on's own, so that a morning keeps within its budget."""
SLIPS_S = 1800.0
"""A start that was told to be late is told again only where it slips by so much more."""
NEVER_S = 1e6
"""Told as late by this: that the start can't be had. JSON knows no infinity."""
NOTICE_S = 900.0
"""So long before a person must set out the switch-on word goes out."""
NEED_SLACK = 0.04
"""By how much the chance must pass its limit before "no" is taken back, or "yes" is."""
SLACK_C = 0.75
"""How far the coldest point may leave the range a plan counted on before it is worked out anew."""
SHORT_BY = 0.1
"""A start still kept with little less than the wished certainty is told with what it is kept with: the late
tail of a first heat-up is hours long and helps nobody."""
LONGEST_SESSION_S = 7200.0
"""Nobody is asked to stand by a combustion heater for longer; 20 to 60 min is usual (from memory, no source).
"""
LIKELIER = 0.8  # the certainty offered where a start can't be kept with more
LEAST = 0.5
"""Where a start can't be had even with this certainty, it can't be had."""
_STEP = 0.05
SHORTEST_FLIGHT_S, LONGEST_FLIGHT_S = 1200.0, 10_800.0
"""A flight nobody tells the end of ends anywhere between, counted from its start, but not later than"""
BEFORE_NEXT_S = 1800.0
"""before the next start. Judgement, no source."""
AWAY_S = 43_200.0
"""So long after "started" an engine whose harness is off is taken to be flying or just flown."""


# -- what is planned


@dataclass(frozen=True, slots=True)
class Counted:
    """The cold soak a plan counted on: instants, and between what the coldest point should be [°C]."""

    at: tuple[float, ...] = ()
    low_c: tuple[float, ...] = ()
    high_c: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Rests:
    """What a decision rests on.

    coldest, coldest_c: the coldest point now; missing: required places without a value; heat_ups: on how
    many the cooling and warming rest, 0: on what is usual for such an engine,
    or on `sister` heat-ups of another one; air, air_age_s: how the coming
    air is known and how old that is; heated_hangar, flown: where the warmth comes from; after_another: an
    earlier departure comes first, and its heat is counted as if it then didn't fly; flight_at: the start of
    the flight whose heat is counted, nothing being measured since.
    """

    coldest: str | None = None
    coldest_c: float | None = None
    missing: tuple[str, ...] = ()
    heat_ups: int = 0
    air: RestsOn = "nothing"
    air_age_s: float | None = None
    heated_hangar: bool = False
    flown: bool = False
    after_another: bool = False
    flight_at: float | None = None
    sister: int = 0


@dataclass(frozen=True, slots=True)
class Flown:
    """The same start after a flight of the earlier departure: whether heat is needed, its chance, and the
    latest switch-on; None: none, or none that keeps the start."""

    need: Need
    chance: float
    switch_on_at: float | None = None


@dataclass(frozen=True, slots=True)
class Help:
    """What would help a start that can't be kept: "cover" (cover and plugs on now), "certainty" (content with
    fewer mornings), "earlier" (heat next time so much earlier). start_at: the start it then allows."""

    kind: Literal["cover", "certainty", "earlier"]
    start_at: float | None = None
    by_s: float | None = None


@dataclass(frozen=True, slots=True)
class Plan:
    """What was worked out for one departure.

    need, chance: whether heat is needed, and the chance that the engine is below the limit without any;
    None: can't be told. by_air: the manual's limit of air and hours says so, not the coldest point's.
    coldest_c: the coldest at the start without heat, 10/50/90 %. verdict: "none" no heat, "heat" from
    switch_on_at, "late": the start is kept from start_at on, late_s after the wished one, heated from
    switch_on_at; "never": it doesn't get there; "unknown": nothing measured. at_best: the certainty the
    answer is for where the wished one can't be had, however early heat goes on. kept: the chance that the
    wished start is kept. above: when the coldest point is above target then, 10/50/90 %, None for never.
    if_flown: what holds instead where an earlier departure flies; the rest is for one that doesn't.
    """

    made_at: float
    need: Need
    chance: float | None
    rests: Rests
    verdict: Literal["none", "heat", "late", "never", "unknown"]
    coldest_c: Band | None = None
    by_air: bool = False
    switch_on_at: float | None = None
    at_best: float | None = None
    kept: float | None = None
    start_at: float | None = None
    late_s: float | None = None
    above: tuple[float | None, float | None, float | None] | None = None
    helps: tuple[Help, ...] = ()
    counted: Counted = Counted()
    basis: str = ""
    if_flown: Flown | None = None


@dataclass(frozen=True, slots=True)
class Told:
    """What people were told of a plan last, and how often."""

    words: int = 0
    at: float | None = None
    need: Need | None = None
    switch_on_at: float | None = None
    late_s: float | None = None
    switch_word_at: float | None = None


@dataclass(frozen=True, slots=True)
class Departure:
    """One engine start somebody plans. Nothing repeats by itself.

    start_at: the wished start; certainty: in which share of mornings it is to be kept; uncovered_s: from
    heater and cover off to the start; travel_s: how long whoever switches needs to the aircraft; by: who
    switches; attended: a combustion heater, never alone; timer_at: what a timer was set to when the pilot
    left, final from then on. number: 0 while only asked about.
    """

    number: int
    start_at: float
    made_at: float
    certainty: float = 0.9
    uncovered_s: float = 1200.0
    travel_s: float = 0.0
    by: SwitchedBy = "person"
    attended: bool = False
    state: State = "planned"
    timer_at: float | None = None
    changed_at: float | None = None
    plan: Plan | None = None
    told: Told = Told()

    @property
    def is_open(self) -> bool:
        return self.state in OPEN

    @property
    def off_at(self) -> float:
        """When heater and cover come off."""
        return self.start_at - self.uncovered_s


@dataclass(frozen=True, slots=True)
class PlanRules:
    """The owner's and the manual's limits, and when people are spoken to.

    limit_c: heat is needed below it; air_below_c, air_s: or after air below that for so long; ready: what
    must hold when heater and cover come off; evening: local time of the word before a departure.
    """

    limit_c: float
    soak_s: float
    core_c: float | None
    core_share: float
    zone: str
    evening: time = time(19, 30)
    air_below_c: float | None = None
    air_s: float | None = None
    cover_missing: bool = False
    plugs_missing: bool = False
    stands: str = "outside"

    def ready(self, uncovered_s: float) -> ReadyRule:
        return ReadyRule(self.soak_s, uncovered_s, self.core_c, self.core_share)


@dataclass(frozen=True, slots=True)
class Snapshot:
    """One tick, frozen: all a plan is worked out from.

    outlook, air: in run seconds; run seconds + offset_s = UTC. outlook: None before any reading, from the
    last ones where nothing is measured now; air: all that is known of it; air_now_c: as measured now. basis:
    changes when weather, memory, heating or missing places do.
    """

    now_at: float
    offset_s: float
    outlook: Outlook | None
    air: AirKnown = field(default_factory=AirKnown)
    air_now_c: float | None = None
    coldest: str | None = None
    coldest_c: float | None = None
    missing: tuple[str, ...] = ()
    heating: bool | None = None
    flown: bool = False
    heat_ups: int = 0
    sister: int = 0
    basis: str = ""

    @property
    def is_measured(self) -> bool:
        return self.coldest is not None


def plan_rules(settings: Settings, zone: str) -> PlanRules:
    """The rules of a settings file; zone: the field's."""
    limits, wishes, setup = settings.limits, settings.planning, settings.setup
    is_core = limits.ready_rule == "core"
    stands = setup.stands if setup is not None else "outside"
    return PlanRules(
        limit_c=limits.need_below_c,
        soak_s=0.0 if is_core else limits.soak_min * 60,
        core_c=limits.need_below_c,
        core_share=limits.core_certainty if is_core else 0.5,
        zone=zone,
        evening=time.fromisoformat(wishes.evening),
        air_below_c=limits.need_air_below_c,
        air_s=None if limits.need_air_hours is None else limits.need_air_hours * 3600,
        cover_missing=setup is not None and not setup.cover,
        plugs_missing=setup is not None and not setup.cowl_plugs,
        stands=stands,
    )


# -- the decision and the plan


def plan(
    departure: Departure, snapshot: Snapshot, rules: PlanRules, earlier: Sequence[Departure] = ()
) -> Plan:
    """What is to be done for a departure. Settled against the plan it has, so that it rests.

    earlier: the open departures before it, the next one first, whose heat comes first; or one that has
    started, whose flight counts while nothing is measured.
    """
    aim = _aimed(departure, snapshot.now_at)
    ahead = _ahead(aim, snapshot)
    earlier = tuple(e for e in earlier if _counts(e, aim, snapshot.now_at))
    flight_at = _flight_at(earlier, snapshot)
    rests = _rests(snapshot, ahead, rules, earlier, flight_at)
    if snapshot.outlook is None or not (snapshot.is_measured or flight_at is not None):
        return Plan(snapshot.now_at, "unclear", None, rests, "unknown", basis=snapshot.basis)
    outlook = settled_at(snapshot.outlook, ahead.air, rules.stands == "outside", ahead.is_change)
    now = _Question(aim, departure.start_at, outlook, snapshot, rules, ahead.air, snapshot.now_at)
    return _planned(departure, _after(now, earlier, flight_at), rests)


def _planned(departure: Departure, asked: _Question, rests: Rests) -> Plan:
    """The plan from the samples as they are when its turn comes."""
    snapshot, before = asked.snapshot, departure.plan
    cold = asked.cold_soak()
    need = _need(cold.chance_needed, departure.certainty, before, bool(snapshot.missing))
    if snapshot.heating and before is not None:
        need = before.need  # what it would be without heat is no longer the question
    by_air = cold.chance_exposed is not None and cold.chance_exposed > cold.chance_below
    is_now = asked.from_at <= snapshot.now_at
    known = Plan(
        snapshot.now_at,
        need,
        cold.chance_needed,
        rests,
        "none",
        coldest_c=cold.coldest_c,
        by_air=by_air,
        counted=_counted(cold.fan, snapshot.offset_s) if is_now else Counted(),
        basis=snapshot.basis,
        if_flown=asked.if_flown,
    )
    if rests.flight_at is not None and _need(cold.chance_needed, departure.certainty, before, False) == "no":
        return known  # unclear only because nothing is measured meanwhile
    if need == "no" and not snapshot.heating and departure.timer_at is None and not _heats_again(departure):
        return known
    return _with_heat(known, asked, before)


# -- what comes first


def _counts(earlier: Departure, aim: Departure, now_at: float) -> bool:
    """Whether an earlier departure leaves something to the one asked about."""
    if earlier.state == "started":
        return earlier.changed_at is not None and now_at < earlier.changed_at + AWAY_S
    return earlier.is_open and now_at < _goes_at(earlier) < aim.off_at


def _goes_at(earlier: Departure) -> float:
    """When an open departure starts, as it is planned."""
    made = earlier.plan
    return made.start_at if made is not None and made.start_at is not None else earlier.start_at


def _flight_at(earlier: Sequence[Departure], snapshot: Snapshot) -> float | None:
    """When the engine started that is away now; None where it is measured, or nobody said so."""
    started = [e.changed_at for e in earlier if e.state == "started" and e.changed_at is not None]
    return max(started) if started and not snapshot.is_measured else None


def _after(asked: _Question, earlier: Sequence[Departure], flight_at: float | None) -> _Question:
    """The question asked of the samples as what comes first leaves them."""
    if flight_at is not None:
        asked = _landed(asked, flight_at)
    first = [e for e in earlier if e.is_open]
    if not first:
        return asked
    cold = asked
    for other in first:
        cold = _unflown(cold, other)
    return replace(cold, if_flown=_if_flown(asked, _goes_at(first[-1])))


def _unflown(asked: _Question, other: Departure) -> _Question:
    """Asked of the samples after another departure's heat; its engine stands uncovered until its start."""
    made, goes_at = other.plan, _goes_at(other)
    if goes_at <= asked.from_at:
        return asked
    on_at = asked.snapshot.now_at if asked.snapshot.heating else other.timer_at
    if on_at is None and made is not None:
        on_at = made.switch_on_at
    s = asked.snapshot.offset_s
    on_s = None if on_at is None else on_at - s
    left = unflown(asked.outlook, asked.air, on_s, goes_at - other.uncovered_s - s, goes_at - s)
    cold = replace(asked.snapshot, heating=False)
    return replace(asked, outlook=left, snapshot=cold, from_at=goes_at)


def _landed(asked: _Question, flight_at: float) -> _Question:
    """Asked of the samples after a flight that began at flight_at."""
    s, now_at = asked.snapshot.offset_s, asked.from_at
    last_at = max(min(flight_at + LONGEST_FLIGHT_S, asked.departure.start_at - BEFORE_NEXT_S), now_at)
    first_at = min(max(flight_at + SHORTEST_FLIGHT_S, now_at), last_at)
    left = flown(asked.outlook, asked.air, first_at - s, last_at - s)
    return replace(asked, outlook=left, from_at=last_at, snapshot=replace(asked.snapshot, heating=False))


def _if_flown(asked: _Question, flight_at: float) -> Flown:
    """What holds where the earlier departure flies. Heat is asked for with the cover on again."""
    hot = _landed(asked, flight_at)
    chance = hot.cold_soak().chance_needed
    need = _need(chance, hot.departure.certainty, None, missing=False)
    if need == "no":
        return Flown(need, chance)
    is_again = replace(hot.outlook, a=asked.outlook.a, uncovering=asked.outlook.uncovering)
    answer = replace(hot, outlook=is_again).latest()
    return Flown(need, chance, hot.utc(answer.at_s) if answer.verdict == "heat" else None)


def _heats_again(departure: Departure) -> bool:
    return departure.state == "did-not-start"


def _aimed(departure: Departure, now_at: float) -> Departure:
    """The departure as it can still be asked about: a start that has passed is wished as soon as may be."""
    return replace(departure, start_at=max(departure.start_at, now_at + departure.uncovered_s + 60.0))


def _ahead(aim: Departure, snapshot: Snapshot) -> AirAhead:
    samples = len(snapshot.outlook.weight) if snapshot.outlook is not None else 1
    now_s = snapshot.now_at - snapshot.offset_s
    return air_ahead(snapshot.air, now_s, aim.start_at - snapshot.offset_s, samples)


def _rests(
    snapshot: Snapshot,
    ahead: AirAhead,
    rules: PlanRules,
    earlier: Sequence[Departure],
    flight_at: float | None,
) -> Rests:
    issued_s = ahead.issued_s
    return Rests(
        snapshot.coldest,
        snapshot.coldest_c,
        snapshot.missing,
        snapshot.heat_ups,
        ahead.rests_on,
        None if issued_s is None else max(snapshot.now_at - snapshot.offset_s - issued_s, 0.0),
        rules.stands == "heated",
        snapshot.flown,
        any(e.is_open for e in earlier),
        flight_at,
        snapshot.sister,
    )


def _need(chance: float, certainty: float, before: Plan | None, missing: bool) -> Need:
    """No where the chance that heat is needed is as small as the owner's doubt, yes where it is as large as
    the owner's certainty. Quick to doubt: what stood is left at once where the chance is past its limit by
    NEED_SLACK. A missing required place never lets it be no."""
    doubt, stood = 1 - certainty, before.need if before is not None else None
    no_until = doubt + (NEED_SLACK if stood == "no" else 1e-9)
    yes_from = certainty - (NEED_SLACK if stood == "yes" else 1e-9)
    if chance <= no_until:
        return "unclear" if missing else "no"
    return "yes" if chance >= yes_from else "unclear"


def _counted(fan: Fan, offset_s: float) -> Counted:
    return Counted(
        tuple(round(t + offset_s) for t in fan.t_s),
        tuple(round(c, 2) for c in fan.low_c),
        tuple(round(c, 2) for c in fan.high_c),
    )


@dataclass(frozen=True, slots=True)
class _Question:
    """One departure asked of one tick's samples; wished_at: the start it has, where that is past; from_at:
    when its own turn comes, at which the outlook is; if_flown: what holds where an earlier one flies."""

    departure: Departure
    wished_at: float
    outlook: Outlook
    snapshot: Snapshot
    rules: PlanRules
    air: AirForecast
    from_at: float
    if_flown: Flown | None = None

    @property
    def start_s(self) -> float:
        return self.departure.start_at - self.snapshot.offset_s

    @property
    def rule(self) -> ReadyRule:
        return self.rules.ready(self.departure.uncovered_s)

    def cold_soak(self) -> Soaked:
        return soaked(self.outlook, self.air, self.start_s, self.rules.limit_c, self._exposure())

    def _exposure(self) -> Exposure | None:
        if self.rules.air_below_c is None or self.rules.air_s is None:
            return None
        past = self.snapshot.air.own
        return Exposure(
            self.rules.air_below_c,
            self.rules.air_s,
            tuple(t_s for t_s, _ in past),
            tuple(c for _, c in past),
            self.snapshot.air_now_c,
        )

    def latest(self) -> SwitchOn:
        return latest_switch_on(self.outlook, self.air, self.start_s, self.departure.certainty, self.rule)

    def heated_from(
        self, on_at: float, certainty: float | None = None, outlook: Outlook | None = None
    ) -> SwitchOn:
        return switched_on(
            outlook if outlook is not None else self.outlook,
            self.air,
            on_at - self.snapshot.offset_s,
            self.start_s,
            certainty if certainty is not None else self.departure.certainty,
            self.rule,
        )

    def utc(self, t_s: float | None) -> float | None:
        return None if t_s is None or not math.isfinite(t_s) else t_s + self.snapshot.offset_s


def _with_heat(known: Plan, asked: _Question, before: Plan | None) -> Plan:
    """The plan with its switch-on, for the wished certainty or the best that can be had. One that had to be
    content with less stays so until the wished one keeps the start."""
    wished = asked.departure.certainty
    found = _heated(known, asked, before)
    stood = before.at_best if before is not None else None
    if stood is not None and stood < wished and found.verdict in ("late", "never"):
        found = _content_with(stood, known, asked, before)
    return _best(found, known, asked, before) if found.verdict == "never" else found


def _best(never: Plan, known: Plan, asked: _Question, before: Plan | None) -> Plan:
    """The plan for the largest certainty that can be had at all, found by halving: what can be had with one
    can be had with less."""
    steps = round((asked.departure.certainty - LEAST) / _STEP)
    few, many, best = 0, steps + 1, never
    while many - few > 1:
        middle = (few + many) // 2
        found = _content_with(asked.departure.certainty - middle * _STEP, known, asked, before)
        if found.verdict == "never":
            few = middle
        else:
            many, best = middle, found
    return best


def _content_with(certainty: float, known: Plan, asked: _Question, before: Plan | None) -> Plan:
    certainty = round(certainty, 2)
    content = replace(asked, departure=replace(asked.departure, certainty=certainty))
    return replace(_heated(known, content, before), at_best=certainty)


def _heated(known: Plan, asked: _Question, before: Plan | None) -> Plan:
    """The switch-on: fixed where heat is on or a timer is set, else the latest one, but not before whoever
    switches can be there."""
    departure, now_at = asked.departure, asked.snapshot.now_at
    fixed_at = now_at if asked.snapshot.heating else departure.timer_at
    if fixed_at is not None:
        return _judged(known, asked, before, asked.heated_from(fixed_at), max(fixed_at, asked.from_at))
    answer = asked.latest()
    if answer.verdict == "none":
        return replace(known, kept=round(answer.chance, 3))
    if answer.verdict == "never":
        return replace(known, verdict="never", kept=round(answer.chance, 3))
    there_at = now_at + (departure.travel_s if departure.by in ("person", "pilot") else 0.0)
    there_at = max(there_at, asked.from_at)
    if departure.attended:
        there_at = max(there_at, departure.off_at - LONGEST_SESSION_S)
    wanted_at = asked.utc(answer.at_s)
    if wanted_at is not None and wanted_at >= there_at:
        at = settled(before.switch_on_at if before else None, wanted_at, now_at, there_at)
        return _judged(known, asked, before, answer, at)
    answer = asked.heated_from(there_at)
    less = _little_less(asked, answer)
    return (
        _judged(known, asked, before, answer, there_at)
        if less is None
        else _content_with(less, known, asked, before)
    )


def _little_less(asked: _Question, answer: SwitchOn) -> float | None:
    """The certainty, in whole steps, that a start still ahead is kept with where the wished one can't be had,
    if little is missing; in an attended session whatever it gives: who stands by sees how it goes."""
    departure = asked.departure
    if answer.verdict == "heat" or departure.start_at != asked.wished_at:
        return None
    least = LEAST if departure.attended else departure.certainty - SHORT_BY
    return math.floor(answer.chance / _STEP + 1e-9) * _STEP if answer.chance >= least else None


def settled(before_at: float | None, wanted_at: float, now_at: float, not_before_at: float) -> float:
    """The switch-on that is told: the wanted one on its step, unless the one that stood is near enough.

    Sooner moves by EARLIER_S or more, later by LATER_S or more and never in the last hour before it.
    """
    fresh = max(math.floor(wanted_at / STEP_S) * STEP_S, not_before_at)
    if before_at is None or before_at < not_before_at:
        return fresh
    if wanted_at <= before_at - EARLIER_S:
        return fresh
    if fresh >= before_at + LATER_S and before_at - now_at > SETTLED_S:
        return fresh
    return before_at


def _judged(known: Plan, asked: _Question, before: Plan | None, answer: SwitchOn, at: float) -> Plan:
    """The plan with what becomes of the start, heated from `at`."""
    departure = asked.departure
    above = None if answer.above is None else tuple(asked.utc(t) for t in answer.above)
    low, middle, high = above if above is not None else (None, None, None)
    found = replace(
        known,
        verdict="heat",
        switch_on_at=at,
        kept=round(answer.chance, 3),
        above=(low, middle, high),
    )
    if answer.verdict == "never":
        return replace(found, verdict="never")
    start_at = departure.start_at if answer.verdict == "heat" else asked.utc(answer.start_s)
    if start_at is None:
        return found
    if (less := _little_less(asked, answer)) is not None:
        return replace(found, at_best=less)
    late_s = start_at - asked.wished_at
    was_late = before is not None and before.verdict == "late"
    if late_s <= 0.0 or (late_s < LATE_S and not was_late):
        return found
    start_at = math.ceil(start_at / 60) * 60.0
    return replace(found, verdict="late", start_at=start_at, late_s=late_s, helps=_helps(asked, at, start_at))


def _helps(asked: _Question, at: float, start_at: float) -> tuple[Help, ...]:
    """What would bring the start forward, each worked out; only what does so by a few minutes."""
    found = []
    rules, departure, wished_at = asked.rules, asked.departure, asked.wished_at
    if rules.cover_missing or rules.plugs_missing:
        warmer = covered(asked.outlook, rules.cover_missing, rules.plugs_missing)
        found.append(Help("cover", _allows(asked, asked.heated_from(at, outlook=warmer))))
    if departure.certainty > LIKELIER:
        found.append(Help("certainty", _allows(asked, asked.heated_from(at, LIKELIER))))
    useful = [h for h in found if h.start_at is not None and h.start_at < start_at - LATE_S]
    if wished_at > asked.snapshot.now_at:
        useful.append(Help("earlier", by_s=math.ceil((start_at - wished_at) / STEP_S) * STEP_S))
    return tuple(useful)


def _allows(asked: _Question, answer: SwitchOn) -> float | None:
    """The start an answer allows."""
    if answer.verdict == "heat":
        return asked.departure.start_at
    start_at = asked.utc(answer.start_s)
    return None if start_at is None else math.ceil(start_at / 60) * 60.0


# -- when it is worked out anew


def is_due(departure: Departure, now_at: float, coldest_c: float | None, basis: str) -> bool:
    """Whether a plan is to be worked out: there is none, a quarter of an hour has begun (an hour, where the
    start is far), what it rests on has changed, or the curve has left what it counted on. A clock put back
    counts as a change."""
    made = departure.plan
    if made is None or now_at < made.made_at:
        return True
    span_s = QUARTER_S if departure.start_at - now_at < FAR_S else 4 * QUARTER_S
    if now_at // span_s != made.made_at // span_s or basis != made.basis:
        return True
    return made.verdict != "unknown" and _has_left(made, now_at, coldest_c)


def _has_left(made: Plan, now_at: float, coldest_c: float | None) -> bool:
    counted = made.counted
    if coldest_c is None or len(counted.at) < 2:
        return False
    if made.switch_on_at is not None and now_at > made.switch_on_at:
        return False  # heated by then, or a switch-on nobody made: the next quarter of an hour sees it
    low = _between(counted.at, counted.low_c, now_at)
    high = _between(counted.at, counted.high_c, now_at)
    return not low - SLACK_C <= coldest_c <= high + SLACK_C


def _between(at: tuple[float, ...], values: tuple[float, ...], now_at: float) -> float:
    """Straight between the instants, held outside."""
    for k in range(1, len(at)):
        if now_at <= at[k]:
            share = min(max((now_at - at[k - 1]) / (at[k] - at[k - 1]), 0.0), 1.0)
            return values[k - 1] + share * (values[k] - values[k - 1])
    return values[-1]


# -- what becomes of a departure


def followed(
    departure: Departure, now_at: float, heating: bool | None, heated: bool, is_next: bool
) -> Departure:
    """The departure after one more tick: heating once heat is seen for it and until its heat-up is over,
    passed when nobody spoke of it. heated: whether there is a heat-up."""
    if not departure.is_open:
        return departure
    spoken_at = departure.changed_at if departure.state == "did-not-start" else None
    if now_at >= max(departure.start_at, spoken_at or 0.0) + PASSED_AFTER_S and heating is not True:
        return replace(departure, state="passed", changed_at=now_at)
    if is_next and heating is True and departure.state != "heating":
        return replace(departure, state="heating", changed_at=now_at)
    if departure.state == "heating" and not heated:
        return replace(departure, state="planned", changed_at=now_at)
    return departure


def moved(departure: Departure, start_at: float, now_at: float) -> Departure:
    """The departure with another start: a timer that is set stays, all else is worked out anew."""
    state: State = "heating" if departure.state == "heating" else "delayed"
    return replace(departure, start_at=start_at, state=state, changed_at=now_at)


def next_of(departures: Iterable[Departure]) -> Departure | None:
    """The open departure that comes first."""
    return min((d for d in departures if d.is_open), key=lambda d: (d.start_at, d.number), default=None)


# -- what is told

To = Literal["all", "person"]


@dataclass(frozen=True, slots=True)
class Word:
    """A message to send about a departure; out of date after valid_s. Key: unlike any other."""

    kind: Literal["evening", "switch-on", "plan-late"]
    departure: int
    key: str
    valid_s: float
    to: To = "all"


def evening_at(departure: Departure, rules: PlanRules) -> float:
    """When the evening word of a departure goes out: at the evening's time on the day before, on the
    field's clock."""
    zone = ZoneInfo(rules.zone)
    day = datetime.fromtimestamp(departure.start_at, zone).date() - timedelta(days=1)
    return datetime.combine(day, rules.evening, zone).timestamp()


def notice_at(departure: Departure) -> float | None:
    """When whoever switches by hand is told; None for a timer, a plug, or where no heat is due."""
    made = departure.plan
    if made is None or made.switch_on_at is None or departure.timer_at is not None:
        return None
    if departure.by not in ("person", "pilot") and not departure.attended:
        return None
    return made.switch_on_at - departure.travel_s - NOTICE_S


def words_due(departure: Departure, now_at: float, rules: PlanRules) -> tuple[Departure, tuple[Word, ...]]:
    """What is to be said of a departure now, and the departure that remembers it. One word at a time: the
    switch-on's has all of the plan's in it. While it is heated the heat-up's own words say more."""
    made, heated = departure.plan, departure.state == "heating"
    if made is None or heated or not departure.is_open or now_at >= departure.start_at + PASSED_AFTER_S:
        return departure, ()
    kind = _plan_word(departure, made, now_at, rules)
    if _notice_is_due(departure, now_at, kind):
        to: To = "all" if kind is not None or departure.by != "person" else "person"
        departure, word = _say(departure, "switch-on", now_at, to)
        return departure, (word,)
    if kind is None:
        return departure, ()
    departure, word = _say(departure, kind, now_at)
    return departure, (word,)


def _notice_is_due(departure: Departure, now_at: float, kind: str | None) -> bool:
    """Whether whoever switches is to be told now: once, and not before the plan's own word was due."""
    notice, told = notice_at(departure), departure.told
    if notice is None or told.switch_word_at is not None:
        return False
    return notice <= now_at < departure.start_at and (told.words > 0 or kind is not None)


def _plan_word(
    departure: Departure, made: Plan, now_at: float, rules: PlanRules
) -> Literal["evening", "plan-late"] | None:
    """The first word in the evening; later ones where the plan has changed by something that matters."""
    told, late_s = departure.told, made.late_s or 0.0
    if told.words == 0:
        return "evening" if now_at >= evening_at(departure, rules) else None
    if told.words >= MOST_WORDS:
        return None
    if made.verdict == "late" and late_s >= (told.late_s or 0.0) + (SLIPS_S if told.late_s else CHANGED_S):
        return "plan-late"
    if made.verdict == "never" and told.late_s != NEVER_S:
        return "plan-late"
    if departure.timer_at is not None:
        return None
    if told.late_s and made.verdict == "heat":
        return "evening"
    if made.need != told.need and "no" in (made.need, told.need):
        return "evening"
    before_at, at = told.switch_on_at, made.switch_on_at
    if made.verdict != "heat" or before_at is None or at is None or told.switch_word_at is not None:
        return None  # a late one's switch-on is as soon as may be
    return "evening" if at <= before_at - SOONER_S or at >= before_at + MUCH_LATER_S else None


def _say(
    departure: Departure,
    kind: Literal["evening", "switch-on", "plan-late"],
    now_at: float,
    to: To = "all",
) -> tuple[Departure, Word]:
    made, told = departure.plan, departure.told
    assert made is not None
    key = f"plan-{departure.number}:{kind}:{told.words}"
    late_s = NEVER_S if made.verdict == "never" else made.late_s
    fresh = Told(
        told.words + 1,
        now_at,
        made.need,
        made.switch_on_at,
        late_s,
        made.switch_on_at if kind == "switch-on" else told.switch_word_at,
    )
    until_at = departure.start_at
    if kind == "evening" and made.switch_on_at is not None:
        until_at = max(made.switch_on_at, now_at + 600.0)
    word = Word(kind, departure.number, key, max(until_at - now_at, 600.0), to)
    return replace(departure, told=fresh), word


# -- local time


@dataclass(frozen=True, slots=True)
class Instant:
    """An instant [UTC s] as understood; note: what had to be assumed, in a sentence."""

    at: float
    note: str = ""


class NoSuchTime(ValueError):
    """A local time that can't be understood, or doesn't exist; the text says what to write instead."""


_TWICE = (
    "{clock} comes twice that night, when the clocks are put back; the first is taken. For the second write "
    "{other}."
)
_NEVER = (
    "{clock} doesn't exist on that day: the clocks are put forward and it is {after} at once. Write another "
    "time."
)


def field_instant(text: str, zone: str) -> Instant:
    """The instant of a local date and time such as 2026-12-05T09:00 on the field's clock.

    One that comes twice is the first of them, one that doesn't exist is refused; an offset such as +01:00
    says exactly which is meant. Raises NoSuchTime.
    """
    try:
        said = datetime.fromisoformat(text.strip().replace(" ", "T"))
    except ValueError:
        raise NoSuchTime(
            f"{text[:40]} is no date and time. Write it like 2026-12-05T09:00, on the field's clock."
        ) from None
    if said.tzinfo is not None:
        return Instant(said.timestamp())
    local = ZoneInfo(zone)
    first, second = (said.replace(tzinfo=local, fold=fold) for fold in (0, 1))
    if first.utcoffset() == second.utcoffset():
        return Instant(first.timestamp())
    clock = f"{said:%H:%M}"
    after = first.astimezone(UTC).astimezone(local)
    if after.replace(tzinfo=None) != said:
        raise NoSuchTime(_NEVER.format(clock=clock, after=f"{after:%H:%M}"))
    return Instant(first.timestamp(), _TWICE.format(clock=clock, other=second.isoformat(timespec="minutes")))


def wished(departure: Departure, now_at: float) -> str | None:
    """Why that start can't be planned, in a sentence; None where it can."""
    if departure.start_at <= now_at:
        return "That engine start lies in the past. Give a later one."
    if departure.start_at > now_at + FURTHEST_S:
        return "That is more than two weeks ahead; nothing can be said of it yet. Plan it nearer the day."
    if departure.attended and departure.by in ("timer", "our-plug"):
        return "A combustion heater is never left alone: it can't be switched by a timer or plug."
    return None
