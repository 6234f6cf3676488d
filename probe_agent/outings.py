"""What became of each heat-up, and what was flown without one. Pure.

`step` follows one tick's facts, `tell` takes what a person says. The harness hangs on the aircraft while
it stands here: all required places lost at once is somebody leaving, perhaps to fly. What they did is
known by being told; else, and never for certain, by the temperatures at re-plugging.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum

from probe_agent.config import NEVER_COLDEST
from probe_agent.readings import Fault, Point


class Kind(StrEnum):
    """What became of it. OPEN: nothing has happened yet; FLOWN: by the temperatures, the oil unknown."""

    OPEN = "open"
    PERHAPS = "perhaps-flown"
    HOT = "flown-hot"
    SHORT = "flown-short"
    FLOWN = "flown"
    GROUND = "ground-run"
    ATTEMPT = "did-not-start"
    NOT = "not-flown"
    UNKNOWN = "unknown"


class ToldBy(StrEnum):
    """What a kind rests on."""

    TAP = "tap"
    TEMPERATURES = "temperatures"
    NOTHING = "nothing"


TOLD = (Kind.HOT, Kind.SHORT, Kind.GROUND, Kind.ATTEMPT, Kind.NOT, Kind.UNKNOWN)
"""What a person can say."""
RAN = frozenset({Kind.HOT, Kind.SHORT, Kind.FLOWN, Kind.GROUND})
FLEW = frozenset({Kind.HOT, Kind.SHORT, Kind.FLOWN})
WITHOUT = frozenset({Kind.SHORT, Kind.GROUND, Kind.ATTEMPT, Kind.NOT})
"""Known not to have had hot oil long enough."""
MOST_FIRST = (
    Kind.HOT,
    Kind.FLOWN,
    Kind.PERHAPS,
    Kind.UNKNOWN,
    Kind.SHORT,
    Kind.GROUND,
    Kind.ATTEMPT,
    Kind.NOT,
)
"""Of several outings after one heat-up the first in this row says what became of it."""

OIL_HOT_C = 82.0
OIL_HOT_S = 1800.0
"""Oil so hot for so long in flight clears it of water (common practice, no source)."""
OIL_PLACES = ("sump", "oil-tank")
RUN_C = 75.0
"""No heat-up brings a place away from the heater so far (too hot is 60 °C, from memory): it has run."""
WARM_C = 65.0
HOT_C = 45.0
"""The engine's middle at re-plugging from which it has run, where it is hotter than it was left
(judgement; what comes of them is measured by tests/test_outings.py)."""
RISEN_C, ABOVE_AIR_C = 10.0, 15.0
"""A cooler engine has run where it is so much warmer than it was left, and than the air (judgement)."""
HOTTER_C = 5.0
AFTER_RUN_K = 60.0
FASTEST_S = 1.2 * 3600.0
"""An engine's middle is at least AFTER_RUN_K·exp(-t/FASTEST_S) above the air t after it ran. On the
simulated engine, uncovered in 8 m/s wind at -15 °C, it was above that (tests/test_outings.py)."""
MARGIN_K = 3.0
FLIGHT_S = 1200.0
"""From unplugging to re-plugging a flight takes longer (judgement)."""
UNPLUGGED = frozenset({Fault.OPEN.value, Fault.MISSING.value})
AT_ONCE_S = 90.0
CONFIRMED_S = 120.0
BACK_ROWS = 2
GAP_S = 1800.0
"""A longer gap between ticks could hide a flight."""
OVER_S = 12 * 3600.0
PASSED_S = 1800.0
ASK_AFTER_S = 1800.0
ASK_FOR_S = 3 * 86_400.0
LATELY_S = 86_400.0
NEAR_START_S = 3 * 3600.0
PASSED_LONG_S = 12 * 3600.0
"""A departure that passed longer ago is asked about no more."""
DRAWS = 0.02
KEPT = 4


@dataclass(frozen=True, slots=True)
class OutingFacts:
    """One tick. in_heatup: a heat-up is open; power: measured share, None where nobody measures it;
    departure: number and planned start [run s] of the one at hand, and whether it is said to have started."""

    t_s: float
    points: tuple[Point, ...]
    in_heatup: bool
    power: float | None = None
    departure: tuple[int, float, bool] | None = None


@dataclass(frozen=True, slots=True)
class Outing:
    """What became of one heat-up or one absence. Instants in run seconds.

    heatup: it belongs to the heat-up of its day; watched: the harness was seen to hang on all the time it
    wasn't seen to be off; drew: power was drawn while it was off. left_c, found_c: middle of the engine's
    places when the harness was last seen on, and at re-plugging. oil_c: hottest oil measured, at
    re-plugging a lower bound; oil_s: how long it was measured at OIL_HOT_C or above, None if it wasn't.
    due_s: since when its departure has passed with no word.
    """

    number: int
    began_s: float
    heatup: bool
    kind: Kind = Kind.OPEN
    told_by: ToldBy = ToldBy.NOTHING
    told_s: float | None = None
    ended_s: float | None = None
    departure: int | None = None
    due_s: float | None = None
    unplugged_s: float | None = None
    plugged_s: float | None = None
    left_c: float | None = None
    found_c: float | None = None
    oil_c: float | None = None
    oil_s: float | None = None
    watched: bool = True
    drew: bool = False

    @property
    def away_s(self) -> float | None:
        """How long the harness was off, once it is on again."""
        if self.unplugged_s is None or self.plugged_s is None:
            return None
        return self.plugged_s - self.unplugged_s


@dataclass(frozen=True, slots=True)
class OutingWatch:
    """What is remembered from tick to tick. recent: the last outings, oldest first; only the newest can
    be open (ended_s None). unplugged_s: since when the harness is off; warm: a run that is known of still
    shows; run_s: since when the engine is seen running; idle_s: when something last happened."""

    next_number: int = 1
    t_s: float | None = None
    recent: tuple[Outing, ...] = ()
    in_heatup: bool = False
    missing_since_s: dict[str, float] = field(default_factory=dict)
    unplugged_s: float | None = None
    back_s: float | None = None
    back_rows: int = 0
    left_c: float | None = None
    drew: bool = False
    warm: bool = True
    run_s: float | None = None
    idle_s: float | None = None

    @property
    def current(self) -> Outing | None:
        """The outing that is not over; None where there is none."""
        return self.recent[-1] if self.recent and self.recent[-1].ended_s is None else None


@dataclass(frozen=True, slots=True)
class OutingStep:
    """The next watch, and the outings that are new or have changed."""

    watch: OutingWatch
    changed: tuple[Outing, ...] = ()


def step(watch: OutingWatch, facts: OutingFacts) -> OutingStep:
    """One tick. Facts must not go back in time."""
    before = watch
    watch = _follow_heatup(watch, facts)
    watch = _follow_gap(watch, facts)
    watch = _follow_harness(watch, facts)
    watch = _follow_run(watch, facts)
    watch = _follow_departure(watch, facts)
    watch = _end_when_over(watch, facts)
    return _stepped(before, replace(watch, t_s=facts.t_s))


def tell(watch: OutingWatch, kind: Kind, now_s: float, number: int | None = None) -> OutingStep | None:
    """What a person says of an outing: of that one; without a number, of the one asked about, else the one
    that isn't over, else the last of these 24 h, else a new one. None where that number isn't known here.

    Raises ValueError for a kind nobody can say.
    """
    if kind not in TOLD:
        raise ValueError(f"{kind} is not among {', '.join(TOLD)}")
    found = _meant(watch, now_s, number)
    if found is None:
        if number is not None:
            return None
        watch, found = _new(watch, now_s)
    told = replace(found, kind=kind, told_by=ToldBy.TAP, told_s=now_s)
    if told.ended_s is None and watch.unplugged_s is None and watch.run_s is None:
        told = replace(told, ended_s=now_s)
    before = replace(watch, recent=tuple(o for o in watch.recent if o is not found))
    return _stepped(before, replace(watch, recent=tuple(told if o is found else o for o in watch.recent)))


_OF_DEPARTURE = {"did-not-start": Kind.ATTEMPT, "not-flying": Kind.NOT}


def hear_departure(watch: OutingWatch, said: str, start_s: float, now_s: float) -> OutingStep | None:
    """What a word on a departure says of the outing at hand: "did-not-start", or "not-flying" of a start
    that is near. None where it says nothing of it: that it started doesn't tell what was flown."""
    kind = _OF_DEPARTURE.get(said)
    near = abs(start_s - now_s) <= NEAR_START_S
    current = watch.current
    if kind is None or not near or (current is None and kind is Kind.NOT):
        return None
    if current is None:
        watch, current = _new(watch, now_s)
    return tell(watch, kind, now_s, current.number)


