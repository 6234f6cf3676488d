"""What the readings and the forecast mean: state, transitions, announcements. Pure.

`step` takes the watch so far and one tick's facts and returns the next watch with what happened.
Quick to doubt, slow to trust: a required place without a value ends "above target" at once, and
it is believed again only after two rows in a row.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from probe_agent.config import ASK_AGAIN_AFTER_S, NEVER_COLDEST, Settings, may_be_coldest
from probe_agent.readings import Fault, Forecast, Point, Sign, SignKind, State, Transition

SLACK_C = 0.3
"""How far the coldest point may dip under the target in one row before "above target" ends at once:
a quarter-degree step and a little (quantisation of the usual converters, data sheet 19-6725)."""

TRUST_ROWS = 2
SURE_ABOVE_C = 0.25
COLD_SLACK_C = 0.5
"""How far past the need-limit the coldest point must be before "cold" ends: two quarter-degree steps."""
AGAIN_ABOVE_S = 300.0
"""A coldest point that fell under the target again must hold above it for so long, or by SURE_ABOVE_C,
before it counts once more: otherwise the last digit flickers through states and messages."""
TELL_AGAIN_S = 900.0
READY_AGAIN_C = 0.3
READY_AGAIN_P = 0.02
FALLS_C_PER_H = -0.5
STILL_FALLS_C_PER_H = -0.2
RISES_C_PER_H = 3.0
"""A hottest point that rises faster is being heated; the steps of a converter make less of a slope."""
WARMER_THAN_AIR_C = 5.0
"""An engine this much above the air was heated; one nearer to it only follows the evening (from memory)."""
HOT_AFTER_FLIGHT_C = 45.0
FLOWN_UNTIL_C = 35.0
NO_LONGER_TOO_HOT_C = 2.0
NEVER_BELOW_P = 0.1
AGAIN_ABOVE_P = 0.2
STOP_CONFIRMED_S = 120.0
HEATUP_ENDS_AFTER_S = 3600.0
ANNOUNCE_EVERY_S = 900.0
_BELOW_STATES = frozenset(
    {
        State.HEATING,
        State.COLD,
        State.OFF,
        State.COOLING,
        State.LEVELLING_OFF,
        State.HEATER_STOPPED,
        State.OIL_OUT,
    }
)
_QUIET_STATES = frozenset({State.COLD, State.HEATING, State.OFF, State.COOLING})
"""States in which nobody is asked for anything: oil that is out is more than these."""
SAID_OFF_HOLDS_S = 1200.0
"""So long "it is off" stands against a curve that warms on, and STOP_CONFIRMED_S against measured power."""
POWER_DRAWN = 0.02
HEATER_READ_FOR_S = 600.0
"""So long after heater-off a probe beside a heater part still reads some of its warmth."""
AT_ONCE_ROWS = 3
"""Pulled plugs open all thermocouples within one row or two; probes that fail by themselves don't."""
PREPARE_S = 1200.0
"""From heater and cover off to the start of the engine (20 min: common practice, no source)."""
START_PASSED_S = 1800.0
"""So long after a planned start with heat still on somebody is asked to switch it off."""
START_FORGOTTEN_S = 4 * 3600.0
"""A planned start nobody spoke of is forgotten after this; heat found on by then stays asked about."""
HEAT_ON_FOR_START_S = 3 * 3600.0
"""Heat may stay on for a planned start that is no further off than this after ready."""
LATE_S, LATER_S = 600.0, 1200.0
"""A start is late by so much before it is said, and by so much more before it is said again."""
LATE_CONFIRMED_S = 300.0
OFF_CONFIRMED_S = 300.0
ATTENDED_S = 600.0
"""So often it is asked whether somebody is with a combustion heater (10 min: common practice, no source)."""
LOOK_LATE_S = 7200.0
"""A morning look that could not be sent in this time after its hour is passed over."""
GAP_S = 900.0
"""Not having measured for longer than this is said once measuring goes on."""
MISSED_SHOWN_S = 3600.0
WORDS_SPAN_S = 10 * 3600.0
FEW_WORDS, MOST_WORDS = 5, 6
"""Messages in WORDS_SPAN_S after which only a fall of trust, or nothing but that, harm and the morning
look, is said."""
SOAK_GAP_S = 60.0
"""A gap in the readings up to which the soak goes on if they return above the target; nothing is said
to be above target within it."""


@dataclass(frozen=True, slots=True)
class Rules:
    """The owner's limits and rules for one setup, in °C and seconds."""

    target_c: float
    need_c: float
    too_hot_c: float = 60.0
    ready_rule: str = "soak"
    soak_s: float = 1800.0
    core_certainty: float = 0.9
    switch_off_after_s: float = 1800.0
    interval_s: float = 15.0
    attended: bool = False
    """A combustion heater: somebody must be with it while it warms."""


@dataclass(frozen=True, slots=True)
class Facts:
    """One tick as the supervisor sees it.

    departure_at: planned start of the engine [run s], ahead or past and not yet settled; None: none.
    prepare_s: from heater and cover off to that start [s]. told_late_s: by how much its plan said that it is
    late [s]. look_s: the last morning look due by now [run s]; None where none is wanted today. clock_ok:
    whether the wall clock can be believed. power: measured heater power as a share of full power; None where
    nobody measures it.
    """

    t_s: float
    points: tuple[Point, ...]
    forecast: Forecast
    departure_at: float | None = None
    look_s: float | None = None
    clock_ok: bool = True
    power: float | None = None
    prepare_s: float = PREPARE_S
    told_late_s: float | None = None


@dataclass(frozen=True, slots=True)
class Announced:
    """The forecast shown to people, and when it was announced. Instants in run seconds."""

    t_s: float
    above_p10: float | None
    above_p50: float | None
    above_p90: float | None
    p_reach: float


@dataclass(frozen=True, slots=True)
class Alert:
    """Something a person must know until it is answered or has gone by itself."""

    kind: str
    opened_s: float
    place: str | None = None
    harm: bool = False
    answers: tuple[str, ...] = ("seen",)
    answered: str | None = None
    answered_s: float | None = None
    told: int = 0
    told_s: float | None = None
    number: str = "0-0"
    denied_s: float | None = None
    """When somebody had said that the heater is off, which the curve has contradicted."""

    @property
    def id(self) -> str:
        """Unlike any other in the store, in any run: run seconds come again after a reboot."""
        return f"{self.kind}:{self.place or 'all'}:{self.number}"


@dataclass(frozen=True, slots=True)
class Heatup:
    """One warming, from heater on to off. Instants in run seconds."""

    on_s: float
    above_s: float | None = None
    ready_s: float | None = None
    off_s: float | None = None


@dataclass(frozen=True, slots=True)
class Announcement:
    """A message to send: kind as words.message knows it; it is out of date after valid_s.

    alert: id of the alert it is about; harm: whether that is one for harm; asked: how often its alert was
    told before. overtakes: first parts of the keys of undelivered messages that this one replaces. to: the
    recipients meant, by name; empty: as the rules of telling say. departure: which one it is about; at_once:
    whether it goes out in quiet hours too.
    """

    kind: str
    key: str
    valid_s: float
    place: str | None = None
    alert: str | None = None
    harm: bool = False
    asked: int = 0
    overtakes: tuple[str, ...] = ()
    to: tuple[str, ...] = ()
    departure: int | None = None
    at_once: bool = False


