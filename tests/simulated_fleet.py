"""Boards by the hundred in one process: the simulated engine's nights as status documents, brought to a
broker by the daemon's own courier, each board with its own connection, thread, tree, document and will.

    python -m tests.simulated_fleet --port 1883 --first 0 --boards 250 --seconds 300

Prints a line of JSON each five seconds (ticks, the latest of them, processor time) and ends by itself, or
when its standard input closes. --said FILE: a line for each document made, to compare a viewer with.
"""

from __future__ import annotations

import argparse
import heapq
import json
import os
import random
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec

sys.path.insert(0, str(Path(__file__).parent))
from status_samples import alert, sample

from probe_agent import words
from probe_agent.broker import BrokerCourier
from probe_agent.config import Broker
from probe_agent.engine_sim import magpie_demo
from probe_agent.readings import Reading, State
from probe_agent.status import (
    Curve,
    FanNow,
    HeaterNow,
    ProbeNow,
    RunTime,
    Status,
    core_of,
    encode_status,
    utc_text,
)

STEP_S = 15.0
NIGHT_ROWS = 2400
"""Ten hours of rows of 15 s: cold, a warm-up of some hours, above the target, and cooling."""
TREND_ROWS = 40
CURVE_ROWS, CURVE_STEP_ROWS = 160, 12
"""The document's curve: eight hours of rows of three minutes, as agent.py keeps it."""
SOAK_ROWS = 120
MOST_IN_A_PROCESS = 300
"""paho waits with select(), which takes descriptors below 1024; a connection has three."""
NAMES = ("magpie", "kestrel", "heron", "lapwing", "curlew", "dunlin", "plover", "siskin", "wagtail", "wren")
FIELDS = ("Reedmoor", "Sallow Hill", "Long Holm", "Brackenby", "Nether Ings")


def device_name(number: int) -> str:
    """The device of a board, by its number; all are equally long where their names are."""
    return f"{NAMES[number % len(NAMES)]}-{number:05d}"


def field_name(number: int) -> str:
    """The field at which it stands."""
    return FIELDS[number % len(FIELDS)]


class Night:
    """What the probes of a simulated engine read for ten hours, in rows of 15 s, over and over."""

    def __init__(self, seed: int) -> None:
        engine = magpie_demo(seed)
        self.rows: list[dict[str, float]] = []
        self.warm: list[bool] = []
        for i in range(NIGHT_ROWS):
            scan = engine.read(i * STEP_S)
            self.rows.append({r.address: r.value_c for r in scan.samples if isinstance(r, Reading)})
            self.warm.append(bool(scan.heater))
        self.places = tuple(self.rows[0])


