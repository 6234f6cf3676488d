"""Weeks with faults at random: what the daemon has resident doesn't grow; half an hour of real time: no tick is
late."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent.parent))

from real_broker import RealBroker
from real_daemon import ROOT, write_settings
from real_mail import MailReceiver

from probe_agent.migrations import migrate

INTERVAL_S = 120.0
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
        env = {**os.environ, "PYTHONPATH": f"{ROOT}{os.pathsep}{ROOT / 'tests'}", "OPENBLAS_NUM_THREADS": "1"}
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
    assert days[-1]["resident_mb"] <= days[1]["resident_mb"] + GROWTH_MB
