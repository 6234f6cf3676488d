"""The real daemon on the simulated engine, for tests of what the service manager hears.

    python watched_daemon.py SETTINGS TICK_S STORE_S NETWORK_S

The three: how long a round may take, as probe_agent/pulse.py has them. A message that waits for another try
is looked at each second. USR1: names of its threads and their kernel ids go to the file `threads`, in JSON.
"""

from __future__ import annotations

import json
import signal
import sys
import threading
from pathlib import Path

from probe_agent import messages, pulse
from probe_agent.cli import main


def tell_threads(*_: object) -> None:
    draft = Path("threads.new")
    draft.write_text(json.dumps({t.name: t.native_id for t in threading.enumerate()}), "utf-8")
    draft.replace("threads")


if __name__ == "__main__":
    settings, *spans = sys.argv[1:]
    pulse.TICK_S, pulse.STORE_S, pulse.NETWORK_S = map(float, spans)
    messages.LOOK_AGAIN_S = 1.0
    signal.signal(signal.SIGUSR1, tell_threads)
    main(["try", "--settings", settings, "--speed", "60"])
