"""What a tick decided, laid out as the status document. Pure."""

from __future__ import annotations

from dataclasses import dataclass

import msgspec

from probe_agent import supervisor, words
from probe_agent.config import Settings, may_be_coldest, unmeasured_far_places
from probe_agent.planning import Departure, Plan, PlanRules, evening_at, notice_at
from probe_agent.readings import Forecast, Point, State
from probe_agent.status import (
    STATUS_VERSION,
    AirNow,
    AlertNow,
    FanNow,
    FlownNow,
    FlownThenNow,
    FrostNow,
    HeaterNow,
    HelpNow,
    IdentifyNow,
    LearnedNow,
    MissedNow,
    MoistureNow,
    PlanNow,
    PlugNow,
    ProbeNow,
    RunTime,
    SignNow,
    StartNow,
    Status,
    UnplacedNow,
    WhyNow,
    utc_text,
)
from probe_agent.supervisor import Alert, Facts, Missed, Rules, Watch


@dataclass(frozen=True, slots=True)
class Frame:
    """What stays the same from tick to tick."""

    settings: Settings
    rules: Rules
    build: str
    zone: str
    demo: bool
    clock_ok: bool
    learned: LearnedNow | None = None
    plan: PlanNow | None = None
    air: AirNow | None = None
    flown: FlownNow | None = None
    plug: PlugNow | None = None
    why: WhyNow | None = None
    moisture: MoistureNow | None = None
    frost: FrostNow | None = None
    hold_min: tuple[int, int | None] | None = None
    unprobed: bool = False
    circuit: tuple[str, ...] = ()
    unplaced: tuple[UnplacedNow, ...] = ()
    identify: IdentifyNow | None = None


def document(
    frame: Frame,
    run: RunTime,
    offset_s: float,
    watch: Watch,
    facts: Facts,
    heater_share: float | None,
    notes: tuple[str, ...],
) -> Status:
    """The status document of one tick. offset_s: run seconds + offset = UTC [s]."""
    rules, forecast, shown = frame.rules, facts.forecast, watch.announced
    aircraft, setup = frame.settings.aircraft, frame.settings.setup
    coldest = supervisor.coldest_of(facts.points)
    measured = [p.place for p in facts.points if p.usable and may_be_coldest(p.place, p.near_heater)]

    def text(t_s: float | None) -> str | None:
        return None if t_s is None else utc_text(t_s + offset_s)

    status = Status(
        v=STATUS_VERSION,
        build=frame.build,
        now=utc_text(facts.t_s + offset_s),
        age_s=None,
        run=run,
        aircraft=aircraft.name,
        layout=aircraft.layout,
        field=aircraft.field or "",
        setup=setup.name if setup else None,
        state=(watch.state or State.OFF).value,
        state_since=text(watch.since_s),
        state_reason=watch.reason,
        verdict="",
        coldest=coldest.place if coldest else None,
        coldest_c=_rounded(coldest.counted_c, 3) if coldest else None,
        target_c=rules.target_c,
        need_c=rules.need_c,
        too_hot_c=rules.too_hot_c,
        above_p10=text(shown.above_p10 if shown else None),
        above_p50=text(shown.above_p50 if shown else None),
        above_p90=text(shown.above_p90 if shown else None),
        p_reach=round(shown.p_reach if shown else forecast.p_reach, 3),
        announced_at=text(shown.t_s if shown else None),
        plateau_c=_rounded3(forecast.plateau_c),
        core_c=_rounded3(forecast.core_c),
        core_above_p=round(forecast.core_above_p, 3),
        ready_rule=rules.ready_rule,
        ready_at=text(_ready_s(watch, rules, forecast)),
        soak_from=text(watch.above_since_s),
        above_until=_above_until(forecast, offset_s),
        probes=tuple(_probe_now(p) for p in facts.points),
        unmeasured_far=unmeasured_far_places(setup, measured),
        missing=supervisor.missing_places(facts.points),
        heater=_heater_now(frame, watch, forecast, heater_share, offset_s),
        alerts=tuple(_alert_now(a, offset_s) for a in watch.alerts),
        clock_ok=frame.clock_ok,
        first_of_setup=forecast.first_of_setup,
        demo=frame.demo,
        zone=frame.zone,
        fan=_fan_now(forecast),
        notes=notes,
        circuit=frame.circuit,
        learned=frame.learned,
        plan=frame.plan,
        start=_start_now(watch, facts, rules, offset_s),
        missed=None if watch.missed is None else _missed_now(watch.missed, offset_s),
        air=frame.air,
        signs=tuple(SignNow(s.kind.value, utc_text(s.since_s + offset_s), s.place) for s in watch.signs),
        oil_out=watch.oil_out_s is not None,
        flown=frame.flown,
        plug=frame.plug,
        why=frame.why,
        moisture=frame.moisture,
        frost=frame.frost,
        unprobed=frame.unprobed,
        hold_min=frame.hold_min,
        unplaced=frame.unplaced,
        identify=frame.identify,
    )
    return msgspec.structs.replace(status, verdict=words.verdict(status))