@dataclass(frozen=True, slots=True)
class Missed:
    """A span in which nothing was measured, and what was known before it. Instants in run seconds."""

    since_s: float
    until_s: float
    state: State | None
    coldest: str | None = None
    coldest_c: float | None = None


@dataclass(frozen=True, slots=True)
class Watch:
    """All the supervisor remembers from tick to tick.

    missing_since_s: required places without a value, or back for fewer than TRUST_ROWS rows (back_rows).
    born, count: a number no earlier watch of the store had, and a counter; together they number alerts
    and messages.
    """

    born: int = 0
    count: int = 0
    state: State | None = None
    since_s: float = 0.0
    reason: str = ""
    t_s: float | None = None
    heating: bool | None = None
    said_off_s: float | None = None
    with_it_s: float | None = None
    """When somebody said last that they are with the combustion heater."""
    above: bool = False
    above_rows: int = 0
    below_rows: int = 0
    above_since_s: float | None = None
    above_from_s: float | None = None
    """Since when the coldest point is at or above the target, trusted or not."""
    doubted_since_s: float | None = None
    """Since when a soak waits for its readings to come back."""
    left_above_s: float | None = None
    told_above_s: float | None = None
    told_ready_s: float | None = None
    was_above: bool = False
    missing_since_s: dict[str, float] = field(default_factory=dict)
    back_rows: dict[str, int] = field(default_factory=dict)
    flown: bool = False
    never_since_s: float | None = None
    heatup: Heatup | None = None
    announced: Announced | None = None
    alerts: tuple[Alert, ...] = ()
    counted_c: dict[str, float] = field(default_factory=dict)
    """What places that read the heater counted as while it last warmed."""
    oil_out_s: float | None = None
    """Since when the oil is out for warming elsewhere, as said."""
    signs: tuple[Sign, ...] = ()
    """What is seen of the heat-up, or looks like one, at this tick."""
    coldest: str | None = None
    coldest_c: float | None = None
    missed: Missed | None = None
    """The last gap in measuring, for as long as it is news; owes_back: it has not been said yet."""
    owes_back: bool = False
    denied_s: float | None = None
    """When "it is off" was said that the curve contradicted later in this heat-up."""
    once: tuple[str, ...] = ()
    """Kinds said in this heat-up that are said only once in one."""
    spoke_s: tuple[float, ...] = ()
    """When messages other than repeats were sent, in the last WORDS_SPAN_S."""
    trusted: bool = False
    """Whether the last of them said that the engine is above target."""
    look_s: float | None = None
    late_since_s: float | None = None
    told_late_min: float | None = None


@dataclass(frozen=True, slots=True)
class Step:
    """The next watch and what happened in this tick.

    opened/closed: the heat-up that began or ended, closed with its reason; gone: alerts that ended,
    with what ended them; withdrawn: first parts of the keys of messages (a kind, or an alert's id) that
    are no longer true if still undelivered.
    """

    watch: Watch
    transitions: tuple[Transition, ...] = ()
    announcements: tuple[Announcement, ...] = ()
    opened: Heatup | None = None
    closed: tuple[Heatup, str] | None = None
    gone: tuple[tuple[Alert, str], ...] = ()
    withdrawn: tuple[str, ...] = ()
    newly_announced: bool = False


def doubt(points: Iterable[Point], forecast: Forecast) -> tuple[Point, ...]:
    """The same points, those the physics does not believe without their value."""
    return tuple(
        replace(p, status=Fault.IMPLAUSIBLE.value, value_c=None)
        if p.place in forecast.set_aside and p.usable
        else p
        for p in points
    )


def less_heater(
    watch: Watch, points: Iterable[Point], reads_heater_c: Mapping[str, float], forecast: Forecast
) -> tuple[Point, ...]:
    """The same points, those that read the heater counting for less while it warms and ten minutes on.

    After heater-off such a probe falls by itself: then it counts as no more than it did at the last
    warming, so that nothing is taken off twice.

    reads_heater_c: places and by how much they read it [K].
    """
    off_s = forecast.heater_off_at
    cooling = forecast.heating is False
    if cooling and (off_s is None or forecast.t_s - off_s >= HEATER_READ_FOR_S):
        return tuple(points)
    if forecast.heating is None and forecast.heater_on_at is None:
        return tuple(points)

    def counted(p: Point) -> Point:
        fall_c = reads_heater_c.get(p.place, 0.0)
        if p.status != "ok" or p.value_c is None or fall_c <= 0:
            return p
        less_c = fall_c
        if cooling and (held_c := watch.counted_c.get(p.place)) is not None:
            less_c = min(max(p.value_c - held_c, 0.0), fall_c)
        return replace(p, reads_heater_c=fall_c, less_c=less_c)

    return tuple(counted(p) for p in points)


def missing_places(points: Iterable[Point]) -> tuple[str, ...]:
    """Required places without a value."""
    return tuple(p.place for p in points if p.required and not p.usable)


def coldest_of(points: Iterable[Point]) -> Point | None:
    """The coldest of the required points that have a value."""
    counted = [p for p in points if p.required and p.usable and may_be_coldest(p.place, p.near_heater)]
    return min(counted, key=lambda p: p.counted_c if p.counted_c is not None else 0.0, default=None)


def ready_at(watch: Watch, rules: Rules, forecast: Forecast) -> float | None:
    """When it will be, or was, ready by the rule [run s], as far as that can be told; None otherwise."""
    if watch.above_since_s is None or not watch.above:
        return None
    if watch.state is State.READY:
        return watch.since_s
    core_is_due = forecast.core_above_p50 if not _core_middle_is_up(rules, forecast) else forecast.t_s
    if rules.ready_rule == "core":
        return forecast.t_s if forecast.core_above_p >= rules.core_certainty else forecast.core_above_p90
    if core_is_due is None:
        return None
    return max(watch.above_since_s + rules.soak_s, core_is_due)


def answer_alert(watch: Watch, alert_id: str, answer: str, now_s: float) -> Watch | None:
    """The watch after somebody answered an alert; None if that alert is not open or has no such answer."""
    found = next((a for a in watch.alerts if a.id == alert_id), None)
    if found is None or answer not in found.answers:
        return None
    changed = replace(found, answered=answer, answered_s=now_s, denied_s=None)
    alerts = tuple(changed if a is found else a for a in watch.alerts)
    said = now_s if answer == "it-is-off" else watch.said_off_s
    with_it = now_s if answer == "with-it" else watch.with_it_s
    return replace(watch, alerts=alerts, said_off_s=said, with_it_s=with_it)


def say_heater(watch: Watch, on: bool, now_s: float) -> Watch:
    """The watch after somebody said the heater is on or off."""
    return replace(watch, said_off_s=None if on else now_s)


def say_oil(watch: Watch, out: bool, now_s: float) -> Watch:
    """The watch after somebody said the oil was taken out for warming, or is back in, its level checked.

    While it is out nothing counts as above target, so that the soak begins anew once it is back.
    """
    since_s = now_s if watch.oil_out_s is None else watch.oil_out_s
    return replace(watch, oil_out_s=since_s if out else None)


