"""The state of a tick, its signs, and the heat-up that goes with them."""

from __future__ import annotations

from dataclasses import replace

from msgspec import structs

from probe_agent.readings import Fault, Forecast, Point, Sign, SignKind, State
from probe_agent.supervisor.points import coldest_of, engine_points, run_of
from probe_agent.supervisor.watch import Facts, Heatup, Rules, Watch

COLD_SLACK_C = 0.5
"""How far past the need-limit the coldest point must be before "cold" ends: two quarter-degree steps."""
READY_AGAIN_C = 0.3
READY_AGAIN_P = 0.02
FALLS_C_PER_H = -0.5
STILL_FALLS_C_PER_H = -0.2
RISES_C_PER_H = 3.0
"""A hottest point that rises faster is being heated; the steps of a converter make less of a slope."""
WARMER_THAN_AIR_C = 5.0
"""An engine this much above the air was heated; one nearer to it only follows the evening (from memory)."""
NO_LONGER_TOO_HOT_C = 2.0
NEVER_BELOW_P = 0.1
AGAIN_ABOVE_P = 0.2
HEATUP_ENDS_AFTER_S = 3600.0
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
AT_ONCE_ROWS = 3
"""Pulled plugs open all thermocouples within one row or two; probes that fail by themselves don't."""


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


def decide(watch: Watch, facts: Facts, rules: Rules) -> tuple[State, str]:
    """The state of this tick and why."""
    hot = too_hot(watch, facts, rules)
    if hot is not None:
        return State.TOO_HOT, f"{hot.place} at or above {rules.too_hot_c:g} °C during a heat-up"
    if (lost := _held_back_by(watch, facts, rules)) is not None:
        return State.PROBE_MISSING, lost
    if (run := run_of(facts)) is not None:
        return _RUN_STATES[run.kind]
    if watch.flown and watch.above and watch.heating is not True:
        if watch.state is State.ENGINE_RAN:
            return _RUN_STATES[SignKind.ENGINE_RAN]
        return State.FLOWN_COOLING, "warm without a heat-up, as after a flight"
    if watch.above and (watch.heatup is not None or watch.state in (State.ABOVE_TARGET, State.READY)):
        return _above_state(watch, facts, rules)
    state, reason = _below_state(watch, facts, rules)
    if watch.oil_out_s is not None and state in _QUIET_STATES:
        return State.OIL_OUT, "the oil is out for warming elsewhere"
    return state, reason


_RUN_STATES = {
    SignKind.ENGINE_RUNS: (State.ENGINE_RUNS, "all cylinders rise as no heater can raise them"),
    SignKind.ENGINE_RAN: (State.ENGINE_RAN, "it cools from a run of the engine"),
}


def too_hot(watch: Watch, facts: Facts, rules: Rules) -> Point | None:
    """The hottest point that is too hot, by heat of ours; an engine that runs is hot by itself.

    Where no heat-up is known of, or the engine has run with the heater on, only the hottest of all and only
    while it rises: nothing in an engine at rest is there to feed it but a heater."""
    run = run_of(facts)
    if run is not None and (run.kind is SignKind.ENGINE_RUNS or watch.heating is not True):
        return None
    limit = rules.too_hot_c - (NO_LONGER_TOO_HOT_C if watch.state is State.TOO_HOT else 0.0)
    trends = facts.forecast.trends_c_per_h
    hot = (
        p
        for p in engine_points(facts.points)
        if p.value_c is not None
        and p.value_c >= limit
        and not (watch.flown and trends.get(p.place, 0.0) <= 0.0)  # still the flight's warmth
    )
    hottest = max(hot, key=lambda p: p.value_c or 0.0, default=None)
    if hottest is None or (watch.heatup is not None and run is None):
        return hottest
    above = max(p.value_c for p in engine_points(facts.points) if p.value_c is not None)
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
    if heat_stopped(watch):
        return State.HEATER_STOPPED, "nothing warms any more"
    if coldest.counted_c < rules.need_c + (COLD_SLACK_C if watch.state is State.COLD else 0.0):
        return State.COLD, f"coldest point below {rules.need_c:.1f} °C, no heat seen"
    if _cools(watch, facts, coldest):
        return State.COOLING, "falling, no heat"
    return State.OFF, "no heat seen"


def heat_stopped(watch: Watch) -> bool:
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


def signs_of(watch: Watch, state: State, facts: Facts, rules: Rules) -> tuple[Sign, ...]:
    """The curve's signs and those that rest on limits, on all places together or on a person's word.

    The supervisor's "it is off" outweighs the curve's heater; a sign keeps its instant while it lasts.
    """
    curve = (s for s in facts.forecast.signs if watch.said_off_s is None or s.kind not in _HEATER_WARMS)
    own: list[tuple[SignKind, float | None, str | None]] = []
    if state is State.LEVELLING_OFF:
        own.append((SignKind.LEVELLING_OFF, watch.never_since_s, None))
    if (hot := too_hot(watch, facts, rules)) is not None:
        own.append((SignKind.TOO_HOT, None, hot.place))
    if (unplugged_s := _unplugged_since(watch, facts, rules)) is not None:
        own.append((SignKind.UNPLUGGED, unplugged_s, None))
    if watch.oil_out_s is not None:
        own.append((SignKind.OIL_OUT, watch.oil_out_s, None))
    if watch.flown and run_of(facts) is None:
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


def keep_heatup(
    watch: Watch, state: State, facts: Facts
) -> tuple[Watch, Heatup | None, tuple[Heatup, str] | None]:
    """Open, mark and close the heat-up."""
    now_s, heatup = facts.t_s, watch.heatup
    never = watch.heating is True and facts.forecast.p_reach < NEVER_BELOW_P
    watch = structs.replace(
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
        fresh = structs.replace(
            watch, heatup=opened, said_off_s=None, once=(), late_since_s=None, told_late_min=None
        )
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
    has_run = run_of(facts) is not None and watch.heating is not True
    if has_run and heatup.off_s is None:
        heatup = replace(heatup, off_s=now_s)
    over = "the engine was started" if has_run else _end_reason(watch, heatup, state, now_s)
    if over is not None:
        forgotten = structs.replace(watch, heatup=None, left_above_s=None, never_since_s=None, denied_s=None)
        return forgotten, None, (heatup, over)
    return structs.replace(watch, heatup=heatup), None, None


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