def question(watch: OutingWatch, now_s: float) -> Outing | None:
    """The outing to be asked about: the last worth asking about, unless somebody has said what it was."""
    for outing in reversed(watch.recent):
        if _is_worth_asking(outing, now_s):
            untold = outing.told_by is not ToldBy.TAP and now_s - outing.began_s < ASK_FOR_S
            return outing if untold else None
    return None


def shifted(watch: OutingWatch, by_s: float, before_s: float = math.inf) -> OutingWatch:
    """The same watch in another run's seconds, `by_s` later: for a restart of the daemon. before_s: only
    what lies before that run second, for a clock that is put right after it."""

    def move(instant: float | None) -> float | None:
        return instant if instant is None or instant >= before_s else instant + by_s

    def moved(instant: float) -> float:
        return instant if instant >= before_s else instant + by_s

    return replace(
        watch,
        t_s=move(watch.t_s),
        recent=tuple(
            replace(
                o,
                began_s=moved(o.began_s),
                ended_s=move(o.ended_s),
                told_s=move(o.told_s),
                due_s=move(o.due_s),
                unplugged_s=move(o.unplugged_s),
                plugged_s=move(o.plugged_s),
            )
            for o in watch.recent
        ),
        missing_since_s={p: moved(s) for p, s in watch.missing_since_s.items()},
        unplugged_s=move(watch.unplugged_s),
        back_s=move(watch.back_s),
        run_s=move(watch.run_s),
        idle_s=move(watch.idle_s),
    )


