"""What carries the daemon's decisions outside, as the daemon sees it: none of them holds up a tick."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from typing import Protocol

from probe_agent.config import Recipient
from probe_agent.pulse import Pulse
from probe_agent.readings import Weather
from probe_agent.status import Status

log = logging.getLogger(__name__)


class Courier(Protocol):
    """Something that carries what the daemon decided, on a thread of its own."""

    @property
    def trouble(self) -> str | None: ...

    @property
    def pulses(self) -> tuple[Pulse, ...]:
        """The rounds of its threads."""

    def start(self) -> None: ...

    def stop(self) -> None: ...


class StatusCourier(Courier, Protocol):
    """A courier of status documents; publish never blocks."""

    def publish(self, status: Status) -> None: ...


class MessageCourierLike(Courier, Protocol):
    """A courier of messages from the store's outbox."""

    @property
    def recipients(self) -> tuple[Recipient, ...]: ...

    def nudge(self) -> None: ...


class Watchdog(Courier, Protocol):
    """Something outside that wants to hear that the daemon lives; beat never blocks."""

    def beat(self) -> None: ...


class WeatherCourierLike(Courier, Protocol):
    """A courier of weather; news never blocks."""

    def news(self) -> list[Weather]: ...


class Watched:
    """A courier's thread that is seen to live: begun anew should it have ended. Whether it goes round is
    told by its pulse.

    work: runs until `stopping` is set.
    """

    def __init__(self, name: str, work: Callable[[], None], stopping: threading.Event) -> None:
        self._name, self._work, self._stopping = name, work, stopping
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Begin, in the background."""
        self._thread = threading.Thread(target=self._work, name=self._name, daemon=True)
        self._thread.start()

    def look(self) -> None:
        """Begin it anew where it has ended without being told to. Never blocks."""
        thread = self._thread
        if thread is not None and not thread.is_alive() and not self._stopping.is_set():
            log.error("the thread %s has ended and is begun anew", self._name)
            self.start()

    def join(self, timeout_s: float) -> None:
        """Wait for its end."""
        if self._thread is not None and self._thread.is_alive():
            self._thread.join(timeout_s)
