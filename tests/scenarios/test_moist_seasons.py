"""Seasons of one simulated aircraft: what settles depends on how it is kept.

The order is the trade's (common practice, no source): a short daily heating without flight is the worst,
worse than none, than heating followed by flight and than even warmth round the clock; a ground run without
flight is worse than leaving it alone. The engine's own equations make the temperatures, its probes the
readings; the exposure is what the daemon's ledger makes of them, live or from the record.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec
import pytest

sys.path.insert(0, str(Path(__file__).parents[1]))
from mornings import DAY_S, START_UTC, close, engine, live_until, open_agent, settings_in

from probe_agent.agent import Agent
from probe_agent.engine_sim import DEMO_REQUIRED, Event, Happening, SimulatedEngine
from probe_agent.ledger import spells_from_readings
from probe_agent.migrations import migrate
from probe_agent.probes.simulated import SimulatedSource
from probe_agent.readings import Reading
from probe_agent.season import Season, season
from probe_agent.store import (
    Batch,
    Reader,
    Store,
    StoredReading,
    TickRow,
    ask,
    close_heatup,
    open_heatup,
)

ON_S, OFF_S = 3600.0, 3600.0 + 70 * 60.0
AWAY_S, BACK_S = OFF_S + 900.0, OFF_S + 5400.0
PLACES = ("sump", *DEMO_REQUIRED)
ROW_S = 600.0


@dataclass(frozen=True)
class Kept:
    """How the aircraft is kept: events of each of these days; told: what is said of each outing."""

    events: tuple[Event, ...] = ()
    told: str = ""
    days: range | None = None


def run_of(share: float) -> tuple[Event, ...]:
    """Harness off, the engine run, harness on again while it is hot."""
    off = tuple(Event(AWAY_S, Happening.PROBE_OPEN, place) for place in PLACES)
    on = tuple(Event(BACK_S, Happening.PROBE_MENDS, place) for place in PLACES)
    return (*off, Event(BACK_S - 300.0, Happening.LANDED, value=share), *on)


HEATED = (Event(ON_S, Happening.HEATER_ON), Event(OFF_S, Happening.HEATER_OFF))
ALONE = Kept()
DAILY = Kept(HEATED)
FLOWN = Kept((*HEATED, *run_of(1.0)), "flown-hot")
GROUND = Kept(run_of(0.6), "ground-run", range(1))
EVEN = Kept((Event(ON_S, Happening.HEATER_ON, value=0.35),), days=range(1))


def simulated(kept: Kept, days: int) -> SimulatedEngine:
    of_days = kept.days or range(days)
    events = [Event(day * DAY_S + e.t_s, e.what, e.place, e.value) for day in of_days for e in kept.events]
    made = engine(days)
    return SimulatedEngine(made.design, made.setup, made.day, made.probes, tuple(events), seed=5)


# -- lived by the daemon


def live(kept: Kept, folder: Path, days: int) -> Season:
    """The season as the daemon has kept it after so many days."""
    agent = open_agent(folder, SimulatedSource(simulated(kept, days)))
    for day in range(days):
        live_until(agent, day * DAY_S + ON_S - ROW_S, 1500.0)
        live_until(agent, day * DAY_S + BACK_S + 3 * 3600.0, ROW_S)
        if kept.told and day in (kept.days or range(days)):
            tell(agent, kept.told)
        live_until(agent, (day + 1) * DAY_S, 1500.0)
    close(agent)
    reader = Reader(agent.store.path)
    try:
        return season(reader.spells(), reader.heatup_spans(), reader.outings(1000), START_UTC, "UTC", 7)
    finally:
        reader.close()


def tell(agent: Agent, what: str) -> None:
    command = ask(agent.store.path, "flew", {"what": what})
    agent.answer_commands()
    reader = Reader(agent.store.path)
    try:
        assert '"ok": true' in (reader.answer(command) or "")
    finally:
        reader.close()


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Season]:
    ways = {"alone": ALONE, "daily": DAILY, "flown": FLOWN, "ground": GROUND}
    return {name: live(kept, tmp_path_factory.mktemp(name), 2) for name, kept in ways.items()}


def test_a_short_daily_heating_is_clearly_worse_than_none_and_than_with_a_flight(
    lived: dict[str, Season],
) -> None:
    left = lived["daily"].standing
    assert left.low > 3 * lived["alone"].standing.high
    assert left.low > 3 * lived["flown"].standing.high
    assert lived["flown"].hot_flights == 2
    assert all(row.cleared for row in lived["flown"].rows)
    assert not any(row.cleared for row in lived["daily"].rows)


def test_a_ground_run_without_flight_is_worse_than_leaving_it_alone(lived: dict[str, Season]) -> None:
    assert lived["ground"].ground_runs == 1
    assert lived["ground"].standing.low > 3 * lived["alone"].standing.high
    assert dict(lived["ground"].standing_by)["run"].middle > 0.5 * lived["ground"].standing.middle


# -- from the record


def recorded(kept: Kept, folder: Path, days: int, dryer: bool = False) -> list[float]:
    """Exposure of each day, by its middle, as the stored readings tell it."""
    settings = settings_in(folder)
    file = Path(settings.store.file)
    migrate(file)
    write_readings(Store(file), simulated(kept, days), days)
    setups = tuple(msgspec.structs.replace(s, dryer=dryer) for s in settings.setups)
    settings = msgspec.structs.replace(settings, setups=setups)
    found = [0.0] * days
    for spell in spells_from_readings(file, settings, [p.name for p in settings.places]):
        assert spell.unknown_s == 0.0
        found[min(days - 1, int((spell.began_at - START_UTC) // DAY_S))] += spell.middle
    return found


def write_readings(store: Store, made: SimulatedEngine, days: int) -> None:
    store.describe_places(dict.fromkeys([*PLACES, "ambient"], (True, False)))
    boot, was_on = store.begin_boot("boot", START_UTC, True), False
    for n in range(round(days * DAY_S / ROW_S)):
        t_s = n * ROW_S
        scan = made.read(t_s)
        rows = [StoredReading(s.address, s.raw_c, None, s.value_c, None) for s in readings(scan.samples)]
        tick, batch = store.new_tick(), Batch()
        store.hold(TickRow(tick, t_s, scan.heater, tuple(rows), None))
        if made.heater_on and not was_on:
            batch.statements.append(open_heatup(boot, tick, None, 7.2, t_s))
        if was_on and not made.heater_on:
            batch.statements.append(close_heatup(tick, "off"))
        was_on = made.heater_on
        if batch or n % 100 == 99:
            store.commit(batch)
    store.commit(Batch())
    store.close()


def readings(samples: Sequence[object]) -> list[Reading]:
    return [s for s in samples if isinstance(s, Reading)]


def test_even_warmth_settles_less_from_the_third_day_on(tmp_path: Path) -> None:
    """Round the clock it settles until the oil has dried; a short daily heating brings the same each day."""
    (tmp_path / "daily").mkdir()
    (tmp_path / "even").mkdir()
    daily, even = recorded(DAILY, tmp_path / "daily", 4), recorded(EVEN, tmp_path / "even", 4)
    assert daily[3] == pytest.approx(daily[1], rel=0.3)
    assert daily[3] > 5 * even[3]


def test_a_dryer_lowers_it(tmp_path: Path) -> None:
    (tmp_path / "with").mkdir()
    (tmp_path / "without").mkdir()
    dried, plain = recorded(DAILY, tmp_path / "with", 1, True), recorded(DAILY, tmp_path / "without", 1)
    assert sum(dried) < 0.5 * sum(plain)


@pytest.mark.long
def test_a_winter_of_short_daily_heating_is_clearly_worse_than_one_of_even_warmth(tmp_path: Path) -> None:
    found = {}
    for name, kept in (("daily", DAILY), ("even", EVEN), ("alone", ALONE)):
        (tmp_path / name).mkdir()
        found[name] = sum(recorded(kept, tmp_path / name, 60))
    print(found)
    assert found["daily"] > 3 * found["even"]
    assert found["daily"] > 10 * found["alone"]
