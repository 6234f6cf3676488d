"""Weather on a topic of the broker, heard on a connection of its own."""

from __future__ import annotations

import logging
from collections.abc import Callable

import paho.mqtt.client as mqtt

from probe_agent.clock import Clock
from probe_agent.config import Broker, TopicWeather
from probe_agent.listening import Listener
from probe_agent.readings import Weather
from probe_agent.weather.decoding import WeatherError, hourly_weather
from probe_agent.weather.https import MOST_BYTES

log = logging.getLogger(__name__)


class TopicListener:
    """Hears one topic for as long as the daemon runs.

    A retained message may be of any age: where the settings have neither `time` nor `issued` it is passed
    over, and the first one that arrives live counts.
    """

    def __init__(self, broker: Broker, settings: TopicWeather, password: str | None, clock: Clock) -> None:
        self._settings, self._clock = settings, clock
        self._heard: Callable[[Weather], None] = lambda weather: None
        self._useless: str | None = None
        self._line = Listener("weather topic", broker, (settings.topic,), password, self.hear)
        self.pulses = self._line.pulses

    def start(self, heard: Callable[[Weather], None]) -> None:
        """Begin to listen, in the background; each message that can be used goes to `heard`."""
        self._heard = heard
        self._line.start()

    def stop(self) -> None:
        """End."""
        self._line.stop()

    def look(self) -> None:
        """See that its thread lives. Never blocks."""
        self._line.look()

    @property
    def is_listening(self) -> bool:
        """Whether the broker has accepted what we ask for."""
        return self._line.is_listening

    @property
    def trouble(self) -> str | None:
        """Why nothing is heard, in a sentence for the owner."""
        where = f"The weather on topic {self._settings.topic}"
        if (away := self._line.trouble) is not None:
            return f"{where} can't be heard{away}."
        return f"{where} can't be used: {self._useless}." if self._useless else None

    def hear(self, message: mqtt.MQTTMessage) -> None:
        """Use a message, or keep why it can't be used."""
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