def judged(
    left_c: float | None, found_c: float, air_c: float | None, away_s: float, drew: bool = False
) -> Kind:
    """What an engine did while the harness was off, by its temperatures alone: FLOWN, SHORT (it can't have
    had hot oil long enough), GROUND (too short for a flight), NOT or UNKNOWN. None of them for certain.

    left_c, found_c: middle of its places before and after [°C]; drew: power was drawn meanwhile, so that
    the warmth may be the heater's.
    """
    if _has_run(left_c, found_c, air_c, drew):
        if away_s < FLIGHT_S:
            return Kind.GROUND
        return Kind.SHORT if away_s < OIL_HOT_S else Kind.FLOWN
    if air_c is None or (left_c is not None and found_c > left_c + HOTTER_C):
        return Kind.UNKNOWN
    least_c = air_c + AFTER_RUN_K * math.exp(-away_s / FASTEST_S)
    return Kind.NOT if found_c < least_c - MARGIN_K else Kind.UNKNOWN


@dataclass(frozen=True, slots=True)
class Tally:
    """Heat-ups since the last flight with hot oil. hot_at: that flight's end [UTC s], None if none is kept;
    without: heat-ups known to have had none; unknown: those of which it isn't known."""

    hot_at: float | None
    without: int
    unknown: int


def tally(hot_ats: Sequence[float], heatups: Iterable[tuple[float, Sequence[Kind]]]) -> Tally:
    """Count heat-ups that have ended, each as its start [UTC s] and the kinds of its outings; one that is
    still open to either counts as nothing."""
    hot_at = max(hot_ats, default=None)
    without = unknown = 0
    for started_at, kinds in heatups:
        kind = next((k for k in MOST_FIRST if k in kinds), Kind.OPEN if kinds else Kind.UNKNOWN)
        if (hot_at is not None and started_at <= hot_at) or kind in (Kind.HOT, Kind.OPEN):
            continue
        without += kind in WITHOUT
        unknown += kind not in WITHOUT
    return Tally(hot_at, without, unknown)


# -- what is seen


def _follow_heatup(watch: OutingWatch, facts: OutingFacts) -> OutingWatch:
    """Each heat-up has an outing of its own from its beginning; an engine that runs is none."""
    if facts.in_heatup and not watch.in_heatup and watch.run_s is None:
        watch, _ = _new(_end_current(watch, facts.t_s), facts.t_s, heatup=True)
        if watch.unplugged_s is not None:
            watch = _changed(watch, watched=False)
    idle_s = facts.t_s if facts.in_heatup or watch.idle_s is None else watch.idle_s
    return replace(watch, in_heatup=facts.in_heatup, idle_s=idle_s)


