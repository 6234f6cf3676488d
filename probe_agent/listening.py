"""A connection to the broker that listens to topics and says nothing, for as long as the daemon runs."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Sequence
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.subscribeoptions import SubscribeOptions

from probe_agent import pulse
from probe_agent.config import Broker
from probe_agent.connecting import ANSWER_S, KEEPALIVE_S, Delays, guarded, new_client, no_first_word, why
from probe_agent.couriers import Watched
from probe_agent.pulse import Pulse

log = logging.getLogger(__name__)

FIRST_DELAY_S, LONGEST_DELAY_S = 4.0, 60.0
STILL_S = 180.0
"""A thread that has not moved for so long is said to stand still: longer than any wait it knows."""
_PUMP_S = 0.5
_STOP_S = 2.0


class Listener:
    """Hears topics. Each connection is a new client with a clean session, so that nothing queues for us
    while we are away and comes late as if it were fresh."""

    def __init__(
        self,
        name: str,
        broker: Broker,
        topics: Sequence[str],
        password: str | None,
        heard: Callable[[mqtt.MQTTMessage], None],
        begun: Callable[[], None] | None = None,
    ) -> None:
        """heard: called with each message, with `changed` held; begun: before the first message of each
        connection; name: of its thread, log and pulse."""
        self._name, self._broker, self._topics = name, broker, tuple(topics)
        self._password, self._heard, self._begun = password, heard, begun
        self._stopping = threading.Event()
        self._thread = Watched(name, self._run, self._stopping)
        self._away: tuple[float, str] | None = None
        self._ended: str | None = None
        self._subscribed = self._answered = False
        self._pulse = Pulse(name)
        self.pulses = (self._pulse,)
        self.changed = threading.Condition()
        """Notified when it begins to listen, with each message, and when the line is lost."""

    def start(self) -> None:
        """Begin to listen, in the background."""
        self._thread.start()

    def stop(self) -> None:
        """End."""
        self._stopping.set()
        self._thread.join(_STOP_S)

    def look(self) -> None:
        """See that its thread lives. Never blocks."""
        self._thread.look()

    @property
    def is_listening(self) -> bool:
        """Whether the broker has accepted what we ask for."""
        return self._subscribed

    @property
    def trouble(self) -> str | None:
        """Why nothing is heard, as the end of a sentence; None while all is well."""
        if self._pulse.still_s > STILL_S:
            return f": the line has stood still for {int(self._pulse.still_s / 60)} min"
        if (away := self._away) is None:
            return None
        minutes = int((time.monotonic() - away[0]) / 60)
        since = f" for {minutes} min" if minutes else ""
        return f"{since}: {away[1]}"

    # -- on the thread

    def _run(self) -> None:
        delays = Delays(FIRST_DELAY_S, LONGEST_DELAY_S)
        while not self._stopping.is_set():
            self._pulse.beat(pulse.NETWORK_S)
            was_listening = False
            try:
                self._listen()
            except OSError as err:
                was_listening = self._lost(why(err))
            except Exception as err:  # whatever it is, the next connection starts afresh
                log.exception("%s: connection given up", self._name)
                was_listening = self._lost(f"it ended with {type(err).__name__}")
            if was_listening:
                delays.begin_again()
            self._stopping.wait(delays.next_s())

    def _lost(self, reason: str) -> bool:
        """Whether it had been listening until now."""
        with self.changed:
            was, self._subscribed = self._subscribed, False
            if not self._stopping.is_set():
                since_s = time.monotonic() if self._away is None else self._away[0]
                self._away = (since_s, reason)
                log.warning("%s: %s", self._name, reason)
            self.changed.notify_all()
        return was

    def _listen(self) -> None:
        """One connection from its first packet to its end. Raises OSError when it is lost."""
        self._ended, self._answered = None, False
        client = self._client()
        client.connect(self._broker.host or "", self._broker.port, keepalive=KEEPALIVE_S, clean_start=True)
        try:
            self._pump(client)
            client.disconnect()
            client.loop(0.1)
        finally:
            if (sock := client.socket()) is not None:
                sock.close()
            client.loop(0.0)  # notices, and frees its own ends

    def _pump(self, client: mqtt.Client) -> None:
        deadline_s = time.monotonic() + ANSWER_S
        while not self._stopping.is_set():
            self._pulse.beat(pulse.NETWORK_S)
            code = client.loop(_PUMP_S)
            if code != mqtt.MQTT_ERR_SUCCESS or self._ended is not None:
                raise ConnectionError(self._ended or mqtt.error_string(code).lower().rstrip("."))
            if not self._subscribed and time.monotonic() > deadline_s:
                raise ConnectionError("the broker accepts the connection and says nothing")

    def _client(self) -> mqtt.Client:
        client = new_client(self._broker, "", self._password)
        client.on_connect = guarded(self._on_connect, self._name)
        client.on_subscribe = guarded(self._on_subscribe, self._name)
        client.on_disconnect = guarded(self._on_disconnect, self._name)
        client.on_message = guarded(self._on_message, self._name)
        return client

    def _on_connect(self, client: mqtt.Client, data: Any, flags: Any, code: Any, properties: Any) -> None:
        self._answered = True
        if code.is_failure:
            self._ended = f"the broker refuses us ({str(code).lower()})"
        else:
            if self._begun is not None:
                self._begun()
            client.subscribe([(topic, SubscribeOptions(qos=1)) for topic in self._topics])

    def _on_subscribe(self, client: mqtt.Client, data: Any, mid: int, codes: Any, properties: Any) -> None:
        refused = [t for t, c in zip(self._topics, codes, strict=False) if c.is_failure]
        if refused:
            self._ended = f"the broker refuses topic {refused[0]}; its access rules must allow it"
            return
        with self.changed:
            self._subscribed, self._away = True, None
            self.changed.notify_all()

    def _on_disconnect(self, client: mqtt.Client, data: Any, flags: Any, code: Any, properties: Any) -> None:
        broke = "the connection broke" if self._answered else no_first_word(self._broker)
        self._ended = self._ended or broke

    def _on_message(self, client: mqtt.Client, data: Any, message: mqtt.MQTTMessage) -> None:
        with self.changed:
            try:
                self._heard(message)
            finally:
                self.changed.notify_all()
