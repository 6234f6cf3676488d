"""Many days of the real daemon with faults at random, as a process of its own, its clock jumping.

    python many_days.py SETTINGS DAYS SEED

Prints a line a day in JSON: the least and most the process had resident, and what befell it so far. "broker"
and "mail" lines tell the caller to end or start them, which this process can't.
"""

from __future__ import annotations

import json
import math
import resource
import sqlite3
import sys
import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random

from probe_agent import broker
from probe_agent.agent import plan_from_settings
from probe_agent.cli import assemble
from probe_agent.clock import SimulatedClock
from probe_agent.config import Settings, load_settings
from probe_agent.engine_sim import (
    Day,
    EngineDesign,
    Event,
    Flown,
    Happening,
    ProbeDesign,
    Profile,
    SetupDesign,
    SimulatedEngine,
)
from probe_agent.probes.simulated import SimulatedSource
from probe_agent.store import ask

START_UTC = 1_797_249_600.0
"""2026-12-14 12:00."""
HOUR_S, DAY_S = 3600.0, 86_400.0
PROBE_FAULTS = (
    Happening.PROBE_OPEN,
    Happening.PROBE_SHORT_GND,
    Happening.PROBE_SHORT_VDD,
    Happening.PROBE_MISSING,
    Happening.PROBE_DETACHED,
)
Act = Callable[[], None]


def engine_events(places: tuple[str, ...], days: int, chance: Random) -> Iterator[Event]:
    """Heat-ups on two days in three, a flight after every other one, and five probe faults a day."""
    for day in range(days):
        on_s = day * DAY_S + chance.uniform(0.5, 12) * HOUR_S
        off_s = on_s + chance.uniform(1.5, 7) * HOUR_S
        if chance.random() < 2 / 3:
            yield Event(on_s, Happening.HEATER_ON)
            yield Event(off_s, Happening.HEATER_OFF)
            if chance.random() < 0.5:
                yield from flight(places, off_s + chance.uniform(0.2, 1) * HOUR_S, chance)
        for _ in range(5):
            at_s = day * DAY_S + chance.uniform(0, 20) * HOUR_S
            place = chance.choice(places)
            yield Event(at_s, chance.choice(PROBE_FAULTS), place)
            yield Event(at_s + chance.choice((60.0, 600.0, 3 * HOUR_S)), Happening.PROBE_MENDS, place)


def flight(places: tuple[str, ...], from_s: float, chance: Random) -> Iterator[Event]:
    """The harness comes off, the engine flies, the harness goes on again."""
    down_s = from_s + chance.uniform(0.7, 2) * HOUR_S
    yield from (Event(from_s, Happening.PROBE_OPEN, place) for place in places)
    yield Event(down_s, Happening.LANDED)
    yield from (Event(down_s + 300, Happening.PROBE_MENDS, place) for place in places)


class FaultyClock(SimulatedClock):
    """Jumps from tick to tick; what is due befalls the run in between. Its UTC may be wrong or unknown."""

    def __init__(self, days: int) -> None:
        super().__init__(START_UTC, math.inf, 0.0)
        self.end_s = days * DAY_S
        self.due: list[tuple[float, Act]] = []
        self.wrong_s, self.known = 0.0, True

    def utc_is_known(self) -> bool:
        return self.known

    def utc_offset_s(self) -> float:
        return super().utc_offset_s() + self.wrong_s

    def utc(self) -> float:
        return self.monotonic() + self.utc_offset_s()

    def wait_until(self, t_s: float, wake: threading.Event) -> None:
        while self.due and self.due[-1][0] <= t_s:
            self.due.pop()[1]()
        if t_s >= self.end_s:
            wake.set()
        super().wait_until(t_s, wake)