def _follow_gap(watch: OutingWatch, facts: OutingFacts) -> OutingWatch:
    """The board was off, or its record lost, for long enough to hide a flight."""
    gap_s = 0.0 if watch.t_s is None else facts.t_s - watch.t_s
    found_c = _middle_c(facts.points)
    if gap_s <= GAP_S or watch.t_s is None or watch.unplugged_s is not None or found_c is None:
        return watch
    kind = judged(watch.left_c, found_c, _air_c(facts.points), gap_s)
    watch = replace(watch, run_s=None)
    if kind in RAN:
        if watch.current is None:
            watch, _ = _new(watch, watch.t_s or facts.t_s)
        watch = _changed(watch, unplugged_s=watch.t_s, left_c=watch.left_c, watched=False)
        return _plug_in(watch, facts, facts.t_s)
    return watch if kind is Kind.NOT or watch.current is None else _changed(watch, watched=False)


def _follow_harness(watch: OutingWatch, facts: OutingFacts) -> OutingWatch:
    """The harness off, and on again."""
    required = [p for p in facts.points if p.required]
    missing = {p.place: watch.missing_since_s.get(p.place, facts.t_s) for p in required if not p.usable}
    watch = replace(watch, missing_since_s=missing)
    draws = facts.power is not None and facts.power > DRAWS
    if required and len(missing) == len(required):
        watch = replace(watch, back_s=None, back_rows=0, drew=watch.drew or draws)
        if watch.unplugged_s is not None:
            return replace(watch, idle_s=facts.t_s)
        off_s = _off_since_s(watch, required)
        sure = off_s is not None and facts.t_s - off_s >= CONFIRMED_S and not draws
        return _unplug(watch, facts, off_s) if sure and off_s is not None else watch
    if watch.unplugged_s is not None:
        return _wait_until_back(watch, facts, len(required) - len(missing), len(required))
    middle_c = _middle_c(facts.points)
    return replace(watch, left_c=watch.left_c if middle_c is None else middle_c, drew=False)


def _off_since_s(watch: OutingWatch, required: Sequence[Point]) -> float | None:
    """Since when the harness seems off: most of the required places went at once, as open or missing."""
    since = watch.missing_since_s
    newest_s = max(since.values())
    at_once = [p for p in required if since[p.place] >= newest_s - AT_ONCE_S and p.status in UNPLUGGED]
    least = max(min(2, len(required)), len(required) / 2)
    return min(since[p.place] for p in at_once) if len(at_once) >= least else None


def _unplug(watch: OutingWatch, facts: OutingFacts, off_s: float) -> OutingWatch:
    """Somebody leaves, perhaps to fly. What a person said before that counts no more, what was said since
    does."""
    if watch.current is None:
        watch, _ = _new(watch, off_s, heatup=watch.in_heatup)
    number = _near_departure(facts, off_s)
    current = watch.current
    if current is None or current.told_s is None or current.told_s < off_s:
        watch = _changed(watch, kind=Kind.PERHAPS, told_by=ToldBy.NOTHING, told_s=None)
    watch = _changed(
        watch,
        unplugged_s=off_s,
        plugged_s=None,
        found_c=None,
        left_c=watch.left_c,
    )
    if number is not None:
        watch = _changed(watch, departure=number)
    return replace(watch, unplugged_s=off_s, run_s=None, idle_s=facts.t_s)


def _near_departure(facts: OutingFacts, at_s: float) -> int | None:
    if facts.departure is None or abs(facts.departure[1] - at_s) > NEAR_START_S:
        return None
    return facts.departure[0]


def _wait_until_back(watch: OutingWatch, facts: OutingFacts, values: int, required: int) -> OutingWatch:
    if values < required / 2:
        return replace(watch, back_s=None, back_rows=0)
    back_s = facts.t_s if watch.back_s is None else watch.back_s
    if watch.back_rows + 1 < BACK_ROWS:
        return replace(watch, back_s=back_s, back_rows=watch.back_rows + 1)
    return _plug_in(watch, facts, back_s)