def rules_of(settings: Settings) -> Rules:
    """The owner's limits as the supervisor takes them."""
    limits = settings.limits
    return Rules(
        target_c=limits.target_c,
        need_c=limits.need_below_c,
        too_hot_c=limits.too_hot_c,
        ready_rule=limits.ready_rule,
        soak_s=limits.soak_min * 60,
        core_certainty=limits.core_certainty,
        switch_off_after_s=limits.switch_off_after_ready_min * 60,
        interval_s=settings.sampling.interval_s,
        attended=settings.setup is not None and settings.setup.heater == "combustion",
    )


def step(watch: Watch, facts: Facts, rules: Rules) -> Step:
    """One tick: what it means and what follows. Facts must not go back in time."""
    seen = _see(watch, facts, rules)
    state, reason = _decide(seen, facts, rules)
    seen = replace(seen, signs=_signs(seen, state, facts, rules))
    after, opened, closed = _keep_heatup(seen, state, facts)
    transitions: tuple[Transition, ...] = ()
    withdrawn: tuple[str, ...] = ()
    if state is not watch.state:
        transitions = (Transition(facts.t_s, watch.state, state, reason),)
        after = replace(after, state=state, since_s=facts.t_s, reason=reason)
        withdrawn = _no_longer_true(watch.state, state)
    after, gone = _keep_alerts(_see_late(after, facts, rules), facts, rules)
    withdrawn += tuple(alert.id for alert, _ in gone)
    after, announcements = _tell(after, watch, facts, rules)
    after, fresh = _announce(after, facts.forecast, bool(transitions))
    return Step(after, transitions, announcements, opened, closed, gone, withdrawn, fresh)


def shifted(watch: Watch, by_s: float) -> Watch:
    """The same watch in another run's seconds, `by_s` later: for a restart of the daemon."""

    def move(instant: float | None) -> float | None:
        return None if instant is None else instant + by_s

    heatup, shown, missed = watch.heatup, watch.announced, watch.missed
    return replace(
        watch,
        since_s=watch.since_s + by_s,
        t_s=move(watch.t_s),
        said_off_s=move(watch.said_off_s),
        oil_out_s=move(watch.oil_out_s),
        signs=tuple(replace(s, since_s=s.since_s + by_s) for s in watch.signs),
        with_it_s=move(watch.with_it_s),
        above_since_s=move(watch.above_since_s),
        above_from_s=move(watch.above_from_s),
        doubted_since_s=move(watch.doubted_since_s),
        left_above_s=move(watch.left_above_s),
        told_above_s=move(watch.told_above_s),
        told_ready_s=move(watch.told_ready_s),
        missing_since_s={p: s + by_s for p, s in watch.missing_since_s.items()},
        never_since_s=move(watch.never_since_s),
        missed=missed and replace(missed, since_s=missed.since_s + by_s, until_s=missed.until_s + by_s),
        denied_s=move(watch.denied_s),
        spoke_s=tuple(t_s + by_s for t_s in watch.spoke_s),
        look_s=move(watch.look_s),
        late_since_s=move(watch.late_since_s),
        heatup=heatup
        and replace(
            heatup,
            on_s=heatup.on_s + by_s,
            above_s=move(heatup.above_s),
            ready_s=move(heatup.ready_s),
            off_s=move(heatup.off_s),
        ),
        announced=shown
        and Announced(
            shown.t_s + by_s,
            move(shown.above_p10),
            move(shown.above_p50),
            move(shown.above_p90),
            shown.p_reach,
        ),
        alerts=tuple(
            replace(
                a,
                opened_s=a.opened_s + by_s,
                answered_s=move(a.answered_s),
                told_s=move(a.told_s),
                denied_s=move(a.denied_s),
            )
            for a in watch.alerts
        ),
    )


# -- what is seen


def _see(watch: Watch, facts: Facts, rules: Rules) -> Watch:
    """The debounced observations of this tick."""
    missing = missing_places(facts.points)
    coldest = coldest_of(facts.points)
    value = coldest.counted_c if coldest is not None else None
    watch = _see_missing(_hear_the_curve(_see_gap(watch, facts, rules), facts), missing, facts.t_s)
    heating = _believed_heating(watch, facts)
    flown = _see_flown(watch, facts, heating)
    spoke_s = tuple(t_s for t_s in watch.spoke_s if facts.t_s - t_s < WORDS_SPAN_S)
    next_watch = replace(
        watch,
        spoke_s=spoke_s,
        trusted=watch.trusted and bool(spoke_s) and not flown,
        t_s=facts.t_s,
        heating=heating,
        flown=flown,
        counted_c=_counted(watch, facts),
        coldest=coldest.place if coldest is not None else None,
        coldest_c=value,
    )
    return _see_above(next_watch, value, bool(missing), facts.t_s, rules)


def _see_gap(watch: Watch, facts: Facts, rules: Rules) -> Watch:
    """A gap in measuring since the last row; it is owed to people where something hung on it."""
    now_s, before_s = facts.t_s, watch.t_s
    if before_s is not None and now_s - before_s > max(GAP_S, 3 * rules.interval_s):
        since_s = watch.missed.since_s if watch.owes_back and watch.missed else before_s
        state = watch.missed.state if watch.owes_back and watch.missed else watch.state
        missed = Missed(since_s, now_s, state, watch.coldest, watch.coldest_c)
        start_s = facts.departure_at
        awaited = start_s is not None and now_s - START_PASSED_S < start_s < now_s + 86_400
        spoke = any(now_s - t_s < WORDS_SPAN_S for t_s in watch.spoke_s)
        owed = watch.owes_back or watch.heatup is not None or spoke or awaited
        return replace(watch, missed=missed, owes_back=owed)
    missed_s = now_s if watch.missed is None else watch.missed.until_s
    if watch.missed is not None and not watch.owes_back and now_s - missed_s > MISSED_SHOWN_S:
        return replace(watch, missed=None)
    return watch


def _counted(watch: Watch, facts: Facts) -> dict[str, float]:
    """What places that read the heater count as, while it warms; held on afterwards."""
    if facts.forecast.heating is False:
        return watch.counted_c
    return {p.place: p.counted_c for p in facts.points if p.less_c and p.counted_c is not None}


def _see_missing(watch: Watch, missing: tuple[str, ...], now_s: float) -> Watch:
    """Places without a value since when; one that is back counts as missing until TRUST_ROWS rows."""
    back = {
        p: watch.back_rows.get(p, 0) + 1
        for p in watch.missing_since_s
        if p not in missing and watch.back_rows.get(p, 0) + 1 < TRUST_ROWS
    }
    since = {p: watch.missing_since_s.get(p, now_s) for p in missing}
    since |= {p: watch.missing_since_s[p] for p in back}
    return replace(watch, missing_since_s=since, back_rows=back)


def _see_flown(watch: Watch, facts: Facts, heating: bool | None) -> bool:
    """Whether the warmth of the engine is a flight's: it was hot before any heat-up, and still is."""
    hottest = max((p.value_c for p in _engine(facts.points) if p.value_c is not None), default=None)
    if hottest is None:
        return watch.flown
    if watch.flown:
        return hottest >= FLOWN_UNTIL_C
    return heating is not True and watch.heatup is None and hottest >= HOT_AFTER_FLIGHT_C