class Faults:
    """What befalls the board: its card, its clock, broker and mail, people who plan."""

    def __init__(self, clock: FaultyClock, settings: Settings, days: int, chance: Random) -> None:
        self._clock, self._chance = clock, chance
        self._store = Path(settings.store.file)
        self.happened: dict[str, int] = {}
        self._resident_mb: list[float] = []
        due = [entry for day in range(days) for entry in self._day(day * DAY_S)]
        clock.due = sorted(due, key=lambda entry: -entry[0])

    def _day(self, from_s: float) -> Iterator[tuple[float, Act]]:
        yield from self._for_a_while(from_s, 0.5, "card", self._refuse, self._accept)
        yield from self._for_a_while(
            from_s, 0.5, "broker", self._tell("broker end"), self._tell("broker start")
        )
        yield from self._for_a_while(from_s, 0.3, "mail", self._tell("mail end"), self._tell("mail start"))
        yield from self._for_a_while(from_s, 0.2, "clock unknown", self._forget, self._know)
        yield from self._for_a_while(from_s, 0.4, "clock step", self._step, lambda: None)
        yield from self._for_a_while(from_s, 0.7, "plan", self._plan, lambda: None)
        for hour in range(24):
            yield from_s + hour * HOUR_S, self._weigh
        yield from_s + DAY_S - 1, self._report(round(from_s / DAY_S) + 1)

    def _for_a_while(
        self, from_s: float, share: float, what: str, begin: Act, end: Act
    ) -> Iterator[tuple[float, Act]]:
        if self._chance.random() >= share:
            return
        at_s = from_s + self._chance.uniform(0, 20) * HOUR_S

        def first() -> None:
            self.happened[what] = self.happened.get(what, 0) + 1
            begin()

        yield at_s, first
        yield at_s + self._chance.choice((300.0, 1800.0, 3 * HOUR_S)), end

    def _refuse(self) -> None:
        """Every write to a file fails (setrlimit(2): EFBIG, for Python ignores SIGXFSZ)."""
        resource.setrlimit(resource.RLIMIT_FSIZE, (0, resource.RLIM_INFINITY))

    def _accept(self) -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))

    def _tell(self, line: str) -> Act:
        return lambda: print(line, flush=True)

    def _forget(self) -> None:
        self._clock.known = False

    def _know(self) -> None:
        self._clock.known = True

    def _step(self) -> None:
        self._clock.wrong_s += self._chance.choice((-3 * HOUR_S, -60.0, 60.0, 3 * HOUR_S))

    def _plan(self) -> None:
        """Somebody plans a start for tomorrow; on a card that refuses there is no asking."""
        at = datetime.fromtimestamp(self._clock.utc(), UTC) + timedelta(hours=self._chance.uniform(3, 20))
        try:
            ask(self._store, "plan", {"start": at.strftime("%Y-%m-%dT%H:%M")}, 1e6)
        except sqlite3.Error:
            self.happened["plan refused"] = self.happened.get("plan refused", 0) + 1

    def _weigh(self) -> None:
        pages = int(Path("/proc/self/statm").read_text("ascii").split()[1])
        self._resident_mb.append(round(pages * resource.getpagesize() / 1e6, 2))

    def _report(self, day: int) -> Act:
        """least_mb: what stays resident whatever is just worked on."""

        def report() -> None:
            found = {
                "day": day,
                "end_mb": self._resident_mb[-1],
                "least_mb": min(self._resident_mb),
                "most_mb": max(self._resident_mb),
            }
            print(json.dumps({**found, **self.happened}), flush=True)
            self._resident_mb.clear()

        return report


def engine(places: tuple[str, ...], days: int, chance: Random) -> SimulatedEngine:
    """The example's engine through a winter's weather."""
    hours = [h * HOUR_S for h in range(0, 24 * days + 4, 3)]
    air = tuple(-6 + 5 * math.sin(h / 13_751) + 4 * math.sin(h / 400_000) for h in hours)
    weather = Day(ambient_c=Profile(tuple(hours), air), wind_m_s=Profile.constant(2.0))
    events = tuple(sorted(engine_events(places, days, chance), key=lambda e: e.t_s))
    setup = SetupDesign("pads-and-bands", 650.0, cover=True, plugs=True)
    probes = tuple(ProbeDesign(p) for p in places)
    return SimulatedEngine(
        EngineDesign.nominal(), setup, weather, probes, events, start=Flown(30.0), seed=chance.randrange(999)
    )


def main() -> None:
    settings, days, chance = load_settings(Path(sys.argv[1])), int(sys.argv[2]), Random(int(sys.argv[3]))
    broker.ROUND_EVERY_S = 0.0
    broker.LONGEST_DELAY_S = 0.5
    plan = plan_from_settings(settings)
    clock = FaultyClock(days)
    source = SimulatedSource(engine(plan.places, days, chance), heater_measured=False, start_s=0.0)
    agent = assemble(settings, plan, clock, [source])
    Faults(clock, settings, days, chance)
    agent.run(threading.Event())
    agent.store.close()


if __name__ == "__main__":
    main()
