"""What became of each heat-up: unplugged and plugged in, told or not, run with the harness on."""

from __future__ import annotations

import itertools
import math
import statistics
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import msgspec
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from probe_agent import outings
from probe_agent.engine_sim import (
    LAYOUTS,
    Day,
    EngineDesign,
    Flown,
    Layout,
    ProbeDesign,
    Profile,
    SetupDesign,
    SimulatedEngine,
)
from probe_agent.outings import (
    AFTER_RUN_K,
    FASTEST_S,
    FLEW,
    MOST_FIRST,
    TOLD,
    Kind,
    Outing,
    OutingFacts,
    OutingWatch,
    ToldBy,
    hear_departure,
    judged,
    question,
    shifted,
    step,
    tally,
    tell,
)
from probe_agent.readings import Point, Reading

PLACES = ("cyl-1", "cyl-2", "case-nose")
ROW_S = 60.0
HOUR_S = 3600.0


def points(
    c: float | None, fault: str = "open", oil_c: float | None = None, air_c: float = -10.0
) -> tuple[Point, ...]:
    """Three required places at one temperature, or all of them without a value; the oil, and the air."""
    status = fault if c is None else "ok"
    engine = [Point(p, status, c) for p in PLACES]
    oil = Point("sump", "ok" if oil_c is not None else status, oil_c, required=False, near_heater=True)
    return (*engine, oil, Point("ambient", "ok", air_c, required=False))


class Stand:
    """Lives at the stand row by row, and keeps what a record would have."""

    def __init__(self) -> None:
        self.watch = OutingWatch()
        self.t_s = 0.0
        self.rows: dict[int, Outing] = {}
        self.in_heatup = False

    def take(self, changed: Sequence[Outing]) -> None:
        self.rows.update({o.number: o for o in changed})

    def live(
        self,
        hours: float,
        c: float | None,
        oil_c: float | None = None,
        fault: str = "open",
        departure: tuple[int, float, bool] | None = None,
        power: float | None = None,
        air_c: float = -10.0,
    ) -> Stand:
        until_s = self.t_s + hours * HOUR_S
        while self.t_s < until_s - 1:
            self.t_s += ROW_S
            facts = OutingFacts(self.t_s, points(c, fault, oil_c, air_c), self.in_heatup, power, departure)
            stepped = step(self.watch, facts)
            self.watch = stepped.watch
            self.take(stepped.changed)
        return self

    def heat(self, hours: float = 2.0) -> Stand:
        """A heat-up to 9 °C, still open at its end."""
        self.in_heatup = True
        return self.live(hours, 9.0)

    def seem_to_heat(self) -> Stand:
        self.in_heatup = True
        return self

    def cool(self, hours: float) -> Stand:
        self.in_heatup = False
        return self.live(hours, -5.0)

    def say(self, kind: Kind, number: int | None = None) -> Stand:
        told = tell(self.watch, kind, self.t_s, number)
        assert told is not None
        self.watch = told.watch
        self.take(told.changed)
        return self

    @property
    def asked(self) -> int | None:
        found = question(self.watch, self.t_s)
        return None if found is None else found.number

    @property
    def came(self) -> list[tuple[str, str]]:
        return [(o.kind.value, o.told_by.value) for o in self.rows.values()]


