"""Weather on a topic of the broker: a connection of its own that listens and says nothing."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from typing import Any

import paho.mqtt.client as mqtt

from probe_agent import pulse
from probe_agent.clock import Clock
from probe_agent.config import Broker, TopicWeather
from probe_agent.connecting import ANSWER_S, KEEPALIVE_S, Delays, guarded, new_client, no_first_word, why
from probe_agent.couriers import Watched
from probe_agent.pulse import Pulse
from probe_agent.readings import Weather
from probe_agent.weather.decoding import WeatherError, hourly_weather
from probe_agent.weather.https import MOST_BYTES

log = logging.getLogger(__name__)

FIRST_DELAY_S, LONGEST_DELAY_S = 4.0, 60.0
STILL_S = 180.0
"""A thread that has not moved for so long is said to stand still: longer than any wait it knows."""
_PUMP_S = 0.5
_STOP_S = 2.0


class TopicListener:
    """Hears one topic for as long as the daemon runs. Each connection is a new client, as in `broker`.

    A retained message may be of any age: where the settings have neither `time` nor `issued` it is passed
    over, and the first one that arrives live counts.
    """

    def __init__(self, broker: Broker, settings: TopicWeather, password: str | None, clock: Clock) -> None:
        self._broker, self._settings, self._password, self._clock = broker, settings, password, clock
        self._stopping = threading.Event()
        self._thread = Watched("weather topic", self._run, self._stopping)
        self._heard: Callable[[Weather], None] = lambda weather: None
        self._away: tuple[float, str] | None = None
        self._useless: str | None = None
        self._ended: str | None = None
        self._subscribed = self._answered = False
        self._pulse = Pulse("weather topic")
        self.pulses = (self._pulse,)

    def start(self, heard: Callable[[Weather], None]) -> None:
        """Begin to listen, in the background; each message that can be used goes to `heard`."""
        self._heard = heard
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
    def trouble(self) -> str | None:
        """Why nothing is heard, in a sentence for the owner."""
        where = f"The weather on topic {self._settings.topic}"
        if self._pulse.still_s > STILL_S:
            return (
                f"{where} can't be heard: its line has stood still for {int(self._pulse.still_s / 60)} min."
            )
        if (away := self._away) is not None:
            minutes = int((time.monotonic() - away[0]) / 60)
            since = f" for {minutes} min" if minutes else ""
            return f"{where} can't be heard{since}: {away[1]}."
        return f"{where} can't be used: {self._useless}." if self._useless else None

    # -- on the thread

    def _run(self) -> None:
        delays = Delays(FIRST_DELAY_S, LONGEST_DELAY_S)
        while not self._stopping.is_set():
            self._pulse.beat(pulse.NETWORK_S)
            try:
                self._listen()
            except OSError as err:
                self._lost(why(err))
            except Exception as err:  # whatever it is, the next connection starts afresh
                log.exception("weather topic: connection given up")
                self._lost(f"it ended with {type(err).__name__}")
            if self._subscribed:
                delays.begin_again()
            self._stopping.wait(delays.next_s())

    def _lost(self, reason: str) -> None:
        if not self._stopping.is_set():
            since_s = time.monotonic() if self._away is None else self._away[0]
            self._away = (since_s, reason)
            log.warning("weather topic %s: %s", self._settings.topic, reason)

    def _listen(self) -> None:
        """One connection from its first packet to its end. Raises OSError when it is lost."""
        self._ended, self._subscribed, self._answered = None, False, False
        client = self._client()
        client.connect(self._broker.host or "", self._broker.port, keepalive=KEEPALIVE_S, clean_start=True)
        try:
            deadline_s = time.monotonic() + ANSWER_S
            while not self._stopping.is_set():
                self._pulse.beat(pulse.NETWORK_S)
                code = client.loop(_PUMP_S)
                if code != mqtt.MQTT_ERR_SUCCESS or self._ended is not None:
                    raise ConnectionError(self._ended or mqtt.error_string(code).lower().rstrip("."))
                if not self._subscribed and time.monotonic() > deadline_s:
                    raise ConnectionError("the broker accepts the connection and says nothing")
            client.disconnect()
            client.loop(0.1)
        finally:
            if (sock := client.socket()) is not None:
                sock.close()
            client.loop(0.0)  # notices, and frees its own ends

    def _client(self) -> mqtt.Client:
        client = new_client(self._broker, "", self._password)
        client.on_connect = guarded(self._on_connect, "weather topic")
        client.on_subscribe = guarded(self._on_subscribe, "weather topic")
        client.on_disconnect = guarded(self._on_disconnect, "weather topic")
        client.on_message = guarded(self._on_message, "weather topic")
        return client

    def _on_connect(self, client: mqtt.Client, data: Any, flags: Any, code: Any, properties: Any) -> None:
        self._answered = True
        if code.is_failure:
            self._ended = f"the broker refuses us ({str(code).lower()})"
        else:
            client.subscribe(self._settings.topic, qos=1)

    def _on_subscribe(self, client: mqtt.Client, data: Any, mid: int, codes: Any, properties: Any) -> None:
        if any(code.is_failure for code in codes):
            self._ended = f"the broker refuses it ({str(codes[0]).lower()}); its access rules must allow it"
            return
        self._subscribed, self._away = True, None

    def _on_disconnect(self, client: mqtt.Client, data: Any, flags: Any, code: Any, properties: Any) -> None:
        broke = "the connection broke" if self._answered else no_first_word(self._broker)
        self._ended = self._ended or broke

    def _on_message(self, client: mqtt.Client, data: Any, message: mqtt.MQTTMessage) -> None:
        dated = self._settings.time is not None or self._settings.issued is not None
        if message.retain and not dated:
            return
        try:
            if len(message.payload) > MOST_BYTES:
                raise WeatherError(f"it brings more than {MOST_BYTES // 1024} KB")
            weather = hourly_weather(bytes(message.payload), self._settings, "topic", self._clock.utc())
        except WeatherError as err:
            if self._useless is None:
                log.warning("weather topic %s: %s", self._settings.topic, err)
            self._useless = str(err)
        except Exception as err:
            log.exception("weather topic: a message can't be used")
            self._useless = f"reading it ended with {type(err).__name__}"
        else:
            self._useless = None
            self._heard(weather)