def _ready_s(watch: Watch, rules: Rules, forecast: Forecast) -> float | None:
    """When it will be or was ready [run s]; while it warms, by the announced forecast."""
    if watch.state is State.HEATING:
        return supervisor.expected_ready_s(watch, rules, forecast)
    return supervisor.ready_at(watch, rules, forecast)


def plan_now(
    departure: Departure,
    rules: PlanRules,
    now_at: float,
    contact: str | None = None,
    more: int = 0,
    plug: bool = False,
) -> PlanNow:
    """A departure and its plan as a viewer needs them. more: how many others are planned; plug: whether ours
    can switch it on."""
    plain = PlanNow(
        departure=departure.number,
        start=utc_text(departure.start_at),
        state=departure.state,
        verdict="making",
        need="unclear",
        chance=None,
        certainty=departure.certainty,
        by=departure.by,
        attended=departure.attended,
        uncovered_min=departure.uncovered_s / 60,
        travel_min=departure.travel_s / 60,
        made=None,
        limit_c=rules.limit_c,
        timer=None if departure.timer_at is None else utc_text(departure.timer_at),
        next_word=_next_word(departure, rules, now_at),
        contact=contact,
        plug=plug and departure.by == "our-plug",
        more=more,
    )
    return plain if departure.plan is None else _planned(plain, departure.plan)


def _if_flown(plan: Plan) -> FlownThenNow | None:
    flown = plan.if_flown
    if flown is None:
        return None
    on_at = flown.switch_on_at
    return FlownThenNow(flown.need, round(flown.chance, 3), None if on_at is None else utc_text(on_at))


def _planned(plain: PlanNow, plan: Plan) -> PlanNow:
    def text(at: float | None) -> str | None:
        return None if at is None else utc_text(at)

    low, middle, high = plan.above if plan.above is not None else (None, None, None)
    rests = plan.rests
    return msgspec.structs.replace(
        plain,
        verdict=plan.verdict,
        need=plan.need,
        chance=_rounded(plan.chance, 3),
        made=utc_text(plan.made_at),
        by_air=plan.by_air,
        cold_c=_rounded3(plan.coldest_c),
        coldest_now=rests.coldest,
        coldest_now_c=_rounded(rests.coldest_c, 3),
        missing=rests.missing,
        heat_ups=rests.heat_ups,
        sister=rests.sister,
        air=rests.air,
        air_age_min=None if rests.air_age_s is None else round(rests.air_age_s / 60),
        heated_hangar=rests.heated_hangar,
        flown=rests.flown,
        after_another=rests.after_another,
        flight=text(rests.flight_at),
        if_flown=_if_flown(plan),
        switch_on=text(plan.switch_on_at),
        at_best=plan.at_best,
        kept=plan.kept,
        earliest=text(plan.start_at),
        late_min=None if plan.late_s is None else round(plan.late_s / 60),
        above=None if plan.above is None else (text(low), text(middle), text(high)),
        helps=tuple(
            HelpNow(h.kind, text(h.start_at), None if h.by_s is None else h.by_s / 60) for h in plan.helps
        ),
    )


