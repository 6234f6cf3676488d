"""A board with 1-Wire probes on a tree as the kernel lays it out, for tests of faults: the daemon's heart on
a clock that jumps (`Bench`), or the real daemon as a process, its wall clock moved if wanted (`Board`)."""

from __future__ import annotations

import math
import os
import sqlite3
import subprocess
import threading
from collections.abc import Mapping
from pathlib import Path

from real_daemon import Process, status_in
from sysfs_tree import W1Tree, converter, thermometer

from probe_agent.agent import Agent, plan_from_settings
from probe_agent.clock import Clock, SimulatedClock
from probe_agent.config import Settings, parse_settings
from probe_agent.migrations import migrate
from probe_agent.probes.one_wire import OneWireSource
from probe_agent.readings import Fault, Forecast
from probe_agent.status import Status
from probe_agent.store import Batch, Store

PROBES = {
    "sump": "28-00000a000001",
    "cyl-1": "3b-00000b000001",
    "cyl-2": "3b-00000b000002",
    "case-nose": "3b-00000b000003",
    "ambient": "28-00000a000002",
}
METAL = ("sump", "cyl-1", "cyl-2", "case-nose")
START_UTC = 1_800_000_000.0
STEP_S = 15.0


def settings_text(tree: W1Tree, folder: Path, interval_s: float = STEP_S, more: str = "") -> str:
    """The Magpie with five probes on the tree's buses, its data in the folder."""
    places = "".join(f'[[places]]\nname = "{p}"\nrequired = {str(p in METAL).lower()}\n' for p in PROBES)
    probes = "".join(f'[[probes]]\nplace = "{p}"\naddress = "{a}"\n' for p, a in PROBES.items())
    return f"""
[aircraft]
name = "Magpie"
zone = "UTC"
[limits]
need_below_c = -1.0
target_c = 7.0
[one_wire]
directory = "{tree.directory}"
deadline_s = 2.0
[sampling]
interval_s = {interval_s}
[store]
file = "{folder}/probe-agent.db"
runtime_dir = "{folder}"
{places}{probes}
[[setups]]
name = "winter"
heater = "pads-and-bands"
watts = 650
cover = true
cowl_plugs = true
{more}
"""


def put(tree: W1Tree, values_c: Mapping[str, float], bus: int = 1) -> None:
    """The places' probes read so."""
    for place, c in values_c.items():
        address = PROBES[place]
        tree.put(address, thermometer(c) if address[:2] == "28" else converter(c, 5.0), bus)


def evenly(c: float, air_c: float = -10.0) -> dict[str, float]:
    """The whole engine at one temperature."""
    return {**dict.fromkeys(METAL, c), "ambient": air_c}


class Bench:
    """The daemon's heart on the tree, ticking as told. thinks: with its physics, which costs most of a tick;
    else no forecast is made, and all the rest is as it is."""

    def __init__(self, folder: Path, clock: Clock | None = None, thinks: bool = False) -> None:
        self.tree = W1Tree(folder / "board")
        self.settings: Settings = parse_settings(settings_text(self.tree, folder).encode(), "test.toml")
        file = Path(self.settings.store.file)
        migrate(file)
        self.clock = clock or SimulatedClock(START_UTC, math.inf)
        probes = self.settings.probes
        self.source = OneWireSource(
            self.tree.directory,
            expected=[p.address for p in probes],
            thermocouples={p.address: p.thermocouple for p in probes},
            deadline_s=2.0,
        )
        plan = plan_from_settings(self.settings)
        self.agent = Agent(self.settings, plan, self.clock, [self.source], Store(file))
        if not thinks:
            self.agent._physics.see = lambda obs: Forecast(obs.t_s)  # type: ignore[method-assign]

    def __enter__(self) -> Bench:
        return self

    def __exit__(self, *_: object) -> None:
        self.agent._finish()
        self.agent.store.close()

    def tick(self, times: int = 1, step_s: float = STEP_S) -> Status:
        """The status after so many ticks."""
        for _ in range(times):
            self.clock.wait_until(self.clock.monotonic() + step_s, threading.Event())
            self.agent.tick()
        assert self.agent.status is not None
        return self.agent.status

    def statuses(self) -> dict[str, str]:
        """What is said of each place."""
        assert self.agent.status is not None
        return {p.place: p.status for p in self.agent.status.probes}

    @property
    def is_warm(self) -> bool:
        """Whether the engine counts as above target, or is said to be."""
        assert self.agent.status is not None
        return self.agent._watch.above or self.agent.status.state in ("above-target", "ready")

    def stored(self, place: str) -> list[tuple[float | None, float | None, str | None]]:
        """(raw, value, fault) of a place in the record, in order."""
        self.agent._write(Batch(), self.clock.monotonic(), force=True)
        db = sqlite3.connect(self.agent.store.path)
        try:
            return db.execute(
                "SELECT raw_mc / 1000.0, value_mc / 1000.0, fault FROM readings JOIN places USING (place)"
                " WHERE name = ? ORDER BY tick",
                (place,),
            ).fetchall()
        finally:
            db.close()


