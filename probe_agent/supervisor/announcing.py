"""What is worth saying in a tick: words and how many of them, and the forecast shown."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from msgspec import structs

from probe_agent.readings import Forecast, State
from probe_agent.supervisor.alerts import (
    ATTENDED_S,
    OF_RECORD,
    PLUG_ANSWERS,
    is_due,
    is_unplugged,
    needs_no_word,
)
from probe_agent.supervisor.points import coldest_of
from probe_agent.supervisor.seen import TRUST_ROWS
from probe_agent.supervisor.state import ready_at
from probe_agent.supervisor.watch import Alert, Announced, Announcement, Facts, Rules, Watch, numbered

TELL_AGAIN_S = 900.0
ANNOUNCE_EVERY_S = 900.0
LATE_S, LATER_S = 600.0, 1200.0
"""A start is late by so much before it is said, and by so much more before it is said again."""
LATE_CONFIRMED_S = 300.0
OFF_CONFIRMED_S = 300.0
LOOK_LATE_S = 7200.0
"""A morning look that could not be sent in this time after its hour is passed over."""
FEW_WORDS, MOST_WORDS = 5, 6
"""Messages in WORDS_SPAN_S after which only a fall of trust, or nothing but that, harm and the morning
look, is said."""


def no_longer_true(old: State | None, new: State) -> tuple[str, ...]:
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
    "still-warming": 7200.0,
    "no-power": 7200.0,
    "no-rise": 7200.0,
    "power-unplugged": 7200.0,
    "record-unwritten": 86_400.0,
    "record-damaged": 86_400.0,
    "card-forgets": 86_400.0,
}
_ANY_TIME = OF_RECORD | PLUG_ANSWERS.keys()
_TAKES_NOTHING_BACK = OF_RECORD | {"attended"}  # that one is asked anew
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


def tell(watch: Watch, before: Watch, facts: Facts, rules: Rules) -> tuple[Watch, tuple[Announcement, ...]]:
    """Messages of this tick: on coming back, on reaching or leaving a state, at the morning look's hour,
    and for alerts until they are answered."""
    out: list[Announcement] = []
    for kind in (*_of_the_board(watch, facts, rules), *_of_the_state(watch, before, facts, rules)):
        if _has_said_enough(watch, kind):
            continue
        watch, number = numbered(watch)
        out.append(Announcement(kind, f"{kind}:{number}", _VALID_S[kind], overtakes=_overtaken_by(kind)))
        watch = _having_said(watch, kind, facts, rules)
    watch = _having_come_back(watch, facts, rules)
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
    return structs.replace(watch, owes_back=False, look_s=look_s)


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


def see_late(watch: Watch, facts: Facts, rules: Rules) -> Watch:
    slip_s = late_s(watch, facts, rules)
    if slip_s is None or slip_s < LATE_S:
        return watch if watch.late_since_s is None else structs.replace(watch, late_since_s=None)
    return structs.replace(watch, late_since_s=facts.t_s) if watch.late_since_s is None else watch


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
    return structs.replace(
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
    asked = (a for a in watch.alerts if watch.heatup is not None or a.kind in _ANY_TIME)
    due = tuple(a for a in asked if is_due(a, facts.t_s) and not (hot and a.kind == "switch-off"))
    lost = tuple(a for a in due if a.kind == "probe-missing")
    silent = {*lost[1:], *(lost if needs_no_word(watch, facts) else ())}
    for alert in due:
        if alert in silent or (alert.told == 0 and _may_wait(alert) and _has_said_enough(watch, alert.kind)):
            continue
        if alert.told == 0 and alert.kind not in _TAKES_NOTHING_BACK:
            watch = structs.replace(watch, spoke_s=(*watch.spoke_s, facts.t_s), trusted=False)
        several = alert in lost and len(lost) > 1
        word = _asking(alert, None if several else alert.place)
        out.append(replace(word, kind="unplugged") if several and is_unplugged(watch, facts) else word)
    told = (replace(a, told=a.told + 1, told_s=facts.t_s) if a in due else a for a in watch.alerts)
    return structs.replace(watch, alerts=tuple(told)), tuple(out)


def _may_wait(alert: Alert) -> bool:
    """Whether an alert is passed over where enough has been said."""
    return not alert.harm and alert.kind not in OF_RECORD


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


def announce(watch: Watch, forecast: Forecast, state_changed: bool) -> tuple[Watch, bool]:
    """Replace the announced forecast when it has to be; after 15 min say again what still holds."""
    shown = watch.announced
    if shown is None or state_changed or _has_left(shown, forecast):
        fresh = Announced(
            forecast.t_s, forecast.above_p10, forecast.above_p50, forecast.above_p90, forecast.p_reach
        )
        return structs.replace(watch, announced=fresh), True
    if forecast.t_s - shown.t_s >= ANNOUNCE_EVERY_S:
        return structs.replace(
            watch, announced=replace(shown, t_s=forecast.t_s, p_reach=forecast.p_reach)
        ), True
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