def _engine(points: Iterable[Point]) -> tuple[Point, ...]:
    return tuple(p for p in points if p.place not in NEVER_COLDEST)


def _see_above(watch: Watch, coldest_c: float | None, missing: bool, now_s: float, rules: Rules) -> Watch:
    """Above the target or not, past single dips of the last digit; unknown counts as not."""
    if watch.oil_out_s is not None:
        return _keep_soak(replace(watch, above_rows=0, below_rows=0, above_from_s=None), False, False, now_s)
    if missing or coldest_c is None:
        return _keep_soak(replace(watch, above_rows=0, below_rows=0, above_from_s=None), False, True, now_s)
    is_above = coldest_c >= rules.target_c
    seen = replace(
        watch,
        above_rows=min(watch.above_rows + 1, TRUST_ROWS) if is_above else 0,
        below_rows=0 if is_above else min(watch.below_rows + 1, TRUST_ROWS),
        above_from_s=(now_s if watch.above_from_s is None else watch.above_from_s) if is_above else None,
    )
    if watch.missing_since_s:
        above = False
    elif watch.above:
        above = seen.below_rows < TRUST_ROWS and coldest_c >= rules.target_c - SLACK_C
    else:
        above = seen.above_rows >= TRUST_ROWS and (
            watch.left_above_s is None
            or coldest_c >= rules.target_c + SURE_ABOVE_C
            or (seen.above_from_s is not None and now_s - seen.above_from_s >= AGAIN_ABOVE_S)
        )
    return _keep_soak(seen, above, is_above, now_s)


def _keep_soak(watch: Watch, above: bool, may_go_on: bool, now_s: float) -> Watch:
    """The watch with `above` as given and since when, bridging a gap of SOAK_GAP_S in the readings.

    may_go_on: nothing speaks against the soak but that values are missing, or back too short a time.
    """
    if above:
        since = now_s if watch.above_since_s is None else watch.above_since_s
        return replace(watch, above=True, above_since_s=since, doubted_since_s=None, left_above_s=None)
    left = watch.left_above_s
    if watch.above and not may_go_on:
        left = now_s
    elif not may_go_on and left is not None and watch.heatup is None:
        left = None
    doubted = now_s if watch.doubted_since_s is None else watch.doubted_since_s
    if watch.above_since_s is None or not may_go_on or now_s - doubted > SOAK_GAP_S:
        return replace(watch, above=False, above_since_s=None, doubted_since_s=None, left_above_s=left)
    return replace(watch, above=False, doubted_since_s=doubted, left_above_s=left)


def _is_contradicted(watch: Watch, facts: Facts) -> bool:
    if watch.said_off_s is None or facts.forecast.heating is not True:
        return False
    return facts.t_s - watch.said_off_s > (STOP_CONFIRMED_S if _draws_power(facts) else SAID_OFF_HOLDS_S)


def _draws_power(facts: Facts) -> bool:
    """Whether power is measured and drawn."""
    return facts.power is not None and facts.power > POWER_DRAWN


def _hear_the_curve(watch: Watch, facts: Facts) -> Watch:
    """ "It is off" no longer holds once the curve contradicts it; alerts it had answered are open again."""
    if not _is_contradicted(watch, facts):
        return watch
    alerts = tuple(
        replace(a, answered=None, answered_s=None) if a.answered == "it-is-off" else a for a in watch.alerts
    )
    return replace(watch, said_off_s=None, denied_s=watch.said_off_s, alerts=alerts)


def _believed_heating(watch: Watch, facts: Facts) -> bool | None:
    """Heating as the forecast sees it, unless somebody said it is off."""
    return facts.forecast.heating if watch.said_off_s is None else False


# -- the state


def _decide(watch: Watch, facts: Facts, rules: Rules) -> tuple[State, str]:
    """The state of this tick and why."""
    hot = _too_hot(watch, facts, rules)
    if hot is not None:
        return State.TOO_HOT, f"{hot.place} at or above {rules.too_hot_c:g} °C during a heat-up"
    if (lost := _held_back_by(watch, facts, rules)) is not None:
        return State.PROBE_MISSING, lost
    if watch.flown and watch.above and watch.heating is not True:
        return State.FLOWN_COOLING, "warm without a heat-up, as after a flight"
    if watch.above and (watch.heatup is not None or watch.state in (State.ABOVE_TARGET, State.READY)):
        return _above_state(watch, facts, rules)
    state, reason = _below_state(watch, facts, rules)
    if watch.oil_out_s is not None and state in _QUIET_STATES:
        return State.OIL_OUT, "the oil is out for warming elsewhere"
    return state, reason


def _too_hot(watch: Watch, facts: Facts, rules: Rules) -> Point | None:
    """The hottest point that is too hot, by heat of ours. Where no heat-up is known of, only the hottest of
    all and only while it rises: nothing in an engine at rest is there to feed it but a heater."""
    limit = rules.too_hot_c - (NO_LONGER_TOO_HOT_C if watch.state is State.TOO_HOT else 0.0)
    trends = facts.forecast.trends_c_per_h
    hot = (
        p
        for p in _engine(facts.points)
        if p.value_c is not None
        and p.value_c >= limit
        and not (watch.flown and trends.get(p.place, 0.0) <= 0.0)  # still the flight's warmth
    )
    hottest = max(hot, key=lambda p: p.value_c or 0.0, default=None)
    if watch.heatup is not None or hottest is None:
        return hottest
    above = max(p.value_c for p in _engine(facts.points) if p.value_c is not None)
    rises = trends.get(hottest.place, 0.0) > RISES_C_PER_H
    return hottest if rises and hottest.value_c == above else None


def _held_back_by(watch: Watch, facts: Facts, rules: Rules) -> str | None:
    """Why required places hold the state back; None while they don't.

    At once where "above target" stood or would come; elsewhere after three rows, so that one damaged
    answer doesn't flicker on the page.
    """
    lost = watch.missing_since_s
    if not lost:
        return None
    grace_s = 3 * rules.interval_s if watch.state in _BELOW_STATES else 0.0
    if all(facts.t_s - s < grace_s for s in lost.values()):
        return None
    return f"required, without a value: {', '.join(lost)}"


def _above_state(watch: Watch, facts: Facts, rules: Rules) -> tuple[State, str]:
    if _is_ready(watch, facts, rules):
        return State.READY, f"ready by rule {rules.ready_rule}"
    return State.ABOVE_TARGET, f"all required points at or above {rules.target_c:.1f} °C"


def _is_ready(watch: Watch, facts: Facts, rules: Rules) -> bool:
    """The owner's rule, all of it: unbroken, nothing missing, and the core not known to be colder."""
    if not watch.above or watch.above_since_s is None or watch.missing_since_s:
        return False
    again = watch.state is not State.READY and watch.heatup is not None and watch.heatup.ready_s is not None
    if rules.ready_rule == "core":
        certain_p = min(rules.core_certainty + (READY_AGAIN_P if again else 0.0), 0.995)
        return facts.forecast.core_above_p >= certain_p
    soaked = facts.t_s - watch.above_since_s >= rules.soak_s
    return soaked and _core_middle_is_up(rules, facts.forecast, READY_AGAIN_C if again else 0.0)