def _plug_in(watch: OutingWatch, facts: OutingFacts, back_s: float) -> OutingWatch:
    """The harness is on again: what the temperatures say of the time it was off."""
    found_c, oil_c, current = _middle_c(facts.points), _oil_c(facts.points), watch.current
    drew = watch.drew
    watch = replace(
        watch,
        unplugged_s=None,
        back_s=None,
        back_rows=0,
        drew=False,
        left_c=watch.left_c if found_c is None else found_c,
        warm=_hottest_c(facts.points) >= WARM_C,
        idle_s=facts.t_s,
    )
    if current is None or current.unplugged_s is None:
        return watch
    if oil_c is not None and current.oil_c is not None:
        oil_c = max(oil_c, current.oil_c)
    watch = _changed(watch, plugged_s=back_s, found_c=found_c, oil_c=oil_c, drew=drew)
    return _judge(watch, facts)


def _judge(watch: OutingWatch, facts: OutingFacts) -> OutingWatch:
    """Name what the temperatures tell, unless a person has; a run they show for certain opens it again."""
    current = watch.current
    assert current is not None
    kind, away_s = Kind.UNKNOWN, current.away_s or 0.0
    if current.found_c is not None:
        kind = judged(current.left_c, current.found_c, _air_c(facts.points), away_s, current.drew)
    if current.oil_s is not None and kind not in RAN:
        kind = Kind.GROUND  # it was seen to run before the harness came off
    if current.told_by is ToldBy.TAP:
        said_not = current.kind in (Kind.NOT, Kind.ATTEMPT)
        if not (said_not and kind in FLEW and (current.found_c or 0.0) >= RUN_C):
            return _end_current(watch, facts.t_s)
    told_by = ToldBy.NOTHING if kind is Kind.UNKNOWN else ToldBy.TEMPERATURES
    watch = _changed(watch, kind=kind, told_by=told_by, told_s=None)
    is_one = kind in RAN or (kind is Kind.UNKNOWN and away_s >= ASK_AFTER_S)
    return _end_current(watch, facts.t_s) if is_one else watch


def _follow_run(watch: OutingWatch, facts: OutingFacts) -> OutingWatch:
    """An engine that runs with the harness on: then, and only then, its oil is measured."""
    if watch.unplugged_s is not None or watch.missing_since_s.keys() >= {
        p.place for p in facts.points if p.required
    }:
        return watch
    hottest_c = _hottest_c(facts.points)
    if watch.run_s is None:
        if watch.warm or hottest_c < RUN_C:
            return replace(watch, warm=watch.warm and hottest_c >= WARM_C)
        if watch.current is None:
            watch, _ = _new(watch, facts.t_s, heatup=watch.in_heatup)
        watch = replace(watch, run_s=facts.t_s, idle_s=facts.t_s)
        return _changed(watch, oil_c=_oil_c(facts.points), oil_s=0.0)
    watch = _measure_oil(replace(watch, idle_s=facts.t_s), facts)
    if hottest_c >= WARM_C:
        return watch
    current = watch.current
    if current is not None and current.told_by is not ToldBy.TAP:
        kind = Kind.HOT if (current.oil_s or 0.0) >= OIL_HOT_S else Kind.GROUND
        watch = _changed(watch, kind=kind, told_by=ToldBy.TEMPERATURES)
    return replace(_end_current(watch, facts.t_s), run_s=None)


def _measure_oil(watch: OutingWatch, facts: OutingFacts) -> OutingWatch:
    current, oil_c = watch.current, _oil_c(facts.points)
    if current is None or oil_c is None or watch.t_s is None:
        return watch
    hot_s = min(facts.t_s - watch.t_s, GAP_S) if oil_c >= OIL_HOT_C else 0.0
    hottest_c = oil_c if current.oil_c is None else max(current.oil_c, oil_c)
    if not hot_s and hottest_c == current.oil_c:
        return watch
    return _changed(watch, oil_c=hottest_c, oil_s=(current.oil_s or 0.0) + hot_s)