CASES: dict[str, tuple[Callable[[Stand], Stand], list[tuple[str, str]], int | None]] = {
    "heated, harness on, nobody came": (
        lambda d: d.heat().cool(13),
        [("not-flown", "temperatures")],
        None,
    ),
    "unplugged and away": (
        lambda d: d.heat().live(2, None),
        [("perhaps-flown", "nothing")],
        1,
    ),
    "unplugged a moment ago: not asked yet": (
        lambda d: d.heat().live(0.3, None),
        [("perhaps-flown", "nothing")],
        None,
    ),
    "a plug that is touched for one row": (
        lambda d: d.heat().live(1 / 60, None).live(0.2, 9.0),
        [("open", "nothing")],
        None,
    ),
    "back after two and a half hours, hot": (
        lambda d: d.heat().live(2.5, None).live(0.2, 61.0, 64.0),
        [("flown", "temperatures")],
        1,
    ),
    "back after 25 min, hot: oil can't have been hot for long": (
        lambda d: d.heat().live(25 / 60, None).live(0.2, 61.0),
        [("flown-short", "temperatures")],
        1,
    ),
    "back after 12 min, hot": (
        lambda d: d.heat().live(12 / 60, None).live(0.2, 61.0),
        [("ground-run", "temperatures")],
        1,
    ),
    "back after half an hour, colder than any engine that ran": (
        lambda d: d.heat().live(0.5, None).live(0.2, 7.0),
        [("not-flown", "temperatures")],
        1,
    ),
    "back the next day, at the air: nothing tells": (
        lambda d: d.heat().live(20, None).live(0.2, -10.0),
        [("unknown", "nothing")],
        1,
    ),
    "back warmer than left, as after a flight long ago": (
        lambda d: d.heat().live(4, None).live(0.2, 24.0),
        [("flown", "temperatures")],
        1,
    ),
    "the heater drew power while it was unplugged": (
        lambda d: d.heat().live(0.2, None).live(3.8, None, power=1.0).live(0.2, 48.0),
        [("unknown", "nothing")],
        1,
    ),
    "power is drawn all the while: nobody has left": (
        lambda d: d.heat().live(1, None, power=1.0),
        [("open", "nothing")],
        None,
    ),
    "the bus is down: that is no unplugging": (
        lambda d: d.heat().live(3, None, fault="line-low").live(0.2, 9.0),
        [("open", "nothing")],
        None,
    ),
    "told while away": (
        lambda d: d.heat().live(2, None).say(Kind.HOT).live(1, None).live(0.2, 60.0),
        [("flown-hot", "tap")],
        None,
    ),
    "told, and corrected": (
        lambda d: d.heat().live(2, None).live(0.2, 60.0).say(Kind.HOT).say(Kind.SHORT, 1),
        [("flown-short", "tap")],
        None,
    ),
    "nobody knows: not asked again": (
        lambda d: d.heat().live(2, None).live(0.2, 60.0).say(Kind.UNKNOWN).live(5, 20.0),
        [("unknown", "tap")],
        None,
    ),
    "said not flown, then back hot: the engine contradicts": (
        lambda d: d.heat().live(0.6, None).say(Kind.NOT).live(2, None).live(0.2, 80.0),
        [("flown", "temperatures")],
        1,
    ),
    "run with the harness on, oil hot for 40 min": (
        lambda d: d.heat().live(0.3, 90.0, 70.0).live(40 / 60, 110.0, 84.0).live(1, 55.0, 60.0),
        [("flown-hot", "temperatures")],
        1,
    ),
    "run with the harness on, oil not hot for long": (
        lambda d: d.heat().live(0.3, 90.0, 60.0).live(1, 55.0, 55.0),
        [("ground-run", "temperatures")],
        1,
    ),
    "told while it runs": (
        lambda d: d.heat().live(0.3, 90.0, 60.0).say(Kind.GROUND).live(0.2, 100.0, 70.0).live(1, 55.0, 55.0),
        [("ground-run", "tap")],
        None,
    ),
    "a run that looks like a heat-up": (
        lambda d: stop_heating(d.live(0.1, -10.0).live(0.1, 95.0).seem_to_heat().live(0.2, 95.0)).live(
            1, 50.0
        ),
        [("ground-run", "temperatures")],
        1,
    ),
    "second flight of the day, no heat-up": (
        lambda d: stop_heating(d.heat().live(2, None).live(0.5, 60.0)).live(2, None).live(0.2, 72.0),
        [("flown", "temperatures"), ("flown", "temperatures")],
        2,
    ),
    "did not start, heated on, then flown": (
        lambda d: d.heat().say(Kind.ATTEMPT).live(1, 12.0).live(2, None).live(0.2, 60.0),
        [("did-not-start", "tap"), ("flown", "temperatures")],
        2,
    ),
    "without a heat-up, told": (
        lambda d: d.cool(1).say(Kind.HOT),
        [("flown-hot", "tap")],
        None,
    ),
    "the planned start passes, the harness stays on": (
        lambda d: d.heat().live(2, 9.0, departure=(7, 2.5 * HOUR_S, False)),
        [("open", "nothing")],
        1,
    ),
    "landed hot, seen from the first row": (
        lambda d: d.live(1, 85.0),
        [],
        None,
    ),
}


