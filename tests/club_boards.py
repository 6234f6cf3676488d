"""Boards of a club as they write to a broker: documents and Homie states, by one connection for all."""

from __future__ import annotations

import time
from collections.abc import Mapping
from typing import Any, Self

import msgspec
import paho.mqtt.client as mqtt
import status_samples as samples
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from probe_agent.broker import DOCUMENT_EXPIRY_S, document_payload
from probe_agent.status import Curve, Status, utc_seconds, utc_text
from web.club.source import ClubSource, now_s

NAMES = "magpie kestrel heron plover dunlin curlew lapwing wigeon osprey siskin dipper linnet avocet merlin"
FIELDS = ("Reedmoor", "Upper Fenn", "Saltholm")


def current(status: Status, age_s: float = 0.0, **changes: Any) -> Status:
    """The document as if written so long ago: its times moved to today, its curve of eight hours with it."""
    then_at = round(time.time() - age_s)
    moved = _moved(msgspec.to_builtins(status), then_at - utc_seconds(status.now))
    whole = msgspec.convert(moved, Status)
    return msgspec.structs.replace(whole, curve=curve_of(whole), age_s=None, **changes)


def _moved(part: Any, by_s: float) -> Any:
    """The same with every instant in it so much later."""
    if isinstance(part, dict):
        return {k: _moved(v, by_s) for k, v in part.items()}
    if isinstance(part, list | tuple):
        return [_moved(v, by_s) for v in part]
    if isinstance(part, str) and len(part) == 20 and part[4] == "-" and part[-1] == "Z":
        return utc_text(utc_seconds(part) + by_s)
    return part


def curve_of(status: Status, rows: int = 120) -> Curve:
    """Eight hours that lead to what the document says."""
    places = tuple(p.place for p in status.probes)
    now_at = utc_seconds(status.now)
    told = []
    for i in range(rows):
        back = rows - 1 - i
        values = (None if p.c is None else round(p.c - back * 0.05, 2) for p in status.probes)
        told.append((now_at - back * 240.0, *values, 1.0 if back < rows / 3 else 0.0))
    return Curve(places, tuple(told))


class Boards:
    """Context manager: writes as many boards would."""

    def __init__(self, port: int) -> None:
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        self._client.max_inflight_messages_set(200)
        self._port = port

    def __enter__(self) -> Self:
        self._client.connect("127.0.0.1", self._port)
        self._client.loop_start()
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def put(
        self,
        topic: str,
        payload: bytes,
        expiry_s: int | None = None,
        retain: bool = True,
        user: Mapping[str, str] | None = None,
    ) -> mqtt.MQTTMessageInfo:
        """Publish with QoS 1."""
        told = Properties(PacketTypes.PUBLISH)
        if expiry_s is not None:
            told.MessageExpiryInterval = expiry_s
        if user:
            told.UserProperty = list(user.items())
        return self._client.publish(topic, payload, qos=1, retain=retain, properties=told)

    def tell(
        self, device: str, status: Status, run: str = "run-1", expiry_s: int | None = DOCUMENT_EXPIRY_S
    ) -> None:
        """A board's document, and that it is ready; returns when the broker has it."""
        self.put(f"homie/5/{device}/$state", b"ready")
        topic, payload = f"probe-agent/{device}/status", document_payload(status)
        self.put(topic, payload, expiry_s, user={"ts": status.now, "run": run}).wait_for_publish(30)

    def is_told(self, topic: str, payload: bytes, **how: Any) -> None:
        """Publish, and return when the broker has it."""
        self.put(topic, payload, **how).wait_for_publish(30)


def a_club() -> dict[str, Status]:
    """A board in each state a viewer can meet, at three fields."""
    names = iter(NAMES.split())
    found = {}
    for i, make in enumerate(samples.STATES.values()):
        device = next(names)
        found[device] = current(make(), aircraft=device.capitalize(), field=FIELDS[i % 3])
    return found


def hear(source: ClubSource, boards: Mapping[str, Status]) -> None:
    """Have a club's source hear these as if a broker had brought them just now."""
    for device, status in boards.items():
        source.heard.document(device, document_payload(status), False, DOCUMENT_EXPIRY_S, "run", now_s())
        source.heard.state(device, b"ready")
