"""Spells and seasons: what belongs to what, what a flight clears, and what isn't known."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe_agent import spells, words
from probe_agent.outings import Kind
from probe_agent.season import Spent, csv_of, season, season_span, seasons_in
from probe_agent.spells import Cause, Spell, SpellFacts, SpellWatch
from probe_agent.store import HeatupSpan, KeptOuting, KeptSpell

AT = 1_800_000_000.0  # 15 January 2027, 08:00 UTC
DAY = 86_400.0
ENGINE = {"sump": 12.0, "case-top": 7.0, "cyl-1": 7.0}
COLD = dict.fromkeys(ENGINE, -10.0)


def facts(t_s: float, **changes: object) -> SpellFacts:
    base = SpellFacts(t_s, ENGINE, (-4.0, -3.0, -2.0), 5.0, heating=False, plate_w=0.0)
    return replace(base, **changes)  # type: ignore[arg-type]


def live(rows: list[SpellFacts]) -> tuple[SpellWatch, list[Spell]]:
    watch, ended = SpellWatch(), []
    for row in rows:
        step = spells.step(watch, row)
        watch = step.watch
        ended += [step.ended] if step.ended is not None else []
    return watch, ended


# -- spells


def test_an_hour_of_it_is_the_excess_times_the_hour() -> None:
    """Oil 12 °C over a core of -3 °C: 14.0 - 4.76 = 9.3 hPa (ASHRAE Fundamentals 2017, ch. 1, Table 3, from
    memory); the probes alone, all at 7 °C, would say 4."""
    watch, _ = live([facts(60.0 * n) for n in range(61)])
    assert watch.spell is not None
    assert watch.spell.middle == pytest.approx(9.3, abs=0.2)
    assert watch.spell.low < watch.spell.middle < watch.spell.high
    assert watch.spell.wet_s == 3600.0


def test_what_cools_from_a_heat_up_belongs_to_it_until_the_oil_is_cold() -> None:
    heated = [facts(60.0 * n, on_s=0.0, heating=True, plate_w=500.0) for n in range(10)]
    cooling = [facts(60.0 * n, on_s=None) for n in range(10, 20)]
    rest = [facts(60.0 * n, values_c=COLD, air_c=-10.0) for n in range(20, 30)]
    watch, ended = live([*heated, *cooling, *rest])
    assert [s.cause for s in ended] == [Cause.HEAT_UP]
    assert ended[0].ended_s == 1200.0
    assert watch.spell is not None
    assert watch.spell.cause is Cause.REST


def test_heat_known_of_only_later_counts_from_heater_on() -> None:
    rest = [facts(60.0 * n, values_c=COLD, air_c=-10.0) for n in range(11)]
    heated = [facts(660.0, on_s=300.0, heating=True, plate_w=500.0)]
    watch, _ = live([*rest, *heated])
    assert watch.spell is not None
    assert watch.spell.plate_j == pytest.approx(500.0 * 360.0)


def test_measured_power_beats_the_plate_and_unknown_power_is_not_guessed() -> None:
    on = {"on_s": 0.0, "heating": True}
    measured = [facts(60.0 * n, **on, plate_w=500.0, power_w=430.0) for n in range(11)]
    watch, _ = live(measured)
    assert watch.spell is not None
    assert (watch.spell.measured_j, watch.spell.plate_j) == (430.0 * 600.0, 0.0)
    unknown = [facts(60.0 * n, on_s=0.0, heating=None, plate_w=None) for n in range(11)]
    watch, _ = live(unknown)
    assert watch.spell is not None
    assert (watch.spell.measured_j, watch.spell.plate_j, watch.spell.untold_s) == (0.0, 0.0, 600.0)


@pytest.mark.parametrize("lost", [{"values_c": {"cyl-1": 7.0}}, {"core_c": None}])
def test_without_oil_or_core_the_time_is_not_known(lost: dict[str, object]) -> None:
    watch, _ = live([facts(60.0 * n, **lost) for n in range(11)])
    assert watch.spell is not None
    assert (watch.spell.known_s, watch.spell.unknown_s, watch.spell.middle) == (0.0, 600.0, 0.0)
    assert watch.now is None


def test_a_gap_is_not_known() -> None:
    watch, _ = live([facts(0.0), facts(60.0), facts(7200.0)])
    assert watch.spell is not None
    assert (watch.spell.known_s, watch.spell.unknown_s) == (60.0, 7140.0)


def test_cold_metal_in_a_warm_hangar_is_a_case_of_its_own() -> None:
    pushed = {"values_c": COLD, "air_c": 15.0, "in_warm_air": True, "core_c": (-10.0, -10.0, -10.0)}
    watch, _ = live([facts(60.0 * n, **pushed) for n in range(61)])
    assert watch.spell is not None
    assert watch.spell.cause is Cause.DAMP_AIR
    assert watch.spell.middle > 5.0
    dry = [facts(60.0 * n, **{**pushed, "air_c": -8.0}) for n in range(61)]
    watch, _ = live(dry)
    assert watch.spell is not None
    assert watch.spell.middle == 0.0


def test_a_spell_is_a_day_at_most_and_stays_its_heat_ups() -> None:
    rows = [facts(900.0 * n, on_s=0.0, heating=True, plate_w=100.0) for n in range(4 * 24 * 2 + 1)]
    _, ended = live(rows)
    assert [s.of_heatup for s in ended] == [True, True]
    assert all(s.ended_s is not None and s.ended_s - s.began_s == DAY for s in ended)
    assert sum(s.plate_j for s in ended) == pytest.approx(100.0 * 2 * DAY)


@given(st.floats(-1e6, 1e6))
def test_a_moved_watch_goes_on_the_same(by_s: float) -> None:
    rows = [facts(60.0 * n, on_s=0.0, heating=True, plate_w=500.0) for n in range(20)]
    watch, _ = live(rows[:10])
    whole, _ = live(rows)
    watch = spells.shifted(watch, by_s)
    for row in rows[10:]:
        watch = spells.step(watch, replace(row, t_s=row.t_s + by_s, on_s=by_s)).watch
    assert watch.spell is not None
    assert whole.spell is not None
    assert watch.spell.middle == pytest.approx(whole.spell.middle, rel=1e-6)
    assert watch.spell.plate_j == pytest.approx(whole.spell.plate_j, rel=1e-6)


# -- seasons


def spell(
    number: int, day: float, cause: str = "heat-up", heatup: int | None = None, **more: float
) -> KeptSpell:
    base = KeptSpell(
        number, heatup, cause, AT + day * DAY, AT + day * DAY + 7200.0, 8.0, 10.0, 12.0, 7200.0, 7200.0, 0.0,
        9.0, 3600.0, 0.0, 1.8e6, 0.0,
    )  # fmt: skip
    return replace(base, **more)


def outing(day: float, kind: Kind, heatup: int | None = None) -> KeptOuting:
    at = AT + day * DAY
    return KeptOuting(
        1, heatup, None, at, at + 7200.0, kind.value, "tap", at, at, at + 7200.0, None, None, None, None
    )


HEATUPS = [HeatupSpan(n, AT + n * DAY, AT + n * DAY + 3600.0) for n in (0, 1, 2)]
SPELLS = [spell(n + 1, n, heatup=n) for n in (0, 1, 2)]


def test_a_flight_with_hot_oil_clears_what_lay_before_it_and_nothing_after() -> None:
    found = season(SPELLS, HEATUPS, [outing(1.1, Kind.HOT, 1)], AT, "UTC", 7)
    assert [r.cleared for r in found.rows] == [True, True, False]
    assert found.gathered.middle == 30.0
    assert found.standing.middle == 10.0
    assert (found.flown, found.hot_flights) == (1, 1)
    assert found.days_since_hot(AT + 4.5 * DAY) == 3


@pytest.mark.parametrize("kind", [Kind.SHORT, Kind.GROUND, Kind.FLOWN, Kind.PERHAPS, Kind.UNKNOWN, Kind.NOT])
def test_nothing_else_clears(kind: Kind) -> None:
    found = season(SPELLS, HEATUPS, [outing(1.1, kind, 1)], AT, "UTC", 7)
    assert found.standing.middle == found.gathered.middle == 30.0
    assert found.days_since_hot(AT + 9 * DAY) is None


def test_the_cooling_from_a_flight_is_cleared_with_it_and_from_a_ground_run_is_not() -> None:
    cooling = spell(9, 1.1 + 2 / 24, "run", middle=300.0)
    for kind, standing in ((Kind.HOT, 10.0), (Kind.GROUND, 330.0), (Kind.SHORT, 330.0)):
        found = season([*SPELLS, cooling], HEATUPS, [outing(1.1, kind, 1)], AT, "UTC", 7)
        assert found.standing.middle == standing
        assert found.unsettled.middle == 0.0


def test_a_run_of_which_nobody_knows_is_left_out_and_said() -> None:
    cooling = spell(9, 1.1 + 2 / 24, "run", middle=300.0)
    found = season([*SPELLS, cooling], HEATUPS, [outing(1.1, Kind.FLOWN, 1)], AT, "UTC", 7)
    assert (found.unsettled.middle, found.standing.middle) == (300.0, 30.0)


def test_a_flight_told_of_later_clears_too() -> None:
    before = season(SPELLS, HEATUPS, [outing(2.2, Kind.UNKNOWN, 2)], AT, "UTC", 7)
    after = season(SPELLS, HEATUPS, [outing(2.2, Kind.HOT, 2)], AT, "UTC", 7)
    assert (before.standing.middle, after.standing.middle) == (30.0, 0.0)


def test_energy_cost_and_what_was_kept() -> None:
    one = spell(1, 0, heatup=0, gained_low_j=0.9e6, gained_j=1.0e6, gained_high_j=1.1e6)
    row = season([one], HEATUPS[:1], [], AT, "UTC", 7).rows[0]
    assert row.spent.kwh == pytest.approx(0.5)
    assert row.spent.cost(0.30) == pytest.approx(0.15)
    assert row.spent.cost(None) is None
    assert row.kept == pytest.approx((0.5, 1.0 / 1.8, 1.1 / 1.8))
    unsure = replace(one, untold_s=600.0)
    assert season([unsure], HEATUPS[:1], [], AT, "UTC", 7).rows[0].kept is None


def test_unknown_power_has_no_figure() -> None:
    spent = Spent(heated_s=0.0, untold_s=3600.0)
    assert (spent.kwh, spent.cost(0.3), spent.rests_on) == (None, None, "nothing")
    assert Spent().kwh == 0.0
    assert Spent(measured_j=3.6e6, plate_j=3.6e6).rests_on == "both"


def test_seasons_begin_where_the_owner_says_on_the_fields_calendar() -> None:
    assert season(SPELLS, HEATUPS, [], AT, "UTC", 7).name == "2026/27"
    assert season(SPELLS, HEATUPS, [], AT, "UTC", 1).name == "2027"
    begin, end = season_span(AT, "Europe/Oslo", 7)
    assert (begin, end) == (
        1_782_856_800.0,
        1_814_392_800.0,
    )  # midnight of 1 July there: 22:00 UTC, from memory
    old = [spell(9, -400)]
    assert len(seasons_in([*SPELLS, *old], HEATUPS, "UTC", 7)) == 2
    assert season([*SPELLS, *old], HEATUPS, [], AT, "UTC", 7).gathered.middle == 30.0


def test_the_csv_has_a_row_a_heat_up_and_leaves_empty_what_is_not_known() -> None:
    unknown = spell(3, 2, heatup=2, known_s=0.0, unknown_s=7200.0, plate_j=0.0, untold_s=3600.0)
    found = season([*SPELLS[:2], unknown], HEATUPS, [outing(1.1, Kind.HOT, 1)], AT, "UTC", 7)
    head, *rows = csv_of(found, 0.3).splitlines()
    table = [dict(zip(head.split(","), row.split(","), strict=True)) for row in rows]
    assert [t["heatup"] for t in table] == ["0", "1", "2"]
    assert table[1]["became"] == "flown-hot"
    assert (table[0]["energy_kwh"], table[0]["cost"], table[0]["cleared"]) == ("0.500", "0.150", "yes")
    assert (table[2]["energy_kwh"], table[2]["cost"], table[2]["exposure_hpa_h"]) == ("", "", "")


def test_a_heat_up_mostly_not_known_has_no_degree() -> None:
    unknown = spell(1, 0, heatup=0, known_s=600.0, unknown_s=7200.0)
    assert season([unknown], HEATUPS[:1], [], AT, "UTC", 7).rows[0].exposure.degree == "unknown"
    assert words.exposure_short("unknown", 0.0) == "not known"