@dataclass
class Board:
    """One board: its engine's night, where in it the board begins, and how much colder its place is.

    whim: what is the matter with it: "missing" (a cylinder isn't measured), "harm" (an alert of harm), "oil"
    (out), or nothing.
    """

    number: int
    night: Night
    interval_s: float = STEP_S
    whim: str = ""

    def __post_init__(self) -> None:
        chance = random.Random(self.number)
        self.device = device_name(self.number)
        self._begin = chance.randrange(NIGHT_ROWS)
        self._colder_c = round(4 * chance.uniform(-3, 3)) / 4
        self._since: tuple[str, str] | None = None
        self._soaked = 0
        self._began_s = time.monotonic()

    def status(self) -> Status:
        """The document of this moment, as the daemon would write it."""
        return self.status_of(self._row_at(time.monotonic()))

    def status_of(self, row: int) -> Status:
        """The document of a row of its night."""
        probes = tuple(self._probe(place, row) for place in self.night.places)
        counted = [(p.c, p.place) for p in probes if p.counts and p.c is not None]
        coldest_c, coldest = min(counted)
        state = self._state(row, coldest_c)
        base = sample(state, coldest_c, **self._told(state, row, coldest_c), **self._run(row))
        status = msgspec.structs.replace(base, probes=probes, coldest=coldest)
        return msgspec.structs.replace(status, verdict=words.verdict(status))

    def _row_at(self, now_s: float) -> int:
        rows = int((now_s - self._began_s) / STEP_S)
        return (self._begin + rows) % NIGHT_ROWS

    def _c(self, place: str, row: int) -> float:
        return self.night.rows[row % NIGHT_ROWS][place] - self._colder_c

    def _probe(self, place: str, row: int) -> ProbeNow:
        required = place not in ("sump", "ambient")
        if place == "cyl-2" and self.whim == "missing":
            return ProbeNow(place, None, "open", None, True, False, 4.0, True)
        before = max(row - TREND_ROWS, 0)
        hours = max(row - before, 1) * STEP_S / 3600
        trend = round((self._c(place, row) - self._c(place, before)) / hours, 1)
        return ProbeNow(
            place,
            self._c(place, row),
            "ok",
            trend,
            required,
            place == "sump",
            0.3,
            required and place != "sump",
        )

    def _state(self, row: int, coldest_c: float) -> State:
        warm, above = self.night.warm[row], coldest_c >= (45 - 32) / 1.8
        self._soaked = self._soaked + 1 if above and warm else 0
        if self.whim in ("missing", "oil"):
            return State.PROBE_MISSING if self.whim == "missing" else State.OIL_OUT
        if warm:
            soaked = self._soaked >= SOAK_ROWS
            return (State.READY if soaked else State.ABOVE_TARGET) if above else State.HEATING
        return State.COOLING if coldest_c > 0 else State.COLD

    def _told(self, state: State, row: int, coldest_c: float) -> dict[str, Any]:
        now = time.time()
        if self._since is None or self._since[0] != state.value:
            self._since = (state.value, utc_text(now))
        told: dict[str, Any] = {"state_since": self._since[1], "oil_out": self.whim == "oil"}
        told["heater"] = HeaterNow(
            self.night.warm[row], "curve", None, self._since[1], "pads-and-bands", "timer"
        )
        told["missing"] = ("cyl-2",) if self.whim == "missing" else ()
        told["alerts"] = (alert("switch-off", -5, harm=True),) if self.whim == "harm" else ()
        if state is State.HEATING:
            left_s = 60 * max(5.0, 12 * (8 - coldest_c))
            for share, key in ((0.9, "above_p10"), (1.0, "above_p50"), (1.2, "above_p90")):
                told[key] = utc_text((now + share * left_s) // 300 * 300)
            told["ready_at"] = utc_text((now + left_s + 1800) // 300 * 300)
        else:
            told |= {"above_p10": None, "above_p50": None, "above_p90": None, "fan": FanNow(), "p_reach": 0.0}
        return told

    def _run(self, row: int) -> dict[str, Any]:
        """Its own run: another host's, as far as a viewer can tell. mono_s is this host's, to measure by."""
        now = time.time()
        rows = [row - CURVE_STEP_ROWS * i for i in range(CURVE_ROWS, 0, -1)]
        curve = tuple(
            (round(now - (row - r) * STEP_S, 1), *(round(self._c(p, r), 2) for p in self.night.places), None)
            for r in rows
        )
        mono_s = time.monotonic()
        return {
            "aircraft": f"{self.device.split('-')[0].capitalize()} {self.number}",
            "field": field_name(self.number),
            "now": utc_text(now),
            "run": RunTime(mono_s - self._began_s, 1.0, self.interval_s, mono_s, f"simulated-{self.device}"),
            "curve": Curve(self.night.places, curve),
        }


def whim_of(number: int) -> str:
    """Every 25th board has something the matter with it."""
    return {7: "missing", 32: "harm", 57: "oil", 82: "missing"}.get(number % 100, "")


class Fleet:
    """So many boards with their couriers, ticked one after the other, each at its own phase."""

    def __init__(self, port: int, numbers: range, interval_s: float, said: Path | None = None) -> None:
        nights = [Night(seed) for seed in (3, 5, 7)[: 1 + len(numbers) // 50]]  # half a second each
        self.boards = [Board(n, nights[n % len(nights)], interval_s, whim_of(n)) for n in numbers]
        settings = Broker(host="127.0.0.1", port=port)
        self._couriers = [
            BrokerCourier(settings, b.device, lambda content: 1, None, "0.4.0") for b in self.boards
        ]
        self._interval_s = interval_s
        self._said = None if said is None else os.open(said, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
        self.ticks = 0
        self.late_s = 0.0

    def run(self, seconds: float, until: threading.Event) -> Iterator[None]:
        """Tick for so long; yields about each five seconds."""
        chance, began_s = random.Random(1), time.monotonic()
        due = [(began_s + chance.uniform(0, min(5.0, self._interval_s)), i) for i in range(len(self.boards))]
        heapq.heapify(due)
        for courier in self._couriers:
            courier.start()
        report_s = began_s + 5
        while (now_s := time.monotonic()) < began_s + seconds and not until.is_set():
            at_s, i = due[0]
            if at_s > now_s:
                until.wait(min(at_s - now_s, 1.0))
                continue
            self._tick(i, now_s - at_s)
            heapq.heapreplace(due, (at_s + self._interval_s, i))
            if now_s > report_s:
                report_s = now_s + 5
                yield
        yield

    def _tick(self, i: int, late_s: float) -> None:
        status = self.boards[i].status()
        if self._said is not None:
            core = msgspec.structs.replace(core_of(status), fan=FanNow(), plan=None)
            line = [self.boards[i].device, encode_status(core).decode()]
            os.write(self._said, json.dumps(line).encode() + b"\n")
        self._couriers[i].publish(status)
        self.ticks += 1
        self.late_s = max(self.late_s, late_s)

    def stop(self) -> None:
        """Each says `disconnected` and ends; all at once."""
        threads = [threading.Thread(target=courier.stop) for courier in self._couriers]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()


def main() -> None:
    """Run boards until the time is over or standard input closes."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--port", type=int, required=True)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--boards", type=int, default=10)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--interval", type=float, default=STEP_S)
    parser.add_argument("--said", type=Path)
    asked = parser.parse_args()
    numbers = range(asked.first, asked.first + min(asked.boards, MOST_IN_A_PROCESS))
    fleet, over = Fleet(asked.port, numbers, asked.interval, asked.said), threading.Event()
    threading.Thread(target=lambda: (sys.stdin.read(), over.set()), daemon=True).start()
    for _ in fleet.run(min(asked.seconds, 3600.0), over):
        print(json.dumps([fleet.ticks, round(fleet.late_s, 3), round(time.process_time(), 2)]), flush=True)
    fleet.stop()


if __name__ == "__main__":
    main()
