"""What the readings and the forecast mean: state, transitions, announcements. Pure.

`step` takes the watch so far and one tick's facts and returns the next watch with what happened.
Quick to doubt, slow to trust: a required place without a value ends "above target" at once, and
values are believed again only after two rows.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from probe_agent.config import NEVER_COLDEST, may_be_coldest
from probe_agent.readings import Fault, Forecast, Point, State, Transition

SLACK_C = 0.3
"""How far the coldest point may dip under the target in one row before "above target" ends at once:
a quarter-degree step and a little (quantisation of the usual converters, data sheet 19-6725)."""

SURE_ABOVE_C = 0.25
HOT_AFTER_FLIGHT_C = 45.0
FLOWN_UNTIL_C = 35.0
NO_LONGER_TOO_HOT_C = 2.0
NEVER_BELOW_P = 0.1
AGAIN_ABOVE_P = 0.2
STOP_CONFIRMED_S = 120.0
HEATUP_ENDS_AFTER_S = 3600.0
ANNOUNCE_EVERY_S = 900.0
REPEAT_AFTER_S = (900.0, 1800.0, 3600.0, 3600.0)
SOAK_GAP_S = 60.0


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


@dataclass(frozen=True, slots=True)
class Facts:
    """One tick as the supervisor sees it."""

    t_s: float
    points: tuple[Point, ...]
    forecast: Forecast


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

    @property
    def id(self) -> str:
        return f"{self.kind}:{self.place or 'all'}:{round(self.opened_s)}"


@dataclass(frozen=True, slots=True)
class Heatup:
    """One warming, from heater on to off. Instants in run seconds."""

    on_s: float
    above_s: float | None = None
    ready_s: float | None = None
    off_s: float | None = None


@dataclass(frozen=True, slots=True)
class Announcement:
    """A message to send: kind as words.message knows it; it is out of date after valid_s."""

    kind: str
    key: str
    valid_s: float
    place: str | None = None


@dataclass(frozen=True, slots=True)
class Watch:
    """All the supervisor remembers from tick to tick."""

    state: State | None = None
    since_s: float = 0.0
    reason: str = ""
    t_s: float | None = None
    heating: bool | None = None
    said_off_s: float | None = None
    above: bool = False
    above_rows: int = 0
    below_rows: int = 0
    above_since_s: float | None = None
    was_above: bool = False
    missing_since_s: dict[str, float] = field(default_factory=dict)
    present_rows: int = 2
    flown: bool = False
    never_since_s: float | None = None
    heatup: Heatup | None = None
    announced: Announced | None = None
    alerts: tuple[Alert, ...] = ()


@dataclass(frozen=True, slots=True)
class Step:
    """The next watch and what happened in this tick.

    opened/closed: the heat-up that began or ended, closed with its reason; gone: alerts that ended,
    with what ended them; withdrawn: kinds of messages that are no longer true if still undelivered.
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


def missing_places(points: Iterable[Point]) -> tuple[str, ...]:
    """Required places without a value."""
    return tuple(p.place for p in points if p.required and not p.usable)


def coldest_of(points: Iterable[Point]) -> Point | None:
    """The coldest of the required points that have a value."""
    counted = [p for p in points if p.required and p.usable and may_be_coldest(p.place, p.near_heater)]
    return min(counted, key=lambda p: p.value_c if p.value_c is not None else 0.0, default=None)


def ready_at(watch: Watch, rules: Rules, forecast: Forecast) -> float | None:
    """When it will be ready by the rule [run s], as far as that can be told; None otherwise."""
    if watch.above_since_s is None or not watch.above:
        return None
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
    changed = replace(found, answered=answer, answered_s=now_s)
    alerts = tuple(changed if a is found else a for a in watch.alerts)
    said = now_s if answer == "it-is-off" else watch.said_off_s
    return replace(watch, alerts=alerts, said_off_s=said)


def say_heater(watch: Watch, on: bool, now_s: float) -> Watch:
    """The watch after somebody said the heater is on or off."""
    return replace(watch, said_off_s=None if on else now_s)


def step(watch: Watch, facts: Facts, rules: Rules) -> Step:
    """One tick: what it means and what follows. Facts must not go back in time."""
    seen = _see(watch, facts, rules)
    state, reason = _decide(seen, facts, rules)
    after, opened, closed = _keep_heatup(seen, state, facts)
    transitions: tuple[Transition, ...] = ()
    withdrawn: tuple[str, ...] = ()
    if state is not watch.state:
        transitions = (Transition(facts.t_s, watch.state, state, reason),)
        after = replace(after, state=state, since_s=facts.t_s, reason=reason)
        withdrawn = _no_longer_true(watch.state, state)
    after, gone = _keep_alerts(after, facts, rules)
    after, announcements = _tell(after, watch.state, facts, rules)
    after, fresh = _announce(after, facts.forecast, bool(transitions))
    return Step(after, transitions, announcements, opened, closed, gone, withdrawn, fresh)


