"""What it costs the board: days of the daemon as it runs, its clock jumping; and how it starts.

    python -m tests.bench.board            two simulated days, 15 s, 8 probes, a 5-hour heat-up a day, MQTT on
    python -m tests.bench.board --days 30 --heat-every 3
    python -m tests.bench.board --start    import time, first stored reading after start, memory, real time:
                                           each figure as it is measured, memory after three minutes of life
                                           (--settle 20: after so many seconds)

The store lies on an ext4 image (4 KB blocks) mounted through a loop device; each commit is synced by SQLite
(synchronous=FULL) and, with --sync-all, by a sync of the whole machine besides. Device bytes are the sectors
the kernel counts as written to that loop device, journal and nightly copy included, after a sync. The status
document goes elsewhere, as its place on a board is in memory.
Needs root, e2fsprogs, mosquitto. A day takes some three minutes.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import math
import os
import resource
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from urllib.request import urlopen

import msgspec

DAY_S = 86_400.0
TICK_S = 15.0
IMAGE_MB, IMAGE_MB_A_DAY = 256, 16
SECTOR = 512
POLLS = 1000
_NO_LATER_WRITES = "lazy_itable_init=0,lazy_journal_init=0"  # else the kernel zeroes tables meanwhile
HEAT_FROM_S, HEAT_FOR_S = 2 * 3600.0, 5 * 3600.0


@contextlib.contextmanager
def loop_ext4(folder: Path, size_mb: int = IMAGE_MB) -> Iterator[tuple[Path, Path]]:
    """An empty ext4 file system on a loop device: where it is mounted, and its device's statistics."""
    image, mount = folder / "card.img", folder / "card"
    mount.mkdir()
    with image.open("wb") as file:
        file.truncate(size_mb * 1_000_000)
    subprocess.run(["mkfs.ext4", "-q", "-b", "4096", "-E", _NO_LATER_WRITES, str(image)], check=True)
    device = subprocess.run(
        ["losetup", "--find", "--show", str(image)], check=True, capture_output=True, text=True
    ).stdout.strip()
    try:
        subprocess.run(["mount", device, str(mount)], check=True)
        try:
            yield mount, Path("/sys/block") / Path(device).name / "stat"
        finally:
            subprocess.run(["umount", str(mount)], check=True)
    finally:
        subprocess.run(["losetup", "-d", device], check=True)


def written_bytes(stat: Path) -> int:
    """Bytes written to the device so far (sectors of 512: kernel documentation, block/stat)."""
    os.sync()
    return int(stat.read_text("ascii").split()[6]) * SECTOR


def own_writes() -> int:
    """Bytes this process had sent to storage so far (proc_pid_io(5), write_bytes)."""
    lines = Path("/proc/self/io").read_text("ascii").splitlines()
    return int(dict(line.split(": ") for line in lines)["write_bytes"])


def status_folder() -> Path:
    """A folder in memory for the status document, as on a board."""
    return Path(tempfile.mkdtemp(prefix="probe-agent-", dir="/dev/shm"))


def resident_mb(process: int | str = "self") -> float:
    """A process's resident memory [MB]."""
    return int(Path(f"/proc/{process}/statm").read_text("ascii").split()[1]) * resource.getpagesize() / 1e6