def stop_heating(day: Stand) -> Stand:
    day.in_heatup = False
    return day


@pytest.mark.parametrize("name", CASES)
def test_what_became_of_it(name: str) -> None:
    story, came, asked = CASES[name]
    day = story(Stand())
    assert day.came == came
    assert day.asked == asked


def test_the_oil_is_kept_as_measured_or_as_a_bound() -> None:
    run = Stand().heat().live(0.3, 90.0, 70.0).live(40 / 60, 110.0, 84.0).live(1, 55.0, 60.0)
    assert run.rows[1].oil_c == 84.0
    assert run.rows[1].oil_s == pytest.approx(40 * 60)
    back = Stand().heat().live(2.5, None).live(0.2, 61.0, 64.0).rows[1]
    assert (back.oil_c, back.oil_s) == (64.0, None)
    assert back.away_s == pytest.approx(2.5 * HOUR_S)
    assert (back.left_c, back.found_c) == (9.0, 61.0)


def test_a_flight_while_the_board_was_off() -> None:
    day = Stand().heat()
    day.t_s += 3 * HOUR_S
    day.live(0.2, 65.0)
    assert day.came == [("flown", "temperatures")]
    assert day.rows[1].unplugged_s == 2 * HOUR_S
    off = Stand().heat()
    off.t_s += 20 * HOUR_S
    off.cool(13)
    assert off.came == [("unknown", "nothing")], "the harness was not seen all the time"


def test_unplugged_and_back_on_either_side_of_a_night_without_power() -> None:
    day = Stand().heat().live(0.2, None)
    day.t_s += 2 * HOUR_S
    day.live(0.2, 70.0)
    assert day.came == [("flown", "temperatures")]


def test_a_departure_is_linked_to_the_harness_coming_off() -> None:
    day = Stand().heat().live(1, None, departure=(3, 2.4 * HOUR_S, True))
    assert day.rows[1].departure == 3
    assert len(day.rows) == 1


def test_a_word_on_a_departure_is_one_on_the_outing_at_hand() -> None:
    warm = Stand().heat().watch
    now_s = 2 * HOUR_S
    attempt = hear_departure(warm, "did-not-start", now_s, now_s)
    assert attempt is not None
    assert [(o.kind, o.told_by) for o in attempt.changed] == [(Kind.ATTEMPT, ToldBy.TAP)]
    cancelled = hear_departure(warm, "not-flying", now_s + HOUR_S, now_s)
    assert cancelled is not None
    assert [o.kind for o in cancelled.changed] == [Kind.NOT]
    assert hear_departure(warm, "started", now_s, now_s) is None
    assert hear_departure(warm, "not-flying", now_s + 86_400.0, now_s) is None, "tomorrow's is another"
    assert hear_departure(OutingWatch(), "not-flying", now_s, now_s) is None
    cold = hear_departure(OutingWatch(), "did-not-start", now_s, now_s)
    assert cold is not None
    assert [(o.number, o.kind) for o in cold.changed] == [(1, Kind.ATTEMPT)]


def test_a_started_departure_is_not_asked_about_while_the_harness_is_on() -> None:
    day = Stand().heat().live(2, 9.0, departure=(7, 2.5 * HOUR_S, True))
    assert day.asked is None
    assert day.rows[1].departure is None


def test_an_outing_of_another_time_is_not_taken_for_this_one() -> None:
    assert tell(Stand().heat().watch, Kind.HOT, 0.0, 12) is None
    with pytest.raises(ValueError, match="flown-hot"):
        tell(OutingWatch(), Kind.PERHAPS, 0.0)


def test_heat_ups_are_counted_by_what_is_known() -> None:
    heatups = [
        (100.0, [Kind.NOT]),
        (200.0, [Kind.HOT]),
        (300.0, [Kind.NOT]),
        (400.0, [Kind.FLOWN]),
        (500.0, [Kind.ATTEMPT, Kind.FLOWN]),
        (600.0, []),
        (700.0, [Kind.SHORT]),
        (800.0, [Kind.OPEN]),
        (900.0, [Kind.PERHAPS]),
    ]
    assert tally([250.0], heatups) == outings.Tally(250.0, 2, 4)
    assert tally([], []) == outings.Tally(None, 0, 0)
    assert tally([50.0, 850.0], heatups) == outings.Tally(850.0, 0, 1)