def shifted(watch: Watch, by_s: float) -> Watch:
    """The same watch in another run's seconds, `by_s` later: for a restart of the daemon."""

    def move(instant: float | None) -> float | None:
        return None if instant is None else instant + by_s

    heatup, shown = watch.heatup, watch.announced
    return replace(
        watch,
        since_s=watch.since_s + by_s,
        t_s=move(watch.t_s),
        said_off_s=move(watch.said_off_s),
        above_since_s=move(watch.above_since_s),
        missing_since_s={p: s + by_s for p, s in watch.missing_since_s.items()},
        never_since_s=move(watch.never_since_s),
        heatup=heatup
        and Heatup(heatup.on_s + by_s, move(heatup.above_s), move(heatup.ready_s), move(heatup.off_s)),
        announced=shown
        and Announced(
            shown.t_s + by_s,
            move(shown.above_p10),
            move(shown.above_p50),
            move(shown.above_p90),
            shown.p_reach,
        ),
        alerts=tuple(
            replace(a, opened_s=a.opened_s + by_s, answered_s=move(a.answered_s), told_s=move(a.told_s))
            for a in watch.alerts
        ),
    )


# -- what is seen


def _see(watch: Watch, facts: Facts, rules: Rules) -> Watch:
    """The debounced observations of this tick."""
    missing = missing_places(facts.points)
    since = {p: watch.missing_since_s.get(p, facts.t_s) for p in missing}
    coldest = coldest_of(facts.points)
    value = coldest.value_c if coldest is not None else None
    heating = _believed_heating(watch, facts)
    hottest = max(
        (p.value_c for p in facts.points if p.value_c is not None and p.place not in NEVER_COLDEST),
        default=None,
    )
    flown = watch.flown
    if hottest is not None:
        no_heat = heating is not True and watch.heatup is None
        flown = hottest >= FLOWN_UNTIL_C if flown else no_heat and hottest >= HOT_AFTER_FLIGHT_C
    next_watch = replace(
        watch,
        t_s=facts.t_s,
        heating=heating,
        missing_since_s=since,
        present_rows=0 if missing else min(watch.present_rows + 1, 2),
        flown=flown and heating is not True,
    )
    return _see_above(next_watch, value, bool(missing), facts.t_s, rules)


def _see_above(watch: Watch, coldest_c: float | None, missing: bool, now_s: float, rules: Rules) -> Watch:
    """Above the target or not, past single dips of the last digit; unknown counts as not."""
    if missing or coldest_c is None:
        broken = any(now_s - s > SOAK_GAP_S for s in watch.missing_since_s.values()) or coldest_c is None
        return replace(
            watch,
            above=False,
            above_rows=0,
            below_rows=0,
            above_since_s=None if broken else watch.above_since_s,
        )
    rows_above = min(watch.above_rows + 1, 2) if coldest_c >= rules.target_c else 0
    rows_below = min(watch.below_rows + 1, 2) if coldest_c < rules.target_c else 0
    if watch.above:
        above = not (rows_below >= 2 or coldest_c < rules.target_c - SLACK_C)
    else:
        sure = coldest_c >= rules.target_c + SURE_ABOVE_C and watch.present_rows >= 2
        above = rows_above >= 2 or sure
    since = (watch.above_since_s if watch.above_since_s is not None else now_s) if above else None
    return replace(watch, above=above, above_rows=rows_above, below_rows=rows_below, above_since_s=since)


def _believed_heating(watch: Watch, facts: Facts) -> bool | None:
    """Heating as the forecast sees it, unless somebody said it is off and the curve does not contradict."""
    heating = facts.forecast.heating
    if watch.said_off_s is not None and heating is not False:
        contradicted = heating is True and facts.t_s - watch.said_off_s > 1200
        return heating if contradicted else False
    return heating


# -- the state


def _decide(watch: Watch, facts: Facts, rules: Rules) -> tuple[State, str]:
    """The state of this tick and why."""
    hot = _too_hot(watch, facts, rules)
    if hot is not None:
        return State.TOO_HOT, f"{hot.place} at or above {rules.too_hot_c:g} °C during a heat-up"
    if (lost := _held_back_by(watch, facts, rules)) is not None:
        return State.PROBE_MISSING, lost
    if watch.flown and watch.above:
        return State.FLOWN_COOLING, "warm without a heat-up, as after a flight"
    if watch.above and (watch.heatup is not None or watch.state in (State.ABOVE_TARGET, State.READY)):
        return _above_state(watch, facts, rules)
    return _below_state(watch, facts, rules)


