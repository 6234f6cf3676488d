"""The real daemon, a real broker and a plug: whatever happens to the daemon, the plug goes off in time."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent.parent))

from real_broker import MOSQUITTO, RealBroker, publish_once, retained_on
from real_daemon import ROOT, status_in
from real_plug import RealPlug
from scripted import SETTINGS

from probe_agent.config import load_settings
from probe_agent.migrations import migrate
from probe_agent.store import Store, ask, await_answer
from probe_agent.switchman import LastTest, print_of

pytestmark = pytest.mark.skipif(not MOSQUITTO, reason="needs mosquitto")

OFF_WITHIN_S = 60.0
SWITCH = """
[store]
file = "{folder}/probe-agent.db"
runtime_dir = "{folder}"
[sampling]
interval_s = 5
[broker]
host = "127.0.0.1"
port = {port}
[switch]
manual_allows_unattended = true
timer_s = {timer_s}
command_topic = "plug/set"
state_topic = "plug/state"
power_topic = "plug/power"
power_pointer = "/meter/w"
power_every_s = 5
"""


class Daemon:
    """The daemon's process."""

    def __init__(self, folder: Path, settings: Path) -> None:
        self.folder = folder
        self._log = (folder / "log").open("ab")
        self._began_s = time.monotonic()
        path = f"{ROOT}{os.pathsep}{ROOT / 'tests'}"
        self.process = subprocess.Popen(
            [sys.executable, str(ROOT / "tests" / "plug_daemon.py"), str(settings)],
            stdout=self._log,
            stderr=self._log,
            env={**os.environ, "PYTHONPATH": path},
        )

    def signal(self, number: int) -> None:
        self.process.send_signal(number)

    def end(self) -> None:
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGCONT)
            self.process.kill()
        self.process.wait(10)
        self._log.close()

    def wait_for_line(self) -> None:
        """Wait until it has measured and has heard the plug."""
        deadline, pause = time.monotonic() + 40, threading.Event()
        while True:
            status = status_in(self.folder)
            fresh = status is not None and status.run.mono_s > self._began_s
            plug = status.plug if status is not None and fresh else None
            if plug is not None and plug.says != "away" and plug.power_w is not None:
                return
            assert self.process.poll() is None, (self.folder / "log").read_text("utf-8")
            assert time.monotonic() < deadline, (self.folder / "log").read_text("utf-8")
            pause.wait(0.05)

    def ask(self, kind: str, **body: object) -> tuple[bool, str]:
        file = self.folder / "probe-agent.db"
        answer = await_answer(file, ask(file, kind, body), 20.0)
        assert answer is not None, (self.folder / "log").read_text("utf-8")
        told = json.loads(answer)
        return bool(told["ok"]), str(told["text"])


@contextmanager
def hangar(
    folder: Path, timer_s: int = 300, tested: bool = True
) -> Iterator[tuple[RealBroker, RealPlug, Daemon]]:
    """Broker, plug and a daemon that has measured."""
    with RealBroker(folder) as broker:
        settings = folder / "settings.toml"
        settings.write_text(
            SETTINGS + SWITCH.format(folder=folder, port=broker.port, timer_s=timer_s), "utf-8"
        )
        migrate(folder / "probe-agent.db")
        if tested:
            pass_test(folder, settings)
        with RealPlug(broker.port, timer_s) as plug:
            daemon = Daemon(folder, settings)
            try:
                daemon.wait_for_line()
                yield broker, plug, daemon
            finally:
                daemon.end()


def pass_test(folder: Path, settings: Path) -> None:
    """The record of a test of the plug's timer that was passed."""
    store = Store(folder / "probe-agent.db")
    done = LastTest(time.time(), print_of(load_settings(settings)), True, 60.0)
    store.keep("plug-timer-tested", json.dumps({**{f: getattr(done, f) for f in done.__struct_fields__}}))
    store.close()


def switch_on(plug: RealPlug, daemon: Daemon) -> None:
    done, text = daemon.ask("switch-on")
    assert done, text
    plug.wait_for(True, 20)


def stop(daemon: Daemon) -> None:
    daemon.signal(signal.SIGSTOP)


def kill(daemon: Daemon) -> None:
    daemon.signal(signal.SIGKILL)


def hang(daemon: Daemon) -> None:
    daemon.signal(signal.SIGUSR1)


def end(daemon: Daemon) -> None:
    daemon.signal(signal.SIGTERM)


def lose_place(daemon: Daemon) -> None:
    daemon.signal(signal.SIGUSR2)


@pytest.mark.parametrize("fault", [stop, kill, hang, end, lose_place])
def test_the_plug_goes_off_in_time(tmp_path: Path, fault: object) -> None:
    with hangar(tmp_path) as (_, plug, daemon):
        switch_on(plug, daemon)
        fault(daemon)  # type: ignore[operator]
        took_s = plug.wait_for(False, OFF_WITHIN_S)
        print(f"\n{getattr(fault, '__name__', '')}: off after {took_s:.1f} s")
        heard = len(plug.commands)
        if fault is stop:
            daemon.signal(signal.SIGCONT)
            plug.wait_for_command(b"off", heard, 60)  # it is back, and what it says is off
            assert not plug.plug.on
            assert all(payload == b"off" for _, payload, _ in plug.commands[heard:])


