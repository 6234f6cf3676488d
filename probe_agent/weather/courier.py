"""Brings the weather: fetched in turn on a thread of its own, heard on a topic on another.

Under a simulated clock no fetching thread runs; the agent's loop calls `look` as a job of its own time.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from probe_agent import pulse
from probe_agent.clock import Clock
from probe_agent.config import HourlyWeather, MetarWeather, WeatherSources
from probe_agent.couriers import Watched
from probe_agent.pulse import Pulse
from probe_agent.readings import Weather
from probe_agent.weather.decoding import WeatherError, hourly_weather, metar_weather
from probe_agent.weather.https import Fetched, Fetcher

log = logging.getLogger(__name__)

FIRST_RETRY_S = 60.0
STOP_S = 2.0


class Source(Protocol):
    """Somewhere to ask for weather."""

    @property
    def where(self) -> str:
        """What the owner calls it: "the hourly weather of example.org"."""

    def ask(self, now_at: float) -> Weather | None:
        """What it says now, None: still the last. Blocks for its timeout. Raises WeatherError."""


class Listener(Protocol):
    """A source that speaks by itself, on a thread of its own."""

    @property
    def trouble(self) -> str | None: ...

    @property
    def pulses(self) -> tuple[Pulse, ...]: ...

    def start(self, heard: Callable[[Weather], None]) -> None: ...

    def look(self) -> None: ...

    def stop(self) -> None: ...


class AtAddress:
    """A source at an HTTPS address."""

    def __init__(self, kind: str, settings: HourlyWeather | MetarWeather, timeout_s: float) -> None:
        self._kind, self._settings, self._timeout_s = kind, settings, timeout_s
        self._fetcher: Fetcher | None = None
        self._last: Weather | None = None

    @property
    def where(self) -> str:
        kind = {"hourly": "hourly weather", "metar": "METAR"}[self._kind]
        return f"The {kind}" + (f" of {self._fetcher.host}" if self._fetcher else "")

    def ask(self, now_at: float) -> Weather | None:
        if self._fetcher is None:
            address = _address_of(self._settings, self._kind)
            self._fetcher = Fetcher(address, self._settings.ca_file, self._timeout_s)
        found = self._fetcher.fetch()
        if found is None:
            return None
        try:
            return self._decoded(found, now_at)
        except WeatherError:
            self._fetcher.forget()
            raise

    def _decoded(self, found: Fetched, now_at: float) -> Weather:
        if isinstance(self._settings, HourlyWeather):
            return hourly_weather(found.body, self._settings, self._kind, now_at, found.said_at)
        return metar_weather(found.body.decode("utf-8", "replace"), self._kind, now_at)


def sources_of(settings: WeatherSources) -> list[Source]:
    """The sources that have to be asked."""
    asked = (("hourly", settings.hourly), ("metar", settings.metar))
    return [AtAddress(kind, s, settings.timeout_s) for kind, s in asked if s is not None]


def _address_of(settings: HourlyWeather | MetarWeather, kind: str) -> str:
    if settings.address is not None:
        return settings.address
    file = settings.address_file or ""
    try:
        address = Path(file).read_text("utf-8").strip()
    except (OSError, UnicodeDecodeError) as err:
        why = err.strerror if isinstance(err, OSError) else "not text"
        raise WeatherError(f"weather.{kind}.address_file {file} can't be read ({why})") from err
    if not address.startswith("https://") or len(address.split()) != 1:
        raise WeatherError(
            f"weather.{kind}.address_file {file} must hold one address beginning with https://"
        )
    return address


@dataclass(slots=True)
class _Asked:
    """A source, and how asking it went. due_s: real second of the next try."""

    source: Source
    due_s: float = 0.0
    failures: int = 0
    failing: tuple[float, str] | None = None


class WeatherCourier:
    """Brings what weather sources say for as long as the daemon runs.

    on_thread: ask on a thread of its own, each every_s real seconds; else only when `look` is called.
    """

    def __init__(
        self,
        sources: Sequence[Source],
        clock: Clock,
        every_s: float,
        listener: Listener | None = None,
        on_thread: bool = True,
        first_retry_s: float = FIRST_RETRY_S,
    ) -> None:
        self._asked = [_Asked(source) for source in sources]
        self._clock, self._every_s, self._first_retry_s = clock, every_s, first_retry_s
        self._listener = listener
        self._stopping, self._wake = threading.Event(), threading.Event()
        self._lock = threading.Lock()
        self._news: dict[str, Weather] = {}
        self._thread = Watched("weather", self._run, self._stopping) if on_thread else None
        self._pulse = Pulse("weather")

    def start(self) -> None:
        """Begin to ask and to listen, in the background."""
        if self._listener is not None:
            self._listener.start(self._heard)
        if self._thread is not None and self._asked:
            self._pulse.expect(pulse.NETWORK_S)
            self._thread.start()

    def ask_again(self) -> None:
        """What failed is asked again at once: the clock was set, by which certificates are judged."""
        for asked in self._asked:
            if asked.failing is not None:
                asked.due_s = 0.0
        self._wake.set()

    def stop(self) -> None:
        """End; a request on its way is left to its timeout."""
        self._stopping.set()
        self._wake.set()
        if self._listener is not None:
            self._listener.stop()
        if self._thread is not None:
            self._thread.join(STOP_S)

    @property
    def pulses(self) -> tuple[Pulse, ...]:
        """The rounds of asking and of listening."""
        return (self._pulse, *(self._listener.pulses if self._listener is not None else ()))

    def news(self) -> list[Weather]:
        """What was heard since the last call, the newest of each source. Never blocks."""
        if self._thread is not None:
            self._thread.look()
        if self._listener is not None:
            self._listener.look()
        with self._lock:
            news, self._news = list(self._news.values()), {}
        return news

    def look(self) -> None:
        """Ask every source once, now. A failure becomes `trouble`."""
        for asked in self._asked:
            self._ask(asked)

    @property
    def trouble(self) -> str | None:
        """Which sources can't be heard and why, in sentences for the owner."""
        said = []
        for asked in self._asked:
            if (failing := asked.failing) is not None:
                minutes = int((time.monotonic() - failing[0]) / 60)
                since = f" for {minutes} min" if minutes else ""
                said.append(f"{asked.source.where} can't be had{since}: {failing[1]}.")
        if self._listener is not None and (heard := self._listener.trouble):
            said.append(heard)
        return " ".join(said) or None

    # -- on the thread

    def _run(self) -> None:
        while not self._stopping.is_set():
            for asked in self._asked:
                if not self._stopping.is_set() and time.monotonic() >= asked.due_s:
                    self._pulse.beat(pulse.NETWORK_S)
                    self._ask(asked)
            wait_s = max(0.0, min(a.due_s for a in self._asked) - time.monotonic())
            self._pulse.beat(wait_s + pulse.NETWORK_S)
            self._wake.wait(wait_s)
            self._wake.clear()

    def _ask(self, asked: _Asked) -> None:
        try:
            weather = asked.source.ask(self._clock.utc())
        except WeatherError as err:
            self._failed(asked, str(err))
        except Exception as err:  # a thread that ends would never hear the weather again
            log.exception("weather: asking failed")
            self._failed(asked, f"asking ended with {type(err).__name__}")
        else:
            if asked.failing is not None:
                log.warning("weather: %s is there again", asked.source.where)
            asked.failures, asked.failing = 0, None
            asked.due_s = time.monotonic() + self._every_s
            if weather is not None:
                self._heard(weather)

    def _failed(self, asked: _Asked, reason: str) -> None:
        if asked.failing is None:
            log.warning("weather: %s can't be had: %s", asked.source.where, reason)
        now_s = time.monotonic()
        asked.failing = (now_s if asked.failing is None else asked.failing[0], reason)
        asked.due_s = now_s + min(self._first_retry_s * 2.0 ** min(asked.failures, 20), self._every_s)
        asked.failures += 1

    def _heard(self, weather: Weather) -> None:
        with self._lock:
            self._news[weather.source] = weather