def _too_hot(watch: Watch, facts: Facts, rules: Rules) -> Point | None:
    if watch.heatup is None:
        return None
    limit = rules.too_hot_c - (NO_LONGER_TOO_HOT_C if watch.state is State.TOO_HOT else 0.0)
    hot = (
        p
        for p in facts.points
        if p.value_c is not None and p.value_c >= limit and p.place not in NEVER_COLDEST
    )
    return next(hot, None)


def _held_back_by(watch: Watch, facts: Facts, rules: Rules) -> str | None:
    """Why required places hold the state back; None while they don't.

    At once where "above target" stood or would come; elsewhere after three rows, so that one damaged
    answer doesn't flicker on the page.
    """
    lost = list(watch.missing_since_s)
    if not lost:
        return None if watch.state is not State.PROBE_MISSING or watch.present_rows >= 2 else watch.reason
    grace_s = (
        3 * rules.interval_s
        if watch.state
        in (State.HEATING, State.COLD, State.OFF, State.COOLING, State.LEVELLING_OFF, State.HEATER_STOPPED)
        else 0.0
    )
    if all(facts.t_s - s < grace_s for s in watch.missing_since_s.values()):
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
    if rules.ready_rule == "core":
        return facts.forecast.core_above_p >= rules.core_certainty
    soaked = facts.t_s - watch.above_since_s >= rules.soak_s
    return soaked and _core_middle_is_up(rules, facts.forecast)


def _core_middle_is_up(rules: Rules, forecast: Forecast) -> bool:
    return forecast.core_c is not None and forecast.core_c[1] >= rules.need_c


def _below_state(watch: Watch, facts: Facts, rules: Rules) -> tuple[State, str]:
    forecast = facts.forecast
    if watch.heating is True:
        if _levels_off(watch, facts):
            return State.LEVELLING_OFF, "the chance to reach the target is below 1 in 10"
        return State.HEATING, "the heater warms"
    if watch.heatup is not None and watch.heating is None:
        return (watch.state or State.HEATING), watch.reason or "heater unknown"
    if watch.heatup is not None and watch.heatup.above_s is None and watch.said_off_s is None:
        return State.HEATER_STOPPED, "nothing warms any more"
    coldest = coldest_of(facts.points)
    value = coldest.value_c if coldest is not None else None
    if value is None:
        return State.PROBE_MISSING, "no required place has a value"
    falls = forecast.trends_c_per_h.get(coldest.place, 0.0) < -0.5 if coldest is not None else False
    if value >= rules.need_c and (watch.was_above or watch.heatup is not None) and falls:
        return State.COOLING, "falling, no heat"
    if value < rules.need_c:
        return State.COLD, f"coldest point below {rules.need_c:.1f} °C, no heat seen"
    return State.OFF, "no heat seen"


def _levels_off(watch: Watch, facts: Facts) -> bool:
    if watch.state is State.LEVELLING_OFF:
        return facts.forecast.p_reach < AGAIN_ABOVE_P
    if watch.never_since_s is None or watch.heatup is None:
        return False
    return facts.t_s - watch.never_since_s >= min(600.0, 0.25 * (facts.t_s - watch.heatup.on_s))


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
        was_above=watch.above or (watch.was_above and state in (State.COOLING, State.PROBE_MISSING)),
    )
    if heatup is None:
        if watch.heating is not True:
            return watch, None, None
        began = facts.forecast.heater_on_at
        opened = Heatup(on_s=now_s if began is None else min(began, now_s))
        return replace(watch, heatup=opened), opened, None
    if watch.above and heatup.above_s is None:
        heatup = replace(heatup, above_s=now_s)
    if state is State.READY and heatup.ready_s is None:
        heatup = replace(heatup, ready_s=now_s)
    if watch.heating is False and heatup.off_s is None:
        heatup = replace(heatup, off_s=facts.forecast.heater_off_at or now_s)
    elif watch.heating is True and heatup.off_s is not None:
        heatup = replace(heatup, off_s=None)
    over = _end_reason(watch, heatup, state, now_s)
    if over is not None:
        return replace(watch, heatup=None), None, (heatup, over)
    return replace(watch, heatup=heatup), None, None


def _end_reason(watch: Watch, heatup: Heatup, state: State, now_s: float) -> str | None:
    """Why a heat-up is over; None while it isn't: it may resume for an hour after the heat stopped."""
    if heatup.off_s is None or (watch.above and state in (State.ABOVE_TARGET, State.READY)):
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
    gone = tuple((a, _evidence(a)) for key, a in open_now.items() if key not in wanted)
    alerts = tuple(open_now.get(key, fresh) for key, fresh in wanted.items())
    return replace(watch, alerts=alerts), gone


