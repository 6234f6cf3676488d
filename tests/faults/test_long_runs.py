"""Weeks with faults at random: what the daemon has resident doesn't grow; half an hour: no tick is late."""

from __future__ import annotations

import json
import os
import re
import resource
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from random import Random
from typing import Any
from urllib.error import HTTPError
from urllib.request import urlopen

import pytest

sys.path.insert(0, str(Path(__file__).parent.parent))

from real_broker import RealBroker, free_port
from real_daemon import ROOT, Process, of_the_unit, status_in, write_settings
from real_mail import MailReceiver
from sysfs_tree import W1Tree, converter, thermometer

from probe_agent.cli import example_settings
from probe_agent.migrations import migrate

INTERVAL_S = 300.0
GROWTH_MB = 2.0


class SomeMail(MailReceiver):
    """A receiver that can be told to refuse, and keeps nothing."""

    def __init__(self) -> None:
        super().__init__(lambda mail: "250 accepted" if self.is_there else "451 later")
        self.is_there = True


def live(folder: Path, days: int, seed: int) -> list[dict[str, Any]]:
    """The daemon through so many simulated days with faults: what each day left."""
    with RealBroker(folder) as broker, SomeMail() as post:
        person = f'[[recipients]]\nname = "pilot"\naddress = "{post.address("pilot@example.org")}"\n'
        tables = f'[broker]\nhost = "127.0.0.1"\nport = {broker.port}\n[messages]\nretry_s = 1\n{person}'
        settings = write_settings(folder, tables, interval_s=INTERVAL_S)
        migrate(folder / "probe-agent.db")
        env = {
            **os.environ,
            **of_the_unit("probe-agent"),
            "PYTHONPATH": f"{ROOT}{os.pathsep}{ROOT / 'tests'}",
        }
        command = [sys.executable, str(ROOT / "tests" / "many_days.py"), str(settings), str(days), str(seed)]
        with (
            (folder / "log").open("w") as log,
            subprocess.Popen(command, stdout=subprocess.PIPE, stderr=log, text=True, env=env) as daemon,
        ):
            try:
                found = [day for line in daemon.stdout or () for day in follow(line, broker, post)]
                assert daemon.wait(60) == 0, (folder / "log").read_text("utf-8")[-4000:]
            finally:
                daemon.kill()
    return found


def follow(line: str, broker: RealBroker, post: SomeMail) -> list[dict[str, Any]]:
    """Do what a line asks for, or return what it reports."""
    acts = {
        "broker end": broker.kill,
        "broker start": broker.start,
        "mail end": lambda: setattr(post, "is_there", False),
        "mail start": lambda: setattr(post, "is_there", True),
    }
    if (act := acts.get(line.strip())) is not None:
        act()
        return []
    print(line, end="", flush=True)
    return [json.loads(line)]


@pytest.mark.long
def test_sixty_days_with_faults_leave_nothing_resident(tmp_path: Path) -> None:
    days = live(tmp_path, 60, seed=7)
    assert [d["day"] for d in days] == list(range(1, 61))
    assert {"card", "broker", "mail", "clock unknown", "clock step", "plan"} <= set(days[-1])
    assert days[-1]["end_mb"] <= days[1]["end_mb"] + GROWTH_MB


# -- half an hour of real time

LATE_S = 2.0
ADDRESSES = tuple(f"3b-0c98000000a{n}" for n in range(1, 8))
AIR = "28-0316a2795bff"