def _core_middle_is_up(rules: Rules, forecast: Forecast, by_c: float = 0.0) -> bool:
    return forecast.core_c is not None and forecast.core_c[1] >= rules.need_c + by_c


def _below_state(watch: Watch, facts: Facts, rules: Rules) -> tuple[State, str]:
    coldest = coldest_of(facts.points)
    if coldest is None or coldest.counted_c is None:
        if watch.missing_since_s and watch.state in _BELOW_STATES:
            return watch.state, watch.reason
        return State.PROBE_MISSING, "no required place has a value"
    if watch.heating is True:
        if _levels_off(watch, facts):
            return State.LEVELLING_OFF, "the chance to reach the target is below 1 in 10"
        return State.HEATING, "the heater warms"
    if watch.heatup is not None and watch.heating is None:
        if watch.state in (State.HEATING, State.LEVELLING_OFF, State.HEATER_STOPPED):
            return watch.state, watch.reason
        if facts.forecast.trends_c_per_h.get(coldest.place, 0.0) > -FALLS_C_PER_H:
            return State.HEATING, "rising, the heater unknown"
    if _heat_stopped(watch):
        return State.HEATER_STOPPED, "nothing warms any more"
    if coldest.counted_c < rules.need_c + (COLD_SLACK_C if watch.state is State.COLD else 0.0):
        return State.COLD, f"coldest point below {rules.need_c:.1f} °C, no heat seen"
    if _cools(watch, facts, coldest):
        return State.COOLING, "falling, no heat"
    return State.OFF, "no heat seen"


def _heat_stopped(watch: Watch) -> bool:
    """Heat ended by itself before the target, and nobody said that it is off."""
    heatup = watch.heatup
    return (
        heatup is not None and heatup.above_s is None and watch.heating is False and watch.said_off_s is None
    )


def _cools(watch: Watch, facts: Facts, coldest: Point) -> bool:
    """Whether warmth from a heat-up or a flight is going; an engine that only follows the air is not."""
    if not watch.was_above and watch.heatup is None:
        return False
    trend = facts.forecast.trends_c_per_h.get(coldest.place, 0.0)
    if watch.state is State.COOLING:
        return trend < STILL_FALLS_C_PER_H
    if trend >= FALLS_C_PER_H:
        return False
    air_c = next((p.value_c for p in facts.points if p.place == "ambient"), None)
    if watch.heatup is not None or air_c is None or coldest.value_c is None:
        return True
    return coldest.value_c - air_c >= WARMER_THAN_AIR_C


def _levels_off(watch: Watch, facts: Facts) -> bool:
    if watch.state is State.LEVELLING_OFF:
        return facts.forecast.p_reach < AGAIN_ABOVE_P
    if watch.never_since_s is None or watch.heatup is None:
        return False
    return facts.t_s - watch.never_since_s >= min(600.0, 0.25 * (facts.t_s - watch.heatup.on_s))


# -- signs


def _signs(watch: Watch, state: State, facts: Facts, rules: Rules) -> tuple[Sign, ...]:
    """The curve's signs and those that rest on limits, on all places together or on a person's word.

    The supervisor's "it is off" outweighs the curve's heater; a sign keeps its instant while it lasts.
    """
    curve = (s for s in facts.forecast.signs if watch.said_off_s is None or s.kind not in _HEATER_WARMS)
    own: list[tuple[SignKind, float | None, str | None]] = []
    if state is State.LEVELLING_OFF:
        own.append((SignKind.LEVELLING_OFF, watch.never_since_s, None))
    if (hot := _too_hot(watch, facts, rules)) is not None:
        own.append((SignKind.TOO_HOT, None, hot.place))
    if (unplugged_s := _unplugged_since(watch, facts, rules)) is not None:
        own.append((SignKind.UNPLUGGED, unplugged_s, None))
    if watch.oil_out_s is not None:
        own.append((SignKind.OIL_OUT, watch.oil_out_s, None))
    if watch.flown:
        own.append((SignKind.FLOWN, None, None))
    before = {(s.kind, s.place): s.since_s for s in watch.signs}

    def begun(kind: SignKind, since_s: float | None, place: str | None) -> Sign:
        return Sign(kind, before.get((kind, place), facts.t_s if since_s is None else since_s), place)

    return (*curve, *(begun(*each) for each in own))


_HEATER_WARMS = frozenset({SignKind.HEATER_ON, SignKind.HEATER_RESUMED})


def _unplugged_since(watch: Watch, facts: Facts, rules: Rules) -> float | None:
    """Since when the harness is unplugged: every probe on required metal open, and all at once.

    A bus that fails says otherwise (missing, no answer, line low), and one thermocouple that breaks stays
    alone. From the second row on.
    """
    required = [p for p in facts.points if p.required]
    if not required or any(p.status != Fault.OPEN.value for p in required):
        return None
    since = [watch.missing_since_s.get(p.place, facts.t_s) for p in required]
    at_once = max(since) - min(since) < AT_ONCE_ROWS * rules.interval_s
    is_old = any(s.kind is SignKind.UNPLUGGED for s in watch.signs)
    seen_twice = facts.t_s - max(since) >= 0.5 * rules.interval_s
    return min(since) if len(required) > 1 and (is_old or (at_once and seen_twice)) else None


# -- the heat-up


def _keep_heatup(
    watch: Watch, state: State, facts: Facts
) -> tuple[Watch, Heatup | None, tuple[Heatup, str] | None]:
    """Open, mark and close the heat-up."""
    now_s, heatup = facts.t_s, watch.heatup
    never = watch.heating is True and facts.forecast.p_reach < NEVER_BELOW_P
    watch = replace(
        watch,
        never_since_s=(watch.never_since_s if watch.never_since_s is not None else now_s) if never else None,
        was_above=watch.above
        or (watch.was_above and state in (State.COOLING, State.FLOWN_COOLING, State.PROBE_MISSING)),
    )
    if heatup is None:
        if watch.heating is not True:
            return watch, None, None
        began = facts.forecast.heater_on_at
        opened = Heatup(on_s=now_s if began is None else min(began, now_s))
        fresh = replace(watch, heatup=opened, said_off_s=None, once=(), late_since_s=None, told_late_min=None)
        return fresh, opened, None
    if watch.above and heatup.above_s is None:
        from_s = now_s if watch.above_from_s is None else watch.above_from_s
        heatup = replace(heatup, above_s=max(from_s, heatup.on_s))
    if state is State.READY and heatup.ready_s is None:
        heatup = replace(heatup, ready_s=now_s)
    if watch.heating is False and heatup.off_s is None:
        off_s = facts.forecast.heater_off_at
        heatup = replace(heatup, off_s=now_s if off_s is None else min(max(off_s, heatup.on_s), now_s))
    elif watch.heating is True and heatup.off_s is not None:
        heatup = replace(heatup, off_s=None)
    over = _end_reason(watch, heatup, state, now_s)
    if over is not None:
        forgotten = replace(watch, heatup=None, left_above_s=None, never_since_s=None, denied_s=None)
        return forgotten, None, (heatup, over)
    return replace(watch, heatup=heatup), None, None


