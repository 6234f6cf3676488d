"""The real daemon on the system's clock with probes that warm slowly, as a process of its own.

    python card_daemon.py SETTINGS [TOLD_S]

Readings are committed every 5 s; of a record that can't be written is told after TOLD_S (1), not a minute.
USR1: the night's work on the record, now.
"""

from __future__ import annotations

import signal
import sys
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from scripted import ScriptedSource

from probe_agent import agent as heart
from probe_agent.cli import assembly, daemon
from probe_agent.clock import SystemClock
from probe_agent.config import Settings, load_settings


def main() -> None:
    settings = load_settings(Path(sys.argv[1]))
    heart.UNWRITTEN_TOLD_S = float(sys.argv[2]) if len(sys.argv) > 2 else 1.0
    heart.COMMIT_QUIET_S = 5.0
    began_s = SystemClock().monotonic()

    def script(t_s: float) -> Mapping[str, float]:
        c = -4.0 + (t_s - began_s) / 3600
        return {"cyl-1": c, "cyl-2": c - 0.5, "case-nose": c - 1.0, "ambient": -6.0}

    def scheduled(settings: Settings, agent: Any) -> Any:
        def work(*_: object) -> None:
            threading.Thread(target=assembly.night, args=(settings, agent)).start()

        signal.signal(signal.SIGUSR1, work)
        return assembly.scheduled(settings, agent)

    daemon.scheduled = scheduled  # type: ignore[attr-defined]
    plan = heart.plan_from_settings(settings)
    daemon._watch(settings, plan, SystemClock(), [ScriptedSource(script)])


if __name__ == "__main__":
    main()