def _wrong_now(watch: Watch, facts: Facts, rules: Rules) -> Iterable[Alert]:
    now_s, heatup = facts.t_s, watch.heatup
    for place, since_s in watch.missing_since_s.items():
        if now_s - since_s >= 3 * rules.interval_s:
            yield Alert("probe-missing", since_s, place)
    if watch.state is State.TOO_HOT:
        hot = _too_hot(watch, facts, rules)
        yield Alert("too-hot", watch.since_s, hot.place if hot else None, True, ("it-is-off",))
    if watch.state is State.HEATER_STOPPED and now_s - watch.since_s >= STOP_CONFIRMED_S:
        yield Alert("heater-stopped", watch.since_s, answers=("it-is-off", "seen"))
    if watch.state is State.LEVELLING_OFF:
        yield Alert("levelling-off", watch.since_s)
    if heatup is not None and heatup.ready_s is not None and watch.heating is not False:
        due_s = heatup.ready_s + rules.switch_off_after_s
        if now_s >= due_s:
            yield Alert("switch-off", due_s, None, True, ("it-is-off",))


def _evidence(alert: Alert) -> str:
    return "answer" if alert.answered is not None else "evidence"


def _no_longer_true(old: State | None, new: State) -> tuple[str, ...]:
    """Kinds of messages that a change of state makes untrue."""
    if old is State.ABOVE_TARGET and new is State.READY:
        return ()
    if old in (State.ABOVE_TARGET, State.READY):
        return ("above-target", "ready")
    if old is State.HEATER_STOPPED:
        return ("heater-stopped",)
    if old is State.LEVELLING_OFF:
        return ("levelling-off",)
    if old is State.PROBE_MISSING:
        return ("probe-missing",)
    return ()


_ON_ENTRY = {State.ABOVE_TARGET: "above-target", State.READY: "ready"}
_VALID_S = {
    "above-target": 5400.0,
    "ready": 5400.0,
    "switch-off": 7200.0,
    "too-hot": 3600.0,
    "heater-stopped": 7200.0,
    "probe-missing": 7200.0,
    "levelling-off": 7200.0,
}


def _tell(
    watch: Watch, before: State | None, facts: Facts, rules: Rules
) -> tuple[Watch, tuple[Announcement, ...]]:
    """Messages of this tick: on reaching a state, and for alerts until they are answered."""
    if watch.heatup is None:
        return watch, ()
    out: list[Announcement] = []
    run = round(watch.heatup.on_s)
    if watch.state is not before and watch.state in _ON_ENTRY:
        kind = _ON_ENTRY[watch.state]
        if not (watch.state is State.ABOVE_TARGET and before is State.READY):
            since = round(watch.above_since_s or facts.t_s)
            out.append(Announcement(kind, f"{kind}:{run}:{since}", _VALID_S[kind]))
    alerts = []
    for alert in watch.alerts:
        if _is_due(alert, facts.t_s):
            key = f"{alert.id}:{alert.told}"
            out.append(Announcement(alert.kind, key, _VALID_S[alert.kind], alert.place))
            alert = replace(alert, told=alert.told + 1, told_s=facts.t_s)
        alerts.append(alert)
    return replace(watch, alerts=tuple(alerts)), tuple(out)


def _is_due(alert: Alert, now_s: float) -> bool:
    """The first word at once; alerts for harm again after 15, 30, then 60 min until answered."""
    if alert.answered is not None:
        return False
    if alert.told_s is None:
        return True
    return (
        alert.harm
        and alert.told <= len(REPEAT_AFTER_S)
        and now_s - alert.told_s >= REPEAT_AFTER_S[alert.told - 1]
    )


# -- the announced forecast


def _announce(watch: Watch, forecast: Forecast, state_changed: bool) -> tuple[Watch, bool]:
    """Replace the announced forecast when it has to be."""
    if not (state_changed or _differs(watch.announced, forecast)):
        return watch, False
    fresh = Announced(
        forecast.t_s, forecast.above_p10, forecast.above_p50, forecast.above_p90, forecast.p_reach
    )
    return replace(watch, announced=fresh), True


def _differs(shown: Announced | None, live: Forecast) -> bool:
    """Whether the live forecast has left the shown one: its middle outside the range, an end moved by
    more than max(3 min, a quarter of the width), an end that appeared or vanished, or 15 min old."""
    if shown is None or live.t_s - shown.t_s >= ANNOUNCE_EVERY_S:
        return True
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
    ends = [(a, b) for a, b in (pairs[0], pairs[2]) if a is not None and b is not None]
    return any(abs(a - b) > max(180.0, width / 4) for a, b in ends)