def _numbered(watch: Watch) -> tuple[Watch, str]:
    """The watch with its counter one further, and the number that was next."""
    return replace(watch, count=watch.count + 1), f"{watch.born}-{watch.count}"


def _end_reason(watch: Watch, heatup: Heatup, state: State, now_s: float) -> str | None:
    """Why a heat-up is over; None while it isn't: it may resume for an hour after the heat stopped."""
    if heatup.off_s is None or state is State.TOO_HOT:
        return None
    if watch.above and state in (State.ABOVE_TARGET, State.READY):
        return None
    if heatup.above_s is not None and not watch.above and not watch.missing_since_s:
        return "cooled after " + ("ready" if heatup.ready_s is not None else "above target")
    if watch.said_off_s is not None and watch.said_off_s >= heatup.on_s:
        return "switched off, as said"
    if now_s - heatup.off_s >= HEATUP_ENDS_AFTER_S:
        return "heat stopped and did not come back"
    return None


# -- alerts and messages


def _keep_alerts(watch: Watch, facts: Facts, rules: Rules) -> tuple[Watch, tuple[tuple[Alert, str], ...]]:
    """Open what is wrong, close what has gone."""
    wanted = {(a.kind, a.place): a for a in _wrong_now(watch, facts, rules)}
    open_now = {(a.kind, a.place): a for a in watch.alerts}
    gone = tuple((a, _closed_by(a, watch)) for key, a in open_now.items() if key not in wanted)
    alerts = []
    for key, fresh in wanted.items():
        if key not in open_now:
            watch, number = _numbered(watch)
            fresh = replace(fresh, number=number)
        alerts.append(open_now.get(key, fresh))
    return replace(watch, alerts=tuple(alerts)), gone


def _wrong_now(watch: Watch, facts: Facts, rules: Rules) -> Iterable[Alert]:
    """What is wrong at this tick. An alert once open stays the same one while its cause lasts, also
    where another trouble has taken over the state."""
    now_s, heatup = facts.t_s, watch.heatup
    already = {a.kind: a for a in watch.alerts}
    for place, since_s in watch.missing_since_s.items():
        if now_s - since_s >= 3 * rules.interval_s:
            yield Alert("probe-missing", since_s, place)
    yield from _unlike(watch)
    if watch.state is State.TOO_HOT:
        hot = _too_hot(watch, facts, rules)
        fresh = Alert("too-hot", watch.since_s, hot.place if hot else None, True, ("it-is-off",))
        fresh = replace(fresh, denied_s=watch.denied_s)
        yield already.get("too-hot", fresh)
    if _heat_stopped(watch) and heatup is not None:
        off_s = watch.since_s if heatup.off_s is None else heatup.off_s
        if "heater-stopped" in already:
            yield already["heater-stopped"]
        elif watch.state is State.HEATER_STOPPED and now_s - watch.since_s >= STOP_CONFIRMED_S:
            yield Alert("heater-stopped", off_s, answers=("it-is-off", "seen"))
    hidden = watch.state in (State.PROBE_MISSING, State.TOO_HOT) and "levelling-off" in already
    if watch.state is State.LEVELLING_OFF or (hidden and facts.forecast.p_reach < AGAIN_ABOVE_P):
        yield already.get("levelling-off", Alert("levelling-off", watch.since_s))
    asked_s = _attendance_due(watch, facts, rules)
    if asked_s is not None and now_s >= asked_s:
        yield Alert("attended", asked_s, None, True, ("with-it", "it-is-off"))
    due_s = _switch_off_due(watch, facts, rules)
    if due_s is not None and now_s >= due_s:
        yield Alert("switch-off", due_s, None, True, ("it-is-off",), denied_s=watch.denied_s)
    elif "switch-off" in already and facts.departure_at is None and _may_be_heating(watch):
        yield already["switch-off"]  # a start that is forgotten is no word on the heater; a new one is


def _unlike(watch: Watch) -> Iterable[Alert]:
    """A heater too weak for this setup, or a cylinder that stays cold."""
    if watch.heatup is None or watch.heating is False:
        return
    for sign in watch.signs:
        if sign.kind in (SignKind.TOO_WEAK, SignKind.ONE_COLD):
            yield Alert(sign.kind.value, sign.since_s, sign.place)


def _may_be_heating(watch: Watch) -> bool:
    return watch.heatup is not None and watch.heating is not False


def _attendance_due(watch: Watch, facts: Facts, rules: Rules) -> float | None:
    """From when on it is asked whether somebody is with a combustion heater [run s]: ATTENDED_S after it
    began to warm, or after somebody said so last. None where none burns."""
    heatup = watch.heatup
    if not rules.attended or heatup is None or watch.heating is False:
        return None
    trends = facts.forecast.trends_c_per_h
    seen = [trends.get(p.place, 0.0) for p in _engine(facts.points) if p.usable]
    if seen and sum(seen) / len(seen) < FALLS_C_PER_H:
        return None  # nothing burns where the engine falls, whatever the curve is taken for
    return max(heatup.on_s, watch.with_it_s or heatup.on_s) + ATTENDED_S


def _switch_off_due(watch: Watch, facts: Facts, rules: Rules) -> float | None:
    """From when on heat that is still on is asked about [run s]: ready for long enough, unless a planned
    start is near; or that start passed; or all is unplugged but the heater. None where no heat is on."""
    heatup, start_s = watch.heatup, facts.departure_at
    if heatup is None or watch.heating is False:
        return None
    due_s = []
    if _draws_power(facts) and _unplugged(watch, facts):
        due_s.append(max(watch.missing_since_s.values()) + 3 * rules.interval_s)
    if heatup.ready_s is not None:
        ready_due_s = heatup.ready_s + rules.switch_off_after_s
        near = start_s is not None and start_s <= heatup.ready_s + HEAT_ON_FOR_START_S
        due_s.append(max(ready_due_s, start_s) if start_s is not None and near else ready_due_s)
    if start_s is not None and start_s - START_FORGOTTEN_S < heatup.on_s < start_s + START_PASSED_S:
        due_s.append(start_s + START_PASSED_S)
    return min(due_s, default=None)


def _closed_by(alert: Alert, watch: Watch) -> str:
    """Whether a person's word ended an alert, to it or to another about the same heat, or what was seen."""
    said = "it-is-off" in alert.answers and watch.said_off_s is not None
    return "answer" if said or alert.answered is not None else "evidence"


def _no_longer_true(old: State | None, new: State) -> tuple[str, ...]:
    """Kinds of messages that a change of state makes untrue, or that its own word overtakes."""
    warm = (State.ABOVE_TARGET, State.READY)
    if old is State.ABOVE_TARGET and new is State.READY:
        return ("above-target",)
    if old is State.READY and new is State.ABOVE_TARGET:
        return ("ready",)
    if old in warm and new is not State.TOO_HOT:
        return ("above-target", "ready", "holding")
    if new in warm:
        return ("cooling", "later")
    return ()


