"""The simulated plug as a client of a real broker, on a thread of its own."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from simulated_plug import SimulatedPlug


class RealPlug:
    """Context manager: the plug listens at plug/set (or another name's) and tells plug/state and plug/power,
    retained, as it changes and each second. Its relay is `plug.on`."""

    def __init__(self, port: int, timer_s: float, name: str = "plug") -> None:
        self.plug = SimulatedPlug(timer_s)
        self.commands: list[tuple[float, bytes, bool]] = []
        """What reached it: when [monotonic s], payload, whether it had been retained."""
        self.changes: list[tuple[float, bool]] = []
        self._port, self._name = port, name
        self._changed = threading.Condition()
        self._ends = threading.Event()
        self._told_s = 0.0
        self._thread = threading.Thread(target=self._live, name="plug", daemon=True)

    def __enter__(self) -> RealPlug:
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, f"the-{self._name}", protocol=mqtt.MQTTv5)
        self._client.on_connect = lambda *_: self._client.subscribe(f"{self._name}/set", 1)
        self._client.on_message = self._hear
        self._client.reconnect_delay_set(1, 1)
        self._client.connect("127.0.0.1", self._port)
        self._client.loop_start()
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ends.set()
        self._thread.join(5)
        self._client.disconnect()
        self._client.loop_stop()

    def _hear(self, client: mqtt.Client, data: object, message: mqtt.MQTTMessage) -> None:
        with self._changed:
            self.commands.append((time.monotonic(), bytes(message.payload), message.retain))
            self._do(lambda: self.plug.command(bytes(message.payload), time.monotonic()))

    def press(self) -> None:
        """Its own button."""
        with self._changed:
            self._do(lambda: self.plug.press(time.monotonic()))

    def _do(self, act: Callable[[], None]) -> None:
        """Under the lock: act, and tell what became of it."""
        was = self.plug.on
        act()
        if self.plug.on is not was:
            self.changes.append((time.monotonic(), self.plug.on))
        for what, payload in self.plug.said():
            self._client.publish(f"{self._name}/{what}", payload, qos=1, retain=True)
        self._changed.notify_all()

    def _live(self) -> None:
        while not self._ends.wait(0.1):
            with self._changed:
                if time.monotonic() - self._told_s >= 1.0:
                    self._told_s = time.monotonic()
                    self.plug.tell()
                self._do(lambda: self.plug.pass_time(time.monotonic()))

    def wait_for(self, on: bool, timeout_s: float) -> float:
        """Wait until its relay is on, or off; the seconds that took. Raises AssertionError."""
        began_s = time.monotonic()
        with self._changed:
            assert self._changed.wait_for(lambda: self.plug.on is on, timeout_s), self.commands[-8:]
        return time.monotonic() - began_s

    def wait_for_command(self, payload: bytes, after: int, timeout_s: float) -> None:
        """Wait until that command reaches it, the first `after` not counted."""
        with self._changed:
            assert self._changed.wait_for(
                lambda: any(p == payload for _, p, _ in self.commands[after:]), timeout_s
            ), self.commands[-8:]
