"""The daemon and the page as real processes, on settings of a test."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping
from pathlib import Path

from probe_agent.cli import example_settings
from probe_agent.status import Status, StatusError, read_status

ROOT = Path(__file__).parent.parent


def write_settings(folder: Path, more: str = "", interval_s: float = 60.0) -> Path:
    """The example's aircraft on the simulated engine, its data in the folder. `more`: further tables."""
    text = example_settings()
    for table in ("store", "sampling", "broker", "messages"):
        text = re.sub(rf"^\[{table}\]\n(?:(?!\[).*\n)*", "", text, flags=re.MULTILINE)
    text = re.sub(r"(place = \"(.*)\"\naddress = )\".*\"", r'\1"\2"\nsource = "simulated"', text)
    text += f"""
[store]
file = "{folder}/probe-agent.db"
runtime_dir = "{folder}"
[sampling]
interval_s = {interval_s}
{more}
"""
    path = folder / "settings.toml"
    path.write_text(text, "utf-8")
    return path


def of_the_unit(name: str) -> dict[str, str]:
    """The environment that a service has on a board."""
    unit = (ROOT / "deploy" / "systemd" / f"{name}.service").read_text("utf-8")
    pairs = " ".join(re.findall(r"^Environment=(.*)$", unit, re.MULTILINE)).split()
    return dict(pair.split("=", 1) for pair in pairs)


class Process:
    """Context manager: one of the product's commands, ended with TERM. env: more of its environment."""

    def __init__(self, module: str, *arguments: str, log: Path, env: Mapping[str, str] | None = None) -> None:
        self._log = log
        around = {**os.environ, **(env or {}), "PYTHONPATH": str(ROOT)}
        start = f"from {module} import main; main()"
        with log.open("ab") as out:
            self.process = subprocess.Popen(
                [sys.executable, "-c", start, *arguments], stdout=out, stderr=out, env=around, cwd=log.parent
            )

    def __enter__(self) -> Process:
        return self

    def __exit__(self, *_: object) -> None:
        self.end()

    def end(self, number: int = signal.SIGTERM, timeout_s: float = 20.0) -> int:
        """Send a signal and return the exit code."""
        if self.process.poll() is None:
            self.process.send_signal(number)
        return self.process.wait(timeout_s)

    def wait_for(self, true: Callable[[], bool], timeout_s: float = 60.0) -> None:
        """Return once `true` holds. Raises AssertionError with the log when time is up or it ended."""
        deadline, pause = time.monotonic() + timeout_s, threading.Event()
        while not true():
            assert self.process.poll() is None, self._log.read_text("utf-8")
            assert time.monotonic() < deadline, self._log.read_text("utf-8")
            pause.wait(0.05)


def status_in(folder: Path) -> Status | None:
    """The status document of the daemon in that folder; None while there is none."""
    try:
        return read_status(folder / "status.json")
    except StatusError:
        return None
