"""What is seen in a tick, debounced: gaps, missing places, above the target or not, a flight, the heater."""

from __future__ import annotations

from dataclasses import replace

from msgspec import structs

from probe_agent.supervisor.points import coldest_of, engine_points, missing_places, run_of
from probe_agent.supervisor.watch import Facts, Missed, Rules, Watch

SLACK_C = 0.3
"""How far the coldest point may dip under the target in one row before "above target" ends at once:
a quarter-degree step and a little (quantisation of the usual converters, data sheet 19-6725)."""
TRUST_ROWS = 2
SURE_ABOVE_C = 0.25
AGAIN_ABOVE_S = 300.0
"""A coldest point that fell under the target again must hold above it for so long, or by SURE_ABOVE_C,
before it counts once more: otherwise the last digit flickers through states and messages."""
HOT_AFTER_FLIGHT_C = 45.0
FLOWN_UNTIL_C = 35.0
"""An engine found so hot without a heat-up has flown, and counts as flown until it is down to the other
(judgement: landed ones are at 80 to 120 °C, common practice, no source)."""
STOP_CONFIRMED_S = 120.0
SAID_OFF_HOLDS_S = 1200.0
"""So long "it is off" stands against a curve that warms on, and STOP_CONFIRMED_S against measured power."""
POWER_DRAWN = 0.02
START_PASSED_S = 1800.0
"""So long after a planned start with heat still on somebody is asked to switch it off."""
GAP_S = 900.0
"""Not having measured for longer than this is said once measuring goes on."""
MISSED_SHOWN_S = 3600.0
WORDS_SPAN_S = 10 * 3600.0
SOAK_GAP_S = 60.0
"""A gap in the readings up to which the soak goes on if they return above the target; nothing is said
to be above target within it."""


def say_heater(watch: Watch, on: bool, since_s: float) -> Watch:
    """The watch after somebody said the heater is on or off, since an instant up to now; the earliest "on"
    said of one heating counts."""
    if not on:
        return structs.replace(watch, said_off_s=since_s, told_off_s=since_s, said_on_s=None)
    since_s = since_s if watch.said_on_s is None else min(watch.said_on_s, since_s)
    return structs.replace(watch, said_off_s=None, said_on_s=since_s)


def say_oil(watch: Watch, out: bool, now_s: float) -> Watch:
    """The watch after somebody said the oil was taken out for warming, or is back in, its level checked.

    While it is out nothing counts as above target, so that the soak begins anew once it is back.
    """
    since_s = now_s if watch.oil_out_s is None else watch.oil_out_s
    return structs.replace(watch, oil_out_s=since_s if out else None)


def see(watch: Watch, facts: Facts, rules: Rules) -> Watch:
    """The debounced observations of this tick."""
    missing = missing_places(facts.points)
    coldest = coldest_of(facts.points)
    value = coldest.counted_c if coldest is not None else None
    watch = _see_missing(_hear_the_curve(_see_gap(watch, facts, rules), facts), missing, facts.t_s)
    heating = _believed_heating(watch, facts)
    flown = _see_flown(watch, facts, heating)
    spoke_s = tuple(t_s for t_s in watch.spoke_s if facts.t_s - t_s < WORDS_SPAN_S)
    next_watch = structs.replace(
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
        return structs.replace(watch, missed=missed, owes_back=owed)
    missed_s = now_s if watch.missed is None else watch.missed.until_s
    if watch.missed is not None and not watch.owes_back and now_s - missed_s > MISSED_SHOWN_S:
        return structs.replace(watch, missed=None)
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
    return structs.replace(watch, missing_since_s=since, back_rows=back)


def _see_flown(watch: Watch, facts: Facts, heating: bool | None) -> bool:
    """Whether the warmth of the engine is its own: it was seen to run, or was hot before any heat-up."""
    if run_of(facts) is not None:
        return True
    hottest = max((p.value_c for p in engine_points(facts.points) if p.value_c is not None), default=None)
    if hottest is None:
        return watch.flown
    if watch.flown:
        return hottest >= FLOWN_UNTIL_C
    return heating is not True and watch.heatup is None and hottest >= HOT_AFTER_FLIGHT_C


def _see_above(watch: Watch, coldest_c: float | None, missing: bool, now_s: float, rules: Rules) -> Watch:
    """Above the target or not, past single dips of the last digit; unknown counts as not."""
    if watch.oil_out_s is not None:
        return _keep_soak(
            structs.replace(watch, above_rows=0, below_rows=0, above_from_s=None), False, False, now_s
        )
    if missing or coldest_c is None:
        return _keep_soak(
            structs.replace(watch, above_rows=0, below_rows=0, above_from_s=None), False, True, now_s
        )
    is_above = coldest_c >= rules.target_c
    seen = structs.replace(
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
        return structs.replace(
            watch, above=True, above_since_s=since, doubted_since_s=None, left_above_s=None
        )
    left = watch.left_above_s
    if watch.above and not may_go_on:
        left = now_s
    elif not may_go_on and left is not None and watch.heatup is None:
        left = None
    doubted = now_s if watch.doubted_since_s is None else watch.doubted_since_s
    if watch.above_since_s is None or not may_go_on or now_s - doubted > SOAK_GAP_S:
        return structs.replace(
            watch, above=False, above_since_s=None, doubted_since_s=None, left_above_s=left
        )
    return structs.replace(watch, above=False, doubted_since_s=doubted, left_above_s=left)


def _is_contradicted(watch: Watch, facts: Facts) -> bool:
    if watch.said_off_s is None or facts.forecast.heating is not True:
        return False
    if watch.flown and not draws_power(facts):
        return False  # hot from flight, the curve says nothing of the heater
    return facts.t_s - watch.said_off_s > (STOP_CONFIRMED_S if draws_power(facts) else SAID_OFF_HOLDS_S)


def draws_power(facts: Facts) -> bool:
    """Whether power is measured and drawn."""
    return facts.power is not None and facts.power > POWER_DRAWN


def _hear_the_curve(watch: Watch, facts: Facts) -> Watch:
    """ "It is off" no longer holds once the curve contradicts it; alerts it had answered are open again.
    While nothing is measured there is no curve that could: its time begins when there is one again."""
    if watch.said_off_s is not None and coldest_of(facts.points) is None and not draws_power(facts):
        return structs.replace(watch, said_off_s=max(watch.said_off_s, facts.t_s))
    if not _is_contradicted(watch, facts):
        return watch
    alerts = tuple(
        replace(a, answered=None, answered_s=None) if a.answered == "it-is-off" else a for a in watch.alerts
    )
    return structs.replace(watch, said_off_s=None, denied_s=watch.said_off_s, alerts=alerts)


def _believed_heating(watch: Watch, facts: Facts) -> bool | None:
    """Heating as the forecast sees it, unless somebody said it is off."""
    return facts.forecast.heating if watch.said_off_s is None else False
