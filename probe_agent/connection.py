"""One connection to the MQTT broker, from CONNECT to its end, for all that speaks MQTT here.

What paho tells by callbacks becomes an answer that can be waited for, or an OSError in words for the owner.
One thread uses a connection, and all that is heard is heard in its waits; only `cut` is for other threads.
"""

from __future__ import annotations

import contextlib
import logging
import socket
import threading
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from probe_agent.clock import awake_and_asleep_s
from probe_agent.config import Broker
from probe_agent.connecting import KEEPALIVE_S, new_client

log = logging.getLogger(__name__)

ANSWER_S = 5.0
"""How long the broker may take for its first word, and for any other answer that is waited for."""
ACKNOWLEDGE_S = 30.0
SESSION_TAKEN_OVER = 0x8E
"""MQTT 5, 3.14.2.1: another client has connected with our client ID."""
FAILURE = 0x80
"""MQTT 5, 2.4: reason codes from here on refuse; 0x10, no subscriber, does not."""
_LOOK_S = 1.0


@dataclass(slots=True)
class Asked:
    """A message or a subscription, and how it was answered."""

    topics: tuple[str, ...]
    at_s: float
    codes: tuple[int, ...] | None = None
    """The broker's reason code for each topic; None until it has answered."""

    @property
    def refused(self) -> tuple[str, ...]:
        """Topics that the broker has refused."""
        return tuple(t for t, c in zip(self.topics, self.codes or (), strict=False) if c >= FAILURE)


