"""Moisture and heat in the record, lived by the daemon's heart on the simulated engine."""

from __future__ import annotations

import math
import sqlite3
from pathlib import Path

import msgspec
import pytest
from mornings import DAY_S, OFF_S, ON_S, START_UTC, close, engine, live_until, open_agent, settings_in

from probe_agent.engine_sim import Event, Happening, ProbeDesign, SimulatedEngine
from probe_agent.ledger import spells_from_readings
from probe_agent.probes.simulated import SimulatedSource
from probe_agent.readings import Weather, WeatherHour
from probe_agent.season import season
from probe_agent.store import KeptSpell, Reader, ask

HEATED_S = OFF_S - ON_S
END_S = OFF_S + 2 * 3600.0
STEP_S = 120.0


def lived(folder: Path, until_s: float = END_S, step_s: float = STEP_S) -> Path:
    """One morning: heated for 80 min at 700 W, left to cool."""
    agent = open_agent(folder, SimulatedSource(engine(1)))
    live_until(agent, until_s, step_s)
    close(agent)
    return agent.store.path


def spells_in(file: Path) -> list[KeptSpell]:
    reader = Reader(file)
    try:
        return reader.spells()
    finally:
        reader.close()


@pytest.fixture(scope="module")
def morning(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return lived(tmp_path_factory.mktemp("morning"))


def test_a_heat_up_is_a_spell_of_its_own_with_heat_and_moisture(morning: Path) -> None:
    found = spells_in(morning)
    assert [s.cause for s in found[:2]] == ["rest", "heat-up"]
    heated = found[1]
    assert heated.heatup == 1
    assert heated.heated_s == pytest.approx(HEATED_S, abs=180.0)
    assert heated.plate_j == pytest.approx(700.0 * HEATED_S * 0.9, rel=0.15)  # 5 % of the volts are lost
    assert heated.measured_j == 0.0
    assert 0 < heated.low <= heated.middle <= heated.high
    assert heated.wet_s > 3600.0


def test_what_is_in_the_engine_at_heater_off_has_a_range_round_the_truth(morning: Path) -> None:
    """The engine of the simulation takes up some 105 kJ/K a kelvin; its true gain is taken from its
    ledger."""
    source = engine(1)
    source.advance_to(ON_S)
    before = source.truth()
    source.advance_to(OFF_S)
    after, names = source.truth(), source.design.j_per_k
    outside = {"hub", "blades", "air-lower", "air-upper", "skin", "firewall", "exhaust"}
    true_j = sum(c * (after[m] - before[m]) for m, c in names.items() if m not in outside)
    one = spells_in(morning)[1]
    assert one.gained_low_j is not None
    assert one.gained_high_j is not None
    assert one.gained_low_j < true_j < one.gained_high_j
    assert one.gained_high_j < 2.2 * one.gained_low_j


def test_what_the_readings_tell_is_what_was_kept_live(morning: Path) -> None:
    """Rebuilt from stored readings: the same spells; the core alone, so exposure within a fifth."""
    settings = settings_in(morning.parent)
    live = [s for s in spells_in(morning) if s.known_s > 1800.0]
    again = spells_from_readings(morning, settings, [p.name for p in settings.places])
    again = [s for s in again if s.known_s > 1800.0]
    assert [(s.cause, s.heatup) for s in again] == [(s.cause, s.heatup) for s in live]
    for one, other in zip(again, live, strict=True):
        assert one.middle == pytest.approx(other.middle, rel=0.2, abs=0.5)
        assert one.plate_j == pytest.approx(other.plate_j, rel=0.05, abs=1000.0)


def test_missing_spells_are_worked_out_at_the_next_start_once(morning: Path, tmp_path: Path) -> None:
    file = tmp_path / "probe-agent.db"
    with sqlite3.connect(morning) as whole, sqlite3.connect(file) as copy:
        whole.backup(copy)
    db = sqlite3.connect(file)
    with db:
        db.execute("DELETE FROM spells")
        db.execute("DELETE FROM kept WHERE name LIKE 'spells%'")
    db.close()
    agent = open_agent(tmp_path, SimulatedSource(engine(1)), END_S + 60.0)
    close(agent)
    found = spells_in(file)
    assert [s.heatup for s in found if s.cause == "heat-up"] == [1]
    again = open_agent(tmp_path, SimulatedSource(engine(1)), END_S + 120.0)
    close(again)
    assert [s.heatup for s in spells_in(file) if s.cause == "heat-up"] == [1]


def test_a_restart_goes_on_with_the_spell(morning: Path, tmp_path: Path) -> None:
    middle_s = ON_S + 2400.0
    source = SimulatedSource(engine(1))
    agent = open_agent(tmp_path, source)
    live_until(agent, middle_s, STEP_S)
    close(agent)
    agent = open_agent(tmp_path, source, middle_s)
    live_until(agent, END_S, STEP_S)
    close(agent)
    broken = [s for s in spells_in(agent.store.path) if s.cause == "heat-up"]
    whole = [s for s in spells_in(morning) if s.cause == "heat-up"]
    assert math.fsum(s.middle for s in broken) == pytest.approx(math.fsum(s.middle for s in whole), rel=0.1)
    assert math.fsum(s.plate_j for s in broken) == pytest.approx(whole[0].plate_j, rel=0.05)
    assert {s.heatup for s in broken} == {1}


def test_without_oil_measured_the_exposure_is_not_known(tmp_path: Path) -> None:
    settings = settings_in(tmp_path)
    places = tuple(p for p in settings.places if p.name != "sump")
    settings = msgspec.structs.replace(settings, places=places, probes=())
    agent = open_agent(tmp_path, SimulatedSource(engine(1)), settings=settings)
    live_until(agent, OFF_S, STEP_S)
    close(agent)
    heated = next(s for s in spells_in(agent.store.path) if s.cause == "heat-up")
    assert (heated.middle, heated.known_s) == (0.0, 0.0)
    assert heated.unknown_s > 3600.0


def test_the_season_adds_it_up(morning: Path) -> None:
    reader = Reader(morning)
    try:
        heatups, outings = reader.heatup_spans(), reader.outings(100)
    finally:
        reader.close()
    found = season(spells_in(morning), heatups, outings, START_UTC, "UTC", 7)
    assert found.name == "2026/27"
    assert len(found.rows) == 1
    row = found.rows[0]
    assert row.spent.kwh == pytest.approx(0.84, abs=0.12)
    assert row.spent.rests_on == "plate"
    assert row.kept is not None
    assert 0.3 < row.kept[0] < row.kept[2] < 1.3
    assert row.exposure.degree in ("slight", "clear", "strong")
    assert found.standing.middle == pytest.approx(found.gathered.middle)
    assert found.days_since_hot(START_UTC + DAY_S) is None


def test_a_probe_that_fails_takes_its_time_out_of_what_is_known(tmp_path: Path) -> None:
    broken = Event(ON_S + 1800.0, Happening.PROBE_OPEN, "sump")
    agent = open_agent(tmp_path, SimulatedSource(engine(1, [broken], [ProbeDesign("sump")])))
    live_until(agent, OFF_S, STEP_S)
    close(agent)
    heated = next(s for s in spells_in(agent.store.path) if s.cause == "heat-up")
    assert heated.known_s == pytest.approx(1800.0, abs=180.0)
    assert heated.unknown_s == pytest.approx(OFF_S - ON_S - 1800.0, abs=180.0)


def test_pushed_cold_into_a_warm_hangar_it_takes_water_from_the_air(tmp_path: Path) -> None:
    """The hangar of the simulated engine is at 12 °C; its engine was at -10."""
    pushed = Event(1800.0, Happening.TO_HEATED)
    made = engine(1)
    source = SimulatedSource(
        SimulatedEngine(made.design, made.setup, made.day, made.probes, (pushed,), seed=5)
    )
    agent = open_agent(tmp_path, source)
    live_until(agent, 3 * 3600.0, STEP_S)
    assert agent.status is not None
    assert agent.status.moisture is not None
    assert agent.status.moisture.under_k > 1.0
    close(agent)
    damp = [s for s in spells_in(agent.store.path) if s.cause == "damp-air"]
    assert damp
    assert damp[0].middle > 2.0
    assert damp[0].low < damp[0].middle < damp[0].high


def test_frost_is_told_from_the_weather_in_use(tmp_path: Path) -> None:
    """Air -10 °C with dew point -10.2 °C: the frost point is -9.1 °C (WMO-No. 8), above the air."""
    agent = open_agent(tmp_path, SimulatedSource(engine(1)))
    live_until(agent, 120.0)
    assert agent.status is not None
    assert agent.status.frost is not None
    assert agent.status.frost.kind == "unknown"
    hours = tuple(WeatherHour(START_UTC + 3600.0 * h, -10.0, 1.0, -10.2, 1.0) for h in range(30))
    agent._heard.hear(Weather("hourly", START_UTC, START_UTC, hours))
    live_until(agent, 180.0)
    frost = agent.status.frost
    close(agent)
    assert (frost.kind, frost.sure) == ("frost", True)
    assert frost.point_c == pytest.approx(-9.1, abs=0.1)


def test_with_the_oil_out_nothing_is_told_of_its_water(tmp_path: Path) -> None:
    agent = open_agent(tmp_path, SimulatedSource(engine(1)))
    live_until(agent, 240.0)
    ask(agent.store.path, "oil-out", {})
    agent.answer_commands()
    live_until(agent, 360.0)
    assert agent.status is not None
    assert agent.status.oil_out
    assert agent.status.moisture is None
    close(agent)