def test_the_daemons_start_says_off_and_clears_what_is_retained(tmp_path: Path) -> None:
    with hangar(tmp_path) as (broker, plug, daemon):
        kill(daemon)
        daemon.process.wait(10)
        plug.press()
        publish_once(broker.port, "plug/set", b"on", retain=True)
        assert "plug/set" in retained_on(broker.port, "plug/set")
        again = Daemon(tmp_path, tmp_path / "settings.toml")
        try:
            plug.wait_for(False, 40)
            again.wait_for_line()
            assert "plug/set" not in retained_on(broker.port, "plug/set")
            status = status_in(tmp_path)
            assert status is not None
            assert any("A retained command was found at plug/set" in note for note in status.notes)
        finally:
            again.end()


def test_a_press_left_over_from_before_a_restart_is_not_carried_out(tmp_path: Path) -> None:
    with hangar(tmp_path) as (_, plug, daemon):
        kill(daemon)
        daemon.process.wait(10)
        command = ask(tmp_path / "probe-agent.db", "switch-on", {}, 120.0)
        again = Daemon(tmp_path, tmp_path / "settings.toml")
        try:
            again.wait_for_line()
            answer = await_answer(tmp_path / "probe-agent.db", command, 30)
            assert answer is not None
            assert json.loads(answer)["ok"] is False
            assert all(payload == b"off" for _, payload, _ in plug.commands)
        finally:
            again.end()


def test_off_and_the_lock_are_heard_at_once(tmp_path: Path) -> None:
    with hangar(tmp_path) as (_, plug, daemon):
        switch_on(plug, daemon)
        assert daemon.ask("switch-off")[0]
        assert plug.wait_for(False, 5) < 5
        switch_on(plug, daemon)
        assert daemon.ask("switch-lock")[0]
        plug.wait_for(False, 5)
        done, text = daemon.ask("switch-on")
        assert not done
        assert "someone is at the aircraft" in text
        assert not daemon.ask("switch-unlock")[0]
        assert daemon.ask("switch-unlock", nobody_there=True)[0]


def test_the_plugs_own_button_is_a_word_too(tmp_path: Path) -> None:
    with hangar(tmp_path) as (_, plug, daemon):
        switch_on(plug, daemon)
        plug.press()
        plug.wait_for(False, 5)
        heard = len(plug.commands)
        plug.wait_for_command(b"off", heard, 40)
        assert not plug.plug.on


@pytest.mark.long
def test_without_the_broker_the_plugs_timer_ends_it_and_nothing_is_replayed(tmp_path: Path) -> None:
    with hangar(tmp_path, timer_s=60) as (broker, plug, daemon):
        switch_on(plug, daemon)
        broker.kill()
        assert plug.wait_for(False, 65) <= 62
        broker.start()
        heard = len(plug.commands)
        plug.wait_for_command(b"off", heard, 60)
        assert all(payload == b"off" for _, payload, _ in plug.commands[heard:])


@pytest.mark.long
@pytest.mark.parametrize("has_timer", [True, False])
def test_the_plugs_timer_is_tested_before_anything_is_switched(tmp_path: Path, has_timer: bool) -> None:
    with hangar(tmp_path, timer_s=60, tested=False) as (_, plug, daemon):
        plug.plug.has_timer = has_timer
        done, text = daemon.ask("switch-on")
        assert not done
        assert "test-plug-timer" in text
        assert not daemon.ask("test-plug-timer")[0]
        assert daemon.ask("test-plug-timer", at_the_plug=True)[0]
        plug.wait_for(True, 20)
        heard = len(plug.commands)
        took_s = plug.wait_for(False, 100)
        if has_timer:
            assert 55 < took_s < 62
            assert all(payload == b"off" for _, payload, _ in plug.commands[heard:])
        deadline, pause = time.monotonic() + 60, threading.Event()
        while (
            (status := status_in(tmp_path)) is None or status.plug is None or status.plug.wanted is not None
        ):
            assert time.monotonic() < deadline
            pause.wait(0.1)
        assert status.plug.tested is has_timer
        assert status.plug.test_failed == (None if has_timer else "stays-on")
        assert daemon.ask("switch-on")[0] is has_timer


def kept(folder: Path, name: str) -> str | None:
    db = sqlite3.connect(folder / "probe-agent.db")
    row = db.execute("SELECT value FROM kept WHERE name = ?", (name,)).fetchone()
    db.close()
    return None if row is None else str(row[0])


def test_a_lock_outlives_a_restart(tmp_path: Path) -> None:
    with hangar(tmp_path) as (_, _plug, daemon):
        assert daemon.ask("switch-lock")[0]
        kill(daemon)
        daemon.process.wait(10)
        assert kept(tmp_path, "switch-locked") not in (None, "null")
        again = Daemon(tmp_path, tmp_path / "settings.toml")
        try:
            again.wait_for_line()
            done, text = again.ask("switch-on")
            assert not done
            assert "someone is at the aircraft" in text
        finally:
            again.end()