def _follow_departure(watch: OutingWatch, facts: OutingFacts) -> OutingWatch:
    """A departure that has passed without a word belongs to the outing at hand, or to one of its own."""
    if facts.departure is None or facts.departure[2] or facts.t_s < facts.departure[1] + PASSED_S:
        return watch
    number, start_s, _ = facts.departure
    if any(
        o.departure == number and (o.due_s is not None or o.unplugged_s is not None) for o in watch.recent
    ):
        return watch
    last = watch.recent[-1] if watch.recent else None
    if last is None or (last.ended_s is not None and last.ended_s < start_s):
        watch, _ = _new(watch, facts.t_s, heatup=watch.in_heatup)
    changed = replace(watch.recent[-1], departure=number, due_s=facts.t_s)
    return replace(watch, recent=(*watch.recent[:-1], changed))


def _end_when_over(watch: OutingWatch, facts: OutingFacts) -> OutingWatch:
    """Nothing has happened for half a day."""
    if watch.current is None or watch.in_heatup or watch.unplugged_s is not None or watch.run_s is not None:
        return watch
    idle_s = facts.t_s if watch.idle_s is None else watch.idle_s
    return _end_current(watch, facts.t_s) if facts.t_s - idle_s >= OVER_S else watch


# -- the outings


def _new(watch: OutingWatch, now_s: float, heatup: bool = False) -> tuple[OutingWatch, Outing]:
    fresh = Outing(watch.next_number, now_s, heatup)
    recent = (*watch.recent, fresh)[-KEPT:]
    return replace(watch, next_number=watch.next_number + 1, recent=recent, idle_s=now_s), fresh


def _changed(watch: OutingWatch, **to: object) -> OutingWatch:
    """The watch with the current outing changed."""
    current = watch.current
    assert current is not None
    return replace(watch, recent=(*watch.recent[:-1], replace(current, **to)))  # type: ignore[arg-type]


def _end_current(watch: OutingWatch, now_s: float) -> OutingWatch:
    """End the current outing; nothing happened to it, and the harness hung on all the time: not flown."""
    current = watch.current
    if current is None:
        return watch
    if current.kind is Kind.OPEN:
        kind = Kind.NOT if current.watched else Kind.UNKNOWN
        by = ToldBy.TEMPERATURES if current.watched else ToldBy.NOTHING
        watch = _changed(watch, kind=kind, told_by=by)
    return _changed(watch, ended_s=now_s)


def _stepped(before: OutingWatch, after: OutingWatch) -> OutingStep:
    return OutingStep(after, tuple(o for o in after.recent if o not in before.recent))


def _meant(watch: OutingWatch, now_s: float, number: int | None) -> Outing | None:
    if number is not None:
        return next((o for o in watch.recent if o.number == number), None)
    if (asked := question(watch, now_s)) is not None:
        return asked
    last = watch.recent[-1] if watch.recent else None
    if last is None or (last.ended_s is not None and now_s - last.ended_s > LATELY_S):
        return None
    return last


def _is_worth_asking(outing: Outing, now_s: float) -> bool:
    if outing.due_s is not None or outing.kind in RAN:
        return True
    if outing.unplugged_s is None:
        return False
    until_s = now_s if outing.plugged_s is None else outing.plugged_s
    return until_s - outing.unplugged_s >= ASK_AFTER_S


# -- the engine


def _has_run(left_c: float | None, found_c: float, air_c: float | None, drew: bool) -> bool:
    if drew:
        return found_c >= RUN_C and (left_c is None or found_c >= left_c + HOTTER_C)
    if left_c is None:
        return found_c >= HOT_C
    if found_c < left_c + HOTTER_C:
        return False
    risen = found_c >= left_c + RISEN_C and air_c is not None and found_c >= air_c + ABOVE_AIR_C
    return found_c >= HOT_C or risen


def _engine(points: Iterable[Point]) -> list[float]:
    """Values of the engine's places away from the heater."""
    return [
        p.value_c
        for p in points
        if p.value_c is not None and not p.near_heater and p.place not in NEVER_COLDEST
    ]


def _middle_c(points: Iterable[Point]) -> float | None:
    values = _engine(points)
    return statistics.median(values) if values else None


def _hottest_c(points: Iterable[Point]) -> float:
    return max(_engine(points), default=-math.inf)


def _oil_c(points: Iterable[Point]) -> float | None:
    return next((p.value_c for p in points if p.place in OIL_PLACES and p.value_c is not None), None)


def _air_c(points: Iterable[Point]) -> float | None:
    return next((p.value_c for p in points if p.place == "ambient"), None)