def why(status: Status, place: str) -> Fault | str:
    """What is said of one place."""
    return next(p.status for p in status.probes if p.place == place)


class MovedClock:
    """The wall clock of a process as libfaketime shows it; the monotonic one stays the machine's."""

    def __init__(self, folder: Path) -> None:
        self._file = folder / "clock"
        self.right()

    def at(self, when: str) -> None:
        """It shows an instant (UTC) now, and goes on from there."""
        self._write(f"@{when}")

    def off(self, by_s: float) -> None:
        """It is off by so much."""
        self._write(f"{by_s:+.0f}")

    def right(self) -> None:
        self._write("+0")

    def _write(self, text: str) -> None:
        new = self._file.with_suffix(".new")
        new.write_text(text + "\n", "ascii")
        new.replace(self._file)

    @property
    def environment(self) -> dict[str, str]:
        """What a process needs to see it."""
        return {
            "LD_PRELOAD": _library(),
            "FAKETIME_TIMESTAMP_FILE": str(self._file),
            "FAKETIME_NO_CACHE": "1",
            "FAKETIME_DONT_FAKE_MONOTONIC": "1",
            "TZ": "UTC",
        }


def _library() -> str:
    found = subprocess.run(["dpkg", "-L", "libfaketime"], capture_output=True, text=True, check=True).stdout
    return next(line for line in found.split() if line.endswith("libfaketimeMT.so.1"))


class Board:
    """Context manager: the real daemon on the tree. interval_s: at least 5."""

    def __init__(self, folder: Path, more: str = "", clock: MovedClock | None = None) -> None:
        self.folder, self.clock = folder, clock
        self.tree = W1Tree(folder / "board")
        self.file = folder / "settings.toml"
        self.file.write_text(settings_text(self.tree, folder, 5.0, more), "utf-8")

    def __enter__(self) -> Board:
        self.begin()
        return self

    def begin(self) -> None:
        """The daemon is started."""
        env = self.clock.environment if self.clock is not None else {}
        arguments = ("run", "--settings", str(self.file), "-v")
        self.daemon = Process("probe_agent.cli", *arguments, log=self.folder / "log", env=env)

    def __exit__(self, *_: object) -> None:
        self.daemon.end()

    def status(self) -> Status:
        found = status_in(self.folder)
        assert found is not None, self.log()
        return found

    def next(self, ticks: int = 1, timeout_s: float = 40.0) -> Status:
        """The status so many ticks from now."""
        for _ in range(ticks):
            before = status_in(self.folder)
            seen_s = -1.0 if before is None else before.run.t_s

            def is_later(seen_s: float = seen_s) -> bool:
                now = status_in(self.folder)
                return now is not None and now.run.t_s > seen_s

            self.daemon.wait_for(is_later, timeout_s)
        return self.status()

    def cpu_s(self) -> float:
        """Processor time of the daemon so far."""
        fields = Path(f"/proc/{self.daemon.process.pid}/stat").read_text("ascii").rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def rss_kb(self) -> int:
        text = Path(f"/proc/{self.daemon.process.pid}/status").read_text("ascii")
        return int(text.partition("VmRSS:")[2].split()[0])

    def log(self) -> str:
        return (self.folder / "log").read_text("utf-8")

    def sql(self, text: str) -> list[tuple[object, ...]]:
        db = sqlite3.connect(self.folder / "probe-agent.db", timeout=10)
        try:
            return db.execute(text).fetchall()
        finally:
            db.close()