class Hangar:
    """What is around a daemon and its page: a kernel-like 1-Wire bus, a broker, a mail receiver; and what
    befalls them."""

    def __init__(self, folder: Path, chance: Random) -> None:
        self._folder, self._chance = folder, chance
        self._tree = W1Tree(folder)
        self._hung: set[str] = set()
        self.happened: dict[str, int] = {}

    def settings(self, broker: RealBroker, post: MailReceiver) -> Path:
        """The example's settings, its data in the folder."""
        text = example_settings()
        for table in ("store", "sampling", "broker", "messages", "one_wire"):
            text = re.sub(rf"^\[{table}\]\n(?:(?!\[).*\n)*", "", text, flags=re.MULTILINE)
        text += (
            f'[store]\nfile = "{self._folder}/probe-agent.db"\nruntime_dir = "{self._folder}/run"\n'
            f'[one_wire]\ndirectory = "{self._tree.directory}"\n'
            f'[broker]\nhost = "127.0.0.1"\nport = {broker.port}\n[messages]\nretry_s = 1\n'
            f'[[recipients]]\nname = "pilot"\naddress = "{post.address("pilot@example.org")}"\n'
        )
        file = self._folder / "settings.toml"
        file.write_text(text, "utf-8")
        return file

    def warm(self, since_s: float) -> None:
        """Every probe reads what the engine has by now: it warms slowly; a hanging one comes back."""
        for n, address in enumerate(ADDRESSES):
            data = converter(-10.0 + n / 4 + since_s / 90, -8.0)
            if address in self._hung:
                self._tree.release(address, data)
                self._hung.discard(address)
            self._tree.put(address, data)
        self._tree.put(AIR, thermometer(-12.0))

    def befall(self, daemon: int, broker: RealBroker, post: SomeMail) -> None:
        """One of them."""
        faults: dict[str, Callable[[], None]] = {
            "probe fails": lambda: self._tree.fail(self._one()),
            "probe is gone": lambda: self._tree.remove(self._one()),
            "probe is open": lambda: self._tree.put(self._one(), converter(0.0, -8.0, 1)),
            "probe hangs": self._hang,
            "broker is killed": broker.kill,
            "broker is back": broker.start,
            "mail refuses": lambda: setattr(post, "is_there", False),
            "mail is back": lambda: setattr(post, "is_there", True),
            "card refuses": lambda: limit(daemon, 0),
            "card is back": lambda: limit(daemon, resource.RLIM_INFINITY),
        }
        if broker.is_up:
            del faults["broker is back"]
        else:
            del faults["broker is killed"]
        what = self._chance.choice(list(faults))
        self.happened[what] = self.happened.get(what, 0) + 1
        faults[what]()

    def _one(self) -> str:
        return self._chance.choice([a for a in ADDRESSES if a not in self._hung])

    def _hang(self) -> None:
        address = self._one()
        self._tree.hang(address)
        self._hung.add(address)


def limit(process: int, size: int) -> None:
    """No file of the process may grow beyond so many bytes."""
    resource.prlimit(process, resource.RLIMIT_FSIZE, (size, resource.RLIM_INFINITY))


class Phones:
    """Threads that ask the page again and again; what they were answered with, by status."""

    def __init__(self, port: int, number: int, stop: threading.Event) -> None:
        self.answers: dict[int | str, int] = {}
        self._port, self._stop, self._lock = port, stop, threading.Lock()
        self.threads = [threading.Thread(target=self._ask) for _ in range(number)]
        for thread in self.threads:
            thread.start()

    def _ask(self) -> None:
        while not self._stop.wait(0.5):
            for path in ("/", "/api/status"):
                answer = self._fetch(path)
                with self._lock:
                    self.answers[answer] = self.answers.get(answer, 0) + 1

    def _fetch(self, path: str) -> int | str:
        try:
            with urlopen(f"http://127.0.0.1:{self._port}{path}", timeout=20) as answer:
                answer.read()
                return int(answer.status)
        except HTTPError as err:
            err.close()
            return err.code
        except OSError as err:
            return type(err).__name__


def late_ticks(store: Path, interval_s: float) -> tuple[int, list[float]]:
    """How many ticks are stored, and by how much [s] each came later than an interval after the last."""
    db = sqlite3.connect(store)
    at_s = [ms / 1000 for (ms,) in db.execute("SELECT mono_ms FROM ticks ORDER BY mono_ms")]
    db.close()
    return len(at_s), [b - a - interval_s for a, b in pairwise(at_s)]


@pytest.mark.long
def test_half_an_hour_with_faults_and_no_tick_is_late(tmp_path: Path) -> None:
    minutes = float(os.environ.get("PROBE_AGENT_TEST_MINUTES", "30"))
    hangar, stop, port = Hangar(tmp_path, Random(3)), threading.Event(), free_port()
    hangar.warm(0.0)
    with RealBroker(tmp_path) as broker, SomeMail() as post:
        arguments = ("--settings", str(hangar.settings(broker, post)))
        with (
            Process("probe_agent.cli", "run", *arguments, log=tmp_path / "daemon.log") as daemon,
            Process("web.serve", *arguments, "--port", str(port), log=tmp_path / "page.log"),
        ):
            daemon.wait_for(lambda: status_in(tmp_path / "run") is not None)
            phones = Phones(port, 5, stop)
            began_s = time.monotonic()
            try:
                while (since_s := time.monotonic() - began_s) < minutes * 60:
                    hangar.befall(daemon.process.pid, broker, post)
                    assert daemon.process.poll() is None
                    stop.wait(4.0)  # the pace of the faults
                    hangar.warm(since_s)
            finally:
                stop.set()
                for thread in phones.threads:
                    thread.join(30)
            limit(daemon.process.pid, resource.RLIM_INFINITY)
            assert daemon.end() == 0
    ticks, late = late_ticks(tmp_path / "probe-agent.db", 15.0)
    print(f"\n{ticks} ticks, latest {max(late):.2f} s late, {hangar.happened}, answers {phones.answers}")
    assert ticks >= minutes * 4 - 1
    assert max(late) <= LATE_S
    assert set(phones.answers) == {200}