def watch_days(
    folder: Path, stat: Path, port: int, days: int, every: int, sync_all: bool
) -> dict[str, object]:
    """Run the daemon for so many simulated days in this process and return what each of them cost."""
    from probe_agent import broker
    from probe_agent.agent import Agent, plan_from_settings
    from probe_agent.cli import demo_settings
    from probe_agent.clock import SimulatedClock
    from probe_agent.engine_sim import (
        Day,
        EngineDesign,
        Event,
        Happening,
        ProbeDesign,
        Profile,
        SetupDesign,
        SimulatedEngine,
    )
    from probe_agent.export import Exporter
    from probe_agent.maintenance import back_up
    from probe_agent.probes.simulated import SimulatedSource
    from probe_agent.readings import Scan
    from probe_agent.store import Batch, Store

    class TimedSource(SimulatedSource):
        """Counts the processor time of the simulated engine, which no board has to bear."""

        spent_s = 0.0

        def read(self, now_s: float) -> Scan:
            began_s = time.thread_time()
            try:
                return super().read(now_s)
            finally:
                TimedSource.spent_s += time.thread_time() - began_s

    class SyncedStore(Store):
        """Counts commits; with sync_all the whole machine is synced after each."""

        commits = 0

        def commit(self, batch: Batch | None = None) -> None:
            super().commit(batch)
            if sync_all:
                os.sync()
            SyncedStore.commits += 1

    broker.ROUND_EVERY_S = 0.0
    broker._PUMP_S = 0.002  # a jumping clock does not wait for the next look
    settings = demo_settings(folder)
    settings = msgspec.structs.replace(
        settings,
        broker=msgspec.structs.replace(settings.broker, host="127.0.0.1", port=port),
        store=msgspec.structs.replace(settings.store, runtime_dir=str(status_folder())),
    )
    hours = [h * 3600.0 for h in range(0, 24 * days + 1, 3)]
    weather = Day(
        ambient_c=Profile(tuple(hours), tuple(-8 + 5 * math.sin(h / 13_751) for h in hours)),
        wind_m_s=Profile.constant(2.0),
    )
    switching = tuple(
        event
        for day in range(0, days, every)
        for event in (
            Event(day * DAY_S + HEAT_FROM_S, Happening.HEATER_ON, value=1.0),
            Event(day * DAY_S + HEAT_FROM_S + HEAT_FOR_S, Happening.HEATER_OFF),
        )
    )
    probes = tuple(ProbeDesign(p.name) for p in settings.places)
    setup = SetupDesign("pads-and-bands", 600.0, cover=True, plugs=True)
    engine = SimulatedEngine(EngineDesign.nominal(), setup, weather, probes, switching, seed=3)
    file = Path(settings.store.file)
    subprocess.run([sys.executable, "-m", "probe_agent.migrations", str(file)], check=True)
    store = SyncedStore(file)
    courier = broker.BrokerCourier(settings.broker, "magpie", lambda content: 1, None, "bench")
    clock = SimulatedClock(1_800_000_000.0)
    source = TimedSource(engine)
    plan, exporter = plan_from_settings(settings), Exporter(file)
    agent = Agent(settings, plan, clock, [source], store, courier, then=exporter.follow)
    courier.start()
    never = threading.Event()
    cost: list[dict[str, object]] = []
    for day in range(days):
        start_cpu, start_bytes, start_commits = time.process_time(), written_bytes(stat), store.commits
        start_engine, start_io = TimedSource.spent_s, own_writes()
        ticks: list[float] = []
        while clock.monotonic() < (day + 1) * DAY_S:
            clock.wait_until(clock.monotonic() + TICK_S, never)
            began = time.perf_counter()
            agent.tick()
            ticks.append(time.perf_counter() - began)
            deadline = time.monotonic() + 2.0
            while courier._round_of is not courier._latest[0] and time.monotonic() < deadline:  # type: ignore[index]
                never.wait(0.002)
        back_up(file)
        ticks.sort()
        cost.append(
            {
                "day": day + 1,
                "cpu_s": round(time.process_time() - start_cpu, 1),
                "engine_s": round(TimedSource.spent_s - start_engine, 1),
                "own_writes_mb": round((own_writes() - start_io) / 1e6, 2),
                "device_mb": round((written_bytes(stat) - start_bytes) / 1e6, 2),
                "commits": store.commits - start_commits,
                "resident_mb": round(resident_mb(), 1),
                "tick_ms_median": round(ticks[len(ticks) // 2] * 1000, 1),
                "tick_ms_95": round(ticks[int(0.95 * len(ticks))] * 1000, 1),
            }
        )
        print(json.dumps(cost[-1]), flush=True)
    agent._finish()
    stored = store._db.execute("SELECT count(*) FROM readings").fetchone()[0]
    whole = sum(float(c["device_mb"]) for c in cost)  # type: ignore[arg-type]
    heatups = store._db.execute("SELECT started, above, ready, off, end_reason FROM heatups_utc").fetchall()
    store.close()
    return {
        "readings": stored,
        "device_kb_a_reading": round(whole * 1e3 / stored, 3),
        "store_mb": round(file.stat().st_size / 1e6, 2),
        "heatups": heatups,
    }


def import_s(room: str) -> float:
    """Processor time of a fresh interpreter that imports a room [s]."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
    subprocess.run([sys.executable, "-c", f"import {room}"], check=True, env=environment)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def cpu_s(process: int) -> float:
    """Processor time of a process so far, its ended children's included [s] (proc_pid_stat(5))."""
    fields = Path(f"/proc/{process}/stat").read_text("ascii").rpartition(")")[2].split()
    return sum(map(int, fields[11:15])) / os.sysconf("SC_CLK_TCK")


def start_figures(folder: Path, settle_s: float) -> Iterator[tuple[str, float]]:
    """A daemon and a page started on real time in the environment of their units: what imports take, when the
    first reading is stored [s], and what is resident [MB] settle_s later, each page looked at once."""
    from real_broker import RealBroker, free_port
    from real_daemon import Process, of_the_unit, write_settings

    for room in ("probe_agent.agent", "probe_agent.cli", "web.app"):
        yield f"import {room}, s of processor time", import_s(room)
    with RealBroker(folder) as broker:
        more = f'[broker]\nhost = "127.0.0.1"\nport = {broker.port}\n'
        arguments = ("--settings", str(write_settings(folder, more, TICK_S)))
        run, serve = ("try", *arguments, "--speed", "1"), (*arguments, "--port", str(port := free_port()))
        began_s = time.monotonic()
        with (
            Process("probe_agent.cli", *run, log=folder / "log", env=of_the_unit("probe-agent")) as daemon,
            Process("web.serve", *serve, log=folder / "page", env=of_the_unit("probe-agent-web")) as page,
        ):
            daemon.wait_for(lambda: stored_readings(folder / "probe-agent.db") > 0)
            yield "first stored reading, s after the start", time.monotonic() - began_s
            yield "daemon's processor time until then, s", cpu_s(daemon.process.pid)
            page.wait_for(lambda: "Page:" in (folder / "page").read_text("utf-8"))
            before_s = cpu_s(daemon.process.pid), cpu_s(page.process.pid)
            threading.Event().wait(settle_s)
            days = settle_s / DAY_S
            yield "daemon, s of processor time a day", (cpu_s(daemon.process.pid) - before_s[0]) / days
            yield "page nobody looks at, s a day", (cpu_s(page.process.pid) - before_s[1]) / days
            before = cpu_s(page.process.pid)
            for _ in range(POLLS):
                urlopen(f"http://127.0.0.1:{port}/api/status", timeout=30).close()
            yield "page, ms of processor time a poll", (cpu_s(page.process.pid) - before) / POLLS * 1e3
            for path in ("/", "/api/status", "/hand", "/record", "/why", "/calibrate", "/curves"):
                urlopen(f"http://127.0.0.1:{port}{path}", timeout=30).close()
            yield "daemon, MB resident", resident_mb(daemon.process.pid)
            yield "page, MB resident", resident_mb(page.process.pid)


def stored_readings(store: Path) -> int:
    """How many a viewer finds; 0 before there is a store."""
    try:
        db = sqlite3.connect(f"file:{store}?mode=ro", uri=True)
        try:
            return int(db.execute("SELECT count(*) FROM readings").fetchone()[0])
        finally:
            db.close()
    except sqlite3.OperationalError:
        return 0


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--days", type=int, default=2)
    parser.add_argument("--heat-every", type=int, default=1, help="days from one heat-up to the next")
    parser.add_argument("--start", action="store_true", help="measure a start on real time instead")
    parser.add_argument(
        "--settle", type=float, default=180.0, help="with --start: life before memory is read [s]"
    )
    parser.add_argument("--sync-all", action="store_true", help="sync the machine after each commit")
    parser.add_argument("--inside", nargs=3, metavar=("FOLDER", "STAT", "PORT"), help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.inside:
        folder, stat, port = asked.inside
        cost = watch_days(Path(folder), Path(stat), int(port), asked.days, asked.heat_every, asked.sync_all)
        print(json.dumps(cost), flush=True)
        return
    sys.path.insert(0, str(Path(__file__).parents[1]))
    from real_broker import RealBroker
    from real_daemon import of_the_unit

    if asked.start:
        with tempfile.TemporaryDirectory() as name:
            for what, value in start_figures(Path(name), asked.settle):
                print(f"{value:8.2f}  {what}", flush=True)
        return
    with (
        tempfile.TemporaryDirectory() as name,
        RealBroker(Path(name)) as broker,
        loop_ext4(Path(name), IMAGE_MB + asked.days * IMAGE_MB_A_DAY) as (mount, stat),
    ):
        more = ["--sync-all"] if asked.sync_all else []
        more += ["--days", str(asked.days), "--heat-every", str(asked.heat_every)]
        arguments = [*more, "--inside", str(mount), str(stat), str(broker.port)]
        environment = {**os.environ, **of_the_unit("probe-agent")}
        subprocess.run([sys.executable, "-m", "tests.bench.board", *arguments], check=True, env=environment)


if __name__ == "__main__":
    main()
