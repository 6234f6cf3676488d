"""A small receiver of history: it keeps what comes, marks what comes again, and gives receipts.

In memory, but that outlives its connections: `stop` and `start` are a receiver that was away. The broker
queues for it meanwhile, as its session is kept. The product's own receiver is in deploy/history/.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable
from typing import Any, Self

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties


class Receiver:
    """Context manager. receipts: whether it gives any. payloads: all that came, in order; upto: run → tick up
    to which all has arrived."""

    def __init__(self, port: int, device: str = "magpie", receipts: bool = True) -> None:
        self._port, self._device, self._receipts = port, device, receipts
        self.changed = threading.Condition()
        self.payloads: list[bytes] = []
        self.upto: dict[str, int] = {}
        self.clocks: dict[str, dict[str, Any]] = {}
        self.is_listening = False
        self._client: mqtt.Client | None = None

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def start(self) -> None:
        """Begin to listen."""
        client = mqtt.Client(CallbackAPIVersion.VERSION2, f"receiver-{self._device}", protocol=mqtt.MQTTv5)
        client.reconnect_delay_set(1, 1)
        client.on_connect, client.on_subscribe, client.on_message = (
            lambda c, *_: c.subscribe(f"probe-agent/{self._device}/history", qos=1),
            lambda *_: self._note_listening(),
            self._on_message,
        )
        properties = Properties(PacketTypes.CONNECT)
        properties.SessionExpiryInterval = 3600
        client.connect("127.0.0.1", self._port, clean_start=False, properties=properties)
        client.loop_start()
        self._client = client
        self.wait_for(lambda: self.is_listening)

    def stop(self) -> None:
        """Be away; the session stays with the broker."""
        if self._client is not None:
            self._client.disconnect()
            self._client.loop_stop()
            self._client, self.is_listening = None, False

    def forget(self) -> None:
        """Lose all that was kept, as an empty database would have."""
        with self.changed:
            self.payloads.clear()
            self.upto.clear()
            self.clocks.clear()

    def wait_for(self, true: Callable[[], bool], timeout_s: float = 30.0) -> None:
        """Return once `true` holds. Raises AssertionError."""
        with self.changed:
            assert self.changed.wait_for(true, timeout_s), (len(self.payloads), self.upto)

    def messages(self) -> list[dict[str, Any]]:
        """What came, read."""
        with self.changed:
            return [json.loads(payload) for payload in self.payloads]

    def _note_listening(self) -> None:
        with self.changed:
            self.is_listening = True
            self.changed.notify_all()

    def _on_message(self, client: mqtt.Client, data: Any, message: mqtt.MQTTMessage) -> None:
        with self.changed:
            self.payloads.append(bytes(message.payload))
            self._take(json.loads(message.payload))
            self.changed.notify_all()
        if self._receipts:
            client.publish(f"{message.topic}/arrived", self._receipt(), qos=1, retain=True)

    def _take(self, found: dict[str, Any]) -> None:
        after, run = found["after"], found["run"]
        for name, clock in ((run, found["clock"]), *([(after["run"], after["clock"])] if after else [])):
            if name not in self.clocks or clock["as_of"] >= self.clocks[name]["as_of"]:
                self.clocks[name] = clock
        if after is None or self.upto.get(after["run"], 0) >= after["tick"]:
            upto = max(self.upto.pop(run, 0), found["upto"])
            self.upto[run] = upto  # the newest last

    def _receipt(self) -> bytes:
        arrived = [
            {
                "run": run,
                "tick": tick,
                "offset_ms": self.clocks[run]["offset_ms"],
                "clock_ok": self.clocks[run]["ok"],
            }
            for run, tick in reversed(self.upto.items())
        ]
        return json.dumps({"version": 1, "arrived": arrived[:8]}).encode()
