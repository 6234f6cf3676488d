"""What is wrong: alerts, until they are answered or gone, and when they are asked again."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from msgspec import structs

from probe_agent.config import ASK_AGAIN_AFTER_S
from probe_agent.readings import SignKind, State
from probe_agent.supervisor.points import engine_points
from probe_agent.supervisor.seen import START_PASSED_S, STOP_CONFIRMED_S, draws_power, say_heater
from probe_agent.supervisor.state import (
    AGAIN_ABOVE_P,
    FALLS_C_PER_H,
    HEATUP_ENDS_AFTER_S,
    heat_stopped,
    too_hot,
)
from probe_agent.supervisor.watch import Alert, Facts, Rules, Watch, numbered

START_FORGOTTEN_S = 4 * 3600.0
"""A planned start nobody spoke of is forgotten after this; heat found on by then stays asked about."""
HEAT_ON_FOR_START_S = 3 * 3600.0
"""Heat may stay on for a planned start that is no further off than this after ready."""
ATTENDED_S = 600.0
"""So often it is asked whether somebody is with a combustion heater (10 min: common practice, no source)."""
PLUG_ANSWERS: Mapping[str, tuple[str, ...]] = {
    "still-warming": ("it-is-off",),
    "no-power": ("seen",),
    "no-rise": ("seen",),
    "power-unplugged": ("it-is-off",),
}
"""Alerts of the plug, asked also where there is no heat-up, and what each may be answered."""
OF_RECORD = frozenset({"record-unwritten", "record-damaged", "card-forgets"})
"""Alerts of the record: told also where there is no heat-up; they say nothing of the engine."""


def answer_alert(watch: Watch, alert_id: str, answer: str, now_s: float) -> Watch | None:
    """The watch after somebody answered an alert; None if that alert is not open or has no such answer."""
    found = next((a for a in watch.alerts if a.id == alert_id), None)
    if found is None or answer not in found.answers:
        return None
    changed = replace(found, answered=answer, answered_s=now_s, denied_s=None)
    alerts = tuple(changed if a is found else a for a in watch.alerts)
    with_it = now_s if answer == "with-it" else watch.with_it_s
    watch = structs.replace(watch, alerts=alerts, with_it_s=with_it)
    return say_heater(watch, False, now_s) if answer == "it-is-off" else watch


def keep_alerts(watch: Watch, facts: Facts, rules: Rules) -> tuple[Watch, tuple[tuple[Alert, str], ...]]:
    """Open what is wrong, close what has gone."""
    wanted = {(a.kind, a.place): a for a in _wrong_now(watch, facts, rules)}
    open_now = {(a.kind, a.place): a for a in watch.alerts}
    gone = tuple((a, _closed_by(a, watch)) for key, a in open_now.items() if key not in wanted)
    alerts = []
    for key, fresh in wanted.items():
        if key not in open_now:
            watch, number = numbered(watch)
            fresh = replace(fresh, number=number)
        alerts.append(open_now.get(key, fresh))
    return structs.replace(watch, alerts=tuple(alerts)), gone


def _wrong_now(watch: Watch, facts: Facts, rules: Rules) -> Iterable[Alert]:
    """What is wrong at this tick. An alert once open stays the same one while its cause lasts, also
    where another trouble has taken over the state."""
    now_s, heatup = facts.t_s, watch.heatup
    already = {a.kind: a for a in watch.alerts}
    for kind, since_s in facts.alarms:
        yield already.get(kind, Alert(kind, since_s, None, True, PLUG_ANSWERS[kind]))
    for kind, since_s in facts.record:
        yield already.get(kind, Alert(kind, since_s))
    for place, since_s in watch.missing_since_s.items():
        if now_s - since_s >= 3 * rules.interval_s and not facts.unprobed:
            yield Alert("probe-missing", since_s, place)
    yield from _unlike(watch)
    if watch.state is State.TOO_HOT:
        hot = too_hot(watch, facts, rules)
        fresh = Alert("too-hot", watch.since_s, hot.place if hot else None, True, ("it-is-off",))
        fresh = replace(fresh, denied_s=watch.denied_s)
        yield already.get("too-hot", fresh)
    if heat_stopped(watch) and heatup is not None:
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
    seen = [trends.get(p.place, 0.0) for p in engine_points(facts.points) if p.usable]
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
    if draws_power(facts) and is_unplugged(watch, facts):
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


def is_unplugged(watch: Watch, facts: Facts) -> bool:
    """Whether the harness was unplugged in a heat-up, or all required places went at once in whatever way
    from an engine that was warm, as when somebody leaves."""
    if watch.heatup is not None and any(s.kind is SignKind.UNPLUGGED for s in watch.signs):
        return True
    required = {p.place for p in facts.points if p.required}
    since = watch.missing_since_s
    if watch.heatup is None or watch.heatup.above_s is None or not required or since.keys() < required:
        return False
    return max(since.values()) - min(since.values()) < 1.0


def needs_no_word(watch: Watch, facts: Facts) -> bool:
    """Unplugged as a pilot does, the heat seen off and the planned start near; or with the heater drawing
    power, which is asked about as harm."""
    if not is_unplugged(watch, facts):
        return False
    start_s = facts.departure_at
    near = start_s is not None and abs(facts.t_s - start_s) < HEATUP_ENDS_AFTER_S
    return draws_power(facts) or (near and watch.heating is False)


def is_due(alert: Alert, now_s: float) -> bool:
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