def _next_word(departure: Departure, rules: PlanRules, now_at: float) -> str | None:
    """When the next word of a departure comes by itself; None where none does."""
    told, notice = departure.told, notice_at(departure)
    evening = evening_at(departure, rules)
    if told.words == 0 and evening > now_at:
        return utc_text(evening)
    if notice is not None and told.switch_word_at is None and notice > now_at:
        return utc_text(notice)
    return None


def _above_until(forecast: Forecast, offset_s: float) -> tuple[str | None, str | None, str | None] | None:
    below = (forecast.below_p10, forecast.below_p50, forecast.below_p90)
    if below[0] is None and below[1] is None:
        return None
    low, mid, high = (None if t is None else utc_text(t + offset_s) for t in below)
    return low, mid, high


def _heater_now(
    frame: Frame, watch: Watch, forecast: Forecast, share: float | None, offset_s: float
) -> HeaterNow:
    setup, heating = frame.settings.setup, watch.heating
    if share is not None:
        known_by = "measured"
    elif (watch.said_off_s is not None and heating is False) or (
        frame.unprobed and watch.said_on_s is not None and heating
    ):
        known_by = "said"
    else:
        known_by = "curve" if heating is not None else "nothing"
    since_s = forecast.heater_on_at if heating else forecast.heater_off_at
    return HeaterNow(
        heating=heating,
        known_by=known_by,
        share=_rounded(share, 2),
        since=None if heating is None or since_s is None else utc_text(since_s + offset_s),
        kind=setup.heater if setup else None,
        switched_by=setup.switched_by if setup else None,
    )


def _alert_now(a: Alert, offset_s: float) -> AlertNow:
    asks_s = supervisor.asks_again_s(a)
    return AlertNow(
        a.id,
        a.kind,
        utc_text(a.opened_s + offset_s),
        a.harm,
        a.place,
        a.answers,
        a.answered,
        None if asks_s is None else utc_text(asks_s + offset_s),
        None if a.denied_s is None else utc_text(a.denied_s + offset_s),
    )


def _start_now(watch: Watch, facts: Facts, rules: Rules, offset_s: float) -> StartNow | None:
    if facts.departure_at is None:
        return None
    late_s = supervisor.late_s(watch, facts, rules)
    planned_at = utc_text(facts.departure_at + offset_s)
    if late_s is None:
        return StartNow(planned_at)
    start_at = utc_text(facts.departure_at + late_s + offset_s) if late_s > 0 else None
    return StartNow(planned_at, round(late_s / 60, 1), start_at)


def _missed_now(m: Missed, offset_s: float) -> MissedNow:
    return MissedNow(
        since=utc_text(m.since_s + offset_s),
        until=utc_text(m.until_s + offset_s),
        state=m.state.value if m.state else None,
        coldest=m.coldest,
        coldest_c=_rounded(m.coldest_c, 3),
    )


def _probe_now(p: Point) -> ProbeNow:
    return ProbeNow(
        place=p.place,
        c=_rounded(p.value_c, 2),
        status=p.status,
        trend_c_per_h=_rounded(p.trend_c_per_h, 1),
        required=p.required,
        near_heater=p.near_heater,
        age_s=_rounded(p.age_s, 1),
        counts=may_be_coldest(p.place, p.near_heater),
        counted_c=_rounded(p.counted_c, 2) if p.less_c else None,
        reads_heater_c=_rounded(p.reads_heater_c, 1) if p.less_c else None,
    )


def _fan_now(forecast: Forecast) -> FanNow:
    fan = forecast.fan
    return FanNow(
        min=tuple(round((t - forecast.t_s) / 60, 1) for t in fan.t_s),
        low=tuple(round(c, 1) for c in fan.low_c),
        mid=tuple(round(c, 1) for c in fan.mid_c),
        high=tuple(round(c, 1) for c in fan.high_c),
    )


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)


def _rounded3(values: tuple[float, float, float] | None) -> tuple[float, float, float] | None:
    return None if values is None else (round(values[0], 2), round(values[1], 2), round(values[2], 2))