class Connection:
    """One connection. Its waits raise ConnectionError once it is over."""

    def __init__(
        self,
        settings: Broker,
        name: str,
        password: str | None,
        who: str,
        heard: Callable[[mqtt.MQTTMessage], None],
        *,
        will: tuple[str, bytes, bool] | None = None,
        keepalive_s: int = KEEPALIVE_S,
        acknowledge_s: float = ACKNOWLEDGE_S,
        stopping: threading.Event | None = None,
        strict: bool = False,
        it: str = "it",
        broke: str | None = None,
    ) -> None:
        """Nothing is sent before `open`. Raises OSError where the settings' certificates can't be used.

        name: client ID; who: of whom the log speaks; heard: called with each message, what it raises is
        logged, and ends the connection where it is `strict`; will: topic, payload, whether retained;
        acknowledge_s: a message so long without an acknowledgement ends it; stopping: ends each `until`;
        it: how the broker is called; broke: how any end is told, {} being the broker's or paho's word for it.
        """
        self.refused: dict[str, str] = {}
        """Topics of messages that the broker has refused, and its reason."""
        self.was_open = False
        """Whether the broker has taken us."""
        self.taken_over = False
        """Whether somebody else has connected with our client ID."""
        self._settings, self._who, self._heard, self._strict = settings, who, heard, strict
        self._keepalive_s, self._acknowledge_s = keepalive_s, acknowledge_s
        self._stopping = stopping or threading.Event()
        self._it, self._broke = it, broke
        self._over: str | None = None
        self._subscribing: dict[int | None, Asked] = {}
        self._unacknowledged: dict[int, Asked] = {}
        client = self._client = new_client(settings, name, password)
        client.on_connect = self._guarded(self._on_connect)
        client.on_disconnect = self._guarded(self._on_disconnect)
        client.on_subscribe = self._guarded(self._on_subscribe)
        client.on_publish = self._guarded(self._on_publish)
        client.on_message = self._guarded(self._on_message)
        if will is not None:
            client.will_set(will[0], will[1], qos=1, retain=will[2])

    def open(self) -> None:
        """Connect, and wait for the broker's word. Raises OSError."""
        host, port = self._settings.host or "", self._settings.port
        self._client.connect(host, port, keepalive=self._keepalive_s, clean_start=True)
        if not self.until(lambda: self.was_open):
            raise ConnectionError(f"{self._it} accepts the connection and says nothing")

    def close(self, politely: bool) -> None:
        """End it; politely, where it still lives: the broker throws the will away."""
        if politely and self._over is None and self._client.is_connected():
            self._client.disconnect()
            self._client.loop(0.1)
        if (sock := self._client.socket()) is not None:
            sock.close()
        self._client.loop(0.0)  # notices
        # Nothing leads back to us any more, so that we go at once, and with us paho's own pair of sockets.
        client, self._heard = self._client, lambda message: None
        client.on_connect = client.on_disconnect = client.on_subscribe = None
        client.on_publish = client.on_message = None

    def cut(self) -> bool:
        """End it without a farewell, so that the broker publishes the will; from any thread. Whether there
        was anything to end."""
        if (sock := self._client.socket()) is None:
            return False
        with contextlib.suppress(OSError):
            sock.shutdown(socket.SHUT_RDWR)  # type: ignore[attr-defined]
        return True

    def subscribe(self, topics: Sequence[str], qos: int, no_local: bool = False) -> Asked:
        """Ask for topics; no_local: but not for what we say there ourselves."""
        options = SubscribeOptions(qos=qos, noLocal=no_local)
        _, mid = self._client.subscribe([(topic, options) for topic in topics])
        asked = self._subscribing[mid] = Asked(tuple(topics), awake_and_asleep_s())
        return asked

    def unsubscribe(self, topic: str) -> None:
        """Hear no more of it."""
        self._client.unsubscribe(topic)

    def publish(
        self,
        topic: str,
        payload: bytes,
        retain: bool = False,
        expiry_s: int | None = None,
        user: Iterable[tuple[str, str]] = (),
        content_type: str | None = None,
    ) -> Asked:
        """Send a message with QoS 1. user: its user properties."""
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        if expiry_s is not None:
            properties.MessageExpiryInterval = expiry_s
        for pair in user:
            properties.UserProperty = pair
        if content_type is not None:
            properties.ContentType = content_type
        sent = self._client.publish(topic, payload, 1, retain, properties)
        asked = self._unacknowledged[sent.mid] = Asked((topic,), awake_and_asleep_s())
        return asked

    @property
    def idle(self) -> bool:
        """Whether the broker has acknowledged every message."""
        return not self._unacknowledged

    def flush(self, timeout_s: float) -> bool:
        """Wait until it has; False where time ran out."""
        return self.until(lambda: self.idle, timeout_s)

    def answered(self, asked: Asked, timeout_s: float | None = None) -> bool:
        """Wait for an answer; False where none came."""
        return self.until(lambda: asked.codes is not None, timeout_s)

    def until(self, done: Callable[[], bool], timeout_s: float | None = None) -> bool:
        """Let the network work until something is done, for ANSWER_S unless told otherwise; whether it is.
        What other threads do is seen once a second."""
        deadline_s = awake_and_asleep_s() + (ANSWER_S if timeout_s is None else timeout_s)
        while not done() and not self._stopping.is_set():
            if (left_s := deadline_s - awake_and_asleep_s()) <= 0:
                break
            self.pump(min(left_s, _LOOK_S))
        return done()

    def pump(self, timeout_s: float) -> None:
        """Let the network work until something comes, for at most so long [s]."""
        code = self._client.loop(timeout_s)
        if code != mqtt.MQTT_ERR_SUCCESS or self._over is not None:
            raise ConnectionError(self._over or mqtt.error_string(code).lower().rstrip("."))
        oldest = next(iter(self._unacknowledged.values()), None)
        if oldest is not None and awake_and_asleep_s() - oldest.at_s > self._acknowledge_s:
            raise ConnectionError("it takes messages and does not acknowledge them")

    # -- paho's callbacks, inside pump()

    def _guarded(self, callback: Callable[..., None]) -> Callable[..., None]:
        """The callback, its exceptions logged: one that passed through would end the thread."""

        def call(*args: Any) -> None:
            try:
                callback(*args)
            except Exception as err:
                log.exception("%s: %s failed", self._who, callback.__name__)
                if self._strict:
                    self._over = type(err).__name__

        return call

    def _on_connect(self, client: mqtt.Client, data: Any, flags: Any, code: Any, properties: Any) -> None:
        if code.is_failure:
            self._over = f"{self._it} refuses us ({str(code).lower()})"
        else:
            self.was_open = True

    def _on_disconnect(self, client: mqtt.Client, data: Any, flags: Any, code: Any, properties: Any) -> None:
        if self._over is not None:
            return  # what follows the broker's own word is only that the socket is closed
        said, word = flags.is_disconnect_packet_from_server, str(code).lower()
        self.taken_over = said and code.value == SESSION_TAKEN_OVER
        if not self.was_open:
            self._over = self._without_a_word()
        elif self._broke is not None:
            self._over = self._broke.format(word)
        else:
            self._over = f"it ends the connection ({word})" if said else "the connection broke"

    def _without_a_word(self) -> str:
        """TLS 1.3 refuses a certificate only after our side believes the connection made."""
        said = "it ends the connection before its first word"
        return f"{said}; it may not accept our certificate" if self._settings.tls else said

    def _on_subscribe(self, client: mqtt.Client, data: Any, mid: int, codes: Any, properties: Any) -> None:
        if (asked := self._subscribing.pop(mid, None)) is not None:
            asked.codes = tuple(code.value for code in codes)

    def _on_publish(self, client: mqtt.Client, data: Any, mid: int, code: Any, properties: Any) -> None:
        if (asked := self._unacknowledged.pop(mid, None)) is not None:
            asked.codes = (code.value,)
            for topic in asked.refused:
                self.refused[topic] = str(code)

    def _on_message(self, client: mqtt.Client, data: Any, message: mqtt.MQTTMessage) -> None:
        self._heard(message)