def cooled_c(
    layout: Layout, hours: float, cover: bool, wind_m_s: float, air_c: float, left_c: float | None = None
) -> float:
    """Middle of the engine's places so long after it ran, or was left at a temperature by a heat-up, on the
    simulated engine."""
    design = EngineDesign.nominal(layout)
    places = (*(f"cyl-{i + 1}" for i in range(design.cylinders)), "case-top", "case-nose")
    engine = SimulatedEngine(
        design,
        SetupDesign(cover=cover, plugs=cover),
        Day(ambient_c=Profile.constant(air_c), wind_m_s=Profile.constant(wind_m_s)),
        tuple(ProbeDesign(p) for p in places),
        (),
        seed=1,
        start=Flown(hours) if left_c is None else dict.fromkeys((*places, "sump"), left_c),
    )
    scan = engine.read(0.0 if left_c is None else hours * HOUR_S)
    return statistics.median(s.value_c for s in scan.samples if isinstance(s, Reading))


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("hours", [0.25, 0.5, 1.0, 2.0, 3.0, 4.0])
def test_no_simulated_engine_cools_as_fast_as_is_allowed_for(layout: Layout, hours: float) -> None:
    for cover, wind_m_s, air_c in ((False, 8.0, -15.0), (False, 3.0, -5.0), (True, 2.0, -10.0)):
        found_c = cooled_c(layout, hours, cover, wind_m_s, air_c)
        assert found_c > air_c + AFTER_RUN_K * math.exp(-hours * HOUR_S / FASTEST_S)
        assert judged(9.0, found_c, air_c, hours * HOUR_S) is not Kind.NOT


CLIMATES = ((False, 8.0, -15.0), (False, 3.0, -5.0), (True, 2.0, -10.0), (True, 4.0, 2.0))
AWAYS_H = (0.5, 1.0, 2.0, 3.0, 5.0, 8.0)


@pytest.mark.long
def test_what_the_temperatures_tell_is_never_the_contrary() -> None:
    """Every layout left at 10 °C, away for half an hour to eight; flown and landed at three times of it, or
    left to cool. What can't be told is said to be unknown."""
    flown: Counter[Kind] = Counter()
    stayed: Counter[Kind] = Counter()
    for layout, climate, away_h in itertools.product(LAYOUTS, CLIMATES, AWAYS_H):
        for landed_h in (0.25 * away_h, 0.5 * away_h, away_h - 0.25):
            found_c = cooled_c(layout, away_h - landed_h, *climate)
            flown[judged(10.0, found_c, climate[2], away_h * HOUR_S)] += 1
        found_c = cooled_c(layout, away_h, *climate, left_c=10.0)
        stayed[judged(10.0, found_c, climate[2], away_h * HOUR_S)] += 1
    print(f"flown: {dict(flown)}; left to cool: {dict(stayed)}")
    assert set(flown) <= {Kind.FLOWN, Kind.UNKNOWN}
    assert set(stayed) <= {Kind.NOT, Kind.UNKNOWN}
    assert flown[Kind.FLOWN] > flown.total() / 2
    assert stayed[Kind.NOT] > 0


Act = tuple[str, Any, Any]
ACTS = st.one_of(
    st.tuples(st.just("live"), st.sampled_from([None, -8.0, 9.0, 30.0, 62.0, 95.0]), st.integers(1, 60)),
    st.tuples(st.just("say"), st.sampled_from(TOLD), st.sampled_from([None, 1, 2, 3])),
    st.tuples(st.just("heatup"), st.booleans(), st.just(0)),
    st.tuples(st.just("gap"), st.just(None), st.integers(1, 30)),
    st.tuples(st.just("departure"), st.integers(1, 3), st.integers(-3, 3)),
)


