"""What carries the daemon's decisions outside, as the daemon sees it: none of them holds up a tick."""

from __future__ import annotations

from typing import Protocol

from probe_agent.config import Recipient
from probe_agent.pulse import Pulse
from probe_agent.readings import Weather
from probe_agent.status import Status


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
