"""E7: the service manager's watchdog is kicked only while every thread of the daemon comes round."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent.parent))

from one_thread import stopped
from real_broker import RealBroker
from real_daemon import ROOT, status_in, write_settings

from probe_agent import pulse

KICK_S = 0.3
THREADS = {
    "MainThread": "sampling",
    "commands": "commands",
    "scribe": "record",
    "broker": "broker",
    "messages pilot": "messages to pilot",
}
"""The daemon's threads, and what the service manager is told where one hangs."""


class Manager:
    """What a service manager hears: a real datagram socket, its lines."""

    def __init__(self, folder: Path) -> None:
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.address = str(folder / "notify")
        self.socket.bind(self.address)
        self.socket.settimeout(0.05)

    def hear(self, span_s: float) -> list[list[str]]:
        """All that comes within so many seconds."""
        found, until_s = [], time.monotonic() + span_s
        while time.monotonic() < until_s:
            try:
                found.append(self.socket.recv(4096).decode().split("\n"))
            except TimeoutError:
                continue
        return found

    def wait_for(self, line: str, timeout_s: float) -> list[str]:
        """The first datagram with a line that begins so."""
        until_s = time.monotonic() + timeout_s
        while time.monotonic() < until_s:
            for lines in self.hear(0.1):
                if any(said.startswith(line) for said in lines):
                    return lines
        raise AssertionError(f"nothing began with {line} within {timeout_s:.0f} s")


@contextmanager
def watched(
    folder: Path, spans: tuple[float, float, float], kick_s: float = KICK_S
) -> Iterator[tuple[Manager, int]]:
    """The daemon with broker and messages under a service manager: what it hears, and the process."""
    manager = Manager(folder)
    with RealBroker(folder) as broker:
        tables = f'[broker]\nhost = "127.0.0.1"\nport = {broker.port}\n[[recipients]]\nname = "pilot"\n'
        tables += 'address = "json://127.0.0.1:9/"\n[messages]\nretry_s = 0.5\ntimeout_s = 1\n'
        settings = write_settings(folder, tables, interval_s=5.0)
        env = {
            **os.environ,
            "PYTHONPATH": f"{ROOT}{os.pathsep}{ROOT / 'tests'}",
            "NOTIFY_SOCKET": manager.address,
            "WATCHDOG_USEC": str(round(kick_s * 3e6)),
        }
        script = [sys.executable, str(ROOT / "tests" / "watched_daemon.py"), str(settings), *map(str, spans)]
        with (folder / "log").open("w") as log:
            daemon = subprocess.Popen(script, env=env, stdout=log, stderr=log, cwd=folder)
            try:
                yield manager, daemon.pid
                daemon.send_signal(signal.SIGTERM)
                assert daemon.wait(20) == 0, (folder / "log").read_text("utf-8")
            finally:
                daemon.kill()
                daemon.wait(10)
                manager.socket.close()


def threads_of(folder: Path, pid: int) -> dict[str, int]:
    """Kernel ids of the daemon's threads, by name, once all of them run."""
    until_s, pause, file = time.monotonic() + 20, threading.Event(), folder / "threads"
    found: dict[str, int] = {}
    while not THREADS.keys() <= found.keys():
        assert time.monotonic() < until_s, found
        os.kill(pid, signal.SIGUSR1)
        pause.wait(0.1)
        found = json.loads(file.read_text("utf-8")) if file.exists() else {}
    return found


def hangs(manager: Manager, thread: int, named: str, within_s: float) -> None:
    """With this thread stopped the kicks end within so many seconds, and begin again once it goes on."""
    until_s = time.monotonic() + 60
    while not hangs_alone(manager, thread, named, within_s):
        assert time.monotonic() < until_s, "it was never stopped without the interpreter's lock"
    manager.wait_for("WATCHDOG=1", 20)


def hangs_alone(manager: Manager, thread: int, named: str, within_s: float) -> bool:
    """False where it was stopped with the interpreter's lock in its hand, so that nothing at all is heard."""
    with stopped(thread):
        manager.hear(0.1)
        if not manager.hear(4 * KICK_S):
            return False
        assert "WATCHDOG=1" not in manager.wait_for(f"STATUS=Hangs: {named}.", within_s + 5)
        later = manager.hear(4 * KICK_S)
        assert later
        assert all("WATCHDOG=1" not in lines for lines in later)
    return True


def each_hangs(folder: Path, spans: tuple[float, float, float], names: tuple[str, ...]) -> None:
    tick_s, store_s, network_s = spans
    within = {"MainThread": tick_s, "commands": store_s, "scribe": store_s + 6}  # quiet, it writes each 5 s
    with watched(folder, spans) as (manager, pid):
        up = manager.wait_for("READY=1", 30)
        assert "WATCHDOG=1" in "\n".join(up + manager.wait_for("WATCHDOG=1", 5))
        threads = threads_of(folder, pid)
        for name in names:
            hangs(manager, threads[name], THREADS[name], within.get(name, network_s + 6))
    log = (folder / "log").read_text("utf-8")
    assert all(f"{THREADS[name]} hangs" in log for name in names)


def test_one_thread_that_hangs_ends_the_kicks(tmp_path: Path) -> None:
    each_hangs(tmp_path, (3.0, 3.0, 5.0), tuple(THREADS))


@pytest.mark.long
@pytest.mark.parametrize("name", ["MainThread", "commands", "broker"])
def test_one_thread_that_hangs_ends_the_kicks_in_the_time_of_a_board(tmp_path: Path, name: str) -> None:
    each_hangs(tmp_path, (pulse.TICK_S, pulse.STORE_S, pulse.NETWORK_S), (name,))


def test_a_manager_that_hears_nothing_holds_up_no_tick(tmp_path: Path) -> None:
    """Its socket is full: nobody reads. The daemon ticks on, and ends when it is asked to."""
    with watched(tmp_path, (30.0, 30.0, 30.0), kick_s=0.002) as (manager, pid):
        manager.wait_for("READY=1", 30)
        threads_of(tmp_path, pid)
        filled_s, pause = time.monotonic(), threading.Event()
        while is_writable(manager.address):
            assert time.monotonic() < filled_s + 20
            pause.wait(0.02)
        first = status_in(tmp_path)
        assert first is not None
        until_s = time.monotonic() + 10
        while (now := status_in(tmp_path)) is None or now.run.t_s < first.run.t_s + 50:  # ten ticks
            assert time.monotonic() < until_s
            pause.wait(0.02)


def is_writable(address: str) -> bool:
    """Whether another datagram has room at that socket."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as probe:
        probe.setblocking(False)
        try:
            probe.sendto(b"STATUS=", address)
        except BlockingIOError:
            return False
    return True