def lived(acts: Sequence[Act], restart: Callable[[int], bool]) -> list[Outing]:
    """What the record has after these acts; the watch may be kept and taken up again after each row, in
    a run whose seconds begin elsewhere."""
    watch, rows, t_s, moved_s = OutingWatch(), {}, 0.0, 0.0
    in_heatup, departure, row = False, None, 0
    for what, value, much in acts:
        if what == "heatup":
            in_heatup = bool(value)
        elif what == "gap":
            t_s += HOUR_S * much
        elif what == "departure":
            departure = (value, t_s + HOUR_S * much)
        elif what == "say":
            told = tell(watch, Kind(value), t_s + moved_s, much)
            if told is not None:
                watch = told.watch
                rows.update({o.number: unmoved(o, moved_s) for o in told.changed})
        for _ in range(much if what == "live" else 0):
            t_s, row = t_s + 5 * ROW_S, row + 1
            if restart(row):
                text = msgspec.json.encode(watch)
                by_s = 4096.0 * (1 if row % 2 else -1)
                watch = shifted(msgspec.json.decode(text, type=OutingWatch), by_s)
                moved_s += by_s
            seen = departure and (departure[0], departure[1] + moved_s, False)
            c = None if value is None else float(value)
            stepped = step(watch, OutingFacts(t_s + moved_s, points(c), in_heatup, None, seen))
            watch = stepped.watch
            rows.update({o.number: unmoved(o, moved_s) for o in stepped.changed})
    assert [unmoved(o, moved_s) for o in watch.recent] == list(rows.values())[
        -len(watch.recent) or len(rows) :
    ]
    return list(rows.values())


def unmoved(outing: Outing, by_s: float) -> Outing:
    return shifted(OutingWatch(recent=(outing,)), -by_s).recent[0]


SAID_AS_IT_LEFT: list[Act] = [
    ("live", -8.0, 1),
    ("live", 95.0, 1),
    ("live", None, 1),
    ("say", Kind.HOT, None),
    ("live", None, 1),
]
"""A run, the harness off, and a word before that is certain."""


def test_a_word_said_once_the_harness_is_off_stands() -> None:
    (outing,) = lived(SAID_AS_IT_LEFT, lambda _: False)
    assert (outing.kind, outing.told_by) == (Kind.HOT, ToldBy.TAP)
    assert outing.unplugged_s is not None


def test_a_word_said_before_the_harness_came_off_is_of_before() -> None:
    earlier: list[Act] = [*SAID_AS_IT_LEFT[:2], ("say", Kind.HOT, None), ("live", 95.0, 1), ("live", None, 2)]
    (outing,) = lived(earlier, lambda _: False)
    assert (outing.kind, outing.told_by, outing.told_s) == (Kind.PERHAPS, ToldBy.NOTHING, None)


@settings(max_examples=300, deadline=None)
@example(SAID_AS_IT_LEFT)
@given(st.lists(ACTS, max_size=14))
def test_any_day_leaves_one_consistent_record(acts: list[Act]) -> None:
    rows = lived(acts, lambda _: False)
    assert [o.number for o in rows] == list(range(1, len(rows) + 1))
    assert all(o.ended_s is not None for o in rows[:-1]), "only the last can be open"
    for o in rows:
        assert o.ended_s is None or o.ended_s >= o.began_s
        assert (o.told_by is ToldBy.TAP) == (o.told_s is not None)
        assert o.plugged_s is None or (o.unplugged_s is not None and o.plugged_s >= o.unplugged_s)
        assert o.kind not in FLEW or o.told_by is not ToldBy.NOTHING
    aways = [(o.unplugged_s, o.plugged_s) for o in rows if o.unplugged_s is not None]
    assert len({u for u, _ in aways}) == len(aways), "no absence twice"
    assert all(b[0] >= a[1] for a, b in itertools.pairwise(aways) if a[1] is not None and b[0] is not None)
    began = sum(a == ("heatup", True, 0) for a in acts)
    assert sum(o.heatup for o in rows) <= began + sum(a[0] in ("live", "say", "departure") for a in acts)
    counted = tally([], [(0.0, [o.kind for o in rows])])
    assert counted.without + counted.unknown <= 1


@settings(max_examples=300, deadline=None)
@given(st.lists(ACTS, max_size=14), st.sets(st.integers(1, 400), max_size=6))
def test_a_restart_at_any_row_changes_nothing(acts: list[Act], at: set[int]) -> None:
    assert lived(acts, at.__contains__) == lived(acts, lambda _: False)


def test_every_kind_is_either_said_or_follows_from_the_temperatures() -> None:
    assert set(MOST_FIRST) | {Kind.OPEN} == set(Kind)
    assert replace(OutingWatch(), t_s=1.0).current is None
