"""A connection to the broker that listens to topics and says nothing, for as long as the daemon runs."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Sequence

import paho.mqtt.client as mqtt

from probe_agent import pulse
from probe_agent.config import Broker
from probe_agent.connecting import Delays, why
from probe_agent.connection import Connection
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
        self._subscribed = False
        self._pulse = Pulse(name)
        self.pulses = (self._pulse,)
        self.changed = threading.Condition()
        """Notified when it begins to listen, with each message, and when the line is lost."""

    def start(self) -> None:
        """Begin to listen, in the background."""
        self._pulse.expect(pulse.NETWORK_S)
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
        connection = Connection(
            self._broker,
            "",
            self._password,
            self._name,
            self._hear,
            stopping=self._stopping,
            it="the broker",
            broke="the connection broke",
        )
        try:
            connection.open()
            if self._begun is not None:
                self._begun()
            self._subscribe(connection)
            while not self._stopping.is_set():
                self._pulse.beat(pulse.NETWORK_S)
                connection.pump(_PUMP_S)
        finally:
            connection.close(politely=self._stopping.is_set())

    def _subscribe(self, connection: Connection) -> None:
        asked = connection.subscribe(self._topics, qos=1)
        if not connection.answered(asked):
            raise ConnectionError("the broker accepts the connection and says nothing")
        if asked.refused:
            raise ConnectionError(
                f"the broker refuses topic {asked.refused[0]}; its access rules must allow it"
            )
        with self.changed:
            self._subscribed, self._away = True, None
            self.changed.notify_all()

    def _hear(self, message: mqtt.MQTTMessage) -> None:
        with self.changed:
            try:
                self._heard(message)
            finally:
                self.changed.notify_all()
