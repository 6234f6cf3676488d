"""The real daemon on the simulated engine with a clock that jumps and a plug on a circuit that others share.

    python circuit_daemon.py SPEC.json

As night_daemon.py, beside others of its kind at one broker, so further lines come on standard input: "hears
DEVICE=PRINT …" is answered "heard" once the circuit's message of each of those boards has arrived. "at
SECONDS PRINT" is said when the board's own message, by its print, has come back from the broker. Each change
of the plug's relay goes as a line (engine's seconds, watts) into plug.txt.
"""

from __future__ import annotations

import json
import math
import sys
import threading
import time
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

from night_daemon import LedClock, engine
from simulated_plug import SimulatedPlug

from probe_agent.agent import plan_from_settings
from probe_agent.cli import assemble, assembly
from probe_agent.clock import SimulatedClock, awake_and_asleep_s
from probe_agent.config import load_settings
from probe_agent.probes.simulated import SimulatedSource
from probe_agent.sharing import Sharing
from probe_agent.switching import Order, Plug, in_run_seconds

TIMER_S = 600.0


class NightPlug:
    """The plug's line with the plug at its end, on the run's clock; behind it the engine's heater."""

    trouble = None
    pulses = ()

    def __init__(
        self, clock: SimulatedClock, source: SimulatedSource, watts: float, log: Path, by_s: float
    ) -> None:
        self._clock, self._source, self._log, self._by_s = clock, source, log, by_s
        self._plug = SimulatedPlug(TIMER_S, watts)
        self._seen = Plug(connected_s=clock.monotonic(), on=False, live=True)
        self._was = False

    def start(self) -> None: ...

    def stop(self) -> None:
        self.off()

    def off(self) -> None:
        self.order("off", 0.0)

    def order(self, what: Order, tick_s: float) -> None:
        now_s = self._clock.monotonic()
        if what != "hold":
            self._plug.command(what.encode(), now_s)
        self._tell(now_s)

    def seen(self) -> Plug:
        now_s = self._clock.monotonic()
        self._plug.pass_time(now_s)
        self._tell(now_s)
        return in_run_seconds(self._seen, awake_and_asleep_s() - now_s)

    def _tell(self, now_s: float) -> None:
        on, before = self._plug.on, self._seen
        began_s = now_s if on and not self._was else before.began_s if on else math.inf
        on_s, off_s = (now_s, before.off_s) if on else (before.on_s, now_s - 1.0)  # no instant is both
        self._seen = Plug(before.connected_s, on, on_s, True, off_s, began_s, self._plug.power_w, now_s)
        if on is not self._was:
            self._was = on
            self._source.set_heater(now_s, 1.0 if on else 0.0)
            with self._log.open("a") as out:
                out.write(f"{now_s + self._by_s:.0f} {self._plug.power_w:.0f}\n")


class Seen:
    """What arrived on the circuit, by device."""

    def __init__(self) -> None:
        self._prints: dict[str, int] = {}
        self._changed = threading.Condition()
        hear = Sharing._hear

        def hears(sharing: Sharing, message: Any) -> None:
            hear(sharing, message)
            with self._changed:
                self._prints[message.topic.split("/")[1]] = zlib.crc32(bytes(message.payload))
                self._changed.notify_all()

        Sharing._hear = hears  # type: ignore[method-assign]

    def wait_for(self, device: str, wanted: Callable[[], int]) -> None:
        """Return once that board's message has that print. Raises AssertionError."""
        deadline = time.monotonic() + 30
        with self._changed:
            while self._prints.get(device) != wanted():
                left_s = deadline - time.monotonic()
                assert left_s > 0, (device, self._prints, wanted())
                self._changed.wait(min(left_s, 0.1))


class SharedClock(LedClock):
    """Jumps from tick to tick as it is told to, and stands still while the others are heard."""

    def __init__(self, spec: dict[str, Any], store: Path, seen: Seen) -> None:
        super().__init__(spec, store)
        self._seen, self._device = seen, spec["device"]
        self.sharing: Sharing | None = None

    def wait_until(self, t_s: float, wake: threading.Event) -> None:
        while not wake.is_set() and t_s > self._until_s:
            self._settle()
            if self._until_s > -math.inf:
                SimulatedClock.wait_until(self, self._until_s, wake)
                self._seen.wait_for(self._device, self._own)
                print(f"at {self._until_s + self._engine_s:.0f} {self._own()}", flush=True)
            if not self._obey():
                wake.set()
                return
        self._settle()
        SimulatedClock.wait_until(self, t_s, wake)

    def _own(self) -> int:
        assert self.sharing is not None
        return zlib.crc32(self.sharing.message[0])

    def _obey(self) -> bool:
        """Lines of standard input up to the next one that lets time pass; False where the night is over."""
        while True:
            word, _, rest = sys.stdin.readline().strip().partition(" ")
            if word == "hears":
                for device, _, number in (one.partition("=") for one in rest.split()):
                    self._seen.wait_for(device, lambda n=int(number): n)  # type: ignore[misc]
                print("heard", flush=True)
                continue
            if word == "until":
                self._until_s = float(rest) - self._engine_s
            return word == "until"


def main() -> None:
    spec = json.loads(Path(sys.argv[1]).read_text("utf-8"))
    settings = load_settings(Path(spec["settings"]))
    source = SimulatedSource(engine(spec), heater_measured=False, start_s=-spec["engine_s"])
    clock = SharedClock(spec, Path(settings.store.file), Seen())
    log = Path(settings.store.runtime_dir) / "plug.txt"
    plug = NightPlug(clock, source, spec["watts"], log, spec["engine_s"])
    assembly.plug_line = lambda *_: plug  # the product's own refuses to switch on a clock that jumps
    agent = assemble(settings, plan_from_settings(settings), clock, [source])
    clock.sharing = agent._sharing
    agent.run(threading.Event())
    agent.store.close()


if __name__ == "__main__":
    main()
