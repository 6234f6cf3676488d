"""The real daemon on the system's clock, with probes that stand still, as a process of its own.

    python plug_daemon.py SETTINGS

USR1: the tick hangs from the next reading on. USR2: cyl-2 is lost.
"""

from __future__ import annotations

import signal
import sys
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from scripted import ScriptedSource

from probe_agent.agent import plan_from_settings
from probe_agent.cli import assemble
from probe_agent.clock import SystemClock
from probe_agent.config import load_settings
from probe_agent.readings import Fault


def main() -> None:
    settings = load_settings(Path(sys.argv[1]))
    hangs, lost, never = threading.Event(), threading.Event(), threading.Event()
    stop = threading.Event()

    def script(t_s: float) -> Mapping[str, float | Fault]:
        if hangs.is_set():
            never.wait()
        return {
            "cyl-1": -4.0,
            "cyl-2": Fault.OPEN if lost.is_set() else -4.5,
            "case-nose": -5.0,
            "ambient": -6,
        }

    def on(number: int, act: Any) -> None:
        signal.signal(number, lambda *_: act())

    on(signal.SIGUSR1, hangs.set)
    on(signal.SIGUSR2, lost.set)
    on(signal.SIGTERM, stop.set)
    agent = assemble(settings, plan_from_settings(settings), SystemClock(), [ScriptedSource(script)])
    agent.run(stop)
    agent.store.close()


if __name__ == "__main__":
    main()
