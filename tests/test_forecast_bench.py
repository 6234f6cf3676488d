"""The forecast bench: its arithmetic by hand, its heat-ups, its oracle, and its short form."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import msgspec
import numpy as np
import pytest

from probe_agent.config import TARGET_C
from probe_agent.learning import SIGMA_C
from probe_agent.readings import Method, Observation
from tests.bench import heatups, short_form, tables
from tests.bench.baselines import one_exponential, straight_line
from tests.bench.course import PROGRESS, Course, Cut, Look, Mark
from tests.bench.forecast import read_courses
from tests.bench.heatups import HeatUp, Setup
from tests.bench.oracle import Fleet, Oracle, Weather, instants, weighted_quantiles
from tests.bench.scoring import (
    bootstrap,
    error_min,
    is_inside,
    mean_pinball,
    pinball,
    text_changes,
)

# -- arithmetic


def test_pinball_by_hand() -> None:
    """Truth 100 min. 10 % at 90: early by 10, costs 0.1 of it. 90 % at 95: early by 5, 0.9 of it. 50 % at
    104: late by 4, half of it."""
    assert pinball(0.1, 90, 100) == pytest.approx(1.0)
    assert pinball(0.9, 95, 100) == pytest.approx(4.5)
    assert pinball(0.5, 104, 100) == pytest.approx(2.0)
    assert pinball(0.1, 110, 100) == pytest.approx(9.0)
    assert mean_pinball((90, 104, 95), 100) == pytest.approx(7.5 / 3)


def test_a_missing_instant_costs_as_if_it_were_the_cap() -> None:
    assert pinball(0.9, None, 100) == pytest.approx(0.1 * 500)
    assert pinball(0.9, 5000, 100) == pytest.approx(0.1 * 500)


def test_inside_needs_a_beginning_and_may_have_an_open_end() -> None:
    assert is_inside((90, 100, 110), 90)
    assert is_inside((90, 100, 110), 110)
    assert not is_inside((90, 100, 110), 110.1)
    assert not is_inside((90, 100, None), 89)
    assert is_inside((90, 100, None), 500)
    assert not is_inside((None, None, None), 100)
    assert error_min(None, 100) == math.inf


def test_the_bootstrap_draws_whole_setups() -> None:
    """Two setups, one always right, one always wrong: drawn anew they give shares of 0, ½ or 1 only,
    each end in a quarter of the rounds, so both ends belong to a 90 % interval; alone an interval of
    single heat-ups would be far narrower."""
    items = [("a", 1.0)] * 50 + [("b", 0.0)] * 50
    seen: set[float] = set()

    def share(picked: object) -> float:
        found = float(np.mean([x for _, x in picked]))  # type: ignore[attr-defined]
        seen.add(found)
        return found

    assert bootstrap(items, lambda item: item[0], share, 200) == (0.0, 1.0)
    assert seen == {0.0, 0.5, 1.0}
    assert bootstrap(items[:50], lambda item: item[0], share, 20) == (1.0, 1.0)


def test_texts_that_come_back_within_a_quarter_of_an_hour_are_counted() -> None:
    """A, A, B, A after 14 min, B after 16 more, C: four changes, one of them back soon."""
    texts = [(0, "A"), (60, "A"), (120, "B"), (960, "A"), (1980, "B"), (2000, "C")]
    assert text_changes(texts) == (4, 1)
    assert text_changes([(0, "A")]) == text_changes([]) == (0, 0)


def test_weighted_quantiles_by_hand() -> None:
    """Weights ¼, ½, ¼ have their middles at ⅛, ½, ⅞; never is beyond all of them."""
    value, weight = np.array([20.0, 10.0, np.inf]), np.array([0.5, 0.25, 0.25])
    found = weighted_quantiles(value, weight, (0.1, 0.5, 0.3125, 0.9))
    assert found == [10.0, pytest.approx(20.0), pytest.approx(15.0), math.inf]


# -- what stands beside the forecasts


def rows_of(curve: np.ndarray, every_s: float = 30.0) -> list[Observation]:
    return [Observation(k * every_s, {"cyl-1": float(c), "cyl-2": float(c) + 3}) for k, c in enumerate(curve)]


def test_the_line_through_a_line_is_right() -> None:
    seen = rows_of(-10 + 0.01 * np.arange(0, 1200, 30.0))
    assert straight_line(seen, ("cyl-1", "cyl-2"), 5.0) == pytest.approx(1500.0, abs=1.0)
    assert straight_line(rows_of(np.linspace(0, -1, 60)), ("cyl-1",), 5.0) is None


def test_the_exponential_through_an_exponential_is_right() -> None:
    """−10 to 20 °C with 2 h: 7.2 °C after 7200·ln(30/12.8) = 6132 s."""
    curve = 20 - 30 * np.exp(-np.arange(0, 3600, 30.0) / 7200)
    assert one_exponential(rows_of(curve), ("cyl-1",), 7.2, 0.0) == pytest.approx(6132, rel=0.02)
    assert one_exponential(rows_of(curve), ("cyl-1",), 21.0, 0.0) is None


# -- heat-ups


@pytest.fixture(scope="module")
def cache(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("bench")


@pytest.fixture(scope="module")
def quick(cache: Path) -> tuple[Setup, HeatUp]:
    """Ducted air on a small engine: under an hour."""
    setup = heatups.draw_setup(1, 7)
    return setup, heatups.heat_up(setup, 0, cache, 30.0)


def kind_of(cache: Path, kind: str) -> HeatUp:
    """The first heat-up of this kind in the quick setups."""
    for number in (7, 0, 6):
        setup = heatups.draw_setup(1, number)
        for heat_up in (heatups.heat_up(setup, n, cache, 30.0) for n in range(12)):
            if heat_up.kind == kind:
                return heat_up
    raise AssertionError(f"no heat-up of kind {kind} in seed 1")


def test_the_crossing_is_the_metal_s_and_kept_heat_ups_are_those_drawn(
    cache: Path, quick: tuple[Setup, HeatUp]
) -> None:
    setup, heat_up = quick
    assert heat_up.crossing_s is not None
    before = [row for row in heat_up.rows if row.seen.t_s <= heat_up.crossing_s]
    after = heat_up.rows[len(before)]
    assert before[-1].low_c < TARGET_C <= after.low_c
    assert heatups.heat_up(setup, 0, cache, 30.0) == heatups.draw_heat_up(setup, 0, 30.0)


def test_a_commanded_signal_goes_on_while_the_heater_is_dead(cache: Path) -> None:
    dead = kind_of(cache, "dead")
    assert dead.fails_s is not None
    later = dead.fails_s + 60.0
    assert {r.seen.heater for r in dead.seen("command") if r.seen.t_s > later} == {1.0}
    assert {r.seen.heater for r in dead.seen("measured") if r.seen.t_s > later} == {0.0}
    assert {r.seen.heater for r in dead.seen("none")} == {None}
    assert dead.heated[-1][1] == pytest.approx(dead.fails_s, abs=60.0)


def test_an_interruption_resumes_within_twenty_minutes(cache: Path) -> None:
    stopped = kind_of(cache, "interrupted")
    assert stopped.fails_s is not None
    assert stopped.mends_s is not None
    assert 240 <= stopped.mends_s - stopped.fails_s <= 1200
    gap = [r for r in stopped.rows if stopped.fails_s + 60 < r.seen.t_s < stopped.mends_s - 60]
    assert gap
    assert {r.seen.heater for r in gap} == {0.0}


def test_readings_by_hand_have_a_round_s_error_and_one_of_their_own(cache: Path) -> None:
    """Of many rounds the spread about the metal is 2 °C common and 2 °C each, 2.8 together."""
    common, own = [], []
    for number in (0, 7):
        setup = heatups.draw_setup(1, number)
        for n in range(5):
            heat_up = heatups.heat_up(setup, n, cache, 30.0)
            engine = heat_up.recipe.build()
            for row in heat_up.hand:
                engine.advance_to(row.seen.t_s)
                miss = [c - engine.place_c(p) for p, c in row.seen.values_c.items()]
                common.append(np.mean(miss))
                own += list(np.array(miss) - np.mean(miss))
                assert set(row.seen.sigma_c.values()) == {SIGMA_C[Method.INFRARED]}
            apart = np.diff([row.seen.t_s for row in heat_up.hand][1:])
            assert all(1200 <= gap <= 3000 for gap in apart)
    assert 1.4 < np.std(common) < 2.8
    assert 1.7 < np.std(own) < 2.2


def test_most_heat_ups_are_ordinary_and_look_alikes_have_no_heat(cache: Path) -> None:
    assert sum(heatups.SHARES.values()) == pytest.approx(1.0)
    assert heatups.SHARES["ordinary"] >= 0.5
    setup = heatups.draw_setup(1, 7)
    for what in heatups.look_alikes_of(setup):
        alike = heatups.look_alike(setup, what, cache, 60.0)
        assert not alike.heated
        assert {row.command for row in alike.rows} == {0.0}
        assert np.ptp([row.low_c for row in alike.rows]) > 0.5


# -- the oracle


def test_the_oracle_s_network_is_the_simulated_engine(quick: tuple[Setup, HeatUp]) -> None:
    """Told the day as it was, it follows the coldest metal within 0.1 °C."""
    setup, heat_up = quick
    day, on_s = heat_up.recipe.day, heat_up.on_s

    def one(quantity: object) -> object:
        return lambda t_s: np.array([quantity(t_s)])  # type: ignore[operator]

    weather = Weather(
        one(day.ambient_c),  # type: ignore[arg-type]
        one(day.wind_m_s),  # type: ignore[arg-type]
        one(day.voltage),  # type: ignore[arg-type]
        np.array([day.sky_below_air_k]),
        np.array([day.fit]),
    )
    assert on_s is not None
    share = lambda t_s: float(np.clip((t_s + 30 - on_s) / 60, 0, 1))  # noqa: E731
    t_s, _, low_c = Fleet(setup).run(weather, share, heat_up.rows[-1].seen.t_s, (0.0, math.inf))
    true = [row.low_c for row in heat_up.rows]
    ours = np.interp([row.seen.t_s for row in heat_up.rows], t_s, low_c[:, 0])
    assert np.abs(ours - true).max() < 0.1


def test_the_oracle_beats_the_line_and_does_not_look_ahead(cache: Path, quick: tuple[Setup, HeatUp]) -> None:
    setup, heat_up = quick
    assert heat_up.crossing_s is not None
    assert heat_up.on_s is not None
    truth = (heat_up.crossing_s - heat_up.on_s) / 60
    found = instants(setup, heat_up, cache)
    for progress in PROGRESS[:2]:
        now_s = heat_up.on_s + progress * 60 * truth
        seen = [row.seen for row in heat_up.rows if row.seen.t_s <= now_s]
        line_s = straight_line(seen, setup.required, TARGET_C)
        line = None if line_s is None else (line_s - heat_up.on_s) / 60
        assert mean_pinball(found[progress], truth) < mean_pinball((line,) * 3, truth)
    cut_s = heat_up.on_s + 0.1 * 60 * truth
    cut = replace(heat_up, rows=tuple(row for row in heat_up.rows if row.seen.t_s <= cut_s))
    assert Oracle(setup, cut).forecast(cut_s) == found[0.1]


# -- the heater's table


def course(**changed: object) -> Course:
    plain = Course(
        seed=1,
        setup_number=0,
        setup="made up",
        heat_up=0,
        kind="dead",
        signal="command",
        described=True,
        learned=3,
        crossing=None,
        end=200.0,
        fails=50.0,
        mends=None,
        thermostat=False,
        alike=False,
        marks=(),
        looks=(),
        heating=((-10.0, False), (0.0, True)),
        shown=None,
        forecast_ms=(),
        observe_ms=0.0,
    )
    return replace(plain, **changed)  # type: ignore[arg-type]


def looks(*pairs: tuple[float, float]) -> tuple[Look, ...]:
    return tuple(Look(t, None, p, (None, None, None)) for t, p in pairs)


def test_a_stop_is_noticed_when_the_heater_counts_as_off_from_then_on() -> None:
    assert tables.stop_noticed_min(course(heating=((-10.0, False), (0.0, True), (57.0, False)))) == 7.0
    assert tables.stop_noticed_min(course()) == math.inf
    early = course(heating=((0.0, True), (30.0, False), (40.0, True), (60.0, False)))
    assert tables.stop_noticed_min(early) == 10.0
    assert tables.false_alarms(early) == 1


def test_given_up_counts_from_where_the_chance_stays_small() -> None:
    assert tables.given_up_min(course(looks=looks((40, 0.0), (60, 0.05), (70, 0.3), (80, 0.05)))) == 30.0
    assert tables.given_up_min(course(looks=looks((60, 0.05), (70, 0.3)))) == math.inf


def test_an_interruption_called_never_is_seen_as_such() -> None:
    stopped = course(kind="interrupted", mends=60.0, crossing=120.0)
    assert tables.is_short_stop(stopped)
    assert not tables.called_never_while_stopped(replace(stopped, looks=looks((45, 0.0), (55, 0.2))))
    assert tables.called_never_while_stopped(replace(stopped, looks=looks((55, 0.09))))


def test_easy_is_where_the_oracle_is_sure() -> None:
    mark = Mark(0.5, 100.0, (90, 100, 110), 1.0, None, None, None, 0.0, (96, 100, 105))
    assert tables.Scored(course(), mark).is_easy
    assert tables.Scored(course(), replace(mark, oracle=(95, 100, 105))).is_easy is False
    assert tables.Scored(course(), replace(mark, oracle=(96, 100, None))).is_easy is False
    assert tables.Scored(course(), replace(mark, oracle=None)).is_easy is None


# -- the forecasts themselves


def test_what_is_written_is_read_again(tmp_path: Path) -> None:
    """A quantile that is infinite would be lost on the way: never is None."""
    mark = Mark(0.5, 100.0, (90.0, 100.0, None), 1.0, None, 99.5, (1.0, 2.0, 3.0), 2.0)
    made = course(marks=(mark,), looks=looks((40, 0.0)), cuts=(Cut(3.0, True, False),))
    file = tmp_path / "courses.jsonl"
    file.write_bytes(msgspec.json.encode(made) + b"\n")
    assert read_courses(file) == [made]


def test_the_short_form_is_no_worse_than_stored(cache: Path) -> None:
    """Errors and losses at most a quarter larger (or half a minute), shares held at most 0.1 smaller."""
    now = short_form.figures(short_form.measured(cache))
    assert not short_form.worse(now, short_form.stored())


def test_worse_figures_are_found() -> None:
    stored = short_form.stored()
    assert short_form.worse(stored, stored) == []
    for name, figure in stored.items():
        bad = figure - 0.11 if "inside" in name else 1.26 * figure + 0.51
        assert len(short_form.worse(stored | {name: bad}, stored)) == 1