_ON_ENTRY = {State.ABOVE_TARGET: "above-target", State.READY: "ready"}
_VALID_S = {
    "above-target": 5400.0,
    "ready": 5400.0,
    "holding": 5400.0,
    "cooling": 5400.0,
    "later": 3600.0,
    "morning-look": 3600.0,
    "board-back": 7200.0,
    "switch-off": 7200.0,
    "too-hot": 3600.0,
    "attended": ATTENDED_S,
    "heater-stopped": 7200.0,
    "probe-missing": 7200.0,
    "levelling-off": 7200.0,
    "too-weak": 7200.0,
    "one-cold": 7200.0,
}
_TRUSTING = frozenset({"above-target", "ready", "holding"})


def holds(watch: Watch, announcement: Announcement) -> bool:
    """Whether a word that had to wait is still true, and still wanted."""
    if announcement.kind in ("probe-missing", "unplugged"):
        return any(a.kind == "probe-missing" and a.answered is None for a in watch.alerts)
    if announcement.departure is not None:
        return True  # that is for the departures to say
    if announcement.alert is not None:
        return any(a.id == announcement.alert and a.answered is None for a in watch.alerts)
    warm = watch.state in (State.ABOVE_TARGET, State.READY)
    return {
        "above-target": watch.state is State.ABOVE_TARGET,
        "ready": watch.state is State.READY,
        "holding": warm and watch.heating is False,
        "cooling": not warm and watch.heatup is None and watch.trusted is False,
        "later": watch.told_late_min is not None and watch.heatup is not None and not warm,
    }.get(announcement.kind, True)


def _tell(watch: Watch, before: Watch, facts: Facts, rules: Rules) -> tuple[Watch, tuple[Announcement, ...]]:
    """Messages of this tick: on coming back, on reaching or leaving a state, at the morning look's hour,
    and for alerts until they are answered."""
    out: list[Announcement] = []
    for kind in (*_of_the_board(watch, facts, rules), *_of_the_state(watch, before, facts, rules)):
        if _has_said_enough(watch, kind):
            continue
        watch, number = _numbered(watch)
        out.append(Announcement(kind, f"{kind}:{number}", _VALID_S[kind], overtakes=_overtaken_by(kind)))
        watch = _having_said(watch, kind, facts, rules)
    watch = _having_come_back(watch, facts, rules)
    if watch.heatup is None:
        return watch, tuple(out)
    watch, asked = _ask(watch, facts)
    return watch, (*out, *asked)


def _of_the_board(watch: Watch, facts: Facts, rules: Rules) -> Iterable[str]:
    """The morning look in its hour, or that measuring goes on again; the second one says all of the first."""
    if watch.owes_back and facts.clock_ok:
        if not _just_back(watch, facts, rules):
            yield "board-back"
    elif _look_is_due(watch, facts):
        yield "morning-look"


def _look_is_due(watch: Watch, facts: Facts) -> bool:
    if facts.look_s is None or facts.t_s - facts.look_s > LOOK_LATE_S or not facts.clock_ok:
        return False
    return watch.look_s is None or watch.look_s < facts.look_s


def _just_back(watch: Watch, facts: Facts, rules: Rules) -> bool:
    """Whether measuring has gone on for too few rows to say how things stand."""
    missed = watch.missed
    rows_s = TRUST_ROWS * rules.interval_s
    return watch.owes_back and missed is not None and facts.t_s - missed.until_s < rows_s


def _having_come_back(watch: Watch, facts: Facts, rules: Rules) -> Watch:
    """A look counts as sent, and a gap as said, whether or not there was anything to say of them."""
    if not facts.clock_ok or _just_back(watch, facts, rules):
        return watch
    look_s = facts.look_s if _look_is_due(watch, facts) else watch.look_s
    return replace(watch, owes_back=False, look_s=look_s)


def _of_the_state(watch: Watch, before: Watch, facts: Facts, rules: Rules) -> Iterable[str]:
    """What reaching, keeping or leaving a state is worth saying."""
    if _just_back(watch, facts, rules):
        return
    entered = watch.state is not before.state
    if entered and watch.heatup is not None and watch.state in _ON_ENTRY:
        if not _was_told(watch, before.state, facts.t_s):
            yield _ON_ENTRY[watch.state]
    elif watch.trusted and _is_cold_again(watch, facts, rules):
        yield "cooling"
    elif _holds_without_heat(watch, facts):
        yield "holding"
    elif _is_later(watch, facts, rules):
        yield "later"


def _is_cold_again(watch: Watch, facts: Facts, rules: Rules) -> bool:
    """Below the target with all places measured, after people were told that it is above."""
    coldest = coldest_of(facts.points)
    if watch.above or watch.missing_since_s or coldest is None or coldest.counted_c is None:
        return False
    if watch.state in (State.ABOVE_TARGET, State.READY, State.TOO_HOT, State.FLOWN_COOLING):
        return False
    return coldest.counted_c < rules.target_c


def _holds_without_heat(watch: Watch, facts: Facts) -> bool:
    heatup = watch.heatup
    if heatup is None or heatup.ready_s is None or heatup.off_s is None or "holding" in watch.once:
        return False
    if watch.state is not State.READY or facts.forecast.below_p10 is None:
        return False
    return heatup.off_s > heatup.ready_s and facts.t_s - heatup.off_s >= OFF_CONFIRMED_S


def expected_ready_s(watch: Watch, rules: Rules, forecast: Forecast) -> float | None:
    """When it will most likely be ready, by the announced forecast [run s]; None where that is open."""
    if watch.above:
        return ready_at(watch, rules, forecast)
    shown = watch.announced
    if watch.heatup is None or watch.heating is False or shown is None or shown.above_p50 is None:
        return None
    above_s = max(shown.above_p50, forecast.t_s)
    if rules.ready_rule == "core":
        core_s = forecast.core_above_p90
        return None if core_s is None else max(above_s, core_s)
    return max(above_s + rules.soak_s, forecast.core_above_p50 or 0.0)


def late_s(watch: Watch, facts: Facts, rules: Rules) -> float | None:
    """By how much the planned start can't be kept, most likely [s]; negative: time to spare; None: open."""
    ready_s = expected_ready_s(watch, rules, facts.forecast)
    if facts.departure_at is None or ready_s is None:
        return None
    return ready_s + facts.prepare_s - facts.departure_at


def _is_later(watch: Watch, facts: Facts, rules: Rules) -> bool:
    """Whether the start slips by more than was said, for long enough to believe it."""
    slip_s = late_s(watch, facts, rules)
    if slip_s is None or watch.state not in (State.HEATING, State.ABOVE_TARGET):
        return False
    told = (facts.told_late_s, None if watch.told_late_min is None else watch.told_late_min * 60)
    if slip_s < max((told_s + LATER_S for told_s in told if told_s), default=LATE_S):
        return False
    return watch.late_since_s is not None and facts.t_s - watch.late_since_s >= LATE_CONFIRMED_S


def _see_late(watch: Watch, facts: Facts, rules: Rules) -> Watch:
    slip_s = late_s(watch, facts, rules)
    if slip_s is None or slip_s < LATE_S:
        return watch if watch.late_since_s is None else replace(watch, late_since_s=None)
    return replace(watch, late_since_s=facts.t_s) if watch.late_since_s is None else watch


def _has_said_enough(watch: Watch, kind: str) -> bool:
    """Whether the budget of words is used up: earlier for what raises trust, and for what lowers it only
    where the last word did so already. The first word of harm and the morning look are always said."""
    if kind == "morning-look":
        return False
    if kind in _TRUSTING:
        return len(watch.spoke_s) >= FEW_WORDS
    return len(watch.spoke_s) >= MOST_WORDS and not watch.trusted


