"""A real mosquitto on a free loopback port, and a subscriber that records what it sends."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import ssl
import subprocess
import threading
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Self

import paho.mqtt.client as mqtt
from homie_rules import Seen
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return int(s.getsockname()[1])


class RealBroker:
    """Context manager. Nothing is kept on disk: a killed broker comes back knowing nothing, which is
    the worst it can do. `lines`: further lines of mosquitto.conf; `environment`: more of its environment."""

    environment: Mapping[str, str] = {}

    def __init__(self, folder: Path, lines: str = "") -> None:
        assert MOSQUITTO, "mosquitto is not installed"
        self.port = free_port()
        self._config = folder / "mosquitto.conf"
        self._log = folder / "mosquitto.log"
        user = "user root\n" if os.geteuid() == 0 else ""
        anonymous = "" if "allow_anonymous" in lines else "allow_anonymous true\n"
        self._config.write_text(
            f"listener {self.port} 127.0.0.1\n{anonymous}persistence false\nlog_dest stderr\n{user}{lines}\n"
        )
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with self._log.open("ab") as out:
            self._process = subprocess.Popen(
                [str(MOSQUITTO), "-c", str(self._config)],
                stdout=out,
                stderr=out,
                env={**os.environ, **self.environment},
            )
        deadline = time.monotonic() + 10
        while True:
            assert self._process.poll() is None, self._log.read_text()
            try:
                socket.create_connection(("127.0.0.1", self.port), timeout=1).close()
                return
            except OSError:
                assert time.monotonic() < deadline, self._log.read_text()
                threading.Event().wait(0.01)

    def signal(self, number: int) -> None:
        """A signal to mosquitto; after STOP it takes what the kernel takes, and says nothing."""
        assert self._process is not None
        self._process.send_signal(number)

    @property
    def is_up(self) -> bool:
        return self._process is not None and self._process.poll() is None

    def kill(self) -> None:
        """kill -9."""
        assert self._process is not None
        self._process.send_signal(signal.SIGKILL)
        self._process.wait(10)

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._process is not None and self._process.poll() is None:
            self._process.send_signal(signal.SIGCONT)
            self._process.terminate()
            self._process.wait(10)


class Recorder:
    """Context manager: a subscriber that records every message, its retain flag as it was published.

    What was retained before it came is in `old`, by topic, and no part of the stream.
    """

    def __init__(
        self,
        port: int,
        *filters: str,
        username: str | None = None,
        password: str = "",
        tls: ssl.SSLContext | None = None,
        end: str = "recorder/end",
    ) -> None:
        self._changed = threading.Condition()
        self.stream: list[Seen] = []
        self.old: dict[str, Seen] = {}
        self._subscribed = 0
        self._filters, self._end = filters or ("+/5/#", "probe-agent/#"), end
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        if username is not None:
            self._client.username_pw_set(username, password)
        if tls is not None:
            self._client.tls_set_context(tls)
        self._client.on_connect = self._on_connect
        self._client.on_subscribe = self._on_subscribe
        self._client.on_message = self._on_message
        self._client.connect("127.0.0.1", port)

    def _on_connect(self, client: mqtt.Client, *_: object) -> None:
        options = SubscribeOptions(qos=2, retainAsPublished=True)
        for topics in self._filters:
            client.subscribe(topics, options=options)
        # The echo of this one, sent last, says that everything retained has arrived.
        client.subscribe(self._end, options=SubscribeOptions(qos=1))

    def _on_subscribe(self, client: mqtt.Client, *_: object) -> None:
        with self._changed:
            self._subscribed += 1
            last = self._subscribed == len(self._filters) + 1
        if last:
            client.publish(self._end, b"end", qos=1)

    def _on_message(self, client: mqtt.Client, data: object, message: mqtt.MQTTMessage) -> None:
        properties = message.properties
        seen = Seen(
            topic=message.topic,
            payload=bytes(message.payload),
            retain=message.retain,
            qos=message.qos,
            expiry_s=getattr(properties, "MessageExpiryInterval", None),
            user=tuple(getattr(properties, "UserProperty", ())),
        )
        with self._changed:
            if message.topic == self._end:
                self._ready = True
            elif self._ready:
                self.stream.append(seen)
            else:
                self.old[message.topic] = seen
            self._changed.notify_all()

    _ready = False

    def __enter__(self) -> Recorder:
        self._client.loop_start()
        self.wait_for(lambda: self._ready)
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def wait_for(self, true: Callable[[], bool], timeout_s: float = 10.0) -> None:
        """Return once `true` holds, looked at after each message. Raises AssertionError."""
        with self._changed:
            assert self._changed.wait_for(true, timeout_s), "\n".join(
                f"{s.topic} {s.payload[:80]!r}" for s in self.stream[-30:]
            )

    def wait_for_message(self, topic: str, payload: bytes | None = None, after: int = 0) -> int:
        """The index in the stream of the first such message from `after` on, waiting for it."""

        def find() -> int | None:
            for i in range(after, len(self.stream)):
                s = self.stream[i]
                if s.topic == topic and (payload is None or s.payload == payload):
                    return i
            return None

        self.wait_for(lambda: find() is not None)
        found = find()
        assert found is not None
        return found

    def retained(self) -> dict[str, bytes]:
        """What the broker must retain after this stream, on top of what it had before."""
        kept = {topic: s.payload for topic, s in self.old.items()}
        for s in list(self.stream):
            if s.retain:
                kept[s.topic] = s.payload
        return {topic: payload for topic, payload in kept.items() if payload}


def retained_on(port: int, *filters: str, **login: Any) -> dict[str, Seen]:
    """What the broker retains at this moment."""
    with Recorder(port, *filters, **login) as recorder:
        return dict(recorder.old)


def publish_once(
    port: int, topic: str, payload: bytes, retain: bool = True, expiry_s: int | None = None
) -> None:
    """Publish one message with QoS 1 as another program would, and wait for its acknowledgement."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    client.connect("127.0.0.1", port)
    client.loop_start()
    properties = Properties(PacketTypes.PUBLISH)
    if expiry_s is not None:
        properties.MessageExpiryInterval = expiry_s
    client.publish(topic, payload, qos=1, retain=retain, properties=properties).wait_for_publish(10)
    client.disconnect()
    client.loop_stop()