def _overtaken_by(kind: str) -> tuple[str, ...]:
    """Undelivered words that make no sense beside a newer one of this kind."""
    if kind == "cooling":
        return ("cooling", "holding", "ready", "above-target", "morning-look")
    if kind in ("morning-look", "board-back"):
        return ("morning-look", "board-back", "later")
    return (kind,)


def _having_said(watch: Watch, kind: str, facts: Facts, rules: Rules) -> Watch:
    """The watch that remembers this word."""
    tells_all = kind in ("morning-look", "board-back")
    warm = watch.state in (State.ABOVE_TARGET, State.READY)
    trusted = kind in _TRUSTING or (tells_all and warm) or (kind == "later" and watch.trusted)
    slip_s = late_s(watch, facts, rules)
    return replace(
        watch,
        spoke_s=(*watch.spoke_s, facts.t_s),
        trusted=trusted,
        once=(*watch.once, kind),
        told_above_s=facts.t_s if _says(State.ABOVE_TARGET, kind, watch) else watch.told_above_s,
        told_ready_s=facts.t_s if _says(State.READY, kind, watch) else watch.told_ready_s,
        told_late_min=slip_s / 60 if kind == "later" and slip_s is not None else watch.told_late_min,
    )


def _says(state: State, kind: str, watch: Watch) -> bool:
    """Whether a word of that kind says that this state is reached."""
    return kind == _ON_ENTRY[state] or (kind == "board-back" and watch.state is state)


def _ask(watch: Watch, facts: Facts) -> tuple[Watch, tuple[Announcement, ...]]:
    """Words of alerts that are due; places lost in the same tick are said in one."""
    out: list[Announcement] = []
    hot = any(a.kind == "too-hot" for a in watch.alerts)  # that one asks for the switch as well
    due = tuple(a for a in watch.alerts if _is_due(a, facts.t_s) and not (hot and a.kind == "switch-off"))
    lost = tuple(a for a in due if a.kind == "probe-missing")
    silent = {*lost[1:], *(lost if _needs_no_word(watch, facts) else ())}
    for alert in due:
        if alert in silent or (alert.told == 0 and not alert.harm and _has_said_enough(watch, alert.kind)):
            continue
        if alert.told == 0 and alert.kind != "attended":  # that one is asked anew, and takes nothing back
            watch = replace(watch, spoke_s=(*watch.spoke_s, facts.t_s), trusted=False)
        several = alert in lost and len(lost) > 1
        word = _asking(alert, None if several else alert.place)
        out.append(replace(word, kind="unplugged") if several and _unplugged(watch, facts) else word)
    told = (replace(a, told=a.told + 1, told_s=facts.t_s) if a in due else a for a in watch.alerts)
    return replace(watch, alerts=tuple(told)), tuple(out)


def _unplugged(watch: Watch, facts: Facts) -> bool:
    """Whether the harness was unplugged in a heat-up, or all required places went at once in whatever way
    from an engine that was warm, as when somebody leaves."""
    if watch.heatup is not None and any(s.kind is SignKind.UNPLUGGED for s in watch.signs):
        return True
    required = {p.place for p in facts.points if p.required}
    since = watch.missing_since_s
    if watch.heatup is None or watch.heatup.above_s is None or not required or since.keys() < required:
        return False
    return max(since.values()) - min(since.values()) < 1.0


def _needs_no_word(watch: Watch, facts: Facts) -> bool:
    """Unplugged as a pilot does, the heat seen off and the planned start near; or with the heater drawing
    power, which is asked about as harm."""
    if not _unplugged(watch, facts):
        return False
    start_s = facts.departure_at
    near = start_s is not None and abs(facts.t_s - start_s) < HEATUP_ENDS_AFTER_S
    return _draws_power(facts) or (near and watch.heating is False)


def _asking(alert: Alert, place: str | None) -> Announcement:
    return Announcement(
        alert.kind,
        f"{alert.id}:{alert.told}",
        _VALID_S[alert.kind],
        place,
        alert.id,
        alert.harm,
        alert.told,
        (alert.id,),
    )


def _was_told(watch: Watch, before: State | None, now_s: float) -> bool:
    """Whether word of this state would only repeat what was said a little while ago, or less than that."""
    told_s = watch.told_ready_s if watch.state is State.READY else watch.told_above_s
    return before is State.READY or (told_s is not None and now_s - told_s < TELL_AGAIN_S)


def _is_due(alert: Alert, now_s: float) -> bool:
    """The first word at once; alerts for harm again until they are answered."""
    if alert.answered is not None:
        return False
    again_s = asks_again_s(alert)
    return alert.told_s is None or (again_s is not None and now_s >= again_s)


def asks_again_s(alert: Alert) -> float | None:
    """When an alert for harm is asked again if nobody answers [run s]; None where it isn't."""
    if not alert.harm or alert.told_s is None or alert.answered is not None:
        return None
    if alert.kind == "attended":
        return alert.told_s + ATTENDED_S
    return alert.told_s + ASK_AGAIN_AFTER_S[min(alert.told, len(ASK_AGAIN_AFTER_S)) - 1]


# -- the announced forecast


def _announce(watch: Watch, forecast: Forecast, state_changed: bool) -> tuple[Watch, bool]:
    """Replace the announced forecast when it has to be; after 15 min say again what still holds."""
    shown = watch.announced
    if shown is None or state_changed or _has_left(shown, forecast):
        fresh = Announced(
            forecast.t_s, forecast.above_p10, forecast.above_p50, forecast.above_p90, forecast.p_reach
        )
        return replace(watch, announced=fresh), True
    if forecast.t_s - shown.t_s >= ANNOUNCE_EVERY_S:
        return replace(watch, announced=replace(shown, t_s=forecast.t_s, p_reach=forecast.p_reach)), True
    return watch, False


def _has_left(shown: Announced, live: Forecast) -> bool:
    """Whether the live forecast has left the shown one: its middle outside the range, an end moved by
    more than max(3 min, a quarter of the width), an end that appeared or vanished, or, after 15 min, the
    middle moved by more than max(2 min, an eighth of the width)."""
    pairs = [
        (shown.above_p10, live.above_p10),
        (shown.above_p50, live.above_p50),
        (shown.above_p90, live.above_p90),
    ]
    if any((a is None) != (b is None) for a, b in pairs):
        return True
    if shown.above_p10 is None or shown.above_p50 is None or live.above_p50 is None:
        return False
    late = shown.above_p90 if shown.above_p90 is not None else float("inf")
    if not shown.above_p10 <= live.above_p50 <= late:
        return True
    width = (late if late != float("inf") else 2 * shown.above_p50 - shown.above_p10) - shown.above_p10
    is_old = live.t_s - shown.t_s >= ANNOUNCE_EVERY_S
    if is_old and abs(live.above_p50 - shown.above_p50) > max(120.0, width / 8):
        return True
    ends = [(a, b) for a, b in (pairs[0], pairs[2]) if a is not None and b is not None]
    return any(abs(a - b) > max(180.0, width / 4) for a, b in ends)
